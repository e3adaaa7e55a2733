"""Cycloidal drives made from body angles, and good recordings of them that could be mistaken for spoilt ones.

All that moves here moves the sensor: neighbours, blows at the rates of radios, triangular and square forces. Equal
numbers give equal samples.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import signal as sp

Floats = NDArray[np.floating[Any]]
GSM_FRAME_S, TETRA_FRAME_S, BEACON_S = 0.120 / 26, 0.17 / 3, 0.1024


@dataclass(frozen=True)
class Machine:
    """A drive of one cycloidal stage with a fixed ring; with a sun, its cranks are turned by planets."""

    tag: str
    lobes: int
    output_pins: int = 8
    discs: int = 2
    speed_rpm: float = 1458.0
    sun: int = 0
    planet: int = 0
    cranks: int = 3
    elements: int = 11
    damage: str = ""
    wander: float = 2e-4  # relative wander of the speed

    @property
    def gamma(self) -> float:
        """Diameter of an element of the eccentric's bearing over that of its pitch circle."""
        return 0.25

    def turns(self, source: Floats) -> dict[str, Floats]:
        """Turns of source, eccentric, disc and output for turns of the input."""
        if self.sun:
            carrier = source / (1 + self.planet / self.sun * (self.lobes + 1))
            eccentric = carrier - (source - carrier) * self.sun / self.planet
            return {"input": source, "eccentric": eccentric, "disc": carrier, "output": carrier}
        return {"input": source, "eccentric": source, "disc": -source / self.lobes, "output": -source / self.lobes}

    def counters(self, source: Floats) -> dict[str, Floats]:
        """What has come round how often, for turns of the input."""
        body = self.turns(source)
        relative = np.abs(body["eccentric"] - body["disc"])
        eccentric = np.abs(body["eccentric"])
        race = 0.5 * self.elements * relative
        out = {
            "shaft": source, "eccentric": eccentric, "ring pin": eccentric, "lobe": relative, "output pin": relative,
            "mesh": (self.lobes + 1) * eccentric,
            "output pass": (self.cranks if self.sun else self.output_pins) * relative,
            "outer race": race * (1 - self.gamma), "inner race": race * (1 + self.gamma),
            "cage": 0.5 * (1 - self.gamma) * relative,
        }  # fmt: skip
        if self.sun:
            out["gear mesh"] = self.sun * np.abs(body["input"] - body["output"])
        return out

    def tones(self) -> dict[str, float]:
        """Frequencies [Hz] at the drive's speed."""
        return {k: float(v) for k, v in self.counters(np.array(self.speed_rpm / 60)).items()}

    def at(self, part: str, hz: float) -> Machine:
        """The same drive at the speed at which a part comes round so often."""
        return replace(self, speed_rpm=self.speed_rpm * hz / self.tones()[part])

    def to_toml(self) -> str:
        """The drive's description in tables."""
        rpm, poles = self.speed_rpm, 2 if self.speed_rpm > 2000 else 4 if self.speed_rpm > 1100 else 6
        kind = "rv" if self.sun else "cycloidal"
        more = f"sun_teeth = {self.sun}\nplanet_teeth = {self.planet}\ncranks = {self.cranks}\n" if self.sun else ""
        pins = "" if self.sun else f"output_pins = {self.output_pins}\n"
        inner = "stage1.crank" if self.sun else "stage1.eccentric"
        return (
            f'tag = "{self.tag}"\nname = "drive {self.tag}"\n[input]\nspeed_rpm = {rpm:.2f}\n'
            f"speed_range_rpm = [{rpm * 0.975:.1f}, {rpm * 1.025:.1f}]\npower_kw = 4.0\n"
            f"[motor]\npoles = {poles}\nline_hz = {rpm * poles / 120 * 1.02:.2f}\n[[stage]]\n"
            f'kind = "{kind}"\n{more}lobes = {self.lobes}\nring_pins = {self.lobes + 1}\n{pins}discs = {self.discs}\n'
            f'fixed = "ring"\n[[bearing]]\nname = "eccentric bearing"\ninner = "{inner}"\nouter = "stage1.disc"\n'
            f'load = "{inner}"\nelements = {self.elements}\nelement_diameter_mm = 9.0\npitch_diameter_mm = 36.0\n'
        )


