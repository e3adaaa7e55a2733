"""The drives of a type against one another: spread, outliers, and what production did over time."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from math import isfinite
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import median_filter
from scipy.stats import beta, normaltest

from vibe.core.records.population import Drift, FigureKey, FigureSpread, Outlier, Population
from vibe.history.baseline import level_db
from vibe.history.population.figure_labels import points_to
from vibe.history.population.records import PopulationFigures
from vibe.history.population.settings import PopulationSettings
from vibe.history.settings import TrendSettings
from vibe.history.statistics.outliers import outliers, tail_outliers
from vibe.history.statistics.tolerance import two_sided_factor
from vibe.history.trend import trend

Array = NDArray[np.float64]
LINEAR = {"°C", "K", "%", "Hz", "dB", "r/min"}
"""Units of figures that are taken as they are: they scatter evenly, and may be nought or below."""
QUANTILES = (0.0, 0.05, 0.25, 0.5, 0.75, 0.95, 1.0)
"""What a picture of a spread shows: extremes, the middle half and nine in ten (common practice)."""
_STRIP = 400
"""Points of a picture; more lie on top of each other (our choice)."""
_NORMAL_FROM = 20
"""Below, a test of normality sees only the coarsest departures."""
_SKEW_SEEN_FROM = 100
"""Simulated: of lopsided figures of 40 drives (skewness 1 in dB) half of all populations still had an outlier."""
_NO_DRIFT = Drift(state="cannot be told yet", note="", per_month=None, low=None, high=None, changes=())


def population(
    gathered: PopulationFigures, settings: PopulationSettings, rules: TrendSettings, *, title: str, software: str,
    left_out: Sequence[tuple[str, str]] = (), remarks: Sequence[str] = (),
) -> Population:  # fmt: skip
    """Every figure over all drives. Drives measured again count once, by their last record.

    Drives of another ratio than most are of another type: they are named and left out.
    """
    counts = np.ones(len(gathered.serial), dtype=np.bool_)
    counts[list(gathered.replaced)] = False
    of_other_ratio = _of_another_ratio(gathered, counts)
    counts[[number for number, _ in of_other_ratio]] = False
    time_s = np.asarray(gathered.time_s, dtype=np.float64)
    wanted = [(key, np.asarray(number), np.asarray(value)) for key, (number, value) in sorted(gathered.rows.items())]
    chosen = [(key, number[counts[number]], value[counts[number]]) for key, number, value in wanted]
    # Figures that can raise an alarm share the stated rate (Bonferroni).
    tested = max(sum(number.size >= settings.fewest for _, number, _ in chosen), 1)
    figures, found = [], []
    for key, number, value in chosen:
        spread, apart = _figure(key, number, value, time_s, gathered, settings, rules, tested)
        figures.append(spread)
        found += apart
    said = list(remarks)
    if found and counts.sum() < _SKEW_SEEN_FROM:
        said.append(
            f"with fewer than {_SKEW_SEEN_FROM} drives a figure whose scatter is lopsided can pass for normal, and "
            "then drives stand apart more often than stated"
        )
    if gathered.too_many:
        said.append(f"{gathered.too_many} values of still more kinds of figures were left out")
    known = time_s[counts & np.isfinite(time_s)]
    if known.size < counts.sum():
        said.append(
            f"{counts.sum() - known.size} drives have no time with its offset from UTC: no drift is reported for them"
        )
    if gathered.replaced:
        said.append(f"{len(gathered.replaced)} earlier records of drives with a later measurement do not count")
    figures.sort(key=lambda one: (-one.outliers, one.drift.state in ("steady", "cannot be told yet"), one.figure))
    return Population(
        title=title, drives=int(counts.sum()), records=len(gathered.serial), figures=tuple(figures),
        outliers=tuple(sorted(found, key=lambda one: (one.chance, -abs(one.spreads), one.serial))),
        false_alarm_rate=settings.false_alarm_rate, content=settings.content, confidence=settings.confidence,
        left_out=(*left_out, *((gathered.file[number], why) for number, why in of_other_ratio)), remarks=tuple(said),
        first_s=float(known.min()) if known.size else None,
        last_s=float(known.max()) if known.size else None, software=software,
    )  # fmt: skip


def _of_another_ratio(gathered: PopulationFigures, counts: NDArray[np.bool_]) -> list[tuple[int, str]]:
    stated = Counter(ratio for ratio, one in zip(gathered.ratio, counts.tolist(), strict=True) if ratio and one)
    if len(stated) < 2:
        return []
    usual = stated.most_common(1)[0][0]
    return [
        (number, f"is of ratio {ratio}, most are of {usual}")
        for number, ratio in enumerate(gathered.ratio)
        if ratio and ratio != usual and counts[number]
    ]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Scale:
    """How a figure is made to scatter evenly: dB where it is positive throughout and no linear unit."""

    name: Literal["dB", "linear"]
    unit: str

    @classmethod
    def of(cls, key: FigureKey, value: Array) -> _Scale:
        return cls(name="linear" if key.unit in LINEAR or not (value > 0).all() else "dB", unit=key.unit)

    def up(self, value: Array) -> Array:
        return level_db(value, self.unit) if self.name == "dB" else value

    def down(self, level: float) -> float:
        if self.name == "linear":
            return level
        per_decade = float(level_db(10.0, self.unit))
        return float(10.0 ** (level / per_decade))


def _figure(
    key: FigureKey, number: NDArray[np.int64], value: Array, time_s: Array, gathered: PopulationFigures,
    settings: PopulationSettings, rules: TrendSettings, tested: int,
) -> tuple[FigureSpread, list[Outlier]]:  # fmt: skip
    scale = _Scale.of(key, value)
    # Oldest first; drives without a time at the end, in the order of their files.
    order = np.argsort(time_s[number], kind="stable")
    number, value = number[order], value[order]
    level, n = scale.up(value), int(value.size)
    if n < settings.fewest or float(np.ptp(level)) <= 0.0:
        note = f"{n} of {settings.fewest} drives" if n < settings.fewest else "all drives have the same value"
        return _not_determined(key, scale, value, note), []
    drift = _drift(time_s[number], level, scale, settings, rules, tested)
    moved = drift.state not in ("steady", "cannot be told yet")
    expected = _course(level) if moved else np.full(n, float(np.median(level)))
    off = level - expected
    rate, most = settings.false_alarm_rate / tested, max(int(settings.most_outliers * n), 1)
    apart = outliers(off, rate, most)
    # What is taken out as an outlier may be the tail of a skewed figure: in doubt the tail decides.
    doubtful = _normality(np.delete(off, apart.places)) < settings.doubtful_chance
    if doubtful:
        apart = tail_outliers(off, rate, most)
    rest = np.delete(off, apart.places)
    normal = _normality(rest) >= settings.not_normal_chance
    interval, method, note = _interval(rest, normal, settings)
    at = float(np.median(expected[-max(n // 20, 5) :]))
    notes = [note] if note else []
    if doubtful:
        notes.append("hardly normal: only what lies beyond its own long tail counts as an outlier")
    if moved:
        notes.append("production moved: the interval is that about its present level")
    if apart.full and apart.places.size > 1:  # one drive is no population
        notes.append("so many drives stand apart that they may be a second population")
    spread = FigureSpread(
        figure=key, scale=scale.name, n=n, method=method, note="; ".join(notes), drift=drift,
        tolerance=None if interval is None else (scale.down(at + interval[0]), scale.down(at + interval[1])),
        quantiles=tuple(np.quantile(np.delete(value, apart.places), QUANTILES).tolist()),
        spread=float(rest.std(ddof=1)), outliers=int(apart.places.size),
        strip=_strip(time_s[number], value, apart.places),
    )  # fmt: skip
    found = [
        Outlier(
            serial=gathered.serial[number[place]], file=gathered.file[number[place]], figure=key,
            value=float(value[place]), expected=scale.down(float(expected[place])), spreads=float(apart.z[place]),
            chance=min(float(chance) * tested, 1.0), points_to=points_to(key, high=bool(apart.z[place] > 0)),
        )
        for place, chance in zip(apart.places.tolist(), apart.chance.tolist(), strict=True)
    ]  # fmt: skip
    return spread, found


def _not_determined(key: FigureKey, scale: _Scale, value: Array, note: str) -> FigureSpread:
    quantiles = tuple(np.quantile(value, QUANTILES).tolist()) if value.size else ()
    return FigureSpread(
        figure=key, scale=scale.name, n=int(value.size), tolerance=None, method="cannot be told", note=note,
        quantiles=quantiles, spread=None, drift=_NO_DRIFT, outliers=0,
    )  # fmt: skip


def _normality(rest: Array) -> float:
    """Chance of such a shape if it were normal."""
    return 1.0 if rest.size < _NORMAL_FROM else float(normaltest(rest).pvalue)


def _interval(
    rest: Array, normal: bool, settings: PopulationSettings
) -> tuple[tuple[float, float] | None, Literal["normal", "distribution-free", "cannot be told"], str]:
    """Tolerance interval of what is left when outliers are gone, about the expected level."""
    n = rest.size
    if normal:
        reach = two_sided_factor(n, settings.content, settings.confidence) * float(rest.std(ddof=1))
        middle = float(rest.mean())
        note = "" if n >= _NORMAL_FROM else f"assumed normal: {n} drives are too few to test that"
        return (middle - reach, middle + reach), "normal", note
    depth = free_depth(n, settings.content, settings.confidence)
    if depth == 0:
        return None, "cannot be told", f"not normal, and {n} drives are too few for an interval without a distribution"
    ordered = np.sort(rest)
    return (float(ordered[depth - 1]), float(ordered[-depth])), "distribution-free", ""


def free_depth(n: int, content: float, confidence: float) -> int:
    """r such that the r-th least to the r-th greatest of n values hold the content, whatever their distribution.

    The share between them is beta distributed: Wilks, Annals of Mathematical Statistics 12 (1941) 91-96. 0 where not
    even the least and the greatest do.
    """
    low, high = 0, n // 2
    while low < high:
        depth = (low + high + 1) // 2
        if beta.sf(content, n - 2 * depth + 1, 2 * depth) >= confidence:
            low = depth
        else:
            high = depth - 1
    return low


def _drift(
    time_s: Array, level: Array, scale: _Scale, settings: PopulationSettings, rules: TrendSettings, tested: int
) -> Drift:
    known = np.isfinite(time_s)
    spread = 1.4826 * float(np.median(np.abs(level - np.median(level))))
    least = settings.least_drift_spreads * spread
    if scale.name == "dB":
        least = max(least, settings.least_drift_db)
    own = rules.model_copy(
        update={"chance": settings.drift_chance / tested, "least_growth_db": least, "least_growth_sigmas": 0.0}
    )
    found = trend(time_s[known], level[known] - np.median(level), np.zeros(int(known.sum())), own)
    slope = found.slope
    bounds = (None, None) if slope is None else tuple(x if isfinite(x) else None for x in (slope.low, slope.high))
    unit = "dB" if scale.name == "dB" else scale.unit
    changes = tuple((one.at_s, str(one.kind), one.size_db) for one in found.changes)
    if found.state == "cannot be told yet":
        note = f"{found.n} of {rules.fewest} drives with a time"
    elif not changes:
        note = "no change that chance would not make"
    elif found.state == "steady":
        note = f"changes smaller than {least:.2g} {unit}"
    else:
        note = f"{changes[-1][2]:+.2g} {unit} {'at once' if changes[-1][1] == 'step' else 'since the last change'}"
    return Drift(
        state=found.state, note=note, per_month=None if slope is None else slope.db_per_month, low=bounds[0],
        high=bounds[1], changes=changes,
    )  # fmt: skip


def _course(level: Array) -> Array:
    """What drives made at about the same time have in common (n,): a running median, which outliers do not bend."""
    width = max(21, level.size // 20) | 1
    return np.asarray(median_filter(level, size=min(width, level.size | 1), mode="nearest"), dtype=np.float64)


def _strip(time_s: Array, value: Array, without: NDArray[np.intp]) -> tuple[tuple[float, float], ...]:
    kept = np.isfinite(time_s)
    kept[without] = False
    places = np.flatnonzero(kept)
    if places.size > _STRIP:
        places = places[np.linspace(0, places.size - 1, _STRIP).round().astype(np.intp)]
    return tuple(zip(time_s[places].tolist(), value[places].tolist(), strict=True))
