"""The queue of a store as rows of a list, and what the page behind each row shows; all in words and plain numbers."""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from math import prod
from typing import TYPE_CHECKING, Any

from vibe.core.records.case_row import CaseList, CaseRow, CaseShare
from vibe.core.records.history import REMARKS
from vibe.flow.cases.decide import seen_of
from vibe.health.alarms.case_state import CaseFacts, case_state, standing_decisions

if TYPE_CHECKING:
    from vibe.core.records.alarm_case import DriveCase
    from vibe.core.records.alarms import Alarm, Exceedance, LimitLine, LimitSource, PointChange, Queue, SeriesState
    from vibe.core.records.history import Decision, Series, SeriesKey, StoredDrive
    from vibe.health.state.settings import Judgement
    from vibe.history.limits import Limit
    from vibe.history.sister_book import Place
    from vibe.history.store.store import Store

_ADDING = ("severity", "growth", "rate", "time", "spare part")
"""Parts that add, in the order of a bar."""
_SHARES = 3
"""Owners that are named in a list: three fit on a line (our choice)."""
_LEAST_DB = 0.5
"""Owners that have less of a change are not named in a list."""
_COURSE = 40
"""Points of the small picture of a course."""
AGAIN = "measure again"
"""What is due where nobody decided and no work is pressing."""
_GRAVITY = {"act": 4, "plan": 3, "watch": 2, "unknown": 1, "sound": 0}


def case_row(
    alarm: Alarm, site: str, cases: Mapping[str, DriveCase], kept: Mapping[str, StoredDrive], store: Store,
    act_from: float, judgement: Judgement,
) -> CaseRow | None:  # fmt: skip
    """One alarm as a row of the list of ``site``; None where it is closed."""
    from vibe.report import history_words as said

    parts = alarm.urgency.parts
    adds = {part.name: part.amount for part in parts if part.how == "adds"}
    names = [*(name for name in _ADDING if name in adds), *(name for name in adds if name not in _ADDING)]
    change, shares = _shares(alarm.changed)
    course, course_of, limit_db = _course(alarm, store)
    case = cases.get(alarm.drive)
    measured = alarm.measured_at
    if alarm.state == "closed":
        return None
    state = _state(alarm, kept, act_from)
    due, due_is = _due(alarm, state, None if case is None else case.consequence, judgement)
    return CaseRow(
        site=site, id=alarm.id, drives=alarm.drives, name="" if case is None else case.name, kind=alarm.kind,
        list=_LIST[alarm.state],
        state=state, urgency=round(alarm.urgency.total, 2),
        parts=tuple((name, round(adds[name], 2)) for name in names),
        factor=round(prod(part.amount for part in parts if part.how == "multiplies"), 3),
        title=said.plain(title_of(alarm)), sentence=said.plain(sentence_of(alarm)), advice=said.plain(alarm.advice),
        due="" if due is None else due.date().isoformat(),
        measured="" if measured is None else measured.isoformat(), owner=owner_of(alarm.decisions),
        marks=_marks(alarm), since=alarm.since.isoformat(),
        opened=alarm.opened_at.isoformat(), severity="" if alarm.finding is None else alarm.finding.severity,
        sure="" if alarm.finding is None else _sure(alarm.finding.probability), why=_why(alarm), change=change,
        shares=shares, course=course, course_of=course_of, limit_db=limit_db,
        seen=seen_of(alarm.decisions, alarm.urgency.total, state), due_is=due_is,
    )  # fmt: skip


def _due(alarm: Alarm, state: str, consequence: str | None, judgement: Judgement) -> tuple[datetime | None, str]:
    """By when, and what: as decided, else as a drive's report has it in state act, else only another measurement."""
    if alarm.due is not None:
        return alarm.due, ""
    if state != "act" or alarm.measured_at is None:
        return alarm.look_again, "" if alarm.look_again is None else AGAIN
    return alarm.measured_at + timedelta(days=judgement.days_until("act", consequence)), ""


def owner_of(decisions: Sequence[Decision]) -> str:
    """Who has a case in hand: the last name that was put on record and not taken back."""
    back = {one.withdraws for one in decisions if one.withdraws is not None}
    named = [one.owner for one in decisions if one.owner and one.number not in back]
    return named[-1] if named else ""


_LIST: dict[str, CaseList] = {
    "new": "new", "back": "new", "overdue": "overdue", "blind": "blind", "in work": "work", "waiting": "waiting",
    "closed": "new",
}  # fmt: skip


