"""Input speed from the vibration itself: many lines that the drive must make, all at once, within its range."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import fft
from scipy.special import gammaincc

from vibe.core.evidence import SpeedEstimate
from vibe.spectra.angle import AngleLaw
from vibe.spectra.bands import local_floor
from vibe.spectra.fft import fast_length

SEGMENT_TURNS = 24.0
"""Turns per segment of the first, tracking pass."""
MOST_ORDERS = 64.0
"""Lines above this order are left to the refinement: speed wander smears them."""
CHANCE = 1e-3
"""Probability that noise alone brings the best speed of the range so much line power."""
MARGIN = 1.3
"""And its lead over the best of those that lie more than ``APART`` away."""
APART = 0.004
LEAST_HALF_RANGE = 0.03
"""Half width of speeds looked at, relative, at the least."""
LEAST_GAIN = 1.15
"""A moving speed must gather this much more than a steady one to be believed."""
PRICE_PER_FREEDOM = 3.0
"""Gain in summed log power that each further coefficient of a speed law must bring (some e-folds of likelihood)."""
SAFETY = 3.0
"""Factor on the Cramér-Rao bound: neighbouring lines pull, and speed is never quite a polynomial."""
LEAST_RELATIVE = 2e-5
SHAPE_ERROR = 0.01
"""Share of a drift by which a polynomial misses the mean speed (measured on simulated ramps of 0.5 to 5 %)."""
LEAST_DRIFT = 2e-4
"""A tracked speed that moves less than this is steady."""
PADDING = 4
"""A line between bins loses at most 0.1 dB."""
FLOOR_BEATS = (-8, -7, -6, -5, 5, 6, 7, 8)
"""Bins off a line, clear of its Hann main lobe, that give the floor beside it."""
LINE_KNEE = 8.0
"""Power over the floor above which a line counts by its logarithm: one loud line must not decide alone."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Low:
    """One channel, low-passed and thinned; above ``top_hz`` it holds nothing."""

    samples: NDArray[np.float32]
    rate_hz: float
    top_hz: float


