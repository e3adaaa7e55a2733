"""Smooth forces of a sound drive: meshes with pitch errors, as functions of body angles.

Every force is a table over one turn of a *relative* angle (eccentric against ring, against disc, against output pins;
gear against mesh point), limited to what the recorder passes, so there is no step and nothing folds. Lines at every
order of the parts come from the parts' own errors; phasing of several discs comes from their angles.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import gcd

import numpy as np
from numpy.typing import NDArray

from vibe.core.drive import (
    BeltStage,
    ChainStage,
    CycloidalPair,
    CycloidalStage,
    GearPairStage,
    PlanetaryStage,
    RvStage,
    SteppedStage,
    ToothedStage,
    WormStage,
)
from vibe.synth.contact import (
    LOAD_SIDE_TURNS,
    LOAD_WIDTH_TURNS,
    half_cosine_harmonics,
    harmonic_limit,
    look_up,
    smooth_table,
    turn_of_parts,
)
from vibe.synth.motion import TURN, Array
from vibe.synth.scene import SENSOR_TURNS, Scene, planets_of

MESH_M_S2 = 0.35
"""First mesh line of a healthy stage, r.m.s., before the casing; tuned to 0.3 to 1.5 mm/s in all (common practice)."""
PITCH_LINE_M_S2 = 0.03
"""A low line from pitch errors, r.m.s."""
HAND_OVER = 0.4
"""A part's error while it takes the load over, relative to its error while it carries it."""
MACHINE_SPREAD = 0.2
"""Log spread of mesh lines and friction between machines of one type."""
MESH_HARMONICS = (1.0, 0.45, 0.22, 0.10)
STEADY, TURNING = 0.7, 0.5
"""Share of a contact force that reaches the sensor whatever its direction, and share that turns with it."""

Harmonics = NDArray[np.complex128]


@dataclass(slots=True, eq=False)
class Smooth:
    """Forces (n_points, n) at the sensors' feet [m/s²], and the sum of contact forces that friction noise follows."""

    at_points: Array
    contact: Array


def smooth_forces(scene: Scene, wear: dict[str, float]) -> Smooth:
    """Forces of all stages. ``wear``: extent by tone ("stage1.mesh", "stage1.output_pin_pass")."""
    count = scene.motion.time_s.size
    total = Smooth(np.zeros((len(scene.sides), count)), np.zeros(count))
    for number, stage in enumerate(scene.drive.stage, start=1):
        gear_wear = wear.get(f"stage{number}.gear_mesh", 0.0)
        if isinstance(stage, CycloidalStage | RvStage):
            own = wear.get(f"stage{number}.mesh", 0.0), wear.get(f"stage{number}.output_pin_pass", 0.0)
            _discs(scene, number, stage, own, total)
        if isinstance(stage, SteppedStage):
            for row, prefix in zip(stage.rows, ("", "second_"), strict=True):
                _discs(scene, number, row, (wear.get(f"stage{number}.{prefix}mesh", 0.0), 0.0), total, prefix)
        if isinstance(stage, RvStage | PlanetaryStage):
            _planets(scene, number, stage, gear_wear, total)
        if isinstance(stage, GearPairStage | WormStage | ChainStage):
            _pair(scene, number, stage, gear_wear, total)
        if isinstance(stage, BeltStage):
            _belt(scene, number, stage, total)
    total.at_points *= scene.load
    return total


def _add(scene: Scene, total: Smooth, number: int, force: Array, direction: Array) -> None:
    seen = force * (STEADY + TURNING * np.cos(TURN * (direction - SENSOR_TURNS)))
    total.at_points += scene.at_side(scene.stage_side(number))[:, None] * seen[None, :]
    total.contact += force


def _relative_hz(scene: Scene, one: str, other: str) -> float:
    return abs(scene.motion.rate(one) - scene.motion.rate(other)) * scene.mean_hz


def _liveliness(mesh_hz: float) -> float:
    """Slow meshes shake less: force follows the speed of approach."""
    return float(np.clip((mesh_hz / 400.0) ** 0.7, 0.02, 1.0))


