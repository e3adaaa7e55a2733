"""What the quarry's world is made with: reducers, the bench on which a capture is put together, damage.

Angles come from bodies that roll on each other without slip (cages creep a little), forces from what meets at those
angles: lobes and pins with pitch errors, elements in a load zone, teeth, knocking parts. Forces act on one of a few
paths, each with resonances of its own at every point. No formula of a tone is used, orders are only compared so that no
case asks for what nobody could tell apart.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray
from scipy import fft

POINTS = ("input side", "ring housing", "output side")

Array = NDArray[np.float64]
Reals = NDArray[np.float32]
Lines = NDArray[np.complex64]
Rng = np.random.Generator


# Machines


@dataclass(frozen=True, slots=True)
class Bearing:
    """Rolling bearing between two bodies, its load still in the frame of a third."""

    name: str
    inner: str
    outer: str
    load: str
    elements: int
    element_mm: float
    pitch_mm: float

    def cage(self, inner: float, outer: float) -> float:
        """Turns of the cage: an element's centre moves with half the sum of both surfaces' speeds."""
        return (inner * (self.pitch_mm - self.element_mm) + outer * (self.pitch_mm + self.element_mm)) / (
            2 * self.pitch_mm
        )

    @property
    def spin(self) -> float:
        """Turns of an element about itself per turn of the outer ring, seen from the cage."""
        return (self.pitch_mm + self.element_mm) / self.element_mm


@dataclass(frozen=True, slots=True, kw_only=True)
class Machine:
    """A reducer. ``form``: plain, turning ring, two stages, rv or geared (a gear pair before the discs)."""

    form: str
    lobes: int
    pins: int
    output_pins: int
    discs: int
    second_lobes: int = 0
    sun: int = 0
    planet: int = 0
    driver: int = 0
    driven: int = 0
    eccentricity_mm: float = 0.0
    roller_mm: float = 0.0
    bearings: tuple[Bearing, ...] = ()
    speed_rpm: float = 1455.0
    range_rpm: tuple[float, float] = (1420.0, 1495.0)
    poles: int = 4
    line_hz: float = 50.0
    around: str = ""
    """More of the drive file: what stands around."""

    @property
    def stage(self) -> str:
        """The (first) stage that has discs."""
        return "stage2" if self.form == "geared" else "stage1"

    @property
    def output(self) -> str:
        return {"two stages": "stage2.output", "rv": "stage1.carrier"}.get(self.form, f"{self.stage}.output")

    def rates(self) -> dict[str, float]:
        """Turns of every body per turn of the input, from pitch circles that roll on each other."""
        rates = {"housing": 0.0, "input": 1.0}
        if self.form == "rv":
            # The planet rolls on the sun, the disc in its ring; the carrier turns as the disc spins.
            carrier_per_crank = 1 - self.pins / self.lobes
            crank = self.sun / (self.sun * carrier_per_crank - self.planet * (1 - carrier_per_crank))
            carrier = crank * carrier_per_crank
            return rates | {
                "stage1.crank": crank, "stage1.eccentric": crank, "stage1.ring": 0.0,
                "stage1.disc": carrier, "stage1.carrier": carrier,
            }  # fmt: skip
        eccentric = -self.driver / self.driven if self.form == "geared" else 1.0
        s = self.stage
        rates[f"{s}.eccentric"] = eccentric
        if self.form == "turning ring":
            ring = eccentric * (1 - self.lobes / self.pins)
            return rates | {f"{s}.ring": ring, f"{s}.disc": 0.0, f"{s}.output": ring}
        disc = eccentric * (1 - self.pins / self.lobes)
        rates |= {f"{s}.ring": 0.0, f"{s}.disc": disc, f"{s}.output": disc}
        if self.form == "two stages":
            last = disc * (1 - (self.second_lobes + 1) / self.second_lobes)
            rates |= {
                "stage2.eccentric": disc, "stage2.ring": 0.0, "stage2.disc": last, "stage2.output": last,
            }  # fmt: skip
        return rates

    def own_orders(self) -> dict[str, float]:
        """How often parts meet per turn of the input: to keep strangers away from them."""
        at = self.rates()
        orders = {"input": 1.0}
        if self.form == "rv":
            orders["sun tooth"] = 1 - at["stage1.carrier"]
        for stage in (self.stage, "stage2") if self.form == "two stages" else (self.stage,):
            eccentric = at[f"{stage}.eccentric"]
            orders[f"{stage}.pin"] = abs(eccentric - at[f"{stage}.ring"])
            orders[f"{stage}.lobe"] = abs(eccentric - at[f"{stage}.disc"])
        for b in self.bearings:
            inner, outer = at[b.inner], at[b.outer]
            cage = b.cage(inner, outer)
            orders[f"{b.name} outer"] = b.elements * abs(cage - outer)
            orders[f"{b.name} inner"] = b.elements * abs(cage - inner)
            orders[f"{b.name} spin"] = b.spin * abs(outer - cage)
            orders[f"{b.name} twice spin"] = 2 * b.spin * abs(outer - cage)
            orders[f"{b.name} cage"] = abs(cage - at[b.load]) or abs(cage - outer)
        return orders

    def toml(self, tag: str) -> str:
        """The drive file."""
        lines = [
            f'tag = "{tag}"', 'name = "Yard drive"', "", "[input]", f"speed_rpm = {self.speed_rpm:g}",
            f"speed_range_rpm = [{self.range_rpm[0]:g}, {self.range_rpm[1]:g}]", "power_kw = 4.0",
            "", "[motor]", f"poles = {self.poles}", f"line_hz = {self.line_hz:g}",
        ]  # fmt: skip
        if self.form == "geared":
            lines += ["", "[[stage]]", 'kind = "gear pair"', f"driver_teeth = {self.driver}"]
            lines += [f"driven_teeth = {self.driven}"]
        if self.form == "rv":
            lines += ["", "[[stage]]", 'kind = "rv"', f"sun_teeth = {self.sun}", f"planet_teeth = {self.planet}"]
            lines += ["cranks = 3", f"lobes = {self.lobes}", f"ring_pins = {self.pins}", f"discs = {self.discs}"]
            lines += ['fixed = "ring"']
        else:
            fixed = "output pins" if self.form == "turning ring" else "ring"
            for lobes, pins in ((self.lobes, self.pins), (self.second_lobes, self.second_lobes + 1)):
                if lobes:
                    lines += ["", "[[stage]]", 'kind = "cycloidal"', f"lobes = {lobes}", f"ring_pins = {pins}"]
                    lines += [f"output_pins = {self.output_pins}", f"discs = {self.discs}", f'fixed = "{fixed}"']
            if self.roller_mm:
                lines += [f"eccentricity_mm = {self.eccentricity_mm:g}"]
                lines += [f"output_roller_diameter_mm = {self.roller_mm:g}"]
        for b in self.bearings:
            lines += ["", "[[bearing]]", f'name = "{b.name}"', f'inner = "{b.inner}"', f'outer = "{b.outer}"']
            lines += [f'load = "{b.load}"', f"elements = {b.elements}", f"element_diameter_mm = {b.element_mm:g}"]
            lines += [f"pitch_diameter_mm = {b.pitch_mm:g}"]
        return "\n".join(lines) + "\n" + self.around


SMALL = ((8, 7.94, 33.5), (9, 7.94, 39.04), (9, 9.53, 46.0), (9, 12.0, 60.0))
ROLLERS = ((11, 9.0, 36.0), (12, 10.0, 45.0), (13, 11.0, 52.0), (14, 9.5, 50.5), (15, 13.0, 68.0))
LARGE = ((14, 9.53, 70.0), (16, 11.11, 92.5), (18, 12.7, 120.0), (17, 12.0, 78.0))


def _bearing(rng: Rng, name: str, bodies: tuple[str, str, str], sizes: tuple[tuple[int, float, float], ...]) -> Bearing:
    elements, element, pitch = sizes[int(rng.integers(len(sizes)))]
    pitch = round(pitch * float(rng.uniform(0.985, 1.05)), 2)
    return Bearing(name, *bodies, elements, element, pitch)


def _bearings(rng: Rng, machine: Machine) -> tuple[Bearing, ...]:
    s = machine.stage
    found = [_bearing(rng, "input bearing", ("input", "housing", "housing"), SMALL)]
    if machine.form == "rv":
        found.append(_bearing(rng, "crank bearing", ("stage1.crank", "stage1.disc", "stage1.crank"), ROLLERS))
        found.append(_bearing(rng, "crank support", ("stage1.crank", "stage1.carrier", "stage1.carrier"), ROLLERS))
    else:
        ecc = f"{s}.eccentric"
        found.append(_bearing(rng, "eccentric bearing", (ecc, f"{s}.disc", ecc), ROLLERS))
    if machine.form == "two stages":
        ecc = "stage2.eccentric"
        found.append(_bearing(rng, "second eccentric bearing", (ecc, "stage2.disc", ecc), ROLLERS))
    found.append(_bearing(rng, "output bearing", (machine.output, "housing", "housing"), LARGE))
    return tuple(found)


def _apart(orders: dict[str, float]) -> bool:
    """Whether no race or element of a bearing lies at another's order, or at a small multiple of shaft or lobe."""
    races = {k: v for k, v in orders.items() if k.endswith(("outer", "inner", "spin"))}
    fast = [v for v in races.values() if v > 0.1]
    if any(abs(a / b - 1) < 0.03 for i, a in enumerate(fast) for b in fast[:i] if a != 2 * b):
        return False
    firm = [v for k, v in orders.items() if k.endswith((".pin", "lobe", "tooth")) or k == "input"]
    return all(abs(v / f / round(v / f) - 1) > 0.012 for v in fast for f in firm if 0.6 < v / f < 6.5)


