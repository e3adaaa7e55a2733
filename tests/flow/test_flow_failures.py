"""One drive of a run goes wrong: the others are reported, nothing is replaced, and the run says so."""

from __future__ import annotations

import json
import os
import shutil
import sys
from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest

from tests.plant import drive_text
from vibe.core.errors import CallError, ConfigError, OutputError
from vibe.core.health import Health
from vibe.flow.diagnose import drive_diagnosis
from vibe.flow.route import plan
from vibe.flow.run import run as running
from vibe.flow.run.outcome import RunOutcome
from vibe.flow.samples import simulation

RECIPE = """\
kind = "route"
title = "A round"
drives = ["drives"]
captures = "captures"
pdf = true
"""


def bearing(outer: str) -> str:
    return f"""\
[[bearing]]
name = "input bearing"
inner = "input"
outer = "{outer}"
orders = {{ outer_race = 3.05, inner_race = 4.95 }}
"""


@pytest.fixture(scope="module")
def plain(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("plain")
    (folder / "drives").mkdir()
    for number, tag in enumerate(("A-1", "B-2")):
        drive = folder / "drives" / f"{tag}.toml"
        drive.write_text(drive_text(tag, more=bearing("housing")), encoding="utf-8")
        usual: dict[str, Any] = {"duration_s": 2.0, "sample_rate_hz": 8192.0, "points": ("housing",)}
        simulation.simulate_file(drive, [], number, folder / "captures" / f"{tag}.h5", False, **usual)
    (folder / "route.toml").write_text(RECIPE, encoding="utf-8")
    return folder


def run(plant: Path, **more: Any) -> RunOutcome:
    return running.run_recipe(plant / "route.toml", **({"out": plant / "out", "workers": 1, "pdf": False} | more))  # type: ignore[arg-type]


def states(outcome: RunOutcome) -> dict[str, str]:
    return {row.tag: row.state for row in outcome.rows}


def test_a_report_that_is_there_already_is_kept_and_the_others_are_made(plant: Path) -> None:
    taken = plant / "out" / "B-2" / "health.json"
    taken.parent.mkdir(parents=True)
    taken.write_text("precious", encoding="utf-8")
    outcome = run(plant)
    assert taken.read_text(encoding="utf-8") == "precious"
    assert states(outcome)["B-2"] == "unknown"
    assert (plant / "out" / "A-1" / "health.html").is_file()
    assert len(outcome.failures) == 1
    assert "--force" in outcome.failures[0]
    assert not outcome.defect
    written = json.loads((plant / "out" / "run.json").read_text(encoding="utf-8"))["drives"]
    assert [entry["files"] for entry in written if entry["drive"] == "B-2"] == [{}]
    assert "B-2" in outcome.index.read_text(encoding="utf-8")
    run(plant, force=True)
    assert taken.read_text(encoding="utf-8") != "precious"


def test_a_drive_that_cannot_be_is_reported_and_the_others_are_reported(plant: Path) -> None:
    wrong = plant / "drives" / "B-2.toml"
    wrong.write_text(drive_text("B-2", more=bearing("stage9.disc")), encoding="utf-8")
    outcome = run(plant)
    assert "stage9.disc" in outcome.failures[0]
    assert set(states(outcome)) == {"A-1", "B-2"}
    assert (plant / "out" / "A-1" / "health.json").is_file()
    (plant / "drives" / "A-1.toml").write_text(drive_text("A-1", more=bearing("stage9.disc")), encoding="utf-8")
    with pytest.raises(CallError, match=r"A-1: .*stage9.disc.* \(1 more drive"):
        run(plant, out=plant / "none")
    assert not (plant / "none").exists()


def test_a_defect_in_one_drive_costs_no_other(plant: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    real: Callable[..., object] = drive_diagnosis.drive_report_of

    def failing(drive: object, *rest: object) -> object:
        if getattr(drive, "tag", "") == "A-1":
            raise ZeroDivisionError("by nought")
        return real(drive, *rest)

    monkeypatch.setattr(running, "drive_report_of", failing)
    outcome = run(plant)
    assert outcome.defect
    assert "ZeroDivisionError" in outcome.failures[0]
    assert (plant / "out" / "B-2" / "health.json").is_file()


def test_tags_that_differ_in_case_only_would_share_a_folder(plant: Path) -> None:
    (plant / "drives" / "twin.toml").write_text(drive_text("a-1", more=bearing("housing")), encoding="utf-8")
    with pytest.raises(ConfigError, match="'a-1' and 'A-1' differ in case only"):
        run(plant)


def test_wrong_limits_end_the_run_before_any_work(plant: Path) -> None:
    (plant / "route.toml").write_text(RECIPE + 'limits = "none.toml"\n', encoding="utf-8")
    with pytest.raises(ConfigError, match=r"none\.toml"):
        run(plant)
    assert not (plant / "out").exists()


def test_an_out_folder_that_can_never_be_ends_the_run_before_any_work(plant: Path) -> None:
    (plant / "file").write_text("precious", encoding="utf-8")
    (plant / "route.toml").write_text(RECIPE + f'out = "{(plant / "file").as_posix()}"\n', encoding="utf-8")
    with pytest.raises(OutputError, match="is a file where a folder is needed"):
        run(plant, out=None)
    assert (plant / "file").read_text(encoding="utf-8") == "precious"


def test_two_captures_at_one_time_are_a_remark_and_nothing_is_rejected(plant: Path) -> None:
    usual: dict[str, Any] = {"duration_s": 2.0, "sample_rate_hz": 8192.0, "points": ("housing",)}
    simulation.simulate_file(
        plant / "drives" / "A-1.toml", [], 99, plant / "captures" / "again.h5", False, **usual
    )  # fmt: skip
    for name in ("A-1.h5", "again.h5"):
        text = 'drive = "A-1"\nmeasured_at = "2026-03-09T08:12:00+01:00"\n'
        (plant / "captures" / f"{name}.toml").write_text(text, encoding="utf-8")
    outcome = run(plant)
    assert not outcome.rejected
    assert any("at one time" in remark for remark in outcome.remarks)
    assert any("at one time" in remark for row in outcome.rows if row.tag == "A-1" for remark in row.noticed)
    assert json.loads((plant / "out" / "run.json").read_text(encoding="utf-8"))["captures_without_drive"] == []


def test_one_file_under_two_drives_is_used_once_and_both_are_reported(plant: Path) -> None:
    shutil.copy(plant / "captures" / "A-1.h5", plant / "captures" / "again.h5")
    (plant / "captures" / "again.h5.toml").write_text('drive = "B-2"\n', encoding="utf-8")
    outcome = run(plant)
    assert {row.tag: row.captures for row in outcome.rows} == {"A-1": 1, "B-2": 1}
    for row in outcome.rows:
        assert "one is filed under A-1 and the other under B-2" in row.noticed[0]


def test_pages_below_the_captures_are_no_captures(plant: Path) -> None:
    for out in (plant / "captures" / "out", plant / "captures"):
        for force in (False, True):
            outcome = run(plant, out=out, force=force)
            assert not outcome.rejected
            assert outcome.remarks == ()


def test_pdf_may_be_asked_for_or_not(plant: Path) -> None:
    run(plant)
    assert not list((plant / "out").glob("*/*.pdf"))
    drive = plant / "drives" / "A-1.toml"
    assert {path.suffix for path in plan.plan_drives([drive], plant / "plan", False, pdf=False).files} == {
        ".html", ".csv", ".json"
    }  # fmt: skip


@pytest.mark.skipif(sys.platform in ("win32", "darwin"), reason="file names are text there")
def test_a_capture_whose_name_is_no_text(plant: Path) -> None:
    capture = plant / "captures" / "A-1.h5"
    capture.rename(capture.with_name(os.fsdecode(b"caf\xe9.h5")))
    outcome = run(plant)
    assert outcome.failures == ()
    health = Health.model_validate_json((plant / "out" / "A-1" / "health.json").read_bytes())
    assert health.captures[0].file == "caf\ufffd.h5"


def diagnosed(drive: Path, *captures: Path) -> Health:
    return drive_diagnosis.diagnose_files(captures, drive, out=None)[0].health


def test_a_capture_that_can_show_no_damage_is_never_sound(plant: Path) -> None:
    drive, capture = plant / "drives" / "A-1.toml", plant / "slow.h5"
    simulation.simulate_file(drive, [], 5, capture, False, duration_s=4.0, sample_rate_hz=1000.0, points=("housing",))
    health = diagnosed(drive, capture)
    assert health.state == "unknown"
    assert health.captures[0].channels[0].quality != "rejected"
    assert "tones of damage" in health.state_rule
    assert "capture plan" in health.do_by
    assert diagnosed(drive, plant / "captures" / "A-1.h5").state == "sound"


def test_the_latest_capture_is_the_latest_on_one_clock(plant: Path) -> None:
    """08:30 at +02:00 is earlier than 07:00 at +00:00, whatever the digits say."""
    drive = plant / "drives" / "A-1.toml"
    paths = []
    for number, when in enumerate(("2026-03-09T08:30:00+02:00", "2026-03-09T07:00:00+00:00", "2026-03-08T23:00:00")):
        paths.append(plant / f"at{number}.h5")
        usual: dict[str, Any] = {"duration_s": 2.0, "sample_rate_hz": 8192.0, "points": ("housing",)}
        speeds: dict[str, Any] = {"speed_rpm": 1440.0 + 10 * number}
        simulation.simulate_file(
            drive, [], 5, paths[-1], False, measured_at=datetime.fromisoformat(when), **usual, **speeds
        )
    assert diagnosed(drive, *paths).speed.input_hz == pytest.approx(1450 / 60, abs=0.05)
