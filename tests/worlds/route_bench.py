"""The drives of a route: bodies that roll without slip, and the forces where they touch.

Nothing here knows a tone. Pitch circles roll on one another, each step of the input gives a step of every body, and a
force is what two bodies overlap by at each pin, lobe, output pin, tooth and rolling element. Whoever wants to know at
which frequencies that speaks has to look at the record.

What is taken for granted: contacts are linear springs (a line contact nearly is), damping is left to the resonances of
the housing, and inertia of the discs is left out: they turn slowly and are balanced in pairs.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray
from scipy.fft import irfft, next_fast_len, rfft
from scipy.interpolate import CubicSpline

Array = NDArray[np.float64]
Floats = NDArray[np.float32]
Bins = NDArray[np.complex64]
TAU = 2 * np.pi
LEAD_S, TAIL_S = 0.4, 0.1
"""Made before a record begins and after it ends, and cut off."""
FINE_HZ = 25_600.0
"""Strikes and roughness are made at this rate at least: what a slower recorder does not pass is cut off afterwards."""
CONTACT_RAD = 1.2
"""Where behind the eccentric a pin is loaded most: at about 70° the lever is longest."""


@dataclass(frozen=True, slots=True)
class Rolling:
    """A rolling bearing between two bodies; ``load`` is the body in whose frame its load stands still."""

    name: str
    inner: str
    outer: str
    load: str
    elements: int
    element_mm: float
    pitch_mm: float
    contact_deg: float = 0.0


@dataclass(frozen=True, slots=True)
class Design:
    """A drive: counts of what rolls. ``pre``: teeth of a first stage, sun, planet, planets or driver, driven."""

    kind: Literal["cycloidal", "rv"]
    lobes: int
    pins: int
    discs: int
    output_pins: int = 0
    pre_kind: Literal["", "planetary", "gear pair"] = ""
    pre: tuple[int, ...] = ()
    sun: int = 0
    planet: int = 0
    cranks: int = 0
    bearings: tuple[Rolling, ...] = ()

    @property
    def stage(self) -> str:
        """Of the pins and discs."""
        return "stage2" if self.pre_kind else "stage1"


def rates(design: Design) -> dict[str, float]:
    """Turns of each body per turn of the input, signed: one step of each pitch circle on its neighbour without slip."""
    out = {"housing": 0.0, "input": 1.0}
    shaft = 1.0
    if design.pre_kind == "planetary":
        sun, planet, _ = design.pre
        centre = sun * shaft / 2  # the planet stands still at the ring and is carried along at the sun
        shaft = centre / (sun + planet)
        out |= {"stage1.sun": 1.0, "stage1.carrier": shaft, "stage1.planet": -centre / planet}
    elif design.pre_kind == "gear pair":
        driver, driven = design.pre
        shaft = -shaft * driver / driven
        out |= {"stage1.driver": 1.0, "stage1.driven": shaft}
    throw = design.pins - design.lobes  # of the eccentric: what the pitch circles of ring and disc differ by
    disc = -throw / design.lobes  # per step of the eccentric: the disc stands still where it touches the ring
    name = design.stage
    if design.kind == "rv":
        sun_step = disc - design.planet / design.sun * (1.0 - disc)  # seen from the carrier, which goes with the disc
        crank = shaft / sun_step
        out |= {f"{name}.sun": shaft, f"{name}.crank": crank, f"{name}.planet": crank}
        out |= {f"{name}.eccentric": crank, f"{name}.disc": crank * disc, f"{name}.carrier": crank * disc}
    else:
        out |= {f"{name}.eccentric": shaft, f"{name}.disc": shaft * disc}
    out |= {f"{name}.ring": 0.0, f"{name}.output": out[f"{name}.disc"]}
    return out


@dataclass(frozen=True, slots=True, eq=False)
class Motion:
    """Angle of the input [rad] over time, from its speed [Hz] at even steps, added up."""

    seconds: float
    speed_hz: Array
    times_s: Array = field(init=False)
    _angle: CubicSpline = field(init=False)

    def __post_init__(self) -> None:
        steps = len(self.speed_hz)
        times = np.linspace(0.0, self.seconds, steps)
        mid = 0.5 * (self.speed_hz[1:] + self.speed_hz[:-1]) * np.diff(times)
        object.__setattr__(self, "times_s", times)
        object.__setattr__(self, "_angle", CubicSpline(times, TAU * np.concatenate([[0.0], np.cumsum(mid)])))

    def angle(self, samples: int) -> Array:
        """At ``samples`` even times [rad]."""
        return np.asarray(self._angle(np.arange(samples) * (self.seconds / samples)))

    def kept(self) -> Motion:
        """While the record lasts."""
        seconds = self.seconds - LEAD_S - TAIL_S
        times = np.linspace(LEAD_S, LEAD_S + seconds, len(self.speed_hz))
        return Motion(seconds, np.interp(times, self.times_s, self.speed_hz))

    @property
    def turns(self) -> float:
        """Of the input, in all."""
        return float(self._angle(self.seconds)) / TAU


@dataclass(frozen=True, slots=True)
class Making:
    """How well a drive is made and how it is loaded. Errors are standard deviations, as grades 5 to 7 leave them."""

    error_um: float
    windup_um: float
    """Overlap of the best placed pin under the load of the day."""
    rough_db: float
    """Noise of rubbing and rolling over what pins and discs do else, at the first sensor."""
    unbalance: float
    electric: float
    line_hz: float
    swing: float
    """Of the load, with each blade, flight or rake that the output carries past its resistance."""
    blades: int
    direction_depth: float
    """How much nearer the loaded side is when it faces the sensor."""


def ring_contact(
    design: Design,
    pin_um: Array,
    lobe_um: Array,
    *,
    windup_um: float,
    narrow: float,
    relief_um: float,
    points: int = 12,
) -> tuple[Floats, Floats, Floats, Floats]:
    """One disc against all pins, over as many turns of its eccentric as the disc has lobes, ``points`` per pin pitch.

    Returns forces along and across the eccentric, wind-up [µm] and summed force of all contacts. ``narrow``: throw
    times pins over the radius of the pin circle. At each step the disc is turned until the springs of all pins that it
    overlaps carry the load; those that a gap parts from it carry none.
    """
    pins, lobes, difference = design.pins, design.lobes, design.pins - design.lobes
    width = (pins - 1) // 2
    psi = TAU * (np.arange(1, width + 1)[None, :] - (np.arange(points) / points)[:, None]) / pins
    long = np.sqrt(1 + narrow**2 - 2 * narrow * np.cos(psi))
    lever = (np.sin(psi) / long).astype(np.float32)
    toward, sideways = ((narrow - np.cos(psi)) / long).astype(np.float32), (-np.sin(psi) / long).astype(np.float32)
    gap = (relief_um * (1 - lever / lever.max())).astype(np.float32)
    load = windup_um * float(np.sum(lever[0] ** 2))
    steps = pins * lobes
    passed = np.arange(steps + width + 1)
    error = pin_um[passed % pins] + lobe_um[(passed % pins + difference * (passed // pins)) % lobes]
    windows = sliding_window_view(error.astype(np.float32), width)[1 : steps + 1]
    results: list[list[Floats]] = [[], [], [], []]
    for start in range(0, steps, 256):  # pieces that stay in the cache
        free = windows[start : start + 256, None, :] - gap[None]
        touching = np.ones(free.shape, dtype=np.float32)
        turn = np.zeros(free.shape[:2], dtype=np.float32)
        for _ in range(3):
            stiff = np.maximum(np.einsum("ifw,fw->if", touching, lever**2), 1e-3)
            turn = (load - np.einsum("ifw,ifw,fw->if", touching, free, lever)) / stiff
            overlap = free + turn[..., None] * lever[None]
            touching = (overlap > 0).astype(np.float32)
        force = np.maximum(overlap, 0)
        for result, weight in ((results[0], toward), (results[1], sideways)):
            result.append(np.einsum("ifw,fw->if", force, weight).ravel())
        results[2].append(turn.ravel())
        results[3].append(force.sum(axis=2).ravel())
    along, across, turned, total = (np.concatenate(result) for result in results)
    return along, across, turned, total


def pins_in_holes(count: int, error_um: Array, windup_um: float, points: int = 4096) -> tuple[Floats, Floats]:
    """Output pins in the holes of a disc, over one turn of the eccentric past the disc: force and wind-up [µm].

    A pin carries while its hole presses on it from the side that the load comes from; all press along the eccentric.
    """
    past = TAU * np.arange(points)[:, None] / points
    lever = np.sin(TAU * np.arange(count)[None, :] / count - past)
    carrying = (lever > 0).astype(float)
    load = windup_um * count / 4
    turn = np.zeros(points)
    for _ in range(4):
        stiff = np.maximum(np.sum(carrying * lever**2, axis=1), 1e-3)
        turn = (load - np.sum(carrying * lever * error_um, axis=1)) / stiff
        overlap = np.where(lever > 0, turn[:, None] * lever + error_um, 0.0)
        carrying = (overlap > 0).astype(float)
    return np.maximum(overlap, 0).sum(axis=1).astype(np.float32), turn.astype(np.float32)


def over_period(table: Floats, place: Array) -> Array:
    """Value of a table over one period at ``place`` (in periods, any)."""
    where = np.mod(place, 1.0) * len(table)
    low = np.minimum(where.astype(np.int64), len(table) - 1)
    rest = where - low
    return np.asarray(table[low] * (1 - rest) + np.roll(table, -1)[low] * rest)


def tooth_force(teeth: Array, one: Array, other: Array, load_um: float, contact: float = 1.55) -> Array:
    """Two wheels whose teeth have come so far (``teeth``: counted, any fraction); pitch errors of each tooth [µm].

    One or two pairs touch; each is softest where it begins and ends. The approach of the wheels under load, about 0.
    """
    pair = np.floor(teeth).astype(np.int64)
    stiff = np.zeros(len(teeth))
    held = np.zeros(len(teeth))
    for back in (0, 1):
        engaged = (teeth - pair + back) / contact
        spring = np.where(engaged < 1, 0.6 + 1.6 * engaged * (1 - engaged), 0.0) * np.minimum(1, 8 * engaged)
        spring *= np.clip(8 * (1 - engaged), 0, 1)
        spring += 0.02
        stiff += spring
        held += spring * (one[(pair - back) % len(one)] + other[(pair - back) % len(other)])
    approach = (load_um - held) / stiff
    return np.asarray(approach - approach.mean())


def cage_step(bearing: Rolling, inner: float, outer: float) -> tuple[float, float]:
    """Steps of the cage and of an element's own spin past the cage, for steps of the rings: rolling without slip."""
    reach = bearing.element_mm * np.cos(np.radians(bearing.contact_deg)) / 2
    inner_mm, outer_mm = bearing.pitch_mm / 2 - reach, bearing.pitch_mm / 2 + reach
    cage = (inner_mm * inner + outer_mm * outer) / (inner_mm + outer_mm)  # a centre moves at the mean of both surfaces
    return cage, (outer - cage) * outer_mm / (bearing.element_mm / 2)


