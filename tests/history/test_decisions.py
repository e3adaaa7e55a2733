"""Events, alarms, decisions."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Any

import pytest

from tests.history.kept_captures import START, channels, record
from vibe.core.errors import CallError
from vibe.core.records.history import Decision, Event
from vibe.history.store.decisions import DecidedMeanwhileError
from vibe.history.store.store import Store


def decision(**other: Any) -> Decision:
    fields: dict[str, Any] = {"alarm": "a1", "verdict": "confirmed", "because": "seen", "by": "R. Roe", "at": START}
    return Decision(**(fields | other))


def test_events_come_back_in_order_of_time(store: Store) -> None:
    late = Event(drive="TH-01", at=START + timedelta(days=3), kind="bearing change", note="both", by="J. Doe")
    early = Event(drive="TH-01", at=START, kind="grease", new_baseline=False)
    for event in (late, early, Event(drive="TH-02", at=START, kind="repair")):
        store.add_event(event)
    assert store.events("TH-01") == (early, late)
    assert len(store.events()) == 3


@pytest.mark.parametrize(
    ("fields", "why"),
    [({"kind": "magic"}, "bearing change"), ({"at": datetime(2026, 1, 1)}, "offset from UTC")],
)
def test_an_event_that_says_too_little_is_refused(store: Store, fields: dict[str, Any], why: str) -> None:
    usual: dict[str, Any] = {"drive": "TH-01", "at": START, "kind": "grease"}
    with pytest.raises(CallError, match=why):
        store.add_event(Event(**(usual | fields)))
    assert store.events() == ()


def test_an_alarm_is_open_until_it_is_closed_and_again_when_it_is_put_again(store: Store) -> None:
    store.put_alarm("a1", "TH-01", "lobe", START, '{"db": 6}')
    store.put_alarm("a2", "TH-02", "mesh", START - timedelta(days=1), "{}")
    assert [alarm.id for alarm in store.alarms()] == ["a2", "a1"]
    store.close_alarm("a1", START + timedelta(days=1))
    store.close_alarm("a1", START + timedelta(days=9))
    assert [alarm.id for alarm in store.alarms()] == ["a2"]
    assert store.alarms(open_only=False)[1].closed_at == START + timedelta(days=1)
    store.put_alarm("a1", "TH-01", "lobe", START + timedelta(days=2), '{"db": 8}', reopen=False)
    assert [alarm.id for alarm in store.alarms()] == ["a2"]
    assert store.alarms(open_only=False)[1].facts == '{"db": 8}'
    store.put_alarm("a1", "TH-01", "lobe", START + timedelta(days=2), '{"db": 9}')
    again = store.alarms()[1]
    assert (again.opened_at, again.closed_at, again.facts) == (START, None, '{"db": 9}')


def test_decisions_follow_one_another(store: Store) -> None:
    store.put_alarm("a1", "TH-01", "lobe", START, "{}")
    first = decision(verdict="recheck", recheck_by=START + timedelta(days=30))
    second = decision(verdict="not-a-fault", because="was the neighbour", at=START + timedelta(days=31))
    store.decide(first)
    store.decide(second)
    assert store.decisions("a1") == (first, second)
    assert store.decisions() == (first, second)
    assert store.decisions("a2") == ()


@pytest.mark.parametrize(
    ("fields", "why"),
    [
        ({"alarm": "a11"}, "nearest is 'a1'"),
        ({"verdict": "fine"}, "not-a-fault"),
        ({"because": " "}, "a reason"),
        ({"by": ""}, "name of who decided"),
        ({"at": datetime(2026, 1, 1)}, "offset from UTC"),
    ],
)
def test_a_decision_that_says_too_little_is_refused(store: Store, fields: dict[str, Any], why: str) -> None:
    store.put_alarm("a1", "TH-01", "lobe", START, "{}")
    with pytest.raises(CallError, match=why):
        store.decide(decision(**fields))
    assert store.decisions() == ()


@pytest.mark.parametrize("name", ["recheck_by", "due"])
def test_a_day_that_has_passed_is_refused_and_today_is_not(store: Store, name: str) -> None:
    store.put_alarm("a1", "TH-01", "lobe", START, "{}")
    with pytest.raises(CallError, match="has passed"):
        store.decide(decision(**{name: START - timedelta(days=1)}))
    assert store.decisions() == ()
    store.decide(decision(**{name: START.replace(hour=0)}))


def test_a_decision_says_who_has_the_work_and_what_it_follows(store: Store) -> None:
    said = {"owner": "M. Fitter", "due": START + timedelta(days=9), "work_order": "WO 4711: change pins", "stood": "{}"}
    kept = store.decide_at_once(decision(**said), "TH-01", "lobe", START, "{}")
    (first,) = store.decisions("a1")
    assert first == kept
    assert (first.number, first.owner, first.due, first.work_order) == (kept.number, *list(said.values())[:3])
    with pytest.raises(DecidedMeanwhileError, match=r"R. Roe decided about a1 .*seen. Nothing was recorded"):
        store.decide_at_once(decision(by="B"), "TH-01", "lobe", START, "{}")
    assert len(store.decisions()) == 1
    second = store.decide_at_once(decision(by="B", after=first.number), "TH-01", "lobe", START, "{}")
    assert store.decisions() == (first, second)
    assert [(alarm.id, alarm.drive) for alarm in store.alarms()] == [("a1", "TH-01")]


def test_as_of_a_time_nothing_of_later_is_there(store: Store) -> None:
    store.put_alarm("a1", "TH-01", "lobe", START, "{}")
    late = START + timedelta(days=3)
    store.decide(decision())
    before = store.as_of(START + timedelta(days=1))
    said = (before.drives(), before.captures(), before.latest(), before.findings(), before.events(), before.decisions())
    store.decide(decision(at=late))
    store.add_event(Event(drive="TH-01", at=late, kind="repair"))
    store.add(record(9, measured_at=late), channels(9))
    assert store.captures()[0].measured_at == late
    again = store.as_of(START + timedelta(days=1))
    assert said == (
        again.drives(), again.captures(), again.latest(), again.findings(), again.events(), again.decisions()
    )  # fmt: skip
    assert again.ahead() == (1, ("TH-01",))


def test_each_change_of_a_drive_has_a_number(store: Store) -> None:
    store.put_drive("TH-01", "", "kind")
    number, touched = store.touched()
    assert touched == ("TH-01",)
    assert store.touched(number) == (number, ())
    store.put_alarm("a1", "TH-01", "lobe", START, "{}")
    assert store.touched(number) == (number, ())
    changes = (
        lambda: store.add(record(1), channels(1)),
        lambda: store.add_event(Event(drive="TH-01", at=START, kind="grease")),
        lambda: store.decide(decision()),
    )
    for change in changes:
        change()
        after, touched = store.touched(number)
        assert touched == ("TH-01",)
        assert after > number
        number = after
