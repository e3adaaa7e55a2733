"""What people put on record about a case: decisions, notes, who has it in hand, and taking one's own back."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime, time, timedelta
from typing import TYPE_CHECKING, Any, cast

from vibe.core.records.history import REMARKS
from vibe.core.text import day_in_words
from vibe.health.alarms.case_state import SAID as SAID
from vibe.health.alarms.case_state import standing_decisions as standing_decisions

if TYPE_CHECKING:
    from vibe.core.records.case_row import CaseRow
    from vibe.core.records.history import Decision, Verdict
    from vibe.history.store.store import Store

OFFERED = {
    "confirmed": ("Confirmed", "repair; stays in sight until it is done"),
    "recheck": ("Measure again", "waits for an accepted capture"),
    "not-a-fault": ("Not a fault", "quiet until something new happens"),
    "sensor": ("Sensor or mounting", "waits for a good capture"),
    "operating-condition": ("Load or speed", "quiet while it explains it"),
    "out-of-service": ("Out of service", "asked again on the day below"),
}
"""Decisions in the order in which they are offered, and what becomes of the case."""
OF_UNSEEN = ("recheck", "sensor", "out-of-service")
"""All that can be decided of what nobody could see: nothing unseen becomes sound."""
OF_SEEN = ("confirmed", "recheck", "not-a-fault", "sensor", "operating-condition")
CLOSES = ("not-a-fault", "operating-condition")
UNDO_S = 20
"""How long a decision can be taken back; nobody is notified before that."""
GRAVER = 5.0
"""Points of urgency that count as graver, as in the comparison of two dates."""
_LONGEST = 4000
"""Characters of a reason or a work order; more is a document."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DecisionDraft:
    """A decision as a form brings it, in the form's own words. ``after_all``: its maker has seen what clashed."""

    verdict: str = ""
    because: str = ""
    by: str = ""
    owner: str = ""
    due: str = ""
    work_order: str = ""
    twice: str = ""
    seen: str = ""
    after_all: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class DecisionOutcome:
    """What came of a draft: ``recorded``; or ``wrong``, a sentence by field; or ``clash`` with what came meanwhile,
    whose newest is known as ``clash_seen``; or ``ask_twice``, for it takes a severe finding off the list."""

    recorded: Decision | None = None
    wrong: Mapping[str, str] = field(default_factory=dict)
    clash: str = ""
    clash_seen: str = ""
    ask_twice: bool = False


def offered(row: CaseRow) -> tuple[str, ...]:
    """Which decisions a case offers."""
    return OF_UNSEEN if row.kind in ("not judged", "not measured") or row.list == "blind" else OF_SEEN


def checked_fields(row: CaseRow, draft: DecisionDraft, today: date) -> dict[str, str]:
    """What is wrong with a draft, by field; nothing where it can be recorded."""
    wrong: dict[str, str] = {}
    if draft.verdict not in offered(row):
        wrong["as"] = "Choose one."
    if len(draft.because.strip()) < 3:
        wrong["because"] = "Say why: it is read again in years."
    if not draft.by.strip():
        wrong["by"] = "Say who decides: it is read again in years."
    for name, text in (
        ("because", draft.because),
        ("order", draft.work_order),
        ("by", draft.by),
        ("owner", draft.owner),
    ):
        if len(text) > (_LONGEST if name in ("because", "order") else 100):
            wrong[name] = "Too long for a record."
    if draft.verdict in OFFERED and draft.verdict not in CLOSES:
        try:
            due = date.fromisoformat(draft.due)
        except ValueError:
            wrong["due"] = "Choose a day." if not draft.due else "No day of the calendar: write 2026-03-09."
        else:
            if due < today:
                wrong["due"] = f"Before today, {day_in_words(today)}."
            elif due > today + timedelta(days=3653):
                wrong["due"] = "More than ten years ahead."
    return wrong


