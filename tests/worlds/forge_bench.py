"""Drives of the forge: what turns in them, which forces it makes, and what a casing on a shared base makes of forces.

Bodies turn in proportion to the input; their angles are counted in turns. Forces are sampled where they act or given as
strikes at moments in time. A modal model of casing, base and a neighbour's casing turns them into acceleration.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

import numpy as np
import scipy.fft
from numpy.typing import NDArray

Array = NDArray[np.float64]
Spectrum = NDArray[np.complex128]
PLACES = ("in", "ring", "out", "base", "next")
"""Where forces act: input side, ring of pins, output side, the base, the machine next to the drive on that base."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Bearing:
    """Between two bodies; ``load`` is the body in whose frame its load stands still."""

    name: str
    inner: str
    outer: str
    load: str
    elements: int
    element_mm: float
    pitch_mm: float
    place: str

    @property
    def gamma(self) -> float:
        return self.element_mm / self.pitch_mm


@dataclass(frozen=True, slots=True, kw_only=True)
class Stage:
    """Cycloidal, ring fixed. ``roller``: eccentricity and diameter of the rollers on the output pins [mm]."""

    lobes: int
    pins: int
    output_pins: int
    discs: int
    roller: tuple[float, float] | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Wheels:
    """Teeth ahead of the cycloidal stage: driver and driven, or sun, planet, ring and the number of planets."""

    teeth: tuple[int, ...]

    @property
    def ratio(self) -> float:
        """Turns of what comes out per turn of the input."""
        if len(self.teeth) == 2:
            return -self.teeth[0] / self.teeth[1]
        return self.teeth[0] / (self.teeth[0] + self.teeth[2])


@dataclass(frozen=True, slots=True, kw_only=True)
class Reducer:
    """A drive as drawn."""

    tag: str
    name: str
    rpm: float
    rpm_range: tuple[float, float]
    power_kw: float
    poles: int
    line_hz: float
    shaft_height_mm: int
    support: str
    stages: tuple[Stage, ...]
    bearings: tuple[Bearing, ...]
    wheels: Wheels | None = None
    around: str = ""
    """Tables of the drive file that declare what stands around."""

    @property
    def rates(self) -> dict[str, float]:
        """Turns of each body per turn of the input."""
        rates = {"housing": 0.0, "input": 1.0}
        turn, number = 1.0, 0
        if self.wheels:
            number = 1
            turn = rates["stage1.output"] = self.wheels.ratio
        for stage in self.stages:
            number += 1
            rates[f"stage{number}.eccentric"] = turn
            turn *= -(stage.pins - stage.lobes) / stage.lobes
            rates[f"stage{number}.disc"] = rates[f"stage{number}.output"] = turn
        return rates

    @property
    def first(self) -> int:
        """Number of the first cycloidal stage."""
        return 2 if self.wheels else 1

    @property
    def output(self) -> str:
        return f"stage{len(self.stages) + self.first - 1}.output"

    def toml(self) -> str:
        """The drive file."""
        low, high = self.rpm_range
        lines = [
            f'tag = "{self.tag}"', f'name = "{self.name}"', f'support = "{self.support}"',
            f"shaft_height_mm = {self.shaft_height_mm}", "", "[input]", f"speed_rpm = {self.rpm:.0f}",
            f"speed_range_rpm = [{low:.0f}, {high:.0f}]", f"power_kw = {self.power_kw}", "", "[motor]",
            f"poles = {self.poles}", f"line_hz = {self.line_hz:g}",
        ]  # fmt: skip
        if self.wheels:
            kind, names = "gear pair", ("driver_teeth", "driven_teeth")
            if len(self.wheels.teeth) == 4:
                kind, names = "planetary", ("sun_teeth", "planet_teeth", "ring_teeth", "planets")  # type: ignore[assignment]
            lines += ["", "[[stage]]", f'kind = "{kind}"']
            lines += [f"{name} = {teeth}" for name, teeth in zip(names, self.wheels.teeth, strict=True)]
            lines += ['fixed = "ring"'] if kind == "planetary" else []
        for stage in self.stages:
            lines += [
                "", "[[stage]]", 'kind = "cycloidal"', f"lobes = {stage.lobes}", f"ring_pins = {stage.pins}",
                f"output_pins = {stage.output_pins}", f"discs = {stage.discs}", 'fixed = "ring"',
            ]  # fmt: skip
            if stage.roller:
                lines += [f"eccentricity_mm = {stage.roller[0]}", f"output_roller_diameter_mm = {stage.roller[1]}"]
        for one in self.bearings:
            lines += [
                "", "[[bearing]]", f'name = "{one.name}"', f'inner = "{one.inner}"', f'outer = "{one.outer}"',
                f'load = "{one.load}"', f"elements = {one.elements}", f"element_diameter_mm = {one.element_mm}",
                f"pitch_diameter_mm = {one.pitch_mm}",
            ]  # fmt: skip
        return "\n".join([*lines, self.around, ""])


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Force:
    """A force at a place, sampled."""

    at: str
    samples: Array


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Strikes:
    """Half-sine pulses of one width at a place."""

    at: str
    times_s: Array
    sizes: Array
    width_s: float


