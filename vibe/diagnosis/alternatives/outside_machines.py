"""What other machines leave of a finding: a tone that an outside comb may make too, and a machine of the same kind."""

from __future__ import annotations

from collections.abc import Sequence
from math import exp, hypot, log, pi, sqrt

from vibe.core.health import Finding
from vibe.core.outside_combs import LINE_BINS, OutsideComb
from vibe.core.tones import CAGES, Tone
from vibe.diagnosis.alternatives.outside_multiples import whole_multiple
from vibe.diagnosis.case import Case

OUTSIDE_TOO = 0.3
"""Share left to a part whose tone is also a whole number per turn of a shaft that turns another machine: chains and
blades strike in most plants, a bearing fails in few (common practice)."""
NEIGHBOUR_WEIGHT = 1.2
"""How likely damage is in a machine of the same kind beside, against this one, where slip says nothing (common
practice): as likely, and a little more, so that nobody opens the wrong one."""
SURELY_OWN = 0.95
"""Share of this machine from which the one beside is not mentioned: one in twenty is the usual doubt."""
UNHEARD = 0.4
"""Share left to a part of a drive that was not heard itself (common practice): less than even odds."""
OUTSIDE_RATE = 0.05
"""Probability that a drive has an impacting machine beside or behind it that nobody declared and that is as loud as
damage (common practice: chains, screws, hammers, compressors); its order is as likely in one factor as in the next."""
OUTSIDE_ORDERS = (0.02, 2.2)
"""Orders of the input at which such machines strike; faster ones are multiples of a shaft, which distinguishes them."""
PART_SHARE = {"outer race": 0.35, "inner race": 0.25, "rolling element": 0.2, "cage": 0.2}
"""Of damaged bearings that speak, those that do so by each part's order first (common practice; by the cage's turn one
rolling element in ten shows too)."""
SIDE_STANDS_DB = 9.0
"""A side line stands from here over the floor: noise, exponential, is there once in 3,000 bins (exp(-8))."""
STRONG_DB, FEWEST_SIDES = 15.0, 4
"""Mean of a comb's three strongest lines from which side lines, which are seldom 6 dB weaker, would stand too, and how
many are predicted where their absence says something (common practice)."""
BARE_OWN = 0.1
"""Share of damaged inner races and rolling elements, carried through a load, whose strong combs have no side lines: of
the damaged drives of the outside worlds none had (rule of succession)."""
OWN_PARTS = ("stage", "bearing")


def doubted_by_outside(case: Case, findings: Sequence[Finding]) -> list[Finding]:
    """The findings on the drive's parts, less sure where another machine may make the same."""
    return [_doubted(case, finding) for finding in findings]


def doubted_unheard(findings: Sequence[Finding]) -> list[Finding]:
    """The findings of a capture in which the drive itself was not heard: its parts may be another machine's."""
    more = " The drive's own lines were not detected in this capture: another machine may make this."
    return [
        _less_sure(finding, UNHEARD, "another machine, since the drive's own lines were not detected", more)
        if finding.component.startswith(OWN_PARTS)
        else finding
        for finding in findings
    ]


def _doubted(case: Case, finding: Finding) -> Finding:
    if not finding.component.startswith(OWN_PARTS):
        return finding
    comb = _outside_at(case, finding)
    if comb is not None:
        name = f"an outside source at {comb.order:.4g} orders"
        return _less_sure(finding, OUTSIDE_TOO, name)
    tone, order = _tone(case, finding), _order(case, finding)
    if tone is None or order is None:
        return finding
    if any(tone.slip):
        finding = _doubted_slow(case, finding, tone, order)
    share = _own_share(case, tone, order) if case.alike else 1.0
    if share >= SURELY_OWN:
        return finding
    name = f"the same part of a machine of the same kind next to it, at {_rpm(case)} r/min"
    return _less_sure(finding, share, name, _how_to_distinguish(case))


