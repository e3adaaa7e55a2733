"""The angle law read from the phases of many lines at once, with the uncertainty that they leave.

A line of order o turns o times per input turn, so an angle error of p turns shows as o p turns of its phase. The
capture is laid on the angle of a first law and cut into segments; in each, the lines' complex amplitudes are read.
All segments together give the constant amplitude of each line, each segment the angle error left over. Both are least
squares, solved in turns (Gauss-Newton). Lines too close to be distinguished within a segment are modelled together.

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

from vibe.spectra.basic.angle_law import AngleLaw
from vibe.spectra.basic.fft import fast_length, hann, quick_near, unpadded_transform_of
from vibe.spectra.speed.speed_variation import SmoothedTurns, all_smoothed, speed_priors

Real = NDArray[np.float64]
Complex = NDArray[np.complex128]

REACHES = (1.5, 4.0, 12.0, 36.0, 64.0)
"""Highest order of each pass: a higher one sees finer, but only once the error is below half of its own turn."""
ROUNDS = 4
"""Amplitudes and angle errors in turns; three bring the change below a tenth of the uncertainty."""
OVERLAP_SHARE = 0.75
"""Information left by half overlap of Hann segments: the noise of neighbours is correlated by 1/6 (1 / (1 + 2/6))."""
SEPARATE_BINS = 2.0
"""Half a Hann main lobe, in bins: orders closer than this within a segment are one observation."""
SIDEBANDS = 1
"""Further lines modelled either side of one that has a close neighbour (see ``_with_neighbours``)."""
LEAST_APART = 1e-2
"""Two lines more alike than this over the whole capture share one amplitude."""
FLOOR_BINS = np.concatenate([np.arange(-12, -3), np.arange(4, 13)])
"""Bins off a line, clear of its Hann main lobe, that give the floor next to it."""
MOST_SEGMENTS = 240
"""Bounds the work; a correction that bends more often is jitter (our choice)."""
FEW_SEGMENTS = 64
"""Up to which several laws are corrected together; the matrices of more keep a processor busy by themselves."""
BEGINNINGS = (0, 1, -1)
"""Passes at which the correction may begin: the lowest orders, the next, all at once."""
LEAST_OFF = 1e-3
"""Share of a segment by which it may be shorter or longer than whole turns, if that makes its transform several times
as quick: of 24 turns the shaft's fourth line then lies a tenth of a bin off the middle of one."""
SAME = 0.02
"""Turns of the highest line between two laws that a pass brings to one: phases less than 8 degrees apart."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Low:
    """One channel, low-passed and thinned; above ``top_hz`` it holds nothing."""

    samples: NDArray[np.float32]
    rate_hz: float
    top_hz: float


def low_passed(
    samples: NDArray[np.float32], rate_hz: float, top_hz: float, spectrum: NDArray[np.complex64] | None = None
) -> Low:
    """Everything below ``top_hz``, at just the rate that interpolation needs; ``spectrum`` is the samples' transform
    where it is there already."""
    n = samples.size
    own = spectrum if spectrum is not None and spectrum.size == n // 2 + 1 else unpadded_transform_of(samples)
    keep = int(min(own.size, np.ceil(top_hz * n / rate_hz) + 1))
    length = fast_length(int(2.6 * keep))
    thin = fft.irfft(own[:keep], length) * np.float32(length / n)
    return Low(samples=thin.astype(np.float32), rate_hz=length * rate_hz / n, top_hz=0.98 * (keep - 1) * rate_hz / n)


def laid(item: Low, law: AngleLaw) -> Low:
    """A channel on equal steps of the law's angle instead of time, at the same mean rate."""
    return all_laid([item], law)[0]


def _laid(item: Low, law: AngleLaw, turns: Real) -> Low:
    n = item.samples.size
    even = law.turns[0] + np.arange(n) * (law.total_turns / n)
    samples = np.interp(even, turns, item.samples).astype(np.float32)
    return Low(samples=samples, rate_hz=item.rate_hz, top_hz=item.top_hz)


