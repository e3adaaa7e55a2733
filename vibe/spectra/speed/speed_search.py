"""Input speed from the vibration itself: many lines that the drive must make, all at once, within its range.

First the range is searched: with a steady speed, and along the path that the lines take if speed moves. Every speed is
weighed against all others and against noise; only one that stands alone is taken. ``phase_refinement.py`` then refines
it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vibe.core.evidence import LEAST_ALTERNATIVE, SpeedEstimate
from vibe.spectra.basic.angle_law import AngleLaw
from vibe.spectra.speed.law_choice import LawChoice, law_choice
from vibe.spectra.speed.line_likelihood import (
    log_likelihood_ratio,
    log_sum_exp,
    odds_of_lines,
    over_floor,
    speed_grid,
)
from vibe.spectra.speed.phase_refinement import Low, all_laid, low_passed, refined
from vibe.spectra.speed.ridge_tracking import PRICE_OF_MOTION, SEGMENT_TURNS, paths, steady_ramps

MOST_ORDERS = 64.0
"""Lines above this order are left out: speed variation smears them."""
CHANCE = 1e-3
"""Probability that there is no such machine, or that its speed lies elsewhere, at which a speed is still believed."""
APART, APART_BINS = 0.004, 1.5
"""Distance from which on a speed is another one: relative, and in what the capture resolves at order 1."""
LEAST_HALF_RANGE = 0.03
"""Half width of speeds looked at, relative, at the least: a narrow range would leave no others to compare with."""
QUICK_TURNS = 6.0
"""Turns per segment in which a speed is followed that nothing slower could: load cycles of a second or two."""
HOLDS = 1e-3
"""Relative uncertainty that the phases must leave to a speed that moves: a path that hops between a drive's families
lays no line on one place, and its mean is none (common practice)."""
RIVALS = 3
"""Places of the range that are tried against the mesh where none stands alone."""
MESH_BINS = 2.0
"""How far off, in bins, a mesh line above ``MOST_ORDERS`` may lie once the angle is known."""
UNSURE = 1e-4
"""Relative uncertainty from which on the path itself is in doubt: ten seconds of steady lines leave a tenth of it."""
COUNTS = 0.5
"""Share of the log odds of two speeds that is believed: lines of one machine come and go together, so that a dozen of
them are worth fewer independent ones (common practice)."""
LEAST_SHARE = 1e-4
"""Probability below which a speed is not mentioned."""
LONGEST_RAMP_S = 60.0
"""Over longer captures one ramp is no likely path, and every trial costs."""
LEAST_RELATIVE = 3e-6
"""Standard uncertainty, relative, below which no machine's speed is steady enough to be stated."""


