"""Limits from three sources side by side, each named: ISO rules, this drive's statistics, its sisters' statistics."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from vibe.history.baseline import Baseline, from_level_db, level_db
from vibe.history.settings import HistorySettings
from vibe.history.statistics.tolerance import two_sided_factor

Array = NDArray[np.float64]
Source = Literal["ISO rules", "this drive", "sister drives"]
LimitKind = Literal["change", "alarm", "trip"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Zones:
    """Zone boundaries B/C and C/D in the unit of the measure; ``by_analogy`` where the drive is outside their scope."""

    standard: str
    bc: float
    cd: float
    by_analogy: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Limit:
    """A level [unit of the measure] above which, or below ``low``, something is to be looked at.

    ``change`` is a level that differs from what is usual, up or down; ``alarm`` and ``trip`` bound from above.
    ``because`` says in one line how it was made.
    """

    source: Source
    kind: LimitKind
    value: float
    low: float | None
    by_analogy: bool
    because: str

    def broken_by(self, value: float) -> bool:
        """Whether a value lies beyond this limit."""
        return value > self.value or (self.low is not None and value < self.low)


def limits(
    baseline: Baseline | None, sisters: Sequence[Baseline], zones: Zones | None, settings: HistorySettings
) -> tuple[Limit, ...]:
    """All limits that can be stated, ISO rules first.

    ``sisters`` are baselines of *other* drives of the same type, same measure and point, in the same condition.
    ``zones`` belong to velocity r.m.s. (or what else the standard judges) and are None for all other measures.
    """
    return (
        *(() if zones is None else iso_limits(None if baseline is None else baseline.usual, zones, settings)),
        *(() if baseline is None else own_limits(baseline, settings)),
        *sister_limits(sisters, settings),
    )


def iso_limits(usual: float | None, zones: Zones, settings: HistorySettings) -> tuple[Limit, ...]:
    """Change, alarm and trip after ISO 10816-3:2009, 5.3 and 5.4; ``usual`` is None while there is no baseline."""
    rules = settings.limits
    step, cap = rules.change_share_of_bc * zones.bc, rules.alarm_cap_of_bc * zones.bc
    name = f"{zones.standard}{', by analogy' if zones.by_analogy else ''}"
    made: list[Limit] = []

    def add(kind: LimitKind, value: float, because: str, low: float | None = None) -> None:
        made.append(
            Limit(
                source="ISO rules",
                kind=kind,
                value=value,
                low=low,
                by_analogy=zones.by_analogy,
                because=f"{name}: {because}",
            )
        )

    if usual is not None:
        share = f"{100 * rules.change_share_of_bc:.0f} % of B/C ({zones.bc:g})"
        add("change", usual + step, f"baseline {usual:.3g} up or down by {share}", max(usual - step, 0.0))
        capped = f", capped at {rules.alarm_cap_of_bc:g} times B/C" if usual + step > cap else ""
        add("alarm", min(usual + step, cap), f"baseline {usual:.3g} and {share}{capped}")
    else:
        # The standard leaves the first setting to experience; B/C itself is common practice.
        add("alarm", zones.bc, f"B/C ({zones.bc:g}) itself until there is a baseline")
    add("trip", rules.trip_of_cd * zones.cd, f"{rules.trip_of_cd:g} times C/D ({zones.cd:g}), not tied to the baseline")
    return tuple(made)


def own_limits(baseline: Baseline, settings: HistorySettings) -> tuple[Limit, ...]:
    """Change and alarm from what this drive did before; none while there is no baseline."""
    if baseline.change is None or baseline.alarm is None:
        return ()
    return _statistical(
        "this drive", baseline.change, baseline.alarm, baseline.note, settings, baseline.level_db, baseline.unit
    )


def sister_limits(sisters: Sequence[Baseline], settings: HistorySettings) -> tuple[Limit, ...]:
    """Change and alarm from the baselines of sister drives; none for fewer than ``fewest_sisters``."""
    known = [b for b in sisters if b.level_db is not None and b.spread_db is not None]
    if not known:
        return ()
    level, spread, count = np.array([(b.level_db, b.spread_db, b.n_effective) for b in known], dtype=np.float64).T
    middle = float(level.mean())
    free = count - 1.0
    sums = [len(known), (level - middle).sum(), ((level - middle) ** 2).sum(), free.sum(), (free * spread**2).sum()]
    found = sister_intervals(np.array([[*sums, (1.0 / count).sum()]]), middle, known[0].unit, settings)
    return found.limits(0, settings)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SisterIntervals:
    """Limits from sister drives for several drives at once, arrays (q,); bounds in ``unit``, NaN where there are none.

    ``mean_db`` is what is usual among the sisters, ``between_db`` and ``within_db`` how they scatter.
    """

    unit: str
    drives: Array
    mean_db: Array
    between_db: Array
    within_db: Array
    change_low: Array
    change_high: Array
    alarm_low: Array
    alarm_high: Array

    def without(self, rows: NDArray[np.bool_]) -> SisterIntervals:
        """The same with none for some."""
        low, high, alarm_low, alarm_high = (
            np.where(rows, np.nan, one) for one in (self.change_low, self.change_high, self.alarm_low, self.alarm_high)
        )
        return replace(
            self, drives=np.where(rows, 0.0, self.drives), change_low=low, change_high=high, alarm_low=alarm_low,
            alarm_high=alarm_high,
        )  # fmt: skip

    def limits(self, row: int, settings: HistorySettings) -> tuple[Limit, ...]:
        """Change and alarm of one drive."""
        high = float(self.change_high[row])
        if not np.isfinite(high):
            return ()
        note = (
            f"{self.drives[row]:.0f} drives, {self.between_db[row]:.1f} dB between and {self.within_db[row]:.1f} dB "
            "within drives"
        )
        change = float(self.change_low[row]), high
        alarm = float(self.alarm_low[row]), float(self.alarm_high[row])
        return _statistical("sister drives", change, alarm, note, settings, float(self.mean_db[row]), self.unit)

    def alarms(self, settings: HistorySettings) -> Array:
        """The alarm of each, NaN where there is none or it has to wait."""
        over = level_db(self.alarm_high, self.unit) - self.mean_db
        return np.where(over > settings.limits.furthest_db, np.nan, self.alarm_high)


def sister_intervals(sums: Array, middle_db: float, unit: str, settings: HistorySettings) -> SisterIntervals:
    """Tolerance intervals for several drives, each from the sums over its own sisters: rows (q, 6) of how many there
    are; their levels from ``middle_db`` [dB], and those squared; their captures less one, and those times the variance
    within a drive; one over their captures. None for fewer than ``fewest_sisters``.

    A one-way random model: a level is that of its drive plus scatter, both normal in dB. The variance of one capture of
    any drive is var(means) + (1 - 1/n) var(within), n the harmonic mean of the captures per drive; degrees of freedom
    after Satterthwaite; the mean counts as one of as many values as there are drives, which is a little careful where
    captures scatter more than drives differ. After Mee, Technometrics 26 (1984) 251-253, and for unequal numbers
    Thomas & Hultquist, Annals of Statistics 6 (1978) 582-587, from memory.

    By simulation, "95 % sure" is 88 % or more with four to eight drives.
    """
    drives, level, squared, freedom, weighted, inverse = sums.T
    enough = (drives >= settings.limits.fewest_sisters) & (freedom > 0)
    with np.errstate(divide="ignore", invalid="ignore"):
        mean = level / drives
        least = settings.baseline.least_spread_db**2
        between = np.maximum((squared - drives * mean**2) / (drives - 1.0), least)
        pooled = weighted / freedom
        scatter = (1.0 - inverse / drives) * pooled
        variance = between + scatter
        dof = variance**2 / (between**2 / (drives - 1.0) + scatter**2 / freedom)
    usual, spread = mean + middle_db, np.sqrt(variance)
    rules = settings.baseline
    bounds = []
    for content in (rules.change_content, rules.alarm_content):
        factor = _factors(drives, dof, enough, content, rules.confidence)
        bounds += [from_level_db(usual - factor * spread, unit), from_level_db(usual + factor * spread, unit)]
    return SisterIntervals(
        unit=unit, drives=drives, mean_db=usual, between_db=np.sqrt(between), within_db=np.sqrt(pooled),
        change_low=bounds[0], change_high=bounds[1], alarm_low=bounds[2], alarm_high=bounds[3],
    )  # fmt: skip


def _factors(drives: Array, dof: Array, enough: NDArray[np.bool_], content: float, confidence: float) -> Array:
    """Factors of tolerance intervals, NaN where there are not enough drives; each is worked out once."""
    pairs, place = np.unique(drives[enough] + 1j * _rounded(dof[enough]), return_inverse=True)
    found = np.full(drives.shape, np.nan)
    each = [two_sided_factor(int(one.real), content, confidence, one.imag) for one in pairs.tolist()]
    found[enough] = np.array(each, dtype=np.float64)[place]
    return found


def _rounded(dof: Array) -> Array:
    """Degrees of freedom to a tenth, many of them to a half or a few per cent: the factor changes by less than one per
    cent, and one that is known need not be worked out again."""
    step = 10.0 ** (np.floor(np.log10(dof)) - 1.0)
    many = np.where(dof < 30.0, np.round(2.0 * dof) / 2.0, np.round(dof / step) * step)
    return np.asarray(np.where(dof < 10.0, np.round(dof, 1), many), dtype=np.float64)


def _statistical(
    source: Source,
    change: tuple[float, float],
    alarm: tuple[float, float],
    note: str,
    settings: HistorySettings,
    usual_db: float | None,
    unit: str,
) -> tuple[Limit, ...]:
    """Change and alarm; no alarm that scatter puts further above what is usual than one may wait."""
    rules = settings.baseline

    def waits(value: float) -> bool:
        return usual_db is not None and float(level_db(value, unit)) - usual_db > settings.limits.furthest_db

    def words(content: float) -> str:
        return f"{100 * content:.0f} % of sound captures, {100 * rules.confidence:.0f} % sure; {note}"

    made = (
        Limit(
            source=source, kind="change", value=change[1], low=change[0], by_analogy=False,
            because=words(rules.change_content),
        ),
        Limit(
            source=source, kind="alarm", value=alarm[1], low=None, by_analogy=False, because=words(rules.alarm_content),
        ),
    )  # fmt: skip
    return tuple(limit for limit in made if limit.kind == "change" or not waits(limit.value))


def change_over(limit: Limit, value: float, unit: str) -> float:
    """How far a value lies above a limit [dB]; negative below it."""
    return float(level_db(value, unit) - level_db(limit.value, unit))
