"""The queue: causes of all drives, each with its urgency, what explains it and what was decided, most urgent first."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from datetime import datetime, timedelta

from vibe.core.health import GRAVITY, Severity
from vibe.core.records.alarm_case import DriveCase, Memory
from vibe.core.records.alarms import (
    Alarm,
    AlarmExplanation,
    CauseMark,
    DriveMeasured,
    LeftOut,
    Pictures,
    Queue,
    SeenFinding,
    SeriesState,
    SisterState,
)
from vibe.health.alarms.case_state import standing_decisions, status_of
from vibe.health.alarms.cause_names import alarm_id, owner_of
from vibe.health.alarms.causes import CauseDraft, causes_of, every_so_often, overdue_days
from vibe.health.alarms.queue_statistics import measures
from vibe.health.alarms.settings import AlarmRules
from vibe.health.alarms.shared_cases import LIKELY, REPAIRS, kept_in_work, shared_faults, shared_part, unfinished
from vibe.health.alarms.suppression import standing
from vibe.health.alarms.urgency import urgency
from vibe.health.state.finding_names import part_in_words

_SHARED = ("growth", "load or speed", "not measured")
_ANY_KIND = ("load or speed", "not measured")


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
    known = KnownAlarms(memories)
    alarms = [_alarm(group, known, rules, at) for group in _shared(rows, rules)]
    by_tag = {case.tag: case for case in cases}
    alarms += shared_faults(alarms, by_tag, known.by_id, at)
    alarms += kept_in_work(alarms, by_tag, memories, at)
    # What cannot be distinguished by urgency alone keeps its place: more rows, then the name.
    alarms.sort(key=lambda a: (a.status == "quiet", -a.urgency.total, -len(a.exceedances), a.id))
    drives = tuple(_measured(case, at, rules) for case in cases)
    return Queue(
        at=at, alarms=tuple(alarms), unmatched=tuple(unmatched), bad=tuple(bad), matched=matched,
        remarks=tuple(remarks), measures=measures(alarms, memories, at),
        latest=max((d.measured_at for d in drives if d.measured_at is not None), default=None), drives=drives,
        marks=tuple(_mark(case, cause) for case, cause in rows),
    )  # fmt: skip


def _mark(case: DriveCase, cause: CauseDraft) -> CauseMark:
    part = ""
    if cause.kind == "fault" and cause.finding is not None and cause.finding.probability >= LIKELY:
        part = shared_part(cause.finding)
    return CauseMark(drive=case.tag, drive_kind=case.kind, kind=cause.kind, began=_began(case, cause), part=part)


def may_be_joined(one: CauseMark, other: CauseMark, rules: AlarmRules) -> bool:
    """Whether causes of two drives may be in one row, or have a row in common; with others in between perhaps."""
    if one.kind != other.kind:
        return False
    if one.kind == "fault":
        return bool(one.part) and bool(one.drive_kind) and (one.drive_kind, one.part) == (other.drive_kind, other.part)
    if one.kind not in _SHARED or abs(one.began - other.began) > timedelta(days=rules.group.common_within_days):
        return False
    return one.kind in _ANY_KIND or (bool(one.drive_kind) and one.drive_kind == other.drive_kind)


class KnownAlarms:
    """The alarms that a store knows, by id and by drive."""

    def __init__(self, memories: Sequence[Memory]) -> None:
        self.by_id = {memory.id: memory for memory in memories}
        self.by_drive: dict[str, list[Memory]] = {}
        for memory in memories:
            self.by_drive.setdefault(memory.drive, []).append(memory)


def _measured(case: DriveCase, at: datetime, rules: AlarmRules) -> DriveMeasured:
    last = case.captures[-1].at if case.captures else None
    return DriveMeasured(
        drive=case.tag, kind=case.kind, captures=len(case.captures), measured_at=last, accepted_at=_accepted(case),
        every_days=case.every_days, planned=case.planned,
        overdue_days=None if last is None else overdue_days(last, case.every_days, case.planned, at, rules),
    )  # fmt: skip


def _accepted(case: DriveCase) -> datetime | None:
    return next((c.at for c in reversed(case.captures) if c.accepted), None)


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
                    and (cause.kind in _ANY_KIND or (case.kind and case.kind == group[0][0].kind))
                    and abs(_began(case, cause) - _began(*group[0])) <= within
                ),
                None,
            )  # fmt: skip
        groups.append([(case, cause)]) if home is None else home.append((case, cause))
    return groups


def _began(case: DriveCase, cause: CauseDraft) -> datetime:
    """When the change behind a cause began, as far as a trend shows."""
    keys = {e.key for e in cause.exceedances}
    return min((s.since for s in case.series if s.key in keys and s.since is not None), default=cause.first)


def _alarm(group: Sequence[tuple[DriveCase, CauseDraft]], known: KnownAlarms, rules: AlarmRules, at: datetime) -> Alarm:
    case, cause = group[0]
    drives = tuple(one.tag for one, _ in group)
    exceedances = tuple(sorted((e for _, c in group for e in c.exceedances), key=lambda e: (e.at, e.key), reverse=True))
    reasons = [one for _, c in group for one in c.explanations]
    kind = cause.kind
    if len(group) > 1 and kind == "not measured":
        reasons = [_not_measured([one for one, _ in group], at)]
    if len(group) > 1 and kind == "growth":
        kind = "common"
        reasons.append(
            AlarmExplanation(
                kind="sisters",
                words=f"{' and '.join(drives)} are of one kind and changed together",
                weighs=len(group) > rules.group.fewest_sisters,
            )
        )
    series = tuple(s for one, c in group for s in _series_of(one, c, rules))
    sisters = tuple(s for one, _ in group for s in _sisters_of(one, series[:SISTERS_OF])) if cause.exceedances else ()
    have, rose, by_sisters = _sister_explanations(series, cause, rules)
    reasons += by_sisters if len(group) == 1 and kind in ("fault", "growth") else []
    reasons += _event_explanations(case, cause)
    # A row that another drive joins stays the row it was.
    remembered = [found for one, c in group if (found := _remembered(one, c, known)) is not None]
    memory = min(remembered, key=lambda found: found.opened_at, default=None)
    name = memory.id if memory is not None else alarm_id(case.tag, cause.cause, case.epoch)
    title, sentence, advice = _words(cause, kind, drives, exceedances, reasons)
    if cause.retake:
        advice = f"{cause.retake}. {advice}".strip()
    finding, now = _lifted(cause, series, rules), _now(case, cause)
    weighing = _weighing(cause, series, rules) if kind in ("fault", "growth", "common") else ()
    since = min(_began(one, c) if c.kind == "growth" else c.first for one, c in group)
    stalest = min((one for one, _ in group), key=lambda one: one.captures[-1].at if one.captures else at)
    last = _measured(stalest, at, rules)
    state, why = standing(
        memory, finding, series, at, rules, repaired_at=_repaired(case), seen_at=_seen_at(cause),
        measured_at=_accepted(case), blind=_blind(case, kind), missed=last.overdue_days is not None,
    )  # fmt: skip
    unseen = reasons[0].words if kind in ("not measured", "not judged") else ""
    decisions = () if memory is None else memory.decisions
    held = standing_decisions(decisions)
    return Alarm(
        id=name, drives=drives, epoch=case.epoch, kind=kind, cause=cause.cause,
        names=tuple(sorted(cause.names)), title=title, sentence=sentence, advice=advice,
        urgency=urgency(
            finding=finding, exceedances=exceedances, series=weighing, explanations=reasons,
            consequence=case.consequence, spare_lead_days=case.spare_lead_days, rules=rules, unseen=unseen,
        ),
        status=status_of(state, decisions), status_why=why, since=since,
        opened_at=_opened(stalest, since, at) if memory is None else memory.opened_at,
        finding=finding, exceedances=exceedances,
        changed=case.changed, explanations=tuple(reasons), sisters=sisters, series=series,
        pictures=Pictures(
            before=_before(case, now), now=now, series=tuple(s.key for s in series), events=case.events
        ),
        decisions=decisions, state=state,
        owner=held[-1].owner if held else "", due=held[-1].ask_again if held else None,
        work_order=held[-1].work_order if held else "", look_again=_look_again(case, cause, weighing, rules),
        measured_at=last.measured_at, accepted_at=last.accepted_at, overdue_days=last.overdue_days,
        sisters_have=have, sisters_rose=rose,
    )  # fmt: skip


SISTERS_OF = 2
"""Series for which sister drives are named: those that changed most."""


def _not_measured(cases: Sequence[DriveCase], at: datetime) -> AlarmExplanation:
    """Drives of one round that nobody measured since, in one sentence."""
    last = max(case.captures[-1].at for case in cases)
    rhythm = every_so_often([case.every_days for case in cases if case.every_days is not None])
    words = f"{len(cases)} drives were not measured for {(at - last).days} days, otherwise {rhythm}; "
    return AlarmExplanation(kind="event", words=f"{words}the last capture is of {last:%Y-%m-%d}", weighs=False)


def _repaired(case: DriveCase) -> datetime | None:
    return max((event.at for event in case.events if event.kind in REPAIRS), default=None)


def _seen_at(cause: CauseDraft) -> datetime | None:
    times = [e.at for e in cause.exceedances]
    return max(times) if times else None


def _blind(case: DriveCase, kind: str) -> bool:
    return kind == "not judged" or (kind == "sensor" and bool(case.recent) and not case.recent[-1].judged)


def _opened(case: DriveCase, since: datetime, at: datetime) -> datetime:
    """When the store could first have shown it: with the capture in which it began, once that was added. A look at a
    time before that takes it for added when it was measured."""
    first = next((c for c in case.captures if c.at >= since), None)
    if first is None:
        return at
    return first.added_at if first.added_at is not None and first.at <= first.added_at <= at else first.at


def _look_again(
    case: DriveCase, cause: CauseDraft, series: Sequence[SeriesState], rules: AlarmRules
) -> datetime | None:
    """By when to measure again; None where nothing asks for it sooner than usual."""
    if not case.captures:
        return None
    last = case.captures[-1].at
    if cause.retake:
        return last + timedelta(days=rules.unseen.retake_days)
    if not any(s.state in ("growing", "stepped up") for s in series):
        return None
    days = rules.unseen.latest_days
    if case.every_days is not None:
        days = min(max(rules.unseen.sooner * case.every_days, min(case.every_days, rules.unseen.retake_days)), days)
    return last + timedelta(days=days)


def _weighing(cause: CauseDraft, series: Sequence[SeriesState], rules: AlarmRules) -> tuple[SeriesState, ...]:
    """Series whose growth counts: amplitudes of levels and of the part itself; impacts leave traces at other tones
    too."""
    found = tuple(s for s in series if s.key.measure in rules.growth.measures)
    if cause.finding is None:
        return found
    # Of several tones of one part the one that was found, where it can be compared: one page, one series.
    tone = cause.finding.tone
    if any(s.key.subject == tone and s.change_db is not None for s in found):
        return tuple(s for s in found if s.key.subject in ("", tone))
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
    return finding if GRAVITY[by_growth] <= GRAVITY[finding.severity] else replace(finding, severity=by_growth)


def _now(case: DriveCase, cause: CauseDraft) -> str | None:
    """The capture to show: where the sensor failed or what was is over, the one that concerns it."""
    if cause.kind in ("sensor", "repaired", "scatter"):
        reasons = [e.content for e in sorted(cause.exceedances, key=lambda e: e.at, reverse=True) if e.content]
        return reasons[0] if reasons else case.now
    return case.now


def _before(case: DriveCase, now: str | None) -> str | None:
    """The older capture to compare it with: the one of the baseline that is alike, else the first accepted."""
    times = {c.content: c.at for c in case.captures}
    if now is None or now not in times:
        return case.before
    if case.before is not None and times.get(case.before, times[now]) < times[now]:
        return case.before
    return next((c.content for c in case.captures if c.accepted and c.at < times[now]), None)


def _remembered(case: DriveCase, cause: CauseDraft, known: KnownAlarms) -> Memory | None:
    """The alarm that this was before: of the same name, else a fault of the same time at a part of kin."""
    own = alarm_id(case.tag, cause.cause, case.epoch)
    if own in known.by_id:
        return known.by_id[own]
    if cause.finding is None:
        return None
    epoch = None if case.epoch is None else case.epoch.isoformat()
    parts = {owner_of(cause.finding.component)}
    for memory in known.by_drive.get(case.tag, ()):
        facts = memory.facts
        if facts.get("kind") == "fault" and (facts.get("epoch") == epoch or unfinished(memory, case)):
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
    series: Sequence[SeriesState], cause: CauseDraft, rules: AlarmRules
) -> tuple[int, int, list[AlarmExplanation]]:
    """How many sisters have the series that changed most, on how many it rose alike, and what that says.

    Judged on the first series that a sister has as well. What all of several sisters do explains a level; it explains
    no finding that names a part.
    """
    for one in series:
        have, rose = one.sisters_have, one.sisters_rose
        if one.change_db is None or one.change_db < rules.group.explains_from_db or not have:
            continue
        if rose < have:
            count = "no sister" if rose == 0 else f"{rose} of {have} sisters"
            words = f"{count} of the same kind changed with it" if rose == 0 else f"{count} changed with it"
            return have, rose, [AlarmExplanation(kind="sisters", words=words, weighs=False)]
        weighs = cause.finding is None and have >= rules.group.fewest_sisters
        which = f"all {have} sisters" if have > 1 else "its only sister"
        words = f"{which} changed with it: look for what they share"
        return have, rose, [AlarmExplanation(kind="sisters", words=words, weighs=weighs)]
    return 0, 0, []


def asked_of_sisters(alarms: Sequence[Alarm], rules: AlarmRules) -> dict[str, tuple[tuple[str, str, str], ...]]:
    """By drive the series of which rows may say how many sisters rose alike: those that rose most, up to the first that
    a sister has as well."""
    found: dict[str, dict[tuple[str, str, str], None]] = {}
    for alarm in alarms:
        for one in alarm.series:
            if one.change_db is None or one.change_db < rules.group.explains_from_db:
                continue
            found.setdefault(one.key.drive, {})[one.key.point, one.key.measure, one.key.subject] = None
            if one.sisters_have:
                break
    return {drive: tuple(places) for drive, places in found.items()}


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


def _words(
    cause: CauseDraft, kind: str, drives: Sequence[str], exceedances: Sequence[object],
    explained: Sequence[AlarmExplanation],
) -> tuple[str, str, str]:  # fmt: skip
    """Title, one sentence, what to do."""
    who = " and ".join(drives) if len(drives) < 3 else f"{', '.join(drives[:-1])} and {drives[-1]}"
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
        rose = any(e.kind in ("growth", "step", "clipped") for e in cause.exceedances)
        verb = "levels grew" if rose else "levels are beyond a limit"
        title = f"{verb}, and no finding says why" if kind == "growth" else "sister drives changed together"
        return (
            title,
            f"{who}: {rows} since {cause.first:%Y-%m-%d}{'; ' + reasons if reasons else ''}.",
            "Repeat the measurement at the same speed and load, and compare.",
        )
    last = cause.first
    title = {
        "not measured": f"not measured since {last:%Y-%m-%d}",
        "not judged": f"cannot be judged since {last:%Y-%m-%d}",
        "load or speed": "explained by load or speed",
        "sensor": f"sensor fault: {cause.cause.removeprefix('sensor').strip()}",
        "repaired": "before the latest repair",
        "scatter": "usual scatter, or it did not last",
    }[kind]
    advice = {
        "not measured": "Measure it, or record that it is out of service.",
        "not judged": "Measure again by the capture plan; nothing is known of the drive until then.",
        "load or speed": "Nothing at the drive; compare at like load, and set limits per condition.",
        "sensor": "Check sensor, mount and cable, then repeat the measurement: this point says nothing of the drive.",
        "repaired": "Nothing, while the levels stay as they are since.",
        "scatter": "Nothing at the drive; the limit may be too tight.",
    }[kind]
    if kind in ("not measured", "not judged"):
        return title, f"{who}: {explained[0].words}.", advice
    return title, f"{who}: {rows}; {reasons}.", advice


def forgotten(queue: Queue, cases: Sequence[DriveCase]) -> int:
    """How many exceedances are in no row; never anything but 0, and a test says so."""
    return sum(len(case.exceedances) for case in cases) - sum(len(alarm.exceedances) for alarm in queue.alarms)


def needs_action(queue: Queue, rules: AlarmRules) -> bool:
    """Whether some row is urgent enough to be acted on, and nobody has it in hand."""
    return any(a.status not in ("quiet", "in work") and a.urgency.total >= rules.queue.act_from for a in queue.alarms)
