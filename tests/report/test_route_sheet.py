"""The sheet of a route, its copies for programs, and the folders that wait for captures."""

from __future__ import annotations

import csv
import json
import re
import tomllib
from dataclasses import replace
from pathlib import Path

import pytest

from vibe.core.errors import OutputError
from vibe.core.route.route_plan import FileName, PointPlan, RoutePlan, StopPlan, StopTime, TimeBudget
from vibe.core.tones import CapturePlan, Visibility
from vibe.report.pages.route_sheet import folder_file, route_html, write_route_plan
from vibe.report.pages.route_sheet_data import hours, route_sheet, tone_list
from vibe.report.pages.shell import TEMPLATES

CAUTIONS = ("Guards stay on.", "Hot <surfaces>.")
HOSTILE = '=../..\\x "a" <b>\u202e'


def visibility() -> tuple[Visibility, ...]:
    out = "out of reach of vibration in practice: 2.0 h at steady speed"
    return (
        Visibility(tone="stage1.mesh", seen=True, reach="seen"),
        Visibility(
            tone="stage1.lobe", seen=False, reach="longer", why="short", needs="a capture of at least 100 s",
            needs_duration_s=100.0,
        ),
        Visibility(
            tone="stage1.output", seen=False, reach="other settings", why="low", needs="a sensor that reaches 1 Hz",
            needs_duration_s=5.0,
        ),
        Visibility(tone="stage2.lobe", seen=False, reach="out of reach", why="slow", needs=out),
    )  # fmt: skip


def point(name: str, **changed: object) -> PointPlan:
    plain = PointPlan(
        name=name, place="on the ring", axis="radial", quantity="acceleration", mounting="stud",
        sample_rate_hz=25_600.0, duration_s=30.0, captures=2, sensor_range_m_s2=500.0, sensor_range_g=50.99,
        good_to_hz=10_000.0, better_mounting=None, loses=(), out_of_use="", reasons=("because",),
    )  # fmt: skip
    return replace(plain, **changed)  # type: ignore[arg-type]


def stop(tag: str, *points: PointPlan, note: tuple[str, ...] = ("speed", "load")) -> StopPlan:
    plan = CapturePlan(
        drive=tag, sample_rate_hz=25_600.0, duration_s=30.0, captures=2, sensor_range_m_s2=500.0, mounting="stud",
        resolution_hz=2 / 30, reasons=("why so",), visibility=visibility(), slowest_body="stage1.disc",
        slowest_turns=44.0,
    )  # fmt: skip
    return StopPlan(
        drive=tag, name="Press", where="hall 2", formerly=(), speed_rpm=1458.0, speed_range_rpm=(1430.0, 1500.0),
        note=note, captures=2, plan=plan, visibility=visibility(), points=points,  # type: ignore[arg-type]
        time=StopTime(walking_s=180.0, mounting_s=90.0, capturing_s=60.0, noting_s=60.0),
    )  # fmt: skip


def route(*stops: StopPlan) -> RoutePlan:
    budget = TimeBudget(start_s=600.0, walking_s=180.0, mounting_s=90.0, capturing_s=60.0, noting_s=60.0)
    return RoutePlan(title="Walk", note="", stops=stops, budget=budget)


def test_sheet_puts_cautions_first_then_time_then_stops_in_order() -> None:
    page = route_html(route(stop("B-2", point("P1")), stop("A-1", point("P2"))), CAUTIONS)
    places = [page.index(text) for text in ("Guards stay on", "way back", ">B-2<", ">A-1<", "What stays unseen")]
    assert places == sorted(places)
    assert "Hot &lt;surfaces&gt;" in page
    assert "at 0:13" in page  # 600 s at the gate and 180 s on the way
    assert page.count('class="tick"') == 4
    for text in ("25.6 kHz", "2 × 30 s", "± 500 m/s²", "51 g", "expect 1430 to 1500", "on the ring"):
        assert text in page