def _marks(alarm: Alarm) -> tuple[str, ...]:
    """What stands in front of a title: that it came back, that its sensor clips, that nobody measured."""
    marks = ["back"] if alarm.state == "back" else []
    clips = [one for one in alarm.explanations if one.kind == "sensor" and "clip" in one.words]
    if clips and alarm.kind != "sensor":
        marks.append("now clips")
    if alarm.overdue_days is not None and alarm.kind != "not measured":
        marks.append("not measured")
    return tuple(marks)


def list_after(row: CaseRow, decisions: Sequence[Decision]) -> CaseList:
    """Where a case stands after a record of now: nothing new can have happened since."""
    held = standing_decisions(decisions)
    if not held:
        return row.list if row.list in ("new", "blind", "overdue") else "new"
    if decisions[-1].verdict in REMARKS:
        return row.list
    return _LIST[case_state(CaseFacts(at=decisions[-1].at, decisions=tuple(decisions)))[0]]


def title_of(alarm: Alarm) -> str:
    """The part first, so that a title which is cut off still names it."""
    from vibe.report.words import component, sentence_case

    if alarm.finding is None:
        return sentence_case(alarm.title)
    where = sentence_case(component(alarm.finding.component))
    return where if alarm.finding.defect.lower() in where.lower() else f"{where}: {alarm.finding.defect}"


def sentence_of(alarm: Alarm) -> str:
    """Its sentence without the names of its drives, which stand next to it already."""
    from vibe.report.words import sentence_case

    text = alarm.sentence
    for lead in (f"{', '.join(alarm.drives)}: ", f"{alarm.drive}: "):
        text = text.removeprefix(lead)
    return sentence_case(re.sub(r"(?<!\.\w)\.;", ";", text))


def _sure(probability: float) -> str:
    from vibe.report.words import probability as in_words

    return in_words(probability)


def _state(alarm: Alarm, kept: Mapping[str, StoredDrive], act_from: float) -> str:
    """The gravest of what its urgency and the last reports of its drives say; causes that are no fault have none."""
    if alarm.urgency.total >= act_from:
        return "act"
    if alarm.kind not in ("fault", "growth", "common"):
        return "watch"
    states = [kept[tag].state for tag in alarm.drives if tag in kept]
    worst = max(states, key=lambda state: _GRAVITY.get(state, 0), default="watch")
    return worst if _GRAVITY.get(worst, 0) >= _GRAVITY["watch"] else "watch"


def _why(alarm: Alarm) -> str:
    from vibe.report import history_words as said

    reasons = [one.words for one in alarm.explanations if one.weighs and one.words not in alarm.sentence]
    if reasons:
        return said.joined(said.plain(words) for words in reasons)
    if alarm.explanations or alarm.kind not in ("fault", "growth"):
        return ""
    return "Neither load nor speed, sensor nor sister drives explain it."


def _shares(changed: Sequence[PointChange]) -> tuple[str, tuple[CaseShare, ...]]:
    """What changed most, and the owners that have most of it."""
    from vibe.report import history_words as said
    from vibe.report.words import sentence_case

    if not changed:
        return "", ()
    most = max(changed, key=lambda change: abs(change.explanation.rise_db))
    parts = sorted(most.explanation.parts, key=lambda part: -abs(part.db))
    name = f"{sentence_case(said.measure_name(most.measure))}, {said.place_name(most.point)}"
    return f"{name}: {said.signed_db(most.explanation.rise_db)}", tuple(
        CaseShare(owner=sentence_case(said.subject_name(part.owner)), db=round(part.db, 2), share=part.share)
        for part in parts if abs(part.db) >= _LEAST_DB
    )[:_SHARES]  # fmt: skip


def _course_of(alarm: Alarm) -> SeriesState | None:
    """The series of the alarm that changed most."""
    from vibe.report import history_words as said

    # What is counted in dB may be below nothing; a share of a level too, by chance, from which no dB are counted.
    known = [
        s for s in alarm.series
        if s.change_db is not None and s.usual is not None and (s.usual > 0 or s.unit == "dB")
    ]  # fmt: skip
    own = [s for s in known if said.belongs(s.key, alarm)] or known
    return max(own, key=lambda s: s.change_db or 0.0) if own else None


