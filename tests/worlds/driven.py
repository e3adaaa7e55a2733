"""Sound and damaged drives whose output turns something that strikes, next to machines that strike or run alike.

Angles are reckoned from surfaces that roll, in numbers of this file; an impact is a damped ring of the casing.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tests.worlds.case import Truth, WorldCase

Array = NDArray[np.float64]
RATE_HZ = 20_000.0
NOISE_M_S2 = 0.5
KINDS: tuple[tuple[str, Truth], ...] = (
    ("alone", "sound"),
    ("even chain", "sound"),
    ("uneven chain", "sound"),
    ("one bad link", "sound"),
    ("slow striker", "sound"),
    ("striker", "sound"),
    ("two strikes a cycle", "sound"),
    ("twin's pin", "sound"),
    ("twin's race", "sound"),
    ("race", "damaged"),
    ("pin or lobe", "damaged"),
    ("race by chain", "damaged"),
    ("race by striker", "damaged"),
    ("race by twin", "damaged"),
    ("cage", "damaged"),
)
BEARINGS = (
    ("input bearing", "input", "housing", "housing"),
    ("eccentric bearing", "stage1.eccentric", "stage1.disc", "stage1.eccentric"),
    ("output bearing", "stage1.output", "housing", "housing"),
)


@dataclass(frozen=True, slots=True)
class Rolling:
    """A rolling bearing: what turns in what, and its sizes."""

    name: str
    inner: str
    outer: str
    load: str
    count: int
    element_mm: float
    pitch_mm: float


@dataclass(frozen=True, slots=True)
class Machine:
    """Angles of one drive [turns], and what turns with what."""

    lobes: int
    bearings: tuple[Rolling, ...]
    time_s: Array
    eccentric: Array

    def angle(self, body: str) -> Array:
        slow = -self.eccentric / self.lobes
        return {
            "housing": 0 * slow, "input": self.eccentric, "stage1.eccentric": self.eccentric, "stage1.disc": slow,
            "stage1.output": slow,
        }[body]  # fmt: skip


def _drawn(rng: np.random.Generator) -> tuple[Rolling, ...]:
    made = []
    for name, inner, outer, load in BEARINGS:
        slim = name.startswith("output")
        count = int(rng.integers(19, 32) if slim else rng.integers(8, 15))
        pitch = float(rng.uniform(90, 170) if slim else rng.uniform(34, 70))
        ratio = float(rng.uniform(0.62, 0.85)) * np.sin(np.pi / count)
        made.append(Rolling(name, inner, outer, load, count, round(ratio * pitch, 2), round(pitch, 1)))
    return tuple(made)


def _file(machine: Machine, rpm: float) -> str:
    rows = ['tag = "W-2"', "[input]", f"speed_rpm = {rpm:.1f}"]
    rows += [f"speed_range_rpm = [{0.97 * rpm:.1f}, {1.03 * rpm:.1f}]", "power_kw = 3.0", "[[stage]]"]
    rows += ['kind = "cycloidal"', f"lobes = {machine.lobes}", f"ring_pins = {machine.lobes + 1}"]
    rows += ["output_pins = 9", "discs = 2"]
    for one in machine.bearings:
        rows += ["[[bearing]]", f'name = "{one.name}"', f'inner = "{one.inner}"', f'outer = "{one.outer}"']
        rows += [f'load = "{one.load}"', f"elements = {one.count}", f"element_diameter_mm = {one.element_mm}"]
        rows += [f"pitch_diameter_mm = {one.pitch_mm}"]
    return "\n".join(rows) + "\n"


def _events(passing: Array, time_s: Array) -> Array:
    """Times at which an angle goes through whole turns."""
    rising = passing if passing[-1] > passing[0] else -passing
    return np.interp(np.arange(np.ceil(rising[0]), np.floor(rising[-1]) + 1), rising, time_s)


def _rung(rng: np.random.Generator, time_s: Array, at_s: Array, heights: Array) -> Array:
    """Impacts of these peak heights [m/s²], each ringing in three resonances that are drawn."""
    kicks = np.zeros(time_s.size)
    np.add.at(kicks, np.clip(np.round(at_s * RATE_HZ).astype(int), 0, time_s.size - 1), heights)
    ring_s = np.arange(round(0.02 * RATE_HZ)) / RATE_HZ
    answer = np.zeros(ring_s.size)
    for low, high in ((1_500, 3_000), (3_000, 5_000), (5_000, 7_500)):
        hz = rng.uniform(low, high)
        answer += np.exp(-2 * np.pi * hz * 0.025 * ring_s) * np.sin(2 * np.pi * hz * ring_s) * rng.uniform(0.3, 1.0)
    answer /= np.abs(answer).max()
    size = 1 << (time_s.size + ring_s.size).bit_length()
    return np.asarray(np.fft.irfft(np.fft.rfft(kicks, size) * np.fft.rfft(answer, size), size)[: time_s.size])


def _struck(
    rng: np.random.Generator, machine: Machine, passing: Array, size: float, jitter: float, pattern: Array | None = None
) -> Array:
    """Impacts whenever ``passing`` goes through a whole turn; ``jitter`` of their spacing, in time; ``pattern`` of
    heights that comes again and again."""
    at_s = _events(passing, machine.time_s)
    if at_s.size < 2:
        return np.zeros(machine.time_s.size)
    heights = rng.uniform(0.7, 1.3, at_s.size)
    if pattern is not None:
        heights *= np.resize(pattern, at_s.size)
    spacing_s = float(np.median(np.diff(at_s)))
    return _rung(rng, machine.time_s, at_s + jitter * spacing_s * rng.standard_normal(at_s.size), size * heights)


def _race(rng: np.random.Generator, machine: Machine, size: float, part: str, bearing: Rolling) -> Array:
    """A spall on a race, or a cage that strikes the outer ring; louder where the load presses."""
    inner, outer, load = (machine.angle(body) for body in (bearing.inner, bearing.outer, bearing.load))
    r_in, r_out = (bearing.pitch_mm - bearing.element_mm) / 2, (bearing.pitch_mm + bearing.element_mm) / 2
    mean = (r_in * inner + r_out * outer) / (r_in + r_out)
    cage = outer + (mean - outer) * (1 - float(rng.uniform(0.001, 0.008)))
    if part == "cage":
        return _struck(rng, machine, cage - outer, size, 0.004)
    ring = outer if part == "outer_race" else inner
    at_s = _events(bearing.count * (cage - ring) + rng.uniform(), machine.time_s)
    from_load = np.interp(at_s, machine.time_s, ring - load)
    heights = size * rng.uniform(0.8, 1.2, at_s.size) * (0.35 + 0.65 * np.clip(np.cos(2 * np.pi * from_load), 0, None))
    spacing_s = float(np.median(np.diff(at_s)))
    return _rung(rng, machine.time_s, at_s + 0.006 * spacing_s * rng.standard_normal(at_s.size), heights)


def _hum(rng: np.random.Generator, machine: Machine, mm_s2: float) -> Array:
    """Lines and modulated noise of a sound drive of this kind."""
    theta, pins, past = machine.eccentric, machine.lobes + 1, 1 + 1 / machine.lobes
    hum = np.zeros(theta.size)
    for order in (1, 2, 3, pins, 2 * pins, pins - 1, pins + 1, past, 2 * past):
        hum += rng.uniform(0.05, 0.3) * mm_s2 * np.cos(2 * np.pi * (order * theta + rng.uniform()))
    swell = 1 + 0.1 * np.cos(2 * np.pi * (theta + rng.uniform())) + 0.05 * np.cos(2 * np.pi * (past * theta))
    return hum + 0.3 * mm_s2 * rng.standard_normal(theta.size) * swell


def _machine(rng: np.random.Generator, lobes: int, bearings: tuple[Rolling, ...], hz: float, seconds: float) -> Machine:
    time_s = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    rate_hz = rng.uniform(0.2, 0.6)
    wander = 2e-4 * np.sin(2 * np.pi * (rate_hz * time_s + rng.uniform())) / (2 * np.pi * rate_hz)
    return Machine(lobes, bearings, time_s, rng.uniform() + hz * (time_s + wander))


def _around(rng: np.random.Generator, kind: str, machine: Machine, hz: float, size: float) -> tuple[Array, float]:
    """What strikes besides, and how often per turn of the output or of the input."""
    out, time_s = machine.angle("stage1.output"), machine.time_s
    teeth = int(rng.choice([k for k in range(6, 41) if k % machine.lobes and k % (machine.lobes + 1)]))
    own_turns = hz * time_s + 3e-4 * np.sin(2 * np.pi * 0.23 * time_s)
    if kind in ("even chain", "chain"):
        return _struck(rng, machine, teeth * out, size, float(rng.uniform(0.005, 0.05))), teeth
    if kind == "uneven chain":
        pattern = rng.uniform(0.2, 1.0, teeth)
        pattern[rng.integers(teeth)] = rng.uniform(1.5, 3.0)
        return _struck(rng, machine, teeth * out, size, float(rng.uniform(0.005, 0.03)), pattern), teeth
    if kind == "one bad link":
        links = int(rng.integers(2 * teeth, 5 * teeth))
        pattern = np.full(links, 0.25)
        pattern[rng.integers(links)] = 2.0
        return _struck(rng, machine, teeth * out, size, 0.008, pattern), teeth
    low, high = {"slow striker": (0.03, 0.3), "striker": (0.3, 2.2), "two strikes a cycle": (0.1, 1.2)}[kind]
    order = float(np.exp(rng.uniform(np.log(low), np.log(high))))
    pattern = np.array([1.0, rng.uniform(0.3, 0.7)]) if kind.startswith("two") else np.ones(1)
    return _struck(rng, machine, order * own_turns, size, float(rng.uniform(0.003, 0.03)), pattern), order


def made(number: int) -> WorldCase:
    """Capture ``number``: kinds in turn, another drive each time."""
    rng = np.random.default_rng([number, 1313])
    kind, truth = KINDS[number % len(KINDS)]
    lobes, rpm = int(rng.choice([9, 11, 13, 17, 21, 23, 29, 35])), float(rng.uniform(900, 1750))
    hz = rpm * float(rng.uniform(0.985, 1.015)) / 60
    machine = _machine(rng, lobes, _drawn(rng), hz, float(rng.uniform(8, 13)))
    size = float(np.exp(rng.uniform(np.log(1.2), np.log(8.0))))
    damaged: tuple[str, ...] = ()
    impacts, marks = np.zeros(machine.time_s.size), {"size": size}
    around = ""
    if truth == "damaged":
        around = kind.partition(" by ")[2]
        bearing = machine.bearings[int(rng.integers(2))]
        if kind.startswith("pin"):
            part = str(rng.choice(["ring_pin", "lobe"]))
            passing = machine.eccentric if part == "ring_pin" else machine.eccentric * (1 + 1 / lobes)
            one = _struck(rng, machine, passing + rng.uniform(), size, 0.003)
            impacts = impacts + one + _struck(rng, machine, passing + rng.uniform(0.45, 0.55), 0.6 * size, 0.003)
            damaged = ("stage1.ring_pin",) if part == "ring_pin" else ("stage1.lobe", "stage1.output_pin")
        else:
            part = "cage" if kind == "cage" else str(rng.choice(["outer_race", "inner_race"]))
            impacts = impacts + _race(rng, machine, size, part, bearing)
            damaged = (f"bearing.{bearing.name}.{part}",)
    elif kind != "alone":
        around = kind
    if around.startswith("twin"):
        twin_hz = hz * (1 + float(rng.choice([-1, 1])) * float(rng.uniform(0.003, 0.02)))
        twin = _machine(rng, lobes, machine.bearings, twin_hz, machine.time_s[-1] + 1 / RATE_HZ)
        twin = Machine(lobes, machine.bearings, machine.time_s, twin.eccentric[: machine.time_s.size])
        impacts = impacts + _hum(rng, twin, float(rng.uniform(0.3, 0.9)))
        if around == "twin's pin":
            impacts = impacts + _struck(rng, twin, twin.eccentric + rng.uniform(), 0.7 * size, 0.003)
        elif around == "twin's race":
            part = str(rng.choice(["outer_race", "inner_race"]))
            impacts = impacts + _race(rng, twin, 0.7 * size, part, twin.bearings[int(rng.integers(2))])
        marks["twin"] = twin_hz / hz
    elif around:
        if truth == "damaged":
            around = {"chain": "uneven chain"}.get(around, around)
        blows, marks["order"] = _around(rng, around, machine, hz, size * (0.6 if truth == "damaged" else 1.0))
        impacts = impacts + blows
    channels = {}
    for point, reach in (("input side", 1.0), ("output side", 0.7)):
        own = _hum(rng, machine, float(rng.uniform(0.7, 1.2))) + NOISE_M_S2 * rng.standard_normal(machine.time_s.size)
        channels[point] = (reach * impacts + own).astype(np.float32)
    return WorldCase(
        name=f"driven {number}", kind=kind, truth=truth, drive_toml=_file(machine, rpm), channels=channels,
        sample_rate_hz=RATE_HZ, speed_hz=hz, damaged=damaged, marks=marks,
    )  # fmt: skip
