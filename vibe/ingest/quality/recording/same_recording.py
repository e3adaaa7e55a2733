"""One recording in several captures: moved, turned round, scaled, with noise added, or cut into pieces end to end.

Captures of one machine share its lines, and nothing else: what lies between the lines is noise, of the machine and of
the sensor, and never comes twice. So lines are taken out, the rest is whitened, and its polarity alone is correlated
(Van Vleck's polarity correlation, 1943), which knows no scale: a capture keeps one bit a sample for that.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from vibe.core.capture import Channel

Real = NDArray[np.float32]

RATE_HZ = 12_800.0
"""At which polarity is kept, whatever the capture's own rate."""
LOW_HZ, HIGH_HZ = 200.0, 5_000.0
"""Band that is compared: above the strongest lines, below where noise that was added would hide the machine's own."""
BLOCK = 64
"""Bins whose median is the floor."""
LINE = 6.0
"""Times the median: of noise, whose power is exponential, 1.6 % of the bins lie above."""
SAME_PACE = 2e-5
"""Relative difference of pace that following a copy of ten seconds leaves open."""
FAR = 10.0
"""Standard deviations of all lags from which on it is no chance: of a million lags of noise the highest is at 5, of
repeats of simulated machines at 6, of a copy with a tenth of noise at 180."""
SHARE = 0.2
"""Of samples of one polarity beyond one half, doubled: 1 of a copy, 0.4 where noise of a tenth was added to both. Files
of one session that do not overlap came to 0.09 where a damaged bearing rang alike at one speed, else to 0.04."""
OVER_ELSEWHERE = 3.0
"""Times what two agree where one is moved further, less what noise does. Pulses at one phase, which ring alike, agree
about as much a pulse later; noise agrees at one place alone."""
MOVED_S = 0.02
"""From which on it is elsewhere: several times what the bands can tell apart."""
LONGEST_S = 120.0
"""Of longer captures the beginning is compared."""
FEWEST = 4_096
"""Samples below which nothing is said."""
ORDER = 128
"""Of the prediction across a cut: long enough for the machine's strong lines."""
FITTED = 16_384
"""Samples that the prediction is made from."""
FIRST = 16
"""Samples after a cut that are looked at by themselves."""
IMPACT = 20.0
"""Times the middle square, at which errors are cut off: of normal ones hardly any reach it."""
RUNS_ON = 2.2
"""Mean square of the errors across a cut over that of errors before it: of 16 above it once in 300 (chi-squared)."""
ELSEWHERE = 64
"""Places of the capture itself that are put at its end instead: all of them must be seen not to run on, by twice
``RUNS_ON``, for a cut to be seen at all."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Polarity:
    """What is kept of one channel to be compared: ``bits`` of ``count`` samples at ``RATE_HZ``, and its two ends."""

    channel: str
    bits: NDArray[np.uint8]
    count: int
    sample_rate_hz: float
    head: Real
    """First ``ORDER`` samples."""
    tail: Real
    """Last ``ORDER`` samples."""
    weights: NDArray[np.float64]
    """(ORDER,) of the prediction of a sample from those before it, the nearest last; empty where it predicts too
    little."""
    error: float
    """Mean square of the prediction's error, impacts cut off: nothing predicts them."""
    mean: float


@dataclass(frozen=True, slots=True, kw_only=True)
class SameRecording:
    """Two captures that are one recording: ``lag_s`` of the second against the first; ``turned``: it runs backwards;
    ``pace``: seconds of the second to one of the first."""

    lag_s: float = 0.0
    pace: float = 1.0
    turned: bool = False
    joined: bool = False
    """One begins with the sample after the last of the other."""
    first_begins: bool = True
    """Of two that are joined."""
    far: float = 0.0
    """Standard deviations by which the correlation stands out."""

    @property
    def in_words(self) -> str:
        """How the second lies to the first."""
        if self.joined:
            later, earlier = ("second", "first") if self.first_begins else ("first", "second")
            return f"cut in pieces: the {later} begins with the sample after the last of the {earlier}"
        backwards = "backwards" if self.turned else ""
        if abs(self.pace - 1) > SAME_PACE:
            resampled = f"resampled by {100 * (self.pace - 1):+.3f} %"
            return f"noise and all, the second {' and '.join(filter(None, (backwards, resampled)))}"
        if self.turned:
            return "noise and all, the second backwards"
        if self.lag_s == 0.0:
            return "noise and all"
        return f"noise and all, the second moved by {abs(self.lag_s):.3g} s"

    def turned_about(self) -> SameRecording:
        """How the first lies to the second, where ``lag_s`` and ``pace`` are all that is known."""
        return replace(self, lag_s=-self.lag_s / self.pace, pace=1 / self.pace)


