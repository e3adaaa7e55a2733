"""Drives in bolted castings of high modal density, among the machines that a plant really puts next to them.

Every signal follows from angles: bodies turn at rates got from rolling without slip, cages creep, a damaged spot speaks
when it crosses what it meets. A path is not a handful of resonators but a reverberant casting: band-wise decaying
noise, coloured by clusters of modes and by the sensor's mount. A spot that is carried round wanders between two paths.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray
from scipy.signal import butter, oaconvolve, sosfilt, welch

from tests.worlds.case import Truth, WorldCase

Array = NDArray[np.float64]
Rng = np.random.Generator
POINTS = ("input end", "ring top", "output end")


@dataclass(frozen=True, slots=True)
class Bearing:
    name: str
    inner: str
    outer: str
    load: str
    elements: int
    element: float
    pitch: float
    contact: float = 0.0


@dataclass(frozen=True, slots=True)
class Stage:
    lobes: int
    pins: int
    output_pins: int = 8
    discs: int = 2
    sun: int = 0
    planet: int = 0
    cranks: int = 3


@dataclass(frozen=True, slots=True)
class Drive:
    stages: tuple[Stage, ...]
    bearings: tuple[Bearing, ...]
    rates: dict[str, float]
    """Turns of each body per turn of the input."""
    rpm: float
    spread: float
    line: int
    poles: int

    @property
    def rv(self) -> bool:
        return self.stages[0].sun > 0

    @property
    def output(self) -> str:
        return f"stage{len(self.stages)}.output"

    def toml(self, number: int) -> str:
        low, high = self.rpm * (1 - self.spread), self.rpm * (1 + self.spread)
        rows = [f'tag = "LS-{number:03d}"', f'name = "lakeside {number}"', "[input]", f"speed_rpm = {self.rpm:.1f}"]
        rows += [f"speed_range_rpm = [{low:.1f}, {high:.1f}]", "power_kw = 4.0", "[motor]", f"poles = {self.poles}"]
        rows += [f"line_hz = {self.line}"]
        for stage in self.stages:
            rows += ["[[stage]]", f'kind = "{"rv" if stage.sun else "cycloidal"}"']
            if stage.sun:
                rows += [f"sun_teeth = {stage.sun}", f"planet_teeth = {stage.planet}", f"cranks = {stage.cranks}"]
            rows += [f"lobes = {stage.lobes}", f"ring_pins = {stage.pins}"]
            rows += [] if stage.sun else [f"output_pins = {stage.output_pins}"]
            rows += [f"discs = {stage.discs}", 'fixed = "ring"']
        for b in self.bearings:
            rows += ["[[bearing]]", f'name = "{b.name}"', f'inner = "{b.inner}"', f'outer = "{b.outer}"']
            rows += [f'load = "{b.load}"', f"elements = {b.elements}", f"element_diameter_mm = {b.element:.2f}"]
            rows += [f"pitch_diameter_mm = {b.pitch:.2f}", f"contact_angle_deg = {b.contact:.1f}"]
        return "\n".join(rows) + "\n"


def body_rates(stages: tuple[Stage, ...]) -> dict[str, float]:
    """Rolling of lobes in pins: seen from the eccentric, ring and disc pass the same number of teeth."""
    rates = {"housing": 0.0, "input": 1.0}
    turn = 1.0
    for i, s in enumerate(stages, 1):
        per_crank = 1.0 - s.pins / s.lobes
        if s.sun:  # cranks ride in the carrier, so sun, planet and disc must agree on the carrier's speed
            carrier = s.sun * turn / (s.sun + s.planet * (1.0 - 1.0 / per_crank))
            rates |= {f"stage{i}.crank": carrier / per_crank, f"stage{i}.carrier": carrier}
            rates |= {f"stage{i}.eccentric": carrier / per_crank, f"stage{i}.disc": carrier}
            turn = carrier
        else:
            rates |= {f"stage{i}.eccentric": turn, f"stage{i}.disc": turn * per_crank}
            turn *= per_crank
        rates |= {f"stage{i}.output": turn, f"stage{i}.ring": 0.0}
    return rates


def rolling_set(rng: Rng, name: str, inner: str, outer: str, load: str, pitch: float) -> Bearing:
    """Any catalogue is full of these: elements fill 65 to 92 % of the pitch circle."""
    share = rng.uniform(0.14, 0.27)
    elements = int(np.pi / share * rng.uniform(0.65, 0.92))
    contact = float(rng.choice([0.0, 0.0, 0.0, 15.0, 30.0]))
    return Bearing(name, inner, outer, load, max(elements, 6), share * pitch, pitch, contact)


def make_drive(rng: Rng, form: str = "", lobes: int = 0) -> Drive:
    form = form or str(rng.choice(["single", "two", "rv"], p=[0.74, 0.13, 0.13]))
    discs = int(rng.choice([1, 2, 2, 2, 3]))
    pick = lobes or int(rng.choice([6, 9, 11, 13, 15, 17, 21, 25, 29, 35, 43, 51, 59, 71, 87, 119]))
    pins = 6 if pick < 9 else 8 if pick < 25 else 10 if pick < 50 else 12
    bearings = [rolling_set(rng, "motor side", "input", "housing", "housing", rng.uniform(35, 60))]
    stages: tuple[Stage, ...]
    if form == "rv":
        sun = int(rng.integers(12, 25))
        pick = lobes or int(rng.choice([29, 33, 39, 39, 45]))
        planet = int(rng.integers(26, 55))
        stages = (Stage(pick, pick + 1, discs=2, sun=sun, planet=planet, cranks=int(rng.choice([2, 3, 3]))),)
        bearings += [
            rolling_set(rng, "crank", "stage1.crank", "stage1.disc", "stage1.crank", rng.uniform(25, 45)),
            rolling_set(rng, "crank seat", "stage1.crank", "stage1.carrier", "stage1.carrier", rng.uniform(22, 40)),
            Bearing("main", "stage1.carrier", "housing", "housing", int(rng.integers(28, 44)), 10, 190, 40),
        ]
    else:
        step = 2 if form == "single" and pick % 2 and pick > 20 and rng.random() < 0.2 else 1
        stages = (Stage(pick, pick + step, pins, discs),)
        if form == "two":
            first, second = int(rng.choice([6, 8, 11, 13])), int(rng.choice([6, 8, 11, 17, 29]))
            stages = (Stage(first, first + 1, 6, discs), Stage(second, second + 1, 8, 2))
        for i in range(1, len(stages) + 1):
            ecc, disc = f"stage{i}.eccentric", f"stage{i}.disc"
            bearings.append(rolling_set(rng, f"eccentric {i}", ecc, disc, ecc, rng.uniform(38, 80)))
        if rng.random() < 0.6:
            bearings.append(rolling_set(rng, "spigot", "input", "stage1.output", "housing", rng.uniform(25, 40)))
        last = f"stage{len(stages)}.output"
        bearings.append(rolling_set(rng, "output seat", last, "housing", "housing", rng.uniform(80, 140)))
    poles, line = int(rng.choice([2, 4, 4, 4, 6, 8])), int(rng.choice([50, 50, 60]))
    rpm = 120 * line / poles * (1 - rng.uniform(0.01, 0.045))
    if rpm > 2900 or rng.random() < 0.15:  # on an inverter
        rpm = rng.uniform(620, 2850)
    return Drive(stages, tuple(bearings), body_rates(stages), float(rpm), rng.uniform(0.02, 0.04), line, poles)


# ---------------------------------------------------------------------------------------------------------- paths


class Casting:
    """Impulse answers of one structure: clusters of modes shared by all places, fine structure of each its own."""

    def __init__(self, rng: Rng, rate: float, points: int, dull: float = 0.0) -> None:
        self.rng, self.rate, self.points, self.dull = rng, rate, points, dull
        top = 0.42 * rate
        self.centres = np.exp(rng.uniform(np.log(500), np.log(min(top, 14000)), rng.integers(3, 7)))
        self.widths = rng.uniform(0.03, 0.16, self.centres.size)
        self.gains = np.exp(rng.normal(1.6, 0.6, self.centres.size))
        self.mount = rng.uniform(0.55, 1.3) * min(12000.0, 0.6 * rate)
        self.quality = rng.uniform(12, 45)
        self.near = np.exp(rng.normal(0, 0.35, points))
        self.near[0] = max(self.near[0], 0.8)

    def path(self) -> list[Array]:
        return [self.answer() * near for near in self.near]

    def answer(self) -> Array:
        size = 1 << int(np.ceil(np.log2(0.05 * self.rate)))
        f = np.fft.rfftfreq(size, 1 / self.rate)
        safe = np.maximum(f, 40.0)
        colour = 0.35 + 0 * f
        for c, w, g in zip(self.centres, self.widths, self.gains, strict=True):
            colour += g * np.exp(self.rng.normal(0, 0.3)) * np.exp(-(np.log(safe / c) ** 2) / (2 * w * w))
        colour *= (safe / (safe + 350)) * (1000 / safe) ** self.dull
        colour /= np.sqrt((1 - (f / self.mount) ** 2) ** 2 + (0.25 * f / self.mount) ** 2)
        colour /= 1 + (f / (0.44 * self.rate)) ** 16
        dice = (self.rng.normal(size=f.size) + 1j * self.rng.normal(size=f.size)) * colour
        edges = np.geomspace(150, 0.5 * self.rate, 10)
        t = np.arange(size) / self.rate
        total = np.zeros(size)
        for low, high in zip([0.0, *edges[:-1]], edges, strict=True):
            band = np.fft.irfft(np.where((f >= low) & (f < high), dice, 0), size)
            total += band * np.exp(-t * np.pi * max(0.7 * high, 250) / self.quality)
        return total / np.sqrt(np.sum(total**2))


# ---------------------------------------------------------------------------------------------------------- scene


@dataclass(slots=True)
class Scene:
    rng: Rng
    drive: Drive
    rate: float
    t: Array
    points: int
    turns: Array
    """Angle of the input, in turns."""
    pace: Array
    """Speed of the input [Hz]."""
    load: Array
    house: Casting
    marks: dict[str, float] = field(default_factory=dict)

    def angle(self, body: str) -> Array:
        return self.drive.rates[body] * self.turns

    def far(self, dull: float = 0.5) -> Casting:
        return Casting(self.rng, self.rate, self.points, dull)

    def send(self, force: Array, house: Casting | None = None) -> Array:
        paths = (house or self.house).path()
        return np.stack([oaconvolve(force, p)[: self.t.size] for p in paths])

    def lines(self, phase: Array, sizes: Array) -> Array:
        """Low harmonics move the whole casting: no resonance, another phase at every point."""
        out = np.zeros((self.points, self.t.size))
        for k, size in enumerate(sizes, 1):
            for row in out:
                row += size * self.rng.uniform(0.4, 1.2) * np.cos(2 * np.pi * (k * phase + self.rng.random()))
        return out


def wander(rng: Rng, n: int, rate: float, seconds: float) -> Array:
    """Slow unit noise: coarse steps, joined smoothly."""
    coarse = max(int(n / rate / seconds * 4) + 3, 4)
    knots = sosfilt(butter(1, 0.25, output="sos"), rng.normal(size=coarse + 8))[8:]
    out = np.interp(np.linspace(0, coarse - 1, n), np.arange(coarse), knots)
    return out / (np.std(knots) + 1e-9)


def set_scene(
    rng: Rng, drive: Drive, *, rate: float = 0, seconds: float = 0, ramp: float = 0, shape: str = "", off: float = 0.008
) -> Scene:
    rate = rate or float(rng.choice([10240, 12800, 20480, 25600, 25600, 51200]))
    seconds = seconds or rng.uniform(6, 12) * (0.6 if rate > 50000 else 1)
    n = min(int(rate * seconds), 250_000)
    seconds = n / rate
    t = np.arange(n) / rate
    speed = drive.rpm / 60 * (1 + rng.uniform(-off, off))
    pace = speed * (1 + 10 ** rng.uniform(-4.5, -3.1) * wander(rng, n, rate, rng.uniform(0.5, 3)))
    pace *= 1 + ramp * (t / seconds - 0.5)
    pace *= profile(rng, shape, t / seconds)
    points = int(rng.choice([1, 2, 3], p=[0.35, 0.4, 0.25]))
    load = 1 + rng.uniform(0.01, 0.08) * wander(rng, n, rate, rng.uniform(0.3, 2))
    turns = np.cumsum(pace) / rate + rng.random()
    return Scene(rng, drive, rate, t, points, turns, pace, load, Casting(rng, rate, points))


def profile(rng: Rng, shape: str, x: Array) -> Array:
    """Speed over the capture, as a share of full speed."""
    a = rng.uniform(0.3, 0.5)
    if shape == "start":
        return np.clip((x - 0.05) / rng.uniform(0.75, 0.95), 0, 1) ** 0.8
    if shape == "coast":
        return np.exp(-x * rng.uniform(1.2, 2.5)) * np.clip((1 - x) * 4, 0, 1)
    if shape == "stop":
        return np.clip((a - x) / 0.06, 0, 1)
    if shape == "restart":
        return np.clip(np.maximum((a - x) / 0.05, (x - a - 0.3) / 0.12), 0, 1)
    return np.ones_like(x)


def crossings(phase: Array) -> Array:
    """Sample positions, with fractions, at which the angle passes a whole number."""
    if phase[-1] < phase[0]:
        phase = -phase
    phase = np.maximum.accumulate(phase)
    whole = np.arange(np.ceil(phase[0]) + (phase[0] % 1 == 0), np.ceil(phase[-1]))
    return np.interp(whole, phase, np.arange(phase.size))


def strikes(n: int, at: Array, size: Array) -> Array:
    out = np.zeros(n + 2)
    keep = (at >= 0) & (at < n)
    at, size = at[keep], size[keep]
    i = at.astype(int)
    np.add.at(out, i, size * (1 - at + i))
    np.add.at(out, i + 1, size * (at - i))
    return out[:n]


def rms(x: Array) -> float:
    return float(np.sqrt(np.mean(x**2)))


def level(x: Array) -> float:
    """How loud it is to the ear: rare impacts count by their peak."""
    return max(rms(x[0]), float(np.quantile(np.abs(x[0]), 0.9998)) / 7, 1e-12)


def periodic(sc: Scene, phase: Array, count: int, pull: float) -> Array:
    """What the unevenness of ``count`` like parts does over one turn: random lines, none above the band."""
    spin = abs(phase[-1] - phase[0]) / sc.t[-1]
    highest = int(np.clip(0.4 * sc.rate / max(spin, 1e-3), 1, 3 * count))
    k = np.arange(1, highest + 1)
    size = sc.rng.normal(size=highest) * (0.2 + np.exp(-(((k / count - 1) / 0.5) ** 2))) * pull
    size[:3] *= 2
    shift = sc.rng.random(highest) * 2 * np.pi
    grid = 16 * (3 * count + 4)
    spectrum = np.zeros(grid // 2 + 1, complex)
    spectrum[k] = size * np.exp(1j * shift)
    table = np.fft.irfft(spectrum, grid) * grid / 2
    return np.interp(phase % 1, np.arange(grid + 1) / grid, np.append(table, table[0]))


# ---------------------------------------------------------------------------------------- the drive when it is sound


def running(sc: Scene, *, mesh: float = 1.0, hiss: float = 1.0, house: Casting | None = None) -> Array:
    """A sound drive at unit level: shaft, meshes, uneven pins and lobes, rolling noise, the motor's hum."""
    rng, house, drive = sc.rng, house or sc.house, sc.drive
    n, gate = sc.t.size, (sc.pace / sc.pace.max()) ** 1.5 * sc.load
    total = (
        0.25
        * 10 ** rng.uniform(-0.6, 0.4)
        * sc.lines(sc.turns, np.exp(rng.normal(0, 0.5, 5)) * [1, 0.7, 0.3, 0.2, 0.1])
    )
    force = np.zeros(n)
    for i, s in enumerate(drive.stages, 1):
        ecc, disc = sc.angle(f"stage{i}.eccentric"), sc.angle(f"stage{i}.disc")
        bite = np.zeros(n)
        spin = abs(drive.rates[f"stage{i}.eccentric"]) * sc.pace.mean() * s.pins
        for k in range(1, 6):
            if k * spin < 0.42 * sc.rate:
                bite += np.exp(rng.normal(-0.5 * (k - 1), 0.5)) * np.cos(2 * np.pi * (k * s.pins * ecc + rng.random()))
        bite *= 1 + rng.uniform(0.02, 0.25) * np.cos(2 * np.pi * (disc + rng.random()))
        bite *= 1 + rng.uniform(0.02, 0.2) * np.cos(2 * np.pi * (ecc + rng.random()))
        uneven = periodic(sc, ecc, s.pins, 0.2) + periodic(sc, ecc - disc, s.lobes, 0.2)
        uneven += periodic(sc, ecc - sc.angle(f"stage{i}.output"), s.output_pins, 0.2)
        force += (bite + rng.uniform(0.2, 0.9) * uneven) / i
        if s.sun:
            teeth = s.sun * (sc.turns - sc.angle("stage1.carrier"))
            for k in (1, 2, 3):
                force += np.exp(rng.normal(-0.6 * k, 0.4)) * np.cos(2 * np.pi * (k * teeth + rng.random()))
    sung = sc.send(force * gate, house)
    total = total * gate + mesh * 10 ** rng.uniform(-0.3, 0.25) * sung / (rms(sung[0]) + 1e-9)
    ecc = sc.angle("stage1.eccentric")
    swell = (
        1
        + rng.uniform(0, 0.12) * np.cos(2 * np.pi * ecc)
        + rng.uniform(0, 0.08) * np.cos(2 * np.pi * drive.stages[0].pins * ecc)
    )
    roll = sc.send(rng.normal(size=n) * swell * gate, house)
    total += hiss * 10 ** rng.uniform(-0.5, 0.3) * roll / rms(roll[0])
    hum = 2 * drive.line * (1 + rng.normal(0, 2e-4)) * sc.t
    total += 10 ** rng.uniform(-2, -0.8) * sc.lines(hum, np.array([1, 0.2]))
    return total / rms(total[0])