def a_machine(rng: Rng, form: str, lobes: tuple[int, ...], discs: int) -> Machine:
    counts = lobes or (8, 11, 13, 15, 17, 21, 25, 29, 35, 43, 51, 59, 71, 87)
    if form == "two stages":
        counts = lobes or (11, 13, 15, 17)
    elif form == "rv":
        counts = lobes or (29, 35, 39, 43)
    elif form == "geared":
        counts = lobes or (11, 15, 21, 29)
    z = int(rng.choice(counts))
    machine = Machine(
        form=form, lobes=z, pins=z + 1, output_pins=int(rng.choice([6, 8, 10, 12])), discs=discs,
        second_lobes=int(rng.choice([8, 11, 13])) if form == "two stages" else 0,
        sun=int(rng.choice([10, 12, 15])) if form == "rv" else 0,
        planet=int(rng.choice([31, 38, 43])) if form == "rv" else 0,
        driver=int(rng.choice([19, 21, 23])) if form == "geared" else 0,
        driven=int(rng.choice([47, 53, 58])) if form == "geared" else 0,
    )  # fmt: skip
    for _ in range(200):
        machine = replace(machine, bearings=_bearings(rng, machine))
        if _apart(machine.own_orders()):
            break
    return machine


def _powered(rng: Rng, machine: Machine, style: str) -> tuple[Machine, float]:
    """Motor and speeds of the file, and the true mean speed [Hz]."""
    poles = int(rng.choice([4, 4, 4, 6]))
    line = float(rng.choice([50.0, 50.0, 60.0]))
    if style == "plate of another net":
        poles, line = 4, 50.0
    synchronous = 120 * line / poles
    true = synchronous * float(rng.uniform(0.958, 0.99))
    nominal = round(synchronous * float(rng.uniform(0.965, 0.985)))
    low, high = round(synchronous * 0.945), round(synchronous * 0.998)
    if style == "plate of another net":
        nominal, low, high = 1750, 1400, 1790
    elif style == "half speed":
        low, true = round(nominal * 0.4), nominal * float(rng.uniform(0.46, 0.6))
    elif style == "hunting":
        low, true = round(nominal * 0.7), nominal * float(rng.uniform(0.75, 0.95))
    file = replace(machine, speed_rpm=nominal, range_rpm=(low, high), poles=poles, line_hz=line)
    return file, true / 60


