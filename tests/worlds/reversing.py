"""A robot joint that swings to and fro over 120°, with and without a spalled crank bearing.

The angle of the motor is integrated from trapezoidal moves; wheels and rollers roll without slip, written out here by
the ratio of their radii. A roller of the crank bearing meets the spall on the outer race when the cage has carried it
there, whichever way it comes from: the impacts are read off the angle, to and fro.
"""

from __future__ import annotations

from typing import Literal

import numpy as np
from numpy.typing import NDArray

from tests.worlds.case import WorldCase
from tests.worlds.speeds import FINE, pulse_row

Real = NDArray[np.float64]
Sensor = Literal["angle", "signed pulses", "tachometer", "none"]
RATE_HZ = 12_800.0
SUN, PLANET, LOBES, PINS = 16, 48, 39, 40
SWING_TURNS = 120.0 / 360.0
CRANK_BEARINGS = ((12, 6.0, 30.0), (14, 5.0, 27.0), (13, 5.5, 28.5), (16, 5.0, 31.0))
"""(rollers, their diameter, pitch diameter [mm]): joints have one after another."""
RATIO = 1 + PINS * PLANET / SUN
"""Turns of the sun per turn of the carrier: in the carrier's frame the crank turns PINS times per turn of the ring, as
the disc moves on by one lobe with each, and the sun PLANET / SUN times per turn of the crank."""
CRANK = (1 - 1 / RATIO) * SUN / PLANET
"""Turns of the crank, seen from disc and carrier, per turn of the sun."""
DRIVE = f"""tag = "RJ-1"
name = "Robot joint of a made-up world"
[input]
speed_rpm = 1800.0
speed_range_rpm = [300.0, 2200.0]
power_kw = 1.0
[[stage]]
kind = "rv"
sun_teeth = {SUN}
planet_teeth = {PLANET}
cranks = 3
lobes = {LOBES}
ring_pins = {PINS}
discs = 2
fixed = "ring"
[[bearing]]
name = "crank bearing"
inner = "stage1.crank"
outer = "stage1.disc"
load = "stage1.crank"
elements = @rollers@
element_diameter_mm = @roller@
pitch_diameter_mm = @pitch@
contact_angle_deg = 0.0
[[bearing]]
name = "output bearing"
inner = "stage1.carrier"
outer = "housing"
elements = 38
element_diameter_mm = 8.0
pitch_diameter_mm = 128.0
contact_angle_deg = 0.0
"""


def outer_race_order(number: int) -> float:
    """Impacts on the outer race per turn of the sun: the cage turns at half the mean of the rings' rolling speeds."""
    rollers, roller_mm, pitch_mm = CRANK_BEARINGS[number % len(CRANK_BEARINGS)]
    return rollers * 0.5 * (1 - roller_mm / pitch_mm) * CRANK


def drive_of(number: int) -> str:
    """The drive file of a joint."""
    rollers, roller_mm, pitch_mm = CRANK_BEARINGS[number % len(CRANK_BEARINGS)]
    text = DRIVE.replace("@rollers@", str(rollers)).replace("@roller@", str(roller_mm))
    return text.replace("@pitch@", str(pitch_mm))


def swings(time_s: Real, rng: np.random.Generator) -> Real:
    """Speed of the motor [Hz], signed: to and fro over the swing, with a pause at either end."""
    top, rise, pause = rng.uniform(27.0, 32.0), rng.uniform(0.25, 0.4), rng.uniform(0.15, 0.4)
    turns = SWING_TURNS * RATIO
    move = turns / top + rise
    period = move + pause
    start = rng.uniform(0.0, period)
    within = np.mod(time_s + start, period)
    number = np.floor((time_s + start) / period)
    level = np.clip(np.minimum(within / rise, (move - within) / rise), 0.0, 1.0)
    return np.where(np.mod(number, 2) == 0, 1.0, -1.0) * top * level


def impacts_at(number: int, turns: Real, speed_hz: Real, rng: np.random.Generator) -> tuple[Real, Real]:
    """Instants, in points of ``turns``, at which a roller meets the spall, and the strength of each, 1 at 30 Hz.

    Rollers slip a little, and more where the direction changes: their place is a slow walk next to the angle.
    """
    rollers = CRANK_BEARINGS[number % len(CRANK_BEARINGS)][0]
    cage = outer_race_order(number) / rollers * turns
    travelled = np.concatenate([[0.0], np.cumsum(np.abs(np.diff(turns)))]) * CRANK
    knots = np.arange(0.0, travelled[-1] + 2.0)
    cage = cage + np.interp(travelled, knots, np.cumsum(rng.normal(0.0, 5e-4, knots.size)))
    place = np.floor(cage * rollers + rng.uniform())
    at = np.flatnonzero(np.diff(place) != 0)
    # The load turns with the crank; the spall is in it for half the turn, and knocks a little on the other half.
    load = 0.35 + 0.65 * np.maximum(0.0, np.cos(2 * np.pi * (CRANK * turns[at] + rng.uniform())))
    return at.astype(np.float64), load * np.abs(speed_hz[at]) / 30.0 * rng.lognormal(0.0, 0.15, at.size)


