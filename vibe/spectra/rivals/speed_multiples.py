"""Does the drive turn at a multiple of the speed that was found? Of twice, half or one and a half times a speed many
lines fall on places that the drive has at the speed itself.

A file may name a motor of other poles, or a converter may run the drive at half its rated speed: then the speed that
the range allows is that at which most lines happen to fit. What tells is what only one of the two speeds explains.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from vibe.spectra.presence.axes import AUDIBLE, CLEAR_BINS, Axis
from vibe.spectra.presence.families import MESH, PARTS, SIDE_LINES, Family, Real
from vibe.spectra.presence.likelihood import line_ratios
from vibe.spectra.presence.presence import LEAST_MESH, LEAST_OWN
from vibe.spectra.presence.shaft import HIGHER_SEEN, SHAFT_SEEN
from vibe.spectra.presence.strays import Strays, strays_anywhere

MULTIPLES = (1 / 2, 3 / 2, 2.0)
"""Times the speed found: motors of two, four and six poles in one another's place, and half a rated speed. Of others
the drive has too few lines in common for the one to be taken for the other."""
ELSEWHERE = 0.01
"""Chance, before anything is detected, that a drive runs at one of these (common practice: one file in a hundred is
wrong)."""
TOGETHER = 0.5
"""Weight of what lines say: those of one body stand or fall together, so that they say half of what as many lines of
their own would (common practice)."""
SHAFT_ORDERS = 8
"""Multiples of the shaft that are looked at, the first three of which are nearly always seen."""
SIDES = 2
"""Side lines of a mesh, either side, that a drive explains (common practice)."""
FINE = 4
"""Speeds either side of each multiple, up to a bin at the first stage's mesh."""


def odds_of_multiples(axis: Axis, families: Sequence[Family], low: float, high: float) -> float:
    """Odds that the drive turns at a simple multiple of the stated speed, over those that it turns at it.

    ``low``, ``high``: range of the speed, as multiples of the stated one, within which others were weighed before.
    """
    strays = strays_anywhere(axis)
    found = 0.0
    for multiple in MULTIPLES:
        if low <= multiple <= high or not any(axis.holds(multiple * f.count * f.unit) for f in families):
            continue
        there, mesh = _worth(axis, families, strays, multiple, 1.0)
        here, _ = _worth(axis, families, strays, 1.0, multiple)
        # Half orders are made by looseness too, and whatever else turns: the mesh must be among what they explain, and
        # as much must stand there as shows any drive at all.
        if (mesh is None and multiple > 1) or (mesh is not None and mesh >= LEAST_MESH and there >= LEAST_OWN):
            found += float(np.exp(np.clip(TOGETHER * (there - here), -30.0, 30.0)))
    return ELSEWHERE * found


def _worth(
    axis: Axis, families: Sequence[Family], strays: Strays, speed: float, other: float
) -> tuple[float, float | None]:
    """Log likelihood ratio of the lines that the drive makes at ``speed`` and not at the ``other`` one, and how much of
    it are those of its meshes; None where it makes none of these there alone."""
    reach = CLEAR_BINS * axis.step
    explained = _explained(families, other, axis.top)
    if speed == 0.5:
        # A loose shaft makes all half orders.
        explained = np.unique(np.concatenate([explained, _multiples(speed, axis.top)]))
    first = max(1.0, families[0].count * families[0].unit)
    speeds = speed * (1.0 + np.linspace(-1.0, 1.0, 2 * FINE + 1) * axis.step / first)
    total, meshes = np.zeros(speeds.size), []
    for orders, seen, audible, is_mesh in _made(families, reach / speed):
        after = np.searchsorted(explained, speed * orders)
        near = [explained[np.clip(at, 0, explained.size - 1)] for at in (after - 1, after)]
        alone = (np.minimum(*(np.abs(one - speed * orders) for one in near)) > reach) & (speed * orders < axis.top)
        if not alone.any():
            continue
        ratio = _ratios(axis, strays, orders[alone], seen[alone], speeds)
        if audible is not None:
            ratio = np.logaddexp(np.log(1 - audible), np.log(audible) + ratio)
        total += ratio
        if is_mesh:
            meshes.append(ratio)
    if speed == 0.5:
        # That they stand is no proof, since looseness makes them; that they are missing shows of half the speed.
        odd = np.arange(1.0, SHAFT_ORDERS + 1.0, 2.0)
        total += np.minimum(_ratios(axis, strays, odd, _shaft_seen(odd), speeds), 0.0)
    best = int(total.argmax())
    return float(total[best]), float(np.sum(meshes, axis=0)[best]) if meshes else None


def _ratios(axis: Axis, strays: Strays, orders: Real, seen: Real, speeds: Real) -> Real:
    """Log likelihood ratio (speeds,) of lines at ``orders`` (n,), each ``seen`` (n,) so probably."""
    surprise = axis.at(orders[:, None] * speeds, shaft=True)
    nowhere = np.zeros((surprise.shape[0], 1), dtype=bool)
    rate = strays.rate(surprise, nowhere, nowhere.astype(np.float64))
    return np.asarray(line_ratios(surprise, seen[:, None], rate).sum(axis=0))


def _shaft_seen(multiples: Real) -> Real:
    """How probably each of ``multiples`` (n,) of the shaft is seen."""
    return np.where(multiples <= 3, SHAFT_SEEN, HIGHER_SEEN)


def _made(families: Sequence[Family], apart: float) -> Iterator[tuple[Real, Real, float | None, bool]]:
    """Lines of a drive whose shaft turns once per unit: orders (n,), how probably each is seen, how probably any of
    them is detected (None: surely), and whether a mesh makes them."""
    k = np.arange(1.0, SHAFT_ORDERS + 1.0)
    yield k, _shaft_seen(k), None, False
    for family in families:
        lines = family.lines([family.count], apart)
        kind = np.where(lines.part == SIDE_LINES, MESH, lines.part)
        for part in range(PARTS):
            some = (kind == part) & np.isfinite(lines.orders[0])
            if some.any():
                yield lines.orders[0][some], lines.seen[0][some], AUDIBLE[part], part == MESH


def _explained(families: Sequence[Family], speed: float, top: float) -> Real:
    """Orders (n,) up to ``top``, sorted, of all that the drive may make where its shaft turns at ``speed``: every
    multiple of shafts and contacts, and meshes with side lines."""
    found = [_multiples(speed, top)]
    for family in families:
        past = family.unit if family.ring_turns else family.past
        spacings = {family.unit, past, family.turn, *family.sides}
        found += [_multiples(spacing * speed, top) for spacing in (family.unit, past, family.turn)]
        mesh = _multiples(family.count * family.unit * speed, top)
        found += [mesh + side * spacing * speed for spacing in spacings for side in range(-SIDES, SIDES + 1)]
    return np.unique(np.concatenate(found))


def _multiples(order: float, top: float) -> Real:
    return np.arange(1.0, int(top / order) + 1.0) * order
