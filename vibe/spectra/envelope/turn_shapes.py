"""What else rises on a turn: an impact's own ringing, a broad hump, what lies next to a place."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from vibe.spectra.envelope.impact_rows import FEWEST_TURNS_CUT
from vibe.spectra.envelope.sound_turn import median_of
from vibe.spectra.envelope.synchronous_average import Turn

LONGEST_RINGING = 0.25
"""Share of a turn to which an impact rings on: one that fills more has no place (common practice)."""
HUMP_PARTS = 6
"""Parts over which that reaches at least: that six parts which know nothing of one another should stand in such a row
has the chance 2^5 / 6!, one in twenty."""
SHARPER = 2
"""Times by which the highest place must be narrower than that."""
HUMP_NOISE = 3.0
"""Standard errors of a cell by which it may stand higher than those nearer to the crest."""
PITCH_CELLS = 5
"""Cells that a part's pitch takes at least where an impact is distinguished from it: an impact takes two or three, and
a median does not see what takes less than half of the cells that it is of."""
MOST_BEFORE = 0.2
"""Share of an impact's height that the turn may have risen to before it, beyond the blur of its band (common
practice)."""


def hump_of(turn: Turn, top: int, spread: int) -> NDArray[np.bool_]:
    """Cells (n,) of what rises and falls evenly over many parts, highest away from the sharp place ``top``; none where
    nothing does, or where the highest place itself is no sharper.

    Sound parts differ each from its neighbours. What knocks with play, once a turn, comes early and late, and its mean
    is a hump over as many parts as its play is wide.
    """
    n = turn.level.size
    free = away_from(n, [top], spread)
    if turn.parts == 0 or not free.any():
        return np.zeros(n, dtype=bool)
    hump = _slopes(turn, int(np.where(free, turn.level, -np.inf).argmax())) & free
    wide = int(hump.sum())
    sharp = SHARPER * int(_slopes(turn, top).sum()) <= wide
    return hump if sharp and wide * turn.parts >= HUMP_PARTS * n else np.zeros(n, dtype=bool)


def _slopes(turn: Turn, crest: int) -> NDArray[np.bool_]:
    """Cells (n,) from ``crest`` down to either side, to where the level rises again or is that of half of the turn."""
    level, n = turn.level, turn.level.size
    middle, noise = float(np.median(level)), HUMP_NOISE * median_of(turn.sigma)
    found = np.zeros(n, dtype=bool)
    found[crest] = True
    for way in (-1, 1):
        lowest = float(level[crest])
        for step in range(1, n // 2):
            cell = (crest + way * step) % n
            if level[cell] > lowest + noise or level[cell] <= middle:
                break
            found[cell] = True
            lowest = min(lowest, float(level[cell]))
    return found


def narrow_of(turn: Turn) -> Turn | None:
    """The turn less the running median over a part's pitch to either side; None where parts are unknown or so many
    that an impact is as broad as one of them.

    Several parts share the load, each for longer than its pitch, so that what it does to a turn is broad. An impact is
    at one instant.
    """
    n = turn.level.size
    if turn.parts == 0 or PITCH_CELLS * turn.parts > n:
        return None
    pitch = round(n / turn.parts)
    width = 2 * pitch + 1
    about = (np.arange(n)[:, None] + np.arange(-pitch, pitch + 1)) % n
    level = turn.level - np.median(turn.level[about], axis=1)
    # The noise of a median is that of as many cells, pi / 2 times as large in power (Gaussian).
    return replace(turn, level=level, sigma=turn.sigma * np.sqrt(1 + np.pi / 2 / width), narrow=True)


def spots_of(n: int, cell: int, meetings: int) -> list[int]:
    """A cell and those where other meetings of the same part lie."""
    return [round(cell + k * n / meetings) % n for k in range(meetings)]


def away_from(n: int, spots: Sequence[int], spread: int) -> NDArray[np.bool_]:
    """Cells of a turn further than ``spread`` from all ``spots``."""
    away = np.ones(n, dtype=bool)
    for spot in spots:
        away[np.arange(spot - spread, spot + spread + 1) % n] = False
    return away


def beyond_ringing(turn: Turn, cell: int, spread: int) -> NDArray[np.bool_]:
    """Cells of a turn that an impact at ``cell`` does not reach.

    An impact starts at once, rings on, and may be followed by a second one as a spall is left: what stays above the
    middle of the turn behind it is its own. What swells, as under a load, is none, and reaches no further than
    ``spread``. Nor is one known in so few turns that a stray shock may make it.
    """
    level, n, way = turn.level, turn.level.size, -1 if turn.backwards else 1
    middle, beyond = float(np.median(level)), np.ones(n, dtype=bool)
    if turn.turns < FEWEST_TURNS_CUT:
        return beyond
    before = level[(cell - way * np.arange(spread + 1, 2 * spread + 1)) % n]
    if float(before.mean()) - middle > MOST_BEFORE * (float(level[cell]) - middle):
        return beyond
    for step in range(round(LONGEST_RINGING * n) + 1):
        spot = (cell + way * step) % n
        # Two cells in a row: ringing beats.
        if max(level[spot], level[(spot + way) % n]) <= middle:
            break
        beyond[spot] = False
    return beyond
