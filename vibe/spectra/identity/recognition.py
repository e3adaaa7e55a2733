"""Whose lines are these? Speed of the drive that a capture claims to be of, and whether another explains it better.

A drive's sound lines are weighed as in ``speed_search.py``: each place where one must be is worth the log likelihood of
"the machine may have a line here" against "a stray at most". As nothing but the places differs from drive to drive, the
sums of two drives may be compared: their difference is the log odds between them.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from vibe.core.capture import Channel
from vibe.core.evidence import SpeedEstimate
from vibe.spectra.basic.conditioning import bridged_once
from vibe.spectra.speed.line_likelihood import LineLikelihood, line_likelihood, log_sum_exp
from vibe.spectra.speed.phase_refinement import low_passed
from vibe.spectra.speed.speed_search import APART, CHANCE, LEAST_HALF_RANGE, MOST_ORDERS, speed_from_signal
from vibe.spectra.speed.tachometer import speed_from_tachometer

Real = NDArray[np.float64]

SURE = -float(np.log(CHANCE))
"""Log odds from which on a speed, as in ``speed_search.py``, is believed."""
FALSE_ALARMS = 1e-4
"""Captures filed rightly of which another drive, or a speed outside the range, may be called decisively better. A ratio
of likelihoods exceeds t in at most 1/t of the cases in which the other one is wrong (Markov's inequality), so the log
odds must exceed ln(others / FALSE_ALARMS), where ``others`` counts all that was tried."""
WIDE = (0.5, 1.1)
"""Share of the nominal speed that is searched beyond the range: half speed as of a pole-changing motor or an inverter
turned down; above a tenth over the plate no motor on the mains runs."""
APART_BINS = 4.0
"""Places of one drive closer than this in bins of the capture are one: a strong line's foot reaches so far."""
FEWEST_SAMPLES = 64
"""Below, there is no spectrum to concern."""
FEWEST_TURNS = 20.0
"""Turns of the input below which lines an order apart hardly part: nothing is known."""
LONGEST_S = 30.0
"""Of longer captures the beginning is enough: 700 turns at usual speeds resolve what can be determined at all."""
ROUND_SHAFT = 3.5
"""Orders up to here lie round the shaft's first harmonics, where every motor has lines, a neighbour's too."""
MESH_EQUAL = 1.0
"""Log odds by which the same mesh lines differ when they are read at slightly different speeds."""
NOTED_TOLERANCE = 0.01
"""Relative error of a speed read off a plate, a display or a stroboscope that is no contradiction: common practice."""
CERTAIN = 30.0
"""Log odds of a speed that is not given up for half of it, unless what only the half makes is as certain: strays bring
up to 10 each. Of a drive that does turn at half the speed every other line is missing at the whole, which is then
barely sure. Nor is one given up for a louder one outside the range whose machine does not make these lines."""
STRAYS_AT = tuple(sign * off for sign in (-1, 1) for off in (0.003, 0.005, 0.008, 0.012, 0.017, 0.022, 0.027))
"""Relative distances from the half at which it is seen what strays bring there: no line of the machine lies at all of
the orders asked for, so far off but still where its lines are as dense."""
SHAFT_LINES = 3
"""Multiples of the shaft that nearly every drive shows (common practice)."""
BASE_BELOW = 1.5
"""Orders of lobes and pins lie below: 1 and 1 plus a fraction."""
TACHOMETER_DISAGREES = 0.003
"""As in a diagnosis: beyond it the drive's own lines are believed."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Candidate:
    """A kind of drive: speeds of its input [Hz], the orders of the lines that it makes when sound, and how often parts
    of its first stage come round (``turns``, orders): pitch errors make lines at any multiple of these."""

    range_hz: tuple[float, float]
    nominal_hz: float
    orders: tuple[float, ...]
    turns: tuple[float, ...] = ()

    def like(self, other: Candidate) -> bool:
        """No vibration distinguishes the two: same orders, and ranges that overlap."""
        mine, its = ({round(order, 6) for order in one.orders} for one in (self, other))
        return mine == its and self.range_hz[0] <= other.range_hz[1] and other.range_hz[0] <= self.range_hz[1]


@dataclass(frozen=True, slots=True, kw_only=True)
class CandidateSpeed:
    """The speed at which a candidate's lines fit best.

    ``log_odds``: that they are there, against strays; ``alone``: no other speed of the range rivals it;
    ``found`` of ``asked`` lines support it. ``mesh``: log odds at that speed of the orders above ``ROUND_SHAFT``.
    """

    speed_hz: float
    uncertainty_hz: float
    log_odds: float
    alone: bool
    mesh: float
    found: int
    asked: int

    @property
    def sure(self) -> bool:
        return self.alone and self.log_odds > SURE


@dataclass(frozen=True, slots=True, kw_only=True)
class Recognition:
    """What the lines say of the drive that the capture claims to be of."""

    claimed: str
    verdict: Literal["fits", "other speed", "other drive", "not known"]
    """*Not known*: no speed stands out, and nothing else explains the lines decisively better."""
    speed: SpeedEstimate | None
    """Of the claimed drive; outside its range where the verdict is *other speed*; None when none stands out, or
    when the lines are another drive's and there are no pulses."""
    inside: CandidateSpeed
    """Best speed within the range of the claimed drive."""
    outside: CandidateSpeed | None
    """Best speed beyond it that explains the lines decisively better; None as long as the range does."""
    better: tuple[tuple[str, float], ...]
    """Drives that explain the lines decisively better, and their log odds over the claimed one; best first."""
    same: tuple[str, ...]
    """Drives that vibration cannot distinguish from the claimed one."""
    close: tuple[str, ...]
    """Drives whose lines fit about as well in this capture."""

    def contradicts(self, noted_hz: float) -> float | None:
        """(noted - detected) / detected where a speed noted by hand cannot be that of the signal, else None."""
        if self.speed is None:
            return None
        off = noted_hz / self.speed.input_hz - 1
        allowed = max(NOTED_TOLERANCE, 4 * (self.speed.uncertainty_hz or 0.0) / self.speed.input_hz)
        return off if abs(off) > allowed else None


def recognise(
    rows: Sequence[tuple[NDArray[np.float32], float]],
    candidates: Mapping[str, Candidate],
    claimed: str,
    *,
    tachometer: Channel | None = None,
    followed: bool = True,
) -> Recognition:
    """Speed of ``claimed``, and whether another of ``candidates`` fits decisively better.

    Args:
        rows: (samples (n,), sample rate [Hz]) of the vibration channels that were not rejected; gaps are bridged here.
        candidates: kinds of drive by tag.
        claimed: the tag, one of ``candidates``, that the capture came under.
        tachometer: its pulses give the speed, unless the lines contradict them.
        followed: a speed that moves is followed too, within the range. It takes time, and no verdict but *not known*
            depends on it.

    Raises:
        ValueError: no row of ``FEWEST_SAMPLES`` or more, or ``claimed`` is no candidate.
    """
    rows = [(samples, rate) for samples, rate in rows if samples.size >= FEWEST_SAMPLES]
    if not rows or claimed not in candidates:
        raise ValueError("recognition needs a channel with samples, and the claimed drive among the candidates")
    own = candidates[claimed]
    same = tuple(sorted(tag for tag, other in candidates.items() if tag != claimed and own.like(other)))
    others = {tag: other for tag, other in candidates.items() if tag != claimed and tag not in same}
    clean = [
        (bridged_once(samples if samples.size <= LONGEST_S * rate else samples[: round(LONGEST_S * rate)]), rate)
        for samples, rate in rows
    ]
    top_hz = MOST_ORDERS * max(_wide(one)[1] for one in [own, *others.values()])
    lines = line_likelihood([low_passed(samples, rate, top_hz) for samples, rate in clean], own.nominal_hz)
    inside = _best_speed(lines, own.range_hz, own.orders)
    # Sister drives are one kind: it is weighed once.
    kinds = {other: _best_speed(lines, other.range_hz, other.orders) for other in dict.fromkeys(others.values())}
    decisive = float(np.log((len(kinds) + 1) / FALSE_ALARMS))
    over = {tag: kinds[other].log_odds - inside.log_odds for tag, other in others.items() if kinds[other].sure}
    # What is better only round the shaft may be a neighbour's motor.
    meshing = {tag for tag, other in others.items() if kinds[other].mesh > max(SURE / 2, inside.mesh - MESH_EQUAL)}
    better = sorted(
        ((tag, odds) for tag, odds in over.items() if odds > decisive and tag in meshing),
        key=lambda pair: (-pair[1], pair[0]),
    )
    close = tuple(sorted(tag for tag, odds in over.items() if abs(odds) <= decisive)) if inside.sure else ()
    outside = _beyond(lines, own, inside)
    if outside is not None and outside.log_odds - inside.log_odds <= max(decisive, better[0][1] if better else 0.0):
        outside = None
    if outside is not None and inside.log_odds > SURE and _off_by_a_lobe(own, inside.speed_hz, outside.speed_hz):
        # There shaft and lobes change places; where only the lobes stand, their lines are those of the shaft.
        first = lines.at(np.array([outside.speed_hz]), np.arange(1.0, SHAFT_LINES + 1.0))
        outside = outside if float(first.sum()) > 0 else None
    if outside is not None and _both_turn(lines, own, inside, outside):
        outside = None
    pulsed = None if tachometer is None else speed_from_tachometer(tachometer, _wide(own), lines.duration_s)
    if pulsed is not None and inside.sure and _agree(pulsed[1], inside):
        # Half orders of something loose, or another machine's lines, do not outweigh a sensor on the shaft.
        outside = None
    short = lines.duration_s * own.nominal_hz < FEWEST_TURNS
    speed = _speed(
        clean,
        own,
        inside,
        outside,
        None if pulsed is None else pulsed[1],
        elsewhere=bool(better) or short or not followed,
    )
    verdict: Literal["fits", "other speed", "other drive", "not known"]
    low, high = own.range_hz
    if outside is not None:
        verdict = "other speed"
    elif better:
        verdict = "other drive"
        # At lines of another drive the claimed one's speed would be read wrongly.
        speed = speed if pulsed is not None else None
    elif speed is None:
        verdict = "not known"
    else:
        # Pulses may give a speed at which no lines are detected.
        spare = 1 + TACHOMETER_DISAGREES
        verdict = "fits" if low / spare <= speed.input_hz <= high * spare else "other speed"
    return Recognition(
        claimed=claimed,
        verdict=verdict,
        speed=speed,
        inside=inside,
        outside=outside,
        better=tuple(better),
        same=same,
        close=close,
    )


def _wide(one: Candidate) -> tuple[float, float]:
    """The range, and what is searched beyond it."""
    return min(one.range_hz[0], WIDE[0] * one.nominal_hz), max(one.range_hz[1], WIDE[1] * one.nominal_hz)


def _orders(lines: LineLikelihood, orders: Iterable[float], speed_hz: float) -> Real:
    """Orders that count: at or below ``MOST_ORDERS``, each far enough from the one below to be a place of its own."""
    gap = APART_BINS / (lines.duration_s * speed_hz)
    kept: list[float] = []
    # Whole multiples of the shaft are there in every drive; what lies on their feet must not count again.
    for order in sorted(orders, key=lambda value: (value != round(value), value)):
        if order <= MOST_ORDERS and all(abs(order - other) >= gap for other in kept):
            kept.append(order)
    return np.array(sorted(kept))


def _best_speed(lines: LineLikelihood, range_hz: tuple[float, float], orders: Iterable[float]) -> CandidateSpeed:
    """The best speed of a range, every speed of it weighed, and some next to it for comparison."""
    low, high = range_hz
    middle = (low + high) / 2
    used = _orders(lines, orders, middle)
    wide = (min(low, middle * (1 - LEAST_HALF_RANGE)), max(high, middle * (1 + LEAST_HALF_RANGE)))
    speeds = lines.speeds_hz(wide, used)
    inside = (speeds >= low) & (speeds <= high)
    if not inside.any():
        inside[np.abs(speeds - middle).argmin()] = True
    return _best(lines.at(speeds, used), speeds, used, inside, lines.duration_s)


def _best(
    ratios: Real,
    speeds: Real,
    orders: Real,
    inside: NDArray[np.bool_],
    duration_s: float,
    *,
    place: int | None = None,
    no_rival: NDArray[np.bool_] | None = None,
) -> CandidateSpeed:
    """The best of the speeds that are ``inside``, from ``ratios`` (orders, speeds); all others may rival it.

    ``place``: the best one, where it was chosen before; ``no_rival`` marks speeds that are none.
    """
    weight = ratios.sum(axis=0)
    if place is None:
        place = int(np.flatnonzero(inside)[weight[inside].argmax()])
    near = _near(speeds, float(speeds[place]), duration_s)
    share = np.exp(weight[near] - log_sum_exp(weight[near]))
    mean = float(share @ speeds[near])
    # Between two speeds of the grid nothing was looked at.
    grain = float(speeds[1] - speeds[0]) / np.sqrt(12.0) if speeds.size > 1 else 0.0
    far = ~near if no_rival is None else ~near & ~no_rival
    elsewhere = float(np.exp(log_sum_exp(weight[far]) - log_sum_exp(weight[far | near]))) if far.any() else 0.0
    return CandidateSpeed(
        speed_hz=float(speeds[place]),
        uncertainty_hz=float(np.hypot(np.sqrt(share @ (speeds[near] - mean) ** 2), grain)),
        log_odds=log_sum_exp(weight[inside]) - float(np.log(np.count_nonzero(inside))),
        alone=elsewhere < CHANCE and duration_s * float(speeds[place]) >= FEWEST_TURNS,
        mesh=float(ratios[orders > ROUND_SHAFT, place].sum()),
        found=int(np.count_nonzero(ratios[:, place] > 0)),
        asked=int(ratios.shape[0]),
    )


def _near(speeds: Real, speed_hz: float, duration_s: float) -> NDArray[np.bool_]:
    """Speeds that are one and the same within what a capture resolves."""
    return np.asarray(np.abs(speeds / speed_hz - 1) <= max(APART, 1.5 / (duration_s * speed_hz)))


def _beyond(lines: LineLikelihood, own: Candidate, inside: CandidateSpeed) -> CandidateSpeed | None:
    """The best speed of the claimed drive outside its range, if it stands alone and out of the noise.

    All lines of a speed may be harmonics of half of it. What distinguishes the two are the lines that only the half
    makes; where those are there, the double is no rival, and all that supports the double supports the half.
    """
    used = _orders(lines, own.orders, own.nominal_hz)
    speeds = lines.speeds_hz(_wide(own), used)
    outside = (speeds < own.range_hz[0]) | (speeds > own.range_hz[1])
    if not outside.any():
        return None
    ratios = lines.at(speeds, used)
    weight = ratios.sum(axis=0)
    of_half_alone = _not_of_double(used, (*own.orders, *own.turns))
    place = int(np.flatnonzero(outside)[weight[outside].argmax()])
    halves = np.flatnonzero(_near(speeds, float(speeds[place]) / 2, lines.duration_s) & outside)
    for half in (int(halves[weight[halves].argmax()]) if halves.size else place, place):
        only = float(ratios[of_half_alone, half].sum())
        if weight[half] > weight[place] - SURE and only > SURE:
            place, double = half, _near(speeds, 2 * float(speeds[half]), lines.duration_s)
            break
    else:
        double, only = np.zeros(speeds.size, dtype=bool), -np.inf
    fastest = _best(ratios, speeds, used, outside, lines.duration_s, place=place, no_rival=double)
    if abs(inside.speed_hz / (2 * fastest.speed_hz) - 1) < APART:
        # Among many lines strays meet such orders at any speed: what they bring at others is no sign of this one.
        near = float(speeds[place]) * (1.0 + np.array(STRAYS_AT))
        strays = float(lines.at(near, used)[of_half_alone].sum(axis=0).max())
        if only < CERTAIN + max(0.0, strays) and inside.log_odds > CERTAIN:
            return None
        fastest = replace(fastest, log_odds=max(fastest.log_odds, inside.log_odds + only))
    return fastest if fastest.sure else None


def _not_of_double(orders: Real, all_orders: Sequence[float]) -> NDArray[np.bool_]:
    """Orders that a shaft of twice the speed does not make.

    Whole ones do not count: a loose machine makes halves. Nor do those that pitch errors put there at twice the speed,
    at any multiple of a part that comes round about once a turn, or as planets and their cranks do.
    """
    bases = np.array([order for order in all_orders if order < BASE_BELOW])
    times = orders[:, None] / 2 / bases
    made = ((np.abs(times - np.rint(times)) < 1e-6) & (times > 0.5)).any(axis=1) if bases.size else False
    return np.asarray(~made & (np.abs(orders - np.rint(orders)) > 1e-6))


def _off_by_a_lobe(own: Candidate, inside_hz: float, outside_hz: float) -> bool:
    """Whether lobes turn at the one speed as the shaft does at the other."""
    past = [order for order in own.orders if 1.0 < order < BASE_BELOW]
    return any(abs(outside_hz * alias / inside_hz - 1) < APART for order in past for alias in (order, 1 / order))


def _both_turn(lines: LineLikelihood, own: Candidate, inside: CandidateSpeed, outside: CandidateSpeed) -> bool:
    """Whether the drive's lines stand at the speed ``inside`` its range as surely by those alone that a machine of its
    kind does not make at the speed ``outside``: then that one is another, which happens to be louder.

    Such a machine may make the orders asked for, every multiple of its shaft, halves too, and of what comes round in
    it, and side lines at these of each. A drive at rest has no others, nor has one that runs outside its range.
    """
    times = inside.speed_hz / outside.speed_hz
    if not inside.sure or min(abs(times / 2 - 1), abs(times * 2 - 1)) < APART:  # Halves are weighed by themselves.
        return False
    turns = [0.5, *(turn for turn in own.turns if turn > 0)]
    made = [np.array(own.orders), *(np.arange(1, int(MOST_ORDERS / turn) + 2) * turn for turn in turns)]
    sides = [np.array(own.orders) + sign * turn for turn in (1.0, *own.turns) for sign in (-1, 1)]
    its_hz = np.concatenate([*made, *sides]) * outside.speed_hz
    used = _orders(lines, own.orders, inside.speed_hz)
    apart = np.abs(used[:, None] * inside.speed_hz - its_hz).min(axis=1) * lines.duration_s
    alone = used[apart > APART_BINS]
    ratios = lines.at(np.array([inside.speed_hz]), alone)[:, 0]
    # The first lines of a shaft are any motor's.
    return bool(ratios.sum() > CERTAIN and ratios[alone > ROUND_SHAFT].sum() > SURE)


def _agree(pulsed: SpeedEstimate, lines: CandidateSpeed) -> bool:
    """Whether pulses and lines give one speed."""
    return abs(pulsed.input_hz / lines.speed_hz - 1) < TACHOMETER_DISAGREES


def _speed(
    rows: Sequence[tuple[NDArray[np.float32], float]],
    own: Candidate,
    inside: CandidateSpeed,
    outside: CandidateSpeed | None,
    pulsed: SpeedEstimate | None,
    *,
    elsewhere: bool,
) -> SpeedEstimate | None:
    """Pulses, unless the lines contradict them; else the lines; else a speed that moves, followed within the range.

    It is not followed where the lines are another drive's, too few turns were measured, or nobody asks (``elsewhere``).
    """
    fastest = outside if outside is not None else inside if inside.sure else None
    if pulsed is not None and (fastest is None or _agree(pulsed, fastest)):
        return pulsed
    if fastest is not None:
        return SpeedEstimate(input_hz=fastest.speed_hz, uncertainty_hz=fastest.uncertainty_hz, method="signal")
    if elsewhere:
        return None
    found = speed_from_signal(rows, own.range_hz, own.orders)
    return None if found is None else found[1]