Push = Force | Strikes


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Run:
    """A time of running: ``turns`` of the input at each of the times ``seconds``."""

    rate_hz: float
    seconds: Array
    turns: Array

    @property
    def length_s(self) -> float:
        return self.seconds.size / self.rate_hz


def slow(rng: np.random.Generator, seconds: Array, fastest_hz: float, count: int = 5) -> Array:
    """A smooth drift of unit size."""
    rates = rng.uniform(0.05, 1.0, count) * fastest_hz
    phases = rng.uniform(0, 1, count)
    parts = [np.sin(2 * np.pi * (rate * seconds + phase)) for rate, phase in zip(rates, phases, strict=True)]
    return np.sum(parts, axis=0) / np.sqrt(count / 2)


def steady_run(
    rng: np.random.Generator,
    rate_hz: float,
    count: int,
    speed_hz: float,
    *,
    drift: float = 2e-4,
    swing: Array | None = None,
) -> Run:
    """A drive at its speed, which drifts with the load by ``drift`` (standard deviation, relative)."""
    seconds = np.arange(count) / rate_hz
    change = drift * slow(rng, seconds, 0.5)
    if swing is not None:
        change = change + swing
    turns = np.cumsum(speed_hz * (1 + change - np.mean(change))) / rate_hz + rng.uniform(0, 1)
    return Run(rate_hz=rate_hz, seconds=seconds, turns=turns)


def looked_up(table: Array, turns: Array) -> Array:
    """A function of one turn, given at equal steps, at these angles."""
    place = (turns % 1.0) * table.size
    low = place.astype(np.int64)
    share = place - low
    wrapped = np.append(table, table[:2])
    return wrapped[low] * (1 - share) + wrapped[low + 1] * share


def contact_table(errors: Array, *, gap: float, weights: Array | None = None) -> Array:
    """Force of ``errors.size`` equal contacts around a turn as the load comes round.

    Each carries over somewhat less than half of a turn, from where its gap of ``gap`` (relative to the greatest
    approach) is closed, with the power 1.1 of its approach (line contact); ``errors`` are relative heights of the
    contacts. Zero mean.
    """
    steps = 64 if errors.size < 60 else 32
    bins = errors.size * steps
    approach = np.sin(2 * np.pi * np.arange(bins) / bins) - gap
    carried = np.where(approach > 0, np.abs(approach) ** 1.1, 0.0)
    comb = np.zeros(bins)
    comb[::steps] = (1 + errors) * (1.0 if weights is None else weights)
    table = scipy.fft.irfft(scipy.fft.rfft(comb) * scipy.fft.rfft(carried), bins)
    return np.asarray(table - table.mean())


def _unit(samples: Array) -> Array:
    return samples / (np.std(samples) + 1e-30)


