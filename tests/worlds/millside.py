"""Captures of a mill's yard: drives at awkward speeds and rates, their sisters, and all that knocks beside them.

Every signal follows body angles, counted in turns. Rolling ties the bodies of a drive to its input; cages creep against
them. A blow falls when a spot passes what it meets, as strong as the load is where they meet, and rings through the
resonances of its path into each point. What is added to a capture is added as a spectrum: filters cost little there.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy.fft import ifft, irfft, next_fast_len, prev_fast_len, rfft, rfftfreq

from tests.worlds.case import Truth, WorldCase

Array = NDArray[np.float64]
Spectrum = NDArray[np.complex128]
SEED = 60_417


# ---------------------------------------------------------------- drives
@dataclass(frozen=True)
class Bearing:
    """Rolling bearing between two bodies, with the body in whose frame its load stands still."""

    name: str
    inner: str
    outer: str
    load: str
    elements: int
    ball_mm: float
    pitch_mm: float


@dataclass(frozen=True)
class Plate:
    """What turns in a drive. Stages: lobes, ring pins, output pins, discs. Gear: sun, planet, cranks."""

    stages: tuple[tuple[int, int, int, int], ...]
    gear: tuple[int, int, int] | None = None
    half_drawn: bool = False
    """Every second ring pin is left out; the rest carry."""

    def rates(self) -> dict[str, float]:
        """Turns of each body for one turn of the input, signed."""
        rates = {"housing": 0.0, "input": 1.0}
        if self.gear:
            lobes, pins, _, _ = self.stages[0]
            sun, planet, _ = self.gear
            # In the carrier's frame sun and planets roll on one another; the cranks walk the discs back round the ring.
            slow = 1.0 / (1.0 + planet / sun * (1.0 + lobes / (pins - lobes)))
            crank = -slow * lobes / (pins - lobes)
            rates |= {"stage1.crank": crank, "stage1.carrier": slow, "stage1.disc": slow, "stage1.output": slow}
            return rates | {"stage1.eccentric": crank}
        turn = 1.0
        for number, (lobes, pins, _, _) in enumerate(self.stages, 1):
            rates[f"stage{number}.eccentric"] = turn
            turn *= -(pins - lobes) / lobes
            rates[f"stage{number}.disc"] = rates[f"stage{number}.output"] = turn
        return rates

    def output(self) -> float:
        return self.rates()[f"stage{len(self.stages)}.output"]

    def bearings(self) -> tuple[Bearing, ...]:
        first = Bearing("input bearing", "input", "housing", "housing", 9, 7.94, 39.04)
        if self.gear:
            return (
                first,
                Bearing("crank bearing", "stage1.crank", "stage1.disc", "stage1.crank", 13, 5.5, 27.5),
                Bearing("crank support bearing", "stage1.crank", "stage1.carrier", "stage1.carrier", 15, 6.0, 33.0),
                Bearing("main bearing", "stage1.carrier", "housing", "housing", 36, 8.0, 126.0),
            )
        size = self.stages[0][1] % 4
        last = f"stage{len(self.stages)}"
        found = [first, Bearing("motor bearing", "input", "housing", "housing", 8, 9.53, 46.0)][: 1 + size % 2]
        for number in range(1, len(self.stages) + 1):
            eccentric, name = (
                f"stage{number}.eccentric",
                "eccentric bearing" if number == 1 else "slow eccentric bearing",
            )
            elements, ball = (11 + size, 9.0) if number == 1 else (15, 10.0)
            pitch = ball * elements * 0.385
            found.append(Bearing(name, eccentric, f"stage{number}.disc", eccentric, elements, ball, pitch))
        found.append(Bearing("flange bearing", "input", f"{last}.output", "housing", 10, 6.35, 33.5))
        found.append(
            Bearing("output bearing", f"{last}.output", "housing", "housing", 17 + size, 12.0, 101.0 + 5 * size)
        )
        return tuple(found)


PLATES = {
    "c6": Plate(((6, 7, 6, 2),)),
    "c11": Plate(((11, 12, 8, 2),)),
    "c17": Plate(((17, 18, 10, 3),)),
    "c21": Plate(((21, 22, 8, 2),)),
    "c29": Plate(((29, 30, 10, 2),)),
    "c43": Plate(((43, 44, 12, 2),)),
    "c59": Plate(((59, 60, 12, 2),)),
    "c87": Plate(((87, 88, 16, 2),)),
    "c119": Plate(((119, 120, 16, 2),)),
    "d17": Plate(((34, 36, 10, 2),)),
    "d29": Plate(((58, 60, 12, 2),)),
    "h17": Plate(((17, 18, 8, 2),), half_drawn=True),
    "h35": Plate(((35, 36, 10, 2),), half_drawn=True),
    "s121": Plate(((11, 12, 8, 2), (11, 12, 8, 2))),
    "s187": Plate(((17, 18, 8, 2), (11, 12, 8, 2))),
    "s319": Plate(((29, 30, 10, 2), (11, 12, 8, 2))),
    "r81": Plate(((39, 40, 0, 2),), gear=(15, 30, 2)),
    "r105": Plate(((39, 40, 0, 2),), gear=(15, 39, 3)),
    "r153": Plate(((39, 40, 0, 2),), gear=(10, 38, 3)),
}


def drive_file(tag: str, plate: Plate, rpm: float, span: tuple[float, float], motor: tuple[int, float] | None) -> str:
    """The drive as its installer wrote it down."""
    low, high = span
    rows = [f'tag = "{tag}"', 'name = "Mill yard drive"', "[input]", f"speed_rpm = {rpm:.0f}"]
    rows += [f"speed_range_rpm = [{low:.0f}, {high:.0f}]", "power_kw = 5.5"]
    if motor:
        rows += ["[motor]", f"poles = {motor[0]}", f"line_hz = {motor[1]:.0f}"]
    for lobes, pins, output_pins, discs in plate.stages:
        rows += [
            "[[stage]]",
            f'kind = "{"rv" if plate.gear else "cycloidal"}"',
            f"lobes = {lobes}",
            f"ring_pins = {pins}",
        ]
        if plate.gear:
            rows += [f"{key} = {n}" for key, n in zip(("sun_teeth", "planet_teeth", "cranks"), plate.gear, strict=True)]
        else:
            rows.append(f"output_pins = {output_pins}")
        rows += [f"discs = {discs}", 'fixed = "ring"']
    for b in plate.bearings():
        rows += ["[[bearing]]", f'name = "{b.name}"', f'inner = "{b.inner}"', f'outer = "{b.outer}"']
        rows += [] if b.load == "housing" else [f'load = "{b.load}"']
        rows += [f"elements = {b.elements}", f"element_diameter_mm = {b.ball_mm:.3f}"]
        rows += [f"pitch_diameter_mm = {b.pitch_mm:.3f}", "contact_angle_deg = 0.0"]
    return "\n".join(rows) + "\n"


# ---------------------------------------------------------------- a recording in the making
class Scene:
    """Time, the paths into the points, and the spectra that add up to a capture."""

    def __init__(self, rng: np.random.Generator, rate: float, seconds: float, points: int) -> None:
        self.rng, self.points, self.rate = rng, points, rate
        # Blows are short: a slow recorder's are laid down at a multiple of its rate, then cut off as its filter does.
        self.finer = int(np.ceil(25_000.0 / rate))
        self.fine = rate * self.finer
        kept = int(seconds * rate)
        self.n = kept * self.finer
        self.time = np.arange(self.n) / self.fine
        self.size = next_fast_len(kept + int(0.15 * rate), real=True) * self.finer
        self.hz = rfftfreq(self.size // self.finer, 1.0 / rate)
        self.filter = 1.0 / np.sqrt(1.0 + (self.hz / (0.43 * rate)) ** 24)
        self.spectra: Spectrum = np.zeros((points, self.hz.size), complex)
        self.paths: dict[str, tuple[Array, Spectrum, Array]] = {}

    def path(self, name: str) -> tuple[Array, Spectrum, Array]:
        """Resonances [Hz], the response they give each point, and how much each point gets of slow motion."""
        if name not in self.paths:
            rng = self.rng
            bands = ((280.0, 900.0), (1300.0, 2300.0), (2700.0, 4600.0), (5400.0, 9000.0), (10_000.0, 16_000.0))
            modes = np.array([rng.uniform(*band) for band in bands])
            modes = modes[modes < 0.41 * self.rate]
            damping = rng.uniform(0.012, 0.04, modes.size)
            near = np.concatenate([[1.0], rng.uniform(0.25, 1.1, self.points - 1)])
            response = np.zeros((self.points, self.hz.size), complex)
            for mode, loss in zip(modes, damping, strict=True):
                width = 2j * loss * mode * self.hz
                shape = width / (mode**2 - self.hz**2 + width)
                response += np.outer(near * rng.uniform(0.3, 1.0, self.points) * (mode / 3000.0) ** 0.4, shape)
            if name == "wire":
                response[:] = 1.0
            self.paths[name] = modes, np.asarray(response * self.filter, complex), near
        return self.paths[name]

    def through(self, source: Array, path: str = "drive", soft: float = 0.0, leak: float = 1.0) -> Spectrum:
        """Spectra at the points. ``soft`` [Hz]: the motion itself, smooth above it, and but ``leak`` of the ringing."""
        _, response, near = self.path(path)
        heard = rfft(source, self.size)[: self.hz.size]
        if not soft:
            return heard * response
        body = np.exp(-0.5 * (self.hz / soft) ** 2) * self.filter
        return heard * (np.outer(near, body) + leak * response)

    def rms(self, spectra: Spectrum) -> float:
        return float(np.sqrt(2.0 * np.sum(np.abs(spectra[0]) ** 2) / self.size / self.n))

    def add(self, source: Array, rms: float, path: str = "drive", soft: float = 0.0, leak: float = 0.0) -> None:
        """Lay a source over the capture, as strong as said [m/s²] at the first point."""
        spectra = self.through(source, path, soft, leak)
        spectra[:, self.hz < 0.5] = 0.0
        self.spectra += spectra * (rms / max(self.rms(spectra), 1e-12))

    def whisper(self, source: Array, over_db: float, at_hz: float) -> None:
        """Lay lines over the capture that stand just so far above what is there, seen line by line."""
        spectra = self.through(source, soft=2.0 * at_hz)
        near = np.abs(self.hz - at_hz) < 0.02 * at_hz
        floor = np.median(np.abs(self.spectra[0, near]))
        self.spectra += spectra * (floor * 10.0 ** (over_db / 20.0) / np.abs(spectra[0, near]).max())

    def heard(self) -> Array:
        wave = irfft(self.spectra, self.size // self.finer, axis=1) / self.finer
        return wave[:, : self.n // self.finer]

    def slow(self, seconds: float) -> Array:
        """A random course of r.m.s. 1 that takes so long to change."""
        count = int(self.time[-1] / seconds) + 4
        knots = self.rng.standard_normal(count)
        return np.interp(self.time, (np.arange(count) - self.rng.random()) * seconds, knots) / 0.8

    def turning(self, hz: float, wander: float, shape: Array | float = 1.0) -> Array:
        """Turns of a shaft whose load is never quite the same."""
        speed = hz * np.maximum(shape * (1.0 + wander * self.slow(0.7)), 0.0)
        return np.cumsum(speed) / self.fine + 10.0 * self.rng.random()

    def passes(self, turns: Array, count: float = 1.0, offset: float = 0.0) -> tuple[NDArray[np.int64], Array]:
        """Which passes there are of so many spots a turn, and when [samples]."""
        course = count * turns + offset
        course = course if course[-1] >= course[0] else -course
        which = np.arange(int(np.ceil(course[0])), int(np.floor(course[-1])) + 1)
        return which, np.interp(which, course, np.arange(self.n))

    def blows(self, when: Array, strength: Array | float) -> Array:
        """Blows between the samples, each spread over four: none folds back as a line of its own."""
        strength = np.broadcast_to(np.asarray(strength, float), when.shape)
        inside = (when > 2) & (when < self.n - 4)
        when, strength = when[inside], strength[inside]
        first = when.astype(int)
        x = when - first
        taps = ((1 - x) ** 3, 3 * x**3 - 6 * x**2 + 4, -3 * x**3 + 3 * x**2 + 3 * x + 1, x**3)
        source = np.zeros(self.n)
        for shift, tap in enumerate(taps, -1):
            source += np.bincount(first + shift, tap * strength / 6.0, self.n)
        return source

    def scatter(self, when: Array, low: float = 0.05, high: float = 0.2) -> Array:
        return np.exp(self.rng.uniform(low, high) * self.rng.standard_normal(when.shape))


# ---------------------------------------------------------------- a drive that runs
@dataclass(frozen=True)
class Own:
    """How a sound drive sounds: shares of its level, spread of its teeth, ringing at every contact."""

    shaft: tuple[float, float] = (0.03, 0.6)
    mesh: tuple[float, float] = (0.04, 0.9)
    spread: tuple[float, float] = (0.08, 0.25)
    leak: tuple[float, float] = (0.01, 0.06)
    noise: tuple[float, float] = (0.4, 0.8)
    level: tuple[float, float] = (0.4, 4.0)
    swell: float = 0.1
    over_db: tuple[float, float] | None = None
    """A mesh that stands so far above the floor and no further."""


OWN = {
    "plain": Own(),
    "weak": Own(shaft=(0.02, 0.1), level=(0.6, 1.2), over_db=(13.0, 19.0)),
    "quiet": Own(level=(0.5, 0.8), mesh=(0.05, 0.2)),
    "rich": Own(mesh=(0.8, 1.3), spread=(0.35, 0.6), leak=(0.1, 0.35), noise=(0.2, 0.5), level=(1.0, 6.0), swell=0.3),
    "comb": Own(mesh=(0.6, 1.0), spread=(0.2, 0.4), leak=(0.5, 1.0), noise=(0.2, 0.4), level=(1.0, 8.0)),
    "swell": Own(mesh=(0.5, 1.0), spread=(0.2, 0.5), leak=(0.05, 0.2), swell=0.6),
}


def between(rng: np.random.Generator, low: float, high: float) -> float:
    """Sizes differ by factors, not by steps."""
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


def contacts(s: Scene, plate: Plate, stage: int, turns: Array, spread: float) -> Array:
    """What pins, lobes and output pins of one stage do to the housing, none quite like its neighbour."""
    lobes, pins, output_pins, discs = plate.stages[stage - 1]
    rates, rng = plate.rates(), s.rng
    eccentric, out = rates[f"stage{stage}.eccentric"], rates[f"stage{stage}.output"]
    by_pin = 1.0 + spread * rng.standard_normal(pins)
    if plate.half_drawn:
        by_pin[1::2] = 0.0
    by_hole = 1.0 + spread * rng.standard_normal(max(output_pins, 1))
    source = np.zeros(s.n)
    for disc in range(discs):
        strength = 1.0 if disc == 0 else rng.uniform(0.6, 1.0)
        by_lobe = spread * rng.standard_normal(lobes)
        which, when = s.passes(turns, pins * eccentric, pins * disc / discs)
        source += strength * s.blows(when, by_pin[which % pins] * (1.0 + by_lobe[which % lobes]))
        if output_pins:
            which, when = s.passes(turns, output_pins * (eccentric - out), output_pins * disc / discs)
            source += 0.25 * strength * s.blows(when, by_hole[which % output_pins])
    return source


def run(s: Scene, plate: Plate, turns: Array, level: float, own: Own, path: str = "drive") -> None:
    """Everything a sound drive sends out as it turns."""
    rng, rates = s.rng, plate.rates()
    hz = (turns[-1] - turns[0]) / s.time[-1]
    shaft = np.zeros(s.n)
    for k, size in enumerate((1.0, 0.5, 0.25, 0.12, 0.06), 1):
        shaft += size * rng.lognormal(0, 0.6) * np.cos(2 * np.pi * (k * turns + rng.random()))
    out = plate.output() * turns
    swell = 1.0 + own.swell * rng.uniform(0.3, 1.0) * np.cos(2 * np.pi * (out * rng.integers(1, 4) + rng.random()))
    swell *= 1.0 + 0.08 * s.slow(0.4)
    s.add(shaft, level * between(rng, *own.shaft), path, soft=2000.0)
    s.add(
        rng.standard_normal(s.n) * swell * (1 + 0.08 * np.cos(2 * np.pi * turns)), level * rng.uniform(*own.noise), path
    )
    spread = rng.uniform(*own.spread)
    for stage in range(1, len(plate.stages) + 1):
        mesh_hz = hz * plate.stages[stage - 1][1] * abs(rates[f"stage{stage}.eccentric"])
        source = contacts(s, plate, stage, turns, spread) * swell
        share = 1.0 if stage == 1 else rng.uniform(0.3, 0.7)
        if own.over_db and stage == 1 and mesh_hz < 0.4 * s.rate:
            # Half the pins are half the lines: the first that stands lies at half the count.
            s.whisper(source, rng.uniform(*own.over_db), mesh_hz / (2 if plate.half_drawn else 1))
        elif not own.over_db:
            soft = rng.uniform(1.2, 2.2) * max(mesh_hz, 60.0)
            s.add(source, level * share * between(rng, *own.mesh), path, soft, rng.uniform(*own.leak))
    if plate.gear:
        sun, planet, cranks = plate.gear
        by_sun, by_planet = (1 + spread * rng.standard_normal(z) for z in (sun, planet))
        source = np.zeros(s.n)
        for crank in range(cranks):
            which, when = s.passes(turns, sun * (1 - rates["stage1.carrier"]), rng.random())
            carried = 1 + 0.3 * np.cos(
                2 * np.pi * (rates["stage1.carrier"] * np.interp(when, np.arange(s.n), turns) + crank / cranks)
            )
            source += s.blows(when, carried * (by_sun[which % sun] + by_planet[which % planet]))
        s.add(source, level * rng.uniform(0.2, 0.7), path, 2.0 * sun * hz, rng.uniform(*own.leak))


# ---------------------------------------------------------------- damage
@dataclass(frozen=True)
class Damage:
    """Blows of one damaged spot, how many fall in a turn of the input, and what the tones may be called."""

    source: Array
    order: float
    names: tuple[str, ...]


def bearing_damage(s: Scene, plate: Plate, bearing: Bearing, part: str, turns: Array) -> Damage:
    """A race, an element or the cage: the cage creeps; a spot strikes as hard as the load is where it is."""
    rng, rates = s.rng, plate.rates()
    inner, outer, load = (rates[body] for body in (bearing.inner, bearing.outer, bearing.load))
    thin = bearing.ball_mm / bearing.pitch_mm
    crept = np.cumsum(np.diff(turns, prepend=turns[0]) * (1 - rng.uniform(0.001, 0.009) - 0.0012 * s.slow(0.5)))
    cage = outer * turns + 0.5 * (inner - outer) * (1 - thin) * crept
    edge, spot = rng.uniform(-0.5, 0.2), rng.uniform(-0.06, 0.06)
    name = {"outer": "outer_race", "inner": "inner_race", "element": "rolling_element", "cage": "cage"}[part]
    if part == "outer":
        which, when = s.passes(bearing.elements * (cage - outer * turns))
        place = (outer - load) * turns
    elif part == "inner":
        which, when = s.passes(bearing.elements * (inner * turns - cage))
        place = (inner - load) * turns
    elif part == "element":
        which, when = s.passes((inner - outer) * (1 - thin**2) / (2 * thin) * crept, 2.0)
        place = cage - load * turns
    else:
        which, when = s.passes(cage - outer * turns)
        place = np.zeros(s.n)
    where = np.interp(when, np.arange(s.n), place) + spot
    if part in ("outer", "inner") and bearing.load != "housing" and np.ptp(place) < 0.5:
        where = np.full(when.shape, spot)
    if bearing.load == "housing" and bearing.outer == "housing" and part == "outer":
        where = np.full(when.shape, spot)
    zone = 0.1 + np.clip((np.cos(2 * np.pi * where) - edge) / (1 - edge), 0.0, None) ** 1.3
    if part == "element":
        zone = zone * np.where(which % 2 == 0, 1.0, rng.choice([0.0, 0.45, 0.8, 1.0]))
    gap = float(np.median(np.diff(when)))
    strength = zone * s.scatter(when)
    if part == "cage":
        # A broken bridge: the elements of one pocket catch up one after another.
        follow = [(lag, rng.uniform(0.4, 1.0)) for lag in rng.uniform(0.0, 0.09, 3)]
        source = sum(
            (s.blows(when + lag * gap, size * strength * s.scatter(when)) for lag, size in follow), np.zeros(s.n)
        )
    else:
        source = s.blows(when + gap * rng.uniform(0.002, 0.008) * rng.standard_normal(when.shape), strength)
    order = 1.0 / float(np.mean(np.diff(np.interp(when, np.arange(s.n), turns))))
    return Damage(source, order, (f"bearing.{bearing.name}.{name}",))


def races(plate: Plate) -> Array:
    """How often elements pass a spot of each race of a drive, in a turn of its input."""
    rates = plate.rates()
    found = [(b.elements * (rates[b.inner] - rates[b.outer]), b.ball_mm / b.pitch_mm) for b in plate.bearings()]
    return np.array([0.5 * abs(passing) * (1 + side * thin) for passing, thin in found for side in (-1, 1)])


TEETH = {part: (f"stage1.{part}", f"stage1.{part}_tooth") for part in ("sun", "planet")}


def part_damage(s: Scene, plate: Plate, part: str, stage: int, turns: Array) -> Damage:
    """One ring pin, lobe, output pin or gear tooth. Every disc meets a pin, a lobe is part of one disc."""
    rng, rates = s.rng, plate.rates()
    _, _, _, discs = plate.stages[stage - 1]
    eccentric, out = rates[f"stage{stage}.eccentric"], rates[f"stage{stage}.output"]
    pair = (f"stage{stage}.lobe", f"stage{stage}.output_pin")
    carried = 0.0
    names: tuple[str, ...]
    if part == "ring_pin":
        order, meets, names = abs(eccentric), discs, (f"stage{stage}.ring_pin",)
    elif part == "output_pin":
        order, meets, names, carried = abs(eccentric - out), discs, pair[::-1], rng.uniform(0.1, 0.4)
    elif part == "lobe":
        order, meets, names, carried = abs(eccentric - out), 1, pair, rng.uniform(0.1, 0.5)
        names = (pair[0], *TEETH["planet"]) if plate.gear else names
    elif part == "planet":
        order, meets, names, carried = abs(eccentric - out), 1, (*TEETH["planet"], "stage1.lobe"), rng.uniform(0.1, 0.5)
    else:
        cranks = plate.gear[2] if plate.gear else 1
        order, meets, names = 1 - out, cranks, TEETH["sun"]
    load = 1.0 + rng.uniform(0.05, 0.2) * s.slow(0.8) + carried * np.cos(2 * np.pi * (out * turns + rng.random()))
    source = np.zeros(s.n)
    start = rng.random()
    for meeting in range(meets):
        _, when = s.passes(turns, order, start + meeting / meets)
        source += (1.0 if meeting == 0 else rng.uniform(0.35, 0.85)) * s.blows(when, s.scatter(when))
    return Damage(source * np.clip(load, 0.1, None), order, names)


def damage(s: Scene, plate: Plate, words: str, turns: Array) -> Damage:
    """``words``: part and stage, or part and bearing: "ring_pin 1", "outer eccentric bearing"."""
    part, _, rest = words.partition(" ")
    if rest in ("1", "2"):
        return part_damage(s, plate, part, int(rest), turns)
    return bearing_damage(s, plate, next(b for b in plate.bearings() if b.name == rest), part, turns)


def stands_out(s: Scene, spectra: Spectrum, turns: Array, order: float, mode: float) -> tuple[Array, Array]:
    """Envelope lines of one band at the first harmonics of an order, and the floor beside each."""
    half = min(max(0.35 * mode, 200.0), 1500.0)
    band = spectra[0, (s.hz > mode - half) & (s.hz < mode + half)]
    band = band[: prev_fast_len(band.size)]
    moving = ifft(band)
    at = np.arange(band.size) / band.size * (s.size / s.fine)
    at = at[at < s.time[-1]]
    along = np.interp(at, s.time, turns)
    grid = np.linspace(along[0], along[-1], prev_fast_len(at.size))
    power = np.interp(grid, along, np.abs(moving[: at.size]) ** 2)
    lines = np.abs(rfft((power - power.mean()) * np.hanning(power.size)))
    width = (power.size - 1) / power.size / (grid[-1] - grid[0])
    peaks, floors = np.zeros(5), np.full(5, np.inf)
    for k in range(1, 6):
        middle, reach = k * order / width, max(2.0, 0.0015 * k * order / width)
        low, high = int(middle - reach), int(middle + reach) + 2
        if high + 40 < lines.size and k * order > 3.0 * width:
            around = lines[max(low - max(40, int(0.25 * order / width)), 3) : high + max(40, int(0.25 * order / width))]
            peaks[k - 1], floors[k - 1] = lines[low:high].max(), np.median(around)
    return peaks, floors


def lift_db(s: Scene, hurt: Spectrum, turns: Array, order: float, modes: Array, before: list[Array]) -> float:
    """How far the third best harmonic rises over its floor and over what stood there before, in the best band."""
    best = -99.0
    for mode, old in zip(modes, before, strict=True):
        peaks, floors = stands_out(s, s.spectra + hurt, turns, order, mode)
        share = peaks / np.maximum(floors, 0.8 * old + 1e-30)
        best = max(best, 20.0 * np.log10(np.sort(share)[-3] + 1e-6))
    return best


def lay_damage(s: Scene, found: Damage, turns: Array, wanted_db: float, path: str = "drive") -> float:
    """As strong as it takes to stand so far above its floor; gives the lift reached."""
    hurt = s.through(found.source, path)
    hurt *= s.rms(s.spectra) / s.rms(hurt)
    modes = s.path(path)[0]
    before = [stands_out(s, s.spectra, turns, found.order, mode)[0] for mode in modes]
    low, high = -42.0, 15.0
    for _ in range(5):
        middle = 0.5 * (low + high)
        reached = lift_db(s, hurt * 10.0 ** (middle / 20.0), turns, found.order, modes, before)
        low, high = (low, middle) if reached > wanted_db else (middle, high)
    hurt = hurt * 10.0 ** (high / 20.0)
    reached = lift_db(s, hurt, turns, found.order, modes, before)
    s.spectra += hurt
    return reached


# ---------------------------------------------------------------- what stands around
@dataclass
class Yard:
    """A drive's place: the scene, the turns of its input (or of one like it), and how loud a drive is there [m/s²]."""

    s: Scene
    plate: Plate
    turns: Array
    hz: float
    level: float
    marks: dict[str, float] = field(default_factory=dict)
    leaks: Array | None = None
    """What the cable adds, at the recorder's rate."""

    @property
    def out(self) -> Array:
        return abs(self.plate.output()) * self.turns

    def loud(self, low: float = 0.2, high: float = 2.0) -> float:
        share = between(self.s.rng, low, high)
        self.marks["beside"] = max(share, self.marks.get("beside", 0.0))
        return self.level * share

    def near(self, low: float, high: float) -> float:
        """A speed [Hz] that differs by such a share, either way."""
        rng = self.s.rng
        return self.hz * (1.0 + rng.choice([-1.0, 1.0]) * between(rng, low, high))

    def other(self, hz: float) -> Array:
        return self.s.turning(hz, 10.0 ** self.s.rng.uniform(-4.3, -3.3))

    def lines(
        self, turns: Array, orders: Array | list[float], rms: float, path: str = "driven", fall: float = 0.6
    ) -> None:
        rng = self.s.rng
        wave = np.zeros(self.s.n)
        for k, order in enumerate(np.asarray(orders, float)):
            wave += fall**k * rng.lognormal(0, 0.5) * np.cos(2 * np.pi * (order * turns + rng.random()))
        self.s.add(wave, rms, path, soft=6000.0)

    def knocks(
        self, turns: Array, count: int, rms: float, path: str = "driven", *, jitter: float = 0.003, dull: float = 0.0,
        spread: float = 0.25, swell: float = 0.0,
    ) -> None:  # fmt: skip
        """So many blows a turn, each spot with a strength and a place of its own; ``swell``: as the load has it."""
        s = self.s
        spots = np.exp(spread * s.rng.standard_normal(count))
        which, when = s.passes(turns, count)
        when = when + s.fine * jitter * s.time[-1] / max(len(when), 1) * s.rng.standard_normal(when.shape)
        source = s.blows(when, spots[which % count] * s.scatter(when))
        rms *= min(1.0, np.sqrt(len(when) / s.time[-1] / 8.0)) if len(when) else 0.0
        s.add(source * np.clip(1.0 + swell * s.slow(0.6), 0.05, None), rms, path, dull, 0.1 if dull else 0.0)

    def beats(self, hz: float, scatter: float, rms: float, path: str = "floor", dull: float = 0.0) -> None:
        """Blows at a rate of their own: each waits for the one before, so the scatter adds up."""
        s = self.s
        gaps = 1.0 + scatter * s.rng.standard_normal(int(1.3 * hz * s.time[-1]) + 4)
        when = np.cumsum(np.clip(gaps, 0.3, 2.0)) / hz * s.fine
        rms *= min(1.0, np.sqrt(hz / 8.0))  # rare blows are no harder than frequent ones
        s.add(s.blows(when, s.scatter(when)), rms, path, dull, 0.1 if dull else 0.0)

    def hiss(self, rms: float, course: Array | float = 1.0, path: str = "floor") -> None:
        self.s.add(self.s.rng.standard_normal(self.s.n) * course, rms, path)

    def hum(self, rms: float, line: float | None = None) -> None:
        line = line or float(self.s.rng.choice([50.0, 60.0]))
        self.lines(self.s.time * line * 2, [1, 2, 3, 6], rms, "motor", 0.4)


