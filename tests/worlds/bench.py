"""A test bench's acceptance sets, by code of its own: captures of drives whose 1x and levels are known exactly.

Forces are laid on angles: the eccentric meets each ring pin once a turn, each lobe and output pin once a turn past its
disc, a second stage does so at the speed of the first one's output. Errors of pins and lobes are patterns on these
angles; a damaged pin strikes whenever an eccentric comes by. Nothing here knows a tone, and nothing of ``vibe.synth``
is used. What the sensor feels is the sum of all, so that levels are known from the samples' own integral.
``python -m tests.worlds.bench --out DIR`` writes all sets and prints what is true of each.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta, timezone
from pathlib import Path

import h5py
import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
RATE_HZ = 12_800.0
ZONE = timezone(timedelta(hours=1))


@dataclass(frozen=True, slots=True, kw_only=True)
class Stage:
    """Counts of one cycloidal stage with a fixed ring."""

    lobes: int
    pins: int
    output_pins: int = 8
    discs: int = 2

    @property
    def step(self) -> float:
        """Turns of its output to one of its eccentric."""
        return (self.pins - self.lobes) / self.lobes


@dataclass(frozen=True, slots=True, kw_only=True)
class Built:
    """A drive as it stands on the bench; ``ordered``: stages of its drive file, where these differ."""

    name: str
    stages: tuple[Stage, ...]
    rpm: float = 1455.0
    seconds: float = 20.0
    unbalance: float = 0.6
    """Of 1x, r.m.s. velocity [mm/s]."""
    struck: float = 0.0
    """Peak of the strikes of a damaged ring pin [m/s²]."""
    ordered: tuple[Stage, ...] = ()
    captures: int = 3
    sweeps: bool = False
    """Whether it has a run-up and a coast-down, with a pulse per turn."""
    requirements: str = ""
    golden: str = ""
    population: str = ""
    seed: int = 1
    pulses: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Truth:
    """What is true of a set: 1x and velocity from 10 to 1000 Hz of each capture at rated load, r.m.s. [mm/s]."""

    shaft_mm_s: list[float] = field(default_factory=list)
    velocity_mm_s: list[float] = field(default_factory=list)


def felt(built: Built, turns: Array, rng: np.random.Generator, machine: int) -> Array:
    """Acceleration [m/s²] of the housing at an angle of the input (n,) [turns]; ``machine``: its errors."""
    own = np.random.default_rng(machine)
    time = np.arange(turns.size) / RATE_HZ
    force, angle = np.zeros(turns.size), turns
    for stage in built.stages:
        for disc in range(stage.discs):
            ring = angle + disc / stage.discs
            lobe = angle * (1 + stage.step) + disc / stage.discs
            pattern = 1.0 + _errors(ring, 2 * stage.pins, 0.15, own) + _errors(lobe, 2 * stage.lobes, 0.15, own)
            pattern += 0.5 * np.cos(2 * np.pi * stage.pins * ring) + 0.2 * np.cos(4 * np.pi * stage.pins * ring)
            force += pattern * (np.cos(2 * np.pi * ring) + 0.4) / stage.discs
        angle = angle * stage.step
    felt_here = _through(force, own)
    if built.struck:
        felt_here += built.struck * _strikes(turns, built.stages[0].discs, rng)
    return felt_here + 0.15 * rng.standard_normal(time.size)


def _errors(angle: Array, orders: int, size: float, own: np.random.Generator) -> Array:
    """A pattern of one turn, as parts that are never quite alike make it."""
    table = np.fft.irfft(
        np.concatenate([[0.0], size * (own.standard_normal(orders) + 1j * own.standard_normal(orders))
                        / np.arange(1, orders + 1) ** 0.7, np.zeros(4096 - orders)]) * 4096
    )  # fmt: skip
    return np.interp((angle % 1.0) * table.size, np.arange(table.size + 1), np.append(table, table[0]))


def _through(force: Array, own: np.random.Generator) -> Array:
    hz = np.fft.rfftfreq(force.size, 1 / RATE_HZ)
    rings = np.exp(own.uniform(np.log(250.0), np.log(3500.0), 5))
    answer = 0.04 + sum(0.2 * (hz / f) ** 2 / (1 - (hz / f) ** 2 + 0.08j * hz / f) for f in rings)
    return np.asarray(np.fft.irfft(np.fft.rfft(force - force.mean()) * answer, force.size))


def _strikes(turns: Array, discs: int, rng: np.random.Generator) -> Array:
    """One pin is met once per turn by each disc; each strike rings at 2.9 kHz."""
    row = np.zeros(turns.size + 800)
    since = np.arange(800) / RATE_HZ
    ring = np.exp(-400 * since) * np.sin(2 * np.pi * 2900 * since) / 0.85
    for disc in range(discs):
        at = np.searchsorted(turns, np.arange(np.ceil(turns[0]), turns[-1]) + disc / discs)
        for place in at[at < turns.size]:
            row[place : place + 800] += ring * rng.uniform(0.8, 1.0)
    return row[: turns.size]


def steady(built: Built, rng: np.random.Generator) -> Array:
    """The input's angle at a speed that wanders by some 0.03 %."""
    time = np.arange(int(built.seconds * RATE_HZ)) / RATE_HZ
    speed = built.rpm / 60 * (1 + 2e-3 * rng.uniform(-1, 1))
    turns = time.copy()
    for period in (3.1, 7.7, 15.0):
        turns += 2e-4 * period / (2 * np.pi) * np.sin(2 * np.pi * (time / period + rng.uniform()))
    return speed * (turns - turns[0]) + 0.1


