"""Lines of a machine that the drive turns: chain, screw or mixer, so many strikes per turn of a slow shaft."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from vibe.core.outside_combs import MOST_PER_TURN
from vibe.spectra.presence.axes import CLEAR_BINS, Axis
from vibe.spectra.presence.families import Real

LINES, FEWEST_STAND = 8, 6
"""Multiples of the strikes that are looked at, and how many must stand (common practice: a strike makes a dozen lines,
of which paths let most through)."""
CLEARLY = 9.2
"""Surprise from which a line stands, ln 1e4: sixty counts are tried at eight lines each."""
MOST_BETWEEN = 1 / 3
"""Share of the places halfway between that may stand; where more do, the strikes are every second line of something
slower."""


def driven_orders(axis: Axis, turn: float, own: Sequence[float]) -> list[float]:
    """Orders of strikes, so many per ``turn`` (order of a slow shaft), whose multiples stand on ``axis`` and whose
    places between do not; what falls on lines that the drive makes itself (``own``) or on multiples of its input shaft
    shows nothing."""
    taken = np.sort(np.asarray(own, dtype=np.float64))
    found: list[float] = []
    for count in range(2, MOST_PER_TURN + 1):
        order = count * turn
        multiples: Real = order * np.arange(1, LINES + 1, dtype=np.float64)
        stand, asked = _stand(axis, multiples, taken)
        if asked < FEWEST_STAND or stand < FEWEST_STAND:
            continue
        between, places = _stand(axis, multiples - order / 2, taken)
        if places and between <= MOST_BETWEEN * places:
            found.append(order)
    return found


def _stand(axis: Axis, orders: Real, taken: Real) -> tuple[int, int]:
    """How many of ``orders`` (k,) stand clearly, of how many that could show anything."""
    reach = CLEAR_BINS * axis.step
    whole = np.abs(orders - np.rint(orders)) <= reach
    own = (np.abs(orders[:, None] - taken) <= reach).any(axis=1)
    surprise = axis.at(orders)[~(whole | own)]
    known = surprise[np.isfinite(surprise)]
    return int(np.count_nonzero(known >= CLEARLY)), known.size
