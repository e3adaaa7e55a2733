"""How urgent an alarm is: points that add up, factors that multiply, each with its reason.

Nothing is hidden: who disagrees with a row finds the part that is wrong, and its number in ``configs/alarms.toml``.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from math import isfinite, log, prod

from vibe.core.records.alarms import (
    AlarmExplanation,
    Consequence,
    Exceedance,
    SeenFinding,
    SeriesState,
    Urgency,
    UrgencyPart,
)
from vibe.health.alarms.settings import AlarmRules

_FACTOR = {
    "load": "load", "speed": "speed", "sensor": "sensor", "sisters": "sisters", "new baseline": "baseline",
    "scatter": "scatter", "limit": "limit",
}  # fmt: skip


def urgency(
    *,
    finding: SeenFinding | None,
    exceedances: Sequence[Exceedance],
    series: Sequence[SeriesState],
    explanations: Sequence[AlarmExplanation],
    consequence: Consequence | None,
    spare_lead_days: float | None,
    rules: AlarmRules,
) -> Urgency:
    """Severity, growth, its rate, the time that is left and a late spare part add; the chance that it is so, the
    consequence class and what explains it multiply. ``series`` are those that the alarm rests on."""
    days = _time(series)
    parts = [
        _severity(finding, exceedances, explanations, rules),
        _growth(series, rules),
        _rate(series, rules),
        _time_part(days, rules),
        _spare(days, spare_lead_days, rules),
        _chance(finding, rules),
        _consequence(consequence, rules),
        *_explained(explanations, consequence, rules),
    ]
    return total_of(parts)


def total_of(parts: Sequence[UrgencyPart]) -> Urgency:
    """The parts and what they come to."""
    added = sum(part.amount for part in parts if part.how == "adds")
    factor = prod(part.amount for part in parts if part.how == "multiplies")
    return Urgency(total=added * factor, parts=tuple(parts))


def _severity(
    finding: SeenFinding | None,
    exceedances: Sequence[Exceedance],
    explanations: Sequence[AlarmExplanation],
    rules: AlarmRules,
) -> UrgencyPart:
    points = rules.severity
    # What lies within the usual scatter of the drive is no sign of how bad it is, whatever a limit says.
    kinds = {e.kind for e in exceedances if not e.within and e.source != "another system"}
    by_kind = {"change": points.change, "alarm": points.alarm, "trip": points.trip, "growth": points.growth,
               "step": points.growth}  # fmt: skip
    found: list[tuple[float, str]] = [(by_kind[kind], _BROKEN[kind]) for kind in kinds if kind in by_kind]
    if any(e.source == "another system" and not e.within for e in exceedances):
        found.append((points.change, "a limit of another system is exceeded"))
    if any(explanation.kind == "sensor" for explanation in explanations):
        found.append((points.blind, "sensor fault: the drive is not monitored at that point"))
    if finding is not None:
        amount = {"slight": points.slight, "moderate": points.moderate, "severe": points.severe}[finding.severity]
        found.append((amount, f"{finding.severity} {finding.defect}"))
    amount, because = max(found, default=(0.0, "not severe by the rules of this program"))
    return UrgencyPart(name="severity", how="adds", amount=amount, because=because)


_BROKEN = {
    "change": "a change beyond what is usual", "alarm": "an alarm limit is exceeded",
    "trip": "a trip limit is exceeded",
    "growth": "it grows without a finding that says how bad it is",
    "step": "it stepped up without a finding that says how bad it is",
}  # fmt: skip


def _growth(series: Sequence[SeriesState], rules: AlarmRules) -> UrgencyPart:
    most = max((s for s in series if s.change_db is not None), key=lambda s: s.change_db or 0.0, default=None)
    if most is None or most.change_db is None:
        return UrgencyPart(name="growth", how="adds", amount=0.0, because="growth not known: nothing to compare with")
    amount = min(rules.growth.points_per_db * max(most.change_db, 0.0), rules.growth.most_for_growth)
    words = f"{most.change_db:+.1f} dB since the baseline, at same speed and load ({_named(most)})"
    return UrgencyPart(name="growth", how="adds", amount=amount, because=words)


def _rate(series: Sequence[SeriesState], rules: AlarmRules) -> UrgencyPart:
    """The fastest growth; half its interval's lower end, so that a slope of three captures does not lead the queue."""
    rows = [(_sure_slope(s), s) for s in series if s.state == "growing" and s.slope_db_per_month is not None]
    if not rows:
        return UrgencyPart(name="rate", how="adds", amount=0.0, because="it does not grow steadily")
    slope, one = max(rows, key=lambda row: row[0])
    amount = min(rules.growth.points_per_db_a_month * max(slope, 0.0), rules.growth.most_for_rate)
    low, high = one.slope_low, one.slope_high
    interval = "" if low is None or high is None or not isfinite(high) else f" ({low:.1f} to {high:.1f})"
    words = f"{one.slope_db_per_month:.1f} dB a month{interval}, counted as {slope:.1f} ({_named(one)})"
    return UrgencyPart(name="rate", how="adds", amount=amount, because=words)


