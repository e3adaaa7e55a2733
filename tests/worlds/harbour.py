"""Captures from a harbour: drives of conveyors, winches, mixers and screens, with steel and neighbours that ring.

Bodies turn by integrated speeds; a damaged spot strikes when its angle meets another angle. Forces are added as spectra
and go through plate-like paths: a cloud of damped modes, with bending waves whose high notes arrive first.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray
from scipy.fft import irfft, next_fast_len, rfft, rfftfreq
from scipy.signal import lfilter

from tests.worlds.case import Truth, WorldCase

Floats = NDArray[np.float64]
SEED = 90217
POINTS = ("input_end", "ring", "output_end")
TWO_PI = 2 * np.pi


@dataclass(frozen=True, slots=True)
class Plan:
    """One row of the mix. Every text may hold one entry per lap through the list, cut at ``|``."""

    kind: str
    truth: Truth
    family: str = "single"
    manner: str = "steady"
    around: str = ""
    damage: str = ""


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

    @property
    def gamma(self) -> float:
        return self.element_mm / self.pitch_mm * float(np.cos(np.radians(self.contact_deg)))


@dataclass(frozen=True, slots=True)
class Stage:
    lobes: int
    pins: int
    output_pins: int
    discs: int


@dataclass(frozen=True, slots=True)
class Drive:
    family: str
    stages: tuple[Stage, ...]
    bearings: tuple[Bearing, ...]
    speed_hz: float
    low_rpm: float
    high_rpm: float
    line_hz: float
    poles: int
    sun: int = 0
    planet: int = 0
    cranks: int = 0


def draw_bearing(rng: np.random.Generator, name: str, inner: str, outer: str, load: str, slim: bool = False) -> Bearing:
    elements = int(rng.integers(19, 34) if slim else rng.integers(8, 15))
    # Elements fill most of the pitch circle: a bearing that could not be assembled would be no bearing.
    ratio = float(rng.uniform(0.62, 0.85) * np.sin(np.pi / elements))
    pitch = round(float(rng.uniform(90, 180) if slim else rng.uniform(34, 75)), 1)
    angle = float(rng.choice([25.0, 40.0])) if slim else 0.0
    return Bearing(name, inner, outer, load, elements, round(ratio * pitch, 2), pitch, angle)


LOBES = {"single": [6, 8, 11, 13, 15, 17, 21, 25, 29, 35], "high": [43, 51, 59, 71, 87, 119]}
LOBES |= {"two": [9, 11, 13, 17], "double": [18, 22, 26, 34, 42]}


def draw_drive(rng: np.random.Generator, family: str) -> Drive:
    line = float(rng.choice([50.0, 60.0]))
    poles = int(rng.choice([2, 4, 4, 4, 6, 6, 8]) if line == 50 else rng.choice([4, 4, 6, 8]))
    nominal = round(120 * line / poles * (1 - rng.uniform(0.012, 0.05)))
    reach = float(rng.uniform(0.02, 0.04))
    speed = nominal / 60 * (1 + float(rng.uniform(-0.006, 0.006)))
    bearings = [draw_bearing(rng, "input bearing", "input", "housing", "housing")]
    extra = {}
    if family == "rv":
        lobes = int(rng.choice([29, 35, 39, 39, 49, 59]))
        extra = {
            "sun": int(rng.integers(12, 23)),
            "planet": int(rng.integers(28, 43)),
            "cranks": int(rng.choice([2, 3])),
        }
        stages = [Stage(lobes, lobes + 1, extra["cranks"], 2)]
        crank = "stage1.crank"
        bearings += [
            draw_bearing(rng, "crank bearing", crank, "stage1.disc", crank),
            draw_bearing(rng, "crank support", crank, "stage1.carrier", "stage1.carrier"),
            draw_bearing(rng, "main bearing", "stage1.carrier", "housing", "housing", slim=True),
        ]
    else:
        lobes = int(rng.choice(LOBES[family]))
        step = 2 if family == "double" else 1
        stages = [Stage(lobes, lobes + step, int(rng.integers(6, 13)), int(rng.choice([1, 2, 2])) if lobes < 40 else 2)]
        if family == "two":
            lobes = int(rng.choice([9, 11, 15, 21, 29]))
            stages.append(Stage(lobes, lobes + 1, int(rng.integers(8, 13)), 2))
        for i in range(1, len(stages) + 1):
            name = "eccentric bearing" if i == 1 else "output pair"
            body = f"stage{i}.eccentric"
            bearings.append(draw_bearing(rng, name, body, f"stage{i}.disc", body))
        bearings += [
            draw_bearing(rng, "flange bearing", "input", "stage1.output", "housing"),
            draw_bearing(rng, "output bearing", f"stage{len(stages)}.output", "housing", "housing", slim=True),
        ]
    low, high = round(nominal * (1 - reach)), round(nominal * (1 + reach))
    return Drive(family, tuple(stages), tuple(bearings), speed, low, high, line, poles, **extra)


def write_toml(drive: Drive, tag: str) -> str:
    nominal = round((drive.low_rpm + drive.high_rpm) / 2)
    rows = [f'tag = "{tag}"', 'name = "Harbour drive"', "[input]", f"speed_rpm = {nominal}"]
    rows += [f"speed_range_rpm = [{drive.low_rpm}, {drive.high_rpm}]", "power_kw = 5.5"]
    rows += ["[motor]", f"poles = {drive.poles}", f"line_hz = {drive.line_hz:g}"]
    for s in drive.stages:
        rows += ["[[stage]]", f'kind = "{"rv" if drive.family == "rv" else "cycloidal"}"']
        if drive.family == "rv":
            rows += [f"sun_teeth = {drive.sun}", f"planet_teeth = {drive.planet}", f"cranks = {drive.cranks}"]
        else:
            rows += [f"output_pins = {s.output_pins}"]
        rows += [f"lobes = {s.lobes}", f"ring_pins = {s.pins}", f"discs = {s.discs}", 'fixed = "ring"']
    for b in drive.bearings:
        rows += ["[[bearing]]", f'name = "{b.name}"', f'inner = "{b.inner}"', f'outer = "{b.outer}"']
        rows += [f'load = "{b.load}"', f"elements = {b.elements}", f"element_diameter_mm = {b.element_mm}"]
        rows += [f"pitch_diameter_mm = {b.pitch_mm}", f"contact_angle_deg = {b.contact_deg}"]
    return "\n".join(rows) + "\n"


def drift(rng: np.random.Generator, n: int, fs: float, corner_hz: float) -> Floats:
    """Unit slow wander: noise drawn at a coarse step, smoothed by a leak, read between."""
    step = 1 / (20 * corner_hz)
    count = int(n / fs / step) + 80
    leak = np.exp(-TWO_PI * corner_hz * step)
    x = lfilter([np.sqrt(1 - leak**2)], [1, -leak], rng.standard_normal(count))[60:]
    return np.asarray(np.interp(np.arange(n) / fs, np.arange(len(x)) * step, x), float)


def total(parts: Iterable[Floats]) -> Floats:
    return np.asarray(np.sum(list(parts), axis=0), float)


def crossings(phase: Floats) -> Floats:
    """Sample places (fractions too) where an angle in turns passes whole turns, whichever way it turns."""
    if phase[-1] < phase[0]:
        phase = -phase
    marks = np.arange(np.ceil(phase[0]), np.floor(phase[-1]) + 1)
    return np.asarray(np.interp(marks, phase, np.arange(len(phase))), float)


def at(values: Floats, when: Floats) -> Floats:
    return np.asarray(values[np.clip(when.astype(int), 0, len(values) - 1)], float)


def strike(n: int, when: Floats, size: Floats) -> Floats:
    """Blows between samples, as short band-limited pulses, so that a blow's height does not depend on the grid."""
    taps = np.arange(-5, 7)
    base = np.floor(when).astype(int)
    lag = taps[None, :] - (when - base)[:, None]
    pulse = np.sinc(0.9 * lag) * np.cos(np.pi * lag / 13) ** 2 * size[:, None]
    place = base[:, None] + taps[None, :]
    good = (place >= 0) & (place < n)
    return np.asarray(np.bincount(place[good], pulse[good], minlength=n), float)