def all_laid(lows: Sequence[Low], law: AngleLaw) -> list[Low]:
    """:func:`laid` for channels that mostly share one rate and length, and then its work."""
    if law.is_steady:
        return list(lows)
    turns: dict[tuple[int, float], Real] = {}
    found = []
    for item in lows:
        kind = (item.samples.size, item.rate_hz)
        if kind not in turns:
            turns[kind] = law.at(np.arange(kind[0]) / item.rate_hz)
        found.append(_laid(item, law, turns[kind]))
    return found


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Refined:
    """The law, the standard uncertainty of its mean speed, relative, and by how much its lines' amplitudes hold."""

    law: AngleLaw
    relative: float
    explained: float
    """Sum over lines and segments of ln(power / power left unexplained)."""


def refined(law: AngleLaw, lows: Sequence[Low], orders: Real, segment_turns: float) -> Refined | None:
    """The ``law`` corrected by the phases of lines at ``orders``, the best of ``refinements``; None where they say
    nothing."""
    return next(iter(refinements(law, lows, orders, segment_turns)), None)


def refinements(law: AngleLaw, lows: Sequence[Low], orders: Real, segment_turns: float) -> list[Refined]:
    """All laws to which the phases of lines at ``orders`` correct the ``law``, those first whose lines are explained
    best; none where they say nothing.

    Low orders come first, unless the law is good enough, or low orders poor enough, to begin higher up: several
    beginnings are tried. Those that have come to the same law go on as one. The mean speed may move by less than the
    capture resolves at order 1.
    """
    return all_refinements([law], lows, orders, segment_turns)[0]


def all_refinements(
    laws: Sequence[AngleLaw], lows: Sequence[Low], orders: Real, segment_turns: float
) -> list[list[Refined]]:
    """:func:`refinements` of each of ``laws``, their passes worked through side by side."""
    counts = [int(np.count_nonzero(orders <= reach)) for reach in REACHES]
    # A beginning without a line of its own begins with the first that there is.
    begin_at = {next((count for count in counts[first:] if count), 0) for first in BEGINNINGS}
    ways: list[list[Refined | AngleLaw]] = [[] for _ in laws]
    for count in sorted(set(counts) - {0}):
        chosen = orders[:count]
        begun = [[*own, law] if count in begin_at else own for law, own in zip(laws, ways, strict=True)]
        ways = [_parted(own, float(chosen[-1])) for own in begun]
        steps = iter(_corrected([_law_of(way) for own in ways for way in own], lows, chosen, segment_turns))
        ways = [[_next(way, next(steps), law) for way in own] for law, own in zip(laws, ways, strict=True)]
    ends = [[way for way in own if isinstance(way, Refined)] for own in ways]
    return [sorted(own, key=lambda way: -way.explained) for own in ends]


def _next(way: Refined | AngleLaw, step: Refined | None, law: AngleLaw) -> Refined | AngleLaw:
    """What a pass made of a ``way`` that began at ``law``: no ``step`` may lead farther than the capture resolves."""
    holds = step is not None and abs(step.law.mean_hz - law.mean_hz) < 0.75 / law.duration_s
    return step if step is not None and holds else way


def _law_of(way: Refined | AngleLaw) -> AngleLaw:
    return way.law if isinstance(way, Refined) else way


def _parted(ways: Sequence[Refined | AngleLaw], top_order: float) -> list[Refined | AngleLaw]:
    """``ways`` without those that lie within ``SAME`` turns of the line at ``top_order`` of an earlier one."""
    if len(ways) == 1:
        return list(ways)
    kept: list[Refined | AngleLaw] = []
    for way in ways:
        law = _law_of(way)
        time = np.linspace(law.time_s[0], law.time_s[-1], 2 * MOST_SEGMENTS)
        turns = law.at(time)
        # Where turns are counted from is left to the amplitudes.
        if all(np.ptp(turns - _law_of(other).at(time)) * top_order > SAME for other in kept):
            kept.append(way)
    return kept


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Seen:
    """What was read of lines in every segment, on each of some laws: complex amplitudes (laws, channels, lines,
    segments), each turned back by as much as its place turns until the middle of the segment; the noise power of each
    line (laws, channels, lines); and the response (laws, channels, lines, orders) of a line's place to every modelled
    order."""

    values: Complex
    noise: Real
    response: Real


