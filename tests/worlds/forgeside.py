"""A forge and its foundry: manipulators, roller beds, sand mixers, ladle cranes between hammers, presses and furnaces.

Sixty kinds, each once in the first half and once in the second. Forces act on a modal model of casing, base and a
neighbour's casing (``forge_bench.py``); what stands around is in ``forge_hall.py``. Sound bearings pass their elements,
faintly; damaged ones slip by up to two per cent. Levels: ``around_db`` is the r.m.s. of the hall over that of the drive
at the first sensor; ``share`` the power of the damage over that of all else in the band where it stands out most.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cache
from typing import Any

import numpy as np
import scipy.fft
import scipy.signal
from numpy.typing import NDArray

from tests.worlds.case import Truth, WorldCase
from tests.worlds.forge_bench import (
    Array,
    Bearing,
    Force,
    Push,
    Reducer,
    Run,
    Spectrum,
    Stage,
    Wheels,
    accelerations,
    damage,
    force_spectra,
    own_forces,
    slow,
    steady_run,
    structure,
)
from tests.worlds.forge_hall import MACHINES

COUNT = 120
KINDS = 60
SAMPLES = 270_000
"""Most samples of a channel."""
BANDS = 8
PLACES_OF_WORK = (
    "Manipulator rail", "Indexing table", "Ladle crane hoist", "Roller bed", "Sand mixer", "Shake-out feeder",
    "Core conveyor", "Mould turner", "Billet charger", "Quench lift", "Die carrier", "Slag rake",
)  # fmt: skip

# ---------------------------------------------------------------- drives


def _bearings(rng: np.random.Generator, first: int, last: int) -> tuple[Bearing, ...]:
    eccentric, disc = f"stage{first}.eccentric", f"stage{first}.disc"
    pitch = float(rng.choice([36.0, 44.0, 52.0, 68.0]))
    element = round(pitch * float(rng.uniform(0.17, 0.25)), 2)
    most = int(np.floor(np.pi * pitch / element * 0.92))
    out_pitch = float(rng.choice([70.0, 92.5, 120.0, 155.0]))
    out_element = round(out_pitch * float(rng.uniform(0.1, 0.15)), 2)
    in_pitch = float(rng.choice([33.5, 39.0, 46.0, 55.5]))
    return (
        Bearing(
            name="input bearing", inner="input", outer="housing", load="housing", elements=int(rng.integers(7, 10)),
            element_mm=round(in_pitch * float(rng.uniform(0.19, 0.22)), 2), pitch_mm=in_pitch, place="in",
        ),
        Bearing(
            name="eccentric bearing", inner=eccentric, outer=disc, load=eccentric,
            elements=int(rng.integers(most - 3, most + 1)), element_mm=element, pitch_mm=pitch, place="ring",
        ),
        Bearing(
            name="output bearing", inner=f"stage{last}.output", outer="housing", load="housing",
            elements=int(rng.integers(13, 20)), element_mm=out_element, pitch_mm=out_pitch, place="out",
        ),
    )  # fmt: skip


def _reducer(rng: np.random.Generator, make: str, lobes: tuple[int, int], number: int) -> Reducer:
    """A random drive.

    ``make``: ``single``, ``two`` stages, ``gear`` or ``planets`` ahead (``wheels``: either), ``rollers`` on the pins.
    """
    poles, line = int(rng.choice([4, 4, 4, 6])), float(rng.choice([50.0, 50.0, 60.0]))
    synchronous = 120 * line / poles
    count = int(rng.integers(lobes[0], lobes[1] + 1))
    roller = (
        (round(float(rng.uniform(1.2, 2.5)), 2), float(rng.choice([16.0, 20.0, 26.0]))) if make == "rollers" else None
    )
    stages = [
        Stage(
            lobes=count,
            pins=count + 1,
            output_pins=int(rng.choice([6, 8, 10, 12])),
            discs=int(rng.choice([2, 2, 3])),
            roller=roller,
        )
    ]
    wheels = None
    if make == "two":
        second = int(rng.integers(9, 20))
        stages.append(Stage(lobes=second, pins=second + 1, output_pins=8, discs=2))
    elif make == "gear" or (make == "wheels" and rng.uniform() < 0.5):
        wheels = Wheels(teeth=(int(rng.integers(17, 30)), int(rng.integers(31, 70))))
    elif make in ("planets", "wheels"):
        sun, planet = int(rng.choice([18, 21, 24])), int(rng.choice([18, 21, 24, 27]))
        wheels = Wheels(teeth=(sun, planet, sun + 2 * planet, 3))
    first = 2 if wheels else 1
    return Reducer(
        tag=f"FG-{number:03d}", name=str(rng.choice(PLACES_OF_WORK)),
        rpm=round(synchronous * float(rng.uniform(0.962, 0.978))),
        rpm_range=(round(synchronous * 0.945), round(synchronous * 0.999)),
        power_kw=float(rng.choice([1.5, 2.2, 4.0, 7.5, 11.0])),
        poles=poles, line_hz=line, shaft_height_mm=int(rng.choice([100, 132, 160, 180])),
        support=str(rng.choice(["rigid", "flexible"])),
        stages=tuple(stages), bearings=_bearings(rng, first, first + len(stages) - 1), wheels=wheels,
    )  # fmt: skip


def _other(rng: np.random.Generator, drive: Reducer, number: int) -> Reducer:
    """Another drive of the works, whose ratio nobody takes for that of ``drive``."""
    while True:
        other = _reducer(rng, "single", (9, 29), number)
        if not 0.75 < other.stages[0].lobes / drive.stages[0].lobes < 1.34:
            return other


# ---------------------------------------------------------------- kinds


@dataclass(frozen=True, slots=True, kw_only=True)
class Kind:
    """One kind of capture."""

    name: str
    truth: Truth
    make: str = "single"
    lobes: tuple[int, int] = (9, 43)
    lines: str = "plain"
    """``plain``, ``faint`` (rolling noise over the lines) or ``rough`` (large pitch errors)."""
    around: tuple[str, ...] = ()
    around_db: tuple[float, float] = (-6.0, 4.0)
    damage: tuple[str, ...] = ()
    share: tuple[float, float] = (0.2, 0.4)
    seconds: tuple[float, float] = (8.0, 20.0)
    slowest_hz: float = 5000.0
    """Lowest sample rate."""
    runs: bool = True
    spoil: str = ""
    pulses: bool = False


CROWDED = {"outer_race": 1.5, "inner_race": 2.0, "rolling_element": 1.5}
"""Strikes that follow one another before the casing has rung out need so many times the power to stand out as much."""
EARLY, PLAIN, HEAVY = (0.12, 0.2), (0.3, 0.6), (1.2, 3.0)


def _kinds() -> tuple[Kind, ...]:
    still = {"truth": "unusable", "runs": False}
    spoilt = {"truth": "unusable"}
    sound = {"truth": "sound"}
    hurt = {"truth": "damaged"}
    rows: list[dict[str, Any]] = [
        {**still, "name": "rest, fan and screen run", "around": ("fan", "screen")},
        {**still, "name": "rest, other drive runs", "around": ("bad pair",)},
        {**spoilt, "name": "other ratio fitted", "spoil": "other drive", "lobes": (9, 35)},
        {**spoilt, "name": "gear unit in its place", "spoil": "gear unit"},
        {**spoilt, "name": "runs down and stops", "spoil": "stop"},
        {**spoilt, "name": "speed without law", "spoil": "lawless"},
        {**spoilt, "name": "dead sensor", "spoil": "dead"},
        {**spoilt, "name": "sensor fell off", "spoil": "fallen", "around": ("hammer",)},
        {**spoilt, "name": "clipped to ruin", "spoil": "clipped"},
        {**spoilt, "name": "counts for units", "spoil": "counts"},
        {**spoilt, "name": "hum", "spoil": "hum"},
        {**spoilt, "name": "packed sound", "spoil": "packed", "around": ("air",), "around_db": (12.0, 18.0)},
        {**still, "name": "rest, pump in step", "spoil": "pump in step"},
        {**spoilt, "name": "shaker left on", "spoil": "shaker"},
        {**spoilt, "name": "bytes out of step", "spoil": "bytes"},
        # Sound, ordinary.
        {**sound, "name": "roller bed, alone"},
        {**sound, "name": "faint, alone", "lines": "faint"},
        {**sound, "name": "conveyor, fan", "around": ("fan",)},
        {**sound, "name": "sand mixer", "around": ("tumbling",), "lobes": (9, 21)},
        {**sound, "name": "pump nearby", "around": ("pump",)},
        {**sound, "name": "high ratio", "lobes": (59, 87)},
        {**sound, "name": "two stages", "make": "two", "lobes": (11, 25)},
        {**sound, "name": "faint, blower's air", "lines": "faint", "around": ("air",), "around_db": (-16.0, -8.0)},
        {**sound, "name": "planets ahead", "make": "planets", "lobes": (9, 25)},
        {**sound, "name": "gears ahead", "make": "gear", "lobes": (9, 25)},
        {**sound, "name": "with pulses", "pulses": True},
        {**sound, "name": "cheap pins", "lines": "rough"},
        {**sound, "name": "rollers", "make": "rollers", "lobes": (11, 29)},
        # Sound, in a loud hall.
        {**sound, "name": "drop hammer", "around": ("hammer",), "around_db": (-5.0, 4.0)},
        {**sound, "name": "automatic press", "around": ("press",), "around_db": (-4.0, 4.0)},
        {**sound, "name": "cams in step", "around": ("station",), "lobes": (9, 21)},
        {**sound, "name": "screen", "around": ("screen",), "around_db": (-10.0, -2.0)},
        {**sound, "name": "chain in step", "around": ("chain",), "lobes": (9, 29)},
        {**sound, "name": "neighbour's race", "around": ("bad bearing",)},
        {**sound, "name": "neighbour's pin", "around": ("bad pair",)},
        {**sound, "name": "sister", "around": ("sister",), "around_db": (-8.0, 0.0), "seconds": (12.0, 24.0)},
        {**sound, "name": "inverter", "around": ("inverter",), "slowest_hz": 8000.0},
        {**sound, "name": "furnace", "around": ("furnace",)},
        {**sound, "name": "crane passes", "around": ("crane",), "around_db": (-2.0, 4.0)},
        {**sound, "name": "motor fan rubs", "around": ("motor fan",)},
        {**sound, "name": "pump and bad gears", "around": ("pump", "bad gears")},
        {**sound, "name": "riveting", "around": ("riveting",), "around_db": (-10.0, 0.0)},
        # Damaged.
        {**hurt, "name": "input outer", "damage": ("input outer_race",), "share": PLAIN},
        {**hurt, "name": "input inner, early", "damage": ("input inner_race",), "share": (0.16, 0.25)},
        {**hurt, "name": "input element, screen", "damage": ("input rolling_element",), "share": PLAIN,
         "around": ("screen",)},
        {**hurt, "name": "eccentric outer, fan", "damage": ("eccentric outer_race",), "share": PLAIN,
         "around": ("fan",)},
        {**hurt, "name": "eccentric inner, early", "damage": ("eccentric inner_race",), "share": (0.2, 0.3)},
        {**hurt, "name": "eccentric element, press", "damage": ("eccentric rolling_element", "eccentric outer_race"),
         "share": HEAVY, "around": ("press",)},
        {**hurt, "name": "eccentric cage", "damage": ("eccentric cage",), "share": PLAIN},
        {**hurt, "name": "input cage, pump", "damage": ("input cage",), "share": HEAVY, "around": ("pump",)},
        {**hurt, "name": "output outer", "damage": ("output outer_race",), "share": PLAIN, "lobes": (6, 13),
         "seconds": (15.0, 40.0)},
        {**hurt, "name": "output inner, chain", "damage": ("output inner_race",), "share": HEAVY, "lobes": (6, 11),
         "seconds": (15.0, 40.0), "around": ("other chain",), "around_db": (-20.0, -12.0)},
        {**hurt, "name": "ring pin", "damage": ("ring pin",), "share": PLAIN, "lobes": (9, 35)},
        {**hurt, "name": "ring pin, hammer", "damage": ("ring pin",), "share": HEAVY, "lobes": (9, 35),
         "around": ("hammer",)},
        {**hurt, "name": "lobe, bad neighbour", "damage": ("lobe",), "share": PLAIN, "lobes": (9, 25),
         "around": ("bad bearing",)},
        {**hurt, "name": "output pin", "damage": ("output pin",), "share": PLAIN, "lobes": (9, 25)},
        {**hurt, "name": "output roller, air", "damage": ("output roller",), "share": PLAIN,
         "make": "rollers", "lobes": (11, 25),
         "around": ("air",), "around_db": (-12.0, -6.0)},
        {**hurt, "name": "bore, early", "damage": ("bore",), "share": EARLY, "lobes": (9, 25)},
        {**hurt, "name": "tooth, hydraulics", "damage": ("tooth",), "share": HEAVY, "make": "wheels",
         "lobes": (9, 21),
         "around": ("hydraulic",), "seconds": (12.0, 20.0)},
        {**hurt, "name": "race and pin", "damage": ("eccentric outer_race", "ring pin"), "share": PLAIN,
         "lobes": (9, 25)},
    ]  # fmt: skip
    return tuple(Kind(**row) for row in rows)


KIND = _kinds()


@cache
def _order(half: int) -> tuple[int, ...]:
    """Which kind stands where in a half."""
    return tuple(int(one) for one in np.random.default_rng((77, half)).permutation(KINDS))


# ---------------------------------------------------------------- captures


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Taken:
    """What is measured before anything spoils it: spectra of the parts' acceleration by sensor, of padded records."""

    run: Run
    count: int
    parts: Mapping[str, list[Spectrum]]


