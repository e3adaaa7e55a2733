"""Captures from a flat country of pumps, rakes and conveyors: rich lone drives, twins, quiet runners, odd clocks.

Every sound is made from angles of bodies: an impact happens when a damaged spot comes to what it meets. Teeth are
counted, nothing is looked up. ``case(number)`` is the same for ever; kinds and truths are mixed over ``number``.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.signal import oaconvolve, welch

from tests.worlds.case import Truth, WorldCase

Array = NDArray[np.float64]
Rng = np.random.Generator
TAU = 2.0 * np.pi
SEED = 40961
COUNT = 120

# The gears of an RV stage may be called in several ways: any of them is right.
SUN_NAMES = ("stage1.sun", "stage1.sun_tooth", "stage1.sun_gear")
PLANET_NAMES = ("stage1.planet", "stage1.planet_tooth", "stage1.planet_gear", "stage1.lobe")
RATES = (6400.0, 8192.0, 10240.0, 12800.0, 16384.0, 20480.0, 25600.0, 25600.0, 44100.0, 48000.0, 51200.0)


# ------------------------------------------------------------------------------------------------ machines


@dataclass(frozen=True)
class Bearing:
    """Rings on two bodies; the load stands still in the frame of a third."""

    name: str
    inner: str
    outer: str
    load: str
    elements: int
    ball: float
    pitch: float

    def cage(self, bodies: dict[str, float]) -> float:
        """Turns of the cage per turn of the input, when nothing slips."""
        g = self.ball / self.pitch
        return (bodies[self.inner] * (1 - g) + bodies[self.outer] * (1 + g)) / 2

    def spin(self, bodies: dict[str, float]) -> float:
        """Turns of a rolling element about itself, seen from the cage."""
        g = self.ball / self.pitch
        return (bodies[self.inner] - bodies[self.outer]) * (1 - g * g) / (2 * g)


@dataclass(frozen=True)
class Stage:
    """Wheels of one stage. ``drawn``: every second ring pin is left out. ``sun`` 0: no gears before the cranks."""

    lobes: int
    pins: int
    output_pins: int
    discs: int
    drawn: bool = False
    sun: int = 0
    planet: int = 0
    cranks: int = 0

    def speeds(self, drive: float) -> tuple[float, float, float]:
        """Speed of the eccentric (or crank), of the disc, and of what drives the stage seen from the output."""
        slide = (self.lobes - self.pins) / self.lobes
        if not self.sun:
            return drive, slide * drive, drive - slide * drive
        # The carrier turns with the discs, the cranks turn with the planets: both laws hold at once.
        carrier = drive / (1 + self.planet / self.sun * self.pins / (self.pins - self.lobes))
        return carrier / slide, carrier, drive - carrier


@dataclass(frozen=True)
class Drive:
    tag: str
    rpm: float
    span: tuple[float, float]
    line_hz: float
    stages: tuple[Stage, ...]
    bearings: tuple[Bearing, ...]
    bodies: dict[str, float]

    @property
    def ratio(self) -> float:
        return 1 / abs(self.bodies[f"stage{len(self.stages)}.disc"])

    def toml(self) -> str:
        rows = [f'tag = "{self.tag}"', f'name = "Drive {self.tag}"', "[input]", f"speed_rpm = {self.rpm:.0f}"]
        rows += [f"speed_range_rpm = [{self.span[0]:.0f}, {self.span[1]:.0f}]", "power_kw = 3.0"]
        poles = max(2, 2 * int(60 * self.line_hz / self.rpm))
        if 0.95 < self.rpm * poles / (120 * self.line_hz) < 1 and self.span[0] > 0.9 * self.rpm:
            # Only a motor on the mains has a plate that says its speed; behind an inverter it says nothing.
            rows += ["[motor]", f"poles = {poles}", f"line_hz = {self.line_hz:.0f}"]
        for s in self.stages:
            rows += ["[[stage]]", f'kind = "{"rv" if s.sun else "cycloidal"}"']
            if s.sun:
                rows += [f"sun_teeth = {s.sun}", f"planet_teeth = {s.planet}", f"cranks = {s.cranks}"]
            else:
                rows += [f"output_pins = {s.output_pins}"]
            rows += [f"lobes = {s.lobes}", f"ring_pins = {s.pins}", f"discs = {s.discs}", 'fixed = "ring"']
        for b in self.bearings:
            rows += ["[[bearing]]", f'name = "{b.name}"', f'inner = "{b.inner}"', f'outer = "{b.outer}"']
            rows += [f'load = "{b.load}"'] if b.load != "housing" else []
            rows += [f"elements = {b.elements}", f"element_diameter_mm = {b.ball}", f"pitch_diameter_mm = {b.pitch}"]
            rows += ["contact_angle_deg = 0.0"]
        return "\n".join(rows) + "\n"

    def parts(self) -> dict[str, float]:
        """Meetings per input turn of one spot of every part, from the bodies' speeds."""
        found: dict[str, float] = {}
        for i, s in enumerate(self.stages, start=1):
            e, d, seen = s.speeds(self.bodies[f"stage{i}.drive"])
            found |= {f"stage{i}.ring_pin": abs(e), f"stage{i}.lobe": abs(e - d)}
            if s.sun:
                found |= {"stage1.planet": abs(e - d), "stage1.sun": s.cranks * abs(seen)}
            else:
                found[f"stage{i}.output_pin"] = abs(e - d)
        for b in self.bearings:
            cage, inner, outer = b.cage(self.bodies), self.bodies[b.inner], self.bodies[b.outer]
            found[f"bearing.{b.name}.outer_race"] = b.elements * abs(cage - outer)
            found[f"bearing.{b.name}.inner_race"] = b.elements * abs(cage - inner)
            found[f"bearing.{b.name}.rolling_element"] = 2 * abs(b.spin(self.bodies))
            found[f"bearing.{b.name}.cage"] = abs(cage - self.bodies[b.load])
        return found


STYLES = ("single", "single", "single", "double", "double", "rv", "rv", "rv", "drawn", "step", "high")


