"""Radio and slew, each constant met from both sides of its limit on rows made by hand."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from tests.ingest.ingest_signals import channel
from vibe.ingest.quality.checks.radio import radio
from vibe.ingest.quality.prepared_signal import prepare
from vibe.ingest.quality.recording import slew
from vibe.ingest.quality.recording.slew import slew_limited
from vibe.synth.samples.recorder_faults import keyed

Row = NDArray[np.float64]
RATE_HZ = 8_000.0
GSM = 26e3 / 120, 8
TETRA = 18 / 1.02, 4
"""Frames per second, slots of a frame."""


def within(row: Row, low_hz: float, high_hz: float, rate_hz: float = RATE_HZ) -> Row:
    """What lies in a band, cut off sharply."""
    spectrum, axis_hz = np.fft.rfft(row), np.fft.rfftfreq(row.size, 1 / rate_hz)
    spectrum[(axis_hz < low_hz) | (axis_hz > high_hz)] = 0
    return np.fft.irfft(spectrum, row.size)


def noise(seconds: float = 3.0, rate_hz: float = RATE_HZ) -> Row:
    return np.random.default_rng(5).standard_normal(round(seconds * rate_hz))


def sends(
    radio_of: tuple[float, int], *bursts: tuple[float, float], rate_hz: float = RATE_HZ, height: float = 1.0
) -> Row:
    """A radio's bursts (begin, length) in seconds, over a little noise."""
    return keyed(0.01 * noise(rate_hz=rate_hz), rate_hz, *radio_of, height, bursts)


def is_radio(row: Row, rate_hz: float = RATE_HZ) -> bool:
    return bool(radio(prepare(channel(row, rate_hz=rate_hz))))


@pytest.mark.parametrize(("radio_of", "window_s"), [(GSM, 0.25), (TETRA, 1.0)])
def test_a_radio_sends_for_two_windows_and_not_for_one(radio_of: tuple[float, int], window_s: float) -> None:
    """Windows hold 54 and 17 frames: as short as bursts may be, and long enough to part their lines from others."""
    if window_s < 0.5:
        assert is_radio(sends(radio_of, (2 * window_s, 2 * window_s)))
    else:
        assert is_radio(sends(radio_of, (0.0, 2 * window_s)))
    assert not is_radio(sends(radio_of, (window_s, window_s)))


@pytest.mark.parametrize(("radio_of", "last"), [(GSM, 7), (TETRA, 47)])
def test_what_a_machine_does_above_the_lines_that_are_read_hides_no_radio(
    radio_of: tuple[float, int], last: int
) -> None:
    """A slot of eight is one lobe of lines, seven; of a radio with four slots twelve lobes are read."""
    row = sends(radio_of, (0.0, 3.0))
    assert is_radio(row + within(noise(), (last + 0.5) * radio_of[0], (2 * last + 0.5) * radio_of[0]))


@pytest.mark.parametrize(("radio_of", "lines"), [(GSM, 3), (GSM, 5), (TETRA, 23)])
def test_impacts_at_the_rate_of_the_frames_that_are_dull_are_no_radio(radio_of: tuple[float, int], lines: int) -> None:
    """A part of the lines and of their power is there; a pulse as short as a slot has them all."""
    row = sends(radio_of, (0.0, 3.0))
    assert not is_radio(within(row, 0.0, (lines + 0.5) * radio_of[0]))
    assert is_radio(within(row, 0.0, (7.5 if radio_of is GSM else 47.5) * radio_of[0]))


@pytest.mark.parametrize(("height", "counts"), [(0.6, True), (0.4, False)])
def test_pulses_count_from_half_the_value_of_the_capture(height: float, counts: bool) -> None:
    above = within(noise(), 3_300.0, 3_900.0)
    assert is_radio(above / above.std() + sends(GSM, (0.0, 3.0), height=height)) is counts


@pytest.mark.parametrize(("rate_hz", "enough"), [(3_000.0, False), (3_500.0, True)])
def test_six_lines_show_a_radio_and_five_do_not(rate_hz: float, enough: bool) -> None:
    """Up to the rate over 2.56."""
    assert is_radio(sends(GSM, (0.0, 3.0), rate_hz=rate_hz), rate_hz) is enough


SLOW_HZ = 10_000.0