def _pairs(
    rng: np.random.Generator, stage: Stage, rates: Mapping[str, float], number: int, run: Run, rough: float
) -> list[Force]:
    """Ring pins, lobes and output pins of a stage in contact."""
    eccentric, disc = rates[f"stage{number}.eccentric"], rates[f"stage{number}.disc"]
    turned, carried = eccentric * run.turns, 2 * np.pi * disc * run.turns
    past = (eccentric - disc) * run.turns
    pin_errors = rough * rng.standard_normal(stage.pins)
    gap = rng.uniform(0.02, 0.15)
    ring = np.zeros(run.turns.size)
    for one in range(stage.discs):
        facing = np.cos(2 * np.pi * np.arange(stage.pins) / stage.pins + rng.uniform(0, 6.28))
        share = 1 + 0.12 * rng.standard_normal()
        torque = contact_table(pin_errors + 0.3 * rough * rng.standard_normal(stage.pins), gap=gap)
        radial = contact_table(pin_errors, gap=gap, weights=facing)
        ring += share * looked_up(torque + 0.15 * radial, turned + one / stage.discs)
        lobes = contact_table(rough * rng.standard_normal(stage.lobes), gap=gap) - contact_table(
            np.zeros(stage.lobes), gap=gap
        )
        ring += share * looked_up(lobes, past + one / stage.discs) * (1 + 0.4 * np.cos(carried + 6.28 * rng.uniform()))
    pins = contact_table(0.5 * rough * rng.standard_normal(stage.output_pins), gap=gap)
    out = looked_up(pins, past) * (1 + 0.4 * np.cos(carried))
    return [Force(at="ring", samples=_unit(ring)), Force(at="out", samples=0.3 * _unit(out))]


def cage_rate(bearing: Bearing, rates: Mapping[str, float]) -> float:
    """Turns of the cage per turn of the input, rolling without slip."""
    return 0.5 * ((1 - bearing.gamma) * rates[bearing.inner] + (1 + bearing.gamma) * rates[bearing.outer])


def _sound_bearing(rng: np.random.Generator, bearing: Bearing, rates: Mapping[str, float], run: Run) -> Array:
    """Elements that pass the load, and waves of the races."""
    cage, slip = cage_rate(bearing, rates), 1 - rng.uniform(0, 0.01)
    passing = bearing.elements * (cage - rates[bearing.load]) * slip * run.turns
    inner = bearing.elements * (rates[bearing.inner] - cage) * run.turns
    once, wave = np.cos(2 * np.pi * passing), np.cos(2 * np.pi * inner)
    pushed = once + 0.4 * (2 * once**2 - 1)
    waves = wave * (1 + np.cos(2 * np.pi * rates[bearing.inner] * run.turns))
    return np.asarray(pushed + 0.5 * waves)


def own_forces(
    rng: np.random.Generator, drive: Reducer, run: Run, *, noise: float, rough: float, bearings: float
) -> list[Push]:
    """What a sound drive does. ``noise`` of rolling and ``bearings``' forces: over mesh; ``rough``: pitch errors."""
    rates = drive.rates
    pushes: list[Push] = []
    for index, stage in enumerate(drive.stages):
        pairs = _pairs(rng, stage, rates, drive.first + index, run, rough)
        pushes += [Force(at=force.at, samples=force.samples * 0.6**index) for force in pairs]
    turned = 2 * np.pi * run.turns
    shaft = (
        np.cos(turned) + rng.uniform(0.1, 0.5) * np.cos(2 * turned + 1) + rng.uniform(0.05, 0.3) * np.cos(3 * turned)
    )
    pushes.append(Force(at="in", samples=rng.uniform(0.5, 2.0) * shaft))
    if drive.wheels:
        teeth = drive.wheels.teeth
        mesh = teeth[0] if len(teeth) == 2 else teeth[0] * (1 - drive.wheels.ratio)
        driven = 2 * np.pi * drive.wheels.ratio * run.turns
        ripple = sum(np.cos(k * mesh * turned + k) / k for k in (1, 2, 3))
        pushes.append(Force(at="in", samples=0.5 * ripple * (1 + 0.2 * np.cos(driven) + 0.1 * np.cos(turned))))
    if bearings > 0:
        pushes += [
            Force(at=one.place, samples=bearings * _sound_bearing(rng, one, rates, run)) for one in drive.bearings
        ]
    first = drive.first
    loaded = 2 * np.pi * rates[f"stage{first}.eccentric"] * run.turns
    carried = 2 * np.pi * rates[drive.output] * run.turns
    for at, by in (("in", loaded), ("ring", loaded), ("out", carried)):
        rolling = rng.standard_normal(run.turns.size) * (1 + 0.15 * np.cos(by))
        pushes.append(Force(at=at, samples=noise * rolling))
    return pushes


def moved(pushes: Iterable[Push], at: str) -> list[Push]:
    """The same forces at another place: those of a neighbour."""
    return [
        Force(at=at, samples=one.samples)
        if isinstance(one, Force)
        else Strikes(at=at, times_s=one.times_s, sizes=one.sizes, width_s=one.width_s)
        for one in pushes
    ]


