"""Which exceedances have one cause, what a cause is called, and when it is quiet."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest

from tests.health.alarm_cases import NOW, START, capture, case, exceedance, found, key, seen, shipped_rules, state
from vibe.core.records.alarm_case import DriveCase, Memory
from vibe.core.records.history import Decision, Event
from vibe.health.alarms.cause_names import alarm_id, cause_of, typed
from vibe.health.alarms.causes import causes_of
from vibe.health.alarms.queue import forgotten, needs_action, queue_of
from vibe.health.alarms.suppression import series_name, standing

RULES = shipped_rules()
WEEKS = range(24)


def kinds(one: DriveCase) -> dict[str, int]:
    return {cause.cause: len(cause.exceedances) for cause in causes_of(one, RULES)}


def sound(**more: Any) -> DriveCase:
    return case(captures=tuple(capture(week) for week in WEEKS), **more)


def faulty(*findings: Any, since: int = 18, **more: Any) -> DriveCase:
    captures = tuple(capture(week, *(findings if week >= since else ())) for week in WEEKS)
    return case(captures=captures, **more)


def test_a_drive_with_nothing_has_no_row() -> None:
    assert causes_of(sound(), RULES) == []
    assert queue_of([sound()], [], RULES, NOW).alarms == ()


def test_a_finding_alone_is_a_row() -> None:
    only = causes_of(faulty(found()), RULES)
    assert [(cause.kind, cause.cause, cause.first) for cause in only] == [
        ("fault", "stage1.lobe", START + timedelta(weeks=18))
    ]


def test_a_finding_that_is_long_gone_is_none() -> None:
    gone = case(captures=tuple(capture(week, *([found()] if week < 12 else [])) for week in WEEKS))
    assert causes_of(gone, RULES) == []


def test_one_bearing_at_two_points_in_five_measures_is_one_row() -> None:
    race = "bearing.input bearing.outer_race"
    rows = [
        exceedance(key(measure, point=point))
        for point in ("input side", "output side")
        for measure in ("acceleration_rms", "acceleration_peak", "velocity_rms", "kurtosis_typical")
    ] + [exceedance(key("hit", point="", subject=race))]
    assert kinds(faulty(found(race), exceedances=tuple(rows))) == {"bearing.input bearing": 9}


def test_races_of_one_bearing_are_one_and_two_bearings_are_two() -> None:
    inner, outer = found("bearing.input bearing.inner_race"), found("bearing.input bearing.outer_race")
    assert list(kinds(faulty(inner, outer))) == ["bearing.input bearing"]
    other = found("bearing.output bearing.outer_race")
    assert set(kinds(faulty(outer, other))) == {"bearing.input bearing", "bearing.output bearing"}


def test_velocity_goes_to_what_shakes_and_acceleration_to_what_strikes() -> None:
    loose = found("foundation", tone=None, defect="looseness")
    rows = (exceedance(key("velocity_rms")), exceedance(key("acceleration_peak")), exceedance(key("acceleration_rms")))
    assert kinds(faulty(found(), loose, exceedances=rows)) == {"stage1.lobe": 2, "foundation looseness": 1}


def test_a_tone_of_another_part_joins_the_fault_next_to_it_and_stands_alone_without() -> None:
    row = exceedance(key("hit", point="", subject="stage1.ring_pin"), kind="growth", limit=None)
    assert kinds(faulty(found(), exceedances=(row,))) == {"stage1.lobe": 1}
    assert kinds(sound(exceedances=(row,))) == {"growth": 1}


def test_what_was_before_the_damage_and_did_not_last_is_not_put_down_to_it() -> None:
    early = exceedance(at=START + timedelta(weeks=2), source="another system", within=True, content=f"{2:064x}")
    assert kinds(faulty(found(), exceedances=(early,))) == {"stage1.lobe": 0, "scatter": 1}


def test_a_finding_only_in_captures_with_a_bad_sensor_says_so() -> None:
    bad = case(captures=tuple(capture(week, found(point="input side"), input_side="loose mount") for week in WEEKS))
    stated = [one.kind for cause in causes_of(bad, RULES) if cause.kind == "fault" for one in cause.explanations]
    assert stated == ["sensor"]
    good = case(captures=tuple(capture(week, found(point="output side"), input_side="loose mount") for week in WEEKS))
    assert [one for cause in causes_of(good, RULES) if cause.kind == "fault" for one in cause.explanations] == []


def test_a_trouble_that_comes_and_goes_explains_the_captures_between_one_long_ago_does_not() -> None:
    row = exceedance(at=START + timedelta(weeks=23), content=f"{23:064x}")
    often = case(captures=tuple(capture(w, **({"input_side": "loose"} if w in (16, 18, 21) else {})) for w in WEEKS),
                 exceedances=(row,))  # fmt: skip
    once = case(captures=tuple(capture(w, **({"input_side": "loose"} if w == 3 else {})) for w in WEEKS),
                exceedances=(row,))  # fmt: skip
    assert kinds(often) == {"sensor input side": 1}
    assert kinds(once) == {"growth": 1}


def test_everything_is_somewhere_and_most_urgent_first() -> None:
    rows = tuple(
        exceedance(key(measure, drive=tag), source="another system", within=within, at=START + timedelta(weeks=week),
                   content=f"{week:064x}")
        for tag in ("D-1",) for measure in ("velocity_rms", "acceleration_rms")
        for within in (True, False, None) for week in (1, 20, 23)
    )  # fmt: skip
    cases = [faulty(found(), exceedances=rows), sound(tag="D-2"), faulty(found(severity="severe"), tag="D-3")]
    queue = queue_of(cases, [], RULES, NOW)
    assert forgotten(queue, cases) == 0
    totals = [alarm.urgency.total for alarm in queue.alarms]
    assert totals == sorted(totals, reverse=True)
    assert queue.alarms[0].drive == "D-3"
    assert "D-2" not in {alarm.drive for alarm in queue.alarms}


def test_growth_of_its_own_part_makes_a_finding_graver() -> None:
    series = (state(key("hit", point="", subject="stage1.lobe"), change_db=21.0),)
    lifted, plain = (
        queue_of([faulty(found(severity="slight"), series=rows)], [], RULES, NOW).alarms[0] for rows in (series, ())
    )
    assert (plain.finding and plain.finding.severity, lifted.finding and lifted.finding.severity) == (
        "slight",
        "severe",
    )


def test_what_is_urgent_enough_needs_action_unless_it_is_quiet() -> None:
    grave = faulty(found(severity="severe", probability=0.99), consequence="high")
    assert needs_action(queue_of([grave], [], RULES, NOW), RULES)
    assert not needs_action(queue_of([faulty(found(severity="slight"))], [], RULES, NOW), RULES)
    alarm = queue_of([grave], [], RULES, NOW).alarms[0]
    quiet = queue_of([grave], [memory(alarm.id, component="stage1.lobe", severity="severe")], RULES, NOW)
    assert quiet.alarms[0].status == "quiet"
    assert not needs_action(quiet, RULES)


@pytest.mark.parametrize(
    ("rose", "have", "named", "weighs"),
    [(3, 3, False, True), (1, 1, False, False), (2, 3, False, False), (3, 3, True, False), (0, 3, True, False)],
)
def test_only_several_sisters_that_all_rose_explain_a_level_and_never_a_finding(
    rose: int, have: int, named: bool, weighs: bool
) -> None:
    own = state(change_db=8.0, sisters_have=have, sisters_rose=rose)
    one = faulty(*([found()] if named else []), series=(own,), exceedances=(exceedance(),))
    alarm = queue_of([one], [], RULES, NOW).alarms[0]
    stated = [t for t in alarm.explanations if t.kind == "sisters"]
    assert [t.weighs for t in stated] == [weighs]
    assert (alarm.sisters_have, alarm.sisters_rose) == (have, rose)
    assert any(part.name == "explained by sisters" for part in alarm.urgency.parts) is weighs


# ── names ─────────────────────────────────────────────────────────────────────────────────────────────────────────


def test_names_are_short_typeable_and_depend_on_drive_cause_and_baseline() -> None:
    names = {
        alarm_id(drive, cause, epoch)
        for drive in ("D-1", "D-2") for cause in ("stage1.lobe", "scatter") for epoch in (None, START)
    }  # fmt: skip
    assert len(names) == 8
    for name in names:
        assert len(name) == 7
        assert typed(f" {name.upper().replace('-', '')} ") == name
    assert alarm_id("D-1", "scatter", START) == alarm_id("D-1", "scatter", START.astimezone())


def test_parts_that_cannot_be_distinguished_have_one_name() -> None:
    lobe, pin = found("stage1.lobe", "stage1.output_pin"), found("stage1.output_pin", "stage1.lobe")
    assert cause_of(lobe) == cause_of(pin)
    assert cause_of(found("stage2.lobe")) != cause_of(lobe)


def test_two_faults_of_one_shaft_have_two_names() -> None:
    unbalance, off = (found("input.shaft", tone=None, defect=defect) for defect in ("unbalance", "misalignment"))
    assert cause_of(unbalance) != cause_of(off)


# ── decisions ─────────────────────────────────────────────────────────────────────────────────────────────────────


def memory(name: str = "abc-def", *, verdict: Any = "not-a-fault", levels: Any = None, **stood: Any) -> Memory:
    at = NOW - timedelta(days=10)
    decision = Decision(alarm=name, verdict=verdict, because="seen", by="K. M.", at=at,
                        recheck_by=NOW - timedelta(days=1) if verdict == "recheck" else None)  # fmt: skip
    facts = {"kind": "fault", "decided": [{"at": at.isoformat(), "levels": levels or {}} | stood]}
    return Memory(id=name, drive="D-1", cause="stage1.lobe", opened_at=START, facts=facts, decisions=(decision,))


def test_undecided_is_open() -> None:
    assert standing(None, seen(), (), NOW, RULES)[0] == "new"


@pytest.mark.parametrize(
    ("then_db", "scatter_db", "status"),
    [(8.0, 0.5, "closed"), (5.2, 0.5, "closed"), (4.9, 0.5, "back"), (4.9, 2.0, "closed"), (None, 0.5, "back")],
)
def test_growth_beyond_the_level_at_the_decision_brings_it_back(
    then_db: float | None, scatter_db: float, status: str
) -> None:
    now = state(change_db=8.0, scatter_db=scatter_db)
    levels = {} if then_db is None else {series_name(now.key): then_db}
    stated = memory(levels=levels, component="stage1.lobe", severity="moderate")
    assert standing(stated, seen(), (now,), NOW, RULES)[0] == status


@pytest.mark.parametrize(
    ("finding", "status"),
    [
        (seen(), "closed"),
        (seen(severity="slight"), "closed"),
        (seen(severity="severe"), "back"),
        (seen("stage1.ring_pin"), "back"),
        (seen("stage1.output_pin", names=("stage1.output_pin", "stage1.lobe")), "closed"),
        (None, "closed"),
    ],
)
def test_another_part_or_a_graver_finding_brings_it_back(finding: Any, status: str) -> None:
    stated = memory(component="stage1.lobe", severity="moderate")
    assert standing(stated, finding, (), NOW, RULES)[0] == status


def test_the_day_to_look_again_brings_it_back() -> None:
    stated = memory(verdict="recheck", component="stage1.lobe", severity="moderate")
    status, why = standing(stated, seen(), (), NOW, RULES)
    assert status == "overdue"
    assert "has passed" in why
    assert standing(stated, seen(), (), NOW - timedelta(days=2), RULES)[0] == "waiting"


def test_a_new_baseline_makes_another_name_and_leaves_the_past_out() -> None:
    event = Event(drive="D-1", at=START + timedelta(weeks=10), kind="repair", note="new pins")
    old = exceedance(at=START + timedelta(weeks=5), source="another system", content=f"{5:064x}")
    after = faulty(found(), epoch=event.at, epoch_event=event, events=(event,), exceedances=(old,))
    before = queue_of([faulty(found())], [], RULES, NOW).alarms[0]
    rows = {alarm.kind: alarm for alarm in queue_of([after], [], RULES, NOW).alarms}
    assert rows["fault"].id != before.id
    assert rows["repaired"].exceedances == (old,)
