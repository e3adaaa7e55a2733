"""What changed between two times, each seen with what was known then."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Literal

from vibe.core.errors import CallError
from vibe.flow.settings import load_alarm_rules

if TYPE_CHECKING:
    from vibe.core.records.alarms import Alarm
    from vibe.core.records.history import Event, StoredCapture
    from vibe.history.store.store import Store

SinceGroup = Literal["new", "graver", "calmer", "gone", "not measured"]
GROUPS: tuple[SinceGroup, ...] = ("new", "graver", "calmer", "gone", "not measured")
LEAST_CHANGE = 5.0
"""Of urgency, that is worth a line (our choice: half of what a step of severity gives at the least)."""
MENDING = ("repair", "bearing change", "new drive", "realignment", "grease")
UNSEEN = ("not measured", "not judged")
"""Causes that say that a drive was not measured, or not so that it could be judged."""
_RANK = {None: 0, "slight": 1, "moderate": 2, "severe": 3}


@dataclass(frozen=True, slots=True, kw_only=True)
class SinceRow:
    """A case, or a drive that was not measured, then and now. Urgencies are None where it did not stand."""

    group: SinceGroup
    drive: str
    case: str
    title: str
    then: float | None
    now: float | None
    why: str
    last: datetime | None
    """Its drive's latest capture."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CaseChanges:
    """All that changed from ``then`` to ``now``, each group in order of weight; ``remarks`` say what the dates lack."""

    then: datetime
    now: datetime
    rows: tuple[SinceRow, ...]
    remarks: tuple[str, ...]

    def of(self, group: SinceGroup) -> tuple[SinceRow, ...]:
        """The rows of one group."""
        return tuple(row for row in self.rows if row.group == group)


def changes_since(
    store: Store,
    then: datetime,
    now: datetime | None = None,
    *,
    progress: Callable[[int, int, str], None] | None = None,
) -> CaseChanges:
    """Compare the cases of two times; work of seconds. ``progress`` may raise to stop.

    Raises:
        CallError: a time without offset, ``then`` not before ``now``, or a store without captures.
    """
    from vibe.flow.alarms.queue import evaluate_alarms

    now = now or datetime.now(UTC)
    for one in (then, now):
        if one.utcoffset() is None:
            raise CallError(f"the time {one.isoformat()} needs its offset from UTC")
    if not then < now:
        raise CallError(f"{then:%Y-%m-%d %H:%M} is not before {now:%Y-%m-%d %H:%M}: exchange the two dates")
    captures = store.captures()
    if not captures:
        raise CallError(f"{store.folder} holds no capture: nothing can have changed")
    remarks = []
    first, last = captures[0].measured_at, captures[-1].measured_at
    if then < first:
        remarks.append(f"The first capture is of {first:%Y-%m-%d}: before it nothing was known.")
    if now > datetime.now(UTC):
        remarks.append(f"{now:%Y-%m-%d} lies ahead: what is known now is shown.")
    if then > last:
        remarks.append(f"The latest capture is of {last:%Y-%m-%d}: nothing was measured since {then:%Y-%m-%d}.")

    def half(number: int) -> Callable[[int, int, str], None] | None:
        if progress is None:
            return None
        return lambda done, of, what: progress(number * of + done, 2 * of, what)

    rules = load_alarm_rules()
    before = evaluate_alarms(store, rules=rules, at=then, progress=half(0)).queue.alarms
    after = evaluate_alarms(store, rules=rules, at=now, progress=half(1)).queue.alarms
    rows = compared(before, after, captures, store.events(), then, now, rules.queue.act_from)
    return CaseChanges(then=then, now=now, rows=rows, remarks=tuple(remarks))


