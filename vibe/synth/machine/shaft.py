"""What shafts, foundation, motor and neighbours do: low-frequency motion, prescribed as casing velocity.

Sizes are casing velocities r.m.s. [mm/s] at nominal speed; all are smooth functions of the input's angle or of time.
"""

from __future__ import annotations

import numpy as np
from scipy.fft import rfft

from vibe.synth.machine.bearings import slow_noise
from vibe.synth.machine.contact import look_up, smooth_table
from vibe.synth.machine.motion import TURN, Array
from vibe.synth.scene import Scene

RESIDUAL_UNBALANCE_MM_S = 0.35
"""Balance grade G6.3 (ISO 21940-11): rotor 6.3 mm/s; the casing is about twenty times heavier (common practice)."""
RESIDUAL_MISALIGNMENT_MM_S = 0.09
"""At twice the turn, a quarter of the residual unbalance (our choice)."""
LINE_FREQUENCY_MM_S = 0.05
"""At twice the mains, of a sound motor (our choice)."""
UNBALANCE_MM_S = 4.0
"""At strength 1, in zone C of ISO 20816-3 on stiff supports (values from memory)."""
MISALIGNMENT_MM_S = (1.1, 2.8, 0.8)
"""At strength 1 at one, two and three times the turn: twice leads (common practice)."""
LOOSENESS_MM_S = 3.2
"""At strength 1, of all multiples together (our choice)."""
ELECTRICAL_MM_S = 1.9
"""At strength 1, at twice the mains (our choice)."""
LOOSE_ORDERS = 12
"""Multiples of the turn that a loose foot makes: ten and more are common (common practice)."""
LANDING_TURNS = 0.14
"""How long it takes a loose foot to land (our choice)."""


def shaft_motion(scene: Scene, sizes: dict[str, float]) -> Array:
    """Acceleration [m/s²] (n_points, n) from unbalance, misalignment, looseness, the motor's field and neighbours."""
    points = len(scene.sides)
    total = np.zeros((points, scene.motion.time_s.size))
    if scene.conditions.running:
        total += _orders(scene, sizes)
        if "looseness" in sizes:
            total += _looseness(scene, sizes["looseness"])
        if scene.drive.motor is not None:
            total += _electrical(scene, sizes.get("electrical", 0.0))
    for i, (frequency_hz, velocity_mm_s) in enumerate(scene.conditions.neighbours):
        phase = scene.streams.capture(f"neighbour {i}").uniform(0.0, TURN, points)
        omega = TURN * frequency_hz
        wave = np.cos(omega * scene.motion.time_s[None, :] + phase[:, None])
        total += np.sqrt(2.0) * 1e-3 * velocity_mm_s * omega * wave
    return total


def _orders(scene: Scene, sizes: dict[str, float]) -> Array:
    """Lines at one, two and three turns of the input; unbalance force grows with the square of speed."""
    rng = scene.streams.machine("shaft")
    own = scene.conditions.residual_unbalance
    velocity = np.array(
        [
            own * RESIDUAL_UNBALANCE_MM_S * rng.uniform(0.6, 1.4),
            own * RESIDUAL_MISALIGNMENT_MM_S * rng.uniform(0.5, 1.5),
            0.25 * own * RESIDUAL_MISALIGNMENT_MM_S * rng.uniform(0.5, 1.5),
        ]
    )
    phase = rng.uniform(0.0, 1.0, 3)
    velocity[0] += UNBALANCE_MM_S * sizes.get("unbalance", 0.0)
    velocity += np.array(MISALIGNMENT_MM_S) * sizes.get("misalignment", 0.0)
    # Acceleration of a line of given velocity at nominal speed, with the force's own growth: speed².
    omega = TURN * scene.drive.input.speed_hz * np.arange(1, 4)
    amplitude = np.sqrt(2.0) * 1e-3 * velocity * omega
    growth = scene.speed_now**2
    turns = scene.motion.input_turns
    lines = enumerate(zip(amplitude, phase, strict=True), 1)
    wave = sum(a * growth * np.cos(TURN * (k * turns + p)) for k, (a, p) in lines)
    side = scene.at_side("input")
    return np.asarray((0.6 + 0.4 * side)[:, None] * np.asarray(wave)[None, :])


def _looseness(scene: Scene, size: float) -> Array:
    """A foot that lifts and lands once per turn, every second time harder.

    A landing lasts a seventh of a turn, so harmonics reach up to about the tenth with half orders between them; the
    frame's own low modes disperse them, so there are no bursts. Its strength varies slowly.
    """
    angle = np.arange(4096) / 4096 * 2.0
    landing = np.zeros(angle.size)
    for place, strength in ((0.5, 1.0), (1.53, 0.65)):
        off = np.abs((angle - place + 1.0) % 2.0 - 1.0)
        landing += np.where(off < LANDING_TURNS / 2, strength * 0.5 * (1 + np.cos(TURN * off / LANDING_TURNS)), 0.0)
    harmonics = np.asarray(rfft(landing) / landing.size)[: 2 * LOOSE_ORDERS + 1]
    harmonics[0] = 0.0
    phase = scene.streams.machine("looseness").uniform(0.0, TURN, harmonics.size)
    harmonics = np.abs(harmonics) * np.exp(1j * phase)
    order = np.maximum(np.arange(harmonics.size) / 2.0, 0.5)
    velocity = np.abs(harmonics) / (TURN * scene.drive.input.speed_hz * order)
    harmonics *= 1e-3 * LOOSENESS_MM_S * size / np.sqrt(2.0 * np.sum(velocity**2))
    wave = look_up(smooth_table(harmonics), scene.motion.input_turns / 2.0) * scene.speed**2
    rng = scene.streams.capture("looseness")
    wave *= 1.0 + 0.12 * slow_noise(scene, rng, 0.4)
    reach = np.array([1.0 if i == 0 else 0.8 for i in range(len(scene.sides))])
    return np.asarray(reach[:, None] * wave[None, :])


def _electrical(scene: Scene, size: float) -> Array:
    """Twice line frequency; a damaged rotor or uneven gap adds sidebands at poles times slip."""
    motor = scene.drive.motor
    assert motor is not None
    time_s = scene.motion.time_s
    rng = scene.streams.capture("electrical")
    start = rng.uniform(0.0, 1.0, 2)
    line = TURN * (2.0 * motor.line_hz * time_s + start[0])
    velocity = LINE_FREQUENCY_MM_S * scene.conditions.electrical + ELECTRICAL_MM_S * size
    amplitude = np.sqrt(2.0) * 1e-3 * velocity * TURN * 2.0 * motor.line_hz
    depth = 0.0
    slip_turns = np.zeros(time_s.size)
    if motor.coupling == "direct":
        slip_turns = motor.synchronous_hz * time_s - scene.motion.input_turns
        depth = 0.6 * min(size, 1.5) + 0.03
    wave = amplitude * (1.0 + depth * np.cos(TURN * (motor.poles * slip_turns + start[1]))) * np.cos(line)
    return np.asarray(scene.at_side("input")[:, None] * wave[None, :])
