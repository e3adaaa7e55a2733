"""Which of many kinds of machine made these lines, when not even its speed is known?

1. The law of the speed is found without knowing lines (``blind_angle_law.py``).
2. Two combs are looked for at once: whole orders of the shaft, and multiples of a second step. All speeds of the range
   and all steps are weighed by what lines of a machine are worth against strays (``speed_search.py``).
3. The phases of both combs together refine the law (``phase_refinement.py``); then high orders are sharp as well.
4. Every kind is weighed on the sharp orders (``kind_likelihood.py``): whether its lines are there and exactly in place,
   whether its mesh stands out, and which of the whole orders its equally spaced parts leave. Those that come close are
   weighed again, each at its own speed and on its own law.

What the weights are worth as probabilities was measured (``python -m tests.studies.identify``).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.special import logsumexp

from vibe.core.evidence import SpeedEstimate
from vibe.spectra.basic.angle_law import AngleLaw
from vibe.spectra.basic.conditioning import bridged
from vibe.spectra.identity.kind_likelihood import (
    APART_BINS,
    arrangement_odds,
    in_place,
    level_db,
    mesh_odds,
    second_comb,
    shaft_odds,
    standing_out,
)
from vibe.spectra.identity.order_lines import OrderLines, Real, order_lines
from vibe.spectra.speed.blind_angle_law import sharpest_ramp
from vibe.spectra.speed.line_likelihood import LineLikelihood, line_likelihood
from vibe.spectra.speed.phase_refinement import Low, Refined, laid, low_passed, refined
from vibe.spectra.speed.ridge_tracking import SEGMENT_TURNS
from vibe.spectra.speed.speed_search import LEAST_RELATIVE

FIRST_ORDERS = 16
"""Lines of each comb in the first search: speed variation has not smeared them yet."""
LOW_ORDER, TOP_ORDER = 24.0, 330.0
"""Highest order before and after the law is refined; twice the mesh of 150 lobes is still read."""
LONGEST_S = 20.0
"""Of longer captures the beginning is enough, and speed changes more over longer ones than a ramp can tell."""
FEWEST_TURNS = 60.0
"""Turns of the input below which families of lines a hundredth apart do not part."""
COOLING = 0.5
"""Lines of one machine are no independent witnesses: what they say together counts by this share; common practice."""
NONE_OF_THESE = 0.05
"""Probability, before anything is detected, that the capture is of another machine, or of none: common practice."""
CONTENDERS, FINALISTS = 8, 3
"""Kinds that are weighed at their own speed, and on their own law."""
SAME_SPEED_BINS = 0.5
"""Speeds closer than this, in bins of the capture, are one."""
SPEED_MARGIN = 1.5
"""Uncertainty of the speed over what the phases of the lines state: here their orders had to be guessed as well."""
MESH_STANDS, WITHOUT_MESH = 2.0, 0.3
"""Log odds below which the mesh is not detected; then one witness is left, and all weights count by this share only: on
captures without mesh the second comb alone was seen to mislead by so much."""
NEXT_COUNTS = (1, 2)
"""How far counts lie that differ from the best in high orders alone, which a law that is a little off smears: where the
mesh does not stand out, each is weighed on a law of its own."""
NARROW_MARGIN, MOST_WITHOUT_MESH = 40.0, 0.85
"""Log odds over the next counts below which, without a mesh, no count is claimed with more than that probability: right
answers without a mesh had 42 to 500 in captures of outside code (``python -m tests.studies.identify``), and so sure an
answer by one witness alone has been wrong by one lobe."""
BEST_PAIRS = 6
"""Speeds with their second step that go on to the second search, each apart from the others."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Kind:
    """A kind of machine, in plain orders of its input.

    ``step`` of its second comb; ``mesh``: for each count of equally spaced parts the lines that its mesh makes,
    harmonic by harmonic; ``log_prior`` before anything is detected.
    """

    step: float
    count: int
    mesh: Mapping[int, tuple[tuple[float, ...], ...]]
    log_prior: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class WeighedKind:
    """One kind with one count of parts at one speed: its probability, and what spoke for it in log odds."""

    kind: int
    parts: int
    speed_hz: float
    probability: float
    second_comb: float
    mesh: float
    arrangement: float