def swept(built: Built, *, up: bool) -> Array:
    """The input's angle from 15 to 100 % of its speed in 24 s, or back."""
    time = np.arange(int(24.0 * RATE_HZ)) / RATE_HZ
    share = 0.15 + 0.85 * time / 24.0
    return np.asarray(np.cumsum(built.rpm / 60 * (share if up else share[::-1])) / RATE_HZ)


def write(path: Path, rows: dict[str, Array], turns: Array | None, at: datetime, tag: str) -> None:
    """One capture in HDF5."""
    with h5py.File(path, "w") as file:
        file.attrs["drive"], file.attrs["measured_at"] = tag, at.isoformat()
        for name, row in rows.items():
            one = file.create_dataset(f"channels/{name}", data=row.astype(np.float32))
            one.attrs.update(sample_rate_hz=RATE_HZ, unit="m/s^2", quantity="acceleration")
        if turns is not None:
            near = (turns + 0.5) % 1.0 - 0.5
            pulse = 5.0 * np.exp(-0.5 * (near / 0.02) ** 2)
            one = file.create_dataset("channels/pulse", data=pulse.astype(np.float32))
            one.attrs.update(sample_rate_hz=RATE_HZ, unit="V", quantity="tachometer", pulses_per_rev=1.0)


def velocity(row: Array, low_hz: float = 10.0, high_hz: float = 1000.0) -> float:
    """R.m.s. [mm/s], by integration in the spectrum of a window."""
    window = np.hanning(row.size)
    hz = np.fft.rfftfreq(row.size, 1 / RATE_HZ)
    inside = (hz >= low_hz) & (hz <= high_hz)
    power = np.abs(np.fft.rfft(row * window)[inside] / (2 * np.pi * hz[inside])) ** 2
    return 1e3 * float(np.sqrt(2 * power.sum() / row.size / np.sum(window**2)))


