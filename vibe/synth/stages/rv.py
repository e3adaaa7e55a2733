"""An RV stage in motion."""

from __future__ import annotations

from typing import TYPE_CHECKING

from vibe.core.stages.rv import RvStage
from vibe.synth.machine.forces import Smooth
from vibe.synth.machine.rolling import RollingCircles
from vibe.synth.stages.act import Breakable, StageAct, Wear
from vibe.synth.stages.pair import LobeRow, ring_roller_part, row_force, row_parts
from vibe.synth.stages.planets import Planets, planet_force, planet_parts

if TYPE_CHECKING:
    from vibe.synth.scene import Scene


def turns(stage: RvStage, speed: float) -> dict[str, float]:
    """Signed turns of its bodies."""
    rolling = RollingCircles()
    rolling.outside("sun", "crank", "carrier", stage.sun_teeth, stage.planet_teeth)
    rolling.inside("disc", "ring", "crank", stage.lobes, stage.ring_pins)
    rolling.same("disc", "carrier")
    rolling.still("ring" if stage.fixed == "ring" else "carrier")
    turns = rolling.solve("sun", speed)
    turns["output"] = turns["carrier"] if stage.fixed == "ring" else turns["ring"]
    return turns | {"input": speed, "planet": turns["crank"], "eccentric": turns["crank"]}


def row_of(number: int, stage: RvStage) -> LobeRow:
    """Its discs are swung by the cranks."""
    return LobeRow(number, stage, eccentric="crank")


def planets_of(stage: RvStage) -> Planets:
    """Each planet wheel sits on a crank."""
    return Planets(stage.sun_teeth, stage.planet_teeth, stage.cranks)


def parts(stage: RvStage) -> dict[str, Breakable[RvStage]]:
    """What can be damaged."""
    return row_parts(stage, row_of) | ring_roller_part(stage, row_of) | planet_parts(planets_of(stage))


def force(scene: Scene, number: int, stage: RvStage, wear: Wear, total: Smooth) -> None:
    """Discs in their ring, and planet wheels on the sun."""
    row_force(scene, row_of(number, stage), wear.get("mesh", 0.0), total)
    planet_force(scene, number, planets_of(stage), wear.get("gear_mesh", 0.0), total)


ACT = StageAct(
    form=RvStage,
    turns=turns,
    parts=parts,
    wears=lambda _: ("mesh", "gear_mesh"),
    force=force,
    carried=("crank", "planet"),
)
