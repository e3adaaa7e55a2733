"""How the rules did: false alarms and misses by cause, and what a changed limit would have done. Nothing is saved."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from math import isfinite
from typing import TYPE_CHECKING, Literal, cast

from vibe.core.errors import CallError
from vibe.flow.settings import load_alarm_rules, load_settings, share_dir

if TYPE_CHECKING:
    from vibe.core.drive import Drive
    from vibe.core.records.alarm_case import Memory
    from vibe.core.records.alarms import Alarm, RuleCount
    from vibe.core.records.history import Event, SeriesKey
    from vibe.flow.history.series import SeriesView
    from vibe.health.alarms.limit_trial import TrialCase, TrialClass, TrialEpisode, TrialPoint
    from vibe.history.baseline import Baseline
    from vibe.history.limits import Limit
    from vibe.history.store.store import Store

TrialSource = Literal["ISO rules", "this drive", "sister drives"]
SOURCES: tuple[TrialSource, ...] = ("ISO rules", "this drive", "sister drives")
KINDS = ("alarm", "trip")
YEAR = timedelta(days=365)
"""A limit is tried on the last one, so that each season counts once."""
BEFORE_REPAIR = timedelta(days=180)
"""How long before a repair its trouble may have been seen (our choice: half a year of monthly rounds)."""
NAMING = ("fault", "growth", "common")
"""Kinds of cause that ask for somebody to look at the drive."""
REPAIRS = ("bearing change", "repair", "new drive")


@dataclass(frozen=True, slots=True, kw_only=True)
class CauseCount:
    """Cases of one kind of cause, by how they were decided last."""

    kind: str
    cases: int
    confirmed: int
    not_faults: int
    undecided: int


@dataclass(frozen=True, slots=True, kw_only=True)
class MissedRepair:
    """A repair before which no case of its drive stood, or only one that was decided to be no fault. A repair that was
    only preventive is none: whoever reads the list knows."""

    event: Event
    why: str
    captures: int
    """Accepted captures in the half year before."""
    case: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class RuleRecord:
    """How alarms between two times were decided, by rule and by cause, and what no rule raised."""

    since: datetime
    until: datetime
    rules: tuple[RuleCount, ...]
    causes: tuple[CauseCount, ...]
    missed: tuple[MissedRepair, ...]
    repairs: int


def rule_record(
    store: Store,
    *,
    since: datetime | None = None,
    until: datetime | None = None,
    progress: Callable[[int, int, str], None] | None = None,
) -> RuleRecord:
    """How the rules did in a year, or from ``since`` to ``until``: cases on which somebody decided, and repairs before
    which nothing stood. Of each repair its drive alone is judged as of that day, some 50 ms; ``progress`` may raise to
    stop."""
    from vibe.flow.alarms.queue import remembered
    from vibe.health.alarms.queue_statistics import NOT_FAULTS, measures

    until = until or datetime.now(UTC)
    since = since or until - YEAR
    everything = remembered(store.as_of(until))
    memories = [one for one in everything if one.opened_at >= since or any(d.at >= since for d in one.decisions)]
    events = [one for one in store.events() if one.kind in REPAIRS and since <= one.at <= until]
    by_kind: dict[str, list[str | None]] = {}
    for memory in memories:
        kind = str(memory.facts.get("kind") or "not known")
        by_kind.setdefault(kind, []).append(_verdict(memory, until))
    causes = [
        CauseCount(
            kind=kind, cases=len(said), confirmed=said.count("confirmed"),
            not_faults=sum(one in NOT_FAULTS for one in said),
            undecided=sum(one is None or one not in (*NOT_FAULTS, "confirmed") for one in said),
        )
        for kind, said in by_kind.items()
    ]  # fmt: skip
    missed = []
    for number, event in enumerate(events):
        if progress is not None:
            progress(number, len(events), event.drive)
        if (one := _missed(store, event, everything)) is not None:
            missed.append(one)
    return RuleRecord(
        since=since, until=until, rules=measures((), memories, until).rules,
        causes=tuple(sorted(causes, key=lambda one: (-one.not_faults, -one.cases, one.kind))), missed=tuple(missed),
        repairs=len(events),
    )  # fmt: skip


def _undecided(alarms: Sequence[Alarm], store: Store) -> list[Memory]:
    """Cases that stand and that nobody has decided: the store keeps those that were."""
    from vibe.core.records.alarm_case import Memory

    known = {alarm.id for alarm in store.alarms(open_only=False)}
    return [
        Memory(
            id=alarm.id, drive=alarm.drive, cause=alarm.cause, opened_at=min(alarm.opened_at, alarm.since),
            facts={"kind": alarm.kind, "rules": list(alarm.rules), "drives": list(alarm.drives)}, decisions=(),
        )
        for alarm in alarms
        if alarm.id not in known
    ]  # fmt: skip


def _verdict(memory: Memory, until: datetime) -> str | None:
    from vibe.health.alarms.case_state import standing_decisions

    held = standing_decisions([one for one in memory.decisions if one.at <= until])
    return held[-1].verdict if held else None


def _missed(store: Store, event: Event, memories: Sequence[Memory]) -> MissedRepair | None:
    from vibe.health.alarms.queue_statistics import NOT_FAULTS

    begin = event.at - BEFORE_REPAIR
    own = [
        one for one in memories
        if event.drive in (one.drive, *one.facts.get("drives", ())) and one.opened_at <= event.at
    ]  # fmt: skip
    said = {one.id: _verdict(one, event.at) for one in own}
    if any(verdict not in NOT_FAULTS for verdict in said.values()):
        return None
    captures = sum(one.kept == "accepted" for one in store.captures(event.drive, begin, event.at))
    if own:
        last = max(own, key=lambda one: one.opened_at)
        return MissedRepair(
            event=event, why=f"its case was decided to be no fault ({said[last.id]})", captures=captures, case=last.id
        )
    kinds = _raised_then(store, event)
    if kinds & set(NAMING):
        return None
    why = "no rule had raised anything" if captures else "the drive was not measured in the half year before"
    if explained := sorted(kinds - {"not measured", "not judged"}):
        why = f"what the rules had raised was taken for {' and '.join(explained)}"
    return MissedRepair(event=event, why=why, captures=captures)


def _raised_then(store: Store, event: Event) -> set[str]:
    """Kinds of the causes that stood on a drive just before something was done to it, undecided ones too."""
    from vibe.flow.history.drive_facts import Gatherer
    from vibe.health.alarms.causes import causes_of
    from vibe.history.settings import HistorySettings
    from vibe.history.sister_book import SisterBook
    from vibe.ingest import load_model

    rules, history = load_alarm_rules(), load_model(share_dir() / "configs" / "history.toml", HistorySettings)
    then = store.as_of(event.at - timedelta(seconds=1))
    gatherer = Gatherer(store=then, history=history, limits=load_settings().limits, rules=rules)
    kind = next((drive.kind for drive in store.drives() if drive.tag == event.drive), "")
    case = gatherer.case_of(gatherer.look(event.drive, kind, ()), SisterBook(history))
    return {cause.kind for cause in causes_of(case, rules)}


# ── a changed limit ───────────────────────────────────────────────────────────────────────────────────────────────


@dataclass(frozen=True, slots=True, kw_only=True)
class LimitTrial:
    """What a limit raised in a time as it is, and what it would have raised as tried.

    ``gained`` would have been raised only as tried, ``lost`` only as it is. ``now`` and ``tried`` count episodes by how
    the case was decided that was open then. ``without`` series have no such limit. ``quiet_confirmed`` are confirmed
    cases in whose time neither was exceeded: other rules raised them.
    """

    source: TrialSource
    kind: str
    measure: str
    shift_db: float | None
    value: float | None
    since: datetime
    until: datetime
    series: int
    without: int
    now: Mapping[TrialClass, int]
    tried: Mapping[TrialClass, int]
    gained: tuple[TrialEpisode, ...]
    lost: tuple[TrialEpisode, ...]
    quiet_confirmed: tuple[str, ...]
    remarks: tuple[str, ...]


def try_limit(
    store: Store,
    *,
    source: TrialSource,
    measure: str,
    kind: str = "alarm",
    shift_db: float | None = None,
    value: float | None = None,
    since: datetime | None = None,
    until: datetime | None = None,
    progress: Callable[[int, int, str], None] | None = None,
) -> LimitTrial:
    """Try a limit on the last year, or from ``since`` to ``until``; nothing is saved. It is moved by ``shift_db`` on
    every series, or set to ``value`` (in the unit of the measure) on all of them. ``progress`` may raise to stop.

    Limits are those of today: statistics that were made of fewer captures then may have stood elsewhere.

    Raises:
        CallError: no such source, kind or measure; neither or both of ``shift_db`` and ``value``.
    """
    from vibe.flow.alarms.queue import evaluate_alarms, remembered
    from vibe.flow.history.series import SeriesGatherer, limits_of
    from vibe.health.alarms.limit_trial import CLASSES
    from vibe.history.settings import HistorySettings
    from vibe.history.sister_book import SisterBook, SisterNote
    from vibe.ingest import load_model

    until = until or datetime.now(UTC)
    since = since or until - YEAR
    if not since < until:
        raise CallError(f"{since:%Y-%m-%d} is not before {until:%Y-%m-%d}")
    _refuse_unclear(source, kind, shift_db, value)
    rules, settings = load_alarm_rules(), load_model(share_dir() / "configs" / "history.toml", HistorySettings)
    kinds = {drive.tag: drive.kind for drive in store.drives()}
    keys = [key for tag in kinds for key in store.keys(tag, measure)]
    if not keys:
        raise CallError(f"the store keeps no {measure[:60]!r}")

    def half(done: int, of: int, what: str, second: bool = False) -> None:
        if progress is not None:
            progress(done + of * second, 2 * of, what)

    alarms = evaluate_alarms(store, rules=rules, at=until, progress=half).queue.alarms
    cases = _cases([*remembered(store.as_of(until)), *_undecided(alarms, store)], until)
    gatherer, book = SeriesGatherer(store.as_of(until), settings), SisterBook(settings)
    zone_limits = load_settings().limits
    looks: list[_Look] = []
    for number, key in enumerate(keys):
        half(number, len(keys), key.drive, second=True)
        looked = gatherer.look(key)
        if looked.captures:
            book.put(kinds[key.drive], SisterNote.of(key, looked.compared.baselines, looked.trend, looked.baseline))
            own = limits_of(looked, (), _drive(store, key.drive), zone_limits, settings)
            looks.append(_Look(key=key, unit=looked.unit, points=_points(looked), own=own, baseline=looked.baseline))
    both: dict[str, list[TrialEpisode]] = {"now": [], "tried": []}
    last = rules.raise_
    often = {"of_last": last.of_last, "at_least": last.at_least, "fewest": last.fewest_captures}
    window = often if kind == "alarm" else {"of_last": 1, "at_least": 1, "fewest": 1}
    without = len(keys) - len(looks)
    for look in looks:
        there = (*look.own, *book.limits(kinds[look.key.drive], look.key, look.baseline))
        limit = next((one for one in there if (one.source, one.kind) == (source, kind)), None)
        if limit is None:
            without += 1
            continue
        moved = value if value is not None else _moved(limit.value, look.unit, cast("float", shift_db))
        for name, level in (("now", limit.value), ("tried", moved)):
            both[name] += _found(look.key, look.unit, look.points, level, source, window, since, cases)
    now, tried = both["now"], both["tried"]
    seen = {one.case for one in (*now, *tried)}
    quiet = [
        case.id for case in cases if case.verdict == "confirmed" and case.id not in seen and case.begun <= until
        and (case.ended is None or case.ended >= since)
    ]  # fmt: skip
    return LimitTrial(
        source=source, kind=kind, measure=measure, shift_db=shift_db, value=value, since=since, until=until,
        series=len(keys), without=without,
        now={name: sum(one.verdict == name for one in now) for name in CLASSES},
        tried={name: sum(one.verdict == name for one in tried) for name in CLASSES},
        gained=tuple(one for one in tried if not _overlaps(one, now)),
        lost=tuple(one for one in now if not _overlaps(one, tried)),
        quiet_confirmed=tuple(quiet),
        remarks=("Limits are those of today; with fewer captures they may have stood elsewhere.",),
    )  # fmt: skip


def _refuse_unclear(source: TrialSource, kind: str, shift_db: float | None, value: float | None) -> None:
    """Raises: CallError where it is not clear which limit is tried, or what it becomes."""
    _one_of("source of limits", source, SOURCES)
    _one_of("kind of limit", kind, KINDS)
    if (shift_db is None) == (value is None):
        raise CallError("give either how far the limit is moved, in dB, or its new value")
    if shift_db is not None and not (isfinite(shift_db) and abs(shift_db) <= 60):
        raise CallError(f"a limit is moved by at most 60 dB, not by {shift_db:g}")
    if value is not None and not (isfinite(value) and value > 0):
        raise CallError(f"a limit is a number above 0, not {value:g}")


@dataclass(frozen=True, slots=True, kw_only=True)
class _Look:
    """A series, as small as a trial needs it."""

    key: SeriesKey
    unit: str
    points: list[TrialPoint]
    own: tuple[Limit, ...]
    baseline: Baseline | None


def _points(looked: SeriesView) -> list[TrialPoint]:
    from vibe.health.alarms.limit_trial import TrialPoint

    return [
        TrialPoint(at=datetime.fromtimestamp(one.time_s, UTC), value=one.value, like=one.like)
        for one in looked.comparable
    ]


def _found(
    key: SeriesKey,
    unit: str,
    points: Sequence[TrialPoint],
    level: float,
    source: str,
    window: Mapping[str, int],
    since: datetime,
    cases: Sequence[TrialCase],
) -> list[TrialEpisode]:
    from vibe.health.alarms.limit_trial import TrialEpisode, case_of, episodes

    def broken(point: TrialPoint) -> bool:
        # A standard judges the value itself, statistics the value as it would be in the baseline's condition.
        by_rule = source == "ISO rules" or point.like is None
        return (point.value if by_rule else cast("float", point.like)) > level

    found = []
    for begun, ended, highest in episodes(points, broken, since=since, **window):
        case = case_of(key.drive, begun, ended, cases)
        found.append(
            TrialEpisode(
                drive=key.drive, point=key.point, begun=begun, ended=ended, limit=level, unit=unit, highest=highest,
                verdict="no case" if case is None else case.verdict, case="" if case is None else case.id,
            )
        )  # fmt: skip
    return found


def _cases(memories: Sequence[Memory], until: datetime) -> list[TrialCase]:
    from vibe.health.alarms.limit_trial import TrialCase
    from vibe.health.alarms.queue_statistics import NOT_FAULTS

    found = []
    for memory in memories:
        said = _verdict(memory, until)
        verdict: TrialClass = (
            "confirmed" if said == "confirmed" else "not a fault" if said in NOT_FAULTS else "undecided"
        )
        since = memory.facts.get("since")
        begun = min(memory.opened_at, datetime.fromisoformat(since)) if isinstance(since, str) else memory.opened_at
        ended = max((one.at for one in memory.decisions), default=None) if verdict != "undecided" else None
        found += [
            TrialCase(id=memory.id, drive=drive, begun=begun, ended=ended, verdict=verdict)
            for drive in dict.fromkeys((memory.drive, *memory.facts.get("drives", ())))
        ]
    return found


def _overlaps(one: TrialEpisode, others: Sequence[TrialEpisode]) -> bool:
    return any(
        (other.drive, other.point) == (one.drive, one.point)
        and (one.ended is None or other.begun <= one.ended)
        and (other.ended is None or other.ended >= one.begun)
        for other in others
    )


def _moved(level: float, unit: str, shift_db: float) -> float:
    from vibe.history.baseline import from_level_db, level_db

    return float(from_level_db(float(level_db(level, unit)) + shift_db, unit))


def _drive(store: Store, tag: str) -> Drive | None:
    from vibe.flow.desk.stored_signal import kinematics_of

    known = kinematics_of(store, tag)
    return None if known is None else known[0]


def _one_of(what: str, said: str, known: Sequence[str]) -> None:
    if said not in known:
        raise CallError(f"{said[:40]!r} is no {what}; there are {', '.join(known)}")