def speed_from_signal(
    channels: Sequence[tuple[NDArray[np.float32], float]],
    range_hz: tuple[float, float],
    orders: Sequence[float],
    transforms: Sequence[NDArray[np.complex64] | None] | None = None,
    settled_hz: float | None = None,
) -> tuple[AngleLaw, SpeedEstimate] | None:
    """The angle law at which lines at ``orders`` stand out, and its mean speed with its standard uncertainty.

    Args:
        channels: (samples (n,), sample rate [Hz]), mean removed.
        range_hz: the search never leaves it.
        orders: orders of the input at which healthy lines lie; the lowest must be 1 or more for an absolute speed.
        transforms: of the channels, where they are there already.
        settled_hz: of several speeds that the lines allow, the one that something else has settled.

    Returns:
        None where no speed stands out. The uncertainty is the spread that the phases of the lines leave to the mean
        speed, misfit and the freedom of a varying speed counted in (``speed_variation.smoothed``). With a steady speed
        in white noise it comes near the Cramér-Rao bound (Rife & Boorstyn, IEEE Trans. IT 20, 1974).
    """
    duration = min(samples.size / rate for samples, rate in channels)
    high = range_hz[1]
    top = min(MOST_ORDERS, max(orders) * 1.02)
    used = np.array(sorted({round(o, 9) for o in orders if o <= top}))
    ready = transforms if transforms is not None else [None] * len(channels)
    lows = [
        low_passed(samples, rate, 1.1 * top * high, transform)
        for (samples, rate), transform in zip(channels, ready, strict=True)
    ]
    used = used[used * high < min(item.top_hz for item in lows)]
    if used.size == 0:
        return None
    most_elsewhere = CHANCE
    if settled_hz is not None:  # Then no other place of the range is asked.
        near = max(APART, APART_BINS / (duration * settled_hz))
        range_hz = (max(range_hz[0], settled_hz * (1 - near)), min(range_hz[1], settled_hz * (1 + near)))
        most_elsewhere = 1.0
    choices = [_best_of_range(lows, AngleLaw.steady(1.0, duration), range_hz, used)]
    for shape, price in paths(lows, duration, range_hz, used):
        choice = _best_of_range(lows, shape, range_hz, used, price)
        if _of_two(choices[0], choice):
            continue
        # A jump must show more than a smooth change does: a hop to a near family's lines does not.
        if len(choices) == 1 or choice.log_odds > choices[-1].log_odds:
            choices.append(choice)
    # Of a speed that jumps the steady law sees two that rival: it must stand alone before it is compared.
    alone = [choice for choice in choices if choice.log_odds > -np.log(CHANCE) and choice.elsewhere < most_elsewhere]
    if not alone:
        settled = _by_mesh(channels, max(choices, key=lambda choice: choice.log_odds), lows, used, orders)
        alone = [settled] if settled is not None else []
    best, taken = _followed(alone, lows, used, SEGMENT_TURNS, settled_hz)
    if (best is None or not _holds(best, taken)) and duration <= LONGEST_RAMP_S:
        # Speed that comes and goes with a load cycle: followed in short pieces, dear, and seldom needed.
        alone = []
        for shape, price in paths(lows, duration, range_hz, used, segment_turns=QUICK_TURNS, least_s=0.1):
            choice = _best_of_range(lows, shape, range_hz, used, price)
            if _of_two(choices[0], choice):
                continue
            choices.append(choice)
            if choice.log_odds > -np.log(CHANCE) and choice.elsewhere < most_elsewhere:
                alone.append(choice)
        best, taken = _followed(alone, lows, used, QUICK_TURNS, settled_hz)
    if best is None or not _holds(best, taken):
        return None
    law = best.law if taken is None else taken.fine.law
    # Without phases the speed is known to half a grid step of the lowest order.
    relative = 0.25 / law.total_turns if taken is None else taken.fine.relative
    return law, SpeedEstimate(
        input_hz=law.mean_hz,
        uncertainty_hz=law.mean_hz * max(relative, LEAST_RELATIVE),
        method="signal",
        drift=law.drift,
        alternatives=_alternatives(best, law.mean_hz, () if taken is None else taken.others),
        followed_otherwise=_followed_otherwise(choices, best, law),
    )


def _of_two(steady: _Choice, moving: _Choice) -> bool:
    """Whether two speeds that hold, apart from one another, each explain more than one that moves: those are two
    machines, and the path goes over from one to the other. One machine whose speed jumps is at each for a while."""
    return len(steady.rivals) > 1 and bool(moving.rivals) and steady.rivals[1][1] > moving.rivals[0][1]


def _followed_otherwise(choices: Sequence[_Choice], best: _Choice, law: AngleLaw) -> tuple[tuple[float, float], ...]:
    """(mean speed, odds over that of ``law``, to which ``best`` came) of the best places of the other ``choices``,
    apart from one another: a path that hopped is as likely as a steady speed, and its mean is none."""
    unresolved, found = 0.25 / law.total_turns, [(law.mean_hz, 1.0)]
    for choice in sorted(choices, key=lambda one: -one.log_odds):
        hz = choice.law.mean_hz
        odds = float(np.exp(np.clip(COUNTS * (choice.log_odds - best.log_odds), -50.0, 50.0)))
        if odds > LEAST_ALTERNATIVE and all(abs(hz / other - 1) > unresolved for other, _ in found):
            found.append((hz, odds))
    return tuple(found[1:])


