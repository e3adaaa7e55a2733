"""Stepped discs: one eccentric, one disc body with two rows of lobes, each in its own ring of pins."""

from __future__ import annotations

from vibe.core.drive import SteppedStage
from vibe.kinematics.relations import Linkage, held, inside_mesh, joined


def link(stage: SteppedStage, name: str, feed: str) -> Linkage:
    """Eccentric in; the first ring is fixed, the second is the output: a compound train of two cycloidal pairs."""
    eccentric, ring, disc, second, output = (
        f"{name}.{part}" for part in ("eccentric", "ring", "disc", "second_ring", "output")
    )
    return Linkage(
        bodies=(
            (eccentric, f"eccentric, on the shaft of {feed}"),
            (ring, f"first ring of {stage.ring_pins} pins, fixed"),
            (disc, f"disc with rows of {stage.lobes} and {stage.second_lobes} lobes, its own spin"),
            (second, f"second ring of {stage.second_ring_pins} pins, drives the output"),
            (output, "output, on the second ring"),
        ),
        relations=(
            joined(eccentric, feed),
            inside_mesh(ring, stage.ring_pins, disc, stage.lobes, eccentric),
            inside_mesh(second, stage.second_ring_pins, disc, stage.second_lobes, eccentric),
            held(ring),
            joined(output, second),
        ),
        output=output,
    )
