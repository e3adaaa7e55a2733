"""The lines that a second machine of the same kind would make, read at the speeds that it may turn at."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vibe.core.outside_combs import KIND_REACH
from vibe.spectra.presence.families import SIDE_SEEN, Family
from vibe.spectra.rivals.line_heights import (
    APART_BINS,
    LineHeights,
    Real,
    highest_near,
    own_skirt,
    raise_among_own,
    shares_around,
    smoothed,
)

LINE_SEEN, HIGH_LINE_SEEN, HARDLY_SEEN = 0.6, 0.4, 0.08
"""Probability that one of its first three lines, or a higher one, can be seen where it is detected at all; and where
that line of the machine at the speed found does not stand either."""
SHAFT_LINES = (1.0, 2.0, 3.0)
"""Orders of the shaft that are looked for."""
SHAFT_AROUND = 0.2
"""Orders about a line of the shaft with which it is compared: its own reach is but a few bins."""
MESHES, SIDE_MESHES = 6, 3
"""Multiples of the mesh that are looked for, the higher the nearer the speeds may lie; and those with side lines."""
FEWEST_MESHES, STANDS = 2, 3.0
"""Multiples of the mesh that stand at one speed, since a single line may be anybody's; and the surprise, ln 20, from
which one does."""
SKIRT_BINS = 3.0
"""Bins of a skirt, the highest of which is read. A swing of the speed that was not followed makes skirts about the
machine's own lines, alike on both sides and without a gap; each bin is exponential about their mean, so that what lies
as far on the other side, and the lowest between, tell how often a skirt stands as high. The highest of a window is
taken for that mean, since skirts are fuller of lines than noise is."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SoughtLines:
    """The lines that are looked for: their ``orders`` (lines,), the probability that each is ``seen``, and which are
    of the mesh."""

    orders: Real
    seen: Real
    is_mesh: NDArray[np.bool_]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Look:
    """One line in one channel, read at several speeds (m,): at which bins, what is ``there`` and the ``loudest`` next
    to it, the ``shares`` of other places that stand as high, what is but the flank of the line at the speed found, and
    how high that stands (``own``)."""

    spots: NDArray[np.int64]
    there: Real
    loudest: Real
    shares: Real
    flank: NDArray[np.bool_]
    own: float
    skirt: Real


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ReadLines:
    """What stands at places (lines, m): ``surprise`` (-ln of the share of places that stand as high; NaN where nothing
    is known) and height over the floor; ``own`` (lines, 1) are the heights at the speed found."""

    surprise: Real
    height: Real
    own: Real

    def of(self, columns: NDArray[np.intp]) -> ReadLines:
        """The same at some places: ``columns`` (m,), or (lines, m) of each line its own."""
        lines = np.arange(self.own.size)[:, None]
        return ReadLines(surprise=self.surprise[lines, columns], height=self.height[lines, columns], own=self.own)


def sought_lines(family: Family) -> SoughtLines:
    """The mesh of a machine, the side lines of its first multiples, and the shaft."""
    mesh = family.count * family.unit
    rows = [(k * mesh, LINE_SEEN if k <= len(SHAFT_LINES) else HIGH_LINE_SEEN, True) for k in range(1, MESHES + 1)]
    spacings = sorted({1.0, family.unit, family.past})
    rows += [
        (k * mesh + sign * side, SIDE_SEEN, False)
        for k in range(1, SIDE_MESHES + 1)
        for side in spacings
        for sign in (-1, 1)
    ]
    rows += [(order, LINE_SEEN, False) for order in SHAFT_LINES]
    orders, seen, is_mesh = zip(*rows, strict=True)
    return SoughtLines(orders=np.array(orders), seen=np.array(seen), is_mesh=np.array(is_mesh))