def _speed(rng: np.random.Generator, drive: Reducer) -> float:
    synchronous = 120 * drive.line_hz / drive.poles
    return float(synchronous * rng.uniform(0.955, 0.992) / 60)


def _frame(rng: np.random.Generator, kind: Kind) -> tuple[float, int]:
    """Sample rate and number of samples."""
    rates = [5120.0, 8192.0, 10240.0, 12800.0, 16384.0, 20480.0, 25600.0, 32768.0, 48000.0, 51200.0]
    rates = [rate for rate in rates if rate >= kind.slowest_hz and rate * kind.seconds[0] <= SAMPLES]
    rate = float(rng.choice(rates))
    low, high = kind.seconds
    seconds = min(float(rng.uniform(low, high)), SAMPLES / rate)
    if rng.uniform() < 0.08:
        seconds = min(2 * seconds, 40.0, SAMPLES / rate)
    return rate, int(seconds * rate)


def _moving(rng: np.random.Generator, kind: Kind, drive: Reducer, rate: float, count: int) -> Run:
    speed = _speed(rng, drive)
    if kind.spoil == "stop":
        seconds = np.arange(count) / rate
        # Rolls out below all speeds that the drive may have, and stands for the last part.
        falling = (
            speed
            * rng.uniform(0.55, 0.75)
            * np.clip(1 - seconds / (seconds[-1] * rng.uniform(0.6, 0.8)), 0, None) ** 1.2
        )
        return Run(rate_hz=rate, seconds=seconds, turns=np.cumsum(falling) / rate)
    if kind.spoil == "lawless":
        seconds = np.arange(count) / rate
        swing = 0.3 * slow(rng, seconds, 4.0, 12)
        return steady_run(rng, rate, count, 0.8 * speed, swing=np.clip(swing, -0.6, 0.6))
    return steady_run(rng, rate, count, speed, drift=float(rng.choice([1e-4, 3e-4, 1e-3])))


