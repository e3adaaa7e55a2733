"""What a drive of any count of parts makes: the lines of its meshings, and how probably each can be seen."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import overload

import numpy as np
from numpy.typing import NDArray

from vibe.spectra.speed.line_likelihood import LOUDEST

Real = NDArray[np.float64]
Counts = NDArray[np.int64] | Real
MESH_SEEN, SIDE_SEEN, PASS_SEEN, LOBE_SEEN = 0.6, 0.3, 0.4, 0.3
"""Probability that a harmonic of a mesh, a side line of it, a harmonic of the pins' pass, one of the lobes of a sound
drive can be seen (simulated fleet: 0.7, 0.4, 0.5, 0.4; lower, because real paths differ more)."""
MESH_HARMONICS, SIDE_HARMONICS, PASS_HARMONICS, LOBE_HARMONICS = 3, 2, 3, 4
"""Lines of each family that are looked for: the first ones, which are strongest (common practice)."""
STANDS_FROM = 0.5
"""Share left of a force from which on its line is one of the mesh and no side line (common practice: -6 dB)."""
MOST_HARMONICS = 8
"""Of a decoy of few parts, which reaches as high as the drive's own mesh does."""
PARTS = 4
"""Families of lines that a meshing makes: mesh, pass of the pins, lobes, and side lines of the mesh: all of these
stand or none, as its load changes in a turn or does not."""
MESH, PASS, LOBES, SIDE_LINES = range(PARTS)
"""Their numbers; mesh and side lines show the counts."""


@overload
def lobe_order(pins: float, difference: float) -> float: ...
@overload
def lobe_order(pins: Counts, difference: float) -> Real: ...
def lobe_order(pins: float | Counts, difference: float) -> float | Real:
    """Order of a contact's travel at which it passes a lobe, of ``pins`` and ``difference`` lobes fewer."""
    return np.divide(pins, pins - difference)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Lines:
    """Lines of several drives alike but for their counts: ``orders`` (drives, m), NaN where one has no such line; which
    of the ``PARTS`` makes each (``part``, (m,)), and the probability that it can be ``seen`` (drives, m)."""

    orders: Real
    part: NDArray[np.int64]
    seen: Real

    def own(self, *parts: int) -> Real:
        """All orders of ``parts``, sorted."""
        orders = self.orders[:, np.isin(self.part, parts)]
        return np.sort(orders[np.isfinite(orders)])


