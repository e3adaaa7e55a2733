"""Drives among other machines: what an installer, a rigger or a process engineer meets next to a cycloidal reducer.

Every signal grows from the angles of bodies. Parts strike when one body's angle crosses another's, the load zone stands
still in the frame of one of them, and all of it rings through a casing with several resonances.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray
from scipy.signal import butter, oaconvolve, sosfilt

from tests.worlds.case import Truth, WorldCase

Array = NDArray[np.float64]
Strikes = tuple[Array, Array]
SALT = 70_411
GRID_HZ = 400.0
LONGEST = 220_000
POINTS = ("input side", "ring", "output side")


@dataclass(frozen=True, slots=True, kw_only=True)
class Stage:
    """One reduction. ``fitted``: pins really in the ring; fewer than places where every second one is left out."""

    lobes: int
    pins: int
    outs: int
    discs: int = 2
    fitted: int = 0
    sun: int = 0
    planet: int = 0
    cranks: int = 3

    @property
    def meeting(self) -> int:
        return self.fitted or self.pins


@dataclass(frozen=True, slots=True)
class Bearing:
    name: str
    inner: str
    outer: str
    load: str
    elements: int
    ball: float
    pitch: float
    angle: float = 0.0


@dataclass(frozen=True, slots=True)
class Machine:
    stages: tuple[Stage, ...]
    bearings: tuple[Bearing, ...]
    rpm: int
    low: int
    high: int
    poles: int
    line: int

    @property
    def bodies(self) -> dict[str, float]:
        """Turns of every body for one turn of the input, with sign."""
        turns = {"housing": 0.0, "input": 1.0}
        drive = 1.0
        for number, stage in enumerate(self.stages, 1):
            share = (stage.pins - stage.lobes) / stage.lobes
            crank = drive
            if stage.sun:
                gear = stage.sun / stage.planet
                crank = -gear * drive / (1 + share * (1 + gear))
            drive = -share * crank
            for body, speed in (("eccentric", crank), ("crank", crank), ("disc", drive), ("carrier", drive)):
                turns[f"stage{number}.{body}"] = speed
            turns[f"stage{number}.output"] = drive
        return turns

    @property
    def output(self) -> float:
        return self.bodies[f"stage{len(self.stages)}.output"]

    def toml(self, tag: str) -> str:
        """The drive file, by the catalogue: pin places are counted, not the pins left in."""
        lines = [f'tag = "{tag}"', 'name = "Moorside drive"', "[input]", f"speed_rpm = {self.rpm}"]
        lines += [f"speed_range_rpm = [{self.low}, {self.high}]", "power_kw = 2.2"]
        lines += ["[motor]", f"poles = {self.poles}", f"line_hz = {self.line}"]
        for stage in self.stages:
            lines += ["[[stage]]", f'kind = "{"rv" if stage.sun else "cycloidal"}"']
            if stage.sun:
                lines += [f"sun_teeth = {stage.sun}", f"planet_teeth = {stage.planet}", f"cranks = {stage.cranks}"]
            else:
                lines += [f"output_pins = {stage.outs}"]
            lines += [f"lobes = {stage.lobes}", f"ring_pins = {stage.pins}", f"discs = {stage.discs}", 'fixed = "ring"']
        for b in self.bearings:
            lines += ["[[bearing]]", f'name = "{b.name}"', f'inner = "{b.inner}"', f'outer = "{b.outer}"']
            if b.load != "housing":
                lines += [f'load = "{b.load}"']
            lines += [f"elements = {b.elements}", f"element_diameter_mm = {b.ball}", f"pitch_diameter_mm = {b.pitch}"]
            lines += [f"contact_angle_deg = {b.angle}"]
        return "\n".join(lines) + "\n"


@dataclass(frozen=True, slots=True, eq=False)
class Scene:
    """A recorder, the casing it listens to, and the turns of one shaft on a coarse clock."""

    rng: np.random.Generator
    rate: float
    size: int
    points: int
    clock: Array
    turns: Array
    modes: Array
    damping: Array

    @property
    def length(self) -> float:
        return self.size / self.rate

    @property
    def hz(self) -> float:
        return float(self.turns[-1] - self.turns[0]) / float(self.clock[-1])

    def time(self) -> Array:
        return np.arange(self.size) / self.rate

    def at(self, turns: Array) -> Array:
        return np.interp(self.time(), self.clock, turns)

    def pace(self, top: float) -> Array:
        """Speed over ``top``, sample by sample."""
        return np.abs(self.at(np.gradient(self.turns, self.clock))) / top


def log_draw(rng: np.random.Generator, low: float, high: float) -> float:
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


def loudness(signal: Array) -> float:
    """As r.m.s. for noise, yet fair to rare knocks: from the level passed in one sample of a thousand."""
    return float(np.quantile(np.abs(signal[0, ::3]), 0.999) / 3.3) + 1e-12


# --- shafts and paths -------------------------------------------------------------------------------------------------


def shaft(rng: np.random.Generator, clock: Array, hz: float, shape: Array | float = 1.0, steady: bool = False) -> Array:
    """Turns of a shaft: an induction motor wanders with load and line, faster or slower from site to site."""
    keep = np.exp(-1 / (GRID_HZ * rng.uniform(0.15, 3.0)))
    size = 2e-5 if steady else log_draw(rng, 3e-5, 1e-3)
    kicks = rng.normal(size=clock.size) * np.sqrt(1 - keep**2)
    wander = sosfilt(np.array([[1.0, 0.0, 0.0, 1.0, -keep, 0.0]]), kicks)
    speed = hz * shape * (1 + size * wander)
    steps = (speed[1:] + speed[:-1]) / (2 * GRID_HZ)
    return float(rng.uniform()) + np.concatenate([[0.0], np.cumsum(steps)])


def ring(scene: Scene, push: Array, low: float = 0.0, high: float = 1e9, own: bool = True) -> Array:
    """What the points feel of a force: casing resonances, or for things further off those of the steel between."""
    rng = scene.rng
    if own:
        modes, damping = scene.modes, scene.damping
        chosen = (modes >= low) & (modes <= high)
        if not chosen.any():
            chosen = modes == modes.max()
        modes, damping = modes[chosen], damping[chosen]
    else:
        top = min(high, 0.43 * scene.rate)
        modes = np.exp(rng.uniform(np.log(max(low, 60.0)), np.log(top), 5))
        damping = np.exp(rng.uniform(np.log(0.015), np.log(0.09), 5))
    time = np.arange(int(0.06 * scene.rate)) / scene.rate
    waves = np.exp(-2 * np.pi * np.outer(modes * damping, time)) * np.sin(2 * np.pi * np.outer(modes, time))
    gains = np.exp(rng.normal(0, 0.7, modes.size)) * np.sqrt(modes * damping)
    felt = np.empty((scene.points, scene.size))
    for point in range(scene.points):
        there = gains * np.exp(rng.normal(0, 0.4, modes.size)) * rng.choice([-1, 1], modes.size)
        kernel = there @ waves
        late = int(rng.uniform(0, 4e-4) * scene.rate)
        kernel = np.concatenate([np.zeros(late), kernel]) / np.sqrt(np.sum(kernel**2) + 1e-30)
        felt[point] = oaconvolve(push, kernel)[: scene.size]
    return felt


def knock(scene: Scene, strikes: Strikes, low: float = 0.0, high: float = 1e9, own: bool = True) -> Array:
    """A train of blows at times between samples, rung through a path."""
    times, heights = strikes
    place = times * scene.rate
    inside = (place >= 0) & (place < scene.size - 2)
    place, heights = place[inside], heights[inside]
    whole = place.astype(int)
    push = np.zeros(scene.size)
    np.add.at(push, whole, heights * (1 - place + whole))
    np.add.at(push, whole + 1, heights * (place - whole))
    return ring(scene, push, low, high, own)


def crossings(clock: Array, turns: Array) -> Array:
    """Times at which turns pass whole numbers, whichever way they go."""
    ahead = turns if turns[-1] >= turns[0] else -turns
    ahead = np.maximum.accumulate(ahead)
    whole = np.arange(np.ceil(ahead[0]), np.floor(ahead[-1]) + 1)
    return np.interp(whole, ahead, clock) if whole.size else np.zeros(0)


def slowly(scene: Scene, times: Array, step: float) -> Array:
    """A random curve of unit size that takes ``step`` seconds to change its mind."""
    knots = np.arange(0, scene.length + 2 * step, step)
    return np.interp(times, knots, scene.rng.normal(size=knots.size))


def uneven(scene: Scene, count: int, scatter: float) -> Array:
    return np.exp(scene.rng.normal(0, scatter, count))


def tones(scene: Scene, turns: Array, sizes: Array) -> Array:
    """Harmonics of a shaft, those in the band only."""
    fastest = np.abs(np.diff(turns)).max() * GRID_HZ
    phases = np.exp(2j * np.pi * scene.rng.uniform(size=len(sizes)))
    wave = np.zeros(scene.size)
    if fastest > 0.45 * scene.rate:
        return wave
    once = np.exp(2j * np.pi * (scene.at(turns) % 1.0))
    power = once
    for order, (size, phase) in enumerate(zip(sizes, phases, strict=True), 1):
        if order * fastest < 0.45 * scene.rate:
            wave += (size * phase * power).real
            power = power * once
    return wave


def spread(scene: Scene, wave: Array) -> Array:
    """Slow shaking moves the whole casing, each point by its own share."""
    return np.outer(np.exp(scene.rng.normal(0, 0.4, scene.points)) * scene.rng.choice([-1, 1], scene.points), wave)


# --- the reducer ------------------------------------------------------------------------------------------------------


def errors(scene: Scene, turns: Array, size: float, terms: int = 3) -> Array:
    """Pitch errors of a row of like parts, seen as they pass: a smooth curve that comes again every turn."""
    return tones(scene, turns, size * np.exp(scene.rng.normal(-0.5, 0.6, terms)))


def running(scene: Scene, machine: Machine, mesh: float | None = None, steady: bool = True) -> Array:
    """A sound drive at work, at an r.m.s. near one."""
    rng = scene.rng
    bodies = machine.bodies
    mesh = log_draw(rng, 0.25, 2.0) if mesh is None else mesh
    total = spread(scene, tones(scene, scene.turns, log_draw(rng, 0.05, 0.5) * np.exp(rng.normal(-0.6, 0.7, 5))))
    swing = np.ones(scene.size)
    for number, stage in enumerate(machine.stages, 1):
        crank = bodies[f"stage{number}.eccentric"] * scene.turns
        disc = bodies[f"stage{number}.disc"] * scene.turns
        passing = tones(scene, stage.meeting * crank, np.exp(rng.normal(0, 0.5, 6)) / np.arange(1, 7) ** 0.7)
        unlike = 1 + errors(scene, crank, 0.16) + errors(scene, crank - disc, 0.12)
        pins = errors(scene, stage.outs * (crank - disc), 0.12, 2)
        part = mesh * (0.45 if number > 1 else 1.0)
        total += part * (ring(scene, passing * unlike + pins) * 0.35 + 0.4 * spread(scene, passing * unlike + pins))
        swing += 0.12 * rng.uniform() * tones(scene, crank, np.ones(2)) + 0.15 * rng.uniform() * passing
        swing += 0.06 * rng.uniform() * tones(scene, crank - disc, np.ones(2))
        if stage.sun:
            sun = scene.turns - disc
            spur = tones(scene, stage.sun * sun, log_draw(rng, 0.3, 1.2) * np.array([1.0, 0.6, 0.3, 0.2]))
            spur *= 1 + errors(scene, sun, 0.15) + errors(scene, crank - disc, 0.1) + errors(scene, disc, 0.06)
            total += ring(scene, spur) * 0.3 + 0.5 * spread(scene, spur)
    noise = rng.normal(size=scene.size) * np.clip(swing, 0.1, None)
    hiss = sosfilt(butter(2, [40, min(5000, 0.42 * scene.rate)], "band", fs=scene.rate, output="sos"), noise)
    total += log_draw(rng, 0.25, 0.9) * ring(scene, noise) + 0.4 * spread(scene, hiss)
    total /= np.sqrt(np.mean(total[0] ** 2))
    if not steady:
        total *= scene.pace(machine.rpm / 60) ** 1.5
    return total


def cage_of(bearing: Bearing, bodies: dict[str, float]) -> tuple[float, float]:
    """Turns of the cage, and of an element about itself as the cage sees it, for one input turn."""
    thin = bearing.ball / bearing.pitch * np.cos(np.deg2rad(bearing.angle))
    inner, outer = bodies[bearing.inner], bodies[bearing.outer]
    return (inner * (1 - thin) + outer * (1 + thin)) / 2, abs(inner - outer) * (1 - thin**2) / (
        2 * bearing.ball / bearing.pitch
    )


def zone(angle: Array, rng: np.random.Generator) -> Array:
    """How hard a place is loaded, by its turns from the middle of the zone; preload leaves a little all round."""
    half = rng.uniform(0.18, 0.28)
    inside = (np.cos(2 * np.pi * angle) - np.cos(2 * np.pi * half)) / (1 - np.cos(2 * np.pi * half))
    return np.maximum(inside, rng.uniform(0.03, 0.25)) ** 1.2


def bearing_strikes(scene: Scene, bearing: Bearing, bodies: dict[str, float], part: str) -> Strikes:
    """Blows of one bearing. The cage slips a little, never quite evenly."""
    rng = scene.rng
    cage_rate, spin_rate = cage_of(bearing, bodies)
    slip = rng.uniform(0.003, 0.012) * (1 + 0.12 * slowly(scene, scene.clock, 0.25))
    base = bodies[bearing.outer] * scene.turns
    ahead = (cage_rate - bodies[bearing.outer]) * np.gradient(scene.turns) * (1 - slip)
    cage = base + np.cumsum(ahead)
    load = bodies[bearing.load] * scene.turns
    pockets = rng.normal(0, 0.006, bearing.elements)
    if part == "cage":
        times = crossings(scene.clock, cage - load)
        times = (times[:, None] + np.sort(rng.uniform(0, 0.003, (times.size, 4)), axis=1)).ravel()
        return times, uneven(scene, times.size, 0.4)
    if part == "rolling_element":
        spin = np.cumsum(spin_rate * np.gradient(scene.turns) * (1 - slip)) + rng.uniform()
        outer, inner = crossings(scene.clock, spin), crossings(scene.clock, spin + 0.5)
        weaker = 0.0 if rng.uniform() < 0.3 else rng.uniform(0.3, 1.0)
        times = np.concatenate([outer, inner])
        heights = np.concatenate([np.ones(outer.size), np.full(inner.size, weaker)])
        heights = heights * zone(np.interp(times, scene.clock, cage - load), rng)
        return times, heights * uneven(scene, times.size, 0.15)
    ring_turns = bodies[bearing.outer if part == "outer_race" else bearing.inner] * scene.turns
    gathered = [
        crossings(scene.clock, cage - ring_turns + k / bearing.elements + pockets[k] / 6)
        for k in range(bearing.elements)
    ]
    times = np.sort(np.concatenate(gathered))
    fixed = 0.0 if bearing.load != bearing.outer or part != "outer_race" else rng.uniform(-0.12, 0.12)
    still = bodies[bearing.load] == bodies[bearing.outer if part == "outer_race" else bearing.inner]
    place = np.full(times.size, fixed) if still else np.interp(times, scene.clock, ring_turns - load)
    return times, zone(place, rng) * uneven(scene, times.size, 0.15)


def damage_strikes(scene: Scene, machine: Machine, tone: str) -> Strikes:
    """Blows of one damaged part of the drive, named as a report would name it."""
    rng = scene.rng
    bodies = machine.bodies
    if tone.startswith("bearing."):
        _, name, part = tone.split(".")
        return bearing_strikes(scene, next(b for b in machine.bearings if b.name == name), bodies, part)
    prefix, part = tone.split(".")
    stage = machine.stages[int(prefix[-1]) - 1]
    crank, disc = bodies[f"{prefix}.eccentric"] * scene.turns, bodies[f"{prefix}.disc"] * scene.turns
    met = crank if part == "ring_pin" else crank - disc
    discs = 1 if part == "lobe" else stage.discs
    shares = np.concatenate([[1.0], rng.uniform(0.15, 0.7, discs - 1)])
    times = [crossings(scene.clock, met + k / discs) for k in range(discs)]
    heights = [share * uneven(scene, each.size, 0.18) for share, each in zip(shares, times, strict=True)]
    when, high = np.concatenate(times), np.concatenate(heights)
    if part != "ring_pin":
        carried = np.interp(when, scene.clock, disc) + rng.uniform()
        high = high * (1 + rng.uniform(0.1, 0.45) * np.cos(2 * np.pi * carried))
    return when + rng.normal(0, 5e-5, when.size), high


def fit(scene: Scene, background: Array, blows: Array, decibels: float) -> Array:
    """Scales blows so that, in the band that shows them best, they stand so many decibels over the rest."""
    power = [np.abs(np.fft.rfft(signal[0])) ** 2 for signal in (blows, background)]
    edges = np.exp(np.arange(np.log(400.0), np.log(0.45 * scene.rate), 0.3))
    bins = (edges * scene.length).astype(int)
    shown, there = (np.add.reduceat(p, bins[:-1])[:-1] if p.size > bins[-1] else p[:1] for p in power)
    return blows * float(np.sqrt(10 ** (decibels / 10) / np.max(shown / (there + 1e-12))))


# --- what stands around -----------------------------------------------------------------------------------------------

Around = Callable[[Scene, Machine], Array]


def other(scene: Scene, hz: float, steady: bool = False) -> Array:
    return shaft(scene.rng, scene.clock, hz, steady=steady)


def driven_impacts(scene: Scene, machine: Machine, count: int) -> Array:
    """Sprocket teeth, flights, blades: so many blows each output turn, no two quite alike."""
    rng = scene.rng
    out = np.abs(machine.output) * scene.turns
    scatter = rng.uniform(0.05, 0.5)
    times, heights = [], []
    early = rng.uniform(0.003, 0.02) / (count * abs(machine.output) * scene.hz)
    for tooth, (late, high) in enumerate(zip(rng.normal(0, 0.03, count), uneven(scene, count, scatter), strict=True)):
        when = crossings(scene.clock, out + (tooth + late) / count)
        times.append(when + rng.normal(0, early, when.size))
        heights.append(high * uneven(scene, when.size, 0.2))
    return knock(scene, (np.concatenate(times), np.concatenate(heights)), 150, rng.uniform(1500, 6000), own=False)


def blades(scene: Scene, turns: Array, count: int) -> Array:
    """Fan or vane pump: blade passing, its shaft, and a rush of air or water that swells with each blade."""
    rng = scene.rng
    passing = tones(scene, count * turns, np.exp(rng.normal(0, 0.5, 4)) / np.arange(1, 5))
    body = tones(scene, turns, np.exp(rng.normal(-0.7, 0.7, 4)))
    rush = rng.normal(size=scene.size) * np.clip(1 + 0.35 * passing, 0.1, None)
    return spread(scene, passing + body) + 0.7 * ring(scene, rush, 100, 5000, own=False)


def vane_pump(scene: Scene, machine: Machine) -> Array:
    rng = scene.rng
    return blades(scene, other(scene, float(rng.choice([scene.hz * rng.uniform(0.985, 1.015), 24.4, 48.8]))), 5)


def own_fan(scene: Scene, machine: Machine) -> Array:
    return blades(scene, scene.turns, int(scene.rng.integers(5, 12)))


def two_fans(scene: Scene, machine: Machine) -> Array:
    hz = scene.rng.uniform(12, 26)
    return blades(scene, other(scene, hz), 6) + blades(scene, other(scene, hz + scene.rng.uniform(0.1, 0.9)), 6)


def belts(scene: Scene, machine: Machine) -> Array:
    """A belt's joint passes two pulleys each round of the belt, which is no whole part of any shaft."""
    belt = other(scene, scene.rng.uniform(3, 11))
    splice = np.concatenate([crossings(scene.clock, belt), crossings(scene.clock, belt + 0.37)])
    flap = spread(scene, tones(scene, belt, np.exp(scene.rng.normal(-1, 0.6, 6))))
    return 0.3 * flap + 6 * knock(scene, (splice, uneven(scene, splice.size, 0.2)), 100, 2500, own=False)


