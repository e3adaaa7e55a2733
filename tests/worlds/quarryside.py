"""A quarry and its yard: drives of screens, hoists, worms and bucket wheels, among crushers, idlers and pumps.

Drives and their damage are in ``quarry_bench.py``. Here is what stands around them, what they turn, and which captures
there are: every kind once in the first half and once in the second.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from scipy import fft

from tests.worlds.case import Truth, WorldCase
from tests.worlds.quarry_bench import (
    Array,
    Bearing,
    Bench,
    Reals,
    a_bench,
    a_machine,
    errors,
    harm_bearing,
    harm_lobe,
    harm_output_pin,
    harm_pin,
    harm_roller,
    harm_tooth,
    hum,
    meeting,
    passes,
    run,
    slow_walk,
    zone,
)

COUNT = 120
SEED = 20717


# What stands around


def _rotor(b: Bench, hz: float) -> Array:
    """Angle of another machine's shaft, on a clock of its own."""
    rng = b.rng
    swing = float(rng.uniform(1e-4, 8e-4))
    t = b.time
    found: Array = hz * (t + swing / 3 * np.sin(2 * np.pi * (float(rng.uniform(0.1, 0.5)) * t + rng.random())))
    return found + float(rng.random())


def _strange_hz(b: Bench, low: float, high: float) -> float:
    """A rate of events [Hz] that is no part's of the drive, no small multiple or fraction of one either."""
    own = [v * b.speed_hz for v in b.machine.own_orders().values()]
    for _ in range(500):
        hz = float(b.rng.uniform(low, high))
        ratios = [r for v in own if v > 0 for r in (hz / v, v / hz) if 0.6 < r < 4.5]
        if all(abs(r / round(r) - 1) > 0.018 for r in ratios):
            break
    return hz


def _foreign_count(b: Bench, choices: tuple[int, ...]) -> int:
    """One of the counts that are no part of the drive's."""
    own = (b.machine.pins, b.machine.lobes)
    return int(b.rng.choice([c for c in choices if all(z % c for z in own)] or [7]))


def _still(b: Bench, *, hum: bool = True) -> None:
    """The drive at rest: what the ground brings."""
    b.add_lines(b.noise(), "frame", b.level * float(b.rng.uniform(0.1, 0.4)))
    if hum and b.rng.random() < 0.5:
        t = b.time
        b.add(np.cos(2 * np.pi * 100 * t) + 0.3 * np.cos(2 * np.pi * 50 * t), "floor", b.level * 0.05)


def _harmonics(b: Bench, turns: Array, orders: dict[float, float], path: str, rms: float) -> None:
    total = np.zeros(b.samples, dtype=np.float32)
    for order, size in orders.items():
        phase = np.mod(order * turns + b.rng.random(), 1).astype(np.float32)
        total += np.float32(size) * np.cos(np.float32(2 * np.pi) * phase)
    b.add(total, path, rms)


def _screen(b: Bench, rms: float, decibels: float) -> None:
    """Vibrating screen: two unbalanced shafts, springs that are not straight, stones that jump once a stroke."""
    rng = b.rng
    turns = _rotor(b, _strange_hz(b, 14.2, 17.8))
    _harmonics(b, turns, {k: float(rng.uniform(0.3, 1)) / k**1.2 for k in range(1, 14)}, "floor", rms)
    times, _ = passes(turns, b.rate_hz)
    stones = np.concatenate([times + rng.normal(0, 0.009, times.size) for _ in range(6)])
    b.strikes(stones, rng.exponential(1, stones.size), "floor", decibels, width_s=9e-5)


def _idlers(b: Bench, rms: float, decibels: float) -> None:
    """Belt conveyor: idlers that are not round, one with a spalled outer ring of its own."""
    rng = b.rng
    belt_m_s = float(rng.uniform(1.5, 2.8))
    for diameter in rng.choice([0.108, 0.133, 0.159], 3):
        turns = _rotor(b, belt_m_s / (math.pi * float(diameter) * float(rng.uniform(0.97, 1.0))))
        _harmonics(b, turns, {k: float(rng.uniform(0.3, 1)) / k for k in range(1, 9)}, "steel", rms / 1.7)
    roll = Bearing("idler", "input", "housing", "housing", 8, 7.94, 33.5 * float(rng.uniform(0.97, 1.04)))
    per_turn = 8 * abs(roll.cage(0.0, 1.0) - 1.0)
    turns = _rotor(b, _strange_hz(b, 12.0, 26.0) / per_turn)
    times, n = passes(per_turn * turns, b.rate_hz)
    sizes = (0.4 + zone(turns[(times * b.rate_hz).astype(int)], 0.5)) * (1 + errors(rng, n.size, 0.2))
    b.strikes(times + rng.normal(0, 3e-4, n.size), sizes, "steel", decibels)