@dataclass(frozen=True, slots=True, kw_only=True)
class WeighedKinds:
    """Everything weighed, likeliest first; ``none``: probability that it is no kind that was asked for, or still.

    ``top_order``: highest order of the input that was measured.
    """

    weighed: tuple[WeighedKind, ...]
    none: float
    speed: SpeedEstimate
    top_order: float
    law: AngleLaw


@dataclass(frozen=True, slots=True)
class _Pair:
    """A speed, and the step of a second comb that goes with it."""

    speed_hz: float
    step: float
    odds: float


def identify(
    rows: Sequence[tuple[NDArray[np.float32], float]],
    kinds: Sequence[Kind],
    range_hz: tuple[float, float],
    *,
    pulses: tuple[AngleLaw, SpeedEstimate] | None = None,
) -> WeighedKinds | None:
    """Weighs all ``kinds`` at all speeds of the range.

    Args:
        rows: (samples (n,), sample rate [Hz]) of the usable vibration channels; gaps are bridged here.
        kinds: what the machine may be.
        range_hz: speeds of the input that may be.
        pulses: angle of the input and its speed from pulses, where there are any.

    Returns:
        None where the capture is too short, or reaches too few orders, to show anything.
    """
    law = None if pulses is None else pulses[0]
    duration = min(LONGEST_S, *(samples.size / rate for samples, rate in rows))
    clean = [(bridged(samples[: round(duration * rate)]), rate) for samples, rate in rows]
    if duration * range_hz[0] < FEWEST_TURNS or any(rate < 5.2 * range_hz[1] for _, rate in rows):
        return None
    lows = [low_passed(samples, rate, LOW_ORDER * range_hz[1]) for samples, rate in clean]
    if law is None:
        shape, searched = sharpest_ramp(lows, range_hz, LOW_ORDER), range_hz
    else:
        shape = AngleLaw(time_s=law.time_s, turns=law.turns / law.mean_hz)
        searched = (law.mean_hz * (1 - 1e-4), law.mean_hz * (1 + 1e-4))
    odds = line_likelihood([laid(item, shape) for item in lows], range_hz[1])
    pairs = _pairs(odds, searched, np.unique([round(kind.step, 9) for kind in kinds]))
    best = pairs[0]
    first = AngleLaw(time_s=shape.time_s, turns=shape.turns * best.speed_hz / shape.mean_hz)
    fine = None
    if law is None:
        fine = _refined(first, lows, best.step)
    exact = law if law is not None else first if fine is None else fine.law
    highs = [low_passed(samples, rate, min(TOP_ORDER * range_hz[1], 0.39 * rate)) for samples, rate in clean]
    tried = float(np.log(max(1.0, duration * (searched[1] - searched[0]) * FIRST_ORDERS)))
    lines_by_order = order_lines(highs, exact)
    ratios = [pair.speed_hz / best.speed_hz for pair in pairs]
    table = _Table(kinds, tried, 1.0 / duration)
    for ratio in ratios:
        table.weigh(in_place(lines_by_order.at_speed(exact.mean_hz * ratio)))
    relative = None if fine is None else fine.relative
    # A speed read from the whole orders alone may lie next to that of the second comb: each contender has its own.
    for speed, step in table.contenders(CONTENDERS, 1e-9):
        table.weigh(in_place(lines_by_order.at_speed(speed), step), step)
    close = table.contenders(FINALISTS, 1e-4)
    if law is None and (len(close) > 1 or close[0][1] != best.step):
        # A law refined with the wrong step bends towards it. Each finalist has its own.
        for speed, step in close:
            start = AngleLaw(time_s=exact.time_s, turns=exact.turns * speed / exact.mean_hz)
            own = _refined(start, lows, step)
            if own is not None:
                lines = order_lines(highs, own.law)
                if table.weigh(in_place(lines, step), step):
                    exact, relative = own.law, own.relative
    for step in table.next_steps():
        own = _refined(exact, lows, step) if law is None else None
        lines = lines_by_order if own is None else order_lines(highs, own.law)
        table.weigh(in_place(lines, step), step)
    return table.concluded(lines_by_order, exact, relative, None if pulses is None else pulses[1])