def make_drive(rng: Rng, style: str = "", rpm: float = 0.0, wide: bool = False, tag: str = "") -> Drive:
    """A drive as it stands in a catalogue: teeth, 3-5 bearings, plate speed and the range the plate allows."""
    style = style or str(rng.choice(STYLES))
    line = float(rng.choice([50.0, 60.0]))
    synchronous = line * float(rng.choice([20, 20, 30, 30, 30, 60], p=[0.1, 0.1, 0.25, 0.25, 0.2, 0.1])) * 0.97
    rpm = round(rpm or min(synchronous, 2900.0))
    lobes = int(rng.choice([6, 8, 11, 13, 15, 17, 21, 23, 25, 29, 35, 43, 51, 59, 71, 87]))
    if style in ("high", "step", "drawn"):
        lobes = 119 if style == "high" else 2 * int(rng.integers(9, 22)) + 1
    discs = int(rng.choice([1, 2, 2, 2, 3]))
    step = 2 if style == "step" else 1
    stages = [Stage(lobes, lobes + step, int(rng.integers(6, 13)), discs, drawn=style == "drawn")]
    if style == "double":
        a, b = int(rng.choice([9, 11, 13, 15, 17])), int(rng.choice([6, 7, 8, 11, 13, 15]))
        stages = [Stage(a, a + 1, 8, 2), Stage(b, b + 1, 10, 2)]
    elif style == "rv":
        sun, z = int(rng.integers(10, 26)), int(rng.choice([29, 31, 35, 39, 45]))
        stages = [Stage(z, z + 1, 0, 2, False, sun, int(rng.integers(30, 48)), int(rng.choice([2, 3, 3])))]
    bodies = {"housing": 0.0, "input": 1.0}
    drive, arm = 1.0, "carrier" if style == "rv" else "output"
    for i, s in enumerate(stages, start=1):
        e, d, _ = s.speeds(drive)
        bodies |= {f"stage{i}.drive": drive, f"stage{i}.disc": d, f"stage{i}.{arm}": d}
        bodies[f"stage{i}.{'crank' if s.sun else 'eccentric'}"] = e
        drive = d
    last = f"stage{len(stages)}"
    if style == "rv":
        seats = [("input", "input", "housing", "housing"), ("crank", f"{last}.crank", f"{last}.disc", f"{last}.crank")]
        seats += [("support", f"{last}.crank", f"{last}.carrier", f"{last}.carrier")]
        seats += [("output", f"{last}.carrier", "housing", "housing")]
    else:
        seats = [("input", "input", "housing", "housing"), ("output", f"{last}.output", "housing", "housing")]
        for i in range(1, len(stages) + 1):
            wheel = f"stage{i}.eccentric"
            seats.append((f"eccentric{i}", wheel, f"stage{i}.disc", wheel))
        if rng.random() < 0.4:
            seats.append(("rear", "input", "housing", "housing"))
    bearings = []
    for name, inner, outer, load in seats:
        big = name == "output"
        n = int(rng.integers(18, 37) if big else rng.integers(8, 17))
        pitch = round(float(rng.uniform(90, 180) if big else rng.uniform(32, 75)), 2)
        ball = round(float(pitch * np.sin(np.pi / n) * rng.uniform(0.62, 0.84)), 2)
        bearings.append(Bearing(name, inner, outer, load, n, ball, pitch))
    low, high = (0.6, 1.1) if wide else (1 - float(rng.uniform(0.02, 0.04)), 1 + float(rng.uniform(0.02, 0.04)))
    tag = tag or f"FS-{int(rng.integers(10, 99))}"
    return Drive(tag, rpm, (rpm * low, rpm * high), line, tuple(stages), tuple(bearings), bodies)


# ------------------------------------------------------------------------------------------------ signals


class Scene:
    """A recorder with its points, the steel between, and the clock."""

    def __init__(self, rng: Rng, rate: float, seconds: float, points: int):
        self.rng, self.rate, self.points = rng, rate, points
        self.n = int(rate * seconds) // 1024 * 1024
        self.t: Array = np.arange(self.n) / rate

    def turns(self, hz: float, wander: float | None = None, drift: float = 0.0, cycle: float = 0.0) -> Array:
        """Angle in turns of a loaded motor's shaft: slow wander, an even drift, a slow load cycle."""
        rng = self.rng
        wander = float(10 ** rng.uniform(-4.5, -3.1)) if wander is None else wander
        grid = np.linspace(0, self.t[-1], max(8, int(self.t[-1] * 10)))
        walk = np.convolve(rng.standard_normal(grid.size + 14), np.hanning(15), "valid")
        speed = 1 + wander * (walk - walk.mean()) / walk.std() + drift * (grid / grid[-1] - 0.5)
        speed += cycle * np.sin(TAU * (grid * rng.uniform(0.15, 0.9) + rng.random()))
        return np.cumsum(np.interp(self.t, grid, hz * speed)) / self.rate + rng.random()

    def paths(self, low: float = 0.0, high: float = 0.0) -> list[Array]:
        """One impulse response per point: shared resonances, weighed differently."""
        rng = self.rng
        low, high = low or max(500.0, 0.03 * self.rate), min(high or 11000.0, 0.42 * self.rate)
        modes = np.exp(rng.uniform(np.log(low), np.log(high), 4))
        damping = rng.uniform(0.012, 0.05, 4)
        t = np.arange(int(self.rate * min(0.06, 5 / (TAU * (modes * damping).min())))) / self.rate
        rings = np.exp(-TAU * np.outer(modes * damping, t)) * np.sin(TAU * np.outer(modes, t))
        weights = rng.lognormal(0, 0.5, (self.points, 4))
        detected = [w @ rings for w in weights]
        top = max(float(np.abs(h).max()) for h in detected)
        return [h / top for h in detected]

    def ring(self, times: Array, sizes: Array, paths: list[Array]) -> Array:
        """Blows at any instants, each ringing through the steel."""
        place = np.asarray(times) * self.rate
        kept = (place >= 0) & (place < self.n - 1)
        place, sizes = place[kept], np.broadcast_to(sizes, kept.shape)[kept]
        blow = np.zeros(self.n)
        whole = place.astype(int)
        np.add.at(blow, whole, sizes * (1 - place + whole))
        np.add.at(blow, whole + 1, sizes * (place - whole))
        return np.stack([oaconvolve(blow, p)[: self.n] for p in paths])

    def hiss(self, paths: list[Array] | None = None) -> Array:
        white = self.rng.standard_normal((self.points, self.n))
        if paths is not None:
            coloured = [oaconvolve(w, p)[: self.n] for w, p in zip(white, paths, strict=True)]
            white = 0.25 * white + unit(np.stack(coloured))
        return unit(white)

    def lines(self, turns: Array, sizes: dict[float, float]) -> Array:
        """Sines at so many per turn; what lies above the band is left out, as the recorder's filter does."""
        out = np.zeros((self.points, self.n))
        hz = abs(turns[-1] - turns[0]) / self.t[-1]
        for order, size in sizes.items():
            if abs(order) * hz < 0.44 * self.rate:
                gains = size * self.rng.uniform(0.4, 1.0, self.points)
                out += gains[:, None] * np.cos(TAU * (order * turns + self.rng.random()))
        return out


def unit(x: Array) -> Array:
    """Scaled so that the loudest point has one m/s² r.m.s."""
    return x / max(float(np.sqrt((x * x).mean(axis=1)).max()), 1e-12)


def meetings(scene: Scene, angle: Array, jitter: float = 0.0, *, locked: bool = False) -> Array:
    """Instants at which an angle passes whole turns; ``jitter``: the spacing's scatter, which adds up as slip does,
    but not where parts are ``locked`` to each other, as a lobe to its pins and a tooth to its gap."""
    angle = angle if angle[-1] > angle[0] else -angle
    marks = np.arange(np.ceil(angle[0]), np.floor(angle[-1]) + 1)
    scatter = scene.rng.normal(0, jitter, marks.size) if jitter else np.zeros(marks.size)
    slipped = marks + (scatter if locked else np.cumsum(scatter))
    return np.interp(slipped, angle, scene.t, left=-1.0, right=-1.0)


