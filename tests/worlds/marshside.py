"""A marsh with pumps, screws and mixers: captures of reducers that stand alone with rich lines, next to twins, or idle.

Every signal follows from turning bodies. Each body has an angle; a spot that is hurt speaks when it crosses what it
meets, weighted by the load where that happens. Toothed contacts are tables of unequal bumps read at the angle between
two bodies, so their side lines come by themselves. What a point hears has gone through a few damped modes.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.fft import irfft, next_fast_len, rfft, rfftfreq
from scipy.signal import lfilter

from tests.worlds.case import Truth, WorldCase

Array = NDArray[np.float64]
Spectrum = NDArray[np.complex128]
Rng = np.random.Generator
POINTS = ("input side radial", "ring radial", "output side axial")


@dataclass(frozen=True)
class Bearing:
    """Rolling elements between two bodies; the load stands still on a third."""

    name: str
    inner: str
    outer: str
    load: str
    elements: int
    element_mm: float
    pitch_mm: float

    @property
    def gamma(self) -> float:
        return self.element_mm / self.pitch_mm

    def text(self) -> str:
        load = "" if self.load == "housing" else f'load = "{self.load}"\n'
        return (
            f'\n[[bearing]]\nname = "{self.name}"\ninner = "{self.inner}"\nouter = "{self.outer}"\n{load}'
            f"elements = {self.elements}\nelement_diameter_mm = {self.element_mm}\n"
            f"pitch_diameter_mm = {self.pitch_mm}\ncontact_angle_deg = 0.0\n"
        )


@dataclass(frozen=True)
class Contact:
    """``count`` unequal bumps, passed once in every turn between two bodies."""

    count: int
    fast: str
    slow: str
    share: float


@dataclass(frozen=True)
class Drive:
    """Bodies by their turns per turn of the input, contacts, bearings, and the words of the drive file."""

    stage_text: str
    bodies: dict[str, float]
    contacts: tuple[Contact, ...]
    bearings: tuple[Bearing, ...]
    discs: int
    cranks: int
    family: str

    def between(self, fast: str, slow: str) -> float:
        return self.bodies[fast] - self.bodies[slow]

    def orders(self) -> list[float]:
        """What a hurt part could say."""
        said = [x for b in self.bearings for x in _speech(b, self.between(b.inner, b.outer))]
        return said + [abs(self.between(c.fast, c.slow)) for c in self.contacts]

    def bearing(self, word: str) -> Bearing:
        return next(b for b in self.bearings if word in b.name)


def _bearing(rng: Rng, name: str, inner: str, outer: str, load: str, elements: tuple[int, int]) -> Bearing:
    count = int(rng.integers(elements[0], elements[1] + 1))
    pitch = round(float(rng.uniform(2.9, 4.2) * (count + 3)), 1)
    fill, thick = float(rng.uniform(0.52, 0.76)), float(rng.uniform(0.18, 0.27))
    return Bearing(name, inner, outer, load, count, round(min(fill * np.pi * pitch / count, thick * pitch), 2), pitch)


def _cycloidal(rng: Rng, stage: int, speed: float, lobes: int, difference: int, family: str) -> Drive:
    """One stage whose eccentric turns at ``speed``."""
    pins = lobes + difference
    discs = 3 if rng.random() < 0.2 else 2
    output_pins = int(rng.choice([6, 8, 10, 12]))
    name = f"stage{stage}"
    held = family == "held pins"
    disc = 0.0 if held else -speed * difference / lobes
    output = speed * difference / pins if held else disc
    bodies = {f"{name}.eccentric": speed, f"{name}.disc": disc, f"{name}.output": output}
    fixed = "output pins" if held else "ring"
    text = (
        f'\n[[stage]]\nkind = "cycloidal"\nlobes = {lobes}\nring_pins = {pins}\noutput_pins = {output_pins}\n'
        f'discs = {discs}\nfixed = "{fixed}"\n'
    )
    # Half-drawn: every second pin is left out of the ring, and the lobes keep the form of the full ring.
    seen = pins // 2 if family == "half-drawn" else pins
    ring = f"{name}.output" if held else "housing"
    eccentric = f"{name}.eccentric"
    contacts = (
        Contact(seen, eccentric, ring, 1.0),
        Contact(lobes, eccentric, f"{name}.disc", 0.5),
        Contact(output_pins, eccentric, f"{name}.disc", 0.3),
    )
    bearing = _bearing(rng, "eccentric bearing", eccentric, f"{name}.disc", eccentric, (11, 16))
    return Drive(text, bodies, contacts, (bearing,), discs, 0, family)


def _speech(b: Bearing, turn: float) -> list[float]:
    """What outer race, inner race and rolling element of a bearing could say, per turn of the input."""
    g = b.gamma
    return [abs(turn) * x for x in (b.elements * (1 - g) / 2, b.elements * (1 + g) / 2, (1 - g**2) / (2 * g))]


def _apart(order: float, others: list[float], ours: int, theirs: int) -> bool:
    """Whether the harmonics of blows at ``order`` keep away from the low harmonics of others."""
    all_ours = order * np.arange(1, ours + 1)
    all_theirs = np.outer(others, np.arange(1, theirs + 1)).ravel()
    return bool(np.min(np.abs(all_ours[:, None] / all_theirs[None, :] - 1)) > 0.012)


def make_drive(rng: Rng, family: str) -> Drive:
    """A drive in which no two parts would speak at one order but those that must."""
    drive = _draw_drive(rng, family)
    for _ in range(60):
        said, rates = np.split(drive.orders(), [3 * len(drive.bearings)])
        alone = all(_apart(x, [*said[:k], *rates], 1, 1) and _apart(x, [*rates], 1, 5) for k, x in enumerate(said))
        if alone:
            break
        drive = _draw_drive(rng, family)
    return drive


def _draw_drive(rng: Rng, family: str) -> Drive:
    """A drive of the family; the numbers of its parts are drawn."""
    if family == "double":
        first = _cycloidal(rng, 1, 1.0, int(rng.choice([11, 13, 15, 17, 21])), 1, family)
        second = _cycloidal(rng, 2, first.bodies["stage1.output"], int(rng.choice([11, 13, 17, 19, 29])), 1, family)
        late = tuple(replace(c, share=0.5 * c.share) for c in second.contacts)
        slow = replace(second.bearings[0], name="second eccentric bearing")
        drive = Drive(
            first.stage_text + second.stage_text,
            first.bodies | second.bodies,
            first.contacts + late,
            (*first.bearings, slow),
            first.discs,
            0,
            family,
        )
        last = "stage2.output"
    elif family in ("rv2", "rv3"):
        drive, last = _rv(rng, family), "stage1.carrier"
    else:
        ratios = {
            "high": [59, 71, 87, 119],
            "top": [119],
            "half-drawn": [35, 43, 47, 51, 59, 87],
            "difference 2": [26, 34, 38, 46, 58],
            "small": [6, 8, 9, 11],
        }
        lobes = int(rng.choice(ratios.get(family, [11, 13, 15, 17, 21, 25, 29, 35, 43])))
        drive, last = _cycloidal(rng, 1, 1.0, lobes, 2 if family == "difference 2" else 1, family), "stage1.output"
    ends = [_bearing(rng, "input bearing", "input", "housing", "housing", (8, 10))]
    ends += [_bearing(rng, "output bearing", last, "housing", "housing", (18, 26))]
    if rng.random() < 0.3:
        ends.append(_bearing(rng, "outboard bearing", last, "housing", "housing", (15, 22)))
    bodies = {"housing": 0.0, "input": 1.0} | drive.bodies
    return replace(drive, bodies=bodies, bearings=(ends[0], *drive.bearings, *ends[1:]))


def _rv(rng: Rng, family: str) -> Drive:
    """Planet wheels on the input sun turn the cranks, the cranks drive the discs, the discs turn the carrier."""
    cranks = 3 if family == "rv3" else 2
    sun = int(rng.choice([10, 12, 14, 16, 18, 20]))
    planet = int(rng.choice([30, 34, 38, 42, 46]))
    lobes = int(rng.choice([29, 35, 39, 47]))
    step = sun / planet
    crank = -step / (1 + (1 + step) / lobes)
    carrier = -crank / lobes
    bodies = {"stage1.crank": crank, "stage1.disc": carrier, "stage1.carrier": carrier}
    text = (
        f'\n[[stage]]\nkind = "rv"\nsun_teeth = {sun}\nplanet_teeth = {planet}\ncranks = {cranks}\nlobes = {lobes}\n'
        f'ring_pins = {lobes + 1}\ndiscs = 2\nfixed = "ring"\n'
    )
    contacts = (
        Contact(sun, "input", "stage1.carrier", 0.8),
        Contact(planet, "stage1.crank", "stage1.carrier", 0.6),
        Contact(lobes + 1, "stage1.crank", "housing", 1.0),
        Contact(lobes, "stage1.crank", "stage1.carrier", 0.5),
    )
    bearings = (
        _bearing(rng, "crank bearing", "stage1.crank", "stage1.disc", "stage1.crank", (12, 16)),
        _bearing(rng, "crank support bearing", "stage1.crank", "stage1.carrier", "stage1.carrier", (13, 17)),
    )
    return Drive(text, bodies, contacts, bearings, 2, cranks, family)


def drift_noise(rng: Rng, n: int, rate: float, seconds: float) -> Array:
    """Wander with a memory of ``seconds``, unit size."""
    pole = float(np.exp(-1 / (rate * seconds)))
    start = rng.standard_normal()
    raw = rng.standard_normal(n) * np.sqrt(1 - pole**2)
    return np.asarray(lfilter([1.0], [1.0, -pole], raw, zi=[pole * start])[0], float)


class Scene:
    """Everything that reaches the points of one capture, kept as spectra until the end."""

    def __init__(self, rng: Rng, rate: float, seconds: float, points: int, line: float) -> None:
        self.rng, self.rate, self.points, self.line = rng, rate, points, line
        self.n = next_fast_len(int(rate * seconds), real=True)
        self.t: Array = np.arange(self.n) / rate
        self.f: Array = rfftfreq(self.n, 1 / rate)
        self.detected: list[Spectrum] = [np.zeros(self.f.size, complex) for _ in range(points)]
        self.own = 1.0
        self.noise = 0.01
        self.marks: dict[str, float] = {}

    def path(self, far: bool = False, alone_at: int | None = None) -> list[Spectrum]:
        """Modes between a source and the points; a far path is softer. ``alone_at``: only this point hears well."""
        rng, top = self.rng, min(0.42 * self.rate, 11000.0)
        count = int(rng.integers(3, 6))
        modes = np.exp(rng.uniform(np.log(450 if far else 700), np.log(top * (0.7 if far else 1.0)), count))
        losses = rng.uniform(0.015, 0.06, count)
        shapes = [self.f**2 / (m**2 - self.f**2 + 2j * z * m * self.f) for m, z in zip(modes, losses, strict=True)]
        guard = 1 / np.sqrt(1 + (self.f / (0.45 * self.rate)) ** 20)
        if far:
            guard /= np.sqrt(1 + (self.f / (0.5 * top)) ** 4)
        out: list[Spectrum] = []
        for point in range(self.points):
            weight = rng.uniform(0.3, 1.0, count) * rng.choice([-1, 1], count)
            gain = 1.0 if alone_at is None or point == alone_at else 0.12
            ways = [w * s for w, s in zip(weight, shapes, strict=True)]
            out.append(np.asarray(gain * guard * (rng.uniform(0.2, 0.5) + np.sum(ways, axis=0)), dtype=np.complex128))
        return out

    def power(self, spectrum: Spectrum) -> float:
        return float(2 * np.sum(np.abs(spectrum[1:]) ** 2) / self.n**2)

    def add(self, force: Array, level: float, path: list[Spectrum], at: int = 0) -> None:
        """Put a source in so that its r.m.s. at point ``at`` is ``level`` [m/s²]."""
        source = rfft(force)
        size = np.sqrt(self.power(source * path[at])) + 1e-30
        for detected, way in zip(self.detected, path, strict=True):
            detected += (level / size) * source * way

    def add_over(self, force: Array, ratio: float, width: float, path: list[Spectrum], at: int = 0) -> None:
        """Put a source in so that its power in its best bands of ``width`` Hz is ``ratio`` times all that is there."""
        source = rfft(force)
        block = max(int(width * self.n / self.rate), 2)
        low, high = int(min(700.0, 500 * width) / self.f[1]) + 1, int(0.42 * self.rate / self.f[1])

        def boxed(spectrum: Spectrum) -> Array:
            cut = spectrum[low : low + (high - low) // block * block]
            return np.mean(np.abs(cut.reshape(-1, block)) ** 2, axis=1)

        there = boxed(self.detected[at]) + self.n * self.noise**2
        if width < 10:  # single lines stand over the floor between the lines, not over each other
            near = there[: there.size // 25 * 25].reshape(-1, 25)
            there = np.repeat(np.median(near, axis=1), 25)
        new = boxed(source * path[at])[: there.size]
        # Blows must stand out in two bands at least, a narrow gap between modes is no place to be found in.
        rank = -1 if width < 10 else -2
        size = np.sqrt(ratio / np.sort(new / (there + 1e-30))[rank])
        for detected, way in zip(self.detected, path, strict=True):
            detected += size * source * way

    def clicks(self, times: Array, sizes: Array, soft: float = 0.0) -> Array:
        """Short blows; ``soft`` [s] is how long a blow lasts."""
        force = np.zeros(self.n)
        place = times * self.rate
        first = np.floor(place).astype(int)
        good = (first >= 0) & (first < self.n - 1)
        first, part, sizes = first[good], (place - np.floor(place))[good], sizes[good]
        np.add.at(force, first, sizes * (1 - part))
        np.add.at(force, first + 1, sizes * part)
        if soft:
            pole = float(np.exp(-1 / (soft * self.rate)))
            force = np.asarray(lfilter([1 - pole], [1, -pole], force), float)
        return force

    def lines(self, turns: Array, orders: NDArray[np.floating], sizes: NDArray[np.floating]) -> Array:
        phases = self.rng.uniform(0, 2 * np.pi, len(orders))
        out = np.zeros(self.n)
        for order, size, phase in zip(orders, sizes, phases, strict=True):
            out += size * np.cos(2 * np.pi * order * turns + phase)
        return out

    def flat(self) -> list[Spectrum]:
        """Low lines reach every point as they are, in sizes of their own."""
        guard = 1 / np.sqrt(1 + (self.f / (0.45 * self.rate)) ** 20)
        return [float(self.rng.uniform(0.4, 1.3)) * guard + 0j for _ in range(self.points)]

    def turns(self, hertz: float, wander: float | None = None) -> Array:
        """Angle of another shaft, with a wander of its own."""
        size = float(np.exp(self.rng.uniform(np.log(3e-5), np.log(8e-4)))) if wander is None else wander
        pace = hertz * (1 + size * drift_noise(self.rng, self.n, self.rate, float(self.rng.uniform(0.3, 2.0))))
        return float(self.rng.random()) + np.cumsum(pace) / self.rate

    def channels(self) -> dict[str, NDArray[np.float32]]:
        out = {}
        for name, detected in zip(POINTS, self.detected, strict=False):
            wave = irfft(detected, self.n) + self.noise * self.rng.standard_normal(self.n)
            out[name] = wave.astype(np.float32)
        return out


def crossings(t: Array, phase: Array) -> Array:
    """Times at which a growing or falling phase passes whole numbers."""
    rising = phase if phase[-1] > phase[0] else -phase
    whole = np.arange(np.ceil(rising[0]), np.floor(rising[-1]) + 1)
    return np.interp(whole, rising, t)


def contact_force(scene: Scene, contact: Contact, drive: Drive, turns: Array, errors: float) -> Array:
    """Bumps of unequal height and place, without what the recorder's filter would have taken."""
    rng = scene.rng
    relative = abs(drive.between(contact.fast, contact.slow))
    cells = contact.count * 32
    sharp = rng.uniform(1.0, 4.0)
    at = (np.arange(contact.count) + 0.04 * errors * rng.standard_normal(contact.count)) / contact.count
    heights = 1 + errors * rng.standard_normal(contact.count)
    heights += 0.5 * errors * np.cos(2 * np.pi * (np.arange(contact.count) / contact.count + rng.random()))
    grid = np.arange(cells) / cells
    gap = (grid[:, None] - at[None, :] + 0.5) % 1 - 0.5
    table = np.exp(sharp * (np.cos(2 * np.pi * np.clip(gap * contact.count, -0.5, 0.5)) - 1)) @ heights
    pace = float(np.max(turns[64:] - turns[:-64])) / 64 * scene.rate
    lines = rfft(table)
    lines[0] = 0
    lines[int(0.44 * scene.rate / (relative * pace)) + 1 :] = 0
    table = irfft(lines, cells)
    place = (drive.between(contact.fast, contact.slow) * turns + rng.random()) % 1.0 * cells
    low = np.minimum(place.astype(np.int64), cells - 1)
    part = place - low
    return (1 - part) * table[low] + part * table[(low + 1) % cells]