def make(built: Built, folder: Path) -> Truth:
    """The set of one drive, and what is true of it."""
    rng = np.random.default_rng([built.seed, *built.name.encode()])
    machine = int(rng.integers(1 << 30))
    captures = folder / "captures"
    captures.mkdir(parents=True)
    true = Truth()
    at = datetime(2026, 5, 4, 8, 0, tzinfo=ZONE)
    phase = rng.uniform(0, 2 * np.pi)
    for number in range(built.captures):
        turns = steady(built, rng)
        hz = (turns[-1] - turns[0]) / built.seconds
        row = felt(built, turns, rng, machine)
        # Of all that turns once with the input, unbalance is what is asked for: the rest is taken out first.
        shaft = np.exp(2j * np.pi * turns)
        window = np.hanning(turns.size)
        base = np.stack([np.exp(2j * np.pi * (1 + k * built.stages[0].step) * turns) for k in range(-6, 7)])
        found = np.linalg.solve((base.conj() * window) @ base.T, (base.conj() * window) @ row)
        peak = np.sqrt(2) * built.unbalance * 2 * np.pi * hz / 1e3
        row = row - 2 * np.real(found[6] * shaft) + peak * np.real(np.exp(1j * phase) * shaft)
        true.shaft_mm_s.append(built.unbalance)
        true.velocity_mm_s.append(velocity(row))
        name = f"rated {number + 1}.h5"
        pulse = turns if built.pulses else None
        write(captures / name, {"ring": row}, pulse, at + timedelta(minutes=5 * number), f"B-{built.name}")
    if built.sweeps:
        for number, up in enumerate((True, False)):
            turns = swept(built, up=up)
            speed = np.gradient(turns, 1 / RATE_HZ)
            row = felt(built, turns, rng, machine)
            row += np.sqrt(2) * built.unbalance * 2 * np.pi * speed / 1e3 * np.cos(2 * np.pi * turns + phase) * (
                speed / (built.rpm / 60)
            ) ** 2  # fmt: skip
            write(captures / f"{'run-up' if up else 'coast-down'} 1.h5", {"ring": row}, turns,
                  at + timedelta(hours=2 + number), f"B-{built.name}")  # fmt: skip
    _forms(built, folder)
    return true


def _forms(built: Built, folder: Path) -> None:
    stages = built.ordered or built.stages
    ratio = abs(float(np.prod([1 / stage.step for stage in stages])))
    low, high = built.rpm * 0.97, built.rpm * 1.03
    text = (
        f'tag = "B-{built.name}"\nname = "Reducer on the bench"\nratio = {ratio:.6g}\nsupport = "rigid"\n'
        f"shaft_height_mm = 200\n[input]\nspeed_rpm = {built.rpm}\nspeed_range_rpm = [{low}, {high}]\npower_kw = 7.5\n"
    )
    for number, stage in enumerate(stages, start=1):
        text += (
            f'[[stage]]\nkind = "cycloidal"\nlobes = {stage.lobes}\nring_pins = {stage.pins}\n'
            f'output_pins = {stage.output_pins}\ndiscs = {stage.discs}\nfixed = "ring"\n'
        )
        text += (
            f'[[bearing]]\nname = "eccentric bearing {number}"\ninner = "stage{number}.eccentric"\n'
            f'outer = "stage{number}.disc"\nload = "stage{number}.eccentric"\nelements = 13\n'
            "element_diameter_mm = 11.0\npitch_diameter_mm = 52.0\n"
        )
    (folder / "drive.toml").write_text(text, encoding="utf-8")
    (folder / "requirements.toml").write_text(REQUIREMENTS + built.requirements, encoding="utf-8")
    given = (
        f'drive = "drive.toml"\nrequirements = "requirements.toml"\nserial = "{built.name}"\nmounting = "stud"\n'
        + (f'golden = "{built.golden}"\n' if built.golden else "")
        + (f'population = "{built.population}"\n' if built.population else "")
        + f'[issue]\nnumber = "AC-{built.name}"\nissued = 2026-05-06\nissuer = "Reducer works"\n'
        'customer = "Water works of the plain"\nplace = "bench 2"\nmeasured_by = "B. Meter"\n'
        '[[instrument]]\nwhat = "accelerometer"\nserial = "S-1"\npoint = "ring"\ncalibrated = 2026-01-15\n'
        'calibration_uncertainty_percent = 2.0\n[[run]]\nkind = "rated load"\nload_percent = 100.0\n'
        'captures = ["captures/rated *.h5"]\ntemperature_c = 58.0\n'
    )
    for kind in ("run-up", "coast-down") if built.sweeps else ():
        given += f'[[run]]\nkind = "{kind}"\nload_percent = 5.0\ncaptures = ["captures/{kind} *.h5"]\n'
    (folder / "commissioning.toml").write_text(given, encoding="utf-8")


