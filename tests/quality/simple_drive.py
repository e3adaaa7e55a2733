"""A drive that knows nothing of the project: lines of the mesh, hits that ring, noise, and an envelope spectrum.

It serves the batches next to this file. Orders are worked out here, from counts and diameters, by the textbook.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter

Samples = NDArray[np.float64]

LOBES, PINS, OUTPUT_PINS = 23, 24, 8
ELEMENTS, ELEMENT_MM, PITCH_MM = 12, 10.0, 44.0
DRIVE_TOML = f"""\
tag = "XX-07"
name = "Paddle of a mixing trough"
support = "rigid"
shaft_height_mm = 112
ratio = {LOBES}

[input]
speed_rpm = 1452
speed_range_rpm = [1350, 1497]
power_kw = 2.2

[motor]
poles = 4
line_hz = 50

[[stage]]
kind = "cycloidal"
lobes = {LOBES}
ring_pins = {PINS}
output_pins = {OUTPUT_PINS}
discs = 2
fixed = "ring"

[[bearing]]
name = "eccentric bearing"
inner = "stage1.eccentric"
outer = "stage1.disc"
load = "stage1.eccentric"
elements = {ELEMENTS}
element_diameter_mm = {ELEMENT_MM}
pitch_diameter_mm = {PITCH_MM}
contact_angle_deg = 0.0
"""
NOMINAL_HZ = 1452 / 60

_PASS = 1 + 1 / LOBES
"""Turns of the eccentric past its disc, which turns back by one lobe a turn."""
_RATIO = ELEMENT_MM / PITCH_MM
ORDERS = {
    "stage1.ring_pin": 1.0,
    "stage1.lobe": _PASS,
    "bearing.eccentric bearing.outer_race": ELEMENTS / 2 * (1 - _RATIO) * _PASS,
    "bearing.eccentric bearing.inner_race": ELEMENTS / 2 * (1 + _RATIO) * _PASS,
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """What a point of the housing does to what happens inside. ``modes_hz`` with ``damping``, one gain each for noise
    and for hits; ``line_gains``: of shaft, mesh and their multiples."""

    modes_hz: tuple[float, ...]
    damping: tuple[float, ...]
    noise_gains: tuple[float, ...]
    hit_gains: tuple[float, ...]
    line_gains: tuple[float, ...]


def place(seed: int, *, below_hz: float = 9_000.0, modes: int = 4) -> Place:
    """A point, drawn."""
    rng = np.random.default_rng((31, seed))
    return Place(
        modes_hz=tuple(np.sort(np.exp(rng.uniform(np.log(900), np.log(below_hz), modes)))),
        damping=tuple(rng.uniform(0.015, 0.06, modes)),
        noise_gains=tuple(10 ** rng.normal(0, 0.25, modes)),
        hit_gains=tuple(10 ** rng.normal(0, 0.25, modes)),
        line_gains=tuple(10 ** rng.normal(0, 0.2, 24)),
    )


def moved(point: Place, by: float) -> Place:
    """The point with all resonances at ``by`` times their frequency."""
    return replace(point, modes_hz=tuple(f * by for f in point.modes_hz))


def turned(rng: np.random.Generator, speed_hz: float, rate_hz: float, seconds: float, wander: float = 1e-4) -> Samples:
    """Turns of the input, which wanders slowly by a share of itself."""
    count = round(seconds * rate_hz)
    knots = np.cumsum(rng.normal(size=12)) / 3
    slow = np.interp(np.linspace(0, 11, count), np.arange(12), knots - knots.mean())
    return np.asarray(np.cumsum(speed_hz * (1 + wander * slow)) / rate_hz + rng.random())


def _rung(force: Samples, point: Place, gains: tuple[float, ...], rate_hz: float) -> Samples:
    """Acceleration that a force makes at a point: each mode answers with unit energy to a unit impulse."""
    total = np.zeros_like(force)
    for hz, damping, gain in zip(point.modes_hz, point.damping, gains, strict=True):
        if hz < 0.46 * rate_hz:
            w = 2 * np.pi * hz / rate_hz
            r = np.exp(-damping * w)
            total += (
                gain
                * np.sqrt(4 * damping * w)
                * np.asarray(lfilter([1.0], [1, -2 * r * np.cos(w), r * r], force))
                * np.sin(w)
            )
    return total


def lines(turns: Samples, point: Place, *, shaft: float = 0.3, mesh: float = 0.5) -> Samples:
    """Shaft and mesh with their multiples and the mesh's side lines [m/s²]."""
    total = np.zeros_like(turns)
    for n in range(1, 4):
        total += shaft / n * point.line_gains[n] * np.cos(2 * np.pi * n * turns + n)
    for n in range(1, 9):
        gain = mesh * point.line_gains[3 + n] / n**0.7
        total += gain * np.cos(2 * np.pi * n * PINS * turns + n * n)
        for side in (-1, 1):
            total += 0.12 * gain * np.cos(2 * np.pi * (n * PINS + side) * turns + side)
    return total