def run(scene: Scene, drive: Drive, turns: Array, load: Array, level: float, style: str, far: bool = False) -> None:
    """A drive in motion: toothed contacts with their errors, rolling noise, shaft lines."""
    rng = scene.rng
    errors = {"rich": rng.uniform(0.3, 0.6), "quiet": rng.uniform(0.03, 0.1)}.get(style, rng.uniform(0.05, 0.22))
    mesh = np.zeros(scene.n)
    for contact in drive.contacts:
        part = contact_force(scene, contact, drive, turns, errors)
        mesh += contact.share * rng.uniform(0.5, 1.3) * part / (np.std(part) + 0.02)
    mesh *= load * (1 + rng.uniform(0.02, 0.15) * np.cos(2 * np.pi * (turns + rng.random())))
    rolling = rng.standard_normal(scene.n) * load * (1 + rng.uniform(0, 0.2) * np.cos(2 * np.pi * turns))
    orders = np.array([1.0, 2.0, 3.0])
    sizes = rng.uniform(0.2, 1.0, 3) * np.array([1.0, 0.6, 0.25])
    shaft = scene.lines(turns, orders, sizes) * load**0.3
    bounds = {"quiet": (0.08, 0.4), "strong": (0.8, 1.4), "rich": (0.8, 1.5)}.get(style, (0.12, 1.1))
    share = 0.0 if style in ("hidden", "weak") else float(np.exp(rng.uniform(*np.log(bounds))))
    path = scene.path(far)
    scene.add(rolling, level * rng.uniform(0.4, 0.8), path)
    scene.add(shaft, level * rng.uniform(0.05, 0.3), scene.flat())
    if share > 0:
        scene.add(mesh, level * share, path)
    if style == "weak":
        spot = int(rng.integers(scene.points))
        decibels = float(rng.uniform(6, 13))
        scene.add_over(mesh, 10 ** (decibels / 10), 0.5, scene.path(alone_at=spot), at=spot)
        scene.marks["mesh_db"] = decibels


