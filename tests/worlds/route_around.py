"""What stands around the drives of a route: the other machines of a water works and of its neighbours.

A machine is a shaft that turns, forces that go with its angle, and noise; all of it reaches the sensor through floor
and pipes, which pass little above one to four kilohertz. Whatever is wrong with such a machine is none of the drive's
business, so a quarter of the pumps, fans and mixers have a damaged bearing.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter

from tests.worlds.route_bench import (
    TAU,
    Array,
    Bins,
    Motion,
    Way,
    bins_of,
    pulses,
    samples_for,
    settled,
    through,
)

RATE_HZ = 16_000.0
"""Forces of other machines are made at this rate: little of what is above half of it comes through a floor."""


@dataclass(frozen=True, slots=True, eq=False)
class Machine:
    """``what``: a word. ``force``: at `RATE_HZ`. ``speed_hz``: of its shaft. ``per_turn``: what a plant list says of
    it, counted per turn of the shaft."""

    what: str
    force: Array
    speed_hz: float
    per_turn: tuple[float, ...]


def steady(rng: np.random.Generator, speed_hz: float, seconds: float, swing: float) -> Motion:
    """A speed that swings slowly by ``swing`` (relative, r.m.s.)."""
    steps = max(64, int(seconds * 50))
    corner = rng.uniform(0.05, 0.5)
    keep = np.exp(-TAU * corner / 50)
    rough = rng.standard_normal(steps + 600)
    slow = lfilter([1.0], [1.0, -keep], lfilter([1.0], [1.0, -keep], rough))[600:]
    slow = (slow - slow.mean()) / max(float(slow.std()), 1e-12)
    return Motion(seconds, speed_hz * (1 + swing * slow))


def _row(angle: Array, sizes: NDArray[np.float64], rng: np.random.Generator) -> Array:
    """A shape that comes again with each turn of ``angle``; ``sizes`` of its first, second ... part."""
    around = TAU * np.arange(4096) / 4096
    shape = sum(
        size * np.cos(k * around + rng.uniform(0, TAU)) for k, size in enumerate(np.asarray(sizes), start=1) if size
    )
    place = np.mod(angle / TAU, 1.0) * 4096
    return np.asarray(np.interp(place, np.arange(4097), np.append(shape, np.asarray(shape)[0])))


def _falling(rng: np.random.Generator, count: int, fall: float) -> NDArray[np.float64]:
    return np.asarray(rng.lognormal(0, 0.5, count) * fall ** np.arange(count))


def _noise(rng: np.random.Generator, samples: int) -> Array:
    return rng.standard_normal(samples)


def _rolling(rng: np.random.Generator, motion: Motion, samples: int) -> Array:
    """A damaged bearing of another machine: strikes at an uneven multiple of its shaft, a little slip, some in a load
    that turns."""
    per_turn = rng.choice([rng.uniform(2.2, 4.8), rng.uniform(4.2, 7.6)])
    angle = motion.angle(samples) / TAU
    passed = angle * per_turn * (1 - rng.uniform(0, 0.012))
    counts = np.arange(1, passed[-1])
    when = np.interp(counts, passed, np.arange(samples) / RATE_HZ)
    when += rng.normal(0, 0.006, len(when)) * motion.seconds / max(len(when), 1)
    weight = rng.lognormal(0, 0.2, len(when))
    if rng.uniform() < 0.5:
        weight *= np.clip(0.4 + np.cos(TAU * np.interp(when, np.arange(samples) / RATE_HZ, angle)), 0, None)
    return pulses(when, weight, 1.5e-4, RATE_HZ, samples).astype(np.float64) * rng.uniform(2, 8)


def _driven(rng: np.random.Generator, low: float, high: float) -> float:
    """Speed of a shaft on a motor: most stand on the mains, with their slip."""
    if low < 24 and high > 24 and rng.uniform() < 0.6:
        return float(25.0 * (1 - rng.uniform(0.008, 0.05)))
    return float(rng.uniform(low, high))


def pump(rng: np.random.Generator, seconds: float, samples: int) -> Machine:
    speed = float(rng.choice([25, 25, 50, 16.67]) * (1 - rng.uniform(0.008, 0.045)))
    vanes = int(rng.integers(3, 9))
    motion = steady(rng, speed, seconds, 10 ** rng.uniform(-4, -3))
    angle = motion.angle(samples)
    force = _row(angle, _falling(rng, 6, 0.5), rng) + 1.5 * _row(vanes * angle, _falling(rng, 3, 0.4), rng)
    force += _noise(rng, samples) * rng.uniform(0.5, 3) * (1 + 0.4 * np.cos(vanes * angle))
    if rng.uniform() < 0.25:
        force += _rolling(rng, motion, samples)
    return Machine("pump", force, speed, (1.0, float(vanes)))


def fan(rng: np.random.Generator, seconds: float, samples: int) -> Machine:
    speed = _driven(rng, 8, 32)
    blades = int(rng.integers(6, 13))
    motion = steady(rng, speed, seconds, 10 ** rng.uniform(-4, -2.7))
    angle = motion.angle(samples)
    force = 2 * _row(angle, _falling(rng, 5, 0.4), rng) + _row(blades * angle, _falling(rng, 4, 0.5), rng)
    force += _noise(rng, samples) * rng.uniform(0.3, 2)
    belt = speed * rng.uniform(0.2, 0.6)
    force += 0.8 * _row(steady(rng, belt, seconds, 1e-3).angle(samples), _falling(rng, 6, 0.7), rng)
    if rng.uniform() < 0.25:
        force += _rolling(rng, motion, samples)
    return Machine("fan", force, speed, (1.0, float(blades)))


def belt(rng: np.random.Generator, seconds: float, samples: int) -> Machine:
    speed = float(rng.uniform(0.8, 4))
    motion = steady(rng, speed, seconds, 10 ** rng.uniform(-3.5, -2.5))
    angle = motion.angle(samples)
    rollers = rng.uniform(4, 11)
    force = _row(angle, _falling(rng, 14, 0.8), rng) + 1.5 * _row(rollers * angle, _falling(rng, 4, 0.6), rng)
    force += _noise(rng, samples) * rng.uniform(0.5, 3)
    return Machine("belt conveyor", force, speed, (1.0, round(float(rollers), 3)))


def chain(rng: np.random.Generator, seconds: float, samples: int) -> Machine:
    speed = float(rng.uniform(0.1, 1.5))
    teeth = int(rng.integers(9, 26))
    angle = steady(rng, speed, seconds, 10 ** rng.uniform(-3.5, -2.5)).angle(samples)
    passed = angle * teeth / TAU
    counts = np.arange(1, passed[-1])
    when = np.interp(counts, passed, np.arange(samples) / RATE_HZ)
    weight = rng.lognormal(0, 0.3, len(when)) * (1 + 0.3 * np.cos(TAU * counts / teeth))
    force = 6 * pulses(when, weight, 4e-4, RATE_HZ, samples) + _noise(rng, samples) * rng.uniform(0.1, 0.6)
    return Machine("chain conveyor", force.astype(np.float64), speed, (1.0, float(teeth)))


def screw(rng: np.random.Generator, seconds: float, samples: int) -> Machine:
    speed = float(rng.uniform(0.3, 2.5))
    angle = steady(rng, speed, seconds, 10 ** rng.uniform(-3.5, -2.5)).angle(samples)
    scrape = np.clip(np.cos(angle * rng.integers(1, 4)), 0, None) ** 3
    force = _noise(rng, samples) * (0.3 + 2 * scrape) + 2 * _row(angle, _falling(rng, 8, 0.7), rng)
    return Machine("screw conveyor", force, speed, (1.0, 2.0))


def mixer(rng: np.random.Generator, seconds: float, samples: int) -> Machine:
    """A helical or bevel gear box on a motor: two meshes whose wheels are a little out of round."""
    speed = _driven(rng, 12, 30)
    driver, driven, second, last = (int(n) for n in rng.integers([13, 35, 14, 40], [24, 90, 25, 110]))
    motion = steady(rng, speed, seconds, 10 ** rng.uniform(-4, -3))
    one = motion.angle(samples)
    two = one * driver / driven
    three = two * second / last
    force = _row(driver * one, _falling(rng, 4, 0.5), rng) * (1 + 0.3 * np.cos(one) + 0.3 * np.cos(two))
    force += _row(second * two, _falling(rng, 4, 0.5), rng) * (1 + 0.3 * np.cos(two + 1) + 0.3 * np.cos(three))
    force += 0.5 * _row(one, _falling(rng, 4, 0.5), rng) + _noise(rng, samples) * rng.uniform(0.2, 1.5)
    if rng.uniform() < 0.25:
        force += _rolling(rng, motion, samples)
    return Machine("mixer gear box", force, speed, (1.0, float(driver)))


def blower(rng: np.random.Generator, seconds: float, samples: int) -> Machine:
    """Two or three lobes on two rotors: short pushes of air."""
    speed = float(rng.uniform(18, 60))
    lobes = int(rng.choice([2, 3, 3, 4]))
    angle = steady(rng, speed, seconds, 10 ** rng.uniform(-4, -3)).angle(samples)
    force = 2 * _row(2 * lobes * angle, _falling(rng, 10, 0.75), rng) + _row(angle, _falling(rng, 6, 0.6), rng)
    force += _noise(rng, samples) * rng.uniform(0.5, 2) * (1 + 0.5 * np.cos(2 * lobes * angle))
    return Machine("blower", force, speed, (1.0, float(2 * lobes)))


def inverter(rng: np.random.Generator, seconds: float, samples: int) -> Machine:
    """A motor on an inverter: its carrier with pairs of side lines, and twice the frequency it feeds."""
    fed = float(rng.uniform(20, 60))
    carrier = float(rng.choice([2000, 3000, 4000, 5000, 6000]))
    times = np.arange(samples) / RATE_HZ
    angle = steady(rng, fed / 2 * (1 - rng.uniform(0.01, 0.05)), seconds, 3e-4).angle(samples)
    tone = np.zeros(samples)
    for side in (-4, -2, 2, 4):
        tone += rng.uniform(0.2, 1) * np.cos(TAU * (carrier + side * fed) * times + rng.uniform(0, TAU))
    force = tone + 0.5 * np.cos(TAU * 2 * fed * times) + _row(angle, _falling(rng, 5, 0.5), rng)
    force += _noise(rng, samples) * rng.uniform(0.1, 0.6)
    return Machine("motor on an inverter", force, fed / 2, (1.0,))


def knocks(rng: np.random.Generator, seconds: float, samples: int) -> Machine:
    """Hatches, hammers, valves: at no rhythm."""
    count = max(1, rng.poisson(rng.uniform(0.1, 1.5) * seconds))
    when = np.sort(rng.uniform(0, seconds, count))
    force = pulses(when, rng.lognormal(0, 0.7, count), 10 ** rng.uniform(-3.7, -2.7), RATE_HZ, samples) * 30.0
    return Machine("knocks", force + 0.05 * _noise(rng, samples), 1.0, ())


MACHINES: tuple[tuple[float, Callable[[np.random.Generator, float, int], Machine]], ...] = (
    (0.28, pump), (0.16, fan), (0.1, belt), (0.08, chain), (0.08, screw), (0.1, mixer), (0.06, blower),
    (0.07, inverter), (0.07, knocks),
)  # fmt: skip
"""How often each is met: pumps and fans make up most of a water works."""


def any_machine(rng: np.random.Generator, seconds: float) -> Machine:
    shares = np.array([share for share, _ in MACHINES])
    make = MACHINES[int(rng.choice(len(MACHINES), p=shares / shares.sum()))][1]
    return make(rng, seconds, samples_for(seconds, RATE_HZ))


def distant(rng: np.random.Generator) -> Way:
    """Through a floor or a frame to a sensor on another machine."""
    modes = np.exp(rng.uniform(np.log(15), np.log(5000), 6))
    return Way(
        modes, rng.uniform(0.02, 0.08, 6), rng.normal(0, 1, 6), rng.uniform(1e-3, 2e-2),
        cut_hz=float(np.exp(rng.uniform(np.log(900), np.log(4000)))),
    )  # fmt: skip


def level_db(rng: np.random.Generator) -> float:
    """Of another machine, over the drive: seven in ten 10 to 30 dB below it, two up to as loud, one a little louder."""
    chance = rng.uniform()
    if chance < 0.7:
        return float(rng.uniform(-30, -10))
    return float(rng.uniform(-10, 0) if chance < 0.92 else rng.uniform(0, 6))


def at_sensors(rng: np.random.Generator, machine: Machine, sensors: int, samples: int, rate_hz: float) -> list[Bins]:
    """What comes of a machine at each sensor; r.m.s. 1 at the first. Rare knocks are held by their peak: 6."""
    force = bins_of(machine.force, samples)
    seen = [through(force, distant(rng), rate_hz) for _ in range(sensors)]
    for bins in seen:
        bins[0] = 0
    first = settled(seen[0], samples, rate_hz)
    loud = max(first.std(), np.abs(first).max() / 6)
    scale = 1 / max(float(loud), 1e-30)
    return [
        np.asarray(bins * scale * (rng.uniform(0.4, 1.6) if n else 1.0), dtype=np.complex64)
        for n, bins in enumerate(seen)
    ]