def record_decision(
    store: Store, row: CaseRow, detail: Mapping[str, Any], draft: DecisionDraft, *, at: datetime | None = None
) -> DecisionOutcome:
    """Check a draft against the form's rules and what came meanwhile, and record it.

    Raises:
        CallError, OutputError: the store is damaged or cannot be written.
    """
    from vibe.history.store.decisions import DecidedMeanwhileError

    at = at or datetime.now(UTC)
    today = at.astimezone().date()
    wrong = checked_fields(row, draft, today)
    if wrong:
        return DecisionOutcome(wrong=wrong)
    if draft.verdict in CLOSES and row.severity == "severe":
        if not draft.twice:
            return DecisionOutcome(ask_twice=True)
        if draft.twice.strip() != row.drive:
            return DecisionOutcome(ask_twice=True, wrong={"twice": f"Not the same as {row.drive}."})
    seen = parsed_seen(draft.after_all or draft.seen)
    now_seen = parsed_seen(row.seen)
    if now_seen.urgency >= seen.urgency + GRAVER or (now_seen.state == "act" and seen.state != "act"):
        return DecisionOutcome(
            clash=f"The case became graver meanwhile: urgency {seen.urgency:.0f} when this form was made, "
            f"{now_seen.urgency:.0f} now.",
            clash_seen=row.seen,
        )
    closes = draft.verdict in CLOSES
    day = None if closes else datetime.combine(date.fromisoformat(draft.due), time(23, 59, 59), at.astimezone().tzinfo)
    decision = _decision(
        row, draft.verdict, draft.because.strip(), draft.by.strip(), at,
        owner="" if closes else draft.owner.strip(), due=day if draft.verdict != "out-of-service" else None,
        recheck_by=day if draft.verdict == "out-of-service" else None,
        work_order=draft.work_order.strip() if draft.verdict == "confirmed" else "", after=seen.number,
        stood=json.dumps(detail.get("stood", {}), ensure_ascii=False),
    )  # fmt: skip
    try:
        kept = _recorded(store, decision, detail)
    except DecidedMeanwhileError as error:
        newest = error.newest
        return DecisionOutcome(
            clash=f"{newest.by} decided meanwhile, at {newest.at.astimezone():%H:%M}: {_in_words(newest)}. "
            f"“{newest.because}”",
            clash_seen=_seen(newest.number, now_seen.urgency, now_seen.state),
        )
    return DecisionOutcome(recorded=kept)


class _NotAllError(Exception):
    """One of several could not be recorded, so that none is."""

    def __init__(self, row: CaseRow, why: str) -> None:
        self.row, self.why = row, why
        super().__init__(why)


def record_together(
    stores: Mapping[str, Store], cases: Sequence[tuple[CaseRow, Mapping[str, Any], str]], draft: DecisionDraft,
    *, at: datetime | None = None,
) -> str:  # fmt: skip
    """One decision about several ``cases``, each with its facts and what its form has seen: all, or none of them.

    ``stores`` are open, by site. Every store is held from before the first case is checked until the last one is
    written, so that nobody decides in between. "" where all are recorded, else a sentence on the first that is not.

    Raises:
        CallError, OutputError: a store is damaged or cannot be written.
    """

    def record(row: CaseRow, detail: Mapping[str, Any], seen: str) -> str:
        outcome = record_decision(stores[row.site], row, detail, replace(draft, seen=seen), at=at)
        if outcome.recorded is not None:
            return ""
        return outcome.clash or next(iter(outcome.wrong.values()), "A severe finding is decided alone.")

    return _all_or_none(stores, cases, record)


def assign_together(
    stores: Mapping[str, Store], cases: Sequence[tuple[CaseRow, Mapping[str, Any], str]], *, owner: str, by: str
) -> str:
    """Several cases put in one hand, as ``record_together``."""

    def record(row: CaseRow, detail: Mapping[str, Any], _: str) -> str:
        made = record_owner(stores[row.site], row, detail, owner=owner, by=by)
        return made if isinstance(made, str) else ""

    return _all_or_none(stores, cases, record)


def _all_or_none(
    stores: Mapping[str, Store], cases: Sequence[tuple[CaseRow, Mapping[str, Any], str]],
    record: Callable[[CaseRow, Mapping[str, Any], str], str],
) -> str:  # fmt: skip
    try:
        with ExitStack() as held:
            # In one order: two desks that hold the same stores never wait for each other.
            for site in sorted({row.site for row, _, _ in cases}, key=lambda name: str(stores[name].folder.resolve())):
                held.enter_context(stores[site].all_or_none())
            for row, detail, seen in cases:
                if why := record(row, detail, seen):
                    raise _NotAllError(row, why)
    except _NotAllError as stopped:
        return f"{stopped.row.drive}: {stopped.why} Nothing was recorded."
    return ""