@dataclass(frozen=True)
class Blows:
    """Blows of one hurt part, with the tones that may rightly be named."""

    times: Array
    sizes: Array
    tones: tuple[str, ...]
    per_turn: float


def _zone(angle: Array, spread: float) -> Array:
    """How hard a spot is pressed at an angle [turns] from the middle of the load."""
    return np.asarray(0.06 + np.maximum(np.cos(2 * np.pi * angle), 0.0) ** spread, float)


def bearing_blows(scene: Scene, drive: Drive, b: Bearing, element: str, turns: Array, slip: float) -> Blows:
    rng, t, g = scene.rng, scene.t, b.gamma
    inner, outer, load = (drive.bodies[x] for x in (b.inner, b.outer, b.load))
    creep = slip * (1 + 0.5 * drift_noise(rng, scene.n, scene.rate, float(rng.uniform(0.2, 0.8))))
    step = np.gradient(turns)
    cage = outer * turns + (inner - outer) * 0.5 * (1 - g) * np.cumsum(step * (1 - creep))
    spread = float(rng.uniform(0.8, 2.5))
    start = 0.05 * float(rng.standard_normal())
    base = f"bearing.{b.name}"
    if element == "outer":
        phase = b.elements * (cage - outer * turns)
        weigh = _zone((outer - load) * turns + start, spread)
        tone, order = f"{base}.outer_race", b.elements * (inner - outer) * 0.5 * (1 - g)
    elif element == "inner":
        phase = b.elements * (inner * turns - cage)
        weigh = _zone((inner - load) * turns + start, spread)
        tone, order = f"{base}.inner_race", b.elements * (inner - outer) * 0.5 * (1 + g)
    elif element == "roller":
        spin = (1 - g**2) / (2 * g)
        twice = rng.random() < 0.6
        phase = (2 if twice else 1) * spin * (inner - outer) * np.cumsum(step * (1 - creep))
        weigh = _zone(cage - load * turns + start, min(spread, 1.2))
        tone, order = f"{base}.rolling_element", spin * (inner - outer)
    else:
        phase = cage - load * turns
        weigh = np.ones(scene.n)
        tone, order = f"{base}.cage", (inner - outer) * 0.5 * (1 - g) + outer - load
    times = crossings(t, phase + float(rng.random()))
    sizes = np.interp(times, t, weigh)
    if element == "roller" and twice:  # the blow on the outer race goes out more freely than the one on the inner
        sizes[1::2] *= rng.uniform(0.35, 0.9)
    spacing = float(np.median(np.diff(times)))
    if element == "cage":  # a cage rubs: a few blows close together, not one
        grains = np.sort(rng.uniform(0, 0.03, 4)) * spacing
        times = (times[:, None] + grains[None, :]).ravel()
        sizes = np.repeat(sizes, 4) * rng.uniform(0.5, 1.0, 4 * sizes.size)
        spacing *= 0.2
    jitter = float(rng.uniform(0.001, 0.006)) * spacing
    return Blows(times + jitter * rng.standard_normal(times.size), sizes, (tone,), abs(order))