Around = Callable[[Yard], None]


def mill(y: Yard) -> None:
    """Flights, blades or sprocket teeth of what is driven."""
    count = int(y.s.rng.choice([2, 3, 4, 6, 8, 12, 17, 23, 40]))
    y.marks["per_turn"] = count
    y.knocks(y.out, count, y.loud(0.2, 3.0), dull=float(y.s.rng.choice([0.0, 300.0])), swell=0.3)


def chain_joint(y: Yard) -> None:
    """A joint, a dented roller: once a turn of the output or of a chain three turns long."""
    y.knocks(y.out * float(y.s.rng.choice([1.0, 1.0 / 3.3, 2.0])), 1, y.loud(0.3, 1.5), swell=0.5)


def loose_bolt(y: Yard) -> None:
    """Coupling bolt, key, bent guard: a knock each turn of the input, hard when the load is."""
    count = int(y.s.rng.choice([1, 1, 2, 3]))
    y.knocks(y.turns, count, y.loud(0.3, 1.2), "motor", jitter=y.s.rng.uniform(0.01, 0.05), swell=0.6)


def encoder(y: Yard) -> None:
    y.lines(y.turns, [60, 120, 59, 61, 1], y.loud(0.1, 0.5), "motor", 0.8)


def backstop(y: Yard) -> None:
    """Pawls of a holdback tick over its ratchet."""
    y.knocks(y.turns, int(y.s.rng.choice([5, 8, 13])), y.loud(0.2, 0.8), "motor", jitter=0.02, spread=0.5)


