"""The lines by which a drive's speed is found."""

from __future__ import annotations

from typing import TYPE_CHECKING

from vibe.core.tones import OUTSIDE

if TYPE_CHECKING:
    from vibe.core.drive import Drive
    from vibe.core.tones import ToneTable

MESH_HARMONICS = 3
"""Of a mesh and of what passes the load, the first ones (common practice)."""
LOWEST = 0.5
"""Order below which lines are too slow to show a speed."""
MOST_SPEED_ORDERS = 24
"""Lines used to find the speed: the lowest orders that a sound drive makes."""


def speed_orders(drive: Drive, table: ToneTable) -> tuple[float, ...]:
    """Orders of the lines that a sound drive of the kind makes, lowest first."""
    left_out = ("electrical", *OUTSIDE)
    healthy = [tone for tone in table.tones if not tone.damage and tone.family not in left_out and not any(tone.slip)]
    orders = {1.0, 2.0, 3.0, 4.0, 5.0, 6.0} if not drive.stage else {1.0, 2.0, 3.0}
    for tone in healthy:
        if tone.order >= LOWEST and tone.family != "hunting":
            orders |= {k * tone.order for k in range(1, MESH_HARMONICS + 1)}
    # Pitch errors put lines there in a sound drive too; without them a speed too high by 1 / lobes fits as well.
    orders |= {k * tone.order for tone in table.tones if tone.family == "lobe" and tone.order >= 1 for k in (1, 2, 3)}
    return tuple(sorted(orders)[:MOST_SPEED_ORDERS])


def moved_orders(table: ToneTable) -> tuple[float, ...]:
    """Orders at which a mesh is seen that several discs cancel at its own place: a turn of the eccentric off.

    Asked only where the other lines show no speed: a mesh at its own place a 1 / pins slower fits such a line too, and
    whatever knocks once a turn fills those next to what rings."""
    moved = [one for one in table.phasing if one.harmonic <= MESH_HARMONICS and one.effect == "radial"]
    return tuple(sorted({float(order) for one in moved for order in one.seen_at if order >= LOWEST}))
