"""How surprising envelope lines are, each in windows of several widths, and how surprising their sums are.

Every comb score reads the same values, so they are worked out once and kept where that fits in memory; of very long
spectra only the bins that are asked for are worked out, each time anew.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.special import gammaincc

LINE_KNEE = 14.0
"""-ln p above which a line counts by its logarithm only: a comb is many lines, one strong line is somebody else's."""
LINE_SLOPE = 4.0
"""Growth of a line's share per e-fold of power above the knee."""
MOST_KEPT = 2**25
"""Values that are kept, 128 MiB: a minute of two channels."""
MOST_BETWEEN = 64
"""Bins between two that are asked for which are worked out along with them."""
BINS_AT_ONCE = 1024
"""Bins whose windows are worked out together: what they need stays in the processor's cache."""

_STEPS_PER_E_FOLD = 4095 / np.log(3e5)
"""Powers are looked up on a logarithmic grid in steps of 0.3 %."""
_LEAST = 1e-3
_GRID = _LEAST * np.exp(np.arange(8800) / _STEPS_PER_E_FOLD)
"""Up to 4e8."""
_MOST_SMEARED = 300.0
"""Above it the mean of a window counts no more: its tail leaves the range of doubles."""


class SoftLines:
    """-ln p of windows of ``power`` (groups, n) in each of ``widths`` (odd, rising), logarithmic above the knee.

    A row holds one window's values in all groups side by side: of its largest bin ("sharp"); and, when ``smeared``,
    then those of its mean.
    """

    def __init__(self, power: NDArray[np.float32], widths: tuple[int, ...], *, smeared: bool) -> None:
        self.power, self.widths = power, widths
        self.columns = power.shape[0] * (2 if smeared else 1)
        self.bins = power.shape[1] + 1
        """Rows per width: one for each bin, and one for what lies beyond the axis."""
        self._all: NDArray[np.float32] | None = None
        if len(widths) * self.bins * self.columns <= MOST_KEPT:
            self._all = self._kept()

    def rows(
        self, spots: NDArray[np.int32], widths: NDArray[np.int32], told: NDArray[np.bool_]
    ) -> tuple[NDArray[np.float32], NDArray[np.int32]]:
        """A matrix (any, columns) and which of its rows (lines, k) hold the windows round bins ``spots`` (lines, k).

        ``widths`` (lines, k or 1) are places in the list of widths. What is not ``told`` (lines, k) is a row of zeros.
        """
        if self._all is not None:
            # What lies beyond the axis is zero.
            return self._all, np.where(told, spots + widths * np.int32(self.bins), np.int32(self.bins - 1))
        pieces, rows, used = [np.zeros((1, self.columns), dtype=np.float32)], np.zeros_like(spots), 1
        by_width = ((line, width) for line, own in enumerate(widths) for width in np.unique(own))
        for line, width in by_width:
            mine = told[line] & (widths[line] == width)
            wanted = np.unique(spots[line][mine])
            # Combs of several tones lie far apart: what is between them is not worked out.
            for run in np.split(wanted, np.flatnonzero(np.diff(wanted) > MOST_BETWEEN) + 1) if wanted.size else ():
                first, last = int(run[0]), int(run[-1]) + 1
                piece = np.empty((last - first, self.columns), dtype=np.float32)
                _soften(self.power, first, (self.widths[width],), [piece])
                pieces.append(piece)
                here = mine & (spots[line] >= first) & (spots[line] < last)
                rows[line][here] = spots[line][here] - first + used
                used += last - first
        return np.concatenate(pieces), rows

    def _kept(self) -> NDArray[np.float32]:
        """The rows of all bins, one width after another."""
        n = self.bins - 1
        kept = np.empty((len(self.widths), self.bins, self.columns), dtype=np.float32)
        kept[:, n] = 0.0
        for first in range(0, n, BINS_AT_ONCE):
            last = min(n, first + BINS_AT_ONCE)
            _soften(self.power, first, self.widths, [own[first:last] for own in kept])
        return kept.reshape(-1, self.columns)