MACHINES = (
    Machine("A-17", 17), Machine("B-29", 29, 10, 2, 1471.0, damage="outer race"), Machine("C-11", 11, 6, 2, 1442.0),
    Machine("D-43", 43, 12, 2, 978.0, damage="lobe"), Machine("E-39", 39, 8, 2, 1530.0, 10, 38, 3, 12),
    Machine("F-15", 15, 8, 2, 2890.0, damage="ring pin"), Machine("G-21", 21, 8, 3, 1463.0, damage="inner race"),
)  # fmt: skip


@dataclass
class Rig:
    """A drive that runs, its path to the sensor, and what else strikes or pushes there."""

    machine: Machine
    rate: float
    seconds: float
    rng: np.random.Generator
    clock: float = 1.0  # true seconds per second of the recorder
    turns: Floats = field(init=False)
    path: Floats = field(init=False)
    n: int = field(init=False)
    t: Floats = field(init=False)

    def __post_init__(self) -> None:
        """Lay out time, angle and path."""
        self.n = round(self.rate * self.seconds)
        self.t = np.arange(self.n) / self.rate * self.clock
        knots = np.arange(0, self.seconds + 2, 0.7)
        walk = np.interp(self.t, knots, self.rng.normal(size=knots.size))
        self.turns = np.cumsum(self.machine.speed_rpm / 60 * (1 + self.machine.wander * walk)) * self.clock / self.rate
        self.turns += self.rng.uniform()
        self.path = self.new_path()

    def new_path(self, top_hz: float = 11_000.0) -> Floats:
        """Acceleration for a unit blow: a dozen damped modes, and stiffness below the lowest."""
        top = min(0.42 * self.rate, top_hz)
        hz = np.concatenate([self.rng.uniform(180, 900, 4), np.geomspace(900, top, 9) * self.rng.uniform(0.9, 1.1, 9)])
        t = np.arange(round(0.06 * self.rate)) / self.rate
        damping, size = self.rng.uniform(0.02, 0.05, hz.size), self.rng.normal(size=hz.size) * (hz / 1000) ** 0.3
        modes = size[:, None] * np.exp(-2 * np.pi * (damping * hz)[:, None] * t) * np.sin(2 * np.pi * hz[:, None] * t)
        return np.asarray(sp.sosfilt(sp.butter(2, 350, "highpass", fs=self.rate, output="sos"), modes.sum(0)))

    def push(self, force: Floats, path: Floats | None = None) -> Floats:
        """What a force makes at the sensor."""
        return np.asarray(sp.fftconvolve(force, self.path if path is None else path)[: self.n])

    def strike(self, times: Floats, heights: Floats | float = 1.0, path: Floats | None = None) -> Floats:
        """What blows at given times make at the sensor."""
        force, at = np.zeros(self.n + 2), np.asarray(times) / self.clock * self.rate
        heights = np.broadcast_to(np.asarray(heights, float), at.shape)
        keep = (at >= 0) & (at < self.n)
        low = at[keep].astype(int)
        np.add.at(force, low, heights[keep] * (1 - at[keep] + low))
        np.add.at(force, low + 1, heights[keep] * (at[keep] - low))
        return self.push(force[: self.n], path)

    def crossings(self, counter: Floats, offset: float = 0.0) -> Floats:
        """Times at which a counter passes a whole number."""
        marks = np.arange(np.ceil(counter[0] - offset), counter[-1] - offset) + offset
        return np.asarray(np.interp(marks, counter, self.t))

    def every(self, period: float, jitter: float = 0.0, lot: float | None = None) -> Floats:
        """Times at a period, from a chance start."""
        times = np.arange((self.rng.uniform() if lot is None else lot) * period, self.t[-1], period)
        return times + jitter * self.rng.normal(size=times.size)

    def noise(self, low: float, high: float) -> Floats:
        """Noise of unit power between two frequencies."""
        sos = sp.butter(2, [low, min(high, 0.45 * self.rate)], "bandpass", fs=self.rate, output="sos")
        return unit(np.asarray(sp.sosfilt(sos, self.rng.normal(size=self.n))))

    def drive(self, level: float = 1.5, size: float = 1.0, hiss: float = 0.004) -> Floats:
        """Vibration of the drive [m/s²]: shafts, mesh with errors of pins and lobes, rolling noise, and its damage."""
        m, rng, c = self.machine, self.rng, self.machine.counters(self.turns)
        table = rng.normal(size=(2, m.lobes + 1)) * 0.3
        errors = table[0][np.floor((c["ring pin"] % 1) * (m.lobes + 1)).astype(int)]
        errors = errors + table[1][np.floor((c["lobe"] % 1) * m.lobes).astype(int)]
        force, turn = np.zeros(self.n), 2 * np.pi
        for disc in range(m.discs):
            phase, load = disc / m.discs, rng.uniform(0.8, 1.2)
            for h in range(1, 5):
                angle = turn * h * (c["mesh"] + phase * (m.lobes + 1)) + rng.uniform(0, 6)
                force += load * rng.uniform(0.4, 1) / h * np.cos(angle)
        force *= 1 + errors
        force += 0.3 * np.cos(turn * c["output pass"] + 1) + 0.1 * np.cos(turn * 2 * c["output pass"])
        if m.sun:
            force += 0.6 * np.cos(turn * c["gear mesh"]) + 0.3 * np.cos(turn * 2 * c["gear mesh"] + 1)
        rolling = self.noise(300, 12_000) * (1 + 0.4 * np.cos(turn * c["mesh"])) * 0.35
        smooth = np.asarray(sp.sosfilt(sp.butter(2, min(4000, 0.4 * self.rate), fs=self.rate, output="sos"), force))
        out: Floats = unit(self.push(smooth)) + unit(self.push(rolling)) * 0.6
        out += 0.15 * np.cos(turn * c["shaft"]) + 0.08 * np.cos(turn * 2 * c["shaft"] + 1)
        if m.damage:
            times = self.crossings(c[m.damage], 0.3)
            round_the_disc = 0.8 if m.damage == "outer race" else 0.0
            pull = 1 + round_the_disc * np.cos(turn * np.interp(times, self.t, c["lobe"]))
            blows = self.strike(times, pull * rng.uniform(0.9, 1.1, times.size), self.new_path())
            out += blows * size * 6 / np.quantile(np.abs(blows), 0.999)
        return np.asarray(level * out + hiss * rng.normal(size=self.n))


