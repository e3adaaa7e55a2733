"""Requirements to outcomes: measured figures against limits, each with its uncertainty and a named decision rule."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from math import ceil, log, sqrt
from statistics import fmean, stdev

from vibe.core.records.acceptance import (
    Answer,
    CommissionedRun,
    Contribution,
    DecisionRule,
    Outcome,
    Quantity,
    Requirement,
    RunKind,
    Sighting,
    StatedContribution,
)
from vibe.health.acceptance.several_points import contest, widening
from vibe.health.acceptance.uncertainty import (
    ANGLE,
    MeasurementPractice,
    calibration_that_settles,
    decided,
    mounting,
    pulse_jitter,
    quantity,
    repeats,
    repeats_that_settle,
    resolution,
    risk_of_false_acceptance,
    stated,
    unknown_angle,
    unsteady,
)

LEAST_CALIBRATION_PERCENT = 0.5
"""No sensor on a casing is calibrated better (common practice for comparison to a reference)."""
PULSE = "A capture with a pulse of the input."
"""What settles a line that only the angle of the shaft parts."""
AND_PULSE = " with a pulse of the input; without one another speed or a swing of it may explain its lines as well"
"""What makes that length sure to do: with pulses 73 of 74 lines of the shaft were answered then, without 47
(``tests.studies.line_values``, 17 to 119 lobes, side lines as strong as the line itself)."""
LEAST_JITTER = 1e-4
"""A smaller loss is no line of a budget."""
NOTED_STEP_C = 1.0
"""A temperature noted by hand is read to the degree."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Judging:
    """What all requirements of a set are judged with."""

    rule: DecisionRule
    coverage: float
    practice: MeasurementPractice
    calibration: tuple[Contribution, ...]
    fixing: str
    at_points: Mapping[str, tuple[Contribution, ...]] = field(default_factory=dict)
    """Calibration where a point has a sensor of its own."""
    stated: tuple[StatedContribution, ...] = ()
    """The set's own contributions."""


@dataclass(frozen=True, slots=True, kw_only=True)
class AcceptanceLimit:
    """An upper limit with the words that say where it is from."""

    value: float
    unit: str
    source: str = ""
    by_analogy: bool = False


def overall(outcomes: Sequence[Outcome]) -> Answer:
    """Fails when one fails, passes when all pass."""
    answers = {outcome.answer for outcome in outcomes}
    if "fail" in answers:
        return "fail"
    return "pass" if answers == {"pass"} else "undetermined"


def against_limit(
    requirement: Requirement,
    limit: AcceptanceLimit,
    sightings: Sequence[Sighting],
    missing: Sequence[str],
    judging: Judging,
) -> Outcome:
    """A figure that must not exceed a limit: the worst point and run decide, by the mean of their captures.

    The worst of several reads high by chance, for which its interval is widened (``several_points.py``).

    ``sightings`` are those of the runs and points that the requirement is about; ``missing`` names those that it asks
    for and that nobody measured.
    """
    groups = _groups([one for one in sightings if not one.not_apart])
    blurred = {
        key: found
        for key, found in _groups([one for one in sightings if one.not_apart]).items()
        if key not in groups
    }  # fmt: skip
    if not groups:
        return _not_apart(requirement, limit, blurred) if blurred else _unmeasured(requirement, missing, limit.value)
    measured = {key: _measured(own, list(groups.values()), judging) for key, own in groups.items()}
    answers = {key: decided(one, limit.value, judging.rule) for key, one in measured.items()}
    gravity = ("pass", "undetermined", "fail")
    worst = max(measured, key=lambda key: (gravity.index(answers[key][0]), measured[key].value))
    own, found = groups[worst], _picked(worst, measured)
    answer, acceptance_limit = decided(found, limit.value, judging.rule)
    why = f"{_value_in_words(found)} against {limit.value:.4g} {limit.unit}{_of(limit)}; {_counted(len(own))}"
    settles = _settled_by(found, limit.value, len(own), worst, judging) if answer == "undetermined" else None
    short = sorted({one.short_of for one in sightings if one.short_of})
    if answer == "pass" and (missing or short):
        answer = "undetermined"
        why += f"; not measured: {', '.join([*missing, *short])}"
        settles = _would_show(missing, short)
    if answer == "pass" and (doubts := sorted({one.doubt for one in sightings if one.doubt})):
        answer, settles = "undetermined", "The same captures with the right unit and sensitivity, or new ones."
        why += f"; {doubts[0]}"
    if answer == "pass" and blurred:
        other = _not_apart(requirement, limit, blurred)
        answer, settles = "undetermined", other.settles
        why += f"; {other.where}: {other.why[:1].lower()}{other.why[1:-1]}"
    return Outcome(
        requirement=requirement, answer=answer, measured=found, limit=limit.value, acceptance_limit=acceptance_limit,
        where=f"{worst[1]}, {own[0].kind}", why=f"{why}.", settles=settles,
        risk_of_false_acceptance=risk_of_false_acceptance(found, limit.value),
    )  # fmt: skip