def _followed(
    alone: Sequence[_Choice],
    lows: Sequence[Low],
    used: NDArray[np.float64],
    segment_turns: float,
    settled_hz: float | None = None,
) -> tuple[_Choice | None, LawChoice | None]:
    """The likeliest of the choices that stand alone, and its law refined by phases."""
    if not alone:
        return None, None
    best = max(alone, key=lambda choice: choice.log_odds)
    taken = _taken(best, lows, used, segment_turns, settled_hz)
    duration = best.law.duration_s
    unsure = taken is None or taken.in_doubt or taken.fine.relative > UNSURE
    if unsure and duration <= LONGEST_RAMP_S and segment_turns == SEGMENT_TURNS:
        # A path that hopped leaves the phases in disorder. Ramps are tried one by one: dear, and seldom needed.
        tried = [
            _best_of_range(lows, shape, best.range_hz, used, PRICE_OF_MOTION[0]) for shape in steady_ramps(duration)
        ]
        steepest = max(tried, key=lambda choice: choice.log_odds)
        if steepest.elsewhere < CHANCE and steepest.log_odds > best.log_odds:
            best, taken = steepest, _taken(steepest, lows, used, SEGMENT_TURNS, settled_hz)
    return best, taken


def _taken(
    choice: _Choice, lows: Sequence[Low], used: NDArray[np.float64], segment_turns: float, settled_hz: float | None
) -> LawChoice | None:
    return law_choice(
        choice.law, lows, used, segment_turns,
        unresolved=_unresolved(choice.law), range_hz=choice.range_hz, settled_hz=settled_hz,
    )  # fmt: skip


def _unresolved(law: AngleLaw) -> float:
    """Relative distance within which the lines of another speed are not distinguished by their places."""
    return max(APART, APART_BINS / law.total_turns)


def _holds(choice: _Choice, taken: LawChoice | None) -> bool:
    """Whether the phases bear out a speed that moves."""
    return choice.law.is_steady or (taken is not None and taken.fine.relative <= HOLDS)


def rivals_in_signal(
    channels: Sequence[tuple[NDArray[np.float32], float]], range_hz: tuple[float, float], orders: Sequence[float]
) -> tuple[tuple[float, float], ...]:
    """(speed [Hz], probability) of the places of the range that the lines support, where none stands alone; what is
    missing to 1 is left to any other. Arguments as of ``speed_from_signal``."""
    duration = min(samples.size / rate for samples, rate in channels)
    top = min(MOST_ORDERS, max(orders) * 1.02)
    used = np.array(sorted({round(o, 9) for o in orders if o <= top}))
    lows = [low_passed(samples, rate, 1.1 * top * range_hz[1]) for samples, rate in channels]
    used = used[used * range_hz[1] < min(item.top_hz for item in lows)]
    if used.size == 0:
        return ()
    choice = _best_of_range(lows, AngleLaw.steady(1.0, duration), range_hz, used)
    any_speed = float(1.0 / (1.0 + np.exp(-np.clip(COUNTS * choice.log_odds, -50.0, 50.0))))
    return tuple((hz, any_speed * chance) for hz, chance in _shares(choice.rivals))


def _alternatives(
    choice: _Choice, mean_hz: float, others: Sequence[tuple[float, float]] = ()
) -> tuple[tuple[float, float], ...]:
    """All places of a choice with their probabilities, the speed that was taken first, at its refined value; its own
    place is shared out among that and the ``others``, (speed, log weight less its own), to which phases came."""
    places = _shares(choice.rivals)
    own = places[0][1] if places else 1.0
    near = dict(_shares([(mean_hz, 0.0), *others]))
    first = near.pop(mean_hz, 0.0)
    further = [*((hz, own * chance) for hz, chance in near.items()), *places[1:]]
    return ((mean_hz, own * first), *((hz, chance) for hz, chance in further if chance >= LEAST_SHARE))


def _shares(rivals: Sequence[tuple[float, float]]) -> list[tuple[float, float]]:
    """(speed, probability), the likeliest first, from (speed, log weight)."""
    if not rivals:
        return []
    ordered = sorted(rivals, key=lambda rival: -rival[1])
    weights = np.array([COUNTS * (weight - ordered[0][1]) for _, weight in ordered])
    shares = np.exp(weights - log_sum_exp(weights))
    shares[shares < LEAST_SHARE] = 0.0
    shares /= shares.sum()
    return [(hz, float(share)) for (hz, _), share in zip(ordered, shares, strict=True) if share > 0]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Choice:
    """The best mean speed for one shape of the angle law, and how it stands out of the others of the range."""

    law: AngleLaw
    log_odds: float
    """Of a machine that runs somewhere in the range against none."""
    elsewhere: float
    """Probability that its speed is another one."""
    range_hz: tuple[float, float]
    """Where it was looked for."""
    rivals: tuple[tuple[float, float], ...] = ()
    """(speed, log weight) of the best places of the range, apart from one another."""


