"""What carries forces to sensors of the fruit works, what else sounds there, what sensors and loggers do to it."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from math import pi

import numpy as np
from numpy.typing import NDArray
from scipy.fft import irfft, next_fast_len, rfft

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]
TURN = 2.0 * pi


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Hall:
    """Clock of one capture: its samples, their rate, and the chance of everything in it."""

    size: int
    rate_hz: float
    rng: np.random.Generator

    @property
    def seconds(self) -> float:
        return self.size / self.rate_hz

    def times(self) -> Array:
        return np.asarray(np.arange(self.size) / self.rate_hz)

    def noise(self) -> Array:
        return np.asarray(self.rng.standard_normal(self.size, dtype=np.float32), dtype=np.float64)

    def slow(self, knots_s: float) -> Array:
        """A wandering figure of mean 0 and spread 1, whose memory is ``knots_s``."""
        count = max(4, int(self.seconds / knots_s) + 3)
        knots = self.rng.standard_normal(count)
        return np.asarray(np.interp(np.arange(self.size), np.linspace(0, self.size, count), knots)) * 1.22

    def phase(self, hz: float, wander: float = 0.0) -> Array:
        """Turns of a machine of its own that runs at about ``hz``; ``wander``: relative."""
        speed = hz * (1 + wander * self.slow(0.8)) if wander else np.full(self.size, hz)
        return np.asarray(np.cumsum(speed) / self.rate_hz + self.rng.uniform(0, 1))


# ---------------------------------------------------------------- structure


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Structure:
    """Natural frequencies that a sensor stands on; every path to it drives them by other shares."""

    hz: Array
    damping: Array


def structure(hall: Hall) -> Structure:
    """Five to twelve resonances, spread over the band, the lowest one that of the machine on its feet."""
    rng, count = hall.rng, int(hall.rng.integers(5, 13))
    top = 0.40 * hall.rate_hz
    spread = np.exp(np.linspace(np.log(max(120.0, top / 40)), np.log(top), count) + rng.normal(0, 0.08, count))
    hz = np.concatenate([[rng.uniform(35, 110)], np.minimum(spread, top)])
    damping = np.concatenate([[rng.uniform(0.04, 0.1)], np.exp(rng.uniform(np.log(0.01), np.log(0.05), count))])
    return Structure(hz=hz, damping=damping)


def transfer(hall: Hall, built: Structure, *, far: bool = False) -> Complex:
    """Acceleration per force over the bins of ``spectrum``; ``far``: through the floor, with fewer high notes."""
    rng, size = hall.rng, next_fast_len(hall.size, real=True)
    hz = np.fft.rfftfreq(size, 1 / hall.rate_hz).astype(np.float32)
    square = hz**2
    made = np.full(hz.size, 0.02 * rng.standard_normal(), dtype=np.complex64)
    below = np.empty_like(made)
    for mode, damping in zip(built.hz, built.damping, strict=True):
        share = rng.standard_normal() * (0.3 + rng.uniform()) * (mode / 1500.0) ** 0.2
        below.real = mode**2 - square
        below.imag = 2 * damping * mode * hz
        made -= np.float32(share) * square / below
    delay_s = rng.uniform(0, 0.004) if far else rng.uniform(0, 0.0006)
    made *= np.exp(np.complex64(-1j * TURN * delay_s) * hz)
    if far:
        made /= 1 + (hz / rng.uniform(900, 3500)) ** 2
    # What keeps a logger from folding.
    made /= np.sqrt(1 + (hz / (0.43 * hall.rate_hz)) ** 24)
    return made.astype(np.complex128)


def spectrum(hall: Hall, force: Array) -> Complex:
    return np.asarray(rfft(force, next_fast_len(hall.size, real=True)))


def wave(hall: Hall, bins: Complex) -> Array:
    return np.asarray(irfft(bins, next_fast_len(hall.size, real=True)))[: hall.size]


def heard(hall: Hall, force: Array, *, far: bool = True) -> Array:
    """A force of the surroundings as acceleration, over a structure of its own."""
    return wave(hall, spectrum(hall, force) * transfer(hall, structure(hall), far=far))


def at_level(x: Array, rms: float) -> Array:
    """The same shape with that r.m.s. value."""
    now = float(np.sqrt(np.mean(x**2)))
    return x * (rms / now) if now > 0 else x


# ---------------------------------------------------------------- what else sounds


def rumble(hall: Hall) -> Array:
    """The hall itself: noise with humps, that swells a little."""
    rng = hall.rng
    hz = np.fft.rfftfreq(next_fast_len(hall.size, real=True), 1 / hall.rate_hz)
    shape = 1 / (1 + (hz / rng.uniform(300, 2500)) ** rng.uniform(0.6, 1.4)) + rng.uniform(0.02, 0.15)
    for _ in range(int(rng.integers(2, 6))):
        middle = rng.uniform(40, 0.4 * hall.rate_hz)
        shape += rng.uniform(0.2, 1.5) * np.exp(-(((hz - middle) / (0.12 * middle + 20)) ** 2))
    shape[hz < 3] *= 0.1
    shape /= np.sqrt(1 + (hz / (0.43 * hall.rate_hz)) ** 24)
    return wave(hall, spectrum(hall, hall.noise()) * shape) * (1 + 0.1 * hall.slow(2.0))


def rotor(hall: Hall, hz: float, blades: int, *, wander: float = 3e-4, hiss: float = 0.5) -> Array:
    """Fan, pump or centrifuge: unbalance with a few multiples, blades of uneven size, hiss that they chop."""
    rng, turn = hall.rng, hall.phase(hz, wander)
    force = np.zeros(hall.size)
    for multiple, size in ((1, 1.0), (2, 0.35), (3, 0.2), (4, 0.08)):
        force += size * rng.uniform(0.4, 1.4) / multiple * np.cos(TURN * multiple * turn + rng.uniform(0, TURN))
    sizes = 1 + 0.12 * rng.standard_normal(blades)
    near = np.floor(turn * blades).astype(np.int64) % blades
    passing = sizes[near] * (0.5 + 0.5 * np.cos(TURN * blades * turn))
    return force + 0.6 * passing + hiss * hall.noise() * np.sqrt(0.4 + passing)


def bumps(hall: Hall, at: Array, size_of: Array, width_s: float) -> Array:
    """Blows at samples ``at``, each a half wave of ``width_s``."""
    made = np.zeros(hall.size)
    width = max(2.0, width_s * hall.rate_hz)
    reach = np.arange(-int(width) - 1, int(width) + 2)
    place = np.round(at).astype(np.int64)[:, None] + reach[None, :]
    away = (place - at[:, None]) / width
    bell = np.where(np.abs(away) < 1, 0.5 + 0.5 * np.cos(pi * away), 0.0) * size_of[:, None]
    inside = (place >= 0) & (place < hall.size)
    np.add.at(made, place[inside], bell[inside])
    return made


def clinks(hall: Hall, per_second: float) -> Array:
    """Bottles that knock each other: at random, of random strength, now denser, now thinner."""
    rng = hall.rng
    count = max(1, int(rng.poisson(per_second * hall.seconds)))
    at = np.sort(rng.uniform(0, hall.size, count))
    crowd = np.interp(at, np.arange(hall.size)[::50], np.exp(0.7 * hall.slow(1.5)[::50]))
    return bumps(hall, at, crowd * rng.lognormal(0, 0.7, count), rng.uniform(1e-4, 3e-4))


def beats(hall: Hall, turn: Array, per_turn: int, *, uneven: float = 0.15, late: float = 0.004) -> Array:
    """Something strikes ``per_turn`` times while ``turn`` [turns] goes round: pistons, links, pockets of a table."""
    rng = hall.rng
    shifted = turn * per_turn
    at = np.flatnonzero(np.diff(np.floor(shifted)))
    seat = np.floor(shifted[at + 1]).astype(np.int64) % per_turn
    sizes = 1 + uneven * rng.standard_normal(per_turn)
    spacing = hall.size / max(1, at.size)
    moved = at + late * spacing * rng.standard_normal(at.size)
    strength = sizes[seat] * (1 + 0.15 * rng.standard_normal(at.size))
    return bumps(hall, moved, strength, rng.uniform(2e-4, 6e-4))


def cavitation(hall: Hall, hz: float, vanes: int) -> Array:
    """Collapsing bubbles: a crackle that swells as vanes pass, and more of it now and then."""
    rng, turn = hall.rng, hall.phase(hz, 4e-4)
    crackle = np.clip(np.abs(hall.noise()) - 1.6, 0, None) * np.sign(hall.noise())
    return crackle * (1 + 0.35 * np.cos(TURN * vanes * turn + rng.uniform(0, TURN))) * np.exp(0.25 * hall.slow(0.4))


def spray(hall: Hall) -> Array:
    """Water on sheet metal."""
    return hall.noise() * np.exp(0.15 * hall.slow(0.6))


def belt(hall: Hall, hz: float) -> Array:
    """A belt with a joint: its turn and many multiples, and the sway of its span."""
    turn = hall.phase(hz, 1e-3)
    made = np.zeros(hall.size)
    for multiple in range(1, 7):
        made += hall.rng.uniform(0.3, 1) / multiple * np.cos(TURN * multiple * turn + hall.rng.uniform(0, TURN))
    return made


def whistle(hall: Hall, carrier_hz: float, feed_hz: float) -> Array:
    """Magnets of a motor on an inverter: lines beside its switching, at the feed's spacing."""
    rng, t = hall.rng, hall.times()
    made = np.zeros(hall.size)
    for step in (-4, -2, -1, 1, 2, 4):
        tone = carrier_hz + step * feed_hz
        if 0 < tone < 0.42 * hall.rate_hz:
            made += rng.uniform(0.2, 1) * np.cos(TURN * tone * t + rng.uniform(0, TURN))
    return made