def parts_turn(
    rng: np.random.Generator,
    *,
    count: int,
    width: float,
    limit: int,
    line: float,
    mesh: float,
    wear: float = 0.0,
) -> Harmonics:
    """Harmonics of one turn over ``count`` parts: errors of each, and the mesh of all.

    ``line`` is the r.m.s. of the first pitch-error lines, ``mesh`` that of the first mesh line; wear raises the mesh
    lines, the upper ones most, and grows uneven along the turn, which puts sidebands one and two turns beside them.
    """
    window = half_cosine_harmonics(width, limit)
    # The hand-over from one part to the next is shorter than the loaded third: about a pitch and a half.
    short = half_cosine_harmonics(min(1.5 / count, width), limit)
    window = window / abs(window[1]) + HAND_OVER * short / abs(short[1])
    harmonics = turn_of_parts(rng.standard_normal(count) / np.sqrt(count), window) * (line / np.sqrt(2.0))
    # Multiples of the count belong to the mesh, set below.
    harmonics[0] = 0.0
    harmonics[count::count] = 0.0
    mesh *= float(np.exp(MACHINE_SPREAD * rng.standard_normal()))
    for k, share in enumerate(MESH_HARMONICS, start=1):
        phase = rng.uniform(0.0, TURN, 5)
        strength = mesh * share / np.sqrt(2.0) * (1.0 + wear * (3.0 + k))
        for spread, side in zip((0, 1, -1, 2, -2), (1.0, 0.30, 0.24, 0.14, 0.1), strict=True):
            place = k * count + spread
            if place <= limit and (spread == 0 or wear > 0):
                amount = strength if spread == 0 else side * wear / (1.0 + wear) * strength
                harmonics[place] += amount * np.exp(1j * phase[abs(spread) + (2 if spread < 0 else 0)])
    return np.asarray(harmonics)


def _discs(
    scene: Scene,
    number: int,
    stage: CycloidalPair,
    extent: tuple[float, float],
    total: Smooth,
    row: str = "",
) -> None:
    """``row``: prefix of the ring's name and of the streams of a second row of lobes."""
    motion, head = scene.motion, f"stage{number}"
    wear, pass_wear = extent
    name = f"{head}.{'crank' if isinstance(stage, RvStage) else 'eccentric'}"
    swing = motion.angle(name)
    ring_hz = _relative_hz(scene, name, f"{head}.{row}ring")
    disc_hz = _relative_hz(scene, name, f"{head}.disc")
    # Where places are left empty, a lobe finds a pin every so many turns only, and some lobes none.
    every = stage.ring_pins // stage.pins_fitted
    reached = gcd(every, stage.ring_pins - stage.lobes)
    seldom = reached / every
    lively = _liveliness(stage.pins_fitted * ring_hz)
    line = PITCH_LINE_M_S2 * lively * scene.conditions.pitch_errors
    rate = scene.conditions.sample_rate_hz
    pins = smooth_table(
        parts_turn(
            scene.streams.machine(f"{head} {row}pins"),
            count=stage.pins_fitted, width=LOAD_WIDTH_TURNS, limit=harmonic_limit(ring_hz, rate),
            line=line, mesh=MESH_M_S2 * lively, wear=wear,
        )
    )  # fmt: skip
    share = 1.0 + 0.05 * scene.streams.machine(f"{head} {row}shares").standard_normal(stage.discs)
    share /= share.sum()
    if (uneven := scene.conditions.unequal_discs) and stage.discs > 1:
        # One disc thicker, or its eccentricity larger: it takes load off the others.
        share *= np.where(np.arange(stage.discs) == 0, 1.0 + uneven, 1.0 - uneven / (stage.discs - 1))
    for disc in range(stage.discs):
        direction = swing + stage.disc_turns[disc]
        lobes = smooth_table(
            parts_turn(
                scene.streams.machine(f"{head} {row}lobes {disc}"),
                count=stage.lobes // reached, width=LOAD_WIDTH_TURNS * seldom,
                limit=harmonic_limit(disc_hz * seldom, rate),
                line=line * stage.discs**0.5, mesh=0.1 * MESH_M_S2 * lively, wear=wear,
            )
        )  # fmt: skip
        force = look_up(pins, direction - motion.angle(f"{head}.{row}ring"))
        force += look_up(lobes, seldom * (direction - motion.angle(f"{head}.disc")))
        if isinstance(stage, CycloidalStage) and stage.output_pins:
            outputs = smooth_table(
                parts_turn(
                    scene.streams.machine(f"{head} output pins"),
                    count=stage.output_pins, width=0.5, limit=harmonic_limit(disc_hz, rate),
                    line=line, mesh=0.1 * MESH_M_S2 * lively, wear=pass_wear,
                )
            )  # fmt: skip
            force += look_up(outputs, direction - motion.angle(f"{head}.pins"))
        _add(scene, total, number, share[disc] * force, direction + LOAD_SIDE_TURNS)


