"""A queue as JSON and as a table, and the facts that a store keeps of an alarm."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import fields, is_dataclass
from datetime import datetime
from math import isfinite
from pathlib import Path
from typing import TYPE_CHECKING, Any

from vibe.storage.csv_table import Cell, csv_text
from vibe.storage.files import write_whole

if TYPE_CHECKING:
    from vibe.core.records.alarms import Alarm, Queue, SeriesState

SCHEMA = "vibe.queue/1"
NAMES = ("queue.json", "alarms.csv")
_COLUMNS = (
    "rank", "id", "drives", "status", "urgency", "kind", "title", "probability", "severity", "growth_db",
    "days_to_target", "since", "exceedances", "explained_by", "status_why", "advice", "state", "measured_at",
    "look_again", "owner", "due", "work_order",
)  # fmt: skip


def plain(value: Any) -> Any:
    """Frozen values as JSON knows them: times with their offset, what is not finite as null."""
    if is_dataclass(value) and not isinstance(value, type):
        return {field.name: plain(getattr(value, field.name)) for field in fields(value)}
    if isinstance(value, datetime):
        return value.isoformat()
    if isinstance(value, float):
        return value if isfinite(value) else None
    if isinstance(value, Mapping):
        return {str(name): plain(one) for name, one in value.items()}
    if isinstance(value, list | tuple):
        return [plain(one) for one in value]
    return value


def queue_json(queue: Queue) -> str:
    """The whole queue; every alarm with its rules."""
    from vibe import __version__

    stated = plain(queue)
    for row, alarm in zip(stated["alarms"], queue.alarms, strict=True):
        row["rules"] = list(alarm.rules)
    return json.dumps({"schema": SCHEMA, "software": f"vibe {__version__}"} | stated, indent=1, ensure_ascii=False)


def queue_csv(queue: Queue) -> str:
    """One line per alarm, in the order of the queue."""
    return csv_text(_COLUMNS, [_cells(rank, alarm) for rank, alarm in enumerate(queue.alarms, start=1)])


def _cells(rank: int, alarm: Alarm) -> Sequence[Cell]:
    growth = max((s.change_db for s in alarm.series if s.change_db is not None), default=None)
    days = min((s.days_to_target for s in alarm.series if s.days_to_target is not None), default=None)
    return [
        rank, alarm.id, " ".join(alarm.drives), alarm.status, round(alarm.urgency.total, 1), alarm.kind, alarm.title,
        None if alarm.finding is None else round(alarm.finding.probability, 3),
        None if alarm.finding is None else alarm.finding.severity,
        None if growth is None else round(growth, 1), None if days is None else round(days, 1),
        alarm.since.isoformat(), len(alarm.exceedances),
        "; ".join(stated.kind for stated in alarm.explanations if stated.weighs), alarm.status_why, alarm.advice,
        alarm.state, *(None if when is None else when.isoformat() for when in (alarm.measured_at, alarm.look_again)),
        alarm.owner, None if alarm.due is None else alarm.due.isoformat(), alarm.work_order,
    ]  # fmt: skip


def write_queue(queue: Queue, out: Path, *, force: bool = False) -> tuple[Path, ...]:
    """``queue.json`` and ``alarms.csv`` in ``out``; and its pages, where this installation can make them.

    Raises:
        OutputError: one is there already and ``force`` is not given, or it cannot be written.
    """
    files = [
        write_whole(out / NAMES[0], queue_json(queue) + "\n", force=force),
        write_whole(out / NAMES[1], queue_csv(queue), force=force),
    ]
    return tuple(files)


def facts_of(
    alarm: Alarm, before: Mapping[str, Any] | None, origin: Sequence[str], series: Sequence[SeriesState]
) -> dict[str, Any]:
    """What a store keeps of an alarm: enough to judge later whether something new happened, and to count by rule.

    ``series`` are all of its drives, so that one which joins the alarm later is not new for that alone. ``decided`` is
    carried on from ``before``: how things stood at each decision.
    """
    from vibe.health.alarms.suppression import levels_of

    return {
        "kind": alarm.kind,
        "title": alarm.title,
        "sentence": alarm.sentence,
        "advice": alarm.advice,
        "drives": list(alarm.drives),
        "names": list(alarm.names),
        "epoch": None if alarm.epoch is None else alarm.epoch.isoformat(),
        "since": alarm.since.isoformat(),
        "component": None if alarm.finding is None else alarm.finding.component,
        "severity": None if alarm.finding is None else alarm.finding.severity,
        "urgency": round(alarm.urgency.total, 2),
        "levels": levels_of(series),
        "rules": list(alarm.rules),
        "exceedances": len(alarm.exceedances),
        "captures": [content for content in (alarm.pictures.before, alarm.pictures.now) if content],
        "origin": list(origin),
        "decided": list(before.get("decided", [])) if before else [],
    }
