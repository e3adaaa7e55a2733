from __future__ import annotations

import numpy as np
import pytest

from vibe.core.capture import Channel
from vibe.spectra.basic.level_uncertainty import band_scatter, noise_scatter, peak_scatter, resonance_lift
from vibe.spectra.basic.levels import levels

RATE, SECONDS = 4096.0, 1.0


def power_of(samples: np.ndarray) -> np.ndarray:
    taper = np.hanning(samples.size)
    return np.asarray(2 * np.abs(np.fft.rfft(samples * taper)) ** 2 / taper.sum() ** 2)


def drawn(rng: np.random.Generator, line: float) -> np.ndarray:
    time = np.arange(int(RATE * SECONDS)) / RATE
    tone = line * np.sqrt(2) * np.cos(2 * np.pi * (200.3 * time + rng.uniform()))
    return np.asarray(rng.standard_normal(time.size) + tone)


def test_flat_noise_has_the_closed_form() -> None:
    rng = np.random.default_rng(3)
    found = np.mean([band_scatter(power_of(drawn(rng, 0.0)), 1 / SECONDS, SECONDS, (100.0, 1100.0)) for _ in range(20)])
    assert noise_scatter(1000.0, SECONDS) == pytest.approx(1 / np.sqrt(4000))
    assert found == pytest.approx(noise_scatter(1000.0, SECONDS), rel=0.1)


@pytest.mark.parametrize("line", [0.0, 1.0])
def test_it_is_the_scatter_that_repeated_captures_show(line: float) -> None:
    """Velocity, whose floor falls steeply, with and without a line in it."""
    rng = np.random.default_rng(4)
    values, stated = [], []
    for _ in range(300):
        samples = drawn(rng, line)
        channel = Channel(
            name="x", samples=samples.astype(np.float32), sample_rate_hz=RATE, quantity="acceleration",
            recorded_unit="m/s^2",
        )  # fmt: skip
        values.append(next(x.value for x in levels(channel, input_hz=24.0) if x.measure == "velocity_rms"))
        stated.append(band_scatter(power_of(samples), 1 / SECONDS, SECONDS, (10.0, 1000.0), -1))
    seen = np.std(values) / np.mean(values)
    # Integration puts nearly all of the noise into its lowest few lines: their own scatter moves what is stated.
    assert np.median(stated) == pytest.approx(seen, rel=0.3)


def test_a_line_alone_leaves_nothing_open() -> None:
    time = np.arange(int(RATE)) / RATE
    clean = power_of(
        np.sqrt(2) * np.cos(2 * np.pi * 200.3 * time) + 1e-6 * np.random.default_rng(1).standard_normal(4096)
    )
    assert band_scatter(clean, 1.0, 1.0, (100.0, 1000.0)) < 1e-3


def test_longer_and_wider_captures_scatter_less_and_a_highest_value_scatters_slowly() -> None:
    assert noise_scatter(1000.0, 4.0) == pytest.approx(noise_scatter(1000.0, 1.0) / 2)
    rng = np.random.default_rng(2)
    peaks = np.abs(rng.standard_normal((400, 8000))).max(axis=1)
    # 8000 independent values: bandwidth times twice the duration; of both signs, which shifts it little.
    assert peak_scatter(4000.0, 1.0) == pytest.approx(np.std(peaks) / np.mean(peaks), rel=0.15)


def test_a_band_without_lines_to_sum_is_wholly_uncertain() -> None:
    assert band_scatter(np.zeros(100), 1.0, 1.0, (10.0, 50.0)) == 1.0
    assert band_scatter(np.ones(100), 1.0, 1.0, (50.2, 50.4)) == 1.0


def test_a_resonance_lifts_a_figure_by_what_lies_near_it() -> None:
    """One line: 1 / (1 - r²) - 1 (ISO 5348); as much again far below it, and the velocity of both hardly at all."""
    power = np.zeros(2001)
    power[1000] = 1.0
    assert resonance_lift(power, 1.0, (10.0, 2000.0), 3000.0) == pytest.approx(1 / (1 - 1 / 9) - 1)
    power[25] = 1.0
    both = resonance_lift(power, 1.0, (10.0, 2000.0), 3000.0)
    assert both == pytest.approx(np.sqrt(2 / (1 + (8 / 9) ** 2)) - 1, rel=1e-3)
    assert resonance_lift(power, 1.0, (10.0, 2000.0), 3000.0, -1) < 1e-3
    assert resonance_lift(power, 1.0, (10.0, 900.0), 3000.0) < 1e-3
    assert resonance_lift(np.zeros(10), 1.0, (1.0, 9.0), 100.0) == 0.0
