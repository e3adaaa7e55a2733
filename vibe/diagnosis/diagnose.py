"""All rules, one after another; one cause, one finding; gravest first."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from vibe.core.health import GRAVITY, Finding
from vibe.core.outside_combs import OutsideComb
from vibe.diagnosis.alternatives.cage_turns import without_others_turns
from vibe.diagnosis.alternatives.declared_machines import doubted_by_declared
from vibe.diagnosis.alternatives.doubled_combs import without_doubles
from vibe.diagnosis.alternatives.explaining_away import explained_away
from vibe.diagnosis.alternatives.outshone import without_outshone
from vibe.diagnosis.alternatives.outside_machines import doubted_by_outside, strikers
from vibe.diagnosis.alternatives.shaft_knocks import doubted_by_shaft_knocks
from vibe.diagnosis.alternatives.shared_places import shared_with_other_bearings
from vibe.diagnosis.alternatives.speed_alternatives import doubted
from vibe.diagnosis.bearing_elements import part_of
from vibe.diagnosis.case import Case
from vibe.diagnosis.growth import against_past, with_grown
from vibe.diagnosis.rules import RULES
from vibe.diagnosis.rules.unexplained_impacts import unexplained_impacts
from vibe.diagnosis.severity import graded

LEAST_SURE = 0.05
"""Probability from which what grew, or what an outside machine explains, is a finding all the same (the usual 5 %)."""
TWICE_DB = 6.0
"""Twice the amplitude."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Diagnosed:
    """Findings of one capture, gravest first, and combs where parts strike that are another machine's instead."""

    findings: list[Finding]
    outside_combs: tuple[OutsideComb, ...] = ()


def diagnose(case: Case) -> list[Finding]:
    """Findings of one capture, gravest first."""
    return diagnosed(case).findings


def diagnosed(case: Case) -> Diagnosed:
    """Findings of one capture, and what is no finding because an outside machine makes it all but surely."""
    weighed = with_grown(without_others_turns(explained_away(case)))
    findings = without_doubles(weighed, [finding for rule in RULES for finding in rule(weighed)])
    kept = doubted(weighed, without_outshone(weighed, findings))
    theirs = {_cause(finding): comb for finding, comb in strikers(weighed, kept)}
    kept = doubted_by_outside(weighed, doubted_by_declared(weighed, kept))
    kept = shared_with_other_bearings(weighed, doubted_by_shaft_knocks(weighed, kept))
    kept = _without_others_growth(case, kept)
    kept = [graded(weighed, finding) for finding in against_past(weighed, kept)]
    kept = [*kept, *unexplained_impacts(weighed, kept)]
    # What grew may be sure in spite of them.
    left = {_cause(finding) for finding in kept if finding.damage_probability < LEAST_SURE} & set(theirs)
    return Diagnosed(
        findings=gravest_first([finding for finding in kept if _cause(finding) not in left]),
        outside_combs=tuple(comb for cause, comb in theirs.items() if cause in left and not _is_met(weighed, comb)),
    )


def _is_met(case: Case, comb: OutsideComb) -> bool:
    """Whether a comb of twice its amplitude is counted on the same slow turn: teeth that differ make lines at every
    turn, and what these leave elsewhere is no further machine."""
    return comb.per_turn is not None and any(
        one.per_turn is not None
        and one.per_turn[1] == comb.per_turn[1]
        and one.evidence.hit_over_floor_db > comb.evidence.hit_over_floor_db + TWICE_DB
        for one in case.outside_combs
    )


def _without_others_growth(case: Case, findings: Sequence[Finding]) -> list[Finding]:
    """The findings without those that a growth alone supports and another machine explains nearly for sure: what is new
    around a drive is new to its past as well."""
    doubtful = [finding for finding in findings if finding.damage_probability < LEAST_SURE]
    if not (doubtful and case.growths):
        return list(findings)
    alone = {_cause(finding) for finding in diagnose(replace(case, growths={}, quiet_combs={}))}
    return [finding for finding in findings if finding not in doubtful or _cause(finding) in alone]


def gravest_first(findings: Sequence[Finding]) -> list[Finding]:
    """Sorted by severity, then probability; a bad sensor comes after what was found in spite of it."""
    return sorted(findings, key=lambda f: (f.component == "sensor", -GRAVITY[f.severity], -f.probability))


def merged(captures: Sequence[Sequence[Finding]]) -> list[Finding]:
    """Findings of several captures of one drive: the same cause once, at its surest.

    A bearing is one cause, whichever of its elements a capture names: the surest name stands, the others become what it
    cannot be distinguished from, and the gravest severity is kept.
    """
    best: dict[tuple[str, ...], Finding] = {}
    for finding in (one for findings in captures for one in findings):
        cause = _cause(finding)
        first = best.get(cause)
        best[cause] = finding if first is None else _joined(*sorted((first, finding), key=_sureness))
    return gravest_first(list(best.values()))


def _cause(finding: Finding) -> tuple[str, ...]:
    part = part_of(finding.where)
    return (part,) if part.startswith("bearing.") else (finding.tone or "", finding.component, finding.defect)


def _sureness(finding: Finding) -> tuple[bool, float]:
    """An element that is named says more than the bearing as a whole."""
    return finding.tone is not None, finding.probability


def _joined(less: Finding, more: Finding) -> Finding:
    if not more.component.startswith("bearing."):
        return more
    others = [less.tone] if less.tone is not None and less.tone != more.tone else []
    wholes = [one.component_probability for one in (less, more) if one.component_probability is not None]
    return more.model_copy(
        update={
            "severity": max(less.severity, more.severity, key=lambda severity: GRAVITY[severity]),
            "cannot_be_told_from": list(dict.fromkeys([*more.cannot_be_told_from, *others])),
            "component_probability": max(wholes, default=None),
        }
    )