def per_part(rng: Rng, angle: Array, parts: int) -> Array:
    """Errors of parts that stand in a circle, met one after the other."""
    errors = rng.normal(0, 1, parts)
    return np.interp(angle % 1.0 * parts, np.arange(parts + 1), np.r_[errors, errors[:1]])


def zone(angle: Array, rest: float) -> Array:
    """Load seen at so many turns from its middle; ``rest``: what preload leaves outside."""
    return rest + (1 - rest) * np.clip(np.cos(TAU * angle), 0, None) ** 1.5


def running(scene: Scene, drive: Drive, turns: Array, level: float, mesh: float = 0.6, rich: float = 0.0) -> Array:
    """A sound drive. ``mesh``: r.m.s. of the mesh next to the rolling noise; ``rich``: part errors as a share of it."""
    rng = scene.rng
    rich = rich or float(rng.uniform(0.08, 0.3))
    slow = drive.bodies[f"stage{len(drive.stages)}.disc"] * turns
    sway = 1 + rng.uniform(0.02, 0.12) * np.cos(TAU * (slow + rng.random()))
    total = scene.lines(turns, {float(k): float(rng.lognormal(-1.6 - 0.4 * k, 0.6)) for k in (1, 2, 3, 4)})
    total *= float(rng.uniform(0.3, 1.5))
    teeth = np.zeros((scene.points, scene.n))
    throb = np.ones(scene.n)
    for i, s in enumerate(drive.stages, start=1):
        before = drive.bodies[f"stage{i}.drive"] * turns
        speeds = s.speeds(drive.bodies[f"stage{i}.drive"])
        e, d = speeds[0] * turns, speeds[1] * turns
        pins = s.pins // 2 if s.drawn else s.pins
        errors = per_part(rng, e, pins) + per_part(rng, e - d, s.lobes)
        errors += per_part(rng, e - d, s.output_pins or s.cranks)
        sizes = {k * pins * speeds[0]: float(rng.lognormal(-0.5 * k, 0.6)) for k in range(1, 6)}
        detected = scene.lines(turns, sizes) * (1 + rich * errors)
        detected += 0.15 * rich * errors
        if s.sun:
            # Spur gears are met by every planet; their teeth differ too.
            wheel = per_part(rng, before - d, s.sun) + per_part(rng, e - d, s.planet)
            sizes = {k * s.sun * speeds[2]: float(rng.lognormal(-0.4 * k, 0.6)) for k in range(1, 5)}
            detected = detected * rng.uniform(0.5, 1.2) + scene.lines(turns, sizes) * (1 + rich * wheel)
        teeth += detected * float(rng.uniform(0.6, 1.2) if i == 1 else rng.uniform(0.3, 0.8))
        throb += rng.uniform(0.02, 0.12) * np.cos(TAU * (pins * e + rng.random()))
        throb += 0.12 * rich * errors + rng.uniform(0.01, 0.08) * np.cos(TAU * (e + rng.random()))
    if teeth.any():
        teeth = unit(teeth)
    uneven = rng.uniform(0.25, 1.0, (scene.points, 1))
    uneven[rng.integers(scene.points)] = 1.0
    total = (total + mesh * teeth * uneven + scene.hiss(scene.paths()) * throb) * sway
    return level * unit(total)


def blows(scene: Scene, drive: Drive, turns: Array, tone: str, tidy: bool = False) -> tuple[Array, Array]:
    """Instants and sizes of the blows of one damaged part. ``tidy``: the bearing does not slip in the mean."""
    rng = scene.rng
    where, part = tone.rsplit(".", 1)
    at = scene.t
    if where.startswith("stage"):
        s = drive.stages[int(where[5:]) - 1]
        e, d, seen = s.speeds(drive.bodies[f"{where}.drive"])
        relative = {"ring_pin": e, "sun": s.cranks * seen}.get(part, e - d)
        rounds = [(0.0, 1.0)]
        if part == "sun":
            shares = rng.uniform(0.7, 1.0, s.cranks)
            times = meetings(scene, relative * turns + rng.random(), 0.0015, locked=True)
            sizes = shares[np.arange(times.size) % s.cranks]
        else:
            # The second disc stands half a turn on and meets the same spot less hard, or not at all.
            rounds += [(1 / s.discs, float(rng.uniform(0.0, 0.5)))] if s.discs > 1 else []
            start = rng.random()
            both = [meetings(scene, relative * turns + start + shift, 0.0015, locked=True) for shift, _ in rounds]
            times = np.concatenate(both)
            sizes = np.concatenate([np.full(m.size, size) for m, (_, size) in zip(both, rounds, strict=True)])
        carried = d if part not in ("ring_pin",) else drive.bodies[f"stage{len(drive.stages)}.disc"]
        depth = float(rng.uniform(0.1, 0.45)) if part != "ring_pin" else float(rng.uniform(0.02, 0.1))
        sizes = sizes * (1 + depth * np.cos(TAU * np.interp(times, at, carried * turns + rng.random())))
        return times, sizes * rng.lognormal(0, 0.12, sizes.size)
    b = next(b for b in drive.bearings if f"bearing.{b.name}" == where)
    body = drive.bodies
    slip = 0.0 if tidy else float(rng.uniform(0.0, 0.004))
    cage = b.cage(body)
    cage = body[b.load] + (cage - body[b.load]) * (1 - slip)
    jitter, rest = float(rng.uniform(0.005, 0.015)), float(rng.uniform(0.0, 0.25))
    if part == "rolling_element":
        times = meetings(scene, 2 * b.spin(body) * (1 - slip) * turns + rng.random(), jitter)
        uneven = np.where(np.arange(times.size) % 2, 1.0, rng.uniform(0.15, 1.0))
        angle = (cage - body[b.load]) * turns + rng.random()
        sizes = uneven * zone(np.interp(times, at, angle), rest)
        seat = cage
    elif part == "cage":
        times, sizes, seat = np.zeros(0), np.zeros(0), cage
        for offset, size in ((0.0, 1.0), (rng.uniform(0.2, 0.4), rng.uniform(0.1, 0.5))):
            more = meetings(scene, (cage - body[b.load]) * turns + offset, 0.004)
            times, sizes = np.r_[times, more], np.r_[sizes, np.full(more.size, size)]
    else:
        seat = body[b.outer] if part == "outer_race" else body[b.inner]
        times = meetings(scene, b.elements * (cage - seat) * turns + rng.random(), jitter)
        off = rng.uniform(-0.1, 0.1) if seat == body[b.load] else rng.random()
        sizes = zone(np.interp(times, at, (seat - body[b.load]) * turns + off), rest)
    # What is carried round comes nearer to the sensor and goes away again.
    sizes = sizes * (1 + rng.uniform(0.05, 0.3) * np.cos(TAU * np.interp(times, at, seat * turns)))
    return times, sizes * rng.lognormal(0, 0.25, sizes.size)


def next_to(scene: Scene, loud: Array, quiet: Array, excess_db: float) -> Array:
    """``loud`` scaled to stand so far above ``quiet`` in its best third of an octave, at its best point."""
    best = -np.inf
    for x, y in zip(loud, quiet, strict=True):
        f, p = welch(x, scene.rate, nperseg=2048, noverlap=0, detrend=False)
        _, q = welch(y, scene.rate, nperseg=2048, noverlap=0, detrend=False)
        for centre in np.exp(np.arange(np.log(400), np.log(0.44 * scene.rate), 0.12)):
            band = (f > centre * 0.89) & (f < centre * 1.12)
            best = max(best, 10 * np.log10(p[band].sum() / max(q[band].sum(), 1e-30)))
    return loud * 10 ** ((excess_db - best) / 20)