def blows_of(scene: Scene, drive: Drive, part: str, turns: Array, slip: float) -> Blows:
    """``part``: a tooth, lobe or pin, or "element:bearing"."""
    if ":" in part:
        element, word = part.split(":")
        return bearing_blows(scene, drive, drive.bearing(word), element, turns, slip)
    rng, t = scene.rng, scene.t
    held, planets = drive.family == "held pins", drive.family.startswith("rv")
    eccentric = "stage1.crank" if planets else "stage1.eccentric"
    carried = "stage1.carrier" if planets else "stage1.disc"
    slow = 1 + float(rng.uniform(0.05, 0.35)) * np.cos(2 * np.pi * (drive.bodies[carried] * turns + rng.random()))
    gear_names = ("stage1.planet", "stage1.planet_tooth")
    if part == "ring_pin":
        order = drive.between(eccentric, "stage1.output" if held else "housing")
        start = float(rng.random())
        times, sizes = crossings(t, order * turns + start), np.empty(0)
        sizes = np.ones(times.size)
        if rng.random() < 0.5:  # both discs roll over the pin, the second hardly touches the hurt spot
            late = crossings(t, order * turns + start + 1 / drive.discs)
            times, sizes = np.r_[times, late], np.r_[sizes, np.full(late.size, rng.uniform(0.1, 0.5))]
        tones: tuple[str, ...] = ("stage1.ring_pin",)
    elif part == "sun":
        order = drive.cranks * drive.between("input", "stage1.carrier")
        times = crossings(t, order * turns + rng.random())
        sizes = np.resize(rng.uniform(0.6, 1.0, drive.cranks), times.size)
        tones = ("stage1.sun", "stage1.sun_tooth")
    else:
        order = drive.between(eccentric, carried)
        times = crossings(t, order * turns + rng.random())
        sizes = np.interp(times, t, slow)
        ours = {"planet": gear_names, "lobe": ("stage1.lobe",), "output_pin": ("stage1.output_pin",)}[part]
        others = ("stage1.lobe", *gear_names) if planets else ("stage1.lobe", "stage1.output_pin")
        tones = (*ours, *(x for x in others if x not in ours))
    times = times + 0.0006 / abs(order * (turns[-1] - turns[0]) / t[-1]) * rng.standard_normal(times.size)
    return Blows(times, sizes, tones, abs(order))


def hurt(
    scene: Scene, drive: Drive, part: str, turns: Array, load: Array, ratio: float, slip: float, far: bool
) -> Blows:
    """Put a damage in, ``ratio`` times the rest in its best band."""
    blows = blows_of(scene, drive, part, turns, slip)
    sizes = (
        blows.sizes * np.interp(blows.times, scene.t, load) * np.exp(0.15 * scene.rng.standard_normal(blows.sizes.size))
    )
    width = min(600.0, scene.rate / 20)
    # Blows that follow fast ring into one another; they must be larger to be seen one by one.
    ratio *= max(1.0, blows.times.size / scene.t[-1] / 120)
    scene.add_over(scene.clicks(blows.times, sizes), ratio, width, scene.path(far))
    return blows


# --- what stands around -----------------------------------------------------------------------------------------------


@dataclass
class Around:
    """What a neighbour may know of the drive: its parts, its angle, its speed."""

    scene: Scene
    drive: Drive
    turns: Array
    hertz: float
    output: str

    def strength(self, low: float = 0.15, high: float = 2.5) -> float:
        factor = float(np.exp(self.scene.rng.uniform(np.log(low), np.log(high))))
        self.scene.marks["strength"] = factor
        return self.scene.own * factor

    def near(self) -> float:
        """Speed of another motor of the same kind, a little off."""
        gap = float(self.scene.rng.uniform(0.002, 0.015) * self.scene.rng.choice([-1, 1]))
        self.scene.marks["gap_percent"] = 100 * gap
        return self.hertz * (1 + gap)


def driven(a: Around, count: tuple[int, int] = (6, 24)) -> None:
    """The driven machine strikes so many times in each turn of the output; its parts are unequal."""
    s, rng = a.scene, a.scene.rng
    tries = rng.permutation(np.arange(count[0], count[1] + 1))
    number = int(
        next((n for n in tries if _apart(abs(n * a.drive.bodies[a.output]), a.drive.orders(), 4, 2)), tries[0])
    )
    times = crossings(s.t, number * a.drive.bodies[a.output] * a.turns + rng.random())
    if times.size < 2:
        return
    sizes = np.resize(1 + 0.35 * rng.standard_normal(number), times.size)
    times = times + 0.01 * np.median(np.diff(times)) * rng.standard_normal(times.size)
    s.add(s.clicks(times, sizes, float(rng.uniform(5e-5, 4e-4))), a.strength(0.2, 2.0), s.path(True))
    s.marks["strikes_per_turn"] = number


def other_shaft(a: Around, loose: bool = False) -> None:
    """A fan, belt pump or parallel motor out of balance or with a bent shaft, at nearly this speed."""
    s, rng = a.scene, a.scene.rng
    turns = s.turns(a.near())
    orders = np.arange(0.5, 15, 0.5) if loose else np.array([1.0, 2.0, 3.0, 4.0])
    sizes = rng.uniform(0.3, 1.0, orders.size) / np.maximum(orders, 1.0) ** (0.4 if loose else 1.5)
    s.add(s.lines(turns, orders, sizes), a.strength(0.3, 3.0), s.flat())


def loose_neighbour(a: Around) -> None:
    other_shaft(a, loose=True)


def belt(a: Around) -> None:
    s = a.scene
    turns = s.turns(a.hertz * float(s.rng.uniform(0.25, 0.6)))
    s.add(s.lines(turns, np.arange(1.0, 7.0), s.rng.uniform(0.2, 1, 6)), a.strength(0.2, 1.5), s.flat())
    other_shaft(a)