def _crusher(b: Bench, decibels: float) -> None:
    """Jaw crusher: four or five blows a second, each a heap of cracks."""
    rng = b.rng
    times, _ = passes(_rotor(b, float(rng.uniform(3.8, 5.2))), b.rate_hz)
    cracks, sizes = [], []
    for blow in times + rng.normal(0, 0.008, times.size):
        count = int(rng.integers(8, 30))
        cracks.append(blow + np.cumsum(rng.exponential(0.004, count)))
        sizes.append(float(rng.uniform(0.3, 1)) * rng.exponential(1, count) * np.exp(-np.arange(count) / 10))
    b.strikes(np.concatenate(cracks), np.concatenate(sizes), "floor", decibels, width_s=2e-4)


def _gear_pump(b: Bench, rms: float) -> None:
    """Gear pump of a hydraulic pack: teeth push oil, once more and once less a turn where the gears run out."""
    rng = b.rng
    teeth = int(rng.choice([9, 10, 12, 13, 14]))
    turns = _rotor(b, float(rng.choice([24.2, 24.5, 48.9])) * float(rng.uniform(0.995, 1.005)))
    orders: dict[float, float] = {1: 0.3, 2: 0.1}
    for k in range(1, 9):
        size = float(rng.uniform(0.3, 1)) / k**0.7
        orders |= {k * teeth - 1: 0.15 * size, k * teeth: size, k * teeth + 1: 0.15 * size}
    _harmonics(b, turns, orders, "steel", rms)


def _helical_gear(b: Bench, rms: float) -> None:
    """A hoist with two helical steps: it lifts, waits and lowers."""
    rng = b.rng
    turns = _rotor(b, float(rng.uniform(23.6, 24.8)))
    first, wheel, second = (int(rng.choice(c)) for c in ([19, 23, 26], [83, 91, 97], [17, 20, 22]))
    middle = first / wheel
    orders: dict[float, float] = {1: 0.3, middle: 0.2}
    for k in range(1, 6):
        for mesh, shaft in ((first, 1.0), (first, middle), (second * middle, middle)):
            orders |= {k * mesh + side * shaft: 0.25 / k for side in (-1, 1)} | {float(k * mesh): 1.0 / k}
    lifts = 0.65 + 0.35 * np.tanh(np.sin(2 * np.pi * b.time / (0.6 * b.seconds) + rng.random()) * 8)
    total = np.zeros(b.samples)
    for order, size in orders.items():
        total += size * np.cos(2 * np.pi * (order * turns + rng.random()))
    b.add(lifts * total, "steel", rms)


def _weather(b: Bench, rms: float) -> None:
    """Gusts that shake the gantry, and rain on the cover."""
    rng = b.rng
    gust = np.interp(b.time, np.arange(0, b.seconds + 2, 0.7), rng.gamma(2.0, 0.5, int((b.seconds + 2) / 0.7) + 1))
    b.add(gust * np.cumsum(rng.standard_normal(b.samples) - 0.0) * 1e-3, "frame", rms * 0.3)
    b.add(gust * rng.standard_normal(b.samples), "frame", rms)
    drops = np.sort(rng.uniform(0, b.seconds, int(float(rng.uniform(20, 120)) * b.seconds)))
    b.strikes(drops, rng.lognormal(0, 0.8, drops.size), "cover", float(rng.uniform(9, 16)))


def _steps(b: Bench, decibels: float) -> None:
    """Somebody walks over the grating, comes and goes."""
    rng = b.rng
    times, n = passes(_rotor(b, float(rng.uniform(1.6, 2.1))), b.rate_hz)
    heel = times + rng.normal(0, 0.02, times.size)
    toe = heel + rng.normal(0.16, 0.015, times.size)
    near = np.exp(-(((heel / b.seconds - rng.uniform(0.3, 0.7)) / 0.3) ** 2)) * (1 + 0.2 * (n % 2))
    b.strikes(np.concatenate([heel, toe]), np.concatenate([near, 0.5 * near]), "floor", decibels, width_s=6e-4)


