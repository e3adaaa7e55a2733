"""Drives whose speed wanders, cycles, rises or stands, with and without a pulse sensor.

Code of its own: orders are counted from lobes and pins here, the angle is integrated from a speed on a fine grid, and
pulses are drawn where it passes them. Neither the tone table nor the simulator has a hand in it.
"""

from __future__ import annotations

from typing import Literal

import numpy as np
from numpy.typing import NDArray

from tests.worlds.case import WorldCase

Real = NDArray[np.float64]
Motion = Literal["steady", "wander", "ramp", "load cycles", "start", "stop"]
MOTIONS: tuple[Motion, ...] = ("steady", "wander", "ramp", "load cycles")
RATE_HZ = 6400.0
LOBES = (11, 15, 17, 23, 29, 35)
FINE = 8
"""Points of the angle per sample: pulses and truth are read between samples."""


def drive_toml(lobes: int, plate_rpm: float, range_rpm: tuple[float, float]) -> str:
    """A single cycloidal stage with one eccentric bearing."""
    return f"""tag = "W-{lobes}"
name = "Drive of a made-up world"
[input]
speed_rpm = {plate_rpm!r}
speed_range_rpm = [{range_rpm[0]!r}, {range_rpm[1]!r}]
power_kw = 2.2
[[stage]]
kind = "cycloidal"
lobes = {lobes}
ring_pins = {lobes + 1}
output_pins = 8
discs = 2
fixed = "ring"
[[bearing]]
name = "eccentric bearing"
inner = "stage1.eccentric"
outer = "stage1.disc"
load = "stage1.eccentric"
elements = 11
element_diameter_mm = 9.0
pitch_diameter_mm = 36.0
contact_angle_deg = 0.0
"""


def speed_over(motion: Motion, time_s: Real, mean_hz: float, rng: np.random.Generator) -> Real:
    """Speed [Hz] at ``time_s``. Every running drive wanders a little; ``motion`` says what comes on top."""
    span = time_s[-1]
    # White torque on an inertia with friction: the speed is red noise with a time constant of one to ten seconds.
    lag = rng.uniform(1.0, 10.0)
    knots = np.arange(0.0, span + 0.2, 0.05)
    walk = np.zeros(knots.size)
    for k in range(1, knots.size):
        walk[k] = walk[k - 1] * np.exp(-0.05 / lag) + rng.normal() * np.sqrt(1 - np.exp(-0.1 / lag))
    depth = 10 ** rng.uniform(-4.5, -3.5) if motion != "wander" else 10 ** rng.uniform(-3.5, -2.4)
    share = 1.0 + depth * np.interp(time_s, knots, walk)
    if motion == "ramp":
        share += rng.choice([-1.0, 1.0]) * rng.uniform(0.005, 0.03) * (time_s / span - 0.5)
    elif motion == "load cycles":
        period = rng.uniform(1.5, 5.0)
        share += rng.uniform(0.003, 0.009) * np.sin(2 * np.pi * (time_s / period + rng.uniform()))
    elif motion in ("start", "stop"):
        # At rest, then up within two to four seconds, then running; a stop is that backwards.
        rest, rise = rng.uniform(0.5, 1.5), rng.uniform(2.0, 4.0)
        up = np.clip((time_s - rest) / rise, 0.0, 1.0)
        up = up if motion == "start" else up[::-1]
        share *= up
    return mean_hz * share


def angle_of(time_s: Real, speed_hz: Real, start: float) -> Real:
    """Turns at ``time_s``, the integral of the speed by trapezia."""
    steps = np.diff(time_s) * (speed_hz[1:] + speed_hz[:-1]) / 2
    return start + np.concatenate([[0.0], np.cumsum(steps)])


def pulse_row(turns: Real, per_rev: int, rng: np.random.Generator, *, jitter_turns: float, lost: float) -> Real:
    """The level [V] of a pulse sensor at every sample: unevenly spaced marks, jitter, lost and doubled pulses.

    ``turns`` is the angle at ``FINE`` points per sample; ``lost`` the share of pulses lost, and of those doubled.
    """
    n = turns.size // FINE
    row = rng.normal(0.0, 0.05, n)
    marks = rng.normal(0.0, 0.002 if per_rev > 1 else 0.0, per_rev) / per_rev
    first, last = int(np.ceil(turns[0] * per_rev)), int(np.floor(turns[-1] * per_rev))
    number = np.arange(first, last + 1)
    if number.size == 0:
        return row
    at_turns = number / per_rev + marks[number % per_rev] + rng.normal(0.0, jitter_turns, number.size)
    at = np.interp(at_turns, turns, np.arange(turns.size)) / FINE
    ends = np.interp(at_turns + 0.2 / per_rev, turns, np.arange(turns.size)) / FINE
    for begin, end in zip(at, ends, strict=True):
        if rng.random() < lost:
            continue
        spans = [(begin, end)]
        if rng.random() < lost:
            spans = [(begin, begin + 0.3 * (end - begin)), (begin + 0.5 * (end - begin), end)]
        for a, b in spans:
            # The sample in which the level rises holds its share of it.
            i, j = int(a), min(int(b), n - 1)
            if i < n:
                row[i] += 5.0 * (1 - (a - i))
                row[i + 1 : j + 1] += 5.0
    return row


