"""Input speed from the vibration itself: many lines that the drive must make, all at once, within its range.

First the range is searched: with a steady speed, and along the path that the lines take if speed moves. Every speed is
weighed against all others and against noise; only one that stands alone is taken. ``phases.py`` then refines it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import fft
from scipy.ndimage import maximum_filter1d
from scipy.special import gammaincc, gammaln, logsumexp

from vibe.core.evidence import SpeedEstimate
from vibe.spectra.angle import AngleLaw
from vibe.spectra.bands import local_floor
from vibe.spectra.fft import fast_length
from vibe.spectra.phases import Low, laid, low_passed, refined

SEGMENT_TURNS = 24.0
"""Turns per segment in which speed is followed."""
MOST_ORDERS = 64.0
"""Lines above this order are left aside: speed wander smears them."""
CHANCE = 1e-3
"""Probability that there is no such machine, or that its speed lies elsewhere, at which a speed is still believed."""
APART = 0.004
"""Relative distance from which on a speed is another one."""
LEAST_HALF_RANGE = 0.03
"""Half width of speeds looked at, relative, at the least: a narrow range would leave no others to compare with."""
SEEN = 0.5
"""Probability that a line which a sound drive makes can be seen; common practice, as is the next."""
STRAY = 0.05
"""Probability that a line of something else stands where one is looked for."""
LOUDEST = 1e4
"""Surprise in natural units of the loudest lines; the prior of a line's loudness is even in its logarithm up to it."""
PRICE_OF_MOTION = (3.0, 7.0)
"""Log odds against a speed that changes smoothly (one capture in twenty) and against one that jumps (one in a
thousand); common practice."""
SMOOTH = ((0.0035, 0.25), (0.01, 1.0))
JUMPY = ((0.01, 1.0), (0.08, 3.0))
"""(Relative change of speed from one segment to the next, its price) for the two kinds of path. The least holds a ramp
of 5 % over 10 s at 24 turns a second; the smooth path may not jump, else a ramp turns into a hop to a near family."""
UNSURE = 1e-4
"""Relative uncertainty from which on the path itself is in doubt: ten seconds of steady lines leave a tenth of it."""
RAMPS = np.linspace(-0.06, 0.06, 97)
"""Relative changes of speed over a capture that are tried then."""
LONGEST_RAMP_S = 60.0
"""Over longer captures one ramp is no likely path, and every trial costs."""
LEAST_DRIFT = 2e-4
"""A tracked speed that moves less than this is steady."""
LEAST_RELATIVE = 3e-6
"""Standard uncertainty, relative, below which no machine's speed is steady enough to be stated."""
LINE_KNEE = 8.0
"""Power over the floor above which a line counts by its logarithm when speed is followed: one must not decide alone."""


