"""Gear pair: two wheels with outer teeth on fixed shafts, parallel or at an angle (bevel)."""

from __future__ import annotations

from vibe.core.drive import GearPairStage
from vibe.kinematics.relations import Linkage, joined, outside_mesh


def link(stage: GearPairStage, name: str, feed: str) -> Linkage:
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
