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
MOST_KEPT = 2**27
"""Values that may be kept, 256 MiB if all of them are asked for: two minutes of two channels."""
MOST_BETWEEN = 64
"""Bins between two that are asked for which are worked out along with them."""
BINS_AT_ONCE = 512
"""Bins whose windows are worked out together: what they need stays in the processor's cache."""

STEP = 0.05
"""Lines are kept, and summed, in whole numbers of this: half the memory of single numbers, and twice as quick."""
MOST_LINES = 48
"""Lines whose sum, however strong they are, still is such a number: 32 harmonics, and two sidebands either side of
four."""
_MOST_STEPS = np.iinfo(np.uint16).max
_HIGHEST = _MOST_STEPS // MOST_LINES
"""Of one line, in steps: 70 dB over the floor."""

_SHIFT = 15
"""Powers are looked up by the leading bits of their single numbers: exponent and eight of the mantissa, in steps of 0.2
to 0.4 %."""
_PLACES = 1 << (32 - 1 - _SHIFT)  # single numbers have 32 bits, one of them the sign
_LOW, _HIGH = 2.0**-10, 4e8
"""Powers between which -ln p is worked out; beyond them it is that of the nearer one."""
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
        self._all: NDArray[np.uint16] | None = None
        """(widths, bins, columns); what nobody asked for yet is not worked out, and takes no memory."""
        if len(widths) * self.bins * self.columns <= MOST_KEPT:
            self._all = np.empty((len(widths), self.bins, self.columns), dtype=np.uint16)
            self._all[:, -1] = 0
        blocks = -(-power.shape[1] // BINS_AT_ONCE)
        self._done = np.zeros((blocks, len(widths)), dtype=bool)
        self._span = [(0, 0)] * len(widths)
        """Of each width the bins, from the first to beyond the last, round which windows were asked for."""

    def rows(
        self, spots: NDArray[np.int32], widths: NDArray[np.int32], wanted_lines: NDArray[np.bool_]
    ) -> tuple[NDArray[np.uint16], NDArray[np.int32]]:
        """A matrix (any, columns), in steps, and which of its rows (lines, k) hold the windows round bins ``spots``
        (lines, k).

        ``widths`` (lines, k or 1) are places in the list of widths. Lines that are not wanted (lines, k) have a row of
        nothing.
        """
        if self._all is not None:
            self._work_out(spots, widths)
            # The last row of each width is nothing.
            rows = np.where(wanted_lines, spots + widths * np.int32(self.bins), np.int32(self.bins - 1))
            return self._all.reshape(-1, self.columns), rows
        pieces, rows, used = [np.zeros((1, self.columns), dtype=np.uint16)], np.zeros_like(spots), 1
        by_width = ((line, width) for line, own in enumerate(widths) for width in np.unique(own))
        for line, width in by_width:
            mine = wanted_lines[line] & (widths[line] == width)
            wanted = np.unique(spots[line, mine])
            # Combs of several tones lie far apart: what is between them is not worked out.
            for run in np.split(wanted, np.flatnonzero(np.diff(wanted) > MOST_BETWEEN) + 1) if wanted.size else ():
                first, last = int(run[0]), int(run[-1]) + 1
                piece = np.empty((last - first, self.columns), dtype=np.uint16)
                _soften(self.power, first, (self.widths[width],), [piece])
                pieces.append(piece)
                here = mine & (spots[line] >= first) & (spots[line] < last)
                rows[line, here] = spots[line, here] - first + used
                used += last - first
        return np.concatenate(pieces), rows

    def _work_out(self, spots: NDArray[np.int32], widths: NDArray[np.int32]) -> None:
        """The rows of all bins between the first and the last of ``spots`` (lines, k), line by line, in the widths
        (lines, k or 1) that are asked for there, unless they are there already."""
        assert self._all is not None
        n, more = self.bins - 1, False
        bounds = (spots.min(axis=1), spots.max(axis=1), widths.min(axis=1), widths.max(axis=1))
        for low, high, narrowest, widest in zip(*(bound.tolist() for bound in bounds), strict=True):
            for width in range(narrowest, widest + 1):
                begin, end = self._span[width]
                if low < begin or high >= end:
                    wider = (low, min(high + 1, n)) if begin == end else (min(begin, low), min(max(end, high + 1), n))
                    more |= wider != (begin, end)
                    self._span[width] = wider
        if not more:
            return
        for block, done in enumerate(self._done):
            first, last = block * BINS_AT_ONCE, min(n, (block + 1) * BINS_AT_ONCE)
            new = [
                place
                for place, (begin, end) in enumerate(self._span)
                if begin < last and end > first and not done[place]
            ]
            if new:
                chosen = tuple(self.widths[place] for place in new)
                _soften(self.power, first, chosen, [self._all[place, first:last] for place in new])
                done[new] = True


def _soften(power: NDArray[np.float32], first: int, widths: tuple[int, ...], out: Sequence[NDArray[np.uint16]]) -> None:
    """Fill ``out``, one array (bins, columns) per width, for the bins from ``first`` on.

    The largest and the sum of a window grow from those of the next narrower one. The largest is sought among places in
    the table, since -ln p rises with power.
    """
    groups, n = power.shape
    count, reach = out[0].shape[0], widths[-1] // 2
    low, high = max(0, first - reach), min(n, first + count + reach)
    around = np.ascontiguousarray(power[:, low:high].T)
    beyond = low - (first - reach), first + count + reach - high
    if any(beyond):
        around = np.pad(around, (beyond, (0, 0)), mode="symmetric")
    places = _places(around).astype(np.uint16)
    largest, total = places[reach : reach + count].copy(), around[reach : reach + count].copy()
    place = np.empty(out[0].shape, dtype=np.intp)
    for narrower, width, own in zip((1, *widths[:-1]), widths, out, strict=True):
        for half in range(narrower // 2 + 1, width // 2 + 1):
            for start in (reach - half, reach + half):
                np.maximum(largest, places[start : start + count], out=largest)
                total += around[start : start + count]
        place[:, :groups] = largest
        if own.shape[1] > groups:
            # The table of the sum stands behind that of the largest.
            np.add(_places(total), np.uint32(_PLACES), out=place[:, groups:])
        # None lies outside the table, and to wrap is the quickest way not to ask.
        np.take(_tables(width), place, out=own, mode="wrap")


def _places(power: NDArray[np.float32]) -> NDArray[np.uint32]:
    """Where powers stand in a table."""
    return power.view(np.uint32) >> np.uint32(_SHIFT)


def _effective(width: int) -> float:
    """Independent bins in a window: a Hann window leaves about two thirds of them."""
    return max(1.0, width / 1.5)


@lru_cache(maxsize=64)
def _tables(width: int) -> NDArray[np.uint16]:
    """Softened -ln p, in steps, by place: of a window's largest bin, and behind it by the window's sum of its mean.

    The largest of m: -ln(1 - (1 - e^-x)^m), which tends to x - ln m. The mean: the Gamma(m) tail at m times the mean.
    """
    m = _effective(width)
    first, last = (int(place) for place in _places(np.array([_LOW, _HIGH], dtype=np.float32)))
    bits = (np.arange(first, last + 1, dtype=np.uint32) << np.uint32(_SHIFT)) + np.uint32(1 << (_SHIFT - 1))
    power = bits.view(np.float32).astype(np.float64)
    near = -np.log(-np.expm1(m * np.log1p(-np.exp(-np.clip(power, 1e-6, 30.0)))))
    sharp = np.where(power > 12, power - np.log(m), near)
    tail = gammaincc(m, np.minimum(power / width, _MOST_SMEARED) * m)
    smeared = np.where(tail > 1e-290, -np.log(np.maximum(tail, 1e-290)), 660.0)
    if width == 1:
        smeared = sharp
    whole = np.clip(np.arange(_PLACES) - first, 0, power.size - 1)
    return np.concatenate([_softened(sharp)[whole], _softened(smeared)[whole]])


def _softened(surprise: NDArray[np.float64]) -> NDArray[np.uint16]:
    above = LINE_KNEE + LINE_SLOPE * np.log(np.maximum(surprise, LINE_KNEE) / LINE_KNEE)
    steps = np.rint(np.where(surprise > LINE_KNEE, above, surprise) / STEP)
    return np.minimum(steps, _HIGHEST).astype(np.uint16)


_TAIL_POINTS = round(750.0 / STEP)
"""Totals whose tails are kept, in steps of ``STEP``: beyond 745 they leave the range of doubles."""


def log_tail(total: NDArray[np.uint16], count: NDArray[np.int32]) -> NDArray[np.float32]:
    """-ln of the Gamma(``count``) tail at ``total`` (same shape, in steps), up to 750; 0 where ``count`` is."""
    tables = _tail_tables(int(count.max(initial=0)) // 16 * 16 + 16)
    place = np.minimum(total, np.uint16(_TAIL_POINTS - 1)).astype(np.int32)
    place += count * np.int32(_TAIL_POINTS)
    return tables[place]


@lru_cache(maxsize=8)
def _tail_tables(most: int) -> NDArray[np.float32]:
    """-ln of the Gamma tails of shapes 0 … ``most``, one after another, each at 0, 0.05 … 750.

    For whole shapes the tail is that of Poisson's law: e^-x times the sum of x^k / k! for k below the shape.
    """
    x = np.arange(_TAIL_POINTS) * STEP
    tables = np.zeros((most + 1, x.size), dtype=np.float32)
    term, series = np.ones(x.size), np.zeros(x.size)
    for shape in range(1, most + 1):
        series += term
        tables[shape] = x - np.log(series)
        term *= x / shape
    return tables.ravel()
