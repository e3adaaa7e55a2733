from __future__ import annotations

import numpy as np
import pytest

from vibe.spectra.integrate import differentiate, integrate, velocity_spectrum
from vibe.spectra.spectrum import amplitude_spectrum, density_spectrum

RATE = 6400.0
TIME = np.arange(32_000) / RATE
INNER = slice(round(0.5 * RATE), -round(0.5 * RATE))  # five periods of the 10 Hz limit from either end


@pytest.mark.parametrize("frequency_hz", [24.3, 77.0, 613.7])
def test_a_sine_integrates_to_a_quarter_turn_behind_itself(frequency_hz: float) -> None:
    omega = 2 * np.pi * frequency_hz
    velocity = integrate(omega * np.cos(omega * TIME + 0.8), RATE, low_hz=10.0, high_hz=1000.0)
    error = velocity - np.sin(omega * TIME + 0.8)
    assert np.abs(error[INNER]).max() < 0.01
    assert np.abs(error).max() < 0.5
    assert velocity.size == TIME.size


@pytest.mark.parametrize("frequency_hz", [24.3, 613.7])
def test_a_sine_differentiates(frequency_hz: float) -> None:
    omega = 2 * np.pi * frequency_hz
    found = differentiate(np.sin(omega * TIME + 0.8), RATE, high_hz=2000.0) / omega
    assert np.abs(found - np.cos(omega * TIME + 0.8))[INNER].max() < 0.01


def test_there_and_back_again() -> None:
    rng = np.random.default_rng(4)
    lines = np.zeros(TIME.size // 2 + 1, dtype=complex)
    lines[100:4000] = rng.normal(size=3900) + 1j * rng.normal(size=3900)  # 20 to 800 Hz
    row = np.fft.irfft(lines)
    back = differentiate(integrate(row, RATE, low_hz=10.0, high_hz=1500.0), RATE, low_hz=10.0, high_hz=1500.0)
    assert np.sqrt(np.mean((back - row)[INNER] ** 2)) < 0.02 * np.sqrt(np.mean(row**2))


def test_drift_and_offset_do_not_become_velocity() -> None:
    drift = 9.81 + 0.5 * TIME
    assert np.abs(integrate(drift, RATE, low_hz=10.0)[INNER]).max() < 1e-3
    # The plain running sum of the same row, its mean removed, runs away by two thousand times that.
    assert np.abs(np.cumsum(drift - drift.mean()) / RATE).max() > 1.0


def test_what_lies_outside_the_band_is_gone() -> None:
    outside = np.sin(2 * np.pi * 5.0 * TIME) + np.sin(2 * np.pi * 1300.0 * TIME)
    inside = np.sin(2 * np.pi * 40.0 * TIME)
    assert np.abs(integrate(outside, RATE, low_hz=10.0, high_hz=1000.0)[INNER]).max() < 2e-4
    assert np.abs(integrate(inside, RATE, low_hz=10.0, high_hz=1000.0)[INNER]).max() == pytest.approx(
        1 / (2 * np.pi * 40.0), rel=0.01
    )


def test_spectrum_of_velocity_divides_by_omega_and_stops_at_the_limit() -> None:
    acceleration = 2.0 * np.sin(2 * np.pi * 50.0 * TIME) + np.sin(2 * np.pi * 6.0 * TIME)
    found = velocity_spectrum(amplitude_spectrum(acceleration, RATE, unit="m/s^2", kind="peak"), 10.0)
    assert found.at(50.0) == pytest.approx(2.0 / (2 * np.pi * 50.0), rel=1e-4)
    assert (found.at(6.0), found.unit, found.kind) == (0.0, "m/s", "peak")


def test_density_of_velocity_divides_by_omega_squared() -> None:
    density = density_spectrum(np.random.default_rng(0).normal(size=32_000), RATE, resolution_hz=2.0, unit="m/s^2")
    found = velocity_spectrum(density, 10.0)
    assert found.at(100.0) == pytest.approx(
        density.at(100.0) / (2 * np.pi * density.step * round(100 / density.step)) ** 2
    )


def test_two_roads_lead_to_one_velocity() -> None:
    # White velocity: white acceleration would put nearly all of it beside the lower limit.
    row = differentiate(np.random.default_rng(9).normal(size=64_000), RATE, high_hz=850.0)
    by_samples = integrate(row, RATE, low_hz=10.0, high_hz=1000.0)[6400:-6400]
    density = velocity_spectrum(density_spectrum(row, RATE, resolution_hz=1.0, unit="m/s^2"), 10.0)
    axis = density.axis
    by_lines = np.sqrt(density.values[(axis >= 10.0) & (axis <= 1000.0)].sum() * density.step)
    assert np.sqrt(np.mean(by_samples**2)) == pytest.approx(by_lines, rel=0.02)


def test_velocity_of_something_else_is_refused() -> None:
    with pytest.raises(ValueError, match="acceleration in m/s\\^2"):
        velocity_spectrum(amplitude_spectrum(TIME, RATE, unit="mm/s"), 10.0)
    with pytest.raises(ValueError, match="no band"):
        integrate(TIME, RATE, low_hz=0.0)
    with pytest.raises(ValueError, match="four samples"):
        integrate(TIME[:3], RATE, low_hz=1.0)


@pytest.mark.parametrize("n", [4, 5, 50])
def test_short_rows_come_back_whole(n: int) -> None:
    assert integrate(np.ones(n), RATE, low_hz=10.0).shape == (n,)
    assert differentiate(np.arange(n, dtype=float), RATE).shape == (n,)