def pump(y: Yard) -> None:
    rng = y.s.rng
    turns, vanes = y.other(y.near(0.004, 0.04)), int(rng.choice([5, 6, 7]))
    y.lines(turns, [1, vanes, 2, 2 * vanes, 3 * vanes], y.loud(0.3, 1.5), "floor", 0.8)
    y.hiss(y.loud(0.1, 0.8), 1 + 0.5 * np.cos(2 * np.pi * vanes * turns))


def compressor(y: Yard) -> None:
    y.knocks(y.other(y.s.rng.uniform(9.0, 16.0)), 2, y.loud(0.3, 1.5), "floor", spread=0.5, dull=250.0)
    y.hiss(y.loud(0.1, 0.4))


def two_fans(y: Yard) -> None:
    for _ in range(2):
        y.lines(y.other(y.near(0.002, 0.02)), [1, 7, 2, 14], y.loud(0.2, 0.8), "floor", 0.6)


def belt_machine(y: Yard) -> None:
    """A belt-driven machine, out of balance, nearly as fast; its feet are soft, its belt has a joint."""
    turns = y.other(y.near(0.003, 0.03))
    y.lines(turns, [1, 2, 3, 4, 0.5, 1.5, 5], y.loud(0.4, 2.0), "floor", 0.75)
    y.knocks(turns * y.s.rng.uniform(0.23, 0.41), 1, y.loud(0.1, 0.6), "floor", dull=400.0)


