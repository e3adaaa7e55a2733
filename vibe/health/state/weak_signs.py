"""Findings that are too improbable to set a state: listed apart, so that nothing is lost, and never a reason to act."""

from __future__ import annotations

from collections.abc import Sequence

from vibe.core.health import Finding
from vibe.health.state.settings import Judgement

COMPARE = "Nothing needs to be done for this alone: compare it with the next measurement. If it has grown: "
"""What stands before the advice of a weak sign."""


def is_weak(finding: Finding, judgement: Judgement) -> bool:
    """Whether the rule that a finding reaches asks for no state."""
    return judgement.rule_for(finding.severity, finding.damage_probability).state == "sound"


def weak_last(findings: Sequence[Finding], judgement: Judgement) -> list[Finding]:
    """``findings`` in their order, but weak signs last, marked as such, and with advice that asks for no work."""
    marked = [_marked(one) if is_weak(one, judgement) else one for one in findings]
    return sorted(marked, key=lambda one: one.weak_sign)  # keeps the order of equals


def _marked(finding: Finding) -> Finding:
    return finding.model_copy(update={"weak_sign": True, "advice": f"{COMPARE}{finding.advice}"})
