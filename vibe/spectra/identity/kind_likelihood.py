"""What lines on the order axis say for a kind of machine: three witnesses, each in log odds.

The second comb shows the step, by lines that are there and exactly in place. The mesh shows how many parts pass per
turn: it stands out of its neighbours. The whole orders show how many equal parts are spaced round the turn: those that
their sum cancels are missing.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import exp, isnan, log

import numpy as np

from vibe.spectra.identity.order_lines import REACH_BINS, OrderLines, Real

MOST_LINES = 60
"""Multiples of the second step that are looked at: those of higher order drown."""
APART_BINS = 3.0
"""A line of the second comb nearer to a whole or half order than this, in bins, stands on that one's foot."""
PLACED_ORDERS = 24
"""Lines of each comb from which the speed is read: all but the faintest."""
IN_PLACE = 0.85
"""Share of peaks found next to a place that are the line that belongs there; common practice, as are the next."""
NO_SHAFT = 4.0
"""Log odds against a speed at which the shaft itself is not detected."""
MESH_SEEN = (0.9, 0.6, 0.4, 0.3)
"""Probability that a harmonic of the mesh stands out of its neighbours."""
MESH_DB = 40.0
"""Height of a mesh line over its neighbours: even up to this."""
SCATTER_DB = 4.0
"""Scale of the logistic scatter of neighbouring lines: the errors of the parts are random, and so are their lines."""
NEIGHBOURS = 12
"""Neighbours either side that a mesh line is held against."""
FEWEST_NEIGHBOURS = 4
"""Of a median of fewer one stray line is a third."""
LEAST_DB = 3.0
"""Noise at its highest within half a bin: what does not stand over that is no line."""
FIRST_ORDER = 4
"""The lowest whole orders belong to the shaft itself: unbalance and alignment."""
MOST_ARRANGED = 30
"""Higher whole orders of a shaft are rarely above the noise (common practice)."""
CANCELS_DB = 20.0
"""Parts share the load to a few percent, so that what should cancel is left by so much less."""
OUTLIER = 0.1
"""Share of lines that something else makes or takes away (our choice)."""
FLAT_DB = 60.0
"""Over this span such a line may stand anywhere alike: the range of levels in a capture (common practice)."""


def in_place(lines: OrderLines, step: float | None = None) -> OrderLines:
    """The speed moved to where whole orders, and multiples of ``step``, fit best: less than half a bin of the first."""
    orders = np.arange(1.0, PLACED_ORDERS + 1.0)
    if step is not None:
        second = step * orders
        orders = np.concatenate([orders, second[np.abs(second - np.rint(second)) > APART_BINS * lines.bin]])
    for _ in range(3):
        off, error = lines.offset(orders)
        good = np.isfinite(off) & (np.abs(off) < 0.5)
        if np.count_nonzero(good) < 3:
            return lines
        # A peak of something else must not pull: its weight falls with its distance.
        weight = (orders[good] / np.hypot(error[good], off[good])) ** 2
        moved = float(np.sum(weight * off[good] / orders[good]) / weight.sum()) * lines.bin
        lines = lines.at_speed(lines.mean_hz * (1 + moved))
    return lines


def shaft_odds(lines: OrderLines) -> float:
    """Log odds of whole orders being there, weighed as the second comb is: else one would pass for the other."""
    there = _there(lines, np.arange(1.0, min(MOST_LINES, int(lines.top)) + 1.0))
    # No shaft is without a trace of unbalance.
    return there - (NO_SHAFT if np.isnan(lines.offset(np.ones(1))[0][0]) else 0.0)


def second_comb(lines: OrderLines, step: float) -> float:
    """Log odds of multiples of ``step``, and of each moved by one order (what turns with the shaft), being there."""
    count = min(MOST_LINES, int(lines.top / step))
    multiples = step * np.arange(1.0, count + 1.0)
    orders = (multiples[:, None] + np.array([0.0, -1.0, 1.0])).ravel()
    # Whole orders are the shaft's; halves a loose machine makes, and one that knows nothing of a second step.
    shafts_own = np.abs(2 * orders - np.rint(2 * orders)) <= 2 * APART_BINS * lines.bin
    orders = orders[(orders > 0.5) & ~shafts_own]
    return _there(lines, orders)


