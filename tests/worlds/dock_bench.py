"""Drives of a dock, what breaks in them, and what stands around them, as angles of bodies and things that meet.

Nothing here knows a tone. A drive is a set of bodies that turn so much per turn of its input; teeth, lobes and pins
pass one another where their angles cross; an element of a bearing rolls over a spot when the cage has brought it there.
What meets, strikes; what is struck, rings. The signal of a point is the sum of forces, each through a path of its own.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy import fft

Samples = NDArray[np.float64]
Spectrum = NDArray[np.complex128]
TABLE = 32768
"""Points of one turn in a table of forces: 270 for each of 120 lobes."""
COARSE_HZ = 400.0
"""Rate at which angles are integrated; speeds change within seconds."""


# ------------------------------------------------ drives
@dataclass(frozen=True, slots=True, kw_only=True)
class DockBearing:
    """Elements between two bodies of a drive."""

    name: str
    inner: str
    outer: str
    elements: int
    element_mm: float
    pitch_mm: float
    contact_deg: float = 0.0
    load: str | None = None
    """The body in whose frame the load stands still; the housing's where None."""

    @property
    def slimness(self) -> float:
        """Diameter of an element over that of its circle, as the contact angle leaves it."""
        return float(self.element_mm / self.pitch_mm * np.cos(np.deg2rad(self.contact_deg)))

    def toml(self) -> str:
        load = "" if self.load is None else f'load = "{self.load}"\n'
        return (
            f'\n[[bearing]]\nname = "{self.name}"\ninner = "{self.inner}"\nouter = "{self.outer}"\n{load}'
            f"elements = {self.elements}\nelement_diameter_mm = {self.element_mm}\n"
            f"pitch_diameter_mm = {self.pitch_mm}\ncontact_angle_deg = {self.contact_deg}\n"
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class DockStage:
    """One stage: ``lobes`` and ``pins`` of a cycloidal one, teeth of a gear pair, both where planets turn cranks."""

    kind: str = "cycloidal"
    lobes: int = 0
    pins: int = 0
    discs: int = 2
    output_pins: int = 0
    turning_ring: bool = False
    driver_teeth: int = 0
    driven_teeth: int = 0
    cranks: int = 3

    def toml(self) -> str:
        if self.kind == "gear pair":
            return (
                f'\n[[stage]]\nkind = "gear pair"\ndriver_teeth = {self.driver_teeth}\n'
                f"driven_teeth = {self.driven_teeth}\n"
            )
        disc = f"lobes = {self.lobes}\nring_pins = {self.pins}\ndiscs = {self.discs}\n"
        if self.kind == "rv":
            return (
                f'\n[[stage]]\nkind = "rv"\nsun_teeth = {self.driver_teeth}\nplanet_teeth = {self.driven_teeth}\n'
                f'cranks = {self.cranks}\n{disc}fixed = "ring"\n'
            )
        held = "output pins" if self.turning_ring else "ring"
        return f'\n[[stage]]\nkind = "cycloidal"\n{disc}output_pins = {self.output_pins}\nfixed = "{held}"\n'


@dataclass(frozen=True, slots=True, kw_only=True)
class DockDrive:
    """A reducer with its motor, as its drive file has it."""

    tag: str
    name: str
    stages: tuple[DockStage, ...]
    bearings: tuple[DockBearing, ...]
    rpm: float
    range_rpm: tuple[float, float]
    kw: float
    poles: int
    line_hz: float
    around: tuple[str, ...] = ()
    """Tables of the drive file for what stands around it, where that is declared."""

    def turns(self) -> dict[str, float]:
        """Turns of every body per turn of the input."""
        turns, at = {"housing": 0.0, "input": 1.0}, 1.0
        for number, stage in enumerate(self.stages, start=1):
            here = f"stage{number}."
            if stage.kind == "gear pair":
                at = -at * stage.driver_teeth / stage.driven_teeth
                turns |= {f"{here}driven": at, f"{here}output": at}
                continue
            step = (stage.pins - stage.lobes) / stage.lobes  # a disc falls back by so much of a turn per eccentric turn
            if stage.kind == "rv":
                teeth = stage.driver_teeth / stage.driven_teeth
                out = at * step * teeth / (1 + step + step * teeth)  # crank = out - (at - out) teeth; out = -step crank
                turns |= {f"{here}sun": at, f"{here}crank": -out / step, f"{here}planet": -out / step}
                turns |= {f"{here}eccentric": -out / step, f"{here}carrier": out, f"{here}disc": out}
                turns[f"{here}ring"] = 0.0
            elif stage.turning_ring:
                out = at * step / (1 + step)
                turns |= {f"{here}eccentric": at, f"{here}disc": 0.0, f"{here}ring": out}
            else:
                out = -at * step
                turns |= {f"{here}eccentric": at, f"{here}disc": out, f"{here}ring": 0.0}
            turns[f"{here}output"] = at = out
        return turns

    @property
    def last(self) -> str:
        """The shaft that turns what is driven."""
        return f"stage{len(self.stages)}." + ("carrier" if self.stages[-1].kind == "rv" else "output")

    def bearing(self, name: str) -> DockBearing:
        return next(bearing for bearing in self.bearings if bearing.name == name)

    def toml(self) -> str:
        low, high = self.range_rpm
        return (
            f'tag = "{self.tag}"\nname = "{self.name}"\nsupport = "rigid"\nshaft_height_mm = 132\n'
            f"ratio = {1 / abs(self.turns()[self.last]):.12g}\n\n"
            f"[input]\nspeed_rpm = {self.rpm:.0f}\nspeed_range_rpm = [{low:.0f}, {high:.0f}]\npower_kw = {self.kw}\n\n"
            f"[motor]\npoles = {self.poles}\nline_hz = {self.line_hz:.1f}\n"
            + "".join(stage.toml() for stage in self.stages)
            + "".join(bearing.toml() for bearing in self.bearings)
            + "".join(f"\n{table}" for table in self.around)
        )


# ------------------------------------------------ motion
@dataclass(frozen=True, slots=True, eq=False)
class Turning:
    """Turns of a shaft over time, from some time before the record on."""

    times_s: Samples
    turns: Samples

    @classmethod
    def of(cls, speed_hz: Samples, start: float = 0.0) -> Turning:
        """From the speed at ``COARSE_HZ``."""
        steps = np.concatenate([[0.0], (speed_hz[1:] + speed_hz[:-1]) / (2 * COARSE_HZ)])
        return cls(np.arange(speed_hz.size) / COARSE_HZ, start + np.cumsum(steps))

    def at(self, rate_hz: float, count: int) -> Samples:
        """Turns at every sample."""
        return np.interp(np.arange(count) / rate_hz, self.times_s, self.turns)


@dataclass(frozen=True, slots=True, eq=False)
class Strikes:
    """Blows: when they fall [s], and how hard."""

    times_s: Samples
    sizes: Samples

    def and_those_of(self, other: Strikes) -> Strikes:
        return Strikes(np.concatenate([self.times_s, other.times_s]), np.concatenate([self.sizes, other.sizes]))


def steady(
    rng: np.random.Generator, seconds: float, speed_hz: float, *, drift: float = 1e-3, hunting: float = 0.0,
    hunting_hz: float = 0.3,
) -> Turning:  # fmt: skip
    """A shaft that turns as loaded machines do: ``drift`` is the relative standard deviation of what moves slowly and
    without a law, ``hunting`` the amplitude of a controller's swing."""
    times = np.arange(int(seconds * COARSE_HZ) + 2) / COARSE_HZ
    slow = np.zeros(times.size)
    for frequency in rng.uniform(0.03, 0.6, 6):
        slow += np.sin(2 * np.pi * (frequency * times + rng.uniform())) / np.sqrt(3)
    swing = np.sin(2 * np.pi * (hunting_hz * times + rng.uniform()))
    return Turning.of(speed_hz * (1 + drift * slow + hunting * swing), float(rng.uniform()))


def crossings(times_s: Samples, path: Samples) -> tuple[Samples, Samples]:
    """When a path that only rises, or only falls, passes whole numbers [s], and which."""
    if path[-1] < path[0]:
        when, which = crossings(times_s, -path)
        return when, -which
    which = np.arange(np.ceil(path[0]), np.floor(path[-1]) + 1)
    return np.interp(which, path, times_s), which


# ------------------------------------------------ damage
def load_zone(place: Samples, reach: float) -> Samples:
    """Share of the load at ``place`` [turns from the load's direction]: a zone that ends where the cosine falls to
    ``reach``, and a little outside it, since elements are preloaded."""
    inside = np.clip((np.cos(2 * np.pi * place) - reach) / (1 - reach), 0, None)
    return 0.12 + 0.88 * inside**1.5


def bearing_strikes(
    rng: np.random.Generator, turning: Turning, turns: dict[str, float], bearing: DockBearing, part: str, slip: float,
    *, jitter: float = 0.004,
) -> Strikes:  # fmt: skip
    """Elements and a spot meet. ``part``: which one has the spot (``outer_race``, ``inner_race``, ``rolling_element``,
    ``cage``); ``slip``: share by which the cage falls behind; ``jitter``: of times, in spacings."""
    inner, outer = turns[bearing.inner] * turning.turns, turns[bearing.outer] * turning.turns
    load = 0.3 + (0 if bearing.load is None else turns[bearing.load]) * turning.turns
    slim = bearing.slimness
    knots = np.arange(0.0, turning.times_s[-1] + 6, 3.0)
    uneven = np.interp(turning.times_s, knots, rng.normal(0, 0.05, knots.size))  # the slip of some seconds
    speed = np.gradient(inner - outer)
    rolled = np.cumsum(speed * (1 - slip * (1 + uneven)))
    cage = outer + rolled * (1 - slim) / 2
    spot = rng.uniform()
    if part == "outer_race":
        when, _ = crossings(turning.times_s, bearing.elements * (cage - outer) + rng.uniform())
        spot = 0.3 if bearing.outer == "housing" else spot  # what is loaded always is what breaks
        sizes = load_zone(np.interp(when, turning.times_s, outer + spot - load), rng.uniform(-0.3, 0.3))
    elif part == "inner_race":
        when, _ = crossings(turning.times_s, bearing.elements * (inner - cage) + rng.uniform())
        spot = 0.3 if bearing.inner == bearing.load else spot
        sizes = load_zone(np.interp(when, turning.times_s, inner + spot - load), rng.uniform(-0.3, 0.3))
    elif part == "rolling_element":
        spin = rolled / 2 * (1 - slim**2) / slim
        when, which = crossings(turning.times_s, 2 * spin + rng.uniform())  # the outer race and the inner one in turn
        sizes = load_zone(np.interp(when, turning.times_s, cage + spot - load), rng.uniform(-0.3, 0.3))
        sizes = sizes * np.where(which % 2 == 0, 1.0, rng.uniform(0.35, 0.9))
    else:  # a broken bar: its pocket lets an element lag, which catches up when it is loaded
        when, _ = crossings(turning.times_s, cage - load + rng.uniform())
        sizes = np.ones(when.size)
    gap = np.median(np.diff(when))
    when = when + rng.normal(0, jitter * gap, when.size)
    return Strikes(when, sizes * rng.lognormal(0, 0.15, when.size))


def body_strikes(
    rng: np.random.Generator, turning: Turning, per_turn: float, *, places: Sequence[float] = (0.0,),
    heights: Sequence[float] = (1.0,), jitter: float = 0.0, scatter: float = 0.1,
) -> Strikes:  # fmt: skip
    """What strikes at ``places`` of a turn of something that turns ``per_turn`` times per turn of the shaft, with
    ``heights``. ``jitter``: of times, in turns of that thing."""
    both = Strikes(np.zeros(0), np.zeros(0))
    start = rng.uniform()
    for place, height in zip(places, heights, strict=True):
        when, _ = crossings(turning.times_s, per_turn * turning.turns + start + place)
        speed = abs(per_turn) * (turning.turns[-1] - turning.turns[0]) / (turning.times_s[-1] - turning.times_s[0])
        when = when + rng.normal(0, jitter / max(speed, 1e-9), when.size)
        both = both.and_those_of(Strikes(when, height * rng.lognormal(0, scatter, when.size)))
    return both


def disc_strikes(
    rng: np.random.Generator, turning: Turning, turns: dict[str, float], number: int, stage: DockStage, part: str
) -> Strikes:
    """A spot on a ring pin, a lobe or an output pin, met by discs whose eccentrics are spread over a turn."""
    here = f"stage{number}."
    past = turns[here + "eccentric"] - turns[here + ("ring" if part == "ring_pin" else "disc")]
    discs = 1 if part == "lobe" else stage.discs
    shares = [1.0, rng.uniform(0.25, 0.8), rng.uniform(0.25, 0.8)][:discs]  # no spot lies evenly under all discs
    strikes = body_strikes(
        rng, turning, past, places=[disc / stage.discs for disc in range(discs)], heights=shares, jitter=4e-4,
        scatter=0.15,
    )  # fmt: skip
    carried = turns[here + "ring"] if part == "ring_pin" else turns[here + "disc"]
    angle = np.interp(strikes.times_s, turning.times_s, carried * turning.turns)
    nearness = 1 + rng.uniform(0.1, 0.5) * np.cos(2 * np.pi * (angle + rng.uniform()))
    return Strikes(strikes.times_s, strikes.sizes * nearness)


# ------------------------------------------------ forces and paths
def bumps(heights: Iterable[float], width: float) -> Samples:
    """Force over one turn from as many contacts as there are heights; ``width``: of one, in spacings."""
    heights = np.asarray(list(heights), dtype=float)
    places = np.zeros(TABLE)
    at = np.round(np.arange(heights.size) * TABLE / heights.size).astype(int)
    np.add.at(places, at, heights * TABLE / heights.size)
    orders = np.arange(TABLE // 2 + 1)
    return fft.irfft(fft.rfft(places) * np.exp(-2 * (np.pi * orders * width / heights.size) ** 2), TABLE)


def looked_up(table: Samples, angle: Samples) -> Samples:
    """A table of one turn, at angles [turns]."""
    places = (angle * TABLE).astype(np.int64) % TABLE
    return table[places]


def contact_forces(
    rng: np.random.Generator, drive: DockDrive, angle: Samples, *, error: float, second: float = 0.5
) -> Samples:
    """Force of all meshes of a drive with sound parts: every pin, lobe and tooth stands off by ``error`` (relative,
    standard deviation) of its own, discs carry unequally, the load swells with the output. ``angle``: input [turns]."""
    turns = drive.turns()
    force = np.zeros(angle.size)
    for number, stage in enumerate(drive.stages, start=1):
        here, weight = f"stage{number}.", 1.0 if number == 1 else second
        if stage.kind in ("gear pair", "rv"):
            rest = turns.get(f"{here}carrier", 0.0)
            first = turns[f"{here}sun"] if stage.kind == "rv" else 1.0
            driven = turns[f"{here}planet"] if stage.kind == "rv" else turns[f"{here}driven"]
            width = rng.uniform(0.14, 0.26)
            ahead = bumps(1 + error * rng.normal(size=stage.driver_teeth), width)
            behind = bumps(error * rng.normal(size=stage.driven_teeth), width)
            force += 0.7 * (looked_up(ahead, (first - rest) * angle) + looked_up(behind, (driven - rest) * angle))
            if stage.kind == "gear pair":
                continue
        past_ring = turns[f"{here}eccentric"] - turns[f"{here}ring"]
        past_disc = turns[f"{here}eccentric"] - turns[f"{here}disc"]
        width = rng.uniform(0.12, 0.24)
        pins, lobes = error * rng.normal(size=stage.pins), error * rng.normal(size=stage.lobes)
        ring, disc = np.zeros(TABLE), np.zeros(TABLE)
        turn = np.arange(TABLE) / TABLE
        for body in range(stage.discs):
            share, ahead_by = 1 + rng.normal(0, 0.12), round(body / stage.discs * TABLE)
            side = np.roll(0.5 + 0.5 * np.cos(2 * np.pi * (turn + rng.uniform(0, 0.02))), ahead_by)
            ring += np.roll(bumps(1 + pins, width), ahead_by) * share * (0.5 + side)
            disc += np.roll(bumps(lobes, width), ahead_by) * share
        if stage.output_pins:
            disc += 0.4 * stage.discs * bumps(1 + error * rng.normal(size=stage.output_pins), 0.4)
        swell = 1 + 0.15 * np.cos(2 * np.pi * (turns[f"{here}output"] * angle + rng.uniform()))
        force += weight * swell * (looked_up(ring, past_ring * angle) + looked_up(disc, past_disc * angle))
    return force - float(np.mean(force))


@dataclass(eq=False)
class Yard:
    """A record in the making: what each point picks up, as a spectrum. The first tenth of a second is cut off again,
    where the end of the record rings round into its beginning."""

    rng: np.random.Generator
    rate_hz: float
    seconds: float
    points: tuple[str, ...]
    picked_up: dict[str, Spectrum] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.wanted = round(self.rate_hz * self.seconds)
        self.count = int(fft.next_fast_len(self.wanted + int(0.12 * self.rate_hz), real=True))
        self.frequencies = fft.rfftfreq(self.count, 1 / self.rate_hz)
        for point in self.points:
            self.picked_up.setdefault(point, np.zeros(self.frequencies.size, dtype=np.complex128))

    @property
    def length_s(self) -> float:
        """With what is cut off."""
        return self.count / self.rate_hz

    def path(
        self, *, low_hz: float, high_hz: float, modes: int = 6, damping: tuple[float, float] = (0.01, 0.05),
        falls_from_hz: float | None = None, farther: float = 0.7,
    ) -> list[Spectrum]:  # fmt: skip
        """From a force to the acceleration of each point: a casing on its mounts, and modes that ring. ``farther``:
        gain of a second point; ``falls_from_hz``: where joints begin to let less pass."""
        rng, top = self.rng, min(high_hz, 0.47 * self.rate_hz)
        coarse = np.linspace(0, self.rate_hz / 2, 6001)
        natural = np.exp(rng.uniform(np.log(low_hz), np.log(max(top, 1.5 * low_hz)), modes))
        ratios, dampings = [coarse / f for f in natural], rng.uniform(*damping, modes)
        joints = 1.0 if falls_from_hz is None else 1 / (1 + (coarse / falls_from_hz) ** 2)
        mount = coarse / rng.uniform(12, 40)
        paths = []
        for number in range(len(self.points)):
            answer = 0.15 * mount**2 / (1 - mount**2 + 0.3j * mount)
            for ratio, damped in zip(ratios, dampings, strict=True):
                gain = rng.choice([-1, 1]) * rng.uniform(0.3, 1.0)
                answer = answer - gain * ratio**2 / (1 - ratio**2 + 2j * damped * ratio)
            gains = answer * joints * (1.0 if number == 0 else farther)
            real, imaginary = (np.interp(self.frequencies, coarse, part) for part in (gains.real, gains.imag))
            paths.append(real + 1j * imaginary)
        return paths

    def through(self, force: Samples, path: list[Spectrum], *, lasts_s: float = 0.0) -> list[Spectrum]:
        """What a force makes at each point; ``lasts_s``: how long each blow presses."""
        spectrum = fft.rfft(force) * np.exp(-2 * (np.pi * self.frequencies * lasts_s / 4) ** 2)
        return [spectrum * answer for answer in path]

    def train(self, strikes: Strikes) -> Samples:
        """Blows on the grid of samples, each shared between the two nearest."""
        places = strikes.times_s * self.rate_hz
        inside = (places >= 0) & (places < self.count - 1)
        at, sizes = places[inside].astype(np.int64), strikes.sizes[inside]
        share = places[inside] - at
        before, after = np.bincount(at, sizes * (1 - share), self.count), np.bincount(at + 1, sizes * share, self.count)
        return np.asarray(before + after, dtype=float)

    def add(self, made: list[Spectrum], gain: float = 1.0) -> None:
        for point, spectrum in zip(self.points, made, strict=True):
            self.picked_up[point] += gain * spectrum

    def add_at(self, made: list[Spectrum], level_db: float, *, from_hz: float = 150.0) -> float:
        """As loud that its power in its best half octave at the first point stands ``level_db`` over what is there
        already. Returns the gain."""
        there = band_powers(self.picked_up[self.points[0]], self.frequencies, from_hz)
        gain = float(10 ** (level_db / 20) / np.sqrt(np.max(band_powers(made[0], self.frequencies, from_hz) / there)))
        self.add(made, gain)
        return gain

    def noise(self, *, tilt: float) -> Samples:
        """Coloured noise, its power falling as the frequency to the ``tilt``."""
        shape = np.maximum(self.frequencies, 20.0) ** (-tilt / 2)
        return fft.irfft(fft.rfft(self.rng.normal(size=self.count)) * shape, self.count)

    def power(self, made: list[Spectrum]) -> float:
        """Mean square of a part of the signal at the first point."""
        return float(2 * np.sum(np.abs(made[0]) ** 2) / self.count**2)

    def recorded(self, *, floor: float) -> dict[str, NDArray[np.float32]]:
        """Samples of each point behind a recorder's filters, on its own noise of ``floor`` (r.m.s.)."""
        edges = (self.frequencies / (0.44 * self.rate_hz)) ** 24
        passed = 1 / np.sqrt(1 + edges) * (1j * self.frequencies / (self.rng.uniform(0.3, 2.0) + 1j * self.frequencies))
        out = {}
        for point in self.points:
            samples = fft.irfft(self.picked_up[point] * passed, self.count)[-self.wanted :]
            out[point] = (samples + self.rng.normal(0, floor, samples.size)).astype(np.float32)
        return out


def band_powers(spectrum: Spectrum, frequencies: Samples, from_hz: float) -> Samples:
    """Power in half octaves up to where recorders begin to cut."""
    top = 0.4 * 2 * frequencies[-1]
    edges = top / 2 ** (np.arange(0, int(2 * np.log2(top / from_hz)) + 1) / 2)
    starts = np.searchsorted(frequencies, edges[::-1])
    sums = np.concatenate([[0.0], np.cumsum(np.abs(spectrum) ** 2)])[starts]
    return np.asarray(np.diff(sums), dtype=float)