# ---------------------------------------------------------------- damage


def _carried_share(away: Array, half_width: float) -> Array:
    """Share of the load that a place ``away`` (turns) from the middle of the load zone carries (Stribeck's law)."""
    inside = 1 - (1 - np.cos(2 * np.pi * away)) / (1 - np.cos(2 * np.pi * half_width))
    return np.clip(inside, 0, None) ** 1.1 + 0.04


def _counted(rate: float, run: Run, late: float = 0.0) -> Array:
    """The turns of the input at which something of ``rate`` per turn comes round."""
    first, last = np.ceil(run.turns[0] * rate - late), np.floor(run.turns[-1] * rate - late)
    return np.asarray((np.arange(first, last + 1) + late) / rate)


def bearing_strikes(
    rng: np.random.Generator, bearing: Bearing, part: str, rates: Mapping[str, float], run: Run, slip: float
) -> tuple[Array, Array]:
    """Turns of the input at which a spot is rolled over, and how hard.

    ``part``: ``outer_race``, ``inner_race``, ``rolling_element`` or ``cage``. ``slip``: of the cage against the outer
    ring. Pockets leave every element some play of its own, and each pass a little of chance.
    """
    inner, outer, load = rates[bearing.inner], rates[bearing.outer], rates[bearing.load]
    cage = outer + (cage_rate(bearing, rates) - outer) * (1 - slip)
    pockets = 0.01 * rng.standard_normal(bearing.elements)
    start, half = rng.uniform(0, 1), rng.uniform(0.16, 0.3)
    if part in ("outer_race", "inner_race"):
        ring = outer if part == "outer_race" else inner
        turns = _counted(bearing.elements * abs(ring - cage), run, start)
        step = np.arange(turns.size)
        turns = turns + (pockets[step % bearing.elements] + 0.004 * rng.standard_normal(turns.size)) / (
            bearing.elements * abs(ring - cage)
        )
        away = (ring - load) * turns
        if ring == load:
            away = np.full(turns.size, rng.uniform(-0.5, 0.5) * half)
        path = 1 + 0.3 * np.cos(2 * np.pi * ring * turns)
        return turns, _carried_share(away, half) * path
    if part == "rolling_element":
        spin = (1 - bearing.gamma**2) / (2 * bearing.gamma) * abs(inner - outer) * (1 - slip)
        turns = _counted(2 * spin, run, start)
        on_outer = np.arange(turns.size) % 2 == 0
        turns = turns + 0.006 * rng.standard_normal(turns.size) / (2 * spin)
        sizes = _carried_share((cage - load) * turns, half) * np.where(on_outer, 1.0, 0.65)
        return turns, sizes * (1 + 0.3 * np.cos(2 * np.pi * cage * turns))
    if part != "cage":
        raise ValueError(f"no such part of a bearing: {part}")
    # A broken bar: three elements bunch up and knock one after the other where the load takes them in.
    rate = abs(cage - load)
    turns = np.concatenate([_counted(rate, run, start + late) for late in (0.0, 0.021, 0.055)])
    sizes = np.repeat([1.0, 0.6, 0.35], [_counted(rate, run, start + late).size for late in (0.0, 0.021, 0.055)])
    turns = turns + 0.004 * rng.standard_normal(turns.size) / rate
    order = np.argsort(turns)
    return turns[order], sizes[order] * (1 + 0.15 * rng.standard_normal(turns.size))


def _bearing_damage(
    rng: np.random.Generator, drive: Reducer, which: str, part: str, run: Run
) -> tuple[Strikes, tuple[str, ...]]:
    bearing = next(one for one in drive.bearings if one.name.startswith(which))
    rates = drive.rates
    turns, sizes = bearing_strikes(rng, bearing, part, rates, run, rng.uniform(0, 0.02))
    speed_hz = (run.turns[-1] - run.turns[0]) / run.length_s
    across = abs(rates[bearing.inner] - rates[bearing.outer]) * speed_hz
    surface_m_s = np.pi * bearing.pitch_mm / 1000 * across * (1 - bearing.gamma**2) / 2
    # What a spot does ends with the edge of its exit: a slow one strikes no longer than this.
    width_s = min(rng.uniform(0.1, 0.5) / 1000 / surface_m_s, 2.5e-4)
    tone = f"bearing.{bearing.name}.{part}"
    tones: tuple[str, ...] = (tone,)
    if part == "cage" and rates[bearing.load] != rates[bearing.outer]:
        tones = (f"{tone}_past_load", tone)
    return _strikes(run, turns, sizes, width_s, bearing.place), tones


