"""A machine that stands and a mount that is loose: each number is met from both sides of its limit, on rows made by
hand."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from tests.ingest.ingest_signals import channel
from vibe.ingest.quality.checks.mounting import loose_mount
from vibe.ingest.quality.checks.running import not_running
from vibe.ingest.quality.prepared_signal import prepare

Row = NDArray[np.float64]
RATE_HZ = 2_560.0


def noise(size: int, seed: int = 3) -> Row:
    return np.random.default_rng(seed).standard_normal(size)


def higher(row: Row, low_hz: float, high_hz: float, by_db: float, rate_hz: float = RATE_HZ) -> Row:
    """The row with a band raised, from one bin to another, both counted in."""
    hz = np.fft.rfftfreq(row.size, 1 / rate_hz)
    inside = (hz > low_hz - 0.5) & (hz < high_hz + 0.5)
    return np.fft.irfft(np.fft.rfft(row) * np.where(inside, 10 ** (by_db / 20), 1.0), row.size)


def said(row: Row, rate_hz: float = RATE_HZ, **more: Any) -> str:
    """The code of what is said of a row; empty where it runs."""
    found = not_running(prepare(channel(row, rate_hz=rate_hz, **more)))
    return found[0].code if found else ""


# ── the recorder's own noise ──────────────────────────────────────────────────────────────────────────────────────


@pytest.mark.parametrize(("last_hz", "runs"), [(450.0, False), (490.0, True)])
def test_a_spectrum_has_shape_where_most_of_a_tenth_of_it_is_raised(last_hz: float, runs: bool) -> None:
    """From 20 to 1000 Hz tenths are 98 Hz wide: of the fifth, 413 to 510 Hz, a third and three quarters."""
    assert (said(higher(0.01 * noise(80_000), 421.0, last_hz, 7.0)) == "") is runs


@pytest.mark.parametrize(("low_hz", "high_hz", "runs"), [(462.0, 501.0, False), (472.0, 491.0, True)])
def test_a_floor_is_the_median_of_64_bins(low_hz: float, high_hz: float, runs: bool) -> None:
    """Of 458 to 521 Hz: what fills most of these is a floor, what fills a third of them stands out of it."""
    assert (said(higher(0.01 * noise(80_000), low_hz, high_hz, 14.0)) == "") is runs


def line(hz: float, amplitude: float, size: int = 80_000, rate_hz: float = RATE_HZ) -> Row:
    return amplitude * np.sin(2 * np.pi * hz * np.arange(size) / rate_hz)


@pytest.mark.parametrize(("hz", "runs"), [(7.0, False), (14.0, True)])
def test_lines_below_ten_hertz_are_drift_and_sway(hz: float, runs: bool) -> None:
    assert (said(0.01 * noise(80_000) + line(hz, 0.005)) == "") is runs


@pytest.mark.parametrize(("hz", "runs"), [(52.0, False), (54.0, True), (60.0, False), (30.0, True)])
def test_a_line_of_the_mains_reaches_two_bins_and_a_half(hz: float, runs: bool) -> None:
    """From 51.25 Hz, as the sample rate may be rounded; a Hann window's line is three bins of 1 Hz wide."""
    assert (said(0.01 * noise(80_000) + line(hz, 0.005)) == "") is runs


@pytest.mark.parametrize(
    ("hz", "over_db", "code"),
    [
        (519.0, 20.0, "too_weak"), (1_409.0, 20.0, "not_running"), (310.0, 18.0, "too_weak"),
        (310.0, 11.5, "not_running"),
    ],
)  # fmt: skip
def test_within_a_recorders_steps_a_shaft_stands_out_by_15_db_below_1000_hz(
    hz: float, over_db: float, code: str
) -> None:
    """Two lines that are no multiples of one mains. Noise of half a step, rounded, has a floor of (1/4 + 1/12) / 5120
    per hertz; a line is 1.5 bins wide."""
    amplitude = float(np.sqrt(2 * 1.5 * (1 / 4 + 1 / 12) / 5_120 * 10 ** (over_db / 10)))
    lines = sum((line(one, amplitude, rate_hz=10_240.0) for one in (hz, hz + 22.0)), np.zeros(80_000))
    assert said(np.clip(np.round(0.5 * noise(80_000) + lines), -2, 2), 10_240.0, step=1.0) == code


