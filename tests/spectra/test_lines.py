from __future__ import annotations

import numpy as np
import pytest

from tests.spectra.spectra_signals import noise
from vibe.core.evidence import Line
from vibe.spectra.basic.angle_law import AngleLaw
from vibe.spectra.basic.lines import angular, read_lines

RATE, N = 8192.0, 65_536
TIME = np.arange(N) / RATE
BIN = RATE / N


def power_of(row: np.ndarray) -> np.ndarray:
    """One-sided mean square per bin under a Hann window (textbook definition; Harris 1978: 1.5 bins of noise)."""
    taper = 0.5 - 0.5 * np.cos(2 * np.pi * np.arange(row.size) / row.size)
    return np.abs(np.fft.rfft(row * taper)) ** 2 * 2.0 / taper.sum() ** 2


def read(row: np.ndarray, *wanted: tuple[str, float], spread: float = 0.0) -> dict[str, Line]:
    found = read_lines(power_of(row), BIN, wanted, noise_bandwidth_bins=1.5, channel="gearbox", spread=spread)
    return {line.name: line for line in found}


@pytest.mark.parametrize("off_bin", [0.0, 0.31, 0.5])
@pytest.mark.parametrize(("middle_hz", "velocity_mm_s"), [(24.0, 2.8), (100.0, 0.71), (1000.0, 4.5)])
def test_a_known_velocity_is_read_as_it_is(middle_hz: float, velocity_mm_s: float, off_bin: float) -> None:
    frequency = middle_hz + off_bin * BIN
    # v.r.m.s. of a sine: acceleration amplitude over (omega · sqrt 2).
    peak = velocity_mm_s * 1e-3 * np.sqrt(2) * 2 * np.pi * frequency
    line = read(peak * np.sin(2 * np.pi * frequency * TIME + 0.7) + noise(1, N, 0.02), ("x", frequency))["x"]
    assert line.velocity_mm_s == pytest.approx(velocity_mm_s, rel=5e-3 + 0.5 * BIN / frequency)
    assert line.acceleration_m_s2 == pytest.approx(peak / np.sqrt(2), rel=1e-2)
    assert abs(line.frequency_hz - frequency) <= 0.51 * BIN
    assert line.channel == "gearbox"
    assert line.over_floor_db > 20


def test_the_floor_next_to_a_line_is_the_density_of_the_noise() -> None:
    sigma = 0.4
    readings = [
        read(noise(seed, N, sigma) + 3.0 * np.sin(2 * np.pi * 200.0 * TIME), ("x", 200.0))["x"] for seed in range(20)
    ]
    # White noise has 2 sigma² / rate per Hz; seven bins are read.
    expected = sigma * np.sqrt(2 / RATE * 7 * BIN) / (2 * np.pi * 200.0) * 1e3
    assert np.mean([line.floor_mm_s for line in readings]) == pytest.approx(expected, rel=0.05)


def test_nothing_but_noise_is_no_line() -> None:
    over = [
        line.over_floor_db
        for seed in range(10)
        for line in read(noise(seed, N), *((f"{k}", 25.0 * k) for k in range(1, 40))).values()
    ]
    assert np.mean(np.array(over) > 10.0) < 0.003  # 10 dB is where a line counts as present
    assert np.median(over) < 0.0


def test_a_speed_not_quite_known_widens_the_look_and_only_then() -> None:
    row = np.sin(2 * np.pi * 1002.0 * TIME) + noise(2, N, 0.01)
    assert read(row, ("x", 1000.0))["x"].over_floor_db < 10
    found = read(row, ("x", 1000.0), spread=0.003)["x"]
    assert found.frequency_hz == pytest.approx(1002.0, abs=BIN)
    assert found.acceleration_m_s2 == pytest.approx(np.sqrt(0.5), rel=0.01)


def test_what_lies_off_the_axis_is_left_out() -> None:
    assert read(noise(1, N), ("low", 0.1), ("high", 4095.9), ("beyond", 9000.0)) == {}


def test_a_steady_capture_is_passed_on_untouched() -> None:
    row = noise(1, N).astype(np.float32)
    laid, per_turn = angular(row, RATE, AngleLaw.steady(25.0, N / RATE))
    assert laid is row
    assert per_turn == RATE / 25.0


@pytest.mark.parametrize("order", [1.0, 18.0, 137.0])
def test_order_tracking_gathers_a_swept_line_into_one(order: float) -> None:
    duration, gain = N / RATE, 0.05
    knots = np.linspace(0.0, duration, 33)

    def turns(t: np.ndarray) -> np.ndarray:
        return 20.0 * (t + gain * t**2 / (2 * duration))

    law = AngleLaw(time_s=knots, turns=turns(knots))
    row = np.sin(2 * np.pi * order * turns(TIME)).astype(np.float32)
    laid, per_turn = angular(row, RATE, law)
    spectrum = power_of(laid)
    step = per_turn / laid.size
    middle = round(order / step)
    around = spectrum[middle - 3 : middle + 4].sum() / 1.5
    # All of its mean square of one half, where the sweep had spread it over 5 % of its frequency, but for what
    # straight lines between points twice as dense as the samples lose: sinc² in amplitude.
    kept = np.sinc(order * law.mean_hz / (2 * RATE)) ** 4
    assert 0.985 * kept < around / 0.5 < 1.005
    unlaid = power_of(row)
    smeared = round(order * law.mean_hz / BIN)
    if order >= 18.0:
        assert unlaid[smeared - 3 : smeared + 4].sum() / 1.5 < 0.25


@pytest.mark.parametrize(("bins", "another"), [(0.0, False), (0.5, False), (1.7, True)])
def test_a_peak_next_to_the_place_is_another_line(bins: float, another: bool) -> None:
    row = np.sin(2 * np.pi * (200.0 + bins * BIN) * TIME) + noise(3, N, 0.01)
    line = read(row, ("x", 200.0))["x"]
    assert line.off_bins == pytest.approx(bins, abs=0.02)
    assert line.is_another is another
    # Where the speed is unsure by as much, it is the line that was asked for.
    assert not read(row, ("x", 200.0), spread=2 * BIN / 200.0)["x"].is_another