# ------------------------------------------------------------------------------------------------ surroundings


def foreign(
    scene: Scene, turns: Array, lines: dict[float, float], impacts: float = 0.0, hard: float = 0.0, hiss: float = 0.3
) -> Array:
    """Any other machine: lines per turn of its shaft, blows per turn with an irregular round, its own noise."""
    rng = scene.rng
    out = scene.lines(turns, lines) + hiss * scene.hiss(scene.paths(high=5000.0))
    if impacts:
        times = meetings(scene, impacts * turns, 0.004)
        round_ = rng.uniform(0.55, 1.0, max(1, round(impacts)))
        sizes = round_[np.arange(times.size) % round_.size] * rng.lognormal(0, 0.2, times.size)
        out += hard * scene.ring(times, sizes, scene.paths(high=7000.0))
    return unit(out)


def fan(scene: Scene, hz: float) -> Array:
    z = float(scene.rng.integers(5, 13))
    return foreign(scene, scene.turns(hz), {1.0: 1.0, 2.0: 0.2, z: 0.6, 2 * z: 0.2}, hiss=0.4)


def pump(scene: Scene, hz: float) -> Array:
    z = float(scene.rng.integers(3, 8))
    return foreign(scene, scene.turns(hz), {1.0: 0.4, 2.0: 0.2, z: 1.0, 2 * z: 0.5, 3 * z: 0.2}, hiss=0.8)


def piston(scene: Scene, hz: float) -> Array:
    strokes = {float(k): float(scene.rng.lognormal(-0.15 * k, 0.4)) for k in range(1, 16)}
    return foreign(scene, scene.turns(hz / 3), strokes, impacts=float(scene.rng.integers(1, 4)), hard=4.0)


def motor(scene: Scene, hz: float, line: float) -> Array:
    bars = float(scene.rng.integers(26, 46))
    lines = {1.0: 1.0, 2.0: 0.4, 3.0: 0.2, bars: 0.5, bars + 2 * line / hz: 0.3, bars - 2 * line / hz: 0.3}
    return foreign(scene, scene.turns(hz), lines | {2 * line / hz: 0.8, 4 * line / hz: 0.1}, hiss=0.25)


def belt(scene: Scene, hz: float) -> Array:
    own = float(scene.rng.uniform(0.28, 0.47))
    return foreign(scene, scene.turns(hz), {own * k: 0.7 / k for k in range(1, 7)} | {1.0: 1.0, 2.0: 0.5}, hiss=0.3)


def loose(scene: Scene, hz: float) -> Array:
    """Unbalance and a loose foot of another machine: many harmonics, halves among them, and a clatter."""
    lines = {float(k): float(scene.rng.lognormal(-0.25 * k, 0.4)) for k in range(1, 11)}
    return foreign(scene, scene.turns(hz), lines | {0.5: 0.2, 1.5: 0.25, 2.5: 0.15}, impacts=1.0, hard=1.5, hiss=0.2)


def shocks(scene: Scene, per_second: float, low: float = 300.0, burst: int = 1) -> Array:
    """Blows at random: hail, doors, lumps, hammer. ``burst``: rebounds after each."""
    rng = scene.rng
    first = np.sort(rng.uniform(0, scene.t[-1], max(2, int(per_second * scene.t[-1]))))
    gap = np.cumsum(rng.uniform(0.01, 0.08, burst))
    times = (first[:, None] + gap).ravel()
    sizes = (rng.lognormal(0, 0.7, first.size)[:, None] * 0.6 ** np.arange(burst)).ravel()
    out = unit(scene.ring(times, sizes, scene.paths(low=low, high=9000.0)))
    return out * min(1.0, 25.0 / float(np.abs(out).max()))


def puffing(scene: Scene, rate_hz: float, depth: float) -> Array:
    """Hissing that swells: jets, cavitation, a passing crane."""
    swell = np.convolve(scene.rng.standard_normal(400), np.hanning(9), "same")
    slow = np.interp(scene.t, np.linspace(0, scene.t[-1], 400), swell / swell.std())
    beat = 1 + depth * np.cos(TAU * rate_hz * scene.t) if rate_hz else 1.0
    return unit(scene.hiss(scene.paths(low=900.0)) * np.exp(0.5 * slow) * beat)


def inverter(scene: Scene, feed_hz: float) -> Array:
    """Carrier lines with sidebands of the feed; they know nothing of load."""
    carrier = float(scene.rng.choice([2000.0, 2500.0, 4000.0, 8000.0]))
    clock = scene.t * 1.0
    sides = {carrier + k * feed_hz: 0.8 / (1 + abs(k)) for k in (-4, -2, 0, 2, 4)}
    sides |= {2 * carrier + k * feed_hz: 0.5 / (1 + abs(k)) for k in (-3, -1, 1, 3)}
    return unit(scene.lines(clock, sides) + 1e-9 * scene.hiss())


def hum(scene: Scene, line: float) -> Array:
    return unit(scene.lines(scene.t * 1.0, {line * k: float(scene.rng.lognormal(-0.3 * k, 0.5)) for k in range(1, 9)}))


def radio(scene: Scene) -> Array:
    """A handset near the cable: bursts of demodulated slots at 217 per second."""
    on = (scene.t % float(scene.rng.uniform(1.4, 2.6))) < float(scene.rng.uniform(0.1, 0.5))
    return unit(((scene.t * 216.7 % 1 < 0.12) & on)[None] * np.ones((scene.points, 1)) + 1e-9 * scene.hiss())


def driven(scene: Scene, drive: Drive, turns: Array) -> tuple[Array, float]:
    """What the output turns: a chain, flights, blades. Counts that would strike at a part's own rate are left out."""
    rng = scene.rng
    own = np.array(list(drive.parts().values()))
    count = 2
    for _ in range(60):
        count = int(rng.integers(2, 41))
        near = np.abs(np.outer([0.5, 1.0, 2.0, 3.0], count / drive.ratio * np.ones(own.size)) / own - 1).min()
        if near > 0.015:
            break
    angle = turns / drive.ratio
    lines = {float(count): 0.1, float(2 * count): 0.1}
    return foreign(scene, angle, lines, impacts=float(count), hard=float(rng.uniform(3, 8)), hiss=0.08), float(count)


# ------------------------------------------------------------------------------------------------ drafts


