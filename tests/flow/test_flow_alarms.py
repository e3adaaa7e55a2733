"""From a store, and another system's list, to a queue; each trouble next to a healthy twin that stays silent."""

from __future__ import annotations

import csv
import json
from collections.abc import Iterator, Sequence
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from tests.alarm_stores import LOBE, NOW, POINTS, START, add, damaged, drive_toml, fill, finding, sensor, sound
from vibe.core.errors import CallError, ConfigError, OutputError
from vibe.core.records.alarms import Alarm, Queue
from vibe.core.records.history import Event
from vibe.flow.alarms.queue import decide, evaluate_alarms, record, run_alarms
from vibe.health.alarms.queue import forgotten
from vibe.history.store.store import Store


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store.open(tmp_path / "history", create=True) as opened:
        yield opened


def look(store: Store, file: Path | None = None, *, at: datetime | None = None) -> Queue:
    """The queue on the day after the latest capture or decision, unless ``at`` says another."""
    last = [drive.last for drive in store.drives() if drive.last is not None]
    day = max(last) + timedelta(days=1)
    made = [decision.at for decision in store.decisions()]
    outcome = evaluate_alarms(store, exceedances=file, at=at or max([day, *made]))
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
    impact = next(s for s in alarm.series if s.key.measure == "hit")
    # 14 weeks of 1.2 dB, the median of the last three captures a week behind.
    assert impact.change_db == pytest.approx(13 * 1.2, abs=1.0)
    assert impact.slope_db_per_month == pytest.approx(1.2 * 365.25 / 12 / 7, rel=0.15)


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
    stated = change.explanation
    assert change.point == POINTS[0]
    # The level grows half as fast as the impacts; the last three captures are 12 to 14 weeks behind the beginning.
    assert stated.rise_db == pytest.approx(13 * 1.2, abs=1.0)
    assert sum(part.db for part in stated.parts) == pytest.approx(stated.rise_db)
    assert stated.parts[0].owner == LOBE
    assert stated.parts[0].db > 0.8 * stated.rise_db
    assert stated.causes[0].owner == LOBE


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
    stated = alarm.explanations[0]
    assert stated.kind == "load"
    assert stated.explains_db is not None
    first = alarm.exceedances[-1]
    assert first.raw_db is not None
    assert first.change_db is not None
    assert stated.explains_db == pytest.approx(first.raw_db - first.change_db)
    assert stated.explains_db > 1.5
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


def test_what_was_before_a_repair_is_distinguished(store: Store, tmp_path: Path) -> None:
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
    stated = [one for one in only(look(store)).explanations if one.kind == "sisters"]
    assert [one.weighs for one in stated] == [False]


