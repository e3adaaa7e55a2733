"""All lines that a drive makes by itself at one speed, by kind: what stands at none of them is made by something else.

Multiples of shafts, lobes and meshes, of every stage; what modulates them: turns of contact and lobe, slow bodies
(discs, outputs, carriers), sums of both, cages with their slip, poles that the rotor slips past; sums of two meshes.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from vibe.core.tones import OUTSIDE, OwnLines, ToneTable

MOST_MULTIPLES = 16
"""Multiples of a mesh about which side lines are listed (common practice: higher ones are faint)."""
SIDE_MULTIPLES = (1, 2)
"""Multiples of a modulation that make side lines one can see (common practice)."""
SLOW, FAST = 0.9, 3.0
"""Orders below which a body's turn is slow, and from which what repeats has side lines of its own, as a mesh does."""
CAGE_SLIP, ROTOR_SLIP = 0.01, 0.03
"""Relative; by how much a cage's turn and a rotor's slip lie off at most (common practice)."""
SUMS = 3
"""Multiples of one mesh whose sums with those of another are listed."""


def own_lines(table: ToneTable, top: float) -> tuple[OwnLines, ...]:
    """Lines up to order ``top``, by kind."""
    bodies = sorted({abs(float(body.order)) for body in table.bodies if body.order})
    left_out = ("electrical", "hunting", *OUTSIDE)
    rigid = {tone.order for tone in table.tones if not any(tone.slip) and tone.family not in left_out}
    turns = sorted({*(one for one in rigid if SLOW <= one < FAST), *(one for one in bodies if SLOW <= one < FAST)})
    slow = [one for one in bodies if one < SLOW]
    meshes = sorted(one for one in rigid if one >= FAST)
    cages = sorted({tone.order for tone in table.tones if tone.family == "cage"})
    about = {mesh: _multiples(mesh, top + mesh)[:MOST_MULTIPLES] for mesh in meshes}
    every = [one for multiples in about.values() for one in multiples]
    found = [_exact(f"turns of {one:.4g}", _multiples(one, top), top) for one in {1.0, *turns}]
    found += [_exact(f"mesh of {one:.4g}", _multiples(one, top), top) for one in meshes]
    for k in SIDE_MULTIPLES:
        found.append(_exact(f"{k} turns off a mesh", _sides(every, [k * one for one in turns]), top))
        for one in slow:
            found.append(_exact(f"{k} turns of {one:.4g} off a mesh", _sides(every, [k * one]), top))
    for one in slow:
        off = [turn + sign * k * one for turn in turns for k in SIDE_MULTIPLES for sign in (-1, 1)]
        found.append(_exact(f"turns and {one:.4g} off a mesh", _sides(every, off), top))
    between = [one for one in bodies if one >= FAST]
    found.append(_exact("fast shafts off a mesh", _sides(every, between), top))
    sums = [
        abs(high + sign * k * low)
        for number, low in enumerate(meshes)
        for mesh in meshes[number + 1 :]
        for high in about[mesh]
        for k in range(1, SUMS + 1)
        for sign in (-1, 1)
    ]
    found.append(_exact("sums of meshes", sums, top))
    poles = [tone.order for tone in table.tones if tone.id.endswith("pole_pass")]
    for what, spacings, slip in (("cage", cages, CAGE_SLIP), ("pole pass", poles, ROTOR_SLIP)):
        rows = [(order, slip * one) for one in spacings for order in _sides([1.0, 2.0, 3.0, *every], [one])]
        rows = [(order, spread) for order, spread in rows if 0 < order < top]
        found.append(
            OwnLines(what=f"{what} off a mesh", orders=tuple(o for o, _ in rows), spread=tuple(s for _, s in rows))
        )
    return tuple(kind for kind in found if kind.orders)


def multiples_of(
    what: str, order: float, spread: float, sides: Sequence[float], top: float, *, struck: bool = False
) -> tuple[OwnLines, ...]:
    """The lines of impacts that repeat at ``order``, each multiple off by ``spread`` (relative) at most, and their side
    lines at ``sides``; only as far as what lies between two of them is not covered too. ``struck`` as in ``OwnLines``,
    of the multiples."""
    known = [one for one in _multiples(order, top) if spread * one < order / 4]
    spreads = tuple(spread * one for one in known)
    found = [OwnLines(what=what, orders=tuple(known), spread=spreads, struck=struck)]
    if sides and known:
        rows = [(one + sign * side, spread * one) for one in known for side in sides for sign in (-1, 1)]
        rows = [(one, off) for one, off in rows if 0 < one < top]
        found.append(
            OwnLines(what=f"side lines of {what}", orders=tuple(o for o, _ in rows), spread=tuple(s for _, s in rows))
        )
    return tuple(kind for kind in found if kind.orders)


def _multiples(order: float, top: float) -> list[float]:
    return [k * order for k in range(1, int(top / order) + 1)]


def _sides(middles: Iterable[float], spacings: Iterable[float]) -> list[float]:
    spacings = list(spacings)
    return [middle + sign * one for middle in middles for one in spacings for sign in (-1, 1)]


def _exact(what: str, orders: Iterable[float], top: float) -> OwnLines:
    """What cannot slip, up to ``top``."""
    kept = tuple(sorted({round(order, 9) for order in orders if 0 < order < top}))
    return OwnLines(what=what, orders=kept, spread=(0.0,) * len(kept))
