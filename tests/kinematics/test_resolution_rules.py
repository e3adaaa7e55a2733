"""When two lines part under a Hann window: by closed form, and by transforming two tones."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from tests.kinematics.hann_window import hann_transform
from vibe.core.drive import Drive, Input
from vibe.core.stages import Stage
from vibe.core.stages.cycloidal import CycloidalStage
from vibe.core.stages.rv import RvStage
from vibe.core.tones import CaptureSettings
from vibe.kinematics.planning.capture_plan import capture_plan
from vibe.kinematics.planning.observability import needed_duration_s, resolution_hz, visibility
from vibe.kinematics.planning.resolution import RESOLUTION_BINS, WEAK_LINE_BINS, parting_s
from vibe.kinematics.tone_table import tone_table

RATE, SECONDS = 256.0, 16.0
PHASES = np.linspace(0.0, 2 * np.pi, 24, endpoint=False)
FINE = 64
"""Points of the transform in one bin."""


def transform(apart_bins: float, weaker_db: float, phase: float) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Bins from the strong tone, and the transform's size there, of two tones that meet mid-capture at ``phase``."""
    n = round(RATE * SECONDS)
    t = (np.arange(n) - n / 2) / RATE
    first, apart = 37.3, apart_bins / SECONDS
    rows = np.cos(2 * np.pi * first * t) + 10 ** (-weaker_db / 20) * np.cos(2 * np.pi * (first + apart) * t + phase)
    window = 0.5 - 0.5 * np.cos(2 * np.pi * np.arange(n) / n)
    size = np.abs(np.fft.rfft(rows * window, n=FINE * n))
    bins: Any = (np.fft.rfftfreq(FINE * n, 1 / RATE) - first) * SECONDS
    near = (bins > -3) & (bins < apart_bins + 3)
    return bins[near], size[near]


def shows_both(apart_bins: float, weaker_db: float, phase: float) -> bool:
    """Whether each tone has a maximum of its own within half a bin of its place."""
    bins, size = transform(apart_bins, weaker_db, phase)
    tops = bins[1:-1][(size[1:-1] > size[:-2]) & (size[1:-1] >= size[2:])]
    return all(bool(np.any(np.abs(tops - place) < 0.5)) for place in (0.0, apart_bins))


def test_transform_of_the_window() -> None:
    """Harris 1978, Table 1: half height (6 dB) is 2.00 bins wide; nulls from 2 bins on; first side lobe -31.5 dB."""
    assert hann_transform(0.0) == 1.0
    assert hann_transform(1.0) == hann_transform(-1.0) == 0.5
    assert hann_transform(1.0 + 1e-4) == pytest.approx(0.5, abs=1e-4)
    assert hann_transform(2.0) == pytest.approx(0.0, abs=1e-12)
    lobes = max(abs(hann_transform(x)) for x in np.linspace(2.0, 6.0, 4001))
    assert 20 * np.log10(lobes) == pytest.approx(-31.5, abs=0.05)


def test_two_equal_lines_dip_between_them_from_the_six_decibel_bandwidth_on() -> None:
    def dip_db(apart: float) -> float:
        heights = [hann_transform(x - apart / 2) + hann_transform(x + apart / 2) for x in np.linspace(-3, 3, 6001)]
        return float(20 * np.log10(max(heights) / (2 * hann_transform(apart / 2))))

    assert 2 * hann_transform(RESOLUTION_BINS / 2) == pytest.approx(1.0)  # midway as high as one line alone
    assert dip_db(RESOLUTION_BINS) == pytest.approx(0.20, abs=0.01)
    assert dip_db(1.87) == 0.0
    assert dip_db(1.90) > 0.0
    assert dip_db(1.5) == 0.0  # at the noise bandwidth there is one hump


def test_samples_transform_as_the_closed_form_says() -> None:
    bins, size = transform(2.0, 0.0, 0.0)
    expected = [abs(hann_transform(x) + hann_transform(x - 2.0)) for x in bins]
    assert size / size.max() == pytest.approx(np.array(expected) / max(expected), abs=2e-3)


@pytest.mark.parametrize(
    ("weaker_db", "enough", "too_little"), [(0.0, RESOLUTION_BINS, 1.85), (20.0, WEAK_LINE_BINS, 2.3), (40.0, 5.5, 5.2)]
)
def test_two_tones_part_at_every_phase(weaker_db: float, enough: float, too_little: float) -> None:
    """``too_little`` holds at the worst phase only: in between it depends on how the tones meet."""
    assert all(shows_both(enough, weaker_db, phase) for phase in PHASES)
    assert not all(shows_both(too_little, weaker_db, phase) for phase in PHASES)


