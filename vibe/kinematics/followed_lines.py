"""Lines by which the speed of a drive is followed through a run-up or coast-down: few, strong, at exact orders."""

from __future__ import annotations

from vibe.core.tones import FollowedLines, Tone, ToneTable

FIRST, MORE = (1, 2, 3), (4, 5, 6)
"""Multiples of a shaft: most show the first, fewer the others (common practice)."""
SIDES = (-2, -1, 1, 2)
"""Turns of its eccentric off a mesh at which unequal discs and pitch errors put lines (common practice)."""
SLOWEST = 0.3
"""Order below which lines are too slow for spectra of a second."""
SHAFT_SEEN, MORE_SEEN, MESH_SEEN, SIDE_SEEN, OTHER_SEEN = 0.5, 0.3, 0.5, 0.35, 0.3
"""How likely a line of a kind stands out (common practice; half, where nothing is known, and less of fainter kinds)."""
MESHING = ("mesh", "gear tooth", "planet pass")


def followed_lines(table: ToneTable) -> tuple[FollowedLines, ...]:
    """Of a drive's tones, without whatever slips: multiples of its faster shafts, meshes with side lines, lobes and
    output pins."""
    turns = {body.body: abs(float(body.order)) for body in table.bodies}
    found = []
    for turn in sorted({one for one in turns.values() if one >= SLOWEST}):
        found.append(_kind(f"turns of {turn:.4g}", [k * turn for k in FIRST], SHAFT_SEEN, own=False))
        found.append(_kind(f"more turns of {turn:.4g}", [k * turn for k in MORE], MORE_SEEN, own=False))
    for tone in (one for one in table.tones if not any(one.slip)):
        if tone.family in MESHING:
            turn = turns.get(f"{tone.component.split('.')[0]}.eccentric", 0.0) or 1.0
            meshes = [k * tone.order for k in FIRST]
            sides = [mesh + times * turn for mesh in meshes for times in SIDES]
            found.append(_kind(tone.id, meshes, MESH_SEEN, own=True))
            found.append(_kind(f"side lines of {tone.id}", sides, SIDE_SEEN, own=True))
        elif tone.family in ("lobe", "output pin pass"):
            found.append(_kind(tone.id, [tone.order, 2 * tone.order], OTHER_SEEN, own=True))
    return _each_once([kind for kind in found if kind.orders])


def can_be_followed(table: ToneTable) -> bool:
    """Whether it has lines that only it can make: a shaft with bearings has none."""
    return any(_meshes(tone) for tone in table.tones)


def _meshes(tone: Tone) -> bool:
    return tone.family in MESHING and not any(tone.slip)


def _kind(what: str, orders: list[float], stands_out: float, *, own: bool) -> FollowedLines:
    kept = tuple(sorted({round(order, 9) for order in orders if order >= SLOWEST}))
    return FollowedLines(what=what, orders=kept, stands_out=stands_out, own=own)


def _each_once(kinds: list[FollowedLines]) -> tuple[FollowedLines, ...]:
    """A line that several kinds list belongs to the first: it must not count twice."""
    seen: set[float] = set()
    found = []
    for kind in kinds:
        orders = tuple(order for order in kind.orders if round(order, 6) not in seen)
        seen |= {round(order, 6) for order in orders}
        if orders:
            found.append(FollowedLines(what=kind.what, orders=orders, stands_out=kind.stands_out, own=kind.own))
    return tuple(found)
