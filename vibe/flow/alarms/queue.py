"""Exceedances of a store, and of another system's file, into a queue; and what people decide about it."""

from __future__ import annotations

import json
from bisect import bisect_left
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from vibe.core.errors import CallError
from vibe.core.route.route import folded
from vibe.core.units import DAY_S
from vibe.flow.alarms.files import NAMES, facts_of, write_queue
from vibe.flow.settings import load_alarm_rules, load_settings, share_dir

if TYPE_CHECKING:
    from vibe.core.drive import Drive
    from vibe.core.records.alarm_case import DriveCase, Memory
    from vibe.core.records.alarms import Alarm, LeftOut, Queue, Reported
    from vibe.core.records.history import Decision, StoredCapture, StoredDrive, Verdict
    from vibe.flow.history.drive_facts import DriveLook, Matched
    from vibe.health.alarms.settings import AlarmRules
    from vibe.history.sister_book import SisterBook
    from vibe.history.store.decisions import DecisionBook
    from vibe.history.store.store import Store

Progress = Callable[[int, int, str], None]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class QueueOutcome:
    """What came of a look at the alarms. ``acting``: some row is urgent enough to be acted on; ``of_all`` are the
    remarks of the queue that concern no drive."""

    queue: Queue
    cases: tuple[DriveCase, ...]
    files: tuple[Path, ...]
    acting: bool
    of_all: tuple[str, ...] = ()


def evaluate_alarms(
    store: DecisionBook,
    *,
    exceedances: Path | None = None,
    drives: Mapping[str, Drive] | None = None,
    time_zone: str | None = None,
    limits: Path | None = None,
    rules: AlarmRules | None = None,
    at: datetime | None = None,
    progress: Progress | None = None,
    keep: bool = False,
    only: Collection[str] | None = None,
    book: SisterBook | None = None,
    noted: Callable[[DriveLook], None] | None = None,
) -> QueueOutcome:
    """The queue of a store as of ``at`` (now unless given). Nothing is written.

    With ``only`` it is that of some drives: then ``book`` holds what all their sisters tell, and they must be all that
    could be in one row. ``noted`` is called with each look, in order.

    Captures, events, decisions and lines of another system's file of later times do not count: what comes later changes
    no queue of an earlier time. What an earlier call kept next to the store (``judged.sqlite``) is taken where it still
    holds; with ``keep`` what had to be looked at is kept there for the next one.

    Raises:
        ConfigError: the file of exceedances or a settings file is wrong. CallError: the store is damaged.
    """
    from vibe.flow.alarms.columns import columns_of
    from vibe.flow.alarms.kept_looks import Looks
    from vibe.flow.history.drive_facts import Gatherer, note
    from vibe.health.alarms.queue import needs_action, queue_of
    from vibe.history.settings import HistorySettings
    from vibe.history.sister_book import SisterBook
    from vibe.history.store.reported import kept_reported
    from vibe.ingest import load_model
    from vibe.ingest.tables.exceedances import read_exceedances

    at = at or datetime.now(UTC)
    store = store.as_of(at)
    rules = rules or load_alarm_rules()
    history = load_model(share_dir() / "configs" / "history.toml", HistorySettings)
    read = None
    if exceedances is not None:
        columns = columns_of(store.folder, exceedances)
        read = read_exceedances(exceedances, time_zone=time_zone, columns=columns)
    rows = () if read is None else tuple(row for row in read.rows if row.at <= at)
    later = 0 if read is None else len(read.rows) - len(rows)
    imported = kept_reported(store.folder, at, but=rows)
    asked = imported if only is None else _of_drives(imported, only)
    matched, unmatched = match((*rows, *asked), store, rules)
    by_drive: dict[str, list[Matched]] = {}
    for one in matched:
        by_drive.setdefault(one.capture.drive, []).append(one)
    gatherer = Gatherer(
        store=store, history=history, limits=load_settings(limits).limits, rules=rules, drives=drives or {}
    )
    kept = [drive for drive in store.drives() if drive.captures]
    wanted = [drive for drive in kept if only is None or drive.tag in only]
    complete, book = book is not None, book or SisterBook(history)
    looks, known = [], Looks(store, gatherer)
    for number, drive in enumerate(wanted):
        if progress is not None:
            progress(number, len(wanted), drive.tag)
        looks.append(gatherer.with_reported(known.look(drive.tag, drive.kind), by_drive.get(drive.tag, ())))
        if not complete:
            note(book, looks[-1], rules)
        if noted is not None:
            noted(looks[-1])
    known.close(keep=keep)
    clocks = [said for look in looks if (said := odd_clock(look))]
    # From the end on, so that each look is let go once its case is made.
    cases = [gatherer.case_of(looks.pop(), book) for _ in wanted][::-1]
    memories = remembered(store)
    held = _held(memories, store) if exceedances is None and not imported else 0
    ours = [*([_held_in_words(held)] if held else []), *_of_time(store, kept, at, later)]
    remarks = [*ours, *clocks]
    queue = queue_of(
        cases, memories, rules, at, unmatched=unmatched, bad=() if read is None else read.bad, matched=len(matched),
        remarks=remarks,
    )  # fmt: skip
    return QueueOutcome(
        queue=queue, cases=tuple(cases), files=(), acting=needs_action(queue, rules), of_all=tuple(ours)
    )