def vane_pump(a: Around) -> None:
    """Vanes with noise in step, and the shaft of the pump."""
    s, rng = a.scene, a.scene.rng
    turns, vanes = (
        s.turns(a.near() if rng.random() < 0.5 else float(rng.choice([24.4, 48.6, 29.2]))),
        rng.integers(5, 9),
    )
    flow = rng.standard_normal(s.n) * (1 + 0.6 * np.cos(2 * np.pi * vanes * turns))
    s.add(flow, a.strength(0.3, 2.0), s.path(True))
    s.add(
        s.lines(turns, np.array([1.0, 2.0, vanes, 2 * vanes]), rng.uniform(0.2, 1, 4)), a.strength(0.3, 1.5), s.flat()
    )


def spur_box(a: Around) -> None:
    """A helical or spur gearbox: two wheels with side lines of both shafts."""
    s, rng = a.scene, a.scene.rng
    turns, teeth = s.turns(a.near()), int(rng.integers(19, 38))
    slow = turns * teeth / int(rng.integers(41, 83))
    swing = 1 + 0.3 * np.cos(2 * np.pi * turns) + 0.3 * np.cos(2 * np.pi * slow)
    s.add(
        s.lines(turns, teeth * np.arange(1.0, 5.0), rng.uniform(0.2, 1, 4)) * swing, a.strength(0.5, 2.0), s.path(True)
    )
    s.add(s.lines(turns, np.array([1.0, 2.0]), np.array([1.0, 0.4])), a.strength(0.1, 0.5), s.flat())


def inverter(a: Around) -> None:
    s, rng = a.scene, a.scene.rng
    carrier, supply = float(rng.uniform(2000, min(8000, 0.4 * s.rate))), float(rng.choice([s.line, 47.3]))
    tones = carrier + supply * np.arange(-6, 7, 2)
    sizes = np.array([0.2, 0.5, 1, 0.3, 1, 0.5, 0.2]) * rng.uniform(0.6, 1.2, 7)
    s.add(s.lines(s.t, tones, sizes), a.strength(0.1, 1.0), s.flat())
    mains(a)


def mains(a: Around) -> None:
    s, line = a.scene, a.scene.line
    sizes = s.rng.uniform(0.1, 1, 6) * np.array([1, 0.2, 0.4, 0.1, 0.3, 0.1])
    s.add(s.lines(s.t, 2 * line * np.arange(1, 7), sizes), a.strength(0.1, 0.8), s.flat())


def hail(a: Around) -> None:
    """Grains on the guard: many small blows, in squalls."""
    s, rng = a.scene, a.scene.rng
    count = int(rng.uniform(25, 150) * s.t[-1])
    squall = np.cumsum(np.exp(0.6 * drift_noise(rng, s.n, s.rate, 1.0)))
    times = np.interp(rng.random(count), squall / squall[-1], s.t)
    s.add(s.clicks(times, rng.lognormal(0, 0.45, count), 3e-5), a.strength(0.3, 2.5), s.path(True))


def knocks(a: Around) -> None:
    """Doors, dropped tools: a few blows far above all else."""
    s, rng = a.scene, a.scene.rng
    count = int(rng.integers(2, 7))
    s.add(
        s.clicks(rng.uniform(0, s.t[-1], count), rng.lognormal(0, 0.5, count), 1e-4), a.strength(0.5, 2.0), s.path(True)
    )


def jet(a: Around) -> None:
    """A cleaning jet sweeps over the housing."""
    s, rng = a.scene, a.scene.rng
    sweep = 0.3 + np.abs(np.sin(2 * np.pi * rng.uniform(0.3, 1.2) * s.t + rng.uniform(0, 6)))
    wave = rng.standard_normal(s.n) * sweep * np.exp(0.3 * drift_noise(rng, s.n, s.rate, 0.05))
    s.add(wave, a.strength(0.3, 2.0), s.path(True))


def crane(a: Around) -> None:
    """A crane rolls by: a swell of rumble, and the joints of its rail in pairs."""
    s, rng = a.scene, a.scene.rng
    swell = np.exp(-0.5 * ((s.t - rng.uniform(0.3, 0.7) * s.t[-1]) / (0.2 * s.t[-1])) ** 2)
    rumble = np.asarray(lfilter([1.0], [1.0, -0.9], rng.standard_normal(s.n)), float)
    joints = np.arange(rng.uniform(0, 1), s.t[-1], rng.uniform(1.1, 1.9))
    joints = np.r_[joints, joints + 0.31]
    s.add(rumble * swell, a.strength(0.5, 2.5), s.path(True))
    s.add(s.clicks(joints, np.interp(joints, s.t, swell), 2e-4), a.strength(0.2, 1.0), s.path(True))


def hammer(a: Around) -> None:
    """Water hammer and a piston compressor on the same floor."""
    s, rng = a.scene, a.scene.rng
    tries = rng.uniform(5.5, 12.5, 60)
    paces = (p for p in tries if _apart(2 * p / a.hertz, a.drive.orders(), 6, 1))
    turns = s.turns(float(next(paces, tries[0])), 2e-3)
    beats = crossings(s.t, 2 * turns)
    sizes = np.resize(np.array([1.0, 0.6]), beats.size) * rng.lognormal(0, 0.1, beats.size)
    s.add(s.clicks(beats, sizes, 5e-4), a.strength(0.3, 2.0), s.path(True))
    surges = np.arange(rng.uniform(0, 2), s.t[-1], rng.uniform(2.2, 4.1))
    s.add(s.clicks(surges, np.ones(surges.size), 2e-3), a.strength(0.2, 1.0), s.path(True))


def fans(a: Around) -> None:
    """Two fans that beat, blades and all, and a guard that rattles in step with one of them."""
    s, rng = a.scene, a.scene.rng
    blades = int(rng.integers(5, 12))
    for hertz in (base := a.near(), base * (1 + float(rng.uniform(0.002, 0.01)))):
        s.add(
            s.lines(s.turns(hertz), np.array([1.0, blades, 2.0 * blades]), np.array([1, 0.6, 0.2])),
            a.strength(),
            s.flat(),
        )
    times = crossings(s.t, s.turns(base) + rng.random())
    times = times[rng.random(times.size) < 0.6] + 0.0
    times = times + 0.15 / base * rng.standard_normal(times.size)
    s.add(s.clicks(times, rng.lognormal(0, 0.5, times.size), 5e-5), a.strength(0.2, 1.2), s.path(True))


def coupling(a: Around) -> None:
    """A worn claw coupling and the blades of the motor's own fan: lines in step with the input."""
    s, rng = a.scene, a.scene.rng
    claws, blades = int(rng.integers(3, 7)), int(rng.integers(7, 14))
    orders = np.array([1, 2, 3, claws, 2 * claws, blades, 2 * blades], float)
    s.add(s.lines(a.turns, orders, rng.uniform(0.2, 1, 7)), a.strength(0.2, 1.5), s.flat())