def unit(x: Floats) -> Floats:
    """The same with mean square 1."""
    return np.asarray(x / max(float(np.sqrt(np.mean(x * x))), 1e-12))


@dataclass(frozen=True)
class Recording:
    """A recording in counts, and the truth about it: good, spoilt (harmful), harmless or between."""

    name: str
    kind: str
    strength: float
    truth: str
    cause: str
    machine: Machine
    rate_hz: float
    unit: str
    counts: NDArray[np.int32]
    scale: float
    marks: dict[str, float]

    @property
    def signal(self) -> Floats:
        """The samples in their unit."""
        return self.counts * self.scale


def boxes(rig: Rig, starts: Floats, widths: Floats | float, heights: Floats | float = 1.0) -> Floats:
    """Sum of rectangular pulses, averaged over each sample."""
    fine, rate = np.zeros(4 * rig.n + 1), 4 * rig.rate / rig.clock
    starts, widths, heights = np.broadcast_arrays(np.asarray(starts, float), widths, heights)
    np.add.at(fine, np.clip(np.rint(starts * rate), 0, 4 * rig.n).astype(int), heights)
    np.add.at(fine, np.clip(np.rint((starts + widths) * rate), 0, 4 * rig.n).astype(int), -np.asarray(heights))
    return np.asarray(np.cumsum(fine[:-1]).reshape(-1, 4).mean(1))


def recorded(
    x: Floats,
    rig: Rig,
    name: tuple[str, float, str, str],
    marks: dict[str, float],
    bits: int = 16,
    full_scale: float = 0.0,
) -> Recording:
    """What a recorder stores: counts of a range that is twice the peak unless given."""
    full = full_scale or float(2.0 ** np.ceil(np.log2(1.6 * np.abs(x).max())))
    top = 2 ** (bits - 1)
    counts = np.clip(np.rint(x / full * top), -top, top - 1).astype(np.int32)
    kind, strength, truth, cause = name
    return Recording(
        f"{kind} {strength:g} {rig.machine.tag}", kind, strength, truth, cause, rig.machine, rig.rate, "m/s^2", counts,
        full / top, marks | rig.machine.tones(),
    )  # fmt: skip


