"""A gear pair in motion."""

from __future__ import annotations

from vibe.core.stages.gear_pair import GearPairStage
from vibe.synth.machine.rolling import RollingCircles
from vibe.synth.stages import wheels
from vibe.synth.stages.act import StageAct


def turns(stage: GearPairStage, speed: float) -> dict[str, float]:
    """Signed turns of its bodies."""
    rolling = RollingCircles()
    rolling.outside("driver", "driven", "frame", stage.driver_teeth, stage.driven_teeth)
    rolling.still("frame")
    turns = rolling.solve("driver", speed)
    return turns | {"input": speed, "output": turns["driven"]}


ACT = StageAct(form=GearPairStage, turns=turns, parts=wheels.parts, wears=wheels.wears, force=wheels.force)