@dataclass
class Draft:
    """A capture in the making."""

    rng: Rng
    drive: Drive
    scene: Scene
    turns: Array
    hz: float
    level: float
    signal: Array
    damaged: tuple[str, ...] = ()
    marks: dict[str, float] = field(default_factory=dict)
    still: bool = False
    tach: float = 0.35
    noted_off: float = 0.0

    def add(self, what: Array, times_own: float) -> Draft:
        self.signal = self.signal + what * times_own * self.level
        self.marks["neighbour"] = max(times_own, self.marks.get("neighbour", 0.0))
        return self

    def harm(self, tone: str, excess_db: float, tidy: bool = False) -> Draft:
        """Damage of one part, so far above everything else in its best band."""
        # Few blows, blows that slide about and fade, or blows faster than the steel falls silent need more to be plain.
        per_second = self.drive.parts()[tone] * self.hz
        excess_db += 5.0 * ("rolling_element" in tone) + 4.0 * (per_second * self.scene.t[-1] < 80)
        excess_db += 6.0 * (tone.startswith("bearing") and per_second > 0.02 * self.scene.rate)
        rung = self.scene.ring(*blows(self.scene, self.drive, self.turns, tone, tidy), self.scene.paths())
        self.signal = self.signal + next_to(self.scene, rung, self.signal, excess_db)
        stage, part = tone.rsplit(".", 1)
        alike: tuple[str, ...] = ()
        if part == "sun":
            alike = SUN_NAMES
        elif part in ("lobe", "output_pin", "planet"):
            # Planet wheels turn with the cranks: a tooth meets the sun as often as a lobe meets its crank.
            geared = self.drive.stages[int(stage[5:]) - 1].sun > 0
            alike = PLANET_NAMES if geared else (f"{stage}.lobe", f"{stage}.output_pin")
        self.damaged += (tone, *(name for name in alike if name != tone))
        self.marks["excess_db"] = excess_db
        return self


Maker = Callable[[Rng], Draft]


def drawn(rng: Rng, value: Any) -> Any:
    """A pair is a range (drawn evenly in the logarithm), a list is a choice, anything else is itself."""
    if isinstance(value, tuple):
        return float(np.exp(rng.uniform(*np.log(value))))
    return rng.choice(value) if isinstance(value, list) else value


def draft(rng: Rng, run: bool = True, wide: bool = False, **how: Any) -> Draft:
    """A drive, a recorder, and (if ``run``) the drive's own sound. ``how``: what the kind wants otherwise."""
    got = {name: drawn(rng, value) for name, value in how.items()}
    style = str(got.get("style") or rng.choice(STYLES))
    drive = make_drive(rng, style, float(got.get("rpm", 0.0)), wide)
    rate = float(got.get("rate") or rng.choice(RATES))
    points = int(got.get("points") or rng.choice([1, 1, 2] if rate > 30000 else [1, 2, 3]))
    long = drive.rpm < 800 or style in ("double", "rv")
    seconds = float(got.get("seconds") or (rng.uniform(9, 16) if long else rng.uniform(5.5, 12)))
    scene = Scene(rng, rate, min(seconds, 420_000 / rate / points**0.5), points)
    off = float(rng.uniform(-0.38, 0.08) if wide else got.get("off", rng.uniform(-0.012, 0.012)))
    hz = drive.rpm / 60 * (1 + off)
    turns = scene.turns(hz, got.get("wander"), got.get("drift", 0.0), got.get("cycle", 0.0))
    level = float(got.get("level") or drawn(rng, (0.4, 6.0)))
    made = Draft(rng, drive, scene, turns, hz, level, np.zeros((scene.points, scene.n)), still=not run)
    made.marks |= {"ratio": drive.ratio, "own_rms": level}
    if run:
        mesh = float(got.get("mesh") or drawn(rng, (0.2, 1.5)))
        rich = float(got.get("rich") or rng.choice([rng.uniform(0.08, 0.3), rng.uniform(0.4, 0.9)], p=[0.65, 0.35]))
        made.signal = running(scene, drive, turns, level, mesh, rich)
        made.marks |= {"mesh": mesh, "rich": rich}
    return made


def pick(d: Draft, *endings: str) -> str:
    """A part of this drive whose rate no other part shares by chance, often enough met in the capture."""
    parts = d.drive.parts()
    wanted = [t for t in parts if t.endswith(endings)]
    # With every second pin left out a lobe finds a pin at every second round only: such parts are left alone.
    wanted = [t for t in wanted if t.startswith("bearing") or not d.drive.stages[0].drawn] or [
        "bearing.input.outer_race"
    ]
    good = []
    for tone in wanted:
        order = parts[tone]
        others = np.array([o for name, o in parts.items() if name != tone])
        apart = np.abs(order / np.outer([0.5, 1.0, 2.0], others) - 1).min()
        met = d.hz * d.scene.t[-1]
        fair = order * met > 40
        if tone.startswith("bearing"):
            # What the load zone shows and hides must come round some times too.
            b = next(b for b in d.drive.bearings if tone.startswith(f"bearing.{b.name}."))
            carried = d.drive.bodies[b.inner] - d.drive.bodies[b.load] if tone.endswith("inner_race") else 1.0
            carried = parts[f"bearing.{b.name}.cage"] if tone.endswith("rolling_element") else carried
            fair = fair and (carried == 0 or abs(carried) * met > 8) and apart > 0.006 and order % 1 > 0.01
        if fair:
            good.append(tone)
    return str(d.rng.choice(good or wanted[:1]))


RACES = ("outer_race", "inner_race")
PARTS = ("lobe", "ring_pin", "output_pin")
ROLLING = (*RACES, "rolling_element")


def near(rng: Rng, low: float = 0.0005, high: float = 0.015) -> float:
    """Speed of a neighbour as a share of this drive's, a little off."""
    return 1 + float(rng.choice([-1, 1]) * drawn(rng, (low, high)))


def twin(d: Draft, share: float, level: float, mesh: float, harm_db: float | None = None) -> Draft:
    """Another drive of the type on the same frame, sound or damaged over there."""
    turns = d.scene.turns(d.hz * share)
    other = running(d.scene, d.drive, turns, 1.0, mesh, float(d.rng.uniform(0.1, 0.6)))
    if harm_db is not None:
        tone = pick(d, *ROLLING, *PARTS)
        rung = d.scene.ring(*blows(d.scene, d.drive, turns, tone), d.scene.paths())
        other = other + next_to(d.scene, rung, d.signal / (d.level * level) + other, harm_db)
        d.marks |= {"there_db": harm_db, "there_order": d.drive.parts()[tone]}
    d.marks["twin_offset"] = share - 1
    return d.add(other, level)


# ------------------------------------------------------------------------------------------------ unusable


def idle(rng: Rng) -> Draft:
    """The drive stands; the floor of the hall is all there is until something is put next to it."""
    d = draft(rng, run=False)
    d.signal = 0.05 * d.level * d.scene.hiss(d.scene.paths())
    return d


def still(make: Callable[[Draft], Array], low: float = 0.6, high: float = 1.4) -> Maker:
    def made(rng: Rng) -> Draft:
        d = idle(rng)
        return d.add(make(d), drawn(rng, (low, high)))

    return made


def two_fans(d: Draft) -> Array:
    hz = d.hz * near(d.rng, 0.001, 0.02)
    return fan(d.scene, hz) + fan(d.scene, hz * near(d.rng, 0.005, 0.02))


def any_pump(d: Draft) -> Array:
    hz = d.hz * float(d.rng.choice([1.0, 0.5, 2.0, 1.5])) * near(d.rng, 0.001, 0.03)
    return pump(d.scene, hz) + 0.3 * hum(d.scene, d.drive.line_hz)


