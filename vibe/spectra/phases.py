"""The angle law read from the phases of many lines at once, with the uncertainty that they leave.

A line of order o turns o times per input turn, so an angle error of p turns shows as o p turns of its phase. The
capture is laid on the angle of a first law and cut into segments; in each, the lines' complex amplitudes are read.
All segments together tell the constant amplitude of each line, each segment the angle error left over. Both are least
squares, solved in turns (Gauss-Newton). Lines too close to be told apart within a segment are modelled together.

The law is smoothed as the integral of a speed that walks at random (the cubic smoothing spline; Wahba 1978). How
freely it walks is not chosen: every freedom counts by its likelihood, and so the uncertainty of the mean speed holds
both what the lines leave open and what speed may do between and beyond the segments.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import fft
from scipy.linalg import cho_factor, cho_solve

from vibe.spectra.angle import AngleLaw
from vibe.spectra.fft import fast_length

Real = NDArray[np.float64]
Complex = NDArray[np.complex128]

REACHES = (1.5, 4.0, 12.0, 36.0, 64.0)
"""Highest order of each pass: a higher one sees finer, but only once the error is below half of its own turn."""
ROUNDS = 4
"""Amplitudes and angle errors in turns; three bring the change below a tenth of the uncertainty."""
OVERLAP_SHARE = 0.75
"""Information left by half overlap of Hann segments: the noise of neighbours is correlated by 1/6 (1 / (1 + 2/6))."""
TOLD_APART = 2.0
"""Half a Hann main lobe, in bins: orders closer than this within a segment are one observation."""
SIDEBANDS = 1
"""Further lines modelled either side of one that has a close neighbour (see ``_with_neighbours``)."""
LEAST_APART = 1e-2
"""Two lines more alike than this over the whole capture share one amplitude."""
WANDER = 10.0 ** np.arange(-5.5, -0.9, 0.5)
"""Relative change of speed over the capture, r.m.s., if it walks at random: each of these is weighed."""
OFFSET = 0.01
"""Relative error of the mean speed at hand, r.m.s.: so large that it holds nothing back."""
RAMP = 0.01
"""Relative change of speed over the capture, r.m.s., of a steady rise or fall, where speed is not steady."""
FLOOR_BINS = np.concatenate([np.arange(-12, -3), np.arange(4, 13)])
"""Bins off a line, clear of its Hann main lobe, that give the floor beside it."""
MOST_SEGMENTS = 240
BEGINNINGS = (0, 1, -1)
"""Passes at which the correction may begin: the lowest orders, the next, all at once."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Low:
    """One channel, low-passed and thinned; above ``top_hz`` it holds nothing."""

    samples: NDArray[np.float32]
    rate_hz: float
    top_hz: float


def low_passed(samples: NDArray[np.float32], rate_hz: float, top_hz: float) -> Low:
    """Everything below ``top_hz``, at just the rate that interpolation needs."""
    n = samples.size
    spectrum = fft.rfft(samples)
    keep = int(min(spectrum.size, np.ceil(top_hz * n / rate_hz) + 1))
    length = fast_length(int(2.6 * keep))
    thin = fft.irfft(spectrum[:keep], length) * np.float32(length / n)
    return Low(samples=thin.astype(np.float32), rate_hz=length * rate_hz / n, top_hz=0.98 * (keep - 1) * rate_hz / n)


def laid(item: Low, law: AngleLaw) -> Low:
    """A channel on equal steps of the law's angle instead of time, at the same mean rate."""
    if law.is_steady:
        return item
    n = item.samples.size
    turns = law.at(np.arange(n) / item.rate_hz)
    even = law.turns[0] + np.arange(n) * (law.total_turns / n)
    samples = np.interp(even, turns, item.samples).astype(np.float32)
    return Low(samples=samples, rate_hz=item.rate_hz, top_hz=item.top_hz)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Refined:
    """The law, the standard uncertainty of its mean speed, relative, and by how much its lines' amplitudes hold."""

    law: AngleLaw
    relative: float
    explained: float
    """Sum over lines and segments of ln(power / power left unexplained)."""


def refined(law: AngleLaw, lows: Sequence[Low], orders: Real, segment_turns: float) -> Refined | None:
    """The ``law`` corrected by the phases of lines at ``orders``; None where they tell nothing.

    Low orders come first, unless the law is good enough, or low orders poor enough, to begin higher up: several
    beginnings are tried, and the one whose lines are explained best in the end is kept. The mean speed may move by
    less than the capture resolves at order 1.
    """
    best: Refined | None = None
    for first in BEGINNINGS:
        trial: Refined | None = None
        done = 0
        for reach in REACHES[first:]:
            chosen = orders[orders <= reach]
            if chosen.size > done:
                done = chosen.size
                step = _corrected(law if trial is None else trial.law, lows, chosen, segment_turns)
                if step is not None and abs(step.law.mean_hz - law.mean_hz) < 0.75 / law.duration_s:
                    trial = step
        if trial is not None and (best is None or trial.explained > best.explained):
            best = trial
    return best


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Seen:
    """Complex amplitudes (lines, segments) of one channel, the noise power of each line (lines,), and the response
    (lines, orders) of a line's place to every modelled order."""

    values: Complex
    noise: Real
    response: Real


