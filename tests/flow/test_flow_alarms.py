"""From a store, and another system's list, to a queue; each trouble beside a healthy twin that stays silent."""

from __future__ import annotations

import csv
import json
from collections.abc import Iterator
from datetime import datetime, timedelta
from pathlib import Path

import pytest

from tests.alarm_stores import LOBE, NOW, POINTS, START, add, damaged, drive_toml, fill, finding, sensor, sound
from vibe.core.errors import CallError, ConfigError, OutputError
from vibe.core.records.alarms import Alarm, Queue
from vibe.core.records.history import Event
from vibe.flow.alarms.queue import decide, evaluate_alarms, run_alarms
from vibe.health.alarms.queue import forgotten
from vibe.history.store.store import Store


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store.open(tmp_path / "history", create=True) as opened:
        yield opened


def look(store: Store, file: Path | None = None, *, at: datetime = NOW) -> Queue:
    outcome = evaluate_alarms(store, exceedances=file, at=at)
    assert forgotten(outcome.queue, outcome.cases) == 0
    return outcome.queue


def only(queue: Queue) -> Alarm:
    assert len(queue.alarms) == 1, [(a.drives, a.kind) for a in queue.alarms]
    return queue.alarms[0]


def exported(path: Path, *rows: tuple[str, str, int, str, float, float]) -> Path:
    """Another system's list: tag, point, week, measure, value, limit."""
    lines = ["tag,point,time,measure,value,limit"]
    lines += [
        f"{tag},{point},{(START + timedelta(weeks=week, hours=1)).isoformat()},{measure},{value:g},{limit:g}"
        for tag, point, week, measure, value, limit in rows
    ]
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


def test_damage_at_two_points_in_several_measures_is_one_row_and_the_sound_twin_none(store: Store) -> None:
    fill(store, "TH-01", seed=1)
    fill(store, "TH-02", levels=lambda week: damaged(week, 2), findings=lambda week: [finding()] if week > 20 else [],
         lobes=19)  # fmt: skip
    alarm = only(look(store))
    assert (alarm.drive, alarm.kind, alarm.cause) == ("TH-02", "fault", LOBE)
    assert {e.key.point for e in alarm.exceedances} == {"", *POINTS}
    assert len({e.key.measure for e in alarm.exceedances}) >= 3
    assert alarm.finding is not None
    assert alarm.finding.seen_in == 3
    hit = next(s for s in alarm.series if s.key.measure == "hit")
    # 14 weeks of 1.2 dB, the median of the last three captures a week behind.
    assert hit.change_db == pytest.approx(13 * 1.2, abs=1.0)
    assert hit.slope_db_per_month == pytest.approx(1.2 * 365.25 / 12 / 7, rel=0.15)


def test_pictures_are_of_captures_in_the_store(store: Store) -> None:
    contents = fill(store, "TH-02", levels=lambda week: damaged(week, 2), findings=lambda week: [finding()])
    alarm = only(look(store))
    assert alarm.pictures.now == contents[-1]
    assert alarm.pictures.before in contents[:20]
    assert set(alarm.pictures.series) == {s.key for s in alarm.series}


def test_a_trip_counts_at_once_and_a_lone_outlier_does_not(store: Store) -> None:
    shaken = {("input side", "velocity_rms", ""): 7.0}
    outlier = {("input side", "acceleration_rms", ""): 2.0}
    fill(store, "TH-01", levels=lambda week: sound(week) | (shaken if week == 29 else {}))
    fill(store, "TH-02", levels=lambda week: sound(week) | (outlier if week == 29 else {}), lobes=19)
    alarm = only(look(store))
    assert alarm.drive == "TH-01"
    assert [(e.source, e.kind) for e in alarm.exceedances] == [("ISO rules", "trip")]
    sources = {line.source for line in alarm.series[0].limits}
    assert sources == {"ISO rules", "this drive"}