def tuned(part: str, hz: float) -> Callable[[Machine], Machine]:
    """A drive, damaged at a part, that runs in step at the speed at which this part comes round so often."""
    return lambda m: replace(m.at(part, hz), damage=part, wander=1e-7)


def with_motion(motion: Callable[[Rig], Floats]) -> Callable[[Rig, float], Floats]:
    """A drive and another motion of the housing, by its effective value over the drive's."""

    def make(rig: Rig, s: float) -> Floats:
        x = rig.drive()
        return np.asarray(x + s * float(np.std(x)) * unit(motion(rig)))

    return make


def alone(rig: Rig, s: float) -> Floats:
    """A drive alone, with damage of a size."""
    return rig.drive(size=s)


def blows(period: float, jitter: float = 0.0, width: float = 0.0) -> Callable[[Rig], Floats]:
    """Another machine that strikes at a period, or presses for so long each time."""

    def make(rig: Rig) -> Floats:
        times = rig.every(period, jitter * period)
        if width:
            return rig.push(np.gradient(boxes(rig, times, width)), rig.new_path()) + 0.02 * rig.noise(500, 9000)
        return rig.strike(times, rig.rng.uniform(0.85, 1.15, times.size), rig.new_path())

    return make


def bursts(period: float, width: float) -> Callable[[Rig], Floats]:
    """Air or water that hisses against the housing for a part of each period."""
    return lambda rig: rig.push(rig.noise(800, 9000) * boxes(rig, rig.every(period), width))


def hammer_mill(rig: Rig) -> Floats:
    """Hammers at four per turn of 2 970 r/min, and what they break."""
    t = rig.every(60 / 2970 / 4, 2e-4)
    stones = np.sort(rig.rng.uniform(0, rig.t[-1], int(60 * rig.seconds)))
    path, size = rig.new_path(5000), rig.rng.lognormal
    return rig.strike(t, size(0, 0.5, t.size), path) + rig.strike(stones, size(0, 0.8, stones.size), path)


def triangular(hz: float) -> Callable[[Rig], Floats]:
    """A feeder that swings in triangles, of acceleration itself."""
    return lambda rig: sp.sawtooth(2 * np.pi * hz * rig.t + 1, 0.5) + 0.01 * rig.noise(200, 8000)


def square_torque(rig: Rig) -> Floats:
    """Torque of an inverter in six steps at 47 Hz."""
    angle = 2 * np.pi * 47.0 * rig.t
    return rig.push(np.sign(np.cos(angle * 6)) + np.sign(np.cos(angle * 2 + 1)) * 0.4)


def carrier(rig: Rig) -> Floats:
    """Iron of a motor that sings at 4 kHz with the supply's side lines."""
    t = 2 * np.pi * rig.t
    sides = (-4, -2, -1, 1, 2, 4)
    return np.asarray(sum(np.cos(t * (k * 4000 + j * 48.6) + k + j) / k**1.3 for k in (1, 2) for j in sides))


def hum(rig: Rig) -> Floats:
    """Iron that pulls at twice the mains and its multiples."""
    return np.asarray(sum(np.cos(2 * np.pi * 100 * k * rig.t + k) / k**1.5 for k in range(1, 6)))


def welding(rig: Rig) -> Floats:
    """Welding on the same frame: spatter at 60 to 120 per second while the arc burns, and a chipping hammer."""
    times = np.cumsum(rig.rng.exponential(1 / 90, int(90 * rig.seconds)))
    times = times[(times % 4) < 2.4]
    return rig.strike(times, rig.rng.lognormal(0, 0.5, times.size), rig.new_path()) + 0.02 * rig.noise(500, 9000)


def stick_slip(rig: Rig) -> Floats:
    """A seal that sticks and slips some 30 times a second."""
    times = np.cumsum(rig.rng.normal(1 / 31, 1.5e-3, int(31 * rig.seconds)))
    saw = sp.sawtooth(2 * np.pi * np.interp(rig.t, times, np.arange(times.size)))
    return rig.push(saw) + rig.strike(times, 1.0)


