"""What other machines leave of a finding: a tone that an outside comb may make too, and a machine of the same kind."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import erf, exp, floor, hypot, log, log10, pi, sqrt
from statistics import fmean

from vibe.core.evidence import STANDS_DB, CombEvidence, CombLine
from vibe.core.health import FLUTING, OWN_PARTS, Finding
from vibe.core.outside_combs import (
    EXACTLY,
    KIND_APART,
    LEAST_ERROR,
    LINE_BINS,
    MOST_PER_TURN,
    OutsideComb,
    SimilarMachine,
)
from vibe.core.tones import CAGES, Tone
from vibe.diagnosis.alternatives.outside_multiples import whole_multiple
from vibe.diagnosis.alternatives.similar_speeds import carried_off, off_order, placed, surely_off
from vibe.diagnosis.alternatives.strike_lengths import as_short_as_strikes
from vibe.diagnosis.bearing_elements import part_of
from vibe.diagnosis.cage_places import load_of, struck_share
from vibe.diagnosis.case import Case

OUTSIDE_TOO = 0.3
"""Share left to a part whose tone is also a whole number per turn of a shaft that turns another machine: chains and
blades strike in most plants, a bearing fails in few (common practice)."""
NEIGHBOUR_WEIGHT = 1.2
"""How likely damage is in a machine of the same kind next to it, against this one, where slip says nothing (common
practice): as likely, and a little more, so that nobody opens the wrong one."""
PASSES_HZ = 4000.0
"""Corner of what reaches a sensor from the machine next to it: joints and a foundation pass impacts up to a few kHz,
and the less the higher (common practice, from memory: 1 to 4 kHz; therefore bearings are listened to on their own
housing); the highest of these, so that nobody opens the wrong one. Its weight falls with 1 + (f / corner)²."""
USUAL_DB, SPREAD_DB = 10.0, 13.0
"""By how much a machine's mesh is louder on its own housing than that of one of its kind on the same frame, and the
standard deviation of that (common practice: machines, and paths at the few lines that show it, differ by as much). Two
normal densities, this machine the louder or the fainter one, have the odds exp(2 · usual · difference / spread²)."""
UNDETECTED_DB, UNDETECTED_RATE = 15.0, 0.02
"""A machine of the same kind whose own lines do not stand out: by how much they are fainter at least, and the
probability that a capture shows the damage of one (common practice); its speed is as usual (``KIND_APART``)."""
DECLARED_RATE = 0.5
"""The same of one that is declared next to it and that the capture does not show (common practice): it is there, but
what it makes arrives faintly."""
NOTED_WITHIN = 1.5e-3
"""Relative difference within which a noted speed is that of a machine (common practice: hand tachometers are right to a
thousandth, and the speed follows the load)."""
NOTED_SAYS = 2.0
"""How much likelier the one of two machines whose speed was noted is this one (common practice: two such notes in three
are right; what was read at another load or taken from a plate fits the other one by chance)."""
SURELY_OWN = 0.95
"""Share of this machine from which the one next to it is not mentioned: one in twenty is the usual doubt."""
SURELY_OUTSIDE = 0.05
"""Share of this drive's part below which impacts are reported as the outside machine's instead: one in twenty is the
usual doubt."""
LINES_TAKEN = 12
"""Lines of an outside machine's comb that hide a part's: as many as are read of one that slips."""
WITHOUT_RINGING = 0.3
"""Share left to a part whose impacts have two edges and do not ring (common practice: of 200 blows through casings none
passed for such a pulse; but only what was thought of was tried)."""
NOT_DETECTED = 0.4
"""Share left to a part of a drive that was not detected itself (common practice): less than even odds."""
OUTSIDE_RATE = 0.05
"""Probability that a drive has an impacting machine next to or behind it that nobody declared and that is as strong as
damage (common practice: chains, screws, hammers, compressors); its order is as likely in one factor as in the next."""
EVEN_LEAST = 0.1
"""Share left to a part whose comb keeps to an even turn while the speed found changes, at the least (common practice):
without pulses that speed may be another machine's."""
OUTSIDE_ORDERS = (0.02, 2.2)
"""Orders of the input at which such machines strike; faster ones are multiples of a shaft, which distinguishes them
where the part has side lines of its own (``BLADES_TO``)."""
BLADES_TO = 12.0
"""Order up to which combs without the side lines of this shaft may be blades or vanes of a machine of its own speed: a
dozen of them at about this speed (common practice), as likely in one factor as those that strike more slowly."""
DRIVEN_RATE = 0.05
"""The same of one that the drive itself turns, so that it strikes an exact whole number of times per turn of its
output; each number up to ``MOST_PER_TURN`` is as likely as the next (common practice)."""
STRIKES_OFF = 0.02
"""Standard deviation of the instants of such strikes, relative to the time between two: play, and teeth that are not
evenly spaced (common practice; play of chains of outside worlds is 0.017 to 0.039)."""
USUAL_PART = 0.005
"""Probability of damage of a pin, a lobe or a tooth, where the settings give none (common practice)."""
COMPANY = 4.0
"""How many times likelier both are where another machine is detected already (common practice): machines stand in
company, and what one of them leaves besides the lines that were taken for it is its own."""
MOST_BY_CHANCE = 0.1
"""Share of orders that would fit a whole number per slow turn by chance, above which that fit says nothing."""
LEFT_HARMONICS = 12
"""Harmonics of a driven machine among which it may leave lines at any whole number per turn, as teeth or links
differ."""
ROW_LINES = 32
"""Lines of its own row that a driven machine may leave, any of them alike: as many as are read of what never slips."""
PART_SHARE = {"outer race": 0.35, "inner race": 0.25, "rolling element": 0.2, "cage": 0.2}
"""Of damaged bearings that show, those that do so by each part's order first (common practice; by the cage's turn one
rolling element in ten shows too)."""
SIDES_ABOVE_DB = 3.0
"""By how much the mean of the side lines may exceed that of the first lines to which they belong: of a load that is
met at one place they are all but as strong (common practice: noise adds a little). Of a grid of other lines, of which
some always fall there, nothing keeps them lower."""
SIDE_HARMONICS = 4
"""Side lines are read at so many lines."""
STRONG_DB, FEWEST_SIDES = 15.0, 4
"""Mean of a comb's three strongest lines from which side lines, which are seldom 6 dB weaker, would stand too, and how
many are predicted where their absence says something (common practice)."""
BARE_OWN = 0.1
"""Share of damaged inner races and rolling elements, carried through a load, whose strong combs have no side lines: of
the damaged drives of the outside worlds none had (rule of succession)."""
SMEARED_TURNS = 1.0
"""Turns of a line, from the one side to the other, by which two courses of speed must differ to smear it for sure:
half a turn either way leaves it a third of its power or so."""
ON_THE_SHAFT = ("input.shaft", "foundation")
"""What lines of the shaft show."""
TO_DISTINGUISH = (
    "Repeat the measurement while that one stands, or without load, or for longer with a pulse sensor on this drive, "
    "or at a second point, nearer to one of the two, and compare the size of the impacts."
)
"""What tells two machines of one kind on one frame."""
WHAT_IT_TURNS = (
    "What this drive turns (chain, screw, mixer) makes the same where it strikes {times} times a turn: measure once "
    "more while it is uncoupled or runs empty."
)
"""The same of strikes of what a slow shaft turns."""
TO_DISTINGUISH_STRIKES = (
    "repeat the measurement while the machines around this drive stand and what it turns is uncoupled or runs empty."
)
"""What tells a part from a machine that strikes as often."""
WITHOUT_THEM = "Measure without the machines around this drive first. If the impacts stay: "
"""What stands before the advice on a part then."""
TO_DISTINGUISH_SHAFTS = (
    " A machine of the same kind runs next to it ({rpm} r/min): these lines may be those of its shaft. Repeat the "
    "measurement while that one stands, or with a pulse sensor on this drive for so long that the two speeds are "
    "resolved."
)
"""The same of lines of their shafts."""