def temperature(
    requirement: Requirement, runs: Sequence[CommissionedRun], missing: Sequence[str], judging: Judging
) -> Outcome:
    """The highest temperature noted in the runs that the requirement is about."""
    assert requirement.limit is not None
    noted = [(run.temperature_c, run.kind) for run in runs if run.temperature_c is not None]
    if not noted:
        return Outcome(
            requirement=requirement, answer="undetermined", measured=None, limit=requirement.limit,
            acceptance_limit=None, where="", why="No temperature was noted.",
            settles="Note the temperature in the run that the requirement is about (temperature_c of the run).",
        )  # fmt: skip
    value, kind = max(noted)
    size = max(abs(value), NOTED_STEP_C)
    practice = judging.practice
    budget = [
        Contribution(
            name="thermometer", relative=practice.thermometer_c / 2 / size, type="B",
            because=f"{practice.thermometer_c:g} °C (k = 2), {practice.thermometer_source}",
        ),
        resolution(NOTED_STEP_C / size),
    ]  # fmt: skip
    found = quantity(value, "°C", budget, judging.coverage)
    answer, acceptance_limit = decided(found, requirement.limit, judging.rule)
    why = f"{_value_in_words(found)} against {requirement.limit:.4g} °C, noted by hand"
    risk = risk_of_false_acceptance(found, requirement.limit)
    settles = "Measure with a calibrated thermometer when it has settled." if answer == "undetermined" else None
    if answer == "pass" and missing:
        answer, settles = "undetermined", _would_show(missing, ())
        why += f"; not measured: {', '.join(missing)}"
    return Outcome(
        requirement=requirement, answer=answer, measured=found, limit=requirement.limit,
        acceptance_limit=acceptance_limit, where=kind, why=f"{why}.", settles=settles, risk_of_false_acceptance=risk,
    )  # fmt: skip


def spread_limit(
    values: Sequence[float], factor: float, unit: str, practice: MeasurementPractice
) -> AcceptanceLimit | None:
    """The upper tolerance limit of a type, from the figures of its earlier drives; None where they are too few.

    Levels of machines scatter by factors, so their logarithms are taken to be normal (common practice). ``factor``: of
    the standard deviation, for the content and confidence that ``practice`` states.
    """
    logs = [log(value) for value in values if value > 0]
    if len(logs) < practice.spread_fewest:
        return None
    value = 2.718281828459045 ** (fmean(logs) + factor * stdev(logs))
    source = (
        f"tolerance limit of {len(logs)} earlier drives: {100 * practice.spread_content:g} % of the type lie below, "
        f"with {100 * practice.spread_confidence:g} % confidence"
    )
    return AcceptanceLimit(value=value, unit=unit, source=source)