def speed_from_signal(
    channels: Sequence[tuple[NDArray[np.float32], float]],
    range_hz: tuple[float, float],
    orders: Sequence[float],
) -> tuple[AngleLaw, SpeedEstimate] | None:
    """The angle law whose ``orders`` (lines that the machine must make) gather most power over the floor.

    Args:
        channels: (samples (n,), sample rate [Hz]), mean removed.
        range_hz: the search never leaves it.
        orders: orders of the input at which healthy lines lie; the lowest must be 1 or more for an absolute speed.

    Returns:
        None where no speed stands out. The uncertainty is the Cramér-Rao bound of the lines used (Rife & Boorstyn,
        IEEE Trans. IT 20, 1974) with a safety factor for wander within a segment.
    """
    duration = min(samples.size / rate for samples, rate in channels)
    low, high = range_hz
    top = min(MOST_ORDERS, max(orders) * 1.02)
    used = np.array(sorted({round(o, 9) for o in orders if o <= top}))
    lows = [_low_passed(samples, rate, 1.1 * top * high) for samples, rate in channels]
    used = used[used * high < min(item.top_hz for item in lows)]
    if used.size == 0:
        return None
    segment_s = min(duration, max(0.5, SEGMENT_TURNS / low))
    best = _best_of_range(lows, AngleLaw.steady(1.0, duration), range_hz, used)
    grid, score = _segment_scores(lows, segment_s, duration, range_hz, used)
    moving = _law_of(grid[_track(score, grid)], score.shape[0], segment_s, duration)
    if not moving.is_steady and moving.drift > LEAST_DRIFT:
        # The tracked shape, with its mean speed set free again.
        shape = AngleLaw(time_s=moving.time_s, turns=moving.turns / moving.mean_hz)
        followed = _best_of_range(lows, shape, range_hz, used)
        if followed.lead > LEAST_GAIN * best.lead:
            best = followed
    if best.chance > CHANCE or best.margin < MARGIN:
        return None
    law, information = _refined(best.law, lows, used, segment_s)
    missed = SHAPE_ERROR * law.drift * law.mean_hz
    sigma = float(np.sqrt(6.0 / max(information, 1e-9)) / (2 * np.pi * duration))
    return law, SpeedEstimate(
        input_hz=law.mean_hz,
        uncertainty_hz=float(np.hypot(max(SAFETY * sigma, LEAST_RELATIVE * law.mean_hz), missed)),
        method="signal",
        drift=law.drift,
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Choice:
    """The best mean speed for one shape of the angle law, and how it stands out of the others of the range."""

    law: AngleLaw
    lead: float
    margin: float
    chance: float
    """Probability that noise brings a score as high somewhere in the range."""


def _best_of_range(
    lows: Sequence[_Low], shape: AngleLaw, range_hz: tuple[float, float], orders: NDArray[np.float64]
) -> _Choice:
    """Scores of all mean speeds of the range, from transforms of the whole capture laid on ``shape`` (mean 1 Hz).

    The range is widened a little: a narrow one would leave no other speeds to compare with.
    """
    duration = shape.duration_s
    laid = lows if shape.is_steady else [_laid(item, shape) for item in lows]
    low, high = range_hz
    middle = (low + high) / 2
    wide = (min(low, middle * (1 - LEAST_HALF_RANGE)), max(high, middle * (1 + LEAST_HALF_RANGE)))
    grid, scores = _segment_scores(laid, duration, duration, wide, orders)
    score = scores[0]
    inside = (grid >= low) & (grid <= high)
    if not inside.any():
        # The range is narrower than one step of the grid.
        inside[np.abs(grid - middle).argmin()] = True
    top = int(np.flatnonzero(inside)[score[inside].argmax()])
    centre = float(np.median(score))
    # In noise each line's power over the floor is exponential, so m times their mean is Gamma(m) distributed.
    lines = orders.size * len(lows)
    places = max(1.0, (wide[1] - wide[0]) * duration * float(orders.max()))
    chance = min(1.0, places * float(gammaincc(lines, lines * float(score[top]))))
    apart = np.abs(grid / grid[top] - 1) > max(APART, 1.5 / (duration * grid[top]))
    lead = float(score[top]) - centre
    rival = float(score[apart].max()) - centre if apart.any() else 0.0
    law = AngleLaw(time_s=shape.time_s, turns=shape.turns * float(grid[top]) / shape.mean_hz)
    return _Choice(law=law, lead=lead, margin=lead / max(rival, 1e-9), chance=chance)


def _laid(item: _Low, shape: AngleLaw) -> _Low:
    """A channel on equal steps of angle instead of time, at the same mean rate."""
    n = item.samples.size
    turns = shape.at(np.arange(n) / item.rate_hz)
    even = np.linspace(turns[0], turns[-1], n)
    samples = np.interp(even, turns, item.samples).astype(np.float32)
    return _Low(samples=samples, rate_hz=item.rate_hz, top_hz=item.top_hz)


def _low_passed(samples: NDArray[np.float32], rate_hz: float, top_hz: float) -> _Low:
    """Everything below ``top_hz``, at just the rate it needs."""
    n = samples.size
    spectrum = fft.rfft(samples)
    keep = int(min(spectrum.size, np.ceil(top_hz * n / rate_hz) + 1))
    length = fast_length(int(2.6 * keep))
    thin = fft.irfft(spectrum[:keep], length) * np.float32(length / n)
    return _Low(samples=thin.astype(np.float32), rate_hz=length * rate_hz / n, top_hz=0.98 * (keep - 1) * rate_hz / n)


def _segment_scores(
    lows: Sequence[_Low], segment_s: float, duration: float, range_hz: tuple[float, float], orders: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Scores (segments, speeds) on a grid fine enough for the highest order."""
    step = 0.25 / (segment_s * float(orders.max()))
    grid = np.arange(range_hz[0], range_hz[1] + step, step)
    hops = max(1, int(np.ceil((duration - segment_s) / (segment_s / 2) - 1e-9)) + 1)
    starts = np.linspace(0.0, max(0.0, duration - segment_s), hops)
    total = np.zeros((hops, grid.size))
    for item in lows:
        n = min(item.samples.size, round(segment_s * item.rate_hz))
        taper = np.hanning(n).astype(np.float32)
        size = fast_length(2 * n)
        bin_hz = item.rate_hz / size
        for row, start in enumerate(starts):
            a = min(int(start * item.rate_hz), item.samples.size - n)
            power = np.abs(fft.rfft(item.samples[a : a + n] * taper, size)) ** 2
            # Above its top a channel holds nothing, which is no floor.
            power = power[: max(16, int(item.top_hz / bin_hz))]
            power = power / local_floor(power, max(32, round(12.0 * range_hz[1] / bin_hz)))
            above = np.maximum(power, LINE_KNEE)
            strength = np.where(power < LINE_KNEE, power, LINE_KNEE * (1 + np.log(above / LINE_KNEE)))
            index = np.arange(strength.size)
            for order in orders:
                total[row] += np.interp(order * grid / bin_hz, index, strength, right=1.0)
    return grid, total / (orders.size * len(lows))


def _track(score: NDArray[np.float64], grid: NDArray[np.float64]) -> NDArray[np.intp]:
    """The path of greatest total score whose speed changes by at most 1 % a segment (dynamic programming)."""
    reach = max(1, int(0.01 * grid.mean() / max(grid[1] - grid[0], 1e-12))) if grid.size > 1 else 1
    from scipy.ndimage import maximum_filter1d

    best = score[0].copy()
    back = np.zeros(score.shape, dtype=np.intp)
    penalty = 0.5 * float(np.std(score)) / reach
    for row in range(1, score.shape[0]):
        # A small price per step keeps the path straight where the signal does not say otherwise.
        moved = best.copy()
        origin = np.arange(grid.size)
        window = maximum_filter1d(best, 2 * reach + 1, mode="nearest")
        candidate = np.where(window - penalty * reach > moved, window - penalty * reach, moved)
        jump = candidate > moved
        for place in np.flatnonzero(jump).tolist():
            a, b = max(0, place - reach), min(grid.size, place + reach + 1)
            origin[place] = a + int(best[a:b].argmax())
        back[row] = origin
        best = score[row] + candidate
    path = np.empty(score.shape[0], dtype=np.intp)
    path[-1] = int(best.argmax())
    for row in range(score.shape[0] - 1, 0, -1):
        path[row - 1] = back[row, path[row]]
    return path


def _law_of(speeds: NDArray[np.float64], count: int, segment_s: float, duration: float) -> AngleLaw:
    """Segment speeds as a smooth angle law (a parabola in speed at most: finer motion is left to the refinement)."""
    if count < 4:
        return AngleLaw.steady(float(np.median(speeds)), duration)
    centres = np.linspace(segment_s / 2, duration - segment_s / 2, count)
    curve = np.polynomial.Polynomial.fit(centres, speeds, min(3, count // 3))
    knots = np.linspace(0.0, duration, count + 1)
    integral = curve.integ()
    return AngleLaw(time_s=knots, turns=integral(knots) - integral(0.0))


def _refined(
    law: AngleLaw, lows: Sequence[_Low], orders: NDArray[np.float64], segment_s: float
) -> tuple[AngleLaw, float]:
    """The law corrected by the phases of the lines themselves; and the information gathered.

    A line of order o turns o times per input turn, so a phase left over by p turns is an angle error of p / o; a
    higher order sees it finer, but only once the error is below half of its own turn: low orders come first. A
    correction is kept only when it gathers more line power than it costs in freedom and moves the mean speed by less
    than the capture resolves at order 1. The information is the sum of o² R over lines, R their power over the floor.
    """
    gathered, information = _gathered(law, lows, orders)
    start_hz, most_drift = law.mean_hz, max(0.01, 1.5 * law.drift)
    for reach in (1.5, 4.0, 12.0, 36.0, MOST_ORDERS):
        chosen = orders[orders <= reach]
        errors = _phase_errors(law, lows, chosen, segment_s) if chosen.size else None
        if errors is None:
            continue
        best, best_net = None, gathered
        for degree in (1, 2, 3, 5, 8):
            if degree > errors[0].size // 2:
                break
            trial = _corrected(law, *errors, degree)
            if trial is None or trial.drift > most_drift:
                continue
            if abs(trial.mean_hz - start_hz) > 0.75 / law.duration_s:
                continue
            power, content = _gathered(trial, lows, orders)
            net = power - PRICE_PER_FREEDOM * (degree - 1)
            if net > best_net:
                best, best_net, information = trial, net, content
        if best is not None:
            law, gathered = best, best_net
    return law, information


def _gathered(law: AngleLaw, lows: Sequence[_Low], orders: NDArray[np.float64]) -> tuple[float, float]:
    """Sum over lines of ln(1 + R), and of o² R, when the capture is laid on this law's angle."""
    power, information = 0.0, 0.0
    for item in lows:
        laid = _laid(item, AngleLaw(time_s=law.time_s, turns=law.turns / law.mean_hz))
        n = laid.samples.size
        size = fast_length(PADDING * n)
        spectrum = np.abs(fft.rfft(laid.samples * np.hanning(n).astype(np.float32), size)) ** 2
        bin_hz = laid.rate_hz / size
        places = np.round(orders * law.mean_hz / bin_hz).astype(int)
        beside = np.round(np.array(FLOOR_BEATS) * size / n).astype(int)
        inside = (places + beside[-1] < spectrum.size) & (places + beside[0] > 0)
        places = places[inside]
        floor = spectrum[places[:, None] + beside].mean(axis=1) + 1e-30
        ratio = spectrum[places] / floor
        power += float(np.log1p(ratio).sum())
        information += float((orders[inside] ** 2 * np.maximum(0.0, ratio - 1.0)).sum())
    return power, information


def _phase_errors(
    law: AngleLaw, lows: Sequence[_Low], orders: NDArray[np.float64], segment_s: float
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]] | None:
    """Instants, angle error [turns] there, from the phase steps of all lines, and its weight; None: no line seen."""
    duration = law.duration_s
    if duration < 1.5 * segment_s:
        return None  # Too short to tell one instant from the next.
    hops = max(3, int(duration / segment_s * 2))
    centres = np.linspace(segment_s / 2, duration - segment_s / 2, hops)
    numerator, weight = np.zeros(hops - 1), np.zeros(hops - 1)
    for item in lows:
        n = min(item.samples.size, round(segment_s * item.rate_hz))
        turns = law.at(np.arange(item.samples.size) / item.rate_hz)
        taper = np.hanning(n).astype(np.float32)
        starts = np.clip(((centres - segment_s / 2) * item.rate_hz).astype(int), 0, item.samples.size - n)
        beats = np.exp(2j * np.pi * np.arange(n)[:, None] / n * np.array(FLOOR_BEATS)).astype(np.complex64)
        for order in orders:
            turned = item.samples * np.exp(-2j * np.pi * np.mod(order * turns, 1.0)).astype(np.complex64)
            pieces = np.stack([turned[a : a + n] for a in starts]) * taper
            value = pieces.sum(axis=1)
            floor = np.mean(np.abs(pieces @ beats) ** 2, axis=1) + 1e-30
            strength = np.abs(value) ** 2 / floor
            step = np.angle(value[1:] * np.conj(value[:-1])) / (2 * np.pi)
            both = np.minimum(strength[1:], strength[:-1])
            gain = np.where(both > 6.0, both, 0.0) * order**2
            numerator += gain * step / order
            weight += gain
    good = weight > 0
    if good.sum() < max(2, 0.6 * good.size):
        return None
    rates = np.interp(np.arange(good.size), np.flatnonzero(good), numerator[good] / weight[good])
    offsets = np.concatenate([[0.0], np.cumsum(rates)])
    ends = np.concatenate([[weight[0]], weight])
    return centres, offsets, ends + 1e-3 * ends.max()


def _corrected(
    law: AngleLaw, times: NDArray[np.float64], offsets: NDArray[np.float64], weights: NDArray[np.float64], degree: int
) -> AngleLaw | None:
    """The law plus a polynomial of ``degree`` through the angle errors, held straight beyond the outer instants."""
    # With ``full`` a fit that the weights leave without hold is told by its rank instead of a warning.
    curve, (_, rank, _, _) = np.polynomial.Polynomial.fit(
        times, offsets, degree, w=np.sqrt(weights / weights.sum()), full=True
    )
    if rank <= degree:
        return None
    if degree == 1 and law.is_steady:
        ends = law.time_s
        turns = law.turns + curve(ends) - curve(0.0)
        return AngleLaw(time_s=ends, turns=turns) if turns[1] > turns[0] else None
    knots = np.linspace(law.time_s[0], law.time_s[-1], max(law.time_s.size, 4 * degree + 1, 9))
    inside = np.clip(knots, times[0], times[-1])
    shift = curve(inside) + curve.deriv()(inside) * (knots - inside)
    turns = law.at(knots) + shift - shift[0]
    return AngleLaw(time_s=knots, turns=turns) if np.all(np.diff(turns) > 0) else None