def test_what_changed_is_split_among_owners(store: Store) -> None:
    def shared(week: int) -> dict[tuple[str, str, str], float]:
        levels = damaged(week, 2, db_per_week=2.4)
        whole = levels[POINTS[0], "acceleration_rms", ""] ** 2
        mesh = min(0.3, 0.9 * whole)
        return levels | {
            (POINTS[0], "share", "stage1.mesh"): mesh, (POINTS[0], "share", LOBE): 0.9 * (whole - mesh),
            (POINTS[0], "share", "10-1000 Hz"): 0.1 * (whole - mesh),
        }  # fmt: skip

    fill(store, "TH-02", levels=shared, findings=lambda week: [finding()])
    (change,) = only(look(store)).changed
    told = change.explanation
    assert change.point == POINTS[0]
    # The level grows half as fast as the impacts; the last three captures are 12 to 14 weeks behind the beginning.
    assert told.rise_db == pytest.approx(13 * 1.2, abs=1.0)
    assert sum(part.db for part in told.parts) == pytest.approx(told.rise_db)
    assert told.parts[0].owner == LOBE
    assert told.parts[0].db > 0.8 * told.rise_db
    assert told.causes[0].owner == LOBE


def test_growth_without_a_finding_is_a_row_of_its_own_and_weighs_less(store: Store) -> None:
    fill(store, "TH-01", levels=lambda week: damaged(week, 1))
    fill(store, "TH-02", levels=lambda week: damaged(week, 1), findings=lambda week: [finding()], lobes=19)
    first, second = look(store).alarms
    assert (first.drive, first.kind) == ("TH-02", "fault")
    assert (second.drive, second.kind) == ("TH-01", "growth")
    assert second.urgency.total < first.urgency.total


def test_a_sensor_in_trouble_explains_and_pushes_down(store: Store) -> None:
    def loose(week: int) -> dict[tuple[str, str, str], float]:
        levels = sound(week, 3)
        if week >= 22:
            levels |= {key: 2.0 * value for key, value in levels.items() if key[0] == POINTS[0]}
        return levels

    fill(store, "TH-01", levels=loose, findings=lambda week: [sensor(POINTS[0])] if week >= 22 else [],
         kept=lambda week: "limited" if week >= 22 else "accepted")  # fmt: skip
    fill(store, "TH-02", levels=lambda week: damaged(week, 2), findings=lambda week: [finding()], lobes=19)
    fault, trouble = look(store).alarms
    assert (fault.drive, trouble.kind) == ("TH-02", "sensor")
    assert "loose mount" in trouble.explanations[0].words
    assert trouble.since == START + timedelta(weeks=22)
    assert trouble.urgency.total < 0.1 * fault.urgency.total


def test_a_point_that_reads_too_little_is_a_sensor_and_a_drive_that_calmed_down_is_none(store: Store) -> None:
    def deaf(week: int) -> dict[tuple[str, str, str], float]:
        share = 0.5 if week >= 20 else 1.0
        return {key: value * (share if key[0] == POINTS[1] else 1.0) for key, value in sound(week, 4).items()}

    fill(store, "TH-01", levels=deaf)
    fill(store, "TH-02", levels=lambda week: sound(week, 5, gain=0.5 if week >= 20 else 1.0), lobes=19)
    alarm = only(look(store))
    assert (alarm.drive, alarm.kind, alarm.cause) == ("TH-01", "sensor", f"sensor {POINTS[1]}")


def swinging(week: int) -> float:
    return 55.0 if week % 16 < 8 else 90.0


def by_load(week: int) -> dict[tuple[str, str, str], float]:
    """3 dB more at the higher load."""
    return sound(week, 6, gain=1.0 if swinging(week) < 60 else 10 ** (3 / 20))


def test_load_explains_what_another_system_complains_of(store: Store, tmp_path: Path) -> None:
    fill(store, "SM-02", levels=by_load, load=swinging)
    rows = [("sm-02", "Output Side", week, "Acc RMS", 1.0, 0.85) for week in (12, 28, 29)]
    alarm = only(look(store, exported(tmp_path / "alarms.csv", *rows)))
    assert alarm.kind == "load or speed"
    assert [e.line for e in alarm.exceedances] == [4, 3, 2]
    told = alarm.explanations[0]
    assert told.kind == "load"
    assert told.explains_db is not None
    first = alarm.exceedances[-1]
    assert first.raw_db is not None
    assert first.change_db is not None
    assert told.explains_db == pytest.approx(first.raw_db - first.change_db)
    assert told.explains_db > 1.5
    assert abs(first.change_db) < 1.5


