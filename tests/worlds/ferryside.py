"""Captures of drives at a ferry landing: ramps, winches, screens and screws, with whatever hammers next to them.

Everything follows from the angles of bodies, counted in turns and integrated sample by sample. A strike happens where a
damaged spot crosses what it meets; its strength follows the load, in whatever body's frame the load stands still.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from tests.worlds.case import Truth, WorldCase

Samples = NDArray[np.float64]
Bodies = dict[str, Samples]
"""Angle of each body [turns]."""
SEED = 70411
LONGEST = 230_000
"""Most samples of a channel: keeps a case quick to make."""


@dataclass(frozen=True, slots=True)
class Stage:
    """One cycloidal stage."""

    lobes: int
    ring_pins: int
    output_pins: int
    fixed: str = "ring"

    @property
    def turn(self) -> float:
        """Turns of the output for one of the eccentric."""
        difference = self.ring_pins - self.lobes
        return -difference / self.lobes if self.fixed == "ring" else difference / self.ring_pins


@dataclass(frozen=True, slots=True)
class Bearing:
    """A rolling bearing between two bodies."""

    name: str
    inner: str
    outer: str
    load: str
    elements: int
    element_mm: float
    pitch_mm: float
    contact_deg: float


@dataclass(frozen=True, slots=True)
class Drive:
    """What its file says."""

    tag: str
    rpm: int
    spread: float
    poles: int
    line_hz: int
    power_kw: float
    stages: tuple[Stage, ...]
    bearings: tuple[Bearing, ...]

    def toml(self) -> str:
        low, high = round(self.rpm * (1 - self.spread)), round(self.rpm * (1 + self.spread))
        rows = [
            f'tag = "{self.tag}"\nname = "Ferry landing {self.tag}"\n[input]\nspeed_rpm = {self.rpm}',
            f"speed_range_rpm = [{low}, {high}]\npower_kw = {self.power_kw}",
            f"[motor]\npoles = {self.poles}\nline_hz = {self.line_hz}",
        ]
        rows += [
            f'[[stage]]\nkind = "cycloidal"\nlobes = {s.lobes}\nring_pins = {s.ring_pins}\n'
            f'output_pins = {s.output_pins}\ndiscs = 2\nfixed = "{s.fixed}"'
            for s in self.stages
        ]
        rows += [
            f'[[bearing]]\nname = "{b.name}"\ninner = "{b.inner}"\nouter = "{b.outer}"\nload = "{b.load}"\n'
            f"elements = {b.elements}\nelement_diameter_mm = {b.element_mm}\npitch_diameter_mm = {b.pitch_mm}\n"
            f"contact_angle_deg = {b.contact_deg}"
            for b in self.bearings
        ]
        return "\n".join(rows) + "\n"

    def bodies(self, turn: Samples) -> Bodies:
        """Angles of all bodies where the input has made these turns."""
        angles = {"housing": np.zeros_like(turn), "input": turn}
        for number, stage in enumerate(self.stages, start=1):
            out = turn * stage.turn
            still = angles["housing"]
            angles[f"stage{number}.eccentric"] = turn
            angles[f"stage{number}.output"] = out
            angles[f"stage{number}.disc"] = out if stage.fixed == "ring" else still
            angles[f"stage{number}.ring"] = still if stage.fixed == "ring" else out
            turn = out
        return angles


def make_bearing(rng: np.random.Generator, name: str, inner: str, outer: str, load: str) -> Bearing:
    """A bearing whose elements fill some two thirds of the circle."""
    elements = int(rng.integers(8, 16))
    pitch = float(np.round(rng.uniform(32, 95), 1))
    element = float(np.round(pitch * np.sin(np.pi / elements) * rng.uniform(0.68, 0.86), 2))
    return Bearing(name, inner, outer, load, elements, element, pitch, float(rng.choice([0.0, 0.0, 0.0, 15.0])))


def make_drive(rng: np.random.Generator, tag: str, family: str) -> Drive:
    """A drive of a family: low, high, two stages, difference two, pins fixed."""
    motors = [(4, 50), (4, 60), (6, 50), (6, 60), (8, 60), (2, 50), (10, 60)]
    poles, line = motors[rng.choice(7, p=[0.36, 0.24, 0.12, 0.1, 0.08, 0.06, 0.04])]
    rpm = round(120 * line / poles * rng.uniform(0.955, 0.975))
    pins = int(rng.choice([6, 8, 10, 12]))
    if family == "two":
        first, second = int(rng.choice([9, 11, 13])), int(rng.choice([11, 13, 17, 25]))
        stages: tuple[Stage, ...] = (Stage(first, first + 1, pins), Stage(second, second + 1, 10))
    elif family == "difference":
        lobes = int(rng.choice([21, 25, 29, 33, 45]))
        stages = (Stage(lobes, lobes + 2, pins),)
    else:
        lobes = int(rng.choice([59, 71, 87, 119] if family == "high" else [6, 9, 11, 13, 15, 17, 21, 25, 29, 35, 43]))
        stages = (Stage(lobes, lobes + 1, pins, "output pins" if family == "fixed" else "ring"),)
    bearings = [
        make_bearing(rng, "input bearing", "input", "housing", "housing"),
        make_bearing(rng, "eccentric bearing", "stage1.eccentric", "stage1.disc", "stage1.eccentric"),
    ]
    if family == "fixed" or rng.random() < 0.5:
        bearings.append(make_bearing(rng, "motor bearing", "input", "housing", "housing"))
    if family != "fixed":
        bearings.append(make_bearing(rng, "output bearing", f"stage{len(stages)}.output", "housing", "housing"))
    if family == "two":
        bearings.append(make_bearing(rng, "slow eccentric", "stage2.eccentric", "stage2.disc", "stage2.eccentric"))
    spread, power = float(rng.uniform(0.02, 0.04)), float(np.round(rng.uniform(0.4, 15), 1))
    return Drive(tag, rpm, spread, poles, line, power, stages, tuple(bearings))


def slow(rng: np.random.Generator, count: int, knots: int, size: float) -> Samples:
    """Smooth random course of this r.m.s."""
    at = np.linspace(0, count, max(knots, 3))
    return size * np.interp(np.arange(count), at, rng.standard_normal(at.size))


def crossings(phase: Samples) -> Samples:
    """Where, in samples, a phase passes whole turns: either sense."""
    if phase[-1] < phase[0]:
        phase = -phase
    wanted = np.arange(float(np.ceil(phase[0])), float(phase[-1]))
    return np.interp(wanted, phase, np.arange(phase.size))


def strikes(count: int, at: Samples, strength: Samples, width: int = 1) -> Samples:
    """A force of short blows; a wider blow excites less of the high band."""
    keep = (at >= 0) & (at < count - 2)
    at, strength = at[keep], strength[keep]
    low = at.astype(np.int64)
    share = at - low
    force: Samples = np.bincount(low, strength * (1 - share), count).astype(np.float64)
    force += np.bincount(low + 1, strength * share, count)
    return np.convolve(force, np.hanning(width + 2)[1:-1], "same") if width > 1 else force


def pitch(rng: np.random.Generator, angle: Samples, places: int) -> Samples:
    """Errors of equal parts round a body, met one after another."""
    errors = rng.standard_normal(places)
    return np.interp(np.mod(angle, 1) * places, np.arange(places + 1), np.append(errors, errors[0]))


class Scene:
    """The place of the capture: sources, their ways through the steel, and what the points hear."""

    def __init__(self, rng: np.random.Generator, rate: float, seconds: float, points: int):
        self.rng, self.rate, self.points = rng, rate, points
        # The machine ran before the recorder did: forces swell up in a lead that no one hears.
        self.lead = int(0.25 * rate)
        self.count = int(min(seconds * rate, LONGEST)) + self.lead
        self.seconds = self.count / rate
        self.time = np.arange(self.count) / rate
        self.long = fft.next_fast_len(self.count + int(0.1 * rate), real=True)
        self.frequency = np.arange(self.long // 2 + 1) * rate / self.long
        self.detected = np.zeros((points, self.frequency.size), np.complex128)
        self.case, self.case_modes = self.way(0.03, 0.46, 5)
        # A seat of a bearing or pin is held in oil: it rings out before the next blow.
        self.seat, self.seat_modes = self.way(0.13, 0.44, 3, damping=0.03)
        self.steel, _ = self.way(0.01, 0.18, 4)

    def way(
        self, low: float, high: float, modes: int, damping: float = 0.012
    ) -> tuple[NDArray[np.complex128], Samples]:
        """Transmission to each point: damped resonances in a share of the rate, and a little straight through.

        They lie within the band of the recorder, which was chosen to hear them.
        """
        rng, f = self.rng, self.frequency
        centres = self.rate * np.exp(rng.uniform(np.log(low), np.log(high), modes))
        total = np.full((self.points, f.size), 0.05, np.complex128)
        for centre in centres:
            loss = rng.uniform(damping, 0.06)
            response = 1j * f * centre / (centre**2 - f**2 + 2j * loss * f * centre)
            total += np.outer(rng.uniform(0.15, 1, self.points) * rng.choice([-1, 1], self.points), response)
        return total, centres

    def sound(self, force: Samples, way: NDArray[np.complex128]) -> NDArray[np.complex128]:
        swell = np.ones(self.count)
        swell[: self.lead // 2] = np.sin(np.linspace(0, np.pi / 2, self.lead // 2)) ** 2
        return fft.rfft(force * swell, self.long) * way

    def size(self, detected: NDArray[np.complex128]) -> float:
        """R.m.s. at the first point, over the capture."""
        return float(np.sqrt(2 * np.sum(np.abs(detected[0]) ** 2) / self.long / self.count))

    def add(self, force: Samples, way: NDArray[np.complex128], level: float) -> None:
        """A source with this r.m.s. at the first point [m/s²]."""
        detected = self.sound(force - force.mean(), way)
        self.detected += detected * (level / max(self.size(detected), 1e-12))

    def add_damage(self, force: Samples, ratio: float) -> float:
        """Blows in this ratio (r.m.s.) to all else in the resonance that shows them best; gives their level."""
        detected = self.sound(force, self.seat)
        best = 0.0
        for centre in self.seat_modes:
            band = slice(*np.searchsorted(self.frequency, [0.88 * centre, min(1.12 * centre, 0.49 * self.rate)]))
            best = max(
                best, float(np.sum(np.abs(detected[0, band]) ** 2) / np.sum(np.abs(self.detected[0, band]) ** 2))
            )
        scale = ratio / np.sqrt(best)
        self.detected += detected * scale
        return float(self.size(detected) * scale)

    def channels(self, floor: float) -> dict[str, NDArray[np.float32]]:
        """Accelerations with the sensor's own noise."""
        names = ["input side", "ring", "output side"]
        out = {}
        for name, detected in zip(names, self.detected, strict=False):
            samples = fft.irfft(detected, self.long)[self.lead : self.count]
            out[name] = (samples + self.rng.normal(0, floor, samples.size)).astype(np.float32)
        return out


