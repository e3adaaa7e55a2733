"""How likely is a line of the machine here? Power over the floor at every place, and what it shows.

The ratio of likelihoods depends on the place alone, so it is made once and serves any speed and any drive.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from vibe.spectra.basic.angle_law import AngleLaw
from vibe.spectra.basic.fft import fast_length, hann
from vibe.spectra.speed.phase_refinement import Low, all_laid

Real = NDArray[np.float64]

SEEN = 0.5
"""Probability that a line which a sound drive makes can be seen; common practice, as is the next."""
STRAY = 0.05
"""Probability that a line of something else stands where one is looked for."""
LOUDEST = 1e4
"""Surprise in natural units of the loudest lines; the prior of a line's loudness is even in its logarithm up to it."""
FLOOR_TURNS = 12.0
"""Width of the blocks whose median is the floor, in orders of the input: wide against a mesh and its sidebands."""
LARGEST_SUMMED = 1e6
"""Power above which the sum next to it in the surprise is left as it is: it changes nothing, and its powers
overflow."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LineLikelihood:
    """Log likelihood ratio of "the machine may have a line here" at every place of a whole capture, steady speed taken.

    ``values`` (bins,), all channels together, ``bin_hz`` apart from zero. Made once, it serves any number of drives.
    """

    values: Real
    bin_hz: float
    duration_s: float

    def at(self, speeds_hz: Real, orders: Real) -> Real:
        """Shape (orders, speeds); 0 beyond what was measured: it says nothing."""
        found = np.empty((orders.size, speeds_hz.size))
        # Order by order, so that what is worked on stays in the processor's cache.
        for row, order in enumerate(orders):
            places = Places.of(speeds_hz * (order / self.bin_hz), self.values.size)
            found[row] = places.read(self.values, beyond=0.0)
        return found

    def speeds_hz(self, range_hz: tuple[float, float], orders: Real) -> Real:
        """Speeds of a range, fine enough for the highest of ``orders``."""
        return speed_grid(range_hz, self.duration_s, orders)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Places:
    """Places between the bins of a spectrum, found once and read in any number of spectra of its size."""

    below: NDArray[np.intp]
    share: Real
    outside: NDArray[np.bool_]

    @classmethod
    def of(cls, bins: Real, size: int) -> Places:
        """``bins`` (...): places in bins, not negative, of spectra with ``size`` bins."""
        below = np.minimum(bins.astype(np.intp), size - 2)
        return cls(below=below, share=bins - below, outside=bins > size - 1)

    def read(self, values: Real, *, beyond: float) -> Real:
        """``values`` (..., size) on straight lines between bins; ``beyond`` the last bin."""
        low = np.take(values, self.below, axis=-1)
        found = low + self.share * (np.take(values, self.below + 1, axis=-1) - low)
        if self.outside.any():
            found[..., self.outside] = beyond
        return np.asarray(found)


def log_sum_exp(values: Real) -> float:
    """ln of the sum of exp(``values``), at least one and all finite."""
    top = float(values.max())
    return top + float(np.log(np.exp(values - top).sum()))


def speed_grid(range_hz: tuple[float, float], duration_s: float, orders: Real) -> Real:
    """Speeds fine enough for the highest order."""
    step = 0.25 / (duration_s * float(orders.max()))
    return np.arange(range_hz[0], range_hz[1] + step, step)


def odds_of_lines(lows: Sequence[Low], shape: AngleLaw, speeds_hz: Real, orders: Real, high_hz: float) -> Real:
    """Log likelihood ratio (orders, speeds) of a machine's lines at ``orders`` against nothing, for mean speeds
    (speeds,) of one ``shape`` of the angle law; ``high_hz`` is the highest speed of the input."""
    powers = np.zeros((orders.size, speeds_hz.size))
    for item in all_laid(lows, shape):
        strength, bin_hz = whole_over_floor(item, shape.duration_s, high_hz)
        for row, order in enumerate(orders):
            powers[row] += Places.of(speeds_hz * (order / bin_hz), strength.shape[1]).read(strength[0], beyond=1.0)
    return log_likelihood_ratio(powers, len(lows), seen_at(orders))


def line_likelihood(lows: Sequence[Low], high_hz: float) -> LineLikelihood:
    """The ratio at all places that every channel reaches; ``high_hz`` is the highest speed of the input."""
    duration = min(item.samples.size / item.rate_hz for item in lows)
    total, bin_hz = power_over_floor(lows, high_hz)
    return LineLikelihood(values=log_likelihood_ratio(total, len(lows)), bin_hz=bin_hz, duration_s=duration)


def power_over_floor(lows: Sequence[Low], high_hz: float) -> tuple[Real, float]:
    """Power over the local floor (bins,), summed over the channels, at all places that each reaches; the bin [Hz]."""
    duration = min(item.samples.size / item.rate_hz for item in lows)
    over = [whole_over_floor(item, duration, high_hz) for item in lows]
    bin_hz = min(step for _, step in over)
    count = min(int((power.shape[1] - 1) * step / bin_hz) + 1 for power, step in over)
    total = np.zeros(count)
    for power, step in over:
        if step == bin_hz:
            total += power[0, :count]
        else:
            total += np.interp(np.arange(count) * (bin_hz / step), np.arange(power.shape[1]), power[0])
    return total, bin_hz


def whole_over_floor(item: Low, length_s: float, high_hz: float) -> tuple[Real, float]:
    """:func:`over_floor` of one segment from the beginning on; not to be written into. Kept: a channel on the angle of
    a steady law, as it is in time, is asked when a speed is sought and when laws are weighed."""
    return _from_the_beginning(item, min(item.samples.size, round(length_s * item.rate_hz)) / item.rate_hz, high_hz)


@lru_cache(maxsize=4)
def _from_the_beginning(item: Low, length_s: float, high_hz: float) -> tuple[Real, float]:
    power, bin_hz = over_floor(item, np.zeros(1), length_s, high_hz)
    power.flags.writeable = False
    return power, bin_hz


def over_floor(item: Low, starts_s: Real, length_s: float, high_hz: float) -> tuple[Real, float]:
    """Power over the local floor of Hann-windowed segments, (segments, bins), and the spacing of the bins [Hz]."""
    n = min(item.samples.size, round(length_s * item.rate_hz))
    starts = np.minimum((starts_s * item.rate_hz).astype(int), item.samples.size - n)
    size = fast_length(2 * n)
    bin_hz = item.rate_hz / size
    # Above its top a channel holds nothing, which is no floor.
    count = max(16, int(item.top_hz / bin_hz))
    pieces = np.stack([item.samples[start : start + n] for start in starts]) * hann(n)
    lines = fft.rfft(pieces, size)[:, :count]
    power = np.square(lines.real) + np.square(lines.imag)
    return power / local_floors(power, max(32, round(FLOOR_TURNS * high_hz / bin_hz))), bin_hz


def local_floors(power: NDArray[np.float32], block: int) -> Real:
    """``bands.local_floor`` of each row of ``power`` (rows, bins)."""
    rows, n = power.shape
    block = min(max(8, block), n)
    count = max(1, n // block)
    # Sorting whole blocks is quicker than picking their middles.
    ordered = np.sort(power[:, : count * block].reshape(rows, count, block), axis=2)
    medians = ordered[:, :, [(block - 1) // 2, block // 2]].mean(axis=2) / np.log(2.0)
    smallest = np.where(medians > 0, medians, np.inf).min(axis=1, keepdims=True)
    smallest[~np.isfinite(smallest)] = 1.0
    heights = np.log(np.maximum(medians, smallest * 1e-3))
    centres = (np.arange(count) + 0.5) * block
    return np.asarray(np.exp([np.interp(np.arange(n), centres, row) for row in heights]))


def log_likelihood_ratio(power: Real, channels: int, seen: Real | float = SEEN) -> Real:
    """Of "the machine may have a line here" against "nothing of it is here", from powers over the floor.

    ``seen``: probability that a sound machine's line here can be seen, one for all or (orders, 1).

    ``power`` is summed over ``channels``; of noise it is Gamma distributed, and its surprise u = -ln(tail) exponential.
    Lines of the machine are spread evenly over ln(1 + u), strays are fainter: 1 / (1 + u)². So an absent line costs a
    little, and a loud one brings only its logarithm: no single line decides.
    """
    surprise = surprise_of(power, channels)
    noise, loud = np.exp(-surprise), 1.0 / (1.0 + surprise)
    own = (1 - seen) * noise + (seen / np.log1p(LOUDEST)) * loud
    stray = (1 - STRAY) * noise + STRAY * loud**2
    return np.asarray(np.log(own / stray))


SHAFT_SEEN = 0.95
"""Of the first three multiples of the shaft: every drive of the kind shows them."""
IRREGULAR_SEEN = 0.3
"""Of lines that only unequal lobes or pins make, near the shaft's own: with 1 and z/(z-1) exchanged all lines of a
drive fit a speed wrong by 1/z as well, but for this."""


def seen_at(orders: Real) -> Real:
    """(orders, 1): probability that a sound drive's line can be seen."""
    whole = np.abs(orders - np.rint(orders)) < 1e-6
    near = ~whole & (np.abs(orders - np.rint(orders)) < 0.25 * np.rint(orders)) & (orders < 3.5)
    chance = np.where(whole & (orders < 3.5), SHAFT_SEEN, np.where(near, IRREGULAR_SEEN, SEEN))
    return np.asarray(chance, dtype=np.float64)[:, None]


def surprise_of(power: Real, channels: int) -> Real:
    """-ln of the chance that noise reaches ``power``, summed over ``channels``.

    The tail of a Gamma variable of whole shape k is exp(-x) times the sum of x^j / j! for j below k.
    """
    held = np.minimum(power, LARGEST_SUMMED)
    term, total = np.ones_like(power), np.ones_like(power)
    for j in range(1, channels):
        term = term * held / j
        total += term
    return np.asarray(power - np.log(total))