def noise(
    rng: np.random.Generator, point: Place, rate_hz: float, count: int, *, process: float = 0.3, floor: float = 0.02
) -> Samples:
    """Rolling, oil and process, rung by the point (``process``, r.m.s.), over the sensor's own noise [m/s²]."""
    rung = _rung(rng.normal(size=count), point, point.noise_gains, rate_hz)
    broad = np.asarray(lfilter([0.3], [1, -0.7], rng.normal(size=count)))
    own = rung / rung.std() + 0.5 * broad / broad.std()
    return process * own + floor * rng.normal(size=count)


def hits(
    rng: np.random.Generator, turns: Samples, order: float, point: Place, rate_hz: float, *, slip: float = 0.0
) -> Samples:
    """What a damaged part makes: struck ``order`` times a turn, under a load that swings round once a turn a little;
    with slip, whose steps scatter. Each hit is of unit size, drawn between 0.6 and 1.4."""
    phase = turns * order * (1 - slip)
    number = np.floor(phase - phase[0]).astype(np.int64)
    first = np.flatnonzero(np.diff(number) > 0) + 1
    if slip:
        first = first + np.round(rng.normal(0, 0.01, first.size) * rate_hz / (order * NOMINAL_HZ)).astype(np.int64)
    first = first[(first >= 0) & (first < turns.size)]
    force = np.zeros_like(turns)
    np.add.at(force, first, rng.uniform(0.6, 1.4, first.size) * (1 + 0.3 * np.cos(2 * np.pi * turns[first])))
    return _rung(force, point, point.hit_gains, rate_hz)


def comb_db(
    signal: NDArray[Any],
    rate_hz: float,
    line_hz: float,
    *,
    harmonics: int = 5,
    slack: float = 0.002,
    below_hz: float | None = None,
) -> float:
    """Mean, in decibels, of the heights of a comb's first lines over their surroundings in the squared envelope, in the
    best of a few bands below ``below_hz``. Where nothing strikes it is 2 to 5."""
    x = np.asarray(signal, dtype=np.float64)
    spectrum = np.fft.rfft(x - x.mean())
    hz = np.fft.rfftfreq(x.size, 1 / rate_hz)
    best = 0.0
    top_hz = min(below_hz or np.inf, 0.49 * rate_hz)
    for low, high in pairwise(np.geomspace(500, top_hz, 7 if top_hz > 9_500 else 4)):
        if high - low < 2 * harmonics * line_hz:
            continue
        inside = (hz >= low) & (hz < high)
        band = np.zeros(x.size, dtype=np.complex128)
        band[np.flatnonzero(inside)] = 2 * spectrum[inside]
        squared = np.abs(np.fft.ifft(band)) ** 2
        power = np.abs(np.fft.rfft((squared - squared.mean()) * np.hanning(x.size))) ** 2
        heights = []
        for n in range(1, harmonics + 1):
            middle, half = n * line_hz, max(2.0 / (x.size / rate_hz), n * line_hz * slack)
            at = power[(hz >= middle - half) & (hz <= middle + half)]
            around = power[(np.abs(hz - middle) < half + 6) & (np.abs(hz - middle) > half + 1)]
            heights.append(at.max() / max(np.median(around) / np.log(2), 1e-300))
        best = max(best, float(np.mean(10 * np.log10(heights))))
    return best


def strength_for(
    wanted_db: float, quiet: Samples, struck: Samples, rate_hz: float, line_hz: float, below_hz: float | None = None
) -> float:
    """The factor for unit hits with which their comb stands at ``wanted_db``."""
    factor = 0.5 * float(quiet.std() / struck.std())
    for _ in range(6):
        # A line of the squared envelope rises with the fourth power of faint hits, and with less of strong ones.
        over_db = wanted_db - comb_db(quiet + factor * struck, rate_hz, line_hz, below_hz=below_hz)
        if abs(over_db) < 0.3:
            break
        factor *= 10 ** (np.clip(over_db, -16, 16) / 32)
    return factor
