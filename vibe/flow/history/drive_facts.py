"""What a store concerns a drive, gathered for those who judge its alarms."""

from __future__ import annotations

import json
import re
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from itertools import pairwise
from math import nan
from statistics import median
from types import MappingProxyType
from typing import TYPE_CHECKING, Any, Literal, cast

from pydantic import ValidationError

from vibe.core.records.alarm_case import CaptureFinding, CaptureSeen, DriveCase
from vibe.core.records.alarms import Exceedance, PointChange, SeriesState, SisterState
from vibe.core.units import STANDARD_GRAVITY_M_S2
from vibe.flow.history.level_changes import changes_of
from vibe.flow.history.series import SeriesGatherer, SeriesView, limits_of, state_of

if TYPE_CHECKING:
    from vibe.core.drive import Drive
    from vibe.core.records.alarms import LimitSource, Reported, RuleKind
    from vibe.core.records.history import Event, SeriesKey, StoredCapture
    from vibe.health.alarms.settings import AlarmRules
    from vibe.health.state.settings import Limits
    from vibe.history.limits import Limit
    from vibe.history.settings import HistorySettings
    from vibe.history.sister_book import SisterBook, SisterNote
    from vibe.history.store.decisions import DecisionBook

_KEPT = 8
"""Latest captures of a series that are held once it has been looked at: limits and growth ask for three."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Matched:
    """A row of another system's alarms with the capture and series that it belongs to."""

    row: Reported
    capture: StoredCapture
    key: SeriesKey
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class DriveLook:
    """What a drive's own captures say, before its sisters are asked."""

    tag: str
    kind: str
    drive: Drive | None
    events: tuple[Event, ...]
    captures: tuple[CaptureSeen, ...]
    series: tuple[SeriesView, ...]
    reported: tuple[Exceedance, ...]
    changed: tuple[PointChange, ...]

    @property
    def epoch(self) -> Event | None:
        """What made the last new baseline."""
        return max((event for event in self.events if event.new_baseline), key=lambda event: event.at, default=None)

    @property
    def recent(self) -> tuple[CaptureSeen, ...]:
        """Captures since the last new baseline."""
        epoch = self.epoch
        return tuple(c for c in self.captures if epoch is None or c.at >= epoch.at)


