"""What was done to drives and what was decided about alarms: written once, read for ever.

The database itself refuses to change or remove an event or a decision. One that was wrong is followed by another.
Each stands a second time, in the journal next to the database.
"""

from __future__ import annotations

import difflib
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from datetime import UTC, datetime
from typing import Any, get_args

from vibe.core.errors import CallError, OutputError
from vibe.core.records.history import Decision, Event, EventKind, StoredAlarm, Verdict
from vibe.history import decision_journal as journal
from vibe.history.store.queries import Answers, now
from vibe.history.store.schema import DATABASE, explained

_COLUMNS = (
    "alarm", "verdict", "because", "by", "at", "recheck_by", "owner", "due", "work_order", "after", "withdraws",
    "stood",
)  # fmt: skip
_EVENT = ("drive", "at", "time_s", "kind", "note", "by", "new_baseline", "added_at")


class DecidedMeanwhileError(CallError):
    """Somebody else decided about an alarm after the decision that the caller has seen."""

    def __init__(self, newest: Decision) -> None:
        self.newest = newest
        super().__init__(
            f"{newest.by} decided about {newest.alarm} on {newest.at:%Y-%m-%d} at {newest.at:%H:%M}: {newest.verdict}, "
            f"{newest.because}. Nothing was recorded; to decide all the same, say that yours comes after it "
            f"(--after {newest.number})"
        )