def spall(sc: Scene, at: Array, size: Array, place: Array, length: float) -> Array:
    """Entry is soft, exit is hard; the spot's place in the housing decides which path carries the blow."""
    here = np.cos(np.pi * np.interp(at, np.arange(place.size), place)) ** 2
    size = size * np.exp(sc.rng.normal(0, 0.22, at.size)) * np.interp(at, np.arange(place.size), sc.load)
    out = np.zeros((sc.points, sc.t.size))
    for share in (here, 1 - here):
        blow = strikes(sc.t.size, at, -0.4 * size * share) + strikes(sc.t.size, at + length * sc.rate, size * share)
        out += sc.send(blow)
    return out


def load_zone(sc: Scene, angle: Array, at: Array, floor: float) -> Array:
    """Stribeck's share of the load over the angle from its line, with clearance."""
    extent = sc.rng.uniform(0.3, 0.55)
    a = np.interp(at, np.arange(angle.size), angle)
    return floor + np.clip(1 - (1 - np.cos(2 * np.pi * a)) / (2 * extent), 0, None) ** 1.5


def bearing_blows(sc: Scene, b: Bearing, part: str, length: float) -> tuple[Array, float]:
    rng = sc.rng
    inner, outer, load = sc.angle(b.inner), sc.angle(b.outer), sc.angle(b.load)
    ri, ro = (b.pitch + np.array([-1, 1]) * b.element * np.cos(np.radians(b.contact))) / 2
    creep = rng.uniform(0.0, 0.009) * (inner - outer) * ro / (ri + ro)
    cage = (inner * ri + outer * ro) / (ri + ro) - creep
    passes = abs(inner[-1] - outer[-1]) * b.elements
    jitter = np.cumsum(rng.normal(0, rng.uniform(0.005, 0.012), max(int(passes), 4)))
    slack = np.interp(np.linspace(0, 1, sc.t.size), np.linspace(0, 1, jitter.size), jitter)
    if part == "outer_race":
        at = crossings(b.elements * (cage - outer) + slack)
        size, place = load_zone(sc, outer - load, at, 0.05), outer
    elif part == "inner_race":
        at = crossings(b.elements * (inner - cage) + slack)
        size, place = load_zone(sc, inner - load, at, 0.05), inner
    elif part == "rolling_element":
        spin = (cage - inner) * ri / (b.element / 2)
        half = rng.random() < 0.7
        at = crossings((2 if half else 1) * (spin + 0.15 * slack))
        place = cage
        size = load_zone(sc, cage - load, at, 0.1)
        if half:
            size[::2] *= rng.uniform(0.35, 0.9)
    else:  # a broken bar: knocks as its pocket is pushed through the load
        at = crossings(cage - load + 0.02 * slack)
        size, place = np.ones(at.size), cage
    return spall(sc, at, size, place, length), max(at.size, 1) / sc.t[-1]


