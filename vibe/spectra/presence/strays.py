"""How often a line of something else stands as high: counted on the same axis, where the drive makes nothing."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from vibe.spectra.presence.axes import AS_HIGH, CLEAR_BINS, SHAFT_LINES, STANDS, Axis
from vibe.spectra.presence.families import Real

FEWEST_STRAYS, PLACES_MORE = 0.5, 10.0
"""Added to lines and places counted (Jeffreys' prior and a little more): no spectrum is free of strays."""
HIGHEST_WHOLE = 130
"""Highest multiple of the shaft at which strays are counted: as far as decoys' counts reach."""
HIGHEST = 1e6
"""Surprise up to which lines are compared: the loudest are as loud."""
EVERYWHERE = -1
"""Stands for all half octaves."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Strays:
    """Surprise where the drive itself makes nothing: ``whole`` (multiples, speeds), at the orders ``at`` (multiples,)
    of the shaft, where blades, vanes and pitch errors are; and ``lines`` (k,), sorted, of those that stand among
    ``places`` elsewhere. ``unit``: order of that shaft, the one past which the parts of a meshing are counted."""

    at: Real
    whole: Real
    lines: Real
    places: int
    unit: float = 1.0
    near: Mapping[int, SortedColumns] = field(default_factory=dict)
    """By half octave: ``whole`` within an octave of its middle, and under ``EVERYWHERE`` all of them."""

    def are_whole(self, orders: Real, near: float) -> NDArray[np.bool_]:
        """Which of ``orders`` lie within ``near`` of a multiple of the shaft."""
        return np.asarray(np.abs(orders - np.rint(orders / self.unit) * self.unit) <= near)

    def rate(self, surprise: Real, whole: NDArray[np.bool_], orders: Real) -> Real:
        """How often a line of something else stands as high as ``surprise`` (lines, speeds), less a factor; ``whole``
        (lines, 1) shows which of the ``orders`` (lines, 1) are multiples of the shaft. A loud line among faint ones is
        no stray."""
        least = np.fmax(surprise / AS_HIGH, STANDS)
        above = self.lines.size - np.searchsorted(self.lines, least)
        rate = (above + FEWEST_STRAYS) / (self.places + PLACES_MORE)
        rows = np.flatnonzero(whole[:, 0])
        if rows.size and self.near:
            rate[rows] = np.maximum(rate[rows], self._near(least[rows], orders[rows, 0]))
        return np.asarray(rate)

    def _near(self, least: Real, orders: Real) -> Real:
        """Share of the multiples of the shaft that stand as high as ``least`` (lines, speeds) within an octave of each
        of ``orders`` (lines,): they grow fainter with their order, and what is rare among all is common among the low
        ones. Where few are near, those elsewhere count too."""
        every = self.near[EVERYWHERE]
        usual = (every.above(least) + FEWEST_STRAYS) / (every.count + PLACES_MORE)
        rate, half_octave = usual.copy(), _half_octave(orders)
        for one in np.unique(half_octave).tolist():
            if one in self.near:
                some, near = half_octave == one, self.near[one]
                rate[some] = (near.above(least[some]) + PLACES_MORE * usual[some]) / (near.count + PLACES_MORE)
        # That none is near shows no more than that none is anywhere.
        return np.maximum(rate, FEWEST_STRAYS / (every.count + PLACES_MORE))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SortedColumns:
    """Values (``count``, columns) in which is asked how many reach something; all ``ordered`` in one row, columns one
    after another, ``HIGHEST`` apart."""

    ordered: Real
    count: int

    @classmethod
    def of(cls, values: Real) -> SortedColumns:
        apart = HIGHEST * np.arange(values.shape[1])
        return cls(ordered=(np.sort(np.minimum(values, HIGHEST), axis=0) + apart).T.ravel(), count=values.shape[0])

    def above(self, least: Real) -> Real:
        """How many reach ``least`` (lines, columns); of one column, all of ``least`` are asked in that."""
        columns = np.arange(least.shape[1]) if self.ordered.size > self.count else np.zeros(1)
        below = np.searchsorted(self.ordered, np.minimum(least, HIGHEST) + HIGHEST * columns)
        return np.asarray(self.count * (columns + 1) - below)


def _half_octave(orders: Real) -> NDArray[np.int64]:
    return np.asarray(np.rint(2 * np.log2(np.maximum(orders, 1.0))), dtype=np.int64)


def strays_anywhere(axis: Axis) -> Strays:
    """All lines that stand, among all places: where no multiple of a shaft is asked about."""
    every = np.concatenate([row[int(0.5 / step) : int(HIGHEST_WHOLE / step)] for row, step in axis.rows])
    every = every[np.isfinite(every)] - np.log(len(axis.rows))
    # Nothing is asked below what stands.
    lines = np.sort(every[every >= STANDS])
    return Strays(at=np.empty(0), whole=np.empty((0, 1)), lines=lines, places=every.size)


def strays_of(axis: Axis, own: Real, speeds: Real, unit: float = 1.0) -> Strays:
    """Read in the same spectra at the places that the drive itself does not use; ``unit``: order of the shaft whose
    multiples are counted apart."""
    at = unit * np.arange(round(SHAFT_LINES), HIGHEST_WHOLE + 1, dtype=np.float64)
    at = at[np.abs(at[:, None] - own).min(axis=1) > CLEAR_BINS * axis.step]
    whole = axis.at(at[:, None] * speeds)
    known = np.isfinite(whole).all(axis=1)
    at, whole = at[known], whole[known]
    near = {EVERYWHERE: SortedColumns.of(whole)} if at.size else {}
    for one in range(int(_half_octave(at[:1])[0]) - 2, int(_half_octave(at[-1:])[0]) + 3) if at.size else ():
        middle = 2.0 ** (one / 2)
        some = (at >= middle / 2) & (at <= 2 * middle)
        if some.any():
            near[one] = SortedColumns.of(whole[some])
    return replace(strays_anywhere(axis), at=at, whole=whole, unit=unit, near=near)
