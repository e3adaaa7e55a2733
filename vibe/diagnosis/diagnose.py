"""All rules, one after another; one cause, one finding; gravest first."""

from __future__ import annotations

from collections.abc import Sequence

from vibe.core.health import Finding
from vibe.diagnosis.beside import beside_others, without_doubles, without_outshone
from vibe.diagnosis.case import Case
from vibe.diagnosis.rules import RULES
from vibe.diagnosis.speed_doubt import doubted

SEVERITY_RANK = {"severe": 0, "moderate": 1, "slight": 2}


def diagnose(case: Case) -> list[Finding]:
    """Findings of one capture, gravest first."""
    weighed = beside_others(case)
    findings = without_doubles(weighed, [finding for rule in RULES for finding in rule(weighed)])
    return gravest_first(doubted(weighed, without_outshone(weighed, findings)))


def gravest_first(findings: Sequence[Finding]) -> list[Finding]:
    """Sorted by severity, then probability; a bad sensor comes after what was found in spite of it."""
    return sorted(findings, key=lambda f: (f.component == "sensor", SEVERITY_RANK[f.severity], -f.probability))


def merged(captures: Sequence[Sequence[Finding]]) -> list[Finding]:
    """Findings of several captures of one drive: the same cause once, at its surest."""
    best: dict[tuple[str | None, str, str], Finding] = {}
    for findings in captures:
        for finding in findings:
            key = (finding.tone, finding.component, finding.defect)
            if key not in best or finding.probability > best[key].probability:
                best[key] = finding
    return gravest_first(list(best.values()))
