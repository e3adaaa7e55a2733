"""A recipe over a folder with everything in it that goes wrong on a round."""

from __future__ import annotations

import csv
import json
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from tests.plant import drive_text
from vibe.core.errors import ConfigError, OutputError
from vibe.flow.diagnose import drive_diagnosis
from vibe.flow.run import run
from vibe.flow.run.outcome import RunOutcome
from vibe.flow.samples import simulation

RECIPE = """\
kind = "route"
title = "A round"
drives = ["drives/*.toml"]
captures = "captures"
pdf = false
"""
NINE, TEN = datetime(2026, 3, 9, 9, 0, tzinfo=UTC), datetime(2026, 3, 9, 10, 0, tzinfo=UTC)


@dataclass(frozen=True)
class Round:
    folder: Path
    outcome: RunOutcome

    @property
    def out(self) -> Path:
        return self.folder / "out"


@pytest.fixture(scope="module")
def plant(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two drives and one that nobody measured; two captures of one drive at one time, one of a drive that nobody knows,
    one broken."""
    folder = tmp_path_factory.mktemp("plant")
    (folder / "drives").mkdir()
    captures = folder / "captures"
    usual: dict[str, Any] = {"duration_s": 3.0, "sample_rate_hz": 5120.0, "points": ("housing",)}
    for tag in ("A-1", "B-2", "C-3", "stranger"):
        home = folder / "drives" if tag != "stranger" else folder
        (home / f"{tag}.toml").write_text(drive_text(tag, name=f"Drive {tag}"), encoding="utf-8")
    made: list[tuple[str, str, datetime, dict[str, Any]]] = [
        ("A-1", "first", NINE, {}),
        ("A-1", "again", NINE, {}),
        ("B-2", "north/stopped", TEN, {"running": False}),
        ("stranger", "stranger", TEN, {}),
    ]
    for number, (tag, name, when, more) in enumerate(made):
        home = folder / "drives" if tag != "stranger" else folder
        simulation.simulate_file(
            home / f"{tag}.toml", [], number, captures / f"{name}.h5", False, measured_at=when, **usual, **more
        )
    (captures / "broken.wav").write_bytes(b"RIFF\x24\x00\x00\x00WAVEfmt ")
    (captures / "notes.txt").write_text("bring the ladder", encoding="utf-8")
    (folder / "route.toml").write_text(RECIPE, encoding="utf-8")
    return folder


@pytest.fixture(scope="module")
def done(plant: Path) -> Round:
    stated: list[tuple[int, int, str]] = []
    outcome = run.run_recipe(
        plant / "route.toml", out=plant / "out", workers=1, progress=lambda *news: stated.append(news)
    )
    assert [news[:2] for news in stated] == [(0, 2), (1, 2), (2, 2)]
    return Round(folder=plant, outcome=outcome)


def test_the_run_goes_on_and_says_what_it_could_not_use(done: Round) -> None:
    remarks = "\n".join(done.outcome.remarks)
    assert {row.tag for row in done.outcome.rows} == {"A-1", "B-2"}
    assert "broken.wav" in remarks
    assert "'stranger', which no drive file describes" in remarks
    assert "two captures of 'A-1' at one time" in remarks
    assert "C-3: no capture was found" in remarks
    assert "notes.txt" not in remarks
    assert len(done.outcome.remarks) == 4
    assert done.outcome.rejected
    assert not done.outcome.acting


def test_every_drive_has_its_report(done: Round) -> None:
    reports = {
        path.parent.name: json.loads(path.read_text(encoding="utf-8")) for path in done.out.glob("*/health.json")
    }
    assert set(reports) == {"A-1", "B-2"}
    assert len(reports["A-1"]["captures"]) == 2
    assert reports["A-1"]["state"] == "sound"
    stopped = reports["B-2"]
    assert stopped["state"] == "unknown"
    assert stopped["findings"] == []
    assert "not running" in stopped["captures"][0]["channels"][0]["reasons"][0]
    assert all((done.out / tag / "health.html").is_file() for tag in reports)


def test_the_index_and_the_table_list_every_drive_gravest_first(done: Round) -> None:
    assert done.outcome.index == done.out / "index.html"
    page = done.outcome.index.read_text(encoding="utf-8")
    for word in ("A round", "A-1", "B-2", "stranger", "broken.wav", "C-3"):
        assert word in page, word
    with (done.out / "drives.csv").open(encoding="utf-8-sig", newline="") as stream:
        rows = list(csv.DictReader(line for line in stream if not line.startswith("#")))
    record = json.loads((done.out / "run.json").read_text(encoding="utf-8"))
    assert [row["drive"] for row in rows] == [drive["drive"] for drive in record["drives"]]
    # Nothing is known of the one, the other is sound: the unknown comes first.
    assert [row["state"] for row in rows] == ["unknown", "sound"]
    for row in rows:
        assert (done.out / row["report"]).is_file()


def test_nothing_is_left_half_written(done: Round) -> None:
    assert not [path for path in done.out.rglob("*") if path.name.endswith(".part") or path.name.startswith(".")]


def test_a_second_run_is_refused_and_forced(done: Round) -> None:
    kept = {path: path.read_bytes() for path in done.out.rglob("*") if path.is_file()}
    with pytest.raises(OutputError, match="--force"):
        run.run_recipe(done.folder / "route.toml", out=done.out, workers=1)
    assert {path: path.read_bytes() for path in done.out.rglob("*") if path.is_file()} == kept
    again = run.run_recipe(done.folder / "route.toml", out=done.out, workers=1, force=True)
    assert [(row.tag, row.state) for row in again.rows] == [(row.tag, row.state) for row in done.outcome.rows]


def test_several_processes_say_what_one_says(done: Round, tmp_path: Path) -> None:
    spread = run.run_recipe(done.folder / "route.toml", out=tmp_path / "out", workers=2)
    assert [(row.tag, row.state) for row in spread.rows] == [(row.tag, row.state) for row in done.outcome.rows]
    for tag in ("A-1", "B-2"):
        assert (tmp_path / "out" / tag / "health.json").read_text(encoding="utf-8") == (
            done.out / tag / "health.json"
        ).read_text(encoding="utf-8")


def test_two_files_for_one_drive_are_refused(plant: Path, tmp_path: Path) -> None:
    (tmp_path / "drives").mkdir()
    for name in ("one", "two"):
        (tmp_path / "drives" / f"{name}.toml").write_text(drive_text("A-1", name="Drive A-1"), encoding="utf-8")
    (tmp_path / "route.toml").write_text(RECIPE, encoding="utf-8")
    with pytest.raises(ConfigError, match="described twice"):
        run.run_recipe(tmp_path / "route.toml", captures=plant / "captures", out=tmp_path / "out")
    assert not (tmp_path / "out").exists()


def test_a_recipe_names_drives_or_a_route(plant: Path, tmp_path: Path) -> None:
    path = tmp_path / "recipe.toml"
    path.write_text(RECIPE.replace('drives = ["drives/*.toml"]\n', ""), encoding="utf-8")
    with pytest.raises(ConfigError, match="name drive files or a route"):
        run.run_recipe(path, captures=plant / "captures", out=tmp_path / "out")
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize("kind", ["alarms", "commissioning"])
def test_a_recipe_of_another_kind_does_not_take_what_a_route_does(plant: Path, tmp_path: Path, kind: str) -> None:
    path = tmp_path / "recipe.toml"
    path.write_text(RECIPE.replace('"route"', f'"{kind}"'), encoding="utf-8")
    with pytest.raises(ConfigError, match=kind):
        run.run_recipe(path, captures=plant / "captures", out=tmp_path / "out")


def test_a_capture_of_another_drive_is_read_but_said(plant: Path) -> None:
    drive_report, row = drive_diagnosis.diagnose_files(
        [plant / "captures" / "stranger.h5"], plant / "drives" / "A-1.toml", out=None
    )
    said = [remark for capture in drive_report.health.captures for remark in capture.remarks]
    assert any("'stranger'" in remark and "'A-1'" in remark for remark in said)
    assert row.files is None