def kindred_comb(y: Yard) -> None:
    """Blows of a machine at a simple share of this one's speed."""
    share = float(y.s.rng.choice([0.5, 2 / 3, 1.5, 2.0])) * (1 + y.s.rng.uniform(-0.01, 0.01))
    y.knocks(y.other(y.hz * share), int(y.s.rng.choice([1, 3, 5])), y.loud(0.4, 1.5), "floor")


def pneumatic(y: Yard) -> None:
    """Clamp, relief valve, drip: steady blows near a race's order, but beyond what creep could make of the race."""
    rng = y.s.rng
    rate = 9 * 0.5 * (1 - 7.94 / 39.04) * y.hz * (1 + rng.choice([rng.uniform(0.015, 0.04), -rng.uniform(0.03, 0.06)]))
    y.marks["scatter"] = 10.0 ** rng.uniform(-3.0, -1.5)
    y.beats(rate, y.marks["scatter"], y.loud(0.3, 1.2))


def hammer(y: Yard) -> None:
    y.beats(y.s.rng.uniform(0.6, 5.0), 0.02, y.loud(0.3, 2.0), dull=float(y.s.rng.choice([0.0, 500.0])))


def inverter(y: Yard) -> None:
    carrier = float(y.s.rng.choice([2000.0, 4000.0, 5000.0, 8000.0]))
    if carrier < 0.4 * y.s.rate:
        fed = y.hz * 2
        y.lines(y.s.time, [carrier + k * fed for k in (0, 2, -2, 4, -4)], y.loud(0.2, 1.5), "motor", 0.8)
    y.hum(y.loud(0.1, 0.5), y.hz * 2)


