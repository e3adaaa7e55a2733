"""Worm and wheel, on crossed shafts."""

from __future__ import annotations

from vibe.core.drive import WormStage
from vibe.kinematics.relations import Linkage, joined, outside_mesh


def link(stage: WormStage, name: str, feed: str) -> Linkage:
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
