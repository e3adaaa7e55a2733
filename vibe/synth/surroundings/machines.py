"""What machines around a drive put into its capture: impacts, smooth lines and noise that comes and goes.

Everything follows the angle of a body: the drive's own output or input, or a rotor of the machine itself, which turns
at a speed of its own. Nothing here knows a tone.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from vibe.synth.machine.damage import ImpactTrain
from vibe.synth.machine.motion import TURN, Array, crossings, input_motion
from vibe.synth.machine.structure import Complex, Structure
from vibe.synth.scene import LEAD_S, NOMINAL_NOISE_M_S2, Scene
from vibe.synth.surroundings.surroundings import COUNTS, Surrounding

LINE_MM_S = 0.3
"""Velocity r.m.s. of the first line of a machine around, at strength 1: what neighbours send through a common floor
(common practice)."""
NOISE_SHARE = 0.5
"""Noise of a machine around over the drive's own, at strength 1."""
WOBBLE = 2e-4
"""Relative r.m.s. variation of other rotors' speeds (common practice for induction motors)."""
SMOOTH_LINES = 6
"""Harmonics of a machine that makes no impacts (our choice)."""
CARRIER_M_S2 = 0.8
"""R.m.s. of an inverter's carrier on a motor's casing at strength 1 (our choice; audible)."""
POLES = 4
"""Of a motor that the drive file does not say."""


@dataclass(frozen=True, slots=True, eq=False)
class SourceSignal:
    """What one machine adds: impact trains, noise (n_points, n) before the casing's colour, and acceleration (n_points,
    n) that comes through floor and frame [m/s²]."""

    trains: tuple[ImpactTrain, ...] = ()
    noise: Array | None = None
    motion: Array | None = None


def source_signal(scene: Scene, item: Surrounding, number: int) -> SourceSignal:
    """What ``item`` adds to the capture; nothing of what the drive turns where that stands still."""
    if item.kind in FOLLOWS_THE_DRIVE and not scene.conditions.running:
        return SourceSignal()
    maker = _MAKERS.get(item.kind)
    return maker(scene, item, scene.streams.capture(f"surrounding {number} {item.kind}")) if maker else SourceSignal()


def _count(item: Surrounding, rng: np.random.Generator) -> int:
    low, high = COUNTS[item.kind]
    drawn = int(rng.integers(low, high + 1))
    return item.count if item.count is not None else drawn


def _rotor(scene: Scene, item: Surrounding, rng: np.random.Generator, low_hz: float, high_hz: float) -> Array:
    """Angle [turns] (n,) of a rotor that has nothing to do with the drive."""
    drawn_hz = float(np.exp(rng.uniform(np.log(low_hz), np.log(high_hz))))
    conditions = scene.conditions
    _, turns, _ = input_motion(
        duration_s=conditions.duration_s,
        lead_s=LEAD_S,
        sample_rate_hz=conditions.sample_rate_hz,
        mean_hz=item.hz if item.hz is not None else drawn_hz,
        variation=WOBBLE * float(np.exp(rng.normal(0.0, 0.5))),
        drift=0.0,
        rng=rng,
    )
    return turns


def _reach(scene: Scene, side: str, rng: np.random.Generator) -> Array:
    return np.asarray(scene.at_side(side) * np.exp(0.2 * rng.standard_normal(len(scene.sides))))