def load_zone(angle: Array, share: float) -> Array:
    """Load of an element at an angle [rad] from the middle of the zone; ``share`` 0.5: half of the ring carries."""
    return np.asarray(np.maximum(0.0, 1 - (1 - np.cos(angle)) / (2 * share)) ** 1.5)


def bearing_force(
    bearing: Rolling, rate: dict[str, float], angle: Array, rng: np.random.Generator
) -> tuple[Array, Array]:
    """Force along the load and its direction [rad] in the housing: elements of unequal size roll through the load over
    wavy rings."""
    inner, outer, load = (rate[name] for name in (bearing.inner, bearing.outer, bearing.load))
    cage, _ = cage_step(bearing, inner, outer)
    size = rng.normal(0, 0.03, bearing.elements)
    waves = np.arange(2, 15)
    rings = [rng.normal(0, 0.08, waves.size) / waves * np.exp(1j * rng.uniform(0, TAU, waves.size)) for _ in range(2)]
    around = TAU * np.arange(2048)[:, None] / 2048
    tables = [np.sum((np.exp(1j * around * waves) * ring).real, axis=1).astype(np.float32) for ring in rings]
    share = rng.uniform(0.35, 0.6)
    zone = load_zone(TAU * np.arange(2048) / 2048, share).astype(np.float32)
    start = rng.uniform(0, 1)
    force = np.zeros(len(angle), dtype=np.float32)
    steps = angle * (2048 / TAU)
    past = [np.floor((cage - other) * steps).astype(np.int32) for other in (load, inner, outer)]
    for number in range(bearing.elements):
        place = int(2048 * (start + number / bearing.elements))
        loaded, *wavy = (table[(by + place) & 2047] for table, by in zip((zone, *tables), past, strict=True))
        force += loaded * (1 + np.float32(size[number]) + wavy[0] + wavy[1])
    return force - force.mean(), load * angle + rng.uniform(0, TAU)