def inverter(scene: Scene, machine: Machine) -> Array:
    """A carrier whistles through the motor, with the line's sidebands about it."""
    rng = scene.rng
    field_hz, carrier = scene.hz * machine.poles / 2 * 1.02, rng.uniform(2000, min(8000, 0.4 * scene.rate))
    time, wave = scene.time(), np.zeros(scene.size)
    for many in (1, 2):
        for side in (-4, -2, -1, 0, 1, 2, 4):
            hz = many * carrier + side * field_hz
            if hz < 0.45 * scene.rate:
                wave += (
                    np.exp(rng.normal(-0.4 * abs(side), 0.5)) / many * np.cos(2 * np.pi * (hz * time + rng.uniform()))
                )
    return spread(scene, wave)


def line_hum(scene: Scene, machine: Machine) -> Array:
    line = other(scene, 2 * machine.line, steady=True)
    return spread(scene, tones(scene, line, np.array([1.0, 0.4, 0.25, 0.1])))


def random_blows(scene: Scene, per_second: float, low: float, high: float, heavy: float = 0.7) -> Array:
    count = int(scene.rng.poisson(per_second * scene.length)) + 2
    times = scene.rng.uniform(0, scene.length, count)
    return knock(scene, (times, uneven(scene, count, heavy)), low, high, own=False)