def held_blows(rig: Rig, s: float) -> Floats:
    """Blows of a race that a stop limits: all of one height, flat where two parts lie against each other."""
    rig.machine = replace(rig.machine, damage="outer race")
    v = rig.drive(size=s)
    top = float(np.quantile(np.abs(v), 0.9995))
    soft = top * np.tanh(v / top)
    rounded = sp.sosfiltfilt(sp.butter(2, 0.3 * rig.rate, fs=rig.rate, output="sos"), soft)
    return np.asarray(rounded + rig.noise(1000, 9000) * 0.02)


def whine(hz: float) -> Callable[[Rig], Floats]:
    """A turbine or pump that whines in one tone."""
    return lambda rig: np.cos(2 * np.pi * hz * rig.t) + 0.1 * np.cos(4 * np.pi * hz * rig.t)


def engine(rig: Rig) -> Floats:
    """A stationary engine at 1 000 r/min: four strokes, half orders at 8.33 Hz."""
    turn = np.cumsum(1000 / 60 * (1 + 2e-4 * rig.noise(0.2, 2))) / rig.rate
    heights = np.tile([1.0, 0.7, 0.9, 0.8], int(rig.seconds * 10) + 5)
    times = rig.crossings(turn * 2)
    return rig.strike(times, heights[: times.size], rig.new_path(4000)) + 0.3 * rig.push(np.cos(np.pi * turn))


def rattle(rig: Rig) -> Floats:
    """A guard that rattles on its bolts: blows in trains of eight, then rest, at 0.48 s."""
    starts = rig.every(0.48)
    times = (starts[:, None] + np.arange(8) * GSM_FRAME_S).ravel()
    return rig.strike(np.sort(times), 1.0, rig.new_path())


def beam(rig: Rig) -> Floats:
    """A rake's arm that passes each 2.5 s and is scraped for a moment."""
    times = rig.every(2.5)
    level = sum(np.exp(-0.5 * ((rig.t - a) / 0.02) ** 2) for a in times)
    return rig.push(rig.noise(500, 8000) * level)


