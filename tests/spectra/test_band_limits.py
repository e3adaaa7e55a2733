"""What is cut before an envelope is taken, and how many bands there are."""

from __future__ import annotations

import numpy as np
import pytest

from vibe.spectra.basic.angle_law import AngleLaw
from vibe.spectra.envelope.bands import band_edges, envelopes, whitened

RATE = 12_800.0
NOISE = np.random.default_rng(8).standard_normal(round(4 * RATE)).astype(np.float32)
TIME_S = np.arange(NOISE.size) / RATE


def test_lines_are_cut_to_what_noise_reaches_once_in_nine_million_bins() -> None:
    """exp(-16): twelve decibels over the mean."""
    row = (NOISE + 20 * np.sin(2 * np.pi * 1000.0 * TIME_S)).astype(np.float32)
    power = np.abs(whitened(row, RATE, channel="a").transform) ** 2
    assert float(power.max()) == pytest.approx(16.0, rel=0.01)


@pytest.mark.parametrize(("factor", "cut"), [(18.0, False), (80.0, True)])
def test_a_shock_is_cut_where_noise_never_comes(factor: float, cut: bool) -> None:
    """Squared, Gaussian noise is exponential: 25 of its medians come once in e^17 samples."""
    row = NOISE.copy()
    middle = row.size // 2
    row[middle - 150 : middle + 150] *= np.float32(np.sqrt(factor / np.log(2)))
    law = AngleLaw.steady(25.0, row.size / RATE)
    found = envelopes(whitened(row, RATE, channel="a"), law, band_hz=(500.0, 6000.0), width_hz=5000.0).power[0]
    usual = float(np.median(found))
    highest = float(found.max()) / usual
    assert highest <= 25.5
    assert (highest > 24.5) or not cut


def test_a_fast_recorder_has_sixty_four_bands_at_most() -> None:
    assert band_edges(1_000_000.0, 500.0, 480_000.0, 700.0)[0].size == 64


@pytest.mark.parametrize(("wide_hz", "kept"), [(8.0, False), (20.0, False), (45.0, True)])
def test_what_is_wider_than_half_of_sixty_hertz_is_a_resonance_and_is_whitened(wide_hz: float, kept: bool) -> None:
    """Its power becomes the floor; a line's is cut and stays above it."""
    rng = np.random.default_rng(2)
    spectrum = np.fft.rfft(rng.standard_normal(NOISE.size))
    hz = np.fft.rfftfreq(NOISE.size, 1 / RATE)
    # In the middle of a block.
    inside = np.abs(hz - 1830.0) < wide_hz / 2
    spectrum[inside] *= 10.0
    row = np.fft.irfft(spectrum).astype(np.float32)
    power = np.abs(whitened(row, RATE, channel="a").transform) ** 2
    assert bool(power[inside[: power.size]].mean() < 4.0) is kept
