from __future__ import annotations

import csv
import io
import json
from dataclasses import replace
from fractions import Fraction
from pathlib import Path
from typing import Any

import pytest
from rich.console import Console

from vibe.core.drive_report import DriveReport
from vibe.core.errors import OutputError
from vibe.core.health import State
from vibe.core.route.round_check import Missing
from vibe.core.route.run_notes import FindingChange, LevelChange, ReportChanges, Retake
from vibe.report.change_words import in_words, tally
from vibe.report.pages.drive_page import write_drive
from vibe.report.pages.index_page import IndexRow, gravest_first, index_row, write_index
from vibe.report.pages.plan_sheet import plan_csv, write_plan_sheet
from vibe.report.terminal import summary_view, tones_table
from vibe.storage.csv_table import guarded


def row(tag: str, state: State, sure: float | None = None) -> IndexRow:
    return IndexRow(
        tag=tag,
        name="",
        state=state,
        sentence="s",
        do_by="d",
        top_finding=None if sure is None else "f",
        probability=sure,
        files=None,
        captures=1,
    )


def test_gravest_first_and_tags_as_people_count() -> None:
    rows = [
        row("A", "sound"),
        row("P-10", "plan", 0.7),
        row("P-2", "plan", 0.7),
        row("Z", "act", 0.5),
        row("U", "unknown"),
        row("W", "watch", 0.6),
        row("P-1", "plan", 0.9),
    ]
    assert [r.tag for r in gravest_first(rows)] == ["Z", "P-1", "P-2", "P-10", "W", "U", "A"]


def test_index_lists_every_drive_and_its_files(
    tmp_path: Path, damaged: DriveReport, sound: DriveReport, unknown: DriveReport
) -> None:
    rows = [index_row(d, write_drive(d, tmp_path, force=False, pdf=False)) for d in (sound, unknown, damaged)]
    index = write_index(
        rows, tmp_path, title="Route", captures_without_drive=["lost.wav"], drives_without_capture=["ZZ-1"], force=False
    )
    page = index.html.read_text(encoding="utf-8")
    assert page.index("TH-02") < page.index("AE-11") < page.index("MX-07")
    assert "lost.wav" in page
    assert "ZZ-1" in page
    table = list(csv.DictReader(io.StringIO(index.csv.read_text(encoding="utf-8"))))
    assert [line["state"] for line in table] == ["plan", "unknown", "sound"]
    assert table[0]["finding"] == "Local damage: lobe of the disc, stage 1"
    assert float(table[0]["probability"]) == 0.984
    assert table[1]["probability"] == ""
    run = json.loads(index.json.read_text(encoding="utf-8"))
    assert run["schema"] == "vibe.run/1"
    assert run["drives"][1]["probability"] is None
    for drive in run["drives"]:
        for link in drive["files"].values():
            assert (tmp_path / link).is_file()
    with pytest.raises(OutputError, match="--force"):
        write_index(rows, tmp_path, title="Route", captures_without_drive=[], drives_without_capture=[], force=False)
    assert json.loads(index.json.read_text(encoding="utf-8")) == run


def changed(**more: Any) -> ReportChanges:
    usual: dict[str, Any] = {
        "measured_before": "2026-02-09T08:00:00+01:00", "state_before": "sound", "state_now": "plan", "way": "graver",
        "findings": (), "levels": (), "speed_before_hz": 24.2, "speed_now_hz": 24.3,
    }  # fmt: skip
    return ReportChanges(**(usual | more))


def velocity(before: float | None, now: float | None, significant: bool | None, **more: Any) -> LevelChange:
    usual: dict[str, Any] = {"point": "input side", "measure": "velocity_rms", "unit": "mm/s"}
    return LevelChange(before=before, now=now, significant=significant, **(usual | more))