def fast_twin(d: Draft) -> Array:
    """Another drive of the type runs next to it, at a speed this drive's plate rules out."""
    share = float(d.rng.choice([d.rng.uniform(0.55, 0.85), d.rng.uniform(1.15, 1.5)]))
    d.marks["share"] = share
    return running(d.scene, d.drive, d.scene.turns(d.drive.rpm / 60 * share), 1.0, 0.8)


def gears(d: Draft) -> Array:
    """A spur gearbox, a planetary or a worm of the same output speed: gears, and no pins."""
    rng, i, style = d.rng, d.drive.ratio, int(d.rng.integers(3))
    z = int(rng.integers(13, 27))
    while z % d.drive.stages[0].pins == 0 or z == d.drive.stages[0].lobes:
        z += 1
    if style == 0:
        middle = float(rng.uniform(2.2, 4.5))
        lines = {z * k: 1 / k for k in range(1, 5)} | {z / middle * 0.83 * k: 0.6 / k for k in range(1, 4)}
        lines |= {z + k: 0.2 for k in (-2, -1, 1, 2)} | {1 / middle: 0.2, 1: 0.4}
    elif style == 1:
        mesh = z * (1 - 1 / i)
        lines = {mesh * k: 1 / k for k in range(1, 5)} | {mesh + 3 * k / i: 0.3 for k in (-2, -1, 1, 2)} | {1: 0.4}
    else:
        # A worm has few starts, so its mesh sits on the shaft's own harmonics.
        starts = int(rng.integers(2, 5))
        lines = {1: 0.8, 1 / i: 0.2} | {starts * k: 0.6 / k for k in range(1, 4)}
    d.marks["gear"] = float(style)
    return foreign(d.scene, d.scene.turns(d.hz), {float(k): v for k, v in lines.items()}, hiss=0.35)


def steps(d: Draft) -> Array:
    """A stepper with its table: moves of half a second, rest between, a stop with a click."""
    moving = (d.scene.t % float(d.rng.uniform(0.7, 1.6))) < 0.45
    turns = np.cumsum(np.where(moving, d.hz, 0.0)) / d.scene.rate
    whine = d.scene.lines(turns, {50.0: 1.0, 100.0: 0.5, 200.0: 0.3, 4.0: 0.3})
    clicks = meetings(d.scene, d.scene.t / 1.1)
    return unit(whine * moving + d.scene.ring(clicks, np.full(clicks.size, 4.0), d.scene.paths()))


def handled(d: Draft) -> Array:
    """The sensor is carried about and set down: knocks, slides, slow swings of gravity."""
    swing = np.interp(d.scene.t, np.linspace(0, d.scene.t[-1], 60), d.rng.normal(0, 0.7, 60))
    return shocks(d.scene, 2.5, 200.0, 3) + swing


def other_ratio(rng: Rng) -> Draft:
    """The file names another size: pins, lobes and bearings are others, the motor is of the same speed."""
    d = draft(rng, run=False, style="single")
    b = d.drive.stages[0].pins
    for _ in range(40):
        other = make_drive(rng, str(rng.choice(["single", "double", "rv"])), d.drive.rpm)
        a = other.stages[0].pins
        if a % b and b % a and (2 * a) % b and abs(a - b) > 2:
            break
    d.signal, d.still = running(d.scene, other, d.turns, d.level, drawn(rng, (0.5, 1.5))), False
    d.marks |= {"filed_pins": float(b), "true_pins": float(a)}
    return d


def start_stop(rng: Rng) -> Draft:
    """From rest, run down, a stop, or stop and start again: hardly a turn at one speed."""
    d = draft(rng, run=False, off=0.0)
    x, how, a = d.scene.t / d.scene.t[-1], int(rng.integers(4)), float(rng.uniform(0.2, 0.35))
    shape = [
        np.clip((x - 0.1) / 0.85, 0, 1) ** 0.8,
        np.clip(1 - x / 0.9, 0, 1) ** 1.3,
        np.clip(1 - (x - a) / 0.25, 0, 1),
        np.where(x < 0.5, np.clip(1 - (x - 0.1) / 0.25, 0, 1), np.clip((x - 0.6) / 0.35, 0, 1)),
    ][how]
    d.turns = np.cumsum(d.hz * shape) / d.scene.rate
    d.signal = running(d.scene, d.drive, d.turns, d.level, 0.7) * (0.02 + shape**1.5)
    d.marks["how"], d.still = float(how), False
    d.noted_off = d.hz / (float(d.turns[-1] - d.turns[0]) / d.scene.t[-1]) - 1
    return d


# ------------------------------------------------------------------------------------------------ sound


def alone(**how: Any) -> Maker:
    return lambda rng: draft(rng, **how)


def among(make: Callable[[Draft], Array], low: float, high: float, **how: Any) -> Maker:
    """A sound drive with something next to it, of ``low`` to ``high`` times its own level."""

    def made(rng: Rng) -> Draft:
        d = draft(rng, **how)
        return d.add(make(d), drawn(rng, (low, high)))

    return made


def one_of(*makers: Callable[[Draft], Array]) -> Callable[[Draft], Array]:
    def made(d: Draft) -> Array:
        d.marks["which"] = float(d.rng.integers(len(makers)))
        return makers[int(d.marks["which"])](d)

    return made


def short_noted(rng: Rng) -> Draft:
    d = draft(rng, seconds=(3.0, 5.0))
    d.noted_off = near(rng, 0.008, 0.018) - 1
    return d


def load_cycle(rng: Rng) -> Draft:
    """A mixer or a slewing crane: load swells, speed sags with it, all modulated from the output side."""
    d = draft(rng, cycle=(0.001, 0.006), rich=(0.3, 0.6))
    d.signal *= 1 + rng.uniform(0.3, 0.6) * np.cos(TAU * (d.turns / d.drive.ratio * rng.integers(1, 4) + rng.random()))
    return d


def paired(
    share: tuple[float, float], level: tuple[float, float], mesh: tuple[float, float], harm: Any = None
) -> Maker:
    """A twin next to it; ``harm``: how far its damaged part, over there, stands out in this capture."""

    def made(rng: Rng) -> Draft:
        d = draft(rng, seconds=11.0, rate=[8192.0, 12800.0, 20480.0, 25600.0], points=[1, 2], mesh=(0.4, 1.5))
        hurt_there = None if harm is None else float(rng.uniform(*harm))
        return twin(d, near(rng, *share), drawn(rng, level), drawn(rng, mesh), hurt_there)

    return made


def two_twins(rng: Rng) -> Draft:
    d = paired((0.002, 0.015), (0.3, 0.8), (0.4, 0.9))(rng)
    return twin(d, near(rng, 0.004), drawn(rng, (0.2, 0.6)), 0.8, 4.0 if rng.random() < 0.5 else None)


