"""Another machine of the same kind beside: the same families of lines at a second speed."""

from __future__ import annotations

import numpy as np
from scipy.ndimage import maximum_filter1d

from vibe.spectra.identity.presence import CLEAR_BINS, STANDS, Axis, Family, line_ratio

REACH = 0.03
"""Relative difference of speed up to which the same machine is sought beside: motors of one kind differ by their slip,
by load and voltage (common practice: two or three per cent)."""
LINE_SEEN = 0.6
"""Probability that one of its first lines can be seen where it is heard at all."""
HEARD = 4.6
"""Log odds, ln 99, from which on it counts as heard, all speeds tried paid for."""
SHAFT_LINES, MESH_LINES = (1.0, 2.0, 3.0), (1, 2, 3)
"""Orders of the shaft, and multiples of the mesh, that are looked for: the first ones are the strongest."""
MOST = 3
"""Machines of the same kind that are named (common practice): more in one capture would not be told apart."""


def speeds_alike(axis: Axis, family: Family) -> tuple[float, ...]:
    """Speeds (relative to the machine's own) at which the first lines of a shaft and of the mesh of ``family`` stand
    too in what lies on ``axis``, the strongest first.

    Speeds at which lines of the machine's own take the place of the other's (side lines of the mesh, lobes) are left
    out, and so is every line that the skirt of an own one covers: nothing can be determined there.
    """
    mesh = family.count * family.unit
    step = axis.step / (2 * mesh)
    reach = int(REACH / step)
    speeds = 1.0 + np.arange(-reach, reach + 1) * step
    own = [1.0]
    if family.difference:
        past = family.count / (family.count - family.difference)
        own += [past, 1 / past, 1 + past / family.count, 1 - past / family.count]
    own += [1 + side / family.count for side in (-2, -1, 1, 2)]
    clear = np.abs(speeds[:, None] - np.array(own)).min(axis=1) > CLEAR_BINS * axis.step / mesh
    orders = np.array([*SHAFT_LINES, *(k * mesh for k in MESH_LINES)])[:, None]
    surprise = axis.at(orders * speeds, shaft=True)
    surprise[orders * np.abs(speeds - 1.0) <= CLEAR_BINS * axis.step] = np.nan
    every = np.concatenate([row[int(0.5 / one) :] for row, one in axis.rows])
    stray = (np.sum(every > STANDS) + 0.5) / (every.size + 10.0)
    own_mesh = np.nansum(surprise[len(SHAFT_LINES) :] > STANDS, axis=0) > 0
    weight = line_ratio(surprise, LINE_SEEN, stray) - np.log(speeds.size / 2)
    # Two speeds as far above as below are the side lines of one machine whose strength comes and goes.
    mirrored = np.minimum(weight, maximum_filter1d(weight[::-1], 5)) >= HEARD
    weight[~(clear & own_mesh) | mirrored] = -np.inf
    found: list[float] = []
    while len(found) < MOST and float(weight.max()) >= HEARD:
        best = int(weight.argmax())
        found.append(float(speeds[best]))
        weight[np.abs(speeds - speeds[best]) < CLEAR_BINS * axis.step / mesh] = -np.inf
    return tuple(found)
