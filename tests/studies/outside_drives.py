"""Cycloidal drives made by code of its own, for the study of unknown drives: forces of discs at their angles, added up.

Each disc is pressed against the ring by the eccentric, a turn of which it meets all pins; their pitch errors and the
mesh itself make a pattern over that angle, the errors of its lobes and output pins one over its angle past the disc.
Discs stand at equal angles, so that what they have in common cancels or adds up by itself. Nothing here knows a tone.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vibe.core.capture import Capture

RATE_HZ, HARMONICS = 12_800.0, 3
Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class OutsideDrive:
    """What was built: counts, discs, whether unbalance drowns the rest; and the noise [m/s², r.m.s.]."""

    lobes: int
    discs: int
    rpm: float
    range_rpm: tuple[float, float]
    dominated: bool
    noise: float


def drawn(seed: int, *, discs: int, dominated: bool) -> tuple[OutsideDrive, np.random.Generator]:
    """A drive that nobody described."""
    rng = np.random.default_rng([seed, discs, int(dominated), *b"outside"])
    lobes = int(np.clip(np.round(np.exp(rng.uniform(np.log(7.5), np.log(90.0)))), 8, 90))
    rpm = float(rng.choice([970.0, 1455.0, 1465.0])) * rng.uniform(0.99, 1.01)
    width = rng.uniform(0.04, 0.15)
    return OutsideDrive(
        lobes=lobes, discs=discs, rpm=rpm, range_rpm=(rpm * (1 - width), rpm * (1 + width)), dominated=dominated,
        noise=float(np.exp(rng.uniform(np.log(0.03), np.log(1.0)))),
    ), rng  # fmt: skip


def captured(drive: OutsideDrive, rng: np.random.Generator, captures: int = 1, seconds: float = 10.0) -> list[Capture]:
    """Captures of one drive, each at a speed of its own within its slip."""
    pins = drive.lobes + 1
    error = rng.uniform(0.1, 0.4)
    ring = _errors(rng, 3 * pins, error)
    for times in range(1, HARMONICS + 1):
        ring[times * pins] += rng.uniform(0.3, 1.5) / times**1.5 * (0.1 if drive.dominated else 1.0)
    # Discs are cut together: what they have in common is most of their errors.
    common, apart = _errors(rng, 3 * drive.lobes, error), rng.uniform(0.02, 0.3)
    lobes = [common + apart * _errors(rng, 3 * drive.lobes, error) for _ in range(drive.discs)]
    unbalance = rng.uniform(8.0, 20.0) if drive.dominated else rng.uniform(0.2, 2.0)
    resonances = np.exp(rng.uniform(np.log(200.0), np.log(3000.0), 4))
    made = []
    for _ in range(captures):
        time = np.arange(int(RATE_HZ * seconds)) / RATE_HZ
        wander = rng.choice([0.0, 1e-4, 5e-4])
        speed = drive.rpm / 60 * (1 + 2e-3 * rng.uniform(-1, 1))
        turns = speed * (time + wander * 5.0 / (2 * np.pi) * np.sin(2 * np.pi * (time / 5.0 + rng.uniform())))
        force = _force(turns, drive, ring, lobes, rng.uniform(0, 2 * np.pi, 2))
        force += unbalance * np.cos(2 * np.pi * turns) + 0.2 * unbalance * np.cos(4 * np.pi * turns + 1.0)
        felt = _through(force, resonances) + drive.noise * rng.standard_normal(time.size)
        made.append(Capture.from_arrays({"housing": felt}, sample_rate_hz=RATE_HZ, unit="m/s^2"))
    return made


def _errors(rng: np.random.Generator, count: int, size: float) -> NDArray[np.complex128]:
    """Fourier coefficients of a pattern of random errors, falling slowly with their order."""
    order = np.arange(count + 1)
    random = rng.standard_normal(count + 1) + 1j * rng.standard_normal(count + 1)
    return np.asarray(np.where(order > 0, size * random / np.maximum(order, 1) ** 0.7, 0.0))


def _force(turns: Array, drive: OutsideDrive, ring: NDArray[np.complex128], lobes: list[NDArray[np.complex128]],
           angles: Array) -> Array:  # fmt: skip
    """Radial forces as they turn with each eccentric, and torque, at a sensor that feels some of both."""
    total = np.zeros(turns.size)
    for number, own in enumerate(lobes):
        angle = turns + number / drive.discs
        past = turns * (1 + 1 / drive.lobes) + number / drive.discs
        pattern = 1.0 + _pattern(ring, angle) + _pattern(own, past)
        total += pattern * (np.cos(2 * np.pi * angle + angles[0]) + 0.5 * np.cos(angles[1]))
    return total


def _pattern(coefficients: NDArray[np.complex128], turns: Array) -> Array:
    """Sum of harmonics at an angle, from a table of one turn."""
    count = 1 << 13
    spectrum = np.zeros(count // 2 + 1, dtype=np.complex128)
    spectrum[: coefficients.size] = coefficients * count / 2
    table = np.fft.irfft(spectrum, count)
    place = (turns % 1.0) * count
    return np.asarray(np.interp(place, np.arange(count + 1), np.append(table, table[0])))


def _through(force: Array, resonances: Array) -> Array:
    """Acceleration of a housing with a few resonances."""
    size = force.size
    hz = np.fft.rfftfreq(size, 1 / RATE_HZ)
    answer = 0.05 + sum(0.3 * (hz / f) ** 2 / (1 - (hz / f) ** 2 + 0.08j * hz / f) for f in resonances)
    return np.asarray(np.fft.irfft(np.fft.rfft(force) * answer, size))