def test_what_stays_unseen_is_sorted_by_what_would_show_it() -> None:
    page = route_html(route(stop("A-1", point("P1"))), CAUTIONS)
    assert "<dt>longer: 100 s</dt><dd>lobe of the disc, stage 1</dd>" in page
    assert "(needs a sensor that reaches 1\u00a0Hz)" in page
    assert "<dt>out of reach</dt><dd>lobe of the disc, stage 2</dd>" in page
    assert "1 of 4 tones seen" in page


def test_a_weak_mounting_a_dead_point_and_a_pulse_sensor() -> None:
    page = route_html(
        route(
            stop(
                "A-1",
                point("P1", mounting="magnet", good_to_hz=2333.3, better_mounting="adhesive", loses=("stage1.mesh",)),
                point("P2", out_of_use="cable <cut>", captures=0),
                point("T", quantity="tachometer", sensor_range_m_s2=None, sensor_range_g=None, good_to_hz=None),
                point("P4", captures=9),
            )
        ),
        CAUTIONS,
    )
    assert "good to 2.3 kHz only: thin adhesive if you can" in page
    assert "<dt>lost at P1, magnet</dt><dd>mesh, stage 1</dd>" in page
    assert "cable &lt;cut&gt;" in page
    assert page.count('class="tick"') == 2 + 0 + 1 + 4
    assert "of 9" in page


def test_only_what_is_to_be_noted_is_asked_for() -> None:
    page = route_html(route(stop("A-1", point("P1"), note=())), CAUTIONS)
    assert "r/min</b>" not in page
    asked = folder_file(stop("A-1", point("P1"), note=("load",)))
    assert "load_percent" in asked
    assert "speed_rpm" not in asked


def test_folders_for_any_tag_lie_inside_and_speak_toml(tmp_path: Path) -> None:
    tags = ["A-1", HOSTILE, "../../up", "aux", "."]
    files = write_route_plan(
        route(*(stop(tag, point("P1")) for tag in tags)), tmp_path / "out", force=False, cautions=CAUTIONS, pdf=False
    )
    inside = (tmp_path / "out" / "round").resolve()
    assert len({folder.name for folder in files.folders}) == len(tags)
    for tag, folder in zip(tags, files.folders, strict=True):
        assert folder.resolve().parent == inside
        text = (folder / "folder.toml").read_text(encoding="utf-8")
        assert tomllib.loads(text) == {"drive": tag}
        filled = tomllib.loads(text.replace("# speed_rpm", "speed_rpm").replace("# load_percent", "load_percent"))
        assert filled == {"drive": tag, "speed_rpm": 1458, "load_percent": 100}
    assert {path.name for path in tmp_path.iterdir()} == {"out"}
    assert {path.name for path in (tmp_path / "out").iterdir()} == {
        "plan.html", "plan.csv", "plan.json", "readings.csv", "round"
    }  # fmt: skip


def test_copies_for_programs(tmp_path: Path) -> None:
    plan = route(stop(HOSTILE, point("P1"), point("P2", out_of_use="gone", captures=0)))
    files = write_route_plan(plan, tmp_path, force=False, cautions=CAUTIONS)
    assert (files.pdf is None) == bool(files.remarks)
    with files.csv.open(encoding="utf-8", newline="") as stream:
        first, second = csv.DictReader(stream)
    assert first["drive"].startswith("'=")  # no formula for a spreadsheet
    assert (first["point"], first["captures"], first["samples"], first["in_use"]) == ("P1", "2", "768000", "yes")
    assert (second["in_use"], second["captures"], second["out_of_use"]) == ("no", "0", "gone")
    record = json.loads(files.json.read_text(encoding="utf-8"))
    assert record["schema"] == "vibe.route_plan/1"
    assert record["stops"][0]["drive"] == HOSTILE
    assert record["stops"][0]["points"][0]["sample_rate_hz"] == 25_600.0
    assert record["stops"][0]["visibility"][1]["needs_duration_s"] == 100.0
    assert record["budget"]["total_s"] == 990.0
    assert first["folder"] == record["stops"][0]["folder"]