def turns(scene: Scene, hz: float, drift: float = 0.0, cycle: float = 0.0) -> Samples:
    """Angle of a shaft on a loaded induction motor: it wanders, may drift, and gives way under each load cycle."""
    rng = scene.rng
    speed = 1 + slow(rng, scene.count, int(2 * scene.seconds), 10 ** rng.uniform(-4.5, -3.2))
    speed += drift * (scene.time / scene.seconds - 0.5)
    if cycle:
        speed += cycle * np.sin(2 * np.pi * scene.time / rng.uniform(1.5, 4) + rng.uniform(0, 6))
    return np.cumsum(hz * speed) / scene.rate + rng.uniform(0, 1)


def run_drive(
    scene: Scene,
    drive: Drive,
    turn: Samples,
    level: float,
    way: NDArray[np.complex128],
    mesh: float,
    gain: Samples | float = 1.0,
) -> Bodies:
    """A sound drive in motion: shaft, mesh with the errors of its parts, motor, rolling noise."""
    rng, bodies = scene.rng, drive.bodies(turn)
    shaft = sum(
        a * np.cos(2 * np.pi * (k * turn + rng.random())) for k, a in ((1, 1.0), (2, rng.uniform(0.1, 0.8)), (3, 0.2))
    )
    scene.add(np.asarray(shaft) * gain, way, level * rng.uniform(0.08, 0.35))
    for number, stage in enumerate(drive.stages, start=1):
        eccentric = bodies[f"stage{number}.eccentric"]
        ring, disc = (eccentric - bodies[f"stage{number}.{body}"] for body in ("ring", "disc"))
        pins, lobes = pitch(rng, ring, stage.ring_pins), pitch(rng, disc, stage.lobes)
        force = np.zeros(scene.count)
        for harmonic in range(1, 5):
            size = rng.uniform(0.3, 1) / harmonic
            force += size * np.cos(2 * np.pi * (harmonic * stage.ring_pins * ring + rng.random()))
        force *= 1 + rng.uniform(0.05, 0.3) * pins + rng.uniform(0.05, 0.3) * lobes
        force += rng.uniform(0.05, 0.2) * (pins + lobes)
        force += rng.uniform(0.05, 0.3) * np.cos(2 * np.pi * stage.output_pins * disc)
        # The second stage is slow and its parts roll: it hardly sounds.
        scene.add(force * gain, way, level * mesh / number**2)
    mesh_turn = drive.stages[0].ring_pins * turn
    noise = (
        1 + rng.uniform(0.02, 0.2) * np.cos(2 * np.pi * turn) + rng.uniform(0.02, 0.15) * np.cos(2 * np.pi * mesh_turn)
    )
    noise *= rng.standard_normal(scene.count)
    scene.add(noise * gain, way, level * rng.uniform(0.3, 0.7))
    if rng.random() < 0.6:
        hum = np.cos(4 * np.pi * drive.line_hz * scene.time)
        scene.add(hum * (np.asarray(gain) > 0.05), way, level * rng.uniform(0.02, 0.2))
    return bodies