def _doubted_slow(case: Case, finding: Finding, tone: Tone, order: float) -> Finding:
    """A slow part whose comb stands alone, at an order where an outside machine might strike as well.

    The odds are those of damage of that part times the density of its order (slip is seldom at the ends of its window)
    against those of an outside machine times the density of its own, even in the logarithm of the order. A comb with
    side lines of its own, or beside another part's of the same bearing, is no outside machine's; a strong one without
    the side lines which its part's way through the load makes is the less likely the part's.
    """
    low, high = OUTSIDE_ORDERS
    if not low <= order <= high or len(_own_combs(case, finding)) > 1 or _has_sides(case, finding):
        return finding
    # A cage that strikes does so at one of the bodies that it passes: its share is spread over these.
    places = sum(other.component == tone.component for other in case.tones.tones) if tone.family == "cage" else 1
    part = case.priors.get("rolling bearing", 0.02) * PART_SHARE.get(tone.family, 0.25) / places
    own, outside = part * _slip_density(tone, order, case.resolution), OUTSIDE_RATE / log(high / low)
    own *= BARE_OWN if _is_bare(case, finding) else 1.0
    hz = f"{order * case.speed.input_hz:.3g} Hz" if case.speed is not None else f"{order:.4g} orders"
    return _less_sure(finding, own / (own + outside), f"an outside machine that strikes at {hz}")


def _slip_density(tone: Tone, order: float, resolution: float) -> float:
    """How likely a slipping tone is to lie at ``order``, per unit of its logarithm: usual in the middle of its window,
    rare at the ends, which are two standard deviations off."""
    low, high = tone.slip
    times = min((0.5, 1.0, 2.0), key=lambda factor: abs(order / (factor * tone.order) - 1))
    sigma = hypot((high - low) / 4, resolution / (2 * order))
    off = (order / (times * tone.order) - 1 - (low + high) / 2) / sigma
    return exp(-0.5 * off**2) / (sigma * sqrt(2 * pi))


def _own_combs(case: Case, finding: Finding) -> list[str]:
    """Tones of the same bearing, of different parts, whose combs are surely there."""
    bearing = finding.component.split(".")[1] if finding.component.startswith("bearing.") else ""
    sure = {
        tone.component
        for tone in case.tones.tones
        if tone.id.startswith(f"bearing.{bearing}.")
        and tone.id in case.combs
        and case.combs[tone.id].false_alarm_probability <= case.tone_alarm
    }
    return sorted(sure)


def _has_sides(case: Case, finding: Finding) -> bool:
    """Whether half of the side lines that the part's own motion predicts stand. What strikes as a cage turns need not
    have any, and among other machines' many lines some always stand beside it."""
    name = finding.seen_in[0] if finding.seen_in else finding.tone
    comb = case.combs.get(name or "")
    if comb is None or comb.tone.rpartition(".")[2] in CAGES:
        return False
    # Nearer than a line is wide a side line is the skirt of what it stands beside.
    apart = 2 * LINE_BINS * case.resolution
    sides = [
        line for line in comb.sideband_lines if abs(line.order - round(line.order / comb.order) * comb.order) > apart
    ]
    return bool(sides) and sum(line.over_floor_db >= SIDE_STANDS_DB for line in sides) >= 0.5 * len(sides)


def _is_bare(case: Case, finding: Finding) -> bool:
    """Whether a race's or an element's comb stands high and none of the predicted side lines does."""
    comb = case.combs.get(finding.seen_in[0] if finding.seen_in else finding.tone or "")
    if comb is None or not _is_carried(case, comb.tone):
        return False
    strongest = sorted(line.over_floor_db for line in comb.lines)[-3:]
    sides = [line.over_floor_db for line in comb.sideband_lines]
    high = sum(strongest) >= STRONG_DB * len(strongest)
    return high and len(sides) >= FEWEST_SIDES and max(sides) < SIDE_STANDS_DB