@pytest.mark.parametrize(("second", "rows"), [(13, 1), (28, 2)])
def test_drives_whose_load_moved_at_one_time_share_a_row(store: Store, tmp_path: Path, second: int, rows: int) -> None:
    fill(store, "SM-01", levels=by_load, load=swinging)
    fill(store, "SM-02", levels=by_load, load=swinging, lobes=19)
    listed = [("SM-01", "input side", 12), ("SM-02", "input side", second)]
    file = exported(tmp_path / "a.csv", *((tag, p, week, "acceleration_rms", 1.0, 0.8) for tag, p, week in listed))
    alarms = look(store, file).alarms
    assert [alarm.kind for alarm in alarms] == ["load or speed"] * rows
    assert {tag for alarm in alarms for tag in alarm.drives} == {"SM-01", "SM-02"}


def test_the_same_rise_at_one_load_is_not_explained_by_it(store: Store, tmp_path: Path) -> None:
    """The healthy twin of the test above, turned round: equal levels, but the load stood still."""
    fill(store, "SM-02", levels=lambda week: sound(week, 6, gain=1.0 if week < 20 else 10 ** (3 / 20)))
    file = exported(tmp_path / "alarms.csv", ("SM-02", "output side", 29, "acceleration_rms", 1.0, 0.85))
    kinds = {alarm.kind for alarm in look(store, file).alarms}
    assert kinds == {"growth"}


def test_a_limit_learned_at_part_load_is_named(store: Store, tmp_path: Path) -> None:
    fill(store, "AE-01", levels=by_load, load=swinging)
    file = exported(tmp_path / "alarms.csv", ("AE-01", "input side", 12, "acceleration_rms", 0.98, 0.8))
    alarm = only(look(store, file))
    assert alarm.kind == "load or speed"


def test_what_was_before_a_repair_is_told_apart(store: Store, tmp_path: Path) -> None:
    def mended(week: int) -> dict[tuple[str, str, str], float]:
        return damaged(week, 7, begins=5, db_per_week=2.0) if week < 15 else sound(week, 8)

    fill(store, "SM-01", levels=mended,
         findings=lambda week: [finding()] if 8 < week < 15 else [])  # fmt: skip
    store.add_event(Event(drive="SM-01", at=START + timedelta(weeks=14.5), kind="bearing change", note="new bearing"))
    alarm = only(look(store, exported(tmp_path / "a.csv", ("SM-01", "input side", 13, "acceleration_rms", 2.0, 0.9))))
    assert alarm.kind == "repaired"
    assert "bearing change" in alarm.explanations[0].words
    assert alarm.urgency.total < 1.0


def test_sisters_that_change_together_are_one_row(store: Store) -> None:
    for number in range(3):
        fill(store, f"TH-0{number}", levels=lambda week, n=number: damaged(week, n))
    alarm = only(look(store))
    assert alarm.kind == "common"
    assert alarm.drives == ("TH-00", "TH-01", "TH-02")


def test_a_fault_says_that_its_sister_is_calm(store: Store) -> None:
    fill(store, "TH-01", seed=1)
    fill(store, "TH-02", levels=lambda week: damaged(week, 2), findings=lambda week: [finding()])
    told = [one for one in only(look(store)).explanations if one.kind == "sisters"]
    assert [one.weighs for one in told] == [False]


def test_lines_that_belong_nowhere_are_listed(store: Store, tmp_path: Path) -> None:
    fill(store, "TH-01", weeks=8)
    file = exported(
        tmp_path / "alarms.csv",
        ("TH-77", "input side", 3, "acceleration_rms", 1.0, 0.5),
        ("TH-01", "top", 3, "acceleration_rms", 1.0, 0.5),
        ("TH-01", "input side", 300, "acceleration_rms", 1.0, 0.5),
        ("TH-01", "input side", 3, "acceleration_rms", 1.0, 0.9),
    )
    with file.open("a", encoding="utf-8") as stream:
        stream.write("TH-01,input side,yesterday,acceleration_rms,1,1\n")
    queue = look(store, file)
    assert [left.line for left in queue.unmatched] == [2, 3, 4]
    assert [left.line for left in queue.bad] == [6]
    assert queue.matched == 1
    assert sum(len(alarm.exceedances) for alarm in queue.alarms) == 1


