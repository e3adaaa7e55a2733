"""Events, alarms, decisions."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Any

import pytest

from tests.history.kept_captures import START
from vibe.core.errors import CallError
from vibe.core.records.history import Decision, Event
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