def doubted_by_outside(case: Case, findings: Sequence[Finding]) -> list[Finding]:
    """The findings on the drive's parts, less sure where another machine may make the same."""
    return [_doubted(case, finding) for finding in findings]


def doubted_undetected(findings: Sequence[Finding]) -> list[Finding]:
    """The findings of a capture in which the drive itself was not detected: its parts may be another machine's."""
    more = " The drive's own lines were not detected in this capture: another machine may make this."
    return [
        less_sure(finding, NOT_DETECTED, "another machine, since the drive's own lines were not detected", more)
        if finding.component.startswith(OWN_PARTS)
        else finding
        for finding in findings
    ]


def doubted_without_ringing(finding: Finding) -> Finding:
    """A finding on what comes with the input's turn and does not ring as a blow does."""
    if not finding.component.startswith(OWN_PARTS):
        return finding
    more = (
        " After these impacts nothing rings, as it does after a blow: something may rub once a turn (brake, guard, "
        "seal), or a speed sensor's pulses leak into the cable. Look for both first."
    )
    return less_sure(finding, WITHOUT_RINGING, "something that rubs, or electrical pulses, once a turn", more)


def _doubted(case: Case, finding: Finding) -> Finding:
    if finding.component in ON_THE_SHAFT:
        return _doubted_shaft(case, finding)
    if not finding.component.startswith(OWN_PARTS):
        return finding
    tone, own, met = _tone(case, finding), case.comb_shown(finding), _outside_at(case, finding)
    exactly = None if tone is None or own is None or met is None else _share_exactly(case, tone, own, met)
    if met is not None and exactly is None:
        share = OUTSIDE_TOO
        if tone is not None and own is not None and any(tone.slip):
            share = _share_next_to(case, own, met)
            if (striker := _striker_met(case, finding, tone, own, met)) is not None:
                share = min(share, striker.own_share)
        times = None if met.per_turn is None else met.per_turn[0]
        return _struck(finding, share, _met_name(met), times)
    if met is not None and exactly is not None and exactly < SURELY_OWN:
        finding = _struck(finding, exactly, _met_name(met))
    if tone is None or own is None:
        return finding
    evenly, otherwise = _doubted_evenly(case, finding, tone, own), _doubted_otherwise(case, finding, tone, own)
    if evenly is None or otherwise.damage_probability < evenly.damage_probability:
        return otherwise
    return evenly