def bearing_blows(scene: Scene, bearing: Bearing, part: str, bodies: Bodies) -> Samples:
    """Force of a bearing with one damaged part; the cage slips at random, so nothing repeats exactly."""
    rng, count = scene.rng, scene.count
    inner, outer, load = bodies[bearing.inner], bodies[bearing.outer], bodies[bearing.load]
    ratio = bearing.element_mm / bearing.pitch_mm * np.cos(np.radians(bearing.contact_deg))
    relative = inner - outer
    knots = int(3 * abs(relative[-1] - relative[0]))
    loose = 1 - rng.uniform(0, 0.006) + slow(rng, count, knots, rng.uniform(0.005, 0.018))
    step = np.diff(relative, prepend=relative[0]) * loose
    cage = outer + np.cumsum(step) * (1 - ratio) / 2
    twice = False
    if part == "outer_race":
        phase, spot, body = bearing.elements * (cage - outer), outer, bearing.outer
    elif part == "inner_race":
        phase, spot, body = bearing.elements * (inner - cage), inner, bearing.inner
    elif part == "rolling_element":
        spin = np.cumsum(step) * (1 - ratio * ratio) / (2 * bearing.element_mm / bearing.pitch_mm)
        twice = rng.random() < 0.65
        phase, spot, body = spin * (2 if twice else 1), cage, ""
    else:
        # A lagging element is caught up where the load begins: once a turn of the cage past the load.
        phase, spot, body = cage - load, load, bearing.load
    at = crossings(phase + rng.random())
    place = np.interp(at, np.arange(count), spot - load)
    place += rng.uniform(-0.08, 0.08) if body == bearing.load or part == "cage" else rng.random()
    zone = rng.choice([0.1, 0.4, 1.4])
    strength = np.clip((np.cos(2 * np.pi * place) + zone) / (1 + zone), 0, None) * rng.lognormal(0, 0.15, at.size)
    if twice:
        strength[::2] *= rng.uniform(0.35, 1)
    if part == "cage":
        # The cage rattles a few times before it settles.
        after = scene.rate * rng.uniform(0.002, 0.006)
        at, strength = np.append(at, at + after), np.append(strength, 0.5 * strength)
    return strikes(count, at, strength)


def gear_blows(scene: Scene, part: str, stage: str, bodies: Bodies) -> Samples:
    """Force of one damaged lobe, ring pin or output pin, met each time the eccentric points at it."""
    rng, count = scene.rng, scene.count
    carrier = {"ring_pin": "ring", "lobe": "disc", "output_pin": "disc"}[part]
    body = bodies[f"{stage}.{carrier}"]
    phase = bodies[f"{stage}.eccentric"] - body + rng.random()
    at = crossings(phase)
    # A part that is carried round goes nearer to a sensor and away from it again.
    place = np.interp(at, np.arange(count), body)
    strength = (1 + rng.uniform(0.1, 0.6) * np.cos(2 * np.pi * place)) * rng.lognormal(0, 0.12, at.size)
    force = strikes(count, at, strength)
    if part != "lobe":
        # The other disc meets the same pin half a turn later, on its sound part of the width.
        second = crossings(phase + 0.5)
        force += strikes(count, second, np.full(second.size, rng.uniform(0, 0.35)))
    return force