class DecisionBook(Answers):
    """Events, alarms and decisions of a store."""

    def _write(self, sql: str, *values: Any) -> int:
        """One statement, committed when this returns; the number of rows that it touched."""
        with explained(self.folder / DATABASE):
            return self._connection.execute(sql, values).rowcount

    @contextmanager
    def _booking(self) -> Iterator[None]:
        """One transaction of events or decisions, which are in the journal too when it ends. Within another one that
        one counts."""
        if self._connection.in_transaction:
            yield
            return
        with explained(self.folder / DATABASE):
            self._connection.execute("BEGIN IMMEDIATE")
            try:
                self.begin_journal()
                yield
                self._connection.execute("COMMIT")
            except BaseException:
                if self._connection.in_transaction:
                    self._connection.execute("ROLLBACK")
                raise
        try:
            journal.catch_up(self.folder, {table: self.rows_above(table) for table in journal.BOOKED})
        except OutputError as error:
            raise OutputError(
                f"it is recorded, but for now only once: {error}; when that is mended, the next one adds it there"
            ) from error

    @contextmanager
    def all_or_none(self) -> Iterator[None]:
        """What is recorded within is one transaction: where anything is raised, nothing of it was recorded."""
        with self._booking():
            yield

    def begin_journal(self) -> None:
        """Give a store without a journal one, with all that stands in the database by then."""
        if not journal.is_there(self.folder):
            journal.append(self.folder, self.journal_anew(), begin=True)

    def journal_anew(self, **about: Any) -> list[tuple[str, dict[str, Any]]]:
        """What a journal says that begins now."""
        rows = [(table, row) for table in journal.BOOKED for row in self.rows_above(table)(0)]
        before = {table: sum(name == table for name, _ in rows) for table in journal.BOOKED}
        return [("begun", {"at": now(), "before": before, **about}), *rows]

    def rows_above(self, table: str) -> Callable[[int], list[dict[str, Any]]]:
        """Of a table of the journal: the rows above a number, as its lines say them."""
        names = journal.BOOKED[table]

        def above(id: int) -> list[dict[str, Any]]:
            found = [
                dict(zip(names, row, strict=True))
                for row in self.rows(f"SELECT {', '.join(names)} FROM {table} WHERE id > ? ORDER BY id", id)
            ]
            if table == "decision":
                for row in found:
                    alarm = self.rows("SELECT drive, cause, opened_at FROM alarm WHERE id = ?", row["alarm"])
                    row["about"] = list(alarm[0]) if alarm else None
            return found

        return above

    def _insert(self, table: str, columns: Sequence[str], values: Sequence[Any]) -> int:
        """A row, with a number that no other ever had: not that of one that somebody removed either."""
        (top,) = self.rows(f"SELECT ifnull(max(id), 0) FROM {table}")[0]
        number = 1 + max(int(top), journal.highest(self.folder).get(table, 0))
        marks = ",".join("?" * (1 + len(columns)))
        self._connection.execute(
            f"INSERT INTO {table} (id, {', '.join(columns)}) VALUES ({marks})", (number, *values)
        )  # fmt: skip
        return number

    def add_event(self, event: Event) -> None:
        """Record what was done to a drive.

        Raises:
            CallError: an unknown kind, or a time without its offset from UTC.
        """
        _one_of("kind of event", event.kind, get_args(EventKind))
        _has_offset(event.at)
        with self._booking():
            self._insert(
                "event",
                _EVENT,
                (
                    event.drive, event.at.isoformat(), event.at.timestamp(), event.kind, event.note, event.by,
                    int(event.new_baseline), now(),
                ),
            )  # fmt: skip

    def events(self, drive: str | None = None) -> tuple[Event, ...]:
        """Events of a drive (of all unless given), in order of time."""
        where, values = ("", ()) if drive is None else ("WHERE drive = ? ", (drive,))
        rows = self.rows(
            f"SELECT drive, at, kind, note, by, new_baseline FROM event {where}ORDER BY time_s, id", *values
        )
        with self._understood():
            found = tuple(
                Event(
                    drive=tag, at=datetime.fromisoformat(at), kind=kind, note=note, by=by,
                    new_baseline=bool(new_baseline),
                )
                for tag, at, kind, note, by, new_baseline in rows
            )  # fmt: skip
        return tuple(one for one in found if self.until is None or one.at <= self.until)

    def as_of(self, at: datetime) -> DecisionBook:
        """The same store as it was at a time: captures, events and decisions of later times are not in it."""
        _has_offset(at)
        return DecisionBook(self.folder, self._connection, until=at)

    def put_alarm(
        self, id: str, drive: str, cause: str, opened_at: datetime, facts: str, *, reopen: bool = True
    ) -> None:
        """Record an alarm, or the newest ``facts`` (JSON) of one that is there.

        One that was closed is open again from then on, unless ``reopen`` is False. When it was first opened stays.
        """
        _has_offset(opened_at)
        self._write(
            "INSERT INTO alarm (id, drive, cause, opened_at, closed_at, facts) VALUES (?1,?2,?3,?4,NULL,?5) "
            "ON CONFLICT (id) DO UPDATE SET cause = ?3, facts = ?5, "
            "closed_at = CASE WHEN ?6 THEN NULL ELSE closed_at END",
            id, drive, cause, opened_at.isoformat(), facts, reopen,
        )  # fmt: skip

    def alarms(self, open_only: bool = True) -> tuple[StoredAlarm, ...]:
        """Alarms in the order in which they were opened; with ``open_only`` without those that were closed."""
        rows = self.rows(
            "SELECT id, drive, cause, opened_at, closed_at, facts FROM alarm WHERE closed_at IS NULL OR NOT ?",
            open_only,
        )
        with self._understood():
            found = [
                StoredAlarm(
                    id=name,
                    drive=drive,
                    cause=cause,
                    opened_at=datetime.fromisoformat(opened_at),
                    closed_at=None if closed_at is None else datetime.fromisoformat(closed_at),
                    facts=facts,
                )
                for name, drive, cause, opened_at, closed_at, facts in rows
            ]
            return tuple(sorted(found, key=lambda alarm: (alarm.opened_at, alarm.id)))

    def close_alarm(self, id: str, at: datetime | None = None) -> None:
        """Close an alarm; one that is closed stays as it is. Raises: CallError where there is no such alarm."""
        self._alarm_exists(id)
        at = at or datetime.now(UTC)
        _has_offset(at)
        self._write("UPDATE alarm SET closed_at = ? WHERE id = ? AND closed_at IS NULL", at.isoformat(), id)

    def decide(self, decision: Decision) -> None:
        """Record a decision, for good. The alarm stays as it is: whether it is quiet follows from its decisions.

        Raises:
            CallError: there is no such alarm; no reason or no name is given; a time without its offset from UTC.
        """
        self._alarm_exists(decision.alarm)
        checked(decision)
        with self._booking():
            self._insert("decision", _COLUMNS, _row(decision))

    def decide_at_once(self, decision: Decision, drive: str, cause: str, opened_at: datetime, facts: str) -> Decision:
        """Record a decision, and its alarm where that is not known yet, in one transaction; as it is kept, with number.

        ``decision.after`` is the number of the newest decision that its maker has seen, None for none at all.

        Raises:
            DecidedMeanwhileError: a newer one is there; nothing is recorded. CallError: a decision that cannot be.
        """
        checked(decision)
        _has_offset(opened_at)
        with self._booking():
            newest = self.decisions(decision.alarm)[-1:]
            if newest and newest[0].number != decision.after:
                raise DecidedMeanwhileError(newest[0])
            self._connection.execute(
                "INSERT INTO alarm (id, drive, cause, opened_at, closed_at, facts) VALUES (?,?,?,?,NULL,?) "
                "ON CONFLICT (id) DO NOTHING",
                (decision.alarm, drive, cause, opened_at.isoformat(), facts),
            )
            number = self._insert("decision", _COLUMNS, _row(decision))
        return replace(decision, number=number)

    def decisions(self, alarm: str | None = None) -> tuple[Decision, ...]:
        """Decisions about an alarm (about all unless given), in the order in which they were made."""
        where, values = ("", ()) if alarm is None else ("WHERE alarm = ? ", (alarm,))
        rows = self.rows(f"SELECT id, {', '.join(_COLUMNS)} FROM decision {where}ORDER BY id", *values)
        with self._understood():
            found = tuple(_decision(row) for row in rows)
        return tuple(one for one in found if self.until is None or one.at <= self.until)

    def _alarm_exists(self, name: str) -> None:
        if self.rows("SELECT 1 FROM alarm WHERE id = ?", name):
            return
        known = [row[0] for row in self.rows("SELECT id FROM alarm ORDER BY id")]
        near = difflib.get_close_matches(name, known, n=1, cutoff=0.5)
        hint = f"; the nearest is {near[0]!r}" if near else ""
        raise CallError(f"there is no alarm {name[:80]!r}{hint}")