def other_bearing(rng: Rng) -> Draft:
    """A bearing of the driven machine or the motor is worn; it is none of this drive's."""
    d = draft(rng)
    own = np.array(list(d.drive.parts().values()))
    for _ in range(200):
        order = float(rng.uniform(2.2, 9.8)) if rng.random() < 0.6 else float(rng.uniform(12, 42)) / d.drive.ratio
        if np.abs(order / np.outer([0.5, 1.0, 2.0, 3.0], own) - 1).min() > 0.02 and abs(order % 1 - 0.5) < 0.45:
            break
    times = meetings(d.scene, order * d.turns, 0.01)
    rung = d.scene.ring(times, rng.lognormal(0, 0.3, times.size), d.scene.paths(high=6000.0))
    d.signal += next_to(d.scene, rung, d.signal, float(rng.uniform(-3, 8)))
    d.marks["foreign_order"] = order
    return d


def chained(d: Draft) -> Array:
    what, d.marks["strikes"] = driven(d.scene, d.drive, d.turns)
    return what


def simple_share(d: Draft) -> Array:
    """A strong comb of another machine at a simple share of this drive's speed."""
    share = float(d.rng.choice([0.5, 2 / 3, 1.5, 2.0])) * near(d.rng, 0.0003, 0.004)
    d.marks["share"] = share
    comb = {float(k): float(d.rng.lognormal(-0.12 * k, 0.3)) for k in range(1, 25)}
    return foreign(d.scene, d.scene.turns(d.hz * share), comb, hiss=0.1)


def crane(d: Draft) -> Array:
    return puffing(d.scene, 0.0, 0.0) * np.exp(-(((d.scene.t / d.scene.t[-1] - 0.5) / 0.2) ** 2))


def cavitation(d: Draft) -> Array:
    vane = d.hz * 4.93
    return puffing(d.scene, vane, 0.5) + 0.3 * d.scene.lines(d.scene.t, {vane: 1.0})


def soft_base(d: Draft) -> Array:
    """Grouting not yet set: the base sways at its own 8-20 Hz, a foot is soft, low harmonics swell."""
    f, t = float(d.rng.uniform(8, 20)), d.scene.t[: int(0.5 * d.scene.rate)]
    sway = [np.exp(-TAU * 0.06 * f * t) * np.sin(TAU * f * t)] * d.scene.points
    rock = d.scene.ring(np.sort(d.rng.uniform(0, d.scene.t[-1], 200)), d.rng.normal(0, 1, 200), sway)
    return unit(rock) + d.scene.lines(d.turns, {float(k): float(d.rng.lognormal(-0.2 * k, 0.3)) for k in range(1, 7)})


def rattle(d: Draft) -> Array:
    """A gauge pipe that rattles at half the line frequency."""
    times = meetings(d.scene, d.scene.t * d.drive.line_hz / 2, 0.02)
    return unit(d.scene.ring(times, d.rng.lognormal(0, 0.5, times.size), d.scene.paths()))


def churning(d: Draft) -> Array:
    """Fresh or cold grease: noise that dies away, slaps in it."""
    return d.scene.hiss(d.scene.paths()) * (0.4 + np.exp(-d.scene.t / 4.0)) + 0.4 * shocks(d.scene, 4.0)


def worn_jaws(d: Draft) -> Array:
    """A worn jaw coupling at the input clacks with every jaw, no two alike."""
    jaws = float(d.rng.choice([3, 4, 6, 8]))
    return foreign(d.scene, d.turns, {1.0: 0.2, 2.0: 0.2}, impacts=jaws, hard=3.0, hiss=0.1)


PARALLEL = one_of(
    lambda d: belt(d.scene, d.hz * near(d.rng, 0.001, 0.02)),
    lambda d: fan(d.scene, d.hz * near(d.rng, 0.001, 0.02)),
    lambda d: loose(d.scene, d.hz * near(d.rng, 0.003, 0.02)),
    lambda d: motor(d.scene, d.hz * near(d.rng, 0.001, 0.02), d.drive.line_hz),
)
WEATHER = one_of(
    lambda d: shocks(d.scene, 60.0, 1500.0),
    lambda d: puffing(d.scene, float(d.rng.uniform(5, 12)), 0.3),
    crane,
    lambda d: shocks(d.scene, 0.5, 200.0, 5),
)
PROCESS = one_of(
    cavitation,
    lambda d: shocks(d.scene, 1.2, 300.0, 6),
    lambda d: piston(d.scene, d.hz * float(d.rng.uniform(0.4, 0.97))),
    lambda d: shocks(d.scene, 6.0, 250.0, 2),
)
GADGETS = one_of(
    lambda d: unit(d.scene.lines(d.scene.t, {d.drive.line_hz * k: 0.5**k for k in (1, 2, 3, 4)})),
    lambda d: radio(d.scene),
    rattle,
)


# ------------------------------------------------------------------------------------------------ damaged


def hurt(base: Maker, *parts: str, db: tuple[float, float] = (4.0, 13.0), tidy: bool = False) -> Maker:
    """Whatever ``base`` makes, with one such part of its drive damaged."""

    def made(rng: Rng) -> Draft:
        d = base(rng)
        return d.harm(pick(d, *(parts or (*ROLLING, *PARTS))), float(rng.uniform(*db)), tidy)

    return made


def here(share: tuple[float, float], part: tuple[str, ...]) -> Maker:
    """Damage here and a sound twin next to it, far enough in speed; what is damaged does not slip."""

    def made(rng: Rng) -> Draft:
        style = ["single", "double", "rv", "step"]
        d = draft(
            rng, style=style, seconds=14.0, rate=[10240.0, 16384.0, 20480.0], points=2, mesh=(0.5, 1.5), wander=1e-4
        )
        d = twin(d, near(rng, *share), drawn(rng, (0.15, 0.5)), float(rng.choice([0.02, 0.5, 1.0])))
        d.tach = 0.7
        return d.harm(pick(d, *part), float(rng.uniform(4, 12)), tidy=True)

    return made


def hurt_twice(rng: Rng) -> Draft:
    d = draft(rng, style=["single", "double", "rv"])
    return d.harm(pick(d, *ROLLING), float(rng.uniform(4, 12))).harm(pick(d, *PARTS), float(rng.uniform(2, 6)))