def zone(turns: Floats, share: float) -> Floats:
    """Load on an element at an angle from the middle of the load: Hertz power, nothing outside the loaded arc."""
    return np.clip(1 - (1 - np.cos(TWO_PI * turns)) / (2 * share), 0, None) ** 1.5


@dataclass(slots=True)
class Motion:
    """All bodies of a drive as angles in turns."""

    drive: Drive
    fs: float
    turns: dict[str, Floats]
    torque: Floats

    @property
    def n(self) -> int:
        return len(self.torque)


def move(rng: np.random.Generator, drive: Drive, fs: float, n: int, speed: Floats | float, torque: Floats) -> Motion:
    """An induction motor gives way under torque; a rope or chain lets the speed swing a little besides."""
    wander = 10 ** float(rng.uniform(-4.52, -3.1))
    rate = speed * (
        1 + wander * drift(rng, n, fs, 0.4) - 0.4 * wander * (torque - 1) + 0.3 * wander * drift(rng, n, fs, 3)
    )
    theta = np.cumsum(rate * np.ones(n)) / fs + float(rng.uniform())
    turns = {"housing": np.zeros(n), "input": theta}
    if drive.family == "rv":
        # Planets roll between sun and carrier; cranks press the discs round the ring. Closed by: carrier = disc.
        lobes, pins = drive.stages[0].lobes, drive.stages[0].pins
        slow = theta / (1 + drive.planet / drive.sun * pins / (pins - lobes))
        crank = slow - (theta - slow) * drive.sun / drive.planet
        turns |= {"stage1.crank": crank, "stage1.eccentric": crank, "stage1.disc": slow}
        turns |= {"stage1.carrier": slow, "stage1.output": slow}
    else:
        for i, s in enumerate(drive.stages, 1):
            turns[f"stage{i}.eccentric"] = theta
            theta = -theta * (s.pins - s.lobes) / s.lobes
            turns[f"stage{i}.disc"] = turns[f"stage{i}.output"] = theta
    return Motion(drive, fs, turns, torque)