def checked(decision: Decision) -> None:
    """Refuse a decision that nobody could read years later, or whose dates have passed when it is made.

    Raises:
        CallError: an unknown verdict; no reason or no name; a time without its offset from UTC; a date that has passed.
    """
    _one_of("verdict", decision.verdict, get_args(Verdict))
    if not decision.because.strip():
        raise CallError("a decision needs a reason (--because): it will be read years later")
    if not decision.by.strip():
        raise CallError("a decision needs the name of who decided (--by): it will be read years later")
    _has_offset(decision.at)
    for what, day in (("to look again", decision.recheck_by), ("on which the work is due", decision.due)):
        if day is not None:
            _has_offset(day)
            if day.date() < decision.at.astimezone(day.tzinfo).date():
                raise CallError(f"the day {what}, {day:%Y-%m-%d}, has passed; name today or a later day")
    if decision.verdict == "out-of-service" and decision.ask_again is None:
        raise CallError("a drive that is out of service needs a day on which to ask again (out-of-service-until=DATE)")
    if (decision.verdict == "withdrawn") != (decision.withdraws is not None):
        raise CallError("a withdrawal names the decision that it takes back, and nothing else does")


def _row(decision: Decision) -> tuple[Any, ...]:
    def day(when: datetime | None) -> str | None:
        return None if when is None else when.isoformat()

    return (
        decision.alarm, decision.verdict, decision.because, decision.by, decision.at.isoformat(),
        day(decision.recheck_by), decision.owner, day(decision.due), decision.work_order, decision.after,
        decision.withdraws, decision.stood,
    )  # fmt: skip


def _decision(row: Sequence[Any]) -> Decision:
    said = dict(zip(("number", *_COLUMNS), row, strict=True))
    for name in ("at", "recheck_by", "due"):
        said[name] = None if said[name] is None else datetime.fromisoformat(said[name])
    return Decision(**said)


def _one_of(what: str, said: str, known: Sequence[str]) -> None:
    if said not in known:
        raise CallError(f"{said!r} is no {what}; there are {', '.join(known)}")


def _has_offset(at: datetime) -> None:
    if at.utcoffset() is None:
        raise CallError(f"the time {at.isoformat()} needs its offset from UTC, for example {at.isoformat()}+01:00")
