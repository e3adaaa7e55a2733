"""The queue: causes of all drives, each with its urgency, what explains it and what was decided, most urgent first."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from datetime import datetime, timedelta

from vibe.core.health import Severity
from vibe.core.records.alarm_case import DriveCase, Memory
from vibe.core.records.alarms import (
    Alarm,
    AlarmExplanation,
    LeftOut,
    Pictures,
    Queue,
    SeenFinding,
    SeriesState,
    SisterState,
)
from vibe.health.alarms.cause_names import alarm_id, owner_of
from vibe.health.alarms.causes import CauseDraft, causes_of
from vibe.health.alarms.queue_statistics import measures
from vibe.health.alarms.settings import AlarmRules
from vibe.health.alarms.suppression import standing
from vibe.health.alarms.urgency import urgency
from vibe.health.state.finding_names import part_in_words

_SHARED = ("growth", "load or speed")


def queue_of(
    cases: Sequence[DriveCase],
    memories: Sequence[Memory],
    rules: AlarmRules,
    at: datetime,
    *,
    unmatched: Iterable[LeftOut] = (),
    bad: Iterable[LeftOut] = (),
    matched: int = 0,
    remarks: Iterable[str] = (),
) -> Queue:
    """All alarms of all drives. ``memories`` are the alarms that the store knows, with their decisions."""
    rows = [(case, cause) for case in cases for cause in causes_of(case, rules)]
    alarms = [_alarm(group, memories, rules, at) for group in _shared(rows, rules)]
    # What cannot be distinguished by urgency alone keeps its place: more rows, then the name.
    alarms.sort(key=lambda a: (a.status == "quiet", -a.urgency.total, -len(a.exceedances), a.id))
    return Queue(
        at=at, alarms=tuple(alarms), unmatched=tuple(unmatched), bad=tuple(bad), matched=matched,
        remarks=tuple(remarks), measures=measures(alarms, memories, at),
    )  # fmt: skip


def _shared(
    rows: Sequence[tuple[DriveCase, CauseDraft]], rules: AlarmRules
) -> list[list[tuple[DriveCase, CauseDraft]]]:
    """Causes that several drives share become one row: sisters that grow together, drives whose load moved together."""
    within = timedelta(days=rules.group.common_within_days)
    groups: list[list[tuple[DriveCase, CauseDraft]]] = []
    for case, cause in rows:
        home = None
        if cause.kind in _SHARED:
            home = next(
                (
                    group for group in groups
                    if group[0][1].kind == cause.kind
                    and all(case.tag != other.tag for other, _ in group)
                    and (cause.kind == "load or speed" or (case.kind and case.kind == group[0][0].kind))
                    and abs(_began(case, cause) - _began(*group[0])) <= within
                ),
                None,
            )  # fmt: skip
        groups.append([(case, cause)]) if home is None else home.append((case, cause))
    return groups


def _began(case: DriveCase, cause: CauseDraft) -> datetime:
    """When the change behind a cause began, as far as a trend tells."""
    keys = {e.key for e in cause.exceedances}
    return min((s.since for s in case.series if s.key in keys and s.since is not None), default=cause.first)


def _alarm(
    group: Sequence[tuple[DriveCase, CauseDraft]], memories: Sequence[Memory], rules: AlarmRules, at: datetime
) -> Alarm:
    case, cause = group[0]
    drives = tuple(one.tag for one, _ in group)
    exceedances = tuple(sorted((e for _, c in group for e in c.exceedances), key=lambda e: (e.at, e.key), reverse=True))
    reasons = [one for _, c in group for one in c.explanations]
    kind = cause.kind
    if len(group) > 1 and kind == "growth":
        kind = "common"
        reasons.append(
            AlarmExplanation(kind="sisters", words=f"{' and '.join(drives)} are of one kind and changed together")
        )
    series = tuple(s for one, c in group for s in _series_of(one, c, rules))
    sisters = tuple(s for one, _ in group for s in _sisters_of(one, series))
    reasons += _sister_explanations(series, sisters, rules) if len(group) == 1 and kind in ("fault", "growth") else []
    reasons += _event_explanations(case, cause)
    # A row that another drive joins stays the row it was.
    known = [found for one, c in group if (found := _remembered(one, c, memories)) is not None]
    memory = min(known, key=lambda found: found.opened_at, default=None)
    name = memory.id if memory is not None else alarm_id(case.tag, cause.cause, case.epoch)
    title, sentence, advice = _words(cause, kind, drives, exceedances)
    finding = _lifted(cause, series, rules)
    status, why = standing(memory, finding, series, at, rules)
    weighing = _weighing(cause, series, rules) if kind in ("fault", "growth", "common") else ()
    return Alarm(
        id=name, drives=drives, epoch=case.epoch, kind=kind, cause=cause.cause,
        names=tuple(sorted(cause.names)), title=title, sentence=sentence, advice=advice,
        urgency=urgency(
            finding=finding, exceedances=exceedances, series=weighing, explanations=reasons,
            consequence=case.consequence, spare_lead_days=case.spare_lead_days, rules=rules,
        ),
        status=status, status_why=why, since=min(c.first for _, c in group),
        opened_at=at if memory is None else memory.opened_at, finding=finding, exceedances=exceedances,
        changed=case.changed, explanations=tuple(reasons), sisters=sisters, series=series,
        pictures=Pictures(
            before=case.before, now=_now(case, cause), series=tuple(s.key for s in series), events=case.events
        ),
        decisions=() if memory is None else memory.decisions,
    )  # fmt: skip


def _weighing(cause: CauseDraft, series: Sequence[SeriesState], rules: AlarmRules) -> tuple[SeriesState, ...]:
    """Series whose growth counts: amplitudes of levels and of the part itself; impacts leave traces at other tones
    too."""
    found = tuple(s for s in series if s.key.measure in rules.growth.measures)
    if cause.finding is None:
        return found
    own = owner_of(cause.finding.component)
    return tuple(s for s in found if not s.key.subject or owner_of(s.key.subject) == own)


def _lifted(cause: CauseDraft, series: Sequence[SeriesState], rules: AlarmRules) -> SeenFinding | None:
    """The finding, as severe as the growth of its own part says where that is more than its capture alone knew."""
    finding = cause.finding
    if finding is None:
        return None
    grown = max(
        (s.change_db for s in _weighing(cause, series, rules) if s.key.subject and s.change_db is not None), default=0.0
    )
    by_growth: Severity = (
        "severe" if grown >= rules.severity.growth_severe_db
        else "moderate" if grown >= rules.severity.growth_moderate_db else "slight"
    )  # fmt: skip
    rank = {"slight": 0, "moderate": 1, "severe": 2}
    return finding if rank[by_growth] <= rank[finding.severity] else replace(finding, severity=by_growth)


def _now(case: DriveCase, cause: CauseDraft) -> str | None:
    """The capture to show: where the sensor failed or what was is over, the one that concerns it."""
    if cause.kind in ("sensor", "repaired", "scatter"):
        reasons = [e.content for e in sorted(cause.exceedances, key=lambda e: e.at, reverse=True) if e.content]
        return reasons[0] if reasons else case.now
    return case.now


def _remembered(case: DriveCase, cause: CauseDraft, memories: Sequence[Memory]) -> Memory | None:
    """The alarm that this was before: of the same name, else a fault of the same time at a part of kin."""
    own = alarm_id(case.tag, cause.cause, case.epoch)
    for memory in memories:
        if memory.id == own:
            return memory
    if cause.finding is None:
        return None
    epoch = None if case.epoch is None else case.epoch.isoformat()
    parts = {owner_of(cause.finding.component)}
    for memory in memories:
        facts = memory.facts
        if memory.drive == case.tag and facts.get("kind") == "fault" and facts.get("epoch") == epoch:
            before = facts.get("component")
            if before is not None and owner_of(str(before)) in cause.names and parts & set(facts.get("names", ())):
                return memory
    return None


def _series_of(case: DriveCase, cause: CauseDraft, rules: AlarmRules) -> tuple[SeriesState, ...]:
    """The series that a cause rests on: those that exceeded, and those of its part; the most changed first."""
    keys = {e.key for e in cause.exceedances}
    own = owner_of(cause.finding.component) if cause.finding is not None else None
    found = [s for s in case.series if s.key in keys or (own and s.key.subject and owner_of(s.key.subject) == own)]
    found.sort(key=lambda s: (s.change_db is None, -(s.change_db or 0.0), s.key))
    return tuple(found[: rules.queue.series_shown])


def _sisters_of(case: DriveCase, series: Sequence[SeriesState]) -> tuple[SisterState, ...]:
    wanted = {(s.key.point, s.key.measure, s.key.subject) for s in series}
    return tuple(s for s in case.sisters if (s.key.point, s.key.measure, s.key.subject) in wanted)


def _sister_explanations(
    series: Sequence[SeriesState], sisters: Sequence[SisterState], rules: AlarmRules
) -> list[AlarmExplanation]:
    """Whether sister drives changed too, judged on the series that changed most and that a sister has as well."""
    for one in series:
        alike = [
            s for s in sisters
            if (s.key.point, s.key.measure, s.key.subject) == (one.key.point, one.key.measure, one.key.subject)
            and s.change_db is not None
        ]  # fmt: skip
        if one.change_db is None or one.change_db < rules.group.explains_from_db or not alike:
            continue
        risen = [s for s in alike if (s.change_db or 0.0) >= rules.group.explains_share * one.change_db]
        rows = ", ".join(f"{s.drive} {s.change_db:+.1f} dB" for s in alike)
        if len(risen) == len(alike):
            return [
                AlarmExplanation(
                    kind="sisters", words=f"all sisters changed with it ({rows}): look for what they share"
                )
            ]
        return [AlarmExplanation(kind="sisters", words=f"sisters did not change with it ({rows})", weighs=False)]
    return []


def _event_explanations(case: DriveCase, cause: CauseDraft) -> list[AlarmExplanation]:
    if cause.kind not in ("fault", "growth"):
        return []
    done = [event for event in case.events if event.at >= cause.first and not event.new_baseline]
    return [
        AlarmExplanation(
            kind="event",
            weighs=False,
            words=": ".join(
                text for text in (f"{event.kind} on {event.at:%Y-%m-%d} did not end it", event.note) if text
            ),
        )
        for event in done[-1:]
    ]


def _words(cause: CauseDraft, kind: str, drives: Sequence[str], exceedances: Sequence[object]) -> tuple[str, str, str]:
    """Title, one sentence, what to do."""
    who = " and ".join(drives)
    rows = "1 exceedance" if len(exceedances) == 1 else f"{len(exceedances)} exceedances"
    reasons = "; ".join(one.words for one in cause.explanations)
    if cause.finding is not None:
        finding = cause.finding
        title = f"{finding.defect}: {part_in_words(finding.component)}"
        return (
            title,
            f"{who}: {finding.why or title}; {rows} of this cause since {cause.first:%Y-%m-%d}.",
            finding.advice,
        )
    if kind in ("growth", "common"):
        title = "levels grew, and no finding says why" if kind == "growth" else "sister drives changed together"
        return (
            title,
            f"{who}: {rows} since {cause.first:%Y-%m-%d}{'; ' + reasons if reasons else ''}.",
            "Repeat the measurement at the same speed and load, and compare.",
        )
    title = {
        "load or speed": "explained by load or speed",
        "sensor": f"sensor fault: {cause.cause.removeprefix('sensor').strip()}",
        "repaired": "before the latest repair",
        "scatter": "usual scatter, or it did not last",
    }[kind]
    advice = {
        "load or speed": "Nothing at the drive; compare at like load, and set limits per condition.",
        "sensor": "Check sensor, mount and cable, then repeat the measurement: this point says nothing of the drive.",
        "repaired": "Nothing, while the levels stay as they are since.",
        "scatter": "Nothing at the drive; the limit may be too tight.",
    }[kind]
    return title, f"{who}: {rows}; {reasons}.", advice


def forgotten(queue: Queue, cases: Sequence[DriveCase]) -> int:
    """How many exceedances are in no row; never anything but 0, and a test says so."""
    return sum(len(case.exceedances) for case in cases) - sum(len(alarm.exceedances) for alarm in queue.alarms)


def needs_action(queue: Queue, rules: AlarmRules) -> bool:
    """Whether some row that is not quiet is urgent enough to be acted on."""
    return any(a.status != "quiet" and a.urgency.total >= rules.queue.act_from for a in queue.alarms)


def quieted(alarm: Alarm, memory: Memory, rules: AlarmRules, at: datetime) -> Alarm:
    """An alarm after a decision was added to what is remembered of it."""
    status, why = standing(memory, alarm.finding, alarm.series, at, rules)
    return replace(alarm, status=status, status_why=why, decisions=memory.decisions)