def polarity(channels: Sequence[Channel]) -> tuple[Polarity, ...]:
    """What is kept of a capture, of each channel that is long enough and holds something.

    Whether another runs on from it is not asked where pieces of itself from elsewhere would pass as doing so.
    """
    kept = [one for channel in channels if (one := _polarity(channel)) is not None]
    elsewhere = float(np.max([off for _, off in kept], axis=0).min()) if kept else 0.0
    blind = elsewhere < 2 * RUNS_ON
    return tuple(replace(one, weights=np.empty(0)) if blind else one for one, _ in kept)


def _polarity(channel: Channel) -> tuple[Polarity, NDArray[np.float64]] | None:
    """And how far other pieces of it, in its own place, are from running on from its end: squares of errors."""
    count = min(channel.samples.size, int(LONGEST_S * channel.sample_rate_hz))
    x = np.nan_to_num(channel.samples[:count].astype(np.float32))
    if count < FEWEST or not np.ptp(x) > 0:
        return None
    noise = between_lines(x - x.mean(), channel.sample_rate_hz, (LOW_HZ, HIGH_HZ), RATE_HZ)
    if noise is None:
        return None
    # The ends are those of the whole channel.
    ends = np.nan_to_num(channel.samples.astype(np.float32))
    weights, error, mean = _prediction(ends)
    one = Polarity(
        channel=channel.name, bits=np.packbits(noise > 0), count=noise.size, sample_rate_hz=channel.sample_rate_hz,
        head=ends[:ORDER].copy(), tail=ends[-ORDER:].copy(), weights=weights, error=error, mean=mean,
    )  # fmt: skip
    places = np.linspace(0, ends.size - 2 * ORDER, ELSEWHERE).astype(int)
    return one, np.array([_off(one, ends[place : place + ORDER]) for place in places])