def gear_twins(drive: Drive, part: str, stage: str) -> tuple[str, ...]:
    """Tones that one damaged part may rightly be called: those at the very same order."""
    number = int(stage[-1])
    shaft = "input.shaft" if number == 1 else f"stage{number - 1}.output"
    if part == "ring_pin":
        return (f"{stage}.ring_pin", shaft) if drive.stages[number - 1].fixed == "ring" else (f"{stage}.ring_pin",)
    pair = (f"{stage}.lobe", f"{stage}.output_pin")
    pair = pair if part == "lobe" else pair[::-1]
    return pair if drive.stages[number - 1].fixed == "ring" else (*pair, shaft)


# ---- What stands around the drive ----------------------------------------------------------------------------------

Maker = Callable[[Scene, Drive, Bodies, float], None]
"""Adds a thing next to a drive, at a level."""


def impacts(scene: Scene, phase: Samples, spread: float, width: int, count: int = 1) -> Samples:
    """Blows at each whole turn of a phase; ``count`` of them, each of a size of its own, make one turn of a wheel."""
    at = crossings(phase + scene.rng.random())
    sizes = scene.rng.lognormal(0, spread, max(count, 1))
    strength = sizes[np.arange(at.size) % sizes.size] * scene.rng.lognormal(0, 0.15, at.size)
    return strikes(scene.count, at, strength, width)


def driven(low: int, high: int, spread: float, width: float) -> Maker:
    """A driven machine that strikes some times a turn of the output: teeth, flights, blades."""

    def add(scene: Scene, drive: Drive, bodies: Bodies, level: float) -> None:
        number = int(scene.rng.integers(low, high + 1))
        out = bodies[f"stage{len(drive.stages)}.output"]
        scene.add(impacts(scene, number * out, spread, int(width * scene.rate) + 1, number), scene.steel, level)

    return add


def other_impacts(low: float, high: float, slip: float, width: float, spread: float = 0.2) -> Maker:
    """A machine apart that strikes at a rate of its own [Hz], unevenly by ``slip``."""

    def add(scene: Scene, drive: Drive, bodies: Bodies, level: float) -> None:
        hz = scene.rng.uniform(low, high)
        speed = hz * np.clip(1 + slow(scene.rng, scene.count, int(hz * scene.seconds), slip), 0.1, None)
        phase = np.cumsum(speed) / scene.rate
        scene.add(impacts(scene, phase, spread, int(width * scene.rate) + 1, 4), scene.steel, level)

    return add


def lines(scene: Scene, pairs: list[tuple[Samples, float]]) -> Samples:
    """Pure lines by their phases and sizes."""
    total = np.zeros(scene.count)
    for phase, size in pairs:
        total += size * np.cos(2 * np.pi * (phase + scene.rng.random()))
    return total


def bladed(counts: tuple[int, ...], low: float, high: float, coupled: bool) -> Maker:
    """A fan or pump: blade passing with harmonics and flow noise, on the input shaft or on a shaft of its own."""

    def add(scene: Scene, drive: Drive, bodies: Bodies, level: float) -> None:
        rng = scene.rng
        turn = bodies["input"] if coupled else turns(scene, drive.rpm / 60 * rng.uniform(low, high))
        blades = int(rng.choice(counts))
        force = lines(scene, [(k * turn, 0.6 / k) for k in (1, 2)] + [(k * blades * turn, 1 / k) for k in (1, 2, 3, 4)])
        flow = rng.standard_normal(scene.count) * (1 + 0.3 * np.cos(2 * np.pi * blades * turn))
        scene.add(force + rng.uniform(0.3, 1) * flow, scene.steel, level)

    return add


def neighbour(damage: bool) -> Maker:
    """A drive of the same type on the same frame, a shade faster or slower; perhaps with a damaged part."""

    def add(scene: Scene, drive: Drive, bodies: Bodies, level: float) -> None:
        rng = scene.rng
        apart = 10 ** rng.uniform(-3.3, -1.8) * rng.choice([-1, 1])
        hz = float(bodies["input"][-1] - bodies["input"][0]) / scene.seconds * (1 + apart)
        other = run_drive(scene, drive, turns(scene, hz), level * 0.7, scene.steel, rng.uniform(0.2, 0.7))
        if damage:
            if rng.random() < 0.6:
                part = str(rng.choice(["outer_race", "inner_race"]))
                blows = bearing_blows(scene, drive.bearings[int(rng.integers(2))], part, other)
            else:
                blows = gear_blows(scene, str(rng.choice(["lobe", "ring_pin"])), "stage1", other)
            scene.add(blows, scene.steel, level * rng.uniform(0.4, 0.8))

    return add


def belts(scene: Scene, drive: Drive, bodies: Bodies, level: float) -> None:
    """V-belts before the input: passing rate of the belt and flap."""
    belt = bodies["input"] * scene.rng.uniform(0.22, 0.48)
    joint = impacts(scene, belt, 0.1, int(0.002 * scene.rate) + 1)
    scene.add(lines(scene, [(k * belt, 1 / k) for k in range(1, 7)]), scene.steel, 0.7 * level)
    scene.add(joint, scene.steel, 0.5 * level)


