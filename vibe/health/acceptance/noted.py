"""Requirements answered by what was measured by other means: torque, lost motion, noise, oil temperature."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from vibe.core.records.acceptance import Answer, Contribution, Outcome, Quantity, Requirement
from vibe.core.records.commissioning import NotedValue
from vibe.health.acceptance.outcomes import Judging
from vibe.health.acceptance.uncertainty import decided, quantity, risk_of_false_acceptance

STATED_FACTOR = 2.0
"""Coverage factor of an uncertainty that is noted with a value, as calibration and test laboratories state it."""


def noted_value(requirement: Requirement, values: Sequence[NotedValue], judging: Judging) -> Outcome:
    """The noted value nearest to failing decides. Without its uncertainty it cannot be held against a guarded limit."""
    assert requirement.limit is not None
    assert requirement.unit is not None
    limit, sense = requirement.limit, 1.0 if requirement.sense == "at most" else -1.0
    if not values:
        return _open(
            requirement, None, "", "No value was noted.",
            f"Measure it, and note it in the set: [[noted]] with requirement = {requirement.id!r}.",
        )  # fmt: skip
    worst = max(values, key=lambda one: sense * one.value + (one.uncertainty or 0.0))
    found = _measured(worst, requirement.unit, judging.coverage)
    where = ", ".join(part for part in (worst.source, worst.by, worst.at.isoformat() if worst.at else "") if part)
    if worst.uncertainty is None and judging.rule == "guarded acceptance":
        return _open(
            requirement, found, where,
            f"{worst.value:.4g} {requirement.unit} was noted without its uncertainty, which guarded acceptance counts.",
            "Note the expanded uncertainty (k = 2) that whoever measured it states.",
        )  # fmt: skip
    # "At least" is "at most" with both signs turned.
    turned = replace(found, value=sense * found.value)
    answer, accepted = decided(turned, sense * limit, judging.rule)
    wide = "" if found.expanded is None else f" ± {found.expanded:.2g}"
    count = "" if len(values) == 1 else f"; the worst of {len(values)} noted values"
    why = (
        f"{found.value:.4g}{wide} {requirement.unit} against {requirement.sense} {limit:.4g} {requirement.unit}{count}."
    )
    settles = "A measurement of smaller uncertainty." if answer == "undetermined" else None
    return Outcome(
        requirement=requirement, answer=answer, measured=found, limit=limit, acceptance_limit=sense * accepted,
        where=where, why=why, settles=settles, risk_of_false_acceptance=risk_of_false_acceptance(turned, sense * limit),
    )  # fmt: skip


def _measured(noted: NotedValue, unit: str, coverage: float) -> Quantity:
    if noted.uncertainty is None:
        return Quantity(value=noted.value, unit=unit, standard_uncertainty=None, expanded=None, coverage=coverage)
    standard = noted.uncertainty / STATED_FACTOR
    part = Contribution(
        name="as stated", relative=standard / abs(noted.value) if noted.value else 0.0, type="B",
        because=f"{noted.uncertainty:g} {unit} (k = 2), {noted.source or 'noted with the value'}",
    )  # fmt: skip
    found = quantity(noted.value, unit, [part], coverage)
    if noted.value:
        return found
    # Nothing is relative to zero.
    return replace(found, standard_uncertainty=standard, expanded=noted.uncertainty)


def _open(requirement: Requirement, found: Quantity | None, where: str, why: str, settles: str) -> Outcome:
    answer: Answer = "undetermined"
    return Outcome(
        requirement=requirement, answer=answer, measured=found, limit=requirement.limit, acceptance_limit=None,
        where=where, why=why, settles=settles,
    )  # fmt: skip