def _corrected(
    laws: Sequence[AngleLaw], lows: Sequence[Low], orders: Real, segment_turns: float
) -> list[Refined | None]:
    """One pass: each law after ``ROUNDS`` Gauss-Newton steps; None where no line was seen or the steps had no hold.
    Laws with as many segments go through it together: most arrays are so small that the number of calls counts."""
    together: dict[tuple[float, int, int], list[int]] = {}
    for number, law in enumerate(laws):
        span = min(segment_turns, law.total_turns / 2)
        hops = int(np.clip(2 * law.total_turns / span - 1, 3, MOST_SEGMENTS))
        together.setdefault((span, hops, number if hops > FEW_SEGMENTS else -1), []).append(number)
    found: list[Refined | None] = [None] * len(laws)
    for (span, hops, _), numbers in together.items():
        some = _corrected_alike([laws[number] for number in numbers], lows, orders, span, hops)
        for number, one in zip(numbers, some, strict=True):
            found[number] = one
    return found


def _corrected_alike(
    laws: Sequence[AngleLaw], lows: Sequence[Low], orders: Real, span: float, hops: int
) -> list[Refined | None]:
    """The pass for laws that have all ``hops`` segments of ``span`` turns."""
    places, modelled = _separated(orders, SEPARATE_BINS / span), _with_neighbours(orders, SEPARATE_BINS / span)
    centres = np.stack([np.linspace(span / 2, law.total_turns - span / 2, hops) for law in laws])
    seen = _seen_of(laws, lows, centres, span, modelled, places)
    times = np.stack([law.when(law.turns[0] + own) - law.time_s[0] for law, own in zip(laws, centres, strict=True)])
    # How far the law at hand has already left a straight line: what is smoothed is the whole way, not the last step.
    deviation = centres - np.array([[law.mean_hz] for law in laws]) * times
    errors, noise, smooth = np.zeros(centres.shape), seen.noise, []
    priors = [
        speed_priors(own, duration_s=law.duration_s, mean_hz=law.mean_hz) for law, own in zip(laws, times, strict=True)
    ]
    information = 2 * OVERLAP_SHARE
    for _ in range(ROUNDS):
        turning = np.exp(2j * np.pi * (centres + errors)[:, :, None] * modelled)
        precision, pull, left = _step(seen, noise, turning, modelled)
        # What a line leaves unexplained is its noise, whether it is noise, a neighbour or a modulation.
        noise = np.maximum(seen.noise, left * (hops / max(1, hops - 2)))
        pull += (precision @ (deviation + errors)[:, :, None])[:, :, 0]
        smooth = all_smoothed(priors, information * precision, information * pull)
        if any(one is None for one in smooth):
            alone = [[law] for law in laws] if len(laws) > 1 else []
            return [one for law in alone for one in _corrected_alike(law, lows, orders, span, hops)] or [None]
        errors = np.stack([one.values[1:-1] for one in smooth if one is not None]) - deviation
        errors -= errors.mean(axis=1, keepdims=True)
    whole = _square(seen.values).mean(axis=-1) + seen.noise
    explained = hops * np.log(whole / noise).sum(axis=(1, 2))
    return [
        _bent(law, one, explained=float(gain))
        for law, one, gain in zip(laws, smooth, explained, strict=True) if one is not None
    ]  # fmt: skip


def _bent(law: AngleLaw, smooth: SmoothedTurns, explained: float) -> Refined | None:
    """The law that runs as ``smooth`` off a straight line at the mean speed of ``law``; None where it would turn
    back."""
    time_s = law.time_s[0] + smooth.time_s
    turns = law.turns[0] + law.mean_hz * smooth.time_s + smooth.values - smooth.values[0]
    if smooth.steady:
        time_s, turns = time_s[[0, -1]], turns[[0, -1]]
    if not (turns[1:] > turns[:-1]).all():  # Not a number either: the arithmetic had no hold.
        return None
    # The next pass begins where it would on any processor.
    moved = AngleLaw(time_s=time_s, turns=turns).rounded()
    return Refined(law=moved, relative=smooth.end_to_end / law.total_turns, explained=explained)


