"""Captures from a works on a hillside: cycloidal drives among pumps, chains, cranes and rain.

Bodies turn, and things happen when one body's angle passes another's. Steel is a plate here, not a few oscillators: a
dense field of modes with one loss factor, so that high modes die sooner than low ones. Each source has its own way to
each point. A part that is carried round is loud when it is near the point and faint when it is far.

An RV drive whose carrier is bolted down is written from its cranks on: crank shaft in, ring out, spur wheels before it.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy.fft import irfft, next_fast_len, rfft
from scipy.signal import butter, lfilter, sosfilt

from tests.worlds.case import Truth, WorldCase

Array = NDArray[np.float64]
Rng = np.random.Generator
Train = tuple[Array, Array, Array]
"""Moments, sizes and housing angles of blows."""
TAU = 2 * np.pi
GRID_HZ = 2000.0
"""Angles are kept at this rate: rotors are too heavy to change their speed faster."""
COUNT = 120


# --- Machines -----------------------------------------------------------------------------------------------------


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
        return self.element_mm / self.pitch_mm * float(np.cos(np.deg2rad(self.contact_deg)))


@dataclass(frozen=True, slots=True)
class Stage:
    lobes: int
    pins: int
    output_pins: int
    discs: int
    fixed_ring: bool


@dataclass(frozen=True, slots=True)
class Drive:
    stages: tuple[Stage, ...]
    bearings: tuple[Bearing, ...]
    nominal_rpm: float
    range_rpm: tuple[float, float]
    poles: int
    line_hz: float
    wheel_teeth: int
    """Teeth of the spur wheel on each crank; 0 without spur gears."""
    tag: str

    def turns(self) -> dict[str, float]:
        """Turns of each body while the input turns once, by rolling of disc on ring."""
        bodies = {"housing": 0.0, "input": 1.0}
        drive_side = 1.0
        for place, stage in enumerate(self.stages, 1):
            step = (stage.pins - stage.lobes) * drive_side
            ring, disc = (0.0, -step / stage.lobes) if stage.fixed_ring else (step / stage.pins, 0.0)
            values = {"eccentric": drive_side, "disc": disc, "output": disc, "ring": ring}
            bodies |= {f"stage{place}.{body}": value for body, value in values.items()}
            drive_side = disc if stage.fixed_ring else ring
        bodies["end"] = drive_side
        return bodies

    def toml(self) -> str:
        low, high = self.range_rpm
        text = f'tag = "{self.tag}"\nname = "Hillside drive {self.tag}"\n[input]\nspeed_rpm = {self.nominal_rpm}\n'
        text += f"speed_range_rpm = [{low}, {high}]\n"
        if self.poles:
            text += f"[motor]\npoles = {self.poles}\nline_hz = {self.line_hz:g}\n"
        for stage in self.stages:
            text += f'[[stage]]\nkind = "cycloidal"\nlobes = {stage.lobes}\nring_pins = {stage.pins}\n'
            text += f"output_pins = {stage.output_pins}\ndiscs = {stage.discs}\n"
            text += f'fixed = "{"ring" if stage.fixed_ring else "output pins"}"\n'
        for b in self.bearings:
            text += f'[[bearing]]\nname = "{b.name}"\ninner = "{b.inner}"\nouter = "{b.outer}"\nload = "{b.load}"\n'
            text += f"elements = {b.elements}\nelement_diameter_mm = {b.element_mm}\n"
            text += f"pitch_diameter_mm = {b.pitch_mm}\ncontact_angle_deg = {b.contact_deg}\n"
        return text


def draw_bearing(rng: Rng, name: str, inner: str, outer: str, load: str) -> Bearing:
    pitch = round(float(rng.uniform(34, 110)), 1)
    element = round(pitch * float(rng.uniform(0.14, 0.27)), 1)
    most = int(0.88 * np.pi * pitch / element)
    contact = float(rng.choice([0.0, 0.0, 0.0, 15.0, 25.0]))
    return Bearing(name, inner, outer, load, int(rng.integers(max(7, most - 4), most + 1)), element, pitch, contact)


def draw_drive(rng: Rng, family: str) -> Drive:
    motors = {(50, 2): 2900, (50, 4): 1450, (50, 6): 965, (50, 8): 720, (60, 4): 1750, (60, 6): 1160, (60, 8): 870}
    (line, poles), synchronous = list(motors.items())[int(rng.choice(7, p=[0.1, 0.3, 0.12, 0.08, 0.2, 0.1, 0.1]))]
    nominal = round(synchronous * float(rng.uniform(0.985, 1.012)))
    if rng.random() < 0.25:
        nominal, poles = int(rng.integers(620, 2600)), 0  # behind an inverter: the nameplate says little
    if family == "slow second" and nominal < 1300:
        nominal, poles, line = 1455, 4, 50
    half = float(rng.uniform(0.02, 0.04))
    lobes = int(rng.choice([6, 8, 9, 11, 13, 15, 17, 21, 25, 29, 35, 43, 51, 59, 71, 87, 119]))
    difference, fixed_ring, wheel = 1, True, 0
    if family == "high":
        lobes = int(rng.choice([71, 87, 119]))
    elif family == "difference":
        lobes, difference = int(rng.choice([21, 25, 29, 33, 41, 47, 59])), 2
    elif family in {"two", "slow second"}:
        lobes = int(rng.choice([9, 11, 13] if family == "slow second" else [11, 13, 17, 21, 25]))
    elif family == "crank":
        lobes, fixed_ring, wheel = int(rng.choice([29, 35, 39, 51, 59])), False, int(rng.integers(32, 60))
    discs = int(rng.choice([1, 2, 2, 2, 3])) if lobes < 40 else 2
    stages = [Stage(lobes, lobes + difference, int(rng.choice([6, 8, 10, 12])), discs, fixed_ring)]
    if family in {"two", "slow second"}:
        second = int(rng.choice([11, 15, 17, 19, 25, 29]))
        stages.append(Stage(second, second + 1, int(rng.choice([8, 10, 12])), 2, True))
    last = f"stage{len(stages)}"
    bearings = [draw_bearing(rng, "input motor side", "input", "housing", "housing")]
    bearings.append(draw_bearing(rng, "eccentric bearing", "stage1.eccentric", "stage1.disc", "stage1.eccentric"))
    if fixed_ring:
        bearings.append(draw_bearing(rng, "nose bearing", "input", "stage1.output", "housing"))
        bearings.append(draw_bearing(rng, "output bearing", f"{last}.output", "housing", "housing"))
    else:
        bearings.append(draw_bearing(rng, "main bearing", "housing", "stage1.ring", "housing"))
    if len(stages) == 2:
        bearings.append(draw_bearing(rng, "second eccentric", "stage2.eccentric", "stage2.disc", "stage2.eccentric"))
    limits = (round(nominal * (1 - half), 1), round(nominal * (1 + half), 1))
    tag = f"HS-{int(rng.integers(10, 99))}"
    return Drive(tuple(stages), tuple(bearings), float(nominal), limits, poles, float(line), wheel, tag)


# --- Steel and time -----------------------------------------------------------------------------------------------


@dataclass(slots=True)
class Scene:
    """One recorder on one machine: rate, length, points, and the chance that fills the rest."""

    rng: Rng
    rate: float
    size: int
    points: int
    marks: dict[str, float] = field(default_factory=dict)
    grid: Array = field(init=False)
    time: Array = field(init=False)

    def __post_init__(self) -> None:
        self.grid = np.arange(int(self.size / self.rate * GRID_HZ) + 2) / GRID_HZ
        self.time = np.arange(self.size) / self.rate

    def wander(self, rms: float, seconds: float) -> Array:
        """A slow random course on the grid: pulled back to zero, pushed by chance."""
        keep = float(np.exp(-1 / (seconds * GRID_HZ)))
        push = self.rng.normal(0, rms * np.sqrt(1 - keep**2), self.grid.size)
        return lfilter([1], [1, -keep], push, zi=[keep * self.rng.normal(0, rms)])[0]

    def turn(self, hertz: float | Array, wander: float = 3e-4) -> Array:
        """Angle on the grid of a rotor at this speed, with the unrest of a loaded motor."""
        speed = hertz * (1 + self.wander(wander, self.rng.uniform(0.2, 1.5)))
        return self.rng.uniform(0, TAU) + TAU * np.cumsum(speed) / GRID_HZ

    def fine(self, course: Array) -> Array:
        return np.interp(self.time, self.grid, course)

    def noise(self) -> Array:
        return self.rng.standard_normal(self.size)

    def put(self, times: Array, sizes: Array) -> Array:
        """A train of short blows, each shared between the two samples about its moment."""
        place = times * self.rate
        inside = (place >= 0) & (place < self.size - 1)
        first = place[inside].astype(np.int64)
        share = place[inside] - first
        train = np.zeros(self.size)
        train += np.bincount(first, (1 - share) * sizes[inside], self.size)
        train += np.bincount(first + 1, share * sizes[inside], self.size)
        return train

    def steel(self, low: float, high: float, loss: float, bright: int = 4) -> Array:
        """Replies of a plate to a blow at each point: modes at even mean spacing, all with one loss factor.

        A few are met by the point at their bellies and stand out; the blow itself lasts, so the top is soft.
        """
        high = min(high, 0.46 * self.rate)
        low = min(low, 0.5 * high)
        gaps = self.rng.rayleigh(1.0, 34)
        modes = low + (high - low) * np.cumsum(gaps) / gaps.sum()
        gain = self.rng.rayleigh(0.4, modes.size)
        gain[self.rng.choice(modes.size, bright, replace=False)] *= self.rng.uniform(3, 7, bright)
        gain *= np.exp(-((modes / (1.6 * high)) ** 2)) * np.minimum(modes / 400, 1)
        t = np.arange(int(0.07 * self.rate)) / self.rate
        shape = np.sin(TAU * modes[:, None] * t) * np.exp(-np.pi * loss * modes[:, None] * t)
        replies = []
        for point in range(self.points):
            own = gain * self.rng.lognormal(0, 0.5, modes.size) * self.rng.choice([-1, 1], modes.size)
            late = int(self.rng.uniform(0, 4e-4) * self.rate)
            replies.append(np.roll(own @ shape, late) * (1.0 if point == 0 else self.rng.uniform(0.3, 1.0)))
            replies[-1][:late] = 0
        return np.array(replies)

    def ring(self, force: Array, steel: Array) -> Array:
        """What the points feel of a force: one for all, or one a point."""
        length = next_fast_len(self.size + steel.shape[1], real=True)
        out = irfft(rfft(np.atleast_2d(force), length) * rfft(steel, length), length)
        return np.asarray(out)[:, : self.size]

    def plain(self, signal: Array) -> Array:
        """Slow motion that the whole casing follows as one lump."""
        return np.outer(np.r_[1.0, self.rng.uniform(0.4, 1.2, self.points - 1)], signal)


def rms(signal: Array) -> float:
    return float(np.sqrt(np.mean(np.square(signal)))) or 1e-30


def scaled(signal: Array, level: float) -> Array:
    return signal * (level / rms(signal[0]))


def passings(scene: Scene, angle: Array, start: float = 0.0) -> Array:
    """Moments at which an angle on the grid comes round to a place, whichever way it turns."""
    course = angle / TAU if angle[-1] >= angle[0] else -angle / TAU
    course = course - start
    return np.interp(np.arange(np.ceil(course[0]), np.floor(course[-1]) + 1), course, scene.grid)


def blows(scene: Scene, angle: Array, parts: int, uneven: float, jitter: float = 0.01) -> Array:
    """Each of a number of parts on a rotor strikes once a turn; no two are alike."""
    strength = scene.rng.lognormal(0, uneven, parts)
    times = passings(scene, angle * parts)
    spacing = float(np.median(np.diff(times))) if times.size > 1 else 0.0
    sizes = strength[np.arange(times.size) % parts] * scene.rng.lognormal(0, 0.15, times.size)
    return scene.put(times + scene.rng.normal(0, jitter, times.size) * spacing, sizes)


def lines(scene: Scene, angle: Array, orders: Array, sizes: Array) -> Array:
    """Smooth forces at orders of an angle; those above the recorder's band never reach it."""
    fine = scene.fine(angle)
    speed = abs(angle[-1] - angle[0]) / TAU / scene.grid[-1]
    total = np.zeros(scene.size)
    for order, size in zip(orders, sizes, strict=True):
        if order * speed < 0.42 * scene.rate:
            total += size * np.cos(order * fine + scene.rng.uniform(0, TAU))
    return total


