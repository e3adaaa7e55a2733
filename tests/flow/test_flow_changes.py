"""What changed since last time; and a run on a route: whose files they are, what came twice, where nobody was."""

from __future__ import annotations

import json
import pickle
import shutil
from pathlib import Path
from typing import Any

import h5py
import pytest

from tests.plant import drive_text
from vibe.core.errors import CallError
from vibe.core.health import CaptureReport, ChannelReport, Finding, Health, LevelReport, NotObservable, SpeedReport
from vibe.core.route.run_notes import ReportChanges
from vibe.flow import capture_folder
from vibe.flow.run import earlier_run, run
from vibe.flow.run.outcome import RunOutcome
from vibe.flow.samples import simulation
from vibe.flow.settings import Settings
from vibe.health.state.repeat_measurements import retakes
from vibe.health.state.report_changes import changes
from vibe.health.state.settings import Boundaries
from vibe.ingest import load_drive, load_route

GROUP_2_RIGID = Boundaries(ab=1.4, bc=2.8, cd=4.5)
"""ISO 10816-3:2009 Table A.2 [mm/s]: a change of more than 0.7 mm/s is significant (5.3)."""


def finding(tone: str | None, defect: str = "local damage", *, like: tuple[str, ...] = (), **more: Any) -> Finding:
    usual: dict[str, Any] = {
        "tone": tone, "component": tone or "input.shaft", "defect": defect, "probability": 0.9,
        "false_alarm_probability": 1e-5, "severity": "moderate", "cannot_be_told_from": list(like), "why": "w",
        "advice": "a",
    }  # fmt: skip
    return Finding(**(usual | more))


def level(value: float, point: str = "housing", zone: str | None = "A", high: float = 1000.0) -> LevelReport:
    return LevelReport(point=point, measure="velocity_rms", value=value, unit="mm/s", band_hz=[10.0, high], zone=zone)


def capture(quality: str = "usable", **more: Any) -> CaptureReport:
    usual: dict[str, Any] = {"file": "a.wav", "channels": [ChannelReport(name="housing", quality=quality)]}
    return CaptureReport(**(usual | more))


def health(**more: Any) -> Health:
    usual: dict[str, Any] = {
        "drive": "A-1",
        "state": "sound",
        "state_rule": "r",
        "sentence": "s",
        "do_by": "d",
        "captures": [capture()],
        "speed": SpeedReport(input_hz=24.0, uncertainty_hz=None, method="signal"),
        "findings": [],
        "levels": [],
        "not_observable": [],
        "cautions": [],
        "software": "vibe",
    }
    return Health(**(usual | more))


@pytest.fixture
def compared(settings: Settings) -> Any:
    def compare(before: Health, now: Health, bounds: Boundaries | None = GROUP_2_RIGID) -> ReportChanges:
        return changes(before, now, bounds, settings.limits)

    return compare


def fates(found: ReportChanges) -> list[tuple[str | None, str]]:
    return [(one.tone, one.fate) for one in found.findings]


@pytest.mark.parametrize(
    ("before", "now", "significant"),
    [(0.9, 1.61, True), (0.9, 1.59, False), (1.61, 0.9, True), (1.59, 0.9, False), (3.0, 3.0, False)],
)
def test_a_quarter_of_the_upper_limit_of_zone_b_is_significant_up_and_down(
    compared: Any, before: float, now: float, significant: bool
) -> None:
    (one,) = compared(health(levels=[level(before)]), health(levels=[level(now, zone="B")])).levels
    assert (one.before, one.now, one.significant) == (before, now, significant)
    assert one.threshold == pytest.approx(0.7)
    assert (one.zone_before, one.zone_now) == ("A", "B")


def test_what_cannot_be_compared_is_not_called_a_change(compared: Any) -> None:
    before = health(levels=[level(0.1, "left"), level(0.1, "both"), level(9.0, "both", zone=None)])
    now = health(levels=[level(9.0, "right"), level(0.2, "BOTH")])
    stated = {one.point: one for one in compared(before, now).levels}
    # Of two rows of one point the headline, which comes first, is compared; case makes no other point.
    assert stated["BOTH"].significant is False
    assert (stated["right"].significant, stated["right"].note) == (None, "not measured last time")
    assert (stated["left"].significant, stated["left"].note) == (None, "not measured this time")
    (band,) = compared(health(levels=[level(0.1)]), health(levels=[level(9.0, high=500.0)])).levels
    assert band.significant is None
    (size,) = compared(health(levels=[level(0.1)]), health(levels=[level(9.0)]), None).levels
    assert size.significant is None
    assert size.threshold is None