def is_held(slope: Row, seconds: float = 4.0, rate_hz: float = SLOW_HZ) -> bool:
    """Whether a signal of that ``slope`` is said to be held back."""
    row = np.cumsum(slope[: round(seconds * rate_hz)])
    return bool(slew_limited(prepare(channel(within(row, 5.0, rate_hz, rate_hz), rate_hz=rate_hz))))


def even(kurtosis: float, count: int = 40_000) -> Row:
    """Independent values of power 1: either sign, blurred until their kurtosis is as said, by bisection."""
    draw = np.random.default_rng(8)
    signs, blur = np.where(draw.random(count) < 0.5, -1.0, 1.0), draw.standard_normal(count)
    low, high = 0.0, 30.0
    for _ in range(60):
        middle = (low + high) / 2
        row = signs + middle * blur
        low, high = (middle, high) if np.mean(row**4) / np.mean(row**2) ** 2 < kurtosis else (low, middle)
    return row / row.std()


def line(share: float, hz: float = 1_230.0, count: int = 40_000, rate_hz: float = SLOW_HZ) -> Row:
    return np.sqrt(2 * share) * np.sin(2 * np.pi * hz * np.arange(count) / rate_hz)


@pytest.mark.parametrize(("kurtosis", "held"), [(2.4, True), (2.6, False)])
def test_slopes_of_noise_may_lie_half_below_three(kurtosis: float, held: bool) -> None:
    assert is_held(even(kurtosis)) is held


@pytest.mark.parametrize(("kurtosis", "held"), [(1.35, True), (1.9, False)])
def test_a_line_takes_from_it_by_the_square_of_its_share(
    kurtosis: float, held: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """3 - 1.5 x 0.4² - 0.5 = 2.26 is the limit; the sum has 3 - 1.5 x 0.4² + 0.6² (kurtosis of the rest - 3)."""
    monkeypatch.setattr(slew, "_put_together_anew", lambda slope, rate_hz: (1.1, 1.0))
    assert is_held(line(0.4) + np.sqrt(0.6) * even(kurtosis)) is held


@pytest.mark.parametrize(("seed", "rest"), [(2, 0.1), (2, 0.3), (7, 0.1), (7, 0.3)])
def test_lines_in_step_end_as_soon_as_a_held_slope_but_hold_nothing_back(seed: int, rest: float) -> None:
    """Nine multiples of one mesh: with those of seed 7 the kurtosis is as low, with those of seed 2 both sides end as
    soon as a limit makes them. One that holds either side, or both, is found among the same lines."""
    draw, time = np.random.default_rng(seed), np.arange(40_000) / SLOW_HZ
    lines = sum(np.sin(2 * np.pi * (k * 231.0 * time + at)) for k, at in enumerate(draw.random(9), 3))
    slope = np.sqrt(2 / 9) * np.asarray(lines) + rest * draw.standard_normal(time.size)
    assert not is_held(slope)
    low, high = np.quantile(slope, [0.05, 0.95])
    for from_, to in ((low, high), (-np.inf, high), (low, np.inf)):
        limited = np.clip(slope, from_, to)
        assert is_held(limited - limited.mean())


def test_where_one_line_has_most_of_the_power_others_in_step_with_it_may_take_more() -> None:
    """A square wave's first three lines: its kurtosis is nearly 1, though lines out of step would have 1.4."""
    turns = 430.0 * np.arange(40_000) / SLOW_HZ
    assert not is_held(sum((np.sin(2 * np.pi * k * turns) / k for k in (1, 3, 5)), np.zeros(turns.size)))


@pytest.mark.parametrize(("seconds", "held"), [(1.2, True), (0.8, False)])
def test_a_second_is_long_enough(seconds: float, held: bool) -> None:
    assert is_held(even(1.8), seconds) is held


@pytest.mark.parametrize(("rate_hz", "held"), [(700.0, True), (600.0, False)])
def test_windows_hold_64_samples_at_least(rate_hz: float, held: bool) -> None:
    assert is_held(even(1.8), 4.0, rate_hz) is held


def test_how_long_the_slope_is_held_is_said() -> None:
    """Three quarters of the time at the limit, the rest far below: steeper than 0.85 of it counts."""
    signs = np.where(np.random.default_rng(2).random(40_000) < 0.5, -1, 1)
    slope = np.where(np.arange(40_000) % 4 == 3, 0.6, 1.0) * signs
    (reason,) = slew_limited(prepare(channel(np.cumsum(slope), rate_hz=SLOW_HZ)))
    assert "for 75 % of the time" in reason.text
