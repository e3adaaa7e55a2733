"""Gear pair: two wheels with outer teeth on fixed shafts, parallel or at an angle (bevel)."""

from __future__ import annotations

from collections.abc import Iterator
from fractions import Fraction

from vibe.core.stages.gear_pair import GearPairStage
from vibe.core.tones import Tone
from vibe.kinematics.families import gears
from vibe.kinematics.relations import Linkage, Speeds, joined, outside_mesh
from vibe.kinematics.stages.kind import StageKind


def link(stage: GearPairStage, name: str, feed: str, _slip: Fraction) -> Linkage:
    """Driver in, driven out, reversed; on shafts at an angle each is seen from where they cross."""
    driver, driven, output = (f"{name}.{part}" for part in ("driver", "driven", "output"))
    angled = ", at an angle to the input: its sense is a convention" if stage.kind == "bevel pair" else ""
    return Linkage(
        bodies=(
            (driver, f"driving wheel of {stage.driver_teeth} teeth, on the shaft of {feed}"),
            (driven, f"driven wheel of {stage.driven_teeth} teeth{angled}"),
            (output, f"output, on the driven wheel{angled}"),
        ),
        relations=(
            joined(driver, feed),
            outside_mesh(driver, stage.driver_teeth, driven, stage.driven_teeth, "housing"),
            joined(output, driven),
        ),
        output=output,
    )


def tones(stage: GearPairStage, name: str, speeds: Speeds) -> Iterator[Tone]:
    """Mesh, one tooth of each wheel, hunting tooth."""
    yield from gears.wheel_tones(stage, name, speeds, ("driving tooth", "driven tooth"))
    yield gears.pair_hunting(stage, name, speeds)


KIND = StageKind(form=GearPairStage, link=link, tones=tones)
