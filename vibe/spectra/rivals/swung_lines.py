"""Side lines that a load gives to a drive's own lines as it swings with the turn of the output."""

from __future__ import annotations

import numpy as np

from vibe.spectra.presence.axes import HUM_BINS, STANDS, Axis
from vibe.spectra.presence.families import Family, Real

SWINGS = 4
"""Times per turn of the output that a load swings (common practice: once by an offset, twice by a bent shaft or a
joint, three and four times by arms and blades)."""
CARRIERS = 16
"""Multiples of the shaft and of the lobes whose side lines are taken for the load's."""


def carriers(family: Family) -> Real:
    """Orders (k,) of the shaft's multiples and the lobes' of ``family``, whose side lines are asked for."""
    k = np.arange(1, CARRIERS + 1, dtype=np.float64)
    return np.concatenate([k * family.unit, k * family.past])


def swung_lines(axis: Axis, turn: float, family: Family) -> Real:
    """Orders (k,) of side lines that stand on both sides of a multiple of the shaft or the lobes, at up to ``SWINGS``
    times the order ``turn`` of the output; none where they are not resolved from these on ``axis``.

    Both must stand, neither of them at a multiple itself: the lobes of another drive stand on one side."""
    near = HUM_BINS * axis.step
    carried = carriers(family)
    sides = turn * np.arange(1, SWINGS + 1, dtype=np.float64)
    # (carriers, sides, both)
    orders = carried[:, None, None] + sides[:, None] * np.array([-1.0, 1.0])
    apart = (np.abs(orders[..., None] - carried) > near).all(axis=-1)
    stands = np.nan_to_num(axis.at(orders)) >= STANDS
    return np.asarray(orders[(apart & stands).all(axis=-1)].ravel())
