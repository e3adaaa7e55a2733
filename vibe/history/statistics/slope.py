"""A slope that outliers do not bend, with an interval that honours few captures and neighbours that are alike."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.stats import norm

from vibe.core.units import DAY_S
from vibe.history.statistics.autocorrelation import autocorrelation

Array = NDArray[np.float64]
MONTH_S = DAY_S * 365.25 / 12
"""Seconds of a twelfth of a mean year (Julian, 365.25 days)."""
EXACT_UP_TO = 30
"""Captures up to which the exact distribution of Kendall's S is used; beyond, it is normal to a per mille."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Slope:
    """Growth [dB per month] with its interval; infinite ends where so few captures bound nothing."""

    db_per_month: float
    low: float
    high: float
    confidence: float
    n: int
    autocorrelation: float | None


def robust_slope(time_s: Array, level_db: Array, confidence: float) -> Slope | None:
    """Median slope of all pairs and the interval that Kendall's S gives; None below 3 captures at different times.

    Theil (1950); Sen, J. American Statistical Association 63 (1968) 1379-1389, whose variance counts ties; exact for
    up to 30 captures (Hollander & Wolfe, Nonparametric Statistical Methods). Where neighbouring residuals are alike
    the variance of S is widened by (1 + r) / (1 - r), after Yue & Wang, Water Resources Management 18 (2004) 201-218.
    """
    n = level_db.size
    first, second = np.triu_indices(n, 1)
    apart = time_s[second] - time_s[first]
    usable = apart > 0
    if n < 3 or not usable.any():
        return None
    slopes = np.sort((level_db[second] - level_db[first])[usable] / apart[usable]) * MONTH_S
    middle = float(np.median(slopes))
    alike = autocorrelation(_detrended(time_s, level_db, middle))
    widening = 1.0
    # Weaker correlation than one standard error cannot be distinguished from none.
    if alike is not None and alike > 1.0 / np.sqrt(n):
        widening = (1.0 + alike) / (1.0 - alike)
    reach = float(np.sqrt(widening)) * _kendall_reach(time_s, level_db, confidence)
    below = int(np.floor((slopes.size - reach) / 2.0))
    bounded = below >= 1
    return Slope(
        db_per_month=middle,
        low=float(slopes[below - 1]) if bounded else float("-inf"),
        high=float(slopes[slopes.size - below]) if bounded else float("inf"),
        confidence=confidence,
        n=n,
        autocorrelation=alike,
    )


def line_now(time_s: Array, level_db: Array, slope: Slope) -> tuple[float, float]:
    """Level of the robust line at the latest capture [dB], and the spread of captures about it (robust s.d.)."""
    off = level_db - slope.db_per_month * (time_s - time_s[-1]) / MONTH_S
    now = float(np.median(off))
    # 1.4826 makes the median deviation a standard deviation; n / (n - 2) for the two things fitted.
    freedom = np.sqrt(level_db.size / max(level_db.size - 2, 1))
    return now, float(1.4826 * np.median(np.abs(off - now)) * freedom)


def _detrended(time_s: Array, level_db: Array, per_month: float) -> Array:
    off = level_db - per_month * (time_s - time_s[0]) / MONTH_S
    return np.asarray(off - off.mean())


def _kendall_reach(time_s: Array, level_db: Array, confidence: float) -> float:
    """C such that the interval leaves out (pairs - C) / 2 slopes at either end."""
    n = level_db.size
    tied = [np.unique(row, return_counts=True)[1] for row in (time_s, level_db)]
    if n <= EXACT_UP_TO and all(counts.max() == 1 for counts in tied):
        return _exact_reach(n, confidence)
    return float(norm.ppf(0.5 + confidence / 2) * np.sqrt(_tied_variance(n, tied)))


def kendall_s(time_s: Array, values: Array) -> int:
    """Kendall's S: pairs that rise less pairs that fall."""
    first, second = np.triu_indices(values.size, 1)
    return int(np.sum(np.sign(time_s[second] - time_s[first]) * np.sign(values[second] - values[first])))


def kendall_chance(time_s: Array, values: Array) -> float:
    """Chance that values without a trend make an S at least so far from zero, either way.

    Exact for up to 30 values without ties, else normal with the variance that ties leave (Kendall, Rank Correlation
    Methods, as ``robust_slope``).
    """
    n, s = values.size, abs(kendall_s(time_s, values))
    tied = [np.unique(row, return_counts=True)[1] for row in (time_s, values)]
    if n <= EXACT_UP_TO and all(counts.max() == 1 for counts in tied):
        # S = pairs - 2 inversions, so S at least s is inversions of (pairs - s) / 2 at most.
        return min(2.0 * float(_inversions(n)[(n * (n - 1) // 2 - s) // 2]), 1.0)
    if all(counts.max() < n for counts in tied):
        variance = _tied_variance(n, tied)
        return float(2.0 * norm.sf(s / np.sqrt(variance))) if variance > 0 else 1.0
    return 1.0


def _tied_variance(n: int, tied: list[NDArray[np.intp]]) -> float:
    variance = float(n * (n - 1) * (2 * n + 5))
    for counts in tied:
        variance -= float(np.sum(counts * (counts - 1.0) * (2.0 * counts + 5.0)))
    return max(variance, 0.0) / 18.0


@lru_cache(maxsize=256)
def _inversions(n: int) -> Array:
    """P(a random order of n has j inversions or fewer), for every j."""
    orders = np.ones(1)
    for size in range(2, n + 1):
        # Numbers of permutations by their inversions: each new element adds 0 to size - 1 of them.
        orders = np.convolve(orders, np.full(size, 1.0 / size))
    return np.cumsum(orders)


@lru_cache(maxsize=256)
def _exact_reach(n: int, confidence: float) -> float:
    """k - 2 for the least k with P(S >= k) <= (1 - confidence) / 2; all pairs (no bound) where there is none."""
    pairs = n * (n - 1) // 2
    tail = _inversions(n)  # P(inversions <= j) = P(S >= pairs - 2 j)
    inside = np.flatnonzero(tail <= (1.0 - confidence) / 2 + 1e-12)
    return float(pairs - 2 * inside[-1] - 2) if inside.size else float(pairs)