def inverter(scene: Scene, drive: Drive, bodies: Bodies, level: float) -> None:
    """Carrier of an inverter with the sidebands of the motor's own frequency."""
    rng = scene.rng
    carrier = min(float(rng.choice([2000, 3000, 4000, 8000])), 0.4 * scene.rate) * scene.time
    base = drive.line_hz * rng.uniform(0.97, 0.999) * scene.time
    pairs = [(carrier + k * base, 1 / (1 + abs(k))) for k in (-4, -2, 0, 2, 4)]
    scene.add(lines(scene, pairs), scene.case, level)


def hum(scene: Scene, drive: Drive, bodies: Bodies, level: float) -> None:
    """Twice line frequency and its multiples, from loose laminations or a brake coil."""
    base = 2 * drive.line_hz * (1 + scene.rng.normal(0, 2e-4)) * scene.time
    scene.add(lines(scene, [(k * base, 1 / k) for k in (1, 2, 3, 4)]), scene.steel, level)


def process(scene: Scene, drive: Drive, bodies: Bodies, level: float) -> None:
    """Lumps, stones, pallets: blows at random moments, of any size."""
    number = int(scene.rng.integers(2, 9) * scene.seconds)
    at = np.sort(scene.rng.uniform(0, scene.count, number))
    scene.add(strikes(scene.count, at, scene.rng.lognormal(0, 0.5, number)), scene.steel, level)


def cavitation(scene: Scene, drive: Drive, bodies: Bodies, level: float) -> None:
    """A starved pump: crackling of countless bubbles, pulsing with its vanes."""
    rng = scene.rng
    vanes = int(rng.integers(5, 8)) * turns(scene, drive.rpm / 60 * rng.uniform(0.98, 1.02))
    crackle = rng.standard_normal(scene.count) * (rng.random(scene.count) < 0.05)
    scene.add(crackle * (1 + 0.5 * np.cos(2 * np.pi * vanes)), scene.case, level)


def two_fans(scene: Scene, drive: Drive, bodies: Bodies, level: float) -> None:
    """Two fans a little apart in speed: their sum swells and fades."""
    first = turns(scene, drive.rpm / 60 * scene.rng.uniform(0.9, 1.1))
    second = first * (1 + 10 ** scene.rng.uniform(-2.5, -1.5))
    blades = int(scene.rng.choice([5, 7, 9]))
    pairs = [(turn * k, size) for turn in (first, second) for k, size in ((1, 1.0), (blades, 0.8), (2 * blades, 0.3))]
    scene.add(lines(scene, pairs), scene.steel, level)


def guard(scene: Scene, drive: Drive, bodies: Bodies, level: float) -> None:
    """A loose guard: it taps when the shaft throws it, but not every time."""
    at = crossings(bodies["input"])
    at = at + scene.rng.normal(0, 0.04, at.size) * scene.rate * 60 / drive.rpm
    strength = scene.rng.lognormal(0, 0.5, at.size) * (scene.rng.random(at.size) < 0.6)
    scene.add(strikes(scene.count, at, strength, int(3e-4 * scene.rate) + 1), scene.steel, level)


def coupling(scene: Scene, drive: Drive, bodies: Bodies, level: float) -> None:
    """Worn jaws of the coupling, each a little different, shock the input shaft."""
    jaws = int(scene.rng.integers(3, 7))
    scene.add(impacts(scene, jaws * bodies["input"], 0.3, int(0.001 * scene.rate) + 1, jaws), scene.case, level)


def brake(scene: Scene, drive: Drive, bodies: Bodies, level: float) -> None:
    """A brake lining that drags on the high side of its disc: hiss that comes and goes with the shaft."""
    rub = np.clip(np.cos(2 * np.pi * bodies["input"]) - 0.3, 0, None)
    scene.add(scene.rng.standard_normal(scene.count) * rub, scene.steel, level)


def passing(scene: Scene, drive: Drive, bodies: Bodies, level: float) -> None:
    """A lorry drives over the landing: rumble that swells, and planks that clap under its axles."""
    rng = scene.rng
    swell = np.exp(-(((scene.time - rng.uniform(0.3, 0.7) * scene.seconds) / (0.2 * scene.seconds)) ** 2))
    rumble = np.convolve(rng.standard_normal(scene.count), np.hanning(int(0.01 * scene.rate)), "same")
    scene.add(rumble * swell, scene.steel, level)
    at = np.sort(rng.uniform(0.2, 0.8, 14)) * scene.count
    scene.add(
        strikes(scene.count, at, rng.lognormal(0, 0.4, 14), int(0.001 * scene.rate) + 1), scene.steel, 0.5 * level
    )


def welding(scene: Scene, drive: Drive, bodies: Bodies, level: float) -> None:
    """Arc welding near the cable: spikes at twice line frequency while the arc burns, straight into the wire."""
    arc = slow(scene.rng, scene.count, int(scene.seconds), 1.0) > 0
    spikes = impacts(scene, 2 * drive.line_hz * scene.time, 0.4, 1, 8) * arc
    scene.add(spikes, np.ones_like(scene.case), level)


def squeal(scene: Scene, drive: Drive, bodies: Bodies, level: float) -> None:
    """A dry gland squeals while a high spot of the slow shaft presses on it."""
    slow_shaft = bodies[f"stage{len(drive.stages)}.output"]
    hz = scene.rng.uniform(0.08, 0.25) * scene.rate * (1 + slow(scene.rng, scene.count, int(20 * scene.seconds), 0.004))
    tone = np.cos(2 * np.pi * np.cumsum(hz) / scene.rate)
    scene.add(tone * np.clip(np.cos(2 * np.pi * slow_shaft) + 0.3, 0, None), scene.steel, level)


