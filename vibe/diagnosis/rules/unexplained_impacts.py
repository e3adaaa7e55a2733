"""Strong impacts that no finding explains: whose they are as far as the instants tell at which they come.

What strikes inside a drive is moved by its shafts. A part strikes at its own order; what is loose in it or on it is
struck by what turns past, so that its impacts, some of them missing, still keep step with a shaft. Impacts that

* come a whole number of times per turn of a shaft that turns another machine, or in step with a comb that was found
  outside, where no part of the drive repeats: are that machine's, and accuse nobody;
* keep step with anything else: may be a part's, one that the drive file leaves out, or somebody else's: even odds;
* keep step with nothing, though so many in step would have shown it: come from the process most likely, which drops
  lumps when it does. Something loose may rattle so too, and dirt that is rolled over in a bearing. They say hardly more
  of the drive than was known before anything was measured, and are compared with the next capture;
* are too few or too dense for their rate to be known: even odds, as long as no longer capture tells.
"""

from __future__ import annotations

from collections.abc import Sequence

from vibe.core.evidence import ImpactRhythm
from vibe.core.health import EvidenceItem, Finding
from vibe.core.outside_combs import MOST_PER_TURN, OutsideComb
from vibe.diagnosis.case import Case, order_text, tones_at

EVEN_ODDS = 0.5
"""Impacts are there; whether the drive makes them or the process does is open (common practice)."""
PROCESS_KNOCKS = 0.1
"""Share of drives of which the process knocks so hard (common practice: crushers, screens, conveyors of lumps)."""
LOOSE_AT_RANDOM = 1.0 / 3.0
"""Share of loose things whose impacts keep step with no shaft (common practice: most are struck as something turns)."""
WHOLE_BY_CHANCE = 0.1
"""Chance that any order at all fits a whole number per turn, up to which such a fit says whose impacts they are."""
ERRORS = 3.0
"""Standard errors within which an order may lie off."""
MOST_TIMES = 4
"""Impacts that keep every k-th beat of an outside comb, or as many to each, are its own up to this k (our choice)."""


def unexplained_impacts(case: Case, findings: Sequence[Finding]) -> list[Finding]:
    """One finding for the point whose impacts are least explained, and strongest of these, when they last all the
    capture and nothing explains them.

    What repeats at an order is explained, be it a part of the drive or an outside source; so is what a bad sensor
    makes. Impacts may not repeat at all: a load that knocks as it pleases.
    """
    points = [point for point in _open(case, findings) if not _another_machines(case, point)]
    if not points:
        return []
    open_ones = [point for point in points if not _at_random(case, point)]
    point = max(open_ones or points, key=lambda name: case.level(name, "kurtosis_lasting"))
    rhythm, random = case.rhythms.get(point), not open_ones
    kurtosis, crest = case.level(point, "kurtosis_lasting"), case.level(point, "crest_factor")
    peak = case.level(point, "acceleration_peak")
    loose = case.priors["looseness"] * LOOSE_AT_RANDOM
    alike = [] if rhythm is None else _parts(case, rhythm)
    return [
        Finding(
            tone=None,
            component="impacts",
            defect="unexplained impacts",
            probability=loose / (loose + PROCESS_KNOCKS) if random else EVEN_ODDS,
            false_alarm_probability=None,
            severity="slight",
            cannot_be_told_from=[*alike, "what the drive turns", "something loose that strikes", "electrical pulses"],
            why=f"Strong impacts throughout the capture at {point}: kurtosis {kurtosis:.0f} where noise has 3, "
            "peaks of "
            f"{peak:.3g} m/s², {crest:.0f} times the r.m.s. value; {_rhythm_in_words(rhythm, alike)}.",
            evidence=[
                EvidenceItem(kind="level", text="kurtosis, median of twelve pieces", value=round(kurtosis, 1),
                             channel=point),
                EvidenceItem(kind="level", text="crest factor", value=round(crest, 1), channel=point),
                EvidenceItem(kind="level", text="acceleration peak", value=round(peak, 2), unit="m/s^2", channel=point),
                *_rhythm_items(rhythm, point),
            ],
            advice=AT_RANDOM if random else IN_STEP,
        )
    ]  # fmt: skip


IN_STEP = (
    "Find what knocks: guards, cover plates, coupling, fastening, cable and connector, and what the drive turns. "
    "Repeat the measurement without load, and at a second point: impacts of the drive are largest at its housing. "
    "Complete the drive file if a part is missing in it."
)
AT_RANDOM = (
    "Ask what the process does: lumps, stones, flaps, hammering nearby. Repeat the measurement without load: impacts "
    "of the process are gone then. If they stay, look for what is loose: guards, fastening, cable and connector; and "
    "look at the lubricant for dirt."
)


def explained_impacts(case: Case, findings: Sequence[Finding]) -> list[str]:
    """A sentence for each point whose strong impacts are another machine's by the order at which they come."""
    return [
        f"{point}: strong impacts, {case.level(point, 'crest_factor'):.0f} times the r.m.s. value, come {whose}, where "
        "no part of the drive repeats; they do not count as damage"
        for point in _open(case, findings)
        if (whose := _another_machines(case, point))
    ]


def single_shocks(case: Case) -> list[str]:
    """A sentence for each point at which a few single shocks stand out of a capture that is quiet otherwise."""
    lasting = lasting_points(case)
    return [
        f"{point}: a few single shocks stand out, {case.level(point, 'crest_factor'):.0f} times the r.m.s. value; they "
        "do not last, so something struck or fell near the sensor; they do not count as damage"
        for point in _impulsive(case)
        if point not in lasting
    ]


def lasting_points(case: Case) -> list[str]:
    """Points at which strong impacts last all the capture."""
    least = case.settings.impacts.lasting_kurtosis_from
    return [point for point in _impulsive(case) if case.level(point, "kurtosis_lasting") >= least]


