"""Where a case stands: new, in work, waiting, overdue, or closed. Computed from what is known, never stored."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from vibe.core.records.alarms import CaseState, Status
from vibe.core.records.history import Decision

_STATUS: dict[CaseState, Status] = {
    "new": "open", "blind": "open", "back": "back", "overdue": "back", "in work": "in work", "waiting": "quiet",
    "closed": "quiet",
}  # fmt: skip
SETTLED = ("not-a-fault", "operating-condition")
"""Decisions after which nothing is left to do."""
WAITS = ("recheck", "sensor", "out-of-service")
SAID = {
    "confirmed": "confirmed", "not-a-fault": "no fault", "sensor": "the sensor",
    "operating-condition": "the operating condition", "recheck": "to be re-inspected",
    "out-of-service": "out of service", "withdrawn": "withdrawn",
}  # fmt: skip
"""Verdicts as a sentence has them."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CaseFacts:
    """What the state of a case follows from, as of ``at``.

    ``news``: what is graver since the last decision, in words. ``repaired_at``: the latest repair after that decision;
    ``seen_at``: the latest capture that still raises the case; ``measured_at``: the latest accepted capture of the
    drive. ``blind``: the drive cannot be judged and no finding is kept. ``missed``: a planned capture is overdue.
    """

    at: datetime
    decisions: tuple[Decision, ...] = ()
    news: tuple[str, ...] = ()
    repaired_at: datetime | None = None
    seen_at: datetime | None = None
    measured_at: datetime | None = None
    blind: bool = False
    missed: bool = False


def standing_decisions(decisions: Sequence[Decision]) -> tuple[Decision, ...]:
    """Decisions that hold, oldest first: those that were withdrawn, and the withdrawals, are left out."""
    taken_back = {one.withdraws for one in decisions if one.withdraws is not None}
    return tuple(one for one in decisions if one.verdict != "withdrawn" and one.number not in taken_back)


def case_state(facts: CaseFacts) -> tuple[CaseState, str]:
    """The state of a case and why, in one sentence; the first rule that holds wins.

    1 closed by a repair, or decided to be nothing and nothing new since; 2 graver since the decision; 3 a day that was
    set has passed, or a planned capture was missed; 4 it cannot be judged; 5 confirmed and in work, until a repair is
    recorded; 6 waiting, until an accepted capture comes; 7 new.
    """
    held = standing_decisions(facts.decisions)
    last = held[-1] if held else None
    said = "nobody has decided yet" if last is None else decided_in_words(last)
    mended = last is not None and facts.repaired_at is not None and facts.repaired_at > last.at
    again = mended and facts.seen_at is not None and facts.repaired_at is not None and facts.seen_at > facts.repaired_at
    if mended and not again and facts.repaired_at is not None:
        return "closed", f"{said}; repaired on {facts.repaired_at:%Y-%m-%d}, and not seen since"
    if last is not None and last.verdict in SETTLED and not facts.news:
        return "closed", f"{said}; nothing new has happened since"
    news = list(facts.news)
    if again and facts.repaired_at is not None:
        news.append(f"it is there again after the repair of {facts.repaired_at:%Y-%m-%d}")
    if last is not None and news:
        return "back", f"{said}; since then {'; '.join(news)}"
    if last is not None and last.ask_again is not None and facts.at > last.ask_again:
        measured = facts.measured_at is not None and facts.measured_at > last.at
        what = "the re-inspection date" if last.ask_again == last.recheck_by else "the due date"
        if not (last.verdict in WAITS and measured):
            return "overdue", f"{said}; {what}, {last.ask_again:%Y-%m-%d}, has passed"
    if facts.missed and (last is None or last.verdict != "out-of-service"):
        return "overdue", f"{said}; its next capture is overdue"
    if facts.blind and (last is None or last.verdict not in WAITS):
        return "blind", f"{said}; the drive cannot be judged"
    if last is not None and last.verdict == "confirmed":
        due = "" if last.due is None else f", due {last.due:%Y-%m-%d}"
        return "in work", f"{said}; in work until a repair is recorded{due}"
    if last is not None and last.verdict in WAITS:
        measured = facts.measured_at is not None and facts.measured_at > last.at
        if measured and last.verdict != "out-of-service":
            return "new", f"{said}; measured again on {facts.measured_at:%Y-%m-%d}"
        until = "" if last.ask_again is None else f" until {last.ask_again:%Y-%m-%d}"
        return "waiting", f"{said}; waits{until}"
    return "new", said


def status_of(state: CaseState, decisions: Sequence[Decision]) -> Status:
    """What lists show of a state: nothing is back that nobody has decided about."""
    return "open" if state == "overdue" and not standing_decisions(decisions) else _STATUS[state]


def decided_in_words(decision: Decision) -> str:
    """Who decided what, when and why."""
    owner = f", in hand: {decision.owner}" if decision.owner else ""
    return f"{decision.by} decided on {decision.at:%Y-%m-%d}: {SAID[decision.verdict]} ({decision.because}){owner}"