def _strikes(
    scene: Scene, item: Surrounding, rng: np.random.Generator, angle: Array, count: int, pulse_s: float, side: str
) -> ImpactTrain:
    """``count`` stations of a body strike as they go by, each with its own height and place, and none twice alike."""
    own_height = np.exp(0.2 * rng.standard_normal(count))
    own_place = rng.normal(0.0, 0.01, count)
    times, heights = [], []
    for station in range(count):
        passed = crossings(angle - (station + own_place[station]) / count, scene.motion.time_s)
        times.append(passed)
        heights.append(own_height[station] * rng.uniform(0.75, 1.25, passed.size))
    at, height = np.concatenate(times), np.concatenate(heights)
    order = np.argsort(at)
    at, height = at[order], height[order]
    if at.size > 1:
        at = at + 0.01 * float(np.median(np.diff(at))) * rng.standard_normal(at.size)
    reach = _reach(scene, side, rng)
    return ImpactTrain(
        label=item.kind,
        source=f"around {item.kind}",
        times_s=at,
        heights=reach[:, None] * (item.strength * height)[None, :],
        pulse_s=pulse_s,
        side=side,
    )


def _pattern(rng: np.random.Generator, sharp: float) -> tuple[Array, Array]:
    """Heights and phases [turns] of the first lines of something that passes, falling with the power ``sharp``."""
    k = np.arange(1.0, SMOOTH_LINES + 1.0)
    return np.asarray(k ** (-sharp)) * np.exp(0.3 * rng.standard_normal(k.size)), rng.uniform(0.0, 1.0, k.size)


def _lines(scene: Scene, rng: np.random.Generator, passing: Array, mm_s: float, side: str, sharp: float = 1.3) -> Array:
    """Acceleration (n_points, n) of smooth lines at the rate of ``passing`` (turns): the first has ``mm_s`` r.m.s."""
    time_s = scene.motion.time_s
    rate_hz = abs(float(passing[-1] - passing[0])) / float(time_s[-1] - time_s[0])
    heights, phases = _pattern(rng, sharp)
    wave = np.zeros(time_s.size)
    for k, (height, phase) in enumerate(zip(heights, phases, strict=True), start=1):
        if k * rate_hz < 0.4 * scene.conditions.sample_rate_hz:
            wave += height * np.cos(TURN * (k * passing + phase))
    amplitude = np.sqrt(2.0) * 1e-3 * mm_s * TURN * rate_hz / heights[0]
    return np.asarray(_reach(scene, side, rng)[:, None] * (amplitude * wave)[None, :])


def _gusts(scene: Scene, item: Surrounding, rng: np.random.Generator, passing: Array, depth: float, side: str) -> Array:
    """Noise (n_points, n) of unit colour that swells as blades pass; scaled by ``strength`` against the drive's own."""
    heights, phases = _pattern(rng, 1.0)
    swell = np.zeros(passing.size)
    for k, (height, phase) in enumerate(zip(heights, phases, strict=True), start=1):
        swell += height * np.cos(TURN * (k * passing + phase))
    swell = np.maximum(1.0 + depth * swell / np.sqrt(np.mean(swell**2)), 0.0)
    rms = NOISE_SHARE * item.strength * NOMINAL_NOISE_M_S2
    reach = _reach(scene, side, rng)
    return np.stack([rms * own * swell * rng.standard_normal(passing.size) for own in reach])


def _chain(scene: Scene, item: Surrounding, rng: np.random.Generator) -> SourceSignal:
    pulse_s = float(rng.uniform(1.5e-4, 6e-4))
    return SourceSignal(
        trains=(_strikes(scene, item, rng, scene.motion.angle("output"), _count(item, rng), pulse_s, "output"),)
    )


def _screw(scene: Scene, item: Surrounding, rng: np.random.Generator) -> SourceSignal:
    """A flight presses for a part of its turn: the stuff rubs louder, and it lets go with a blunt knock."""
    count, angle = _count(item, rng), scene.motion.angle("output")
    return SourceSignal(
        trains=(_strikes(scene, item, rng, angle, count, 2e-3, "output"),),
        noise=_gusts(scene, item, rng, count * angle, float(rng.uniform(0.1, 0.5)), "output"),
    )


def _mixer(scene: Scene, item: Surrounding, rng: np.random.Generator) -> SourceSignal:
    passing = _count(item, rng) * scene.motion.angle("output")
    return SourceSignal(
        noise=_gusts(scene, item, rng, passing, float(rng.uniform(0.1, 0.5)), "output"),
        motion=_lines(scene, rng, passing, LINE_MM_S * item.strength, "output"),
    )