def _by_mesh(
    channels: Sequence[tuple[NDArray[np.float32], float]],
    choice: _Choice,
    lows: Sequence[Low],
    used: NDArray[np.float64],
    orders: Sequence[float],
) -> _Choice | None:
    """Of places that rival one another the one whose mesh lines, above the orders that a varying speed leaves sharp,
    stand on the angle law that the low ones give. One law fits aliases alike, so it costs one look for each."""
    high = np.array([order for order in orders if order > used[-1]])
    if high.size == 0 or choice.log_odds <= -np.log(CHANCE) or len(choice.rivals) < 2:
        return None
    top_hz = 1.05 * float(high[-1]) * max(speed for speed, _ in choice.rivals)
    wide = [low_passed(samples, rate, top_hz) for samples, rate in channels]
    weights, laws = [], []
    for speed, weight in choice.rivals:
        law = AngleLaw(time_s=choice.law.time_s, turns=choice.law.turns * (speed / choice.law.mean_hz))
        fine = refined(law, lows, used, SEGMENT_TURNS)
        law = law if fine is None else fine.law
        total = np.zeros(high.size)
        for item in all_laid(wide, law):
            strength, bin_hz = over_floor(item, np.zeros(1), law.duration_s, law.mean_hz)
            middles = np.rint(high * law.mean_hz / bin_hz).astype(int)
            for row, middle in enumerate(middles):
                reach = int(2 * MESH_BINS)  # Bins are half as wide as the capture resolves.
                near = strength[0, max(0, middle - reach) : middle + reach + 1]
                total[row] += float(near.max()) - np.log(2 * MESH_BINS + 1) if near.size else 1.0
        weights.append(weight + float(log_likelihood_ratio(np.maximum(total, 0.0), len(wide)).sum()))
        laws.append(law)
    order = np.argsort(weights)[::-1]
    if weights[order[0]] - weights[order[1]] < -np.log(CHANCE):
        return None
    law = laws[int(order[0])]
    return _Choice(
        law=law,
        range_hz=choice.range_hz,
        log_odds=choice.log_odds,
        elsewhere=float(np.exp(weights[order[1]] - weights[order[0]])),
        rivals=tuple((laws[k].mean_hz, weights[k]) for k in order),
    )


def _best_of_range(
    lows: Sequence[Low],
    shape: AngleLaw,
    range_hz: tuple[float, float],
    orders: NDArray[np.float64],
    price: float = 0.0,
) -> _Choice:
    """All mean speeds of the range weighed, from transforms of the whole capture laid on ``shape`` (mean 1 Hz).

    ``price``: log odds against such a shape, before anything is seen.
    """
    duration = shape.duration_s
    low, high = range_hz
    middle = (low + high) / 2
    wide = (min(low, middle * (1 - LEAST_HALF_RANGE)), max(high, middle * (1 + LEAST_HALF_RANGE)))
    grid = speed_grid(wide, duration, orders)
    weight = odds_of_lines(lows, shape, grid, orders, high).sum(axis=0)
    inside = (grid >= low) & (grid <= high)
    if not inside.any():
        # The range is narrower than one step of the grid.
        inside[np.abs(grid - middle).argmin()] = True
    top = int(np.flatnonzero(inside)[weight[inside].argmax()])
    apart = np.abs(grid / grid[top] - 1) > max(APART, APART_BINS / (duration * grid[top]))
    total = log_sum_exp(weight)
    elsewhere = float(np.exp(log_sum_exp(weight[apart]) - total)) if apart.any() else 0.0
    law = AngleLaw(time_s=shape.time_s, turns=shape.turns * float(grid[top]) / shape.mean_hz)
    left, rivals = np.where(inside, weight, -np.inf), []
    for _ in range(RIVALS):
        spot = int(left.argmax())
        if not np.isfinite(left[spot]):
            break
        rivals.append((float(grid[spot]), float(left[spot])))
        left[np.abs(grid / grid[spot] - 1) <= max(APART, APART_BINS / (duration * grid[spot]))] = -np.inf
    return _Choice(
        law=law, range_hz=range_hz, log_odds=total - float(np.log(grid.size)) - price, elsewhere=elsewhere,
        rivals=tuple(rivals),
    )  # fmt: skip