def test_findings_are_new_still_there_or_gone(compared: Any) -> None:
    before = health(state="watch", findings=[finding("stage1.lobe"), finding(None, "unbalance")])
    now = health(state="plan", findings=[finding("stage1.lobe"), finding(None, "misalignment")])
    stated = compared(before, now)
    assert [(one.defect, one.fate) for one in stated.findings] == [
        ("local damage", "still there"), ("misalignment", "new"), ("unbalance", "gone"),
    ]  # fmt: skip
    assert (stated.state_before, stated.state_now, stated.way) == ("watch", "plan", "graver")
    assert compared(now, before).way == "milder"
    assert compared(before, before).way == "same"
    assert compared(health(state="unknown"), now).way == "not known"


def test_one_damage_under_two_names_is_still_there(compared: Any) -> None:
    lobe = finding("stage1.lobe", like=("stage1.output_pin",))
    stated = compared(health(findings=[lobe]), health(findings=[finding("stage1.output_pin")]))
    assert fates(stated) == [("stage1.output_pin", "still there")]
    assert stated.findings[0].note == "last time named stage1.lobe, local damage"
    whole, race = finding(None, component="bearing.input bearing"), finding("bearing.input bearing.outer_race")
    assert fates(compared(health(findings=[whole]), health(findings=[race]))) == [(race.tone, "still there")]
    # The same parts with another cause are two findings.
    pair = [finding("stage1.mesh", "wear"), finding("stage1.mesh")]
    assert [one.fate for one in compared(health(findings=pair[:1]), health(findings=pair[1:])).findings] == [
        "new", "gone",
    ]  # fmt: skip


def test_what_this_capture_could_not_show_is_not_gone(compared: Any) -> None:
    before = health(findings=[finding("stage1.lobe")])
    gap = NotObservable(tone="stage1.lobe", why="too short", needs="60 s")
    blind = (health(not_observable=[gap]), health(captures=[capture("rejected")]), health(captures=[]))
    for now in blind:
        assert fates(compared(before, now)) == [("stage1.lobe", "not looked for")]
    other_gap = gap.model_copy(update={"tone": "stage1.ring_pin"})
    assert fates(compared(before, health(not_observable=[other_gap]))) == [("stage1.lobe", "gone")]
    (new,) = compared(health(not_observable=[gap]), before).findings
    assert (new.fate, new.note) == ("new", "could not have shown last time")


def test_speeds_that_were_not_measured_are_not_compared(compared: Any) -> None:
    def at(input_hz: float, method: str = "signal") -> Health:
        return health(speed=SpeedReport(input_hz=input_hz, uncertainty_hz=None, method=method))

    stated = compared(at(24.0), at(24.4))
    assert (stated.speed_before_hz, stated.speed_now_hz, stated.remarks) == (24.0, 24.4, ())
    assert compared(at(24.0, "nominal"), at(24.4)).speed_before_hz is None
    assert "levels differ for that alone" in compared(at(24.0), at(12.0)).remarks[0]


def test_the_same_captures_and_times_the_wrong_way_round_are_said(compared: Any) -> None:
    march = health(captures=[capture(sha256="m", measured_at="2026-03-09T08:00:00+01:00")])
    # 07:30 at +00:00 is later than 08:00 at +01:00.
    later = health(captures=[capture(sha256="l", measured_at="2026-03-09T07:30:00+00:00")])
    assert compared(march, later).remarks == ()
    assert "measured later" in compared(later, march).remarks[0]
    assert "the same" in compared(march, march).remarks[0]


def test_a_point_that_came_out_well_once_is_not_taken_again() -> None:
    def stated(*qualities: str) -> list[tuple[str, str]]:
        captures = [
            capture(channels=[ChannelReport(name="housing", quality=q, reasons=[q], remedies=["r"])]) for q in qualities
        ]
        return [(one.verdict, one.reason) for one in retakes(health(captures=captures))]

    assert stated("rejected") == [("rejected", "rejected")]
    assert stated("rejected", "usable") == stated("usable", "limited") == []
    assert stated("rejected", "limited") == stated("limited", "rejected") == [("limited", "limited")]
    (lost,) = retakes(health(captures=[CaptureReport(file="b.wav", error="cut off")]))
    assert (lost.point, lost.verdict, lost.reason) == (None, "unreadable", "cut off")


# ── a run on a route ──────────────────────────────────────────────────────────────────────────────────────────────

