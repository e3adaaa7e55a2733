"""Levels against speed: a run-up of known amplitude, with a resonance and without."""

from __future__ import annotations

import numpy as np
import pytest

from vibe.core.capture import Channel
from vibe.spectra.speed.levels_over_speed import SpeedLevels, levels_over_speed, turns_of_pulse

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


def levels_of(row: np.ndarray, pulse: Channel, beat_turns: float = 0.0) -> SpeedLevels | None:
    return levels_over_speed(row, RATE, turns_of_pulse(pulse), beat_turns=beat_turns)


@pytest.mark.parametrize("backwards", [False, True])
def test_a_flat_line_is_read_flat_at_every_speed(backwards: bool) -> None:
    found = levels_of(*run_up(None, backwards=backwards))
    assert found is not None
    assert found.resonances_hz == ()
    assert np.all(np.diff(found.speed_hz) >= 0)
    assert (found.speed_hz[0] < 6.0, found.speed_hz[-1] > 25.0) == (True, True)
    assert found.once_per_turn_m_s == pytest.approx(1e-3, rel=0.03)
    # Below 10 Hz the line lies outside the band of the level.
    inside = found.speed_hz > 13
    assert found.velocity_m_s[inside] == pytest.approx(1e-3, rel=0.05)


def test_a_resonance_is_found_where_it_is() -> None:
    found = levels_of(*run_up(15.0))
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
    assert levels_of(samples, still) is None


def side_lines(resonance_hz: float | None, *, seed: int, backwards: bool = False) -> tuple[np.ndarray, Channel]:
    """A force whose line once per turn has a side line a 29th of a turn away, six tenths of it, through one degree of
    freedom (damping 0.05) or through none."""
    draw = np.random.default_rng(seed)
    speed = (4.0 + 22.0 * AT / SECONDS)[:: -1 if backwards else 1]
    turns = np.cumsum(speed) / RATE
    force = sum(
        share * np.cos(2 * np.pi * (order * turns + draw.uniform())) for order, share in ((1.0, 1.0), (30 / 29, 0.6))
    )
    force = speed / 25.0 * force
    hz = np.fft.rfftfreq(AT.size, 1 / RATE)
    gain = 1.0 if resonance_hz is None else 1 / (1 - (hz / resonance_hz) ** 2 + 0.1j * hz / resonance_hz)
    row = np.fft.irfft(np.fft.rfft(force) * gain, AT.size) + draw.normal(0, 0.01, AT.size)
    pulse = Channel(
        name="pulse", samples=np.where(turns % 1 < 0.1, 5.0, 0.0).astype(np.float32), sample_rate_hz=RATE,
        quantity="tachometer", recorded_unit="V", pulses_per_rev=1.0,
    )  # fmt: skip
    return row.astype(np.float32), pulse


@pytest.mark.parametrize("backwards", [False, True])
@pytest.mark.parametrize("seed", [1, 4])
def test_lines_that_beat_with_the_shaft_are_no_resonance_and_hide_none(seed: int, backwards: bool) -> None:
    """Without regard to their beat, the healthy twins of these name one resonance to three."""
    row, pulse = side_lines(None, seed=seed, backwards=backwards)
    sound = levels_of(row, pulse, beat_turns=29.0)
    assert sound is not None
    assert sound.resonances_hz == ()
    blind = levels_of(row, pulse)
    assert blind is not None
    assert blind.resonances_hz != ()
    for true in (15.0, 18.0):
        found = levels_of(*side_lines(true, seed=seed, backwards=backwards), beat_turns=29.0)
        assert found is not None
        (at,) = found.resonances_hz
        assert at == pytest.approx(true, rel=0.05)
        assert found.read_hz is not None
        # Slower, the speed changes by a fifth within one beat.
        assert found.read_hz == pytest.approx((11.0, 24.5), abs=1.5)


def test_a_run_that_is_over_before_the_lines_beat_says_nothing_of_resonances() -> None:
    found = levels_of(*side_lines(15.0, seed=1), beat_turns=119.0)
    assert found is not None
    assert found.resonances_hz == ()
    assert found.read_hz is None