def _soften(
    power: NDArray[np.float32], first: int, widths: tuple[int, ...], out: Sequence[NDArray[np.float32]]
) -> None:
    """Fill ``out``, one array (bins, columns) per width, for the bins from ``first`` on.

    The largest and the sum of a window grow from those of the next narrower one. The largest is sought among grid
    points, since -ln p rises with power.
    """
    groups, n = power.shape
    count, reach = out[0].shape[0], widths[-1] // 2
    low, high = max(0, first - reach), min(n, first + count + reach)
    around = np.ascontiguousarray(power[:, low:high].T)
    beyond = low - (first - reach), first + count + reach - high
    if any(beyond):
        around = np.pad(around, (beyond, (0, 0)), mode="symmetric")
    points = np.empty(around.shape, dtype=np.int16)
    np.copyto(points, _grid_place(around, 1.0), casting="unsafe")
    largest, total = points[reach : reach + count].copy(), around[reach : reach + count].copy()
    point, place = np.empty(out[0].shape, dtype=np.intp), np.empty_like(total)
    for narrower, width, own in zip((1, *widths[:-1]), widths, out, strict=True):
        for half in range(narrower // 2 + 1, width // 2 + 1):
            for start in (reach - half, reach + half):
                np.maximum(largest, points[start : start + count], out=largest)
                total += around[start : start + count]
        if width == 1:
            above = total > LINE_KNEE
            own[:, :groups] = total
            own[:, :groups][above] = LINE_KNEE + LINE_SLOPE * np.log(total[above] / LINE_KNEE)
            own[:, groups:] = own[:, : own.shape[1] - groups]
            continue
        np.copyto(point[:, :groups], largest)
        if own.shape[1] > groups:
            # The table of the mean stands behind that of the largest.
            np.copyto(point[:, groups:], _grid_place(total, width, place), casting="unsafe")
            point[:, groups:] += _GRID.size
        np.take(_tables(width), point, out=own, mode="clip")


def _grid_place(power: NDArray[np.float32], over: float, out: NDArray[np.float32] | None = None) -> NDArray[np.float32]:
    """Where ``power`` / ``over`` lies on the logarithmic grid; its whole part is the nearest point."""
    place = np.maximum(power, np.float32(_LEAST * over), out=out)
    np.log(place, out=place)
    place *= np.float32(_STEPS_PER_E_FOLD)
    place += np.float32(0.5 - np.log(_LEAST * over) * _STEPS_PER_E_FOLD)
    return place


def _effective(width: int) -> float:
    """Independent bins in a window: a Hann window leaves about two thirds of them."""
    return max(1.0, width / 1.5)


@lru_cache(maxsize=64)
def _tables(width: int) -> NDArray[np.float32]:
    """Softened -ln p by grid point: of a window's largest bin, and behind it of its mean.

    The largest of m: -ln(1 - (1 - e^-x)^m), which tends to x - ln m. The mean: the Gamma(m) tail at m times the mean.
    """
    m = _effective(width)
    near = -np.log(-np.expm1(m * np.log1p(-np.exp(-np.clip(_GRID, 1e-6, 30.0)))))
    sharp = np.where(_GRID > 12, _GRID - np.log(m), near)
    tail = gammaincc(m, np.minimum(_GRID, _MOST_SMEARED) * m)
    smeared = np.where(tail > 1e-290, -np.log(np.maximum(tail, 1e-290)), 660.0)
    return np.concatenate([_softened(sharp), _softened(smeared)])


def _softened(surprise: NDArray[np.float64]) -> NDArray[np.float32]:
    above = LINE_KNEE + LINE_SLOPE * np.log(np.maximum(surprise, LINE_KNEE) / LINE_KNEE)
    return np.where(surprise > LINE_KNEE, above, surprise).astype(np.float32)


_TAIL_STEP = 0.05
_TAIL_POINTS = 15_000


def log_tail(total: NDArray[np.float32], count: NDArray[np.int32]) -> NDArray[np.float32]:
    """-ln of the Gamma(``count``) tail at ``total`` (same shape), up to 750; 0 where ``count`` is."""
    tables = _tail_tables(int(count.max(initial=0)) // 16 * 16 + 16)
    place = np.minimum((total / np.float32(_TAIL_STEP)).astype(np.int32), _TAIL_POINTS - 1)
    place += count * np.int32(_TAIL_POINTS)
    return tables[place]


@lru_cache(maxsize=8)
def _tail_tables(most: int) -> NDArray[np.float32]:
    """-ln of the Gamma tails of shapes 0 … ``most``, one after another, each at 0, 0.05 … 750.

    For whole shapes the tail is that of Poisson's law: e^-x times the sum of x^k / k! for k below the shape.
    """
    x = np.arange(_TAIL_POINTS) * _TAIL_STEP
    tables = np.zeros((most + 1, x.size), dtype=np.float32)
    term, series = np.ones(x.size), np.zeros(x.size)
    for shape in range(1, most + 1):
        series += term
        tables[shape] = x - np.log(series)
        term *= x / shape
    return tables.ravel()