@pytest.mark.parametrize(("hz", "code"), [(52.0, "not_running"), (54.0, "too_weak")])
def test_there_too_a_line_of_the_mains_reaches_two_bins_and_a_half(hz: float, code: str) -> None:
    row = np.clip(np.round(0.5 * noise(80_000) + line(hz, 0.2)), -2, 2)
    assert said(row, step=1.0) == code


# ── a loose mount ─────────────────────────────────────────────────────────────────────────────────────────────────


def rings(at_hz: float, seconds: float, rate_hz: float = 5_000.0, by_db: float = 55.0) -> bool:
    """Whether noise in a band of 30 Hz, 55 dB over all other unless another height is given, is a loose mount."""
    row = higher(noise(round(seconds * rate_hz)), at_hz - 15.0, at_hz + 15.0, by_db, rate_hz)
    return bool(loose_mount(prepare(channel(row, rate_hz=rate_hz)))[0])


@pytest.mark.parametrize(("seconds", "found"), [(1.7, False), (2.5, True)])
def test_eight_segments_of_a_quarter_of_a_second_show_a_loose_mount(seconds: float, found: bool) -> None:
    assert rings(600.0, seconds) is found


@pytest.mark.parametrize(("rate_hz", "found"), [(3_200.0, False), (3_700.0, True)])
def test_what_arrives_an_octave_higher_is_read_in_eight_blocks_of_36_hertz(rate_hz: float, found: bool) -> None:
    """From 1044 Hz up to the rate over 2.56: 206 Hz and 401 Hz."""
    assert rings(522.0, 4.0, rate_hz) is found


@pytest.mark.parametrize(("at_hz", "found"), [(450.0, False), (560.0, True), (2_350.0, True), (2_700.0, False)])
def test_a_loose_mount_resonates_from_500_to_2500_hertz(at_hz: float, found: bool) -> None:
    assert rings(at_hz, 2.5, 22_000.0) is found


@pytest.mark.parametrize(("by_db", "found"), [(32.0, False), (39.0, True)])
def test_and_stands_35_decibels_over_what_arrives_an_octave_higher(by_db: float, found: bool) -> None:
    assert rings(600.0, 3.5, by_db=by_db) is found


@pytest.mark.parametrize(
    ("from_hz", "by_db", "found"), [(1_900.0, 4.5, False), (1_900.0, 1.5, True), (1_300.0, 4.5, True)]
)
def test_a_casing_that_rings_again_higher_up_is_no_mount(from_hz: float, by_db: float, found: bool) -> None:
    """Twice the power beyond three times the resonance, half an octave wide: a mount lets the less through up there."""
    row = higher(noise(round(3.5 * 9_000.0)), 585.0, 615.0, 60.0, 9_000.0)
    row = higher(row, from_hz, 1.45 * from_hz, by_db, 9_000.0)
    assert bool(loose_mount(prepare(channel(row, rate_hz=9_000.0)))[0]) is found


def combed(*of_each: float, period_hz: float, seconds: float = 16.0, rate_hz: float = 5_000.0) -> bool:
    """Whether equal lines that come again every ``period_hz``, from 500 to 620 Hz over a low floor, are a loose
    mount."""
    time_s, draw = np.arange(round(seconds * rate_hz)) / rate_hz, np.random.default_rng(4)
    row = 1e-4 * noise(time_s.size)
    for first in np.arange(500.0, 620.0, period_hz):
        for off in of_each:
            row += np.sin(2 * np.pi * (first + off) * time_s + draw.uniform(0, 2 * np.pi))
    return bool(loose_mount(prepare(channel(row, rate_hz=rate_hz)))[0])


def test_one_strong_line_is_no_hump() -> None:
    """Three bins of nine; too short for finer ones."""
    row = line(1_000.0, 1.0, 13_500, 5_400.0) + 1e-4 * noise(13_500)
    assert not loose_mount(prepare(channel(row, rate_hz=5_400.0)))[0]


@pytest.mark.parametrize(("apart_hz", "found"), [(6.0, False), (2.5, True)])
def test_bins_of_a_hertz_show_what_lies_between_lines(apart_hz: float, found: bool) -> None:
    """Lines are three of them wide."""
    assert combed(0.0, period_hz=apart_hz) is found


@pytest.mark.parametrize(("of_each", "period_hz", "found"), [((0.0,), 4.0, False), ((0.0, 3.0), 7.0, True)])
def test_a_fifth_of_the_bins_lies_between_lines(of_each: tuple[float, ...], period_hz: float, found: bool) -> None:
    """One in four is free, or one in seven."""
    assert combed(*of_each, period_hz=period_hz) is found