def test_what_changed_is_said_in_few_words() -> None:
    lobe = FindingChange(tone="stage1.lobe", component="stage1.lobe", defect="local damage", fate="new")
    gone = replace(lobe, component="input.shaft", defect="unbalance", fate="gone")
    levels = (
        velocity(0.9, 1.8, True, zone_before="A", zone_now="B"),
        velocity(1.0, 1.1, False, point="output side"),
        velocity(None, 2.0, None, point="cover", note="not measured last time"),
    )
    stated = in_words(replace(row("A", "plan", 0.9), changes=changed(findings=(lobe, gone), levels=levels)))
    assert stated is not None
    assert stated.strong == (
        "New: Local damage: lobe of the disc, stage 1",
        "Gone: Unbalance: input shaft",
        "↑ Velocity, input side: 0.90 → 1.8 mm/s, zone A → B",
    )
    assert stated.quiet == (
        "Velocity, output side: 1.0 → 1.1 mm/s".replace("1.0 ", "1 "),
        "Velocity, cover: not measured last time",
        "Speed 1452 → 1458 r/min",
    )
    assert stated.as_text.startswith("state sound → plan; New: ")
    still = in_words(replace(row("A", "plan", 0.9), changes=changed(findings=(replace(lobe, fate="still there"),))))
    assert still is not None
    assert (still.strong, still.quiet[0]) == ((), "Same finding as before")
    fell = in_words(replace(row("A", "sound"), changes=changed(levels=(velocity(1.8, 0.9, True),))))
    assert fell is not None
    assert fell.strong == ("↓ Velocity, input side: 1.8 → 0.90 mm/s",)
    assert in_words(row("A", "sound")) is None


def test_drives_are_counted_by_the_way_they_went() -> None:
    rows = [
        replace(row("A", "plan"), changes=changed()),
        replace(row("B", "sound"), changes=changed(way="same")),
        replace(row("C", "sound"), changes=changed(way="same")),
        replace(row("D", "sound"), since="measured for the first time"),
        row("E", "sound"),
    ]
    assert tally(rows) == [(1, "graver"), (2, "state as before"), (1, "not measured before")]
    assert tally([row("E", "sound")]) == []


def test_the_page_of_a_round_has_all_its_sections_and_takes_names_as_text(tmp_path: Path) -> None:
    rows = [replace(row("<b>A", "plan", 0.9), changes=changed(), noticed=("twice.wav",)), row("B", "unknown")]
    again = [
        Retake(drive="B", point="input side", file="b.wav", verdict="rejected", reason="clipped", remedy="wider range"),
        Retake(drive="B", point=None, file="c_<i>.wav", verdict="unreadable", reason="cut off", remedy="copy again"),
        Retake(drive="<b>A", point="output side", file="a.wav", verdict="limited", reason="a shock", remedy="wait"),
    ]
    missed = [
        Missing(drive="Z-9", point=None, what="no capture", remedy="Roof"),
        Missing(drive="B", point="cover", what="no capture", remedy="Left <of> the glass"),
    ]
    index = write_index(
        rows, tmp_path, title="Round", captures_without_drive=["x.wav: whose?"], drives_without_capture=["Z-9"],
        force=False, on_route=True, not_visited=missed, retakes=again, remarks=["something"],
    )  # fmt: skip
    page = index.html.read_text(encoding="utf-8")
    ids = [page.index(f'id="{name}"') for name in ("again", "missed", "strays")]
    assert ids == sorted(ids)
    assert "<b>A" not in page
    assert "<i>" not in page
    assert "&lt;of&gt;" in page
    for text in ("Wider range", "Copy again", "A shock", "the whole drive", "Roof", "twice.wav", "Note: something"):
        assert text in page, text
    assert "Drives without a capture" not in page
    run = json.loads(index.json.read_text(encoding="utf-8"))
    assert [(one["drive"], one["point"]) for one in run["not_visited"]] == [("Z-9", None), ("B", "cover")]
    assert [one["verdict"] for one in run["retakes"]] == ["rejected", "unreadable", "limited"]
    assert run["drives"][0]["changes"]["state_before"] == "sound"
    assert run["drives"][1]["changes"] is None
    lines = list(csv.DictReader(io.StringIO(index.csv.read_text(encoding="utf-8"))))
    assert [line["state_before"] for line in lines] == ["sound", ""]
    plain = write_index(
        rows[1:], tmp_path / "plain", title="Round", captures_without_drive=[], drives_without_capture=[], force=False
    )
    assert "Since last time" not in plain.html.read_text(encoding="utf-8")
    assert json.loads(plain.json.read_text(encoding="utf-8"))["not_visited"] is None


