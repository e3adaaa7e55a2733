"""Captures of cycloidal and RV drives in awkward company, made from turning bodies.

Every body of a drive has an angle at every sample. A blow falls when a damaged spot crosses what it meets, its size
follows the place of the spot in the load, and it rings in the modes of the way to each point. Lines of a sound drive
come from pins, lobes and teeth that are not quite alike. What stands round about has shafts and clocks of its own.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import KW_ONLY, dataclass
from functools import partial

import numpy as np
from numpy.typing import NDArray
from scipy.signal import oaconvolve

from tests.worlds.case import Truth, WorldCase

Wave = NDArray[np.float64]
SEED = 80611
POINTS = ("input_end", "ring", "output_end")


# --- Machines ---------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Bearing:
    """A rolling bearing between two bodies; lengths in millimetres."""

    name: str
    inner: str
    outer: str
    load: str
    elements: int
    ball: float
    pitch: float


@dataclass(frozen=True)
class Stage:
    """``drawn`` 2: every second pin is left out, the places remain. ``sun`` above 0: spur gears turn the cranks."""

    lobes: int
    pins: int
    outs: int = 8
    discs: int = 2
    drawn: int = 1
    sun: int = 0
    planet: int = 0
    cranks: int = 0

    def toml(self) -> str:
        if self.sun:
            gears = f"sun_teeth = {self.sun}\nplanet_teeth = {self.planet}\ncranks = {self.cranks}"
            head = f'kind = "rv"\n{gears}\nlobes = {self.lobes}\nring_pins = {self.pins}\n'
        else:
            head = f'kind = "cycloidal"\nlobes = {self.lobes}\nring_pins = {self.pins}\noutput_pins = {self.outs}\n'
        return f'[[stage]]\n{head}discs = {self.discs}\nfixed = "ring"\n'


@dataclass(frozen=True)
class Drive:
    tag: str
    stages: tuple[Stage, ...]
    bearings: tuple[Bearing, ...]
    plate_rpm: float
    low: float
    high: float
    motor: tuple[int, int] | None

    def toml(self) -> str:
        text = f'tag = "{self.tag}"\nname = "Drive {self.tag}"\n[input]\nspeed_rpm = {self.plate_rpm:.0f}\n'
        text += f"speed_range_rpm = [{self.low:.0f}, {self.high:.0f}]\npower_kw = 2.2\n"
        if self.motor:
            text += f"[motor]\npoles = {self.motor[0]}\nline_hz = {self.motor[1]}\n"
        text += "".join(stage.toml() for stage in self.stages)
        for b in self.bearings:
            text += f'[[bearing]]\nname = "{b.name}"\ninner = "{b.inner}"\nouter = "{b.outer}"\nload = "{b.load}"\n'
            text += f"elements = {b.elements}\nelement_diameter_mm = {b.ball}\npitch_diameter_mm = {b.pitch}\n"
            text += "contact_angle_deg = 0.0\n"
        return text

    def angles(self, turns: Wave) -> dict[str, Wave]:
        """Angle of every body, in turns, signed."""
        found = {"housing": np.zeros_like(turns), "input": turns}
        drive = turns
        for index, stage in enumerate(self.stages, 1):
            step = (stage.pins - stage.lobes) / stage.lobes
            if stage.sun:
                gear = stage.sun / stage.planet
                eccentric = -gear * drive / (1.0 + step * (1.0 + gear))
            else:
                eccentric = drive
            out = -step * eccentric
            found |= {f"stage{index}.{body}": out for body in ("disc", "output", "carrier")}
            found |= {f"stage{index}.{body}": eccentric for body in ("eccentric", "crank")}
            drive = out
        return found

    def order(self, part: str) -> float:
        """Blows of a part for each input turn, by turning the bodies once."""
        ends = {body: float(angle[1]) for body, angle in self.angles(np.array([0.0, 1.0])).items()}
        if part.startswith("bearing."):
            b = next(b for b in self.bearings if b.name == part.split(".")[1])
            return abs(ends[b.inner] - ends[b.outer]) * (1.0 - b.ball / b.pitch) / 2.0 * b.elements
        stage = part.split(".")[0]
        return abs(ends[f"{stage}.eccentric"] - ends[f"{stage}.disc"])


def _bearing(rng: np.random.Generator, name: str, inner: str, outer: str, load: str) -> Bearing:
    elements = int(rng.integers(8, 15))
    pitch = float(rng.integers(34, 60))
    ball = round(pitch * np.pi / elements * rng.uniform(0.62, 0.86), 2)
    return Bearing(name, inner, outer, load, elements, ball, pitch)


def _stages(rng: np.random.Generator, form: str) -> tuple[Stage, ...]:
    discs = int(rng.choice([1, 2, 2, 2, 3]))
    if form == "rv":
        lobes = int(rng.choice([27, 31, 39, 47]))
        gears = {
            "sun": int(rng.integers(11, 22)),
            "planet": int(rng.integers(30, 46)),
            "cranks": int(rng.choice([2, 3])),
        }
        return (Stage(lobes, lobes + 1, 0, 2, **gears),)
    if form == "two":
        first, second = np.asarray(rng.choice([[11, 17], [13, 11], [17, 15], [9, 21], [11, 35]])).tolist()
        return (Stage(first, first + 1, 6, 2), Stage(second, second + 1, 8, 2))
    if form == "half":
        lobes = int(rng.choice([29, 35, 43, 47, 59]))
        return (Stage(lobes, lobes + 1, 10, 2, 2),)
    if form == "diff2":
        lobes = int(rng.choice([33, 35, 43, 51, 59]))
        return (Stage(lobes, lobes + 2, 10, discs),)
    pool = {"top": [119], "high": [71, 87, 119], "low": [6, 7, 9, 11]}.get(
        form, [11, 13, 15, 17, 21, 25, 29, 35, 43, 51, 59]
    )
    lobes = int(rng.choice(pool))
    return (Stage(lobes, lobes + 1, 6 if lobes < 12 else int(rng.integers(8, 13)), discs),)


def _drive(rng: np.random.Generator, tag: str, form: str, pace: str) -> tuple[Drive, float]:
    """A drive and the true speed of its input [Hz]."""
    line = int(rng.choice([50, 60]))
    poles = int(rng.choice([2, 4, 4, 4, 6, 8]))
    plate = 120.0 * line / poles * (1.0 - rng.uniform(0.015, 0.05))
    motor: tuple[int, int] | None = (poles, line)
    if poles == 2 and line == 60:
        plate = 1750.0
        motor = (4, 60)
    if pace in ("slow", "fast"):
        plate, motor = float(rng.uniform(310, 690) if pace == "slow" else rng.uniform(3050, 4400)), None
    plate = round(plate)
    width = rng.uniform(0.02, 0.04)
    low, high, true = plate * (1 - width), plate * (1 + width), plate * (1 + width * rng.uniform(-0.6, 0.6))
    if pace == "inverter":
        low, high, true, motor = plate * 0.6, plate * 1.1, plate * rng.uniform(0.66, 1.05), None
    stages = _stages(rng, form)
    thrown = "input" if rng.random() < 0.25 else "housing"
    bearings = [_bearing(rng, "entry", "input", "housing", thrown)]
    if form == "rv":
        bearings.append(_bearing(rng, "crank", "stage1.crank", "stage1.disc", "stage1.crank"))
        bearings.append(_bearing(rng, "support", "stage1.crank", "stage1.carrier", "stage1.carrier"))
        bearings.append(_bearing(rng, "exit", "stage1.carrier", "housing", "housing"))
    else:
        bearings.append(_bearing(rng, "eccentric", "stage1.eccentric", "stage1.disc", "stage1.eccentric"))
        if len(stages) == 2:
            bearings.append(_bearing(rng, "second", "stage2.eccentric", "stage2.disc", "stage2.eccentric"))
        else:
            bearings.append(_bearing(rng, "flange", "input", "stage1.output", "housing"))
        bearings.append(_bearing(rng, "exit", f"stage{len(stages)}.output", "housing", "housing"))
    return Drive(tag, stages, tuple(bearings), plate, low, high, motor), true / 60.0


# --- Ways and sums ----------------------------------------------------------------------------------------------------


def _rms(wave: Wave) -> float:
    return float(np.sqrt(np.mean(np.square(wave))) + 1e-12)


def _unit(wave: Wave) -> Wave:
    return wave / _rms(wave)


def _crossings(angle: Wave) -> tuple[Wave, NDArray[np.int64]]:
    """Where an angle passes whole turns, in samples and fractions, and which turn it is."""
    way = angle if angle[-1] >= angle[0] else -angle
    marks = np.arange(int(np.ceil(way[0])), int(np.floor(way[-1])) + 1)
    return np.interp(marks, way, np.arange(way.size)), marks


class Scene:
    """Points on one frame, and the ways from near parts (hard), from meshes (soft) and from other machines (far)."""

    def __init__(self, rng: np.random.Generator, rate: float, seconds: float, points: int) -> None:
        self.rng, self.rate, self.points = rng, rate, points
        self.count = int(rate * seconds)
        self.time = np.arange(self.count) / rate
        self.data = np.zeros((points, self.count))
        top = 0.4 * rate
        self.near = self.way(min(1500.0, 0.35 * top), min(top, 11000.0), 4, (0.008, 0.03))
        self.soft = self.way(120.0, min(3200.0, 0.8 * top), 5, (0.04, 0.12))
        self.far = self.way(90.0, min(3800.0, 0.9 * top), 5, (0.02, 0.06))
        self.load: Wave = np.ones(self.count)

    def way(self, low: float, high: float, modes: int, damping: tuple[float, float]) -> Wave:
        """What each point hears of one blow: a few modes, none twice as strong at one point as another by rule."""
        time = np.arange(int(0.06 * self.rate)) / self.rate
        kernel = np.zeros((self.points, time.size))
        for hertz in np.exp(self.rng.uniform(np.log(low), np.log(high), modes)):
            ring = np.exp(-2 * np.pi * hertz * self.rng.uniform(*damping) * time)
            for point in range(self.points):
                phase = self.rng.uniform(-0.4, 0.4)
                kernel[point] += self.rng.lognormal(0.0, 0.5) * ring * np.sin(2 * np.pi * hertz * time + phase)
        return kernel / np.abs(kernel).max()

    def through(self, source: Wave, way: Wave) -> Wave:
        return np.stack([oaconvolve(source, kernel)[: self.count] for kernel in way])

    def blows(self, at: Wave, size: Wave, way: Wave) -> Wave:
        """Blows at fractions of samples, band-limited as a recorder's filter leaves them."""
        source = np.zeros(self.count + 32)
        whole = np.floor(at).astype(np.int64)
        for tap in range(-7, 9):
            gap = tap - (at - whole)
            shape = np.sinc(0.92 * gap) * np.cos(np.pi * gap / 17.0) ** 2
            np.add.at(source, np.clip(whole + tap + 16, 0, source.size - 1), size * shape)
        return self.through(source[16:-16], way)

    def spread(self, wave: Wave) -> Wave:
        """One slow wave as the points take it: each with its own gain."""
        return self.rng.lognormal(0.0, 0.4, (self.points, 1)) * wave

    def line(self, turns: Wave) -> Wave:
        return np.cos(2 * np.pi * (turns + self.rng.random()))

    def drift(self, hertz: float = 0.7) -> Wave:
        """A slow random wave of about unit size."""
        knots = max(4, int(self.time[-1] * hertz * 2) + 3)
        value = self.rng.normal(size=knots)
        smooth = np.interp(np.linspace(0, knots - 1, knots * 16), np.arange(knots), value)
        smooth = np.convolve(np.pad(smooth, 8, mode="edge"), np.hanning(17) / 8.0, "valid")
        return np.interp(np.linspace(0, smooth.size - 1, self.count), np.arange(smooth.size), smooth)

    def shaft(self, hertz: float, profile: str = "steady") -> tuple[Wave, Wave]:
        """Angle in turns and speed over its mean."""
        part = self.time / self.time[-1]
        shape = np.ones(self.count)
        if profile == "ramp":
            shape = 1 + self.rng.choice([-1, 1]) * self.rng.uniform(0.02, 0.10) * (part - 0.5)
        elif profile == "creep":
            shape = 1 + self.rng.choice([-1, 1]) * self.rng.uniform(0.01, 0.03) * (part - 0.5)
        elif profile == "hunt":
            shape = 1 + self.rng.uniform(0.004, 0.02) * self.line(self.rng.uniform(0.1, 1.0) * self.time)
        elif profile == "step":
            edge = self.rng.uniform(0.3, 0.7)
            shape = 1 - self.rng.uniform(0.01, 0.03) / (1 + np.exp(-(part - edge) * self.time[-1] * 6))
        elif profile == "start":
            shape = np.clip(part / self.rng.uniform(0.8, 1.0), 0, 1)
        elif profile == "coast":
            shape = np.clip(1 - part / self.rng.uniform(0.8, 1.0), 0, 1) ** 1.3
        elif profile == "stop":
            edge = self.rng.uniform(0.35, 0.5)
            shape = np.clip(1 - (part - edge) / 0.1, 0, 1)
        elif profile == "turned":
            shape = self.rng.uniform(0.03, 0.08) * (1 + 0.1 * self.drift())
        elif profile == "restart":
            edge = self.rng.uniform(0.22, 0.3)
            shape = np.clip(1 - (part - edge) / 0.08, 0, 1) + np.clip((part - edge - 0.4) / 0.12, 0, 1)
        wander = np.exp(self.rng.uniform(np.log(3e-5), np.log(8e-4)))
        speed = hertz * shape * (1 + wander * self.drift())
        return np.cumsum(speed) / self.rate + self.rng.random(), shape

    def put(self, wave: Wave, level: float) -> None:
        self.data += level * _unit(wave)