def _level(spectra: list[Spectrum], sensor: int, run: Run, count: int) -> float:
    """R.m.s. of the part of a record, above 5 Hz."""
    first = int(5 * count / run.rate_hz)
    power = float(np.sum(np.abs(spectra[sensor][first:]) ** 2)) * 2 / count**2
    return float(np.sqrt(power * count / run.seconds.size)) + 1e-30


def _strength(part: list[Spectrum], rest: list[list[Spectrum]], run: Run, count: int) -> float:
    """Power of a part over that of all else, in the band and at the sensor where it stands out most.

    Above 1.5 kHz, or a quarter of the rate: below, what repeats often is a few lines, and no envelope shows it.
    """
    edges = np.geomspace(min(1500, 0.25 * run.rate_hz), 0.45 * run.rate_hz, BANDS + 1) * count / run.rate_hz
    best = 0.0
    for sensor, spectrum in enumerate(part):
        # Noise of the sensor and its cable stands in every band.
        other = np.sum([one[sensor] for one in rest], axis=0)
        for low, high in zip(edges[:-1].astype(int), edges[1:].astype(int), strict=True):
            power = float(np.mean(np.abs(spectrum[low:high]) ** 2))
            best = max(best, power / (float(np.mean(np.abs(other[low:high]) ** 2)) + 1e-30))
    return best