GAP_YEARS = 3.0
"""Between the first capture of a drive and all others: rather a clock that was not set (our choice)."""


def odd_clock(look: DriveLook) -> str:
    """A capture that lies years before all others of its drive, in words; empty where none does."""
    if len(look.captures) < 3:
        return ""
    first, second = look.captures[0].at, look.captures[1].at
    if (second - first).days < GAP_YEARS * 365.25:
        return ""
    return f"{look.tag}: a capture is dated {first:%Y-%m-%d}, the next {second:%Y-%m-%d}; was the clock set?"


BEYOND_DAYS = 45.0
"""A look so many days after the latest capture of all says so (common practice: monthly rounds and a fortnight)."""


def _of_time(store: DecisionBook, drives: Sequence[StoredDrive], at: datetime, lines: int) -> list[str]:
    """What a reader must know about the time of a look: how old the data are, and what is dated later."""
    said = []
    last = max((drive.last for drive in drives if drive.last is not None), default=None)
    if last is not None and (at - last).total_seconds() > BEYOND_DAYS * DAY_S:
        days = (at - last).days
        said.append(f"as of {at:%Y-%m-%d}; the latest capture is of {last:%Y-%m-%d}, {days} days earlier")
    captures, events = store.ahead()
    if captures:
        said.append(f"{captures} capture{'' if captures == 1 else 's'} measured later do not count")
    if events:
        said.append(f"events dated later do not count yet: {', '.join(events[:6])}{' ...' if len(events) > 6 else ''}")
    if lines:
        said.append(f"{lines} line{'' if lines == 1 else 's'} of the other system of later times do not count")
    return said


def _of_drives(rows: Sequence[Reported], tags: Collection[str]) -> list[Reported]:
    wanted = {folded(tag) for tag in tags}
    return [row for row in rows if folded(row.tag) in wanted]


def match(rows: Sequence[Reported], store: DecisionBook, rules: AlarmRules) -> tuple[list[Matched], list[LeftOut]]:
    """Each row with its drive, point and nearest capture; those that have none, with why."""
    from vibe.core.records.alarms import LeftOut
    from vibe.core.records.history import SeriesKey
    from vibe.flow.history.drive_facts import Matched

    tags = {folded(drive.tag): drive.tag for drive in store.drives()}
    points: dict[str, dict[str, str]] = {}
    captures: dict[str, tuple[list[float], tuple[StoredCapture, ...]]] = {}
    found: list[Matched] = []
    left: list[LeftOut] = []
    for row in rows:

        def out(why: str, row: Reported = row) -> None:
            text = f"{row.tag}, {row.point}, {row.at.isoformat()}, {row.measure}"
            left.append(LeftOut(line=row.line, text=text, why=why))

        tag = tags.get(folded(row.tag))
        if tag is None:
            out(f"the store holds nothing of a drive {row.tag!r}")
            continue
        if tag not in points:
            points[tag] = {folded(key.point): key.point for key in store.keys(tag)}
            kept = store.captures(tag)
            captures[tag] = ([capture.time_s for capture in kept], kept)
        nearest = _nearest(row.at.timestamp(), *captures[tag])
        point = points[tag].get(folded(row.point))
        if nearest is None:
            out(f"the store holds no capture of {tag}")
        elif abs(nearest.time_s - row.at.timestamp()) > rules.raise_.match_within_hours * 3600:
            out(f"the nearest capture of {tag} was measured at {nearest.measured_at.isoformat(timespec='minutes')}")
        elif point is None:
            known = ", ".join(sorted(filter(None, points[tag].values()))) or "none"
            out(f"{tag} has no point {row.point!r}; it has {known}")
        else:
            key = SeriesKey(drive=tag, point=point, measure=row.measure)
            found.append(Matched(row=row, capture=nearest, key=key))
    return found, left