def _doubted_otherwise(case: Case, finding: Finding, tone: Tone, own: CombEvidence) -> Finding:
    """The finding, less sure where something strikes as seldom or a machine of the same kind may have the damage."""
    if any(tone.slip):
        finding = _doubted_slow(case, finding, tone, own)
    off = _off_own_speed(case, tone, own)
    # Of what slips nothing but the shaft that carries it shows whose it is.
    asked = case.alike or case.declared_alike or off is not None or (any(tone.slip) and case.drive.stage)
    share = _own_share(case, tone, own) if asked else 1.0
    if share >= SURELY_OWN:
        # However clear damage is, it is this machine's no more surely than that.
        return finding.weakened(share / max(finding.damage_probability, share))
    if off is None and own.carried_at is not None and not case.alike:
        off = own.carried_at - 1
    if off is None and not case.alike:
        if case.declared_alike:
            names = " or ".join(case.declared_alike)
            name = f"the same part of {names}, a machine of the same kind that is declared next to it"
            more = f" The capture does not show whether this is {names}'s, which the drive file declares."
        else:
            name = "the same part of a machine of the same kind, if one runs next to it"
            more = " If a machine of the same kind runs next to it, this may be that one's."
        more = f"{more} {TO_DISTINGUISH}"
        return _of_either(finding, share, name, more)
    rpm = _rpm(case) if off is None else _as_rpm(case, 1 + off)
    name = f"the same part of a machine of the same kind next to it, at {rpm} r/min"
    return _of_either(finding, share, name, _how_to_distinguish(tone, off, rpm))


def _doubted_evenly(case: Case, finding: Finding, tone: Tone, comb: CombEvidence) -> Finding | None:
    """A finding whose impacts keep to an even turn rather than to this drive's course of speed; None where they do not.

    Against the odds of its lines stands how seldom something outside is as strong as damage (``OUTSIDE_RATE``).
    """
    if comb.evenly is None or case.speed is None:
        return None
    share = 1 / (1 + OUTSIDE_RATE * exp(min(comb.evenly, 50.0)))
    if share >= SURELY_OWN:
        return None
    striker = _striker(case, finding, tone, comb) if any(tone.slip) else None
    share = max(min(share, 1.0 if striker is None else striker.own_share), EVEN_LEAST)
    name = f"a machine that turns evenly and strikes at {comb.order * case.speed.input_hz:.3g} Hz"
    change = 100 * (case.speed.drift or 0.0)
    more = (
        f" The drive's speed changes by {change:.2g} % in this capture, and these impacts do not follow it: {name} may "
        f"make them. Repeat the measurement while the machines around this drive stand."
    )
    return _of_either(finding, share, name, more).model_copy(update={"advice": without_them_first(finding.advice)})


def _met_name(met: OutsideComb) -> str:
    return f"an outside source at {met.order:.4g} orders"


def _striker_met(
    case: Case, finding: Finding, tone: Tone, comb: CombEvidence, met: OutsideComb | None
) -> _Striker | None:
    """The outside machine that may strike where a part that slips does. Of one that was met as a comb only what the
    drive turns, at an order so near that it may be the part's too, is weighed against the part's slip."""
    if met is not None and (not met.ambiguous or met.per_turn is None):
        return None
    return _striker(case, finding, tone, comb, met)


def strikers(case: Case, findings: Sequence[Finding]) -> list[tuple[Finding, OutsideComb]]:
    """The findings whose impacts are all but surely an outside machine's, each with that one's comb, which hides the
    part: damage of it there would be taken for the other's."""
    found = []
    for finding in findings:
        tone, comb = _tone(case, finding), case.comb_shown(finding)
        if tone is None or comb is None or not any(tone.slip) or not finding.component.startswith(OWN_PARTS):
            continue
        striker = _striker_met(case, finding, tone, comb, _outside_at(case, finding))
        if striker is not None and striker.own_share < SURELY_OUTSIDE:
            found.append((finding, _as_outside(case, comb, striker)))
    return found


def _as_outside(case: Case, comb: CombEvidence, striker: _Striker) -> OutsideComb:
    """The comb of an outside machine that strikes where a part does, with the lines that hide it."""
    place, error = _placed(case, comb)
    reach = LINE_BINS * case.resolution
    return OutsideComb(
        order=place, evidence=replace(comb, tone=f"outside {place:.4g}"),
        spread=max(error, reach / (place * LINES_TAKEN)), per_turn=striker.per_turn, ambiguous=True,
        taken=tuple((k * place - reach, k * place + reach) for k in range(1, LINES_TAKEN + 1)),
    )  # fmt: skip