AROUND: dict[str, Maker] = {
    "chain sprocket": driven(9, 25, 0.25, 4e-4),
    "screw flights": driven(2, 4, 0.15, 4e-3),
    "mixer blades": driven(3, 8, 0.2, 2e-3),
    "rack pinion": driven(13, 40, 0.3, 2e-4),
    "cam switch": driven(1, 2, 0.1, 1e-4),
    "fan on input": bladed((5, 6, 7, 9, 11), 1, 1, True),
    "vane pump": bladed((5, 6, 7, 9), 0.9, 1.3, False),
    "belts": belts,
    "twin sound": neighbour(False),
    "twin damaged": neighbour(True),
    "inverter": inverter,
    "line hum": hum,
    "process blows": process,
    "cavitation": cavitation,
    "two fans": two_fans,
    "oil hammer": other_impacts(1.5, 9, 0.01, 3e-3),
    "piston compressor": other_impacts(6, 16, 0.003, 1e-3),
    "pile driver": other_impacts(0.7, 1.5, 0.03, 2e-3),
    "vibrating screen": other_impacts(14, 18, 0.002, 4e-3, 0.05),
    "loose guard": guard,
    "worn coupling": coupling,
    "brake drags": brake,
    "lorry passes": passing,
    "arc welding": welding,
    "gland squeals": squeal,
    "relief valve": other_impacts(35, 140, 0.02, 2e-4),
}

# ---- Captures that show nothing of the drive -------------------------------------------------------------------------


def bare_motor(scene: Scene, drive: Drive, hz: float, level: float) -> None:
    """A motor with nothing on its shaft: unbalance, rotor slots with line sidebands, its fan, its bearings' noise."""
    rng, turn = scene.rng, turns(scene, hz)
    bars, line = int(rng.choice([22, 28, 34, 40, 44])), 2 * drive.line_hz * scene.time
    pairs = [(k * turn, 1 / k**1.5) for k in (1, 2, 3)] + [(line, 0.8), (int(rng.choice([7, 9])) * turn, 0.3)]
    pairs += [(bars * turn + k * line, 0.3) for k in (-1, 0, 1)]
    scene.add(lines(scene, pairs), scene.case, 0.8 * level)
    scene.add(rng.standard_normal(scene.count), scene.case, rng.uniform(0.2, 0.6) * level)


def unusable(scene: Scene, drive: Drive, what: str, level: float) -> float | None:
    """Makes the sounds of a capture that is no use; gives the mean speed of the input where it turns."""
    rng, count, still = scene.rng, scene.count, drive.bodies(np.zeros(scene.count))
    hz = drive.rpm / 60 * rng.uniform(0.985, 1.015)
    if what.startswith("stands, "):
        thing = what.removeprefix("stands, ")
        if thing == "twin runs":
            run_drive(scene, drive, turns(scene, hz * rng.uniform(0.85, 1.12)), level, scene.steel, 0.4)
        elif thing == "fan same speed":
            bladed((7, 9, 11), 0.99, 1.01, False)(scene, drive, still, level)
        else:
            AROUND[thing](scene, drive, still, level)
        return None
    if what in ("start", "coast down", "stop between", "stop and restart", "inching"):
        share = scene.time / scene.seconds
        knots = {
            "start": [(0, 0), (0.15, 0), (0.8, 1), (1, 1)],
            "coast down": [(0, 1), (0.15, 1), (0.75, 0), (1, 0)],
            "stop between": [(0, 1), (0.45, 1), (0.5, 0), (1, 0)],
            "stop and restart": [(0, 1), (0.25, 1), (0.32, 0), (0.65, 0), (0.72, 1), (1, 1)],
            "inching": [(0, 0), (0.1, 0), (0.15, 1), (0.25, 0), (0.5, 0), (0.56, 1), (0.68, 0), (1, 0)],
        }[what]
        moments, speeds = np.array(knots, np.float64).T
        profile = np.interp(share, moments, speeds)
        turn = np.cumsum(hz * profile) / scene.rate
        run_drive(scene, drive, turn, level, scene.case, rng.uniform(0.3, 0.7), profile**1.5)
        return float(hz * profile[scene.lead :].mean())
    if what == "other ratio":
        lobes = int(rng.choice([z for z in (9, 11, 15, 19, 27, 33, 47, 51) if abs(z - drive.stages[0].lobes) > 1]))
        other = make_drive(rng, drive.tag, "low")
        other = Drive(drive.tag, drive.rpm, 0.03, 4, 50, 1.0, (Stage(lobes, lobes + 1, 8),), other.bearings)
        run_drive(scene, other, turns(scene, hz), level, scene.case, 0.6)
        return hz
    if what in ("uncoupled motor", "sheared key"):
        bare_motor(scene, drive, 2 * drive.line_hz / drive.poles * rng.uniform(0.993, 0.999), level)
        if what == "sheared key":
            knocks = strikes(count, np.sort(rng.uniform(0, count, 40)), rng.lognormal(0, 0.5, 40), 30)
            scene.add(knocks, scene.steel, 0.3 * level)
        return None
    if what == "belt-driven pump":
        motor = turns(scene, hz)
        bare_motor(scene, drive, hz, 0.6 * level)
        still["input"] = motor
        belts(scene, drive, still, 0.6 * level)
        still["input"] = motor * rng.uniform(0.6, 1.6)
        bladed((5, 6, 7), 1, 1, True)(scene, drive, still, level)
    elif what == "spur gearbox":
        turn, teeth, wheel = turns(scene, hz), int(rng.integers(17, 29)), int(rng.integers(41, 90))
        second = turn * teeth / wheel
        pairs = [(k * teeth * turn, 1 / k) for k in (1, 2, 3)] + [(k * 19 * second, 0.6 / k) for k in (1, 2, 3)]
        force = lines(scene, pairs) * (1 + 0.2 * np.cos(2 * np.pi * turn) + 0.15 * np.cos(2 * np.pi * second))
        scene.add(force + 0.4 * lines(scene, [(turn, 1.0), (2 * turn, 0.5)]), scene.case, level)
        scene.add(rng.standard_normal(count), scene.case, 0.4 * level)
    elif what == "motor with fan":
        bare_motor(scene, drive, hz, level)
    elif what == "mains hum":
        base = drive.line_hz * scene.time
        force = lines(scene, [(k * base, 1 / k**1.5) for k in (1, 2, 3, 5, 7)])
        scene.add(force, np.ones_like(scene.case), 0.2 * level)
    elif what == "swinging cable":
        # A sensor left hanging: it swings, and knocks on the rail.
        swing = np.cos(2 * np.pi * scene.time * rng.uniform(0.7, 1.3))
        scene.add(swing, np.ones_like(scene.case), level)
        AROUND["pile driver"](scene, drive, still, 0.7 * level)
    elif what == "needle scaler":
        other_impacts(30, 75, 0.03, 2e-4)(scene, drive, still, 2 * level)
    elif what == "turned by hand":
        # The winch handle for raising the ramp without power: a turn of the input each second or two.
        hand = float(rng.uniform(0.5, 1.2))
        bodies = drive.bodies(np.cumsum(hand * (1 + slow(rng, count, int(3 * scene.seconds), 0.25))) / scene.rate)
        scene.add(impacts(scene, drive.stages[0].ring_pins * bodies["input"], 0.3, 8, 5), scene.case, 0.1 * level)
        return hand
    elif what == "loose connector":
        gaps = slow(rng, count, int(9 * scene.seconds), 1.0) > 0.8
        jumps = (np.cumsum(rng.standard_normal(count)) + rng.standard_normal(count)) * gaps
        scene.add(jumps, np.ones_like(scene.case), level)
    return None