def gear_turn(rng: np.random.Generator, teeth: int, limit: int, mesh: float, errors: float, wear: float) -> Harmonics:
    """Harmonics of one turn of a gear: mesh lines, tooth errors each two pitches wide, and a little run-out."""
    window = half_cosine_harmonics(2.0 / teeth, limit)
    harmonics = turn_of_parts(rng.standard_normal(teeth) / teeth, window / abs(window[1])) * (errors * 0.2 * mesh)
    harmonics[0] = 0.0
    harmonics[teeth::teeth] = 0.0
    mesh *= float(np.exp(MACHINE_SPREAD * rng.standard_normal()))
    for k, share in enumerate(MESH_HARMONICS, start=1):
        phase = rng.uniform(0.0, TURN, 3)
        strength = mesh * share / np.sqrt(2.0) * (1.0 + wear * (3.0 + k))
        for i, place in enumerate((k * teeth, k * teeth - 1, k * teeth + 1)):
            if place <= limit:
                harmonics[place] += strength * (1.0 if i == 0 else 0.05 + 0.2 * min(wear, 2.0)) * np.exp(1j * phase[i])
    harmonics[1] += 0.3 * PITCH_LINE_M_S2 * np.exp(1j * rng.uniform(0.0, TURN))
    return harmonics


def _gear_force(scene: Scene, gear: str, teeth: int, against: str, shift: float, mesh: float, wear: float) -> Array:
    """Force of one gear at a mesh point that turns with ``against`` and stands ``shift`` of a turn ahead."""
    limit = harmonic_limit(_relative_hz(scene, gear, against), scene.conditions.sample_rate_hz)
    if limit < 2:
        return np.zeros(scene.motion.time_s.size)
    turn = gear_turn(
        scene.streams.machine(f"{gear} teeth"), teeth, limit, mesh, scene.conditions.pitch_errors, wear
    )  # fmt: skip
    return look_up(smooth_table(turn), scene.motion.angle(gear) - scene.motion.angle(against) - shift)


def _planets(scene: Scene, number: int, stage: RvStage | PlanetaryStage, wear: float, total: Smooth) -> None:
    head, count = f"stage{number}", planets_of(stage)
    carrier = f"{head}.carrier"
    mesh_hz = stage.sun_teeth * _relative_hz(scene, f"{head}.sun", carrier)
    mesh = 0.6 * MESH_M_S2 * _liveliness(mesh_hz) / count
    for planet in range(count):
        shift = planet / count
        force = _gear_force(scene, f"{head}.sun", stage.sun_teeth, carrier, shift, mesh, wear)
        force += 0.4 * _gear_force(scene, f"{head}.planet", stage.planet_teeth, carrier, shift + 0.5, mesh, wear)
        if isinstance(stage, PlanetaryStage):
            force += _gear_force(scene, f"{head}.ring", stage.ring_teeth, carrier, shift, mesh, wear)
        _add(scene, total, number, force, scene.motion.angle(carrier) + shift)


def _pair(scene: Scene, number: int, stage: ToothedStage, wear: float, total: Smooth) -> None:
    head = f"stage{number}"
    mesh = 0.7 * MESH_M_S2 * _liveliness(stage.driver_teeth * _relative_hz(scene, f"{head}.driver", "housing"))
    force = _gear_force(scene, f"{head}.driver", stage.driver_teeth, "housing", 0.0, mesh, wear)
    force += 0.3 * _gear_force(scene, f"{head}.driven", stage.driven_teeth, "housing", 0.5, mesh, wear)
    _add(scene, total, number, force, np.full(force.size, SENSOR_TURNS))


def _belt(scene: Scene, number: int, stage: BeltStage, total: Smooth) -> None:
    if stage.belt_length_mm is None:
        return
    rng = scene.streams.machine(f"stage{number} belt")
    amplitude = PITCH_LINE_M_S2 * 0.5 * rng.uniform(0.5, 1.0, 4) / np.arange(1, 5)
    harmonics = np.concatenate([[0.0], amplitude / np.sqrt(2.0) * np.exp(1j * rng.uniform(0, TURN, 4))])
    force = look_up(smooth_table(harmonics), scene.motion.angle(f"stage{number}.belt"))
    _add(scene, total, number, force, np.full(force.size, SENSOR_TURNS))