def test_lines_that_belong_nowhere_are_listed(store: Store, tmp_path: Path) -> None:
    fill(store, "TH-01", weeks=8)
    file = exported(
        tmp_path / "alarms.csv",
        ("TH-77", "input side", 3, "acceleration_rms", 1.0, 0.5),
        ("TH-01", "top", 3, "acceleration_rms", 1.0, 0.5),
        ("TH-01", "input side", -30, "acceleration_rms", 1.0, 0.5),
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


DECIDED = START + timedelta(weeks=25, days=1)


def faulty(store: Store, weeks: int = 26) -> Alarm:
    fill(store, "TH-02", weeks=weeks, levels=lambda week: damaged(week, 2), findings=lambda week: [finding()])
    return only(look(store))


def test_a_decided_alarm_is_quiet_and_comes_back_when_it_grows(store: Store) -> None:
    before = faulty(store)
    name = before.id.upper().replace("-", "")
    decide(store, name, "not-a-fault", because="pitch errors", by="K. Muster", at=DECIDED)
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
    decide(store, before.id, "not-a-fault", because="pitch errors", by="K. Muster", at=DECIDED)
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
    decide(store, alarm.id, "recheck", because="at the next round", by="K. Muster", at=DECIDED,
           recheck_by=DECIDED + timedelta(days=10))  # fmt: skip
    assert (only(look(store)).status, only(look(store)).state) == ("quiet", "waiting")
    late = only(look(store, at=DECIDED + timedelta(days=11)))
    assert (late.status, late.state) == ("back", "overdue")
    assert "has passed" in late.status_why
    decide(store, alarm.id, "confirmed", because="heard", by="K. Muster", at=DECIDED + timedelta(days=12))
    assert only(look(store, at=DECIDED + timedelta(days=13))).status == "in work"
    add(store, "TH-02", 26, damaged(26, 2), findings=[finding(severity="severe")])
    assert "severe" in only(look(store, at=DECIDED + timedelta(days=14))).status_why


def test_the_name_stays_when_parts_that_cannot_be_distinguished_change_places(store: Store) -> None:
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
    stated = look(store, at=NOW + timedelta(days=5)).measures
    assert (stated.alarms, stated.waiting, stated.quiet, stated.in_work, stated.decided) == (3, 1, 1, 1, 2)
    assert stated.not_fault_share == 0.5
    # Both could be shown from their beginning on: a finding of the first capture, growth that began in week 15.
    weeks = (NOW + timedelta(days=2) - alarms["TH-01"].since, NOW + timedelta(days=4) - alarms["TH-02"].since)
    assert stated.median_days_to_decision == pytest.approx(sum(weeks, timedelta()) / timedelta(days=2))
    assert alarms["TH-01"].since == START
    assert timedelta(weeks=13) < alarms["TH-02"].since - START < timedelta(weeks=20)
    rules = {count.rule: count for count in stated.rules}
    impact = rules["this drive: growth, hit"]
    assert (impact.alarms, impact.confirmed, impact.not_faults, impact.undecided) == (3, 1, 1, 1)
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


def test_an_alarm_of_a_file_is_not_closed_by_a_run_without_it(store: Store, tmp_path: Path) -> None:
    fill(store, "SM-02", levels=by_load, load=swinging)
    file = exported(tmp_path / "a.csv", ("SM-02", "output side", 28, "acceleration_rms", 1.0, 0.85))

    def run(*, with_file: bool) -> Queue:
        outcome = evaluate_alarms(store, exceedances=file if with_file else None, at=NOW)
        record(store, outcome, with_file=with_file)
        return outcome.queue

    alarm = only(run(with_file=True))
    queue = run(with_file=False)
    assert queue.alarms == ()
    assert "1 alarm" in queue.remarks[0]
    assert [kept.id for kept in store.alarms()] == [alarm.id]
    file.write_text("tag,point,time,measure,value,limit\n", encoding="utf-8")
    run(with_file=True)
    assert store.alarms() == ()


# ── as of a time ──────────────────────────────────────────────────────────────────────────────────────────────────


def everything(store: Store) -> list[tuple[object, ...]]:
    tables = [row[0] for row in store.rows("SELECT name FROM sqlite_master WHERE type = 'table' ORDER BY name")]
    return [row for table in tables for row in store.rows(f"SELECT * FROM {table} ORDER BY 1, 2")]


def test_looking_writes_nothing(store: Store, tmp_path: Path) -> None:
    faulty(store)
    file = exported(tmp_path / "a.csv", ("TH-02", "output side", 20, "acceleration_rms", 1.0, 0.85))
    before = everything(store)
    for at in (None, DECIDED, START + timedelta(weeks=18)):
        evaluate_alarms(store, exceedances=file, at=at)
    assert everything(store) == before


def test_what_comes_later_changes_no_earlier_queue(store: Store) -> None:
    alarm = faulty(store)
    before = look(store, at=DECIDED)
    for week in range(26, 32):
        add(store, "TH-02", week, damaged(week, 2, db_per_week=3.0), findings=[finding(severity="severe")])
    late = START + timedelta(weeks=33)
    decide(store, alarm.id, "not-a-fault", because="pitch errors", by="K. Muster", at=late)
    store.add_event(Event(drive="TH-02", at=late, kind="repair"))
    after = look(store, at=DECIDED)
    assert after.alarms == before.alarms
    assert "6 captures measured later do not count" in after.remarks
    assert look(store, at=late - timedelta(days=9)).alarms[0].urgency.total > before.alarms[0].urgency.total


def test_a_repair_dated_ahead_hides_nothing_and_is_reported(store: Store) -> None:
    alarm = faulty(store)
    store.add_event(Event(drive="TH-02", at=DECIDED + timedelta(days=400), kind="repair", note="planned"))
    queue = look(store)
    assert only(queue).id == alarm.id
    assert only(queue).urgency == alarm.urgency
    assert any("events dated later do not count yet: TH-02" in remark for remark in queue.remarks)
    # The healthy twin: one that has been done does.
    store.add_event(Event(drive="TH-02", at=DECIDED - timedelta(hours=1), kind="repair"))
    assert look(store).alarms == ()


def test_a_look_beyond_the_data_says_so(store: Store) -> None:
    fill(store, "TH-01", weeks=8)
    assert look(store).remarks == ()
    queue = look(store, at=START + timedelta(weeks=60))
    assert "the latest capture is of 2024-04-22" in queue.remarks[0]
    row = only(queue)
    assert (row.kind, row.state) == ("not measured", "overdue")
    assert "every 7 days" in row.sentence


def test_a_clock_that_was_not_set_is_reported(store: Store) -> None:
    fill(store, "TH-01", weeks=6)
    assert look(store).remarks == ()
    add(store, "TH-01", -1200, sound(0))
    assert look(store).remarks == (
        "TH-01: a capture is dated 2001-03-05, the next 2024-03-04; was the clock set?",
    )  # fmt: skip


@pytest.mark.parametrize(("days", "rows"), [(12.0, 0), (13.0, 1)])
def test_a_planned_capture_that_was_missed_is_a_case(store: Store, days: float, rows: int) -> None:
    service = "[service]\nmeasure_every_days = 6\n"
    fill(store, "TH-01", weeks=2, service=service)
    at = START + timedelta(weeks=1, days=days, hours=12)
    queue = look(store, at=at)
    assert [alarm.kind for alarm in queue.alarms] == ["not measured"] * rows
    (drive,) = queue.drives
    assert (drive.every_days, drive.planned, drive.measured_at) == (6.0, True, START + timedelta(weeks=1))


def test_drives_of_one_missed_round_are_one_row(store: Store) -> None:
    for number in range(3):
        fill(store, f"TH-0{number}", weeks=10, lobes=17 + 2 * number)
    row = only(look(store, at=START + timedelta(weeks=20)))
    assert (row.kind, row.drives) == ("not measured", ("TH-00", "TH-01", "TH-02"))


# ── what must not lower urgency ───────────────────────────────────────────────────────────────────────────────────


def clipped(*points: str, at: float = 11.6, rejected: bool = True) -> dict[str, Any]:
    """What a capture's report says of channels that were cut off."""
    quality = "rejected" if rejected else "limited"
    return {
        "captures": [{"channels": [
            {"name": point, "quality": quality if point in points else "usable",
             "reasons": [f"input clipped: 900 samples (1.1 %) are cut off at {at:g} m/s²"] if point in points else []}
            for point in POINTS
        ]}]
    }  # fmt: skip


def overloaded(store: Store, weeks: Sequence[int], *, both: bool, found: bool) -> None:
    """Captures of a drive whose damage goes on growing, with a range that is too small for it."""
    for week in weeks:
        points = POINTS if both else POINTS[1:]
        levels = {} if both else {key: min(value, 0.9) for key, value in damaged(week, 2).items()}
        add(
            store, "TH-02", week, levels, kept="rejected" if both else "limited",
            findings=[finding(severity="slight", probability=0.5, evidence=[{"channel": POINTS[1]}])] if found else [],
            report=clipped(*points, rejected=both),
        )  # fmt: skip


@pytest.mark.parametrize("both", [True, False])
@pytest.mark.parametrize("found", [True, False])
def test_overload_never_lowers_the_urgency_of_a_known_fault(store: Store, both: bool, found: bool) -> None:
    evidence = [{"channel": POINTS[1]}]
    fill(store, "TH-02", weeks=26, levels=lambda week: damaged(week, 2),
         findings=lambda week: [finding(severity="severe", probability=0.99, evidence=evidence)] if week > 15 else [],
         seed=2)  # fmt: skip
    before = only(look(store))
    for last in (27, 29, 33):
        overloaded(store, range(last - 1, last + 1), both=both, found=found and not both)
        after = look(store).alarms[0]
        assert (after.id, after.kind) == (before.id, "fault")
        assert after.urgency.total >= before.urgency.total
        assert after.finding is not None
        assert after.finding.severity == "severe"
        assert "Measure again at once" in after.advice
        assert all(alarm.kind != "sensor" for alarm in look(store).alarms)
    # The healthy twin: good captures that do not show it any more take its place.
    for week in range(34, 38):
        add(store, "TH-02", week, sound(week, 2))
    assert all(alarm.kind != "fault" for alarm in look(store).alarms)


def test_a_point_that_newly_clips_is_a_level_of_that_at_least_and_one_that_always_did_is_none(store: Store) -> None:
    fill(store, "TH-02", weeks=20, seed=2)
    fill(store, "TH-01", weeks=20, seed=3, kept=lambda week: "limited", report=lambda week: clipped(*POINTS), lobes=19)
    for week in (20, 21, 22):
        for tag in ("TH-01", "TH-02"):
            add(store, tag, week, {}, kept="rejected", report=clipped(*POINTS))
    rows = {alarm.drive: alarm for alarm in look(store).alarms if alarm.kind not in ("sensor", "not judged")}
    assert set(rows) == {"TH-02"}
    row = rows["TH-02"]
    assert row.kind == "growth"
    assert {e.kind for e in row.exceedances} == {"clipped"}
    # 11.6 m/s² over a usual peak of 4.
    assert max(e.change_db or 0.0 for e in row.exceedances) == pytest.approx(9.2, abs=0.5)


def test_sisters_take_nothing_from_a_named_finding_and_share_a_case(store: Store) -> None:
    def fault(week: int) -> list[dict[str, Any]]:
        return [finding(severity="severe", probability=0.995)] if week > 18 else []

    fill(store, "TH-02", levels=lambda week: damaged(week, 2), findings=fault)
    alone = only(look(store))
    fill(store, "TH-12", levels=lambda week: damaged(week, 4), findings=fault)
    rows = look(store).alarms
    own = {alarm.drive: alarm for alarm in rows if alarm.kind == "fault"}
    assert set(own) == {"TH-02", "TH-12"}
    assert own["TH-02"].urgency.total >= alone.urgency.total
    (shared,) = (alarm for alarm in rows if alarm.kind == "common")
    assert set(shared.drives) == {"TH-02", "TH-12"}
    assert shared.urgency.total == max(alarm.urgency.total for alarm in own.values())
    assert not any(one.weighs for alarm in rows for one in alarm.explanations)


def test_the_end_of_a_bearing_without_a_name_asks_for_action(store: Store) -> None:
    fill(store, "TH-02", weeks=36, levels=lambda week: damaged(week, 2, db_per_week=2.4))
    fill(store, "TH-01", weeks=36, levels=lambda week: damaged(week, 1, db_per_week=0.35), lobes=19)
    rows = {alarm.drive: alarm for alarm in look(store).alarms}
    assert rows["TH-02"].kind == "growth"
    assert rows["TH-02"].urgency.total >= 50.0
    assert rows["TH-01"].urgency.total < 25.0
    time = next(part for part in rows["TH-02"].urgency.parts if part.name == "time")
    assert "days" not in time.because


def test_what_grows_is_not_dated_but_measured_again_sooner(store: Store) -> None:
    fill(store, "TH-02", levels=lambda week: damaged(week, 2), findings=lambda week: [finding()])
    fill(store, "TH-01", seed=1, lobes=19)
    alarm = only(look(store))
    growing = [state for state in alarm.series if state.state == "growing"]
    assert growing
    assert all(state.days_to_target is None or state.days_to_target == 0.0 for state in alarm.series)
    assert all("cannot be dated" in state.time_words or "reached" in state.time_words for state in growing)
    assert alarm.look_again == START + timedelta(weeks=30)


def test_confirmed_work_stays_in_sight_until_a_repair(store: Store) -> None:
    alarm = faulty(store)
    due = DECIDED + timedelta(days=40)
    decide(store, alarm.id, "confirmed", because="seen at the lid", by="K. Muster", at=DECIDED, owner="M. Fitter",
           due=due, work_order="change the disc")  # fmt: skip
    row = only(look(store))
    assert (row.state, row.status, row.owner, row.due, row.work_order) == (
        "in work", "in work", "M. Fitter", due, "change the disc"
    )  # fmt: skip
    assert row.urgency.total == alarm.urgency.total
    for week in range(26, 30):
        add(store, "TH-02", week, sound(week, 2))
    kept = [alarm for alarm in look(store).alarms if alarm.id == row.id]
    assert [one.state for one in kept] == ["in work"]
    assert kept[0].urgency.total == pytest.approx(alarm.urgency.total, abs=0.01)
    assert look(store, at=due + timedelta(days=1)).alarms[0].state == "overdue"
    # Grease begins a new baseline, and mends nothing.
    store.add_event(Event(drive="TH-02", at=START + timedelta(weeks=29, hours=4), kind="grease"))
    assert [one.state for one in look(store).alarms if one.id == row.id] == ["in work"]
    store.add_event(Event(drive="TH-02", at=START + timedelta(weeks=29, hours=5), kind="repair"))
    assert all(one.id != row.id for one in look(store).alarms)


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
    stated = json.loads((tmp_path / "out" / "queue.json").read_text(encoding="utf-8"))
    assert stated["schema"] == "vibe.queue/1"
    assert stated["alarms"][0]["id"] == alarm.id
    parts = stated["alarms"][0]["urgency"]["parts"]
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
