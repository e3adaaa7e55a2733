"""How urgent an alarm is: points that add up, factors that multiply, each with its reason.

Nothing is hidden: who disagrees with a row finds the part that is wrong, and its number in ``configs/alarms.toml``.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from math import isfinite, prod

from vibe.core.records.alarms import (
    AlarmExplanation,
    Consequence,
    Exceedance,
    SeenFinding,
    SeriesState,
    Urgency,
    UrgencyPart,
)
from vibe.core.records.history import SeriesKey
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
    unseen: str = "",
) -> Urgency:
    """Severity, growth, its rate, how near a limit is and a late spare part add; the chance that it is so, the
    consequence class and what explains it multiply. ``series`` are those that the alarm rests on.
    ``unseen``: why nobody sees the drive, in words, where that is what the alarm is about."""
    if unseen:
        part = UrgencyPart(name="severity", how="adds", amount=rules.severity.blind, because=unseen)
        return total_of([part, _consequence(consequence, rules)])
    nearest, chance = _nearest(series), _chance(finding, exceedances, series, rules)
    # A finding that is named, or a level that surely shows damage, is not made less of by what its sisters do: a
    # batch may share a fault.
    certain = finding is not None or chance.amount > rules.chance.without_finding
    parts = [
        _severity(finding, exceedances, series, explanations, rules),
        _growth(series, exceedances, rules),
        _rate(series, rules),
        _time_part(nearest, rules),
        _spare(nearest, spare_lead_days, rules),
        chance,
        _consequence(consequence, rules),
        *_explained([e for e in explanations if not certain or e.kind != "sisters"], consequence, rules),
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
    series: Sequence[SeriesState],
    explanations: Sequence[AlarmExplanation],
    rules: AlarmRules,
) -> UrgencyPart:
    points = rules.severity
    # What lies within the usual scatter of the drive is no sign of how bad it is, whatever a limit says.
    kinds = {e.kind for e in exceedances if not e.within and e.source != "another system"}
    by_kind = {"change": points.change, "alarm": points.alarm, "trip": points.trip, "growth": points.growth,
               "step": points.growth, "clipped": points.alarm}  # fmt: skip
    found: list[tuple[float, str]] = [(by_kind[kind], _BROKEN[kind]) for kind in kinds if kind in by_kind]
    grown = {e.key for e in exceedances if e.kind in ("growth", "step")}
    if any(s.key in grown and _sure_change(s) >= points.growth_severe_db for s in series):
        found.append(
            (points.trip, f"it has grown by {points.growth_severe_db:g} dB or more, with or without a finding")
        )
    if any(e.source == "another system" and not e.within for e in exceedances):
        found.append((points.change, "a limit of another system is exceeded"))
    if any(explanation.kind == "sensor" and explanation.weighs for explanation in explanations):
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
    "clipped": "its signal newly reaches the end of the range: the level is at least that",
}  # fmt: skip


def _growth(series: Sequence[SeriesState], exceedances: Sequence[Exceedance], rules: AlarmRules) -> UrgencyPart:
    rows = [
        (s.change_db, f"{s.change_db:+.1f} dB since the baseline, at same speed and load ({_named(s.key)})")
        for s in series if s.change_db is not None
    ]  # fmt: skip
    rows += [
        (e.change_db, f"{e.change_db:+.1f} dB since the baseline at least, for it is cut off there ({_named(e.key)})")
        for e in exceedances if e.kind == "clipped" and e.change_db is not None
    ]  # fmt: skip
    if not rows:
        return UrgencyPart(name="growth", how="adds", amount=0.0, because="growth not known: nothing to compare with")
    change_db, words = max(rows, key=lambda row: row[0])
    amount = min(rules.growth.points_per_db * max(change_db, 0.0), rules.growth.most_for_growth)
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
    words = f"{one.slope_db_per_month:.1f} dB a month{interval}, counted as {slope:.1f} ({_named(one.key)})"
    return UrgencyPart(name="rate", how="adds", amount=amount, because=words)


def _sure_slope(one: SeriesState) -> float:
    slope = one.slope_db_per_month or 0.0
    return slope if one.slope_low is None else (slope + max(one.slope_low, 0.0)) / 2


def _nearest(series: Sequence[SeriesState]) -> tuple[SeriesState, float] | None:
    """The series that went the largest share of its way to its target, and that share; None where nothing grows."""
    rows = [(s, min(max(s.target_share, 0.0), 1.0)) for s in series if s.target_share is not None]
    rows = [(s, share) for s, share in rows if share >= 1.0 or s.state == "growing"]
    return max(rows, key=lambda row: row[1], default=None)


def _time_part(found: tuple[SeriesState, float] | None, rules: AlarmRules) -> UrgencyPart:
    if found is None:
        return UrgencyPart(name="time", how="adds", amount=0.0, because="nothing grows steadily towards a limit")
    one, share = found
    words = f"{one.target}: {one.time_words} ({_named(one.key)})"
    return UrgencyPart(name="time", how="adds", amount=rules.time.points * share, because=words)


def _spare(found: tuple[SeriesState, float] | None, lead_days: float | None, rules: AlarmRules) -> UrgencyPart:
    def part(amount: float, because: str) -> UrgencyPart:
        return UrgencyPart(name="spare part", how="adds", amount=amount, because=because)

    if lead_days is None:
        return part(0.0, "the drive file does not say how long a spare part takes (spare_lead_days)")
    takes = f"a spare part takes {lead_days:g} days"
    if found is None:
        return part(0.0, f"{takes}; nothing grows steadily")
    if found[1] >= 1.0 and lead_days > 0:
        return part(rules.spare.late, f"{takes}, and {found[0].target} is reached")
    if lead_days >= rules.spare.long_days:
        return part(rules.spare.maybe_late, f"{takes}, and how long it has cannot be dated")
    return part(0.0, f"{takes}")


def _chance(
    finding: SeenFinding | None, exceedances: Sequence[Exceedance], series: Sequence[SeriesState], rules: AlarmRules
) -> UrgencyPart:
    if finding is None:
        amount, because = _chance_of_level(exceedances, series, rules)
    else:
        amount = max(finding.probability, rules.chance.least)
        sure = "over 99 %" if finding.probability > 0.995 else f"{100 * finding.probability:.0f} %"
        which = "" if finding.kept_from is None else " that could show it"
        because = f"probability {sure}, in {finding.seen_in} of the last {finding.of} captures{which}"
    return UrgencyPart(name="chance", how="multiplies", amount=amount, because=because)


def _chance_of_level(
    exceedances: Sequence[Exceedance], series: Sequence[SeriesState], rules: AlarmRules
) -> tuple[float, str]:
    """How surely something is wrong behind a level that no finding explains."""
    least, most = rules.chance.without_finding, rules.chance.without_finding_most
    own = [e for e in exceedances if not e.within and e.source != "another system"]
    if any(e.kind == "trip" for e in own):
        return most, "a level beyond its trip, which sound drives do not reach, though no finding says what it is"
    beyond = {e.key for e in own if e.kind in ("alarm", "clipped")}
    grown = {e.key for e in own if e.kind in ("growth", "step", "clipped")}
    sure = max((_sure_change(s) for s in series if s.key in beyond and s.key in grown), default=0.0)
    start, end = rules.severity.growth_moderate_db, rules.severity.growth_severe_db
    share = min(max((sure - start) / (end - start), 0.0), 1.0)
    if share > 0:
        return least + share * (most - least), f"it has grown by {sure:.1f} dB or more and is beyond a limit"
    return least, "a level without a finding: something changed, which need not be a fault"


def _sure_change(one: SeriesState) -> float:
    """Change that is surely there: the lower end of its interval where there is one."""
    if one.change_db is None:
        return 0.0
    return one.change_db if one.change_low_db is None else min(one.change_low_db, one.change_db)


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


def _named(key: SeriesKey) -> str:
    return ", ".join(text for text in (key.point, key.measure, key.subject) if text)
