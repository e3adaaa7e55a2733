"""Drives of other counts: what fits one of them as well is no proof of this one."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from vibe.spectra.presence.axes import CLEAR_BINS, SHAFT_LINES, Axis
from vibe.spectra.presence.families import MESH, SIDE_LINES, Family, Lines, Real
from vibe.spectra.presence.likelihood import lines_evidence, or_plainly, over_speeds
from vibe.spectra.presence.strays import HIGHEST_WHOLE, Strays

COUNTS = range(4, HIGHEST_WHOLE + 1)
"""Counts of decoys: blade wheels and other ratios."""
ALIKE = 2
"""Counts this near share their first side lines with the drive's own mesh and say nothing against it."""
PRIOR_OWN, PRIOR_OTHER, PRIOR_NONE = 0.90, 0.05, 0.05
"""Chance, before anything is detected, that a capture is of the drive it is filed under, of another one, of none that
runs (common practice)."""
ONCE_IN = 100
"""Meshes of which the own one must be the first, where its evidence alone does not show that noise makes it no more
often (the same one in a hundred)."""


def together_with(
    axes: Sequence[Axis],
    strays: Sequence[Strays],
    shaft: Real,
    family: Family,
    before: Sequence[Family],
    counts: Sequence[int],
    speeds: Real,
    rotors: Sequence[Strays] | None,
) -> Real:
    """Log likelihood ratios (3, speeds) of the lines of ``family``, of those but its mesh, and of the mean of its
    decoys of ``counts``, to be added to those of families ``before``: what these make as well is theirs."""
    near = CLEAR_BINS * axes[0].step
    lines = family.lines([family.count, family.count, *counts], near)
    of_mesh = np.isin(lines.part, (MESH, SIDE_LINES))
    lines.orders[1][of_mesh] = np.nan
    lines.orders[2:][:, ~of_mesh] = np.nan
    plain = family.plain_lines(near)
    taken = [one.own() for one in before]
    if taken:
        for orders in (lines.orders[:2],) if plain is None else (lines.orders[:2], plain.orders):
            orders[is_near(orders, np.sort(np.concatenate(taken)), near)] = np.nan
    own = np.sort(np.concatenate([family.own(), *taken]))
    lines.orders[2:][is_near(lines.orders[2:], own, near)] = np.nan
    said = lines_evidence(axes, strays, shaft, lines, speeds, rotors)
    if plain is not None:
        said[0] = or_plainly(said[0], lines_evidence(axes, strays, shaft, plain, speeds, rotors)[0])
    return np.stack([said[0], said[1], over_speeds(said[2:].T)])


def first_of_all(mesh: float, decoys: Real, orders: Real, top: float) -> bool:
    """Whether ``mesh``, what the drive's own mesh and its side lines say, is more than any of the ``decoys`` (drives,)
    of other counts says, whose meshes (``orders``, NaN where one is not asked) lie below ``top``: noise and strays,
    which make all alike, put the own one first once in as many as there are."""
    asked = np.isfinite(orders) & (orders < top)
    return bool(np.count_nonzero(asked) + 1 >= ONCE_IN and mesh > decoys[asked].max(initial=-np.inf))


def own_by_another(lines: Lines, family: Family, others: Sequence[Family], near: float) -> NDArray[np.bool_]:
    """Lines of decoys (drives from the third on, m) that say nothing: those that the drive itself makes by another way
    than the mesh whose place the decoy takes, and all but the decoy's mesh, since multiples of another rotor's speed
    would pass for the lobes or pins of some count or other."""
    # Where the pins' pass falls on the mesh, it is the mesh's place that a decoy takes.
    own = family.lines([family.count], near).own(1, 2)
    # The shafts of the meshings have their own first lines, as the input has.
    shafts = [one.turn * np.arange(1.0, SHAFT_LINES) for one in (family, *others) if one.turn != 1.0]
    elsewhere = np.sort(np.concatenate([own, *(other.own() for other in others), *shafts]))
    return ~np.isin(lines.part, (MESH, SIDE_LINES)) | is_near(lines.orders[2:], elsewhere, near)


def over_decoys(evidence: Real) -> float:
    """Log odds of the first drive of ``evidence`` (drives,) over those from the third on, and over none."""
    return over_another(float(evidence[0]), float(over_speeds(evidence[2:])))


def over_another(own: float, other: float) -> float:
    """Log odds of a drive of which the lines say ``own``, over another one, of which they say ``other``, and none."""
    return own + float(np.log(PRIOR_OWN) - np.logaddexp(np.log(PRIOR_NONE), np.log(PRIOR_OTHER) + other))


def is_near(orders: Real, taken: Real, near: float) -> NDArray[np.bool_]:
    """Whether each of ``orders`` (any shape) lies within ``near`` of one of ``taken`` (k,), sorted."""
    if not taken.size:
        return np.zeros(orders.shape, dtype=bool)
    after = np.searchsorted(taken, orders)
    neighbours = taken[np.maximum(after, 1) - 1], taken[np.minimum(after, taken.size - 1)]
    return np.asarray(np.minimum(*(np.abs(one - orders) for one in neighbours)) <= near)