# ---------------------------------------------------------------- damage


@dataclass(frozen=True, slots=True)
class Damage:
    """A damaged part: name of a stage's part or of a bearing with its element, and how it speaks."""

    part: str
    """``ring_pin``, ``lobe``, ``output_pin``, a tooth, or the name of a bearing."""
    element: Literal["", "outer_race", "inner_race", "rolling_element"] = ""
    slip: float = 0.0
    jitter: float = 0.004
    """Of the time from strike to strike."""
    width_s: float = 1e-4
    second: float = 0.0
    """The far edge of a larger spall: how much later, in parts of the time from strike to strike; 0: none."""
    tracks: int = 1
    """Discs that meet it, of a pin."""
    depth: float = 0.35


def strikes(design: Design, damage: Damage, motion: Motion, rng: np.random.Generator) -> tuple[Array, Array, float]:
    """Times [s] at which the spot is struck, how hard, and strikes per turn of the input (by one disc), with slip."""
    rate = rates(design)
    angle = motion.angle(max(4096, int(motion.seconds * 2000)))
    grid = np.arange(len(angle)) * (motion.seconds / len(angle))
    name = design.stage
    eccentric, disc = rate[f"{name}.eccentric"], rate[f"{name}.disc"]
    sensor, spot = rng.uniform(0, TAU, 2)
    tracks: list[tuple[float, float]] = []  # steps of the relative angle per step of the input, and where it begins
    if damage.part == "ring_pin":
        tracks = [(eccentric, TAU * m / design.discs) for m in range(damage.tracks)]
    elif damage.part in ("lobe", "output_pin"):
        tracks = [(eccentric - disc, 0.0)]
    elif damage.part in ("sun_tooth", "planet_tooth", "driver_tooth", "driven_tooth"):
        stage = "stage1"
        carrier = rate.get(f"{stage}.carrier", 0.0)
        body = rate[f"{stage}.{damage.part.partition('_')[0]}"]
        meets = design.pre[2] if design.pre_kind == "planetary" else design.cranks or 1
        tracks = [((body - carrier) * (meets if damage.part == "sun_tooth" else 1), 0.0)]
    else:
        bearing = next(b for b in design.bearings if b.name == damage.part)
        inner, outer = rate[bearing.inner], rate[bearing.outer]
        cage, spin = cage_step(bearing, inner, outer)
        cage = outer + (cage - outer) * (1 - damage.slip)
        step = {
            "outer_race": (cage - outer) * bearing.elements,
            "inner_race": (inner - cage) * bearing.elements,
            "rolling_element": 2 * spin * (1 - damage.slip),
        }[damage.element]
        tracks = [(step, 0.0)]
    times, loads, period = [], [], 1.0
    for step, begin in tracks:
        passed = np.abs(step) * angle / TAU + (begin + spot) / TAU
        counts = np.arange(np.ceil(passed[0]), passed[-1])
        when = np.interp(counts, passed, grid)
        period = motion.seconds / max(1, len(counts))
        when = when + rng.normal(0, damage.jitter, len(when)) * period
        there = np.interp(when, grid, angle)
        if damage.element:
            bearing = next(b for b in design.bearings if b.name == damage.part)
            frame = {"outer_race": rate[bearing.outer], "inner_race": rate[bearing.inner], "rolling_element": cage}
            moved = (frame[damage.element] - rate[bearing.load]) * there
            fixed = frame[damage.element] == rate[bearing.load]
            weight = load_zone(moved + (rng.uniform(-0.6, 0.6) if fixed else spot), 0.55)
            if damage.element == "rolling_element":
                weight = weight * np.where(counts % 2 == 0, 1.0, 0.75)
            turning = rate[bearing.load] * there  # the loaded place as the sensor sees it
        elif damage.part == "ring_pin":
            weight, turning = np.ones(len(when)), np.zeros(len(when))
        elif damage.part == "lobe":
            weight, turning = np.ones(len(when)), eccentric * there + CONTACT_RAD
        else:
            weight, turning = np.ones(len(when)), disc * there
        weight = weight * (1 + damage.depth * np.cos(turning - sensor)) * rng.lognormal(0, 0.2, len(when))
        times.append(when)
        loads.append(weight)
    when, weight = np.concatenate(times), np.concatenate(loads)
    measured = abs(tracks[0][0])
    if damage.second:
        when = np.concatenate([when, when + damage.second * period])
        weight = np.concatenate([weight, 0.8 * weight])
    return when, weight, measured


