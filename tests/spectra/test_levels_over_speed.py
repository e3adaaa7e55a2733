"""Levels against speed: a run-up of known amplitude, with a resonance and without."""

from __future__ import annotations

import numpy as np
import pytest

from vibe.core.capture import Channel
from vibe.spectra.speed.levels_over_speed import levels_over_speed

RATE, SECONDS = 4096.0, 24.0
AT = np.arange(int(RATE * SECONDS)) / RATE


def run_up(resonance_hz: float | None, *, backwards: bool = False) -> tuple[np.ndarray, Channel]:
    """Acceleration of a line once per turn whose velocity is 1 mm/s r.m.s., times a resonance's gain; and its pulse."""
    speed = 4.0 + 22.0 * AT / SECONDS
    if backwards:
        speed = speed[::-1]
    turns = np.cumsum(speed) / RATE
    gain = np.ones(AT.size)
    if resonance_hz is not None:
        ratio = speed / resonance_hz
        gain = 1 / np.sqrt((1 - ratio**2) ** 2 + (0.1 * ratio) ** 2)
    velocity = 1e-3 * np.sqrt(2) * gain
    acceleration = velocity * 2 * np.pi * speed * np.cos(2 * np.pi * turns)
    acceleration += np.random.default_rng(5).normal(0, 0.02, AT.size)
    pulse = np.where(turns % 1 < 0.1, 5.0, 0.0).astype(np.float32)
    channel = Channel(
        name="pulse", samples=pulse, sample_rate_hz=RATE, quantity="tachometer", recorded_unit="V", pulses_per_rev=1.0
    )
    return acceleration.astype(np.float32), channel


@pytest.mark.parametrize("backwards", [False, True])
def test_a_flat_line_is_read_flat_at_every_speed(backwards: bool) -> None:
    found = levels_over_speed(*_args(run_up(None, backwards=backwards)))
    assert found is not None
    assert found.resonances_hz == ()
    assert np.all(np.diff(found.speed_hz) >= 0)
    assert (found.speed_hz[0] < 6.0, found.speed_hz[-1] > 25.0) == (True, True)
    assert found.once_per_turn_m_s == pytest.approx(1e-3, rel=0.03)
    # Below 10 Hz the line lies outside the band of the level.
    inside = found.speed_hz > 13
    assert found.velocity_m_s[inside] == pytest.approx(1e-3, rel=0.05)


def test_a_resonance_is_found_where_it_is() -> None:
    found = levels_over_speed(*_args(run_up(15.0)))
    assert found is not None
    (at,) = found.resonances_hz
    assert at == pytest.approx(15.0, abs=0.4)
    assert found.once_per_turn_m_s.max() == pytest.approx(10e-3, rel=0.15)


def test_without_a_turning_pulse_there_is_no_curve() -> None:
    samples, pulse = run_up(None)
    still = Channel(
        name="pulse", samples=np.zeros_like(pulse.samples), sample_rate_hz=RATE, quantity="tachometer",
        recorded_unit="V", pulses_per_rev=1.0,
    )  # fmt: skip
    assert levels_over_speed(samples, RATE, still) is None


def _args(made: tuple[np.ndarray, Channel]) -> tuple[np.ndarray, float, Channel]:
    return made[0], RATE, made[1]
