"""What the finite length of a capture leaves open in a level: relative standard uncertainties in closed form."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

FLOOR_BINS = 81
"""Over which the floor is a median: wide compared with a line's main lobe, narrow compared with a resonance (common
practice)."""
LINE_OVER_FLOOR = 8.0
"""Power over the floor from which a bin is a line's: noise reaches it once in e^8 = 3000 bins."""
GUMBEL_SIGMA = np.pi / np.sqrt(6.0)
"""Standard deviation of the standard Gumbel distribution, which the highest of many values tends to (closed form)."""


def noise_scatter(bandwidth_hz: float, duration_s: float) -> float:
    """Of the r.m.s. of flat Gaussian noise: 1 / sqrt(4 B T) (Bendat & Piersol, Random Data, ch. 8, from memory)."""
    return float(1.0 / np.sqrt(4.0 * bandwidth_hz * duration_s))


def band_scatter(
    power: NDArray[np.float64], bin_hz: float, duration_s: float, band_hz: tuple[float, float], omega_power: int = 0
) -> float:
    """Of the r.m.s. of a band that holds lines in a floor of any shape.

    The mean square's variance is the sum over independent bins (1 / T apart) of N² + 2 E N, with N the floor's and E
    the lines' mean square there: noise beats with itself, and with every line; lines alone leave nothing open. For a
    flat floor this is 1 / sqrt(4 B T).

    Args:
        power: (n,) one-sided mean square per bin of a Hann spectrum (its sum over a line, divided by the noise
            bandwidth of 1.5 bins, is the line's mean square).
        bin_hz: spacing of the bins [Hz].
        duration_s: T.
        band_hz: ends of the band.
        omega_power: -1 for velocity from acceleration.
    """
    first = max(1, int(np.ceil(band_hz[0] / bin_hz)))
    last = min(power.size, int(band_hz[1] / bin_hz) + 1)
    if last - first < 2:
        return 1.0
    reach = slice(max(1, first - FLOOR_BINS), min(power.size, last + FLOOR_BINS))
    from scipy.ndimage import median_filter  # dear to load, and asked for by acceptance alone

    # The median of exponentially spread bins is ln 2 of their mean.
    floor = median_filter(power[reach], FLOOR_BINS)[first - reach.start : last - reach.start] / np.log(2.0)
    inside = power[first:last]
    lines = np.where(inside > LINE_OVER_FLOOR * floor, inside - floor, 0.0)
    weight = (2.0 * np.pi * bin_hz * np.arange(first, last)) ** (2.0 * omega_power)
    noise, line = weight * floor, weight * lines
    total = float(np.sum(weight * inside))
    if not total > 0.0:
        return 1.0
    variance = float(np.sum(noise * noise + 2.0 * line * noise)) / (duration_s * bin_hz)
    return float(0.5 * np.sqrt(variance) / total)


def peak_scatter(bandwidth_hz: float, duration_s: float) -> float:
    """Of the highest value of Gaussian noise: that of a Gumbel distribution, pi / sqrt(6) over 2 ln(2 B T)."""
    independent = max(2.0 * bandwidth_hz * duration_s, 3.0)
    return float(GUMBEL_SIGMA / (2.0 * np.log(independent)))


def resonance_lift(
    power: NDArray[np.float64], bin_hz: float, band_hz: tuple[float, float], resonance_hz: float, omega_power: int = 0
) -> float:
    """By how much, relative, an undamped resonance above the band lifts the r.m.s. of what stands in it.

    1 / (1 - r²) at each frequency (one degree of freedom; ISO 5348), weighted as the band's r.m.s. weighs it. What lies
    above the resonance is left out. Arguments as ``band_scatter``.
    """
    first = max(1, int(np.ceil(band_hz[0] / bin_hz)))
    last = min(power.size, int(min(band_hz[1], 0.9 * resonance_hz) / bin_hz) + 1)
    if last <= first:
        return 0.0
    hz: NDArray[np.float64] = bin_hz * np.arange(first, last, dtype=np.float64)
    measured = power[first:last] * hz ** (2.0 * omega_power)
    true = float(np.sum(measured * (1.0 - (hz / resonance_hz) ** 2) ** 2))
    return float(np.sqrt(np.sum(measured) / true)) - 1.0 if true > 0 else 0.0
