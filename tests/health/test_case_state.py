"""Where a case stands: the first rule that holds wins, and nothing that is open falls out of sight."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from vibe.core.records.history import Decision
from vibe.health.alarms.case_state import CaseFacts, case_state, standing_decisions

DECIDED = datetime(2025, 6, 2, 9, 0, tzinfo=UTC)


def days(n: float) -> datetime:
    return DECIDED + timedelta(days=n)


def decided(verdict: Any = "confirmed", **more: Any) -> Decision:
    said: dict[str, Any] = {"alarm": "a", "verdict": verdict, "because": "seen", "by": "R. Roe", "at": DECIDED}
    return Decision(**(said | more))


def state(*decisions: Decision, at: float = 5.0, **more: Any) -> str:
    return case_state(CaseFacts(at=days(at), decisions=decisions, **more))[0]


@pytest.mark.parametrize(
    ("found", "expected"),
    [
        (state(), "new"),
        (state(blind=True), "blind"),
        (state(missed=True), "overdue"),
        (state(decided()), "in work"),
        (state(decided(), news=("it rose by 4 dB",)), "back"),
        (state(decided(due=days(3))), "overdue"),
        (state(decided(due=days(9))), "in work"),
        (state(decided(), repaired_at=days(2)), "closed"),
        (state(decided(), repaired_at=days(-2)), "in work"),
        (state(decided(), repaired_at=days(2), seen_at=days(1)), "closed"),
        (state(decided(), repaired_at=days(2), seen_at=days(4)), "back"),
        (state(decided("not-a-fault")), "closed"),
        (state(decided("not-a-fault"), news=("severe",)), "back"),
        (state(decided("operating-condition"), missed=True), "closed"),
        (state(decided("recheck", recheck_by=days(9))), "waiting"),
        (state(decided("recheck", recheck_by=days(9)), measured_at=days(1)), "new"),
        (state(decided("recheck", recheck_by=days(9)), measured_at=days(-1)), "waiting"),
        (state(decided("recheck", recheck_by=days(3))), "overdue"),
        (state(decided("recheck", recheck_by=days(3)), measured_at=days(1)), "new"),
        (state(decided("sensor"), blind=True), "waiting"),
        (state(decided("out-of-service", recheck_by=days(90)), missed=True), "waiting"),
        (state(decided("out-of-service", recheck_by=days(90)), at=91), "overdue"),
    ],
)
def test_the_first_rule_that_holds_wins(found: str, expected: str) -> None:
    assert found == expected


def test_a_withdrawn_decision_and_its_withdrawal_count_for_nothing() -> None:
    first, wrong = decided(number=1), decided("not-a-fault", number=2, after=1)
    back = decided("withdrawn", number=3, after=2, withdraws=2)
    assert standing_decisions((first, wrong, back)) == (first,)
    assert state(first, wrong) == "closed"
    assert state(first, wrong, back) == "in work"


def test_why_names_who_decided_and_the_day() -> None:
    _, why = case_state(CaseFacts(at=days(5), decisions=(decided(owner="M. Fitter", due=days(3)),)))
    assert "R. Roe decided on 2025-06-02: confirmed (seen), in hand: M. Fitter" in why
    assert "the due date, 2025-06-05, has passed" in why
