"""Cycloidal stage: an eccentric swings the discs inside a ring of pins."""

from __future__ import annotations

from vibe.core.drive import CycloidalStage
from vibe.kinematics.relations import Linkage, held, inside_mesh, joined


def link(stage: CycloidalStage, name: str, feed: str) -> Linkage:
    """Eccentric in; out by the disc (fixed ring) or by the ring (fixed output pins)."""
    eccentric, ring, disc, output = (f"{name}.{part}" for part in ("eccentric", "ring", "disc", "output"))
    fixed_ring = stage.fixed == "ring"
    return Linkage(
        bodies=(
            (eccentric, f"eccentric, on the shaft of {feed}"),
            (ring, f"ring of {stage.ring_pins} pins" + (", fixed" if fixed_ring else ", drives the output")),
            (
                disc,
                f"disc of {stage.lobes} lobes, its own spin"
                + ("" if fixed_ring else "; it swings, held from turning by the fixed output pins"),
            ),
            (
                output,
                "output, turned by the disc through its output pins" if fixed_ring else "output, turned by the ring",
            ),
        ),
        relations=(
            joined(eccentric, feed),
            inside_mesh(ring, stage.ring_pins, disc, stage.lobes, eccentric),
            held(ring if fixed_ring else disc),
            joined(output, disc if fixed_ring else ring),
        ),
        output=output,
    )