def _sure_slope(one: SeriesState) -> float:
    slope = one.slope_db_per_month or 0.0
    return slope if one.slope_low is None else (slope + max(one.slope_low, 0.0)) / 2


def _time(series: Sequence[SeriesState]) -> SeriesState | None:
    """The series that reaches its target first."""
    explanation = [s for s in series if s.days_to_target is not None]
    return min(explanation, key=lambda s: s.days_to_target or 0.0, default=None)


def _time_part(one: SeriesState | None, rules: AlarmRules) -> UrgencyPart:
    if one is None or one.days_to_target is None:
        return UrgencyPart(name="time", how="adds", amount=0.0, because="the time left is not known yet")
    days = max(one.days_to_target, rules.time.soon_days)
    left = log(rules.time.far_days / days) / log(rules.time.far_days / rules.time.soon_days)
    words = f"to {one.target}: {one.time_words} ({_named(one)})"
    return UrgencyPart(name="time", how="adds", amount=rules.time.points * max(left, 0.0), because=words)


def _spare(one: SeriesState | None, lead_days: float | None, rules: AlarmRules) -> UrgencyPart:
    def part(amount: float, because: str) -> UrgencyPart:
        return UrgencyPart(name="spare part", how="adds", amount=amount, because=because)

    if lead_days is None:
        return part(0.0, "the drive file does not say how long a spare part takes (spare_lead_days)")
    takes = f"a spare part takes {lead_days:g} days"
    if one is None or one.days_to_target is None:
        return part(0.0, f"{takes}; whether that is too long is not known yet")
    if lead_days > one.days_to_target:
        return part(rules.spare.late, f"{takes}, {one.target} is expected in {one.days_to_target:.0f}")
    if one.soonest_days is not None and lead_days > one.soonest_days:
        return part(rules.spare.maybe_late, f"{takes}, {one.target} may be reached in {one.soonest_days:.0f}")
    return part(0.0, f"{takes}, which is soon enough")


def _chance(finding: SeenFinding | None, rules: AlarmRules) -> UrgencyPart:
    if finding is None:
        amount, because = (
            rules.chance.without_finding,
            "a level without a finding: something changed, which need not be a fault",
        )
    else:
        amount = max(finding.probability, rules.chance.least)
        sure = "over 99 %" if finding.probability > 0.995 else f"{100 * finding.probability:.0f} %"
        because = f"probability {sure}, in {finding.seen_in} of the last {finding.of} captures"
    return UrgencyPart(name="chance", how="multiplies", amount=amount, because=because)


def _consequence(consequence: Consequence | None, rules: AlarmRules) -> UrgencyPart:
    known: Consequence = consequence or "medium"
    because = f"consequence class {known}" + ("" if consequence else " taken: the drive file says none")
    factors = {"low": rules.consequence.low, "medium": rules.consequence.medium, "high": rules.consequence.high,
               "safety": rules.consequence.safety}  # fmt: skip
    return UrgencyPart(name="consequence", how="multiplies", amount=factors[known], because=because)


def _explained(
    explanations: Iterable[AlarmExplanation], consequence: Consequence | None, rules: AlarmRules
) -> list[UrgencyPart]:
    """One factor per kind of explanation; for a drive of class safety together never below what the rules say."""
    parts: dict[str, UrgencyPart] = {}
    for explanation in explanations:
        if explanation.weighs and explanation.kind in _FACTOR:
            amount = float(getattr(rules.explained, _FACTOR[explanation.kind]))
            name = f"explained by {explanation.kind}"
            parts.setdefault(name, UrgencyPart(name=name, how="multiplies", amount=amount, because=explanation.words))
    found = list(parts.values())
    least = rules.explained.least_for_safety
    product = prod(part.amount for part in found)
    if consequence == "safety" and found and product < least:
        found.append(
            UrgencyPart(
                name="class safety", how="multiplies", amount=least / product,
                because=f"no explanation pushes a drive of class safety below a factor of {least:g}",
            )
        )  # fmt: skip
    return found


def _named(one: SeriesState) -> str:
    key = one.key
    return ", ".join(text for text in (key.point, key.measure, key.subject) if text)
