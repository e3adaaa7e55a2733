"""A sun and the planets that roll on it, in a ring or without: impacts and forces."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from vibe.synth.machine.damage import Damage, ImpactTrain
from vibe.synth.machine.forces import MESH_M_S2, Smooth, add, gear_force, liveliness, relative_hz
from vibe.synth.machine.strikes import strikes
from vibe.synth.stages.act import Breakable

if TYPE_CHECKING:
    from vibe.synth.scene import Scene


@dataclass(frozen=True, slots=True)
class Planets:
    """Counts of teeth and wheels; no ring in an RV stage."""

    sun_teeth: int
    planet_teeth: int
    count: int
    ring_teeth: int | None = None


def sun_tooth_impacts(scene: Scene, damage: Damage, number: int, planets: Planets) -> list[ImpactTrain]:
    """One damaged tooth of the sun meets every planet."""
    count = planets.count
    tooth = scene.motion.angle(f"stage{number}.sun") + damage.part / planets.sun_teeth
    carrier = scene.motion.angle(f"stage{number}.carrier")
    return [
        strikes(scene, damage, number, tooth - carrier - planet / count, tooth, track=f"planet {planet}")
        for planet in range(count)
    ]


def ring_tooth_impacts(scene: Scene, damage: Damage, number: int, planets: Planets) -> list[ImpactTrain]:
    """One damaged tooth of the ring meets every planet."""
    assert planets.ring_teeth is not None
    tooth = scene.motion.angle(f"stage{number}.ring") + damage.part / planets.ring_teeth
    carrier = scene.motion.angle(f"stage{number}.carrier")
    return [
        strikes(scene, damage, number, carrier + planet / planets.count - tooth, tooth, track=f"planet {planet}")
        for planet in range(planets.count)
    ]


def planet_tooth_impacts(scene: Scene, damage: Damage, number: int, planets: Planets) -> list[ImpactTrain]:
    """Meets the sun, and in a planetary stage the ring half a turn of the planet later, with its other flank."""
    planet, tooth_number = divmod(damage.part, planets.planet_teeth)
    tooth = scene.motion.angle(f"stage{number}.planet") + tooth_number / planets.planet_teeth
    centre = scene.motion.angle(f"stage{number}.carrier") + planet / planets.count
    trains = [strikes(scene, damage, number, tooth - centre - 0.5, centre, track="sun")]
    if planets.ring_teeth is not None:
        trains.append(strikes(scene, damage, number, tooth - centre, centre, strength=0.6, track="ring"))
    return trains


def planet_parts(planets: Planets) -> dict[str, Breakable[Any]]:
    """Teeth of the sun, the planets, and the ring."""
    found: dict[str, Breakable[Any]] = {
        "sun_tooth": Breakable(planets.sun_teeth, lambda sc, dm, n, _: sun_tooth_impacts(sc, dm, n, planets)),
        "planet_tooth": Breakable(
            planets.planet_teeth * planets.count, lambda sc, dm, n, _: planet_tooth_impacts(sc, dm, n, planets)
        ),
    }
    if planets.ring_teeth is not None:
        found["ring_tooth"] = Breakable(planets.ring_teeth, lambda sc, dm, n, _: ring_tooth_impacts(sc, dm, n, planets))
    return found


def planet_force(scene: Scene, number: int, planets: Planets, wear: float, total: Smooth) -> None:
    """Every planet on the sun, and on the ring where there is one."""
    head, count = f"stage{number}", planets.count
    carrier = f"{head}.carrier"
    mesh_hz = planets.sun_teeth * relative_hz(scene, f"{head}.sun", carrier)
    mesh = 0.6 * MESH_M_S2 * liveliness(mesh_hz) / count
    for planet in range(count):
        shift = planet / count
        force = gear_force(scene, f"{head}.sun", planets.sun_teeth, carrier, shift, mesh, wear)
        force += 0.4 * gear_force(scene, f"{head}.planet", planets.planet_teeth, carrier, shift + 0.5, mesh, wear)
        if planets.ring_teeth is not None:
            force += gear_force(scene, f"{head}.ring", planets.ring_teeth, carrier, shift, mesh, wear)
        add(scene, total, number, force, scene.motion.angle(carrier) + shift)