def gear_blows(sc: Scene, stage: int, part: str, length: float) -> tuple[Array, float]:
    """Load stands still on the eccentric; a ring or output pin meets every disc, but the flaw lies mostly under one."""
    s, ecc = sc.drive.stages[stage - 1], sc.angle(f"stage{stage}.eccentric")
    place = sc.angle({"lobe": f"stage{stage}.disc", "output_pin": f"stage{stage}.output"}.get(part, "housing"))
    total: Array = np.zeros(1)
    discs = 1 if part == "lobe" else s.discs
    start = sc.rng.random()
    for d in range(discs):
        at = crossings(ecc - place + start + d / s.discs)
        at = at + sc.rng.normal(0, 0.004, at.size) * sc.rate / max(np.diff(at).mean() if at.size > 1 else 1, 1)
        share = 1.0 if d == 0 else sc.rng.uniform(0, 0.45)
        total = total + spall(sc, at, np.full(at.size, share), place + 0.2, length)
    return total, abs((ecc - place)[-1] - (ecc - place)[0]) / sc.t[-1]


def blows(sc: Scene, part: str) -> tuple[Array, float, tuple[str, ...]]:
    """Damage of one kind at a place that shows at least some twenty times in the capture."""
    rng, drive, length = sc.rng, sc.drive, sc.rng.uniform(0.0002, 0.0012)
    hz, seconds = float(sc.pace.mean()), float(sc.t[-1])
    if part in ("lobe", "ring_pin", "output_pin"):
        slow = abs(drive.rates[f"stage{len(drive.stages)}.eccentric"]) * hz * seconds > 20
        stage = int(rng.integers(1, len(drive.stages) + 1)) if slow else 1
        names = {"ring_pin": ["ring_pin"], "lobe": ["lobe", "output_pin"], "output_pin": ["output_pin", "lobe"]}[part]
        if drive.rv and part == "lobe":
            names = ["lobe", "planet_tooth"]
        body, speed = gear_blows(sc, stage, part, length)
        return body, speed, tuple(f"stage{stage}.{name}" for name in names)
    quick = [b for b in drive.bearings if abs(drive.rates[b.inner] - drive.rates[b.outer]) * hz * seconds > 60]
    weight = np.array([2.0 if b.load in (b.inner, b.outer) and b.outer != "housing" else 1.0 for b in quick])
    b = quick[int(rng.choice(len(quick), p=weight / weight.sum()))]
    body, speed = bearing_blows(sc, b, part, length)
    names = [part]
    if part == "cage":  # the load decides the rate; the other frames of the same cage may rightly be named
        names = ["cage", "cage_past_load"] if b.load == b.outer else ["cage_past_load", "cage"]
        names += ["cage_past_inner", "cage_past_housing"]
    return body, speed, tuple(f"bearing.{b.name}.{name}" for name in names)