@dataclass(slots=True, kw_only=True)
class Gatherer:
    """Gathers cases of a store, as of the time to which the store is read, now unless it says one.

    ``drives`` are drive files that count before those of the store.
    """

    store: DecisionBook
    history: HistorySettings
    limits: Limits
    rules: AlarmRules
    drives: Mapping[str, Drive] = field(default_factory=dict)
    looker: SeriesGatherer = field(init=False)
    at: datetime = field(init=False)

    def __post_init__(self) -> None:
        self.looker = SeriesGatherer(self.store, self.history)
        self.at = self.store.until or datetime.now(UTC)

    def drive(self, tag: str) -> Drive | None:
        """The drive as its file says; None where the store has no file of it, or one of another version."""
        from vibe.core.drive import Drive

        if tag in self.drives:
            return self.drives[tag]
        text = self.store.drive_toml(tag)
        try:
            return None if not text else Drive.model_validate(tomllib.loads(text))
        except (ValidationError, ValueError):
            return None

    def case(
        self, tag: str, kind: str, matched: Sequence[Matched],
        noted: Mapping[str, Sequence[SisterNote]] = MappingProxyType({}),
    ) -> DriveCase:  # fmt: skip
        """Everything that is known of one drive; ``matched`` are rows of another system that belong to it. Sisters are
        looked at, but for those of which ``noted`` holds what they tell."""
        from vibe.history.sister_book import SisterBook

        book = SisterBook(self.history)
        look = self.look(tag, kind, matched)
        note(book, look, self.rules)
        for sister in self.store.sisters(tag):
            if sister in noted:
                for one in noted[sister]:
                    book.put(kind, one)
            else:
                note(book, self.look(sister, kind), self.rules)
        return self.case_of(look, book)

    def with_reported(self, look: DriveLook, matched: Sequence[Matched]) -> DriveLook:
        """A look with the rows of another system that belong to its drive."""
        return replace(look, reported=tuple(self._reported(one) for one in matched)) if matched else look

    def look(self, tag: str, kind: str, matched: Sequence[Matched] = ()) -> DriveLook:
        """What the drive's own captures say, held as small as what follows needs."""
        events = self.looker.events(tag)
        captures = tuple(self._captures(tag))
        look = DriveLook(
            tag=tag, kind=kind, drive=self.drive(tag), events=events, captures=captures, series=(), reported=(),
            changed=(),
        )  # fmt: skip
        recent = look.recent
        clipped = {point for c in recent for point in c.clipped}
        series = []
        for key in self.store.keys(tag):
            if key.measure in self.rules.raise_.measures:
                one = self.looker.look(key)
                if clipped and (key.point in clipped or not key.point):
                    one = self._at_least(one, recent)
                series.append(one.trimmed(_KEPT))
        changed = tuple(changes_of(tag, self.store, self.looker, recent))
        return self.with_reported(replace(look, series=tuple(series), changed=changed), matched)

    def _at_least(self, looked: SeriesView, recent: Sequence[CaptureSeen]) -> SeriesView:
        """A series with captures that were cut off at its point: those are lower than what was there, so that it did
        what it did without them, unless it did more with them."""
        point = looked.key.point
        cut = {c.content for c in recent if (point in c.clipped if point else c.clipped)}
        without = self.looker.without(looked.key, cut)
        more, less = looked.trend.growth_db, without.trend.growth_db
        return without if less is not None and (more is None or less > more) else looked

    def case_of(self, look: DriveLook, book: SisterBook) -> DriveCase:
        """The case of a drive, once its sisters are in the book."""
        from vibe.history.operating_condition import load_moved, speed_moved

        epoch_event, recent = look.epoch, look.recent
        series, exceedances, sisters = self._series(look, book)
        exceedances += [*_newly_clipped(recent, series, look.tag, self.rules), *look.reported]
        service = None if look.drive is None else look.drive.service
        now = next((c for c in reversed(recent) if c.accepted), recent[-1] if recent else None)
        rules = self.history.condition
        planned = None if service is None else service.measure_every_days
        return DriveCase(
            tag=look.tag, name="" if look.drive is None else look.drive.name, kind=look.kind,
            consequence=None if service is None else service.consequence,
            spare_lead_days=None if service is None else service.spare_lead_days,
            epoch=None if epoch_event is None else epoch_event.at, epoch_event=epoch_event, events=look.events,
            captures=look.captures, series=tuple(series),
            exceedances=tuple(exceedances), sisters=tuple(sisters), changed=look.changed,
            before=None if now is None else _before(now, recent, self.history),
            now=None if now is None else now.content,
            load_moved=load_moved([c.load_percent for c in recent], rules),
            speed_moved=speed_moved([c.speed_hz for c in recent], rules), at=self.at,
            every_days=planned or _usual_interval(look.captures, self.rules), planned=planned is not None,
        )  # fmt: skip

    # ── captures and their findings ───────────────────────────────────────────────────────────────────────────────

    def _captures(self, tag: str) -> list[CaptureSeen]:
        kept = self.store.captures(tag)
        # Of a good capture in which nothing was found the report is opened only where it is one of the latest.
        full = {f.content for f in self.store.findings(tag)} | {c.content for c in kept if c.kept != "accepted"}
        full |= {c.content for c in kept[-self.rules.raise_.of_last :]}
        found = []
        for c in kept:
            said = _report(self.store.health(c.content)) if c.content in full else CaptureReading()
            found.append(
                CaptureSeen(
                    content=c.content, at=c.measured_at, accepted=c.kept == "accepted", state=c.state,
                    speed_hz=c.speed_hz, load_percent=c.load_percent, findings=tuple(said.findings),
                    troubled=said.troubled, clipped=said.clipped, judged=c.kept != "rejected", refused=said.refused,
                    added_at=c.added_at,
                )
            )  # fmt: skip
        return found

    # ── series against their limits ───────────────────────────────────────────────────────────────────────────────

    def _series(
        self, look: DriveLook, book: SisterBook
    ) -> tuple[list[SeriesState], list[Exceedance], list[SisterState]]:
        states, found, sisters = [], [], []
        group = self.rules.group
        for looked in look.series:
            sister_limits = book.limits(look.kind, looked.key, looked.baseline)
            limits = limits_of(looked, sister_limits, look.drive, self.limits, self.history)
            state = state_of(looked, limits, self.rules, self.history)
            if state is None:
                continue
            if state.change_db is not None and state.change_db >= group.explains_from_db:
                have, rose, named = book.rose(look.kind, looked.key, state.change_db, group.explains_share)
                state = replace(state, sisters_have=have, sisters_rose=rose)
                sisters += named
            states.append(state)
            found += self._broken(looked, state, limits)
        return states, found + _falls(states, self.rules), sisters

    def _broken(self, looked: SeriesView, state: SeriesState, limits: Sequence[Limit]) -> list[Exceedance]:
        """Rules that the latest captures break: of each source the gravest limit, and growth."""
        rules = self.rules.raise_
        last = looked.comparable[-rules.of_last :]
        if not last:
            return []
        rank = {"alarm": 0, "trip": 1}
        gravest: dict[str, Limit] = {}
        for limit in limits:
            if limit.kind not in rank:
                continue
            # A standard judges the value itself, statistics the value as it would be in the baseline's condition.
            by_rule = limit.source == "ISO rules"
            if limit.kind == "trip":
                enough = limit.broken_by(last[-1].value if by_rule or last[-1].like is None else last[-1].like)
            else:
                enough = limit.broken_by(raised_below(looked, self.rules, by_rule=by_rule))
            if enough and (limit.source not in gravest or rank[limit.kind] > rank[gravest[limit.source].kind]):
                gravest[limit.source] = limit
        found = [
            self._exceedance(
                looked,
                state,
                limit.source,
                limit.kind,
                limit.value,
                _over(limit, last[-1].value, looked.unit),
                _beyond_since(looked, limit),
            )
            for limit in gravest.values()
        ]
        grown = state.change_db
        if state.state in ("growing", "stepped up") and grown is not None and grown >= rules.growth_db:
            kind: Literal["growth", "step"] = "growth" if state.state == "growing" else "step"
            found.append(self._exceedance(looked, state, "this drive", kind, None, grown, state.since))
        return found

    def _exceedance(
        self,
        looked: SeriesView,
        state: SeriesState,
        source: LimitSource,
        kind: RuleKind,
        limit: float | None,
        over_db: float | None,
        since: datetime | None,
    ) -> Exceedance:
        last = looked.comparable[-1]
        return Exceedance(
            key=looked.key, unit=looked.unit, at=state.at, value=last.value, limit=limit, source=source, kind=kind,
            over_db=over_db, content=last.content, change_db=last.change_db, raw_db=last.raw_db, usual=last.usual,
            since=since,
        )  # fmt: skip

    def _reported(self, one: Matched) -> Exceedance:
        """A row of another system, with what this program makes of the same capture."""
        row, looked = one.row, self.looker.look(one.key)
        at = next((at for at in looked.captures if at.content == one.capture.content), None)
        return Exceedance(
            key=one.key, unit=row.unit or looked.unit, at=row.at, value=row.value, limit=row.limit,
            source="another system", kind="alarm", over_db=row.over_db, content=one.capture.content, line=row.line,
            change_db=None if at is None else at.change_db, raw_db=None if at is None else at.raw_db,
            usual=None if at is None else at.usual, within=None if at is None else at.within, note=one.note,
        )  # fmt: skip