def _sparks(b: Bench, decibels: float, *, regular: bool) -> None:
    """Pulses of current on the cables: of a heater's controller twice a period, or at random through oil."""
    rng = b.rng
    if regular:
        angle = 100.0 * (1 + float(rng.normal(0, 2e-4))) * b.time + 0.02 * np.sin(2 * np.pi * 0.3 * b.time)
        times, n = passes(angle, b.rate_hz, float(rng.random()))
        sizes = np.where(n % 2, 1.0, -0.8)
    else:
        times = np.sort(rng.uniform(0, b.seconds, int(60 * b.seconds)))
        sizes = rng.choice([-1, 1], times.size) * rng.lognormal(0, 0.4, times.size)
    index = (times * b.rate_hz).astype(np.int64)
    index = index[index < b.samples - 4]
    for k, point in enumerate(b.points):
        here = np.zeros(b.samples)
        spectrum = b.lines.get(point)
        floor = b.rms(spectrum) if spectrum is not None else b.level * 0.1
        peak = floor * 10 ** (decibels / 20) * (1.0 if k == 0 else float(rng.uniform(0.1, 0.7)))
        for lag, share in ((0, 1.0), (1, -0.6), (2, 0.25)):
            np.add.at(here, index + lag, share * peak * sizes[: index.size])
        b.direct[point] = b.direct.get(point, np.zeros(b.samples)) + here


def _screws(b: Bench, rms: float) -> None:
    """Screw compressor: four lobes against six, many multiples, and its own motor's turn."""
    rng = b.rng
    turns = _rotor(b, float(rng.uniform(48.3, 49.6)))
    orders: dict[float, float] = {1: 0.4, 4 / 6: 0.2}
    for k in range(1, 16):
        size = float(rng.uniform(0.3, 1)) / k**0.4
        orders |= {4 * k: size, 4 * k - 1: 0.1 * size, 4 * k + 1: 0.1 * size}
    _harmonics(b, turns, orders, "steel", rms)


def _other_reducer(b: Bench, rms: float) -> None:
    """A cycloidal drive of another count, at a speed of its own, on the same frame."""
    rng, m = b.rng, b.machine
    near = {m.pins - 3, m.pins - 2, m.pins + 2, m.pins + 3, 9, 12, 14, 18, 23, 26, 33, 41, 47}
    away = [
        z for z in sorted(near)
        if 8 < z < 60 and all(abs(k * z / (j * m.pins) - 1) > 0.03 for k in range(1, 9) for j in (1, 2))
    ]  # fmt: skip
    pins = int(rng.choice(away))
    turns = _rotor(b, b.speed_hz * float(rng.uniform(0.985, 1.012)))
    total = np.zeros(b.samples)
    pitch = (errors(rng, pins, 0.08), errors(rng, pins - 1, 0.08))
    for d in range(2):
        force = meeting(pins * (turns + d / 2), pitch, 3.0)
        total += force * (1 + 0.6 * np.cos(2 * np.pi * (turns + d / 2)))
    b.add(total, "steel", rms)
    _harmonics(b, turns, {1: 1.0, 2: 0.3}, "steel", rms * 0.5)


def _blower(b: Bench, rms: float) -> None:
    """Blower of a hood: vanes and turbulence."""
    rng = b.rng
    turns = _rotor(b, float(rng.uniform(46.5, 49.5)))
    vanes = int(rng.choice([7, 8, 9, 11]))
    _harmonics(b, turns, {1: 1.0, 2: 0.3, vanes: 0.8, 2 * vanes: 0.4, 3 * vanes: 0.2}, "cover", rms)
    b.add_lines(b.noise(), "cover", rms)


def _motor_alone(b: Bench, rms: float) -> None:
    """The motor turns behind a coupling whose element is gone: fan, rotor bars, magnets, and nothing behind it."""
    rng = b.rng
    pairs = b.machine.poles / 2
    turns = _rotor(b, b.supply_hz / pairs * float(rng.uniform(0.996, 0.999)))
    bars = int(rng.choice([28, 34, 40]))
    fan = int(rng.choice([5, 6, 7]))
    _harmonics(b, turns, {1: 1.0, 2: 0.4, 3: 0.15, fan: 0.3, 2 * fan: 0.1}, "shaft", rms)
    t = b.time
    for side in (-2, 0, 2):
        b.add(np.cos(2 * np.pi * (bars * turns + side * b.supply_hz * t)), "shaft", rms * 0.2)
    hum(b, rms * 0.3)