def clear(sc: Scene, body: Array, speed: float, around: Array, crest: float) -> Array:
    """Set a blow ``crest`` times over the rest in the band where it stands out most."""
    _, there = welch(body[0], sc.rate, nperseg=512)
    _, rest = welch(around[0] + 0.004 * sc.rng.normal(size=sc.t.size), sc.rate, nperseg=512)
    smooth = np.ones(12) / 12
    ratio = (np.convolve(there, smooth, "valid") / np.convolve(rest, smooth, "valid"))[4:-12].max()
    ringing = 0.0025
    gain = np.sqrt(crest**2 * min(speed * ringing, 0.5) / 2 / ratio)
    return body * min(gain, 30 * rms(around[0]) / np.abs(body[0]).max())


# ------------------------------------------------------------------------------------------------- what stands around


def bursts(sc: Scene, at: Array, size: Array, width: float, low: float, high: float) -> Array:
    """Scraping rather than knocking: noise under swells as long as ``width`` seconds."""
    swell = strikes(sc.t.size, at, size)
    swell = oaconvolve(swell, np.hanning(max(int(width * sc.rate), 4)) ** 2, mode="same")
    band = butter(2, [low, min(high, 0.45 * sc.rate)], "bandpass", fs=sc.rate, output="sos")
    return sc.send(sosfilt(band, sc.rng.normal(size=sc.t.size)) * swell, sc.far())


def uneven_impacts(sc: Scene, phase: Array, count: int, play: float, spread: float) -> tuple[Array, Array]:
    """``count`` places per turn, each a little off pitch and of its own weight, the same on every turn."""
    at = crossings(count * phase)
    which = np.arange(at.size) % count
    pitch = np.diff(at).mean() if at.size > 1 else sc.rate
    at = at + (sc.rng.normal(0, play, count)[which] + sc.rng.normal(0, 0.004, at.size)) * pitch
    return at, np.exp(sc.rng.normal(0, spread, count)[which] + sc.rng.normal(0, 0.15, at.size))


def free(sc: Scene, count: int) -> int:
    """A count of impacts per output turn that is not by chance the rate of a lobe or a ring pin."""
    rates, out = sc.drive.rates, abs(sc.drive.rates[sc.drive.output])
    stages = [f"stage{i}" for i in range(1, len(sc.drive.stages) + 1)]
    taken = [abs(rates[f"{s}.eccentric"] - rates[f"{s}.{b}"]) for s in stages for b in ("disc", "ring")]
    while any(abs(k * count * out / order - 1) < 0.004 for order in taken for k in (1, 2, 3)):
        count += 1
    return count