def foreign_bearing(a: Around, on_input: bool = False) -> None:
    """A hurt race of the driven machine, or of the motor; no order of it lies near one of the drive's own."""
    s, rng = a.scene, a.scene.rng
    turns = a.turns if on_input else s.turns(a.hertz * float(rng.uniform(0.35, 0.8)))
    world = Drive("", {"housing": 0.0, "shaft": 1.0}, (), (), 1, 0, "shaft")
    pace = (turns[-1] - turns[0]) / (a.turns[-1] - a.turns[0])
    element = str(rng.choice(["outer", "inner"]))
    for _ in range(60):
        b = _bearing(rng, "foreign", "shaft", "housing", "housing", (7, 13))
        order = b.elements * 0.5 * (1 - b.gamma if element == "outer" else 1 + b.gamma) * pace
        if _apart(order, a.drive.orders(), 3, 3):
            break
    blows = bearing_blows(s, world, b, element, turns, float(rng.uniform(0, 0.004)))
    s.add_over(s.clicks(blows.times, blows.sizes), float(rng.uniform(0.3, 4)), 500.0, s.path(True))
    s.marks["foreign_order"] = float(order)


def motor_bearing(a: Around) -> None:
    foreign_bearing(a, on_input=True)


def twin(a: Around, part: str = "", style: str = "plain", wide: bool = False) -> None:
    """A drive of the same type on the same frame, its motor loaded a little otherwise."""
    s, rng = a.scene, a.scene.rng
    # Below about one turn between them over the capture nothing in it can say which of the two is hurt.
    low = 1.5 / (a.hertz * s.t[-1]) if wide else 0.0002
    gap = float(np.exp(rng.uniform(np.log(min(low, 0.012)), np.log(0.015))) * rng.choice([-1, 1]))
    turns = s.turns(a.hertz * (1 + gap))
    load = np.ones(s.n)
    run(s, a.drive, turns, load, a.strength(0.2, 1.5), style, far=True)
    if part:
        slip = float(rng.uniform(0, 0.004))
        blows = hurt(s, a.drive, part, turns, load, float(np.exp(rng.uniform(-0.7, 2))), slip, far=True)
        s.marks |= {"twin_slip_percent": 100 * slip, "twin_part_order": blows.per_turn * (1 + gap)}
    s.marks |= {"gap_percent": 100 * gap, "turns_apart": abs(float(turns[-1] - turns[0] - a.turns[-1] + a.turns[0]))}


def _twin(part: str = "", style: str = "plain", wide: bool = False) -> Callable[[Around], None]:
    return lambda a: twin(a, part, style, wide)


def two_sound_twins(a: Around) -> None:
    twin(a, "", "plain", True)
    twin(a, "", "strong", True)


def two_twins(a: Around) -> None:
    twin(a, "", "plain", True)
    twin(a, str(a.scene.rng.choice(["", "inner:input"])), "strong", True)


def none_around(a: Around) -> None:
    """The drive stands alone."""


# --- the cases --------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Plan:
    """One kind of running drive. ``families`` and ``parts`` are gone through one after the other."""

    kind: str
    families: tuple[str, ...] = ("single",)
    style: str = "plain"
    around: Callable[[Around], None] = none_around
    parts: tuple[str, ...] = ()
    motion: str = "steady"
    rates: tuple[int, ...] = (12800, 16000, 20480, 25600, 25600, 51200)
    seconds: tuple[float, float] = (6.0, 12.0)
    rpm: tuple[float, float] = (700, 2900)
    clear: tuple[float, float] = (0.2, 8.0)


ANY = ("single", "rv3", "double", "single", "rv2", "small", "high", "half-drawn", "difference 2")
RACES = ("inner:input", "outer:eccentric", "inner:eccentric", "roller:input")
CRANK = ("outer:crank bearing", "inner:crank bearing", "roller:crank bearing", "inner:support", "outer:support")
SOUND = (
    Plan("alone, double rich", ("double",), "rich"),
    Plan("twin hurt inner race", ("single", "rv3"), around=_twin("inner:input", wide=True)),
    Plan("weak mesh alone", ("single", "rv3", "high"), "weak"),
    Plan("belt pump near speed", ANY[1:], around=belt),
    Plan("rv alone rich", ("rv3", "rv2"), "rich"),
    Plan("half-drawn alone", ("half-drawn",)),
    Plan("twin hurt unseen mesh", ("single", "double", "half-drawn"), around=_twin("roller:input", "hidden", True)),
    Plan("sprocket driven", ("single", "rv2"), around=driven),
    Plan("motor beside, bent shaft", ANY[3:], around=other_shaft),
    Plan("top ratio alone", ("top",), "quiet", rpm=(900, 1800)),
    Plan("twin hurt lobe", ("single", "small"), around=_twin("lobe", "weak", True)),
    Plan("low-rate recorder", ("single", "rv2", "high"), rates=(6400, 8192), rpm=(600, 1500)),
    Plan("quiet alone", ("single", "double", "rv3"), "quiet"),
    Plan("load cycles alone", ("single", "rv3", "double"), "rich", motion="cycles"),
    Plan("twin hurt, mesh strong", ("double", "single"), around=_twin("outer:eccentric", "strong", True)),
    Plan("long slow drive", ("single", "double", "rv3"), "weak", seconds=(13, 16), rpm=(600, 720), rates=(8192, 12800)),
    Plan("soft foot neighbour", ("single", "rv3", "small"), around=loose_neighbour),
    Plan("mixer torque", ("single", "double"), around=lambda a: driven(a, (2, 9)), motion="cycles"),
    Plan("motor bearing hurt", ("single", "rv3"), around=motor_bearing),
    Plan("twin sound beside", ANY, around=_twin("", "strong")),
    Plan("hail on the guard", ("rv2", "single"), around=hail),
    Plan("pitch errors alone", ("single", "difference 2", "half-drawn"), "rich"),
    Plan("twin hurt, nearly equal", ("rv2", "single"), around=_twin("inner:input")),
    Plan("crane passes", ("single", "rv3"), around=crane),
    Plan("strong alone", ANY[2:], "strong"),
    Plan("two twins", ("single", "rv2"), around=two_twins),
    Plan("short capture", ("single", "small"), seconds=(3.0, 5.0)),
    Plan("driven bearing hurt", ("single", "rv2"), around=foreign_bearing),
    Plan("cold start", ("single", "rv3"), "quiet", around=jet, motion="warming"),
    Plan("vane pump beside", ("double", "single"), around=vane_pump),
    Plan("difference 2 alone", ("difference 2",)),
    Plan("slow ramp", ("single", "rv3"), motion="ramp"),
    Plan("inverter and mains", ("rv3", "single"), around=inverter),
    Plan("doors slam", ("half-drawn", "single"), "quiet", around=knocks),
    Plan("twin hurt ring pin", ("single", "rv3"), around=_twin("ring_pin", wide=True)),
    Plan("compressor and hammer", ("single", "rv2"), around=hammer),
    Plan("fans and rattling guard", ("single", "double"), around=fans),
    Plan("worn coupling", ("single", "held pins"), around=coupling),
    Plan("screw flights", ("rv3", "single"), around=lambda a: driven(a, (24, 40))),
    Plan("cleaning jet", ("single", "rv2"), around=jet),
    Plan("held pins alone", ("held pins",)),
)
LONG, MIDDLE = (9.0, 12.0), (12800, 16000, 20480, 25600)
DAMAGED = (
    Plan("alone, race hurt", ("single", "double", "small"), "rich", parts=RACES),
    Plan(
        "twin sound, here hurt",
        ("single", "rv3"),
        around=_twin(wide=True),
        parts=("lobe", "inner:input"),
        seconds=LONG,
        rates=MIDDLE,
    ),
    Plan("rv crank bearing", ("rv3", "rv2"), parts=CRANK),
    Plan("quiet, hurt", ("single", "rv2"), "quiet", parts=("roller:input", "outer:input"), clear=(0.25, 1.2)),
    Plan("ring pin hurt", ("single", "rv3", "small"), parts=("ring_pin",), clear=(1.0, 10)),
    Plan("roller carried", ("single", "half-drawn"), "rich", parts=("roller:eccentric", "roller:input")),
    Plan("rv sun tooth", ("rv3", "rv2"), "quiet", parts=("sun",)),
    Plan("double, comb hurt", ("double",), "rich", parts=("inner:input", "outer:eccentric", "roller:eccentric")),
    Plan("load cycles, hurt", ("single", "rv3"), motion="cycles", parts=("inner:input", "outer:input")),
    Plan(
        "twin hidden, here hurt",
        ("single", "half-drawn"),
        around=_twin("", "hidden", True),
        parts=("inner:eccentric",),
        seconds=LONG,
        rates=MIDDLE,
    ),
    Plan("lobe hurt", ("single", "difference 2", "rv3"), parts=("lobe", "output_pin", "lobe"), clear=(1.0, 10)),
    Plan("driven beside, hurt", ("single", "rv2"), around=driven, parts=("outer:input", "inner:input")),
    Plan("outer race alone", ("high", "single", "rv2"), parts=("outer:input",)),
    Plan("rv planet tooth", ("rv2", "rv3"), "quiet", parts=("planet",), clear=(0.6, 8)),
    Plan("low rate, hurt", ("single",), rates=(6400, 8192), parts=("inner:input", "outer:eccentric"), rpm=(700, 1500)),
    Plan("cage rubs", ("single", "rv3"), "quiet", parts=("cage:input",), clear=(1.0, 8), rpm=(1400, 2900)),
    Plan("fresh grease, hurt", ("single", "rv3"), "weak", around=jet, parts=("inner:input",), clear=(0.8, 4)),
    Plan(
        "two twins, here hurt",
        ("single",),
        around=two_sound_twins,
        parts=("lobe", "outer:eccentric"),
        clear=(3, 12),
        seconds=LONG,
        rates=MIDDLE,
    ),
    Plan("pump beside, hurt", ("rv3", "single"), around=vane_pump, parts=("outer:input", "inner:input")),
    Plan("half-drawn, hurt", ("half-drawn",), parts=("inner:input", "outer:eccentric")),
    Plan("output pin hurt", ("single", "small"), parts=("output_pin",), clear=(1.0, 10)),
    Plan("soft foot, hurt", ("single", "rv2"), around=loose_neighbour, parts=("outer:input", "inner:input")),
    Plan("hail, hurt", ("single", "double"), around=hail, parts=("outer:input", "inner:input"), clear=(2, 10)),
    Plan("held pins, hurt", ("held pins",), parts=("outer:eccentric",)),
)