def _doubted_shaft(case: Case, finding: Finding) -> Finding:
    """What lines of the shaft show, which a machine of the same kind makes too: where pulses tell this one's speed, one
    whose lines fall into the same bins; else any."""
    pulsed = case.speed is None or case.speed.method == "tachometer"
    near = [one for one in case.alike if not pulsed or abs(one.speed - 1) < 2 * LINE_BINS * case.resolution]
    if not near:
        return finding
    rpm = " or ".join(_as_rpm(case, one.speed) for one in near)
    name = f"that of a machine of the same kind next to it, at {rpm} r/min"
    theirs = sum(
        one.probability * (1.0 if pulsed else exp(-2 * USUAL_DB * _apart_db(one) / SPREAD_DB**2)) for one in near
    )
    return _of_either(finding, 1 / (1 + theirs), name, TO_DISTINGUISH_SHAFTS.format(rpm=rpm))


def _doubted_slow(case: Case, finding: Finding, tone: Tone, comb: CombEvidence) -> Finding:
    """A part that slips, at an order where an outside machine might strike as well."""
    striker = _striker(case, finding, tone, comb)
    if striker is None:
        return finding
    return _struck(finding, striker.own_share, striker.name, None if striker.per_turn is None else striker.per_turn[0])


@dataclass(frozen=True, slots=True, kw_only=True)
class _Striker:
    """An outside machine that may strike where a part does: what is left to the part, and how often it strikes per
    turn of a shaft that the drive turns, where it is likelier one of those."""

    own_share: float
    name: str
    per_turn: tuple[int, float] | None


def _striker(
    case: Case, finding: Finding, tone: Tone, comb: CombEvidence, met: OutsideComb | None = None
) -> _Striker | None:
    """The outside machine that may strike where a part that slips does; None where none would.

    The odds are those of damage of that part times the density of its order (slip is seldom at the ends of its window)
    against those of an outside machine times the density of its own: even in the logarithm of the order, or exactly at
    a whole number per turn of a shaft that turns other machines. A comb with side lines of its own, or next to another
    part's of the same bearing, is no free machine's; a strong one without the side lines which its part's way through
    the load makes is the less likely the part's, and so is one whose lines fall as those of long events do. All lines
    together give the order far closer than one bin. Where lines of a rotor stand whose blades pass so often, one of
    them is as much likelier. ``met``: the comb at a whole number per turn as which it was met;
    teeth that differ have side lines at that turn too, which then say nothing.
    """
    (low, high), place, error = OUTSIDE_ORDERS, *_placed(case, comb)
    error = hypot(error, LEAST_ERROR)
    part = case.priors.get("rolling bearing", 0.02) * PART_SHARE.get(tone.family, 0.25) * struck_share(case, tone)
    own = part * slip_density(tone, place, error)
    uneven = hypot(error, _strikes_error(case, place))
    others = [one for one in case.outside_combs if not one.ambiguous]
    driven = {one.per_turn[1]: one.per_turn[0] for one in others if one.per_turn is not None}
    outside = sum(
        COMPANY * DRIVEN_RATE * _whole_density(place, uneven, turn, LEFT_HARMONICS * driven[turn])
        for turn in case.slow_turns
        if turn in driven
    ) + _of_long_rows(place, uneven, others)
    bare = _is_bare(case, finding)
    # Next to a machine of its kind side lines may be those of that one's shaft, which is weighed for itself.
    within = low <= place <= (BLADES_TO if (bare and not case.alike) or comb.blades is not None else high)
    alone = len(combs_of_bearing(case, part_of(finding.where))) <= 1
    sided = _finding_has_sides(case, finding)
    if met is not None and met.per_turn is not None:
        sided = sided and not _sided_at(tone, met.per_turn[1])
    # Nothing in step with no shaft has side lines there; of what is driven in step they are its teeth that differ.
    in_step = sided and any(one.per_turn and _sided_at(tone, one.per_turn[1]) for one in case.outside_combs)
    if (within or met is not None) and alone and (in_step or not sided):
        own *= BARE_OWN if bare else 1.0
        # Ridges hum, and an element that differs takes a third of its cage's turn to pass the load.
        if case.speed is not None and finding.defect != FLUTING and tone.family != "cage":
            own *= as_short_as_strikes(comb, comb.lines[0].order * case.speed.input_hz)
        free = OUTSIDE_RATE / log(high / low) if within and not in_step else 0.0
        if comb.blades is not None:
            free *= comb.blades[1]
        turned = DRIVEN_RATE * sum(_whole_density(place, uneven, turn) for turn in case.slow_turns)
        outside += (COMPANY if others else 1.0) * (free + turned)
    else:
        free, turned = 0.0, outside
    if outside <= 0:
        return None
    name, per_turn = f"{place * case.speed.input_hz:.3g} Hz" if case.speed is not None else f"{place:.4g} orders", None
    if turned > free:
        turn = max(case.slow_turns, key=lambda one: _whole_density(place, uneven, one, round(place / one) + 1))
        per_turn = (round(place / turn), turn)
        name += f", {per_turn[0]} times per turn of a shaft that this drive turns"
    elif free > 0 and comb.blades is not None and case.speed is not None:
        count, pass_hz = comb.blades[0], comb.lines[0].order * case.speed.input_hz
        name = f"{pass_hz:.3g} Hz, {count} times per turn of a rotor that turns at {pass_hz / count:.3g} Hz"
    return _Striker(
        own_share=own / (own + outside), name=f"an outside machine that strikes at {name}", per_turn=per_turn
    )