def process_shocks(scene: Scene, machine: Machine) -> Array:
    return random_blows(scene, log_draw(scene.rng, 1, 12), 100, 5000, 0.9)


def hail(scene: Scene, machine: Machine) -> Array:
    """A squall: it thickens and thins within the capture."""
    sky = np.clip(np.sin(np.pi * (scene.time() / scene.length * scene.rng.uniform(0.6, 1.6) + 0.1)), 0.05, None)
    return random_blows(scene, log_draw(scene.rng, 30, 250), 800, 9000) * sky


def jets(scene: Scene, machine: Machine) -> Array:
    """Washing down: the lance sweeps over the casing about once a second."""
    swing = np.cos(2 * np.pi * scene.at(other(scene, scene.rng.uniform(0.5, 1.4)))) ** 4
    return ring(scene, scene.rng.normal(size=scene.size) * swing, 500, 9000)


def crane(scene: Scene, machine: Machine) -> Array:
    """A crane rolls by overhead: rumble swells, and pairs of wheels knock on the rail joints."""
    rng = scene.rng
    near = np.exp(-(((scene.time() / scene.length - rng.uniform(0.3, 0.7)) / 0.25) ** 2))
    joints = np.arange(0.4, scene.length, rng.uniform(0.8, 2.0))
    knocks = np.concatenate([joints, joints + 0.18])
    return near * (
        ring(scene, rng.normal(size=scene.size), 60, 500, own=False)
        + 30 * knock(scene, (knocks, uneven(scene, knocks.size, 0.3)), 60, 900, own=False)
    )