def joint(number: int, *, hit_m_s2: float, sensor: Sensor, duration_s: float = 24.0) -> WorldCase:
    """A joint that swings for ``duration_s``; ``hit_m_s2``: peak of an impact at 30 turns a second, 0 for a sound
    one."""
    rng = np.random.default_rng([number, *b"reversing"])
    n = round(duration_s * RATE_HZ)
    time_s = np.arange(n * FINE) / (RATE_HZ * FINE)
    speed = swings(time_s, rng)
    turns = rng.uniform() + np.concatenate([[0.0], np.cumsum((speed[1:] + speed[:-1]) / 2 * np.diff(time_s))])
    own, own_speed = turns[::FINE], speed[::FINE]
    at, strength = impacts_at(number, turns, speed, np.random.default_rng([number, *b"hits"]))
    channels = {}
    for k, (casing_hz, share) in enumerate(((3100.0, 1.0), (3700.0, 0.6))):
        follow = np.abs(own_speed) / 30.0
        row = rng.normal(size=n)
        spectrum = np.fft.rfft(row)
        hz = np.arange(spectrum.size) * RATE_HZ / n
        for middle, width in ((900.0, 150.0), (2300.0, 300.0), (casing_hz, 250.0)):
            spectrum *= 1 + 2.0 / (1 + ((hz - middle) / width) ** 2)
        row = np.fft.irfft(spectrum, n)
        row *= 0.6 / np.std(row) * (0.1 + 0.9 * follow)
        for order, size in ((1.0, 0.2), (2.0, 0.1), (SUN * (1 - 1 / RATIO), 0.5), (CRANK * PINS, 0.3), (CRANK, 0.1)):
            row += size * 10 ** rng.uniform(-0.3, 0.3) * follow * np.cos(2 * np.pi * (order * own + rng.uniform()))
        if hit_m_s2 > 0:
            train = np.zeros(n)
            np.add.at(train, np.minimum((at / FINE).astype(int), n - 1), strength * hit_m_s2 * share)
            ring = np.arange(round(0.02 * RATE_HZ)) / RATE_HZ
            ringing = np.exp(-2 * np.pi * 0.03 * casing_hz * ring) * np.sin(2 * np.pi * casing_hz * ring)
            row += np.convolve(train, ringing)[:n]
        channels[f"point {k + 1}"] = row.astype(np.float32)
    return WorldCase(
        name=f"joint-{number}-{hit_m_s2:g}", kind=sensor, truth="damaged" if hit_m_s2 > 0 else "sound",
        drive_toml=drive_of(number), channels=channels, sample_rate_hz=RATE_HZ, speed_hz=None,
        pulses=_sensed(turns, speed, sensor, rng), pulses_per_rev=4096.0 if sensor == "angle" else 8.0,
        pulses_quantity="tachometer" if sensor == "none" else sensor,
        pulses_unit="count" if sensor == "angle" else "V",
        damaged=("bearing.crank bearing.outer_race",) if hit_m_s2 > 0 else (), marks={"hit": hit_m_s2},
    )  # fmt: skip


def _sensed(turns: Real, speed: Real, sensor: Sensor, rng: np.random.Generator) -> NDArray[np.float32] | None:
    if sensor == "none":
        return None
    if sensor == "angle":
        return np.floor(turns[::FINE] * 4096).astype(np.float32)
    # Pulses of either direction are drawn where the angle passes a mark; a mark's width lies behind its edge.
    travelled = np.concatenate([[0.0], np.cumsum(np.abs(np.diff(turns)))])
    row = pulse_row(travelled, 8, rng, jitter_turns=1e-5, lost=0.0)
    if sensor == "signed pulses":
        row = row * np.where(speed[::FINE] < 0, -1.0, 1.0)
    return row.astype(np.float32)


def plain_recipe_db(case: WorldCase, order: float, mean_hz: float) -> float:
    """What a plain envelope spectrum against time shows at ``order`` times the mean speed: the highest line within 5 %
    over the median next to it [dB]."""
    best = -np.inf
    for row in case.channels.values():
        spectrum = np.fft.fft(row.astype(np.float64))
        hz = np.abs(np.fft.fftfreq(row.size, 1 / case.sample_rate_hz))
        spectrum[(hz < 2000.0) | (hz > 5000.0)] = 0.0
        spectrum[row.size // 2 :] = 0.0
        envelope = np.abs(np.fft.ifft(spectrum)) ** 2
        power = np.abs(np.fft.rfft((envelope - envelope.mean()) * np.hanning(row.size))) ** 2
        at = np.arange(power.size) * case.sample_rate_hz / row.size
        near = np.abs(at / (order * mean_hz) - 1) < 0.05
        next_to = np.abs(at / (order * mean_hz) - 1) < 0.3
        best = max(best, 10 * np.log10(power[near].max() / (np.median(power[next_to]) / np.log(2.0))))
    return float(best)