def _strikes(run: Run, turns: Array, sizes: Array, width_s: float, at: str) -> Strikes:
    inside = (turns > run.turns[0]) & (turns < run.turns[-1])
    turns, sizes = turns[inside], sizes[inside]
    return Strikes(at=at, times_s=np.interp(turns, run.turns, run.seconds), sizes=sizes, width_s=width_s)


def _pair_damage(rng: np.random.Generator, drive: Reducer, part: str, run: Run) -> tuple[Strikes, tuple[str, ...]]:
    """A ring pin, lobe, output pin, bore or roller of the first cycloidal stage."""
    number, stage = drive.first, drive.stages[0]
    rates = drive.rates
    eccentric, disc = rates[f"stage{number}.eccentric"], rates[f"stage{number}.disc"]
    past, width_s, start = abs(eccentric - disc), rng.uniform(1e-4, 4e-4), rng.uniform(0, 1)
    tones: tuple[str, ...] = (f"stage{number}.lobe", f"stage{number}.output_pin")
    at = "ring"
    if part == "ring pin":
        # The spot lies under one disc and reaches below the next in part.
        turns = np.concatenate([_counted(abs(eccentric), run, start + one / stage.discs) for one in range(2)])
        split = turns.size - _counted(abs(eccentric), run, start + 1 / stage.discs).size
        sizes = np.where(np.arange(turns.size) < split, 1.0, rng.uniform(0, 0.5))
        tones = (f"stage{number}.ring_pin",)
    elif part == "output roller":
        assert stage.roller is not None
        turns = _counted(past * (1 + 2 * stage.roller[0] / stage.roller[1]), run, start)
        sizes = np.clip(np.cos(2 * np.pi * past * turns), 0, None) + 0.05
        sizes = sizes * (1 + 0.25 * np.cos(2 * np.pi * disc * turns))
        tones, at = (f"stage{number}.output_roller",), "out"
    else:
        turns = _counted(past, run, start)
        sizes = 1 + 0.4 * np.cos(2 * np.pi * disc * turns + rng.uniform(0, 6.28))
        if part != "lobe":
            tones, at = (tones[1], tones[0]), "out"
    sizes = sizes * (1 + 0.1 * rng.standard_normal(turns.size))
    turns = turns + 0.001 * rng.standard_normal(turns.size) / past
    order = np.argsort(turns)
    return _strikes(run, turns[order], sizes[order], width_s, at), tones


def _tooth_damage(rng: np.random.Generator, drive: Reducer, run: Run) -> tuple[Strikes, tuple[str, ...]]:
    """One tooth of the driven wheel of a pair, or of a sun: each planet meets it, and none carries quite its share."""
    assert drive.wheels is not None
    teeth, turn = drive.wheels.teeth, drive.wheels.ratio
    if len(teeth) == 2:
        turns, tone = _counted(abs(turn), run, rng.uniform(0, 1)), "stage1.driven_tooth"
        sizes = np.ones(turns.size)
    else:
        turns, tone = _counted(teeth[3] * (1 - turn), run, rng.uniform(0, 1)), "stage1.sun_tooth"
        shares = 1 + 0.25 * rng.uniform(-1, 1, teeth[3])
        sizes = shares[np.arange(turns.size) % teeth[3]] * (1 + 0.4 * np.cos(2 * np.pi * turns))
    sizes = sizes * (1 + 0.1 * rng.standard_normal(turns.size))
    return _strikes(run, turns, sizes, rng.uniform(1e-4, 4e-4), "in"), (tone,)


def damage(rng: np.random.Generator, drive: Reducer, what: str, run: Run) -> tuple[Strikes, tuple[str, ...]]:
    """Strikes of a damaged part and the tones that may be named.

    Parts are such as ``"input outer_race"``, ``"ring pin"`` and ``"tooth"``.
    """
    if what == "tooth":
        return _tooth_damage(rng, drive, run)
    which, _, part = what.partition(" ")
    if part in ("outer_race", "inner_race", "rolling_element", "cage"):
        return _bearing_damage(rng, drive, which, part, run)
    return _pair_damage(rng, drive, what, run)


