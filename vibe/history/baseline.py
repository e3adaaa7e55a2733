"""What is usual for a drive: baselines per operating condition, and how far every capture lies from them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.stats import t

from vibe.core.records.history import Event, Series
from vibe.core.units import DAY_S
from vibe.history.operating_condition import Condition, Dependence, dependence_on_condition, sort_conditions
from vibe.history.settings import BaselineSettings, HistorySettings, TrendSettings
from vibe.history.statistics.autocorrelation import autocorrelation, effective_count
from vibe.history.statistics.change_points import find_changes
from vibe.history.statistics.slope import kendall_chance, kendall_s
from vibe.history.statistics.tolerance import two_sided_factor

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Baseline:
    """What is usual in one condition. All that needs a spread is None while there are too few captures.

    ``level_db`` is the mean level and ``spread_db`` its standard deviation, of ``n`` captures that count as many
    independent ones as ``n_effective``. ``change`` and ``alarm`` are tolerance intervals (low, high) in the unit of
    the measure; ``usual`` is the mean level in that unit. ``outlier`` is the content of the capture left out.
    """

    condition: Condition
    unit: str
    n: int
    n_effective: float
    level_db: float | None
    spread_db: float | None
    usual: float | None
    change: tuple[float, float] | None
    alarm: tuple[float, float] | None
    first_s: float
    last_s: float
    autocorrelation: float | None
    outlier: str | None
    provisional: bool
    note: str


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Compared:
    """A series against its baselines; arrays (n,) as in the series, all of it since the last new baseline.

    ``condition`` numbers ``baselines``; ``change_db`` is the level over what is usual in that condition, NaN where no
    baseline shows that or the capture was not accepted; ``sigma_db`` is the standard uncertainty of what is usual
    (it is shared by all captures of a condition). With a ``dependence`` all conditions inside it are one.
    """

    since_s: float
    time_s: Array
    change_db: Array
    sigma_db: Array
    condition: NDArray[np.int64]
    baselines: tuple[Baseline, ...]
    dependence: Dependence | None

    @property
    def latest(self) -> Baseline | None:
        """Baseline of the condition that the latest capture was in."""
        return self.baselines[int(self.condition[-1])] if self.condition.size else None


def level_db(value: Array | float, unit: str) -> Array:
    """Levels with even noise: 20 lg of amplitudes, 10 lg of mean squares, dB as they are; NaN if not positive."""
    value = np.asarray(value, dtype=np.float64)
    if unit == "dB":
        return value
    positive = np.where(value > 0, value, np.nan)
    return np.asarray(_per_decade(unit) * np.log10(positive))


def from_level_db(level: Array | float, unit: str) -> Array:
    """Inverse of ``level_db``."""
    level = np.asarray(level, dtype=np.float64)
    return level if unit == "dB" else np.asarray(10.0 ** (level / _per_decade(unit)))


def _per_decade(unit: str) -> float:
    return 10.0 if unit.startswith("(") and unit.endswith(")²") else 20.0


def since(series: Series, events: Sequence[Event]) -> float:
    """Time from which captures show what is usual: the last event with a new baseline, else the beginning."""
    at = [event.at.timestamp() for event in events if event.new_baseline and event.drive == series.key.drive]
    return max(at, default=float("-inf"))


def compare(series: Series, settings: HistorySettings, events: Sequence[Event] = ()) -> Compared:
    """Baselines of a series and how far each capture since the last new baseline lies from its own."""
    start = since(series, events)
    keep = series.time_s >= start
    time_s, speed, load = series.time_s[keep], series.speed_hz[keep], series.load_percent[keep]
    content = [name for name, kept in zip(series.content, keep.tolist(), strict=True) if kept]
    level = np.where(series.accepted[keep], level_db(series.value[keep], series.unit), np.nan)
    labels, conditions = sort_conditions(speed, load, settings.condition)
    found = dependence_on_condition(time_s, level, speed, load, settings.condition)
    sigma = np.zeros(level.size)
    if found is not None:
        inside = found.inside(speed, load)
        level = np.where(inside, level - found.shift_db(speed, load), level)
        sigma = np.where(inside, found.sigma_db(speed, load), 0.0)
        # One condition more, into which all go that the dependence reaches; the empty ones are dropped.
        labels, conditions = np.where(inside, len(conditions), labels), (*conditions, found.condition)
        used, labels = np.unique(labels, return_inverse=True)
        conditions = tuple(conditions[number] for number in used)
    baselines = []
    change = np.full(level.size, np.nan)
    for number, condition in enumerate(conditions):
        mine = np.flatnonzero(labels == number)
        made = take_baseline(time_s[mine], level[mine], series.unit, condition, settings, [content[i] for i in mine])
        baselines.append(made)
        if made.level_db is not None and made.spread_db is not None:
            change[mine] = level[mine] - made.level_db
            sigma[mine] = np.hypot(sigma[mine], made.spread_db / np.sqrt(made.n_effective))
    return Compared(
        since_s=start, time_s=time_s, change_db=change, sigma_db=sigma, condition=np.asarray(labels),
        baselines=tuple(baselines), dependence=found,
    )  # fmt: skip


def take_baseline(
    time_s: Array, level: Array, unit: str, condition: Condition, rules: HistorySettings, content: Sequence[str]
) -> Baseline:
    """The baseline of one condition from levels (n,) [dB], oldest first, NaN where a capture does not count.

    It is made of the first captures. If they change their course among themselves, only those before a rise count (it
    may be damage) or those after a fall (running in).
    """
    settings = rules.baseline
    index = np.flatnonzero(np.isfinite(level))[: settings.most]
    if index.size:
        soon = time_s[index] <= time_s[index[0]] + settings.within_days * DAY_S
        soon[: settings.wanted] = True
        index = index[soon]
    index, cut = _of_one_course(time_s, level, index, settings.fewest, rules.trend)
    outlier = _outlier(level[index], settings)
    left_out = None if outlier is None else content[index[outlier]]
    if outlier is not None:
        index = np.delete(index, outlier)
    n = index.size
    times = (float(time_s[index[0]]), float(time_s[index[-1]])) if n else (float("nan"), float("nan"))
    if n < settings.fewest:
        return Baseline(
            condition=condition, unit=unit, n=n, n_effective=float(n), level_db=None, spread_db=None, usual=None,
            change=None, alarm=None, first_s=times[0], last_s=times[1], autocorrelation=None, outlier=left_out,
            provisional=True, note=f"not enough yet: {n} of {settings.wanted} captures",
        )  # fmt: skip
    values = level[index]
    mean, spread = float(values.mean()), max(float(values.std(ddof=1)), settings.least_spread_db)
    alike = autocorrelation(values - mean)
    effective = effective_count(n, alike, fewest=min(settings.wanted, n))
    factors = [
        two_sided_factor(round(effective, 1), part, settings.confidence)
        for part in (settings.change_content, settings.alarm_content)
    ]
    remark = _remark(time_s[index], values, left_out, effective, settings)
    change, alarm = ((mean - factor * spread, mean + factor * spread) for factor in factors)
    return Baseline(
        condition=condition, unit=unit, n=n, n_effective=effective, level_db=mean, spread_db=spread,
        usual=float(from_level_db(mean, unit)), change=_in_unit(change, unit), alarm=_in_unit(alarm, unit),
        first_s=times[0], last_s=times[1], autocorrelation=alike, outlier=left_out,
        provisional=n < settings.wanted, note="; ".join([remark, *cut]),
    )  # fmt: skip


def _in_unit(interval: tuple[float, float], unit: str) -> tuple[float, float]:
    low, high = (float(from_level_db(end, unit)) for end in interval)
    return low, high


def _outlier(level: Array, settings: BaselineSettings) -> int | None:
    """Place of the one value that Grubbs' two-sided test calls an outlier (ISO 5725-2 uses the same test)."""
    n = level.size
    if n < settings.outlier_from or float(np.ptp(level)) <= 0.0:
        return None
    # A spread below what remounting makes is no measure of what is far.
    spread = max(float(level.std(ddof=1)), settings.least_spread_db)
    far = np.abs(level - level.mean()) / spread
    critical = t.isf(settings.outlier_chance / (2 * n), n - 2) ** 2
    bound = (n - 1) / np.sqrt(n) * np.sqrt(critical / (n - 2 + critical))
    worst = int(np.argmax(far))
    return worst if far[worst] > bound else None


def _of_one_course(
    time_s: Array, level: Array, index: NDArray[np.intp], fewest: int, settings: TrendSettings
) -> tuple[NDArray[np.intp], list[str]]:
    """The captures that belong to one course, and what to say of those left out."""
    course = find_changes(time_s[index], level[index], settings)
    large = [change for change in course.changes if abs(change.size_db) >= settings.least_growth_db]
    for change in large:
        before = time_s[index] < change.at_s
        if change.size_db > 0 and before.sum() >= fewest:
            return index[before], ["taken before the level rose"]
        if change.size_db < 0 and (~before).sum() >= fewest:
            return index[~before], ["taken after the level fell"]
    return index, []


def _remark(time_s: Array, values: Array, outlier: str | None, effective: float, settings: BaselineSettings) -> str:
    n = values.size
    said = [f"{n} captures"]
    if n < settings.wanted:
        said.append(f"provisional: {n} of {settings.wanted}")
    if outlier is not None:
        said.append("one outlier left out")
    if effective < n:
        said.append(f"neighbours are correlated, worth {effective:.0f} independent ones")
    if n >= 6 and kendall_s(time_s, values) > 0 and kendall_chance(time_s, values) < 0.01:
        said.append("levels rose while it was taken")
    return "; ".join(said)