ROUTE = """\
title = "Walk"
drives = ["drives"]
time_zone = "Europe/Vienna"
[[file]]
like = "{drive}/{point}_{time}.h5"
[file.point_names]
P1 = "input side"
P2 = "output side"
[[stop]]
drive = "B-2"
formerly = ["OLD-2"]
[[stop.point]]
name = "input side"
[[stop.point]]
name = "output side"
[[stop]]
drive = "A-1"
[[stop.point]]
name = "input side"
[[stop.point]]
name = "output side"
place = "Beside the grease nipple"
[[stop.point]]
name = "cover"
out_of_use = "cable cut"
[[stop]]
drive = "C-3"
where = "Upper floor"
[[stop.point]]
name = "input side"
"""
RECIPE = 'kind = "route"\ntitle = "{title}"\nroute = "walk.toml"\ncaptures = "{title}"\npdf = false\n'


def logged(folder: Path, name: str, seed: int, **more: Any) -> Path:
    """A capture that says nothing of itself but its numbers: drive, point and time are in its name."""
    path = folder / name
    usual: dict[str, Any] = {"duration_s": 1.0, "sample_rate_hz": 5120.0, "points": ("channel 1",)}
    simulation.simulate_file(folder.parent / "drives" / "A-1.toml", [], seed, path, False, **(usual | more))
    with h5py.File(path, "a") as file:
        for key in ("drive", "measured_at"):
            file.attrs.pop(key, None)
    return path