def no_spread(requirement: Requirement, count: int, why: str, practice: MeasurementPractice) -> Outcome:
    """A spread that cannot be determined."""
    return Outcome(
        requirement=requirement, answer="undetermined", measured=None, limit=None, acceptance_limit=None, where="",
        why=f"The type's spread is not known: {why or f'{count} earlier drives'}.",
        settles=f"Records of at least {practice.spread_fewest} earlier drives of the type, in the set's population.",
    )  # fmt: skip


def no_golden(requirement: Requirement, measure: str) -> Outcome:
    """A golden drive whose record does not hold what is to be compared."""
    return Outcome(
        requirement=requirement, answer="undetermined", measured=None, limit=None, acceptance_limit=None, where="",
        why=f"The golden drive's record holds no {measure}.",
        settles=f"An acceptance of the golden drive that asks for {measure}.",
    )  # fmt: skip


def chosen(
    requirement: Requirement, sightings: Sequence[Sighting], runs: Sequence[CommissionedRun], points: Sequence[str]
) -> tuple[list[Sighting], list[str]]:
    """Those of the runs and points that a requirement is about, and the names of what of these nobody measured."""
    kinds: set[RunKind] = {run.kind for run in runs}
    missing = [f"a run of kind {kind}" for kind in requirement.during if kind not in kinds]
    missing += [f"point {point}" for point in requirement.points if point not in points]
    inside = [
        one
        for one in sightings
        if (not requirement.during or one.kind in requirement.during)
        and (not requirement.points or one.point in requirement.points)
    ]
    return inside, missing


# ── words and figures ─────────────────────────────────────────────────────────────────────────────────────────────

_Group = tuple[int, str]


def _groups(sightings: Sequence[Sighting]) -> dict[_Group, list[Sighting]]:
    """Repeats: captures of one run at one point."""
    groups: dict[_Group, list[Sighting]] = {}
    for one in sightings:
        groups.setdefault((one.run, one.point), []).append(one)
    return groups


def _measured(own: Sequence[Sighting], groups: Sequence[Sequence[Sighting]], judging: Judging) -> Quantity:
    value = fmean(one.value for one in own)
    widest = max(own, key=lambda one: one.mounting)
    # In a run-in levels move: what moved is no scatter of repeats.
    steady = [{f"{one.run} {one.file}": one.value for one in group} for group in groups if group[0].kind != "run-in"]
    longest = max(own, key=lambda one: one.scatter)
    budget: list[Contribution] = []
    if own[0].unit:  # A ratio of two figures of one signal knows nothing of gains.
        budget += [
            *judging.at_points.get(own[0].point, judging.calibration),
            mounting(widest.mounting, widest.top_hz, judging.fixing),
        ]
        budget += stated(judging.stated, judging.practice, own[0].point)
    budget += repeats(
        [one.value for one in own], steady, longest.scatter, longest.scatter_why, judging.practice,
        scatter_freedom=longest.degrees_of_freedom,
    )  # fmt: skip
    smeared = max(one.smeared for one in own)
    if smeared > 0:
        budget.append(unsteady(smeared))
    if (angle := max(one.angle for one in own)) > 0:
        budget.append(unknown_angle(angle))
    if (jitter := max(one.jitter for one in own)) > LEAST_JITTER:
        budget.append(pulse_jitter(jitter))
    steps = [one.step for one in own if one.step is not None]
    if steps and value > 0:
        budget.append(resolution(max(steps) / value))
    return quantity(value, own[0].unit, budget, judging.coverage)


def _picked(worst: _Group, measured: Mapping[_Group, Quantity]) -> Quantity:
    """The value that decides, its interval as wide as one must be that was picked as the highest of several."""
    found = measured[worst]
    entered = contest(found, [one for key, one in measured.items() if key != worst])
    relative = (found.standard_uncertainty or 0.0) / found.value if found.value > 0 else 0.0
    factor = widening(found.coverage, entered.count, round(entered.correlation, 2), round(min(relative, 0.2), 3))
    return quantity(found.value, found.unit, found.budget, found.coverage, widened=factor)


