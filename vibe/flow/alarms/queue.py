"""Exceedances of a store, and of another system's file, into a queue; and what people decide about it."""

from __future__ import annotations

import json
from bisect import bisect_left
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from vibe.core.errors import CallError
from vibe.core.route.route import folded
from vibe.flow.alarms.files import NAMES, facts_of, write_queue
from vibe.flow.settings import load_alarm_rules, load_settings, share_dir

if TYPE_CHECKING:
    from vibe.core.drive import Drive
    from vibe.core.records.alarm_case import DriveCase, Memory
    from vibe.core.records.alarms import LeftOut, Queue, Reported
    from vibe.core.records.history import Decision, StoredCapture, Verdict
    from vibe.flow.history.drive_facts import Matched
    from vibe.health.alarms.settings import AlarmRules
    from vibe.history.store.store import Store

Progress = Callable[[int, int, str], None]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class QueueOutcome:
    """What came of a look at the alarms. ``acting``: some row is urgent enough to be acted on."""

    queue: Queue
    cases: tuple[DriveCase, ...]
    files: tuple[Path, ...]
    acting: bool


def evaluate_alarms(
    store: Store,
    *,
    exceedances: Path | None = None,
    drives: Mapping[str, Drive] | None = None,
    time_zone: str | None = None,
    limits: Path | None = None,
    rules: AlarmRules | None = None,
    at: datetime | None = None,
    progress: Progress | None = None,
) -> QueueOutcome:
    """The queue of a store as it is at ``at`` (now unless given), recorded in the store where that may be written.

    Raises:
        ConfigError: the file of exceedances or a settings file is wrong. CallError: the store is damaged.
    """
    from vibe.flow.history.drive_facts import Gatherer
    from vibe.health.alarms.queue import needs_action, queue_of
    from vibe.history.settings import HistorySettings
    from vibe.history.store.reported import kept_reported
    from vibe.ingest import load_model
    from vibe.ingest.tables.exceedances import read_exceedances

    at = at or datetime.now(UTC)
    rules = rules or load_alarm_rules()
    history = load_model(share_dir() / "configs" / "history.toml", HistorySettings)
    read = None if exceedances is None else read_exceedances(exceedances, time_zone=time_zone)
    imported = kept_reported(store.folder, at)
    matched, unmatched = match((*imported, *(() if read is None else read.rows)), store, rules)
    gatherer = Gatherer(
        store=store, history=history, limits=load_settings(limits).limits, rules=rules, drives=drives or {}
    )
    cases = []
    kept = [drive for drive in store.drives() if drive.captures]
    for number, drive in enumerate(kept):
        if progress is not None:
            progress(number, len(kept), drive.tag)
        cases.append(gatherer.case(drive.tag, drive.kind, [m for m in matched if m.capture.drive == drive.tag]))
    memories = remembered(store)
    held = _held(memories, store) if exceedances is None and not imported else 0
    remarks = [_held_in_words(held)] if held else []
    queue = queue_of(
        cases, memories, rules, at, unmatched=unmatched, bad=() if read is None else read.bad, matched=len(matched),
        remarks=remarks,
    )  # fmt: skip
    if store.may_write:
        _record(store, queue, cases, memories, at, with_file=exceedances is not None or bool(imported))
    return QueueOutcome(queue=queue, cases=tuple(cases), files=(), acting=needs_action(queue, rules))


def match(rows: Sequence[Reported], store: Store, rules: AlarmRules) -> tuple[list[Matched], list[LeftOut]]:
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


def remembered(store: Store) -> list[Memory]:
    """All alarms that the store ever knew, with their decisions."""
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
    ]  # fmt: skip


def _facts(text: str) -> dict[str, Any]:
    try:
        read = json.loads(text)
    except ValueError:
        return {}
    return read if isinstance(read, dict) else {}


def _held(memories: Sequence[Memory], store: Store) -> int:
    open_ones = {alarm.id for alarm in store.alarms()}
    return sum(m.id in open_ones and m.facts.get("origin") == ["file"] for m in memories)


def _held_in_words(count: int) -> str:
    which = "1 alarm of another system's file is" if count == 1 else f"{count} alarms of another system's file are"
    return f"{which} not evaluated again: give the file for details"


def _record(
    store: Store, queue: Queue, cases: Sequence[DriveCase], memories: Sequence[Memory], at: datetime, *, with_file: bool
) -> None:
    """The alarms of now; those that nothing raises any more are closed, unless only a file that is not here could."""
    before = {memory.id: memory for memory in memories}
    for alarm in queue.alarms:
        old = before.get(alarm.id)
        from_file = [e.source == "another system" for e in alarm.exceedances]
        origin = [
            word for word, does in (("store", not all(from_file) or not from_file), ("file", any(from_file))) if does
        ]
        series = [state for case in cases if case.tag in alarm.drives for state in case.series]
        facts = facts_of(alarm, None if old is None else old.facts, origin, series)
        text = json.dumps(facts, ensure_ascii=False)
        store.put_alarm(alarm.id, alarm.drive, alarm.cause, alarm.opened_at, text)
    raised = {alarm.id for alarm in queue.alarms}
    for kept in store.alarms():
        only_file = before[kept.id].facts.get("origin") == ["file"] if kept.id in before else False
        if kept.id not in raised and (with_file or not only_file):
            store.close_alarm(kept.id, max(at, kept.opened_at))


def decide(
    store: Store,
    name: str,
    verdict: Verdict,
    *,
    because: str,
    by: str,
    recheck_by: datetime | None = None,
    at: datetime | None = None,
) -> Memory:
    """Record a decision about an alarm, for good, and how things stood when it was made.

    Raises:
        CallError: there is no such alarm, no reason or no name.
    """
    from vibe.core.records.history import Decision
    from vibe.health.alarms.cause_names import typed

    at = at or datetime.now(UTC)
    if not because.strip():
        raise CallError("a decision needs a reason (--because): it will be read years later")
    if not by.strip():
        raise CallError("a decision needs the name of who decided (--by): it will be read years later")
    name = typed(name)
    decision = Decision(alarm=name, verdict=verdict, because=because, by=by, at=at, recheck_by=recheck_by)
    kept = next((alarm for alarm in store.alarms(open_only=False) if alarm.id == name), None)
    if kept is not None:
        facts = _facts(kept.facts)
        stood = {key: facts.get(key) for key in ("levels", "component", "severity", "captures", "urgency")}
        facts["decided"] = [*facts.get("decided", []), {"at": at.isoformat(), "verdict": verdict} | stood]
        # First how things stand: were this process ended in between, the note alone changes nothing.
        store.put_alarm(
            kept.id, kept.drive, kept.cause, kept.opened_at, json.dumps(facts, ensure_ascii=False), reopen=False
        )
    store.decide(decision)
    return next(memory for memory in remembered(store) if memory.id == name)


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
    from dataclasses import replace

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
            at=at, progress=progress,
        )  # fmt: skip
    files = write_queue(outcome.queue, target, force=force)
    written = write_pages(outcome.queue, outcome.cases, recipe.store, target, title=recipe.title, force=force)
    return replace(outcome, files=(*files, *written))