def pulses(times_s: Array, weights: Array, width_s: float, rate_hz: float, samples: int) -> Floats:
    """Half waves of ``width_s`` at the times, between samples too."""
    out = np.zeros(samples)
    reach = int(np.ceil(width_s * rate_hz)) + 1
    first = np.floor(times_s * rate_hz).astype(np.int64)
    for step in range(reach + 1):
        inside = (first + step) / rate_hz - times_s
        value = np.where((inside >= 0) & (inside < width_s), np.sin(np.pi * inside / width_s), 0.0) * weights
        where = first + step
        good = (where >= 0) & (where < samples)
        np.add.at(out, where[good], value[good])
    return out.astype(np.float32)


# ---------------------------------------------------------------- ways to the sensors


@dataclass(frozen=True, slots=True, eq=False)
class Way:
    """From a force to a sensor: resonances [Hz], dampings, shares, and a delay [s]; above ``cut_hz`` little comes."""

    modes_hz: Array
    damping: Array
    shares: Array
    delay_s: float
    cut_hz: float | None = None

    def at(self, frequencies_hz: Array) -> Bins:
        """Acceleration per force."""
        f = np.asarray(frequencies_hz)[:, None]
        bent = f / self.modes_hz
        parts = self.shares * bent**2 / (1 - bent**2 + 2j * self.damping * bent)
        total = parts.sum(axis=1) * np.exp(-1j * TAU * self.delay_s * frequencies_hz)
        if self.cut_hz is not None:
            total = total / (1 + (frequencies_hz / self.cut_hz) ** 2)
        return np.asarray(total, dtype=np.complex64)