UNUSABLE = [
    "stands, vane pump", "other ratio", "uncoupled motor", "start", "noise only", "stands, twin runs", "motor with fan",
    "stop between", "stands, piston compressor", "spur gearbox", "mains hum", "coast down", "stands, fan same speed",
    "other ratio", "turned by hand", "belt-driven pump", "stop and restart", "stands, two fans", "needle scaler",
    "sheared key", "inching", "stands, vibrating screen", "other ratio", "swinging cable", "uncoupled motor",
    "loose connector", "stands, oil hammer", "spur gearbox", "stands, twin runs", "start",
]  # fmt: skip
SOUND = [
    "plain", "chain sprocket", "quiet", "twin damaged", "weak mesh", "process blows", "two stages", "screw flights",
    "low rate", "inverter", "high ratio", "mixer blades", "short", "worn coupling", "noted off", "piston compressor",
    "tachometer", "vane pump", "ramp", "twin sound", "load cycle", "rack pinion", "difference two", "oil hammer",
    "mesh above band", "brake drags", "pins fixed", "fan on input", "high ratio", "twin damaged", "belts", "quiet",
    "loose guard", "cam switch", "two stages", "cavitation", "weak mesh", "line hum", "tachometer", "two fans",
    "chain sprocket", "lorry passes", "short", "arc welding", "gland squeals", "relief valve", "low rate",
    "pile driver", "mixer blades", "vibrating screen", "plain", "twin damaged", "screw flights", "process blows",
]  # fmt: skip
DAMAGED = [
    ("input bearing", "outer_race", "low", ""), ("stage1", "lobe", "low", ""),
    ("eccentric bearing", "inner_race", "low", ""), ("stage1", "ring_pin", "low", ""),
    ("input bearing", "rolling_element", "low", ""), ("eccentric bearing", "outer_race", "two", ""),
    ("stage1", "output_pin", "low", ""), ("input bearing", "inner_race", "high", "chain sprocket"),
    ("stage1", "lobe", "high", ""), ("input bearing", "cage", "low", ""),
    ("eccentric bearing", "rolling_element", "low", ""), ("input bearing", "outer_race", "two", "process blows"),
    ("stage1", "ring_pin", "two", ""), ("eccentric bearing", "inner_race", "difference", "twin sound"),
    ("output bearing", "outer_race", "slow", ""), ("stage1", "lobe", "difference", "vane pump"),
    ("input bearing", "rolling_element", "high", "inverter"),
    ("eccentric bearing", "outer_race", "low", "mixer blades"),
    ("stage1", "output_pin", "two", "worn coupling"), ("motor bearing", "inner_race", "fixed", ""),
    ("stage1", "ring_pin", "high", "screw flights"), ("eccentric bearing", "outer_race", "fixed", "belts"),
    ("input bearing", "outer_race", "difference", "cavitation"), ("stage1", "lobe", "fixed", ""),
    ("eccentric bearing", "inner_race", "high", ""), ("output bearing", "inner_race", "slow", ""),
    ("input bearing", "inner_race", "low", "piston compressor"), ("stage1", "lobe", "low", "process blows"),
    ("eccentric bearing", "rolling_element", "two", "two fans"), ("input bearing", "cage", "two", ""),
    ("stage1", "ring_pin", "low", "oil hammer"), ("motor bearing", "outer_race", "fixed", "line hum"),
    ("eccentric bearing", "inner_race", "low", "chain sprocket"), ("stage1", "ring_pin", "fixed", ""),
    ("input bearing", "outer_race", "low", "twin sound"), ("stage2", "lobe", "two", ""),
]  # fmt: skip
FAMILIES = {
    "two stages": "two", "high ratio": "high", "mesh above band": "high", "difference two": "difference",
    "pins fixed": "fixed",
}  # fmt: skip