def _not_apart(
    requirement: Requirement, limit: AcceptanceLimit, blurred: Mapping[_Group, Sequence[Sighting]]
) -> Outcome:
    """A line that could not be parted from what stands next to it: its figure says neither good nor bad."""
    (_, point), found = next(iter(blurred.items()))
    lengths = [one.needs_s for group in blurred.values() for one in group]
    long_enough = [one for one in lengths if one is not None]
    # Who has pulses already is said to need finer ones where length does not help.
    pulses = all(one.needs for group in blurred.values() for one in group)
    settles = (
        f"A capture of at least {ceil(max(long_enough))} s at steady speed{'' if pulses else AND_PULSE}."
        if len(long_enough) == len(lengths)
        else next((one.needs for group in blurred.values() for one in group if one.needs), PULSE)
    )
    return Outcome(
        requirement=requirement, answer="undetermined", measured=None, limit=limit.value, acceptance_limit=None,
        where=f"{point}, {found[0].kind}", why=f"{found[0].not_apart}.", settles=settles,
    )  # fmt: skip


def _counted(n: int, more: str = "") -> str:
    return f"{n} {more}capture{'' if n == 1 else 's'}"


def _value_in_words(found: Quantity) -> str:
    wide = "" if found.expanded is None else f" ± {found.expanded:.2g}"
    return f"{found.value:.4g}{wide} {found.unit}"


def _of(limit: AcceptanceLimit) -> str:
    if not limit.source:
        return ""
    return f" ({limit.source})"


def _settled_by(found: Quantity, limit: float, n: int, group: _Group, judging: Judging) -> str:
    """Words for the capture that would settle it."""
    where = f"at {group[1]}"
    known = [one for one in found.budget if one.name != ANGLE]
    if len(known) < len(found.budget):
        with_pulse = quantity(found.value, found.unit, known, found.coverage)
        if decided(with_pulse, limit, judging.rule)[0] != "undetermined":
            return PULSE.replace("capture", f"capture {where}")
    count = repeats_that_settle(found, limit, n, judging.practice.most_repeats)
    if count is not None:
        return f"{_counted(count - n, 'more ')} {where} of the same length in the same run, {count} in all."
    percent = calibration_that_settles(found, limit)
    if percent is not None and percent >= LEAST_CALIBRATION_PERCENT:
        return f"The same captures {where} with sensor and recorder calibrated to {percent:.2g} % (k = 2) or better."
    away = abs(found.value - limit) / limit
    largest = max(found.budget, key=lambda one: one.relative).name
    return (
        f"{100 * away:.2g} % from the limit is less than more captures or a better calibration would close: state in "
        f"the set how large the contributions really are ({largest} is the largest), or agree on simple acceptance or "
        "on another limit."
    )


def _would_show(missing: Sequence[str], short: Sequence[str]) -> str:
    wanted = [f"captures of {what}" for what in missing]
    wanted += ["a capture whose band reaches over all that is asked for"] if short else []
    text = " and ".join(wanted)
    return f"{text[:1].upper()}{text[1:]}."


def _unmeasured(requirement: Requirement, missing: Sequence[str], limit: float) -> Outcome:
    also = f"; not measured: {', '.join(missing)}" if missing else ""
    reach = "A capture that is accepted and whose band reaches far enough."
    return Outcome(
        requirement=requirement, answer="undetermined", measured=None, limit=limit, acceptance_limit=None, where="",
        why=f"No accepted capture holds it{also}.", settles=_would_show(missing, ()) if missing else reach,
    )  # fmt: skip


def line_scatter(value: float, floor: float) -> float:
    """Relative standard uncertainty of a line's amplitude that stands in a floor, both r.m.s. in the same width.

    Noise of variance s² next to a phasor turns half of it into amplitude: s / sqrt(2). Exact for strong lines; below
    the floor the value is the floor's and as uncertain.
    """
    return floor / sqrt(2) / max(value, floor) if max(value, floor) > 0 else 0.0