def read_at(
    rows: Sequence[LineHeights], sought: SoughtLines, places: Real, width: float, asked: NDArray[np.bool_] | None = None
) -> ReadLines:
    """What stands at ``places`` (lines, m), of each line or of those ``asked`` (lines,), power averaged over ``width``
    to either side."""
    surprise, height = np.full(places.shape, np.nan), np.full(places.shape, np.nan)
    own = np.zeros((places.shape[0], 1))
    for row in rows:
        # What a machine at one speed would make is held against all others of the kind, not against itself.
        bins = np.minimum(np.rint(places / row.step).astype(np.int64), row.over.size - 1)
        wanted = range(sought.orders.size) if asked is None else np.flatnonzero(asked).tolist()
        looks = {
            k: look for k in wanted if (look := look_at(row, float(sought.orders[k]), places[k], width)) is not None
        }
        if not looks:
            continue
        numbers = np.array(list(looks))
        there, shares = (np.array([getattr(look, of) for look in looks.values()]) for of in ("there", "shares"))
        spots = np.array([look.spots for look in looks.values()])
        raise_among_own(row, sought.is_mesh, numbers, bins, spots, there, shares)
        found = -np.log(np.minimum(shares * len(rows), 1.0))
        for (number, look), one in zip(looks.items(), found, strict=True):
            one[look.flank] = np.nan
            better = np.isfinite(one) & ~(surprise[number] >= one)
            surprise[number, better], height[number, better] = one[better], look.loudest[better]
            own[number] = max(own[number, 0], look.own)
    return ReadLines(surprise=surprise, height=height, own=own)


def look_at(row: LineHeights, order: float, at: Real, width: float) -> _Look | None:
    """One line at orders ``at`` (m,) among the places around it; None where not all of these were measured."""
    reach = max(KIND_REACH * order, SHAFT_AROUND if order in SHAFT_LINES else 0.0)
    first = int((order - reach) / row.step) - int(10 * APART_BINS)
    last = int((order + reach) / row.step) + int(10 * APART_BINS)
    first = max(2, first) if order in SHAFT_LINES else first
    if first < 2 or last >= row.over.size - 2:
        return None
    some, middle, half = slice(first, last), round(order / row.step) - first, round(order * width / row.step)
    spots = np.minimum(np.maximum(np.rint(at / row.step).astype(np.int64) - first, 0), last - first - 1)
    over, owned = row.over[some], row.owned[some]
    smooth = smoothed(over, half)
    # What is averaged next to the machine's own lines has no part of them.
    clear = np.where(owned, smooth, smoothed(np.where(owned, 0.0, over), half))
    there = clear[spots]
    skirt = own_skirt(over, smooth, owned, half, middle, spots)
    shares = SKIRT_BINS * np.exp(-there / skirt)
    return _Look(
        spots=spots + first,
        there=there,
        loudest=highest_near(clear, int(APART_BINS))[spots],
        shares=np.maximum(shares, shares_around(owned, clear, spots, half)),
        flank=np.abs(at - order) < (APART_BINS + half) * row.step,
        own=float(smooth[middle - 1 : middle + 2].max()),
        skirt=skirt,
    )


def read_where_meshes_stand(rows: Sequence[LineHeights], sought: SoughtLines, speeds: Real, width: float) -> ReadLines:
    """The same at all ``speeds`` (m,), but for lines other than the mesh only at those where enough of the mesh stand:
    elsewhere there is no machine, whatever these say, and nothing is known of them."""
    read = read_at(rows, sought, sought.orders[:, None] * speeds, width, sought.is_mesh)
    some = np.flatnonzero(enough_stand(read.surprise[sought.is_mesh]))
    return with_the_rest(rows, sought, read, speeds, width, some) if some.size else read


def with_the_rest(
    rows: Sequence[LineHeights],
    sought: SoughtLines,
    read: ReadLines,
    speeds: Real,
    width: float,
    some: NDArray[np.intp] | slice = slice(None),
) -> ReadLines:
    """``read`` with the lines other than the mesh, at ``some`` of the ``speeds``."""
    surprise, height, rest = read.surprise.copy(), read.height.copy(), ~sought.is_mesh
    then = read_at(rows, sought, sought.orders[:, None] * speeds[some], width, rest)
    for whole, part in ((surprise, then.surprise), (height, then.height)):
        lines = whole[rest]
        lines[:, some] = part[rest]
        whole[rest] = lines
    return ReadLines(surprise=surprise, height=height, own=np.where(rest[:, None], then.own, read.own))


def enough_stand(mesh_surprise: Real) -> NDArray[np.bool_]:
    """At which places (m,) as many of the mesh's lines (lines, m) stand as make a family."""
    return np.asarray((np.nan_to_num(mesh_surprise) > STANDS).sum(axis=0) >= FEWEST_MESHES)