# --- A drive that runs --------------------------------------------------------------------------------------------


def mesh_force(scene: Scene, stage: Stage, eccentric: Array, disc: Array, speed: float) -> Array:
    """Lobes climbing over pins, and bores over output pins, each part with its own error of pitch."""
    rng = scene.rng
    turn, whirl = scene.fine(eccentric - disc), scene.fine(eccentric)
    contact_hz = abs(speed) * stage.pins
    pin_error, lobe_error = rng.normal(0, 1, stage.pins), rng.normal(0, 1, stage.lobes)
    harmonics = [h for h in (1, 2, 3, 4) if h * contact_hz < 0.42 * scene.rate]
    shape = rng.uniform(0.1, 1.0, 4) / np.array([1, 1.5, 2.5, 4])
    rough = rng.uniform(0.05, 0.35)
    total = np.zeros(scene.size)
    for number in range(stage.discs):
        count = whirl * abs(stage.pins / TAU) + number * stage.pins / stage.discs
        if not stage.fixed_ring:
            count = turn * stage.lobes / TAU + number * stage.lobes / stage.discs
        whole = np.floor(count).astype(np.int64)
        share = count - whole
        error = pin_error[whole % stage.pins] + lobe_error[(whole + number * (stage.lobes // 2)) % stage.lobes]
        if harmonics:
            wave = sum(shape[h - 1] * np.cos(TAU * h * share + h) for h in harmonics)
            lean = 1 + 0.3 * np.cos(whirl + TAU * number / stage.discs)
            # Discs are never quite alike, so that a mesh line they ought to cancel still shows.
            total += rng.lognormal(0, 0.2) * wave * lean * (1 + rough * error * np.sin(np.pi * share) ** 2)
    ring = np.linspace(0, TAU, 721)
    bores = np.zeros(ring.size)
    for number, error in enumerate(rng.normal(1, 0.1, stage.output_pins)):
        bores += error * np.maximum(0, np.cos(ring - TAU * number / stage.output_pins)) ** 1.5
    bores -= bores[:-1].mean()
    return total + rng.uniform(0.3, 2.0) * np.interp(turn % TAU, ring, bores)


def run_drive(
    scene: Scene, drive: Drive, theta: Array, *, level: float, mesh: float, far: bool = False, life: Array | None = None
) -> Array:
    """A sound drive at work. ``mesh``: mesh against rolling noise. ``far``: through the floor.

    ``life``: how hard it works, from 0 to 1, on the grid.
    """
    rng = scene.rng
    bodies, speed = drive.turns(), (theta[-1] - theta[0]) / TAU / scene.grid[-1]
    vigour = np.ones(scene.size) if life is None else scene.fine(life)
    top = rng.uniform(1500, 3500) if far else rng.uniform(5000, 16000)
    noise = scene.noise() * vigour
    toothed = np.zeros(scene.size)
    for place, stage in enumerate(drive.stages, 1):
        eccentric, disc = (theta * bodies[f"stage{place}.{body}"] for body in ("eccentric", "disc"))
        share = 1.0 if place == 1 else rng.uniform(0.3, 0.9)
        force = mesh_force(scene, stage, eccentric, disc, bodies[f"stage{place}.eccentric"] * speed)
        toothed += share * vigour * force / rms(force)
        noise *= 1 + rng.uniform(0.02, 0.15) * np.cos(scene.fine(eccentric - disc) + rng.uniform(0, TAU))
    if drive.wheel_teeth:
        size = rng.uniform(0.2, 0.8)
        orders = drive.wheel_teeth * np.array([1.0, 2.0, 3.0])
        spur = lines(scene, theta, np.r_[orders, orders - 1, orders + 1], size * rng.uniform(0.05, 1, 9))
        toothed += vigour * spur
    noise *= 1 + rng.uniform(0.0, 0.15) * np.cos(scene.fine(theta) + 1)
    steel = scene.steel(rng.uniform(150, 500), top, rng.uniform(0.015, 0.06), int(rng.integers(2, 6)))
    felt = scaled(scene.ring(noise, steel), 1.0)
    # Mesh is slow against the blow of a spall: some of it moves the whole casing, some rings the plate.
    felt += scaled(scene.ring(toothed, steel), mesh) + scaled(scene.plain(toothed), mesh * rng.uniform(0.1, 0.5))
    whirl = lines(scene, theta, np.arange(1.0, 6.0), rng.lognormal(-1, 0.6, 5) / np.arange(1, 6)) * vigour
    felt += scaled(scene.plain(whirl), rng.uniform(0.05, 0.5))
    # Balls pass under the load one by one and the shaft gives a little each time: smooth, and no damage.
    for bearing in drive.bearings:
        pace = abs((1 - bearing.gamma) / 2 * (bodies[bearing.inner] - bodies[bearing.outer])) * bearing.elements
        felt += scene.plain(lines(scene, theta * 0.995, np.array([pace]), rng.uniform(0, 0.03, 1)) * vigour)
    return scaled(felt, level)


def bearing_strikes(scene: Scene, drive: Drive, bearing: Bearing, part: str, theta: Array) -> Train:
    """Moments, sizes and housing angles of the blows of a damaged bearing, its cage slipping as it likes."""
    rng, bodies, grid = scene.rng, drive.turns(), scene.grid
    inner, outer, load = (theta * bodies[body] for body in (bearing.inner, bearing.outer, bearing.load))
    slip = rng.uniform(0.002, 0.01) + scene.wander(rng.uniform(0.001, 0.005), rng.uniform(0.1, 0.6))
    cage = outer[0] + rng.uniform(0, TAU) + np.cumsum(np.gradient(inner - outer) * (1 - bearing.gamma) / 2 * (1 - slip))
    cage += outer - outer[0]
    reach, jitter = rng.uniform(0.35, 0.7), rng.uniform(0.004, 0.012)
    if part == "cage":
        times = passings(scene, cage - load)
        where = np.interp(times, grid, load)
        knocks = rng.uniform(0.3, 0.9, 2)
        period = float(np.median(np.diff(times)))
        later = np.concatenate([times, times + 0.04 * period, times + 0.11 * period])
        sizes = np.repeat(np.r_[1.0, knocks], times.size)
        later += rng.normal(0, 0.006 * period, later.size)
        return later, sizes * rng.lognormal(0, 0.2, later.size), np.tile(where, 3)
    if part == "rolling_element":
        # A spot on a ball meets the inner race, then half a spin later the outer; the ball also skids a little.
        spin = (1 - bearing.gamma**2) / (2 * bearing.gamma) * np.cumsum(np.gradient(inner - outer) * (1 - slip))
        times = passings(scene, 2 * spin)
        where = np.interp(times, grid, cage)
        sizes = np.where(np.arange(times.size) % 2, 1.0, rng.choice([0.0, 0.4, 0.8]))
    else:
        race = outer if part == "outer_race" else inner
        times = passings(scene, (cage - race) * bearing.elements)
        where = np.interp(times, grid, race) + rng.normal(0, 0.4)
        sizes = np.ones(times.size)
    period = float(np.median(np.diff(times)))
    # Balls carry within the reach of the load and are idle outside.
    left_out = where - np.interp(times, grid, load)
    sizes = (
        sizes * np.maximum(0.0, 1 - (1 - np.cos(left_out)) / (2 * reach)) ** 1.5 * rng.lognormal(0, 0.18, times.size)
    )
    return times + rng.normal(0, jitter * period, times.size), sizes, where


def part_strikes(scene: Scene, drive: Drive, place: int, part: str, theta: Array) -> Train:
    """Blows of a lobe, ring pin or output pin: the eccentric comes round to it, once for each disc that meets it."""
    rng, bodies, stage = scene.rng, drive.turns(), drive.stages[place - 1]
    eccentric = theta * bodies[f"stage{place}.eccentric"]
    owner = theta * bodies[f"stage{place}." + {"lobe": "disc", "ring_pin": "ring", "output_pin": "output"}[part]]
    times = passings(scene, eccentric - owner, rng.uniform(0, 1))
    period = float(np.median(np.diff(times)))
    where = np.interp(times, scene.grid, owner) + rng.uniform(0, TAU)
    sizes = np.ones(times.size)
    if part == "ring_pin":
        # Another lobe comes to the pin each turn, and lobes differ.
        step = stage.pins - stage.lobes
        sizes = rng.lognormal(0, 0.2, stage.lobes)[(np.arange(times.size) * step) % stage.lobes]
    trains = [(times, sizes, where), (times + rng.uniform(0.01, 0.03) * period, sizes * rng.uniform(0.2, 0.7), where)]
    if part != "lobe" and stage.discs == 2 and rng.random() < 0.5:
        trains.append((times + 0.5 * period, sizes * rng.uniform(0.2, 0.55), where))
    moments, heights, angles = (np.concatenate(column) for column in zip(*trains, strict=True))
    moments = moments + rng.normal(0, 0.0015 * period, moments.size)
    return moments, heights * rng.lognormal(0, 0.15, moments.size), angles


def damage(
    scene: Scene, drive: Drive, theta: Array, part: str, far: bool = False
) -> tuple[Array, tuple[str, ...], float]:
    """What the points feel of one damaged part, the tones that name it, and its blows per turn of the input."""
    rng, bodies = scene.rng, drive.turns()
    home, kind = part.rsplit(".", 1)
    if home.startswith("stage"):
        place = int(home[5:])
        times, sizes, where = part_strikes(scene, drive, place, kind, theta)
        owner = {"lobe": "disc", "ring_pin": "ring", "output_pin": "output"}[kind]
        pace = abs(bodies[f"{home}.eccentric"] - bodies[f"{home}.{owner}"])
        names = [part]
        if kind in {"lobe", "output_pin"}:
            names.append(f"{home}.{'output_pin' if kind == 'lobe' else 'lobe'}")
        if abs(pace - 1) < 1e-9:
            names.append("input.shaft")
        if place == 2 and kind == "ring_pin":
            names.append("stage1.output")
    else:
        bearing = next(b for b in drive.bearings if b.name == home)
        times, sizes, where = bearing_strikes(scene, drive, bearing, kind, theta)
        cage = (1 - bearing.gamma) / 2
        relative = abs(bodies[bearing.inner] - bodies[bearing.outer])
        pace = (
            relative
            * {
                "outer_race": bearing.elements * cage,
                "inner_race": bearing.elements * (1 - cage),
                "rolling_element": (1 - bearing.gamma**2) / (2 * bearing.gamma),
                "cage": cage,
            }[kind]
        )
        names = [f"bearing.{part}"]
    lean = rng.uniform(0.1, 0.45)
    forces = [scene.put(times, sizes * (1 + lean * np.cos(where - rng.uniform(0, TAU)))) for _ in range(scene.points)]
    low = rng.uniform(800, 2500)
    top = rng.uniform(1500, 3000) if far else rng.uniform(4500, 14000)
    steel = scene.steel(low, top, rng.uniform(0.012, 0.04), int(rng.integers(1, 4)))
    return scene.ring(np.array(forces), steel), tuple(names), pace


# --- What stands around -------------------------------------------------------------------------------------------


def other_machine(scene: Scene, hertz: float, teeth: int, *, blunt: float = 3000.0, smooth: float = 1.0) -> Array:
    """A pump, fan or the like: turns, passes its vanes, hisses."""
    rng = scene.rng
    angle = scene.turn(hertz, 4e-4)
    wave = lines(scene, angle, np.arange(1.0, 5.0), rng.lognormal(0, 0.5, 4) / np.arange(1, 5))
    vanes = lines(scene, angle, teeth * np.arange(1.0, 5.0), rng.uniform(0.2, 1.5, 4) / np.arange(1, 5))
    hiss = scene.noise() * (1 + rng.uniform(0.1, 0.6) * vanes / (rms(vanes) * 2))
    steel = scene.steel(rng.uniform(80, 300), blunt, rng.uniform(0.02, 0.06))
    felt = scaled(scene.ring(hiss, steel), 1.0) + scaled(scene.ring(vanes, steel), smooth)
    return felt + scaled(scene.plain(wave + 0.3 * vanes), 0.4 * smooth)


def driven(scene: Scene, drive: Drive, theta: Array, parts: int, uneven: float, blunt: float) -> Array:
    """A machine on the output shaft that strikes so many times a turn of it: chain, screw, blades, scraper."""
    force = blows(scene, theta * drive.turns()["end"], parts, uneven, scene.rng.uniform(0.003, 0.03))
    scene.marks["strikes_per_output_turn"] = float(parts)
    return scene.ring(force, scene.steel(100, blunt, scene.rng.uniform(0.02, 0.06)))


def at_random(scene: Scene, per_second: float, blunt: float, spread: float) -> Array:
    """Blows that keep no time: lumps, bubbles, boots, drops."""
    rng = scene.rng
    times = rng.uniform(0, scene.size / scene.rate, max(2, rng.poisson(per_second * scene.size / scene.rate)))
    return scene.ring(scene.put(times, rng.lognormal(0, spread, times.size)), scene.steel(120, blunt, 0.03))


def twin(scene: Scene, drive: Drive, theta: Array, part: str = "", apart: float | None = None) -> Array:
    """The same make of drive on the same frame, nearly or clearly apart in speed, perhaps damaged."""
    speed = (theta[-1] - theta[0]) / TAU / scene.grid[-1]
    # Blows must be far enough apart to tell whose they are; slip of a cage hides up to one in a hundred.
    least = 0.0005 if not part else 0.006 if part.startswith("stage") else 0.012
    step = float(np.exp(scene.rng.uniform(np.log(least), np.log(0.015)))) if apart is None else apart
    angle = scene.turn(speed * (1 + step * (scene.rng.choice([-1, 1]) if apart is None else 1)), 3e-4)
    felt = run_drive(scene, drive, angle, level=1.0, mesh=scene.rng.uniform(0.4, 1.5), far=True)
    if part:
        felt += scaled(damage(scene, drive, angle, part, far=True)[0], scene.rng.uniform(0.5, 1.2))
    scene.marks["twin_apart"] = step
    return felt


def carrier(scene: Scene, drive: Drive) -> Array:
    """An inverter's carrier and its neighbours, two and four field turns away on either side."""
    centre, out = scene.rng.choice([2000, 2500, 3000, 4000, 8000]), np.zeros(scene.size)
    field_hz = drive.nominal_rpm / 60 * max(drive.poles, 4) / 2 * 1.01
    for side in (-4, -2, 0, 2, 4):
        for multiple in (1, 2):
            hertz = multiple * centre + side * field_hz
            if hertz < 0.47 * scene.rate:
                out += scene.rng.uniform(0.2, 1) / multiple * np.cos(TAU * hertz * scene.time + scene.rng.uniform(0, 6))
    return scene.plain(out + 1e-3 * scene.noise())


def hum(scene: Scene, line_hz: float, first: int = 2) -> Array:
    mains = scene.turn(line_hz, 2e-5)
    orders = np.arange(float(first), 13.0, float(first))
    return scene.plain(lines(scene, mains, orders, scene.rng.lognormal(0, 0.7, orders.size) / orders))


def stray(scene: Scene, hertz: float, unrest: float, low: float, blunt: float) -> Array:
    """Steady blows of a rotor that shares nothing with this shaft: a belt's joint, a bad bearing elsewhere."""
    return scene.ring(blows(scene, scene.turn(hertz, unrest), 1, 0.1), scene.steel(low, blunt, 0.04))


def belt(scene: Scene, hertz: float) -> Array:
    """A belt on the input: its joint comes by at a part of the running speed, its ribs rustle."""
    pace = hertz * scene.rng.uniform(0.17, 0.46)
    joint = stray(scene, pace, 2e-3, 60, 2500)
    return scaled(joint, 1.0) + scene.plain(lines(scene, scene.turn(pace, 1e-3), np.arange(1.0, 7.0), np.full(6, 0.3)))


def rubbing(scene: Scene, theta: Array, width: float, blunt: float) -> Array:
    """Something touches over part of each turn and scrapes: a burst of noise with soft ends, no blow."""
    touch = np.maximum(0, np.cos(scene.fine(theta)) - 1 + width) / width
    return scene.ring(scene.noise() * touch, scene.steel(300, blunt, 0.03))


def rail(scene: Scene, drive: Drive, theta: Array) -> Array:
    """A travelling crane: wheels cross a joint now and then, the second axle a moment after the first."""
    gap = scene.rng.uniform(0.4, 1.4)
    times = np.arange(scene.rng.uniform(0, gap), scene.size / scene.rate, gap) * (1 + scene.rng.normal(0, 0.002))
    both = np.concatenate([times, times + 0.31 * gap])
    return scene.ring(scene.put(both, scene.rng.lognormal(0, 0.3, both.size)), scene.steel(60, 4000, 0.03))


def engine(scene: Scene, hertz: float, cylinders: int, uneven: float, blunt: float) -> Array:
    """A reciprocating machine: valves and combustion strike in turn, no cylinder like another."""
    angle = scene.turn(hertz, 1.5e-3)
    knock = scaled(scene.ring(blows(scene, angle, cylinders, uneven), scene.steel(60, blunt, 0.04)), 1.0)
    return knock + scaled(scene.plain(lines(scene, angle, np.arange(1.0, 6.0), 1 / np.arange(1, 6))), 0.5)


def soft_foot(scene: Scene, theta: Array) -> Array:
    """One foot stands hollow and slaps: many harmonics of the shaft, halves among them, no ringing to concern."""
    orders = np.arange(1, 21) / 2
    return scene.plain(lines(scene, theta, orders, scene.rng.uniform(0.1, 1, 20) / np.sqrt(orders)))


def gated(scene: Scene, hertz: float, share: float, blunt: float) -> Array:
    """Jets and traps: noise that opens and shuts at its own slow pace."""
    gate = np.sin(scene.fine(scene.turn(hertz, 0.05))) > np.cos(np.pi * share)
    return scene.ring(scene.noise() * lfilter([0.02], [1, -0.98], gate.astype(float)), scene.steel(500, blunt, 0.04))


Around = Callable[[Scene, Drive, Array, float], Array]
AROUND: dict[str, Around] = {
    "chain sprocket": lambda s, d, a, f: driven(s, d, a, int(s.rng.integers(9, 25)), 0.15, 5000),
    "screw flights": lambda s, d, a, f: driven(s, d, a, int(s.rng.integers(2, 5)), 0.4, 2500),
    "mixer blades": lambda s, d, a, f: driven(s, d, a, int(s.rng.integers(3, 9)), 0.3, 1500),
    "rack teeth": lambda s, d, a, f: driven(s, d, a, int(s.rng.integers(24, 41)), 0.08, 6000),
    "scraper knock": lambda s, d, a, f: driven(s, d, a, 1, 0.1, 7000),
    "input fan": lambda s, d, a, f: s.plain(lines(s, a, s.rng.integers(5, 12) * np.arange(1.0, 4.0), np.ones(3))),
    "belt drive": lambda s, d, a, f: belt(s, f),
    "twin beside": lambda s, d, a, f: twin(s, d, a),
    "twin with bad bearing": lambda s, d, a, f: twin(s, d, a, "input motor side.outer_race"),
    "twin with bad pin": lambda s, d, a, f: twin(s, d, a, "stage1.output_pin"),
    "vane pump": lambda s, d, a, f: other_machine(s, f * s.rng.uniform(0.97, 1.05), int(s.rng.integers(5, 12))),
    "inverter carrier": lambda s, d, a, f: carrier(s, d),
    "twice line": lambda s, d, a, f: hum(s, d.line_hz),
    "process shocks": lambda s, d, a, f: at_random(s, 3, 6000, 0.5),
    "cavitation": lambda s, d, a, f: at_random(s, 900, 14000, 1.0),
    "beating fans": lambda s, d, a, f: other_machine(s, 24.3, 8, smooth=3) + other_machine(s, 24.37, 8, smooth=3),
    "hydraulic hammer": lambda s, d, a, f: engine(s, s.rng.uniform(4, 11), 1, 0.1, 5000),
    "reciprocating compressor": lambda s, d, a, f: engine(s, s.rng.uniform(7, 16), 2, 0.5, 4000),
    "rattling guard": lambda s, d, a, f: s.ring(blows(s, a, 1, 0.1, 0.06), s.steel(700, 9000, 0.01)),
    "coupling wear": lambda s, d, a, f: s.ring(blows(s, a, int(s.rng.integers(3, 7)), 0.35), s.steel(100, 1800, 0.08)),
    "brake drag": lambda s, d, a, f: rubbing(s, a, s.rng.uniform(0.3, 1.2), 8000),
    "shaft oil pump": lambda s, d, a, f: other_machine(s, f, int(s.rng.integers(7, 14)), smooth=2),
    "rail joints": lambda s, d, a, f: rail(s, d, a),
    "falling lumps": lambda s, d, a, f: at_random(s, 40, 5000, 0.7),
    "idler bearing": lambda s, d, a, f: stray(s, f * s.rng.uniform(1.3, 4), 4e-3, 800, 6000),
    "soft foot": lambda s, d, a, f: soft_foot(s, a),
    "diesel set": lambda s, d, a, f: engine(s, d.line_hz / 4, 6, 0.25, 3000),
    "steam trap": lambda s, d, a, f: gated(s, s.rng.uniform(0.4, 2), 0.3, 14000),
}

# With the drive at rest, or the sensor elsewhere. The speed given is that of the drive, had it run.
ALONE: dict[str, Around] = {
    "idle by pump": lambda s, d, a, f: other_machine(s, f * s.rng.choice([1.0, 1.004, 2.02]), 7),
    "idle by fan": lambda s, d, a, f: other_machine(s, f * s.rng.uniform(0.6, 1.02), 11, smooth=3),
    "idle by compressor": lambda s, d, a, f: engine(s, f * s.rng.choice([0.5, 1.0]), 2, 0.4, 5000),
    "idle by twin": lambda s, d, a, f: twin(s, d, a, apart=float(s.rng.choice([-0.2, -0.12, 0.11, 0.18]))),
    "sensor noise": lambda s, d, a, f: s.plain(1e-9 * s.noise()),
    "mains hum": lambda s, d, a, f: hum(s, d.line_hz, 1),
    "motor uncoupled": lambda s, d, a, f: bare_motor(s, d, a, 0.0),
    "sheared pin": lambda s, d, a, f: bare_motor(s, d, a, 1.0),
    "on bare motor": lambda s, d, a, f: bare_motor(s, d, s.turn(f * 1.003), 0.0),
    "on belt pump": lambda s, d, a, f: other_machine(s, f * 0.99, 6, blunt=9000) + scaled(belt(s, f * 0.99), 1.0),
    "on spur gearbox": lambda s, d, a, f: spur_box(s, d, s.turn(f * s.rng.uniform(0.99, 1.01))),
    "wash-down jet": lambda s, d, a, f: gated(s, 0.6, 0.6, 15000) + at_random(s, 400, 9000, 0.8),
    "hopper vibrator": lambda s, d, a, f: engine(s, d.line_hz * 0.97, 1, 0.2, 6000),
    "crane and boots": lambda s, d, a, f: at_random(s, 1.8, 2500, 0.7) + scaled(rail(s, d, a), 0.1),
    "welding nearby": lambda s, d, a, f: scaled(gated(s, 0.3, 0.5, 9000), 0.5) + hum(s, d.line_hz, 2),
}


def apart_from(rng: Rng, drive: Drive, counts: tuple[int, ...]) -> int:
    """A count of bars or teeth that nobody could take for the pins of this drive, nor a harmonic of it."""
    pins = drive.stages[0].pins
    far = [n for n in counts if all(abs(line - pins) > 2 for line in (n, n + 4, 2 * n, 3 * n, 4 * n))]
    return int(rng.choice(far))


def bare_motor(scene: Scene, drive: Drive, angle: Array, knock: float) -> Array:
    """A motor that turns nothing: unbalance, twice the line, rotor bars, fan; or its half coupling clapping."""
    slots = apart_from(scene.rng, drive, (22, 26, 28, 34, 40, 44, 56))
    wave = lines(scene, angle, np.array([1.0, 2, 3, 7, slots, slots + 4]), scene.rng.lognormal(-0.5, 0.6, 6))
    felt = scaled(scene.plain(wave), 1.0) + scaled(hum(scene, drive.line_hz), scene.rng.uniform(0.2, 1.0))
    felt += scaled(scene.ring(scene.noise(), scene.steel(300, 7000, 0.04)), scene.rng.uniform(0.3, 1.0))
    if knock:
        felt += scaled(scene.ring(blows(scene, angle, 1, 0.1, 0.02), scene.steel(500, 6000, 0.03)), 1.5 * knock)
    return felt


def spur_box(scene: Scene, drive: Drive, angle: Array) -> Array:
    """Two pairs of spur wheels in another housing."""
    first, wheel = apart_from(scene.rng, drive, tuple(range(17, 33))), int(scene.rng.integers(47, 83))
    low = lines(scene, angle, first * np.arange(1.0, 5.0), 1 / np.arange(1, 5))
    high = lines(scene, angle * (first / wheel), 17 * np.arange(1.0, 5.0), 1 / np.arange(1, 5))
    force = (low + high) * (1 + 0.3 * np.cos(scene.fine(angle)) + 0.2 * np.cos(scene.fine(angle) * first / wheel))
    steel = scene.steel(200, 8000, 0.04)
    felt = scaled(scene.ring(force, steel), 1.0) + scaled(scene.ring(scene.noise(), steel), 0.5)
    return felt + scaled(scene.plain(lines(scene, angle, np.arange(1.0, 4.0), np.ones(3))), 0.3)


# --- Cases --------------------------------------------------------------------------------------------------------

UNSTEADY = ("start from rest", "coast-down", "stop midway", "stop and restart")
UNUSABLE = (
    "idle by pump", "other ratio", "motor uncoupled", "start from rest", "sensor noise",
    "idle by twin", "on spur gearbox", "stop midway", "sheared pin", "mains hum",
    "idle by compressor", "coast-down", "on bare motor", "wash-down jet", "idle by fan",
    "stop and restart", "on belt pump", "hopper vibrator", "crane and boots", "welding nearby",
)  # fmt: skip
SOUND = (
    "plain", "chain sprocket", "vane pump", "quiet", "twin beside", "process shocks", "low rate", "input fan",
    "twice line", "weak mesh", "screw flights", "twin with bad bearing", "high ratio", "inverter carrier", "soft foot",
    "short", "mixer blades", "cavitation", "noted speed off", "coupling wear", "beating fans", "tachometer",
    "rail joints", "twin with bad pin", "slow ramp", "belt drive", "hydraulic hammer", "load cycle", "rack teeth",
    "rattling guard", "brake drag", "reciprocating compressor", "shaft oil pump", "scraper knock", "falling lumps",
    "idler bearing", "diesel set", "steam trap",
)  # fmt: skip
DAMAGED: tuple[tuple[str, str, str], ...] = (
    ("input motor side.outer_race", "single", ""), ("stage1.lobe", "single", ""),
    ("eccentric bearing.inner_race", "single", ""), ("stage1.output_pin", "single", "chain sprocket"),
    ("input motor side.inner_race", "two", ""), ("eccentric bearing.rolling_element", "single", ""),
    ("stage1.ring_pin", "single", ""), ("eccentric bearing.outer_race", "crank", ""),
    ("input motor side.rolling_element", "single", "rail joints"), ("nose bearing.outer_race", "single", "vane pump"),
    ("stage2.lobe", "slow second", ""), ("input motor side.cage", "single", ""), ("stage1.lobe", "difference", ""),
    ("eccentric bearing.outer_race", "single", "screw flights"), ("stage1.ring_pin", "crank", ""),
    ("input motor side.inner_race", "high", "inverter carrier"), ("nose bearing.inner_race", "difference", ""),
    ("stage1.output_pin", "two", "process shocks"), ("eccentric bearing.rolling_element", "crank", "shaft oil pump"),
    ("input motor side.outer_race", "difference", "twin beside"), ("stage1.lobe", "crank", ""),
    ("eccentric bearing.inner_race", "two", "mixer blades"), ("stage1.lobe", "single", "rack teeth"),
    ("nose bearing.rolling_element", "single", ""), ("second eccentric.outer_race", "slow second", ""),
)  # fmt: skip
ORDER = "SDUSSDSUSDSUDSSUDSDU"
"""Truths in turn: nine sound, six damaged and five unusable in every twenty."""


def course_of(scene: Scene, kind: str, hertz: float) -> Array:
    """Speed on the grid; some drives do not keep theirs."""
    t, rng = scene.grid / scene.grid[-1], scene.rng
    when, trend, swing = rng.uniform(0.4, 0.6), rng.choice([-1, 1]) * rng.uniform(0.01, 0.025), rng.uniform(0.1, 0.5)
    courses = {
        "start from rest": np.clip((t - 0.05) / when, 0, 1),
        "coast-down": np.clip(1 - t / (1.2 * when), 0, 1) ** 1.3,
        "stop midway": np.clip((when - t) / 0.05, 0, 1),
        "stop and restart": np.clip(np.abs(t - when) / 0.08 - 1.5, 0, 1),
        "slow ramp": 1 + trend * (t - 0.5),
        "load cycle": 1 - 0.004 * (1 + np.cos(TAU * swing * scene.grid)),
    }
    return np.asarray(hertz * courses.get(kind, np.ones(t.size)))


def recorder(rng: Rng, kind: str, truth: Truth, slow: bool) -> Scene:
    seconds = rng.uniform(3.2, 5) if kind == "short" else rng.uniform(6, 12)
    if slow:
        seconds = 14.0
    rate = float(rng.choice([12800, 20000, 25600, 51200] if truth == "damaged" else [8192, 10240, 12800, 25600, 51200]))
    rate = 6400.0 if kind in {"low rate", "high ratio"} else min(rate, 20000.0) if seconds > 7 else rate
    seconds = min(seconds, 5.5) if rate > 40000 else seconds
    return Scene(rng, rate, int(seconds * rate), int(rng.integers(1, 4)) if seconds * rate < 250_000 else 1)


def kind_of(number: int) -> tuple[Truth, int]:
    """Truth of a case and its place among those of its truth."""
    lap, slot = divmod(number, len(ORDER))
    letter = ORDER[slot]
    truths: dict[str, Truth] = {"U": "unusable", "S": "sound", "D": "damaged"}
    return truths[letter], lap * ORDER.count(letter) + ORDER[:slot].count(letter)


def alike(one: int, other: int) -> bool:
    """Whether one count of pins could pass for the other, or for a harmonic of it."""
    return abs(one / other - 1) < 0.15 or max(one, other) % min(one, other) == 0


def case(number: int) -> WorldCase:
    """One capture; the same for the same number."""
    return compose(number)[0]


def compose(number: int) -> tuple[WorldCase, Array]:
    """The capture and the angle of the input on the grid [rad]."""
    rng = np.random.default_rng([number, 80_115])
    truth, place = kind_of(number)
    part, family, next_to = "", str(rng.choice(["single", "single", "two", "difference", "crank"])), ""
    if truth == "damaged":
        part, family, next_to = DAMAGED[place % len(DAMAGED)]
        kind = f"{part.split('.')[1].replace('_', ' ')}, {part.split('.')[0]}" + (f", {next_to}" if next_to else "")
    else:
        kind = (UNUSABLE if truth == "unusable" else SOUND)[place % len(UNUSABLE if truth == "unusable" else SOUND)]
        next_to = kind if kind in AROUND else ""
        if kind in {"chain sprocket", "screw flights", "mixer blades", "rack teeth", "scraper knock"}:
            family = "crank" if family == "two" else family  # so slow an output would strike once a minute
        family = "high" if kind == "high ratio" else family
    drive = draw_drive(rng, family)
    scene = recorder(rng, kind, truth, part.startswith(("second", "stage2")))
    hertz = drive.nominal_rpm / 60 * rng.uniform(0.992, 1.008)
    speed = course_of(scene, kind, hertz)
    theta = scene.turn(speed, float(np.exp(rng.uniform(np.log(3e-4), np.log(1e-3)))) * (0.3 if family == "high" else 1))
    level = float(np.exp(rng.uniform(np.log(0.3), np.log(4)))) * (0.3 if kind == "quiet" else 1)
    mesh = rng.uniform(0.02, 0.1) if kind == "weak mesh" else float(np.exp(rng.uniform(np.log(0.25), np.log(2.5))))
    scene.marks |= {"level": level, "mesh_to_noise": mesh}
    names: tuple[str, ...] = ()
    if kind in ALONE:
        felt = scaled(ALONE[kind](scene, drive, theta, hertz), level * (0.0 if kind == "sensor noise" else 0.6))
    else:
        turned = drive
        while kind == "other ratio" and alike(turned.stages[0].pins, drive.stages[0].pins):
            turned = draw_drive(rng, "single")
        life = np.minimum(1, speed / hertz) ** 1.5
        if kind == "load cycle":
            life = 1 - 80 * (1 - speed / hertz)  # slip and load go together
        felt = run_drive(scene, turned, theta, level=level, mesh=mesh, life=life)
    own = felt[0].copy()
    if next_to:
        ratio = float(np.exp(rng.uniform(np.log(0.15), np.log(1.0 if truth == "damaged" else 4.0))))
        scene.marks["beside_to_drive"] = ratio
        near = scaled(AROUND[next_to](scene, drive, theta, hertz), level * ratio)
        # Rare blows have little power: without a bound, a loud neighbour would be a hammer on the sensor.
        felt = felt + near * min(1.0, 30 * level * max(1.0, ratio) / float(np.abs(near).max()))
    if part:
        hurt, names, pace = damage(scene, drive, theta, part)
        high = butter(2, min(1500, 0.2 * scene.rate), "highpass", fs=scene.rate, output="sos")
        strength = float(np.exp(rng.uniform(np.log(0.5 if pace < 1.2 else 0.9), np.log(3.0))))
        # Blows seldom struck stand out at less power.
        felt = felt + scaled(hurt, strength * rms(sosfilt(high, own)))
        scene.marks |= {"strength": strength, "strikes_per_turn": pace}
    felt = felt * min(1.0, 10 / rms(felt[0]))
    floor = float(np.exp(rng.uniform(np.log(0.003), np.log(0.03)))) * (2 if kind == "quiet" else 1)
    felt = felt + floor * rng.standard_normal(felt.shape)
    # Charge leaks and warm air pass over the sensor: a slow course under everything.
    felt = felt + floor * 3 * scene.fine(scene.wander(1.0, 0.5))
    felt = np.round(felt / 3e-4) * 3e-4
    pulses = None
    runs = kind not in ALONE and kind != "other ratio"
    if runs and (kind == "tachometer" or (kind not in UNSTEADY and rng.random() < 0.15)):
        pulses = (5.0 * ((scene.fine(theta) % TAU) < 0.4)).astype(np.float32)
    noted: float | None = drive.nominal_rpm if rng.random() < 0.5 else None
    mean_hz = float((theta[-1] - theta[0]) / TAU / scene.grid[-1])
    if kind == "noted speed off":
        noted = round(mean_hz * 60 * (1 + rng.choice([-0.01, 0.01])), 1)
    return WorldCase(
        name=f"hillside-{number:03d}",
        kind=kind,
        truth=truth,
        drive_toml=drive.toml(),
        channels={f"point {index + 1}": row.astype(np.float32) for index, row in enumerate(felt)},
        sample_rate_hz=scene.rate,
        speed_hz=mean_hz if runs else None,
        pulses=pulses,
        noted_rpm=noted,
        damaged=names,
        marks=dict(scene.marks),
    ), theta
