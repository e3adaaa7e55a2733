"""What a store concerns a drive, gathered for those who judge its alarms."""

from __future__ import annotations

import json
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Literal, cast

from pydantic import ValidationError

from vibe.core.records.alarm_case import CaptureFinding, CaptureSeen, DriveCase
from vibe.core.records.alarms import Exceedance, SeriesState, SisterState
from vibe.flow.history.level_changes import changes_of
from vibe.flow.history.series import SeriesGatherer, SeriesView, limits_of, state_of

if TYPE_CHECKING:
    from vibe.core.drive import Drive
    from vibe.core.health import Severity
    from vibe.core.records.alarms import LimitSource, Reported, RuleKind
    from vibe.core.records.history import SeriesKey, StoredCapture
    from vibe.health.alarms.settings import AlarmRules
    from vibe.health.state.settings import Limits
    from vibe.history.limits import Limit
    from vibe.history.settings import HistorySettings
    from vibe.history.store.store import Store


@dataclass(frozen=True, slots=True, kw_only=True)
class Matched:
    """A row of another system's alarms with the capture and series that it belongs to."""

    row: Reported
    capture: StoredCapture
    key: SeriesKey
    note: str = ""


@dataclass(slots=True, kw_only=True)
class Gatherer:
    """Gathers cases of a store. ``drives`` are drive files that count before those of the store."""

    store: Store
    history: HistorySettings
    limits: Limits
    rules: AlarmRules
    drives: Mapping[str, Drive] = field(default_factory=dict)
    looker: SeriesGatherer = field(init=False)

    def __post_init__(self) -> None:
        self.looker = SeriesGatherer(self.store, self.history)

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

    def case(self, tag: str, kind: str, matched: Sequence[Matched]) -> DriveCase:
        """Everything that is known of a drive; ``matched`` are rows of another system that belong to it."""
        from vibe.history.operating_condition import load_moved, speed_moved

        drive, sisters = self.drive(tag), self.store.sisters(tag)
        events = self.looker.events(tag)
        anew = [event for event in events if event.new_baseline]
        epoch_event = max(anew, key=lambda event: event.at, default=None)
        captures = self._captures(tag, {one.capture.content for one in matched})
        epoch = None if epoch_event is None else epoch_event.at
        recent = [c for c in captures if epoch is None or c.at >= epoch]
        series, exceedances = self._series(tag, drive, sisters)
        exceedances += [self._reported(one) for one in matched]
        service = None if drive is None else drive.service
        now = next((c for c in reversed(recent) if c.accepted), recent[-1] if recent else None)
        rules = self.history.condition
        return DriveCase(
            tag=tag, name="" if drive is None else drive.name, kind=kind,
            consequence=None if service is None else service.consequence,
            spare_lead_days=None if service is None else service.spare_lead_days,
            epoch=epoch, epoch_event=epoch_event, events=events, captures=tuple(captures), series=tuple(series),
            exceedances=tuple(exceedances), sisters=tuple(self._sisters(series, sisters)),
            changed=tuple(changes_of(tag, self.store, self.looker, sisters, recent)),
            before=None if now is None else _before(now, recent, self.history),
            now=None if now is None else now.content,
            load_moved=load_moved([c.load_percent for c in recent], rules),
            speed_moved=speed_moved([c.speed_hz for c in recent], rules),
        )  # fmt: skip

    # ── captures and their findings ───────────────────────────────────────────────────────────────────────────────

    def _captures(self, tag: str, asked: set[str]) -> list[CaptureSeen]:
        kept = self.store.captures(tag)
        rows: dict[str, list[CaptureFinding]] = {}
        sensors: set[str] = set()
        for f in self.store.findings(tag):
            rows.setdefault(f.content, []).append(
                CaptureFinding(
                    tone=f.tone, component=f.component, defect=f.defect, probability=f.probability or 0.0,
                    severity=cast("Severity", f.severity or "slight"),
                    names=tuple(n for n in (f.component, f.tone) if n),
                )
            )  # fmt: skip
            if f.component == "sensor":
                sensors.add(f.content)
        # Reports are opened only where more than a finding's name is needed.
        full = sensors | asked | {c.content for c in kept if c.kept != "accepted"}
        full |= {c.content for c in kept[-self.rules.raise_.of_last :]}
        found = []
        for c in kept:
            findings, troubled = rows.get(c.content, []), dict[str, str]()
            if c.content in full:
                findings, troubled = _report(self.store.health(c.content))
            found.append(
                CaptureSeen(
                    content=c.content, at=c.measured_at, accepted=c.kept == "accepted", state=c.state,
                    speed_hz=c.speed_hz, load_percent=c.load_percent, findings=tuple(findings), troubled=troubled,
                )
            )  # fmt: skip
        return found

    # ── series against their limits ───────────────────────────────────────────────────────────────────────────────

    def _series(
        self, tag: str, drive: Drive | None, sisters: Sequence[str]
    ) -> tuple[list[SeriesState], list[Exceedance]]:
        states, found = [], []
        for key in self.store.keys(tag):
            if key.measure not in self.rules.raise_.measures:
                continue
            looked = self.looker.look(key)
            limits = limits_of(looked, self.looker.sisters(key, sisters), drive, self.limits, self.history)
            state = state_of(looked, limits, self.rules, self.history)
            if state is not None:
                states.append(state)
                found += self._broken(looked, state, limits)
        return states, found + _falls(states, self.rules)

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
            broken = [at for at in last if limit.broken_by(at.value if by_rule or at.like is None else at.like)]
            enough = bool(broken) and broken[-1] is last[-1] if limit.kind == "trip" else (
                len(broken) >= min(rules.at_least, len(last)) and len(looked.comparable) >= rules.fewest_captures
            )  # fmt: skip
            if enough and (limit.source not in gravest or rank[limit.kind] > rank[gravest[limit.source].kind]):
                gravest[limit.source] = limit
        found = [
            self._exceedance(
                looked, state, limit.source, limit.kind, limit.value, _over(limit, last[-1].value, looked.unit)
            )
            for limit in gravest.values()
        ]
        grown = state.change_db
        if state.state in ("growing", "stepped up") and grown is not None and grown >= rules.growth_db:
            kind: Literal["growth", "step"] = "growth" if state.state == "growing" else "step"
            found.append(self._exceedance(looked, state, "this drive", kind, None, grown))
        return found

    def _exceedance(
        self,
        looked: SeriesView,
        state: SeriesState,
        source: LimitSource,
        kind: RuleKind,
        limit: float | None,
        over_db: float | None,
    ) -> Exceedance:
        last = looked.comparable[-1]
        return Exceedance(
            key=looked.key, unit=looked.unit, at=state.at, value=last.value, limit=limit, source=source, kind=kind,
            over_db=over_db, content=last.content, change_db=last.change_db, raw_db=last.raw_db, usual=last.usual,
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

    # ── sisters ───────────────────────────────────────────────────────────────────────────────────────────────────

    def _sisters(self, series: Sequence[SeriesState], sisters: Sequence[str]) -> list[SisterState]:
        found = []
        for state in series:
            for looked in self.looker.sisters(state.key, sisters):
                trend = looked.trend
                found.append(
                    SisterState(drive=looked.key.drive, key=looked.key, change_db=trend.growth_db, state=trend.state)
                )
        return found


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


def _report(text: str) -> tuple[list[CaptureFinding], dict[str, str]]:
    """Findings of a capture's own report in full, and what is wrong with its measuring chain, by point."""
    stated = cast("dict[str, Any]", json.loads(text))
    findings, troubled = [], dict[str, str]()
    for f in stated.get("findings", []):
        evidence = [item for item in f.get("evidence", []) if isinstance(item, dict)]
        points = {str(item["channel"]) for item in evidence if item.get("channel")}
        point = points.pop() if len(points) == 1 else ""
        names = (f["component"], f.get("tone"), *f.get("cannot_be_told_from", ()))
        findings.append(
            CaptureFinding(
                tone=f.get("tone"), component=f["component"], defect=f["defect"],
                probability=f.get("probability") or 0.0, severity=f.get("severity") or "slight",
                names=tuple(dict.fromkeys(str(n) for n in names if n)), point=point, why=f.get("why") or "",
                advice=f.get("advice") or "",
            )
        )  # fmt: skip
        if f["component"] == "sensor" and point:
            troubled.setdefault(point, str(f["defect"]))
    for capture in stated.get("captures", []):
        channels = capture.get("channels", [])
        # Where all points are unfit the drive stood still, or nobody measured: no sensor is to blame.
        if any(channel.get("quality") != "rejected" for channel in channels):
            for channel in channels:
                if channel.get("quality") == "rejected":
                    troubled.setdefault(str(channel["name"]), str((channel.get("reasons") or ["rejected"])[0]))
    return findings, troubled


def _before(now: CaptureSeen, recent: Sequence[CaptureSeen], history: HistorySettings) -> str | None:
    """Of the first accepted captures the one whose condition is nearest to that of ``now``."""
    from vibe.history.operating_condition import Condition, distance

    first = [c for c in recent if c.accepted and c.at < now.at][: history.baseline.most]
    here = Condition(now.speed_hz, now.load_percent)

    def far(c: CaptureSeen) -> float:
        return distance(Condition(c.speed_hz, c.load_percent), here, history.condition)

    return min(first, key=far).content if first else None
