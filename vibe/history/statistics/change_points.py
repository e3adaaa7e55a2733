"""Where a level left its course, found one change at a time and weighed against chance.

A segment of captures is first taken for level (later: for a line). Every place where it could step or bend is tried;
the best counts when the chance of so good a fit in a series without a change, times the places tried, is small.
What lies on either side is then searched in the same way (binary segmentation: Vostrikova, Soviet Mathematics Doklady
24 (1981) 55-59; from memory), and, where a segment as a whole shows nothing, so are its parts. The F test of what is
added honours few captures, and autocorrelation takes captures away from it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from statistics import median
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.special import fdtrc

from vibe.history.settings import TrendSettings
from vibe.history.statistics.autocorrelation import autocorrelation

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """Where a level left its course: a ``step`` to another level, or a ``bend`` from which on it grows or falls.

    ``at_s`` is the first capture after it; ``size_db`` is the height of a step, or what the level did between a bend
    and the next change; ``chance`` is that of so large a change in a series without it, all places counted in.
    """

    at_s: float
    kind: Literal["step", "bend"]
    size_db: float
    chance: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Course:
    """Changes, oldest first, and the last segment: its first capture, whether it is a line, and what that rose [dB].

    ``scatter_db`` is the standard deviation of all captures about their course.
    """

    changes: tuple[Change, ...]
    last_from: int
    line: bool
    rise_db: float
    scatter_db: float


@dataclass(frozen=True, slots=True)
class _Cut:
    index: int
    kind: Literal["start", "step", "bend"]
    chance: float
    line: bool
    """Whether what follows is a line."""


def find_changes(time_s: Array, level_db: Array, settings: TrendSettings) -> Course:
    """The course of levels (n,) [dB], oldest first, all finite."""
    n = level_db.size
    if n < settings.fewest:
        return Course(changes=(), last_from=0, line=False, rise_db=0.0, scatter_db=0.0)
    level = without_lone_outliers(level_db, settings.outlier_sigmas)
    cuts = _search(time_s, level, 0, n, False, settings)
    if not cuts or cuts[0].index > 0:
        cuts = [_Cut(0, "start", 1.0, False), *cuts]
    bounds = [*(cut.index for cut in cuts), n]
    ends, squares = [], 0.0
    for place, cut in enumerate(cuts):
        segment = slice(cut.index, bounds[place + 1])
        fitted = _fit(time_s[segment], level[segment], cut.line)
        squares += float(np.sum((level[segment] - fitted) ** 2))
        ends.append((float(fitted[0]), float(fitted[-1])))
    changes = []
    for place, cut in enumerate(cuts):
        before = ends[place - 1][1] if place else ends[0][0]
        if cut.kind == "step":
            changes.append(_change(time_s, cut, ends[place][0] - before))
        elif cut.kind == "bend":
            # A bend joins what lies on either side: its rise counts from where the segment before ended.
            changes.append(_change(time_s, cut, ends[place][1] - before))
    freedom = n - sum(1 + cut.line for cut in cuts)
    last = cuts[-1]
    return Course(
        changes=tuple(changes), last_from=last.index, line=last.line,
        rise_db=ends[-1][1] - ends[-1][0] if last.line else 0.0, scatter_db=float(np.sqrt(squares / max(freedom, 1))),
    )  # fmt: skip


def without_lone_outliers(level_db: Array, sigmas: float) -> Array:
    """Levels (n,) in which a lone capture far from both the three before and the three after it is brought back.

    After Hampel, J. American Statistical Association 69 (1974) 383-393. The latest capture has none after it: a change
    is believed once a third capture shows it.
    """
    scale = 1.4826 * float(np.median(np.abs(np.diff(level_db)))) / np.sqrt(2.0)
    levels, cleaned = level_db.tolist(), level_db.copy()
    for index, level in enumerate(levels):
        sides = [side for side in (levels[max(index - 3, 0) : index], levels[index + 1 : index + 4]) if side]
        nearest = min((median(side) for side in sides), key=lambda middle: abs(level - middle))
        if abs(level - nearest) > sigmas * max(scale, 1e-9):
            cleaned[index] = nearest
    return cleaned


def _search(time_s: Array, level: Array, start: int, stop: int, line: bool, settings: TrendSettings) -> list[_Cut]:
    """All cuts inside [start, stop); a cut at ``start`` says that the whole segment is a line."""
    best = _best_cut(time_s[start:stop], level[start:stop], line, settings)
    if best is not None:
        best = replace(best, index=best.index + start)
    else:
        best = _inner_cut(time_s, level, start, stop, line, settings)
    if best is None:
        return []
    if best.index == start:
        return [best, *_search(time_s, level, start, stop, True, settings)]
    before = _search(time_s, level, start, best.index, line, settings)
    after = _search(time_s, level, best.index, stop, best.line, settings)
    if after and after[0].index == best.index:
        # The segment after a step turns out to be a line: one place, reported as what was found first.
        best, after = replace(best, line=True), after[1:]
    return [*before, best, *after]


def _inner_cut(time_s: Array, level: Array, start: int, stop: int, line: bool, settings: TrendSettings) -> _Cut | None:
    """The clearest cut of any part of a segment that shows none as a whole: up and down again hide each other.

    Parts of a half, a quarter, ... of its length, each overlapping the next by half: Kovács, Bühlmann, Li & Munk,
    Biometrika 110 (2023) 249-256 (from memory). A part that is a line all through says nothing of where it began.
    """
    parts = []
    length = (stop - start) // 2
    while length >= max(settings.fewest, 2 * settings.segment_from + 1):
        parts += [(first, first + length) for first in range(start, stop - length + 1, max(length // 2, 1))]
        parts.append((stop - length, stop))
        length //= 2
    found = []
    for first, last in parts:
        cut = _best_cut(time_s[first:last], level[first:last], line, settings)
        if cut is not None and cut.index > 0 and cut.chance * len(parts) <= settings.chance:
            found.append(replace(cut, index=cut.index + first, chance=cut.chance * len(parts)))
    return min(found, key=lambda cut: cut.chance, default=None)


def _best_cut(time_s: Array, level: Array, line: bool, settings: TrendSettings) -> _Cut | None:
    """The clearest step or bend of one segment, if chance would hardly make it."""
    n, least = level.size, settings.segment_from
    if n < 2 * least:
        return None
    x = (time_s - time_s[0]) / max(float(time_s[-1] - time_s[0]), 1e-9)
    base = np.column_stack([np.ones(n), x]) if line else np.ones((n, 1))
    places = np.arange(least, n - least + 1)
    bends = places if line else np.arange(0, n - least + 1)
    rows = np.arange(n)[:, None]
    step = (rows >= places).astype(np.float64)
    bend = np.maximum(x[:, None] - x[np.maximum(bends - 1, 0)], 0.0)
    orthogonal, _ = np.linalg.qr(base)
    rest, step, bend = (row - orthogonal @ (orthogonal.T @ row) for row in (level, step, bend))
    # A level that steps goes on level. A line that breaks off goes on anywhere: it takes a step and a bend to say so.
    cuts = [_weighed(rest, [bend], base.shape[1]), _weighed(rest, [step, bend] if line else [step], base.shape[1])]
    chances = [chance * (places.size + bends.size) for _, chance in cuts]
    if min(chances) > settings.chance:
        return None
    if chances[0] <= chances[1]:
        return _Cut(int(bends[cuts[0][0]]), "bend", chances[0], True)
    return _Cut(int(places[cuts[1][0]]), "step", chances[1], False)


def _weighed(rest: Array, columns: list[Array], known: int) -> tuple[int, float]:
    """Which place explains most of ``rest`` (n,), and the F test's chance of that at one place.

    ``columns``: for each thing added to the fit an (n, places) array; all are orthogonal to the ``known`` ones.
    """
    first = columns[0]
    explained = _projection(rest, first)
    if len(columns) == 2:
        # The second column, less what it shares with the first, adds its own part.
        shared = np.einsum("ij,ij->j", first, columns[1]) / _power(first)
        second = columns[1] - first * shared
        explained = explained + _projection(rest, second)
    best = int(np.argmax(explained))
    fit = np.column_stack([column[:, best] for column in columns])
    left = rest - fit @ np.linalg.lstsq(fit, rest, rcond=None)[0]
    alike = max(autocorrelation(left) or 0.0, 0.0)
    worth = rest.size * (1.0 - alike) / (1.0 + alike)
    freedom = worth - known - len(columns)
    if freedom < 1.0:
        return best, 1.0
    ratio = float(explained[best]) / len(columns) / max(float(left @ left), 1e-12) * freedom
    return best, float(fdtrc(len(columns), freedom, ratio))


def _projection(rest: Array, column: Array) -> Array:
    return np.asarray((column.T @ rest) ** 2 / _power(column))


def _power(column: Array) -> Array:
    """Squares of columns; infinite where nothing is left of one, so that it explains nothing."""
    power = np.einsum("ij,ij->j", column, column)
    return np.asarray(np.where(power < 1e-12, np.inf, power))


def _fit(time_s: Array, level: Array, line: bool) -> Array:
    """Line or mean of a segment, at its captures."""
    if not line or level.size < 2 or time_s[-1] <= time_s[0]:
        return np.full(level.size, level.mean())
    x = (time_s - time_s.mean()) / (time_s[-1] - time_s[0])
    return np.asarray(level.mean() + x * float(x @ level) / float(x @ x))


def _change(time_s: Array, cut: _Cut, size_db: float) -> Change:
    kind: Literal["step", "bend"] = "step" if cut.kind == "step" else "bend"
    return Change(at_s=float(time_s[cut.index]), kind=kind, size_db=size_db, chance=cut.chance)