def _course(alarm: Alarm, store: Store) -> tuple[tuple[float, ...], str, float | None]:
    """The course of the series that changed most, dB over what is usual; its name; its alarm limit."""
    from vibe.report import history_words as said

    most = _course_of(alarm)
    if most is None:
        return (), "", None
    points = [
        _over(value, most.usual, most.unit) for value, accepted in zip(*_values(store.series(most.key)), strict=True)
        if accepted and (value > 0 or most.unit == "dB")
    ]  # fmt: skip
    limit_db = _limit_over([line.value for line in most.limits if line.kind == "alarm"], most.usual, most.unit)
    return tuple(round(v, 2) for v in _thinned(points)), said.series_name(most.key), limit_db


def _over(value: float, usual: float | None, unit: str) -> float:
    from vibe.history.baseline import level_db

    return float(level_db(value, unit) - level_db(usual or 1.0, unit))


def _limit_over(alarms: Iterable[float], usual: float | None, unit: str) -> float | None:
    """The first alarm limit [dB over what is usual]."""
    limit = next((value for value in alarms if value > 0 or unit == "dB"), None)
    return None if limit is None else round(_over(limit, usual, unit), 2)


def _values(series: Series) -> tuple[list[float], list[bool]]:
    return series.value.tolist(), series.accepted.tolist()


def _thinned(values: Sequence[float]) -> list[float]:
    """At most so many, evenly, the last one among them."""
    if len(values) <= _COURSE:
        return list(values)
    return [values[round(i * (len(values) - 1) / (_COURSE - 1))] for i in range(_COURSE)]


# ── what the page behind a row shows ──────────────────────────────────────────────────────────────────────────────


def case_detail(alarm: Alarm, case: DriveCase | None) -> dict[str, Any]:
    """All that the page of a case shows of its judgement, as JSON keeps it."""
    from vibe.flow.alarms.files import facts_of
    from vibe.report import history_words as said
    from vibe.report.words import printable

    facts = facts_of(alarm, None, ("store",), alarm.series)
    course = _course_of(alarm)
    # First what the row shows, then what belongs to its part: no other part's picture under its name.
    own = sorted((s.key for s in alarm.series), key=lambda key: not said.belongs(key, alarm))
    keys = dict.fromkeys(
        key for key in (*([] if course is None else [course.key]), *own, *alarm.pictures.series)
        if key.drive == alarm.drive
    )  # fmt: skip
    shown = [s for s in (case.series if case is not None else alarm.series) if s.key in keys]
    return {
        "drive": alarm.drive, "cause": alarm.cause, "opened": alarm.opened_at.isoformat(), "facts": facts,
        "stood": {name: facts.get(name) for name in ("levels", "component", "severity", "captures", "urgency")},
        "parts": [
            {"name": part.name, "weight": said.weight(part), "because": said.plain(part.because),
             "none": part.how == "adds" and part.amount == 0}
            for part in alarm.urgency.parts
        ],
        "changed": [_changed(change) for change in alarm.changed],
        "explanations": [
            {"kind": one.kind, "words": said.plain(one.words), "weighs": one.weighs} for one in alarm.explanations
        ],
        "series": [_series(key) for key in keys],
        "before": alarm.pictures.before, "now": alarm.pictures.now,
        "tone": None if alarm.finding is None else alarm.finding.tone,
        "component": None if alarm.finding is None else alarm.finding.component,
        "names": list(alarm.names),
        "point": _point(alarm, case),
        "sisters": [
            {"drive": s.drive, "series": f"{said.series_name(s.key)}, {said.place_name(s.key.point)}",
             "change": said.signed_db(s.change_db), "course": said.course(s.state)}
            for s in alarm.sisters
        ],
        "limits": {_series_id(s.key): [_limit(line) for line in s.limits] for s in shown},
        "usual": {_series_id(s.key): s.usual for s in shown},
        "course": None if course is None else {
            "drive": course.key.drive, "series": _series_id(course.key), "unit": course.unit, "usual": course.usual,
            "alarms": [[line.source, line.value] for line in course.limits if line.kind == "alarm"],
        },
        "exceeded": _kinds(alarm.exceedances),
        "status": printable(alarm.status_why),
    }  # fmt: skip


def _limit(line: LimitLine | Limit) -> dict[str, Any]:
    from vibe.report import history_words as said

    return {"kind": line.kind, "value": line.value, "source": line.source, "because": said.plain(line.because)}


_SISTERS: LimitSource = "sister drives"