def compared(
    before: Sequence[Alarm],
    after: Sequence[Alarm],
    captures: Sequence[StoredCapture],
    events: Sequence[Event],
    then: datetime,
    now: datetime,
    act_from: float,
) -> tuple[SinceRow, ...]:
    """Rows of all groups from the cases of two times. What merely was not seen is never gone: it was not measured."""
    last: dict[str, datetime] = {}
    accepted: set[str] = set()
    for capture in captures:
        if capture.measured_at <= now:
            last[capture.drive] = max(last.get(capture.drive, capture.measured_at), capture.measured_at)
            if capture.kept == "accepted" and capture.measured_at > then:
                accepted.add(capture.drive)
    first = {capture.drive: capture.measured_at for capture in reversed(captures)}
    mended = {
        event.drive: event
        for event in sorted(events, key=lambda event: event.at)
        if then < event.at <= now and event.kind in MENDING
    }
    old = {alarm.id: alarm for alarm in before if alarm.status != "quiet" and alarm.kind not in UNSEEN}
    new = {alarm.id: alarm for alarm in after if alarm.status != "quiet" and alarm.kind not in UNSEEN}
    unseen = {alarm.drive: alarm for alarm in after if alarm.status != "quiet" and alarm.kind in UNSEEN}
    quiet = {alarm.id: alarm for alarm in after if alarm.status == "quiet"}
    found: list[SinceRow] = []
    covered: set[str] = set()

    def row(group: SinceGroup, alarm: Alarm, why: str) -> None:
        found.append(
            SinceRow(
                group=group, drive=alarm.drive, case=alarm.id, title=alarm.title,
                then=old[alarm.id].urgency.total if alarm.id in old else None,
                now=new[alarm.id].urgency.total if alarm.id in new else None, why=why, last=last.get(alarm.drive),
            )
        )  # fmt: skip

    for name, alarm in new.items():
        measured = any(drive in accepted for drive in alarm.drives)
        change = _of_open(old.get(name), alarm, act_from, _unseen(alarm.drive, last), measured=measured)
        if change is not None:
            row(change[0], alarm, change[1])
        covered.add(alarm.drive)
    for name, alarm in old.items():
        if name in new:
            continue
        event = next((mended[drive] for drive in alarm.drives if drive in mended), None)
        if name in quiet:
            row("gone", alarm, quiet[name].status_why)
        elif event is not None:
            row("gone", alarm, f"{event.kind} on {event.at:%Y-%m-%d}{f' ({event.note})' if event.note else ''}")
        elif any(drive in accepted for drive in alarm.drives):
            row("gone", alarm, "measured since, and no longer there")
        else:
            row("not measured", alarm, _unseen(alarm.drive, last))
        covered.add(alarm.drive)
    for drive, alarm in unseen.items():
        if drive not in covered:
            found.append(
                SinceRow(
                    group="not measured", drive=drive, case=alarm.id, title=alarm.title, then=None,
                    now=alarm.urgency.total, why=alarm.sentence, last=last.get(drive),
                )
            )  # fmt: skip
            covered.add(drive)
    for drive, begun in first.items():
        if drive not in covered and begun <= then and drive not in accepted:
            found.append(
                SinceRow(
                    group="not measured", drive=drive, case="", title="No open case", then=None, now=None,
                    why=_unseen(drive, last), last=last.get(drive),
                )
            )  # fmt: skip
    return tuple(sorted(found, key=_weight))


def _of_open(
    old: Alarm | None, alarm: Alarm, act_from: float, unseen: str, *, measured: bool
) -> tuple[SinceGroup, str] | None:
    """The group of a case that is open now, and why; None where nothing worth a row changed. ``measured``: one of its
    drives since then; ``unseen``: what is said where none was."""
    if old is None:
        return "new", alarm.status_why if alarm.status == "back" else f"seen since {alarm.since:%Y-%m-%d}"
    change = alarm.urgency.total - old.urgency.total
    if change >= LEAST_CHANGE or _state(alarm, act_from) > _state(old, act_from):
        return "graver", _graver(old, alarm, act_from)
    if not measured:
        return "not measured", unseen
    return ("calmer", "measured since, and less urgent") if change <= -LEAST_CHANGE else None


def _weight(row: SinceRow) -> tuple[int, float, str, str]:
    heavy = {"graver": (row.now or 0) - (row.then or 0), "calmer": (row.then or 0) - (row.now or 0)}
    return (GROUPS.index(row.group), -heavy.get(row.group, max(row.now or 0, row.then or 0)), row.drive, row.case)


def _state(alarm: Alarm, act_from: float) -> tuple[bool, int]:
    return alarm.urgency.total >= act_from, _RANK.get(None if alarm.finding is None else alarm.finding.severity, 0)


def _graver(old: Alarm, new: Alarm, act_from: float) -> str:
    if new.urgency.total >= act_from > old.urgency.total:
        return "now in state act"
    severities = [None if one.finding is None else one.finding.severity for one in (old, new)]
    if _RANK.get(severities[1], 0) > _RANK.get(severities[0], 0):
        return f"{severities[1]} now, {severities[0] or 'without a finding'} before"
    return "more urgent"


def _unseen(drive: str, last: Mapping[str, datetime]) -> str:
    return f"no good capture since then; the latest is of {last[drive]:%Y-%m-%d}" if drive in last else "never measured"