@pytest.mark.parametrize(
    ("cell", "expected"),
    [
        ("=1+1", "'=1+1"), ("@SUM(A1)", "'@SUM(A1)"), ("+cmd", "'+cmd"), ("-x", "'-x"), (" =1", "' =1"),
        ("\t=1", "' =1"), ("\r\n=1", "'  =1"), ("\u3000=1", "'\u3000=1"), ("\uff1d1", "'\uff1d1"),
        ("plain", "plain"), ("", ""), (None, ""), (-1.5, "-1.5"), (3, "3"), ("-1/17", "-1/17"), ("-2+3", "'-2+3"),
    ],
)  # fmt: skip
def test_cells_never_become_formulas(cell: str | float | None, expected: str) -> None:
    assert guarded(cell) == expected


def test_tone_table_for_eyes_and_for_programs(damaged: DriveReport) -> None:
    table = damaged.tones
    drawn = tones_table(table, 24.31)
    for text in (
        "18/17",
        "1.058824",
        "25.7400",
        "against the input",
        "−1/17",
        "stage1.output_pin (exactly)",
        "drives torque",
    ):
        assert text in drawn
    unknown_speed = tones_table(table, None)
    assert "not known" in unknown_speed
    record = json.loads(tones_table(table, 24.31, form="json"))
    lobe = next(t for t in record["tones"] if t["tone"] == "stage1.lobe")
    assert Fraction(lobe["order_exact"]) == Fraction(18, 17)
    assert lobe["hz"] == pytest.approx(24.31 * 18 / 17)
    assert next(t for t in record["tones"] if t["tone"].endswith("cage"))["order_exact"] is None
    assert record["ratio_exact"] == "-17"
    lines = list(csv.DictReader(io.StringIO(tones_table(table, None, form="csv"))))
    assert len(lines) == len(table.bodies) + len(table.tones)
    assert all(line["hz"] == "" for line in lines)
    disc = next(line for line in lines if line["id"] == "stage1.disc")
    assert Fraction(disc["order_exact"]) == Fraction(-1, 17)
    tsv = tones_table(table, 24.31, form="tsv").splitlines()
    assert len({line.count("\t") for line in tsv}) == 1


def test_summary_takes_markup_as_text() -> None:
    rows = [replace(row("[bold]x[/nope]", "act", 0.98), do_by="now\x1b[31m"), row("S", "sound")]
    out = io.StringIO()
    Console(file=out, width=100).print(summary_view(rows))
    text = out.getvalue()
    assert "[bold]x[/nope]" in text
    assert "\x1b" not in text
    assert "98 %" in text


def test_plan_sheet_puts_cautions_first(tmp_path: Path, damaged: DriveReport) -> None:
    assert damaged.plan is not None
    files = write_plan_sheet([damaged.plan], tmp_path, force=False, names={"TH-02": "Thickener <rake>"})
    page = files.html.read_text(encoding="utf-8")
    assert page.index("Guards stay on") < page.index("25.6 kHz") < page.index("shares its line with running speed")
    assert "Thickener &lt;rake&gt;" in page
    assert page.count('class="tick"') == 2
    assert (files.pdf is None) == bool(files.remarks)
    (line,) = csv.DictReader(io.StringIO(plan_csv([damaged.plan])))
    assert line["not_seen"] == "stage1.ring_pin"
    record = json.loads(files.json.read_text(encoding="utf-8"))
    assert record["plans"][0]["duration_s"] == 60.0
    with pytest.raises(OutputError, match="--force"):
        write_plan_sheet([damaged.plan], tmp_path, force=False)