def _gear_unit(rng: np.random.Generator, run: Run) -> list[Push]:
    """Two meshes of a helical unit on the same motor."""
    turn, pushes = 1.0, list[Push]()
    for place in ("in", "ring"):
        driver, driven = int(rng.integers(15, 25)), int(rng.integers(50, 90))
        angle = 2 * np.pi * turn * run.turns
        mesh = np.sum([np.cos(k * driver * angle + k) / k for k in (1, 2, 3)], axis=0)
        pushes.append(Force(at=place, samples=mesh * (1 + 0.2 * np.cos(angle))))
        turn *= driver / driven
    pushes.append(Force(at="in", samples=np.cos(2 * np.pi * run.turns) + 0.4 * np.cos(4 * np.pi * run.turns + 1)))
    return [*pushes, Force(at="ring", samples=0.5 * rng.standard_normal(run.turns.size))]


def _pump_in_step(rng: np.random.Generator, run: Run) -> list[Push]:
    """A pump on a motor of the same speed; the drive itself is uncoupled."""
    vanes = int(rng.integers(5, 8))
    angle = 2 * np.pi * run.turns
    lines = np.cos(angle) + 0.4 * np.cos(2 * angle + 1) + np.cos(vanes * angle) + 0.5 * np.cos(2 * vanes * angle + 2)
    return [Force(at="next", samples=lines), Force(at="next", samples=0.5 * rng.standard_normal(run.turns.size))]