def bumps(
    rng: np.random.Generator, count: int, highest: int, errors: float, sharp: float
) -> Callable[[Floats], Floats]:
    """Force over one turn of ``count`` like parts with pitch and size errors, cut off below half the sample rate."""
    highest = max(highest, 1)
    place = np.arange(count) / count
    runout = float(rng.uniform(0, 0.6)) * errors * np.cos(TWO_PI * (place + rng.uniform()))
    size = 1 + errors * rng.uniform(-1, 1, count) + runout
    place = place + 0.02 * errors / count * rng.uniform(-1, 1, count)
    k = np.arange(1, highest + 1)
    spectrum = np.exp(-2j * np.pi * k[:, None] * place[None, :]) @ size / count
    spectrum *= np.exp(-0.5 * (k * sharp / count) ** 2) * np.exp(
        1j * 0.5 * (k % count == 0) * rng.uniform(-1, 1, highest)
    )
    size_of_table = 1 << int(np.ceil(np.log2(24 * highest)))
    full = np.zeros(size_of_table // 2 + 1, complex)
    full[1 : highest + 1] = spectrum * size_of_table / 2
    table = irfft(full)
    table = np.append(table, table[0])
    return lambda turns: np.interp((turns % 1.0) * size_of_table, np.arange(size_of_table + 1), table)


def mesh_forces(rng: np.random.Generator, m: Motion) -> list[Floats]:
    """Forces on the ring and on the output flange. Discs share the load unequally, so they never cancel in full."""
    ring, flange = np.zeros(m.n), np.zeros(m.n)
    for i, s in enumerate(m.drive.stages, 1):
        ecc, disc, out = (m.turns[f"stage{i}.{body}"] for body in ("eccentric", "disc", "output"))
        rate = max(float(np.max(np.abs(np.diff(ecc - disc)))) * m.fs, 0.5)
        top = min(int(0.44 * m.fs / rate), 6 * s.pins)
        errors, sharp = float(rng.uniform(0.03, 0.2)), float(rng.choice([0.35, 0.6, 0.9]))
        pins = bumps(rng, s.pins, top, errors, sharp)
        holes = bumps(rng, s.output_pins, min(top, 8 * s.output_pins), errors, sharp)
        lean, side = float(rng.uniform(0.05, 0.5)), float(rng.uniform())
        for k in range(s.discs):
            share = 1 + float(rng.uniform(-0.25, 0.25))
            lobes = bumps(rng, s.lobes, top, errors, sharp)
            shift = k / s.discs
            # The loaded flank looks towards the sensor once a turn of the eccentric.
            towards = 1 + lean * np.cos(TWO_PI * (ecc + shift + side))
            ring += share * towards * (pins(ecc + shift) + 0.6 * lobes(ecc - disc + shift))
            flange += share * holes(ecc - out + shift)
    if m.drive.family == "rv":
        sun, crank, carrier = m.turns["input"], m.turns["stage1.crank"], m.turns["stage1.carrier"]
        rate = float(np.max(np.abs(np.diff(sun)))) * m.fs
        top = int(0.44 * m.fs / max(rate, 0.5))
        teeth = bumps(rng, m.drive.sun, min(top, 5 * m.drive.sun), 0.1, 0.7)
        spur = float(rng.uniform(0.2, 1.0))
        for k in range(m.drive.cranks):
            wheel = bumps(rng, m.drive.planet, min(top, 5 * m.drive.planet), 0.1, 0.7)
            seat = 1 + 0.2 * np.cos(TWO_PI * (carrier + k / m.drive.cranks))
            flange += spur * seat * (teeth(sun - carrier + k / m.drive.cranks) + 0.7 * wheel(crank - carrier))
    return [ring * m.torque, flange * m.torque]


def draw_poles(rng: np.random.Generator, fs: float, low: float, count: int) -> tuple[Floats, Floats]:
    high = min(0.44 * fs, 13000.0)
    centre = np.exp(np.linspace(np.log(low), np.log(high), count) + rng.uniform(-0.12, 0.12, count))
    return np.minimum(centre, high), np.exp(rng.uniform(np.log(0.007), np.log(0.05), count))


@dataclass(slots=True)
class Scene:
    """All sources at all points, as spectra; a source's level is its r.m.s. at the point where it is loudest."""

    rng: np.random.Generator
    fs: float
    n: int
    points: int
    freqs: Floats = field(init=False)
    sums: NDArray[np.complex128] = field(init=False)
    modes: dict[bool, NDArray[np.complex128]] = field(init=False)

    def __post_init__(self) -> None:
        self.freqs = rfftfreq(next_fast_len(self.n + int(0.3 * self.fs), real=True), 1 / self.fs)
        self.sums = np.zeros((self.points, len(self.freqs)), complex)
        self.modes = {False: self.cloud(320.0, 9), True: self.cloud(140.0, 6)}

    def cloud(self, low: float, count: int) -> NDArray[np.complex128]:
        """Modes as accelerance, a stiff remainder, and the late arrival of low bending waves."""
        poles, loss = draw_poles(self.rng, self.fs, low, count)
        f = self.freqs[None, :]
        modes = f**2 / (poles[:, None] ** 2 - f**2 + 1j * loss[:, None] * poles[:, None] * f) * loss[:, None] ** 0.5
        modes = np.vstack([modes, (self.freqs / self.fs) ** 2])
        late = self.rng.uniform(0.02, 0.12)
        return np.asarray(modes * np.exp(-1j * late * np.sqrt(self.freqs)), complex)

    def add(self, force: Floats, level: float, far: bool = False, contact_s: float = 3e-5) -> None:
        """``far``: through feet, floor and steelwork, which swallow the high notes."""
        if level <= 0 or not np.any(force):
            return
        gain = self.rng.standard_normal((self.points, len(self.modes[far]))) * self.rng.uniform(
            0.5, 1, (self.points, 1)
        )
        soft = np.exp(-((self.freqs * contact_s * 2.5) ** 2))
        if far:
            soft = soft / (1 + (self.freqs / self.rng.uniform(1500, 6000)) ** 2)
        self.put(rfft(force, 2 * (len(self.freqs) - 1)) * soft * (gain @ self.modes[far]), level)

    def lines(self, wave: Floats, level: float) -> None:
        """Slow shaking of the whole housing, the same wave at each point."""
        gain = self.rng.uniform(0.35, 1, (self.points, 1)) * self.rng.choice([-1.0, 1.0], (self.points, 1))
        self.put(gain * rfft(wave, 2 * (len(self.freqs) - 1)), level)

    def put(self, spectra: NDArray[np.complex128], level: float) -> None:
        size = np.max(self.root_mean(spectra, 0.0))
        self.sums += spectra * (level / max(float(size), 1e-12))

    def root_mean(self, spectra: NDArray[np.complex128], above_hz: float) -> Floats:
        total = 2 * (len(self.freqs) - 1)
        part = spectra[:, np.searchsorted(self.freqs, above_hz) :]
        power = 2 * np.sum(part.real**2 + part.imag**2, axis=1) / total / self.n
        return np.asarray(np.sqrt(power), float)

    def level(self, above_hz: float = 0.0) -> float:
        return float(np.max(self.root_mean(self.sums, above_hz)))

    def render(self, noise: float) -> dict[str, NDArray[np.float32]]:
        """Sensor and recorder: first-order low end, white and slow noise, and the steps of 16 or 24 bits."""
        corner = self.rng.uniform(0.3, 1.5)
        spectra = self.sums * (1j * self.freqs / (1j * self.freqs + corner))
        channels = {}
        bits = int(self.rng.choice([16, 24, 24]))
        names = POINTS if self.points == 3 else POINTS[1 : 1 + self.points]
        for name, spectrum in zip(names, spectra, strict=True):
            x = irfft(spectrum, 2 * (len(self.freqs) - 1))[: self.n]
            x = x + noise * self.rng.standard_normal(self.n) + 0.5 * noise * drift(self.rng, self.n, self.fs, 2.0)
            step = 1.6 * float(np.max(np.abs(x))) / 2 ** (bits - 1)
            channels[name] = (np.round(x / step) * step).astype(np.float32)
        return channels


VOICES = {"mesh": (0.15, 1.0, 0.3), "shaft": (1.0, 0.35, 0.3), "hiss": (0.15, 0.3, 1.0), "even": (0.5, 0.6, 0.5)}
"""Shares of shaft lines, mesh and rolling noise in a drive's sound."""


def sing(scene: Scene, m: Motion, level: float, voice: str, far: bool = False) -> None:
    """A drive in good order: unbalance and coupling, mesh with its errors, hiss of rolling that breathes with load."""
    rng = scene.rng
    shaft, mesh, hiss = VOICES[voice]
    theta = m.turns["input"]
    sizes = np.array([1, 0.5, 0.25, 0.12, 0.06]) * np.exp(rng.normal(0, 0.6, 5))
    scene.lines(total(a * np.cos(TWO_PI * (k * theta + rng.uniform())) for k, a in enumerate(sizes, 1)), shaft * level)
    if m.drive.stages[0].pins * np.ptp(theta) * m.fs / m.n > 0.46 * m.fs:
        # The mesh itself is not recorded; what is left of it below is the pitch errors alone.
        mesh *= 0.15
    for force, part in zip(mesh_forces(rng, m), (1.0, float(rng.uniform(0.15, 0.7))), strict=True):
        scene.add(force, part * mesh * level, far, contact_s=8e-5)
    ecc = m.turns["stage1.eccentric"]
    breath = 1 + float(rng.uniform(0.02, 0.2)) * np.cos(TWO_PI * (ecc + rng.uniform()))
    speed = np.abs(np.gradient(theta)) * m.fs
    slow = np.exp(0.12 * drift(rng, m.n, m.fs, 0.5)) * m.torque**0.5 * speed / max(float(speed.max()), 1e-9)
    scene.add(rng.standard_normal(m.n) * breath * slow, hiss * level, far, contact_s=1e-5)
    hum = np.cos(TWO_PI * 2 * m.drive.line_hz * np.arange(m.n) / m.fs)
    scene.lines(hum, float(rng.uniform(0.02, 0.15)) * level)


def hurt(rng: np.random.Generator, m: Motion, part: str) -> tuple[Floats, tuple[str, ...], float]:
    """Force of one damaged part, the tones it may be named by, and its blows per second."""
    where, _, what = part.partition(":")
    place = float(rng.uniform())
    towards = float(rng.uniform(0.1, 0.5))
    if what in ("ring_pin", "lobe", "output_pin"):
        stage = m.drive.stages[int(where[-1]) - 1]
        ecc, disc, out = (m.turns[f"{where}.{body}"] for body in ("eccentric", "disc", "output"))
        rival, seen = {"ring_pin": (0 * ecc, ecc), "lobe": (disc, disc), "output_pin": (out, out)}[what]
        when, size = [], []
        # A pin meets every disc over part of its length: the pit lies before one of them, more or less. A lobe has one.
        for k in range(1 if what == "lobe" else stage.discs):
            impacts = crossings(ecc - rival + k / stage.discs + place)
            when.append(impacts)
            size.append(
                (1.0 if k == 0 else float(rng.uniform(0, 0.5))) * (1 + towards * np.cos(TWO_PI * at(seen, impacts)))
            )
        impacts, blow = np.concatenate(when), np.concatenate(size)
        tones = {
            "ring_pin": ["ring_pin"],
            "lobe": ["lobe", "planet_tooth" if m.drive.family == "rv" else "output_pin"],
            "output_pin": ["output_pin", "lobe"],
        }[what]
        names = [f"{where}.{tone}" for tone in tones]
        if what == "ring_pin" and where == "stage1" and m.drive.family != "rv":
            names.append("input.shaft")
        share_of_turn = 0.15 / stage.pins
        pace = float(np.mean(np.abs(np.diff(ecc))))
    else:
        b = next(b for b in m.drive.bearings if b.name == where)
        inner, outer, load = m.turns[b.inner], m.turns[b.outer], m.turns[b.load]
        # The cage lags a little, more when the load is low, and it creeps.
        lag = float(rng.uniform(0.003, 0.012)) / np.maximum(m.torque, 0.5) + 0.0015 * drift(rng, m.n, m.fs, 0.7)
        relative = np.gradient(inner - outer)
        cage = outer + np.cumsum((1 - lag) * relative) * (1 - b.gamma) / 2
        share = float(rng.uniform(0.35, 0.7))
        still = float(rng.uniform(-0.08, 0.08))
        if what == "outer_race":
            # A spot in a ring that stands with its load lies where the load is, else it would not have spalled.
            spot = outer + (still if b.outer == b.load else place)
            impacts = crossings(b.elements * (cage - spot))
            angle = at(spot - load, impacts)
        elif what == "inner_race":
            spot = inner + (still if b.inner == b.load else place)
            impacts = crossings(b.elements * (spot - cage))
            angle = at(spot - load, impacts)
        elif what == "rolling_element":
            spin = np.cumsum(relative * (1 - 0.3 * lag)) * (1 - b.gamma**2) / (2 * b.element_mm / b.pitch_mm)
            impacts = crossings(2 * spin + place)
            angle = at(cage + place - load, impacts)
        else:
            impacts = crossings(cage - load + place)
            angle = np.zeros(len(impacts))
        impacts = impacts + rng.normal(0, 0.002 / max(len(impacts) / m.n, 1e-9), len(impacts)) * (what != "cage")
        blow = zone(angle, share) * (1 + towards * np.cos(TWO_PI * (at(load, impacts) + angle)))
        if what == "rolling_element":
            # Both races are struck in turn, the outer one nearer to the sensor; the spin axis tips now and then.
            blow = (blow + 0.15) * np.where(np.arange(len(impacts)) % 2 == 0, 1.0, float(rng.uniform(0.15, 0.8)))
            blow *= np.clip(0.8 + 0.4 * at(drift(rng, m.n, m.fs, 0.8), impacts), 0.1, None)
        names = [f"bearing.{b.name}.{what}"]
        share_of_turn = 0.08 / b.elements
        pace = float(np.mean(np.abs(relative))) / 2
    blow = blow * at(m.torque, impacts) * np.exp(rng.normal(0, 0.15, len(impacts)))
    # Soft push at the near edge of the pit, hard blow at the far edge.
    force = strike(m.n, impacts, blow) - 0.35 * strike(m.n, impacts - share_of_turn / max(pace, 1e-9), blow)
    return force, tuple(names), len(impacts) * m.fs / m.n


def comb(rng: np.random.Generator, turns: Floats, per_turn: int, uneven: float, jitter: float) -> Floats:
    """Blows of a wheel of ``per_turn`` teeth, paddles or flights; every tooth has its own height."""
    impacts = crossings(turns * per_turn + rng.uniform())
    height = np.exp(uneven * rng.standard_normal(per_turn))[np.arange(len(impacts)) % per_turn]
    gap = len(turns) / max(len(impacts), 1)
    impacts = impacts + rng.normal(0, jitter, len(impacts)) * gap
    return strike(len(turns), impacts, height * np.exp(rng.normal(0, 0.25, len(impacts))))


def random_blows(rng: np.random.Generator, n: int, fs: float, rate: Floats | float) -> Floats:
    chance = rng.random(n) < np.asarray(rate) / fs
    impacts = np.flatnonzero(chance) + rng.random(int(chance.sum()))
    return strike(n, impacts, rng.exponential(1, len(impacts)) ** 1.5)


def surround(scene: Scene, m: Motion, what: str, level: float, marks: dict[str, float]) -> None:
    """One thing that stands, runs or knocks next to the drive, or hangs on its output."""
    rng, n, fs = scene.rng, m.n, m.fs
    t = np.arange(n) / fs
    line = m.drive.line_hz
    theta, out = m.turns["input"], m.turns[f"stage{len(m.drive.stages)}.output"]
    other = line / 2 * float(rng.uniform(0.94, 0.99)) * t * (1 + 1e-4 * drift(rng, n, fs, 0.3))
    noise = rng.standard_normal(n)
    if what in ("chain", "flights", "paddles", "buckets"):
        low, high = {"chain": (9, 41), "flights": (2, 7), "paddles": (3, 13), "buckets": (11, 30)}[what]
        own = {s.lobes for s in m.drive.stages} | {s.pins for s in m.drive.stages}
        # A whole multiple of lobes or pins would be the very blows of a damaged lobe or pin.
        choice = [k for k in range(low, high) if all(k % mine for mine in own)]
        count = int(rng.choice(choice))
        marks["strikes_per_turn"] = float(count)
        force = comb(rng, out, count, float(rng.uniform(0.05, 0.5)), float(rng.uniform(0.003, 0.03)))
        scene.add(force, level, far=bool(rng.random() < 0.4), contact_s=float(rng.uniform(3e-5, 2e-4)))
    elif what == "fan":
        # As many blades as pins or lobes would sing the drive's own note: no one could distinguish them.
        own = {s.lobes for s in m.drive.stages} | {s.pins for s in m.drive.stages}
        blades = int(rng.choice([k for k in range(5, 14) if k not in own]))
        wash = 1 + 0.5 * np.cos(TWO_PI * blades * theta)
        scene.lines(np.cos(TWO_PI * blades * theta) + 0.4 * np.cos(TWO_PI * 2 * blades * theta + 1), 0.7 * level)
        scene.add(noise * wash, 0.7 * level, contact_s=6e-5)
    elif what == "beating fans":
        blades = int(rng.integers(6, 10))
        second = other * (1 + float(rng.uniform(0.002, 0.01)))
        scene.lines(total(np.cos(TWO_PI * (k * p)) for p in (other, second) for k in (1, blades)), level)
        scene.add(noise * (1 + 0.6 * np.cos(TWO_PI * blades * (other - second))), 0.5 * level, far=True)
    elif what in ("twin", "ill twin"):
        # The gap must show within the capture: a pair closer than that nobody could part.
        gap = float(rng.uniform(min(0.014, max(0.0015, fs / n / m.drive.speed_hz)), 0.015)) * float(rng.choice([-1, 1]))
        marks["twin_gap"] = gap
        twin = move(rng, m.drive, fs, n, m.drive.speed_hz * (1 + gap), 1 + 0.03 * drift(rng, n, fs, 0.5))
        sing(scene, twin, level, "mesh", far=True)
        if what == "ill twin":
            scene.add(hurt(rng, twin, "stage1:ring_pin")[0], 0.8 * level, far=True)
    elif what == "inverter":
        carrier = float(rng.choice([2000.0, 2500.0, 4000.0]))
        carrier = min(carrier, 0.3 * fs)
        parts = [(carrier + k * line, a) for k, a in ((-4, 0.3), (-2, 1.0), (0, 0.2), (2, 0.9), (4, 0.35))]
        parts += [(2 * carrier + k * line, a) for k, a in ((-1, 0.6), (1, 0.6)) if 2 * carrier + line < 0.45 * fs]
        scene.lines(total(a * np.cos(TWO_PI * (f * t + rng.uniform())) for f, a in parts), level)
    elif what == "line hum":
        scene.lines(
            total(a * np.cos(TWO_PI * k * line * t + k) for k, a in ((1, 0.2), (2, 1), (4, 0.4), (6, 0.2))), level
        )
    elif what == "lid buzz":
        # A loose terminal lid chatters on the magnetic pull, skipping now and then.
        impacts = crossings(2 * line * t)
        impacts = impacts[rng.random(len(impacts)) < 0.8]
        scene.add(
            strike(n, impacts + rng.normal(0, 0.0004 * fs, len(impacts)), rng.uniform(0.3, 1, len(impacts))), level
        )
    elif what == "shocks":
        scene.add(random_blows(rng, n, fs, float(rng.uniform(1, 12))), level, contact_s=float(rng.uniform(4e-5, 2e-4)))
    elif what == "rapper":
        # A bin knocker: a burst of hammer blows from a timer.
        impacts = np.arange(float(rng.uniform(0, 0.3)), n / fs, float(rng.uniform(0.35, 1.1)))
        scene.add(
            strike(n, fs * (impacts + rng.normal(0, 0.003, len(impacts))), np.ones(len(impacts))), level, far=True
        )
    elif what == "rail joints":
        impacts = np.cumsum(rng.uniform(0.9, 1.1, 40)) * float(rng.uniform(0.3, 0.9))
        pairs = np.concatenate([impacts, impacts + 0.11])
        scene.add(strike(n, pairs * fs, rng.uniform(0.4, 1, len(pairs))), level, contact_s=2e-4)
    elif what == "idlers":
        # Rolls of a belt conveyor, nearly alike: each with its own seam, so their beats come and go.
        rolls = [float(rng.uniform(3.2, 9.0)) * (1 + 0.03 * float(rng.normal())) for _ in range(7)]
        scene.add(total(comb(rng, r * t, 1, 0.0, 0.006) * rng.uniform(0.3, 1) for r in rolls), level, far=True)
    elif what in ("pump", "cavitation"):
        vanes = int(rng.integers(3, 8))
        beat = np.clip(0.3 + np.cos(TWO_PI * vanes * other) + 0.3 * np.cos(TWO_PI * other), 0, None)
        scene.lines(
            np.cos(TWO_PI * vanes * other) + 0.4 * np.cos(TWO_PI * other) + 0.3 * np.cos(TWO_PI * 2 * vanes * other),
            level,
        )
        force = random_blows(rng, n, fs, 900 * beat) if what == "cavitation" else noise * (1 + 0.5 * beat)
        scene.add(force, level, far=True)
    elif what == "hammer":
        impacts = np.sort(rng.uniform(0, n, int(rng.integers(2, 5))))
        scene.add(strike(n, impacts, rng.uniform(0.5, 1, len(impacts))), level, far=True, contact_s=4e-4)
        swing = total(
            np.exp(-np.clip(t - h / fs, 0, None) * 5) * np.sin(TWO_PI * 17 * t) * (t > h / fs) for h in impacts
        )
        scene.lines(swing, 0.5 * level)
    elif what == "compressor":
        slow = 0.31 * other
        scene.lines(total(np.cos(TWO_PI * k * slow + k * k) / k for k in range(1, 7)), level)
        scene.add(comb(rng, slow, 2, 0.3, 0.01), 0.7 * level, far=True, contact_s=2e-4)
    elif what == "guard":
        # Sheet metal excited by the shaft: it bounces, so most turns find it late, early or not at all.
        impacts = crossings(theta + rng.uniform())
        impacts = impacts[rng.random(len(impacts)) < 0.6]
        impacts = impacts + rng.normal(0, 0.16 * fs / m.drive.speed_hz, len(impacts))
        scene.add(strike(n, impacts, rng.exponential(1, len(impacts))), level, contact_s=1e-4)
    elif what == "coupling":
        jaws = int(rng.choice([4, 6, 8]))
        scene.lines(total(np.cos(TWO_PI * k * theta + k) / k for k in (1, 2, 3, jaws)), level)
        scene.add(noise * np.clip(np.cos(TWO_PI * jaws * theta), 0, None) ** 2, 0.4 * level, contact_s=1e-4)
    elif what == "oil pump":
        lobes = int(rng.choice([5, 7, 9]))
        scene.lines(total(np.cos(TWO_PI * k * lobes * theta + k) / k**0.5 for k in (1, 2, 3, 4)), level)
    elif what == "pawls":
        # A backstop whose pawls ride over a ratchet on the output.
        own = {s.lobes for s in m.drive.stages} | {s.pins for s in m.drive.stages}
        count = int(rng.choice([k for k in (13, 16, 19, 20, 23, 25) if all(k % mine for mine in own)]))
        marks["strikes_per_turn"] = float(count)
        scene.add(comb(rng, out, count, 0.1, 0.004), level)
    elif what == "belt splice":
        scene.add(comb(rng, theta * float(rng.uniform(0.21, 0.43)), 1, 0.0, 0.004), level, far=True, contact_s=3e-4)
    elif what == "air leak":
        scene.add(noise * np.exp(0.4 * drift(rng, n, fs, 1.0)), level, contact_s=1e-6)
    elif what == "hosing":
        scene.add(random_blows(rng, n, fs, 4000 * np.clip(1 + drift(rng, n, fs, 0.5), 0.02, None)), level)


def unmatched(scene: Scene, m: Motion, what: str, level: float) -> None:
    """Another machine under the sensor, at nearly the speed of this drive."""
    rng, n, fs = scene.rng, m.n, m.fs
    t, theta, noise = np.arange(n) / fs, m.turns["input"], rng.standard_normal(n)
    if what in ("bare motor", "uncoupled motor"):
        sizes = (1, 0.3, 0.12) if what == "bare motor" else (1, 0.15, 0.05)
        scene.lines(total(a * np.cos(TWO_PI * k * theta + k) for k, a in enumerate(sizes, 1)), level)
        surround(scene, m, "line hum", 0.5 * level, {})
        bars = int(rng.choice([28, 34, 44]))
        scene.lines(np.cos(TWO_PI * (bars * theta - 2 * m.drive.line_hz * t)), 0.2 * level)
        scene.add(noise, 0.3 * level)
        if what == "bare motor":
            surround(scene, m, "fan", 0.6 * level, {})
    elif what == "spur gearbox":
        teeth = int(rng.choice([k for k in range(19, 28) if k % m.drive.stages[0].pins]))
        wheel = int(rng.integers(61, 93))
        top = int(0.44 * fs / m.drive.speed_hz)
        pinion, gear = (
            bumps(rng, teeth, min(top, 6 * teeth), 0.1, 0.7),
            bumps(rng, wheel, min(top, 6 * wheel), 0.1, 0.7),
        )
        scene.add(pinion(theta) + 0.6 * gear(theta * teeth / wheel), level, contact_s=8e-5)
        scene.lines(np.cos(TWO_PI * theta) + 0.5 * np.cos(TWO_PI * theta * teeth / wheel), 0.3 * level)
        scene.add(noise, 0.3 * level)
    elif what == "belt pump":
        pulley, belt = theta * 0.617, theta * 0.203
        scene.lines(total(a * np.cos(TWO_PI * k * belt + k) for k, a in ((1, 0.5), (2, 0.6), (3, 0.2))), 0.5 * level)
        scene.lines(np.cos(TWO_PI * pulley) + 0.5 * np.cos(TWO_PI * 5 * pulley) + 0.3 * np.cos(TWO_PI * theta), level)
        scene.add(noise * (1 + 0.4 * np.cos(TWO_PI * 5 * pulley)), 0.6 * level)
    elif what == "calibrator":
        # A hand-held shaker, 1000 rad/s, 10 m/s^2: the sensor was never put back.
        scene.lines(np.cos(1000 * t) + 0.01 * np.cos(2000 * t), 10.0)
    elif what == "carried":
        # The sensor in the hand of someone who walks: sway, steps, and knocks of the magnet.
        scene.lines(np.cos(TWO_PI * 1.8 * t + 0.6 * drift(rng, n, fs, 0.4)) + 0.6 * drift(rng, n, fs, 3.0), level)
        scene.add(random_blows(rng, n, fs, 2.0), level, contact_s=2e-4)
    elif what == "held brake":
        surround(scene, m, "inverter", level, {})
        surround(scene, m, "line hum", 0.3 * level, {})
    else:
        surround(scene, m, what, level, {})


SOUND = [
    Plan("plain", "sound"),
    Plan("plain rv", "sound", "rv"),
    Plan("beside chain", "sound", around="chain"),
    Plan("quiet weak mesh", "sound", "single", "weak"),
    Plan("screw flights", "sound", around="flights"),
    Plan("ill twin", "sound", around="ill twin"),
    Plan("mesh above band", "sound", "high", "slow recorder"),
    Plan("rv with process", "sound", "rv", around="chain|shocks"),
    Plan("slow ramp", "sound", "single", "ramp"),
    Plan("bin rapper", "sound", "double", around="rapper|rapper,air leak"),
    Plan("two stages", "sound", "two", around="|paddles"),
    Plan("inverter whine", "sound", around="inverter|inverter,line hum"),
    Plan("short capture", "sound", "single", "short"),
    Plan("beside twin", "sound", "single", around="twin"),
    Plan("load cycles", "sound", "double", "cycles"),
    Plan("cavitating pump", "sound", around="cavitation|cavitation,hammer"),
    Plan("travelling crab", "sound", around="rail joints", manner="cycles|steady"),
    Plan("backstop pawls", "sound", "single", around="pawls"),
    Plan("conveyor idlers", "sound", "high", around="idlers|idlers,belt splice"),
    Plan("fans and oil", "sound", "single|rv", around="fan,beating fans|oil pump"),
    Plan("compressor", "sound", "two", around="compressor"),
    Plan("rattling guard", "sound", around="guard|guard,coupling"),
    Plan("lid buzz", "sound", around="lid buzz"),
]
UNUSABLE = [
    Plan("idle, pump runs|idle, cavitation", "unusable", manner="pump|cavitation"),
    Plan("start from rest", "unusable", "single|rv", "start"),
    Plan("spur gearbox", "unusable", manner="spur gearbox"),
    Plan("only noise|hosed down", "unusable", manner="silence|hosing"),
    Plan("other ratio", "unusable", "single|rv", "other ratio"),
    Plan("idle, twin runs|idle, dead pulses", "unusable", manner="off twin|dead pulses"),
    Plan("coast-down", "unusable", manner="coast"),
    Plan("bare motor", "unusable", manner="bare motor"),
    Plan("left on calibrator|carried in hand", "unusable", "double|rv", "calibrator|carried"),
    Plan("stop inside|stop and restart", "unusable", manner="stop|restart"),
    Plan("belt pump|held brake", "unusable", manner="belt pump|held brake"),
    Plan("uncoupled motor", "unusable", "single|two", "uncoupled motor"),
]
NEAR_RACE = "eccentric bearing:inner_race"
DAMAGED = [
    Plan("outer race", "damaged", damage="eccentric bearing:outer_race"),
    Plan("rv crank bearing", "damaged", "rv", damage="crank bearing:outer_race|crank bearing:inner_race"),
    Plan("lobe by chain", "damaged", around="chain", damage="stage1:lobe"),
    Plan("ring pin", "damaged", damage="stage1:ring_pin"),
    Plan("inner race", "damaged", damage="eccentric bearing:inner_race|flange bearing:inner_race"),
    Plan("rv pin or lobe", "damaged", "rv", damage="stage1:ring_pin|stage1:lobe"),
    Plan("roller", "damaged", damage="eccentric bearing:rolling_element|input bearing:rolling_element"),
    Plan("bearing by twin", "damaged", around="twin", damage="eccentric bearing:outer_race|input bearing:inner_race"),
    Plan("output pin", "damaged", damage="stage1:output_pin", manner="steady|cycles"),
    Plan("two-stage bearing", "damaged", "two", damage="eccentric bearing:outer_race|output pair:inner_race"),
    Plan("cage", "damaged", damage="input bearing:cage"),
    Plan("difference two", "damaged", "double", damage="stage1:lobe|stage1:ring_pin"),
    Plan("input bearing, fans", "damaged", "high", around="beating fans|inverter", damage="input bearing:outer_race"),
    Plan("rv support", "damaged", "rv", damage="crank support:outer_race|crank bearing:rolling_element"),
    Plan("race by paddles|race by buzz", "damaged", "single", "ramp|steady", "paddles|lid buzz", NEAR_RACE),
]


def mixed() -> list[Plan]:
    """Every truth spread evenly over the list, so that any beginning of it is a fair sample."""
    parts = (SOUND, DAMAGED, UNUSABLE)
    placed = [((i + 0.5) / len(part), k, plan) for k, part in enumerate(parts) for i, plan in enumerate(part)]
    return [plan for _, _, plan in sorted(placed, key=lambda row: row[:2])]


PLANS = mixed()
COUNT = 2 * len(PLANS)
ALIEN = "pump|cavitation|hosing|bare motor|uncoupled motor|spur gearbox|belt pump|calibrator|carried|silence|held brake"
UNMATCHED = frozenset(ALIEN.split("|"))
"""Where nothing of the drive turns and something else is under the sensor."""


def lap_of(text: str, lap: int) -> str:
    entries = text.split("|")
    return entries[lap % len(entries)]


def course(rng: np.random.Generator, manner: str, speed: float, n: int) -> Floats | float:
    """Speed over the capture, for drives that do not simply run."""
    x = np.linspace(0, 1, n)
    if manner == "ramp":
        return speed * (1 + float(rng.uniform(0.01, 0.03)) * float(rng.choice([-1, 1])) * (x - 0.5))
    if manner == "start":
        return speed * np.clip(x / float(rng.uniform(0.8, 1.1)), 0, 1) ** float(rng.uniform(0.8, 1.3))
    if manner == "coast":
        return speed * np.clip(1 - x / float(rng.uniform(0.85, 1.2)), 0, None)
    if manner == "stop":
        return speed * np.clip((float(rng.uniform(0.4, 0.6)) - x) / 0.15, 0, 1)
    if manner == "restart":
        return speed * np.clip(np.abs(x - float(rng.uniform(0.45, 0.55))) / 0.1 - 1, 0, 1)
    return speed


MOTOR = ("speed_hz", "low_rpm", "high_rpm", "line_hz", "poles")


def other_drive(rng: np.random.Generator, drive: Drive) -> Drive:
    """A drive of quite another ratio on a like motor: someone mixed up the sheets."""
    while True:
        other = draw_drive(rng, "rv" if drive.family == "rv" else "single")
        mine, its = drive.stages[0], other.stages[0]
        if abs(mine.pins - its.pins) >= 4 and mine.pins % its.pins and its.pins % mine.pins:
            return replace(other, **{key: getattr(drive, key) for key in MOTOR})


def recorder(rng: np.random.Generator, manner: str, plan: Plan) -> tuple[float, int]:
    """Sample rate and length; slow turning parts get the long captures that a careful person takes."""
    if manner == "slow recorder":
        return 6400.0, int(6400 * rng.uniform(8, 16))
    if manner == "short":
        fs, seconds = float(rng.choice([12800.0, 25600.0])), float(rng.uniform(3, 4.5))
    elif plan.damage and plan.family in ("rv", "two", "high"):
        fs, seconds = float(rng.choice([16000.0, 25600.0])), float(rng.uniform(12, 16))
    else:
        fs = float(rng.choice([12800.0, 16000.0, 20000.0, 25600.0, 25600.0, 51200.0]))
        seconds = float(rng.uniform(6, 8 if fs > 50000 else 12))
    return fs, int(fs * seconds)


def pulse_train(rng: np.random.Generator, turns: Floats, turning: bool) -> NDArray[np.float32]:
    """A proximity switch at a key: high over part of a turn; hum and noise on the cable."""
    high = ((turns % 1.0) < 0.15) * 4.5 if turning else np.zeros(len(turns))
    return (0.3 + high + 0.04 * rng.standard_normal(len(turns))).astype(np.float32)


def case(number: int) -> WorldCase:
    if not 0 <= number < COUNT:
        raise IndexError(number)
    rng = np.random.default_rng([number, SEED])
    plan, lap = PLANS[number % len(PLANS)], number // len(PLANS)
    manner, damage = lap_of(plan.manner, lap), lap_of(plan.damage, lap)
    drive = draw_drive(rng, lap_of(plan.family, lap))
    if manner == "slow recorder":
        while drive.stages[0].pins * drive.speed_hz < 3300:
            drive = draw_drive(rng, "high")
    fs, n = recorder(rng, manner, plan)
    torque = np.clip(1 + float(rng.uniform(0.01, 0.06)) * drift(rng, n, fs, 0.6), 0.3, None)
    if manner == "cycles":
        # Loads come and go with the grab, the charge, the wave.
        torque = torque * (
            1 + float(rng.uniform(0.2, 0.45)) * np.sin(TWO_PI * float(rng.uniform(0.15, 0.6)) * np.arange(n) / fs)
        )
    sounding = other_drive(rng, drive) if manner == "other ratio" else drive
    speed = course(rng, manner, drive.speed_hz, n)
    if manner == "off twin":
        speed = drive.speed_hz * float(rng.choice([rng.uniform(0.8, 0.93), rng.uniform(1.07, 1.2)]))
    m = move(rng, sounding, fs, n, speed, torque)
    scene = Scene(rng, fs, n, int(rng.integers(1, 4)))
    level = float(np.exp(rng.uniform(np.log(0.4), np.log(3.2))))
    marks = {"level": level}
    voice = "mesh" if manner == "other ratio" else str(rng.choice(list(VOICES)))
    noise = float(np.exp(rng.uniform(np.log(0.003), np.log(0.02))))
    tones: tuple[str, ...] = ()
    if manner in UNMATCHED:
        unmatched(scene, m, manner, level if manner != "silence" else 0.0)
        noise = noise if scene.level() else 0.3
    elif manner in ("off twin", "dead pulses"):
        sing(scene, m, 0.5 * level, "mesh", far=True)
    elif manner == "weak":
        level = 0.3 + 0.1 * level
        sing(scene, m, level, "shaft" if lap else "hiss")
        noise = 0.2 * level
    else:
        sing(scene, m, level, voice)
    own = scene.level()
    for what in filter(None, lap_of(plan.around, lap).split(",")):
        # From hardly there to several times the drive; next to damage it must not bury what should be found.
        # Nor may an ill twin drown this drive: one would then have to say whose pin it is without any means to tell.
        top = 0.8 if damage or what == "ill twin" else 3.5
        times = float(np.exp(rng.uniform(np.log(0.15), np.log(top))))
        marks[f"times_{what.replace(' ', '_')}"] = times
        surround(scene, m, what, times * own, marks)
    if damage:
        force, tones, pace = hurt(rng, m, damage)
        strength = float(np.exp(rng.uniform(np.log(0.7), np.log(2.5))))
        scene.add(force, strength * float(np.hypot(scene.level(600.0), noise)), contact_s=2e-5)
        marks |= {"strength": strength, "strikes_per_second": pace}
    running = plan.truth != "unusable" or manner in ("start", "coast", "stop", "restart")
    pulses: NDArray[np.float32] | None
    if manner == "dead pulses":
        pulses = pulse_train(rng, m.turns["input"], turning=False)
    else:
        steady = manner not in UNMATCHED and manner not in ("off twin", "other ratio")
        pulses = pulse_train(rng, m.turns["input"], turning=True) if steady and rng.random() < 0.25 else None
    true_speed = float(m.turns["input"][-1] - m.turns["input"][0]) * fs / (n - 1) if running else None
    near = 1 + float(rng.uniform(-0.01, 0.01))
    return WorldCase(
        name=f"harbour-{number:03d}",
        kind=lap_of(plan.kind, lap),
        truth=plan.truth,
        drive_toml=write_toml(drive, f"HB-{number:03d}"),
        channels=scene.render(noise),
        sample_rate_hz=fs,
        speed_hz=true_speed,
        pulses=pulses,
        noted_rpm=round(drive.speed_hz * 60 * near) if rng.random() < 0.5 else None,
        damaged=tones,
        marks=marks,
    )