# --- A sound drive, and what is damaged in one -----------------------------------------------------------------------

MOODS: dict[str, tuple[float, float, float, float]] = {
    # mesh, shafts, rolling noise, difference of pins and lobes
    "rich": (1.0, 0.6, 0.3, 0.4),
    "usual": (0.8, 0.5, 0.6, 0.2),
    "quiet": (0.3, 0.25, 1.0, 0.2),
    "weak": (0.05, 0.15, 1.0, 0.15),
    "pitch": (1.0, 0.4, 0.4, 0.9),
}


def _uneven(rng: np.random.Generator, angle: Wave, parts: int) -> Wave:
    """Parts that pass one after another, none quite like the next: a wave that comes again with each turn."""
    places = np.arange(parts) / parts
    return np.interp(angle % 1.0, places, rng.normal(size=parts), period=1.0)


def _teeth(scene: Scene, angle: Wave, parts: int, hertz: float, uneven: Wave) -> Wave:
    """A mesh of so many parts a turn with its harmonics, as high as the recorder goes."""
    wave = np.zeros(scene.count)
    for harmonic in range(1, 6):
        if harmonic * parts * hertz < 0.42 * scene.rate:
            size = scene.rng.lognormal(0.0, 0.5) / harmonic
            wave += size * scene.line(harmonic * (parts * angle + 0.06 * uneven)) * (1 + uneven)
    return wave


