"""Series of a store against their baselines, limits and trends, each looked at once."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from math import isfinite
from statistics import median
from typing import TYPE_CHECKING

from vibe.core.records.alarms import LimitLine, SeriesState

if TYPE_CHECKING:
    from vibe.core.drive import Drive
    from vibe.core.records.history import Event, Series, SeriesKey
    from vibe.health.alarms.settings import AlarmRules
    from vibe.health.state.settings import Limits
    from vibe.history.baseline import Baseline, Compared
    from vibe.history.limits import Limit, Zones
    from vibe.history.settings import HistorySettings
    from vibe.history.store.decisions import DecisionBook
    from vibe.history.trend import Trend


@dataclass(frozen=True, slots=True, kw_only=True)
class At:
    """What one capture of a series means. ``like`` is its value as it would be in the condition of the baseline."""

    content: str
    time_s: float
    value: float
    change_db: float | None
    raw_db: float | None
    usual: float | None
    like: float | None
    within: bool | None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SeriesView:
    """A series, looked at. ``captures`` are those since the last new baseline, oldest first."""

    key: SeriesKey
    unit: str
    compared: Compared
    trend: Trend
    captures: tuple[At, ...]
    known: int | None = None
    """How many captures could be compared before the others were let go."""

    @property
    def count(self) -> int:
        """How many captures can be compared, those that are not held any more among them."""
        return len(self.comparable) if self.known is None else self.known

    def trimmed(self, most: int) -> SeriesView:
        """The same with no more than its latest captures, and those that can be compared; all else that follows from
        the others is kept."""
        from dataclasses import replace

        if len(self.captures) <= most:
            return replace(self, compared=replace(self.compared, dependence=None), known=self.count)
        start = len(self.captures) - most
        if all(at.change_db is None for at in self.captures[start:]) and self.comparable:
            start = self.captures.index(self.comparable[-1])
        whole = self.compared
        compared = replace(
            whole, dependence=None, time_s=whole.time_s[start:].copy(), change_db=whole.change_db[start:].copy(),
            sigma_db=whole.sigma_db[start:].copy(), condition=whole.condition[start:].copy(),
        )  # fmt: skip
        return replace(self, compared=compared, captures=self.captures[start:], known=self.count)

    @property
    def comparable(self) -> tuple[At, ...]:
        """Captures that can be compared."""
        return tuple(at for at in self.captures if at.change_db is not None)

    @property
    def baseline(self) -> Baseline | None:
        """Of the condition of the last capture that can be compared."""
        labels: list[int] = self.compared.condition.tolist()
        baselines: tuple[Baseline, ...] = self.compared.baselines
        for label, at in zip(reversed(labels), reversed(self.captures), strict=True):
            if at.change_db is not None:
                return baselines[label]
        return baselines[labels[-1]] if labels else None


class SeriesGatherer:
    """Looks at the series of one drive after the other, each once."""

    def __init__(self, store: DecisionBook, settings: HistorySettings) -> None:
        self._store, self._settings = store, settings
        self._known: dict[SeriesKey, SeriesView] = {}
        self._series: dict[SeriesKey, Series] = {}
        self._events: tuple[Event, ...] = ()
        self._drive: str | None = None

    def events(self, drive: str) -> tuple[Event, ...]:
        """What was done to a drive."""
        if drive != self._drive:
            # Of the drive before nothing is asked again; all drives together would fill the memory.
            self._known, self._series, self._drive = {}, {}, drive
            self._events = self._store.events(drive)
        return self._events

    def look(self, key: SeriesKey) -> SeriesView:
        """One series; an empty one where it is unknown."""
        events = self.events(key.drive)
        if key not in self._known:
            self._known[key] = _view(self.series(key), events, self._settings)
        return self._known[key]

    def series(self, key: SeriesKey) -> Series:
        """The values of a series."""
        self.events(key.drive)
        if key not in self._series:
            self._series[key] = self._store.series(key)
        return self._series[key]

    def without(self, key: SeriesKey, contents: Collection[str]) -> SeriesView:
        """A series without some of its captures."""
        from vibe.history.series_rows import left_out

        return _view(left_out(self.series(key), contents), self.events(key.drive), self._settings)


def _view(series: Series, events: Sequence[Event], settings: HistorySettings) -> SeriesView:
    from vibe.history.baseline import compare, from_level_db, level_db
    from vibe.history.trend import trend

    compared = compare(series, settings, events)
    start = len(series.content) - len(compared.time_s)
    values, unit = series.value.tolist()[start:], series.unit
    levels = [float(level_db(value, unit)) for value in values]
    accepted = series.accepted.tolist()[start:]
    times = compared.time_s.tolist()
    reference = _raw_reference(compared, levels, accepted)
    captures = []
    for index, (value, level, change) in enumerate(zip(values, levels, compared.change_db.tolist(), strict=True)):
        known = isfinite(change)
        own = compared.baselines[int(compared.condition[index])]
        bounds = own.change if known else None
        like = float(from_level_db((own.level_db or 0.0) + change, unit)) if known else None
        captures.append(
            At(
                content=series.content[start + index], time_s=times[index], value=value,
                change_db=change if known else None,
                raw_db=level - reference if reference is not None and isfinite(level) else None,
                usual=float(from_level_db(level - change, unit)) if known else None, like=like,
                within=None if bounds is None or like is None else like <= bounds[1],
            )
        )  # fmt: skip
    found = trend(compared.time_s, compared.change_db, compared.sigma_db, settings.trend)
    return SeriesView(key=series.key, unit=unit, compared=compared, trend=found, captures=tuple(captures))


def _raw_reference(compared: Compared, levels: Sequence[float], accepted: Sequence[bool]) -> float | None:
    """Level as read [dB] while the first baseline was taken: what a change without regard to condition starts from."""
    first = min((b for b in compared.baselines if b.level_db is not None), key=lambda b: b.first_s, default=None)
    if first is None:
        return None
    number = compared.baselines.index(first)
    rows = zip(compared.time_s.tolist(), compared.condition.tolist(), levels, accepted, strict=True)
    found = [
        level for time, label, level, good in rows
        if good and label == number and first.first_s <= time <= first.last_s and isfinite(level)
    ]  # fmt: skip
    return median(found) if found else None


def limits_of(
    looked: SeriesView, sisters: Sequence[Limit], drive: Drive | None, zone_limits: Limits, settings: HistorySettings
) -> tuple[Limit, ...]:
    """Limits from all three sources for the condition of the last capture that can be compared."""
    from vibe.history.limits import limits

    return (*limits(looked.baseline, (), zones_of(looked.key, drive, zone_limits), settings), *sisters)


def zones_of(key: SeriesKey, drive: Drive | None, zone_limits: Limits) -> Zones | None:
    """Zone boundaries of a measure that a standard judges."""
    from vibe.core.evidence import Level
    from vibe.health.state.zones import zone
    from vibe.history.limits import Zones

    if drive is None or key.measure != "velocity_rms":
        return None
    verdict = zone(Level(point=key.point, measure=key.measure, value=0.0, unit="mm/s"), drive, zone_limits)
    if verdict is None:
        return None
    bounds = verdict.boundaries
    name = verdict.source.split(",")[0]
    return Zones(standard=name, bc=bounds.bc, cd=bounds.cd, by_analogy=verdict.by_analogy)


def state_of(
    looked: SeriesView, found: Sequence[Limit], rules: AlarmRules, settings: HistorySettings
) -> SeriesState | None:
    """A series as the queue concerns it; None where no capture can be determined."""
    from vibe.history.baseline import level_db
    from vibe.history.trend import time_to_limit

    if not looked.captures:
        return None
    last = (looked.comparable or looked.captures)[-1]
    baseline, trend = looked.baseline, looked.trend
    trip = next((limit for limit in found if limit.kind == "trip"), None)
    target, over = f"{rules.time.target_db:g} dB over the baseline", rules.time.target_db
    if trip is not None and baseline is not None and baseline.level_db is not None:
        over = float(level_db(trip.value, looked.unit)) - baseline.level_db
        target = f"the trip of {trip.value:.3g} {looked.unit}"
    time = time_to_limit(trend, over, settings.trend)
    gone = trend.growth_db if trend.growth_db is not None else trend.level_db
    share = None if gone is None or over <= 0 or trend.state == "cannot be told yet" else gone / over
    raws = [at.raw_db for at in looked.comparable[-3:] if at.raw_db is not None]
    raw = median(raws) if raws else None
    grows = trend.state in ("growing", "stepped up", "falling", "stepped down") and trend.changes
    slope = trend.slope
    return SeriesState(
        key=looked.key, unit=looked.unit, at=datetime.fromtimestamp(last.time_s, UTC), value=last.value,
        content=last.content, n=trend.n, usual=last.usual,
        condition="" if baseline is None else str(baseline.condition),
        limits=tuple(
            LimitLine(
                source=one.source, kind=one.kind, value=one.value, low=one.low, by_analogy=one.by_analogy,
                because=one.because,
            )
            for one in found
        ),
        raw_db=raw, change_db=trend.growth_db, change_low_db=trend.growth_low_db, change_high_db=trend.growth_high_db,
        shift_db=None if raw is None or trend.growth_db is None else raw - trend.growth_db,
        state=trend.state, since=datetime.fromtimestamp(trend.changes[-1].at_s, UTC) if grows else None,
        scatter_db=trend.scatter_db,
        slope_db_per_month=None if slope is None else slope.db_per_month,
        slope_low=_bound(None if slope is None else slope.low),
        slope_high=_bound(None if slope is None else slope.high),
        target=target, days_to_target=time.days, soonest_days=time.soonest, latest_days=time.latest,
        time_words=time.words, target_share=1.0 if time.days == 0.0 else share,
    )  # fmt: skip


def _bound(value: float | None) -> float | None:
    """An end of an interval; one that so few captures do not bound is not known."""
    return value if value is not None and isfinite(value) else None