def _corrected(law: AngleLaw, lows: Sequence[Low], orders: Real, segment_turns: float) -> Refined | None:
    """One pass: the law after ``ROUNDS`` Gauss-Newton steps; None where no line was seen or the steps had no hold."""
    total = law.total_turns
    span = min(segment_turns, total / 2)
    hops = int(np.clip(2 * total / span - 1, 3, MOST_SEGMENTS))
    centres = np.linspace(span / 2, total - span / 2, hops)
    places = _told_apart(orders, TOLD_APART / span)
    orders = _with_neighbours(orders, TOLD_APART / span)
    rows = [_seen(laid(item, law), total, centres, span, orders, places) for item in lows]
    start, end = float(law.time_s[0]), law.duration_s
    times = law.when(law.turns[0] + centres) - start
    # How far the law at hand has already left a straight line: what is smoothed is the whole way, not the last step.
    deviation = centres - law.mean_hz * times
    errors, smooth = np.zeros(hops), None
    noise = [row.noise for row in rows]
    for _ in range(ROUNDS):
        precision, pull = np.zeros((hops, hops)), np.zeros(hops)
        for k, row in enumerate(rows):
            turning = (orders - places[:, None])[:, None, :] * centres[:, None] + orders * errors[:, None]
            basis = row.response[:, None, :] * np.exp(2j * np.pi * turning)
            scale = 1.0 / np.sqrt(noise[k])[:, None]
            span_of, amplitudes = _amplitudes(basis * scale[:, :, None], row.values * scale)
            left = row.values - basis @ amplitudes
            slope = scale * (basis @ (2j * np.pi * orders * amplitudes))
            # What a change of angle and one of amplitudes would do alike tells nothing of the angle.
            shared = (np.conj(span_of) * slope[:, :, None]).sum(axis=0)
            precision += np.diag((np.abs(slope) ** 2).sum(axis=0)) - np.real(np.conj(shared) @ shared.T)
            pull += np.real(np.conj(slope) * scale * left).sum(axis=0)
            # What a line leaves unexplained is its noise, whether it is noise, a neighbour or a modulation.
            noise[k] = np.maximum(row.noise, np.mean(np.abs(left) ** 2, axis=1) * hops / max(1, hops - 2))
        told = 2 * OVERLAP_SHARE
        smooth = smoothed(
            times,
            told * precision,
            told * (pull + precision @ (deviation + errors)),
            duration_s=end,
            mean_hz=law.mean_hz,
        )
        if smooth is None:
            return None
        errors = smooth.values[1:-1] - deviation
        errors -= errors.mean()
    assert smooth is not None
    turns = law.turns[0] + law.mean_hz * smooth.time_s + smooth.values - smooth.values[0]
    if smooth.steady:
        ends = [0, -1]
        turns, time_s = turns[ends], smooth.time_s[ends]
    else:
        time_s = smooth.time_s
    if not np.all(np.diff(turns) > 0):  # Not a number either: the arithmetic had no hold.
        return None
    whole = [np.mean(np.abs(row.values) ** 2, axis=1) + row.noise for row in rows]
    explained = hops * float(sum(np.log(w / n).sum() for w, n in zip(whole, noise, strict=True)))
    law = AngleLaw(time_s=start + time_s, turns=turns)
    return Refined(law=law, relative=smooth.end_to_end / total, explained=explained)


def _amplitudes(basis: Complex, values: Complex) -> tuple[Complex, Complex]:
    """Least squares of ``values`` (lines, segments) on ``basis`` (lines, segments, orders): an orthonormal base of what
    the amplitudes can explain (lines, segments, rank), and the amplitudes (orders,)."""
    flat = basis.reshape(-1, basis.shape[-1])
    size = np.linalg.norm(flat, axis=0) + 1e-300
    left, strength, right = np.linalg.svd(flat / size, full_matrices=False)
    kept = strength > LEAST_APART * strength[0]
    left = left[:, kept]
    amplitudes = (np.conj(right[kept].T) @ ((np.conj(left.T) @ values.ravel()) / strength[kept])) / size
    return left.reshape(*basis.shape[:2], -1), amplitudes


def _told_apart(orders: Real, gap: float) -> Real:
    """Middles of groups of neighbouring ``orders`` (ascending) whose steps are below ``gap``."""
    groups = np.split(orders, np.flatnonzero(np.diff(orders) >= gap) + 1)
    return np.array([group.mean() for group in groups])


