"""What was done to drives and what was decided about alarms: written once, read for ever.

The database itself refuses to change or remove an event or a decision. One that was wrong is followed by another.
"""

from __future__ import annotations

import difflib
from collections.abc import Sequence
from datetime import UTC, datetime
from typing import Any, get_args

from vibe.core.errors import CallError
from vibe.core.records.history import Decision, Event, EventKind, StoredAlarm, Verdict
from vibe.history.store.queries import Answers, now
from vibe.history.store.schema import DATABASE, explained


class DecisionBook(Answers):
    """Events, alarms and decisions of a store."""

    def _write(self, sql: str, *values: Any) -> int:
        """One statement, committed when this returns; the number of rows that it touched."""
        with explained(self.folder / DATABASE):
            return self._connection.execute(sql, values).rowcount

    def add_event(self, event: Event) -> None:
        """Record what was done to a drive.

        Raises:
            CallError: an unknown kind, or a time without its offset from UTC.
        """
        _one_of("kind of event", event.kind, get_args(EventKind))
        _has_offset(event.at)
        self._write(
            "INSERT INTO event (drive, at, time_s, kind, note, by, new_baseline, added_at) VALUES (?,?,?,?,?,?,?,?)",
            event.drive, event.at.isoformat(), event.at.timestamp(), event.kind, event.note, event.by,
            int(event.new_baseline), now(),
        )  # fmt: skip

    def events(self, drive: str | None = None) -> tuple[Event, ...]:
        """Events of a drive (of all unless given), in order of time."""
        rows = self.rows(
            "SELECT drive, at, kind, note, by, new_baseline FROM event WHERE ?1 IS NULL OR drive = ?1 "
            "ORDER BY time_s, id",
            drive,
        )
        with self._understood():
            return tuple(
                Event(
                    drive=tag,
                    at=datetime.fromisoformat(at),
                    kind=kind,
                    note=note,
                    by=by,
                    new_baseline=bool(new_baseline),
                )
                for tag, at, kind, note, by, new_baseline in rows
            )

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
        _one_of("verdict", decision.verdict, get_args(Verdict))
        for what, text in (("a reason", decision.because), ("the name of who decided", decision.by)):
            if not text.strip():
                raise CallError(f"a decision needs {what}: it will be read years later")
        for time in (decision.at, decision.recheck_by):
            if time is not None:
                _has_offset(time)
        self._write(
            "INSERT INTO decision (alarm, verdict, because, by, at, recheck_by) VALUES (?,?,?,?,?,?)",
            decision.alarm, decision.verdict, decision.because, decision.by, decision.at.isoformat(),
            None if decision.recheck_by is None else decision.recheck_by.isoformat(),
        )  # fmt: skip

    def decisions(self, alarm: str | None = None) -> tuple[Decision, ...]:
        """Decisions about an alarm (about all unless given), in the order in which they were made."""
        rows = self.rows(
            "SELECT alarm, verdict, because, by, at, recheck_by FROM decision WHERE ?1 IS NULL OR alarm = ?1 "
            "ORDER BY id",
            alarm,
        )
        with self._understood():
            return tuple(
                Decision(
                    alarm=name,
                    verdict=verdict,
                    because=because,
                    by=by,
                    at=datetime.fromisoformat(at),
                    recheck_by=None if recheck_by is None else datetime.fromisoformat(recheck_by),
                )
                for name, verdict, because, by, at, recheck_by in rows
            )

    def _alarm_exists(self, name: str) -> None:
        if self.rows("SELECT 1 FROM alarm WHERE id = ?", name):
            return
        known = [row[0] for row in self.rows("SELECT id FROM alarm ORDER BY id")]
        near = difflib.get_close_matches(name, known, n=1, cutoff=0.5)
        hint = f"; the nearest is {near[0]!r}" if near else ""
        raise CallError(f"there is no alarm {name[:80]!r}{hint}")


def _one_of(what: str, said: str, known: Sequence[str]) -> None:
    if said not in known:
        raise CallError(f"{said!r} is no {what}; there are {', '.join(known)}")


def _has_offset(at: datetime) -> None:
    if at.utcoffset() is None:
        raise CallError(f"the time {at.isoformat()} needs its offset from UTC, for example {at.isoformat()}+01:00")
