"""Cycloidal stage: an eccentric swings the discs inside a ring of pins."""

from __future__ import annotations

from collections.abc import Iterator
from fractions import Fraction

from vibe.core.stages.cycloidal import CycloidalStage
from vibe.core.tones import Tone
from vibe.kinematics.families import cycloid
from vibe.kinematics.phasing import pair_phasing
from vibe.kinematics.relations import Linkage, Speeds, held, inside_mesh, joined
from vibe.kinematics.stages.kind import StageKind


def link(stage: CycloidalStage, name: str, feed: str, _slip: Fraction) -> Linkage:
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


def tones(stage: CycloidalStage, name: str, speeds: Speeds) -> Iterator[Tone]:
    """Mesh, ring pins, lobes, sleeves, output pins and their rollers."""
    yield from cycloid.pair_tones(stage, name, speeds)
    yield from cycloid.output_pin_tones(stage, name, speeds)


KIND = StageKind(form=CycloidalStage, link=link, tones=tones, phasing=pair_phasing)