@dataclass(frozen=True, slots=True, kw_only=True)
class Family:
    """One meshing of a drive: ``count`` parts pass a contact that travels at ``unit`` (order of the input).

    ``difference``: of a cycloidal pair, pins minus lobes; 0 where there are no lobes, and of a ring in which only every
    n-th place has a pin the n-th part, as there are n times as many lobes too. ``passes``: output pins that take
    the load in turn, 0 where there are none. ``sides``: further spacings of side lines, in orders. ``ring_turns``: the
    disc does not turn, so it is the lobes that the contact passes as often whatever their count. ``left``: share that
    all contacts side by side leave of a force that each repeats n = 0, 1, 2, ... times per turn past the parts, over
    and over; empty where nothing is known of that.
    """

    count: int
    unit: float
    difference: float = 0
    passes: int = 0
    sides: tuple[float, ...] = ()
    ring_turns: bool = False
    left: tuple[float, ...] = ()

    @property
    def turn(self) -> float:
        """Order of whose multiples the meshes of drives of all counts are: a turn of the contact past pins or lobes,
        which repeats their pitch errors."""
        return self.past if self.ring_turns else self.unit

    @property
    def past(self) -> float:
        """Order at which the contact passes a lobe."""
        return self.unit * lobe_order(self.count, self.difference)

    @property
    def plain(self) -> Family | None:
        """The same as if nothing were known of its contacts side by side, None where that changes nothing."""
        return replace(self, left=()) if self.left and self._cancels().any() else None

    def _cancels(self) -> NDArray[np.bool_]:
        """Whether each of the first harmonics of the mesh is weaker than each contact by itself would make it."""
        return np.asarray(self._left(np.arange(1, MESH_HARMONICS + 1) * self.count) < STANDS_FROM)

    @property
    def moved_to(self) -> list[int]:
        """Counts whose mesh lies where that of this drive is seen, as its contacts cancel it at its own place."""
        here, *sides = self._left(self.count + np.array([0, -1, 1])) >= STANDS_FROM
        return [] if here else [self.count + sign for sign, stands in zip((-1, 1), sides, strict=True) if stands]

    def own(self) -> Real:
        """All orders (m,) that the drive itself makes, sorted."""
        return self.lines([self.count]).own(*range(PARTS))

    def lines(self, counts: Sequence[int], apart: float = 0.0) -> Lines:
        """What drives of ``counts`` such parts make: mesh with its side lines, pass of the pins, lobes. Side lines no
        more than ``apart`` (orders) from their mesh's are left out, since its line stands there too, and of two no
        farther from each other one.

        Where the contacts side by side of the drive itself cancel its mesh, the line can be seen less often; where they
        leave the force that goes round with them, it stands a turn of the load off, and that side line is a line of the
        mesh. Of drives of other counts nothing is known of that."""
        count = np.array(counts, dtype=np.float64)[:, None]
        unit = past = np.full_like(count, self.unit)
        if self.difference:
            past = self.unit * lobe_order(count, self.difference)
        if self.ring_turns:
            past = np.full_like(count, self.past)
            unit = past * (count - self.difference) / count
        mesh, higher = count * unit, np.maximum(1.0, self.count / count)
        k = np.arange(1, MOST_HARMONICS + 1)
        made = np.where(k <= np.rint(higher * MESH_HARMONICS), k * mesh, np.nan)
        # The load goes round with the shaft, whichever of pins and lobes stand still: its spacing comes first.
        first, second = (past, unit) if self.ring_turns else (unit, past)
        second = np.where(second == first, np.nan, second)
        spacings = [first, second, *(np.full_like(count, s) for s in set(self.sides))]
        for further in spacings[2:]:
            further[(further == unit) | (further == past)] = np.nan
        spacings = [np.where(spacing > apart, spacing, np.nan) for spacing in spacings]
        spacings[1][np.abs(spacings[1] - spacings[0]) <= apart] = np.nan
        sides = [made[:, :SIDE_HARMONICS] + sign * spacing for spacing in spacings for sign in (-1, 1)]
        alone = (count == self.count)[:, 0]
        going_round = []
        if self.left:
            for column, sign in enumerate((-1, 1)):
                stands = self._left(k[:SIDE_HARMONICS] * self.count + sign) >= STANDS_FROM
                moved = alone[:, None] & stands
                going_round.append(np.where(moved, sides[column], np.nan))
                sides[column] = np.where(moved, np.nan, sides[column])
        passing = k[:PASS_HARMONICS] * self.passes * past if self.passes else np.empty((count.size, 0))
        # Of few lobes the pins' pass falls on the mesh: one line is no proof of both.
        times = np.rint(passing / mesh)
        passing[(times > 0) & (np.abs(passing - times * mesh) <= max(apart, 1e-6))] = np.nan
        lobes = k[:LOBE_HARMONICS] * past if self.difference else np.empty((count.size, 0))
        parts: tuple[tuple[Real, int, Real | float], ...] = (
            (made, MESH, np.where(alone[:, None], MESH_SEEN * self._still_seen(k * self.count), MESH_SEEN)),
            *((line, MESH, MESH_SEEN) for line in going_round),
            *((side, SIDE_LINES, SIDE_SEEN) for side in sides),
            (passing, PASS, PASS_SEEN),
            (lobes, LOBES, LOBE_SEEN),
        )
        return Lines(
            orders=np.concatenate([orders for orders, _, _ in parts], axis=1),
            part=np.concatenate([np.full(orders.shape[1], part) for orders, part, _ in parts]),
            seen=np.concatenate([np.broadcast_to(seen, orders.shape) for orders, _, seen in parts], axis=1),
        )

    def plain_lines(self, apart: float = 0.0) -> Lines | None:
        """The lines of ``plain``, none where that is None."""
        return None if (plain := self.plain) is None else plain.lines([self.count], apart)

    def _left(self, repeats: NDArray[np.int64]) -> Real:
        """What is left of forces that repeat so many times (n,) per turn past the parts; 1 where nothing is known."""
        return np.array(self.left or (1.0,))[repeats % max(1, len(self.left))]

    def _still_seen(self, repeats: NDArray[np.int64]) -> Real:
        """Share of the lines (n,) that can be seen which are seen still with what is left of them: loudness is as
        likely on each step of a decade of power up to ``LOUDEST``."""
        return np.asarray(np.maximum(0.0, 1.0 + 2.0 * np.log(self._left(repeats)) / np.log(LOUDEST)))