def _with_neighbours(orders: Real, gap: float) -> Real:
    """``orders`` (ascending), and beside each that has another closer than ``gap`` more at the same spacing.

    Two lines so close are the sidebands of a body that turns slowly, and seldom the only ones.
    """
    close = np.diff(orders)
    close = close[close < gap]
    if close.size == 0:
        return orders
    crowded = np.array([o for o in orders if np.count_nonzero(np.abs(orders - o) < gap) > 1])
    more = (crowded[:, None] + close.min() * np.arange(-SIDEBANDS, SIDEBANDS + 1)).ravel()
    return np.unique(np.round(np.concatenate([orders, more]), 9))


def _seen(item: Low, total: float, centres: Real, span: float, orders: Real, places: Real) -> _Seen:
    """Lines of a channel already laid on angle, ``total`` turns long."""
    per_turn = item.samples.size / total
    n = min(item.samples.size, round(span * per_turn))
    starts = np.clip(np.round((centres - span / 2) * per_turn).astype(int), 0, item.samples.size - n)
    taper = np.hanning(n)
    pieces = item.samples[starts[:, None] + np.arange(n)] * taper.astype(np.float32)
    # Phases count from the start of the capture; the response is real when they are taken at a segment's middle.
    local = (np.arange(n) - (n - 1) / 2) / per_turn
    waves = np.exp(-2j * np.pi * np.outer(local, places)).astype(np.complex64)
    middles = (starts + (n - 1) / 2) / per_turn
    values = (pieces @ waves).astype(np.complex128).T * np.exp(-2j * np.pi * np.outer(places, middles)) / taper.sum()
    spectrum = np.abs(fft.rfft(pieces, axis=1)) ** 2
    bins = np.round(places * n / per_turn).astype(int)
    beside = np.clip(bins[:, None] + FLOOR_BINS, 1, spectrum.shape[1] - 1)
    floor = np.median(spectrum[:, beside], axis=(0, 2)) / np.log(2.0) / taper.sum() ** 2
    response = np.cos(2 * np.pi * (orders - places[:, None])[:, :, None] * local) @ taper / taper.sum()
    return _Seen(values=values, noise=floor + 1e-30, response=response)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Smooth:
    """Smoothed ``values`` [turns] at ``time_s``: both ends and every instant measured; the standard uncertainty of
    last minus first; whether a steady speed is the likeliest."""

    time_s: Real
    values: Real
    end_to_end: float
    steady: bool


def smoothed(time_s: Real, precision: Real, pull: Real, *, duration_s: float, mean_hz: float) -> Smooth | None:
    """Turns off a straight line at ``time_s`` (n,), smoothed; laws of different freedom are averaged by likelihood.

    The measurement says that values v (n,) have the log likelihood ``pull`` · v - v · ``precision`` · v / 2.
    The laws: a steady speed; a ramp; a ramp and a speed that walks at random, more or less freely. The integral of
    such a walk has the covariance q s² (3 t - s) / 6 of instants s <= t; its mean is a cubic smoothing spline (Wahba,
    J. Royal Stat. Soc. B 40, 1978). All begin at zero. Returns None where nothing was measured, or too unevenly.
    """
    strength, vectors = np.linalg.eigh(precision)
    if not np.isfinite(strength[-1]) or not strength[-1] > 0:
        return None
    kept = strength > 1e-12 * strength[-1]
    # In these coordinates the measurement is of unit variance and uncorrelated.
    root = np.sqrt(strength[kept])[:, None] * vectors[:, kept].T
    white = (vectors[:, kept].T @ pull) / np.sqrt(strength[kept])
    knots = np.concatenate([[0.0], time_s, [duration_s]])
    x = knots / duration_s
    low, high = np.minimum.outer(x, x), np.maximum.outer(x, x)
    # Squares of turns, for one relative change of speed over the capture.
    unit = (mean_hz * duration_s) ** 2
    steady = OFFSET**2 * unit * np.outer(x, x)
    ramp = RAMP**2 * unit * np.outer(x**2, x**2) / 4
    walk = unit * low**2 * (3 * high - low) / 6
    likelihood, curves, variances = [], [], []
    for prior in [steady, steady + ramp, *(steady + ramp + change**2 * walk for change in WANDER)]:
        seen = prior[:, 1:-1] @ root.T
        try:
            factor = cho_factor(np.eye(white.size) + root @ seen[1:-1], lower=True)
        except np.linalg.LinAlgError:
            # Lines that are hardly there leave precisions so uneven that rounding spoils the sum.
            return None
        solved = cho_solve(factor, white)
        likelihood.append(-float(np.log(np.diag(factor[0])).sum()) - 0.5 * float(white @ solved))
        curves.append(seen @ solved)
        variances.append(float(prior[-1, -1] - seen[-1] @ cho_solve(factor, seen[-1])))
    share = np.exp(np.array(likelihood) - max(likelihood))
    share /= share.sum()
    ends = np.array([curve[-1] for curve in curves])
    spread = float(share @ (np.array(variances) + (ends - share @ ends) ** 2))
    still = bool(share[0] == share.max())
    values = curves[0] if still else np.asarray(share @ np.array(curves))
    return Smooth(time_s=knots, values=values, end_to_end=float(np.sqrt(max(spread, 0.0))), steady=still)