def doors(scene: Scene, machine: Machine) -> Array:
    return random_blows(scene, 0.15, 60, 700, 0.4)


def cavitation(scene: Scene, machine: Machine) -> Array:
    """Bubbles burst in showers, thicker as each vane passes the cutwater."""
    vane = 5 * other(scene, scene.rng.uniform(22, 30))
    return random_blows(scene, 900, 1500, 9000, 1.0) * np.clip(1 + 0.8 * tones(scene, vane, np.ones(1)), 0.05, None)


def water_hammer(scene: Scene, machine: Machine) -> Array:
    times = crossings(scene.clock, other(scene, scene.rng.uniform(0.5, 2.2)))
    times = times + scene.rng.normal(0, 0.03, times.size)
    return knock(scene, (times, uneven(scene, times.size, 0.3)), 60, 1200, own=False)


def compressor(scene: Scene, machine: Machine) -> Array:
    """Pistons shake, and valves slap twice a turn, suction softer than delivery."""
    turn = other(scene, scene.rng.uniform(5, 13))
    times = np.concatenate([crossings(scene.clock, turn + late) for late in (0.0, 0.21, 0.5, 0.69)])
    heights = np.repeat([1.0, 0.4, 0.9, 0.35], [crossings(scene.clock, turn + p).size for p in (0.0, 0.21, 0.5, 0.69)])
    slaps = knock(scene, (times, heights * uneven(scene, times.size, 0.15)), 150, 4500, own=False)
    return 8 * slaps + 0.5 * spread(scene, tones(scene, turn, np.array([1.0, 0.7, 0.3, 0.2])))


def guard(scene: Scene, machine: Machine) -> Array:
    """Loose sheet metal: it chatters when the shaft's shake lifts it, misses turns, lands early or late."""
    times = crossings(scene.clock, scene.turns)
    times = times[scene.rng.uniform(size=times.size) < 0.7]
    times = np.concatenate([times, times + scene.rng.uniform(0.004, 0.015, times.size)])
    return knock(
        scene, (times + scene.rng.normal(0, 0.004, times.size), uneven(scene, times.size, 0.8)), 300, 5000, False
    )


def coupling(scene: Scene, machine: Machine) -> Array:
    """A worn spider: every jaw of the coupling bumps once a turn, with the misalignment at one and two times."""
    jaws = int(scene.rng.choice([3, 4, 6]))
    times = crossings(scene.clock, jaws * scene.turns)
    heights = np.resize(uneven(scene, jaws, 0.25), times.size) * uneven(scene, times.size, 0.3)
    shake = spread(scene, tones(scene, scene.turns, np.array([0.5, 1.0, 0.3])))
    return 0.4 * shake + 5 * knock(scene, (times + scene.rng.normal(0, 6e-4, times.size), heights), 100, 2500, False)


def pawls(scene: Scene, machine: Machine) -> Array:
    """A backstop ticks over its ratchet on the input, and a grease feeder snaps now and then."""
    teeth = int(scene.rng.choice([7, 9, 14, 22]))
    times = crossings(scene.clock, teeth * scene.turns)
    feed = np.arange(0.3, scene.length, scene.rng.uniform(0.7, 1.6))
    times = np.concatenate([times, feed])
    heights = uneven(scene, times.size, 0.25) * np.where(np.arange(times.size) < times.size - feed.size, 1.0, 4.0)
    return knock(scene, (times + scene.rng.normal(0, 2e-4, times.size), heights), 1000, 7000, own=False)


def wheel_flat(scene: Scene, machine: Machine) -> Array:
    """Travelling gear: an open pinion turns a rail wheel with a flat, and rails have joints."""
    wheel = machine.output * scene.turns / scene.rng.uniform(1.7, 4.3)
    flat = crossings(scene.clock, wheel + scene.rng.uniform())
    joints = np.arange(0.2, scene.length, scene.rng.uniform(1.1, 2.7))
    teeth = crossings(scene.clock, 17 * machine.output * scene.turns)
    times = np.concatenate([flat, joints, teeth])
    heights = np.concatenate([np.full(flat.size, 2.0), np.full(joints.size, 2.5), np.full(teeth.size, 0.5)])
    return knock(scene, (times, heights * uneven(scene, times.size, 0.25)), 80, 2500, own=False)


def ticking(scene: Scene, machine: Machine) -> Array:
    """Steel cools after a hot run: clicks in the joints, thinning out."""
    times = scene.length * scene.rng.uniform(size=int(12 * scene.length)) ** 1.8
    return knock(scene, (times, uneven(scene, times.size, 1.0)), 1500, 9000)


def backlash(scene: Scene, machine: Machine) -> Array:
    """Run unloaded, lobes chatter on pins in their play: at mesh rate, ragged, and now and then not at all."""
    stage = machine.stages[0]
    crank = machine.bodies["stage1.eccentric"] * scene.turns
    times = crossings(scene.clock, stage.meeting * crank)
    pace = max(stage.meeting * abs(machine.bodies["stage1.eccentric"]) * scene.hz, 1.0)
    heights = uneven(scene, times.size, 0.7) * (slowly(scene, times, 0.3) > -0.5)
    return knock(scene, (times + scene.rng.normal(0, 0.12 / pace, times.size), heights))


def tone_orders(machine: Machine) -> list[float]:
    """Rates at which damage of the drive itself could strike, for one input turn."""
    bodies, orders = machine.bodies, []
    for b in machine.bearings:
        cage, spin = cage_of(b, bodies)
        orders += [b.elements * abs(cage - bodies[b.outer]), b.elements * abs(bodies[b.inner] - cage), spin, 2 * spin]
    for number, _ in enumerate(machine.stages, 1):
        crank = bodies[f"stage{number}.eccentric"]
        orders += [abs(crank), abs(crank - bodies[f"stage{number}.disc"])]
    return orders


def unmatched(scene: Scene, machine: Machine) -> Array:
    """A worn bearing of the motor or of the driven machine, not in the drive file and at none of its rates."""
    rng = scene.rng
    for _ in range(60):
        base = float(rng.choice([1.0, rng.uniform(0.3, 2.2)]))
        worn = Bearing(
            "x", "input", "housing", "housing", int(rng.integers(7, 17)), rng.uniform(7, 9), rng.uniform(30, 48)
        )
        cage, _spin = cage_of(worn, {"input": base, "housing": 0.0})
        order = worn.elements * cage
        if all(abs(k * order / mine - 1) > 0.035 for mine in tone_orders(machine) for k in (0.5, 1, 2, 3)):
            break
    there = scene if base == 1.0 else replace(scene, turns=other(scene, scene.hz * base))
    worn_part = str(rng.choice(["outer_race", "outer_race", "inner_race"]))
    blows = bearing_strikes(there, worn, {"input": 1.0, "housing": 0.0}, worn_part)
    return knock(scene, blows, 500, 7000, own=False)


