"""Drives from keywords and from files are the same drives."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

import vibe
from vibe.core.drive import Drive as PlainDrive
from vibe.ingest import load_drive, load_model

ROOT = Path(__file__).resolve().parents[2]
FILES = sorted((ROOT / "configs" / "drives").glob("*.toml"))
USUAL: dict[str, Any] = {"tag": "X-1", "input": {"speed_rpm": 1458}}


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.stem)
def test_a_drive_written_out_says_the_same(path: Path, tmp_path: Path) -> None:
    drive = vibe.read_drive(path)
    again = tmp_path / path.name
    again.write_text(drive.to_toml(), encoding="utf-8")
    # Neighbours that are named by a file next to this one are not looked for from elsewhere.
    assert load_model(again, PlainDrive).model_dump() == load_drive(path).model_dump() == drive.model_dump()


def test_signs_that_toml_escapes_come_back() -> None:
    name = 'a "quoted" \\ name, é, \x7f, line\nbreak'
    drive = vibe.Drive(**USUAL, name=name, note="# none")
    import tomllib

    assert tomllib.loads(drive.to_toml())["name"] == name


def test_keywords_and_files_make_equal_drives(drive: vibe.Drive) -> None:
    assert vibe.Drive(**drive.model_dump(exclude_unset=True)) == drive


def test_tuples_do_as_well_as_lists() -> None:
    stage = {"kind": "cycloidal", "lobes": 17, "ring_pins": 18}
    one = vibe.Drive(tag="X-1", input={"speed_rpm": 1458, "speed_range_rpm": (1430, 1500)}, stage=(stage,))
    assert one == vibe.Drive(tag="X-1", input={"speed_rpm": 1458, "speed_range_rpm": [1430, 1500]}, stage=[stage])


@pytest.mark.parametrize(
    ("given", "says"),
    [
        ({"tag": "X-1"}, "'input' is missing"),
        ({**USUAL, "inpt": 3}, "unknown key 'inpt'; did you mean 'input'"),
        ({**USUAL, "stage": [{"kind": "cycloidal", "lobes": 18, "ring_pins": 17}]}, "cannot mesh"),
        ({**USUAL, "stage": [{"kind": "cycloid", "lobes": 17, "ring_pins": 18}]}, "did you mean 'cycloidal'"),
        ({"tag": "X-1", "input": {"speed_rpm": "1458"}}, "input.speed_rpm must be a number"),
        ({**USUAL, "note": "", "ratio": -1, "nme": ""}, "also ratio must be above 0"),
    ],
)
def test_a_wrong_drive_is_refused_in_one_sentence(given: dict[str, Any], says: str) -> None:
    with pytest.raises(vibe.ConfigError, match=says) as caught:
        vibe.Drive(**given)
    assert "\n" not in str(caught.value)


def test_a_wrong_file_is_refused_with_its_line(tmp_path: Path) -> None:
    path = tmp_path / "a.toml"
    path.write_text('tag = "X-1"\n[input]\nspeed_rmp = 1458\n', encoding="utf-8")
    with pytest.raises(vibe.ConfigError, match=r"line 3.*did you mean 'speed_rpm'"):
        vibe.read_drive(path)


def test_tones_in_hz_follow_the_speed(drive: vibe.Drive) -> None:
    tones = vibe.tones(drive)
    slow, fast = (tones.to_frame(speed_hz=hz).set_index("tone")["hz"] for hz in (12.0, 24.0))
    supply = slow.index.str.startswith("motor.")
    assert (fast == 2 * slow)[~supply].all()
    # 50 Hz of the supply stay 50 Hz; pole pass is four poles times the slip below 25 Hz.
    assert fast[supply].to_dict() == {"motor.line": 50.0, "motor.twice_line": 100.0, "motor.pole_pass": 4.0}
    # One lobe of 17 in a ring of 18 pins is loaded 18/17 times per input turn (law of the cycloidal pair).
    assert fast["stage1.lobe"] == pytest.approx(24.0 * 18 / 17)
    assert tones.to_frame().set_index("tone")["hz"]["input.shaft"] == pytest.approx(1458 / 60)
    assert tones.bodies.to_frame().set_index("body")["order"]["stage1.output"] == pytest.approx(-1 / 17)


def test_a_plan_names_what_it_cannot_show(drive: vibe.Drive, tmp_path: Path) -> None:
    plan = vibe.plan(drive)
    seen = {row.tone for row in plan.tones if row.seen}
    assert "stage1.lobe" in seen
    assert seen.isdisjoint(row.tone for row in plan.not_detectable)
    assert all(row.why and row.needs for row in plan.not_detectable)
    written = plan.save(tmp_path, pdf=False)
    assert all(path.is_file() for path in written)
    with pytest.raises(vibe.OutputError, match="exists already"):
        plan.save(tmp_path, pdf=False)
