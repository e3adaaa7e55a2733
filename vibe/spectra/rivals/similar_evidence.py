"""What the lines read at a second speed say for a machine of the same kind there."""

from __future__ import annotations

from collections.abc import Sequence
from math import log, log10

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from vibe.spectra.presence.families import Family
from vibe.spectra.rivals.line_heights import OWN_STANDS, LineHeights, Real
from vibe.spectra.rivals.similar_lines import (
    HARDLY_SEEN,
    LINE_SEEN,
    MESHES,
    STANDS,
    ReadLines,
    SoughtLines,
    enough_stand,
    look_at,
    read_at,
)

FURTHER_MESHES, MESH_APART = 3, 0.01
"""Multiples of another stage's mesh that are looked for, and how far from the first one's, as a share of its order, so
that they are lines of their own."""
HIDDEN = 5.0
"""Times the power that a line spreads to a place up to which it hides another there: noise about that mean is as high
once in a hundred and fifty (exp(-5))."""
MOSTLY_SEEN = 0.99
"""Probability, at most, that a line of another stage's mesh is seen at a second machine: one in a hundred is not,
however far it should stand (common practice)."""
AS_LOUD_DB = 15.0
"""Louder by more than this than the machine's own lines it is these, and the speed found is not quite right."""
TOO_FAINT_DB = 30.0
"""A machine that is fainter by more is no matter: its damage would be as faint (common practice)."""
PATHS_DIFFER_DB, EXPECTED_SEEN = 10.0, 0.9
"""How far, in power, two machines' lines of one kind differ from what is usual between the two (common practice: paths
and resonances), and the probability that a line is seen which stands even so."""
LARGEST_SURPRISE = 20.0
"""Of a place among ten thousand or so; surprises of lines are as likely in one factor as in the next up to it."""


def family_evidence(read: ReadLines, sought: SoughtLines) -> tuple[Real, Real]:
    """Log likelihood ratio (m,) of a machine's lines at the places read against nothing there, -inf where it is no
    family of lines; and by how much [dB] its mesh is fainter than that at the speed found."""
    is_mesh = sought.is_mesh
    result = np.full(read.surprise.shape[1], -np.inf)
    fainter = np.zeros(read.surprise.shape[1])
    some = np.flatnonzero(enough_stand(read.surprise[is_mesh]))
    if not some.size:
        return result, fainter
    part = read.of(some)
    fainter[some] = fainter_db = _fainter_db(part, is_mesh)
    # What stands far above the floor with the one mesh does not fail with the other, nor does the other way round.
    usual = read.own / 10 ** (np.maximum(fainter_db, 0.0) / 10)
    expected = is_mesh[:, None] & (usual > OWN_STANDS * 10 ** (PATHS_DIFFER_DB / 10))
    seen = np.where(expected, EXPECTED_SEEN, np.where(read.own > OWN_STANDS, sought.seen[:, None], HARDLY_SEEN))
    loud_enough = (fainter_db > -AS_LOUD_DB) & (fainter_db < TOO_FAINT_DB)
    result[some] = np.where(loud_enough, line_evidence(part.surprise, seen).sum(axis=0), -np.inf)
    return result, fainter


def line_evidence(surprise: Real, seen: Real) -> Real:
    """Log likelihood ratio of each line; 0 where nothing is known. By chance a surprise is exponential; of a line that
    is seen it is as likely in one factor as in the next up to the largest."""
    known = np.nan_to_num(surprise)
    ratio = np.log(1 - seen + seen * np.exp(known) / (1 + known) / np.log1p(LARGEST_SURPRISE))
    return np.asarray(np.where(np.isnan(surprise), 0.0, ratio))


def _fainter_db(read: ReadLines, is_mesh: NDArray[np.bool_]) -> Real:
    """By how much the mesh lines at the speed found stand above those read, the median of those that stand in either
    (m,)."""
    height, own = np.nan_to_num(read.height[is_mesh]), read.own[is_mesh]
    stand = np.isfinite(read.surprise[is_mesh]) & (
        (np.nan_to_num(read.surprise[is_mesh]) > STANDS) | (own > OWN_STANDS)
    )
    apart = np.where(stand, 10 * np.log10(np.maximum(own, 1.0) / np.maximum(height, 1.0)), np.inf)
    apart.sort(axis=0)
    count = np.maximum(stand.sum(axis=0), 1)
    columns = np.arange(apart.shape[1])
    return np.asarray((apart[(count - 1) // 2, columns] + apart[count // 2, columns]) / 2)


def further_orders(further: Sequence[Family], mesh: float) -> Real:
    """Orders (lines,) of the other stages' meshes, of those that do not fall on the first one's and reach no further
    than the axis, which is that one's."""
    orders = [k * one.count * one.unit for one in further for k in range(1, FURTHER_MESHES + 1)]
    free = MESH_APART * mesh
    return np.array([order for order in orders if order < MESHES * mesh and free < order % mesh < mesh - free])


def further_evidence(rows: Sequence[LineHeights], orders: Real, speed: float, width: float, fainter_db: float) -> float:
    """Log likelihood ratio of the lines at ``orders`` (lines,) of a machine of the kind at ``speed``, fainter by
    ``fainter_db``, against one that has but a wheel of as many teeth.

    A line that stands speaks for the kind. What is there of one that does not is as low the less likely the further it
    lies below what is usual, where neither the floor nor what the machine's own line spreads there would hide it.
    """
    none, total = np.zeros(orders.size, dtype=bool), 0.0
    sought = SoughtLines(orders=orders, seen=np.full(orders.size, LINE_SEEN), is_mesh=none)
    surprises = read_at(rows, sought, orders[:, None] * speed, width).surprise[:, 0]
    for order, surprise in zip(orders.tolist(), surprises.tolist(), strict=True):
        if surprise > STANDS:
            total += float(line_evidence(np.array(surprise), np.array(LINE_SEEN)))
            continue
        found = (look_at(row, order, np.array([order * speed]), width) for row in rows)
        looks = [look for look in found if look is not None and not look.flank[0]]
        if not looks:
            continue
        hidden = [max(OWN_STANDS, HIDDEN * float(look.skirt[0])) for look in looks]
        low = [
            10 * log10(max(look.own, 1e-9) / max(one, float(look.there[0])))
            for look, one in zip(looks, hidden, strict=True)
        ]
        seen = [db for db, look, one in zip(low, looks, hidden, strict=True) if look.there[0] > one]
        # Where it is seen, the channel that speaks most for it; else the one that would show it best.
        lower_db = min(seen) if seen else max(low)
        total += log(max(1 - MOSTLY_SEEN, min(1.0, 2 * float(ndtr((fainter_db - lower_db) / PATHS_DIFFER_DB)))))
    return total