def _nearest(time_s: float, times: list[float], kept: tuple[StoredCapture, ...]) -> StoredCapture | None:
    place = bisect_left(times, time_s)
    near = kept[max(place - 1, 0) : place + 1]
    return min(near, key=lambda capture: abs(capture.time_s - time_s), default=None)


# ── what the store remembers ──────────────────────────────────────────────────────────────────────────────────────


def remembered(store: DecisionBook) -> list[Memory]:
    """All alarms that the store knew by the time to which it is read, with their decisions."""
    from vibe.core.records.alarm_case import Memory

    decisions: dict[str, list[Decision]] = {}
    for decision in store.decisions():
        decisions.setdefault(decision.alarm, []).append(decision)
    return [
        Memory(
            id=alarm.id, drive=alarm.drive, cause=alarm.cause, opened_at=alarm.opened_at, facts=_facts(alarm.facts),
            decisions=tuple(decisions.get(alarm.id, ())),
        )
        for alarm in store.alarms(open_only=False)
        if store.until is None or alarm.opened_at <= store.until
    ]  # fmt: skip


def _facts(text: str) -> dict[str, Any]:
    try:
        read = json.loads(text)
    except ValueError:
        return {}
    return read if isinstance(read, dict) else {}


def _held(memories: Sequence[Memory], store: DecisionBook) -> int:
    open_ones = {alarm.id for alarm in store.alarms()}
    return sum(m.id in open_ones and m.facts.get("origin") == ["file"] for m in memories)


def _held_in_words(count: int) -> str:
    which = "1 alarm of another system's file is" if count == 1 else f"{count} alarms of another system's file are"
    return f"{which} not evaluated again: give the file for details"


def record(store: Store, outcome: QueueOutcome, *, with_file: bool = False) -> None:
    """Note in a store which alarms a run raised and which it no longer raises; those that only a file raises, which was
    not given, stay as they are. A look alone does not."""
    queue = outcome.queue
    before = {memory.id: memory for memory in remembered(store)}
    for alarm in queue.alarms:
        old = before.get(alarm.id)
        text = stood_in_words(alarm, outcome.cases, None if old is None else old.facts)
        store.put_alarm(alarm.id, alarm.drive, alarm.cause, alarm.opened_at, text)
    raised = {alarm.id for alarm in queue.alarms}
    for kept in store.alarms():
        only_file = before[kept.id].facts.get("origin") == ["file"] if kept.id in before else False
        if kept.id not in raised and (with_file or not only_file) and kept.opened_at <= queue.at:
            store.close_alarm(kept.id, max(queue.at, kept.opened_at))


def stood_in_words(alarm: Alarm, cases: Sequence[DriveCase], before: Mapping[str, Any] | None = None) -> str:
    """How an alarm stands, as JSON: what is kept of it with a decision. ``cases`` are those of its drives at least;
    ``before`` is what was kept of it earlier."""
    from_file = [e.source == "another system" for e in alarm.exceedances]
    origin = [word for word, does in (("store", not all(from_file) or not from_file), ("file", any(from_file))) if does]
    series = [state for case in cases if case.tag in alarm.drives for state in case.series]
    return json.dumps(facts_of(alarm, before, origin, series), ensure_ascii=False)