def _squeal(b: Bench, rms: float) -> None:
    """Stick and slip: a squeal that comes and goes, its pitch wandering a little, with many multiples."""
    rng = b.rng
    pitch = float(rng.uniform(500, 1100)) * (1 + 0.01 * (slow_walk(b, -1, 1)))
    turns = np.cumsum(pitch) / b.rate_hz
    on = 0.5 + 0.5 * np.tanh(6 * np.sin(2 * np.pi * (b.time / float(rng.uniform(1.8, 4)) + rng.random())) - 1.5)
    b.add(on * (2 * np.mod(turns, 1) - 1), "cover", rms)


def _hammer_mill(b: Bench, rms: float, decibels: float) -> None:
    """Hammer mill: rows of hammers that meet the stone, turning almost as fast as a motor does."""
    rng = b.rng
    rows = _foreign_count(b, (4, 3, 6, 5))
    turns = _rotor(b, _strange_hz(b, 15.5, 21.0))
    _harmonics(b, turns, {1: 1.0, 2: 0.4, rows: 0.8, 2 * rows: 0.4, 3 * rows: 0.2}, "floor", rms)
    times, n = passes(rows * turns, b.rate_hz)
    heaps = np.concatenate([times + np.abs(rng.normal(0, 0.002, n.size)) for _ in range(3)])
    b.strikes(heaps, rng.exponential(1, heaps.size), "floor", decibels, width_s=8e-5)


# What the drive turns, and what is fitted to it


def _count_per_turn(b: Bench, low: int, high: int) -> int:
    """Strikes per turn of the output that no part of the drive makes."""
    own = [v for k, v in b.machine.own_orders().items() if k != "input"]
    out = abs(b.machine.rates()[b.machine.output])
    good = []
    for n in range(low, high + 1):
        ratios = [r for v in own if v for r in (n * out / v, v / (n * out)) if 0.6 < r < 3.5]
        if all(abs(r / round(r) - 1) > 0.02 for r in ratios) and abs(n * out - round(n * out) or 1) > 0.02:
            good.append(n)
    return int(b.rng.choice(good)) if good else low + 3


def _teeth_of_load(
    b: Bench, low: int, high: int, decibels: float, *, uneven: float = 0.2, declare: float = 0.4
) -> None:
    """What is driven strikes so many times per turn of the output: buckets, sprocket teeth, ribs."""
    rng, m = b.rng, b.machine
    n = _count_per_turn(b, low, high)
    times, number = passes(n * b.body(m.output), b.rate_hz, float(rng.random()))
    each = 1 + errors(rng, n, uneven)
    runout = 1 + uneven * np.cos(2 * np.pi * number / n)
    sizes = each[number % n] * runout * (1 + errors(rng, number.size, 0.2))
    b.strikes(times + rng.normal(0, 6e-4, times.size), sizes, "load", decibels, width_s=8e-5)
    b.marks["per_turn"] = n
    if rng.random() < declare:
        around = f'\n[[driven]]\nname = "bucket wheel"\non = "{m.output}"\nper_turn = [{n}]\n'
        b.machine = replace(m, around=m.around + around)


def _rub(b: Bench, turns: Array, width: float, path: str, rms: float) -> None:
    """Something rubs over a part of each turn."""
    window = np.exp((np.cos(2 * np.pi * (turns + b.rng.random())) - 1) / width)
    b.add(window * b.rng.standard_normal(b.samples), path, rms)


def _worn_flight(b: Bench) -> None:
    """Worm conveyor: its worn flight scrapes the trough once per turn of the output, with a knock as it lets go."""
    out = b.body(b.machine.output)
    _rub(b, out, 0.15, "load", b.level * float(b.rng.uniform(0.4, 1.0)))
    times, _ = passes(out, b.rate_hz, float(b.rng.random()))
    b.strikes(times + b.rng.normal(0, 0.004, times.size), np.ones(times.size), "load", 15.0, width_s=1e-4)


def _brake(b: Bench) -> None:
    """The brake on the motor drags at one place of every turn."""
    _rub(b, b.turns, float(b.rng.uniform(0.3, 0.8)), "motor", b.level * float(b.rng.uniform(0.4, 1.0)))


