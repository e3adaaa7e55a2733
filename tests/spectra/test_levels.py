from __future__ import annotations

import time
from typing import Any

import numpy as np
import pytest

from vibe.core.capture import Channel
from vibe.spectra.basic.levels import levels

RATE = 25_600.0
TIME = np.arange(256_000) / RATE


def channel(samples: np.ndarray, quantity: str = "acceleration", rate: float = RATE) -> Channel:
    return Channel(name="gearbox", samples=samples, sample_rate_hz=rate, quantity=quantity, recorded_unit="m/s^2")  # type: ignore[arg-type]


def figures(one: Channel, **more: Any) -> dict[str, float]:
    return {level.measure: level.value for level in levels(one, **{"input_hz": 24.3, **more})}


def test_closed_form_of_a_sine_off_the_bins_with_offset_and_drift() -> None:
    amplitude, frequency = 3.0, 24.337
    row = 9.81 + 0.02 * TIME + amplitude * np.sin(2 * np.pi * frequency * TIME)
    found = figures(channel(row))
    omega = 2 * np.pi * frequency
    assert found["velocity_rms"] == pytest.approx(1e3 * amplitude / np.sqrt(2) / omega, rel=2e-3)
    assert found["displacement_rms"] == pytest.approx(1e6 * amplitude / np.sqrt(2) / omega**2, rel=2e-3)
    assert found["acceleration_rms"] == pytest.approx(amplitude / np.sqrt(2), rel=2e-3)
    assert found["acceleration_peak"] == pytest.approx(amplitude + 0.1, rel=5e-3)
    assert found["kurtosis"] == pytest.approx(1.5, rel=0.01)
    assert found["acceleration_rms_high"] < 1e-3


@pytest.mark.parametrize(("line_hz", "input_hz", "counts"), [(5.0, 24.0, False), (5.0, 4.0, True), (5.0, None, False)])
def test_slow_machines_are_judged_from_2_hz(line_hz: float, input_hz: float | None, counts: bool) -> None:
    one = channel(np.sin(2 * np.pi * line_hz * TIME))
    velocity = next(level for level in levels(one, input_hz=input_hz) if level.measure == "velocity_rms")
    assert velocity.band_hz == ((2.0, 1000.0) if counts else (10.0, 1000.0))
    assert velocity.value == pytest.approx(
        1e3 / np.sqrt(2) / (2 * np.pi * line_hz) if counts else 0.0, rel=1e-2, abs=0.02
    )


def test_a_velocity_sensor_gives_the_same_figures_as_an_accelerometer() -> None:
    omega = 2 * np.pi * 120.0
    by_acceleration = figures(channel(omega * 2e-3 * np.cos(omega * TIME)))
    by_velocity = figures(channel(2e-3 * np.sin(omega * TIME), "velocity"))
    for measure in ("velocity_rms", "displacement_rms", "acceleration_rms", "acceleration_peak", "crest_factor"):
        assert by_velocity[measure] == pytest.approx(by_acceleration[measure], rel=0.02), measure
    assert by_acceleration["velocity_rms"] == pytest.approx(2.0 / np.sqrt(2), rel=1e-3)
    by_displacement = figures(channel(2e-3 / omega * np.sin(omega * TIME), "displacement"))
    assert by_displacement.keys() == {"velocity_rms", "displacement_rms"}
    assert by_displacement["velocity_rms"] == pytest.approx(2.0 / np.sqrt(2), rel=1e-3)


def test_noise_has_the_figures_of_noise_and_a_stray_shock_fools_only_the_plain_kurtosis() -> None:
    noise = np.random.default_rng(2).normal(size=TIME.size)
    sound = figures(channel(noise))
    assert sound["kurtosis"] == pytest.approx(3.0, abs=0.05)
    assert sound["kurtosis_typical"] == pytest.approx(3.0, abs=0.1)
    assert sound["acceleration_rms_high"] == pytest.approx(np.sqrt((12_800 - 5000) / 12_800), rel=0.01)

    shock = noise.copy()
    shock[100_000:100_020] += 60.0 * np.hanning(20)
    stray = figures(channel(shock))
    assert stray["kurtosis"] > 10.0
    assert stray["kurtosis_typical"] == pytest.approx(sound["kurtosis_typical"], abs=0.02)

    impacts = noise.copy()
    for start in range(0, impacts.size - 20, round(RATE / 87.0)):
        impacts[start : start + 20] += 15.0 * np.hanning(20)
    damaged = figures(channel(impacts))
    assert damaged["kurtosis_typical"] > 5.0
    assert damaged["crest_factor"] == pytest.approx(damaged["acceleration_peak"] / damaged["acceleration_rms"])


def test_bands_end_where_trust_ends_and_say_so() -> None:
    noise = np.random.default_rng(2).normal(size=TIME.size)
    held = {level.measure: level for level in levels(channel(noise), input_hz=24.3, usable_band_hz=(3.0, 5500.0))}
    assert "acceleration_rms_high" not in held
    slow = {level.measure: level for level in levels(channel(noise[:8000], rate=800.0), input_hz=24.3)}
    assert slow["velocity_rms"].band_hz == (10.0, 400.0)


def test_too_short_for_three_periods_of_the_band_has_no_velocity() -> None:
    assert "velocity_rms" not in figures(channel(np.random.default_rng(0).normal(size=7000)))
    assert "velocity_rms" in figures(channel(np.random.default_rng(0).normal(size=8000)))


def test_nothing_to_say_of_a_tachometer_and_nothing_wrong_with_silence() -> None:
    assert levels(channel(np.ones(1000), "tachometer"), input_hz=25.0) == ()
    silent = figures(channel(np.zeros(256_000)))
    assert silent["velocity_rms"] == silent["acceleration_peak"] == 0.0
    assert "crest_factor" not in silent


@pytest.mark.parametrize("scale", [1e-14, 1e14])
def test_figures_without_unit_do_not_depend_on_the_unit(scale: float) -> None:
    noise = np.random.default_rng(2).normal(size=32_000)
    usual, odd = figures(channel(noise)), figures(channel(scale * noise))
    for measure in ("crest_factor", "kurtosis", "kurtosis_typical"):
        assert odd[measure] == pytest.approx(usual[measure], rel=1e-3)
    for measure in ("velocity_rms", "acceleration_rms", "acceleration_rms_high"):
        assert odd[measure] == pytest.approx(scale * usual[measure], rel=1e-3)


def test_levels_of_ten_seconds_take_no_time() -> None:
    one = channel(np.random.default_rng(0).normal(size=TIME.size))
    levels(one, input_hz=24.3)
    best = np.inf
    for _ in range(5):
        start = time.process_time()
        levels(one, input_hz=24.3)
        best = min(best, time.process_time() - start)
    assert best < 0.06