def test_nothing_is_replaced_unasked_and_notes_never(tmp_path: Path) -> None:
    plan = route(stop("A-1", point("P1")))
    files = write_route_plan(plan, tmp_path, force=False, cautions=CAUTIONS, pdf=False)
    noted = files.folders[0] / "folder.toml"
    noted.write_text('drive = "A-1"\nspeed_rpm = 1461\n', encoding="utf-8")
    (files.folders[0] / "capture.wav").write_bytes(b"x")
    before = {path: path.read_bytes() for path in tmp_path.rglob("*") if path.is_file()}
    with pytest.raises(OutputError, match="--force"):
        write_route_plan(replace(plan, title="Other"), tmp_path, force=False, cautions=CAUTIONS, pdf=False)
    files.html.unlink()  # one file missing is no leave to write the others
    with pytest.raises(OutputError, match="--force"):
        write_route_plan(replace(plan, title="Other"), tmp_path, force=False, cautions=CAUTIONS, pdf=False)
    assert not files.html.exists()
    again = write_route_plan(replace(plan, title="Other"), tmp_path, force=True, cautions=CAUTIONS, pdf=False)
    assert "Other" in files.html.read_text(encoding="utf-8")
    assert noted.read_bytes() == before[noted]
    assert (files.folders[0] / "capture.wav").exists()
    assert "kept" in again.remarks[0]


def test_a_page_that_cannot_be_made_leaves_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(*_: object) -> str:
        raise OutputError("disk is full")

    monkeypatch.setattr("vibe.report.pages.route_sheet.write_whole", broken)
    with pytest.raises(OutputError, match="full"):
        write_route_plan(route(stop("A-1", point("P1"))), tmp_path, force=False, cautions=CAUTIONS, pdf=False)
    assert list(tmp_path.iterdir()) == []


def test_the_sheets_own_classes_are_nobody_elses() -> None:
    """A rule of the common style sheet once hid a whole section that happened to share its name."""
    own, common = (
        set(
            re.findall(r"\.([a-z][a-z-]*)", re.sub(r"\{[^{}]*\}", "{}", (TEMPLATES / name).read_text(encoding="utf-8")))
        )
        for name in ("route_plan.css", "style.css")
    )
    assert own & common == {"cautions", "tick"}


def test_every_stop_says_what_its_files_are_called() -> None:
    one = replace(
        stop("A-1", point("P1"), point("P2")),
        files=(FileName(path="a/P1_hhmm.wav", points=("P1",)), FileName(path="A-1 hhmm.csv", points=("P1", "P2"))),
    )
    sheet = route_sheet(route(one, stop("B-2", point("P1"))), CAUTIONS)
    assert [line.files for line in sheet.stops[0].points] == [("a/P1_hhmm.wav",), ()]
    assert sheet.stops[0].files == ("A-1 hhmm.csv",)
    assert [each.folder for each in sheet.stops] == ["round/A-1", "round/B-2"]
    page = re.sub(r"<[^>]*>", "", route_html(route(one), CAUTIONS))
    assert "Save as A-1 hhmm.csv; a file that itself names its points goes under any name into folder round/A-1" in page
    assert "a/P1_hhmm.wav" in page


def test_tones_on_one_line_are_not_counted_as_seen() -> None:
    shown = (
        Visibility(tone="stage1.mesh", seen=True, reach="seen"),
        Visibility(tone="stage1.lobe", seen=True, reach="seen", shares=("stage1.output_pin",)),
        Visibility(tone="stage1.output_pin", seen=True, reach="seen", shares=("stage1.lobe",)),
        Visibility(tone="stage1.ring_pin", seen=True, reach="seen", shares=("stage1.mesh",)),
    )
    sheet = route_sheet(route(replace(stop("A-1", point("P1")), visibility=shown)), CAUTIONS).stops[0]
    assert (sheet.seen, sheet.together) == (1, 3)
    assert sheet.unseen.shared.count("=") == 1
    assert sheet.unseen.shared.count(" on lines of ") == 1


def test_hours_and_tones_in_words() -> None:
    assert [hours(seconds) for seconds in (0, 29, 3570, 3600, 36_000)] == ["0:00", "0:00", "1:00", "1:00", "10:00"]
    names = ["bearing.main.outer_race", "stage1.lobe", "bearing.main.cage"]
    assert tone_list(names) == "bearing “main”: outer race, cage; lobe of the disc, stage 1"
