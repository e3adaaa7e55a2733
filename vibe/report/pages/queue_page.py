"""The queue of alarms as pages: one row per cause, the most urgent first, and a page of pictures behind each."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from markupsafe import Markup

from vibe.core.errors import OutputError
from vibe.core.records.alarms import (
    Alarm,
    AlarmExplanation,
    DriveMeasured,
    Exceedance,
    PointChange,
    Queue,
    QueueMeasures,
)
from vibe.core.records.history import SeriesKey
from vibe.core.records.history_view import ShownAlarm
from vibe.core.units import DAY_S
from vibe.report import history_words as said
from vibe.report.drawing import history_data, history_marks, history_plots
from vibe.report.pages import shell as pages
from vibe.report.pages.history_page import (
    ALARMS,
    ASSETS,
    alarm_page_name,
    drive_page_name,
    shell,
    tones_view,
    trend_view,
    viewer_view,
)
from vibe.report.words import number, printable, probability, sentence_case
from vibe.storage.files import write_whole
from vibe.storage.regular import refuse_links_out

QUEUE = "queue.html"
LOW = 5.0
"""Rows below this urgency are set smaller: they are there so that none is forgotten."""
_OWNERS = 3
"""Owners of a change that a row names: as many as fit (our choice)."""
_LEAST_DB = 0.5
"""A smaller part of a change is not named (our choice: captures repeat no better)."""
"""Seconds of a day."""
_STATUS = {"open": "Open", "back": "Back", "in work": "In work", "quiet": "Quiet"}


LEAST_DB = 0.1
"""Parts that changed by less are only listed."""


@dataclass(frozen=True, slots=True, kw_only=True)
class QueueRow:
    """An alarm as the queue shows it."""

    alarm: Alarm
    drives: list[tuple[str, str | None]]
    link: str | None
    low: bool
    bar: Markup
    parts: list[tuple[Any, Markup]]
    summary: str
    causes: str
    owners: list[dict[str, Any]]
    of: str
    spark: Markup
    spark_name: str
    age: str


def write_queue_pages(
    queue: Queue, out: Path, *, shown: Mapping[str, ShownAlarm] | None = None, drive_pages: Collection[str] = (),
    title: str = "The queue", force: bool = False,
) -> tuple[Path, ...]:  # fmt: skip
    """``queue.html`` in ``out``, and ``alarms/<id>.html`` for each alarm of ``shown``.

    ``drive_pages`` are drives whose pages are there (``drive_page_name``), so that they may be pointed at.

    Raises:
        OutputError: a page is there already and ``force`` is not given, or it cannot be written.
    """
    shown = shown or {}
    alarms = [(shown[alarm.id], out / alarm_page_name(alarm.id)) for alarm in queue.alarms if alarm.id in shown]
    for path in (out / QUEUE, *(path for _, path in alarms)):
        if path.exists() and not force:
            raise OutputError(f"{path} exists already; give --force to replace it, or another --out")
    refuse_links_out(out, ALARMS)
    full = _full(queue.alarms)
    files = []
    if alarms:
        history_plots.write_scripts(out / ASSETS)
    for one, path in alarms:
        files.append(write_whole(path, render_alarm(one, drive_pages=drive_pages, full=full), force=force))
    page = render_queue(queue, shown=shown, drive_pages=drive_pages, title=title)
    return (write_whole(out / QUEUE, page, force=force), *files)


def render_queue(
    queue: Queue, *, shown: Mapping[str, ShownAlarm] | None = None, drive_pages: Collection[str] = (),
    title: str = "The queue",
) -> str:  # fmt: skip
    """The page of the queue as text. It needs no script."""
    full = _full(queue.alarms)
    rows = [_row(alarm, queue, shown or {}, drive_pages, full) for alarm in queue.alarms]
    waiting = [row for row in rows if row.alarm.status != "quiet"]
    counts = Counter(row.alarm.kind for row in waiting)
    most = max((rule.alarms for rule in queue.measures.rules), default=1)
    return pages.render(
        "queue.html.j2", title=printable(title), queue=queue, waiting=waiting, measured=_measured(queue),
        quiet=[row for row in rows if row.alarm.status == "quiet"],
        counts=[(kind, counts[kind]) for kind in history_marks.KIND_WORDS if counts[kind]],
        kind_words=history_marks.KIND_WORDS, exceedances=sum(len(alarm.exceedances) for alarm in queue.alarms),
        legend=[(history_marks.part_mark(name), name) for name in history_marks.ADDING],
        taken_mark=history_marks.TAKEN_MARK, limit_mark=history_marks.LIMIT_MARK,
        measures=measures_of(queue.measures), most_alarms=most,
        rule_bar=history_marks.rule_bar, **(shell() | {"scripts": ()}),
    )  # fmt: skip


def render_alarm(one: ShownAlarm, *, drive_pages: Collection[str] = (), full: float | None = None) -> str:
    """The page behind an alarm as text."""
    alarm, shown = one.alarm, one.pictures
    trend = tones = viewer = None
    if shown is not None:
        keys = [key for key in alarm.pictures.series if key.drive == shown.tag]
        own = None if alarm.finding is None else alarm.finding.tone
        ahead = sorted(keys, key=lambda key: (key.subject != own, not said.belongs(key, alarm)))
        chosen = history_data.choices(shown.series, ahead)
        trend = trend_view(chosen, shown.events, alarm.exceedances, (alarm,))
        tones = tones_view(shown, (alarm.cause, *alarm.names))
        tone = None if alarm.finding is None else alarm.finding.tone
        viewer = viewer_view(shown, tone)
    return pages.render(
        "alarm.html.j2", alarm=alarm, sentence=_sentence(alarm), status_words=_STATUS,
        drives=[(tag, f"../{drive_page_name(tag)}" if tag in drive_pages else None) for tag in alarm.drives],
        bar=history_marks.urgency_bar(alarm.urgency, full or _full([alarm]), width=520, height=20),
        parts=[(part, history_marks.part_mark(part)) for part in alarm.urgency.parts],
        changed=[_changed(change) for change in alarm.changed], trend=trend, tones=tones, viewer=viewer,
        exceeded=[
            _exceeded(e, len(alarm.drives) > 1)
            for e in sorted(alarm.exceedances, key=lambda e: e.at, reverse=True)
        ],
        sisters=[
            {"drive": printable(s.drive), "name": f"{said.series_name(s.key)}, {said.place_name(s.key.point)}",
             "change": said.signed_db(s.change_db), "state": sentence_case(said.course(s.state))}
            for s in alarm.sisters
        ], **shell(),
    )  # fmt: skip


# ── a row ─────────────────────────────────────────────────────────────────────────────────────────────────────────


def _full(alarms: Sequence[Alarm]) -> float:
    """What fills a bar: the greatest urgency, or sum of parts that a factor took down, of the queue."""
    sums = [sum(part.amount for part in alarm.urgency.parts if part.how == "adds") for alarm in alarms]
    return max([*sums, *(alarm.urgency.total for alarm in alarms), 1.0])


def _row(
    alarm: Alarm, queue: Queue, shown: Mapping[str, ShownAlarm], drive_pages: Collection[str], full: float
) -> QueueRow:
    spark, name = _spark(alarm, shown.get(alarm.id))
    owners, of = _owners(alarm.changed)
    return QueueRow(
        alarm=alarm, drives=[(tag, drive_page_name(tag) if tag in drive_pages else None) for tag in alarm.drives],
        link=alarm_page_name(alarm.id) if alarm.id in shown else None, low=alarm.urgency.total < LOW,
        bar=history_marks.urgency_bar(alarm.urgency, full),
        parts=[(part, history_marks.part_mark(part)) for part in alarm.urgency.parts], summary=_summary(alarm),
        causes=_causes(alarm), owners=owners, of=of, spark=spark, spark_name=name,
        age=said.span_of((queue.at - alarm.since).total_seconds() / DAY_S),
    )  # fmt: skip


def _measured(queue: Queue) -> list[dict[str, Any]]:
    """When each drive was measured last, those that are overdue first."""

    def rhythm(one: DriveMeasured) -> str:
        if one.every_days is None:
            return "not known yet"
        return f"{'planned' if one.planned else 'usually'} every {one.every_days:.0f} days"

    rows = sorted(queue.drives, key=lambda one: (-(one.overdue_days or 0.0), one.measured_at or queue.at, one.drive))
    return [
        {
            "drive": printable(one.drive), "captures": one.captures,
            "last": "never" if one.measured_at is None else said.day(one.measured_at),
            "ago": "" if one.measured_at is None
            else said.span_of((queue.at - one.measured_at).total_seconds() / DAY_S),
            "accepted": "never" if one.accepted_at is None else said.day(one.accepted_at), "rhythm": rhythm(one),
            "overdue": "" if one.overdue_days is None else said.span_of(one.overdue_days),
        }
        for one in rows
    ]  # fmt: skip


def _sentence(alarm: Alarm) -> str:
    """Its sentence without the names of its drives, which stand next to it already."""
    text = said.plain(alarm.sentence)
    lead, _, rest = text.partition(": ")
    if rest and set(re.split(r", | and ", lead)) == set(alarm.drives):
        text = rest
    return sentence_case(re.sub(r"(?<!\.\w)\.;", ";", text))


def _summary(alarm: Alarm) -> str:
    """How sure and how bad, what moved most, and how long it may take."""
    if alarm.finding is None:
        return _sentence(alarm)
    found = alarm.finding
    text = f"{sentence_case(found.severity)}, probability {probability(found.probability)}, "
    text += f"seen in {found.seen_in} of the last {found.of} captures."
    own = [state for state in alarm.series if said.belongs(state.key, alarm) and state.change_db is not None]
    if own:
        most = max(own, key=lambda state: state.change_db or 0.0)
        text += f" Largest change: {_in_words(most.key)}, {said.signed_db(most.change_db)} since the baseline."
    growing = [state for state in own if state.state == "growing" and state.slope_db_per_month is not None]
    if growing:
        fast = max(growing, key=lambda state: state.slope_db_per_month or 0.0)
        where = "" if fast.key == most.key else f": {_in_words(fast.key)}"
        text += f" Grows by up to {number(fast.slope_db_per_month, 2)} dB a month{where}."
    return text


def _in_words(key: SeriesKey) -> str:
    parts = (said.measure_name(key.measure), said.subject_name(key.subject), printable(key.point))
    return ", ".join(part for part in parts if part)


def _causes(alarm: Alarm) -> str:
    """Load, speed, sensor, sisters and what else was weighed, in one sentence."""
    reasons: list[AlarmExplanation] = [one for one in alarm.explanations if one.words not in alarm.sentence]
    if reasons:
        return said.joined(said.plain(one.words) for one in reasons)
    if alarm.explanations or alarm.finding is None:
        return ""
    return "Neither load nor speed, sensor or sister drives explain it."


def _owners(changed: Sequence[PointChange]) -> tuple[list[dict[str, Any]], str]:
    """The owners that have most of the change at the point that changed most, and what they have it of."""
    if not changed:
        return [], ""
    most = max(changed, key=lambda change: abs(change.explanation.rise_db))
    parts = sorted(most.explanation.parts, key=lambda part: -abs(part.db))
    parts = [part for part in parts if abs(part.db) >= _LEAST_DB][:_OWNERS]
    if not parts:
        return [], ""
    name = sentence_case(said.measure_name(most.measure))
    of = f"{name}, {said.place_name(most.point)}: {said.signed_db(most.explanation.rise_db)}, of which"
    full = abs(parts[0].db)
    rows = [
        {"owner": said.subject_name(part.owner), "bar": history_marks.signed_bar(part.db, full),
         "db": said.signed_db(part.db)}
        for part in parts
    ]  # fmt: skip
    return rows, of


def _spark(alarm: Alarm, shown: ShownAlarm | None) -> tuple[Markup, str]:
    """The course of the series that moved most."""
    series = [] if shown is None or shown.pictures is None else list(shown.pictures.series)
    shown_keys = {state.key for state in alarm.series} | set(alarm.pictures.series)
    series = [one for one in series if one.series.key in shown_keys and one.series.value.size > 2]
    series = [one for one in series if said.belongs(one.series.key, alarm)] or series
    if not series:
        return Markup(""), ""
    most = max(series, key=history_data.grown)
    state = most.state
    limit = None if state is None else next((one.value for one in state.limits if one.kind == "alarm"), None)
    return history_marks.spark(most.series.time_s, most.series.value, limit), _in_words(most.series.key)


# ── the page of an alarm ──────────────────────────────────────────────────────────────────────────────────────────


def _changed(change: PointChange) -> dict[str, Any]:
    explanation = change.explanation
    parts = sorted(explanation.parts, key=lambda part: -abs(part.db))
    full = max((abs(part.db) for part in parts), default=1.0)
    return {
        "head": f"{sentence_case(said.place_name(change.point))}: {said.measure_name(change.measure)} "
        f"{said.signed_db(explanation.rise_db)} since the baseline",
        "rows": [
            {
                "owner": sentence_case(said.subject_name(part.owner)), "db": said.signed_db(part.db),
                "interval": said.interval(part.low_db, part.high_db).strip(" ()"),
                "bar": history_marks.signed_bar(part.db, full),
                "share": "" if part.share is None else f"{100 * part.share:.0f} %",
                "sure": "" if part.sure is None else probability(part.sure),
                "moved": abs(part.db) >= LEAST_DB,
            }
            for part in parts
        ],
        "causes": [said.plain(cause.sentence) for cause in explanation.causes],
    }  # fmt: skip


def _exceeded(e: Exceedance, several: bool) -> dict[str, str]:
    where = said.place_name(e.key.point) if e.key.point else ""
    if several:
        where = f"{printable(e.key.drive)}{', ' if where else ''}{where}"
    line = "" if e.line is None else f"line {e.line} of its file"
    return {
        "when": said.day(e.at), "what": said.series_name(e.key), "where": where,
        "value": said.with_unit(e.value, e.unit),
        "limit": "" if e.limit is None else said.with_unit(e.limit, e.unit), "rule": f"{e.source}: {e.kind}",
        "note": "; ".join(text for text in (line, printable(e.note)) if text),
        "change": "" if e.change_db is None else said.signed_db(e.change_db),
    }  # fmt: skip


# ── the queue itself ──────────────────────────────────────────────────────────────────────────────────────────────


def measures_of(measures: QueueMeasures) -> list[tuple[str, str, str]]:
    """Queue statistics: (name, value, note)."""
    share = measures.not_fault_share
    age = measures.median_age_days
    half = "" if age is None else f"half of them wait {said.span_of(age)} or less"
    return [
        ("Alarms", str(measures.alarms), f"{measures.waiting} waiting, {measures.quiet} quiet"),
        ("Decided", str(measures.decided), f"of {measures.alarms}"),
        ("Were no faults", "not known" if share is None else f"{100 * share:.0f} %", "of those decided"),
        ("Oldest that waits", said.span_of(measures.oldest_days), half),
        ("From alarm to decision", said.span_of(measures.median_days_to_decision), "median"),
    ]  # fmt: skip