def _of_long_rows(place: float, error: float, others: Sequence[OutsideComb]) -> float:
    """The same of high lines of a driven row that was met: where its teeth are alike, whole multiples of all of them
    together, beyond those up to which it may leave lines at any whole number per turn."""
    rows = [one.per_turn[0] * one.per_turn[1] for one in others if one.per_turn is not None]
    high = [row for row in rows if round(place / row) > LEFT_HARMONICS]
    return sum(COMPANY * DRIVEN_RATE * _whole_density(place, error, row, ROW_LINES) for row in high)


def _sided_at(tone: Tone, turn: float) -> bool:
    """Whether side lines of a part stand at ``turn``, where it has some."""
    return any(abs(side.order / turn - 1) < EXACTLY for side in tone.sidebands)


def _strikes_error(case: Case, place: float) -> float:
    """Standard error, relative, of the order of strikes that come early and late: of the slope of a straight line
    through as many instants as the capture holds (least squares)."""
    return STRIKES_OFF * sqrt(12 / max(2.0, place / case.resolution) ** 3)


def _placed(case: Case, comb: CombEvidence) -> tuple[float, float]:
    return placed(comb, case.speed, case.resolution)


def _whole_density(place: float, error: float, turn: float, most: int = MOST_PER_TURN) -> float:
    """How likely something that strikes a whole number of times per ``turn``, any up to ``most``, is to lie at
    ``place``, per unit of its logarithm; 0 where so many orders would fit that it says nothing."""
    sigma, number = place * error, round(place / turn)
    if not 1 <= number <= most or 4 * sigma > MOST_BY_CHANCE * turn:
        return 0.0
    off = (place - number * turn) / sigma
    return place / most * exp(-0.5 * off**2) / (sigma * sqrt(2 * pi))


def slip_density(tone: Tone, place: float, error: float) -> float:
    """How likely a slipping tone is to lie at ``place``, per unit of its logarithm: usual in the middle of its window,
    rare at the ends, which are two standard deviations off. How much rollers coast is not known: one that bears load
    all but always rolls, so that its ends are as likely as its middle."""
    low, high = tone.slip
    times = min((0.5, 1.0, 2.0), key=lambda factor: abs(place / (factor * tone.order) - 1))
    if tone.family == "roller":
        ends = ((end - (place / (times * tone.order) - 1)) / (max(error, LEAST_ERROR) * sqrt(2)) for end in (high, low))
        return (erf(next(ends)) - erf(next(ends))) / (2 * (high - low))
    sigma = hypot((high - low) / 4, error)
    off = (place / (times * tone.order) - 1 - (low + high) / 2) / sigma
    return exp(-0.5 * off**2) / (sigma * sqrt(2 * pi))


def combs_of_bearing(case: Case, component: str) -> list[str]:
    """Parts of the bearing ``component`` whose combs are surely there, but for what strikes as its cage turns leaves at
    its elements' orders: that is gone between those impacts, and as much another machine's as they are."""
    sure = [
        (tone.component, case.combs[tone.id])
        for tone in case.tones.tones
        if tone.id.startswith(f"{component}.")
        and tone.id in case.combs
        and case.combs[tone.id].false_alarm_probability <= case.tone_alarm
    ]
    cages = [comb.score for _, comb in sure if comb.tone.rpartition(".")[2] in CAGES]

    def is_left(comb: CombEvidence) -> bool:
        between = comb.after_gating
        gone = between is not None and between.false_alarm_probability > case.tone_alarm
        return gone and comb.score < max(cages, default=0.0)

    return sorted({part for part, comb in sure if not is_left(comb)})


def _finding_has_sides(case: Case, finding: Finding) -> bool:
    comb = case.combs.get(finding.shown_in)
    return comb is not None and has_sides(comb, case.resolution)


def has_sides(comb: CombEvidence, resolution: float) -> bool:
    """Whether half of the side lines that the part's own motion predicts stand. What strikes as a cage turns need not
    have any, and among other machines' many lines some always stand next to it."""
    if comb.tone.rpartition(".")[2] in CAGES:
        return False
    # Nearer than a line is wide a side line is the skirt of what it stands next to.
    apart = 2 * LINE_BINS * resolution
    sides = [
        line for line in comb.sideband_lines if abs(line.order - round(line.order / comb.order) * comb.order) > apart
    ]
    lines = [line.over_floor_db for line in comb.lines[:SIDE_HARMONICS]]
    stand = sum(line.over_floor_db >= STANDS_DB for line in sides) >= 0.5 * len(sides)
    return bool(sides) and stand and fmean(one.over_floor_db for one in sides) <= fmean(lines) + SIDES_ABOVE_DB


