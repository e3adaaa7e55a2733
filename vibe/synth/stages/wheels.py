"""Two wheels with teeth on shafts that stand still: impacts and forces."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from vibe.core.stages.toothed import ToothedStage
from vibe.synth.machine.contact import SENSOR_TURNS
from vibe.synth.machine.damage import Damage, ImpactTrain
from vibe.synth.machine.forces import MESH_M_S2, Smooth, add, gear_force, liveliness, relative_hz
from vibe.synth.machine.strikes import strikes
from vibe.synth.stages.act import Breakable, Wear

if TYPE_CHECKING:
    from vibe.synth.scene import Scene


def driver_tooth_impacts(scene: Scene, damage: Damage, number: int, stage: ToothedStage) -> list[ImpactTrain]:
    """One damaged tooth of the driving wheel."""
    tooth = scene.motion.angle(f"stage{number}.driver") + damage.part / stage.wheels[0]
    return [strikes(scene, damage, number, tooth, np.zeros(tooth.size))]


def driven_tooth_impacts(scene: Scene, damage: Damage, number: int, stage: ToothedStage) -> list[ImpactTrain]:
    """One damaged tooth of the driven wheel."""
    tooth = scene.motion.angle(f"stage{number}.driven") + damage.part / stage.wheels[1]
    return [strikes(scene, damage, number, tooth - 0.5, np.zeros(tooth.size))]


def parts(stage: ToothedStage) -> dict[str, Breakable[ToothedStage]]:
    """Teeth of both wheels."""
    driver, driven = stage.wheels
    return {
        "driver_tooth": Breakable(driver, driver_tooth_impacts),
        "driven_tooth": Breakable(driven, driven_tooth_impacts),
    }


def wears(_stage: ToothedStage) -> tuple[str, ...]:
    """All teeth at once."""
    return ("gear_mesh",)


def force(scene: Scene, number: int, stage: ToothedStage, wear: Wear, total: Smooth) -> None:
    """Both wheels at their mesh point, which stands still."""
    head, worn = f"stage{number}", wear.get("gear_mesh", 0.0)
    driver, driven = stage.wheels
    mesh = 0.7 * MESH_M_S2 * liveliness(driver * relative_hz(scene, f"{head}.driver", "housing"))
    force = gear_force(scene, f"{head}.driver", driver, "housing", 0.0, mesh, worn)
    force += 0.3 * gear_force(scene, f"{head}.driven", driven, "housing", 0.5, mesh, worn)
    add(scene, total, number, force, np.full(force.size, SENSOR_TURNS))