def hum(hall: Hall, hz: float = 50.0) -> Array:
    """What mains leave in a cable: odd multiples above all."""
    rng, t = hall.rng, hall.times()
    made = np.zeros(hall.size)
    for multiple, size in ((1, 1.0), (2, 0.15), (3, 0.4), (5, 0.25), (7, 0.12), (9, 0.06)):
        made += size * rng.uniform(0.6, 1.2) * np.cos(TURN * multiple * hz * t + rng.uniform(0, TURN))
    return made


def gearbox(hall: Hall, hz: float, driver: int, driven: int) -> Array:
    """Teeth of an ordinary gear unit: each contact made by the two that meet, with a few shares of rubbing."""
    rng, turn = hall.rng, hall.phase(hz, 3e-4)
    contact = np.floor(turn * driver).astype(np.int64)
    first, second = 0.15 * rng.standard_normal(driver), 0.15 * rng.standard_normal(driven)
    size_of = 1 + first[contact % driver] + second[contact % driven] + 0.1 * np.cos(TURN * turn)
    swell = np.sin(pi * (turn * driver - contact)) * size_of
    return swell - swell.mean() + 0.3 * hall.noise() * np.sqrt(np.clip(0.3 + swell, 0.05, None))


def arm_moves(hall: Hall, hz: float, pins: int) -> Array:
    """A jointed arm: moves of half a second to two, each runs up and down, with a knock of the gripper at its end."""
    rng = hall.rng
    speed, knocks, at = np.zeros(hall.size), [], 0
    while at < hall.size:
        length = int(rng.uniform(0.5, 2.0) * hall.rate_hz)
        until = min(hall.size, at + length)
        ramp = np.clip(np.minimum(np.arange(length), length - np.arange(length)) / (0.3 * length), 0, 1)
        speed[at:until] = (hz * rng.uniform(0.5, 1.0) * ramp)[: until - at]
        knocks.append(float(until))
        at = until + int(rng.uniform(0.2, 1.5) * hall.rate_hz)
    turn = np.cumsum(speed) / hall.rate_hz
    moving = speed / hz
    tone = np.cos(TURN * pins * turn) + 0.5 * np.cos(TURN * 2 * pins * turn) + 0.7 * np.cos(TURN * turn)
    hits = bumps(hall, np.asarray(knocks), rng.uniform(1, 3, len(knocks)), 8e-4)
    return moving * (tone + hall.noise()) + 20 * hits