def _is_carried(case: Case, tone: str) -> bool:
    """Whether damage comes and goes through the load: an element's, and that of a ring past which the load moves."""
    component, _, part = tone.rpartition(".")
    bearing = next((one for one in case.drive.bearing if component == f"bearing.{one.name}"), None)
    if bearing is None:
        return False
    ring = {"inner_race": bearing.inner, "outer_race": bearing.outer}.get(part)
    # Where nobody stated it, a disc's load turns with its eccentric and any other rests on the outer ring's side.
    load = bearing.load or (bearing.inner if bearing.outer.endswith(".disc") else bearing.outer)
    return part == "rolling_element" or (ring is not None and ring != load)


def _rpm(case: Case) -> str:
    speed = 0.0 if case.speed is None else case.speed.input_hz
    return " or ".join(f"{alike * speed * 60:.0f}" for alike in case.alike)


def _how_to_distinguish(case: Case) -> str:
    return (
        f" A machine of the same kind runs next to it ({_rpm(case)} r/min): this may be that one's. Repeat the "
        "measurement while that one stands, or at a second point, nearer to one of the two, and compare."
    )


def _less_sure(finding: Finding, share: float, name: str, more: str = "") -> Finding:
    return finding.weakened(share).model_copy(
        update={
            "cannot_be_told_from": [*finding.cannot_be_told_from, name],
            "why": finding.why + more,
        }
    )


def _outside_at(case: Case, finding: Finding) -> OutsideComb | None:
    """The outside comb of which a finding's impacts are a whole multiple: one that may be a part's too, or a deeper one
    whose lines, of a machine with a speed of its own, wander out of the bins that were taken for them."""
    names = [*finding.seen_in, *([] if finding.tone is None else [finding.tone])]
    own = [case.combs[name] for name in dict.fromkeys(names) if name in case.combs]
    slips = {tone.id: any(tone.slip) for tone in case.tones.tones}
    for other in case.outside_combs:
        for comb in own:
            if not other.ambiguous and other.evidence.hit_over_floor_db < comb.hit_over_floor_db:
                continue
            # What cannot slip was read at its order, all its lines together.
            lines = 1 if slips.get(comb.tone, True) else max(1, len(comb.lines))
            known = case.resolution / lines
            if whole_multiple(comb.order, other.order, resolution=known, spread=other.spread) is not None:
                return other
    return None


def _own_share(case: Case, tone: Tone, order: float) -> float:
    """Probability that a comb at ``order`` is this machine's rather than one's of the same kind beside it.

    A part that slips is told by the slip that it would need with each: usual in the middle of its window, rare at its
    ends. One that does not slip lies at its order of whichever machine the speed was taken from; only pulses say which.
    """
    low, high = tone.slip
    if low == high:
        known = case.speed is None or case.speed.method == "tachometer"
        return 1.0 if known else 1 / (1 + NEIGHBOUR_WEIGHT)
    middle, sigma = (low + high) / 2, (high - low) / 4

    def weight(speed: float) -> float:
        times = 2 if abs(order / (2 * tone.order) - 1) < abs(order / tone.order - 1) else 1
        slip = order / (times * tone.order * speed) - 1
        return exp(-0.5 * ((slip - middle) / sigma) ** 2)

    own, others = weight(1.0), NEIGHBOUR_WEIGHT * sum(weight(speed) for speed in case.alike)
    return own / (own + others) if own + others > 0 else 1 / (1 + NEIGHBOUR_WEIGHT)


def _order(case: Case, finding: Finding) -> float | None:
    """Where the finding's largest comb lies."""
    known = {**{comb.tone: comb for comb in case.unmatched}, **case.combs}
    comb = known.get(finding.seen_in[0] if finding.seen_in else finding.tone or "")
    return None if comb is None else comb.order


def _tone(case: Case, finding: Finding) -> Tone | None:
    """The tone whose comb shows the finding best: an element may be seen by its cage's."""
    tones = {tone.id: tone for tone in case.tones.tones}
    names = [*finding.seen_in, *([] if finding.tone is None else [finding.tone])]
    return next((tones[name] for name in names if name in tones), None)