def sprocket(sc: Scene) -> Array:
    count = free(sc, int(sc.rng.integers(9, 33)))
    sc.marks["hits_per_output_turn"] = count
    at, size = uneven_impacts(sc, sc.angle(sc.drive.output), count, 0.03, 0.35)
    links = np.exp(sc.rng.normal(0, 0.3, int(sc.rng.integers(60, 140))))
    return sc.send(strikes(sc.t.size, at, size * links[np.arange(at.size) % links.size]), sc.far(0.3))


def flights(sc: Scene) -> Array:
    count = free(sc, int(sc.rng.integers(2, 7)))
    sc.marks["hits_per_output_turn"] = count
    at, size = uneven_impacts(sc, sc.angle(sc.drive.output), count, 0.05, 0.4)
    gap = np.diff(at).mean() / sc.rate if at.size > 1 else 1.0
    return bursts(sc, at, size, 0.4 * gap, 200, sc.rng.uniform(1500, 6000))


def mixer(sc: Scene) -> Array:
    count = free(sc, int(sc.rng.integers(2, 9)))
    sc.marks["hits_per_output_turn"] = count
    at, size = uneven_impacts(sc, sc.angle(sc.drive.output), count, 0.02, 0.3)
    thud = sc.send(strikes(sc.t.size, at, size * np.exp(sc.rng.normal(0, 0.4, at.size))), sc.far(1.3))
    wash = bursts(sc, at, size, 0.05, 150, 2500)
    return thud / level(thud) + 0.5 * wash / level(wash)


def feeder(sc: Scene) -> Array:
    """A gate, a ratchet or a dosing drum: its cycle takes several turns of the output, or some impacts of one turn."""
    over, strokes = int(sc.rng.integers(2, 7)), int(sc.rng.integers(3, 14))
    sc.marks["hits_per_output_turn"] = strokes / over
    at, size = uneven_impacts(sc, sc.angle(sc.drive.output) / over, strokes, 0.06, 0.5)
    return sc.send(strikes(sc.t.size, at, size), sc.far(0.2))


def buckets(sc: Scene) -> Array:
    count = free(sc, int(sc.rng.integers(12, 41)))
    sc.marks["hits_per_output_turn"] = count
    at, size = uneven_impacts(sc, sc.angle(sc.drive.output), count, 0.02, 0.25)
    dig = bursts(sc, at, size, 0.03, 100, 1800)
    pin = sc.send(strikes(sc.t.size, at + 0.011 * sc.rate, size), sc.far(0.5))
    return dig / level(dig) + pin / level(pin)


def timed(sc: Scene, hz: float, scatter: float, double: float = 0.0, dull: float = 0.4) -> Array:
    """Strokes of a machine with its own clock."""
    gaps = (1 + scatter * sc.rng.normal(size=int(sc.t[-1] * hz) + 3)) / hz
    at = (np.cumsum(np.abs(gaps)) - gaps[0] * sc.rng.random()) * sc.rate
    size = np.exp(sc.rng.normal(0, 0.2, at.size))
    force = strikes(sc.t.size, at, size)
    if double:
        force += strikes(sc.t.size, at + sc.rng.uniform(0.02, 0.2) * sc.rate / hz, double * size)
    return sc.send(force, sc.far(dull))


def hammer(sc: Scene) -> Array:
    hz = sc.rng.uniform(3, 14)
    sc.marks["order"] = hz / float(sc.pace.mean())
    return timed(sc, hz, sc.rng.uniform(0.001, 0.03))


def slow_knocks(sc: Scene) -> Array:
    order = float(np.exp(sc.rng.uniform(np.log(0.02), np.log(0.5))))
    sc.marks["order"] = order
    return timed(sc, order * float(sc.pace.mean()), 10 ** sc.rng.uniform(-3, -1.7), float(sc.rng.choice([0, 0.6])))


def neighbour(sc: Scene, hurt: bool = False, apart: float = 0.0, drive: Drive | None = None) -> Array:
    """A drive on the same steel; the same type unless another is given."""
    apart = apart or sc.rng.choice([-1, 1]) * 10 ** sc.rng.uniform(-3.3, -1.82)
    n = sc.t.size
    usual = sc.drive.rpm / 60 if sc.pace.mean() < 1 else float(sc.pace.mean())
    least = 2.5 / float(usual * sc.t[-1])  # nearer than this no line of a damage can be distinguished from the other's
    if hurt and abs(apart) < least:
        apart = np.copysign(least, apart)
    sc.marks["apart"] = float(apart)
    pace = usual * (1 + apart) * (1 + 2e-4 * wander(sc.rng, n, sc.rate, 2.0))
    turns = np.cumsum(pace) / sc.rate
    other = Scene(sc.rng, drive or sc.drive, sc.rate, sc.t, sc.points, turns, pace, np.ones(n), sc.far(0.4))
    total = running(other)
    if hurt:
        part = str(sc.rng.choice(["outer_race", "inner_race", "ring_pin", "lobe"], p=[0.15, 0.15, 0.35, 0.35]))
        sc.marks["bearing_next_door"] = float("race" in part)
        body, speed, _ = blows(other, part)
        total = total + clear(other, body, speed, total, sc.rng.uniform(4, 9))
    return total


def vane_pump(sc: Scene) -> Array:
    """Vane passes with harmonics, and bubbles that collapse in time with them."""
    spin, vanes = sc.rng.uniform(15, 48) * sc.t, int(sc.rng.integers(5, 12))
    sung = sc.lines(vanes * spin, np.array([1, 0.5, 0.3, 0.1])) + sc.lines(spin, np.array([0.5, 0.3, 0.2]))
    pops = sc.rng.poisson(3000 / sc.rate * (1 + 0.8 * np.cos(2 * np.pi * vanes * spin)) ** 2)
    foam = sc.send(pops * sc.rng.exponential(1, sc.t.size), sc.far(-0.2))
    return sung / level(sung) + sc.rng.uniform(0.3, 1.5) * foam / level(foam)


def fan(sc: Scene, spin: Array | None = None) -> Array:
    spin = sc.rng.uniform(10, 45) * sc.t if spin is None else spin
    blades = int(sc.rng.integers(5, 14))
    air = sc.send(sc.rng.normal(size=sc.t.size) * (1 + 0.3 * np.cos(2 * np.pi * blades * spin)), sc.far(1.2))
    tones = sc.lines(spin, np.array([0.6, 0.2, 0.1])) + sc.lines(blades * spin, np.array([0.5, 0.2]))
    return tones + 0.4 * air / level(air)


def two_fans(sc: Scene) -> Array:
    hz = sc.rng.uniform(12, 48)
    return fan(sc, hz * sc.t) + fan(sc, (hz + sc.rng.uniform(0.2, 0.9)) * sc.t)