def _pairs(odds: LineLikelihood, range_hz: tuple[float, float], steps: Real) -> list[_Pair]:
    """Speeds at which two combs stand out, each with its best second step; best first, no two alike."""
    duration = odds.duration_s
    step_hz = 0.25 / (duration * FIRST_ORDERS)
    grid = np.arange(range_hz[0], range_hz[1] * float(steps.max()) + 2 * step_hz, step_hz)
    comb = odds.at(grid, np.arange(1.0, FIRST_ORDERS + 1.0)).sum(axis=0)
    speeds = grid[grid <= range_hz[1] + step_hz]
    both = np.stack([comb[: speeds.size] + np.interp(speeds * step, grid, comb) for step in steps])
    found: list[_Pair] = []
    # The grid is fine; what lies within a bin of the capture is the same speed.
    best = both.max(axis=0)
    for place in np.argsort(best)[::-1]:
        if all(abs(speeds[place] - other.speed_hz) > 0.5 / duration for other in found):
            pair = _Pair(float(speeds[place]), float(steps[both[:, place].argmax()]), float(best[place]))
            found.append(pair)
            if len(found) == BEST_PAIRS:
                break
    return found


def _refined(law: AngleLaw, lows: Sequence[Low], step: float) -> Refined | None:
    """The law corrected by the phases of both combs; None where they say nothing."""
    try:
        return refined(law, lows, _both(step, LOW_ORDER, APART_BINS / law.total_turns), SEGMENT_TURNS)
    except np.linalg.LinAlgError:
        # Lines that are not there, as of a wrong step, may leave equations without a solution.
        return None


def _both(step: float, top: float, apart: float) -> Real:
    """Orders of both combs up to ``top``, those of the second only where they are ``apart`` from the first."""
    whole = np.arange(1.0, top + 1e-9)
    second = np.arange(step, top, step)
    return np.sort(np.concatenate([whole, second[np.abs(second - np.rint(second)) > apart]]))


