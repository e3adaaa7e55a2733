"""``vibe identify``: a drive with 11 lobes that nobody described."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from tests.cli.calls import DRIVE, Vibe

RANGE = ("--speed-range", 1400, 1520)


@pytest.fixture(scope="module")
def captured(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with two captures at two loads, of a drive that has 11 lobes, and ``right.toml`` and ``wrong.toml``."""
    from vibe.flow.samples.simulation import simulate_file

    folder = tmp_path_factory.mktemp("unknown")
    motor = "\n[motor]\npoles = 4\nline_hz = 50\n"
    right, wrong = folder / "right.toml", folder / "wrong.toml"
    right.write_text(DRIVE + motor, encoding="utf-8")
    wrong.write_text(right.read_text("utf-8").replace("lobes = 11", "lobes = 13").replace("= 12", "= 14"), "utf-8")
    usual: dict[str, Any] = {"duration_s": 10.0, "sample_rate_hz": 5120.0}
    simulate_file(right, [], 1, folder / "light.h5", False, speed_rpm=1480.0, load_percent=30.0, **usual)
    simulate_file(right, [], 1, folder / "heavy.h5", False, speed_rpm=1455.0, load_percent=90.0, **usual)
    return folder


def test_ratio_speed_and_plate_are_reported(vibe: Vibe, captured: Path) -> None:
    said = vibe("identify", captured / "light.h5", *RANGE, "--drive", captured / "right.toml")
    assert said.status == 0
    facts = dict(line.split("\t", 1) for line in said.out.splitlines())
    assert facts["ratio"].startswith("11:1 (probability ")
    assert facts["input speed"].startswith("1480.")
    assert facts["slip"].startswith("1.3")
    assert facts["plate"].startswith("fits")
    assert facts["direction"].startswith("not determined: no two channels")


def test_another_drive_than_the_plate_says_is_noticed(vibe: Vibe, captured: Path, tmp_path: Path) -> None:
    out = tmp_path / "found.json"
    words = ("identify", captured / "light.h5", *RANGE, "--drive", captured / "wrong.toml", "--json", out)
    assert vibe(*words).status == 0
    found = json.loads(out.read_text("utf-8"))["captures"][0]
    assert found["candidates"][0]["lobes"] == 11
    assert found["plate"]["verdict"] == "another count fits better"
    assert "11 lobes and 12 ring pins" in found["plate"]["why"]
    # Nothing is replaced unasked.
    assert vibe(*words).status == 2


def test_slip_is_held_against_load(vibe: Vibe, captured: Path) -> None:
    both = captured / "light.h5", captured / "heavy.h5"
    said = vibe("identify", *both, *RANGE, "--poles", 4, "--line-hz", 50)
    line = next(line for line in said.out.splitlines() if line.startswith("slip against load"))
    # 20 r/min at 30 %, 45 r/min at 90 % of 1500: 3.28 % at full load.
    assert "grows" in line
    assert "3.2" in line


def test_a_short_or_still_capture_tells_nothing(vibe: Vibe, fit: Path, stopped: Path, drive: Path) -> None:
    for capture in (fit, stopped):
        said = vibe("identify", capture, *RANGE, "--drive", drive)
        facts = dict(line.split("\t", 1) for line in said.out.splitlines())
        assert said.status == 0
        assert facts["ratio"].startswith("not determined: ")
        assert facts["plate"].startswith("not determined: ")


@pytest.mark.parametrize(
    "words",
    [
        ("--speed-range", 1500, 1400),
        ("--speed-range", 100, 1500),
        (*RANGE, "--poles", 4),
        (*RANGE, "--poles", 3, "--line-hz", 50),
        (*RANGE, "--difference", 9),
        (*RANGE, "--drive", "nowhere.toml"),
    ],
)
def test_what_makes_no_sense_is_refused_in_a_sentence(vibe: Vibe, fit: Path, words: tuple[object, ...]) -> None:
    said = vibe("identify", fit, *words)
    assert said.status == 2
    assert len(said.errors) == 1