# ---------------------------------------------------------------- sensors and loggers


def logged(
    hall: Hall, x: Array, *, noise: float = 0.004, full_scale: float | None = None, bits: int = 24, drift: float = 0.0
) -> NDArray[np.float32]:
    """Acceleration as the logger keeps it: its own noise, a drift, its range and its steps."""
    kept = x + noise * hall.noise()
    if drift:
        kept = kept + drift * (hall.slow(6.0) + np.exp(-hall.times() / 2.0))
    scale = full_scale if full_scale is not None else 4.0 * float(np.max(np.abs(kept)))
    step = 2 * scale / 2**bits
    return np.clip(np.round(kept / step) * step, -scale, scale - step).astype(np.float32)


def packed(x: Array, rate_hz: float) -> Array:
    """As music is packed: short frames, of each only the loudest bins, rounded coarsely, and nothing of the top."""
    frame, hop = 1024, 512
    window = np.sin(pi * (np.arange(frame) + 0.5) / frame)
    whole = np.concatenate([np.zeros(hop), x, np.zeros(2 * frame)])
    made = np.zeros(whole.size)
    for start in range(0, x.size + hop, hop):
        bins = np.fft.rfft(whole[start : start + frame] * window)
        size_of = np.abs(bins)
        # Bark-like groups: what lies 20 dB below its neighbourhood is masked, the rest keeps two bits and a sign.
        edges = np.unique(np.geomspace(1, bins.size, 22).astype(int))
        for low, high in pairwise(edges):
            top = float(size_of[low:high].max())
            step = max(top / 1.5, 1e-12)
            bins[low:high] = step * (np.round(bins[low:high].real / step) + 1j * np.round(bins[low:high].imag / step))
        bins[0] = 0
        bins[int(0.2 * bins.size) :] = 0
        made[start : start + frame] += np.fft.irfft(bins, frame) * window
    return made[hop : hop + x.size]


def loose(hall: Hall, x: Array) -> Array:
    """A sensor that hops: it leaves its seat above a little acceleration, falls back and rings as it likes."""
    limit = 0.4 * float(np.std(x))
    rng = hall.rng
    bounced = np.clip(x, -limit, np.inf)
    lost = np.abs(hall.slow(0.05)) > 0.5
    count = int(rng.poisson(60 * hall.seconds))
    hops = bumps(hall, np.sort(rng.uniform(0, hall.size, count)), rng.lognormal(1.0, 0.8, count), 2e-4)
    rattle = heard(hall, hops, far=False)
    return np.where(lost, 0.02 * x, bounced * 0.15) + at_level(rattle, 4 * float(np.std(x)))