def decide(
    store: Store,
    name: str,
    verdict: Verdict,
    *,
    because: str,
    by: str,
    recheck_by: datetime | None = None,
    owner: str = "",
    due: datetime | None = None,
    work_order: str = "",
    after: int | None = None,
    withdraws: int | None = None,
    at: datetime | None = None,
    outcome: QueueOutcome | None = None,
    exceedances: Path | None = None,
    time_zone: str | None = None,
) -> Memory:
    """Record a decision about an alarm, for good, and how things stood when it was made: one transaction.

    ``outcome`` is the queue that whoever decides has before them; it is worked out unless given. ``after`` is the
    number of the newest decision that they have seen; unless given it is the newest there is now. Earlier decisions
    stay, and are in what is returned.

    Raises:
        CallError: there is no such alarm; no reason, no name, or a date that has passed. DecidedMeanwhileError: a newer
            decision is there than ``after``.
    """
    from vibe.core.records.history import Decision
    from vibe.health.alarms.cause_names import typed
    from vibe.history.store.decisions import checked

    at = at or datetime.now(UTC)
    name = typed(name)
    decision = Decision(
        alarm=name, verdict=verdict, because=because.strip(), by=by.strip(), at=at, recheck_by=recheck_by,
        owner=owner.strip(), due=due, work_order=work_order.strip(), withdraws=withdraws,
    )  # fmt: skip
    checked(decision)
    earlier = store.decisions(name)
    newest = earlier[-1].number if earlier else None
    if withdraws is not None and withdraws not in {one.number for one in earlier}:
        raise CallError(f"alarm {name} has no decision number {withdraws} to withdraw")
    known = next((memory for memory in remembered(store) if memory.id == name), None)
    if outcome is None:
        outcome = evaluate_alarms(store, exceedances=exceedances, time_zone=time_zone, at=at)
    alarm = next((alarm for alarm in outcome.queue.alarms if alarm.id == name), None)
    if alarm is None and known is None:
        raise no_such_alarm(name, [alarm.id for alarm in outcome.queue.alarms])
    if alarm is not None:
        drive, cause, opened_at = alarm.drive, alarm.cause, alarm.opened_at
        stood = stood_in_words(alarm, outcome.cases)
    elif known is not None:
        drive, cause, opened_at = known.drive, known.cause, known.opened_at
        stood = json.dumps({key: value for key, value in known.facts.items() if key != "decided"}, ensure_ascii=False)
    decision = replace(decision, after=newest if after is None else after, stood=stood)
    store.decide_at_once(decision, drive, cause, opened_at, stood)
    return next(memory for memory in remembered(store) if memory.id == name)


def no_such_alarm(name: str, known: Sequence[str]) -> CallError:
    """The one sentence about an alarm that is not there."""
    import difflib

    near = difflib.get_close_matches(name, known, n=1, cutoff=0.5)
    more = f"; the nearest is {near[0]!r}" if near else "; `vibe alarms list --all` names all there are"
    file = "" if near else ", and with --exceedances those that only another system's file raises"
    return CallError(f"there is no alarm {name[:80]!r}{more}{file}")


# ── a recipe ──────────────────────────────────────────────────────────────────────────────────────────────────────


def run_alarms(
    recipe_path: Path,
    *,
    out: Path | None = None,
    force: bool = False,
    at: datetime | None = None,
    progress: Progress | None = None,
) -> QueueOutcome:
    """A recipe of kind alarms: ``queue.json`` and ``alarms.csv``, and pages where they can be made.

    Raises:
        ConfigError: the recipe, the file of exceedances or a drive file is wrong. CallError: it is of another kind, or
            there is no store. OutputError: a result is there already and ``force`` is not given.
    """
    from vibe.core.errors import OutputError
    from vibe.flow.history.pages import write_pages
    from vibe.history.store.store import Store
    from vibe.ingest import load_drives, load_recipe
    from vibe.storage.files import check_folder

    recipe = load_recipe(recipe_path)
    if recipe.kind != "alarms" or recipe.store is None:
        raise CallError(f"{recipe_path}: is a recipe of kind {recipe.kind!r}, no alarms")
    target = out or recipe.out
    check_folder(target)
    there = next((target / name for name in NAMES if (target / name).exists()), None)
    if there is not None and not force:
        raise OutputError(f"{there} exists already; give --force to replace it, or another --out")
    drives = {drive.tag: drive for drive in load_drives(recipe.drives)} if recipe.drives else {}
    with Store.open(recipe.store) as store:
        outcome = evaluate_alarms(
            store, exceedances=recipe.exceedances, drives=drives, time_zone=recipe.time_zone, limits=recipe.limits,
            at=at, progress=progress, keep=store.may_write and at is None,
        )  # fmt: skip
        if store.may_write and at is None:
            record(store, outcome, with_file=recipe.exceedances is not None)
    files = write_queue(outcome.queue, target, force=force)
    written = write_pages(outcome.queue, outcome.cases, recipe.store, target, title=recipe.title, force=force)
    return replace(outcome, files=(*files, *written))
