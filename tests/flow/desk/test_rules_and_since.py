"""How rules did, what a limit would have done, what changed between two times: against stores whose truth is known."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest

from tests.alarm_stores import LOBE, POINTS, START, add, damaged, drive_toml, fill, finding, sound
from vibe.core.errors import CallError, ConfigError
from vibe.core.records.history import Event, EventKind
from vibe.flow.alarms.queue import decide, evaluate_alarms
from vibe.flow.desk.background import WorkStopped
from vibe.flow.desk.drive_versions import check_drive, drive_versions, save_drive
from vibe.flow.desk.rules import rule_record, try_limit
from vibe.flow.desk.since import changes_since
from vibe.history.store.store import Store

WEEK = timedelta(weeks=1)
LOUD = (POINTS[0], "acceleration_rms", "")


Levels = dict[tuple[str, str, str], float]


def few(levels: Levels) -> Levels:
    """The acceleration of one point and the impacts of the lobe: quicker than all."""
    return {key: levels[key] for key in (LOUD, ("", "hit", LOBE))}


def raised(week: int, seed: int, begins: int = 99, db: float = 0.0, ends: int = 99) -> Levels:
    """Sound but for the acceleration of one point between two weeks."""
    levels = few(sound(week, seed))
    if begins <= week < ends:
        levels[LOUD] *= 10 ** (db / 20)
    return levels


def repair(store: Store, tag: str, week: float, kind: EventKind = "bearing change") -> None:
    store.add_event(Event(drive=tag, at=START + week * WEEK, kind=kind, note="new outer race"))


def test_a_limit_is_tried_on_the_past_and_nothing_is_saved(store: Store) -> None:
    fill(store, "B-2", levels=lambda week: raised(week, 2, 22, 20.0, 27), weeks=30, seed=2)
    fill(store, "C-3", levels=lambda week: raised(week, 3), weeks=30, seed=3)
    before = {path: path.read_bytes() for path in store.folder.rglob("*.h5")}
    now = START + 30 * WEEK
    said: dict[str, Any] = {"source": "this drive", "measure": "acceleration_rms", "since": START, "until": now}
    asis = try_limit(store, shift_db=0.0, **said)
    assert (asis.gained, asis.lost, asis.now) == ((), (), asis.tried)
    assert {(one.drive, one.point) for one in try_limit(store, shift_db=-40.0, **said).gained} >= {
        ("C-3", POINTS[0]),
    }  # fmt: skip
    higher = try_limit(store, shift_db=30.0, **said)
    assert sum(higher.tried.values()) == 0
    assert {one.drive for one in higher.lost} >= {"B-2"}
    ended = next(one for one in higher.lost if one.drive == "B-2" and one.point == POINTS[0])
    assert START + 22 * WEEK <= ended.begun <= START + 24 * WEEK
    assert ended.ended is not None
    assert START + 27 * WEEK <= ended.ended <= START + 29 * WEEK
    # An absolute one between the two: 0.7 m/s² is usual, B-2 went to 7.
    absolute = try_limit(store, value=3.0, **said)
    assert (absolute.gained, absolute.lost, sum(absolute.tried.values())) == ((), (), 1)
    assert {path: path.read_bytes() for path in store.folder.rglob("*.h5")} == before
    assert store.alarms(open_only=False) == ()
    for match, wrong in (
        ("either", {}), ("either", {"shift_db": 1.0, "value": 1.0}), ("60 dB", {"shift_db": float("nan")}),
        ("above 0", {"value": -1.0}), ("keeps no", {"shift_db": 1.0, "measure": "smell"}),
        ("no source", {"shift_db": 1.0, "source": "moon"}), ("not before", {"shift_db": 1.0, "since": now}),
    ):  # fmt: skip
        with pytest.raises(CallError, match=match):
            try_limit(store, **{**said, **wrong})


def test_decisions_say_which_rules_cry_wolf_and_repairs_what_they_missed(store: Store) -> None:
    fill(store, "A-1", levels=lambda week: few(damaged(week, 1)), weeks=30, seed=1,
         findings=lambda week: [finding()] if week > 20 else ())  # fmt: skip
    fill(store, "B-2", levels=lambda week: raised(week, 2, 22, 14.0), weeks=30, seed=2)
    fill(store, "C-3", levels=lambda week: raised(week, 3), weeks=30, seed=3)
    now = START + 29 * WEEK + timedelta(hours=1)
    alarms = {alarm.drive: alarm for alarm in evaluate_alarms(store, at=now).queue.alarms}
    assert {"A-1", "B-2"} <= set(alarms)
    decide(store, alarms["A-1"].id, "confirmed", because="seen by endoscope", by="J. Sole", at=now)
    decide(store, alarms["B-2"].id, "not-a-fault", because="pump ran dry", by="J. Sole", at=now)
    fill(store, "D-4", levels=lambda week: few(damaged(week, 4)), weeks=30, seed=4)  # raised, and nobody decided
    for tag in ("A-1", "B-2", "C-3", "D-4"):
        repair(store, tag, 30.0)
    store.add_event(Event(drive="C-3", at=START + 30.5 * WEEK, kind="grease"))
    record = rule_record(store, since=START, until=START + 31 * WEEK)
    assert record.repairs == 4
    missed = {one.event.drive: one for one in record.missed}
    assert set(missed) == {"B-2", "C-3"}
    assert "no fault" in missed["B-2"].why
    assert missed["B-2"].case == alarms["B-2"].id
    assert (missed["C-3"].why, missed["C-3"].captures > 20) == ("no rule had raised anything", True)
    by_kind = {one.kind: one for one in record.causes}
    assert by_kind[alarms["A-1"].kind].confirmed >= 1
    assert sum(one.not_faults for one in record.causes) == 1
    rules = {one.rule: one for one in record.rules}
    assert rules["finding: local damage"].confirmed == 1


def test_what_changed_is_new_graver_gone_or_not_measured(store: Store) -> None:
    fill(store, "A-1", levels=lambda week: few(damaged(week, 1, begins=26, db_per_week=3.0)),
         findings=lambda week: [finding(severity="severe")] if week > 28 else (), weeks=34, seed=1)  # fmt: skip
    fill(store, "B-2", levels=lambda week: few(damaged(week, 2, begins=10)), weeks=24, seed=2,
         findings=lambda week: [finding(severity="severe")] if week > 14 else ())  # fmt: skip
    fill(store, "C-3", levels=lambda week: few(damaged(week, 3, begins=10)), weeks=24, seed=3,
         findings=lambda week: [finding(severity="severe")] if week > 14 else ())  # fmt: skip
    repair(store, "C-3", 25.0)
    for week in range(26, 34):
        add(store, "C-3", week, raised(week, 3))
    fill(store, "D-4", levels=lambda week: raised(week, 4), weeks=34, seed=4)
    then, now = START + 24.5 * WEEK, START + 33.5 * WEEK
    seen: list[tuple[int, int]] = []
    view = changes_since(store, then, now, progress=lambda done, of, _: seen.append((done, of)))
    groups = {group: {row.drive for row in view.of(group)} for group in ("new", "graver", "gone", "not measured")}
    assert "A-1" in groups["new"]
    assert "C-3" in groups["gone"]
    assert "bearing change on" in next(row.why for row in view.of("gone") if row.drive == "C-3")
    assert "B-2" in groups["not measured"]  # silence is no recovery
    assert "B-2" not in groups["gone"]
    assert not any("D-4" in drives for drives in groups.values())
    assert [done / of for done, of in seen] == sorted(done / of for done, of in seen)
    row = next(row for row in view.of("new") if row.drive == "A-1")
    assert (row.then, row.now is not None) == (None, True)
    # A capture of later changes nothing of what was seen then.
    before = changes_since(store, then, now).rows
    add(store, "B-2", 40, raised(40, 2))
    assert changes_since(store, then, now).rows == before
    with pytest.raises(CallError, match="exchange the two dates"):
        changes_since(store, now, then)
    assert "before it nothing was known" in changes_since(store, START - WEEK, now).remarks[0]

    def stop(*_: object) -> None:
        raise WorkStopped

    with pytest.raises(WorkStopped):
        changes_since(store, then, now, progress=stop)


def test_a_new_version_of_a_drive_is_checked_first_and_the_old_one_kept(store: Store) -> None:
    first = drive_toml("TH-02")
    assert save_drive(store, "TH-02", first).remarks == ()
    assert save_drive(store, "TH-02", first).unchanged
    second = first.replace("lobes = 17", "lobes = 15").replace("ring_pins = 18", "ring_pins = 16")
    checked = check_drive(store, "TH-02", second)
    assert [one.toml for one in drive_versions(store, "TH-02")] == [first]
    assert ("stage1.ring_pin", 1.0, 1.0) not in checked.moved
    assert next(one for one in checked.moved if one[0] == "stage1.lobe")[1:] == pytest.approx((18 / 17, 16 / 15))
    assert len(checked.remarks) == 2
    assert "+lobes = 15" in checked.difference
    save_drive(store, "TH-02", second)
    versions = drive_versions(store, "TH-02")
    assert [(one.number, one.toml) for one in versions] == [(1, first), (2, second)]
    assert versions[0].kind != versions[1].kind
    for text, match in (
        (second.replace("lobes", "lobbes"), "lobes"), ("x = [", "line 1"), ("", "empty"), ("\ud800", "file"),
        (second + "#" * 200_000, "too long"), (second.replace("ring_pins = 16", "ring_pins = 15"), "pins"),
    ):  # fmt: skip
        with pytest.raises(ConfigError, match=match):
            save_drive(store, "TH-02", text)
    with pytest.raises(CallError, match="not of 'TH-02'"):
        save_drive(store, "TH-02", drive_toml("TH-03"))
    assert len(drive_versions(store, "TH-02")) == 2