def _fan(scene: Scene, item: Surrounding, rng: np.random.Generator) -> SourceSignal:
    passing = _count(item, rng) * scene.motion.angle("input")
    return SourceSignal(
        noise=_gusts(scene, item, rng, passing, float(rng.uniform(0.05, 0.4)), "input"),
        motion=_lines(scene, rng, passing, LINE_MM_S * item.strength, "input"),
    )


def _belt(scene: Scene, item: Surrounding, rng: np.random.Generator) -> SourceSignal:
    """A joint in a belt runs over two pulleys in each of its rounds."""
    turns = _rotor(scene, item, rng, 2.0, 12.0)
    second = float(rng.uniform(0.35, 0.65))
    train = _strikes(scene, item, rng, turns, 1, 2e-3, "input")
    other = _strikes(scene, item, rng, turns - second, 1, 2e-3, "input")
    return SourceSignal(
        trains=(train, other), motion=_lines(scene, rng, turns, LINE_MM_S * item.strength, "input", 0.7)
    )


def _pump(scene: Scene, item: Surrounding, rng: np.random.Generator) -> SourceSignal:
    turns, vanes = _rotor(scene, item, rng, 10.0, 50.0), _count(item, rng)
    depth = float(rng.uniform(0.1, 0.6))
    noise = _gusts(scene, item, rng, vanes * turns, depth, "input")
    noise += _gusts(scene, item, rng, turns, 0.5 * depth, "input")
    motion = _lines(scene, rng, turns, LINE_MM_S * item.strength, "input")
    return SourceSignal(
        noise=noise / np.sqrt(2.0), motion=motion + _lines(scene, rng, vanes * turns, LINE_MM_S, "input")
    )


def _two_fans(scene: Scene, item: Surrounding, rng: np.random.Generator) -> SourceSignal:
    """Two rotors at nearly one speed: their sum swells and fades, and what it shakes rattles most when they agree."""
    one = _rotor(scene, item, rng, 8.0, 49.0)
    other = one * (1.0 + float(rng.choice((-1.0, 1.0))) * float(rng.uniform(0.002, 0.02))) + rng.uniform()
    sway = (np.cos(TURN * one) + np.cos(TURN * other)) / 2.0
    rms = NOISE_SHARE * item.strength * NOMINAL_NOISE_M_S2
    reach = _reach(scene, "middle", rng)
    noise = np.stack([rms * own * np.maximum(1.0 + sway, 0.0) * rng.standard_normal(one.size) for own in reach])
    motion = sum(
        (_lines(scene, rng, turns, LINE_MM_S * item.strength, "middle") for turns in (one, other)), np.zeros(1)
    )
    return SourceSignal(noise=noise, motion=motion)


def _supply_turns(scene: Scene) -> Array:
    """Periods of the supply (n,): the field runs ahead of the rotor by the slip."""
    motor, time_s = scene.drive.motor, scene.motion.time_s
    if motor is not None and 0 < motor.synchronous_hz - scene.mean_hz < 0.1 * motor.synchronous_hz:
        return np.asarray(motor.line_hz * time_s)
    poles = POLES if motor is None else motor.poles
    return np.asarray(scene.mean_hz * 1.02 * poles / 2 * time_s)