def _forces(
    rng: np.random.Generator, kind: Kind, drive: Reducer, other: Reducer, run: Run
) -> tuple[dict[str, list[Push]], tuple[str, ...], str]:
    """Forces by group, tones that may be named, and tables that declare what stands around."""
    noise = {"plain": rng.uniform(0.06, 0.2), "faint": rng.uniform(0.4, 0.8), "rough": rng.uniform(0.06, 0.2)}[
        kind.lines
    ]
    rough = {"plain": rng.uniform(0.02, 0.05), "faint": rng.uniform(0.02, 0.05), "rough": rng.uniform(0.1, 0.2)}[
        kind.lines
    ]
    groups: dict[str, list[Push]] = {}
    if kind.runs and kind.spoil == "gear unit":
        groups["own"] = _gear_unit(rng, run)
    elif kind.runs:
        fitted = other if kind.spoil == "other drive" else drive
        groups["own"] = own_forces(rng, fitted, run, noise=noise, rough=rough, bearings=rng.uniform(0.03, 0.1))
    declared = ""
    for index, name in enumerate(kind.around):
        pushes, table = MACHINES[name](rng, drive, run, other)
        groups[f"around {index}"] = pushes
        declared += table
    if kind.spoil == "pump in step":
        groups["around 0"] = _pump_in_step(rng, run)
    tones: tuple[str, ...] = ()
    for index, what in enumerate(kind.damage):
        strikes, named = damage(rng, drive, what, run)
        groups[f"damage {index}"] = [strikes]
        tones += named
    return groups, tones, declared