def _torque_arm(b: Bench) -> None:
    """The torque arm has play: it knocks where the run-out turns round, late or early, at times not at all."""
    rng = b.rng
    times, _ = passes(2 * b.body(b.machine.output), b.rate_hz, float(rng.random()))
    if times.size < 4:
        times = np.sort(rng.uniform(0, b.seconds, 6))
    kept = times[rng.random(times.size) < 0.8]
    period = b.seconds / max(times.size, 1)
    b.strikes(kept + rng.normal(0, 0.04 * period, kept.size), rng.uniform(0.4, 1.2, kept.size), "load", 16.0)


def _coupling(b: Bench) -> None:
    """A coupling's elements are worn: every claw knocks, one more than the others."""
    rng = b.rng
    claws = _foreign_count(b, (4, 5, 6, 8))
    times, n = passes(claws * b.turns, b.rate_hz, float(rng.random()))
    each = 0.5 + errors(rng, claws, 0.15)
    each[0] = 1.0
    sizes = each[n % claws] * (1 + errors(rng, n.size, 0.2))
    b.strikes(times + rng.normal(0, 4e-4, n.size), sizes, "motor", float(rng.uniform(7, 11)), width_s=7e-5)
    around = f'\n[[fitted]]\nname = "coupling"\non = "input"\ncoupling_elements = {claws}\n'
    b.machine = replace(b.machine, around=b.machine.around + around)


def _guard(b: Bench) -> None:
    """A loose guard on its resonance: where the swing grows beyond its play it knocks, every second swing or so."""
    rng = b.rng
    natural = float(rng.uniform(18, 60))
    t = b.time
    narrow = fft.irfft(b.noise() * _bell(b, natural, 1.5), b.samples)
    swing = narrow / np.std(narrow) + 0.8 * np.cos(2 * np.pi * natural * t + rng.random())
    crest = np.flatnonzero((swing[1:-1] > swing[:-2]) & (swing[1:-1] >= swing[2:]) & (swing[1:-1] > 1.1)) + 1
    sizes = np.clip(swing[crest] - 1.0, 0, 2.5)
    b.strikes(crest / b.rate_hz + rng.normal(0, 5e-4, crest.size), sizes, "cover", float(rng.uniform(8, 14)))