def _step(seen: _Seen, noise: Real, turning: Complex, orders: Real) -> tuple[Real, Real, Real]:
    """What the segments say of their angle errors, of which the log likelihood is ``pull`` · e - e · ``precision`` · e
    / 2: precision (laws, segments, segments), pull (laws, segments); and the power that each line leaves unexplained
    (laws, channels, lines). ``turning`` (laws, segments, orders): phases of the orders at the middles of the segments.

    A line at each order, seen at each place in each segment, is the response times the turning: with a sum over places
    for each pair of orders, and one over segments, least squares need no larger matrix.
    """
    scale = 1.0 / np.sqrt(noise)[..., None]
    scaled = scale * seen.response
    back = scaled.swapaxes(-1, -2)
    # (laws, 1, orders, segments)
    ahead = turning[:, None].swapaxes(-1, -2)
    behind = np.conj(ahead)
    base = _base(back @ scaled, behind @ turning[:, None])
    # Of each order (laws, channels, orders, segments): what was seen of it.
    own = (back @ (scale * seen.values)) * behind
    amplitudes = base @ (np.conj(base.swapaxes(-1, -2)) @ own.sum(axis=-1, keepdims=True))
    lines = amplitudes * ahead
    left = seen.values - seen.response @ lines
    slope = scaled @ (2j * np.pi * orders[:, None] * lines)
    # What a change of angle and one of amplitudes would do alike says nothing of the angle.
    shared = ((back @ slope) * behind).swapaxes(-1, -2) @ np.conj(base)
    alike = np.ascontiguousarray(shared.swapaxes(1, 2)).reshape(*turning.shape[:2], -1).view(np.float64)
    precision = -(alike @ alike.swapaxes(-1, -2))
    segments = np.arange(turning.shape[1])
    precision[:, segments, segments] += _square(slope).sum(axis=(1, 2))
    pull = np.real(np.conj(slope) * (scale * left)).sum(axis=(1, 2))
    return precision, pull, _square(left).mean(axis=-1)


def _base(strengths: Real, turned: Complex) -> Complex:
    """Combinations (laws, channels, orders, orders) of the orders that are seen apart, orthonormal as they are seen; 0
    in the place of those that are not. ``strengths`` (laws, channels, orders, orders): products of what the places
    respond to each pair of orders; ``turned`` (laws, 1, orders, orders): of how the two turn."""
    products = strengths * turned
    size = np.sqrt(np.diagonal(products, axis1=-2, axis2=-1).real)[..., None] + 1e-300
    # Strengths that count differ by a hundred at most, their squares by 1e4: products are as good as the matrix itself.
    squares, vectors = np.linalg.eigh(products / (size * size.swapaxes(-1, -2)))
    kept = squares > LEAST_APART**2 * squares[..., -1:]
    strength = np.sqrt(squares, where=kept, out=np.full_like(squares, np.inf))
    return np.asarray(vectors / (size * strength[..., None, :]))


def _square(values: Complex) -> Real:
    return np.square(values.real) + np.square(values.imag)


def _separated(orders: Real, gap: float) -> Real:
    """Middles of groups of neighbouring ``orders`` (ascending) whose steps are below ``gap``."""
    first = np.flatnonzero(np.diff(orders, prepend=-np.inf) >= gap)
    return np.asarray(np.add.reduceat(orders, first) / np.diff(first, append=orders.size))


def _with_neighbours(orders: Real, gap: float) -> Real:
    """``orders`` (ascending), and next to each that has another closer than ``gap`` more at the same spacing.

    Two lines so close are the sidebands of a body that turns slowly, and seldom the only ones.
    """
    close = np.diff(orders)
    close = close[close < gap]
    if close.size == 0:
        return orders
    crowded = orders[np.count_nonzero(np.abs(orders[:, None] - orders) < gap, axis=1) > 1]
    more = (crowded[:, None] + close.min() * np.arange(-SIDEBANDS, SIDEBANDS + 1)).ravel()
    return np.unique(np.round(np.concatenate([orders, more]), 9))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Windows:
    """Segments and places of lines, alike for all channels of as many samples: the first sample of each segment
    (``starts``, (segments,)), their ``taper`` (n,), ``cosine`` and ``sine`` (n, lines) of each place round the middle
    of a segment, the ``turning`` (lines, segments) of its phase from there to the middle that was meant, the bins
    ``floor_bins`` next to it (lines, floor bins), and the ``response``."""

    starts: NDArray[np.intp]
    taper: NDArray[np.float32]
    cosine: Real
    sine: Real
    turning: Complex
    floor_bins: NDArray[np.intp]
    response: Real


