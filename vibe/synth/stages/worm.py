"""A worm and its wheel in motion."""

from __future__ import annotations

from vibe.core.stages.worm import WormStage
from vibe.synth.stages import wheels
from vibe.synth.stages.act import StageAct


def turns(stage: WormStage, speed: float) -> dict[str, float]:
    """Signed turns of its bodies."""
    # The thread moves on by a pitch for each of its starts; the wheel's rim goes along.
    driven = -speed * stage.starts / stage.wheel_teeth
    return {"input": speed, "driver": speed, "driven": driven, "output": driven}


ACT = StageAct(form=WormStage, turns=turns, parts=wheels.parts, wears=wheels.wears, force=wheels.force)
