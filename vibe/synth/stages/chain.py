"""A chain in motion."""

from __future__ import annotations

from vibe.core.stages.chain import ChainStage
from vibe.synth.stages import wheels
from vibe.synth.stages.act import StageAct


def turns(stage: ChainStage, speed: float) -> dict[str, float]:
    """Signed turns of its bodies."""
    pitches = speed * stage.driver_teeth
    driven = pitches / stage.driven_teeth
    turns = {"input": speed, "driver": speed, "driven": driven, "output": driven}
    if stage.links is not None:
        turns["chain"] = pitches / stage.links
    return turns


ACT = StageAct(form=ChainStage, turns=turns, parts=wheels.parts, wears=wheels.wears, force=wheels.force)