def _taken(rng: np.random.Generator, kind: Kind, groups: Mapping[str, list[Push]], run: Run, sensors: int) -> Taken:
    """The parts at the sensors, at their levels."""
    count = int(scipy.fft.next_fast_len(run.seconds.size + int(0.15 * run.rate_hz), real=True))
    forces = {name: force_spectra(pushes, run, count) for name, pushes in groups.items()}
    parts = accelerations(structure(rng, run.rate_hz, sensors), forces, run.rate_hz, count, sensors)
    level = float(np.exp(rng.uniform(np.log(0.3), np.log(5.0))))
    frequencies = np.arange(count // 2 + 1) * run.rate_hz / count
    resonance, damping = rng.uniform(7000, 24000), rng.uniform(0.03, 0.08)
    mounted = 1 / (1 - (frequencies / resonance) ** 2 + 2j * damping * frequencies / resonance)
    gains = {}
    for name, spectra in parts.items():
        for spectrum in spectra:
            spectrum *= mounted
        if name == "own":
            gains[name] = level / _level(spectra, 0, run, count)
        elif name.startswith("around"):
            gains[name] = level * 10 ** (rng.uniform(*kind.around_db) / 20) / _level(spectra, 0, run, count)
    noise = [_sensor_noise(rng, frequencies, run, count, level) for _ in range(sensors)]
    rest = [[gains[name] * one for one in parts[name]] for name in gains] + [noise]
    for name in parts:
        if name.startswith("damage"):
            part = kind.damage[int(name.split()[1])].partition(" ")[2]
            share = rng.uniform(*kind.share) * CROWDED.get(part, 1.0)
            gains[name] = np.sqrt(share / _strength(parts[name], rest, run, count))
    scaled = {name: [gains[name] * one for one in spectra] for name, spectra in parts.items()}
    return Taken(run=run, count=count, parts={**scaled, "noise": noise})


def _sensor_noise(rng: np.random.Generator, frequencies: Array, run: Run, count: int, level: float) -> Spectrum:
    """White noise of a sensor, and noise that falls with frequency below some 30 Hz."""
    density = level * rng.uniform(2e-5, 1.5e-4)
    size = density * np.sqrt(1 + 30 / np.maximum(frequencies, 0.3)) * np.sqrt(count * run.rate_hz / 2)
    draws = rng.standard_normal((2, frequencies.size)) / np.sqrt(2)
    return np.asarray(size * (draws[0] + 1j * draws[1]))


def _stepped(samples: Array, bits: int, full_scale: float) -> Array:
    step = full_scale / 2 ** (bits - 1)
    return np.asarray(np.clip(np.round(samples / step) * step, -full_scale, full_scale - step))


def _packed(rng: np.random.Generator, samples: Array, rate: float) -> Array:
    """What a packing of sound leaves: in each short frame some strong bins in coarse steps, nothing above a cut."""
    size = 1024
    _, _, bins = scipy.signal.stft(samples, rate, nperseg=size)
    power = np.abs(bins)
    keep = power >= np.quantile(power, 0.94, axis=0)
    keep[int(rng.uniform(0.45, 0.6) * keep.shape[0]) :] = False
    keep[: int(120 / rate * size) + 1] = False
    step = 0.4 * power.max(axis=0) + 1e-12
    coarse = np.round(bins.real / step * 2) / 2 + 1j * np.round(bins.imag / step * 2) / 2
    _, left = scipy.signal.istft(np.where(keep, coarse * step, 0), rate, nperseg=size)
    return np.asarray(np.pad(left, (0, samples.size))[: samples.size])


def _spoilt(rng: np.random.Generator, kind: Kind, samples: Array, run: Run, mains_hz: float) -> Array:
    """One channel of an unusable capture."""
    seconds, count = run.seconds, samples.size
    if kind.spoil == "dead":
        return 2e-4 * np.round(rng.standard_normal(count) * 1.2 + 0.3 * np.sin(2 * np.pi * 0.02 * seconds))
    if kind.spoil == "fallen":
        # It hangs by its cable, turns, and knocks against the frame now and then.
        sway = 0.6 * np.sin(2 * np.pi * rng.uniform(0.8, 1.5) * seconds) + 0.2 * np.sin(2 * np.pi * 2.7 * seconds)
        knocks = np.zeros(count)
        knocks[rng.integers(0, count, int(0.8 * run.length_s))] = rng.lognormal(3, 0.5, int(0.8 * run.length_s))
        ring = np.exp(-seconds[: int(0.05 * run.rate_hz)] / 0.004) * np.sin(
            2 * np.pi * 1870 * seconds[: int(0.05 * run.rate_hz)]
        )
        return np.asarray(sway + scipy.signal.fftconvolve(knocks, ring)[:count] + 0.004 * rng.standard_normal(count))
    if kind.spoil == "clipped":
        limit = 0.12 * float(np.std(samples))
        return np.clip(samples, -limit, limit)
    if kind.spoil == "counts":
        return np.round(samples / (float(np.max(np.abs(samples))) + 1e-30) * rng.uniform(9000, 30000)) + rng.integers(
            -40, 40
        )
    if kind.spoil == "hum":
        lines = [np.sin(2 * np.pi * k * mains_hz * seconds + k) / k**1.2 for k in (1, 2, 3, 4, 5, 6, 7, 9, 11, 13)]
        return np.asarray(rng.uniform(2, 15) * np.sum(lines, axis=0) + 0.003 * rng.standard_normal(count))
    if kind.spoil == "packed":
        return _packed(rng, samples, run.rate_hz)
    if kind.spoil == "shaker":
        tone = 10 * np.sqrt(2) * np.sin(2 * np.pi * 159.155 * seconds) + 0.03 * np.sin(2 * np.pi * 318.31 * seconds)
        return tone + 0.01 * rng.standard_normal(count)
    if kind.spoil == "bytes":
        # Words of three bytes, read from the second byte on.
        words = np.round(samples / (float(np.max(np.abs(samples))) + 1e-30) * 4e6).astype(np.int64) & 0xFFFFFF
        late = ((words << 16) & 0xFF0000) | (np.roll(words, -1) >> 8)
        signed = np.where(late >= 0x800000, late - 0x1000000, late)
        return np.asarray(signed / 2**23 * 50.0)
    return samples


def _channels(rng: np.random.Generator, kind: Kind, taken: Taken, mains_hz: float) -> dict[str, NDArray[np.float32]]:
    """Samples as recorded: sensor, cable, recorder."""
    run = taken.run
    frequencies = np.arange(taken.count // 2 + 1) * run.rate_hz / taken.count
    high_pass = 1 / (1 - 1j * rng.uniform(0.3, 1.5) / np.maximum(frequencies, 1e-3))
    sensors = len(taken.parts["noise"])
    samples = []
    for sensor in range(sensors):
        whole = high_pass * np.sum([one[sensor] for one in taken.parts.values()], axis=0)
        recorded = scipy.fft.irfft(whole, taken.count)[: run.seconds.size]
        samples.append(recorded * (1 + rng.uniform(-0.05, 0.05) * np.linspace(-1, 1, recorded.size)))
    if sensors == 2 and rng.uniform() < 0.5:
        leak = rng.uniform(0.003, 0.03)
        samples = [samples[0] + leak * samples[1], samples[1] + leak * samples[0]]
    bits = int(rng.choice([16, 24]))
    names = ("input side", "output side")
    channels = {}
    for sensor, recorded in enumerate(samples):
        recorded = _spoilt(rng, kind, recorded, run, mains_hz)
        peak = float(np.max(np.abs(recorded)))
        ranges = [one for one in (20.0, 50.0, 100.0, 200.0, 500.0, 1000.0, 5000.0) if one > 1.4 * peak]
        if ranges and kind.spoil not in ("dead", "counts", "bytes"):
            full = ranges[0] if bits == 16 else ranges[-1]
            recorded = _stepped(recorded, bits, full)
        channels[names[sensor]] = recorded.astype(np.float32)
    return channels


def kind_of(number: int) -> Kind:
    """The kind of a capture."""
    return KIND[_order(number // KINDS)[number % KINDS]]


def made(number: int) -> tuple[Kind, Reducer, Taken, tuple[str, ...], np.random.Generator]:
    """Everything of a capture before it is recorded."""
    kind = kind_of(number)
    rng = np.random.default_rng((20618, number))
    drive = _reducer(rng, kind.make, kind.lobes, number)
    other = _other(np.random.default_rng((20619, number)), drive, number + 500)
    rate, count = _frame(rng, kind)
    run = _moving(rng, kind, drive, rate, count)
    groups, tones, declared = _forces(rng, kind, drive, other, run)
    if rng.uniform() < 0.7:
        drive = replace(drive, around=declared)
    taken = _taken(rng, kind, groups, run, int(rng.choice([1, 2, 2])))
    return kind, drive, taken, tones, rng


def case(number: int) -> WorldCase:
    """Capture ``number`` (0 to 119)."""
    kind, drive, taken, tones, rng = made(number)
    run = taken.run
    speed = float((run.turns[-1] - run.turns[0]) / run.length_s)
    channels = _channels(rng, kind, taken, drive.line_hz)
    pulses = None
    if kind.pulses:
        pulses = (4.0 * (run.turns % 1.0 < 0.12) + 0.05 * rng.standard_normal(run.turns.size)).astype(np.float32)
    noted = None
    if kind.truth != "unusable" and rng.uniform() < 0.15:
        noted = float(round(speed * 60 + rng.normal(0, 0.5)))
    return WorldCase(
        name=f"forge-{number:03d}", kind=kind.name, truth=kind.truth, drive_toml=drive.toml(), channels=channels,
        sample_rate_hz=run.rate_hz, speed_hz=speed if kind.truth != "unusable" else None, pulses=pulses,
        noted_rpm=noted, damaged=tones, marks={"share": float(np.mean(kind.share))} if tones else {},
    )  # fmt: skip