def shocks(y: Yard) -> None:
    """Lumps in the material, doors, a hook set down."""
    when = np.sort(y.s.rng.random(int(y.s.rng.integers(3, 25)))) * y.s.n
    y.s.add(y.s.blows(when, y.s.scatter(when, 0.5, 1.0)), y.loud(0.2, 1.0), "driven")


def weather(y: Yard) -> None:
    """Rain, hail, a cleaning jet that sweeps across the housing."""
    when = np.sort(y.s.rng.random(int(y.s.rng.uniform(100, 400) * y.s.time[-1]))) * y.s.n
    y.s.add(y.s.blows(when, y.s.scatter(when, 0.6, 1.0)), y.loud(0.2, 0.9))
    y.hiss(y.loud(0.1, 0.6), np.clip(0.3 + y.s.slow(2.0), 0.0, None))


def crane(y: Yard) -> None:
    """A crane goes by: wheels on rail joints, its own gears come and go."""
    near = np.exp(-(((y.s.time / y.s.time[-1] - y.s.rng.random()) / 0.2) ** 2))
    y.hiss(y.loud(0.2, 1.0), near)
    y.s.add(near * np.cos(2 * np.pi * y.other(y.s.rng.uniform(150, 400))), y.loud(0.2, 0.8), "floor", soft=3000.0)


def feeder(y: Yard) -> None:
    """A magnet feeder shakes at the line's rate and rattles at its stops."""
    line = float(y.s.rng.choice([50.0, 60.0]))
    y.lines(y.s.time * line, [1, 2, 3, 4], y.loud(0.4, 1.5), "floor", 0.6)
    y.beats(line, 0.002, y.loud(0.1, 0.4))


def drumming(y: Yard) -> None:
    """A guard plate touches at the top of every slow swing."""
    y.beats(y.s.rng.uniform(11.0, 37.0), 0.03, y.loud(0.2, 0.8), "driven")