def _is_bare(case: Case, finding: Finding) -> bool:
    """Whether a race's or an element's comb stands high and none of the predicted side lines does."""
    comb = case.combs.get(finding.shown_in)
    if comb is None or not is_carried(case, comb.tone):
        return False
    return stands_bare(comb, comb.sideband_lines)


def stands_bare(comb: CombEvidence, sides: Sequence[CombLine]) -> bool:
    """Whether the strongest lines of ``comb`` stand high, and none of as many ``sides`` as tell does."""
    strongest = sorted(line.over_floor_db for line in comb.lines)[-3:]
    high = sum(strongest) >= STRONG_DB * len(strongest)
    return high and len(sides) >= FEWEST_SIDES and max(line.over_floor_db for line in sides) < STANDS_DB


def is_carried(case: Case, tone: str) -> bool:
    """Whether damage comes and goes through the load: an element's, and that of a ring past which the load moves."""
    component, _, part = tone.rpartition(".")
    bearing = next((one for one in case.drive.bearing if component == f"bearing.{one.name}"), None)
    if bearing is None:
        return False
    ring = {"inner_race": bearing.inner, "outer_race": bearing.outer}.get(part)
    return part == "rolling_element" or (ring is not None and ring != load_of(bearing))


def _rpm(case: Case) -> str:
    return " or ".join(_as_rpm(case, one.speed) for one in case.alike)


def _as_rpm(case: Case, speed: float) -> str:
    """A relative speed in r/min, with as many digits as show what differs from the speed found."""
    found = 0.0 if case.speed is None else case.speed.input_hz * 60
    digits = max(0, 1 - floor(log10(max(abs(speed - 1) * found, 1e-3))))
    return f"{found * speed:.{digits}f}"


def _how_to_distinguish(tone: Tone, off: float | None, rpm: str) -> str:
    if off is not None and any(tone.slip):
        what = (
            f" Its impacts grow and fade with a shaft that turns {100 * abs(off):.2g} % "
            f"{'faster' if off > 0 else 'slower'} than this drive's: they belong to a machine of the same kind that "
            f"turns at {rpm} r/min."
        )
    elif off is not None:
        what = (
            f" All lines together lie {100 * abs(off):.2g} % {'above' if off > 0 else 'below'} order "
            f"{tone.order:.5g}, where this part cannot slip to: they belong to a machine of the same kind that turns "
            f"at {rpm} r/min."
        )
    else:
        what = f" A machine of the same kind runs next to it ({rpm} r/min): this may be that one's."
    return f"{what} {TO_DISTINGUISH}"


def _of_either(finding: Finding, share: float, name: str, more: str) -> Finding:
    """The finding, this drive's with probability ``share`` and else that of the machine ``name``."""
    update = {"other_machine": name, "other_machine_is_driven": False}
    return less_sure(finding, share, name, more).model_copy(update=update)


def _struck(finding: Finding, share: float, name: str, times: int | None = None) -> Finding:
    """The finding, this drive's with probability ``share`` and else the strikes of ``name``; ``times`` per turn of what
    this drive turns, where it is one of those: it costs little to uncouple that one, and much to open this one."""
    if share >= SURELY_OWN:
        return finding.weakened(share)
    more = f" {name[:1].upper()}{name[1:]} makes the same: {TO_DISTINGUISH_STRIKES}"
    update: dict[str, object] = {}
    if times is not None:
        more = f" {WHAT_IT_TURNS.format(times=times)}"
        update = {"other_machine": name, "other_machine_is_driven": True}
    update["advice"] = without_them_first(finding.advice)
    return less_sure(finding, share, name, more).model_copy(update=update)


def without_them_first(advice: str) -> str:
    """What to do about a part that a machine outside may be taken for."""
    return advice if advice.startswith(WITHOUT_THEM) else f"{WITHOUT_THEM}{advice}"


def less_sure(finding: Finding, share: float, name: str, more: str = "") -> Finding:
    """The finding, this drive's with probability ``share``, which names what outside it may be instead."""
    return finding.weakened(share).model_copy(
        update={
            "cannot_be_told_from": list(dict.fromkeys([*finding.cannot_be_told_from, name])),
            "outside_causes": [*finding.outside_causes, name],
            "why": finding.why + more,
        }
    )