def raised_below(looked: SeriesView, rules: AlarmRules, *, by_rule: bool = False) -> float:
    """The value [unit of the series] such that its latest captures break any alarm limit below it, NaN where they break
    none; ``by_rule``: as they were read, else as they would be in the baseline's condition."""
    last = looked.comparable[-rules.raise_.of_last :]
    if not last or looked.count < rules.raise_.fewest_captures:
        return nan
    values = sorted((at.value if by_rule or at.like is None else at.like for at in last), reverse=True)
    return values[min(rules.raise_.at_least, len(last)) - 1]


def notes_of(look: DriveLook, rules: AlarmRules) -> tuple[SisterNote, ...]:
    """What a drive's series did, for its sisters."""
    from vibe.history.sister_book import SisterNote

    return tuple(
        SisterNote.of(
            series.key, series.compared.baselines, series.trend, series.baseline, raised_below(series, rules)
        )
        for series in look.series if series.captures
    )  # fmt: skip


def note(book: SisterBook, look: DriveLook, rules: AlarmRules) -> None:
    """Enter what a drive's series did, for its sisters."""
    for one in notes_of(look, rules):
        book.put(look.kind, one)


def _over(limit: Limit, value: float, unit: str) -> float:
    from vibe.history.limits import change_over

    return change_over(limit, value, unit)