@pytest.fixture(scope="module")
def plant(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two rounds. In March: a drive under its old tag, a copy, a stopped machine, a point and a drive left out, and a
    file of a drive that is no stop."""
    folder = tmp_path_factory.mktemp("walk")
    (folder / "drives").mkdir()
    for tag in ("A-1", "B-2", "C-3", "D-4"):
        (folder / "drives" / f"{tag}.toml").write_text(drive_text(tag, power_kw=2.2), encoding="utf-8")
    (folder / "walk.toml").write_text(ROUTE, encoding="utf-8")
    for title in ("february", "march"):
        (folder / f"{title}.toml").write_text(RECIPE.format(title=title), encoding="utf-8")
    for number, name in enumerate(("OLD-2/P1", "OLD-2/P2")):
        logged(folder / "february", f"{name}_20260209_0812{number:02d}.h5", number)
    march = folder / "march"
    logged(march, "OLD-2/P1_20260309_081200.h5", 10)
    logged(march, "B-2/P2_20260309_081300.h5", 11, running=False)
    first = logged(march, "A-1/P1_20260309_090000.h5", 12)
    shutil.copy(first, march / "A-1" / "P1_20260309_090001.h5")
    (march / "D-4").mkdir()
    shutil.copy(logged(march, "D-4/P1_20260309_100000.h5", 13), folder)
    # The same recording once more, as if exported again.
    again = Path(shutil.copy(first, march / "A-1" / "P1_20260309_090002.h5"))
    with h5py.File(again, "a") as file:
        file.attrs["exported"] = "again"
    return folder


@pytest.fixture(scope="module")
def february(plant: Path) -> RunOutcome:
    return run.run_recipe(plant / "february.toml", out=plant / "out february", workers=1)


@pytest.fixture(scope="module")
def march(plant: Path, february: RunOutcome) -> RunOutcome:
    return run.run_recipe(
        plant / "march.toml", out=plant / "out march", earlier=plant / "out february", workers=1
    )  # fmt: skip


def record_of(folder: Path) -> Any:
    return json.loads((folder / "run.json").read_text(encoding="utf-8"))


def test_files_find_their_drive_and_every_point_keeps_its_level(plant: Path, february: RunOutcome) -> None:
    assert [row.tag for row in february.rows] == ["B-2"]
    report = Health.model_validate_json((plant / "out february" / "B-2" / "health.json").read_bytes())
    # One file for each point: the levels of both are there, not of the last file alone.
    assert {row.point for row in report.levels if row.measure == "velocity_rms"} == {"input side", "output side"}
    assert [row.measured_at for row in report.captures] == ["2026-02-09T08:12:00+01:00", "2026-02-09T08:12:01+01:00"]


def test_what_was_delivered_twice_is_used_once(plant: Path, march: RunOutcome) -> None:
    report = Health.model_validate_json((plant / "out march" / "A-1" / "health.json").read_bytes())
    assert [one.file for one in report.captures] == ["P1_20260309_090000.h5"]
    for text in (
        "P1_20260309_090001.h5: the same file as P1_20260309_090000.h5; ignored",
        "P1_20260309_090002.h5: the same samples as P1_20260309_090000.h5; ignored",
    ):
        assert text in march.remarks
        assert text in next(row.noticed for row in march.rows if row.tag == "A-1")


def test_who_was_not_visited_is_said_in_the_order_of_the_walk(plant: Path, march: RunOutcome) -> None:
    record = record_of(plant / "out march")
    stated = [(one["drive"], one["point"], one["where"]) for one in record["not_visited"]]
    assert stated == [("A-1", "output side", "Beside the grease nipple"), ("C-3", None, "Upper floor")]
    assert "not visited: C-3, A-1 output side" in march.remarks
    (stray,) = record["captures_without_drive"]
    assert "D-4" in stray
    assert "no stop" in stray
    assert march.rejected
    page = march.index.read_text(encoding="utf-8")
    assert page.index('id="again"') < page.index('id="missed"') < page.index("belong to no stop")


def test_what_must_be_taken_again_has_its_remedy(plant: Path, march: RunOutcome) -> None:
    (again,) = [one for one in record_of(plant / "out march")["retakes"] if one["verdict"] == "rejected"]
    assert (again["drive"], again["point"]) == ("B-2", "output side")
    assert "not running" in again["reason"]
    assert again["remedy"]


def test_a_renamed_drive_is_compared_and_a_new_one_said(plant: Path, march: RunOutcome) -> None:
    rows = {row.tag: row for row in march.rows}
    since = rows["B-2"].changes
    assert since is not None
    assert {one.point: one.note for one in since.levels} == {"input side": "", "output side": "not measured this time"}
    assert since.speed_before_hz is not None
    assert (rows["A-1"].changes, rows["A-1"].since) == (None, "measured for the first time")
    entries = {one["drive"]: one for one in record_of(plant / "out march")["drives"]}
    assert entries["B-2"]["changes"]["state_before"] == rows["B-2"].changes.state_before  # type: ignore[union-attr]
    assert entries["A-1"]["changes"] is None
    report = Health.model_validate_json((plant / "out march" / "B-2" / "health.json").read_bytes())
    assert all(one.growth_db is None for one in report.findings)


@pytest.mark.parametrize("harm", ["none there", "no run", "no json", "report elsewhere", "report cut"])
def test_earlier_reports_that_cannot_be_read_are_a_remark(
    plant: Path, february: RunOutcome, settings: Settings, tmp_path: Path, harm: str
) -> None:
    before = tmp_path / "before"
    if harm != "none there":
        shutil.copytree(plant / "out february", before)
    record = before / "run.json"
    if harm == "no run":
        record.write_text('{"drives": 7}', encoding="utf-8")
    elif harm == "no json":
        record.write_bytes(b"\xff\x00[")
    elif harm == "report cut":
        (before / "B-2" / "health.json").write_text('{"drive": "B-2"}', encoding="utf-8")
    elif harm == "report elsewhere":
        text = record.read_text(encoding="utf-8").replace("B-2/health.json", "../out/health.json")
        record.write_text(text, encoding="utf-8")
    earlier = earlier_run.earlier_run(before)
    report = Health.model_validate_json((plant / "out february" / "B-2" / "health.json").read_bytes())
    drive = load_drive(plant / "drives" / "B-2.toml")
    if harm.startswith("report"):
        assert earlier.remarks == ()
        found = earlier_run.since(earlier, report, drive, (), settings.limits)
        assert found.changes is None
        assert found.failed == (harm == "report cut")
        assert found.note
    else:
        assert earlier.reports == {}
        assert "nothing is compared" in earlier.remarks[0]


def test_a_run_goes_on_without_the_earlier_one_and_says_so(plant: Path, tmp_path: Path) -> None:
    text = RECIPE.format(title="february") + f'earlier = "{(tmp_path / "none").as_posix()}"\n'
    (plant / "since.toml").write_text(text, encoding="utf-8")
    outcome = run.run_recipe(plant / "since.toml", out=tmp_path / "out", workers=1)
    assert [(row.changes, row.since) for row in outcome.rows] == [(None, "")]
    assert any("nothing is compared" in remark for remark in outcome.remarks)
    assert "nothing is compared" in outcome.index.read_text(encoding="utf-8")


def test_a_reader_can_be_sent_to_another_process(plant: Path) -> None:
    reader = capture_folder.RouteReader(plant / "march", load_route(plant / "walk.toml"))
    sent = pickle.loads(pickle.dumps(reader))
    capture = sent(plant / "march" / "OLD-2" / "P1_20260309_081200.h5")
    assert (capture.drive, capture.channels[0].name) == ("B-2", "input side")


def test_a_run_is_not_compared_with_the_pages_that_it_replaces(plant: Path, february: RunOutcome) -> None:
    out = plant / "out february"
    with pytest.raises(CallError, match="would be replaced"):
        run.run_recipe(plant / "february.toml", out=out, earlier=out, workers=1, force=True)