def _impulsive(case: Case) -> list[str]:
    """Points with peaks and a kurtosis far beyond those of noise."""
    rules = case.settings.impacts
    points = list(dict.fromkeys(level.point for level in case.levels))
    return [
        point
        for point in points
        if case.level(point, "crest_factor") >= rules.crest_from
        and case.level(point, "kurtosis") >= rules.lasting_kurtosis_from
    ]


def _open(case: Case, findings: Sequence[Finding]) -> list[str]:
    """Points whose sensors are not in doubt, with strong impacts that no finding and no clear outside comb explains."""
    if any(finding.false_alarm_probability is not None for finding in findings):
        return []
    doubted = {item.channel for finding in findings if finding.component == "sensor" for item in finding.evidence}
    return [point for point in lasting_points(case) if point not in doubted and not _a_clear_combs(case, point)]


def _a_clear_combs(case: Case, point: str) -> bool:
    """Whether the impacts are those of a clear outside comb, as far as the instants tell at which they come: in step
    with it, or at a rate that is not known."""
    least = case.settings.comb.clear_hit_over_floor_db
    clear = [comb for comb in case.outside_combs if comb.evidence.hit_over_floor_db >= least]
    rhythm = case.rhythms.get(point)
    if not clear or rhythm is None or rhythm.order is None or rhythm.order_error is None:
        return bool(clear) and not _at_random(case, point)
    return any(_in_step(rhythm.order, rhythm.order_error, comb) for comb in clear)


def _in_step(order: float, error: float, comb: OutsideComb) -> bool:
    """Whether what comes at ``order`` keeps every k-th beat of a comb, or k of them; or its teeth, being unlike, every
    turn that they make, or k times in it."""
    times = [*range(1, MOST_TIMES + 1), *(1 / k for k in range(2, MOST_TIMES + 1))]
    beats = [k * comb.order for k in times]
    if comb.per_turn is not None:
        beats += [k * comb.per_turn[1] for k in range(1, MOST_TIMES + 1)]
    return any(abs(order - beat) <= ERRORS * error + comb.spread * order for beat in beats)


def _at_random(case: Case, point: str) -> bool:
    rhythm = case.rhythms.get(point)
    return rhythm is not None and rhythm.at_random


def _parts(case: Case, rhythm: ImpactRhythm) -> list[str]:
    """Parts of the drive that repeat where the impacts do."""
    if rhythm.order is None or rhythm.order_error is None:
        return []
    return tones_at(case, rhythm.order, leave_out="", error=ERRORS * rhythm.order_error / rhythm.order)


def _another_machines(case: Case, point: str) -> str:
    """In which step with another machine the impacts come; empty where they are not, or a part comes so too."""
    rhythm = case.rhythms.get(point)
    if rhythm is None or rhythm.order is None or rhythm.order_error is None or _parts(case, rhythm):
        return ""
    order, error = rhythm.order, ERRORS * rhythm.order_error
    for comb in case.outside_combs:
        if not comb.ambiguous and _in_step(order, rhythm.order_error, comb):
            return f"in step with the outside source at {order_text(comb.order)} orders"
    if case.speed is None or case.speed.doubtful or case.speed.uncertainty_hz is None:
        return ""
    error += ERRORS * order * case.speed.uncertainty_hz / case.speed.input_hz
    for turn in case.slow_turns:
        count = round(order / turn)
        # Where any order fits some whole number, none says anything.
        resolved = 2 * error / turn <= WHOLE_BY_CHANCE
        if resolved and 1 <= count <= MOST_PER_TURN and abs(order - count * turn) <= error:
            return f"{f'{count} times' if count > 1 else 'once'} per turn of {_shaft(case, turn)}"
    return ""


def _shaft(case: Case, turn: float) -> str:
    """The body that turns so; the output first, for it is what turns other machines."""
    names = [body.body for body in case.tones.bodies if abs(abs(float(body.order)) / turn - 1.0) < 1e-6]
    if case.tones.output in names:
        return "the output shaft"
    return f"the {names[0]}" if names else "a slow shaft"


def _rhythm_in_words(rhythm: ImpactRhythm | None, alike: Sequence[str]) -> str:
    plain = "no part in the drive file repeats at that rate"
    if rhythm is None:
        return plain
    number = f"{rhythm.count} of them stand out, {rhythm.per_second:.2g} per second"
    if rhythm.at_random:
        return f"{number}, in step with nothing: so strikes a process rather than what a shaft moves"
    if rhythm.order is not None:
        where = f"they come at order {order_text(rhythm.order)}"
        return f"{where}, as parts of the drive may, none of which shows by itself" if alike else f"{where}; {plain}"
    return f"{number}, too {'close' if rhythm.too_many else 'few'} for their rate to be known"


def _rhythm_items(rhythm: ImpactRhythm | None, point: str) -> list[EvidenceItem]:
    if rhythm is None:
        return []
    items = [EvidenceItem(kind="level", text="impacts that stand out", value=float(rhythm.count), channel=point)]
    if rhythm.interval_scatter is not None:
        items.append(
            EvidenceItem(
                kind="level", text="scatter of their intervals, 1 where they come at any time",
                value=round(rhythm.interval_scatter, 2), unit="share of the mean", channel=point,
            )
        )  # fmt: skip
    if rhythm.order is not None and rhythm.in_step is not None:
        items += [
            EvidenceItem(
                kind="order", text="order at which they come", value=round(rhythm.order, 5), channel=point
            ),
            EvidenceItem(
                kind="level", text="how far they keep it, 1 where all do", value=round(rhythm.in_step, 2), channel=point
            ),
        ]  # fmt: skip
    return items