# ---------------------------------------------------------------- structure


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Structure:
    """Modes with their shapes at places and sensors [1/sqrt(kg), to a common factor]."""

    modes_hz: Array
    damping: Array
    shapes: dict[str, Array] = field(default_factory=dict)


def structure(rng: np.random.Generator, rate_hz: float, sensors: int) -> Structure:
    """Two modes of the base, five of the casing, three of the neighbour's."""
    top = min(0.43 * rate_hz, 13000.0)
    base = np.sort(rng.uniform(18, 160, 2))
    casing = np.geomspace(rng.uniform(260, 600), top * rng.uniform(0.75, 1.0), 5) * rng.uniform(0.9, 1.1, 5)
    nearby = np.geomspace(rng.uniform(200, 500), 0.8 * top, 3) * rng.uniform(0.85, 1.15, 3)
    shapes = {}
    for place in (*PLACES, *(f"sensor{one}" for one in range(sensors))):
        own, shared, other = (rng.choice([-1, 1], count) * rng.uniform(0.4, 1.2, count) for count in (5, 2, 3))
        shared = np.abs(shared)
        faint = rng.uniform(0.03, 0.15)
        if place == "base":
            own, other = 0.15 * own, 0.2 * other
        elif place == "next":
            own, shared = 0.05 * own, 0.8 * shared
        else:
            other = faint * other
        shapes[place] = np.concatenate([0.4 * shared, own, other])
    return Structure(
        modes_hz=np.concatenate([base, casing, nearby]),
        damping=np.concatenate([rng.uniform(0.03, 0.08, 2), rng.uniform(0.008, 0.04, 5), rng.uniform(0.01, 0.05, 3)]),
        shapes=shapes,
    )


def pulse_spectrum(frequencies_hz: Array, width_s: float) -> Array:
    """Spectrum of a half-sine pulse of unit area, centred."""
    x = 2 * frequencies_hz * width_s
    near = np.abs(x - 1) < 1e-6
    return np.where(near, np.pi / 4, np.cos(np.pi * x / 2) / np.where(near, 1.0, 1 - x**2))


def force_spectra(pushes: Iterable[Push], run: Run, count: int) -> dict[str, Spectrum]:
    """Spectrum of the force at each place, of records padded to ``count`` samples."""
    frequencies = np.arange(count // 2 + 1) * run.rate_hz / count
    total: dict[str, Spectrum] = {}
    smooth: dict[str, Array] = {}
    for push in pushes:
        if isinstance(push, Force):
            smooth[push.at] = smooth.get(push.at, 0.0) + push.samples
            continue
        grid = np.zeros(count)
        place = push.times_s * run.rate_hz
        low = np.floor(place).astype(np.int64)
        inside = (low >= 0) & (low < run.seconds.size - 1)
        low, share, sizes = low[inside], (place - low)[inside], push.sizes[inside]
        np.add.at(grid, low, sizes * (1 - share))
        np.add.at(grid, low + 1, sizes * share)
        spectrum = scipy.fft.rfft(grid) * pulse_spectrum(frequencies, push.width_s)
        total[push.at] = total.get(push.at, 0.0) + spectrum
    for at, samples in smooth.items():
        total[at] = total.get(at, 0.0) + scipy.fft.rfft(samples, count)
    return total


def accelerations(
    body: Structure, groups: Mapping[str, dict[str, Spectrum]], rate_hz: float, count: int, sensors: int
) -> dict[str, list[Spectrum]]:
    """Spectra of acceleration at each sensor, by group of forces."""
    frequencies = np.arange(count // 2 + 1) * rate_hz / count
    answers: dict[str, list[Spectrum]] = {
        name: [np.zeros(frequencies.size, dtype=np.complex128) for _ in range(sensors)] for name in groups
    }
    for mode, (own_hz, damping) in enumerate(zip(body.modes_hz, body.damping, strict=True)):
        ratio = frequencies / own_hz
        gain = -(ratio**2) / (1 - ratio**2 + 2j * damping * ratio)
        for name, spectra in groups.items():
            if not spectra:
                continue
            drive = gain * np.sum([body.shapes[at][mode] * force for at, force in spectra.items()], axis=0)
            for sensor in range(sensors):
                answers[name][sensor] += body.shapes[f"sensor{sensor}"][mode] * drive
    return answers