def fresh_grease(y: Yard) -> None:
    """New or cold grease: lumps thump as the elements push through, noise comes and goes."""
    y.hiss(y.loud(0.3, 0.9), np.clip(0.6 + 0.6 * y.s.slow(0.15), 0.0, None), "drive")
    y.s.add(np.repeat(y.s.rng.standard_normal(y.s.n // 60 + 1), 60)[: y.s.n], y.loud(0.1, 0.4), soft=300.0)


def brake_chatter(y: Yard) -> None:
    y.beats(100.0, 0.004, y.loud(0.1, 0.5), "motor")


def strange_bearing(y: Yard) -> None:
    """A damaged bearing of the driven machine, or of a motor beside: none of the drive's own."""
    rng, inner = y.s.rng, y.s.rng.random() < 0.5
    hz = y.hz * rng.uniform(0.37, 0.45) if rng.random() < 0.5 else y.near(0.01, 0.04)
    for elements in rng.permutation([12, 13, 14, 15, 16, 17]):
        passing = 0.5 * elements * (1 + 0.143 * (1 if inner else -1)) * hz / y.hz
        if np.abs(races(y.plate) / passing - 1).min() > 0.025:
            break  # nearer to a race of the drive's own nobody could tell them apart
    b = Bearing("foreign", "input", "housing", "housing", int(elements), 10.0, 70.0)
    turns = y.other(hz)
    y.marks["foreign_order"] = passing
    lay_sized(y, bearing_damage(y.s, y.plate, b, "inner" if inner else "outer", turns), turns, 24.0, "driven")


def lay_sized(y: Yard, found: Damage, turns: Array, wanted_db: float, path: str) -> None:
    y.marks["foreign_lift_db"] = lay_damage(y.s, found, turns, wanted_db, path)


def sister(mesh: float, words: str = "", low: float = 0.0015, high: float = 0.015, db: float = 24.0) -> Around:
    """The same type on the same frame, at nearly this speed: how loud, and what is damaged in it."""

    def beside(y: Yard) -> None:
        hz = y.near(low, high)
        y.marks["sister_percent"] = 100.0 * (hz / y.hz - 1.0)
        turns = y.other(hz)
        if mesh:
            run(y.s, y.plate, turns, y.level * mesh, OWN["plain"], "sister")
        if words:
            part = str(y.s.rng.choice(words.split("|")))
            lay_sized(y, damage(y.s, y.plate, part, turns), turns, db, "sister")

    return beside


# ---------------------------------------------------------------- what comes over the cable
def tacho_leak(y: Yard) -> None:
    share = y.s.rng.uniform(0.1, 0.6)
    y.marks |= {"leak": share, "unknown_acceptable": 1.0}
    wave: Array = np.where(np.mod(y.turns, 1.0) < 0.06, 1.0, 0.0)
    wave = np.diff(wave, prepend=wave[0]) + 0.1 * wave
    y.s.add(wave, share * y.s.rms(y.s.spectra), "wire")


def bad_cable(y: Yard) -> None:
    """Hum, switching of an inverter, a telephone's bursts: on every point alike, no resonance shapes them."""
    rng, t = y.s.rng, y.s.time
    y.marks["unknown_acceptable"] = 1.0
    line = float(rng.choice([50.0, 60.0]))
    hum = sum((rng.random() * np.sin(2 * np.pi * line * k * t) for k in (1, 2, 3, 5)), np.zeros(y.s.n))
    y.s.add(hum, y.loud(0.1, 1.0), "wire")
    bursts = (np.mod(t * 216.7, 1.0) < 0.125) & (np.mod(t, 3.1) < 0.6)
    y.s.add(np.where(bursts, 1.0, 0.0), y.loud(0.05, 0.6), "wire")


# ---------------------------------------------------------------- nothing of this drive
def only_noise(y: Yard) -> None:
    y.hiss(y.level * 0.3)


def only_hum(y: Yard) -> None:
    y.hum(y.level)
    y.hiss(0.2 * y.level)


def bare_motor(y: Yard) -> None:
    """The motor with its coupling off: shaft, rotor bars, fan, hum; or another motor that runs so."""
    bars = int(y.s.rng.choice([28, 34, 46]))
    line = 50.0 if abs(y.hz * 2 - 50) < abs(y.hz * 2 - 60) else 60.0
    y.lines(y.turns, [1, 2, 3, 7, 4, 5, 14], y.level, "motor", 0.7)
    y.lines(y.s.time, [bars * y.hz + k * line for k in (0, 2, -2)], 0.4 * y.level, "motor", 0.8)
    y.hum(0.4 * y.level, line)
    y.hiss(0.4 * y.level, path="motor")


def other_ratio(y: Yard) -> None:
    """Filed under the wrong drive."""
    pins = {p for _, p, _, _ in y.plate.stages}
    others = [
        p for k, p in PLATES.items() if k[0] in "cd" and p.stages[0][1] not in {m * n for n in pins for m in (1, 2, 3)}
    ]
    others = [p for p in others if not any(n % p.stages[0][1] == 0 for n in pins)]
    run(y.s, others[int(y.s.rng.integers(len(others)))], y.turns, y.level, OWN["rich"])


def spur_gears(y: Yard) -> None:
    pins = [p for _, p, _, _ in y.plate.stages]
    teeth = next(
        int(z)
        for z in y.s.rng.permutation([19, 23, 25, 31, 37])
        if all((z + d) % p and p % (z + d) for p in pins for d in (-1, 0, 1))
    )
    side = 19 / 61
    y.lines(
        y.turns,
        [teeth, 1, 2 * teeth, teeth - 1, teeth + 1, teeth - side, teeth + side, 3 * teeth, side],
        y.level,
        "floor",
        0.85,
    )
    y.hiss(0.5 * y.level)


def planetary(y: Yard) -> None:
    """Another kind of gear with the same output speed: mesh of its sun, folds of its carrier."""
    ratio = 1.0 / abs(y.plate.output())
    first = ratio if ratio < 10 else np.sqrt(ratio)
    mesh, carrier = 18.0 * (1 - 1 / first), 1 / first
    y.lines(
        y.turns,
        [mesh, 2 * mesh, mesh - 3 * carrier, mesh + 3 * carrier, 3 * mesh, 1, mesh * carrier],
        y.level,
        "floor",
        0.8,
    )
    y.hiss(0.5 * y.level)


def worm_gear(y: Yard) -> None:
    y.lines(y.turns, [2, 4, 1, 6, 8, 2 + 1 / 40, 2 - 1 / 40], y.level, "floor", 0.8)
    y.hiss(0.6 * y.level)


def indexer(y: Yard) -> None:
    """Stepper moves: steps in bursts, a stop, another move."""
    moving = np.mod(y.s.time * 1.3, 1.0) < 0.45
    _, when = y.s.passes(np.cumsum(moving * 1.0) / y.s.fine, 400.0)
    y.s.add(y.s.blows(when, y.s.scatter(when)), y.level, "floor", 1500.0, 0.2)
    y.beats(1.3, 0.001, 0.3 * y.level)


def screen(y: Yard) -> None:
    """A vibrating screen: its throw, its springs, stones on the mesh."""
    y.lines(y.other(y.s.rng.uniform(14.5, 17.0)), [1, 2, 3], y.level, "floor", 0.3)
    y.hiss(0.6 * y.level, np.clip(1 + 0.6 * np.cos(2 * np.pi * 15.5 * y.s.time), 0, None))


def same_type_elsewhere(y: Yard) -> None:
    """This drive stands; one of its type beside runs at a speed that this plate does not allow."""
    run(y.s, y.plate, y.other(y.hz * y.s.rng.choice([0.66, 0.8, 1.22])), y.level, OWN["plain"], "sister")


def hand_blows(y: Yard) -> None:
    y.beats(y.s.rng.uniform(0.8, 2.5), 0.08, y.level, "drive")


# ---------------------------------------------------------------- the kinds
@dataclass(frozen=True)
class Kind:
    """A row of the table below. ``own`` empty: nothing of the drive runs. ``parts``: one of these, "+" joins two."""

    name: str
    truth: Truth
    plates: str
    around: tuple[Around, ...] = ()
    own: str = ""
    parts: str = ""
    db: tuple[float, float] = (17.0, 26.0)
    law: str = "steady"
    speed: str = "plate"
    rates: tuple[float, ...] = (12_800.0, 25_600.0)
    seconds: tuple[float, float] = (6.0, 12.0)
    points: int = 0
    pulses: float = 0.25
    noted_off: float = 0.0


SINGLE, ANY, RV = (
    "c6 c11 c17 c21 c29 c43 d17 h17 h35",
    "c11 c17 c29 c43 c59 d29 h35 s187 r81 r105 r153",
    "r81 r105 r153",
)
ODD = (8192.0, 10_240.0, 12_800.0, 44_100.0, 48_000.0, 51_200.0)
STAGE2 = "lobe 2|ring_pin 2|outer slow eccentric bearing|inner slow eccentric bearing"
RACES = "outer input bearing|inner input bearing|outer eccentric bearing|inner eccentric bearing"
SHIFTED = "inner input bearing|outer eccentric bearing"
"""Their side lines tell by the shaft which drive they belong to; a plain outer race says nothing of it."""
OWN_LAW = f"{SHIFTED}|ring_pin 1|lobe 1"
PIN_LOBE = "ring_pin 1|lobe 1"
SPIN = "cage input bearing|element input bearing"
ELEMENT = "element eccentric bearing|element input bearing"
PAIRS = "outer input bearing+lobe 1|inner eccentric bearing+ring_pin 1"
CRANKS = "outer crank bearing|inner crank bearing|outer crank support bearing|inner crank support bearing"

KINDS: tuple[Kind, ...] = (
    Kind("plain", "sound", ANY, own="plain", rates=ODD),
    Kind("still by pump", "unusable", ANY, (pump,)),
    Kind("outer race", "damaged", SINGLE, own="plain", parts="outer input bearing|outer eccentric bearing", rates=ODD),
    Kind("sister bad race", "sound", SINGLE, (sister(0.5, SHIFTED, 0.003),), "plain"),
    Kind("rv rich alone", "sound", RV, own="rich", seconds=(8.0, 14.0)),
    Kind("here beside sister", "damaged", SINGLE, (sister(0.4, low=0.006),), "plain", OWN_LAW, seconds=(8.0, 12.0)),
    Kind("start from rest", "unusable", ANY, own="plain", law="start"),
    Kind("weak mesh", "sound", "c11 c17 c21 c29 c43 h17", own="weak", seconds=(6.0, 12.0), points=1),
    Kind("driven machine", "sound", ANY, (mill,), "plain"),
    Kind("ring pin by loose bolt", "damaged", SINGLE, (loose_bolt,), "plain", "ring_pin 1"),
    Kind("loose bolt", "sound", SINGLE, (loose_bolt,), "plain"),
    Kind("bare motor", "unusable", ANY, (bare_motor,)),
    Kind("hunting", "sound", SINGLE, own="plain", law="hunt", pulses=0.4),
    Kind("rv sun or planet", "damaged", RV, own="quiet", parts="sun 1|planet 1", seconds=(9.0, 15.0)),
    Kind("sister unseen bad race", "sound", SINGLE, (sister(0.0, SHIFTED, 0.004),), "plain"),
    Kind("two stages rich alone", "sound", "s121 s187 s319", own="rich", seconds=(8.0, 15.0)),
    Kind("still by compressor", "unusable", ANY, (compressor, drumming)),
    Kind("second stage", "damaged", "s121 s187", own="plain", parts=STAGE2, seconds=(14.0, 16.0), rates=(12_800.0,)),
    Kind("half drawn quiet", "sound", "h17 h35", own="quiet", seconds=(6.0, 10.0)),
    Kind("steady blows", "sound", SINGLE, (pneumatic,), "plain", rates=ODD),
    Kind("early race", "damaged", SINGLE, own="plain", parts=RACES, db=(12.0, 15.0), seconds=(8.0, 12.0)),
    Kind("filed wrongly", "unusable", "c11 c17 c29 c43 c59 s187 r105", (other_ratio,)),
    Kind("tacho leak", "sound", SINGLE, (tacho_leak,), "plain", pulses=0.5),
    Kind("ratio 119 slow rate", "sound", "c119", own="plain", rates=(6400.0, 8192.0), seconds=(8.0, 16.0)),
    Kind("lobe carried", "damaged", "c11 c17 c21 c29 c43 d17", own="plain", parts="lobe 1", seconds=(9.0, 14.0)),
    Kind("sister bad pin or lobe", "sound", SINGLE, (sister(0.8, PIN_LOBE, 0.0025),), "plain", seconds=(8, 12)),
    Kind("ramp", "sound", SINGLE, own="plain", law="ramp", pulses=0.4),
    Kind("same type elsewhere", "unusable", "c11 c17 c29 c43 h35", (same_type_elsewhere,), noted_off=0.002),
    Kind("crank bearing", "damaged", RV, own="plain", parts=CRANKS, seconds=(10.0, 15.0)),
    Kind("wide plate", "sound", ANY, (kindred_comb, inverter), "plain", speed="wide", rates=ODD),
    Kind("cage or element", "damaged", SINGLE, (), "plain", SPIN, seconds=(9.0, 14.0)),
    Kind("laws nearly agree", "sound", SINGLE, (sister(1.0, "", 0.0002, 0.003),), "plain", seconds=(8.0, 14.0)),
    Kind("coast down", "unusable", ANY, own="plain", law="coast"),
    Kind("swells and soft feet", "sound", ANY, (chain_joint,), "swell", seconds=(8.0, 14.0)),
    Kind("very strong", "damaged", SINGLE, own="plain", parts=f"{RACES}|lobe 1|ring_pin 1", db=(34.0, 40.0)),
    Kind("slow drive", "sound", "c6 c11 c17 c29 h17", own="plain", speed="slow", seconds=(10.0, 16.0)),
    Kind("spur gears", "unusable", ANY, (spur_gears,)),
    Kind("output pin", "damaged", "c11 c17 c21 c29 d17 h35", own="plain", parts="output_pin 1", seconds=(9.0, 14.0)),
    Kind("foreign bearing", "sound", SINGLE, (strange_bearing,), "plain"),
    Kind("fast drive", "sound", "c6 c11 c17 c29 r81", own="plain", speed="fast", rates=(25_600.0, 48_000.0)),
    Kind("belt machine", "sound", ANY, (belt_machine,), "plain", points=1),
    Kind("only noise or hum", "unusable", ANY, (only_noise,)),
    Kind("both sisters", "damaged", SINGLE, (sister(0.3, "ring_pin 1|outer input bearing", 0.006, db=16.0),), "plain",
         "lobe 1|inner input bearing|outer eccentric bearing", (22.0, 30.0), seconds=(9.0, 13.0)),
    Kind("comb of contacts", "sound", SINGLE, own="comb"),
    Kind("bad cable", "sound", SINGLE, (bad_cable,), "plain"),
    Kind("two places", "damaged", SINGLE, own="plain", parts=PAIRS),
    Kind("planetary or worm", "unusable", "c6 c11 c29 c43 c59", (planetary,)),
    Kind("weather and crane", "sound", SINGLE, (weather, crane), "plain"),
    Kind("speed moves", "damaged", SINGLE, own="plain", parts=f"{RACES}|lobe 1", law="ramp", pulses=0.6),
    Kind("fresh grease", "sound", SINGLE, (fresh_grease, backstop), "plain", seconds=(6.0, 8.0), rates=(12_800.0,)),
    Kind("short, noted off", "sound", SINGLE, (inverter,), "plain", seconds=(3.0, 5.0), noted_off=0.012),
    Kind("stop and restart", "unusable", ANY, own="plain", law="restart"),
    Kind("rv pin or lobe", "damaged", RV, (mill,), "plain", "ring_pin 1|lobe 1", seconds=(10.0, 15.0)),
    Kind("two sisters", "sound", ANY, (sister(0.7), sister(0.4)), "plain", seconds=(8.0, 12.0)),
    Kind("feeder and shocks", "sound", SINGLE, (feeder, shocks), "plain"),
    Kind("quiet element", "damaged", SINGLE, (), "quiet", ELEMENT, seconds=(10.0, 14.0)),
    Kind("indexer", "unusable", ANY, (indexer, brake_chatter)),
    Kind("pump and fans", "sound", ANY, (pump, two_fans), "plain"),
    Kind("beside the mill", "damaged", SINGLE, (mill, hammer), "plain", f"{RACES}|lobe 1"),
    Kind("stop in the middle", "unusable", ANY, own="plain", law="stop"),
    Kind("slow damaged", "damaged", "c6 c11 c17", (), "plain", RACES, speed="slow", seconds=(12.0, 16.0)),
    Kind("load steps", "sound", ANY, (encoder, drumming), "plain", law="steps", points=1, rates=(12_800.0,)),
    Kind("screen or hand", "unusable", ANY, (screen,)),
)  # fmt: skip
TURNED: dict[str, tuple[Around, ...]] = {
    # The second half of a trial looks at the other of two of a kind.
    "only noise or hum": (only_hum,),
    "planetary or worm": (worm_gear,),
    "screen or hand": (hand_blows,),
    "still by pump": (two_fans, belt_machine),
    "bare motor": (bare_motor, belt_machine),
    "ring pin by loose bolt": (loose_bolt, chain_joint),
    "output pin": (chain_joint,),
    "lobe carried": (loose_bolt,),
    "very strong": (pneumatic,),
    "early race": (encoder, crane),
    "hunting": (mill,),
    "ramp": (inverter, pump),
    "ratio 119 slow rate": (two_fans, hammer),
    "slow drive": (mill,),
}
COUNT = 2 * len(KINDS)
POINTS = ("input_side", "output_side", "foot")


def course(rng: np.random.Generator, time: Array, law: str) -> Array | float:
    """Speed over the capture, as a share of the running speed."""
    x = time / time[-1]
    if law == "ramp":
        return 1.0 + rng.choice([-1.0, 1.0]) * rng.uniform(0.02, 0.08) * (x - 0.5)
    if law == "hunt":
        return 1.0 + rng.uniform(0.002, 0.012) * np.sin(2 * np.pi * rng.uniform(0.1, 1.0) * time)
    if law == "steps":
        return 1.0 - 0.006 * np.clip(0.5 + 4 * np.sin(2 * np.pi * rng.uniform(0.2, 0.5) * time), 0, 1)
    at = rng.uniform(0.35, 0.6)
    if law == "start":
        return np.clip((x - 0.1) / (at + 0.35), 0.0, 1.0)
    if law == "coast":
        return np.clip(1.0 - (x - 0.15) / (at + 0.1), 0.0, 1.0) ** 1.3
    if law == "stop":
        return np.clip(1.0 - (x - at) / 0.12, 0.0, 1.0)
    if law == "restart":
        return np.clip(np.maximum(1.0 - (x - 0.2) / 0.1, (x - at - 0.1) / 0.25), 0.0, 1.0)
    return 1.0


def speeds(rng: np.random.Generator, kind: Kind) -> tuple[float, float, tuple[float, float], tuple[int, float] | None]:
    """Plate speed and true speed [r/min], what the plate allows, and the motor."""
    if kind.speed == "plate":
        poles, line = int(rng.choice([4, 4, 4, 6, 2])), float(rng.choice([50.0, 60.0]))
        poles = 4 if "r" in kind.plates[:1] or "2" in kind.parts else poles
        plate = np.round(120.0 * line / poles * (1 - rng.uniform(0.015, 0.045)))
        width = rng.uniform(0.02, 0.04) + (0.05 if kind.law == "ramp" else 0.0)
        return plate, plate * (1 + rng.uniform(-0.01, 0.01)), (plate * (1 - width), plate * (1 + width)), (poles, line)
    plate = np.round(
        rng.uniform(*{"slow": (300.0, 700.0), "fast": (3000.0, 4500.0), "wide": (1300.0, 1800.0)}[kind.speed])
    )
    low, high = (0.6, 1.1) if kind.speed == "wide" else (0.97, 1.03)
    return plate, plate * rng.uniform(low + 0.015, high - 0.015), (plate * low, plate * high), None


def case(number: int) -> WorldCase:
    """One capture, the same every time."""
    kind, again = KINDS[number % len(KINDS)], number >= len(KINDS)
    rng = np.random.default_rng([number, SEED])
    plates = kind.plates.split()
    plate = PLATES[plates[int(rng.integers(len(plates)))]]
    nominal, rpm, span, motor = speeds(rng, kind)
    rate, seconds = float(rng.choice(kind.rates)), rng.uniform(*kind.seconds)
    seconds = min(seconds, 330_000.0 / rate)
    s = Scene(rng, rate, seconds, kind.points or int(rng.integers(1, 4)))
    turns = s.turning(rpm / 60.0, 10.0 ** rng.uniform(-4.5, -3.0), course(rng, s.time, kind.law))
    own = OWN[kind.own or "plain"]
    y = Yard(s, plate, turns, rpm / 60.0, between(rng, *own.level))
    if kind.own:
        run(s, plate, turns, y.level, own)
    cable = {tacho_leak, bad_cable}
    for around in TURNED.get(kind.name, kind.around) if again else kind.around:
        if around not in cable:
            around(y)
    if not kind.own:
        y.hiss(0.1 * y.level)
    names: tuple[str, ...] = ()
    if kind.parts:
        choices = kind.parts.split("|")
        chosen = choices[int(rng.integers(len(choices)))]
        for words in chosen.split("+"):
            found = damage(s, plate, words, turns)
            names += found.names
            y.marks["lift_db"] = lay_damage(s, found, turns, rng.uniform(*kind.db))
            y.marks["order"] = found.order
    for around in kind.around:
        if around in cable:
            around(y)
    waves = s.heard() + rng.uniform(0.002, 0.02) * rng.standard_normal((s.points, s.n // s.finer))
    waves[:, :] += 0.01 * np.cumsum(rng.standard_normal(waves.shape), axis=1) / np.sqrt(rate)
    runs = bool(kind.own) and kind.truth != "unusable"
    pulses, per_turn = None, float(rng.choice([1.0, 1.0, 4.0]))
    if kind.own and rng.random() < kind.pulses:
        pulses = (5.0 * (np.mod(per_turn * turns, 1.0) < 0.3))[:: s.finer][: waves.shape[1]].astype(np.float32)
    mean = float((turns[-1] - turns[0]) / s.time[-1]) if runs else None
    noted = None
    if rng.random() < 0.6 or kind.noted_off:
        off = kind.noted_off * rng.choice([-1.0, 1.0]) or rng.normal(0.0, 0.002)
        noted = float(np.clip(np.round(rpm * (1 + off)), span[0] + 1, span[1] - 1))
    y.marks["ratio"] = 1.0 / abs(plate.output())
    return WorldCase(
        name=f"millside {number:03d} {kind.name}",
        kind=kind.name,
        truth=kind.truth,
        drive_toml=drive_file(f"MY-{number:03d}", plate, nominal, span, motor),
        channels={point: wave.astype(np.float32) for point, wave in zip(POINTS, waves, strict=False)},
        sample_rate_hz=rate,
        speed_hz=mean,
        pulses=pulses,
        pulses_per_rev=per_turn if pulses is not None else 1.0,
        noted_rpm=noted,
        damaged=names,
        marks={key: float(value) for key, value in y.marks.items()},
    )