def _idle(*parts: Callable[[Around], None]) -> Callable[[Around], None]:
    def all_of(a: Around) -> None:
        for part in parts:
            part(a)

    return all_of


def _meshes(drive: Drive) -> list[float]:
    return [c.count * abs(drive.between(c.fast, c.slow)) for c in drive.contacts]


def _misfiled(a: Around) -> None:
    """A drive of another ratio runs here; the file is that of this one."""
    s = a.scene
    here = np.outer(_meshes(a.drive), [1, 2]).ravel()
    for _ in range(300):
        other = make_drive(s.rng, str(s.rng.choice(["single", "small", "rv3", "high"])))
        there = np.outer(_meshes(other), [1, 2]).ravel()
        if np.min(np.abs(here[:, None] / there[None, :] - 1)) > 0.06:
            break
    run(s, other, s.turns(a.hertz), np.ones(s.n), s.own, "strong")


def _bare_motor(a: Around) -> None:
    """A motor without its load: its shaft, twice the line, rotor bars, its fan."""
    s, rng = a.scene, a.scene.rng
    bars, line = int(rng.choice([28, 34, 40, 44])), s.line
    s.add(s.lines(a.turns, np.array([1.0, 2.0, 3.0]), np.array([1, 0.3, 0.1])), a.strength(0.3, 1.0), s.flat())
    bar = bars * a.turns
    tones = sum((np.cos(2 * np.pi * (bar + k * 2 * line * s.t)) for k in (-1, 0, 1)), np.zeros(s.n))
    s.add(tones, a.strength(0.1, 0.5), s.path(False))
    mains(a)


def _taps(a: Around) -> None:
    """A rigger taps the frame of the standing drive, about twice a second."""
    s, rng = a.scene, a.scene.rng
    times = np.cumsum(rng.uniform(0.35, 0.65, int(s.t[-1] / 0.4)))
    s.add(s.clicks(times, rng.lognormal(0, 0.3, times.size), 1e-4), a.strength(0.8, 3.0), s.path())


def _screws(a: Around) -> None:
    """A screw compressor: lobes four and six, in step with each other."""
    s, rng = a.scene, a.scene.rng
    turns = s.turns(float(rng.choice([49.2, 59.1, 24.7])))
    orders = np.r_[4.0 * np.arange(1, 9), 1.0, 2 / 3]
    s.add(s.lines(turns, orders, rng.uniform(0.2, 1, 10)), a.strength(0.5, 2.0), s.path(True))


def _diesel(a: Around) -> None:
    """A generator set next door: half orders of its four-stroke engine, uneven blows."""
    s, rng = a.scene, a.scene.rng
    turns = s.turns(25.0, 1e-3)
    times = crossings(s.t, 2 * turns)
    sizes = np.resize(1 + 0.3 * rng.standard_normal(4), times.size) * rng.lognormal(0, 0.15, times.size)
    s.add(s.clicks(times, sizes, 4e-4), a.strength(0.7, 2.5), s.path(True))
    s.add(s.lines(turns, np.arange(0.5, 6.5, 0.5), rng.uniform(0.1, 1, 12)), a.strength(0.3, 1.0), s.flat())


UNUSABLE: tuple[tuple[str, str, Callable[[Around], None]], ...] = (
    ("idle beside pump", "idle", vane_pump),
    ("start from rest", "start", none_around),
    ("idle, loose fan beside", "idle", loose_neighbour),
    ("other ratio filed", "idle", _misfiled),
    ("motor uncoupled", "idle", _bare_motor),
    ("idle beside spur box", "idle", spur_box),
    ("coast-down", "coast", none_around),
    ("only noise", "idle", none_around),
    ("idle, belt pump near speed", "idle", belt),
    ("stop and restart", "restart", none_around),
    ("idle beside engine", "idle", _diesel),
    ("mains hum", "idle", mains),
    ("inching", "inching", none_around),
    ("idle, hail", "idle", hail),
    ("idle, foreign bearing", "idle", _idle(foreign_bearing, other_shaft)),
    ("idle, tapped", "idle", _taps),
    ("idle beside screws", "idle", _screws),
    ("stop in the middle", "stop", none_around),
    ("idle, fans beat", "idle", fans),
    ("idle, compressor", "idle", _idle(hammer, mains)),
)
TURN: tuple[Truth, ...] = ("sound", "damaged", "unusable", "sound") * 2 + ("damaged", "sound", "unusable", "sound")
TURN = (*TURN, "damaged", "sound", "unusable", "sound", "damaged", "sound", "unusable", "damaged")
COUNT = 120


