"""Route files: what is refused, with its line; and the route of the sample works."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from vibe.core.errors import ConfigError
from vibe.core.route.route import Route
from vibe.ingest import find_captures, load_route, read_on_route, route_drives

ROOT = Path(__file__).parents[2]
WORKS = ROOT / "configs" / "routes" / "water_works.toml"

GOOD = """\
title = "North side"
drives = ["drives"]
time_zone = "Europe/Vienna"

[[file]]
like = "{drive}/{point}_{time}.wav"
[file.point_names]
P1 = "input side radial"
[file.channel]
unit = "g"
full_scale = 50

[[stop]]
drive = "TH-02"
formerly = ["TH-2"]
[[stop.point]]
name = "input side radial"
[[stop.point]]
name = "pulses"
quantity = "tachometer"

[[stop]]
drive = "TH-01"
[[stop.point]]
name = "input side radial"
"""


def written(folder: Path, text: str = GOOD, *, drives: tuple[str, ...] = ("north", "south")) -> Path:
    path = folder / "route.toml"
    path.write_text(text, encoding="utf-8")
    (folder / "drives").mkdir(exist_ok=True)
    for side in drives:
        shutil.copy(ROOT / "configs" / "drives" / f"thickener_rake_{side}.toml", folder / "drives")
    return path


def test_a_good_route_is_read_and_its_drives_are_found(tmp_path: Path) -> None:
    path = written(tmp_path)
    route = load_route(path)
    assert (len(route.stop), route.file[0].channel.full_scale) == (2, 50)
    assert {tag: file.name for tag, file in route_drives(route, path).items()} == {
        "TH-02": "thickener_rake_south.toml",
        "TH-01": "thickener_rake_north.toml",
    }
    assert list(route_drives(route, path)) == ["TH-02", "TH-01"]


@pytest.mark.parametrize(
    ("old", "new", "line", "words"),
    [
        ("like =", "liek =", 6, ("unknown key 'liek'", "did you mean 'like'")),
        ("{point}_", "{pint}_", 6, ("{pint} is not known", "{point}")),
        ("like = ", 'time_format = "%H"\nlike = ', 6, ("must give the day",)),
        ('P1 = "input', 'P1 = "inputt', 8, ("no stop has a point called", "did you mean 'input side radial'")),
        ('unit = "g"', 'unit = "G-force"', 10, ("not a unit of vibration",)),
        ("full_scale = 50", "full_scale = -50", 11, ("file[1].channel.full_scale", "above 0")),
        ("Europe/Vienna", "Europe/Wien", 3, ("time zone", "Europe/Wien")),
        ('name = "pulses"', 'name = "Input Side Radial"', 13, ("two points", "input side radial")),
        ('drive = "TH-01"', 'drive = "th-2"', 1, ("'th-2'", "stands for two stops")),
        ('quantity = "tachometer"', 'quantity = "tacho"', 20, ("did you mean 'tachometer'",)),
        ('title = "North side"', "", 1, ("'title' is missing",)),
    ],
)
def test_what_is_wrong_is_named_with_its_line(
    tmp_path: Path, old: str, new: str, line: int, words: tuple[str, ...]
) -> None:
    assert GOOD.count(old) >= 1
    with pytest.raises(ConfigError) as caught:
        load_route(written(tmp_path, GOOD.replace(old, new, 1)))
    assert caught.value.line == line
    for word in words:
        assert word in str(caught.value)
    assert "\n" not in str(caught.value)


def test_a_stop_without_a_drive_file_is_named_with_its_neighbour(tmp_path: Path) -> None:
    path = written(tmp_path, drives=("south",))
    with pytest.raises(ConfigError, match=r"line 23: the stop 'TH-01' has no drive file.*nearest tag is 'TH-02'"):
        route_drives(load_route(path), path)


def test_a_stop_described_twice_is_refused_another_drive_may_be(tmp_path: Path) -> None:
    path = written(tmp_path)
    mixer = ROOT / "configs" / "drives" / "sludge_mixer_1.toml"
    for name in ("a.toml", "b.toml"):
        shutil.copy(mixer, tmp_path / "drives" / name)
    assert len(route_drives(load_route(path), path)) == 2
    shutil.copy(ROOT / "configs" / "drives" / "thickener_rake_north.toml", tmp_path / "drives" / "z.toml")
    with pytest.raises(ConfigError, match=r"z\.toml: the tag 'TH-01' is already that of .*thickener_rake_north\.toml"):
        route_drives(load_route(path), path)


def test_a_former_tag_that_is_another_drives_tag_today_is_refused(tmp_path: Path) -> None:
    path = written(tmp_path, GOOD.replace('"TH-2"', '"sm-01"'))
    assert len(route_drives(load_route(path), path)) == 2
    shutil.copy(ROOT / "configs" / "drives" / "sludge_mixer_1.toml", tmp_path / "drives")
    with pytest.raises(ConfigError, match=r"line 15: formerly = 'sm-01' of TH-02: that is today's tag of"):
        route_drives(load_route(path), path)


def test_a_drive_file_that_is_wrong_is_named(tmp_path: Path) -> None:
    path = written(tmp_path)
    (tmp_path / "drives" / "x.toml").write_text("tag = 5\n", encoding="utf-8")
    with pytest.raises(ConfigError, match=r"x\.toml, line 1"):
        route_drives(load_route(path), path)


def test_the_route_of_the_works_visits_every_drive_and_every_sample_is_at_home() -> None:
    route = load_route(WORKS)
    drives = route_drives(route, WORKS)
    assert set(drives.values()) == set((ROOT / "configs" / "routes" / ".." / "drives").glob("*.toml"))
    assert len(drives) == 14
    places = [point.place for stop in route.stop for point in stop.point]
    assert all(place and stop.where for stop in route.stop for place in places)
    assert {"stud", "adhesive", "magnet"} == {point.mounting for stop in route.stop for point in stop.point}
    folder = ROOT / "sample_signals"
    captures = [read_on_route(path, folder, route) for path in find_captures(folder)]
    assert sorted(str(capture.drive) for capture in captures) == sorted(drives)
    assert _away(route, captures) == []
    assert [capture.remarks for capture in captures if capture.remarks] == []


def _away(route: Route, captures: list) -> list[str]:  # type: ignore[type-arg]
    known = {(stop.drive, point.name, point.quantity) for stop in route.stop for point in stop.point}
    return [
        f"{capture.drive} {channel.name}"
        for capture in captures
        for channel in capture.channels
        if (capture.drive, channel.name, channel.quantity) not in known
    ]


def test_a_drive_file_in_place_of_a_route_is_reported(tmp_path: Path) -> None:
    path = tmp_path / "press.toml"
    path.write_text('tag = "A"\n[input]\nspeed_rpm = 1440\n', encoding="utf-8")
    with pytest.raises(ConfigError, match="is a drive file, and a route file is needed here"):
        load_route(path)