def _there(lines: OrderLines, orders: Real) -> float:
    off, error = lines.offset(orders)
    # A peak of something else lies anywhere within the reach.
    normal = np.exp(-0.5 * (off / error) ** 2) / (np.sqrt(2 * np.pi) * error)
    placed = np.where(np.isfinite(off), np.log(IN_PLACE * 2 * REACH_BINS * normal + (1 - IN_PLACE)), 0.0)
    odds = lines.odds_at(orders)
    # The foot of a line farther off hides what may be beneath it.
    return float(np.sum(np.where(np.isnan(off), np.minimum(odds, 0.0), odds) + placed))


def level_db(lines: OrderLines) -> Real:
    """Level over the floor at whole orders, index = order, never below the floor; NaN beyond what was measured."""
    orders = np.arange(0.0, np.floor(lines.top))
    return np.asarray(10 * np.log10(np.maximum(lines.power_at(orders), 1.0)))


def standing_out(levels: Real) -> Real:
    """How far each whole order stands over its neighbours [dB]; NaN where there are too few of them."""
    padded = np.concatenate([np.full(NEIGHBOURS, np.nan), levels, np.full(NEIGHBOURS, np.nan)])
    padded[: NEIGHBOURS + FIRST_ORDER] = np.nan
    around = np.lib.stride_tricks.sliding_window_view(padded, 2 * NEIGHBOURS + 1).copy()
    # Next to a mesh line lie the sidebands of its own.
    around[:, NEIGHBOURS - 1 : NEIGHBOURS + 2] = np.nan
    around.sort(axis=1)  # What is not a number goes to the end.
    known = np.count_nonzero(~np.isnan(around), axis=1)
    upper = np.take_along_axis(around, np.rint(0.75 * np.maximum(known - 1, 0)).astype(int)[:, None], axis=1)[:, 0]
    over = levels - np.maximum(LEAST_DB, upper)
    over[:FIRST_ORDER] = np.nan
    return np.where(known >= FEWEST_NEIGHBOURS, over, np.nan)


def mesh_odds(over: Real, pattern: Sequence[Sequence[float]]) -> float:
    """Log odds of a mesh at the ``pattern``, harmonic by harmonic, against ordinary lines there."""
    total = 0.0
    for seen, orders in zip(MESH_SEEN, pattern, strict=False):
        for order in orders:
            place = round(order)
            if place < over.size and not isnan(over[place]):
                ordinary = logistic(over[place])
                mesh = 1.0 / MESH_DB if 0 < over[place] < MESH_DB else 0.0
                total += log((seen * mesh + (1 - seen) * ordinary) / ordinary)
    return total


def arrangement_odds(levels: Real, choices: Sequence[int]) -> dict[int, Real]:
    """For every count of equal, equally spaced parts the log likelihood of the whole orders up to each.

    Only multiples of their number are left of a force that repeats from part to part. Shape (orders,), summed upwards.
    """
    last = min(MOST_ARRANGED, levels.size - 1)
    orders = np.arange(FIRST_ORDER, last + 1)
    found: dict[int, Real] = {}
    for parts in choices:
        lit = orders % parts == 0
        each = np.zeros(last + 1)
        for order in orders:
            near = orders[lit & (np.abs(orders - order) <= 2 * parts + 1) & (orders != order)]
            usual = float(np.median(levels[near])) if near.size else 0.0
            expected = usual if order % parts == 0 else max(1.0, usual - CANCELS_DB)
            each[order] = log((1 - OUTLIER) * logistic(float(levels[order]) - expected) + OUTLIER / FLAT_DB)
        found[parts] = np.cumsum(each)
    return found


def logistic(value: float) -> float:
    """Density of the logistic scatter at ``value`` [dB]."""
    x = exp(-abs(value) / SCATTER_DB)
    return x / (SCATTER_DB * (1 + x) ** 2)