class _Table:
    """Log weights of kinds, arrangements and speeds; one weighed again keeps the better of its weights."""

    def __init__(self, kinds: Sequence[Kind], speeds_tried: float, bin_hz: float) -> None:
        self.kinds = kinds
        self.choices = sorted({parts for kind in kinds for parts in kind.mesh})
        self.speeds_tried, self.bin_hz = speeds_tried, bin_hz
        self.shafts: dict[int, float] = {}
        self.rows: dict[tuple[int, int, int], tuple[float, WeighedKind]] = {}

    def weigh(self, lines: OrderLines, only: float | None = None) -> bool:
        """All kinds, or those with ``only`` as their step, at one speed; whether one of them is now the best of all."""
        levels = level_db(lines)
        over = standing_out(levels)
        # Speeds closer than this are one.
        place = round(lines.mean_hz / (SAME_SPEED_BINS * self.bin_hz))
        shaft = COOLING * shaft_odds(lines) - self.speeds_tried
        self.shafts[place] = max(shaft, self.shafts.get(place, -np.inf))
        steps = {kind.step for kind in self.kinds} if only is None else {only}
        combs = {step: second_comb(lines, step) for step in steps}
        arranged = arrangement_odds(levels, self.choices)
        # Shape (choices, orders). What they show is the arrangement, not the kind.
        arranged_weights = COOLING * np.stack([arranged[parts] for parts in self.choices])
        arranged_weights -= logsumexp(arranged_weights, axis=0) - np.log(len(self.choices))
        before = max((weight for weight, _ in self.rows.values()), default=-np.inf)
        best = -np.inf
        for number, kind in enumerate(self.kinds):
            if kind.step not in steps:
                continue
            # Below the mesh lie the lines of the single parts.
            upto = max(0, min(kind.count - 3, arranged_weights.shape[1] - 1))
            for parts, arrangement in zip(self.choices, arranged_weights[:, upto].tolist(), strict=True):
                mesh = mesh_odds(over, kind.mesh[parts])
                total = kind.log_prior + shaft + COOLING * (combs[kind.step] + mesh) + arrangement
                best = max(best, total)
                key = (number, parts, place)
                if key not in self.rows or total > self.rows[key][0]:
                    one = WeighedKind(
                        kind=number, parts=parts, speed_hz=lines.mean_hz, probability=0.0,
                        second_comb=combs[kind.step], mesh=mesh, arrangement=arrangement,
                    )  # fmt: skip
                    self.rows[key] = (total, one)
        return best > before

    def contenders(self, most: int, least: float) -> list[tuple[float, float]]:
        """(Speed, step) of those that are not ruled out, likeliest first: at least ``least`` of the best's weight."""
        ranked = sorted(self.rows.values(), key=lambda row: -row[0])
        found: dict[tuple[float, float], None] = {}
        for weight, one in ranked:
            if weight < ranked[0][0] + np.log(least) or len(found) == most:
                break
            step = self.kinds[one.kind].step
            if not any(step == other and abs(speed - one.speed_hz) < self.bin_hz for speed, other in found):
                found[(one.speed_hz, step)] = None
        return list(found)

    def _next(self, one: WeighedKind) -> list[int]:
        """Kinds whose counts lie next to one."""
        count = self.kinds[one.kind].count
        return [number for number, kind in enumerate(self.kinds) if abs(kind.count - count) in NEXT_COUNTS]

    def next_steps(self) -> list[float]:
        """Second steps of the counts next to the best one, where its mesh does not stand out; else none."""
        _, best = max(self.rows.values(), key=lambda row: row[0])
        return [] if best.mesh >= MESH_STANDS else sorted({self.kinds[number].step for number in self._next(best)})

    def _capped(self, weighed: Sequence[WeighedKind], weights: Real) -> tuple[WeighedKind, ...]:
        """Without a mesh, and with a narrow margin, the best count's share beyond the cap goes to those next to it."""
        best, near = weighed[0], set(self._next(weighed[0]))
        rivals = [(float(w), one) for w, one in zip(weights, weighed, strict=True) if one.kind in near]
        share = sum(one.probability for one in weighed if one.kind == best.kind)
        margin = float(weights[0]) - max((weight for weight, _ in rivals), default=-np.inf)
        if best.mesh >= MESH_STANDS or margin >= NARROW_MARGIN or share <= MOST_WITHOUT_MESH or not rivals:
            return tuple(weighed)
        kept = MOST_WITHOUT_MESH / share
        first = {
            kind: next(one for _, one in rivals if one.kind == kind)
            for kind in dict.fromkeys(o.kind for _, o in rivals)
        }
        given = {id(one): (share - MOST_WITHOUT_MESH) / len(first) for one in first.values()}
        return tuple(
            replace(one, probability=one.probability * kept)
            if one.kind == best.kind
            else replace(one, probability=one.probability + given.get(id(one), 0.0))
            for one in weighed
        )

    def concluded(
        self, lines_by_order: OrderLines, law: AngleLaw, relative: float | None, pulsed: SpeedEstimate | None
    ) -> WeighedKinds:
        """Weights to probabilities."""
        none = float(logsumexp([0.0, *self.shafts.values()]) + np.log(NONE_OF_THESE))
        ranked = sorted(self.rows.values(), key=lambda row: -row[0])
        weights = np.array([weight for weight, _ in ranked])
        plain = weights
        if ranked[0][1].mesh < MESH_STANDS:
            none, weights = WITHOUT_MESH * none, WITHOUT_MESH * weights
        total = float(logsumexp([*weights, none]))
        shares = np.exp(weights - total).tolist()
        weighed = tuple(replace(one, probability=share) for (_, one), share in zip(ranked, shares, strict=True))
        weighed = self._capped(weighed, plain)
        best = weighed[0]
        spread = 0.25 / law.total_turns if relative is None else relative
        speed = pulsed or SpeedEstimate(
            input_hz=best.speed_hz,
            uncertainty_hz=best.speed_hz * max(SPEED_MARGIN * spread, LEAST_RELATIVE),
            method="signal",
            drift=law.drift,
        )
        return WeighedKinds(
            weighed=weighed, none=float(np.exp(none - total)), speed=speed,
            top_order=lines_by_order.top * lines_by_order.mean_hz / best.speed_hz, law=law,
        )  # fmt: skip