def motor_alone(scene: Scene, hz: float, machine: Machine) -> Array:
    """A bare motor: its shaft, twice the line, slots with the line's sidebands, the fan's rush."""
    rng = scene.rng
    turn = other(scene, hz)
    slots = int(rng.integers(26, 44))
    line = scene.at(other(scene, 2 * machine.line, steady=True))
    slot = sum(np.cos(2 * np.pi * (slots * scene.at(turn) + side * line)) for side in (-1, 0, 1))
    wave = tones(scene, turn, np.exp(rng.normal(-0.3, 0.6, 4))) + np.cos(2 * np.pi * line)
    if slots * hz + 2 * machine.line < 0.45 * scene.rate:
        wave = wave + log_draw(rng, 0.1, 0.5) * slot
    return spread(scene, wave) + 0.8 * ring(scene, rng.normal(size=scene.size), 100, 6000, own=False)


def spur_box(scene: Scene, hz: float) -> Array:
    rng = scene.rng
    first = other(scene, hz)
    z1, z2, z3 = int(rng.integers(17, 29)), int(rng.integers(41, 83)), int(rng.integers(15, 23))
    second = first * z1 / z2
    wave = tones(scene, z1 * first, np.array([1.0, 0.5, 0.3])) + tones(scene, z3 * second, np.array([0.8, 0.5, 0.2]))
    wave = wave * (1 + errors(scene, first, 0.15) + errors(scene, second, 0.1)) + tones(
        scene, first, np.array([0.6, 0.3])
    )
    return spread(scene, wave) + 0.5 * ring(scene, wave + rng.normal(size=scene.size), 200, 6000, own=False)


# --- drives and captures ----------------------------------------------------------------------------------------------


def bearing(rng: np.random.Generator, name: str, inner: str, outer: str, load: str, many: bool) -> Bearing:
    """Elements that fit round the pitch circle with room for a cage."""
    elements = int(rng.integers(10, 19)) if many else int(rng.integers(7, 11))
    pitch = round(float(rng.uniform(28, 75)), 1)
    ball = round(float(min(np.pi * pitch / elements * rng.uniform(0.62, 0.8), 0.24 * pitch)), 2)
    return Bearing(
        name, inner, outer, load, elements, ball, pitch, float(rng.choice([0.0, 0.0, 15.0])) if not many else 0.0
    )


SPEEDS = ((1450, 4, 50), (1750, 4, 60), (960, 6, 50), (2890, 2, 50), (720, 8, 50), (1160, 6, 60), (620, 4, 50))
RATIOS = (6, 8, 11, 13, 15, 17, 21, 25, 29, 35, 43, 51, 59, 71, 87, 119)