Motion = Callable[[Rig, float], Floats]
Change = Callable[[Machine], Machine]
same: Change = lambda m: m  # noqa: E731
GOOD: tuple[tuple[str, Motion, Change, tuple[float, ...], dict[str, float]], ...] = (
    ("alone", alone, same, (0.3, 1.0, 3.0, 8.0), {}),
    ("race at 216.68 Hz", alone, tuned("outer race", 1 / GSM_FRAME_S), (0.5, 1.5, 4.0, 10.0), {}),
    ("inner race at 216.68 Hz", alone, tuned("inner race", 1 / GSM_FRAME_S), (0.5, 2.0, 8.0), {}),
    ("lobe at 17.65 Hz", alone, tuned("lobe", 1 / TETRA_FRAME_S), (0.5, 1.5, 4.0, 10.0), {}),
    ("ring pin at 16.67 Hz", alone, tuned("ring pin", 1 / 0.06), (0.5, 2.0, 8.0), {}),
    ("cage at 8.33 Hz", alone, tuned("cage", 1 / 0.12), (1.0, 4.0), {}),
    ("cage at 9.77 Hz", alone, tuned("cage", 1 / BEACON_S), (1.0, 4.0), {}),
    ("race at 100 Hz", alone, tuned("outer race", 100.0), (0.5, 2.0, 8.0), {}),
    ("mesh at 216.68 Hz", alone, lambda m: replace(m.at("mesh", 1 / GSM_FRAME_S), wander=1e-7), (1.0, 3.0), {}),
    ("blows at 216.68 Hz", with_motion(blows(GSM_FRAME_S)), same, (0.3, 1.0, 3.0, 10.0), {"blow": 1 / GSM_FRAME_S}),
    ("blows at 17.65 Hz", with_motion(blows(TETRA_FRAME_S)), same, (0.3, 1.0, 3.0, 10.0), {"blow": 1 / TETRA_FRAME_S}),
    ("presses at 17.65 Hz", with_motion(blows(TETRA_FRAME_S, 0, 0.014)), same, (0.3, 1.0, 3.0, 10.0), {}),
    ("presses at 216.68 Hz", with_motion(blows(GSM_FRAME_S, 0, 0.000577)), same, (0.3, 1.0, 3.0), {}),
    ("blows at 100 Hz", with_motion(blows(0.01)), same, (0.3, 1.0, 4.0), {}),
    ("blows at 9.77 Hz", with_motion(blows(BEACON_S, 1e-4)), same, (0.3, 1.0, 4.0), {}),
    ("blows at 8.33 Hz", with_motion(blows(0.12, 2e-5)), same, (0.3, 1.0, 4.0), {}),
    ("hiss in pieces at 216.68 Hz", with_motion(bursts(GSM_FRAME_S, 0.000577)), same, (0.3, 1.0, 4.0), {}),
    ("hiss in pieces at 17.65 Hz", with_motion(bursts(TETRA_FRAME_S, TETRA_FRAME_S / 4)), same, (0.3, 1.0, 4.0), {}),
    ("hammer mill", with_motion(hammer_mill), same, (0.3, 1.0, 3.0, 10.0), {"hammers": 198.0}),
    ("triangles at 25 Hz", with_motion(triangular(25.0)), same, (1.0, 4.0, 15.0), {}),
    ("triangles at 230 Hz", with_motion(triangular(230.0)), same, (1.0, 4.0, 15.0, 60.0), {}),
    ("triangles at 1 900 Hz", with_motion(triangular(1900.0)), same, (1.0, 4.0, 15.0), {}),
    ("square torque", with_motion(square_torque), same, (0.5, 2.0, 6.0), {"ripple": 282.0}),
    ("carrier", with_motion(carrier), same, (0.5, 2.0, 6.0), {"carrier": 4000.0}),
    ("hum of iron", with_motion(hum), same, (0.2, 1.0, 3.0), {"hum": 100.0}),
    ("welding", with_motion(welding), same, (0.3, 1.0, 4.0), {}),
    ("stick-slip", with_motion(stick_slip), same, (0.5, 2.0, 6.0), {}),
    ("blows held by a stop", held_blows, same, (2.0, 6.0, 12.0, 20.0), {}),
    ("whine at 5.1 kHz", with_motion(whine(5100.0)), same, (1.0, 4.0, 15.0), {}),
    ("whine at 2.3 kHz", with_motion(whine(2300.0)), same, (1.0, 4.0, 15.0), {}),
    ("engine", with_motion(engine), same, (0.5, 2.0, 6.0), {"half order": 25 / 3}),
    ("rattle in trains", with_motion(rattle), same, (0.5, 2.0, 5.0), {}),
    ("rotor at 16.67 Hz", with_motion(whine(1000 / 60)), same, (1.0, 4.0), {}),
    ("arm that passes", with_motion(beam), same, (0.5, 2.0, 6.0), {}),
    ("slow recorder", alone, same, (1.0, 3.0, 6.0), {"rate": 2560.0}),
    ("recorder at 5 kHz", with_motion(hammer_mill), same, (1.0, 3.0), {"rate": 5120.0}),
    ("few counts", alone, same, (1.0, 4.0, 10.0), {"counts": 12.0}),
    ("eight bits", alone, same, (1.0, 3.0), {"bits": 8.0}),
    ("fast recorder", with_motion(square_torque), same, (0.5, 3.0), {"rate": 51200.0}),
    ("clock 80 ppm off", with_motion(blows(GSM_FRAME_S, 1e-5)), same, (1.0, 4.0), {"clock": 1 + 8e-5}),
)  # fmt: skip
GOOD_CASES = tuple((row, strength) for row in GOOD for strength in row[3])


def good(number: int) -> Recording:
    """Good recording of a number below len(GOOD_CASES); higher numbers give other drives and chances of the same."""
    (kind, make, change, _, marks), strength = GOOD_CASES[number % len(GOOD_CASES)]
    rng = np.random.default_rng([11, number])
    machine = change(MACHINES[(number * 3 + number // len(MACHINES)) % len(MACHINES)])
    rate = marks.get("rate") or (25_600.0, 20_000.0, 48_000.0, 25_600.0)[number % 4]
    rig = Rig(machine, rate, 40.0 if machine.sun and rate < 6000 else 12.0, rng, marks.get("clock", 1.0))
    x = make(rig, strength)
    full = float(np.std(x)) * 2**15 / (marks["counts"] * strength) if "counts" in marks else 0.0
    return recorded(x, rig, (kind, strength, "good", ""), marks, int(marks.get("bits", 16)), full)