def compressor(sc: Scene) -> Array:
    spin = sc.rng.uniform(6, 16) * (1 + 0 * sc.t)
    phase = np.cumsum(spin * (1 + 0.001 * wander(sc.rng, sc.t.size, sc.rate, 1.0))) / sc.rate
    at = np.sort(np.concatenate([crossings(phase + p) for p in (0.0, 0.31, 0.5, 0.78)]))
    valves = sc.send(strikes(sc.t.size, at, np.exp(sc.rng.normal(0, 0.3, at.size))), sc.far(0.3))
    return valves / level(valves) + 0.6 * sc.lines(phase, np.array([1, 0.8, 0.4, 0.3, 0.1]))


def inverter(sc: Scene) -> Array:
    carrier, line = sc.rng.uniform(2000, 0.35 * sc.rate), float(sc.pace.mean()) * sc.drive.poles / 2
    out = sc.lines(2 * line * sc.t, np.array([0.4]))
    for m, k, size in ((1, -2, 1.0), (1, 2, 0.9), (1, 0, 0.3), (1, 4, 0.3), (1, -4, 0.3), (2, 1, 0.5), (2, -1, 0.5)):
        if m * carrier + k * line < 0.45 * sc.rate:
            out += sc.lines((m * carrier + k * line) * sc.t, np.array([size]))
    return out


def guard(sc: Scene) -> Array:
    """A loose sheet rattles when the shaft shakes it hard enough: ragged trains, some gone missing."""
    at = crossings(sc.turns + 0.01 * wander(sc.rng, sc.t.size, sc.rate, 0.1))
    size = np.clip(sc.rng.normal(0.4, 0.8, at.size) + wander(sc.rng, at.size, 20, 0.5), 0, None)
    late = at + sc.rng.uniform(0, 0.02, at.size) * sc.rate
    return sc.send(strikes(sc.t.size, at, size) + strikes(sc.t.size, late, 0.6 * size), sc.far(-0.3))


def coupling(sc: Scene) -> Array:
    jaws = int(sc.rng.choice([2, 3, 4, 6]))
    at, size = uneven_impacts(sc, sc.turns, jaws, 0.02, 0.4)
    return sc.lines(sc.turns, np.array([1, 1.4, 0.6, 0.4])) + 2 * sc.send(strikes(sc.t.size, at, size), sc.far(1.0))


def torque_arm(sc: Scene) -> Array:
    """A bush with play: the arm lifts and drops once or twice in each turn of the output."""
    at, size = uneven_impacts(sc, sc.angle(sc.drive.output), int(sc.rng.integers(1, 3)), 0.05, 0.3)
    return sc.send(strikes(sc.t.size, at, size) + strikes(sc.t.size, at + 0.045 * sc.rate, 0.4 * size), sc.far(0.8))


def plunger_pump(sc: Scene) -> Array:
    """The drive's own oil pump: a few plungers worked by a cam on the input shaft."""
    at, size = uneven_impacts(sc, sc.turns, int(sc.rng.choice([1, 2, 3])), 0.01, 0.3)
    return bursts(sc, at, size, 0.008, 250, 3000)


def brake_rub(sc: Scene) -> Array:
    """A warped brake disc wipes its lining for part of each turn of the motor."""
    wipe = np.clip(np.cos(2 * np.pi * sc.turns) - sc.rng.uniform(-0.3, 0.7), 0, None)
    band = butter(2, [1200, 0.4 * sc.rate], "bandpass", fs=sc.rate, output="sos")
    return sc.send(sosfilt(band, sc.rng.normal(size=sc.t.size)) * wipe, sc.far(0.0))


def forklift(sc: Scene) -> Array:
    """Wheels over floor joints: a passing swell with a few bumps in it."""
    seconds = sc.t[-1]
    middle, width = sc.rng.uniform(0.3, 0.7) * seconds, sc.rng.uniform(0.1, 0.3) * seconds
    swell = np.exp(-(((sc.t - middle) / width) ** 2))
    at = (middle + width * sc.rng.normal(size=9)) * sc.rate
    force = sc.rng.normal(size=sc.t.size) * swell * 0.05 + strikes(sc.t.size, at, np.exp(sc.rng.normal(0, 0.5, 9)))
    return sc.send(force, sc.far(1.4))


def whistle(sc: Scene) -> Array:
    """Air over a cover's edge: one narrow tone that breathes."""
    n = sc.t.size
    hz = sc.rng.uniform(900, 0.25 * sc.rate) * (1 + 0.004 * wander(sc.rng, n, sc.rate, 0.2))
    return sc.lines(np.cumsum(hz) / sc.rate, np.array([1, 0.2])) * (1 + 0.5 * wander(sc.rng, n, sc.rate, 0.4))


def creaks(sc: Scene) -> Array:
    """Steel that warms up ticks at random, in groups."""
    seeds = np.repeat(sc.rng.random(12) * sc.t.size, 4) + sc.rng.exponential(0.05 * sc.rate, 48)
    return sc.send(strikes(sc.t.size, seeds, sc.rng.exponential(1, 48)), sc.far(-0.2))


def slots(sc: Scene) -> Array:
    """Rotor bars past stator teeth, with twice the line on either side."""
    bars, line = int(sc.rng.choice([28, 34, 44])), sc.drive.line
    out = sc.lines(2 * line * sc.t, np.array([0.7, 0.2]))
    for k in (-1, 0, 1):
        out += sc.lines(bars * sc.turns + 2 * k * line * sc.t, np.array([0.6]))
    return out


def spur_gearbox(sc: Scene) -> Array:
    hz = sc.drive.rpm / 60 * (1 + sc.rng.uniform(-0.015, 0.015))
    phase = np.cumsum(hz * (1 + 2e-4 * wander(sc.rng, sc.t.size, sc.rate, 1.0))) / sc.rate
    first, wheel = int(sc.rng.choice([17, 19, 23])), int(sc.rng.choice([53, 61, 71]))
    sung = np.zeros(sc.t.size)
    for phase_of, teeth, size in ((phase, first, 1.0), (phase * first / wheel, 21, 0.7)):
        swing = 1 + 0.2 * np.cos(2 * np.pi * phase_of)
        for k in (1, 2, 3):
            sung += size / k * swing * np.cos(2 * np.pi * (k * teeth * phase_of + sc.rng.random()))
    air = sc.rng.normal(size=sc.t.size) * 0.5
    return sc.send(sung + air, sc.far(0.0)) + 0.1 * sc.lines(phase, np.array([1, 0.5, 0.2]))


