"""Commissioning sets that cannot be are refused with their line, or stated; each next to one that can."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from tests.ingest.test_noise_print import kept, measured, resampled
from vibe.core.errors import ConfigError
from vibe.core.records.acceptance import CommissioningSet, Requirements
from vibe.core.tones import ToneTable
from vibe.flow.commissioning.acceptance import load_practice
from vibe.flow.commissioning.measured_figures import CaptureFigures
from vibe.flow.commissioning.set_checks import check_captures, check_files, check_set, plate_remarks, zero_remarks
from vibe.flow.settings import share_dir, tones_of
from vibe.health.acceptance.chain import chain_at, counted, measurand
from vibe.health.acceptance.uncertainty import calibration
from vibe.ingest.commissioning_set import load_set

SET = """drive = "drive.toml"
requirements = "requirements.toml"
serial = "N12-1"
[issue]
number = "AC-1"
issued = 2026-04-20
[[instrument]]
what = "accelerometer"
point = "in"
calibrated = 2025-09-02
calibration_uncertainty_percent = 2.0
[[instrument]]
what = "recorder"
calibrated = 2025-09-02
calibration_uncertainty_percent = 1.0
[[run]]
kind = "rated load"
captures = ["a.h5"]
load_percent = 100.0
[plate]
ratio = 12.0
"""
NOTHING = Requirements.model_validate(
    {"title": "t", "requirement": [{"id": "v", "kind": "temperature", "text": "t", "source": "s"}]}
)
LOOKED = CaptureFigures(
    file="a.h5", run=0, kind="rated load", tag="NEW-12", channels=("in",), recording=("x",), load_percent=98.0,
    measured_at=datetime(2026, 4, 14, 9, tzinfo=UTC), fit=True, points=("in",),
)  # fmt: skip


def given(folder: Path, *changes: tuple[str, str]) -> tuple[CommissioningSet, Path]:
    text = SET
    for was, now in changes:
        assert was in text
        text = text.replace(was, now, 1)
    path = folder / "commissioning.toml"
    path.write_text(text, encoding="utf-8")
    return load_set(path), path


def judged(folder: Path, *changes: tuple[str, str], looked: tuple[CaptureFigures, ...] = (LOOKED,)) -> list[str]:
    found, path = given(folder, *changes)
    drive, _ = tones_of(share_dir() / "configs" / "acceptance" / "sample_drive.toml")
    check_set(found, path, load_practice(), NOTHING)
    return check_captures(found, path, drive, looked, load_practice())


def test_a_set_as_it_should_be_gives_no_remark(tmp_path: Path) -> None:
    assert judged(tmp_path) == []
    assert judged(tmp_path, looked=(replace(LOOKED, tag="N12-1"),)) == []
    assert judged(tmp_path, looked=(replace(LOOKED, tag=None, load_percent=None),)) == []
    renamed = ('serial = "N12-1"', 'serial = "N12-1"\ncaptured_as = ["CH1"]')
    assert judged(tmp_path, renamed, looked=(replace(LOOKED, tag="CH1"),)) == []


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (("load_percent = 100.0", "load_percent = 5.0"), r"line \d+.*5 % is no rated load \(80 to 120 %"),
        (('kind = "rated load"', 'kind = "no load"'), "100 % is a load"),
        (("calibrated = 2025-09-02", "calibrated = 2026-05-01"), "calibrated on 2026-05-01, after it measured"),
        (('point = "in"', 'point = "out"'), "no capture has a channel 'out'; there are in"),
        (("issued = 2026-04-20", "issued = 2026-04-13"), "issued on 2026-04-13, before it was measured"),
        (("[plate]", '[[noted]]\nrequirement = "torque"\nvalue = 1.0\n[plate]'), "no requirement of kind 'noted'"),
    ],
)
def test_what_cannot_be_is_refused_with_its_line(tmp_path: Path, change: tuple[str, str], said: str) -> None:
    with pytest.raises(ConfigError, match=said):
        judged(tmp_path, change)


def test_captures_of_another_drive_and_one_recording_twice_are_refused(tmp_path: Path) -> None:
    with pytest.raises(ConfigError, match=r"a\.h5 was taken of TH-02, not of NEW-12"):
        judged(tmp_path, looked=(replace(LOOKED, tag="TH-02"),))
    twice = replace(LOOKED, file="b.csv")
    with pytest.raises(ConfigError, match=r"a\.h5 and b\.csv are one recording"):
        judged(tmp_path, looked=(LOOKED, twice))
    assert judged(tmp_path, looked=(LOOKED, replace(twice, recording=("y",)))) == []
    assert judged(tmp_path, looked=(replace(LOOKED, recording=()), replace(twice, recording=()))) == []
    _, path = given(tmp_path)
    for name, content in (("a.h5", b"one"), ("b.h5", b"one"), ("c.h5", b"two")):
        (tmp_path / name).write_bytes(content)
    check_files([[tmp_path / "a.h5"], [tmp_path / "c.h5"]], path)
    with pytest.raises(ConfigError, match=r"a\.h5 and b\.h5 are one recording"):
        check_files([[tmp_path / "a.h5"], [tmp_path / "b.h5", tmp_path / "c.h5"]], path)


def test_a_resampled_capture_is_no_repeat(tmp_path: Path) -> None:
    row = measured(1)
    one = replace(LOOKED, noise=kept(row))
    assert judged(tmp_path, looked=(one, later(5.0, noise=kept(measured(2))))) == []
    with pytest.raises(ConfigError, match=r"a\.h5 and b\.h5 are one recording, noise and all, the second resampled by"):
        judged(tmp_path, looked=(one, later(5.0, noise=kept(resampled(row, 1.0005)))))


def later(minutes: float, **more: Any) -> CaptureFigures:
    assert LOOKED.measured_at is not None
    at = LOOKED.measured_at + timedelta(minutes=minutes)
    return replace(LOOKED, file="b.h5", recording=("y",), measured_at=at, **more)


def test_captures_follow_each_other_at_times_that_can_be(tmp_path: Path) -> None:
    ten = replace(LOOKED, duration_s=10.0)
    assert judged(tmp_path, looked=(ten, later(5.0))) == []
    for minutes in (0.0, 0.1, -0.0):
        with pytest.raises(ConfigError, match=r"while a\.h5, which lasts 10 s, still runs"):
            judged(tmp_path, looked=(ten, later(minutes)))
    # Another recorder may have watched another point meanwhile.
    assert judged(tmp_path, ('point = "in"', ""), looked=(ten, later(0.1, channels=("out",)))) == []
    (said,) = judged(tmp_path, looked=(ten, later(10 / 60)))
    assert said.startswith("b.h5 begins where a.h5 ends: they are one stay at the machine")
    (said,) = judged(tmp_path, ("issued = 2026-04-20", ""), looked=(ten, later(60 * 24 * 30)))
    assert said == "The captures span 31 days."
    ahead = replace(LOOKED, measured_at=datetime.now(UTC) + timedelta(days=3))
    with pytest.raises(ConfigError, match="which is still to come"):
        judged(tmp_path, ("issued = 2026-04-20", ""), looked=(ahead,))
    before = replace(LOOKED, file="0.h5", recording=("z",), measured_at=datetime(2025, 9, 1, 9, tzinfo=UTC))
    with pytest.raises(ConfigError, match=r"calibrated on 2025-09-02, after it measured \(2025-09-01\)"):
        judged(tmp_path, looked=(before, LOOKED))


def test_a_load_that_is_none_of_its_run_is_refused(tmp_path: Path) -> None:
    with pytest.raises(ConfigError, match=r"a\.h5 notes a load of 40 %.*a load mismatch"):
        judged(tmp_path, looked=(replace(LOOKED, load_percent=40.0),))
    step = ('kind = "rated load"', 'kind = "load step"')
    assert judged(tmp_path, step, looked=(replace(LOOKED, load_percent=92.0),)) == []


def test_a_magnitude_below_zero_is_refused(tmp_path: Path) -> None:
    wanted = Requirements.model_validate({"title": "t", "requirement": [
        {"id": "play", "kind": "noted", "text": "t", "source": "s", "quantity": "lost motion", "limit": 1.0,
         "unit": "arcmin"},
    ]})  # fmt: skip
    for value, wrong in (("0.0", False), ("-5.0", True)):
        found, path = given(tmp_path, ("[plate]", f'[[noted]]\nrequirement = "play"\nvalue = {value}\n[plate]'))
        if wrong:
            with pytest.raises(ConfigError, match=r"line \d+.*a lost motion of -5 cannot be"):
                check_set(found, path, load_practice(), wanted)
        else:
            check_set(found, path, load_practice(), wanted)


def test_what_is_not_as_it_should_be_is_stated(tmp_path: Path) -> None:
    old = ("calibrated = 2025-09-02", "calibrated = 2021-09-02")
    (said,) = judged(tmp_path, old)
    assert "its certificate had run out and is not counted" in said
    (said,) = judged(tmp_path, looked=(replace(LOOKED, load_percent=85.0),))
    assert said == "a.h5 notes a load of 85 %, its run 100 %."
    (said,) = judged(tmp_path, ("load_percent = 100.0", ""), looked=(LOOKED,))
    assert "its load was not noted" in said
    (said,) = judged(tmp_path, looked=(replace(LOOKED, channels=("in", "out")),))
    assert said == "No sensor is named for out."
    (said,) = judged(tmp_path, ('what = "recorder"', 'what = "box"'))
    assert "what it measures is not stated" in said


def test_the_plate_is_held_against_the_drive_file(tmp_path: Path) -> None:
    drive, table = tones_of(share_dir() / "configs" / "acceptance" / "sample_drive.toml")
    assert isinstance(table, ToneTable)
    assert plate_remarks(given(tmp_path)[0], drive, table) == []
    other, _ = given(tmp_path, ("ratio = 12.0", "ratio = 11.0\npower_kw = 18.6"))
    assert plate_remarks(other, drive, table) == ["The plate states a ratio of 11, the drive file 12."]


def test_a_contribution_that_is_taken_out_is_remarked_on(tmp_path: Path) -> None:
    own = '[[contribution]]\nname = "{}"\npercent = {}\nsource = "bench"\n[plate]'
    for name, percent, count in (("remounting", 0, 1), ("remounting", 1.0, 0), ("of our own", 0, 0)):
        found, _ = given(tmp_path, ("[plate]", own.format(name, percent)))
        assert len(zero_remarks(found, load_practice())) == count
    found, _ = given(tmp_path, ("[plate]", own.format("remounting", 0)))
    assert zero_remarks(found, load_practice()) == [
        "The set states remounting as 0 %, where common practice is 4 %; its source is: bench."
    ]


def test_only_what_measures_vibration_at_a_point_enters_its_budget(tmp_path: Path) -> None:
    found, _ = given(
        tmp_path,
        ("[plate]", '[[instrument]]\nwhat = "torque transducer"\ncalibration_uncertainty_percent = 9.0\n[plate]'),
    )
    assert [measurand(one) for one in found.instrument] == ["vibration", "vibration", "torque"]
    assert [one.what for one in chain_at(found.instrument, "in")] == ["accelerometer", "recorder"]
    assert [one.what for one in chain_at(found.instrument, "out")] == ["recorder"]
    practice = load_practice()
    assert [one.relative for one in calibration(found.instrument, practice, "in")] == [0.01, 0.005]
    assert [one.shared for one in calibration(found.instrument, practice, "in")] == [False, True]
    late = counted(found.instrument, date(2030, 1, 1), practice.calibration_valid_days)
    assert [one.relative for one in calibration(late, practice, "in")] == [practice.calibration_percent / 200]