def motion_of(scene: Scene, motion: str, hertz: float) -> tuple[Array, Array]:
    """Turns of the input, and the load it carries, sample by sample."""
    rng, t, end = scene.rng, scene.t, scene.t[-1]
    size = float(np.exp(rng.uniform(np.log(3e-5), np.log(1e-3))))
    pace = hertz * (1 + size * drift_noise(rng, scene.n, scene.rate, float(rng.uniform(0.3, 2.0))))
    load = 1 + 0.05 * drift_noise(rng, scene.n, scene.rate, 0.5)
    x = t / end
    if motion == "cycles":
        swing = np.cos(2 * np.pi * (rng.uniform(0.25, 0.9) * t + rng.random()))
        load *= 1 + rng.uniform(0.25, 0.5) * swing
        pace *= 1 - rng.uniform(0.001, 0.004) * swing
    elif motion == "ramp":
        pace *= 1 + rng.uniform(0.01, 0.03) * rng.choice([-1, 1]) * (x - 0.5)
    elif motion == "warming":
        pace *= 1 - rng.uniform(0.003, 0.01) * np.exp(-3 * x)
        load *= 1 + 0.4 * np.exp(-3 * x)
    elif motion != "steady":
        edge = float(rng.uniform(0.05, 0.15))
        shape = {
            "start": np.clip((x - edge) / rng.uniform(0.6, 0.8), 0, 1),
            "coast": np.clip(1 - (x - edge) / 0.7, 0, 1),
            "restart": np.clip(np.abs(x - 0.5) / 0.22 - 0.6, 0, 1),
            "stop": np.clip((0.5 - x) / 0.12 + 0.5, 0, 1),
            "inching": np.clip(1.8 * np.sin(2 * np.pi * x * rng.integers(4, 8)) - 0.5, 0, 1),
        }[motion]
        pace *= shape
        load *= shape**1.5
    return float(rng.random()) + np.cumsum(pace) / scene.rate, load


def case(number: int) -> WorldCase:
    """The capture of this number; the same for ever."""
    rng = np.random.default_rng([number, 90517])
    truth = TURN[number % len(TURN)]
    rank = number // len(TURN) * TURN.count(truth) + TURN[: number % len(TURN)].count(truth)
    # A second pass through the kinds takes the next family and the next part.
    if truth == "unusable":
        kind, motion, around = UNUSABLE[rank % len(UNUSABLE)]
        plan, again = Plan(kind, ANY, "plain", around, motion=motion), rank
    else:
        plans = SOUND if truth == "sound" else DAMAGED
        plan, again = plans[rank % len(plans)], rank // len(plans) + rank % len(plans)
    drive = make_drive(rng, plan.families[again % len(plan.families)])
    line = float(rng.choice([50.0, 60.0]))
    direct = [p for p in (2, 4, 4, 6, 8) if plan.rpm[0] <= 0.965 * 120 * line / p <= plan.rpm[1]]
    if direct and rng.random() < 0.8:
        poles, supply = int(rng.choice(direct)), line
    else:  # fed by a converter
        poles = 4
        supply = round(float(rng.uniform(*plan.rpm)) * poles / 120 / 0.965, 1)
    rpm = round(float(rng.uniform(0.955, 0.975)) * 120 * supply / poles)
    hertz = rpm / 60 * (1 + float(rng.uniform(-0.012, 0.012)))
    rate = float(rng.choice(plan.rates))
    seconds = min(float(rng.uniform(*plan.seconds)), 3.6e5 / rate)
    scene = Scene(rng, rate, seconds, int(rng.integers(1, 4)) if seconds * rate < 3e5 else 1, line)
    bounds = {"quiet": (0.1, 0.4), "weak": (0.1, 0.6), "strong": (2.0, 7.0), "rich": (0.8, 4.0)}
    scene.own = float(rng.uniform(*bounds.get(plan.style, (0.3, 2.5))))
    scene.noise = 0.004 + 0.02 * scene.own * float(rng.random())
    turns, load = motion_of(scene, plan.motion if plan.motion != "idle" else "steady", hertz)
    floor = scene.own * float(rng.uniform(0.02, 0.12))
    scene.add(rng.standard_normal(scene.n), floor, scene.path(True))
    if plan.motion != "idle":
        run(scene, drive, turns, load, scene.own, plan.style)
    output = "stage1.carrier" if drive.cranks else "stage2.output" if drive.family == "double" else "stage1.output"
    plan.around(Around(scene, drive, turns, hertz, output))
    tones: tuple[str, ...] = ()
    if plan.parts:
        part = plan.parts[again % len(plan.parts)]
        ratio = float(np.exp(rng.uniform(*np.log(plan.clear))))
        slip = float(rng.uniform(0, 0.001 if "twin" in plan.kind else 0.006))
        blows = hurt(scene, drive, part, turns, load, ratio, slip, far=False)
        tones = blows.tones
        scene.marks |= {"clear": ratio, "order": blows.per_turn, "slip_percent": 100 * slip}
    mean = None if plan.motion == "idle" else float((turns[-1] - turns[0]) / scene.t[-1])
    pulses = None
    if plan.motion not in ("idle", "inching") and rng.random() < 0.2:
        pulses = (4.5 * ((turns % 1.0) < 0.1) + 0.05 * rng.standard_normal(scene.n)).astype(np.float32)
    noted = None if rng.random() < 0.2 else round(60 * hertz * (1 + float(rng.choice([0.001, -0.001, 0.01, -0.01]))))
    span = float(rng.uniform(0.034 if plan.motion in ("ramp", "warming") else 0.025, 0.04))
    head = (
        f'tag = "MA-{number:03d}"\nname = "Marsh drive {number}"\n\n[input]\nspeed_rpm = {rpm}\n'
        f"speed_range_rpm = [{round(rpm * (1 - span))}, {round(rpm * (1 + span))}]\npower_kw = 2.2\n\n"
        f"[motor]\npoles = {poles}\nline_hz = {supply:g}\n"
    )
    channels = scene.channels()
    return WorldCase(
        name=f"marshside {number}: {plan.kind}, {drive.family}",
        kind=plan.kind,
        truth=truth,
        drive_toml=head + drive.stage_text + "".join(b.text() for b in drive.bearings),
        channels=channels,
        sample_rate_hz=rate,
        speed_hz=mean,
        pulses=pulses,
        noted_rpm=noted,
        damaged=tones,
        marks=scene.marks | {"rms": float(np.std(next(iter(channels.values()))))},
    )