def belt_pump(sc: Scene) -> Array:
    """A motor at nearly the drive's speed, a belt with its joint, a centrifugal pump."""
    hz = sc.drive.rpm / 60 * (1 + sc.rng.uniform(-0.01, 0.01))
    at = crossings(hz * 0.23 * sc.t)
    slap = sc.send(strikes(sc.t.size, at, np.ones(at.size)), sc.far(1.2))
    return sc.lines(hz * sc.t, np.array([1, 0.6, 0.2])) + 0.7 * slap / level(slap) + fan(sc, 0.61 * hz * sc.t)


def bare_motor(sc: Scene) -> Array:
    """Unbalance, fan, bars and hum: all that a motor has to say without a load."""
    hiss = sc.send(sc.rng.normal(size=sc.t.size))
    total = 0.5 * slots(sc) + sc.lines(sc.turns, np.array([1, 0.4, 0.2, 0.1])) + 0.6 * fan(sc, sc.turns)
    return total + sc.rng.uniform(0.2, 0.8) * hiss / rms(hiss[0])


def screen(sc: Scene) -> Array:
    """A vibrating screen: a great unbalance and stones that fall at random in its time."""
    spin = sc.rng.uniform(13, 17) * sc.t
    fall = sc.rng.poisson(0.004 * (1 + np.cos(2 * np.pi * spin)) ** 3) * sc.rng.exponential(1, sc.t.size)
    stones = sc.send(fall, sc.far(0.6))
    return 1.5 * sc.lines(spin, np.array([1, 0.3, 0.15, 0.1])) + stones / level(stones)


def welder(sc: Scene) -> Array:
    """Arc hum picked up by the cable while a seam lasts, spatter in between."""
    on = (wander(sc.rng, sc.t.size, sc.rate, 1.0) > -0.2).astype(float)
    hum = np.abs(np.sin(2 * np.pi * sc.drive.line * sc.t)) ** 9 - 0.2 + 0.2 * sc.rng.normal(size=sc.t.size)
    return np.stack([on * hum * g for g in sc.rng.uniform(0.6, 1, sc.points)])


def mains(sc: Scene) -> Array:
    return sc.lines(sc.drive.line * sc.t, np.array([1, 0.5, 0.7, 0.2, 0.3, 0.1, 0.2]))


def noise(sc: Scene) -> Array:
    return sc.send(sc.rng.normal(size=sc.t.size), sc.far(sc.rng.uniform(-0.3, 1)))


def hanging(sc: Scene) -> Array:
    """A sensor that fell off: swings on its cable and taps whatever it meets."""
    swing = sc.lines(sc.rng.uniform(0.8, 2) * sc.t, np.array([3.0, 0.5]))
    taps = sc.send(strikes(sc.t.size, sc.rng.random(25) * sc.t.size, sc.rng.exponential(1, 25)), sc.far(0.0))
    return swing + 2 * taps / level(taps)


def pickup(sc: Scene) -> Array:
    """An inverter holds a stopped motor: carrier in the cable, spikes at each commutation."""
    at = crossings(6 * sc.rng.uniform(1, 4) * sc.t)
    spikes = np.stack([strikes(sc.t.size, at, sc.rng.choice(np.array([-1.0, 1.0]), at.size)) for _ in range(sc.points)])
    return inverter(sc) + 20 * spikes


Around = Callable[[Scene], Array]
DRIVEN: dict[str, Around] = {"chain": sprocket, "screw flights": flights, "mixer blades": mixer}
DRIVEN |= {"feeder cycle": feeder, "bucket elevator": buckets, "hydraulic hammer": hammer}
NEARBY: dict[str, Around] = {"vane pump": vane_pump, "two fans": two_fans, "compressor": compressor}
NEARBY |= {"inverter carrier": inverter, "loose guard": guard, "worn coupling": coupling, "torque arm": torque_arm}
NEARBY |= {"plunger oil pump": plunger_pump, "brake rub": brake_rub, "forklift": forklift, "cover whistle": whistle}
NEARBY |= {"steel creaks": creaks, "rotor slots": slots, "slow process knocks": slow_knocks}
NEARBY |= {"sound neighbour": neighbour, "damaged neighbour": lambda sc: neighbour(sc, hurt=True)}
ALONE: dict[str, Around] = {"beside pump": vane_pump, "beside compressor": compressor, "only noise": noise}
ALONE |= {"mains hum": mains, "spur gearbox": spur_gearbox, "belt pump": belt_pump, "hanging sensor": hanging}
ALONE |= {"inverter pickup": pickup, "vibrating screen": screen, "welder": welder, "bare motor": bare_motor}
PARTS = ("outer race", "inner race", "rolling element", "cage", "lobe", "ring pin", "output pin")
NEXT_TO = (sprocket, None, flights, neighbour, None, feeder, vane_pump, None, slow_knocks, mixer, inverter, None, guard)
# lobes in the file and lobes of the drive that really runs: near, or with shared factors, or the half of each other
MISFILED = ((17, 18), (29, 14), (11, 23), (43, 42), (35, 17), (59, 71), (21, 15), (39, 45))

PLAN = """other ratio 8, beside pump 1, beside compressor 1, beside twin 2, only noise 1, mains hum 1, start 1, coast 1,
stop 1, restart 1, bare motor 2, belt pump 1, spur gearbox 2, hanging sensor 1, inverter pickup 1, vibrating screen 1,
welder 1, quiet drive 6, weak mesh 4, low-rate recorder 2, short capture 1, slow ramp 2, chain 5, screw flights 3,
mixer blades 3, feeder cycle 4, bucket elevator 2, hydraulic hammer 3, sound neighbour 4, damaged neighbour 4,
slow process knocks 6, undeclared belt 2, vane pump 1, two fans 1, compressor 1, inverter carrier 1, loose guard 1,
worn coupling 1, torque arm 1, plunger oil pump 1, brake rub 1, forklift 1, cover whistle 1, steel creaks 1,
rotor slots 1, outer race 5, inner race 4, rolling element 5, cage 4, lobe 4, ring pin 4, output pin 4"""


def spread_out() -> list[tuple[str, int]]:
    """Each kind evenly over the numbers, so that any prefix is a fair sample."""
    rng = np.random.default_rng(20)
    rows = []
    for kind, number in (row.strip().rsplit(" ", 1) for row in PLAN.replace("\n", " ").split(",")):
        count = int(number)
        start = rng.random()
        rows += [((start + i) / count, kind, i) for i in range(count)]
    return [(kind, i) for _, kind, i in sorted(rows)]


ORDER = spread_out()
COUNT = len(ORDER)


def sized(sc: Scene, x: Array, strength: float, own: Array) -> Array:
    sc.marks["strength"] = strength
    return x / level(x) * strength * rms(own[0])