def speed_from_signal(
    channels: Sequence[tuple[NDArray[np.float32], float]],
    range_hz: tuple[float, float],
    orders: Sequence[float],
) -> tuple[AngleLaw, SpeedEstimate] | None:
    """The angle law at which lines at ``orders`` stand out, and its mean speed with its standard uncertainty.

    Args:
        channels: (samples (n,), sample rate [Hz]), mean removed.
        range_hz: the search never leaves it.
        orders: orders of the input at which healthy lines lie; the lowest must be 1 or more for an absolute speed.

    Returns:
        None where no speed stands out. The uncertainty is the spread that the phases of the lines leave to the mean
        speed, misfit and the freedom of a wandering speed counted in (see ``phases.smoothed``). With a steady speed
        in white noise it comes near the Cramér-Rao bound (Rife & Boorstyn, IEEE Trans. IT 20, 1974).
    """
    duration = min(samples.size / rate for samples, rate in channels)
    high = range_hz[1]
    top = min(MOST_ORDERS, max(orders) * 1.02)
    used = np.array(sorted({round(o, 9) for o in orders if o <= top}))
    lows = [low_passed(samples, rate, 1.1 * top * high) for samples, rate in channels]
    used = used[used * high < min(item.top_hz for item in lows)]
    if used.size == 0:
        return None
    choices = [_best_of_range(lows, AngleLaw.steady(1.0, duration), range_hz, used)]
    for shape, price in _paths(lows, duration, range_hz, used):
        choice = _best_of_range(lows, shape, range_hz, used, price)
        # A jump must tell more than a smooth change does: a hop to a near family's lines does not.
        if len(choices) == 1 or choice.log_odds > choices[-1].log_odds:
            choices.append(choice)
    # Of a speed that jumps the steady law sees two that rival: it must stand alone before it is compared.
    alone = [choice for choice in choices if choice.log_odds > -np.log(CHANCE) and choice.elsewhere < CHANCE]
    if not alone:
        return None
    best = max(alone, key=lambda choice: choice.log_odds)
    fine = refined(best.law, lows, used, SEGMENT_TURNS)
    if (fine is None or fine.relative > UNSURE) and duration <= LONGEST_RAMP_S:
        # A path that hopped leaves the phases in disorder. Ramps are tried one by one: dear, and seldom needed.
        ramps = [_best_of_range(lows, shape, range_hz, used, PRICE_OF_MOTION[0]) for shape in _ramps(duration)]
        steepest = max(ramps, key=lambda choice: choice.log_odds)
        if steepest.elsewhere < CHANCE and steepest.log_odds > best.log_odds:
            best, fine = steepest, refined(steepest.law, lows, used, SEGMENT_TURNS)
    law = best.law if fine is None else fine.law
    # Without phases the speed is known to half a grid step of the lowest order.
    relative = 0.25 / law.total_turns if fine is None else fine.relative
    return law, SpeedEstimate(
        input_hz=law.mean_hz,
        uncertainty_hz=law.mean_hz * max(relative, LEAST_RELATIVE),
        method="signal",
        drift=law.drift,
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Choice:
    """The best mean speed for one shape of the angle law, and how it stands out of the others of the range."""

    law: AngleLaw
    log_odds: float
    """Of a machine that runs somewhere in the range against none."""
    elsewhere: float
    """Probability that its speed is another one."""


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
    grid = _grid(wide, duration, orders)
    powers = np.zeros((orders.size, grid.size))
    for item in lows:
        strength = _over_floor(laid(item, shape), 0.0, duration, high)
        powers += _at_lines(*strength, grid, orders)
    weight = log_likelihood_ratio(powers, len(lows)).sum(axis=0)
    inside = (grid >= low) & (grid <= high)
    if not inside.any():
        # The range is narrower than one step of the grid.
        inside[np.abs(grid - middle).argmin()] = True
    top = int(np.flatnonzero(inside)[weight[inside].argmax()])
    apart = np.abs(grid / grid[top] - 1) > max(APART, 1.5 / (duration * grid[top]))
    total = float(logsumexp(weight))
    elsewhere = float(np.exp(logsumexp(weight[apart]) - total)) if apart.any() else 0.0
    law = AngleLaw(time_s=shape.time_s, turns=shape.turns * float(grid[top]) / shape.mean_hz)
    return _Choice(law=law, log_odds=total - float(np.log(grid.size)) - price, elsewhere=elsewhere)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LineOdds:
    """Log likelihood ratio of "the machine may have a line here" at every place of a whole capture, steady speed taken.

    ``values`` (bins,), all channels together, ``bin_hz`` apart from zero. Made once, it serves any number of drives.
    """

    values: NDArray[np.float64]
    bin_hz: float
    duration_s: float

    def at(self, speeds_hz: NDArray[np.float64], orders: NDArray[np.float64]) -> NDArray[np.float64]:
        """Shape (orders, speeds); 0 beyond what was measured: it tells nothing."""
        places = np.arange(self.values.size)
        return np.interp(orders[:, None] * speeds_hz / self.bin_hz, places, self.values, right=0.0)

    def speeds_hz(self, range_hz: tuple[float, float], orders: NDArray[np.float64]) -> NDArray[np.float64]:
        """Speeds of a range, fine enough for the highest of ``orders``."""
        return _grid(range_hz, self.duration_s, orders)


def line_odds(lows: Sequence[Low], high_hz: float) -> LineOdds:
    """The ratio at all places that every channel reaches; ``high_hz`` is the highest speed of the input."""
    duration = min(item.samples.size / item.rate_hz for item in lows)
    total, bin_hz = power_over_floor(lows, high_hz)
    return LineOdds(values=log_likelihood_ratio(total, len(lows)), bin_hz=bin_hz, duration_s=duration)


def power_over_floor(lows: Sequence[Low], high_hz: float) -> tuple[NDArray[np.float64], float]:
    """Power over the local floor (bins,), summed over the channels, at all places that each reaches; the bin [Hz]."""
    duration = min(item.samples.size / item.rate_hz for item in lows)
    over = [_over_floor(item, 0.0, duration, high_hz) for item in lows]
    bin_hz = min(step for _, step in over)
    count = min(int((power.size - 1) * step / bin_hz) + 1 for power, step in over)
    places = np.arange(count) * bin_hz
    total = sum((np.interp(places / step, np.arange(power.size), power) for power, step in over), np.zeros(count))
    return total, bin_hz


def log_likelihood_ratio(power: NDArray[np.float64], channels: int) -> NDArray[np.float64]:
    """Of "the machine may have a line here" against "nothing of it is here", from powers over the floor.

    ``power`` is summed over ``channels``; of noise it is Gamma distributed, and its surprise u = -ln(tail) exponential.
    Lines of the machine are spread evenly over ln(1 + u), strays are fainter: 1 / (1 + u)². So an absent line costs a
    little, and a loud one brings only its logarithm: no single line decides.
    """
    with np.errstate(divide="ignore"):
        surprise = -np.log(gammaincc(channels, power))
    far = power > 300.0  # Beyond it the tail underflows: its leading term.
    surprise[far] = power[far] - (channels - 1) * np.log(power[far]) + gammaln(channels)
    noise, loud = -surprise, -np.log1p(surprise)
    own = np.logaddexp(np.log1p(-SEEN) + noise, np.log(SEEN / np.log1p(LOUDEST)) + loud)
    stray = np.logaddexp(np.log1p(-STRAY) + noise, np.log(STRAY) + 2 * loud)
    return np.asarray(own - stray)


def _grid(range_hz: tuple[float, float], duration: float, orders: NDArray[np.float64]) -> NDArray[np.float64]:
    """Speeds fine enough for the highest order."""
    step = 0.25 / (duration * float(orders.max()))
    return np.arange(range_hz[0], range_hz[1] + step, step)


def _over_floor(item: Low, start_s: float, length_s: float, high_hz: float) -> tuple[NDArray[np.float64], float]:
    """Power over the local floor of a Hann-windowed stretch, and the spacing of its bins [Hz]."""
    n = min(item.samples.size, round(length_s * item.rate_hz))
    a = min(int(start_s * item.rate_hz), item.samples.size - n)
    size = fast_length(2 * n)
    bin_hz = item.rate_hz / size
    power = np.abs(fft.rfft(item.samples[a : a + n] * np.hanning(n).astype(np.float32), size)) ** 2
    # Above its top a channel holds nothing, which is no floor.
    power = power[: max(16, int(item.top_hz / bin_hz))]
    return power / local_floor(power, max(32, round(12.0 * high_hz / bin_hz))), bin_hz


def _at_lines(
    strength: NDArray[np.float64], bin_hz: float, grid: NDArray[np.float64], orders: NDArray[np.float64]
) -> NDArray[np.float64]:
    """``strength`` (orders, speeds) where the lines of each speed would lie."""
    return np.interp(orders[:, None] * grid / bin_hz, np.arange(strength.size), strength, right=1.0)


def _paths(
    lows: Sequence[Low], duration: float, range_hz: tuple[float, float], orders: NDArray[np.float64]
) -> list[tuple[AngleLaw, float]]:
    """Shapes (mean 1 Hz) that a moving speed may have, and their price: a cubic, and the path as it was followed."""
    segment_s = min(duration, max(0.5, SEGMENT_TURNS / range_hz[0]))
    count = max(1, int(np.ceil((duration - segment_s) / (segment_s / 2) - 1e-9)) + 1)
    if count < 4:
        return []
    centres = np.linspace(segment_s / 2, duration - segment_s / 2, count)
    grid = _grid(range_hz, segment_s, orders)
    score = np.zeros((count, grid.size))
    for item in lows:
        for row, centre in enumerate(centres):
            power, bin_hz = _over_floor(item, centre - segment_s / 2, segment_s, range_hz[1])
            above = np.maximum(power, LINE_KNEE)
            tamed = np.where(power < LINE_KNEE, power, LINE_KNEE * (1 + np.log(above / LINE_KNEE)))
            score[row] += _at_lines(tamed, bin_hz, grid, orders).mean(axis=0) / len(lows)
    curve = np.polynomial.Polynomial.fit(centres, grid[_track(score, grid, SMOOTH)], min(3, count // 3))
    speeds = grid[_track(score, grid, JUMPY)]
    knots = np.concatenate([[0.0], centres, [duration]])
    held = np.concatenate([speeds[:1], speeds, speeds[-1:]])
    path = np.concatenate([[0.0], np.cumsum(np.diff(knots) * (held[1:] + held[:-1]) / 2)])
    shapes = []
    for turns, price in zip((curve.integ()(knots) - curve.integ()(0.0), path), PRICE_OF_MOTION, strict=True):
        if np.all(np.diff(turns) > 0):
            shape = AngleLaw(time_s=knots, turns=turns * duration / turns[-1])
            if shape.drift > LEAST_DRIFT:
                shapes.append((shape, price))
    return shapes


def _ramps(duration: float) -> list[AngleLaw]:
    """Speeds that rise or fall steadily, mean 1 Hz."""
    time_s = np.linspace(0.0, duration, 33)
    return [AngleLaw(time_s=time_s, turns=time_s + change * (time_s**2 / duration - time_s) / 2) for change in RAMPS]


def _track(
    score: NDArray[np.float64], grid: NDArray[np.float64], changes: Sequence[tuple[float, float]]
) -> NDArray[np.intp]:
    """The path of greatest total score (segments, speeds); changes cost the more, the larger they are."""
    step = max(grid[1] - grid[0], 1e-12) if grid.size > 1 else 1.0
    price = 0.5 * float(np.std(score))
    best = score[0].copy()
    back = np.zeros(score.shape, dtype=np.intp)
    for row in range(1, score.shape[0]):
        gained, origin = best.copy(), np.arange(grid.size)
        for change, times in changes:
            reach = max(1, int(change * grid.mean() / step))
            offered = maximum_filter1d(best, 2 * reach + 1, mode="nearest") - times * price
            for place in np.flatnonzero(offered > gained).tolist():
                a, b = max(0, place - reach), min(grid.size, place + reach + 1)
                origin[place] = a + int(best[a:b].argmax())
            gained = np.maximum(gained, offered)
        back[row] = origin
        best = score[row] + gained
    path = np.empty(score.shape[0], dtype=np.intp)
    path[-1] = int(best.argmax())
    for row in range(score.shape[0] - 1, 0, -1):
        path[row - 1] = back[row, path[row]]
    return path
