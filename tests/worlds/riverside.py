"""Drives on a works by a river: reducers among pumps, screens, mixers and fans, built from turning bodies.

Every body has an angle, sample by sample. A strike happens when a spot on one body passes what it meets on another,
and its size follows the load where the load stands. Strikes, mesh forces and rolling noise then ring the modes of the
way to each point. No frequency is written down for a part of a drive: rates come out of the angles.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import signal

from tests.worlds.case import Truth, WorldCase

COUNT = 120
_SEED = 74_309

Array = NDArray[np.float64]
Strikes = tuple[Array, Array]
"""Places in samples (not whole), and sizes."""


def _log(rng: np.random.Generator, low: float, high: float) -> float:
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


# Drives, as their file says


@dataclass(frozen=True, slots=True)
class Stage:
    lobes: int
    ring_pins: int
    output_pins: int
    discs: int


@dataclass(frozen=True, slots=True)
class Bearing:
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
    tag: str
    rpm: float
    low_rpm: float
    high_rpm: float
    poles: int
    line_hz: float
    stages: tuple[Stage, ...]
    bearings: tuple[Bearing, ...]

    def toml(self) -> str:
        lines = [f'tag = "{self.tag}"', f'name = "Reducer {self.tag}"', "[input]", f"speed_rpm = {self.rpm:.0f}"]
        lines += [f"speed_range_rpm = [{self.low_rpm:.0f}, {self.high_rpm:.0f}]", "power_kw = 4.0"]
        lines += ["[motor]", f"poles = {self.poles}", f"line_hz = {self.line_hz:.0f}"]
        for stage in self.stages:
            lines += ["[[stage]]", 'kind = "cycloidal"', f"lobes = {stage.lobes}", f"ring_pins = {stage.ring_pins}"]
            lines += [f"output_pins = {stage.output_pins}", f"discs = {stage.discs}", 'fixed = "ring"']
        for b in self.bearings:
            lines += ["[[bearing]]", f'name = "{b.name}"', f'inner = "{b.inner}"', f'outer = "{b.outer}"']
            lines += [f'load = "{b.load}"', f"elements = {b.elements}", f"element_diameter_mm = {b.element_mm:.2f}"]
            lines += [f"pitch_diameter_mm = {b.pitch_mm:.2f}", f"contact_angle_deg = {b.contact_deg:.1f}"]
        return "\n".join(lines) + "\n"


def _bearing(rng: np.random.Generator, name: str, inner: str, outer: str, load: str) -> Bearing:
    share = rng.uniform(0.16, 0.28)
    pitch = _log(rng, 30.0, 110.0)
    elements = int(np.clip(round(rng.uniform(0.68, 0.92) * np.pi / share), 7, 19))
    contact = float(rng.choice([0.0, 0.0, 0.0, 12.0, 15.0])) if outer == "housing" else 0.0
    return Bearing(name, inner, outer, load, elements, round(pitch * share, 2), round(pitch, 2), contact)


def _stage(rng: np.random.Generator, lobes: int, difference: int = 1) -> Stage:
    discs = 2 if lobes < 60 and rng.random() < 0.75 else int(rng.choice([1, 2, 3]))
    return Stage(lobes, lobes + difference, int(rng.choice([6, 8, 10, 12])), discs)


_LOBES = np.array([6, 8, 9, 11, 13, 15, 17, 19, 21, 23, 25, 29, 35, 43, 51, 59, 71, 87, 119])


def _drive(rng: np.random.Generator, number: int, plan: Plan) -> Drive:
    line = float(rng.choice([50.0, 60.0]))
    poles = int(rng.choice([2, 4, 4, 4, 6, 6, 8] if line == 50.0 else [4, 4, 4, 6, 6, 8]))
    rpm = float(np.clip(120.0 * line / poles * (1.0 - rng.uniform(0.015, 0.05)), 600.0, 2900.0))
    low, high = rng.uniform(0.02, 0.04, 2)
    stages: tuple[Stage, ...]
    if plan.two_stages:
        stages = (_stage(rng, int(rng.choice([6, 8, 9, 11]))), _stage(rng, int(rng.choice([9, 11, 13, 17]))))
    elif plan.difference == 2:
        stages = (_stage(rng, int(rng.choice([15, 21, 25, 35, 45, 59])), 2),)
    else:
        fit = _LOBES[(plan.lobes[0] <= _LOBES) & (plan.lobes[1] >= _LOBES)]
        stages = (_stage(rng, int(rng.choice(fit))),)
    # The cam throws its load round on a light machine; a heavy coupling hangs on the shaft and pulls one way.
    pull = "housing" if plan.hurt.endswith("cage") else str(rng.choice(["housing", "stage1.eccentric"]))
    last = f"stage{len(stages)}"
    bearings = [
        _bearing(rng, "input bearing", "input", "housing", pull),
        _bearing(rng, "eccentric bearing", "stage1.eccentric", "stage1.disc", "stage1.eccentric"),
        _bearing(rng, "output bearing", f"{last}.output", "housing", "housing"),
    ]
    if len(stages) == 2:
        bearings.append(_bearing(rng, "second cam bearing", "stage2.eccentric", "stage2.disc", "stage2.eccentric"))
    if rng.random() < 0.5:
        bearings.append(_bearing(rng, "pilot bearing", "input", "stage1.output", "stage1.eccentric"))
    span = (round(rpm * (1.0 - low)), round(rpm * (1.0 + high)))
    return Drive(f"RS-{number:03d}", round(rpm), *span, poles, line, stages, tuple(bearings))


# Turning


def _turn(scene: Scene, hz: float, shape: Array | float = 1.0, wander: float | None = None) -> Array:
    """Angle [turns] of a shaft that means to run at ``hz``: slip follows the load, which is never quite still."""
    rng, n, fs = scene.rng, scene.n, scene.fs
    wander = _log(rng, 3e-5, 1e-3) if wander is None else wander
    step = max(1, int(0.02 * fs))
    keep = np.exp(-0.02 / _log(rng, 0.2, 3.0))
    slow = signal.lfilter([np.sqrt(1.0 - keep**2)], [1.0, -keep], rng.standard_normal(n // step + 102))[100:]
    speed = hz * shape * (1.0 + wander * np.interp(np.arange(n), np.arange(slow.size) * step, slow))
    return np.cumsum(speed) / fs + rng.random()


def _bodies(drive: Drive, turned: Array, rng: np.random.Generator) -> dict[str, Array]:
    """Angles of all bodies. A disc rolls inside its ring: pins passed by the eccentric equal lobes passed by it."""
    angle = {"housing": np.zeros_like(turned), "input": turned}
    eccentric = turned
    for number, stage in enumerate(drive.stages, 1):
        disc = eccentric * (1.0 - stage.ring_pins / stage.lobes) + rng.random()
        angle |= {f"stage{number}.eccentric": eccentric, f"stage{number}.disc": disc, f"stage{number}.output": disc}
        eccentric = disc
    return angle


def _passes(angle: Array, phase: float = 0.0) -> Array:
    """Places [samples] where the angle, either way round, goes through whole turns plus ``phase``."""
    way = 1.0 if angle[-1] >= angle[0] else -1.0
    path = np.maximum.accumulate(way * angle)
    goals = np.arange(np.ceil(path[0] - phase), path[-1] - phase) + phase
    return np.interp(goals, path, np.arange(angle.size, dtype=float))


def _at(angle: Array, places: Array) -> Array:
    return np.interp(places, np.arange(angle.size), angle)


def _ripple(rng: np.random.Generator, angle: Array, terms: int = 6) -> Array:
    """A pattern fixed to a part, read as it goes by: eccentric seats, uneven pins, of mean square one."""
    sizes = rng.rayleigh(1.0, terms) / np.arange(1, terms + 1) ** 0.7
    sizes *= np.sqrt(2.0 / np.sum(sizes**2))
    turned = 2.0 * np.pi * (np.arange(1, terms + 1)[:, None] * np.linspace(0.0, 1.0, 4096) + rng.random((terms, 1)))
    return (sizes @ np.cos(turned))[(4096.0 * angle).astype(np.int64) % 4096]


# The way to the points


@dataclass(eq=False)
class Way:
    """Modes of a structure, and what each point sees of them."""

    fs: float
    hz: Array
    damping: Array
    gains: Array
    direct: Array

    @classmethod
    def draw(cls, scene: Scene, low: float = 500.0, high: float = 14_000.0, far: bool = False) -> Way:
        rng, top = scene.rng, min(high, 0.42 * scene.fs)
        count = int(rng.integers(4, 7))
        edges = np.exp(np.linspace(np.log(low), np.log(top), count + 1))
        hz = np.array([rng.uniform(a, b) for a, b in pairwise(edges)])
        gains = rng.lognormal(0.0, 0.6, (scene.points, count)) * rng.choice([-1.0, 1.0], (scene.points, count))
        if far:  # joints and long plates swallow the high modes first
            gains /= 1.0 + (hz / _log(rng, 1000.0, 4000.0)) ** 2
        return cls(scene.fs, hz, rng.uniform(0.012, 0.05, count), gains, rng.normal(1.0, 0.4, scene.points))

    def ring(self, force: Array) -> Array:
        rung = np.empty((self.hz.size, force.size))
        for row, (hz, damping) in enumerate(zip(self.hz, self.damping, strict=True)):
            turn = 2.0 * np.pi * hz / self.fs
            r = np.exp(-damping * turn)
            size = np.sqrt(1.0 - r**2)
            rung[row] = signal.lfilter([size, 0.0, -size], [1.0, -2.0 * r * np.cos(turn), r**2], force)
        return self.gains @ rung


@dataclass(eq=False)
class Scene:
    rng: np.random.Generator
    fs: float
    n: int
    points: int
    drive: Drive
    hz: float
    """Speed the input has, or would have."""
    bodies: dict[str, Array] = field(default_factory=dict)
    wander: float = 0.0

    @property
    def time(self) -> Array:
        return np.arange(self.n) / self.fs

    def force(self, strikes: Strikes) -> Array:
        """Short blows, shared between the two samples they fall between."""
        places, sizes = strikes
        inside = (places >= 0.0) & (places < self.n - 1)
        whole = places[inside].astype(int)
        part, sizes = places[inside] - whole, sizes[inside]
        first: Any = np.bincount(whole, sizes * (1.0 - part), self.n)
        return first + np.bincount(whole + 1, sizes * part, self.n)

    def noise(self) -> Array:
        return self.rng.standard_normal(self.n)

    def harmonics(self, angle: Array, count: int, fall: float = 1.0) -> Array:
        """Lines of a turning part at every point: same angle, own sizes and phases."""
        out = np.zeros((self.points, self.n))
        rate = abs(angle[-1] - angle[0]) / self.n
        first = np.exp(2j * np.pi * angle)
        line = np.ones(self.n, complex)
        for order in range(1, count + 1):
            line *= first
            if order * rate < 0.43:
                both = self.rng.normal(0.0, 1.0, (self.points, 2)) / order**fall
                out += both @ np.stack([line.real, line.imag])
        return out


def _burst(x: Array) -> float:
    """Size of a signal while it is there: equal to r.m.s. (times a constant) for steady ones, larger for blows."""
    power = x * x
    return float(np.sqrt(np.max(np.mean(power * power, axis=-1) / (np.mean(power, axis=-1) + 1e-30))))


def _rms(x: Array) -> float:
    return float(np.sqrt(np.max(np.mean(x**2, axis=-1)))) + 1e-30


# What a drive says in health


def _mesh(scene: Scene, way: Way, passed: Array, parts: list[Array], impulsive: float) -> Array:
    """Teeth going by at ``passed`` [teeth], each part bringing its uneven pitch at its own rate of return."""
    rng = scene.rng
    uneven = sum((_log(rng, 0.02, 0.2) * _ripple(rng, part) for part in parts), np.ones(scene.n))
    rate = abs(passed[-1] - passed[0]) / scene.n
    smooth = np.zeros(scene.n)
    for order in range(1, 6):
        if order * rate < 0.43:
            smooth += rng.rayleigh(1.0) / order**1.3 * np.cos(2.0 * np.pi * (order * passed + rng.random()))
    smooth *= uneven
    places = _passes(passed)
    blows = scene.force((places, np.abs(_at(uneven, places)) * rng.lognormal(0.0, 0.25, places.size)))
    # Teeth knock a little as they take their load; the modes hear that better than they hear the smooth force.
    out = way.ring(smooth / _rms(smooth) + impulsive * blows / _rms(blows)) + way.direct[:, None] * smooth / _rms(
        smooth
    )
    return out / _rms(out)


def _healthy(scene: Scene, way: Way, drive: Drive, bodies: dict[str, Array], quiet: bool, effort: Array) -> Array:
    """Shaft, mesh of every stage, output pins, rolling noise; ``effort`` is how hard it runs, 1 at full speed."""
    rng = scene.rng
    turned = bodies["input"]
    shaft = scene.harmonics(turned, int(rng.integers(2, 8)), rng.uniform(0.6, 1.6))
    out = _log(rng, 0.1, 1.0) * shaft / _rms(shaft)
    for number, stage in enumerate(drive.stages, 1):
        ecc, disc = bodies[f"stage{number}.eccentric"], bodies[f"stage{number}.disc"]
        size = _log(rng, 0.04, 0.25) if quiet else _log(rng, 0.4, 2.5)
        size *= 0.5 ** (number - 1)
        impulsive = _log(rng, 0.1, 0.8)
        out += size * _mesh(scene, way, stage.ring_pins * ecc, [ecc, ecc - disc, disc], impulsive)
        pins = _mesh(scene, way, stage.output_pins * (ecc - disc), [ecc - disc, disc], 0.3)
        out += size * _log(rng, 0.05, 0.5) * pins
    pressed = (
        1.0 + _log(rng, 0.02, 0.2) * _ripple(rng, turned, 3) + _log(rng, 0.02, 0.2) * _ripple(rng, slow_shaft(bodies))
    )
    rolling = way.ring(pressed * scene.noise()) + 0.3 * rng.standard_normal((scene.points, scene.n))
    out += (_log(rng, 0.8, 1.6) if quiet else _log(rng, 0.15, 1.0)) * rolling / _rms(rolling)
    return out * effort / _rms(out)


def slow_shaft(bodies: dict[str, Array]) -> Array:
    """Angle of the slow shaft: the last body put in."""
    return bodies[list(bodies)[-1]]


# What breaks


def _press(rng: np.random.Generator, away: Array) -> Array:
    """Share of load on a place ``away`` [turns] from the middle of the load."""
    reach = rng.uniform(0.3, 0.6)
    share = np.clip(1.0 - (1.0 - np.cos(2.0 * np.pi * away)) / (2.0 * reach), 0.0, None) ** 1.1
    return share + rng.uniform(0.0, 0.12)


def _bearing_strikes(scene: Scene, bodies: dict[str, Array], b: Bearing, element: str) -> Strikes:
    """Blows of a bearing whose cage creeps and whose elements skid a little."""
    rng, n = scene.rng, scene.n
    inner, outer, load = bodies[b.inner], bodies[b.outer], bodies[b.load]
    share = b.element_mm / b.pitch_mm * np.cos(np.radians(b.contact_deg))
    relative = inner - outer
    scatter, slip = rng.uniform(0.005, 0.02), 1.0 - rng.uniform(0.0, 0.006)

    def skid(turned: Array) -> Array:
        """Lateness adds up: each of the ``turned`` events comes early or late by about ``scatter`` of its distance."""
        knots = max(4, int(abs(turned[-1] - turned[0])))
        return turned + np.interp(np.arange(n), np.linspace(0, n - 1, knots), np.cumsum(rng.normal(0, scatter, knots)))

    cage = outer + skid(relative * 0.5 * (1.0 - share) * slip * b.elements) / b.elements + rng.random()
    # A spot that never turns out of the load, or into it, is drawn where load is: damage begins there.
    spot = rng.uniform(-0.1, 0.1)
    if element == "outer_race":
        places = _passes(b.elements * (cage - outer))
        away = _at(outer - load, places) - (outer - load)[0] + spot
    elif element == "inner_race":
        places = _passes(b.elements * (inner - cage))
        away = _at(inner - load, places) - (inner - load)[0] + spot
    elif element == "cage":
        places = _passes(cage - load)
        places += rng.normal(0.0, 0.01, places.size) * scene.n / max(places.size, 1)
        return places, rng.lognormal(0.0, 0.25, places.size)
    else:
        spin = skid(relative * 0.5 * b.pitch_mm / b.element_mm * (1.0 - share**2) * slip)
        on_outer, on_inner = _passes(spin), _passes(spin, 0.5)
        second = rng.choice([0.0, rng.uniform(0.3, 0.9)])
        places = np.concatenate([on_outer, on_inner])
        away = _at(cage - load, places)
        sizes = np.concatenate([np.ones(on_outer.size), np.full(on_inner.size, second)])
        return places, sizes * _press(rng, away) * rng.lognormal(0.0, 0.15, places.size)
    return places, _press(rng, away) * rng.lognormal(0.0, 0.15, places.size)


def _strikes(scene: Scene, drive: Drive, bodies: dict[str, Array], tone: str) -> Strikes:
    """Blows of the damaged part with this name."""
    rng = scene.rng
    owner, _, part = tone.rpartition(".")
    if owner.startswith("bearing."):
        return _bearing_strikes(scene, bodies, next(b for b in drive.bearings if owner.endswith(b.name)), part)
    stage = drive.stages[int(owner[-1]) - 1]
    ecc, disc = bodies[f"{owner}.eccentric"], bodies[f"{owner}.disc"]
    near = _log(rng, 0.1, 0.6)
    if part == "lobe":  # one lobe of one disc, carried past the point by the disc
        places = _passes(ecc - disc, rng.random())
        sizes = 1.0 + near * np.cos(2.0 * np.pi * (_at(disc, places) + rng.random()))
    else:  # a pin meets every disc; its worn spot is nearer to one of them
        spot, phase = (ecc, rng.random()) if part == "ring_pin" else (ecc - disc, rng.random())
        found, sized = [], []
        for number in range(stage.discs):
            impacts = _passes(spot, (phase + number / stage.discs) % 1.0)
            found.append(impacts)
            sized.append(np.full(impacts.size, 1.0 if number == 0 else rng.uniform(0.0, 0.6)))
        places, sizes = np.concatenate(found), np.concatenate(sized)
        carried = ecc - disc if part == "ring_pin" else disc  # other lobes come by; or the pin goes round
        sizes = sizes * (1.0 + near * 0.6 * np.cos(2.0 * np.pi * (_at(carried, places) + rng.random())))
    late = rng.normal(0.0, 0.001, places.size) * scene.n / max(places.size, 1)
    return places + late, np.abs(sizes) * rng.lognormal(0.0, 0.15, places.size)


def _clear(way: Way, blows: Array, rest: Array, strength: float) -> float:
    """Gain that lifts the blows to ``strength`` times the rest, in the band and at the point where they show best."""
    best = 0.0
    for hz in way.hz[way.hz > 0.6 * np.median(way.hz)]:
        sos = signal.butter(1, [0.85 * hz, min(1.15 * hz, 0.49 * way.fs)], "bandpass", fs=way.fs, output="sos")
        for mine, other in zip(blows, rest, strict=True):
            best = max(best, _burst(signal.sosfilt(sos, mine)) / _rms(signal.sosfilt(sos, other)))
    return strength / best


# What stands around

Around = Callable[[Scene], Array]


def _even(*parts: tuple[float, Array]) -> Array:
    return sum((share * part / _rms(part) for share, part in parts[1:]), parts[0][0] * parts[0][1] / _rms(parts[0][1]))


def _stations(scene: Scene, angle: Array, count: int, scatter: float, spread: float) -> Strikes:
    """``count`` stations on a turning part strike in turn, each with its own size and place."""
    rng = scene.rng
    own, off = rng.lognormal(0.0, spread, count), rng.normal(0.0, min(0.04, scatter), count)
    places = _passes(count * angle)
    which = np.arange(places.size) % count
    late = off[which] + rng.normal(0.0, scatter, places.size)
    return places + late * scene.n / max(places.size, 1), own[which] * rng.lognormal(0.0, 0.3, places.size)


def _driven(counts: tuple[int, int], scatter: float, spread: float, low: float, high: float, part: str = "") -> Around:
    """What hangs on the slow shaft, or on the named body, and strikes so many times a turn."""

    def around(s: Scene) -> Array:
        angle = s.bodies[part] if part else slow_shaft(s.bodies)
        return Way.draw(s, low, high).ring(s.force(_stations(s, angle, int(s.rng.integers(*counts)), scatter, spread)))

    return around


def _timed(hz: tuple[float, float], scatter: float, low: float, high: float, far: bool = False) -> Around:
    """Blows at a rate of their own: a timer, a valve, a hand."""

    def around(s: Scene) -> Array:
        blows = _stations(s, _turn(s, s.rng.uniform(*hz)), 1, scatter, 0.0)
        return Way.draw(s, low, high, far).ring(s.force(blows))

    return around


def _random(per_second: tuple[float, float], low: float, high: float) -> Around:
    """Lumps in the product, or bubbles: any time, many small ones, a few large."""

    def around(s: Scene) -> Array:
        count = s.rng.poisson(_log(s.rng, *per_second) * s.n / s.fs) + 3
        blows = s.rng.uniform(0, s.n, count), np.minimum(s.rng.pareto(2.0, count) + 0.2, 6.0)
        return Way.draw(s, low, high).ring(s.force(blows))

    return around


def _line(times: float, count: int, fall: float) -> Around:
    """Lines of the supply: magnet hum, or pick-up in a badly screened lead."""
    return lambda s: s.harmonics(times * s.drive.line_hz * s.time + s.rng.random(), count, fall)


def _impeller(counts: tuple[int, int], blades: float, wash: float, same: float) -> Around:
    """Vanes or pistons, with the wash they make; ``same``: how often the machine runs at our speed."""

    def around(s: Scene) -> Array:
        hz = s.hz * (s.rng.uniform(0.985, 1.015) if s.rng.random() < same else s.rng.uniform(0.5, 2.0))
        angle, number = _turn(s, hz), int(s.rng.integers(*counts))
        flow = Way.draw(s, far=True).ring((1.0 + 0.4 * np.cos(2.0 * np.pi * number * angle)) * s.noise())
        lines = s.harmonics(angle, 3) + blades * s.harmonics(number * angle, 8, 0.8)
        return _even((1.0, lines), (wash * _log(s.rng, 0.5, 2.0), flow))

    return around


def _fan_blades(s: Scene) -> Array:
    angle = int(s.rng.integers(5, 14)) * s.bodies["input"]
    swish = Way.draw(s, 100.0, 3000.0).ring((1.0 + 0.5 * np.cos(2.0 * np.pi * angle)) * s.noise())
    return _even((1.0, s.harmonics(angle, 4)), (0.7, swish))


def _mixer(s: Scene) -> Array:
    """Blades cut a batch: a thump and a swish, never twice the same."""
    blades = int(s.rng.integers(2, 9))
    swish = np.clip(np.cos(2.0 * np.pi * blades * slow_shaft(s.bodies)), 0.0, None) ** 4 * s.noise()
    thump = s.force(_stations(s, slow_shaft(s.bodies), blades, 0.05, 0.3))
    return Way.draw(s, 200.0, 5000.0).ring(0.05 * swish + thump)


def _belt(s: Scene) -> Array:
    """Belt runs round slower than the shaft; its joint taps each pulley."""
    angle = s.bodies.get("input", _turn(s, s.hz)) * s.rng.uniform(0.22, 0.45)
    taps = Way.draw(s, 300.0, 3000.0).ring(s.force(_stations(s, angle, 2, 0.01, 0.4)))
    return _even((1.0, s.harmonics(angle, 6, 0.5)), (1.0, taps))


def _twin(low: float, high: float, tones: tuple[str, ...] = ()) -> Around:
    """A drive of the same type next door at a little other speed, detected through the frame; sound or not."""

    def around(s: Scene) -> Array:
        bodies = _bodies(s.drive, _turn(s, s.hz * (1.0 + s.rng.choice([-1.0, 1.0]) * _log(s.rng, low, high))), s.rng)
        way = Way.draw(s, far=True)
        out = _healthy(s, way, s.drive, bodies, False, np.ones(s.n))
        if tones:
            blows = way.ring(s.force(_strikes(s, s.drive, bodies, str(s.rng.choice(tones)))))
            out = out + blows * _clear(way, blows, out, _log(s.rng, 2.0, 6.0))
        return out

    return around


def _inverter(s: Scene) -> Array:
    """Carrier and what the output frequency puts next to it."""
    carrier = min(float(s.rng.choice([2000.0, 2500.0, 4000.0, 8000.0])), 0.38 * s.fs)
    supply = s.hz * s.drive.poles / 2.0 * 1.03
    sides = (s.harmonics((carrier + k * supply) * s.time, 1) / (1 + abs(k) / 2) for k in (-4, -2, 0, 2, 4))
    return sum(sides, np.zeros((s.points, s.n)))


def _two_fans(s: Scene) -> Array:
    first = s.hz * s.rng.uniform(0.6, 1.1)
    beat = s.harmonics(_turn(s, first), 3) + s.harmonics(_turn(s, first * (1.0 + _log(s.rng, 0.002, 0.02))), 3)
    return _even((1.0, beat), (0.4, Way.draw(s, 100.0, 2000.0, far=True).ring(s.noise())))


def _compressor(s: Scene) -> Array:
    """Two cylinders with plate valves: suction and delivery clap at set places of the crank."""
    angle = _turn(s, s.rng.uniform(6.0, 16.0))
    claps = Way.draw(s, 400.0, 7000.0, far=True).ring(s.force(_stations(s, angle, 4, 0.01, 0.5)))
    return _even((1.0, s.harmonics(angle, 8, 0.5)), (1.0, claps))


def _rattle(s: Scene) -> Array:
    """A sheet guard shaken by the shaft: it claps when it happens to be on its way back, and misses turns."""
    places, sizes = _stations(s, s.bodies["input"], 1, 0.12, 0.0)
    return Way.draw(s, 300.0, 5000.0).ring(
        s.force((places, sizes * (s.rng.random(sizes.size) < s.rng.uniform(0.3, 0.8))))
    )


def _coupling(s: Scene) -> Array:
    """Worn jaw coupling: rubber jaws press in turn, softly, and the shafts wring twice a turn."""
    soft = _driven((3, 9), 0.03, 0.25, 150.0, 1500.0, "input")(s)
    return _even((1.0, s.harmonics(s.bodies["input"], 6, 0.2)), (1.0, soft))


def _screen(s: Scene) -> Array:
    """Vibrating screen: its unbalance motors slip much as the drive does, and gravel dances on the deck."""
    angle = _turn(s, s.hz * s.rng.choice([1.0, 1.0, 0.6667]) * s.rng.uniform(0.97, 1.03))
    gravel = Way.draw(s, 500.0, 6000.0, True).ring(np.clip(np.cos(2.0 * np.pi * angle), 0.0, None) ** 2 * s.noise())
    return _even((1.0, s.harmonics(angle, 5, 1.4)), (_log(s.rng, 0.2, 1.0), gravel))


def _oil_pump(s: Scene) -> Array:
    """Gear pump for the oil, on the tail of the input."""
    angle = s.bodies["input"]
    return s.harmonics(int(s.rng.integers(9, 14)) * angle, 5, 0.8) * (1.0 + 0.2 * np.cos(2.0 * np.pi * angle))


def _welding(s: Scene) -> Array:
    """Arc near by gets into the lead: a burst at every half wave while the welder's hand is steady."""
    on = np.repeat(s.rng.random(8) < 0.6, -(-s.n // 8))[: s.n]
    arc = np.abs(np.sin(2.0 * np.pi * s.drive.line_hz * s.time)) ** 12 * s.noise() * on
    return arc * np.ones((s.points, 1))


def _spray(s: Scene) -> Array:
    """Cooling water drums on the housing."""
    return Way.draw(s, 1000.0, 15_000.0).ring((1.0 + 0.6 * _ripple(s.rng, 0.7 * s.time)) * s.noise())


def _motor(s: Scene) -> Array:
    """Bare motor: nearly no slip, magnet lines, slots, cooling fan; nothing meshes."""
    angle = _turn(s, 2.0 * s.drive.line_hz / s.drive.poles * (1.0 - s.rng.uniform(0.001, 0.006)), wander=4e-5)
    slots = int(s.rng.choice([26, 28, 34, 40, 44]))
    lines = s.harmonics(angle, 5) + s.harmonics(2.0 * s.drive.line_hz * s.time, 2)
    for side in (-2, 0, 2):
        lines += 0.4 * s.harmonics(slots * angle + side * s.drive.line_hz * s.time, 1)
    air = Way.draw(s).ring(s.noise())
    return _even((1.0, lines), (_log(s.rng, 0.4, 1.2), air), (0.3, s.harmonics(7 * angle, 2)))


def _spur_box(s: Scene) -> Array:
    """Two pairs of spur gears driven by a motor of the same poles."""
    angle, way = _turn(s, s.hz * s.rng.uniform(0.99, 1.01)), Way.draw(s)
    first, second, third = (int(s.rng.integers(*span)) for span in ((19, 31), (47, 80), (17, 29)))
    slow = angle * first / second
    teeth = _mesh(s, way, first * angle, [angle, slow], 0.4), _mesh(s, way, third * slow, [slow], 0.3)
    return _even((1.0, teeth[0]), (0.8, teeth[1]), (0.5, s.harmonics(angle, 4)), (0.3, way.ring(s.noise())))


def _limiter(s: Scene) -> Array:
    """Torque limiter has let go: the motor turns, balls jump their pockets, the reducer stands."""
    blows = s.force(_stations(s, _turn(s, s.hz), int(s.rng.choice([1, 4, 6])), 0.02, 0.2))
    return _even((1.0, _motor(s)), (1.5, Way.draw(s, 300.0, 8000.0).ring(blows)))


def _brake(s: Scene) -> Array:
    """Brake has not opened: a stalled rotor hums and the brake's plate chatters at both half waves."""
    plate = s.force(_stations(s, 2.0 * s.drive.line_hz * s.time, 1, 0.01, 0.2))
    return _even((1.0, _line(2.0, 10, 0.6)(s)), (1.0, Way.draw(s, 500.0, 5000.0).ring(plate)))


def _lorry(s: Scene) -> Array:
    """On a lorry to the workshop: road, engine, and a chain that slaps the crate."""
    road = signal.lfilter([0.02], [1.0, -0.98], (1.0 + 0.8 * _ripple(s.rng, 0.4 * s.time)) * s.noise())
    engine = s.harmonics(_turn(s, s.rng.uniform(20, 30), wander=0.01), 6)
    chain = _random((1.0, 20.0), 200.0, 6000.0)(s)
    return _even((1.0, Way.draw(s, 60.0, 800.0).ring(road)), (0.7, engine), (0.7, chain))


def _bad_lead(s: Scene) -> Array:
    """Lead worn through: hum that comes and goes, and steps as the core parts."""
    broken = np.repeat(s.rng.random(40) < 0.5, -(-s.n // 40))[: s.n]
    jumps = s.force((s.rng.uniform(0, s.n, 60), s.rng.normal(0.0, 1.0, 60)))
    steps = signal.lfilter([1.0], [1.0, -np.exp(-20.0 / s.fs)], jumps) * np.ones((s.points, 1))
    return _even((1.0, _line(1.0, 15, 1.2)(s) * (0.1 + broken)), (1.0, steps))


def _nothing(s: Scene) -> Array:
    return Way.draw(s, 200.0).ring(s.noise()) * 0.5 + s.rng.standard_normal((s.points, s.n))


def _robot_drive(s: Scene) -> Array:
    """Sun and planets turn cranks, cranks swing discs in a ring of pins, the frame that holds the cranks goes out."""
    sun, planet, pins = 14, int(s.rng.choice([35, 42, 49])), 40
    angle, way = _turn(s, s.hz), Way.draw(s)
    out = angle / (1.0 + planet / sun * pins)
    crank = out - sun / planet * (angle - out)
    gears = _mesh(s, way, sun * (angle - out), [angle - out, crank - out], 0.3)
    discs = _mesh(s, way, pins * crank, [crank, crank - out, out], 0.4)
    size = _log(s.rng, 0.6, 2.0)
    return _even((1.0, gears), (size, discs), (0.4, s.harmonics(angle, 4)), (0.3, way.ring(s.noise())))


def _other_ratio(s: Scene) -> Array:
    """Labels changed over: another size of drive on the same motor, its mesh at no multiple of ours."""
    mine = s.drive.stages[0].ring_pins
    others = [z for z in (11, 17, 25, 35, 51) if (z + 1) % mine and mine % (z + 1) and abs(z + 1 - mine) > 3]
    other = replace(s.drive, stages=(_stage(s.rng, int(s.rng.choice(others))),))
    return _healthy(s, Way.draw(s), other, _bodies(other, _turn(s, s.hz), s.rng), False, np.ones(s.n))


_SPROCKET = _driven((7, 41), 0.02, 0.2, 300.0, 6000.0)
_SCREW = _driven((2, 6), 0.06, 0.4, 200.0, 4000.0)
_PAWLS = _driven((10, 25), 0.015, 0.1, 900.0, 7000.0)  # a backstop's pawls drop into their teeth, one after the other
_ARM = _driven((2, 3), 0.02, 0.4, 100.0, 2500.0)  # a box on a bent shaft swings: its arm knocks in the loose bush
_IDLERS = _driven((16, 41), 0.1, 0.6, 150.0, 3000.0)  # a conveyor's idlers, seats worn, at the pace of the drum
_BOLT = _driven((1, 2), 0.03, 0.0, 200.0, 3000.0)  # one bolt head on the drum catches the scraper once a turn
_HAMMER = _timed((0.8, 8.0), 0.03, 80.0, 1500.0)
_RAPPER = _timed((0.4, 1.4), 0.004, 200.0, 5000.0, True)  # hammers knock dust off a filter, by a timer
_MALLET = _timed((0.8, 2.0), 0.08, 200.0, 5000.0)
_SHOCKS = _random((1.0, 30.0), 200.0, 6000.0)
_CAVITATION = _random((300.0, 3000.0), 1500.0, 20_000.0)
_VANES = _impeller((3, 10), 1.5, 0.7, 0.5)
_PISTONS = _impeller((7, 12), 3.0, 0.15, 0.3)
_NEXT = _twin(5e-4, 1.5e-2)
_RACES = ("bearing.input bearing.outer_race", "bearing.eccentric bearing.inner_race", "stage1.ring_pin", "stage1.lobe")


@dataclass(frozen=True, slots=True)
class Plan:
    kind: str
    truth: Truth
    around: tuple[Around, ...] = ()
    hurt: str = ""
    lobes: tuple[int, int] = (6, 59)
    two_stages: bool = False
    difference: int = 1
    quiet: bool = False
    shape: str = "steady"
    rates: tuple[float, ...] = (12_800.0, 16_384.0, 20_000.0, 25_600.0, 32_768.0, 51_200.0)
    seconds: tuple[float, float] = (6.0, 12.0)
    noted_off: float = 0.004


_LONG = (13.0, 16.0)
_SLOW: tuple[float, ...] = (12_800.0, 16_384.0)

_UNUSABLE = [
    Plan("still by pump", "unusable", (_VANES,)),
    Plan("start from rest", "unusable", shape="start"),
    Plan("only noise", "unusable", (_nothing,)),
    Plan("other ratio", "unusable", (_other_ratio,)),
    Plan("bare motor", "unusable", (_motor,)),
    Plan("still by twin", "unusable", (_twin(0.045, 0.12),)),
    Plan("coast down", "unusable", shape="coast"),
    Plan("mains hum", "unusable", (_line(1.0, 15, 1.2),)),
    Plan("on spur gearbox", "unusable", (_spur_box,)),
    Plan("limiter let go", "unusable", (_limiter,)),
    Plan("stops midway", "unusable", shape="stop"),
    Plan("still by fans", "unusable", (_two_fans,)),
    Plan("mallet test", "unusable", (_MALLET,)),
    Plan("on belt pump", "unusable", (_VANES, _belt)),
    Plan("stop and restart", "unusable", shape="restart"),
    Plan("robot drive filed", "unusable", (_robot_drive,)),
    Plan("still by compressor", "unusable", (_compressor,)),
    Plan("brake shut", "unusable", (_brake,)),
    Plan("still by screen", "unusable", (_screen,)),
    Plan("on a lorry", "unusable", (_lorry,)),
    Plan("worn lead", "unusable", (_bad_lead,)),
    Plan("still by piston pump", "unusable", (_PISTONS,)),
]

_SOUND = [
    Plan("plain", "sound"),
    Plan("sprocket", "sound", (_SPROCKET,)),
    Plan("plain quiet", "sound", quiet=True),
    Plan("vane pump", "sound", (_VANES,)),
    Plan("rattling guard", "sound", (_rattle,)),
    Plan("twin beside", "sound", (_NEXT,)),
    Plan("plain low rate", "sound", rates=(6400.0, 8192.0)),
    Plan("inverter", "sound", (_inverter,)),
    Plan("screw flights", "sound", (_SCREW,), seconds=(8.0, 16.0), rates=_SLOW),
    Plan("vibrating screen", "sound", (_screen,)),
    Plan("damaged twin", "sound", (_twin(5e-4, 1.5e-2, _RACES),)),
    Plan("plain short", "sound", seconds=(3.0, 5.0)),
    Plan("process shocks", "sound", (_SHOCKS,)),
    Plan("high ratio", "sound", lobes=(59, 119)),
    Plan("scraper catch", "sound", (_BOLT,), lobes=(6, 35)),
    Plan("fan blades", "sound", (_fan_blades,)),
    Plan("holdback pawls", "sound", (_PAWLS,)),
    Plan("slow ramp", "sound", shape="ramp"),
    Plan("compressor", "sound", (_compressor,)),
    Plan("mixer blades", "sound", (_mixer,)),
    Plan("worn coupling", "sound", (_coupling,)),
    Plan("two stages", "sound", two_stages=True, seconds=(8.0, 14.0)),
    Plan("cavitation", "sound", (_CAVITATION,)),
    Plan("torque arm knock", "sound", (_ARM,)),
    Plan("noted speed off", "sound", noted_off=0.01),
    Plan("belt", "sound", (_belt,)),
    Plan("beating fans", "sound", (_two_fans,)),
    Plan("filter rapper", "sound", (_RAPPER,)),
    Plan("difference two", "sound", difference=2),
    Plan("mesh above band", "sound", lobes=(71, 119), rates=(6400.0,)),
    Plan("twice line", "sound", (_line(2.0, 6, 1.0),)),
    Plan("hydraulic hammer", "sound", (_HAMMER,)),
    Plan("oil gear pump", "sound", (_oil_pump,)),
    Plan("load cycle", "sound", shape="cycle"),
    Plan("worn idlers", "sound", (_IDLERS,)),
    Plan("welder near", "sound", (_welding,)),
    Plan("sprocket and twin", "sound", (_SPROCKET, _NEXT)),
    Plan("water spray", "sound", (_spray,)),
    Plan("quiet by pump", "sound", (_VANES,), quiet=True),
    Plan("piston pump", "sound", (_PISTONS,)),
]

_DAMAGED = [
    Plan("outer race", "damaged", hurt="bearing.input bearing.outer_race"),
    Plan("lobe", "damaged", hurt="stage1.lobe", lobes=(6, 35)),
    Plan("cam inner race", "damaged", hurt="bearing.eccentric bearing.inner_race"),
    Plan("ring pin", "damaged", hurt="stage1.ring_pin"),
    Plan("rolling element", "damaged", hurt="bearing.input bearing.rolling_element"),
    Plan("sprocket and outer", "damaged", (_SPROCKET,), hurt="bearing.input bearing.outer_race"),
    Plan("output pin", "damaged", hurt="stage1.output_pin", lobes=(6, 35)),
    Plan("cam outer race", "damaged", hurt="bearing.eccentric bearing.outer_race"),
    Plan(
        "slow shaft race",
        "damaged",
        hurt="bearing.output bearing.outer_race",
        lobes=(6, 15),
        seconds=(12, 16),
        rates=_SLOW,
    ),
    Plan("inner and twin", "damaged", (_NEXT,), hurt="bearing.input bearing.inner_race"),
    Plan("second stage lobe", "damaged", hurt="stage2.lobe", two_stages=True, seconds=_LONG, rates=_SLOW),
    Plan("cam element", "damaged", hurt="bearing.eccentric bearing.rolling_element"),
    Plan("screw and lobe", "damaged", (_SCREW,), hurt="stage1.lobe", lobes=(6, 29)),
    Plan("cage", "damaged", hurt="bearing.input bearing.cage"),
    Plan("inner race", "damaged", hurt="bearing.input bearing.inner_race"),
    Plan("pump and ring pin", "damaged", (_VANES,), hurt="stage1.ring_pin"),
    Plan("high ratio cam", "damaged", hurt="bearing.eccentric bearing.inner_race", lobes=(71, 119)),
    Plan("difference two lobe", "damaged", hurt="stage1.lobe", difference=2),
    Plan("inverter and cam", "damaged", (_inverter,), hurt="bearing.eccentric bearing.outer_race"),
    Plan("two stages outer", "damaged", hurt="bearing.input bearing.outer_race", two_stages=True),
    Plan("high ratio lobe", "damaged", hurt="stage1.lobe", lobes=(71, 119), seconds=_LONG, rates=_SLOW),
    Plan("shocks and element", "damaged", (_SHOCKS,), hurt="bearing.input bearing.rolling_element"),
    Plan("ramp and lobe", "damaged", hurt="stage1.lobe", lobes=(6, 29), shape="ramp"),
    Plan(
        "second cam race",
        "damaged",
        hurt="bearing.second cam bearing.outer_race",
        two_stages=True,
        rates=_SLOW,
        seconds=(12, 16),
    ),
    Plan("screen and output pin", "damaged", (_screen,), hurt="stage1.output_pin", lobes=(6, 29)),
    Plan("quiet with outer", "damaged", hurt="bearing.input bearing.outer_race", quiet=True),
]

_ORDER = "SUDSDSUSSDSUSDSUDSUD"
"""Nine sound, six damaged and five unusable of each twenty, so that any segment is a fair sample."""


def _plan(number: int) -> Plan:
    letter = _ORDER[number % 20]
    nth = number // 20 * _ORDER.count(letter) + _ORDER[: number % 20].count(letter)
    kinds = {"U": _UNUSABLE, "S": _SOUND, "D": _DAMAGED}[letter]
    return kinds[nth % len(kinds)]


def _profile(scene: Scene, shape: str) -> Array:
    """Speed over the capture, as a share of full speed."""
    rng, x = scene.rng, np.linspace(0.0, 1.0, scene.n)
    if shape == "ramp":
        return 1.0 + rng.choice([-1.0, 1.0]) * rng.uniform(0.01, 0.03) * (x - 0.5)
    if shape == "cycle":  # a crank or a lift loads the motor now and then
        return 1.0 + _log(rng, 0.001, 0.006) * np.cos(2.0 * np.pi * rng.uniform(0.2, 0.8) * scene.time)
    if shape == "start":
        return np.clip((x - rng.uniform(0.05, 0.3)) / rng.uniform(0.3, 0.6), 0.0, 1.0)
    if shape == "coast":
        return np.clip(1.0 - (x - rng.uniform(0.0, 0.15)) / rng.uniform(0.5, 0.9), 0.0, 1.0)
    if shape in ("stop", "restart"):
        middle, half = rng.uniform(0.4, 0.55), rng.uniform(0.08, 0.15)
        down = np.clip((middle - x) / 0.12 + 0.5, 0.0, 1.0)
        return down if shape == "stop" else np.maximum(down, np.clip((x - middle - half) / 0.15, 0.0, 1.0))
    return np.ones(scene.n)


def _twins(tone: str) -> tuple[str, ...]:
    """Parts that meet at the same rate for any signal: a lobe and an output pin both go by with their disc."""
    stage, _, part = tone.rpartition(".")
    if part in ("lobe", "output_pin"):
        return tone, f"{stage}.{'output_pin' if part == 'lobe' else 'lobe'}"
    if part == "ring_pin":  # once a turn of the eccentric, which is the shaft
        return tone, "input.shaft"
    return (tone,)


def case(number: int) -> WorldCase:
    rng = np.random.default_rng([number, _SEED])
    plan = _plan(number)
    drive = _drive(rng, number, plan)
    fs = float(rng.choice(plan.rates))
    seconds = float(rng.uniform(*plan.seconds))
    n = int(min(seconds * fs, 300_000))
    hz = rng.uniform(0.7 * drive.low_rpm + 0.3 * drive.rpm, 0.7 * drive.high_rpm + 0.3 * drive.rpm) / 60.0
    if plan.shape == "ramp":
        hz = drive.rpm / 60.0
    scene = Scene(rng, fs, n, int(rng.integers(1, 4)), drive, hz)
    own, marks = _log(rng, 0.3, 5.0), {}
    total = np.zeros((scene.points, n))
    speed, pulses = None, None
    still = plan.truth == "unusable" and bool(plan.around)
    way = Way.draw(scene)
    if not still:
        shape = _profile(scene, plan.shape)
        turned = _turn(scene, hz, shape)
        scene.bodies = _bodies(drive, turned, rng)
        effort = np.clip(shape, 0.0, None) ** 1.5
        total += own * _healthy(scene, way, drive, scene.bodies, plan.quiet, effort)
        speed = float((turned[-1] - turned[0]) * fs / (n - 1))
        if rng.random() < 0.25 and plan.truth != "unusable":
            pulses = (5.0 * (turned % 1.0 < 0.06) + 0.02 * scene.noise()).astype(np.float32)
    for around in plan.around:
        sound = around(scene)
        level = _log(rng, 0.7, 3.0) if still else _log(rng, 0.15, 3.0)
        # Equal r.m.s. would make giants of blows that come seldom: they are measured while they ring.
        size = max(_burst(sound) / 1.73, 1e-12)
        total += own * level * sound / (max(_rms(sound), size / 4.0) if still else size)
        marks["around"] = level
    if plan.hurt:
        strikes = _strikes(scene, drive, scene.bodies, plan.hurt)
        blows = way.ring(scene.force(strikes))
        marks["strength"] = _log(rng, 6.0, 14.0)
        marks["strikes_per_turn"] = strikes[0].size / (n / fs * float(speed or 1.0))
        total += blows * _clear(way, blows, total, marks["strength"])
    total += own * _log(rng, 0.003, 0.1) * rng.standard_normal(total.shape)
    noted = None
    if rng.random() < 0.4 or plan.noted_off >= 0.01:
        noted = round(60.0 * hz * (1.0 + plan.noted_off * rng.choice([-1.0, 1.0])), 0)
    marks["rms"] = _rms(total)
    return WorldCase(
        name=f"riverside-{number:03d}-{plan.kind.replace(' ', '-')}",
        kind=plan.kind,
        truth=plan.truth,
        drive_toml=drive.toml(),
        channels={f"p{i}": row.astype(np.float32) for i, row in enumerate(total, 1)},
        sample_rate_hz=fs,
        speed_hz=speed,
        pulses=pulses,
        noted_rpm=noted,
        damaged=_twins(plan.hurt) if plan.hurt else (),
        marks=marks,
    )