def _falls(states: Sequence[SeriesState], rules: AlarmRules) -> list[Exceedance]:
    """Points at which velocity and acceleration both fell, while no other point's did."""
    by_point: dict[str, dict[str, SeriesState]] = {}
    for state in states:
        if state.key.measure in ("velocity_rms", "acceleration_rms") and state.change_db is not None:
            by_point.setdefault(state.key.point, {})[state.key.measure] = state

    def fell(found: Mapping[str, SeriesState], least: float) -> bool:
        return len(found) == 2 and all((s.change_db or 0.0) <= -least for s in found.values())

    down = [point for point, found in by_point.items() if fell(found, rules.raise_.fall_db)]
    others = [point for point, found in by_point.items() if point not in down]
    if not others or any(fell(by_point[point], rules.raise_.fall_db / 2) for point in others):
        return []
    return [
        Exceedance(
            key=s.key, unit=s.unit, at=s.at, value=s.value, limit=None, source="this drive", kind="fall",
            over_db=s.change_db, content=s.content, change_db=s.change_db, raw_db=s.raw_db, usual=s.usual,
        )
        for point in down for s in by_point[point].values()
    ]  # fmt: skip


def _beyond_since(looked: SeriesView, limit: Limit) -> datetime:
    """The first of the latest captures in a row, of those that are held, that lie beyond a limit."""
    first = looked.comparable[-1]
    for at in reversed(looked.comparable):
        value = at.value if limit.source == "ISO rules" or at.like is None else at.like
        if not limit.broken_by(value):
            break
        first = at
    return datetime.fromtimestamp(first.time_s, UTC)


def _newly_clipped(
    recent: Sequence[CaptureSeen], states: Sequence[SeriesState], tag: str, rules: AlarmRules
) -> list[Exceedance]:
    """Points whose latest captures are cut off, and whose earlier ones were not: the level is at least that."""
    from math import log10

    from vibe.core.records.history import SeriesKey

    found = []
    for point in sorted({point for c in recent[-rules.raise_.of_last :] for point in c.clipped}):
        last = [c for c in recent if point in c.clipped or (c.judged and point not in c.troubled)]
        cut = [c for c in last[-rules.raise_.of_last :] if point in c.clipped]
        first = last[: max(len(last) - rules.raise_.of_last, 0)][: rules.raise_.fewest_captures]
        if len(cut) < rules.raise_.at_least or len(first) < rules.raise_.at_least or last[-1] is not cut[-1]:
            continue
        if any(point in c.clipped for c in first):
            continue  # its range never was large enough
        key = SeriesKey(drive=tag, point=point, measure="acceleration_peak")
        own = next((s for s in states if s.key == key), None)
        usual = None if own is None else own.usual
        value = max(c.clipped[point] for c in cut)
        change = 20.0 * log10(value / usual) if usual and value > 0 else None
        found.append(
            Exceedance(
                key=key, unit="m/s²", at=cut[-1].at, value=value, limit=None, source="this drive", kind="clipped",
                over_db=None, content=cut[-1].content, change_db=change, usual=usual, since=cut[0].at,
                note="cut off at the end of the range: the level is at least this",
            )
        )  # fmt: skip
    return found