def _bell(b: Bench, centre_hz: float, width_hz: float) -> Reals:
    f = np.linspace(0, b.rate_hz / 2, b.samples // 2 + 1)
    found: Reals = np.exp(-0.5 * ((f - centre_hz) / width_hz) ** 2).astype(np.float32)
    return found


def _neighbour_spall(b: Bench, decibels: float) -> None:
    """A motor next to it has a spalled race; the joint between them lets it through."""
    rng = b.rng
    turns = _rotor(b, _strange_hz(b, 16.0, 49.0))
    hz = _strange_hz(b, 70, 170)
    times, n = passes(_rotor(b, hz), b.rate_hz)
    lag = np.cumsum(rng.normal(0, 5e-5, n.size))
    sizes = (1 + 0.4 * np.cos(2 * np.pi * turns[(times * b.rate_hz).astype(int)])) * (1 + errors(rng, n.size, 0.2))
    b.strikes(times + lag, sizes, "steel", decibels)
    _harmonics(b, turns, {1: 1.0, 2: 0.4}, "steel", b.level * 0.4)


def _misaligned(b: Bench) -> None:
    rng = b.rng
    _harmonics(b, b.turns, {1: 0.5, 2: 1.0, 3: 0.6, 4: 0.2, 5: 0.1}, "shaft", b.level * float(rng.uniform(1.5, 4)))


def _eccentric_rotor(b: Bench) -> None:
    """Air gap that turns with the rotor: twice the line's frequency swells with the slip, bars sing."""
    hum(b, b.level * float(b.rng.uniform(0.8, 2.0)), beat=0.6)
    bars = int(b.rng.choice([28, 34, 40, 44]))
    for side in (-4, -2, 0, 2):
        phase = bars * b.turns + side * b.supply_hz * b.time
        b.add(np.cos(2 * np.pi * phase), "shaft", b.level * float(b.rng.uniform(0.05, 0.3)))


def _motor_fan(b: Bench) -> None:
    """Fan of the motor passes a dented hood; a screw of the hood chirps on it."""
    vanes = _foreign_count(b, (5, 7, 9, 11))
    sizes = {float(k * vanes): 1 / k for k in range(1, 6)} | {1.0: 0.4}
    _harmonics(b, b.turns, sizes, "cover", b.level * float(b.rng.uniform(0.8, 2)))
    b.add_lines(b.noise(), "cover", b.level * 0.4)


# Kinds of captures


Add = Callable[[Bench], None]
USUAL = (12800.0, 20480.0, 25600.0, 25600.0, 51200.0)
LOW = (6400.0, 8192.0, 10240.0)
MIDDLE = (12800.0, 20480.0, 25600.0)


@dataclass(frozen=True, slots=True)
class Kind:
    """What a capture tries: what is added around, and what of the drive is damaged."""

    name: str
    add: Add | None = None
    harm: Callable[[Bench], tuple[str, ...]] | None = None
    form: str = "plain"
    lobes: tuple[int, ...] = ()
    discs: tuple[int, ...] = (2, 2, 3)
    style: str = ""
    """Of the speed."""
    seconds: tuple[float, float] = (8.5, 13.0)
    rates: tuple[float, ...] = USUAL
    noise: tuple[float, float] = (-4.0, 20.0)
    """Broad noise against the mesh [dB]."""
    guests: bool = True
    """Whether other things of the yard may be heard as well."""
    unequal: float = 0.08
    cut_hz: float = 0.0
    clipped: float = 0.0
    points: tuple[int, ...] = (1, 2, 3)
    truth: Truth = "sound"


def _level(b: Bench, low: float, high: float) -> float:
    """A share of the drive's level, evenly drawn in decibels."""
    return b.level * 10 ** (float(b.rng.uniform(low, high)) / 20)


def _between(b: Bench, low: float, high: float) -> float:
    return float(b.rng.uniform(low, high))


def _dead(b: Bench) -> None:
    """The plug is out: the mains creep into an open cable."""
    b.lines.clear()
    t = b.time
    for point in b.points:
        size = float(b.rng.uniform(0.02, 0.3))
        x = np.cos(2 * np.pi * 50.01 * t) + 0.4 * np.cos(2 * np.pi * 150.03 * t + 1) + 0.1 * np.cos(6.2832 * 250.05 * t)
        b.direct[point] = size * x + 0.02 * size * b.rng.standard_normal(b.samples)


def _broken_bar(b: Bench) -> None:
    """A rotor bar is broken: the current swells with the slip, and so does what the motor turns with."""
    pairs = b.machine.poles / 2
    slip = 2 * pairs * (b.supply_hz / pairs * b.time - b.turns)
    once = np.cos(2 * np.pi * b.turns) * (1 + 0.5 * np.cos(2 * np.pi * slip))
    b.add(once, "shaft", _level(b, 0, 8))


GUESTS: tuple[Add, ...] = (
    lambda b: _screen(b, _level(b, -14, 0), _between(b, 5, 9)),
    lambda b: _idlers(b, _level(b, -16, -4), _between(b, 5, 9)),
    lambda b: _crusher(b, _between(b, 8, 14)),
    lambda b: _gear_pump(b, _level(b, -14, 0)),
    lambda b: _helical_gear(b, _level(b, -14, 0)),
    lambda b: _weather(b, _level(b, -18, -6)),
    lambda b: _screws(b, _level(b, -14, 0)),
    lambda b: _other_reducer(b, _level(b, -16, -4)),
    lambda b: _blower(b, _level(b, -14, 0)),
    lambda b: _squeal(b, _level(b, -14, -2)),
    lambda b: _hammer_mill(b, _level(b, -14, -2), _between(b, 5, 9)),
    lambda b: _neighbour_spall(b, _between(b, 4, 8)),
)
"""What is heard from further off."""
UNUSABLE = (
    Kind("screen, drive stands", lambda b: _screen(b, _level(b, 0, 12), 14.0)),
    Kind("idlers, drive stands", lambda b: _idlers(b, _level(b, -10, 0), _between(b, 8, 14))),
    Kind("crusher, drive stands", lambda b: _crusher(b, 18.0)),
    Kind("gear pump, drive stands", lambda b: _gear_pump(b, _level(b, -6, 6))),
    Kind("helical hoist gear", lambda b: _helical_gear(b, _level(b, -6, 6))),
    Kind("wind and rain", lambda b: _weather(b, _level(b, -12, 0))),
    Kind("steps on the grating", lambda b: _steps(b, 20.0)),
    Kind("controller's pulses on the cable", lambda b: _sparks(b, _between(b, 12, 26), regular=True)),
    Kind("screw compressor", lambda b: _screws(b, _level(b, -6, 6))),
    Kind("drive of another count", lambda b: _other_reducer(b, _level(b, -6, 4))),
    Kind("plug is out", _dead),
    Kind("blower of a hood", lambda b: _blower(b, _level(b, -6, 6))),
    Kind("motor without drive", lambda b: _motor_alone(b, _level(b, -10, 3))),
    Kind("squeal of a brake", lambda b: _squeal(b, _level(b, -6, 6))),
    Kind("hammer mill", lambda b: _hammer_mill(b, _level(b, -3, 8), 12.0)),
)
SOUND = (
    Kind("nothing special"),
    Kind("faint in the noise", noise=(24.0, 30.0), guests=False),
    Kind("bucket wheel", lambda b: _teeth_of_load(b, 7, 14, _between(b, 8, 14), declare=0.5)),
    Kind("worn flight", _worn_flight),
    Kind("overhung sprocket", lambda b: _teeth_of_load(b, 15, 26, _between(b, 8, 13), uneven=0.35)),
    Kind("brake drags", _brake),
    Kind("torque arm knocks", _torque_arm),
    Kind("claws of a coupling", _coupling),
    Kind("loose guard", _guard),
    Kind("sparks on the cables", lambda b: _sparks(b, _between(b, 12, 18), regular=False)),
    Kind("broken rotor bar", _broken_bar),
    Kind("eccentric rotor", _eccentric_rotor),
    Kind("motor fan in its hood", _motor_fan),
    Kind("hoist takes load and lets go", style="hoist", seconds=(32.0, 40.0), rates=(12800.0,)),
    Kind("idlers on the frame", lambda b: _idlers(b, _level(b, -8, 0), _between(b, 7, 12))),
    Kind("crusher next to it", lambda b: _crusher(b, 18.0)),
    Kind("screen on the same steel", lambda b: _screen(b, _level(b, 0, 10), 12.0)),
    Kind("gear pump next to it", lambda b: _gear_pump(b, _level(b, -3, 6))),
    Kind("plate of another net", style="plate of another net"),
    Kind("half speed", style="half speed"),
    Kind("discs carry unequally", unequal=0.4, discs=(3, 4)),
    Kind("shafts out of line", _misaligned),
    Kind("spalled motor next to it", lambda b: _neighbour_spall(b, _between(b, 6, 11))),
    Kind("a channel clips a little", clipped=0.002, points=(2, 3)),
    Kind("recorder for low frequencies", form="rv", rates=LOW, cut_hz=2500.0),
    Kind("two stages turn a sprocket", lambda b: _teeth_of_load(b, 11, 23, 12.0), form="two stages"),
    Kind("turning ring, hunting speed", form="turning ring", style="hunting"),
)


def _spall(bearing: str, part: str, low: float, high: float) -> Callable[[Bench], tuple[str, ...]]:
    return lambda b: harm_bearing(b, bearing, part, float(b.rng.uniform(low, high)))


def _tooth(which: str, low: float, high: float) -> Callable[[Bench], tuple[str, ...]]:
    return lambda b: harm_tooth(b, which, float(b.rng.uniform(low, high)))


SMALL_COUNTS = (8, 11, 13, 15, 17, 21)
DAMAGED = (
    Kind("input bearing, outer race", None, _spall("input bearing", "outer", 6, 11)),
    Kind("input bearing, inner race", None, _spall("input bearing", "inner", 6, 11)),
    Kind("eccentric bearing, outer race", None, _spall("eccentric bearing", "outer", 6, 12)),
    Kind("eccentric bearing, inner race", None, _spall("eccentric bearing", "inner", 6, 11), seconds=(8.0, 8.2)),
    Kind("eccentric bearing, element", None, _spall("eccentric bearing", "element", 8, 13)),
    Kind("eccentric bearing, cage", None, _spall("eccentric bearing", "cage", 10, 14), seconds=(11.0, 15.0)),
    Kind("ring pin", None, lambda b: harm_pin(b, _between(b, 8, 13))),
    Kind("lobe", None, lambda b: harm_lobe(b, _between(b, 8, 13))),
    Kind("output pin", None, lambda b: harm_output_pin(b, _between(b, 8, 13)), lobes=SMALL_COUNTS),
    Kind("roller of an output pin", None, lambda b: harm_roller(b, _between(b, 8, 13)), "rollers", SMALL_COUNTS[1:]),
    Kind(
        "output bearing, outer race", None, _spall("output bearing", "outer", 11, 15), lobes=(8, 11),
        seconds=(16, 22), rates=MIDDLE,
    ),
    Kind("crank bearing, inner race", None, _spall("crank bearing", "inner", 8, 12), "rv", rates=MIDDLE),
    Kind("tooth of the sun", None, _tooth("sun", 8, 12), "rv"),
    Kind("tooth of a planet", None, _tooth("planet", 12, 15), "rv", seconds=(16.0, 20.0), rates=MIDDLE),
    Kind("tooth of the first pair", None, _tooth("driven", 12, 15), "geared", seconds=(16.0, 20.0), rates=MIDDLE),
    Kind(
        "second eccentric bearing, outer race", None, _spall("second eccentric bearing", "outer", 11, 15), "two stages",
        seconds=(32.0, 40.0), rates=(12800.0,),
    ),
    Kind(
        "eccentric bearing next to a bucket wheel", lambda b: _teeth_of_load(b, 7, 15, 9.0),
        _spall("eccentric bearing", "inner", 7, 12),
    ),
    Kind(
        "ring pin next to a screen", lambda b: _screen(b, _level(b, 0, 6), 9.0),
        lambda b: harm_pin(b, _between(b, 9, 13)),
    ),
)  # fmt: skip


def _woven(turned: int) -> tuple[Kind, ...]:
    """All kinds, each truth spread evenly; ``turned``: how far each truth's kinds are moved on."""
    placed: list[tuple[float, Kind]] = []
    of: tuple[tuple[Truth, tuple[Kind, ...]], ...] = (("sound", SOUND), ("damaged", DAMAGED), ("unusable", UNUSABLE))
    for truth, kinds in of:
        count = len(kinds)
        placed += [((k + 0.5) / count, replace(kinds[(k + turned) % count], truth=truth)) for k in range(count)]
    return tuple(kind for _, kind in sorted(placed, key=lambda pair: pair[0]))


ORDER = _woven(0) + _woven(7)


def started(number: int) -> tuple[Kind, Bench, tuple[str, ...]]:
    """Kind, all that shakes the points, and what is damaged."""
    rng = np.random.default_rng((SEED, number))
    kind = ORDER[number]
    machine = a_machine(rng, "plain" if kind.form == "rollers" else kind.form, kind.lobes, int(rng.choice(kind.discs)))
    if kind.form == "rollers":
        roller = float(rng.choice([16.0, 20.0, 24.0]))
        machine = replace(machine, roller_mm=roller, eccentricity_mm=round(roller * float(rng.uniform(0.11, 0.17)), 2))
    seconds = float(rng.uniform(*kind.seconds))
    if kind.truth != "damaged" and not number % 17:
        seconds = float(rng.uniform(6.0, 8.0))
    style = kind.style or (str(rng.choice(["", "", "", "hunting", "half speed"])) if kind.harm else "")
    b = a_bench(rng, machine, style, seconds, kind.rates, int(rng.choice(kind.points)))
    if kind.truth == "unusable":
        _still(b)
    else:
        load = None
        if kind.style == "hoist":
            load = 0.65 + 0.35 * np.tanh(np.sin(2 * np.pi * (b.time / b.seconds + rng.random())) * 12)
        run(b, noise=float(rng.uniform(*kind.noise)), unequal=kind.unequal, load=load)
    if kind.guests:
        for k in rng.permutation(len(GUESTS))[: int(rng.choice([0, 1, 1, 2]))]:
            GUESTS[k](b)
    if kind.add:
        kind.add(b)
    return kind, b, kind.harm(b) if kind.harm else ()


def case(number: int) -> WorldCase:
    """Capture ``number``, below ``COUNT``: the same each time."""
    kind, b, damaged = started(number)
    rng = b.rng
    channels = b.channels(cut_hz=kind.cut_hz, clipped=kind.clipped)
    runs = kind.truth != "unusable"
    pulses = None
    if runs and rng.random() < 0.12:
        shape = np.mod(b.turns, 1) < 0.06
        pulses = (4.8 * shape + 0.02 * rng.standard_normal(b.samples)).astype(np.float32)
    noted = round(b.speed_hz * 60 * float(rng.uniform(0.998, 1.002)), 1) if rng.random() < 0.3 else None
    return WorldCase(
        name=f"quarryside-{number:03d}", kind=kind.name, truth=kind.truth, drive_toml=b.machine.toml(f"Q-{number:03d}"),
        channels=channels, sample_rate_hz=b.rate_hz, speed_hz=b.speed_hz if runs else None, pulses=pulses,
        noted_rpm=noted, damaged=damaged, marks=b.marks,
    )  # fmt: skip