def vibration(turns: Real, speed_hz: Real, lobes: int, rng: np.random.Generator, *, loud: float = 1.0) -> Real:
    """Acceleration [m/s²] of a sound drive: its shaft, lobes and mesh, each amplitude drawn, in the noise of a casing.

    ``turns`` and ``speed_hz`` at every sample. Lines grow with the square of speed, as forces of inertia do.
    """
    n, pins = turns.size, lobes + 1
    follow = (speed_hz / speed_hz.max()) ** 2
    row = np.zeros(n)
    orders = [(k * 1.0, 0.2 / k) for k in range(1, 5)]
    orders += [(k * pins / lobes, 0.03 / k) for k in (1, 2, 3)]
    orders += [(k * float(pins), 0.3 / k) for k in (1, 2, 3)]
    orders += [(pins + side, 0.06) for side in (-1.0, 1.0)]
    for order, size in orders:
        amplitude = loud * size * 10 ** rng.uniform(-0.4, 0.4)
        row += amplitude * np.cos(2 * np.pi * (order * turns + rng.uniform()))
    noise = rng.normal(size=n)
    spectrum = np.fft.rfft(noise)
    hz = np.arange(spectrum.size) * RATE_HZ / n
    for middle, width in ((700.0, 120.0), (1900.0, 200.0), (2500.0, 150.0)):
        spectrum *= 1 + 2.0 / (1 + ((hz - middle) / width) ** 2)
    noise = np.fft.irfft(spectrum, n)
    return row * follow + 0.15 * noise / np.std(noise) * (0.2 + 0.8 * follow)


def speed_case(number: int, motion: Motion, *, pulses: bool, detected: bool = True, noted: bool = False) -> WorldCase:
    """A sound drive whose speed moves as ``motion`` says.

    ``detected``: whether its lines stand out of the noise at all; ``noted``: its speed was read off a display, up to
    1 % wrong. Marks: ``turns``, the truth in turns of the whole capture, and the share of pulses lost.
    """
    rng = np.random.default_rng([number, *motion.encode(), *b"speeds"])
    lobes = int(rng.choice(LOBES))
    plate = float(rng.choice([960.0, 1450.0, 1460.0]))
    low, high = plate * (1 - rng.uniform(0.015, 0.03)), plate * (1 + rng.uniform(0.02, 0.03))
    margin = 0.015 if motion in ("ramp", "load cycles", "wander") else 0.0
    mean_hz = rng.uniform(low * (1 + margin), high * (1 - margin)) / 60.0
    duration = float(rng.uniform(6.0, 14.0))
    n = round(duration * RATE_HZ)
    time_s = np.arange(n * FINE) / (RATE_HZ * FINE)
    speed_hz = speed_over(motion, time_s, mean_hz, rng)
    turns = angle_of(time_s, speed_hz, rng.uniform())
    per_rev = int(rng.choice([1, 1, 1, 2, 6, 24]))
    lost = float(rng.choice([0.0, 0.0, 0.01, 0.03]))
    row = None
    if pulses:
        row = pulse_row(turns, per_rev, rng, jitter_turns=10 ** rng.uniform(-4.5, -2.7) / per_rev, lost=lost)
    loud = 1.0 if detected else 0.0
    channels = {
        f"point {k}": vibration(turns[::FINE], speed_hz[::FINE], lobes, rng, loud=loud).astype(np.float32)
        for k in (1, 2)
    }
    true_hz = float(turns[-1] - turns[0]) / float(time_s[-1])
    return WorldCase(
        name=f"{motion}-{number}", kind=motion, truth="sound",
        drive_toml=drive_toml(lobes, plate, (low, high)),
        channels=channels, sample_rate_hz=RATE_HZ, speed_hz=true_hz,
        pulses=None if row is None else row.astype(np.float32), pulses_per_rev=float(per_rev),
        noted_rpm=60.0 * true_hz * (1 + rng.uniform(-0.01, 0.01)) if noted else None,
        marks={"lost": lost, "per rev": per_rev, "drift": float(np.ptp(speed_hz) / true_hz)},
    )  # fmt: skip
