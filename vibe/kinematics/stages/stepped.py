"""Stepped discs: one eccentric, one disc body with two rows of lobes, each in its own ring of pins."""

from __future__ import annotations

from collections.abc import Iterator
from fractions import Fraction

from vibe.core.stages.stepped import SteppedStage
from vibe.core.tones import Tone
from vibe.kinematics.families import cycloid
from vibe.kinematics.relations import Linkage, Speeds, held, inside_mesh, joined
from vibe.kinematics.stages.kind import StageKind


def link(stage: SteppedStage, name: str, feed: str, _slip: Fraction) -> Linkage:
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


def tones(stage: SteppedStage, name: str, speeds: Speeds) -> Iterator[Tone]:
    """Both rows of lobes of one disc body."""
    for row, prefix in zip(stage.rows, ("", "second_"), strict=True):
        yield from cycloid.row_tones(row, name, speeds, prefix)


KIND = StageKind(form=SteppedStage, link=link, tones=tones)
