"""A run-up without a pulse: levels over the speed that own lines give, and what is said where they give none."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from tests.report.certificates import issued
from tests.worlds.sweeps import RATE_HZ, Made, drive_file, make, sweep_of
from vibe.core.capture import Capture, Channel
from vibe.core.records.acceptance import RunKind
from vibe.core.records.commissioning import SpeedCurve
from vibe.flow.commissioning.speed_curves import ONCE, VELOCITY, RunCurves, name_of, sightings, speed_curves
from vibe.flow.settings import tones_of
from vibe.report.certificate.speed_chart import chart, drawn

SWEEP = sweep_of("s-shape", 2)


@pytest.fixture(scope="module")
def made() -> Made:
    return make(SWEEP)


def curves_of(rows: np.ndarray, turns: np.ndarray | None, folder: Path, kind: RunKind = "run-up") -> RunCurves:
    """Of a capture with a pulse, or with ``turns`` hidden."""
    (folder / "drive.toml").write_text(drive_file(SWEEP), encoding="utf-8")
    drive, table = tones_of(folder / "drive.toml")
    channels = [
        Channel(
            name=name, samples=row.astype(np.float32), sample_rate_hz=RATE_HZ, quantity="acceleration",
            recorded_unit="m/s^2",
        )
        for name, row in zip(("ring", "output"), rows, strict=True)
    ]  # fmt: skip
    if turns is not None:
        near = (turns + 0.5) % 1 - 0.5
        pulse = (5.0 * np.exp(-0.5 * (near / 0.02) ** 2)).astype(np.float32)
        channels.append(
            Channel(
                name="pulse", samples=pulse, sample_rate_hz=RATE_HZ, quantity="tachometer", recorded_unit="V",
                pulses_per_rev=1.0,
            )
        )  # fmt: skip
    capture = Capture(source=Path("run-up.h5"), sha256="0" * 64, channels=tuple(channels))
    return speed_curves(capture, kind, "run-up.h5", drive, table)


def test_levels_over_a_speed_from_own_lines_are_those_of_pulses(made: Made, tmp_path: Path) -> None:
    with_pulse, without = curves_of(made.rows, made.turns, tmp_path), curves_of(made.rows, None, tmp_path)
    assert {one.speed_from for one in with_pulse.curves} == {"pulses"}
    assert {one.speed_from for one in without.curves} == {"own lines"}
    for true, found in zip(with_pulse.curves, without.curves, strict=True):
        at = np.array(found.speed_rpm)
        for name in ("velocity_mm_s", "once_per_turn_mm_s"):
            own, other = (np.array(getattr(one, name)) for one in (found, true))
            off = own / np.interp(at, true.speed_rpm, other) - 1
            # Segments do not begin at the same instants, so that each scatters; together they do not.
            assert abs(float(np.median(off))) < 0.06
        assert found.known_s
    said = without.remarks[0]
    assert "has no pulse: its speed is read off the drive's own lines within" in said
    assert "own lines do not stand out: no level is stated there" in said


def test_velocity_counts_where_no_speed_is_known_and_the_line_once_per_turn_is_not_measured_there(
    made: Made, tmp_path: Path
) -> None:
    rows = made.rows.copy()
    # In the first half second, before all that is followed, something shakes the machine.
    rows[:, : int(0.4 * RATE_HZ)] += 40.0 * np.sin(2 * np.pi * 90.0 * np.arange(int(0.4 * RATE_HZ)) / RATE_HZ)
    found = curves_of(rows, None, tmp_path)
    figures = sightings(found, run=0, kind="run-up", mounting=0.0)
    velocity = figures[name_of(VELOCITY), "mm/s"][0]
    assert velocity.value > 3 * max(found.curves[0].velocity_mm_s)
    assert velocity.short_of == ""
    assert "where own lines give no speed" in figures[name_of(ONCE), "mm/s"][0].short_of


def test_without_a_pulse_and_without_own_lines_the_speed_is_unknown(tmp_path: Path) -> None:
    noise = np.random.default_rng(2).standard_normal((2, int(10 * RATE_HZ)))
    found = curves_of(noise, None, tmp_path, "coast-down")
    assert found.curves == ()
    (said,) = found.remarks
    assert said.startswith("a coast-down without a pulse, and its speed is unknown, because ")
    assert said.endswith(": record a pulse per turn")


def test_the_page_says_where_the_speed_is_from_and_breaks_the_line_where_it_is_not_known() -> None:
    whole = issued().speed_curves[0]
    (_, _, said), *_ = drawn([whole])
    assert "own lines" not in said
    parted: SpeedCurve = replace(
        whole, speed_from="own lines", speed_uncertainty_percent=0.7, known_s=((0.0, 6.2), (8.0, 12.0)),
        unknown_s=((6.2, 8.0),), gaps_rpm=((whole.speed_rpm[9], whole.speed_rpm[10]),),
    )  # fmt: skip
    (_, _, said), *_ = drawn([parted])
    assert "Speed from the drive's own lines, within 0.7 % (k = 2); from 6.2 to 8.0 s they do not stand out" in said
    assert chart(parted).count("M") == chart(whole).count("M") + 2