def unusable(rng: Rng, kind: str, turn: int) -> tuple[Scene, Array, Drive]:
    """What reaches the sensor, and the drive whose file lies next to it."""
    if kind == "other ratio":
        filed = make_drive(rng, "rv" if turn == 7 else "single", MISFILED[turn][0])
        real = make_drive(rng, "rv" if turn == 7 else "single", MISFILED[turn][1])
        real = replace(real, rpm=filed.rpm, line=filed.line, poles=filed.poles)
        sc = set_scene(rng, real)
        sc.marks["input_hz"] = float(sc.pace.mean())
        return sc, running(sc), filed
    drive = make_drive(rng)
    if kind in ("start", "coast", "stop", "restart"):
        sc = set_scene(rng, drive, shape=kind)
        return sc, running(sc), drive
    sc = set_scene(rng, drive)
    if kind == "beside twin":  # its speed is out of this drive's range, or its ratio is another
        twin = None if turn else make_drive(rng, "single", 13 if drive.stages[0].lobes != 13 else 21)
        return sc, neighbour(sc, apart=0.09 if turn else 0.004, drive=twin), drive
    return sc, ALONE[kind](sc), drive


def sound(rng: Rng, kind: str, turn: int) -> tuple[Scene, Array]:
    drive = make_drive(rng, "rv" if kind in ("chain", "quiet drive", "sound neighbour") and turn == 1 else "")
    if kind == "undeclared belt":  # so the reducer turns more slowly than any motor would
        drive = replace(drive, rpm=1450 / (1.6 + 0.3 * turn), line=50, poles=4)
    rate = 6400.0 if kind == "low-rate recorder" else 0.0
    ramp = float(rng.uniform(0.01, 0.03) * rng.choice([-1, 1])) if kind == "slow ramp" else 0.0
    sc = set_scene(rng, drive, rate=rate, seconds=rng.uniform(3.2, 5) if kind == "short capture" else 0, ramp=ramp)
    if ramp:
        sc.load = sc.load * (1 + 0.3 * np.cos(2 * np.pi * sc.t / rng.uniform(2, 5)))
        sc.marks["ramp"] = ramp
    own = running(sc, mesh=0.2 if kind == "weak mesh" else 1.0, hiss=float(rng.choice([0.4, 1.5])))
    total = own
    if kind in DRIVEN or kind in NEARBY:
        strength = float(np.exp(rng.uniform(np.log(0.15), np.log(3.0))))
        total = own + sized(sc, (DRIVEN | NEARBY)[kind](sc), strength, own)
    elif kind == "undeclared belt":  # the motor and the belt's joint have rates the file knows nothing of
        joint = crossings(0.37 * sc.turns)
        slap = sc.send(strikes(sc.t.size, joint, np.ones(joint.size)), sc.far(1.0))
        total = own + sized(sc, slap, 0.5, own) + 0.4 * sc.lines((1.6 + 0.3 * turn) * sc.turns, np.array([1, 0.5, 0.2]))
    return sc, total


def damaged(rng: Rng, kind: str, turn: int) -> tuple[Scene, Array, tuple[str, ...]]:
    place = PARTS.index(kind)
    form = {0: "", 1: "single", 2: "rv", 3: "two", 4: ""}[turn]
    drive = make_drive(rng, "single" if kind == "output pin" and form in ("rv", "") else form)
    sc = set_scene(rng, drive, seconds=rng.uniform(8, 13), rate=float(rng.choice([12800, 20480, 25600])))
    own = running(sc)
    next_to = NEXT_TO[(5 * place + 3 * turn) % len(NEXT_TO)]
    around = own if next_to is None else own + sized(sc, next_to(sc), float(rng.uniform(0.3, 1.2)), own)
    body, speed, names = blows(sc, kind.replace(" ", "_"))
    crest = float(np.exp(rng.uniform(np.log(5), np.log(14))) * (1 + 12 / (speed * sc.t[-1]) ** 0.5))
    crest *= 1.5 if kind == "rolling element" else 1.0  # most of its strikes miss the load zone
    sc.marks |= {"crest": crest, "rate_hz": float(speed), "beside": float(next_to is not None)}
    return sc, around + clear(sc, body, speed, around, crest), names


def case(number: int) -> WorldCase:
    """The capture of that number, the same at every call."""
    rng = np.random.default_rng([number, 41077])
    kind, turn = ORDER[number]
    names: tuple[str, ...] = ()
    truth: Truth
    if kind in PARTS:
        truth = "damaged"
        sc, x, names = damaged(rng, kind, turn)
        filed = sc.drive
    elif kind in ALONE or kind in ("other ratio", "beside twin", "start", "coast", "stop", "restart"):
        truth = "unusable"
        sc, x, filed = unusable(rng, kind, turn)
    else:
        truth = "sound"
        sc, x = sound(rng, kind, turn)
        filed = sc.drive
    quiet = kind in ("quiet drive", "weak mesh", "only noise", "mains hum")
    detected = 10 ** (rng.uniform(-1.5, -0.5) if quiet else rng.uniform(-0.5, 0.9))
    x = x * detected / rms(x)
    floor = detected * 10 ** rng.uniform(-2.6, -1.3 if kind not in ("quiet drive", "weak mesh") else -0.6)
    x = x + floor * rng.normal(size=x.shape)
    hz = float(sc.pace.mean())
    turning = truth != "unusable" or kind in ("start", "coast", "stop", "restart")
    noted = {0: None, 1: round(hz * 60), 2: round(filed.rpm)}[int(rng.integers(3))]
    if not turning:
        noted = round(filed.rpm)
    elif kind == "undeclared belt":
        noted = round(hz * 60 * (1.6 + 0.3 * turn))
    elif rng.random() < 0.15:
        noted = round(hz * 60 * 1.01)
    pulses, per = None, int(rng.choice([1, 1, 2, 6]))
    if turning and kind != "undeclared belt" and rng.random() < 0.25:
        high = (per * sc.turns) % 1 < 0.3
        pulses = (5.0 * high + 0.05 * rng.normal(size=sc.t.size)).astype(np.float32)
    return WorldCase(
        name=f"lakeside-{number:03d}", kind=kind, truth=truth, drive_toml=filed.toml(number),
        channels={POINTS[i]: x[i].astype(np.float32) for i in range(sc.points)},
        sample_rate_hz=sc.rate, speed_hz=hz if turning else None, pulses=pulses, pulses_per_rev=float(per),
        noted_rpm=None if noted is None else float(noted), damaged=names,
        marks={"level": detected, "floor": floor / detected, "ratio": abs(1 / filed.rates[filed.output])} | sc.marks,
    )  # fmt: skip
