"""Gear pair: two wheels with outer teeth on fixed, parallel shafts."""

from __future__ import annotations

from vibe.core.drive import GearPairStage
from vibe.kinematics.relations import Linkage, joined, outside_mesh


def link(stage: GearPairStage, name: str, feed: str) -> Linkage:
    """Driver in, driven out, reversed."""
    driver, driven, output = (f"{name}.{part}" for part in ("driver", "driven", "output"))
    return Linkage(
        bodies=(
            (driver, f"driving wheel of {stage.driver_teeth} teeth, on the shaft of {feed}"),
            (driven, f"driven wheel of {stage.driven_teeth} teeth"),
            (output, "output, on the driven wheel"),
        ),
        relations=(
            joined(driver, feed),
            outside_mesh(driver, stage.driver_teeth, driven, stage.driven_teeth, "housing"),
            joined(output, driven),
        ),
        output=output,
    )