# ── decisions ─────────────────────────────────────────────────────────────────────────────────────────────────────


def faulty(store: Store, weeks: int = 26) -> Alarm:
    fill(store, "TH-02", weeks=weeks, levels=lambda week: damaged(week, 2), findings=lambda week: [finding()])
    return only(look(store))


def test_a_decided_alarm_is_quiet_and_comes_back_when_it_grows(store: Store) -> None:
    before = faulty(store)
    decide(store, before.id.upper().replace("-", ""), "confirmed", because="seen at the lid", by="K. Muster", at=NOW)
    quiet = only(look(store))
    assert (quiet.id, quiet.status) == (before.id, "quiet")
    assert "K. Muster" in quiet.status_why
    add(store, "TH-02", 26, damaged(26, 2), findings=[finding()])  # 1.2 dB more
    assert only(look(store)).status == "quiet"
    for week in (27, 28, 29, 30):
        add(store, "TH-02", week, damaged(week, 2), findings=[finding()])
    back = only(look(store))
    assert (back.id, back.status) == (before.id, "back")
    assert "rose by" in back.status_why
    assert back.decisions == quiet.decisions


def test_another_cause_or_a_new_baseline_is_another_alarm(store: Store) -> None:
    before = faulty(store)
    decide(store, before.id, "not-a-fault", because="pitch errors", by="K. Muster", at=NOW)
    looseness = finding("foundation", tone=None, defect="looseness")
    add(store, "TH-02", 26, damaged(26, 2), findings=[finding(), looseness])
    states = {alarm.cause: alarm.status for alarm in look(store).alarms}
    assert states == {"foundation looseness": "open", LOBE: "quiet"}
    store.add_event(Event(drive="TH-02", at=START + timedelta(weeks=26.5), kind="repair"))
    for week in range(27, 35):
        add(store, "TH-02", week, sound(week, 2), findings=[finding()])
    after = only(look(store))
    assert after.id != before.id
    assert after.status == "open"


def test_a_graver_finding_and_a_day_to_look_again_bring_it_back(store: Store) -> None:
    alarm = faulty(store)
    decide(store, alarm.id, "recheck", because="at the next round", by="K. Muster", at=NOW,
           recheck_by=NOW + timedelta(days=10))  # fmt: skip
    assert only(look(store)).status == "quiet"
    late = only(look(store, at=NOW + timedelta(days=11)))
    assert late.status == "back"
    assert "has passed" in late.status_why
    decide(store, alarm.id, "confirmed", because="heard", by="K. Muster", at=NOW + timedelta(days=12))
    assert only(look(store, at=NOW + timedelta(days=13))).status == "quiet"
    add(store, "TH-02", 26, damaged(26, 2), findings=[finding(severity="severe")])
    assert "severe" in only(look(store, at=NOW + timedelta(days=14))).status_why


def test_the_name_stays_when_parts_that_cannot_be_told_apart_change_places(store: Store) -> None:
    pin = finding("stage1.output_pin", cannot_be_told_from=[LOBE])
    lobe = finding(cannot_be_told_from=["stage1.output_pin"])
    fill(store, "TH-02", weeks=20, findings=lambda week: [lobe])
    first = only(look(store))
    add(store, "TH-02", 20, sound(20), findings=[pin])
    assert only(look(store)).id == first.id


