"""How high a place of a spectrum stands among those around it, among the machine's own lines, and on their skirts."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import uniform_filter1d

from vibe.core.evidence import STANDS_DB
from vibe.core.tones import OwnLines
from vibe.spectra.envelope.bands import local_floor
from vibe.spectra.presence.axes import ANTI_ALIAS, AS_HIGH
from vibe.spectra.signal_analysis import ChannelSpectrum

Real = NDArray[np.float64]
SKIRT_REACHES, SKIRT_SHARE = (2, 4, 8, 16, 32), 0.3
"""Bins to either side of the opposite place that are looked at, as many as this share of the distance."""
APART_BINS, OWN_BINS = 4.0, 2.0
"""Bins within which a line is the flank of the one at the speed found, and within which it is one of the machine's own
(Hann: two bins either side; law and padding widen the first)."""
OWN_STANDS = 10 ** (STANDS_DB / 10)
"""Power over that of the floor, from where on a line of the machine's own stands."""
FOOT_BINS = 4
"""Bins, at least, over which power is averaged where the foot of a line that slips is followed."""
TAIL = 0.5
"""Lines ten times as high, in power, are seldomer by ten to this (Pareto's law; common practice: 20 dB are one line in
ten)."""
FEWEST_PLACES = 30
"""Places that are not the machine's own, with which one is compared; where there are fewer, it is compared with all."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LineHeights:
    """Power over the floor (n,) of one channel, ``step`` orders a bin, and the machine's own lines by kind: their
    ``heights``, sorted, and of every bin ``at`` (kinds, n) the height of the line that it is part of, 0 where it is of
    none; and which bins are of any."""

    over: Real
    step: float
    heights: tuple[Real, ...]
    at: Real
    owned: NDArray[np.bool_]


def heights_of(one: ChannelSpectrum, input_hz: float, own: Sequence[OwnLines], top: float) -> LineHeights:
    """Of one channel up to order ``top``, as far as recorders pass what they measure."""
    step = one.bin_hz / input_hz
    power = one.power[: min(int(ANTI_ALIAS * one.power.size), int(top / step) + 2)]
    over = power / local_floor(power, max(32, round(1 / step)))
    kinds: list[Real] = []
    at = np.zeros((len(own), over.size))
    highest = highest_near(over, int(OWN_BINS))
    for kind in own:
        orders, spread = np.array(kind.orders), np.array(kind.spread)
        inside = orders < (over.size - 1) * step
        if not inside.any():
            continue
        orders, reach = orders[inside], spread[inside] + OWN_BINS * step
        heights = highest[np.rint(orders / step).astype(np.int64)]
        first = np.maximum(np.floor((orders - reach) / step).astype(np.int64), 0)
        last = np.minimum(np.ceil((orders + reach) / step).astype(np.int64) + 1, over.size)
        for line in range(orders.size) if kind.struck else ():
            first[line], last[line] = _with_foot(over, int(first[line]), int(last[line]))
        widths = last - first
        # Where two overlap the higher one counts.
        rising = np.argsort(heights)
        first, widths, heights = first[rising], widths[rising], heights[rising]
        within = np.arange(widths.sum()) - np.repeat(np.cumsum(widths) - widths, widths)
        at[len(kinds), np.repeat(first, widths) + within] = np.repeat(heights, widths)
        kinds.append(heights)
    return LineHeights(over=over, step=step, heights=tuple(kinds), at=at, owned=np.asarray((at > 0).any(axis=0)))


def _with_foot(over: Real, first: int, last: int) -> tuple[int, int]:
    """The bins ``first`` to ``last`` (not counted) of a line that slips, with its foot on either side: for as long as
    power falls, and stands, it is that line's own, which reaches the farther the stronger it is. Another line on the
    foot makes it rise. No further than as much again: beyond that a row's lines would meet."""
    room = last - first
    block = max(FOOT_BINS, room // 4)
    ends = []
    for edge, way in ((first, -1), (last, 1)):
        end, level = edge, float(over[max(0, min(edge, edge - way * block)) : max(edge, edge - way * block)].mean())
        while abs(end - edge) < room // 2:
            low, high = min(end, end + way * block), max(end, end + way * block)
            if low < 0 or high > over.size:
                break
            beyond = float(over[low:high].mean())
            if beyond < OWN_STANDS or beyond > level * (1 + block**-0.5):
                break
            end, level = end + way * block, beyond
        ends.append(end)
    return ends[0], ends[1]


def smoothed(over: Real, half: int) -> Real:
    """The largest of three bins, or the mean of ``half`` to either side."""
    return highest_near(over, 1) if half < 1 else uniform_filter1d(over, 2 * half + 1)


def highest_near(values: Real, half: int) -> Real:
    """The highest (n,) of ``half`` bins to either side: runs twice as long are made of two, and two make a window."""
    padded = np.full(values.size + 2 * half, -np.inf)
    padded[half : half + values.size] = values
    run, width = 1, 2 * half + 1
    while 2 * run <= width:
        padded = np.maximum(padded[:-run], padded[run:])
        run *= 2
    return np.asarray(np.maximum(padded[: values.size], padded[width - run : width - run + values.size]))


def shares_around(owned: NDArray[np.bool_], smooth: Real, spots: NDArray[np.int64], half: int) -> Real:
    """Share (m,) of the places around that are not the machine's own, but for those next to it, that stand as high as
    that at each of ``spots``."""
    there = smooth[spots]
    if smooth.size - np.count_nonzero(owned) < FEWEST_PLACES:
        owned = np.zeros_like(owned)
    free = np.sort(smooth[~owned])
    above = free.size - np.searchsorted(free, there)
    counted = np.where(owned, 0.0, smooth)
    near = int(APART_BINS) + half
    next_to = np.arange(-near, near + 1)[:, None] + spots
    np.minimum(np.maximum(next_to, 0, out=next_to), counted.size - 1, out=next_to)
    above -= (counted[next_to] >= there).sum(axis=0)
    before, after = (np.maximum.accumulate(np.append(0.0, one)) for one in (counted, counted[::-1]))
    highest = np.maximum(before[np.maximum(spots - near, 0)], after[np.maximum(smooth.size - spots - near - 1, 0)])
    return share_above(above, free.size, highest, there)


def raise_among_own(
    row: LineHeights,
    is_mesh: NDArray[np.bool_],
    numbers: NDArray[np.intp],
    bins: NDArray[np.int64],
    spots: NDArray[np.int64],
    there: Real,
    shares: Real,
) -> None:
    """Raise ``shares`` (k, m), where a line of the machine's own lies, to that of those of its kind that stand as high
    less a factor, as what is ``there`` (k, m) at the bins ``spots`` (k, m) of the lines ``numbers`` (k,).

    What another machine would make at the same speed, the mesh and the line itself, is no line to compare with:
    ``bins`` (lines, m) of all lines.
    """
    line, column = np.nonzero(row.owned[spots])
    kind, own = np.nonzero(row.at[:, spots[line, column]] > 0)
    if not kind.size:
        return
    line, column = line[own], column[own]
    least = there[line, column] / AS_HIGH
    out = np.vstack([row.at[kind, bins[is_mesh][:, column]], row.at[kind, bins[numbers[line], column]]])
    out[-1, is_mesh[numbers[line]]] = 0.0
    above, count, highest = -(out >= least).sum(axis=0), -(out > 0).sum(axis=0), np.empty(kind.size)
    ends = np.searchsorted(kind, np.arange(len(row.heights) + 1)).tolist()
    for heights, first, last in zip(row.heights, ends, ends[1:], strict=False):
        some = slice(first, last)
        above[some] += heights.size - np.searchsorted(heights, least[some])
        count[some] += heights.size
        highest[some] = heights[-1]
    # The highest of a kind that is not left out: mostly the highest of all, and one of the next at the latest.
    if (lower := np.flatnonzero((out == highest).any(axis=0))).size:
        next_ones = np.zeros((out.shape[0] + 1, len(row.heights)))
        for number, heights in enumerate(row.heights):
            highest_ones = heights[: -next_ones.shape[0] - 1 : -1]
            next_ones[: highest_ones.size, number] = highest_ones
        tops = next_ones[:, kind[lower]]
        kept = ~(tops[:, None] == out[:, lower]).any(axis=1)
        highest[lower] = np.where(kept.any(axis=0), tops[kept.argmax(axis=0), np.arange(lower.size)], 0.0)
    alike = np.zeros((len(row.heights), spots.size))
    alike[kind, line * spots.shape[1] + column] = share_above(above, count, highest, least)
    np.maximum(shares, alike.max(axis=0).reshape(spots.shape), out=shares)


def share_above(above: NDArray[np.int64], count: NDArray[np.int64] | int, highest: Real, there: Real) -> Real:
    """Share (m,) of places as high as ``there``, of which ``above`` of ``count`` are: half a place more (Jeffreys'
    prior), and less of it the higher a place stands above the ``highest`` of them."""
    beyond = np.where(highest > 0, (there / np.maximum(highest, 1.0)).clip(1.0) ** -TAIL, 1.0)
    return np.asarray((np.maximum(above, 0) + 0.5 * beyond) / (np.maximum(count, 0) + 1))


def own_skirt(
    over: Real, smooth: Real, owned: NDArray[np.bool_], half: int, middle: int, spots: NDArray[np.int64]
) -> Real:
    """What the line in the ``middle`` itself spreads to ``spots`` (m,), at most: what lies as far on its other side,
    or the lowest between."""
    off = spots - middle
    across, opposite = np.minimum(np.maximum(middle - off, 0), smooth.size - 1), np.zeros(spots.size)
    # The skirt is ragged: the farther off, the more of it is compared, but for other lines that stand out of it.
    plainly, shared = np.where(owned, 0.0, smooth), np.abs(off) * SKIRT_SHARE
    for reach in SKIRT_REACHES:
        near = (shared >= reach) | (reach == SKIRT_REACHES[0])
        compared = smooth if reach == SKIRT_REACHES[0] else plainly
        highest = highest_near(compared, max(reach, half))[across]
        np.maximum(opposite, highest, out=opposite, where=near)
    plain = uniform_filter1d(over, 5)
    below, above = np.minimum.accumulate(plain[middle::-1]), np.minimum.accumulate(plain[middle:])
    between = np.concatenate([below[:0:-1], above])[spots]
    return np.asarray(np.maximum(opposite, between))
