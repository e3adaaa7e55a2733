"""Readings of a round, wherever captures are read: on a route, without one, and into a history."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.plant import drive_text
from vibe.core.errors import ConfigError
from vibe.core.route.readings import RoundReadings
from vibe.flow.history.bulk_import import Delivery
from vibe.flow.route.readings import reading_hash
from vibe.flow.run.preparation import drive_hashes, plant_of, search_of

CSV = "time_s,P1 [m/s^2]\n" + "".join(f"{k / 1000},{k % 7 - 3}\n" for k in range(300))
ROUTE = 'title = "W"\ndrives = ["a.toml"]\n[[stop]]\ndrive = "A-1"\nformerly = ["OLD"]\n[[stop.point]]\nname = "P1"\n'


@pytest.fixture
def plant(tmp_path: Path) -> Path:
    (tmp_path / "a.toml").write_text(drive_text("A-1"), encoding="utf-8")
    (tmp_path / "walk.toml").write_text(ROUTE, encoding="utf-8")
    (tmp_path / "captures").mkdir()
    (tmp_path / "captures" / "x.csv").write_text(CSV, encoding="utf-8")
    (tmp_path / "captures" / "x.csv.toml").write_text('drive = "A-1"\n', encoding="utf-8")
    (tmp_path / "readings.csv").write_text("drive,speed_rpm,load_percent\nA-1,1461,70\n", encoding="utf-8")
    return tmp_path


@pytest.mark.parametrize("source", ['drives = ["a.toml"]', 'route = "walk.toml"'])
def test_a_run_reads_them_with_and_without_a_route(plant: Path, source: str) -> None:
    recipe = plant / "recipe.toml"
    text = f'kind = "route"\ntitle = "R"\n{source}\ncaptures = "captures"\n'
    recipe.write_text(text + 'readings = "readings.csv"\n', encoding="utf-8")
    capture = plant / "captures" / "x.csv"
    own, _ = plant_of(recipe, None, None, None)
    read = search_of(own).capture_reader(capture)
    assert (read.speed_rpm, read.load_percent) == (1461, 70)
    other = plant / "other.csv"
    other.write_text("drive,load_percent\nA-1,55\n", encoding="utf-8")
    given, _ = plant_of(recipe, None, None, None, other)
    assert search_of(given).capture_reader(capture).load_percent == 55
    # Whoever corrects a reading has that drive's report made anew.
    first, second = (drive_hashes(one, "A-1", [])["what was read at the stop"] for one in (own, given))
    assert first != second
    recipe.write_text(text, encoding="utf-8")
    none, _ = plant_of(recipe, None, None, None)
    assert search_of(none).capture_reader(capture).load_percent is None
    assert "what was read at the stop" not in drive_hashes(none, "A-1", [])


def test_only_recipes_of_a_round_have_them(plant: Path) -> None:
    recipe = plant / "recipe.toml"
    recipe.write_text('kind = "alarms"\ntitle = "Q"\nstore = "s"\nreadings = "readings.csv"\n', encoding="utf-8")
    with pytest.raises(ConfigError, match="readings belongs to recipes of kind route"):
        plant_of(recipe, None, None, None)


def test_a_history_takes_them_too(plant: Path) -> None:
    folder, readings = plant / "captures", plant / "readings.csv"
    by_drives = Delivery.of(folder, drives=[str(plant / "a.toml")], readings=readings)
    assert by_drives.read(folder / "x.csv").speed_rpm == 1461
    (folder / "x.csv.toml").unlink()
    by_drive = Delivery.of(folder, drive=plant / "a.toml", readings=readings)
    assert by_drive.read(folder / "x.csv").load_percent == 70
    assert Delivery.of(folder, drive=plant / "a.toml").read(folder / "x.csv").load_percent is None
    readings.write_text("drive,load_percent\nold,60\n", encoding="utf-8")
    (folder / "x.csv.toml").write_text('drive = "OLD"\n', encoding="utf-8")
    on_route = Delivery.of(folder, route=plant / "walk.toml", readings=readings)
    assert on_route.read(folder / "x.csv").load_percent == 60
    with pytest.raises(ConfigError, match="there is no drive 'old'"):
        Delivery.of(folder, drive=plant / "a.toml", readings=readings)


def test_no_reading_changes_no_report() -> None:
    assert reading_hash(None, "A-1") == reading_hash(RoundReadings(file="r.csv"), "A-1") == {}