def housing(rng: np.random.Generator, foot_hz: float, mount_hz: float) -> tuple[Array, Array]:
    """Resonances of one place of a housing and their dampings: the drive on its feet, 4 to 10 of walls and shafts, and
    the sensor on its mounting."""
    walls = np.exp(rng.uniform(np.log(250), np.log(9000), rng.integers(4, 11)))
    modes = np.concatenate([[foot_hz], walls, [mount_hz]])
    damping = np.concatenate([[0.08], rng.uniform(0.012, 0.05, len(walls)), [0.06]])
    return modes, damping


def way(rng: np.random.Generator, place: tuple[Array, Array], cut_hz: float | None = None) -> Way:
    """One of the ways to a place: it shares the resonances, not how much each is moved."""
    modes, damping = place
    shares = rng.normal(0, 1, len(modes)) * rng.uniform(0.3, 1.0, len(modes))
    shares[0] *= 0.12  # on its feet the whole drive moves, and weighs much
    shares[-1] = 0.5
    return Way(modes, damping, shares, rng.uniform(5e-5, 1.5e-3), cut_hz)


def bins_of(source: Array | Floats, samples: int) -> Bins:
    """Spectrum of a force at any rate over the same time, in the bins of a record of ``samples``."""
    whole = rfft(np.asarray(source, dtype=np.float32))
    out = np.zeros(samples // 2 + 1, dtype=np.complex64)
    common = min(len(out), len(whole))
    out[:common] = whole[:common] * (samples / len(source))
    return out


def through(source: Bins, line: Way, rate_hz: float, points: int = 12_288) -> Bins:
    """A force's spectrum at a sensor."""
    coarse = np.linspace(0, rate_hz / 2, points)
    seen = line.at(coarse)
    bins = np.linspace(0, rate_hz / 2, len(source))
    return np.asarray(source * np.interp(bins, coarse, seen), dtype=np.complex64)


def samples_for(seconds: float, rate_hz: float) -> int:
    return int(next_fast_len(round(seconds * rate_hz), real=True))


# ---------------------------------------------------------------- all forces of a drive


def forces(design: Design, making: Making, motion: Motion, samples: int, rng: np.random.Generator) -> dict[str, Bins]:
    """Spectra of what a sound drive does: ``x``, ``y`` (at the ring), ``twist``, ``shaft`` and ``rough``.

    Every contact of the ring gives its force in the housing, so what turns past a sensor is louder when it is near.
    """
    rate = rates(design)
    name = design.stage
    eccentric, disc = rate[f"{name}.eccentric"], rate[f"{name}.disc"]
    mesh_hz = abs(eccentric) * design.pins * float(motion.speed_hz.max())
    count = samples_for(motion.seconds, max(6_000.0, 8 * mesh_hz))
    angle = motion.angle(count)
    around, spun = eccentric * angle, (eccentric - disc) * angle
    sign = np.sign(eccentric)
    narrow, relief = rng.uniform(0.45, 0.75), rng.uniform(0.3, 1.0) * making.windup_um
    pin_um = rng.normal(0, making.error_um, design.pins)
    x, y, twist = np.zeros(count), np.zeros(count), np.zeros(count)
    loud = np.zeros(count)
    sensor = rng.uniform(0, TAU)
    holes = rng.normal(0, making.error_um, design.output_pins or design.cranks)
    for number in range(design.discs):
        shift = TAU * number / design.discs + rng.normal(0, 0.004)
        round_um = sum(
            rng.normal(0, making.error_um / n)
            * np.cos(n * TAU * np.arange(design.lobes) / design.lobes + rng.uniform(0, TAU))
            for n in range(1, 5)
        )
        lobe_um = rng.normal(0, 0.4 * making.error_um, design.lobes) + round_um
        load_um = making.windup_um * rng.uniform(0.85, 1.15)
        tables = ring_contact(design, pin_um, lobe_um, windup_um=load_um, narrow=narrow, relief_um=relief)
        place = (sign * around + shift) / (TAU * design.lobes)
        along, across, turned, total = (over_period(table, place) for table in tables)
        direction = around + sign * shift
        x += along * np.cos(direction) - sign * across * np.sin(direction)
        y += along * np.sin(direction) + sign * across * np.cos(direction)
        twist += (turned - turned.mean()) * design.pins / 8
        facing = 1 + making.direction_depth * np.cos(direction + sign * CONTACT_RAD - sensor)
        loud += total / total.mean() * facing
        own = holes + rng.normal(0, 0.6 * making.error_um, len(holes))
        pressed, yielded = (
            over_period(table, (sign * spun + shift) / TAU)
            for table in pins_in_holes(len(holes), own, making.windup_um * rng.uniform(0.8, 1.2))
        )
        x += 0.5 * pressed * np.cos(direction)
        y += 0.5 * pressed * np.sin(direction)
        twist += (yielded - yielded.mean()) * len(holes) / 6
    swing = 1 + making.swing * np.cos(making.blades * disc * angle + rng.uniform(0, TAU))
    for part in (x, y, twist, loud):  # springs: the forces grow with the load, about
        part *= swing
    shaft = np.zeros(count)
    for teeth, meets, carrier, first, second in _gears(design, rate):
        one, others = (rng.normal(0, making.error_um * rng.uniform(0.5, 1.0), n) for n in (first, second * meets))
        for number in range(meets):
            gone = np.abs(teeth) * angle / TAU * first + first * number / meets + 1000
            pull = tooth_force(gone, one, others[number * second : (number + 1) * second], making.windup_um)
            near = 1 + (0.4 * np.cos(carrier * angle + TAU * number / meets - sensor) if carrier else 0.0)
            shaft += 3.0 * pull * near
    size = making.windup_um
    heavy = rng.normal(0, 1, 2) * making.unbalance * size * 2
    shaft += heavy[0] * np.cos(angle) + heavy[1] * np.cos(2 * angle + rng.uniform(0, TAU))
    times = np.arange(count) * (motion.seconds / count)
    running = motion.speed_hz / motion.speed_hz.max()
    if making.line_hz:
        pull = making.electric * size * 1.5 * np.cos(2 * TAU * making.line_hz * times + rng.uniform(0, TAU))
        shaft += pull * (1 + 0.2 * np.cos(angle)) * (np.interp(times, motion.times_s, running) > 0.02)
    out = {key: bins_of(value, samples) for key, value in (("x", x), ("y", y), ("twist", twist))}
    slow = samples_for(motion.seconds, 3_000.0)
    slow_angle = motion.angle(slow)
    pushed = [np.zeros(slow), np.zeros(slow)]
    for bearing in design.bearings:
        force, way_of_load = bearing_force(bearing, rate, slow_angle, rng)
        force = force * size * rng.uniform(0.15, 0.6)
        pushed[0] += force * np.cos(way_of_load)
        pushed[1] += force * np.sin(way_of_load)
    out["x"] = out["x"] + bins_of(pushed[0], samples)
    out["shaft"] = bins_of(shaft, samples) + bins_of(pushed[1], samples)
    fine = samples_for(motion.seconds, max(FINE_HZ, samples / motion.seconds))
    rubbed = rng.standard_normal(fine, dtype=np.float32)
    loud *= np.interp(times, motion.times_s, running)
    rubbed *= np.interp(np.arange(fine) * (count / fine), np.arange(count), loud).astype(np.float32)
    out["rough"] = bins_of(rubbed, samples)
    return out


def _gears(design: Design, rate: dict[str, float]) -> list[tuple[float, int, float, int, int]]:
    """Meshes of involute wheels: turns of the first past the carrier, how many it meets, the carrier, both teeth."""
    if design.pre_kind == "planetary":
        sun, planet, planets = design.pre
        carrier = rate["stage1.carrier"]
        ring = sun + 2 * planet
        return [(1 - carrier, planets, carrier, sun, planet), (carrier, planets, carrier, ring, planet)]
    if design.pre_kind == "gear pair":
        return [(1.0, 1, 0.0, *design.pre)]  # type: ignore[list-item]
    if design.kind == "rv":
        carrier = rate["stage1.carrier"]
        return [(1 - carrier, design.cranks, carrier, design.sun, design.planet)]
    return []


def time_of(bins: Bins, samples: int) -> Floats:
    return np.asarray(irfft(bins, samples), dtype=np.float32)


def settled(bins: Bins, samples: int, rate_hz: float) -> Floats:
    """A record without `LEAD_S` and `TAIL_S`: spectra join the end of a force to its beginning, and that rings."""
    return time_of(bins, samples)[int(LEAD_S * rate_hz) : -int(TAIL_S * rate_hz)]


def level(bins: Bins, samples: int, rate_hz: float) -> float:
    """R.m.s. of a record, without what stands still."""
    return float(settled(bins, samples, rate_hz).std())


def velocity_of(bins: Bins, samples: int, rate_hz: float) -> float:
    """R.m.s. of velocity [m/s] from 10 to 1000 Hz."""
    frequency = np.linspace(0, rate_hz / 2, len(bins))
    inside = (frequency >= 10) & (frequency <= 1000)
    moved = np.zeros_like(bins)
    moved[inside] = bins[inside] / (2j * np.pi * frequency[inside])
    return level(moved, samples, rate_hz)


def record(
    design: Design,
    making: Making,
    motion: Motion,
    ways: list[dict[str, Way]],
    samples: int,
    rng: np.random.Generator,
) -> list[Bins]:
    """A sound drive at each of the sensors, in spectra of ``samples``; r.m.s. at the first sensor is 1."""
    rate_hz = samples / motion.seconds
    made = forces(design, making, motion, samples, rng)
    rough = made.pop("rough")
    shaft = made.pop("shaft")
    tonal = [np.sum([through(force, lines[key], rate_hz) for key, force in made.items()], axis=0) for lines in ways]
    noise = [through(rough, lines["rough"], rate_hz) for lines in ways]
    for bins in tonal:
        bins[0] = 0
    share = 10 ** (making.rough_db / 20) * level(tonal[0], samples, rate_hz) / level(noise[0], samples, rate_hz)
    turned = [through(shaft, lines["shaft"], rate_hz) for lines in ways]
    whole = [a + np.float32(share) * b + c for a, b, c in zip(tonal, noise, turned, strict=True)]
    for bins in whole:
        bins[0] = 0
    scale = 1 / level(whole[0], samples, rate_hz)
    return [np.asarray(bins * scale, dtype=np.complex64) for bins in whole]


def struck(
    design: Design, damage: Damage, motion: Motion, ways: list[dict[str, Way]], samples: int, rng: np.random.Generator
) -> tuple[list[Bins], float]:
    """What a damaged part adds at each sensor, and strikes per turn of the input; a typical strike peaks at 1."""
    rate_hz = samples / motion.seconds
    when, weight, measured = strikes(design, damage, motion, rng)
    fine = samples_for(motion.seconds, max(2 * FINE_HZ, rate_hz))
    source = bins_of(pulses(when, weight, damage.width_s, fine / motion.seconds, fine), samples)
    added = [through(source, lines["damage"], rate_hz) for lines in ways]
    wave = np.abs(settled(added[0], samples, rate_hz))
    pieces = min(len(wave), max(4, len(when)))
    peaks = wave[: len(wave) // pieces * pieces].reshape(pieces, -1).max(axis=1)
    scale = 1 / max(float(np.quantile(peaks, 0.75)), 1e-30)
    return [np.asarray(bins * scale, dtype=np.complex64) for bins in added], measured
