"""Whether single impacts that stand out of the samples come at a steady rate, in turns of the input, or at any time."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from scipy.special import gammaln

from vibe.core.evidence import ImpactRhythm
from vibe.spectra.basic.angle_law import AngleLaw

OVER_NOISE = 6.0
"""Times the standard deviation of the rest from which a sample is an impact's: noise gets there twice in 1e9 samples
(Gaussian), which no capture of a minute has."""
MEDIAN_OF_NOISE = 0.6745
"""Median of |x| of Gaussian noise over its standard deviation (closed form)."""
CELL_S = 1e-3
"""Instants are sought in cells so long: a casing's slowest mode that an impact rings, 1 kHz (common practice)."""
DEAD_S = 20e-3
"""The highest cell so far either side is one impact: ringing dies away within it (modes of 1 kHz and up, 2 to 5 %
damping: 20 to 50 dB; common practice)."""
MOST_PER_S = 0.5 / DEAD_S
"""Beyond it most impacts would have another one within their ringing, which hides how they follow one another."""
FEWEST = 5
"""Impacts of which a rate is asked: four intervals."""
FEWEST_PERIODS = 2.0
"""Periods within the capture; what comes less often has no rate that it could show."""
MOST_RATE = 4.0
"""Times the rate of the impacts up to which a steady order is sought: three of four may be missing (our choice)."""
GRID = 4.0
"""Orders that are tried per bin (1 / turns): between them no more than a twentieth of the power is lost."""
PER_BIN = 2.0
"""Independent orders per bin, since the best place within it counts (measured on 1,200 captures of impacts at random:
0.7 to 1.7 % then seem to keep a rate)."""
BY_CHANCE = 0.01
"""Chance that impacts at random seem to keep a rate: the usual 1 %."""
CONCENTRATED = 0.5
"""Resultant above which the volume of a ball gives its chance, below which Rayleigh's does; they agree here."""
IN_STEP = 0.7
"""Resultant of a train of which three in ten impacts are somebody else's, or that jitters by an eighth of its period
(derived, as a sum of unit vectors): one like that would have shown. Of 34 damaged parts of outside worlds whose impacts
stand out so, 33 reach 0.83, the last one 0.56."""


def impact_rhythm(samples: NDArray[np.float32], rate_hz: float, law: AngleLaw) -> ImpactRhythm:
    """The impacts in ``samples`` (n,), acceleration [m/s²], on the angle of ``law``.

    A steady order is one at which the phases of all instants agree more than at random (Rayleigh's test; Mardia & Jupp,
    Directional Statistics, 2000, from memory), as many orders counted in as were tried. Of several the lowest is taken
    that explains half as much as the best: a train has all multiples of its own order.
    """
    at_s = instants(samples, rate_hz)
    count, duration_s = at_s.size, samples.size / rate_hz
    if count < FEWEST or count > MOST_PER_S * duration_s:
        return ImpactRhythm(count=count, per_second=count / duration_s, too_many=count >= FEWEST)
    begin, end = law.at(np.array([0.0, duration_s]))
    instant, total = law.at(at_s) - begin, float(end - begin)
    gaps = np.diff(instant)
    found = ImpactRhythm(
        count=count, per_second=count / duration_s, interval_scatter=float(gaps.std() / max(gaps.mean(), 1e-12))
    )
    needed = float(np.log(PER_BIN * MOST_RATE * count / BY_CHANCE))
    orders = np.arange(FEWEST_PERIODS / total, MOST_RATE * count / total, 1.0 / (GRID * total))
    resultant = _resultant(instant, orders)
    high = np.flatnonzero(resultant**2 >= resultant.max() ** 2 / 2)
    lowest = next((int(place) for place in high if surprise(float(resultant[place]), count) >= needed), None)
    if lowest is not None:
        return _placed(found, instant, float(orders[_top(resultant, lowest)]), total)
    return replace(found, would_show=surprise(IN_STEP, count) >= needed)


def instants(samples: NDArray[np.float32], rate_hz: float) -> NDArray[np.float64]:
    """Instants [s] (k,) of the impacts that stand out of ``samples`` (n,), each the highest within ``DEAD_S``."""
    from scipy.ndimage import maximum_filter1d  # dear to load, and asked for by few captures

    size = max(1, round(CELL_S * rate_hz))
    cells = samples.size // size
    if cells < 2:
        return np.empty(0)
    height = np.abs(samples[: cells * size] - np.float32(samples.mean(dtype=np.float64)))
    # In order, all of them: quicker than to pick their middle.
    level = OVER_NOISE * float(np.sort(height)[(height.size - 1) // 2 : height.size // 2 + 1].mean()) / MEDIAN_OF_NOISE
    table = height.reshape(cells, size)
    top = np.maximum.reduceat(height, np.arange(0, height.size, size))
    reach = 2 * round(DEAD_S / CELL_S) + 1
    at = np.flatnonzero((top > level) & (top == maximum_filter1d(top, reach, mode="nearest")))
    return np.asarray((at * size + table[at].argmax(axis=1)) / rate_hz, dtype=np.float64)


def surprise(resultant: float, count: int) -> float:
    """-ln of the chance that ``count`` phases at random have a mean vector as long as ``resultant``.

    Rayleigh's exp(-n R²) where they agree little. Where they agree much they lie, about their mean, in a ball of n - 1
    dimensions whose radius squared is n times their circular variance -2 ln R, of the (2 pi)^(n - 1) that they may fill
    (derived): six phases alike to a hundredth of a turn are far less likely than exp(-6).
    """
    rayleigh = count * resultant**2
    if resultant <= CONCENTRATED:
        return rayleigh
    free = count - 1
    variance = max(-2.0 * float(np.log(min(resultant, 1.0))), 1e-9)
    ball = 0.5 * free * np.log(np.pi * count * variance) - float(gammaln(0.5 * free + 1.0)) + 0.5 * np.log(count)
    return float(free * np.log(2.0 * np.pi) - ball)


def _resultant(instant: NDArray[np.float64], orders: NDArray[np.float64]) -> NDArray[np.float64]:
    """Length of the mean vector of the phases at ``orders`` (n,), which stand at even steps.

    Each is one of a few far apart and one of a few close steps more, so that turns of either need be worked out alone:
    a product of two matrices adds up their products.
    """
    step = float(orders[-1] - orders[0]) / max(orders.size - 1, 1)
    close = math.isqrt(orders.size) + 1
    far = np.exp(2j * np.pi * orders[::close, None] * instant)
    more = np.exp(2j * np.pi * step * np.arange(close)[:, None] * instant)
    return np.asarray(np.abs(far @ more.T).ravel()[: orders.size] / instant.size)


def _top(values: NDArray[np.float64], start: int) -> int:
    """The place of the peak up whose slope ``start`` lies."""
    while start + 1 < values.size and values[start + 1] > values[start]:
        start += 1
    return start


def _placed(found: ImpactRhythm, instant: NDArray[np.float64], order: float, total: float) -> ImpactRhythm:
    """With the order put where the phases agree best, and its standard error: that of a straight line's slope through
    phases which scatter by the circular standard deviation."""
    fine = order + np.linspace(-0.5, 0.5, 65) / total
    resultant = _resultant(instant, fine)
    best = int(resultant.argmax())
    share = min(float(resultant[best]), 1.0)
    jitter_turns = float(np.sqrt(max(-2.0 * np.log(share), 1e-6))) / (2.0 * np.pi)
    error = jitter_turns / (float(instant.std()) * float(np.sqrt(instant.size)))
    return replace(found, order=float(fine[best]), order_error=error, in_step=share, would_show=True)
