"""A belt in motion."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from vibe.core.stages.belt import BeltStage
from vibe.synth.machine.contact import SENSOR_TURNS, look_up, smooth_table
from vibe.synth.machine.damage import Damage, ImpactTrain
from vibe.synth.machine.forces import PITCH_LINE_M_S2, Smooth, add
from vibe.synth.machine.motion import TURN
from vibe.synth.machine.strikes import strikes
from vibe.synth.stages.act import Breakable, StageAct, Wear

if TYPE_CHECKING:
    from vibe.synth.scene import Scene


def turns(stage: BeltStage, speed: float) -> dict[str, float]:
    """Signed turns of its bodies."""
    driven = speed * stage.driver_diameter_mm / stage.driven_diameter_mm
    turns = {"input": speed, "driver": speed, "driven": driven, "output": driven}
    if stage.belt_length_mm is not None:
        turns["belt"] = speed * np.pi * stage.driver_diameter_mm / stage.belt_length_mm
    return turns


def belt_impacts(scene: Scene, damage: Damage, number: int, _stage: BeltStage) -> list[ImpactTrain]:
    """A splice or crack thumps on each pulley it runs over."""
    belt = scene.motion.angle(f"stage{number}.belt")
    still = np.zeros(belt.size)
    return [
        strikes(scene, damage, number, belt + place, still, pulse_s=2.5e-3, strength=size, track=f"pulley {place}")
        for place, size in ((0.0, 1.0), (0.45, 0.7))
    ]


def force(scene: Scene, number: int, stage: BeltStage, _wear: Wear, total: Smooth) -> None:
    """The splice and uneven thickness of a belt, once per round."""
    if stage.belt_length_mm is None:
        return
    rng = scene.streams.machine(f"stage{number} belt")
    amplitude = PITCH_LINE_M_S2 * 0.5 * rng.uniform(0.5, 1.0, 4) / np.arange(1, 5)
    harmonics = np.concatenate([[0.0], amplitude / np.sqrt(2.0) * np.exp(1j * rng.uniform(0, TURN, 4))])
    force = look_up(smooth_table(harmonics), scene.motion.angle(f"stage{number}.belt"))
    add(scene, total, number, force, np.full(force.size, SENSOR_TURNS))


def parts(stage: BeltStage) -> dict[str, Breakable[BeltStage]]:
    """The belt, where its length is known."""
    return {} if stage.belt_length_mm is None else {"belt": Breakable(1, belt_impacts)}


ACT = StageAct(form=BeltStage, turns=turns, parts=parts, wears=lambda _: (), force=force)