def _windows(size: int, total: float, centres: Real, span: float, orders: Real, places: Real) -> _Windows:
    """For channels of ``size`` samples already laid on angle, ``total`` turns long."""
    per_turn = size / total
    n = min(size, quick_near(round(span * per_turn), LEAST_OFF))
    starts = np.minimum(np.maximum(np.rint((centres - span / 2) * per_turn), 0.0), size - n).astype(int)
    # The response is real where phases are taken at a segment's middle.
    local = (np.arange(n) - (n - 1) / 2) / per_turn
    turn = local[:, None] * places
    # Whole turns taken out, single precision is enough for the rest.
    angle = (2 * np.pi * (turn - np.rint(turn))).astype(np.float32)
    middles = (starts + (n - 1) / 2) / per_turn
    # Not padded to a quicker length: in a segment of whole turns the shaft's lines lie in the middle of bins, and leak
    # into no floor.
    bins = np.rint(places * n / per_turn).astype(int)[:, None] + FLOOR_BINS
    return _Windows(
        starts=starts,
        taper=hann(n),
        cosine=np.cos(angle).astype(np.float64),
        sine=np.sin(angle).astype(np.float64),
        turning=np.exp(2j * np.pi * places[:, None] * (centres - middles)),
        floor_bins=np.minimum(np.maximum(bins, 1), n // 2),
        response=_hann_response((orders - places[:, None]) / per_turn, n),
    )


def _weight(n: int) -> float:
    """Sum of the samples of a symmetric Hann window."""
    return (n - 1) / 2


def _seen_of(
    laws: Sequence[AngleLaw], lows: Sequence[Low], centres: Real, span: float, orders: Real, places: Real
) -> _Seen:
    """Lines at ``places`` of all channels, laid on each law, in segments of ``span`` turns about ``centres`` (laws,
    segments)."""
    values, noise, response = [], [], []
    for law, own in zip(laws, centres, strict=True):
        sizes = {item.samples.size for item in lows}
        windows = {size: _windows(size, law.total_turns, own, span, orders, places) for size in sizes}
        read = [_read(item, windows[item.samples.size]) for item in all_laid(lows, law)]
        values.append([amplitudes for amplitudes, _ in read])
        noise.append([power for _, power in read])
        response.append([windows[item.samples.size].response for item in lows])
    return _Seen(values=np.array(values), noise=np.array(noise), response=np.array(response))


def _read(item: Low, windows: _Windows) -> tuple[Complex, Real]:
    """Amplitudes (lines, segments) of one channel, and the noise power of each line."""
    n = windows.taper.size
    weight = _weight(n)
    pieces = np.stack([item.samples[start : start + n] for start in windows.starts]) * windows.taper
    # Sums in single precision would differ in their fourth last bit from one library of matrices to another.
    rows = pieces.astype(np.float64)
    values = (rows @ windows.cosine - 1j * (rows @ windows.sine)).T / weight
    near = fft.rfft(pieces, axis=1)[:, windows.floor_bins].swapaxes(0, 1).reshape(values.shape[0], -1)
    power = np.sort(np.abs(near) ** 2, axis=1)
    middle = [(power.shape[1] - 1) // 2, power.shape[1] // 2]
    floor = power[:, middle].mean(axis=1) / np.log(2.0) / weight**2
    return values * windows.turning, floor + 1e-30


def _hann_response(cycles: Real, n: int) -> Real:
    """What a symmetric Hann window of ``n`` samples sees of a line ``cycles`` per sample off, over a line on its place.

    Three Dirichlet kernels (Harris, Proc. IEEE 66, 1978), the phase taken at the window's middle; there they are -1, n
    and -1 large.
    """
    step = 1.0 / (n - 1)
    half = np.pi * np.stack([cycles - step, cycles, cycles + step])
    bottom = np.sin(half)
    near = np.abs(bottom) < 1e-12
    before, middle, after = np.where(near, float(n), np.sin(n * half) / np.where(near, 1.0, bottom))
    return np.asarray((0.5 * middle + 0.25 * (before + after)) / _weight(n))