def record_note(store: Store, row: CaseRow, detail: Mapping[str, Any], *, words: str, by: str) -> Decision | str:
    """A note for the record; it never clashes. A sentence where it cannot be recorded."""
    if len(words.strip()) < 3:
        return "A note needs some words."
    if len(words) > _LONGEST:
        return "This note is too long for a record."
    if not by.strip():
        return "Say who writes: it is read again in years."
    return _recorded(store, _decision(row, "note", words.strip(), by.strip(), datetime.now(UTC)), detail)


def record_owner(store: Store, row: CaseRow, detail: Mapping[str, Any], *, owner: str, by: str) -> Decision | str:
    """Who has a case in hand; it never clashes. A sentence where it cannot be recorded."""
    if not owner.strip() or not by.strip():
        return "A name is needed."
    if len(owner) > 100:
        return "This name is too long."
    return _recorded(
        store,
        _decision(row, "assigned", "taken in hand", by.strip(), datetime.now(UTC), owner=owner.strip()), detail,
    )  # fmt: skip


def withdraw(store: Store, row: CaseRow, detail: Mapping[str, Any], *, number: int, by: str) -> Decision | str:
    """Take back one's own record within the time for it; both stay. A sentence where that is not possible."""
    at = datetime.now(UTC)
    mine = next((one for one in store.decisions(row.id) if one.number == number), None)
    if mine is None:
        return "There is no such record of this case."
    if mine.by != by:
        return f"This is {mine.by}'s record; only who made it can take it back."
    if (at - mine.at).total_seconds() > UNDO_S:
        return f"It stands for longer than {UNDO_S} s: record another decision instead."
    if any(one.withdraws == number for one in store.decisions(row.id)):
        return "It was taken back already."
    decision = _decision(row, "withdrawn", "taken back at once", by, at, withdraws=number)
    return _recorded(store, decision, detail)


def _decision(row: CaseRow, verdict: str, because: str, by: str, at: datetime, **more: Any) -> Decision:
    from vibe.core.records.history import Decision

    return Decision(alarm=row.id, verdict=cast("Verdict", verdict), because=because, by=by, at=at, **more)


def _recorded(store: Store, decision: Decision, detail: Mapping[str, Any]) -> Decision:
    """Recorded after the newest decision that its maker has seen; notes of others that came meanwhile do not clash."""
    from vibe.history.store.decisions import DecidedMeanwhileError

    alarm = (str(detail["drive"]), str(detail["cause"]), datetime.fromisoformat(str(detail["opened"])))
    facts = json.dumps(detail.get("facts", {}), ensure_ascii=False)
    for _ in range(20):
        try:
            return store.decide_at_once(decision, *alarm, facts)
        except DecidedMeanwhileError as error:
            never = decision.verdict in (*REMARKS, "withdrawn")
            since = [one for one in store.decisions(decision.alarm) if (one.number or 0) > (decision.after or 0)]
            if not never and any(one.verdict not in REMARKS for one in _held(since)):
                raise
            decision = replace(decision, after=error.newest.number)
    raise DecidedMeanwhileError(store.decisions(decision.alarm)[-1])


def _held(decisions: Sequence[Decision]) -> list[Decision]:
    """Without what was taken back, and the taking back."""
    back = {one.withdraws for one in decisions if one.withdraws is not None}
    return [one for one in decisions if one.verdict != "withdrawn" and one.number not in back]


def _in_words(decision: Decision) -> str:
    due = "" if decision.ask_again is None else f", due {day_in_words(decision.ask_again)}"
    owner = f", {decision.owner}" if decision.owner else ""
    return f"{SAID[decision.verdict]}{owner}{due}"


# ── what a form has seen ──────────────────────────────────────────────────────────────────────────────────────────


@dataclass(frozen=True, slots=True, kw_only=True)
class SeenCase:
    """The newest decision that somebody saw (None: none), and how the case was judged then."""

    number: int | None
    urgency: float
    state: str


def seen_of(decisions: Sequence[Decision], urgency: float, state: str) -> str:
    """What a form carries of the case that it was made for."""
    return _seen(decisions[-1].number if decisions else None, urgency, state)


def _seen(number: int | None, urgency: float, state: str) -> str:
    return f"{number or 0} {urgency:.1f} {state}"


def parsed_seen(text: str) -> SeenCase:
    """What a form carried; of one that is damaged nothing was seen."""
    parts = text.split(" ")
    try:
        return SeenCase(number=int(parts[0]) or None, urgency=float(parts[1]), state=parts[2])
    except (ValueError, IndexError):
        return SeenCase(number=None, urgency=0.0, state="")
