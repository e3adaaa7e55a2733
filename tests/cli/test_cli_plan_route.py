"""``vibe plan ROUTE.toml``."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.cli.calls import DRIVE, Vibe

ROUTE = """\
title = "Walk"
drives = ["drives"]

[[stop]]
drive = "T-2"
[[stop.point]]
name = "input side"
mounting = "magnet"
[[stop.point]]
name = "pulses"
quantity = "tachometer"

[[stop]]
drive = "T-1"
captures = 7
[[stop.point]]
name = "input side"
[[stop.point]]
name = "output side"
out_of_use = "cable cut"
"""


@pytest.fixture
def route(tmp_path: Path) -> Path:
    (tmp_path / "drives").mkdir()
    for tag in ("T-1", "T-2", "T-3"):
        (tmp_path / "drives" / f"{tag}.toml").write_text(DRIVE.replace("T-1", tag), encoding="utf-8")
    path = tmp_path / "route.toml"
    path.write_text(ROUTE, encoding="utf-8")
    return path


def test_a_route_is_printed_point_by_point_in_its_order_and_with_its_time(vibe: Vibe, route: Path) -> None:
    answer = vibe("plan", route)
    assert answer.status == 0
    head, *lines = [line.split("\t") for line in answer.out.splitlines()]
    rows = [dict(zip(head, line, strict=True)) for line in lines[:4]]
    assert [(row["stop"], row["drive"], row["point"]) for row in rows] == [
        ("1", "T-2", "input side"), ("1", "T-2", "pulses"), ("2", "T-1", "input side"), ("2", "T-1", "output side"),
    ]  # fmt: skip
    assert rows[0]["remark"] == "better: adhesive"
    assert [row["captures"] for row in rows[2:]] == ["7", "0"]
    assert rows[3]["remark"] == "out of use: cable cut"
    times = dict(lines[4:])
    assert times["start"] == "0:10"
    assert times["walking"] == "0:06"
    assert times["in all"].startswith("0:")
    assert "guard" in answer.err


def test_sheet_copies_and_folders_are_written(vibe: Vibe, route: Path, tmp_path: Path) -> None:
    out = tmp_path / "plan"
    answer = vibe("plan", route, "--out", out, "--no-pdf")
    assert answer.status == 0
    written = {path.relative_to(out).as_posix() for path in out.rglob("*") if path.is_file()}
    assert written == {
        "plan.html", "phone.html", "readings.csv", "plan.csv", "plan.json", "round/T-1/folder.toml",
        "round/T-2/folder.toml",
    }  # fmt: skip
    assert "2 folders" in answer.err
    assert "--force" in vibe("plan", route, "--out", out, "--no-pdf").errors[0]
    assert vibe("plan", route, "--out", out, "--no-pdf", "--force").status == 0


def test_a_capture_dropped_into_its_folder_is_known(vibe: Vibe, route: Path, tmp_path: Path) -> None:
    from vibe.ingest.read import read_capture

    vibe("plan", route, "--out", tmp_path / "plan", "--no-pdf")
    dropped = tmp_path / "plan" / "round" / "T-2" / "0001.csv"
    dropped.write_text("time_s,P1 [m/s^2]\n" + "".join(f"{k / 1000},{k % 5}\n" for k in range(500)), encoding="utf-8")
    assert read_capture(dropped).drive == "T-2"


def test_a_route_stands_alone(vibe: Vibe, route: Path) -> None:
    drive = route.parent / "drives" / "T-1.toml"
    other = route.with_name("other.toml")
    other.write_text(ROUTE, encoding="utf-8")
    for words in ([route, drive], [drive, route], [route, other], [route.parent]):
        answer = vibe("plan", *words)
        assert answer.status == 2
        assert "is a route: plan it by itself" in answer.errors[0]
    assert vibe("plan", drive).status == 0
    assert vibe("plan", drive.parent).out.count("\n") == 4


def test_a_wrong_route_is_reported_with_its_line(vibe: Vibe, route: Path) -> None:
    route.write_text(ROUTE.replace("mounting", "mouting"), encoding="utf-8")
    answer = vibe("plan", route)
    assert answer.status == 2
    assert "line 8" in answer.errors[0]
    assert "mounting" in answer.errors[0]
    route.write_text(ROUTE.replace('"T-2"', '"T-9"'), encoding="utf-8")
    assert "T-9" in vibe("plan", route).errors[0]