def machine_of(rng: np.random.Generator, style: str) -> Machine:
    """``single``, ``low`` and ``high`` ratios, ``double``, ``rv``, tooth difference two, half-drawn pins."""
    picks = {"low": RATIOS[:7], "high": RATIOS[10:], "half": (11, 13, 15, 17, 21, 25, 29, 35)}
    gap = 2 if style == "gap" else 1
    lobes = int(rng.choice((22, 25, 34, 35, 46, 58))) if gap == 2 else int(rng.choice(picks.get(style, RATIOS)))
    outs = min(int(rng.integers(6, 13)), max(4, lobes - 2))
    first = Stage(lobes=lobes, pins=lobes + gap, outs=outs, discs=int(rng.choice([1, 2, 2, 2])))
    if style == "half":
        first = replace(first, fitted=first.pins // 2)
    stages: tuple[Stage, ...] = (first,)
    names = [("drive-end", "input", "housing", "housing", False)]
    if style == "rv":
        lobes = int(rng.choice((29, 35, 39, 43, 51)))
        sun = int(rng.integers(10, 25))
        stages = (
            Stage(
                lobes=lobes,
                pins=lobes + 1,
                outs=0,
                sun=sun,
                planet=int(rng.integers(sun + 6, sun + 34)),
                cranks=int(rng.choice([2, 3])),
            ),
        )
        names += [("crank", "stage1.crank", "stage1.disc", "stage1.crank", True)]
        names += [("support", "stage1.crank", "stage1.carrier", "stage1.carrier", True)]
        names += [("main", "stage1.carrier", "housing", "housing", True)]
    else:
        names += [("eccentric", "stage1.eccentric", "stage1.disc", "stage1.eccentric", True)]
        names += [("output", "stage1.output", "housing", "housing", True)]
    if style == "double":
        ratio = int(rng.choice((6, 8, 11, 13)))
        more = int(rng.choice((11, 13, 15, 17)))
        stages = (Stage(lobes=ratio, pins=ratio + 1, outs=4), Stage(lobes=more, pins=more + 1, outs=8))
        names += [("eccentric2", "stage2.eccentric", "stage2.disc", "stage2.eccentric", True)]
        names += [("final", "stage2.output", "housing", "housing", True)]
    rpm, poles, line = SPEEDS[int(rng.integers(len(SPEEDS)))]
    low, high = 1 - rng.uniform(0.02, 0.04), 1 + rng.uniform(0.02, 0.04)
    return Machine(
        stages, tuple(bearing(rng, *name) for name in names), rpm, round(rpm * low), round(rpm * high), poles, line
    )


def scene_of(
    rng: np.random.Generator,
    machine: Machine,
    *,
    long: bool = False,
    off: float | None = None,
    rate: float | None = None,
    seconds: float | None = None,
    shape: Callable[[Array], Array] | None = None,
) -> Scene:
    rate = float(rng.choice([8192, 12800, 20000, 25600, 25600, 51200])) if rate is None else rate
    if long:
        rate = min(rate, 20000.0)
    seconds = rng.uniform(11, 16) if long else (rng.uniform(6, 12) if seconds is None else seconds)
    size = int(min(seconds * rate, LONGEST))
    clock = np.arange(0, size / rate + 0.05, 1 / GRID_HZ)
    hz = machine.rpm / 60 * (1 + (rng.uniform(-0.013, 0.013) if off is None else off))
    turns = shaft(rng, clock, hz, 1.0 if shape is None else shape(clock / clock[-1]))
    modes = np.exp(rng.uniform(np.log(450), np.log(min(11000, 0.43 * rate)), int(rng.integers(6, 10))))
    return Scene(
        rng, rate, size, int(rng.integers(1, 4)), clock, turns, modes, np.exp(rng.uniform(-4.4, -2.9, modes.size))
    )


@dataclass(slots=True, eq=False)
class Draft:
    machine: Machine
    scene: Scene
    data: Array
    turning: bool = True
    damaged: tuple[str, ...] = ()
    marks: dict[str, float] = field(default_factory=dict)
    noted: float | None = None
    level: float = 0.0
    floor: float = 0.0
    tacho: bool | None = None


Build = Callable[[np.random.Generator, int], Draft]


def add(draft: Draft, extra: Array, strength: float, name: str = "strength") -> Draft:
    """Lays surroundings over a drive, sized by what they are next to its own level."""
    draft.data = draft.data + extra * (strength * loudness(draft.data) / loudness(extra))
    draft.marks[name] = round(strength, 3)
    return draft


def sound(rng: np.random.Generator, style: str, mesh: float | None = None, **how: object) -> Draft:
    machine = machine_of(rng, style)
    scene = scene_of(rng, machine, **how)  # type: ignore[arg-type]
    return Draft(machine, scene, running(scene, machine, mesh))


def twins(tone: str) -> tuple[str, ...]:
    """Names that share a rate by construction."""
    if tone in ("stage1.lobe", "stage1.output_pin", "stage2.lobe", "stage2.output_pin"):
        stage, part = tone.split(".")
        return tone, f"{stage}.{'output_pin' if part == 'lobe' else 'lobe'}"
    return {"stage1.ring_pin": (tone, "input.shaft"), "stage2.ring_pin": (tone, "stage1.output")}.get(tone, (tone,))


def hurt(draft: Draft, tone: str, decibels: float) -> Draft:
    """Quick blows run into one another: they need more strength, and a mode that dies soon, to be distinguished."""
    scene = draft.scene
    strikes = damage_strikes(scene, draft.machine, tone)
    pace = strikes[0].size / scene.length
    decibels = max(decibels, 10 * np.log10(pace / 50))
    blows = knock(scene, strikes, 1800.0 if pace > 100 else float(scene.rng.choice([0.0, 900.0])))
    draft.data = draft.data + fit(scene, draft.data, blows, decibels)
    draft.damaged = (tone,) if draft.machine.stages[0].sun else twins(tone)
    draft.marks |= {"band_db": round(float(decibels), 2), "blows_per_second": round(pace, 2)}
    return draft


# --- kinds: nothing of this drive turns, or not as filed --------------------------------------------------------------

IMPACTS = (2, 3, 5, 7, 9, 12, 15, 19, 23, 28, 33, 40)


def silent(rng: np.random.Generator, style: str = "") -> tuple[Machine, Scene, Array]:
    """A drive at rest: its file, a recorder, a little hiss."""
    machine = machine_of(rng, style or str(rng.choice(["single", "rv", "low", "double"])))
    scene = scene_of(rng, machine)
    return machine, scene, 0.05 * rng.normal(size=(scene.points, scene.size))


def next_to_machines(rng: np.random.Generator, turn: int) -> Draft:
    machine, scene, data = silent(rng)
    neighbour = (vane_pump, compressor, two_fans)[turn](scene, machine)
    level = log_draw(rng, 0.05, 0.6)
    draft = Draft(machine, scene, data + neighbour / loudness(neighbour), turning=False, level=level)
    return add(draft, (line_hum, cavitation, belts)[turn](scene, machine), 0.5)


def next_to_twin(rng: np.random.Generator, turn: int) -> Draft:
    """The twin runs at a speed this drive is never given; its lines come through the frame."""
    machine, scene, data = silent(rng, ("single", "rv", "double")[turn])
    speed = (machine.rpm / 60) * rng.choice([0.82, 0.9, 1.09, 1.17])
    twin = replace(scene, turns=other(scene, speed))
    through = 0.5 * running(twin, machine) + 0.3 * ring(scene, rng.normal(size=scene.size), 60, 2000, own=False)
    draft = Draft(
        machine,
        scene,
        data + through,
        turning=False,
        level=log_draw(rng, 0.05, 0.6),
        marks={"twin_speed": float(speed * 60 / machine.rpm)},
    )
    if turn == 1:
        blows = knock(scene, damage_strikes(twin, machine, "stage1.ring_pin"))
        draft.data = draft.data + fit(scene, draft.data, blows, 0.0)
    return draft


def nothing_there(rng: np.random.Generator, turn: int) -> Draft:
    machine, scene, data = silent(rng)
    if turn == 0:
        line = tones(scene, other(scene, machine.line, steady=True), np.array([1.0, 0.3, 0.5, 0.1, 0.3, 0.05, 0.2]))
        data = data + spread(scene, line)
    elif turn == 1:
        data = data + ring(scene, rng.normal(size=scene.size))
    else:
        data = data + random_blows(scene, 6, 60, 2500, 1.2) * 20 + line_hum(scene, machine) * 0.3
    return Draft(machine, scene, data, turning=False, level=log_draw(rng, 0.01, 0.15))


def other_ratio(rng: np.random.Generator, turn: int) -> Draft:
    """The right motor, the wrong gear: filed under a drive whose pins it has not."""
    machine = machine_of(rng, ("low", "rv", "double")[turn])
    scene = scene_of(rng, machine, rate=25600.0)
    while True:
        true = machine_of(rng, ("single", "low", "single")[turn])
        share = true.stages[0].meeting / machine.stages[0].meeting
        if abs(true.stages[0].pins - machine.stages[0].pins) < 5:
            continue
        if abs(share - round(share)) > 0.12 and abs(1 / share - round(1 / share)) > 0.12 and true.stages[0].pins < 40:
            break
    return Draft(machine, scene, running(scene, true, 2.0), marks={"pins_really": float(true.stages[0].pins)})


def starts_and_stops(rng: np.random.Generator, turn: int) -> Draft:
    machine = machine_of(rng, ("single", "low", "rv")[turn])

    def shape(part: Array) -> Array:
        if turn == 0:
            return np.clip((part - 0.1) / rng.uniform(0.5, 0.8), 0, 1)
        if turn == 1:
            return np.clip(1 - part / rng.uniform(0.6, 0.9), 0, 1) ** 1.3
        return np.clip(np.interp(part, [0, 0.25, 0.4, 0.6, 0.75, 1], [1, 1, 0, 0, 1, 1]), 0, 1)

    scene = scene_of(rng, machine, shape=shape)
    data = running(scene, machine, steady=False) + 0.03 * rng.normal(size=(scene.points, scene.size))
    return Draft(machine, scene, data, tacho=False)


def uncoupled_motor(rng: np.random.Generator, turn: int) -> Draft:
    machine, scene, data = silent(rng)
    hz = (2 * machine.line / machine.poles * 0.998, machine.rpm / 60, machine.rpm / 60 * 1.008)[turn]
    return Draft(machine, scene, data + motor_alone(scene, hz, machine), turning=False)


def wrong_machine(rng: np.random.Generator, turn: int) -> Draft:
    machine, scene, data = silent(rng)
    hz = machine.rpm / 60 * rng.uniform(0.99, 1.01)
    if turn == 0:
        detected = motor_alone(scene, hz, machine) + blades(scene, other(scene, hz), 7)
    elif turn == 1:
        detected = (
            blades(scene, other(scene, hz / 1.37), 6) + belts(scene, machine) * 0.1 + motor_alone(scene, hz, machine)
        )
    else:
        detected = spur_box(scene, hz)
    return Draft(machine, scene, data + detected, turning=False)


def held_or_jogged(rng: np.random.Generator, turn: int) -> Draft:
    """A motor growling against its brake; a mixer that the stream turns slowly; short jogs of a rigger."""
    machine = machine_of(rng, ("single", "low", "rv")[turn])
    if turn == 0:
        scene = scene_of(rng, machine)
        growl = line_hum(scene, machine) * (1 + 0.2 * tones(scene, other(scene, 1.1), np.ones(1)))
        return Draft(machine, scene, growl + 0.1 * random_blows(scene, 0.5, 200, 3000), turning=False, level=0.4)
    if turn == 1:
        scene = scene_of(rng, machine, off=-0.91)
        return Draft(
            machine, scene, running(scene, machine) + 0.5 * process_shocks(scene, machine), level=0.15, tacho=False
        )
    scene = scene_of(rng, machine, shape=lambda part: np.clip(6 * np.sin(2 * np.pi * part * 5) - 4, 0, 1))
    return Draft(machine, scene, running(scene, machine, steady=False) + random_blows(scene, 1, 200, 4000), tacho=False)


def fallen_sensor(rng: np.random.Generator, turn: int) -> Draft:
    """The magnet let go at once: a crack, then a swinging cable that hears the hall only as a rustle."""
    machine, scene, data = silent(rng)
    fall = rng.uniform(0.15, 0.4)
    on = scene.time() < fall
    swing = spread(scene, tones(scene, other(scene, rng.uniform(0.8, 2.2)), np.array([1.0, 0.2])))
    data = data + running(scene, machine) * on + 0.6 * swing * ~on
    bangs = fall + np.cumsum(rng.uniform(0.05, 0.3, 4))
    data = data + 60 * knock(scene, (bangs, np.array([1.0, 0.6, 0.3, 0.2])), 100, 3000) + 0.1 * line_hum(scene, machine)
    return Draft(machine, scene, data, turning=False)


def bump_test(rng: np.random.Generator, turn: int) -> Draft:
    """A hammer finds the casing's resonances while all stands still; filed among the running captures."""
    machine, scene, data = silent(rng)
    gap = (0.7, 1.5, 60 / machine.rpm * 4)[turn]
    times = np.arange(0.3, scene.length, gap)
    times = times + rng.normal(0, 0.03 * gap, times.size)
    return Draft(machine, scene, data + 30 * knock(scene, (times, uneven(scene, times.size, 0.2))), turning=False)


# --- kinds: sound drives ----------------------------------------------------------------------------------------------


def plainly(*rounds: tuple[str, float | None]) -> Build:
    """A sound drive alone, by style and strength of mesh."""
    return lambda rng, turn: sound(rng, *rounds[turn], long=turn == 2)


def amid(low: float, high: float, *rounds: tuple[str, Around]) -> Build:
    """A sound drive with one thing next to it."""
    return lambda rng, turn: with_around(rng, *rounds[turn], low, high)


def plain(rng: np.random.Generator, turn: int) -> Draft:
    draft = sound(rng, ("single", "low", "high")[turn], (None, 0.12, None)[turn])
    draft.floor = (0.0, 0.3, 0.0)[turn]
    return draft


def moving_speed(rng: np.random.Generator, turn: int) -> Draft:
    """Batch mixers thicken, cranes lift and lower: the speed runs away by a few hundredths, or swings."""
    size = rng.uniform(0.01, 0.03)

    def shape(part: Array) -> Array:
        if turn == 0:
            return 1 + size * (part - 0.5)
        return 1 + 0.2 * size * np.sin(2 * np.pi * part * rng.uniform(1, 4))

    draft = sound(rng, ("single", "rv", "gap")[turn], shape=shape)
    draft.data = draft.data * (1 + 0.25 * np.sin(2 * np.pi * draft.scene.time() * rng.uniform(0.1, 0.6)))
    draft.marks["swing"] = size
    return draft


def poor_recorder(rng: np.random.Generator, turn: int) -> Draft:
    draft = sound(rng, ("high", "rv", "single")[turn], rate=6400.0, seconds=(10.0, 8.0, 3.2)[turn])
    draft.noted = round(draft.scene.hz * 60 * 1.01, 1)
    return draft


def driven(rng: np.random.Generator, count: int, style: str) -> Draft:
    draft = sound(rng, style, long=True)
    ratio = 1 / abs(draft.machine.output)
    count += 3 if min(abs(count - ratio), abs(count - ratio - 1)) < 0.6 else 0
    draft.marks["per_output_turn"] = float(count)
    return add(draft, driven_impacts(draft.scene, draft.machine, count), log_draw(rng, 0.4, 4.0))


def next_to(draft: Draft, apart: float, strength: float, tone: str = "") -> Draft:
    """A twin on the same frame, at nearly this speed, sound or with its own damage; detected through the steel."""
    scene, machine = draft.scene, draft.machine
    twin = replace(scene, turns=other(scene, scene.hz * (1 + apart)), modes=scene.modes * 1.03)
    detected = running(twin, machine)
    if tone:
        blows = knock(twin, damage_strikes(twin, machine, tone), 500.0)
        detected = detected + fit(twin, detected, blows, scene.rng.uniform(-4, 4))
    draft.marks["apart_percent"] = round(100 * apart, 4)
    draft.marks["apart_bins"] = round(abs(apart) * scene.hz * scene.length, 2)
    return add(draft, detected, strength, "twin")


def gap_of(rng: np.random.Generator) -> float:
    return log_draw(rng, 2e-4, 1.5e-2) * float(rng.choice([-1, 1]))


def twin_sound(rng: np.random.Generator, turn: int) -> Draft:
    draft = sound(rng, ("single", "rv", "gap")[turn], long=True)
    return next_to(draft, gap_of(rng), log_draw(rng, 0.3, 1.5))


def twin_damaged(rng: np.random.Generator, turn: int) -> Draft:
    draft = sound(rng, ("single", "rv", "low")[turn], long=True)
    tone = ("stage1.lobe", "stage1.ring_pin", "bearing.drive-end.outer_race")[turn]
    return next_to(draft, gap_of(rng), log_draw(rng, 0.3, 1.0), tone)


def two_twins(rng: np.random.Generator, turn: int) -> Draft:
    draft = next_to(sound(rng, ("low", "rv", "half")[turn], long=True, rate=12800.0), gap_of(rng), 0.6)
    tone = ("", "stage1.lobe", "stage1.ring_pin")[turn]
    return next_to(draft, log_draw(rng, 4e-3, 1.5e-2), 0.5, tone)


def strange_bearing(rng: np.random.Generator, turn: int) -> Draft:
    draft = sound(rng, ("single", "rv", "double")[turn], long=True)
    return add(draft, unmatched(draft.scene, draft.machine), log_draw(rng, 0.6, 3.0))


def with_around(rng: np.random.Generator, style: str, around: Around, low: float = 0.3, high: float = 4.0) -> Draft:
    draft = sound(rng, style)
    return add(draft, around(draft.scene, draft.machine), log_draw(rng, low, high))


def weather(rng: np.random.Generator, turn: int) -> Draft:
    draft = with_around(rng, ("single", "rv", "half")[turn], (hail, jets, crane)[turn])
    return add(draft, (doors, cavitation, process_shocks)[turn](draft.scene, draft.machine), log_draw(rng, 0.3, 3.0))


def fresh_or_cold(rng: np.random.Generator, turn: int) -> Draft:
    """New grease crackles and clears; cold grease roars until it is warm; a hot casing ticks as it cools."""
    draft = sound(rng, ("single", "rv", "double")[turn])
    scene, machine = draft.scene, draft.machine
    fade = np.exp(-scene.time() / rng.uniform(2, 8))
    extra = (
        random_blows(scene, 60, 1500, 9000, 0.9) * fade,
        ring(scene, rng.normal(size=scene.size)) * (0.4 + fade),
        ticking(scene, machine),
    )[turn]
    return add(draft, extra, log_draw(rng, 0.5, 2.0))


def heavy_duty(rng: np.random.Generator, turn: int) -> Draft:
    """Torque that comes and goes: lobes chatter in their play, rails pass under a flat wheel, a mixer drags."""
    draft = with_around(rng, ("low", "rv", "rv")[turn], (backlash, wheel_flat, process_shocks)[turn], 0.3, 2.0)
    load = 1 + 0.35 * tones(draft.scene, draft.machine.output * draft.scene.turns, np.array([1.0, 0.4]))
    draft.data = draft.data * load
    return draft


# --- kinds: damage ----------------------------------------------------------------------------------------------------


def broken(low: float, long: bool, *rounds: tuple[str, str]) -> Build:
    """One damaged part, by style of drive and name of the part."""
    return lambda rng, turn: hurt(sound(rng, rounds[turn][0], long=long), rounds[turn][1], rng.uniform(low, 8.0))


def second_stage(rng: np.random.Generator, turn: int) -> Draft:
    tone = ("bearing.eccentric2.outer_race", "bearing.eccentric.inner_race", "stage2.lobe")[turn]
    draft = sound(rng, "double", rate=12800.0, seconds=16.0)
    return hurt(draft, tone, rng.uniform(0, 8))


def damaged_with_twin(rng: np.random.Generator, turn: int) -> Draft:
    draft = next_to(sound(rng, ("single", "rv", "half")[turn], long=True), gap_of(rng), log_draw(rng, 0.3, 1.0))
    if turn == 2:
        draft = next_to(draft, log_draw(rng, 4e-3, 1.5e-2), 0.5)
    return hurt(
        draft, ("stage1.lobe", "bearing.crank.outer_race", "bearing.drive-end.inner_race")[turn], rng.uniform(-3, 7)
    )


def damaged_at_work(rng: np.random.Generator, turn: int) -> Draft:
    draft = driven(rng, int(rng.choice(IMPACTS[1:8])), ("low", "rv", "single")[turn])
    if turn == 1:
        draft = add(draft, hail(draft.scene, draft.machine), 0.5, "hail")
    tone = ("bearing.eccentric.outer_race", "bearing.drive-end.outer_race", "stage1.ring_pin")[turn]
    return hurt(draft, tone, rng.uniform(-2, 8))


def quiet_damaged(rng: np.random.Generator, turn: int) -> Draft:
    """Little load, much floor: the damage whispers, yet plainly in its own band."""
    tone = ("bearing.drive-end.outer_race", "stage1.ring_pin", "bearing.eccentric.inner_race")[turn]
    draft = sound(rng, ("high", "rv", "low")[turn], 0.2, long=True)
    draft.level = log_draw(rng, 0.06, 0.25)
    draft.data = draft.data + 0.15 * rng.normal(size=draft.data.shape)
    return hurt(draft, tone, rng.uniform(-2, 4))


UNUSABLE: tuple[tuple[str, Build], ...] = (
    ("stands by machines", next_to_machines),
    ("stands by twin", next_to_twin),
    ("nothing there", nothing_there),
    ("other ratio", other_ratio),
    ("starts and stops", starts_and_stops),
    ("uncoupled motor", uncoupled_motor),
    ("wrong machine", wrong_machine),
    ("held or jogged", held_or_jogged),
    ("fallen sensor", fallen_sensor),
    ("bump test", bump_test),
)
SOUND: tuple[tuple[str, Build], ...] = (
    ("plain single", plain),
    ("twin damaged there", twin_damaged),
    ("plain rv", plainly(("rv", None), ("rv", 0.15), ("rv", 1.5))),
    ("driven, few hits", lambda rng, turn: driven(rng, int(rng.choice(IMPACTS[:4])), ("low", "rv", "double")[turn])),
    ("plain stepped", plainly(("double", None), ("gap", None), ("double", None))),
    ("two twins", two_twins),
    ("half-drawn pins", plainly(("half", None), ("half", 1.5), ("half", 0.4))),
    ("weather", weather),
    ("driven, many hits", lambda rng, turn: driven(rng, int(rng.choice(IMPACTS[4:])), ("single", "rv", "low")[turn])),
    ("moving speed", moving_speed),
    ("twin sound", twin_sound),
    ("poor recorder", poor_recorder),
    ("strange bearing", strange_bearing),
    ("fans and pumps", amid(0.3, 3.0, ("single", own_fan), ("rv", vane_pump), ("low", two_fans))),
    ("electrics", amid(0.3, 3.0, ("rv", inverter), ("high", line_hum), ("single", inverter))),
    ("rhythms", amid(0.3, 4.0, ("low", compressor), ("rv", water_hammer), ("single", guard))),
    ("at the shaft", amid(0.3, 2.5, ("rv", coupling), ("single", pawls), ("rv", belts))),
    ("fresh or cold", fresh_or_cold),
    ("heavy duty", heavy_duty),
)
DRIVE_END, ECCENTRIC, CRANK = "bearing.drive-end.", "bearing.eccentric.", "bearing.crank."
OUTER, INNER, ROLLER = "outer_race", "inner_race", "rolling_element"
LOBE, OUTPUT_PIN, RING_PIN = "stage1.lobe", "stage1.output_pin", "stage1.ring_pin"
DAMAGED: tuple[tuple[str, Build], ...] = (
    (
        "outer race",
        broken(-7, False, ("single", DRIVE_END + OUTER), ("low", ECCENTRIC + OUTER), ("rv", DRIVE_END + OUTER)),
    ),
    ("rv teeth", broken(-4, True, ("rv", LOBE), ("rv", RING_PIN), ("rv", LOBE))),
    ("damaged with twin", damaged_with_twin),
    ("lobe", broken(-4, False, ("low", LOBE), ("single", OUTPUT_PIN), ("gap", LOBE))),
    (
        "inner race",
        broken(-7, False, ("high", DRIVE_END + INNER), ("single", ECCENTRIC + INNER), ("rv", CRANK + INNER)),
    ),
    ("damaged at work", damaged_at_work),
    ("ring pin", broken(-4, False, ("single", RING_PIN), ("half", RING_PIN), ("low", RING_PIN))),
    ("rv bearings", broken(-7, True, ("rv", CRANK + OUTER), ("rv", "bearing.support." + INNER), ("rv", CRANK + INNER))),
    (
        "rolling element",
        broken(2, True, ("low", ECCENTRIC + ROLLER), ("single", DRIVE_END + ROLLER), ("rv", CRANK + ROLLER)),
    ),
    ("second stage", second_stage),
    ("quiet damaged", quiet_damaged),
    ("cage", broken(-3, True, *((style, DRIVE_END + "cage") for style in ("single", "rv", "low")))),
)


def _woven() -> list[tuple[str, Truth, Build]]:
    """The three lists laced into one, so that any stretch of it holds each truth in its share."""
    lists: tuple[tuple[Truth, tuple[tuple[str, Build], ...]], ...] = (
        ("sound", SOUND),
        ("damaged", DAMAGED),
        ("unusable", UNUSABLE),
    )
    placed = [
        ((i + 0.5) / len(kinds), kind, truth, build) for truth, kinds in lists for i, (kind, build) in enumerate(kinds)
    ]
    return [(kind, truth, build) for _, kind, truth, build in sorted(placed, key=lambda each: each[0])]


KINDS = _woven()
COUNT = 3 * len(KINDS)


def tachometer(scene: Scene, per_turn: int) -> NDArray[np.float32]:
    """A key phasor: short pulses, a little noise."""
    angle = (scene.at(scene.turns) * per_turn) % 1.0
    return (5.0 * (angle < 0.12) + scene.rng.normal(0, 0.05, scene.size)).astype(np.float32)


def case(number: int) -> WorldCase:
    """The same number always gives the same capture."""
    rng = np.random.default_rng([number, SALT])
    kind, truth, build = KINDS[number % len(KINDS)]
    draft = build(rng, number // len(KINDS))
    scene, machine = draft.scene, draft.machine
    level = draft.level or log_draw(rng, 0.3, 4.0)
    data = draft.data * (level / loudness(draft.data))
    floor = max(draft.floor * level, log_draw(rng, 0.002, 0.02))
    data = data + floor * rng.normal(size=data.shape)
    per_turn = int(rng.choice([1, 1, 2]))
    tacho = rng.uniform() < 0.25 if draft.tacho is None else draft.tacho
    noted = draft.noted
    if noted is None and rng.uniform() < 0.5:
        noted = round(
            (scene.hz * 60 if draft.turning and draft.tacho is not False else machine.rpm) * rng.uniform(0.997, 1.003),
            1,
        )
    marks = {"rms": round(float(np.sqrt(np.mean(data[0] ** 2))), 3), "floor": round(floor, 4)} | draft.marks
    return WorldCase(
        name=f"moorside-{number:03d}",
        kind=kind,
        truth=truth,
        drive_toml=machine.toml(f"MS-{number:03d}"),
        channels={name: row.astype(np.float32) for name, row in zip(POINTS, data, strict=False)},
        sample_rate_hz=scene.rate,
        speed_hz=scene.hz if draft.turning else None,
        pulses=tachometer(scene, per_turn) if tacho and draft.turning else None,
        pulses_per_rev=float(per_turn),
        noted_rpm=noted,
        damaged=draft.damaged,
        marks=marks,
    )
