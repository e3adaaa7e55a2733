"""A planetary stage in motion."""

from __future__ import annotations

from typing import TYPE_CHECKING

from vibe.core.stages.planetary import PlanetaryStage
from vibe.synth.machine.forces import Smooth
from vibe.synth.machine.rolling import RollingCircles
from vibe.synth.stages.act import Breakable, StageAct, Wear
from vibe.synth.stages.planets import Planets, planet_force, planet_parts

if TYPE_CHECKING:
    from vibe.synth.scene import Scene


def turns(stage: PlanetaryStage, speed: float) -> dict[str, float]:
    """Signed turns of its bodies."""
    # The planet's own pitch radius is what fits between sun and ring, whatever the profile shift.
    rolling = RollingCircles()
    rolling.outside("sun", "planet", "carrier", stage.sun_teeth, stage.planet_teeth)
    rolling.inside("planet", "ring", "carrier", stage.planet_teeth, stage.ring_teeth)
    rolling.still(stage.fixed)
    driver, driven = {"ring": ("sun", "carrier"), "carrier": ("sun", "ring"), "sun": ("ring", "carrier")}[stage.fixed]
    turns = rolling.solve(driver, speed)
    return turns | {"input": speed, "output": turns[driven]}


def planets_of(stage: PlanetaryStage) -> Planets:
    """Its wheels, in their ring."""
    return Planets(stage.sun_teeth, stage.planet_teeth, stage.planets, stage.ring_teeth)


def parts(stage: PlanetaryStage) -> dict[str, Breakable[PlanetaryStage]]:
    """What can be damaged."""
    return planet_parts(planets_of(stage))


def force(scene: Scene, number: int, stage: PlanetaryStage, wear: Wear, total: Smooth) -> None:
    """Planets on the sun and in the ring."""
    planet_force(scene, number, planets_of(stage), wear.get("gear_mesh", 0.0), total)


ACT = StageAct(
    form=PlanetaryStage, turns=turns, parts=parts, wears=lambda _: ("gear_mesh",), force=force, carried=("planet",)
)
