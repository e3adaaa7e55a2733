"""Impulsiveness by band, from wavelet packets: in which resonances impacts ring."""

from __future__ import annotations

import numpy as np
import pywt
from numpy.typing import NDArray

WAVELET = "db8"
"""Sixteen taps: steep enough for bands of a few hundred hertz, short enough to keep impacts apart."""
BLOCKS = 8
"""The median over this many blocks: one stray shock must not make a band look impulsive."""


def band_kurtosis(
    samples: NDArray[np.float32], sample_rate_hz: float, *, levels: int = 5
) -> tuple[NDArray[np.float64], NDArray[np.float64], float]:
    """Excess kurtosis of each of 2^levels equal bands from zero to half the sample rate.

    Args:
        samples: (n,), mean removed; at least 2^levels times 64 of them, or fewer levels are used.
        sample_rate_hz: sample rate [Hz].
        levels: depth of the packet tree.

    Returns:
        Band centres [Hz] and excess kurtosis (0 for Gaussian noise), both (2^levels,), and the standard error of the
        latter in Gaussian noise, sqrt(24 / N) for blocks of N (R. A. Fisher, 1930), of a median of the blocks.
    """
    levels = max(1, min(levels, int(np.log2(max(samples.size / 64, 2)))))
    tree = pywt.WaveletPacket(samples, WAVELET, mode="periodization", maxlevel=levels)
    nodes = tree.get_level(levels, order="freq")
    count = len(nodes)
    centres = (np.arange(count) + 0.5) * sample_rate_hz / (2 * count)
    rows = np.stack([node.data for node in nodes])
    # Its fourth power must not fall below what the numbers hold, however small the unit.
    rows /= max(float(np.abs(rows).max()), 1e-30)
    size = max(8, rows.shape[1] // BLOCKS)
    blocks = rows[:, : rows.shape[1] // size * size].reshape(count, -1, size)
    square = (blocks - blocks.mean(axis=2, keepdims=True, dtype=np.float64).astype(rows.dtype)) ** 2
    power = square.mean(axis=2, dtype=np.float64)
    fourth = (square * square).mean(axis=2, dtype=np.float64)
    excess = np.where(power > 0, fourth / np.maximum(power, 1e-30) ** 2 - 3.0, 0.0)
    values = np.median(excess, axis=1)
    # A median of m blocks scatters sqrt(pi / 2 m) of one block.
    error = float(np.sqrt(24.0 / size) * np.sqrt(np.pi / (2 * BLOCKS)))
    return centres, values, error
