"""Wavelet packets: kurtosis of noise and of impacts, and the bands against an independent transform."""

from __future__ import annotations

import numpy as np
from scipy import signal

from vibe.spectra.basic.wavelet_packets import band_kurtosis

RATE_HZ = 25_600.0


def noise(seed: int, n: int = 128_000) -> np.ndarray:
    return np.random.default_rng(seed).standard_normal(n).astype(np.float32)


def ringing(frequency_hz: float) -> np.ndarray:
    """Impacts every 40 ms that ring at one frequency."""
    impacts = np.zeros(128_000)
    impacts[::1024] = 1.0
    time = np.arange(400) / RATE_HZ
    rows = signal.fftconvolve(impacts, np.exp(-600 * time) * np.sin(2 * np.pi * frequency_hz * time))[:128_000]
    return (6.0 * rows).astype(np.float32)


def test_gaussian_noise_is_not_impulsive() -> None:
    # Excess kurtosis of a normal variable is 0; the stated error is Fisher's (1930).
    _, values, error = band_kurtosis(noise(1), RATE_HZ)
    assert np.all(np.abs(values) < 5 * error)


def test_impacts_show_in_the_band_where_they_ring_and_nowhere_else() -> None:
    centres, values, error = band_kurtosis(noise(2) + ringing(3000.0), RATE_HZ)
    top = int(values.argmax())
    assert abs(centres[top] - 3000.0) <= RATE_HZ / 64
    assert values[top] > 1.0
    assert np.all(np.abs(values[centres > 6000.0]) < 6 * error)


def test_one_stray_shock_makes_no_band_impulsive() -> None:
    shocked = noise(3)
    shocked[60_000:60_040] += 80.0
    _, values, error = band_kurtosis(shocked, RATE_HZ)
    assert np.all(np.abs(values) < 6 * error)


def test_bands_lie_where_a_sine_says() -> None:
    time = np.arange(128_000) / RATE_HZ
    sine = (10 * np.sin(2 * np.pi * 5013.0 * time)).astype(np.float32) + 0.1 * noise(4)
    centres, values, _ = band_kurtosis(sine.astype(np.float32), RATE_HZ)
    # A sine has an excess kurtosis of -1.5, in closed form.
    inside = int(np.abs(centres - 5013.0).argmin())
    assert abs(values[inside] + 1.5) < 0.05


def shocks(blocks: int) -> float:
    """Excess kurtosis of the lowest band of noise with one shock in each of so many eighths."""
    row = noise(3, 64_000)
    row[4000 : blocks * 8000 : 8000] += 200.0
    return float(band_kurtosis(row, RATE_HZ, levels=1)[1][0])


def test_shocks_in_fewer_than_half_of_eight_blocks_make_no_band_impulsive() -> None:
    assert abs(shocks(3)) < 1.0
    assert shocks(5) > 20.0