def test_measures_of_the_queue_count_decisions_by_rule(store: Store) -> None:
    fill(store, "TH-01", levels=lambda week: damaged(week, 1), findings=lambda week: [finding()])
    fill(store, "TH-02", levels=lambda week: damaged(week, 2), lobes=19)
    fill(store, "TH-03", levels=lambda week: damaged(week, 3), findings=lambda week: [finding()], lobes=21)
    alarms = {alarm.drive: alarm for alarm in look(store, at=NOW).alarms}
    decide(store, alarms["TH-01"].id, "confirmed", because="seen", by="K. M.", at=NOW + timedelta(days=2))
    decide(store, alarms["TH-02"].id, "not-a-fault", because="wash-down", by="K. M.", at=NOW + timedelta(days=4))
    told = look(store, at=NOW + timedelta(days=5)).measures
    assert (told.alarms, told.waiting, told.quiet, told.decided) == (3, 1, 2, 2)
    assert told.not_fault_share == 0.5
    assert told.median_days_to_decision == pytest.approx(3.0)
    rules = {count.rule: count for count in told.rules}
    hit = rules["this drive: growth, hit"]
    assert (hit.alarms, hit.confirmed, hit.not_faults, hit.undecided) == (3, 1, 1, 1)
    assert rules["finding: local damage"].alarms == 2


def test_decisions_need_an_alarm_a_reason_and_a_name(store: Store) -> None:
    alarm = faulty(store)
    with pytest.raises(CallError, match="reason"):
        decide(store, alarm.id, "confirmed", because=" ", by="K. M.")
    with pytest.raises(CallError, match="name"):
        decide(store, alarm.id, "confirmed", because="seen", by="")
    with pytest.raises(CallError, match=alarm.id):
        decide(store, alarm.id[:-1] + "0", "confirmed", because="seen", by="K. M.")
    assert store.decisions() == ()


def test_an_alarm_of_a_file_is_not_closed_by_a_look_without_it(store: Store, tmp_path: Path) -> None:
    fill(store, "SM-02", levels=by_load, load=swinging)
    file = exported(tmp_path / "a.csv", ("SM-02", "output side", 28, "acceleration_rms", 1.0, 0.85))
    alarm = only(look(store, file))
    queue = look(store)
    assert queue.alarms == ()
    assert "1 alarm" in queue.remarks[0]
    assert [kept.id for kept in store.alarms()] == [alarm.id]
    file.write_text("tag,point,time,measure,value,limit\n", encoding="utf-8")
    look(store, file)
    assert store.alarms() == ()


# ── a recipe ──────────────────────────────────────────────────────────────────────────────────────────────────────


def test_a_recipe_writes_the_queue_whole_and_takes_service_from_drive_files(store: Store, tmp_path: Path) -> None:
    faulty(store, weeks=30)
    plain = only(look(store)).urgency.total
    drives = tmp_path / "drives"
    drives.mkdir()
    service = '[service]\nconsequence = "high"\nspare_lead_days = 400\n'
    (drives / "one.toml").write_text(drive_toml("TH-02", service=service), encoding="utf-8")
    recipe = tmp_path / "alarms.toml"
    recipe.write_text(
        f'kind = "alarms"\ntitle = "T"\nstore = "{store.folder.as_posix()}"\ndrives = ["drives/*.toml"]\n',
        encoding="utf-8",
    )
    outcome = run_alarms(recipe, out=tmp_path / "out", at=NOW)
    alarm = only(outcome.queue)
    assert alarm.urgency.total > plain
    told = json.loads((tmp_path / "out" / "queue.json").read_text(encoding="utf-8"))
    assert told["schema"] == "vibe.queue/1"
    assert told["alarms"][0]["id"] == alarm.id
    parts = told["alarms"][0]["urgency"]["parts"]
    assert any("400 days" in part["because"] for part in parts)
    with (tmp_path / "out" / "alarms.csv").open(encoding="utf-8", newline="") as stream:
        rows = list(csv.DictReader(stream))
    assert [(row["id"], row["drives"]) for row in rows] == [(alarm.id, "TH-02")]
    with pytest.raises(OutputError, match="--force"):
        run_alarms(recipe, out=tmp_path / "out")


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ('kind = "alarms"\ntitle = "T"\n', "'store' is missing"),
        ('kind = "route"\ntitle = "T"\ndrives = ["d"]\ncaptures = "c"\nstore = "s"\n', "store belongs to"),
        ('kind = "route"\ntitle = "T"\ndrives = ["d"]\n', "'captures' is missing"),
    ],
)
def test_recipes_that_cannot_be_are_refused(tmp_path: Path, text: str, why: str) -> None:
    path = tmp_path / "r.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(ConfigError, match=why):
        run_alarms(path)
