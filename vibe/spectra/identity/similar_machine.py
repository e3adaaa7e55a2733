"""Another machine of the same kind beside: the same families of lines at a second speed."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import maximum_filter1d

from vibe.spectra.identity.presence import CLEAR_BINS, LEAST_MESH, STANDS, Axis, Family, line_ratios, strays_of

REACH = 0.03
"""Relative difference of speed up to which the same machine is sought beside: motors of one kind differ by their slip,
by load and voltage (common practice: two or three per cent)."""
LINE_SEEN = 0.6
"""Probability that one of its first lines can be seen where it is heard at all."""
HEARD = 4.6
"""Log odds, ln 99, from which on it counts as heard, all speeds tried paid for."""
SHAFT_LINES, MESH_LINES = (1.0, 2.0, 3.0), (1, 2, 3)
"""Orders of the shaft, and multiples of the mesh, that are looked for: the first ones are the strongest."""
MOST_OF_LINE = 4.6
"""Evidence that one line gives at most, ln 99: a loud one alone may be anybody's, two at one speed are a machine's."""
AS_LOUD_DB = 15.0
"""Fainter than the machine's own by more than this a line may be a side line of it (common practice), and counts as a
stray of any height; louder by more than this it is the machine's own."""
MOST = 3
"""Machines of the same kind that are named (common practice): more in one capture would not be told apart."""


def speeds_alike(axis: Axis, family: Family) -> tuple[float, ...]:
    """Speeds (relative to the machine's own) at which the first lines of a shaft and of the mesh of ``family`` stand
    too in what lies on ``axis``, the strongest first.

    Speeds at which lines of the machine's own take the place of the other's (side lines of the mesh at its shafts,
    lobes) are left out, and so is every line that the skirt of an own one covers: nothing can be determined there.
    """
    mesh = family.count * family.unit
    step = axis.step / (2 * mesh)
    reach = int(REACH / step)
    speeds = 1.0 + np.arange(-reach, reach + 1, dtype=np.float64) * step
    own = [1.0]
    if family.difference:
        past = family.count / (family.count - family.difference)
        own += [past, 1 / past, 1 + past / family.count, 1 - past / family.count]
        own += [1 + side * (past - 1) / family.count for side in (-2, -1, 1, 2)]
    own += [1 + side / family.count for side in (-2, -1, 1, 2)]
    clear = np.abs(speeds[:, None] - np.array(own)).min(axis=1) > CLEAR_BINS * axis.step / mesh
    orders = np.array([*SHAFT_LINES, *(k * mesh for k in MESH_LINES)])[:, None]
    surprise = axis.at(orders * speeds, shaft=True)
    surprise[orders * np.abs(speeds - 1.0) <= CLEAR_BINS * axis.step] = np.nan
    # A line at the place of an own one, of lobes or side lines, is that one.
    asked, mine = orders * speeds, family.own()
    after = np.searchsorted(mine, asked)
    nearest = mine[np.maximum(after, 1) - 1], mine[np.minimum(after, mine.size - 1)]
    surprise[np.minimum(*(np.abs(one - asked) for one in nearest)) <= CLEAR_BINS * axis.step] = np.nan
    strays, nowhere = strays_of(axis, family.own(), speeds), np.zeros((orders.size, 1), dtype=bool)
    fainter_db = _fainter_db(axis.at(orders, shaft=True), surprise)
    # Loud lines among faint ones are no strays.
    stray = strays.rate(np.where(fainter_db < AS_LOUD_DB, surprise, STANDS), nowhere)
    evidence = np.minimum(line_ratios(surprise, LINE_SEEN, stray), MOST_OF_LINE)
    own_mesh = evidence[len(SHAFT_LINES) :].sum(axis=0) >= LEAST_MESH
    # Where its lines are so much louder, they are the machine's own, and the speed found is not quite right.
    own_mesh &= fainter_db > -AS_LOUD_DB
    weight = evidence.sum(axis=0) - np.log(speeds.size / 2)
    # Two speeds as far above as below are the side lines of one machine whose strength comes and goes.
    mirrored = np.minimum(weight, maximum_filter1d(weight[::-1], 5)) >= HEARD
    weight[~(clear & own_mesh) | mirrored] = -np.inf
    found: list[float] = []
    while len(found) < MOST and float(weight.max()) >= HEARD:
        best = int(weight.argmax())
        found.append(float(speeds[best]))
        weight[np.abs(speeds - speeds[best]) < CLEAR_BINS * axis.step / mesh] = -np.inf
    return tuple(found)


def _fainter_db(own: NDArray[np.float64], other: NDArray[np.float64]) -> NDArray[np.float64]:
    """By how much the lines ``own`` (lines, 1) stand above those of the ``other`` (lines, speeds), the median of those
    that stand in either (speeds,); both are surprises, which of lines that stand are their power over the floor."""
    stand = np.isfinite(other) & (np.maximum(own, np.nan_to_num(other)) > STANDS)
    apart = np.where(stand, 10 * np.log10(np.maximum(own, 1.0) / np.maximum(np.nan_to_num(other), 1.0)), np.nan)
    result = np.zeros(other.shape[1])
    some = stand.any(axis=0)
    result[some] = np.nanmedian(apart[:, some], axis=0)
    return result
