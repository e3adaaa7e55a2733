"""Worm and wheel, on crossed shafts."""

from __future__ import annotations

from collections.abc import Iterator
from fractions import Fraction

from vibe.core.stages.worm import WormStage
from vibe.core.tones import Tone
from vibe.kinematics.families import gears
from vibe.kinematics.relations import Linkage, Speeds, joined, outside_mesh
from vibe.kinematics.stages.kind import StageKind


def link(stage: WormStage, name: str, feed: str, _slip: Fraction) -> Linkage:
    """Worm in, wheel out: one turn of the worm moves the wheel by as many teeth as it has starts.

    Which way the wheel turns is the hand of the worm; on crossed shafts it is a convention here, as for a gear pair.
    """
    driver, driven, output = (f"{name}.{part}" for part in ("driver", "driven", "output"))
    return Linkage(
        bodies=(
            (driver, f"worm of {stage.starts} start{'s' if stage.starts > 1 else ''}, on the shaft of {feed}"),
            (driven, f"worm wheel of {stage.wheel_teeth} teeth, across the input: its sense is a convention"),
            (output, "output, on the worm wheel, across the input: its sense is a convention"),
        ),
        relations=(
            joined(driver, feed),
            outside_mesh(driver, stage.starts, driven, stage.wheel_teeth, "housing"),
            joined(output, driven),
        ),
        output=output,
    )


def tones(stage: WormStage, name: str, speeds: Speeds) -> Iterator[Tone]:
    """Mesh, thread, one tooth of the wheel, and when the same two meet again."""
    parts = ("worm thread", "worm wheel tooth")
    yield from gears.wheel_tones(stage, name, speeds, parts, counted_in="starts")
    yield gears.pair_hunting(stage, name, speeds)


KIND = StageKind(form=WormStage, link=link, tones=tones)