def with_sister_limits(
    row: CaseRow, detail: Mapping[str, Any], limits: Mapping[str, Mapping[Place, Sequence[Limit]]]
) -> tuple[CaseRow, dict[str, Any]] | None:
    """A row and the facts behind it with other limits from sister drives, by drive and series; None where it shows none
    of them. They must raise nothing, nor those before."""
    changed, lines = dict(detail), dict(detail["limits"])
    for (point, measure, subject), found in limits.get(row.drives[0], {}).items():
        name = "|".join((point, measure, subject))
        if name in lines:
            lines[name] = [*(one for one in lines[name] if one["source"] != _SISTERS), *map(_limit, found)]
    changed["limits"] = lines
    course = detail["course"]
    if course is not None:
        point, measure, subject = course["series"].split("|")
        at = limits.get(course["drive"], {}).get((point, measure, subject))
        if at is not None:
            alarms = [one for one in course["alarms"] if one[0] != _SISTERS]
            alarms += [[_SISTERS, line.value] for line in at if line.kind == "alarm"]
            changed["course"] = {**course, "alarms": alarms}
            over = _limit_over([value for _, value in alarms], course["usual"], course["unit"])
            row = replace(row, limit_db=over)
    return None if changed == detail else (row, changed)


def _series_id(key: SeriesKey) -> str:
    return "|".join((key.point, key.measure, key.subject))


def _series(key: SeriesKey) -> dict[str, str]:
    from vibe.report import history_words as said

    return {"id": _series_id(key), "name": f"{said.series_name(key)}, {said.place_name(key.point)}"}


def _point(alarm: Alarm, case: DriveCase | None) -> str:
    """The point whose pictures come first: where a finding was seen, for its sentence speaks of that one; else where
    most of the change or of the exceedances is."""
    seen = alarm.finding
    if seen is not None and case is not None:
        found = (f for c in case.captures if c.content == seen.content for f in c.findings)
        points = next((f.points for f in found if (f.tone, f.component) == (seen.tone, seen.component)), ())
        if points:
            return points[0]
    if alarm.changed:
        return max(alarm.changed, key=lambda change: abs(change.explanation.rise_db)).point
    counted: dict[str, int] = defaultdict(int)
    for one in alarm.exceedances:
        counted[one.key.point] += bool(one.key.point)
    return max(counted, key=lambda point: counted[point], default="")


def _changed(change: PointChange) -> dict[str, Any]:
    from vibe.report import history_words as said
    from vibe.report.words import probability, sentence_case

    explanation = change.explanation
    parts = sorted(explanation.parts, key=lambda part: -abs(part.db))
    return {
        "head": f"{sentence_case(said.measure_name(change.measure))}, {said.place_name(change.point)}: "
        f"{said.signed_db(explanation.rise_db)}",
        "rows": [
            {"owner": sentence_case(said.subject_name(part.owner)), "db": part.db,
             "share": None if part.share is None else round(100 * part.share),
             "sure": "" if part.sure is None else probability(part.sure)}
            for part in parts if abs(part.db) >= 0.1
        ],
        "causes": [said.plain(cause.sentence) for cause in explanation.causes],
    }  # fmt: skip


def _kinds(exceedances: Sequence[Exceedance]) -> list[dict[str, Any]]:
    """Exceedances of one limit of one series as one line with a count."""
    from vibe.report import history_words as said
    from vibe.report.words import printable

    groups: dict[tuple[SeriesKey, str, str], list[Exceedance]] = {}
    for one in exceedances:
        groups.setdefault((one.key, one.source, one.kind), []).append(one)
    rows = []
    for (key, source, kind), found in groups.items():
        found = sorted(found, key=lambda e: e.at)
        most = max(found, key=lambda e: e.value)
        rows.append(
            {"series": f"{said.series_name(key)}, {said.place_name(key.point)}", "drive": printable(key.drive),
             "times": len(found), "first": found[0].at.isoformat(), "last": found[-1].at.isoformat(),
             "most": said.with_unit(most.value, most.unit),
             "limit": "" if most.limit is None else said.with_unit(most.limit, most.unit),
             "rule": f"{source}: {kind}",
             "change": "" if found[-1].change_db is None else said.signed_db(found[-1].change_db)}
        )  # fmt: skip
    return sorted(rows, key=lambda row: -int(row["times"]))


def rows_of(queue: Queue, site: str, cases: Sequence[DriveCase], store: Store, act_from: float) -> list[CaseRow]:
    """All open alarms of a queue as rows."""
    from vibe.flow.settings import load_settings

    judgement = load_settings().judgement
    by_tag = {case.tag: case for case in cases}
    kept = {drive.tag: drive for drive in store.drives()}
    rows = (case_row(alarm, site, by_tag, kept, store, act_from, judgement) for alarm in queue.alarms)
    return [row for row in rows if row is not None]