def _outside_at(case: Case, finding: Finding) -> OutsideComb | None:
    """The outside comb of which a finding's impacts are a whole multiple: one that may be a part's too, or a deeper one
    whose lines, of a machine with a speed of its own, drift out of the bins that were taken for them. Or one that may
    be all meetings of a part, none harder than the others. But none that was counted per turn of a driving shaft, where
    all lines of a part that slips lie off every whole number: it is then the part's own comb that was met."""
    # A cage that is seen past one ring only shows nothing where it would pass the other.
    names = finding.seen_in or ([] if finding.tone is None else [finding.tone])
    own = [case.combs[name] for name in names if name in case.combs]
    slips = {tone.id: any(tone.slip) for tone in case.tones.tones}
    meetings = {tone.id: tone.meetings for tone in case.tones.tones}
    for other in case.outside_combs:
        for comb in own:
            if slips.get(comb.tone, True) and _share_next_to(case, comb, other) >= SURELY_OWN:
                continue
            times = meetings.get(comb.tone, 1)
            if other.ambiguous and times > 1 and abs(other.order - times * comb.order) <= case.resolution:
                return other
            if not other.ambiguous and other.evidence.hit_over_floor_db < comb.hit_over_floor_db:
                continue
            # What cannot slip was read at its order, all its lines together.
            lines = 1 if slips.get(comb.tone, True) else max(1, len(comb.lines))
            known = case.resolution / lines
            if whole_multiple(comb.order, other.order, resolution=known, spread=other.spread) is not None:
                return other
    return None


def _share_exactly(case: Case, tone: Tone, comb: CombEvidence, other: OutsideComb) -> float | None:
    """Share left to a part that cannot slip where ``other`` may be all its meetings: damage of it, whose comb lies at
    its exact order but for the error of all lines together, or at that of a machine of the same kind, whose speed was
    perhaps taken for this one's, against an outside machine, whose order is even in its logarithm. None where ``other``
    is something else, or may be counted per turn of a shaft: what strikes in step with the drive lies as exactly."""
    times = tone.meetings * tone.order
    in_step = other.per_turn is not None or abs(times - round(times)) <= EXACTLY * times
    if any(tone.slip) or tone.meetings < 2 or not other.ambiguous or in_step:
        return None
    low, high = OUTSIDE_ORDERS
    kind = [(1.0, 1.0, 0.0), *((one.probability, one.speed, one.error) for one in case.alike)]
    there = sum(chance * _placed_density(case, tone, comb, speed, error) for chance, speed, error in kind)
    own = case.priors.get(tone.family, USUAL_PART) * (there + UNDETECTED_RATE * _hidden_density(case, tone, comb))
    free = OUTSIDE_RATE / log(high / low) * (COMPANY if any(not one.ambiguous for one in case.outside_combs) else 1.0)
    return own / (own + free)


def _share_next_to(case: Case, comb: CombEvidence, other: OutsideComb) -> float:
    """Share left to a part that slips where its comb may be that of ``other``: ``OUTSIDE_TOO`` at a whole number of
    strikes per turn, and the more the farther all its lines together lie off any (normal, as their error has it), for
    what is driven in step cannot. Strong impacts show more lines, and with them the order far closer than the bins in
    which combs are met."""
    if not other.ambiguous or other.per_turn is None:
        return OUTSIDE_TOO
    place, error = _placed(case, comb)
    number = place / other.per_turn[1]
    off = (number - round(number)) / (number * hypot(error, LEAST_ERROR, _strikes_error(case, place)))
    return OUTSIDE_TOO / (OUTSIDE_TOO + (1 - OUTSIDE_TOO) * exp(-0.5 * off**2))


def share_passed(comb: CombEvidence) -> float:
    """Share of impacts in the band of a comb that joints and foundation let through from another machine."""
    middle_hz = sqrt(comb.band_hz[0] * comb.band_hz[1])
    return 1 / (1 + (middle_hz / PASSES_HZ) ** 2)


def _own_share(case: Case, tone: Tone, comb: CombEvidence) -> float:
    """Probability that a comb is this machine's rather than one's of the same kind next to it.

    Which of the speeds is this machine's only pulses tell surely; of drives of outside worlds next to one of their kind
    it was that of the louder lines in 7 of 17, though its own housing should sound louder of it. What cannot
    slip lies at an exact order of its own machine's shaft, and all lines of its comb tell which shaft that is: where it
    is that of none that is detected, a machine must be there whose own lines are not. A part that slips is given away
    by the slip that it would need with each: usual in the middle of its window, rare at its ends. And what stands high
    up comes from the machine that carries the sensor. A noted speed that fits one of them alone speaks for that one.
    """
    pulsed = case.speed is None or case.speed.method == "tachometer"
    exact = not any(tone.slip)
    # Of each machine: how likely it is there at all, how likely it makes the comb, by how much it is fainter.
    rows = [(1.0, _density(case, tone, comb, 1.0, 0.0), 0.0)]
    rows += [
        (
            one.probability,
            0.0 if _smeared(comb, one) else _density(case, tone, comb, one.speed, one.error),
            _apart_db(one),
        )
        for one in case.alike
    ]
    hidden = UNDETECTED_RATE
    if case.declared_alike and not case.alike:
        hidden = max(hidden, DECLARED_RATE)
    rows.append((hidden, _hidden_density(case, tone, comb), UNDETECTED_DB))
    noted = [_noted_says(case, 1.0), *(_noted_says(case, one.speed) for one in case.alike), 1.0]
    passed = NEIGHBOUR_WEIGHT * share_passed(comb)
    there = [chance * density for chance, density, _ in rows]
    mine = [
        chance * exp(-2 * USUAL_DB * db / SPREAD_DB**2) * noted[number] * (not pulsed or number == 0)
        for number, (chance, _, db) in enumerate(rows)
    ]
    own = sum(weight * density for weight, (_, density, _) in zip(mine, rows, strict=True))
    theirs = sum(weight * passed * (sum(there) - one) for weight, one in zip(mine, there, strict=True))
    share = own / (own + theirs) if own > 0 else 0.0
    if exact:
        return share
    # Its meshing parts make lines that never slip, sound or not.
    meshing = [one * other.speed for one in _rigid(case) for other in case.alike]
    rigid = min((abs(comb.order / one - 1) for one in meshing), default=1.0)
    return OUTSIDE_TOO * share if rigid * comb.order < LINE_BINS * case.resolution else share


