"""Whether a level is steady, stepped or grows; since when; and when it reaches a limit, if that can be determined.

Everything works on levels in dB over what is usual in each capture's own condition (``Compared.change_db``): growth
that is exponential in the measure is a straight line there, and a load that swings with the season is not in it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.stats import norm

from vibe.core.units import DAY_S
from vibe.history.settings import TrendSettings
from vibe.history.statistics.change_points import Change, Course, find_changes
from vibe.history.statistics.slope import MONTH_S, Slope, line_now, robust_slope

Array = NDArray[np.float64]
QUICKENS_FROM = 4
"""Captures of either half: fewer have no interval of their slope (``robust_slope``)."""
State = Literal["cannot be told yet", "steady", "growing", "falling", "stepped up", "stepped down"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Trend:
    """What a series did. ``slope`` is that since the last change, of ``n`` captures in all.

    ``growth_db`` is the median of the last three captures over what is usual, with an interval; None without any.
    ``level_db`` is the robust line's level now and ``scatter_db`` the spread of captures about it.
    """

    state: State
    n: int
    changes: tuple[Change, ...]
    slope: Slope | None
    growth_db: float | None
    growth_low_db: float | None
    growth_high_db: float | None
    level_db: float | None
    scatter_db: float | None
    latest_s: float
    note: str
    quickens: bool = False
    """Whether growth since the last change is faster in its second half than in its first."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TimeToLimit:
    """Days from the latest capture until a limit is reached, with interval; all None where that cannot be determined,
    and wherever the settings do not say that such intervals were shown to hold (``dated``).

    ``latest`` may be None alone: beyond what is stated.
    """

    days: float | None
    soonest: float | None
    latest: float | None
    words: str


def trend(time_s: Array, change_db: Array, sigma_db: Array, settings: TrendSettings) -> Trend:
    """The trend of levels (n,) over what is usual [dB], oldest first; NaN where a capture does not count.

    ``sigma_db`` (n,): standard uncertainty of what is usual, as ``Compared`` gives it.
    """
    known = np.isfinite(change_db)
    time, level = time_s[known], change_db[known]
    if level.size == 0:
        return Trend(
            state="cannot be told yet", n=0, changes=(), slope=None, growth_db=None, growth_low_db=None,
            growth_high_db=None, level_db=None, scatter_db=None, latest_s=float("nan"),
            note="no capture can be compared yet",
        )  # fmt: skip
    time_all, level_all = time, level
    time, level = _thinned(time, level, settings.most)
    course = find_changes(time, level, settings)
    since = slice(course.last_from, None)
    slope = robust_slope(time[since], level[since], settings.confidence)
    now, scatter = line_now(time[since], level[since], slope) if slope is not None else (None, None)
    last = level_all[-3:]
    growth = float(np.median(last))
    # The baseline's own uncertainty and, as 1.25 s / sqrt(n), that of a median of so few.
    spread = 1.25 * (scatter or 0.0) / np.sqrt(last.size)
    wide = float(norm.ppf(0.5 + settings.confidence / 2) * np.hypot(spread, sigma_db[known][-1]))
    state, note = _state(int(level.size), course, settings)
    return Trend(
        state=state, n=int(level_all.size), changes=course.changes, slope=slope, growth_db=growth,
        growth_low_db=growth - wide, growth_high_db=growth + wide, level_db=now, scatter_db=scatter,
        latest_s=float(time_all[-1]), note=note,
        quickens=state == "growing" and _quickens(time[since], level[since]),
    )  # fmt: skip


def _quickens(time_s: Array, level_db: Array) -> bool:
    """Second half against first: by medians of pairs, and by more than the interval of the first half."""
    half = level_db.size // 2
    if half < QUICKENS_FROM:
        return False
    early, late = (robust_slope(time_s[part], level_db[part], 0.9) for part in (slice(half), slice(half, None)))
    return early is not None and late is not None and late.db_per_month > max(early.high, 0.0)


def time_to_limit(found: Trend, limit_over_usual_db: float, settings: TrendSettings) -> TimeToLimit:
    """When a level that goes on growing as since the last change reaches a limit, given in dB over what is usual.

    The interval joins that of the slope with the scatter of captures about the line; it says nothing of growth that
    quickens, which damage is known to do: an end that comes sooner is more likely than one that comes later.
    """
    if found.level_db is not None and found.state != "cannot be told yet" and found.level_db >= limit_over_usual_db:
        return TimeToLimit(days=0.0, soonest=0.0, latest=0.0, words="the limit is reached")
    if found.state == "cannot be told yet":
        return _not_known(found.note)
    if found.state != "growing" or found.slope is None or found.level_db is None or found.scatter_db is None:
        return _not_known("the level does not grow steadily")
    if not settings.dated:
        faster = ", faster than before" if found.quickens else ""
        return TimeToLimit(days=None, soonest=None, latest=None, words=f"growing{faster}; cannot be dated")
    if not found.slope.low > 0:
        return _not_known(f"growth since the last change is not yet sure ({found.slope.n} captures)")
    wide = float(norm.ppf(0.5 + settings.confidence / 2)) * found.scatter_db
    away = limit_over_usual_db - found.level_db
    per_day = DAY_S / MONTH_S
    days = away / (found.slope.db_per_month * per_day)
    latest = (away + wide) / (found.slope.low * per_day)
    soonest = max(away - wide, 0.0) / (found.slope.high * per_day) if np.isfinite(found.slope.high) else 0.0
    if days > settings.furthest_days:
        return _not_known(f"not within {settings.furthest_days / 365.25:.0f} years at this slope")
    latest_shown = latest if latest <= settings.furthest_days else None
    until = f"{latest:.3g}" if latest_shown is not None else f"more than {settings.furthest_days:.0f}"
    words = (
        f"{days:.3g} days ({soonest:.3g} to {until}) if it goes on growing as since the last change; "
        "a sudden end is not foretold"
    )
    return TimeToLimit(days=days, soonest=soonest, latest=latest_shown, words=words)


def _not_known(why: str) -> TimeToLimit:
    return TimeToLimit(days=None, soonest=None, latest=None, words=f"not known yet: {why}")


def _state(n: int, course: Course, settings: TrendSettings) -> tuple[State, str]:
    if n < settings.fewest:
        return "cannot be told yet", f"{n} of {settings.fewest} captures"
    if not course.changes:
        return "steady", "no change that chance would not make"
    # What stays inside the scatter of sound captures is nothing to act on, and slow drift looks like it.
    least = max(settings.least_growth_db, settings.least_growth_sigmas * course.scatter_db)
    if course.line and abs(course.rise_db) >= least:
        return ("growing" if course.rise_db > 0 else "falling"), f"{course.rise_db:+.1f} dB since the last change"
    last = course.changes[-1]
    if last.kind == "step" and abs(last.size_db) >= least:
        return ("stepped up" if last.size_db > 0 else "stepped down"), f"{last.size_db:+.1f} dB at once"
    return "steady", "since the last change"


def _thinned(time_s: Array, level_db: Array, most: int) -> tuple[Array, Array]:
    """At most ``most`` captures: medians of equal groups of neighbours, the youngest group full."""
    group = -(-level_db.size // most)
    if group == 1:
        return time_s, level_db
    spare = level_db.size % group
    rows = [row[spare:].reshape(-1, group) for row in (time_s, level_db)]
    return np.median(rows[0], axis=1), np.median(rows[1], axis=1)