def test_equal_lines_in_phase_are_the_worst_case() -> None:
    assert not shows_both(1.5, 0.0, 0.0)
    assert shows_both(1.5, 0.0, np.pi)


def test_seconds() -> None:
    assert parting_s(0.25) == 8.0
    assert parting_s(0.25, weak=True) == pytest.approx(9.6)
    assert resolution_hz(8.0) == 0.25


# ── the rules at work ─────────────────────────────────────────────────────────────────────────────────────────────


def drive(*stages: Stage, rpm: float) -> Drive:
    return Drive(tag="T", input=Input(speed_rpm=rpm), stage=list(stages))


@pytest.mark.parametrize("lobes", [59, 87, 119])
def test_lobe_next_to_running_speed(lobes: int) -> None:
    """They lie f / lobes apart, so two equal lines take 2 lobes / f and a lobe 20 dB below takes 2.4 lobes / f."""
    stage = CycloidalStage(kind="cycloidal", lobes=lobes, ring_pins=lobes + 1, output_pins=10)
    machine = drive(stage, rpm=1500.0)
    table = tone_table(machine)
    lobe = table.tone("stage1.lobe")
    equal, _ = needed_duration_s(lobe, table, 25.0)
    below, what_for = needed_duration_s(lobe, table, 25.0, near_strong=True)
    assert equal == pytest.approx(2.0 * lobes / 25)
    assert below == pytest.approx(2.4 * lobes / 25)
    assert "input.shaft" in what_for
    assert capture_plan(machine, table).duration_s >= below


def test_what_counts_as_seen_is_two_humps_in_a_transform() -> None:
    """At the shortest length that is called enough, running speed and lobe stand apart; a tenth shorter they do not."""
    stage = CycloidalStage(kind="cycloidal", lobes=119, ring_pins=120, output_pins=10)
    table = tone_table(drive(stage, rpm=1500.0))
    apart_hz = 25.0 / 119
    for seconds, seen in ((2.0 / apart_hz * 1.001, True), (2.0 / apart_hz * 0.9, False)):
        settings = CaptureSettings(duration_s=seconds, sample_rate_hz=25_600.0, usable_band_hz=(2.0, 10_000.0))
        verdict = {view.tone: view for view in visibility(table, settings, 25.0)}["stage1.ring_pin"]
        assert (verdict.seen, verdict.reach) == (seen, "seen" if seen else "longer")
        assert shows_both(apart_hz * seconds, 0.0, 0.0) is seen


def test_reach_is_stated_in_numbers() -> None:
    stage = CycloidalStage(kind="cycloidal", lobes=87, ring_pins=88, output_pins=12)
    table = tone_table(drive(stage, stage, rpm=1500.0))

    def look(seconds: float, rate: float, top: float) -> dict[str, tuple[str, float | None, float | None]]:
        settings = CaptureSettings(duration_s=seconds, sample_rate_hz=rate, usable_band_hz=(2.0, top))
        views = visibility(table, settings, 25.0)
        return {view.tone: (view.reach, view.needs_duration_s, view.needs_sample_rate_hz) for view in views}

    good = look(30.0, 25_600.0, 10_000.0)
    assert good["stage1.lobe"] == ("seen", None, None)
    assert good["stage2.lobe"] == ("longer", 610.0, None)  # 2 * 87 * 87 / 25 = 605.5 s
    assert good["stage2.output"][0] == "out of reach"  # 0.003 Hz
    low_rate = look(30.0, 2560.0, 10_000.0)
    assert low_rate["stage1.lobe"] == ("other settings", 7.0, pytest.approx(5120.0))
    # A magnet ends the band where the rate does not: more samples would not help.
    assert look(30.0, 25_600.0, 600.0)["stage1.lobe"] == ("other settings", 7.0, None)
    both = look(30.0, 2560.0, 10_000.0)["stage2.lobe"]
    assert both == ("other settings", 610.0, pytest.approx(5120.0))


def test_a_planet_drives_sun_tooth_waits_for_its_own_line() -> None:
    """Published train, 10/38/39/40 teeth, 153:1 (Yang et al. 2021): the sun's tooth lies 1/153 below running speed."""
    stage = RvStage(kind="rv", sun_teeth=10, planet_teeth=38, lobes=39, ring_pins=40)
    table = tone_table(drive(stage, rpm=1530.0))
    seconds, what_for = needed_duration_s(table.tone("stage1.sun_tooth"), table, 25.5)
    assert seconds == pytest.approx(2.0 * 153 / 25.5)
    assert "input.shaft" in what_for
