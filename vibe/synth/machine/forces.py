"""Smooth forces of a sound drive: meshes with pitch errors, as functions of body angles.

Every force is a table over one turn of a *relative* angle (eccentric against ring, against disc, against output pins;
gear against mesh point), limited to what the recorder passes, so there is no step and nothing folds. Lines at every
order of the parts come from the parts' own errors; phasing of several discs comes from their angles.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from vibe.synth.machine.contact import (
    SENSOR_TURNS,
    half_cosine_harmonics,
    harmonic_limit,
    look_up,
    smooth_table,
    turn_of_parts,
)
from vibe.synth.machine.motion import TURN, Array

if TYPE_CHECKING:
    from vibe.synth.scene import Scene

MESH_M_S2 = 0.35
"""First mesh line of a healthy stage, r.m.s., before the casing; tuned to 0.3 to 1.5 mm/s in all (common practice)."""
PITCH_LINE_M_S2 = 0.03
"""A low line from pitch errors, r.m.s."""
HAND_OVER = 0.4
"""A part's error while it takes the load over, relative to its error while it carries it."""
MACHINE_SPREAD = 0.2
"""Log spread of mesh lines and friction between machines of one type."""
MESH_HARMONICS = (1.0, 0.45, 0.22, 0.10)
"""Heights of a mesh's harmonics: each half of the one before, as smooth teeth have them (our choice)."""
STEADY, TURNING = 0.7, 0.5
"""Share of a contact force that reaches the sensor whatever its direction, and share that turns with it."""

Harmonics = NDArray[np.complex128]


@dataclass(slots=True, eq=False)
class Smooth:
    """Forces (n_points, n) at the sensors' feet [m/s²], and the sum of contact forces that friction noise follows."""

    at_points: Array
    contact: Array


def add(scene: Scene, total: Smooth, number: int, force: Array, direction: Array) -> None:
    """Add a force of a stage that acts in a housing angle [turns], as each point feels it."""
    seen = force * (STEADY + TURNING * np.cos(TURN * (direction - SENSOR_TURNS)))
    total.at_points += scene.at_side(scene.stage_side(number))[:, None] * seen[None, :]
    total.contact += force


def relative_hz(scene: Scene, one: str, other: str) -> float:
    """How often one body turns past another."""
    return abs(scene.motion.rate(one) - scene.motion.rate(other)) * scene.mean_hz


def liveliness(mesh_hz: float) -> float:
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
    lines, the upper ones most, and grows uneven along the turn, which puts sidebands one and two turns next to them.
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


def gear_force(scene: Scene, gear: str, teeth: int, against: str, shift: float, mesh: float, wear: float) -> Array:
    """Force of one gear at a mesh point that turns with ``against`` and stands ``shift`` of a turn ahead."""
    limit = harmonic_limit(relative_hz(scene, gear, against), scene.conditions.sample_rate_hz)
    if limit < 2:
        return np.zeros(scene.motion.time_s.size)
    turn = gear_turn(
        scene.streams.machine(f"{gear} teeth"), teeth, limit, mesh, scene.conditions.pitch_errors, wear
    )  # fmt: skip
    return look_up(smooth_table(turn), scene.motion.angle(gear) - scene.motion.angle(against) - shift)