# The bench: angles, paths and what is measured


@dataclass(slots=True, eq=False)
class Bench:
    """One capture while it is made. Angles are in turns."""

    rng: Rng
    machine: Machine
    rate_hz: float
    samples: int
    points: tuple[str, ...]
    speed_hz: float
    turns: Array
    supply_hz: float
    """Frequency of the motor's current."""
    level: float
    """Root mean square of the drive's mesh at its loudest point [m/s²]: measure of all else."""
    lines: dict[str, Lines] = field(default_factory=dict)
    paths: dict[str, dict[str, Lines]] = field(default_factory=dict)
    direct: dict[str, Array] = field(default_factory=dict)
    """What comes into the signal after the sensor [m/s²]."""
    marks: dict[str, float] = field(default_factory=dict)

    @property
    def seconds(self) -> float:
        return self.samples / self.rate_hz

    @property
    def time(self) -> Array:
        return np.arange(self.samples) / self.rate_hz

    def body(self, name: str) -> Array:
        """Angle of a body."""
        return self.machine.rates()[name] * self.turns

    def path(self, name: str) -> dict[str, Lines]:
        """Transfer from a force to acceleration at each point: a few resonances, all points' at the same places."""
        if name in self.paths:
            return self.paths[name]
        rng = self.rng
        top = 0.46 * self.rate_hz
        grid = np.arange(0, self.rate_hz / 2 + 4, 2.0)
        foreign = name not in ("mesh", "bearing", "shaft")
        highest = min(top, 3800.0 if foreign else 9500.0)
        count = int(rng.integers(5, 9))
        natural = np.geomspace(170, highest, count) * np.exp(rng.normal(0, 0.12, count))
        damping = rng.uniform(0.012, 0.05, count)
        found = {}
        for k, point in enumerate(self.points):
            gain = np.exp(rng.normal(0, 0.6, count)) * rng.choice([-1, 1], count) / natural**0.35
            total = np.full(grid.size, 0.02 + 0j)
            for f0, zeta, g in zip(natural, damping, gain, strict=True):
                total += g * grid**2 / (f0**2 - grid**2 + 2j * zeta * f0 * grid)
            total *= float(rng.uniform(0.3, 1.0)) if k else 1.0
            exact = np.linspace(0, self.rate_hz / 2, self.samples // 2 + 1)
            found[point] = (np.interp(exact, grid, total.real) + 1j * np.interp(exact, grid, total.imag)).astype(
                np.complex64
            )
        self.paths[name] = found
        return found

    def add_lines(self, spectrum: Lines, path: str, rms: float) -> None:
        """Adds a force, scaled to ``rms`` [m/s²] at the point where it is loudest."""
        through = {p: spectrum * h for p, h in self.path(path).items()}
        loudest = max(self.rms(s) for s in through.values())
        for point, s in through.items():
            self.lines[point] = self.lines.get(point, np.zeros_like(s)) + s * np.float32(rms / max(loudest, 1e-20))

    def add(self, force: NDArray[np.floating], path: str, rms: float) -> None:
        self.add_lines(fft.rfft(force.astype(np.float32)).astype(np.complex64), path, rms)

    def rms(self, s: Lines) -> float:
        return math.sqrt(2 * float(np.vdot(s[1:], s[1:]).real)) / self.samples

    def noise(self) -> Lines:
        """White noise, as lines."""
        drawn: Lines = self.rng.standard_normal(2 * (self.samples // 2 + 1), dtype=np.float32).view(np.complex64)
        return drawn

    def strikes(self, times: Array, sizes: Array, path: str, decibels: float, *, width_s: float = 4e-5) -> None:
        """Adds short blows; the usual one's envelope stands so far above the rms of what is there, in the band and at
        the point where it does most."""
        inside = (times > 0) & (times < self.seconds - 2 / self.rate_hz)
        times, sizes = times[inside], sizes[inside]
        if not times.size:
            return
        place = times * self.rate_hz
        first = place.astype(np.int64)
        force = np.zeros(self.samples)
        np.add.at(force, first, sizes * (1 - (place - first)))
        np.add.at(force, first + 1, sizes * (place - first))
        half = self.samples // 2 + 1
        f = np.linspace(0, self.rate_hz / 2, half)
        pulse = np.exp(-0.5 * (2 * np.pi * f * width_s) ** 2).astype(np.float32)
        short = 16384
        step = np.linspace(0, half - 1, short // 2 + 1).astype(np.int64)
        best = 0.0
        for point, h in self.path(path).items():
            one = (h * pulse)[step]
            there = self.lines.get(point)
            if there is None:
                continue
            density = np.abs(there) ** 2
            for low in np.arange(400.0, min(0.42 * self.rate_hz, 9000.0) - 700, 400.0):
                band = slice(int(low / f[1]), int((low + 800) / f[1]))
                floor = math.sqrt(2 * float(density[band].sum())) / self.samples
                part = np.zeros(short, dtype=np.complex64)
                chosen = (f[step] >= low) & (f[step] < low + 800)
                part[: step.size][chosen] = 2 * one[chosen]
                best = max(best, float(np.abs(fft.ifft(part)).max()) / max(floor, 1e-12))
        usual = float(np.percentile(np.abs(sizes), 70))
        scale = 10 ** (decibels / 20) / best / max(usual, 1e-9)
        s = fft.rfft(force.astype(np.float32)) * pulse * np.float32(scale)
        for point, h in self.path(path).items():
            self.lines[point] = (self.lines[point] + s * h).astype(np.complex64)

    def channels(self, *, cut_hz: float = 0.0, clipped: float = 0.0) -> dict[str, Reals]:
        """What sensors and recorder make of it. ``clipped``: share of samples of the first point beyond the range."""
        found = {}
        f = np.linspace(0, self.rate_hz / 2, self.samples // 2 + 1)
        floor = 10 ** self.rng.uniform(-3.2, -2.4)
        for k, point in enumerate(self.points):
            s = self.lines.get(point, np.zeros(f.size, dtype=np.complex64))
            passed = (f / 1.5) ** 2 / (1 + (f / 1.5) ** 2)
            if cut_hz:
                passed = passed / np.sqrt(1 + (f / cut_hz) ** 8)
            x = fft.irfft(s * passed.astype(np.float32), self.samples).astype(np.float64)
            x += floor * self.rng.standard_normal(self.samples)
            if point in self.direct:
                x += self.direct[point]
            if clipped and k == 0:
                limit = float(np.quantile(np.abs(x), 1 - clipped))
                x = np.clip(x, -limit, limit)
            found[point] = x.astype(np.float32)
        return found


def a_bench(rng: Rng, machine: Machine, style: str, seconds: float, rates: tuple[float, ...], points: int) -> Bench:
    machine, speed = _powered(rng, machine, style)
    rate = float(rng.choice(rates))
    if rate > 40000:
        seconds = min(seconds, 9.0)
    samples = fft.next_fast_len(2 * int(rate * seconds / 2), real=True)
    samples += samples % 2
    t = np.arange(samples) / rate
    relative = np.zeros(samples)
    for period in np.geomspace(1.5, 25, 4) * rng.uniform(0.8, 1.25, 4):
        relative += float(rng.normal(0, 2.5e-4)) * np.cos(2 * np.pi * (t / period + rng.random()))
    out = abs(machine.rates()[machine.output]) * speed
    relative += float(rng.uniform(0, 6e-4)) * np.cos(2 * np.pi * (out * t + rng.random()))
    if style == "hunting":
        relative += float(rng.uniform(0.003, 0.008)) * np.cos(2 * np.pi * (float(rng.uniform(0.3, 0.8)) * t))
    if style == "hoist":
        lowered = 0.5 + 0.5 * np.tanh((t - t[-1] * rng.uniform(0.35, 0.65)) / 0.4)
        relative += float(rng.uniform(0.006, 0.012)) * (0.5 - lowered)
    turns = np.cumsum(speed * (1 + relative)) / rate + float(rng.random())
    true = float((turns[-1] - turns[0]) * rate / (samples - 1))
    level = 10 ** float(rng.uniform(-1.0, 0.2))
    supply = machine.line_hz * (1 + float(rng.normal(0, 2e-4)))
    if style in ("half speed", "hunting"):
        supply = true * machine.poles / 2 * 1.02
    names = POINTS[:points] if points > 1 else POINTS[1:2]
    return Bench(rng, machine, rate, samples, names, true, turns, supply, level)


# What the drive does


def passes(turns: Array, rate_hz: float, at: float = 0.0) -> tuple[Array, NDArray[np.int64]]:
    """Times [s] at which an angle comes round to ``at``, and how many whole turns it has then."""
    way = turns if turns[-1] > turns[0] else -turns
    way = np.maximum.accumulate(way) - at
    whole = np.arange(math.ceil(way[0]), math.floor(way[-1]) + 1)
    return np.interp(whole, way, np.arange(way.size)) / rate_hz, whole.astype(np.int64)


def errors(rng: Rng, count: int, spread: float) -> Array:
    return np.clip(rng.normal(0, spread, count), -2.0 * spread, 2.0 * spread)


def meeting(met: Array, errors: tuple[Array, ...], sharp: float) -> Array:
    """Force of parts that meet one after another: the n-th meeting is between parts n modulo each count."""
    whole = np.floor(met)
    n = whole.astype(np.int64)
    frac = (met - whole).astype(np.float32)
    sizes = np.ones(int(n.max() - n.min()) + 2)
    numbers = np.arange(n.min(), n.max() + 2)
    for e in errors:
        sizes += e[numbers % e.size]
    n -= n.min()
    blend = frac * frac * (3 - 2 * frac)
    size = sizes[n] * (1 - blend) + sizes[n + 1] * blend
    wave = np.exp(np.float32(sharp) * (np.cos(np.float32(2 * np.pi) * frac) - 1))
    return size * (wave - float(wave.mean()))


def _discs(b: Bench, stage: str, lobes: int, pins: int, share: tuple[float, ...]) -> Array:
    """Force of all discs of a stage: what drives (all add up) and what pushes sideways (each its own way)."""
    rng, count = b.rng, len(share)
    eccentric = b.body(f"{stage}.eccentric")
    met = pins * (eccentric - b.body(f"{stage}.ring"))
    spread = float(rng.uniform(0.03, 0.22))
    ring = errors(rng, pins, spread)
    sharp = float(rng.uniform(1.5, 6.0))
    sideways = float(rng.uniform(0.4, 1.2))
    towards = float(rng.random())
    total = np.zeros(b.samples)
    for d, weight in enumerate(share):
        own = errors(rng, lobes, spread)
        force = meeting(met + pins * d / count, (ring, own), sharp)
        total += weight * force * (1 + sideways * np.cos(2 * np.pi * (eccentric + d / count - towards)))
    return total


def run(b: Bench, *, noise: float = 0.0, unequal: float = 0.08, load: Array | None = None) -> None:
    """Adds the running drive. ``noise``: broad noise against the mesh [dB]; ``unequal``: spread of what discs carry;
    ``load``: torque over time."""
    rng, m = b.rng, b.machine
    shares = tuple(1 + errors(rng, m.discs, unequal))
    torque = np.ones(b.samples) if load is None else load
    out = b.body(m.output)
    torque = torque * (1 + float(rng.uniform(0.02, 0.15)) * np.cos(2 * np.pi * out))
    mesh = torque * _discs(b, m.stage, m.lobes, m.pins, shares)
    b.add(mesh, "mesh", b.level)
    if m.form == "two stages":
        b.add(torque * _discs(b, "stage2", m.second_lobes, m.second_lobes + 1, shares), "mesh", b.level * 0.5)
    if m.form == "rv":
        crank = b.body("stage1.crank") - out
        teeth = [errors(rng, m.planet, 0.05) for _ in range(3)]
        sun = errors(rng, m.sun, 0.05)
        force = np.zeros(b.samples)
        for k, own in enumerate(teeth):
            force += meeting(m.planet * crank + m.sun * k / 3, (own, sun), 3.0)
        b.add(torque * force, "bearing", b.level * float(rng.uniform(0.4, 1.0)))
    elif m.form == "geared":
        force = meeting(m.driver * b.turns, (errors(rng, m.driver, 0.05), errors(rng, m.driven, 0.05)), 3.0)
        b.add(torque * force, "bearing", b.level * float(rng.uniform(0.4, 1.0)))
    if m.form != "rv":
        met = m.output_pins * (b.body(f"{m.stage}.eccentric") - b.body(f"{m.stage}.disc"))
        b.add(torque * meeting(met, (errors(rng, m.output_pins, 0.1),), 2.0), "mesh", b.level * 0.35)
    sines = np.zeros(b.samples, dtype=np.float32)
    angle = (2 * np.pi * np.mod(b.turns, 1)).astype(np.float32)
    for k, size in enumerate((1.0, 0.3, 0.12, 0.06), start=1):
        sines += np.float32(size * rng.uniform(0.3, 1)) * np.cos(k * angle + np.float32(rng.uniform(0, 6.28)))
    b.add(sines, "shaft", b.level * float(rng.uniform(0.2, 0.8)))
    # Rolling contacts hiss, more so when they carry more, where the eccentric pushes and where elements are largest.
    hiss = rng.standard_normal(b.samples, dtype=np.float32) * np.sqrt(np.maximum(torque, 0))
    swell = 1 + 0.5 * mesh / max(float(np.abs(mesh).max()), 1e-9)
    for body, most in ((f"{m.stage}.eccentric", 0.4), (m.output, 0.2)):
        swell += float(rng.uniform(0, most)) * np.cos(2 * np.pi * (b.body(body) - rng.random()))
    if rng.random() < 0.4:
        bearing = m.bearings[1]
        swell += float(rng.uniform(0.05, 0.2)) * np.cos(2 * np.pi * (_cage(b, bearing) - b.body(bearing.load)))
    b.add(hiss * swell, "bearing", b.level * 10 ** (noise / 20))
    b.add_lines(b.noise(), "frame", b.level * 10 ** ((noise - 6) / 20))
    hum(b, b.level * float(rng.uniform(0.05, 0.3)))


def hum(b: Bench, rms: float, *, beat: float = 0.0) -> None:
    """Magnetic pull at twice the line's frequency; ``beat``: share that swells with the slip."""
    line = b.supply_hz
    pairs = b.machine.poles / 2
    slip = 2 * np.pi * 2 * pairs * (line / pairs * b.time - b.turns)
    b.add(np.cos(4 * np.pi * line * b.time) * (1 + beat * np.cos(slip)), "shaft", rms)


# Damage


def slow_walk(b: Bench, low: float, high: float) -> Array:
    """A share that drifts between two values during the capture."""
    knots = np.cumsum(b.rng.normal(0, 1, 12))
    knots = (knots - knots.min()) / max(float(np.ptp(knots)), 1e-9)
    found: Array = low + (high - low) * np.interp(np.linspace(0, 11, b.samples), np.arange(12), knots)
    return found


def _bearing_of(b: Bench, name: str) -> Bearing:
    return next(x for x in b.machine.bearings if x.name == name)


def _cage(b: Bench, bearing: Bearing) -> Array:
    """Angle of the cage, which lags a little behind pure rolling."""
    at = b.machine.rates()
    inner, outer = at[bearing.inner], at[bearing.outer]
    ideal = bearing.cage(inner, outer) - outer
    least = float(b.rng.uniform(0.001, 0.006))
    lag = slow_walk(b, least, least + float(b.rng.uniform(0.0003, 0.0015)))
    moved: Array = outer * b.turns + ideal * np.cumsum(np.diff(b.turns, prepend=b.turns[0]) * (1 - lag))
    return moved + float(b.rng.random())


def zone(turns: Array, width: float) -> Array:
    """Share of the load that is carried at an angle from its direction."""
    return np.maximum(0.0, (np.cos(2 * np.pi * turns) + width) / (1 + width)) ** 1.3


def harm_bearing(b: Bench, name: str, part: str, decibels: float) -> tuple[str, ...]:
    """Spalls of a race or of an element, or a cage with a broken bar."""
    rng, bearing = b.rng, _bearing_of(b, name)
    cage, inner, outer = _cage(b, bearing), b.body(bearing.inner), b.body(bearing.outer)
    load = b.body(bearing.load)
    z = bearing.elements
    width = float(rng.uniform(0.1, 0.7))
    near = float(rng.uniform(-0.08, 0.08))

    def at(angle: Array, times: Array) -> Array:
        found: Array = np.interp(times * b.rate_hz, np.arange(b.samples), angle)
        return found

    tone = f"bearing.{name}."
    if part in ("outer", "inner"):
        ring = outer if part == "outer" else inner
        times, number = passes(z * (cage - ring), b.rate_hz, float(rng.random()))
        seat = ring - ring[0] + load[0] + near
        element = 1 + errors(rng, z, 0.12)
        sizes = zone(at(seat - load, times), width) * element[number % z]
        sizes *= 1 + 0.3 * np.cos(2 * np.pi * (at(seat, times) - rng.random()))
        damaged: tuple[str, ...] = (f"{tone}{part}_race",)
    elif part == "element":
        spin = bearing.spin * (outer - cage)
        times, number = passes(2 * spin, b.rate_hz, float(rng.random()))
        sizes = zone(at(cage - load, times), width) * np.where(number % 2, 1.0, float(rng.uniform(0.5, 0.9)))
        damaged = (f"{tone}rolling_element",)
    else:
        once, _ = passes(cage - load, b.rate_hz, float(rng.random()))
        period = float(np.median(np.diff(once)))
        # The bar catches, and the elements next to it bunch up behind.
        times = np.concatenate([once + k * period * rng.uniform(0.012, 0.02) for k in range(3)])
        times = np.sort(times + rng.normal(0, 0.003 * period, times.size))
        sizes = np.ones(times.size)
        damaged = (f"{tone}cage_past_load", f"{tone}cage", f"{tone}cage_past_housing", f"{tone}cage_past_inner")
    gap = float(np.median(np.diff(times)))
    if part in ("outer", "inner") and rng.random() < 0.4:
        # A long spall is felt twice: as the element drops in, and as it comes out.
        times = np.concatenate([times, times + float(rng.uniform(0.06, 0.16)) * gap])
        sizes = np.concatenate([float(rng.uniform(0.5, 0.9)) * sizes, sizes])
    times = times + rng.normal(0, 0.004 * gap, times.size)
    sizes = sizes * (1 + errors(rng, sizes.size, 0.18))
    b.strikes(times, sizes, "bearing", decibels, width_s=float(rng.uniform(2e-5, 5e-5)))
    return damaged


def harm_pin(b: Bench, decibels: float, stage: str = "") -> tuple[str, ...]:
    """One ring pin with a spall: every disc runs over it."""
    rng, stage = b.rng, stage or b.machine.stage
    way = b.body(f"{stage}.eccentric") - b.body(f"{stage}.ring")
    place = float(rng.random())
    times, sizes = [], []
    for d in range(b.machine.discs):
        met, _ = passes(way, b.rate_hz, (place + d / b.machine.discs) % 1)
        times.append(met)
        sizes.append(float(rng.uniform(0.6, 1.0)) * (1 + errors(rng, met.size, 0.15)))
    every = np.concatenate(times)
    b.strikes(every + rng.normal(0, 4e-5, every.size), np.concatenate(sizes), "mesh", decibels)
    return (f"{stage}.ring_pin",)


def harm_lobe(b: Bench, decibels: float) -> tuple[str, ...]:
    """One lobe of one disc: it strikes whatever pin it meets, and goes round with the disc."""
    rng, stage = b.rng, b.machine.stage
    way = b.body(f"{stage}.eccentric") - b.body(f"{stage}.disc")
    times, _ = passes(way, b.rate_hz, float(rng.random()))
    where = np.interp(times * b.rate_hz, np.arange(b.samples), b.body(f"{stage}.disc"))
    sizes = (1 + 0.4 * np.cos(2 * np.pi * (where - rng.random()))) * (1 + errors(rng, times.size, 0.15))
    b.strikes(times + rng.normal(0, 4e-5, times.size), sizes, "mesh", decibels)
    return (f"{stage}.lobe", f"{stage}.output_pin")


def harm_output_pin(b: Bench, decibels: float) -> tuple[str, ...]:
    """One output pin: a disc after another pushes it."""
    rng, stage, discs = b.rng, b.machine.stage, b.machine.discs
    way = b.body(f"{stage}.eccentric") - b.body(f"{stage}.output")
    place = float(rng.random())
    times = np.concatenate([passes(way, b.rate_hz, (place + d / discs) % 1)[0] for d in range(discs)])
    where = np.interp(times * b.rate_hz, np.arange(b.samples), b.body(f"{stage}.output"))
    sizes = (1 + 0.3 * np.cos(2 * np.pi * (where - rng.random()))) * (1 + errors(rng, times.size, 0.15))
    b.strikes(times + rng.normal(0, 4e-5, times.size), sizes, "mesh", decibels)
    return (f"{stage}.output_pin", f"{stage}.lobe")


def harm_roller(b: Bench, decibels: float) -> tuple[str, ...]:
    """One roller on an output pin: it rolls in its bore, which is wider by twice the eccentricity."""
    rng, m = b.rng, b.machine
    round_bore = b.body(f"{m.stage}.eccentric") - b.body(f"{m.stage}.output")
    radius = m.roller_mm / 2
    spun = -round_bore * m.eccentricity_mm / radius
    times, _ = passes(round_bore - spun, b.rate_hz, float(rng.random()))
    # The bore pushes the roller on one half of its way round; the spot knocks lightly on the other.
    push = np.interp(times * b.rate_hz, np.arange(b.samples), round_bore)
    sizes = (0.35 + zone(push - rng.random(), 0.6)) * (1 + errors(rng, times.size, 0.15))
    b.strikes(times + rng.normal(0, 5e-5, times.size), sizes, "mesh", decibels)
    return (f"{m.stage}.output_roller",)


def harm_tooth(b: Bench, which: str, decibels: float) -> tuple[str, ...]:
    """One tooth of the sun, of a planet wheel, or of the driven wheel."""
    rng, m = b.rng, b.machine
    start = float(rng.random())
    if which == "sun":
        way = b.turns - b.body("stage1.carrier")
        times = np.concatenate([passes(way, b.rate_hz, (start + k / 3) % 1)[0] for k in range(3)])
        damaged: tuple[str, ...] = ("stage1.sun_tooth",)
    elif which == "planet":
        times = passes(b.body("stage1.crank") - b.body("stage1.carrier"), b.rate_hz, start)[0]
        damaged = ("stage1.planet_tooth", "stage1.lobe")
    else:
        times = passes(m.driver / m.driven * b.turns, b.rate_hz, start)[0]
        damaged = ("stage1.driven_tooth", "stage2.ring_pin")
    sizes = 1 + errors(rng, times.size, 0.15)
    b.strikes(times + rng.normal(0, 3e-5, times.size), sizes, "bearing", decibels)
    return damaged