def _usual_interval(captures: Sequence[CaptureSeen], rules: AlarmRules) -> float | None:
    """Days between captures that are usual: the median of the latest; None while there are too few."""
    days = sorted({c.at.date() for c in captures})[-_RHYTHM:]
    if len(days) < rules.unseen.usual_from:
        return None
    return float(median([(later - sooner).days for sooner, later in pairwise(days)]))


_RHYTHM = 13
"""Days on which a drive was measured whose gaps are its rhythm: a year of monthly rounds."""
_CUT_OFF = re.compile(r"cut off at ([0-9.eE+-]+) (m/s²|g)\b")


@dataclass(frozen=True, slots=True, kw_only=True)
class CaptureReading:
    """What a capture's own report says: findings; what is wrong with its measuring chain, and where the signal is cut
    off [m/s²], by point; why it was rejected as a whole, where it was."""

    findings: Sequence[CaptureFinding] = ()
    troubled: Mapping[str, str] = field(default_factory=dict)
    clipped: Mapping[str, float] = field(default_factory=dict)
    refused: str = ""


def _report(text: str) -> CaptureReading:
    stated = cast("dict[str, Any]", json.loads(text))
    findings, troubled, clipped, refused = [], dict[str, str](), dict[str, float](), ""
    for f in stated.get("findings", []):
        evidence = [item for item in f.get("evidence", []) if isinstance(item, dict)]
        points = tuple(dict.fromkeys(str(item["channel"]) for item in evidence if item.get("channel")))
        names = (f["component"], f.get("tone"), *f.get("cannot_be_told_from", ()))
        findings.append(
            CaptureFinding(
                tone=f.get("tone"), component=f["component"], defect=f["defect"],
                probability=f.get("probability") or 0.0, severity=f.get("severity") or "slight",
                names=tuple(dict.fromkeys(str(n) for n in names if n)), point=points[0] if len(points) == 1 else "",
                points=points, why=f.get("why") or "", advice=f.get("advice") or "",
                weak_sign=bool(f.get("weak_sign")),
            )
        )  # fmt: skip
        if f["component"] == "sensor" and len(points) == 1 and not f.get("weak_sign"):
            troubled.setdefault(points[0], str(f["defect"]))
    for capture in stated.get("captures", []):
        channels = capture.get("channels", [])
        for channel in channels:
            for reason in channel.get("reasons") or ():
                cut = _CUT_OFF.search(str(reason))
                if cut is not None:
                    clipped[str(channel["name"])] = float(cut[1]) * (STANDARD_GRAVITY_M_S2 if cut[2] == "g" else 1.0)
                    troubled.setdefault(str(channel["name"]), "input clipped")
        # Where all points are unfit the drive stood still, or nobody measured: no sensor is to blame.
        if any(channel.get("quality") != "rejected" for channel in channels):
            for channel in channels:
                if channel.get("quality") == "rejected":
                    troubled.setdefault(str(channel["name"]), str((channel.get("reasons") or ["rejected"])[0]))
        elif channels:
            refused = str((channels[0].get("reasons") or [""])[0])
    return CaptureReading(findings=findings, troubled=troubled, clipped=clipped, refused=refused)


def _before(now: CaptureSeen, recent: Sequence[CaptureSeen], history: HistorySettings) -> str | None:
    """Of the first accepted captures the one whose condition is nearest to that of ``now``."""
    from vibe.history.operating_condition import Condition, distance

    first = [c for c in recent if c.accepted and c.at < now.at][: history.baseline.most]
    here = Condition(now.speed_hz, now.load_percent)

    def far(c: CaptureSeen) -> float:
        return distance(Condition(c.speed_hz, c.load_percent), here, history.condition)

    return min(first, key=far).content if first else None