def between_lines(x: Real, rate_hz: float, band_hz: tuple[float, float], kept_hz: float) -> Real | None:
    """(m,) samples at ``kept_hz`` of what lies between the lines, every bin of the band alike in size; None where the
    band holds too few."""
    from scipy.fft import irfft, rfft

    spectrum = rfft(x)
    bin_hz = rate_hz / x.size
    low, high = int(band_hz[0] / bin_hz), int(min(band_hz[1], 0.4 * rate_hz) / bin_hz)
    high = low + (high - low) // BLOCK * BLOCK
    if high - low < 4 * BLOCK:
        return None
    inside = spectrum[low:high].reshape(-1, BLOCK)
    power = np.abs(inside) ** 2
    floor = np.median(power, axis=1, keepdims=True)
    kept = np.where((power < LINE * floor) & (floor > 0), inside / np.sqrt(np.maximum(floor, 1e-30)), 0)
    white = np.zeros(round(x.size * kept_hz / rate_hz) // 2 + 1, dtype=np.complex64)
    white[low:high] = kept.ravel()
    result: Real = irfft(white, round(x.size * kept_hz / rate_hz)).astype(np.float32)
    return result


def _prediction(x: Real) -> tuple[NDArray[np.float64], float, float]:
    """Weights of a linear prediction by least squares from the last samples, the mean square of its error, the mean."""
    last = x[-FITTED:].astype(np.float64)
    mean = float(last.mean())
    rows = np.lib.stride_tricks.sliding_window_view(last - mean, ORDER + 1)
    past, after = rows[:, :ORDER], rows[:, ORDER]
    normal = past.T @ past
    weights = np.linalg.solve(normal + 1e-9 * np.trace(normal) / ORDER * np.eye(ORDER), past.T @ after)
    squares = (after - past @ weights) ** 2
    return weights, float(np.mean(np.minimum(squares, IMPACT * np.median(squares)))), mean


def _off(one: Polarity, head: Real) -> float:
    """Mean square of the errors with which samples are predicted as what comes next, over what is usual."""
    across = np.concatenate([one.tail, head]).astype(np.float64) - one.mean
    rows = np.lib.stride_tricks.sliding_window_view(across[:-1], ORDER)
    squares = (across[ORDER:] - rows @ one.weights) ** 2 / max(one.error, 1e-30)
    squares = np.minimum(squares, IMPACT)
    # What rings short shows in the first samples, what rings long in all of them.
    return float(max(squares[:FIRST].mean(), squares.mean()))


class ComparedRecordings:
    """Captures held against one another; ``captures``: what is kept of the channels of each."""

    def __init__(self, captures: Sequence[Sequence[Polarity]]) -> None:
        """Transforms all of them once, to one length. Channels are added up, and in the second of two with unequal
        weights, so that one that was turned over does not cancel another."""
        from scipy.fft import next_fast_len, rfft

        self._captures = captures
        longest = max((one.count for own in captures for one in own), default=1)
        self._size = size = next_fast_len(2 * longest, real=True)
        self._even = [rfft(_sum(own, size, uneven=False)) for own in captures]
        self._uneven = [rfft(_sum(own, size, uneven=True)) for own in captures]

    def same(self, first: int, second: int) -> SameRecording | None:
        """How two of the captures are one recording; None where they are two."""
        from scipy.fft import irfft

        if not self._captures[first] or not self._captures[second]:
            return None
        one, other = self._even[first], self._uneven[second]
        for turned, product in ((False, one * np.conj(other)), (True, one * other)):
            correlation = irfft(product, self._size)
            high, low = int(correlation.argmax()), int(correlation.argmin())
            place = high if correlation[high] > -correlation[low] else low
            peak = abs(float(correlation[place]))
            # Most pairs end here: it is cheap.
            if peak <= SHARE * self._most(first, second, place, turned=turned):
                continue
            usual = np.abs(correlation[self._usual(first, second, turned=turned)])
            # Of noise the median of the absolute value is 0.6745 standard deviations.
            far = peak / max(float(np.median(usual)) / 0.6745, 1e-30)
            if far > FAR and peak > OVER_ELSEWHERE * self._elsewhere(correlation, place, first, second, turned=turned):
                lag = place if place < self._size // 2 else place - self._size
                return SameRecording(lag_s=lag / RATE_HZ, turned=turned, far=far)
        if joined(self._captures[first], self._captures[second]):
            return SameRecording(joined=True)
        if joined(self._captures[second], self._captures[first]):
            return SameRecording(joined=True, first_begins=False)
        return None

    def _counts(self, first: int, second: int) -> tuple[int, int]:
        one, other = (max(each.count for each in self._captures[number]) for number in (first, second))
        return one, other

    def _elsewhere(self, correlation: Real, place: int, first: int, second: int, *, turned: bool) -> float:
        """The highest value away from a place, less what noise comes to."""
        places = self._usual(first, second, turned=turned)
        away = np.abs(places - place)
        away = np.minimum(away, self._size - away)
        values = np.abs(correlation[places[away > MOVED_S * RATE_HZ]])
        if not values.size:
            return 0.0
        noise = float(np.median(values)) / 0.6745 * np.sqrt(2 * np.log(values.size))
        return float(np.sqrt(max(0.0, float(values.max()) ** 2 - noise**2)))

    def _most(self, first: int, second: int, place: int, *, turned: bool) -> float:
        """What a copy would come to at a place, by as much as the two overlap there."""
        one, other = self._counts(first, second)
        ends = place + 1 if turned else place + other - (0 if place < one else self._size)
        overlap = min(ends, one + other - ends, one, other)
        both = min(len(self._captures[first]), len(self._captures[second]))
        return max(overlap, 1) * sum(1 / (1 + number) for number in range(both))

    def _usual(self, first: int, second: int, *, turned: bool) -> NDArray[np.intp]:
        """Places at which the two overlap by half of the shorter one or more."""
        one, other = self._counts(first, second)
        half = min(one, other) // 2
        ends = np.arange(half, one + other - half)
        return ends - 1 if turned else (ends - other) % self._size


def _sum(own: Sequence[Polarity], size: int, *, uneven: bool) -> Real:
    total = np.zeros(size, dtype=np.float32)
    for number, one in enumerate(own):
        signs = 2.0 * np.unpackbits(one.bits, count=one.count).astype(np.float32) - 1.0
        total[: one.count] += signs / (1 + number) if uneven else signs
    return total


def joined(first: Sequence[Polarity], second: Sequence[Polarity]) -> bool:
    """Whether the second capture runs on from the last sample of the first, in every channel of one name: a sample of
    another recording is off by the whole signal there, not by the prediction's error."""
    after = {one.channel: one for one in second}
    pairs = [
        (one, after[one.channel])
        for one in first
        if one.channel in after and one.weights.size and one.sample_rate_hz == after[one.channel].sample_rate_hz
    ]
    return bool(pairs) and all(_off(one, other.head) < RUNS_ON for one, other in pairs)