def _inverter(scene: Scene, item: Surrounding, rng: np.random.Generator) -> SourceSignal:
    """A carrier with lines two supply periods next to it, twice it with one next to it; its clock drifts a little."""
    rate = scene.conditions.sample_rate_hz
    drawn_hz = float(rng.choice([2000.0, 3000.0, 4000.0, 8000.0])) * float(rng.uniform(0.995, 1.005))
    carrier_hz = item.hz if item.hz is not None else drawn_hz
    time_s, supply = scene.motion.time_s, _supply_turns(scene)
    wave = np.zeros(time_s.size)
    for times, side, height in ((1, 0, 0.2), (1, 2, 1.0), (1, -2, 0.9), (2, 1, 0.7), (2, -1, 0.6)):
        if times * carrier_hz < 0.45 * rate:
            wave += height * np.cos(TURN * (times * carrier_hz * time_s + side * supply + rng.uniform()))
    return SourceSignal(
        motion=np.asarray(_reach(scene, "input", rng)[:, None] * (CARRIER_M_S2 * item.strength * wave)[None, :])
    )


def _torque_ripple(scene: Scene, item: Surrounding, rng: np.random.Generator) -> SourceSignal:
    """Six pulses per supply period."""
    return SourceSignal(motion=_lines(scene, rng, 6.0 * _supply_turns(scene), LINE_MM_S * item.strength, "input"))


def _twice_line(scene: Scene, item: Surrounding, rng: np.random.Generator) -> SourceSignal:
    """Another machine's, on the mains."""
    line_hz = float(rng.choice([50.0, 60.0])) if item.hz is None else item.hz
    time_s = scene.motion.time_s
    return SourceSignal(motion=_lines(scene, rng, 2.0 * line_hz * time_s, LINE_MM_S * item.strength, "input", 2.0))


def _rotor_slots(scene: Scene, item: Surrounding, rng: np.random.Generator) -> SourceSignal:
    """Slots pass, seen through a field that pulls twice per supply period."""
    slots, supply = _count(item, rng) * scene.motion.angle("input"), _supply_turns(scene)
    wave = np.zeros(slots.size)
    for side, height in ((0, 0.6), (2, 1.0), (-2, 1.0)):
        wave += height * np.cos(TURN * (slots + side * supply + rng.uniform()))
    reach = _reach(scene, "input", rng)
    return SourceSignal(motion=np.asarray(reach[:, None] * (0.5 * CARRIER_M_S2 * item.strength * wave)[None, :]))


def _process_shocks(scene: Scene, item: Surrounding, rng: np.random.Generator) -> SourceSignal:
    """Lumps fall, stones crack: at any time, mostly small, now and then large."""
    drawn_hz = float(np.exp(rng.uniform(np.log(0.5), np.log(25.0))))
    length_s = scene.conditions.duration_s + LEAD_S
    number = int(rng.poisson((item.hz if item.hz is not None else drawn_hz) * length_s))
    times = np.sort(rng.uniform(-LEAD_S, scene.conditions.duration_s, number))
    heights = item.strength * np.exp(0.8 * rng.standard_normal(number))
    reach = _reach(scene, "output", rng)
    train = ImpactTrain(
        label=item.kind, source="around process shocks", times_s=times, heights=reach[:, None] * heights[None, :],
        pulse_s=float(np.exp(rng.uniform(np.log(1e-4), np.log(1e-3)))), side="output",
    )  # fmt: skip
    return SourceSignal(trains=(train,))


_MAKERS: dict[str, Callable[[Scene, Surrounding, np.random.Generator], SourceSignal]] = {
    "chain": _chain, "screw": _screw, "mixer": _mixer, "fan": _fan, "belt": _belt, "pump": _pump,
    "two fans": _two_fans, "inverter": _inverter, "torque ripple": _torque_ripple, "twice line": _twice_line,
    "rotor slots": _rotor_slots, "process shocks": _process_shocks,
}  # fmt: skip
FOLLOWS_THE_DRIVE = ("chain", "screw", "mixer", "fan", "inverter", "torque ripple", "rotor slots")


def coloured(structure: Structure, row: int, noise: Array) -> Complex:
    """Spectrum of noise with the casing's colour, its r.m.s. kept."""
    response = structure.friction(row) * structure.recorder
    gain = np.sqrt(np.mean(np.abs(response) ** 2))
    return np.asarray(structure.friction(row) * structure.spectrum(noise) / gain)