SLOW_OR_FAST = [420.0, 560.0, 690.0, 3100.0, 3700.0, 4400.0]
MIDDLE = [16384.0, 20480.0, 25600.0]
UNUSABLE: list[tuple[str, Maker]] = [
    ("pump beside, still", still(any_pump)),
    ("coupling off", still(lambda d: motor(d.scene, d.hz, d.drive.line_hz))),
    ("start or stop", start_stop),
    ("twin beside, still", still(fast_twin)),
    ("other ratio filed", other_ratio),
    ("spur, planetary, worm", still(gears)),
    ("compressor, still", still(lambda d: piston(d.scene, d.hz * float(d.rng.uniform(0.7, 1.3))))),
    ("belt pump, still", still(lambda d: belt(d.scene, d.hz * near(d.rng, 0.001, 0.02)))),
    ("noise only", still(lambda d: d.scene.hiss() if d.rng.random() < 0.5 else puffing(d.scene, 0.0, 0.0))),
    ("loose machine, still", still(lambda d: loose(d.scene, d.hz * near(d.rng, 0.001, 0.02)))),
    ("stepper indexer", still(steps)),
    ("mains hum", still(lambda d: hum(d.scene, d.drive.line_hz), 0.2, 1.0)),
    ("fans beat, still", still(two_fans)),
    ("calibrator tone", still(lambda d: d.scene.lines(d.scene.t, {159.155: 14.1 / d.level, 318.31: 0.01}), 0.99, 1.01)),
    ("sensor handled", still(handled, 1.0, 2.0)),
]
SOUND: list[tuple[str, Maker]] = [
    ("plain", alone(level=(0.4, 9.0))),
    ("twin hurt, loud", paired((0.0015, 0.015), (0.3, 1.0), (0.5, 1.2), (-1, 9))),
    # The mesh stands 3 to 12 dB above the floor of a narrow line's band, in one point.
    ("weak mesh", alone(mesh=(0.03, 0.09), level=(0.2, 0.8), seconds=12.0)),
    ("driven machine", among(chained, 0.2, 2.5)),
    ("rich rv", alone(style="rv", rich=(0.4, 0.9), mesh=(0.5, 1.8))),
    ("half-drawn pins", alone(style="drawn", mesh=(0.07, 0.8), seconds=10.0)),
    ("parallel line", among(PARALLEL, 0.3, 2.5)),
    ("rich two-stage", alone(style="double", rich=(0.5, 1.0), mesh=(0.5, 1.8))),
    ("slow input", alone(rpm=(300.0, 700.0), seconds=16.0, mesh=(0.08, 0.5), rate=[6400.0, 10240.0, 12800.0, 25600.0])),
    ("inverter, wide plate", among(lambda d: inverter(d.scene, d.hz * 2), 0.05, 1.0, wide=True)),
    ("sound twin", paired((0.0002, 0.015), (0.3, 1.2), (0.05, 1.5))),
    ("simple-share comb", among(simple_share, 0.5, 2.0)),
    ("load cycle", load_cycle),
    ("low-rate recorder", alone(rate=[5120.0, 6400.0, 8192.0], mesh=(0.08, 0.6))),
    ("other's bearing", other_bearing),
    ("ratio 119", alone(style="high", mesh=(0.08, 0.8), seconds=12.0)),
    ("weather and doors", among(WEATHER, 0.3, 2.5)),
    # The twin's blows come through, its mesh does not.
    ("twin hurt, mute", paired((0.003, 0.015), (0.1, 0.11), (0.02, 0.03), (0, 6))),
    ("fast input", alone(rpm=(3000.0, 4500.0), mesh=(0.1, 1.0))),
    ("soft base", among(soft_base, 0.2, 1.0, mesh=(0.15, 0.6))),
    ("short, noted off", short_noted),
    ("process noise", among(PROCESS, 0.3, 2.5)),
    ("two twins", two_twins),
    # The output coupling is off: the drive runs light and its mesh is thin.
    ("unloaded run", alone(mesh=(0.08, 0.2), level=(0.2, 0.8))),
    ("feeder, radio, rattle", among(GADGETS, 0.2, 1.5)),
    ("slow ramp", alone(drift=[-0.024, -0.018, -0.012, 0.012, 0.018, 0.024], off=0.0)),
    ("grease or jaws", among(one_of(churning, worn_jaws), 0.3, 1.2, drift=(0.001, 0.004), mesh=(0.15, 0.6))),
]
DAMAGED: list[tuple[str, Maker]] = [
    ("race", hurt(alone(), *RACES)),
    ("lobe or output pin", hurt(alone(style="single"), "lobe", "output_pin")),
    ("rv bearing", hurt(alone(style="rv"), *ROLLING)),
    ("here, twin sound", here((0.006, 0.015), ("lobe", "ring_pin"))),
    ("rolling element", hurt(alone(), "rolling_element")),
    ("beside driven", hurt(among(chained, 0.2, 2.0))),
    ("rv gear tooth", hurt(alone(style="rv", level=(0.2, 0.6)), "sun", "planet")),
    ("two-stage part", hurt(alone(style="double"))),
    ("ring pin", hurt(alone(style=["single", "step"]), "ring_pin")),
    ("early", hurt(alone(seconds=12.0), *RACES, *PARTS, db=(-2.5, 0.5), tidy=True)),
    ("cage", hurt(alone(seconds=12.0, style=["single", "high", "rv"]), "input.cage", "rear.cage")),
    ("wide plate, hurt", hurt(among(lambda d: inverter(d.scene, d.hz * 2), 0.05, 0.6, wide=True))),
    ("rv pin or lobe", hurt(alone(style="rv", seconds=14.0), "ring_pin", "lobe")),
    ("beside others", hurt(among(one_of(PARALLEL, simple_share, WEATHER, PROCESS), 0.3, 2.0))),
    ("quiet, hurt", hurt(alone(level=(0.1, 0.4), mesh=(0.1, 0.3)), db=(1.0, 7.0))),
    ("race here, twin", here((0.01, 0.015), ("input.inner_race", "rear.inner_race"))),
    (
        "slow or fast, hurt",
        hurt(alone(style="single", rpm=SLOW_OR_FAST, seconds=12.0, rate=MIDDLE), db=(5, 14)),
    ),
    ("two places", hurt_twice),
]
TRUTHS: dict[str, tuple[Truth, list[tuple[str, Maker]]]] = {
    "U": ("unusable", UNUSABLE),
    "S": ("sound", SOUND),
    "D": ("damaged", DAMAGED),
}
PATTERN = "SDUSSDSUDSSDUSDSUSDU"


def case(number: int) -> WorldCase:
    """Case ``number`` of the world; the truths come in the pattern's order, the kinds of each one after another."""
    if not 0 <= number < COUNT:
        raise IndexError(number)
    rng = np.random.default_rng([number, SEED])
    lap, place = divmod(number, len(PATTERN))
    letter = PATTERN[place]
    truth, kinds = TRUTHS[letter]
    kind, make = kinds[(lap * PATTERN.count(letter) + PATTERN[:place].count(letter)) % len(kinds)]
    d = make(rng)
    scene = d.scene
    signal = d.signal + d.level * 10 ** rng.uniform(-3.5, -1.3) * rng.standard_normal(d.signal.shape)
    mean_hz = float(d.turns[-1] - d.turns[0]) / float(scene.t[-1])
    noted = mean_hz * 60 * (1 + (d.noted_off or float(rng.uniform(-0.001, 0.001))))
    per_rev = float(rng.choice([1.0, 1.0, 1.0, 2.0]))
    flank = 4.8 * (d.turns * per_rev % 1.0 < 0.12) + rng.normal(0, 0.03, scene.n)
    tach = rng.random() < d.tach and truth != "unusable"
    return WorldCase(
        name=f"fenside-{number:03d}",
        kind=kind,
        truth=truth,
        drive_toml=d.drive.toml(),
        channels={f"P{i + 1}": x.astype(np.float32) for i, x in enumerate(signal)},
        sample_rate_hz=scene.rate,
        speed_hz=None if d.still else mean_hz,
        pulses=flank.astype(np.float32) if tach else None,
        pulses_per_rev=per_rev,
        noted_rpm=round(noted, 1) if rng.random() < 0.8 or d.still else None,
        damaged=d.damaged,
        marks=d.marks | {"signal_rms": float(np.sqrt((signal**2).mean(axis=1)).max())},
    )