def spread_out() -> list[tuple[Truth, int]]:
    """All cases in an order where any first part is a fair sample."""
    rows: list[tuple[float, Truth, int]] = []
    sizes: list[tuple[Truth, int]] = [("unusable", len(UNUSABLE)), ("sound", len(SOUND)), ("damaged", len(DAMAGED))]
    for truth, size in sizes:
        rows += [((index + 0.5) / size, truth, index) for index in range(size)]
    return [(truth, index) for _, truth, index in sorted(rows)]


ORDER = spread_out()
COUNT = len(ORDER)


def case(number: int) -> WorldCase:
    """One capture, always the same for its number."""
    truth, index = ORDER[number]
    rng = np.random.default_rng([number, SEED])
    rate = float(rng.choice([12800, 20000, 25600, 51200], p=[0.3, 0.15, 0.45, 0.1]))
    seconds = float(rng.uniform(6, 14))
    level = float(np.exp(rng.uniform(np.log(0.35), np.log(4))))
    part, where, around = "", "", ""
    kind = UNUSABLE[index] if truth == "unusable" else SOUND[index] if truth == "sound" else ""
    family = FAMILIES.get(kind, str(rng.choice(["low", "low", "low", "high", "two", "difference"])))
    if truth == "damaged":
        where, part, family, around = DAMAGED[index]
        kind = f"{part.replace('_', ' ')}{' next_to others' if around else ''}"
        rate = min(rate, 25600.0)
        if family == "slow" or where == "stage2" or part == "cage":
            rate, seconds = 12800.0, 16.0
        if family == "high":
            seconds = max(seconds, 9.0)
    drive = make_drive(rng, f"FS-{number:03d}", "low" if family == "slow" else family)
    while family == "slow" and drive.stages[0].lobes > 25:
        drive = make_drive(rng, f"FS-{number:03d}", "low")
    while kind == "mesh above band" and drive.stages[0].ring_pins * drive.rpm / 60 < 3300:
        drive = make_drive(rng, f"FS-{number:03d}", family)
    rate = 6400.0 if kind in ("low rate", "mesh above band") else rate
    seconds = float(rng.uniform(3, 5)) if kind == "short" else seconds
    scene = Scene(rng, rate, seconds, int(rng.integers(1, 4)))
    floor = level * float(10 ** rng.uniform(-2.5, -1.2))
    marks = {"level": level, "ratio": float(np.prod([1 / abs(s.turn) for s in drive.stages]))}
    if truth == "unusable":
        if kind in ("noise only", "mains hum"):
            floor = level * 0.05
        speed = unusable(scene, drive, kind, level * (0.4 if kind.startswith("stands") else 1.0))
        noted = float(drive.rpm) if rng.random() < 0.3 else None
        return WorldCase(
            name=drive.tag, kind=kind, truth=truth, drive_toml=drive.toml(), channels=scene.channels(floor),
            sample_rate_hz=rate, speed_hz=speed, noted_rpm=noted, marks=marks,
        )  # fmt: skip
    mesh = float(rng.uniform(0.25, 0.8))
    if kind == "weak mesh":
        mesh = 0.05
    if kind == "quiet":
        level, mesh = 0.12, 0.3
        floor = 0.06
    ramp = float(rng.uniform(0.01, 0.03)) * rng.choice([-1, 1]) if kind == "ramp" else 0.0
    hz = drive.rpm / 60 * (1 + float(rng.uniform(-0.6, 0.6)) * (drive.spread - abs(ramp) / 2))
    drift = ramp if kind == "ramp" else float(rng.choice([0, 0, 1])) * float(rng.uniform(-0.002, 0.002))
    turn = turns(scene, hz, drift, float(rng.uniform(0.001, 0.003)) if kind == "load cycle" else 0.0)
    bodies = run_drive(scene, drive, turn, level, scene.case, mesh)
    next_to = around or (kind if kind in AROUND else "")
    if next_to:
        marks["beside"] = float(10 ** rng.uniform(-0.7, 0.1 if around else 0.5))
        AROUND[next_to](scene, drive, bodies, min(level * marks["beside"], 5.0))
    named: tuple[str, ...] = ()
    if truth == "damaged":
        # Few blows, or others among them, show clearly only when they are stronger.
        least = 3.5 if where == "stage2" else 1.5 if around or where.startswith("eccentric") else 1.0
        ratio = float(np.exp(rng.uniform(np.log(least), np.log(4.5))))
        if where.startswith("stage"):
            blows, named = gear_blows(scene, part, where, bodies), gear_twins(drive, part, where)
        else:
            bearing = next(b for b in drive.bearings if b.name == where)
            blows, named = bearing_blows(scene, bearing, part, bodies), (f"bearing.{where}.{part}",)
        marks |= {"strength": ratio, "damage": scene.add_damage(blows, ratio)}
    detected = turn[scene.lead :]
    speed = float((detected[-1] - detected[0]) / (detected.size - 1) * rate)
    pulses, per_turn = None, 1.0
    if kind == "tachometer" or rng.random() < 0.12:
        per_turn = float(rng.choice([1, 1, 2, 6]))
        pulses = (5.0 * (np.mod(detected * per_turn, 1) < 0.12) + rng.normal(0, 0.05, detected.size)).astype(np.float32)
    noted = 60 * speed * (1 + float(rng.choice([-1, 1])) * 0.01) if kind == "noted off" else None
    if noted is None and rng.random() < 0.4:
        noted = float(round(60 * speed))
    return WorldCase(
        name=drive.tag, kind=kind, truth=truth, drive_toml=drive.toml(), damaged=named, channels=scene.channels(floor),
        sample_rate_hz=rate, speed_hz=speed, pulses=pulses, pulses_per_rev=per_turn, noted_rpm=noted, marks=marks,
    )  # fmt: skip