def _smeared(comb: CombEvidence, other: SimilarMachine) -> bool:
    """Whether what stands in ``comb``, along the angle found, would be smeared if ``other`` made it, whose speed takes
    another course."""
    stand = [line.order for line in comb.lines if line.over_floor_db >= STANDS_DB]
    return other.apart_turns is not None and max(stand, default=0.0) * other.apart_turns > SMEARED_TURNS


def _noted_says(case: Case, speed: float) -> float:
    """What the noted speed adds to the odds that this machine is the one at ``speed``, relative to the speed found."""
    if case.noted_speed_hz is None or case.speed is None:
        return 1.0
    return NOTED_SAYS if abs(case.noted_speed_hz / (speed * case.speed.input_hz) - 1) < NOTED_WITHIN else 1.0


def _apart_db(machine: SimilarMachine) -> float:
    """What is counted of how much fainter a machine is than that at the speed found. Where it was searched for, the
    lines that show it are those that happen to stand clear: only that it is the louder counts."""
    return machine.fainter_db if machine.by_damage else min(machine.fainter_db, 0.0)


def _density(case: Case, tone: Tone, comb: CombEvidence, speed: float, speed_error: float) -> float:
    """How likely a machine at ``speed``, relative to the speed found, is to make the comb of ``tone`` where it lies,
    per unit of the logarithm of its order; and with the turn that carries it, where that is known."""
    density = _placed_density(case, tone, comb, speed, speed_error)
    if any(tone.slip) and comb.carried_at is not None and comb.carried_error is not None:
        sigma = hypot(comb.carried_error, speed_error, LEAST_ERROR)
        density *= exp(-0.5 * ((comb.carried_at / speed - 1) / sigma) ** 2) / (sigma * sqrt(2 * pi))
    return density


def _hidden_density(case: Case, tone: Tone, comb: CombEvidence) -> float:
    """The same of a machine of the kind of whose speed nothing is known but what is usual. Of a part that slips its
    place says as much at the speed of the shaft that carries it."""
    if not any(tone.slip):
        return _usual_density(off_order(tone, _placed(case, comb)[0]))
    if comb.carried_at is None:
        return _placed_density(case, tone, comb, 1.0, KIND_APART)
    return _placed_density(case, tone, comb, comb.carried_at, 0.0) * _usual_density(comb.carried_at - 1)


def _usual_density(apart: float) -> float:
    """How likely machines of one kind are to turn so far ``apart``, relative, per unit of that."""
    return 1 / (pi * KIND_APART * (1 + (apart / KIND_APART) ** 2))


def _placed_density(case: Case, tone: Tone, comb: CombEvidence, speed: float, speed_error: float) -> float:
    """How likely its place alone is."""
    place, error = _placed(case, comb)
    low, high = tone.slip
    sigma = hypot((high - low) / 4, error, speed_error, LEAST_ERROR)
    off = ((1 + off_order(tone, place)) / speed - 1 - (low + high) / 2) / sigma
    return exp(-0.5 * off**2) / (sigma * sqrt(2 * pi))


def _off_own_speed(case: Case, tone: Tone, comb: CombEvidence) -> float | None:
    """By how much, relative, the comb of a part that cannot slip lies off that part's order, or the shaft that carries
    one that does turns off the speed found; None where they do not."""
    if any(tone.slip):
        return carried_off(comb, case.speed)
    place, error = _placed(case, comb)
    return off_order(tone, place) if not any(tone.slip) and surely_off(tone, place, error) else None


def _rigid(case: Case) -> list[float]:
    """Orders of what meets without slip in a machine of this kind: its meshes, its lobes, its pins."""
    return [tone.order for tone in case.tones.tones if not any(tone.slip) and tone.id.startswith("stage")]


def _tone(case: Case, finding: Finding) -> Tone | None:
    """The tone whose comb shows the finding best: an element may be seen by its cage's."""
    tones = {tone.id: tone for tone in case.tones.tones}
    names = [*finding.seen_in, *([] if finding.tone is None else [finding.tone])]
    return next((tones[name] for name in names if name in tones), None)