def _signature(scene: Scene, drive: Drive, turns: Wave, pace: Wave, mood: str) -> Wave:
    """All that a sound drive says, of unit size."""
    rng = scene.rng
    mesh, shafts, noise, pitch = MOODS[mood]
    bodies = drive.angles(turns)
    hertz = float(turns[-1] - turns[0]) / scene.time[-1]
    sound = np.zeros((scene.points, scene.count))
    body_share = 1.0
    for index, stage in enumerate(drive.stages, 1):
        eccentric, disc = bodies[f"stage{index}.eccentric"], bodies[f"stage{index}.disc"]
        rate = abs(float(eccentric[-1] - eccentric[0])) / scene.time[-1]
        wave = np.zeros(scene.count)
        ring = _uneven(rng, eccentric, stage.pins // stage.drawn)
        for number in range(stage.discs):
            uneven = pitch * (0.5 * ring + 0.5 * _uneven(rng, eccentric - disc, min(stage.lobes, 40)))
            angle = eccentric + number / stage.discs
            wave += rng.uniform(0.7, 1.3) * _teeth(scene, angle, stage.pins // stage.drawn, rate, uneven)
        if stage.outs:
            passing = eccentric - bodies[f"stage{index}.output"]
            wave += 0.15 * _rms(wave) * _unit(_teeth(scene, passing, stage.outs, rate, 0.0 * passing))
        if np.any(wave):
            sound += mesh * body_share * _unit(scene.through(wave * scene.load, scene.soft))
        sound += 0.3 * shafts * _unit(scene.spread(scene.line(eccentric) + 0.5 * scene.line(2 * eccentric)))
        body_share *= 0.5
        if stage.sun:
            spin, own = turns - disc, eccentric - disc
            wave = np.zeros(scene.count)
            for _ in range(stage.cranks):
                uneven = pitch * 0.4 * (_uneven(rng, spin, stage.sun) + _uneven(rng, own, stage.planet))
                wave += _teeth(scene, spin, stage.sun, abs(hertz), uneven)
            if np.any(wave):
                sound += 0.8 * mesh * _unit(scene.through(wave * scene.load, scene.soft))
    wave = np.zeros(scene.count)
    for harmonic in range(1, 6):
        wave += rng.lognormal(0.0, 0.6) / harmonic * scene.line(harmonic * turns)
    sound += shafts * _unit(scene.spread(wave))
    hiss = scene.through(rng.normal(size=scene.count) * (1 + 0.1 * scene.line(bodies["stage1.eccentric"])), scene.near)
    sound += noise * 0.7 * _unit(hiss) + noise * 0.7 * _unit(rng.normal(size=(scene.points, scene.count)))
    if mood == "weak":
        sound[1:] *= 0.6
        sound[1:] += 0.6 * noise * rng.normal(size=sound[1:].shape)
    return _unit(sound * pace**1.5)


def _zone(angle: Wave, depth: float) -> Wave:
    """Load on a spot by its angle from the middle of the load."""
    return 1 - depth + depth * np.clip(np.cos(2 * np.pi * angle), 0.0, 1.0) ** 1.3


def _strikes(scene: Scene, drive: Drive, turns: Wave, part: str) -> tuple[Wave, Wave]:
    """Times [samples] and sizes of the blows of one damaged part."""
    rng = scene.rng
    bodies = drive.angles(turns)
    kind = part.split(".")[-1]
    trains: list[tuple[Wave, Wave]] = []
    jitter = rng.uniform(0.001, 0.004)
    if part.startswith("bearing."):
        b = next(b for b in drive.bearings if b.name == part.split(".")[1])
        inner, outer, load = bodies[b.inner], bodies[b.outer], bodies[b.load]
        gamma, slip, depth = b.ball / b.pitch, rng.uniform(0.005, 0.018), rng.uniform(0.55, 0.95)
        slide = (inner - outer) - slip * np.cumsum(np.gradient(inner - outer) * (1 + 0.15 * scene.drift()))
        cage = outer + slide * (1 - gamma) / 2
        jitter = rng.uniform(0.003, 0.010)
        place = rng.uniform(-0.08, 0.08)
        if kind == "outer_race":
            at, _ = _crossings((cage - outer) * b.elements + rng.random())
            spot, held = outer, place
        elif kind == "inner_race":
            at, _ = _crossings((inner - cage) * b.elements + rng.random())
            spot, held = inner, place
        elif kind == "rolling_element":
            at, marks = _crossings(slide * (1 - gamma**2) / gamma + rng.random())
            spot, held = cage, rng.random()
            size = np.where(marks % 2 == 0, 1.0, rng.choice([0.3, 0.6, 0.9]))
            trains.append((at, size * _zone(np.interp(at, np.arange(scene.count), spot - load) + held, depth)))
        else:
            # A broken bar lets the next rollers touch as well: a short volley once a turn of the cage.
            for lag, share in ((0.0, 1.0), (1.0 / b.elements, 0.6), (2.0 / b.elements, 0.3)):
                at, _ = _crossings(cage - outer + lag)
                trains.append((at, np.full(at.size, share)))
            jitter *= 0.4
        if kind in ("outer_race", "inner_race"):
            size = _zone(np.interp(at, np.arange(scene.count), spot - load) + held, depth)
            trains.append((at, size))
            if rng.random() < 0.25:
                # A long spall: the roller drops in softly and climbs out with a knock the other way.
                trains.append((at - rng.uniform(0.08, 0.2) * np.gradient(at), -rng.uniform(0.3, 0.6) * size))
        carried = outer if kind == "outer_race" else inner
    else:
        stage = drive.stages[int(part[5]) - 1]
        eccentric, disc = bodies[f"{part[:6]}.eccentric"], bodies[f"{part[:6]}.disc"]
        first, copies, carried = rng.random(), 1, disc
        angle = eccentric - disc
        if kind == "ring_pin":
            angle, copies, carried = eccentric, stage.discs, bodies["housing"]
        elif kind == "output_pin":
            copies = stage.discs
        elif kind == "sun":
            angle, copies, carried = turns - disc, stage.cranks, turns
        for number in range(copies):
            at, marks = _crossings(angle + first + number / copies)
            share = 1.0 if number == 0 else rng.uniform(0.25, 0.6)
            # Each meeting is with another lobe, pin or tooth, and none of them is quite like the next.
            met = 1 + 0.12 * rng.normal(size=61)[marks % 61]
            trains.append((at, share * met))
    at = np.concatenate([train[0] for train in trains])
    size = np.concatenate([train[1] for train in trains])
    seen = 1 + rng.uniform(0.1, 0.4) * np.cos(
        2 * np.pi * (np.interp(at, np.arange(scene.count), carried) + rng.random())
    )
    space = scene.count / max(1, trains[0][0].size)
    at = at + jitter * space * rng.normal(size=at.size)
    return at, size * seen * rng.lognormal(0.0, 0.18, at.size)


def _damage(scene: Scene, drive: Drive, turns: Wave, pace: Wave, part: str, strength: float) -> None:
    """Blows, so loud that they stand ``strength`` times above what the best point has in the band they ring in."""
    at, size = _strikes(scene, drive, turns, part)
    size = size * np.interp(at, np.arange(scene.count), pace * np.sqrt(scene.load))
    wave = scene.blows(at, size, scene.near)
    if part.endswith(".cage"):
        # Rollers that hang back rub as they pass the load: a swell of hiss with each turn of the cage.
        beat = scene.blows(at, np.abs(size), np.tile(np.hanning(max(8, int(scene.count / at.size))), (1, 1)))[0]
        hiss = scene.through(scene.rng.normal(size=scene.count) * beat, scene.near)
        wave = wave + 0.25 * hiss / (np.abs(hiss).max() + 1e-12) * np.abs(wave).max()
    best = 0
    taste = np.abs(np.fft.rfft(scene.near[best], scene.count))
    taste /= taste.max()
    floor = _rms(np.fft.irfft(np.fft.rfft(scene.data[best]) * taste, scene.count))
    felt = np.abs(np.fft.irfft(np.fft.rfft(wave[best]) * taste, scene.count))
    block = max(16, int(1.5 * scene.count / at.size))
    peaks = felt[: felt.size // block * block].reshape(-1, block).max(axis=1)
    scene.data += wave * strength * floor / (np.percentile(peaks, 65) + 1e-12)


# --- What stands and happens round about ------------------------------------------------------------------------------


def _comb(scene: Scene, turns: Wave, harmonics: Sequence[float], fall: float) -> Wave:
    wave = np.zeros(scene.count)
    for harmonic in harmonics:
        wave += scene.rng.lognormal(0.0, 0.5) / harmonic**fall * scene.line(harmonic * turns)
    return wave


def _hit(scene: Scene, turns: Wave, parts: int, scatter: float, way: Wave, own: float = 0.25) -> Wave:
    """``parts`` blows a turn, each part with a strength of its own, times and sizes scattered."""
    at, marks = _crossings(turns * parts)
    place = scene.rng.normal(0.0, 0.015, parts)[marks % parts]
    each = scene.rng.lognormal(0.0, own, parts)[marks % parts]
    at = at + (place + scatter * scene.rng.normal(size=at.size)) * scene.count / max(1, at.size)
    return scene.blows(
        at,
        each
        * scene.rng.lognormal(0.0, 0.25, at.size)
        * (1 + 0.2 * scene.drift())[np.clip(at.astype(int), 0, scene.count - 1)],
        way,
    )


def _own_clock(scene: Scene, hertz: float, scatter: float, way: Wave) -> Wave:
    """Blows of something that keeps a time of its own, each gap a little longer or shorter."""
    gaps = (1 + scatter * scene.rng.normal(size=int(hertz * scene.time[-1] * 1.2) + 4)) / hertz
    at = np.cumsum(np.abs(gaps)) * scene.rate
    at = at[at < scene.count]
    return scene.blows(at, scene.rng.lognormal(0.0, 0.3, at.size), way)


def _noise(scene: Scene, way: Wave, envelope: Wave | float = 1.0) -> Wave:
    return scene.through(scene.rng.normal(size=scene.count) * envelope, way)


def _few(scene: Scene, per_second: float, way: Wave, spread: float = 0.9) -> Wave:
    at = np.sort(scene.rng.uniform(0, scene.count, max(2, int(per_second * scene.time[-1]))))
    return scene.blows(at, scene.rng.lognormal(0.0, spread, at.size), way)


def _around(scene: Scene, drive: Drive, turns: Wave, what: str) -> Wave:
    """One thing next to the drive; its size is set by who asks."""
    rng, time = scene.rng, scene.time
    line = drive.motor[1] if drive.motor else 50
    hertz = float(turns[-1] - turns[0]) / time[-1]
    if hertz < 1.0:
        hertz = drive.plate_rpm / 60
        turns = scene.shaft(hertz)[0]
    out = drive.angles(turns)[f"stage{len(drive.stages)}.output"]

    def other(low: float, high: float) -> Wave:
        return scene.shaft(hertz * rng.uniform(low, high))[0]

    def pump(way: Wave, vanes: int) -> Wave:
        comb = _comb(scene, way, (1, 2, vanes, 2 * vanes, 3 * vanes), 0.5)
        return scene.through(comb, scene.far) + 0.4 * _unit(_noise(scene, scene.far, 1 + 0.3 * scene.line(vanes * way)))

    def spurs(way: Wave, teeth: int, second: float) -> Wave:
        uneven = 0.2 * _uneven(rng, way, teeth)
        wave = _teeth(scene, way, teeth, hertz, uneven) + 0.3 * _comb(scene, way, (1, 2, 3), 0.8)
        return scene.through(wave + 0.3 * _comb(scene, way * second, (1, 2), 0.5), scene.far)

    def carrier() -> Wave:
        base, feed = rng.choice([2000.0, 2500.0, 4000.0]) * rng.uniform(0.98, 1.02), rng.uniform(30, 55)
        sides = (base, base - 2 * feed, base + 2 * feed, 2 * base - feed, 2 * base + feed)
        return sum((scene.line(h * time) for h in sides if h < 0.45 * scene.rate), np.zeros(scene.count))

    def crane() -> Wave:
        middle, width = rng.uniform(0.3, 0.7) * time[-1], rng.uniform(0.8, 2.0)
        swell = np.exp(-((time - middle) ** 2) / (2 * width**2))
        return (_unit(_noise(scene, scene.far)) + _unit(_few(scene, 6.0, scene.far))) * swell

    def gsm() -> Wave:
        on = (time * 216.7) % 1.0 < 0.125
        return scene.spread(on * np.sign(scene.line(0.21 * time)) + 0.3 * scene.line(50 * time))

    def leak() -> Wave:
        slot = ((turns % 1.0) < 0.04).astype(float)
        return scene.spread(
            np.convolve(slot - slot.mean(), np.diff(np.exp(-np.arange(60) / 12.0), prepend=0.0), "same")
        )

    def switching() -> Wave:
        ticks, _ = _crossings(1500.0 * time + 0.02 * scene.drift())
        spikes = scene.blows(ticks, 1 + 0.6 * np.cos(2 * np.pi * 42.0 * ticks / scene.rate), np.ones((scene.points, 1)))
        return spikes + 0.1 * scene.line(50 * time)

    def race() -> Wave:
        foreign = Drive(drive.tag, drive.stages, (_bearing(rng, "x", "input", "housing", "housing"),), 1, 1, 1, None)
        at, size = _strikes(scene, foreign, turns, f"bearing.x.{rng.choice(['outer_race', 'inner_race'])}")
        return scene.blows(at, size, scene.far)

    law = drive.order(f"bearing.{drive.bearings[1].name}.outer_race")
    close = law if rng.random() < 0.5 else drive.order("stage1.lobe")
    blunt = scene.way(60.0, 700.0, 4, (0.05, 0.12))
    table: dict[str, Callable[[], Wave]] = {
        "sprocket": lambda: _hit(scene, out, int(rng.integers(9, 26)), 0.01, scene.far),
        "screw": lambda: _hit(scene, out, int(rng.integers(2, 7)), 0.02, blunt),
        "blades": lambda: _hit(scene, out, int(rng.integers(12, 41)), 0.02, blunt),
        "roller dent": lambda: _hit(scene, out * rng.choice([1.0, 1.0, 3.7]), 1, 0.004, scene.far),
        "fan blades": lambda: scene.through(_comb(scene, turns, (1, 7, 14, 21), 0.4), scene.far),
        "key": lambda: _hit(scene, turns, 1, rng.uniform(0.005, 0.03), scene.far),
        "guard": lambda: _hit(scene, turns, int(rng.integers(1, 4)), 0.03, scene.far, 0.6) * (1 + 0.8 * scene.drift()),
        "coupling": lambda: (
            scene.spread(_comb(scene, turns, range(1, 9), 0.3)) + _hit(scene, turns, 4, 0.02, scene.far)
        ),
        "pump": lambda: pump(other(0.9, 1.1), int(rng.integers(5, 10))),
        "near pump": lambda: pump(other(0.994, 1.006), int(rng.integers(5, 10))),
        "near shaft": lambda: scene.spread(_comb(scene, other(0.99, 1.01), range(1, 8), 0.5)),
        "simple comb": lambda: scene.spread(
            _comb(scene, turns * rng.choice([0.5, 2 / 3, 1.5, 2.0]) * (1 + rng.uniform(-4e-3, 4e-3)), range(1, 12), 0.3)
        ),
        "two fans": lambda: scene.spread(
            _comb(scene, other(0.7, 0.8), (1, 6), 0.3) + _comb(scene, other(0.7, 0.8), (1, 6), 0.3)
        ),
        "inverter": lambda: scene.spread(carrier()),
        "hum": lambda: scene.spread(_comb(scene, line * time, (2, 4, 6), 1.0)),
        "wire hum": lambda: scene.spread(_comb(scene, line * time, (1, 2, 3, 5, 7, 9), 0.8)),
        "cavitation": lambda: _noise(scene, scene.near, np.clip(scene.drift(25.0), 0, None) ** 2),
        "compressor": lambda: (
            _hit(scene, scene.shaft(rng.uniform(8, 15))[0], 2, 0.01, scene.far)
            + 0.4 * scene.spread(_comb(scene, rng.uniform(8, 15) * time, range(1, 9), 0.6))
        ),
        "clamp": lambda: _own_clock(scene, hertz * law * rng.uniform(0.98, 1.02), rng.uniform(0.001, 0.03), scene.far),
        "valve": lambda: _own_clock(scene, hertz * law * rng.uniform(0.97, 1.03), rng.uniform(0.003, 0.02), scene.near),
        "drip": lambda: _own_clock(scene, rng.uniform(1.5, 9.0), rng.uniform(0.01, 0.03), scene.near),
        "air hammer": lambda: _own_clock(scene, rng.uniform(18, 32), rng.uniform(0.002, 0.02), scene.far),
        "near law": lambda: _hit(
            scene,
            scene.shaft(hertz * close * (1 + rng.choice([-1, 1]) * rng.uniform(2e-4, 3e-3)))[0],
            1,
            0.004,
            scene.far,
        ),
        "hail": lambda: _few(scene, rng.uniform(60, 220), scene.near),
        "jet": lambda: _noise(scene, scene.near, np.clip(0.6 + scene.drift(2.0), 0.05, None)),
        "crane": crane,
        "door": lambda: _few(scene, 0.35, scene.far, 0.4),
        "shocks": lambda: _few(scene, rng.uniform(0.5, 4.0), scene.near, 0.6),
        "squeal": lambda: scene.spread(
            scene.line(0.11 * scene.rate * time + 4 * scene.drift(6.0)) * np.clip(scene.drift(1.5), 0, None)
        ),
        "foreign race": race,
        "gsm": gsm,
        "pulse leak": leak,
        "switching": switching,
        "brake": lambda: _noise(scene, scene.near, np.clip(scene.line(turns), 0, None) ** 2 + 0.1),
        "backlash": lambda: _hit(scene, turns * (drive.stages[0].pins / drive.stages[0].drawn), 1, 0.1, scene.near),
        "spur box": lambda: spurs(other(0.99, 1.01), int(rng.integers(17, 31)), 0.31),
        "worm": lambda: spurs(other(0.99, 1.01), int(rng.choice([1, 2, 3])), 0.025),
        "planetary": lambda: spurs(other(0.995, 1.005), int(rng.integers(12, 22)), 1 / drive.stages[0].lobes),
        "stepper": lambda: (
            _hit(scene, np.floor(4 * time) * 0.25 + np.clip((4 * time % 1) * 3, 0, 1) * 0.25, 200, 0.0, scene.far)
            + _hit(scene, 4 * time, 1, 0.001, scene.far)
        ),
        "belt pump": lambda: pump(other(0.98, 1.02), 6) + scene.spread(_comb(scene, other(0.3, 0.4), range(1, 7), 0.4)),
        "bare motor": lambda: (
            scene.spread(_comb(scene, turns, (1, 2, 3, 28), 0.8) + 0.5 * scene.line(2 * line * time))
            + 0.5 * _unit(_noise(scene, scene.near))
        ),
        "stall": lambda: (
            scene.spread(_comb(scene, 2.0 * line * time, (1, 2, 3, 4), 0.7)) * (1 + 0.2 * scene.drift())
            + 0.2 * _unit(_noise(scene, scene.far))
        ),
        "hiss": lambda: _noise(scene, scene.soft) + 0.5 * rng.normal(size=(scene.points, scene.count)),
    }
    return _unit(table[what]())


# --- Cases ------------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Plan:
    """One kind of case. Of every tuple of words one is taken; of ``around`` a plus sign joins two."""

    kind: str
    _: KW_ONLY
    truth: Truth
    forms: tuple[str, ...] = ("single", "single", "high", "low", "diff2", "rv")
    paces: tuple[str, ...] = ("motor",)
    moods: tuple[str, ...] = ("usual", "rich")
    profiles: tuple[str, ...] = ("steady",)
    around: tuple[str, ...] = ("",)
    loud: tuple[float, float] = (0.3, 2.0)
    parts: tuple[str, ...] = ()
    strength: tuple[float, float] = (5.0, 12.0)
    twin: str = ""
    rates: tuple[float, ...] = (12800.0, 20480.0, 25600.0, 16384.0)
    seconds: tuple[float, float] = (6.0, 12.0)
    pulses: float = 0.3
    slack: float = 0.004
    lumps: bool = False
    waves: bool = False
    seat: tuple[float, float] | None = None
    """Modes [Hz] of what the sensor or the drive sits on, when it is soft."""
    phase: bool = False
    """One phase of the supply is weak: the torque swells twice a line period."""


RACES = ("outer", "inner", "roller")
SLOW = (8.0, 16.0)
ODD = (8192.0, 10240.0, 12800.0, 44100.0, 48000.0)
_unfit = partial(Plan, truth="unusable")
_sound = partial(Plan, truth="sound")
_harmed = partial(Plan, truth="damaged")
UNUSABLE = (
    _unfit("still, pump runs", around=("pump", "near pump", "pump+near shaft")),
    _unfit("start from rest", profiles=("start",)),
    _unfit("motor uncoupled", around=("bare motor", "bare motor+hum")),
    _unfit("still, twin outside plate", forms=("single", "rv"), twin="outside", slack=0.001),
    _unfit("other ratio filed", forms=("single", "high"), twin="other ratio"),
    _unfit("noise or hail only", around=("hiss", "hail", "jet", "hail+door")),
    _unfit("spur gear box", around=("spur box", "spur box+hum"), rates=ODD),
    _unfit("stop in the middle", profiles=("stop", "restart")),
    _unfit("stalled, motor hums", around=("stall", "wire hum")),
    _unfit("belt pump only", around=("belt pump", "belt pump+two fans")),
    _unfit("worm gear motor", around=("worm", "worm+hum")),
    _unfit("planetary, same ratio", forms=("single",), around=("planetary",), rates=ODD),
    _unfit("coast down", profiles=("coast",)),
    _unfit("stepper indexer", around=("stepper", "stepper+compressor")),
    _unfit("turned by its load", profiles=("turned",), seconds=SLOW),
    _unfit("still, hurt twin outside plate", forms=("single", "rv"), twin="outside, hurt", slack=0.001),
    _unfit("wire picks up the inverter", around=("switching+wire hum", "gsm+inverter")),
    _unfit("air tools, drive still", around=("air hammer+compressor", "clamp", "valve+hum")),
)
SOUND = (
    _sound("plain sound", paces=("motor", "fast")),
    _sound("quiet, weak mesh", forms=("single", "half", "low"), moods=("weak",), seconds=(8.0, 14.0)),
    _sound("twin damaged, race", moods=("rich",), twin="inner", strength=(6.0, 14.0)),
    _sound("spur gear folds", forms=("rv",), moods=("rich", "pitch"), waves=True),
    _sound("chain or screw driven", around=("blades", "sprocket", "screw"), loud=(0.5, 3.0)),
    _sound("two stages, rich", forms=("two",), moods=("rich", "pitch"), seconds=SLOW),
    _sound("knock per input turn", around=("key", "guard", "coupling"), loud=(0.4, 2.0)),
    _sound("low-rate recorder", forms=("high", "half"), rates=(6400.0, 8192.0), seconds=SLOW),
    _sound("own-clock rattle", around=("clamp", "valve", "drip", "air hammer"), loud=(0.4, 2.0)),
    _sound("speed ramp", profiles=("ramp", "creep"), pulses=0.5, moods=("rich",)),
    _sound("half-drawn pins", forms=("half",), moods=("usual", "quiet"), slack=0.01),
    _sound("twin damaged, lobe or pin", forms=("single", "rv"), moods=("rich",), twin="body"),
    _sound("wide plate, inverter", paces=("inverter",), around=("inverter", "two fans"), rates=ODD),
    _sound("strong pitch errors", moods=("pitch",), waves=True),
    _sound("wire interference", around=("gsm", "switching", "wire hum"), loud=(0.1, 1.0)),
    _sound("simple-ratio comb", around=("simple comb", "near shaft"), loud=(0.8, 3.0)),
    _sound("knock per output turn", forms=("low", "single"), around=("roller dent",), seconds=SLOW),
    _sound("twins, both sound", twin="sound twins", moods=("rich", "usual")),
    _sound("hunting speed", profiles=("hunt", "step"), pulses=0.5, around=("", "screw")),
    _sound("foreign bearing", around=("foreign race",), loud=(0.3, 1.5)),
    _sound("pulses leak in", around=("pulse leak",), loud=(0.05, 1.0), pulses=1.0),
    _sound("slow and long", paces=("slow",), seconds=(12.0, 16.0), moods=("usual", "quiet")),
    _sound("weather, crane, doors", around=("hail", "jet", "crane", "door"), loud=(0.5, 2.5)),
    _sound("cold start, dry gland", profiles=("creep",), around=("squeal", "shocks"), loud=(0.2, 1.0)),
    _sound("laws nearly agree", around=("near law",), loud=(0.4, 2.0), moods=("rich",)),
    _sound("lumps on the belt", moods=("rich", "pitch"), lumps=True, forms=("single", "low", "rv")),
    _sound("mesh above the band", forms=("top",), paces=("fast",), rates=(6400.0, 8192.0), seconds=SLOW, slack=0.01),
    _sound("brake drags", around=("brake",), loud=(0.3, 1.5)),
    _sound("runs empty, rattles", forms=("single", "low", "diff2"), around=("backlash",), loud=(0.3, 1.2)),
    _sound("soft foundation", moods=("rich", "pitch"), seat=(25.0, 180.0)),
    _sound("sensor on thin cover", moods=("rich", "usual"), seat=(250.0, 1100.0), around=("", "guard")),
    _sound("weak supply phase", phase=True, around=("hum",), loud=(0.2, 0.8)),
    _sound(
        "three alike, one hurt", forms=("single", "rv", "half"), moods=("rich",), twin="three", strength=(6.0, 14.0)
    ),
    _sound("short, speed noted off", seconds=(3.0, 5.0), slack=0.015, rates=(25600.0, 48000.0, 51200.0)),
)
DAMAGED = (
    _harmed("eccentric race", forms=("single", "diff2", "half"), parts=("outer", "inner")),
    _harmed("lobe or output pin", forms=("single", "diff2", "low"), parts=("lobe", "outpin")),
    _harmed("damage here, twin sound", twin="sound", parts=("inner", "roller"), strength=(9, 18)),
    _harmed("crank bearing", forms=("rv",), parts=RACES, seconds=SLOW),
    _harmed("ring pin", forms=("single", "half", "low"), parts=("pin",), strength=(7, 16)),
    _harmed("rolling element", parts=("roller",), paces=("motor", "slow"), strength=(6, 14)),
    _harmed("second stage", forms=("two",), parts=("second",), seconds=(12, 16), strength=(9, 20)),
    _harmed("early damage", moods=("quiet", "usual"), parts=RACES, strength=(2.5, 4)),
    _harmed("cage", parts=("cage",), strength=(6, 14), seconds=SLOW),
    _harmed("pin or lobe, twin sound", forms=("single",), twin="sound", parts=("lobe",), strength=(9, 18)),
    _harmed("damage, driven machine", parts=RACES, around=("sprocket", "screw", "clamp"), strength=(7, 14)),
    _harmed("gear tooth, quiet", forms=("rv",), moods=("quiet",), parts=("sun", "planet"), strength=(6, 10)),
    _harmed("very strong", parts=(*RACES, "lobe"), strength=(40, 90)),
    _harmed("two places", parts=("outer+lobe", "inner+outer", "roller+lobe"), strength=(6, 12)),
    _harmed("damage on a ramp", profiles=("ramp", "hunt"), parts=("outer", "inner", "lobe"), pulses=0.6),
    _harmed("fast or inverter, race", paces=("fast", "inverter"), parts=RACES, rates=ODD),
    _harmed("ring pin or lobe, cranks", forms=("rv",), parts=("pin", "lobe"), strength=(7, 14), seconds=SLOW),
    _harmed("cranks here, twin sound", forms=("rv",), twin="sound", parts=("inner", "outer"), strength=(10, 18)),
    _harmed("first of two stages", forms=("two",), parts=("inner", "lobe", "roller"), seconds=SLOW),
    _harmed("half-drawn, hurt", forms=("half",), parts=("lobe", "outer"), moods=("usual", "quiet")),
    _harmed("near law beside", parts=("inner", "lobe"), around=("near law",), strength=(8, 16)),
)


def _interleaved() -> tuple[Plan, ...]:
    """Truths well mixed, so that the first part of the list is a fair sample of it."""
    row = [(share / len(plans), plan) for plans in (UNUSABLE, SOUND, DAMAGED) for share, plan in enumerate(plans)]
    return tuple(plan for _, plan in sorted(row, key=lambda pair: pair[0]))


KINDS = _interleaved()
COUNT = 2 * len(KINDS)


def _part(rng: np.random.Generator, drive: Drive, word: str) -> tuple[str, ...]:
    """Tones that a word stands for in this drive: the damaged one, then those of the same order."""
    gears = drive.stages[0].sun > 0
    names = ["crank", "support"] if gears else ["eccentric", "eccentric", "entry"]
    ends = {"outer": "outer_race", "inner": "inner_race", "roller": "rolling_element"}
    if word in ends:
        return (f"bearing.{rng.choice(names)}.{ends[word]}",)
    if word == "cage":
        return ("bearing.entry.cage",)
    if word == "second":
        word, stage = str(rng.choice(["outer", "inner", "lobe", "pin"])), "stage2"
        if word in ends:
            return (f"bearing.second.{ends[word]}",)
    else:
        stage = "stage1"
    planet = tuple(f"{stage}.{name}" for name in ("planet", "planet_tooth", "planet_gear"))
    if word == "sun":
        return tuple(f"{stage}.{name}" for name in ("sun", "sun_tooth", "sun_gear"))
    if word == "planet":
        return (*planet, f"{stage}.lobe")
    if word == "pin":
        return (f"{stage}.ring_pin",)
    if gears:
        return (f"{stage}.lobe", *planet)
    both = (f"{stage}.lobe", f"{stage}.output_pin")
    return both if word == "lobe" else both[::-1]


def case(number: int) -> WorldCase:
    """The case of a number, the same at every call."""
    rng = np.random.default_rng([number, SEED])
    plan = KINDS[number % len(KINDS)]

    def one(words: Sequence[str]) -> str:
        """The second round takes what lies half a list further on than the first."""
        turn, index = divmod(number, len(KINDS))
        return words[(index + turn * max(1, len(words) // 2)) % len(words)]

    form, pace_word = one(plan.forms), one(plan.paces)
    drive, hertz = _drive(rng, f"BR-{number:03d}", form, pace_word)
    rate = float(rng.choice(plan.rates))
    seconds = float(rng.uniform(*plan.seconds))
    scene = Scene(rng, rate, seconds, int(rng.choice([1, 2, 2, 3])))
    profile = one(plan.profiles)
    turns, pace = scene.shaft(hertz, profile)
    level = float(np.exp(rng.uniform(np.log(0.3), np.log(4.0))))
    mood = one(plan.moods)
    marks: dict[str, float] = {"level": level}
    runs = plan.truth != "unusable" or plan.profiles != ("steady",)
    if plan.seat:
        scene.soft = scene.way(*plan.seat, 3, (0.01, 0.03))
        scene.near = scene.near if plan.seat[1] < 200 else scene.way(*plan.seat, 3, (0.01, 0.03))
    if plan.phase:
        line = drive.motor[1] if drive.motor else 50
        scene.load = 1 + rng.uniform(0.2, 0.6) * scene.line(2.0 * line * scene.time)
    if plan.waves or plan.lumps:
        out = drive.angles(turns)[f"stage{len(drive.stages)}.output"]
        scene.load = np.clip(1 + rng.uniform(0.15, 0.5) * scene.line(out * rng.choice([1, 2, 5])), 0.2, None)
        if plan.lumps:
            scene.load = np.clip(scene.load + 0.5 * np.clip(scene.drift(3.0), 0, None), 0.2, None)
    if runs:
        scene.put(_signature(scene, drive, turns, pace, mood), level)
    if plan.twin:
        _company(scene, drive, hertz, level, plan, marks)
    for word in filter(None, one(plan.around).split("+")):
        loud = float(np.exp(rng.uniform(*np.log(plan.loud))))
        marks[f"{word}, times own"] = loud
        scene.put(_around(scene, drive, turns, word), level * loud)
    scene.data += level * 10 ** (-rng.uniform(25, 50) / 20) * rng.normal(size=scene.data.shape)
    scene.data += 0.004 * rng.normal(size=scene.data.shape)
    damaged: tuple[str, ...] = ()
    if plan.truth == "damaged":
        for word in one(plan.parts).split("+"):
            tones = _part(rng, drive, word)
            strength = float(rng.uniform(*plan.strength))
            _damage(scene, drive, turns, pace, tones[0], strength)
            marks[f"strength {tones[0]}"] = strength
            damaged += tuple(tone for tone in tones if tone not in damaged)
    # No drive of this size shakes harder than this and still stands on its feet.
    quieter = min(1.0, 12.0 / max(_rms(row) for row in scene.data))
    scene.data *= quieter
    marks["level"] *= quieter
    if plan.kind in ("wire interference", "pulses leak in"):
        marks["unknown with a reason is right too"] = 1.0
    pulses = None
    if rng.random() < plan.pulses and runs:
        pulses = (5.0 * ((turns % 1.0) < 0.06) + 0.03 * rng.normal(size=scene.count)).astype(np.float32)
    true = hertz * float(np.mean(pace)) if runs else None
    noted = None
    if rng.random() < 0.6 or plan.twin.startswith("outside") or plan.slack > 0.005 or pace_word == "inverter":
        base = (
            drive.plate_rpm if true is None or profile in ("start", "coast", "stop", "restart", "turned") else true * 60
        )
        noted = float(np.clip(round(base * (1 + rng.uniform(-1, 1) * plan.slack), 1), drive.low, drive.high))
    return WorldCase(
        name=f"brookside-{number:03d}",
        kind=plan.kind,
        truth=plan.truth,
        drive_toml=drive.toml(),
        channels={POINTS[i]: row.astype(np.float32) for i, row in enumerate(scene.data)},
        sample_rate_hz=rate,
        speed_hz=true,
        pulses=pulses,
        noted_rpm=noted,
        damaged=damaged,
        marks=marks,
    )


def _company(scene: Scene, drive: Drive, hertz: float, level: float, plan: Plan, marks: dict[str, float]) -> None:
    """Drives of this kind next to it on one frame, or one in its place; by the way of other machines."""
    rng = scene.rng
    if plan.twin == "other ratio":
        own = drive.stages[0].lobes
        far = [n for n in (9, 13, 19, 23, 31, 37, 47, 53, 67, 79) if abs(n - own) > 0.15 * own]
        lobes = int(rng.choice([n for n in far if (n + 1) % (own + 1) and (own + 1) % (n + 1)]))
        stages = (Stage(lobes, lobes + 1, 8, 2),)
        another = Drive(drive.tag, stages, drive.bearings, drive.plate_rpm, drive.low, drive.high, drive.motor)
        turns, pace = scene.shaft(hertz)
        scene.put(_signature(scene, another, turns, pace, "rich"), level)
        marks["lobes felt"] = float(lobes)
        return
    own_soft, own_near = scene.soft, scene.near
    outside = plan.twin.startswith("outside")
    for number in range(2 if plan.twin in ("sound twins", "three") else 1):
        scene.soft = scene.way(100.0, min(3000.0, 0.36 * scene.rate), 5, (0.03, 0.10))
        scene.near = scene.way(min(900.0, 0.15 * scene.rate), min(5000.0, 0.38 * scene.rate), 4, (0.01, 0.03))
        # Damage that must be held apart from the other drive's by its law needs speeds that a capture so long can part.
        low, high = {"sound": (2.5e-3, 0.015), "sound twins": (2e-4, 0.015)}.get(plan.twin, (1e-3, 0.015))
        low, high = (0.07, 0.13) if outside else (low, high)
        gap = float(rng.choice([-1, 1]) * np.exp(rng.uniform(np.log(low), np.log(high))))
        turns, pace = scene.shaft((drive.plate_rpm / 60 if outside else hertz) * (1 + gap))
        share = 1.0 if outside else float(rng.choice([0.05, 0.3, 0.7, 1.2]))
        scene.put(_signature(scene, drive, turns, pace, "rich"), level * share)
        marks |= {f"twin {number + 1}, percent faster": 100 * gap, f"twin {number + 1}, times own": share}
        if plan.twin in ("inner", "body", "three", "outside, hurt") and number == 0:
            word = str(rng.choice(["lobe", "pin"] if plan.twin == "body" else ["inner", "inner", "roller"]))
            tone = _part(rng, drive, word)[0]
            marks[f"twin's {tone}"] = float(rng.uniform(*plan.strength))
            _damage(scene, drive, turns, pace, tone, marks[f"twin's {tone}"])
    scene.soft, scene.near = own_soft, own_near