REQUIREMENTS = """title = "Acceptance on the bench"
contract = "Order 77"
[[requirement]]
id = "velocity"
kind = "level"
text = "Velocity of the housing at rated load"
source = "order 77, 1"
measure = "velocity_rms"
limit = 4.5
unit = "mm/s"
during = ["rated load"]
[[requirement]]
id = "shaft"
kind = "tone"
text = "Line once per turn of the input"
source = "order 77, 2"
tone = "input.shaft"
limit = 2.8
unit = "mm/s"
during = ["rated load"]
[[requirement]]
id = "sound"
kind = "no damage"
text = "No local damage of any ring pin, lobe, output pin or race"
source = "order 77, 3"
false_alarm_rate = 0.01
during = ["rated load"]
[[requirement]]
id = "counts"
kind = "identity"
text = "The drive has the counts that were ordered"
source = "order 77, 4"
"""
SWEPT = """[[requirement]]
id = "run-up"
kind = "over speed"
text = "Velocity at any speed of run-up and coast-down"
source = "order 77, 5"
measure = "velocity_rms"
limit = 4.5
unit = "mm/s"
during = ["run-up", "coast-down"]
"""
GOLDEN = """[[requirement]]
id = "like the first"
kind = "golden"
text = "Velocity at most 1.5 times that of the golden drive"
source = "order 77, 6"
measure = "velocity_rms"
factor = 1.5
during = ["rated load"]
"""
SPREAD = """[[requirement]]
id = "like its sisters"
kind = "spread"
text = "Velocity within the spread of earlier drives of the type"
source = "order 77, 7"
measure = "velocity_rms"
during = ["rated load"]
"""

ONE = (Stage(lobes=29, pins=30),)
FIFTY_NINE = (Stage(lobes=59, pins=60, output_pins=10),)
TYPE = Built(name="T1", stages=ONE, seconds=12.0, captures=2)
SETS: tuple[Built, ...] = (
    Built(name="ratio59", stages=FIFTY_NINE),
    Built(name="minute59", stages=FIFTY_NINE, seconds=60.0, captures=2),
    Built(name="difference2", stages=(Stage(lobes=40, pins=42),)),
    Built(name="twostage", stages=(Stage(lobes=11, pins=12), Stage(lobes=17, pins=18))),
    Built(name="slow", stages=ONE, rpm=145.0, seconds=60.0, captures=2, pulses=True),
    Built(name="sweeps", stages=ONE, sweeps=True, requirements=SWEPT),
    Built(name="pin", stages=ONE, struck=6.0),
    Built(name="other", stages=(Stage(lobes=31, pins=32),), ordered=ONE),
    Built(name="loud", stages=ONE, unbalance=3.4),
)
LATER: tuple[Built, ...] = (
    Built(name="like", stages=ONE, requirements=GOLDEN, golden="../../done/T1/acceptance.json", seed=1),
    Built(name="unlike", stages=ONE, unbalance=2.6, requirements=GOLDEN, golden="../../done/T1/acceptance.json"),
    Built(name="sister", stages=ONE, requirements=SPREAD, population="../../done"),
    Built(name="apart", stages=ONE, unbalance=2.6, requirements=SPREAD, population="../../done"),
)


def sisters(count: int) -> Sequence[Built]:
    """Earlier drives of one type, of which the first is the golden one."""
    return [replace(TYPE, name=f"T{number}", unbalance=0.5 + 0.04 * number) for number in range(1, count + 1)]


def main() -> None:
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--out", type=Path, required=True)
    asked.add_argument("--only", nargs="*", default=[])
    given = asked.parse_args()
    for place, every in (("sets", SETS), ("types", sisters(6)), ("later", LATER)):
        for built in every:
            if not given.only or built.name in given.only or place in given.only:
                true = make(built, given.out / place / built.name)
                said = f"{place} {built.name} velocity {np.mean(true.velocity_mm_s):.3f} 1x {built.unbalance:g}\n"
                sys.stdout.write(said)


if __name__ == "__main__":
    main()
