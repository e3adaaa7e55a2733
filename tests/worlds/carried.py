"""A bearing between an eccentric and its disc whose cage strikes, or whose roller strikes as it comes under load.

Angles are reckoned from surfaces that roll, in numbers of this file; an impact is a damped ring of the casing.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from tests.worlds.case import WorldCase

Array = NDArray[np.float64]
RATE_HZ = 20_000.0
RESONANCES_HZ = (2_700.0, 4_300.0, 6_100.0)
DAMPING = 0.025
KINDS = ("sound", "cage on the load", "cage on the housing", "cage on the inner ring's bolt", "roller under load")
IMPACTS_M_S2 = 3.0
NOISE_M_S2 = 0.5

DRIVE = """tag = "W-1"
[input]
speed_rpm = {rpm:.1f}
speed_range_rpm = [{low:.1f}, {high:.1f}]
power_kw = 3.0
[[stage]]
kind = "cycloidal"
lobes = {lobes}
ring_pins = {pins}
output_pins = 9
discs = 2
[[bearing]]
name = "eccentric bearing"
inner = "stage1.eccentric"
outer = "stage1.disc"
elements = {count}
element_diameter_mm = {element:.2f}
pitch_diameter_mm = {pitch:.2f}
"""


def _angles(rng: np.random.Generator, hz: float, seconds: float) -> tuple[Array, Array]:
    time_s = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    wander = 2e-4 * np.sin(2 * np.pi * (0.3 * time_s + rng.uniform())) / (2 * np.pi * 0.3)
    return time_s, rng.uniform() + hz * (time_s + wander)


def _events(passing: Array, time_s: Array) -> Array:
    """Times at which an angle goes through whole turns."""
    rising = passing if passing[-1] > passing[0] else -passing
    return np.interp(np.arange(np.ceil(rising[0]), np.floor(rising[-1]) + 1), rising, time_s)


def _rung(rng: np.random.Generator, time_s: Array, at_s: Array, heights: Array) -> Array:
    kicks = np.zeros(time_s.size)
    places = np.clip(np.round(at_s * RATE_HZ).astype(int), 0, time_s.size - 1)
    np.add.at(kicks, places, heights)
    ring_s = np.arange(round(0.02 * RATE_HZ)) / RATE_HZ
    answer = sum(
        np.exp(-2 * np.pi * hz * DAMPING * ring_s) * np.sin(2 * np.pi * hz * ring_s) * rng.uniform(0.5, 1.0)
        for hz in RESONANCES_HZ
    )
    size = 1 << (time_s.size + ring_s.size).bit_length()
    return np.asarray(np.fft.irfft(np.fft.rfft(kicks, size) * np.fft.rfft(answer, size), size)[: time_s.size])


def made(number: int) -> WorldCase:
    """Capture ``number``: kinds in turn, another drive and another bearing each time."""
    rng = np.random.default_rng([number, 77])
    kind = KINDS[number % len(KINDS)]
    lobes = int(rng.choice([11, 17, 23, 29, 43]))
    pins, rpm = lobes + 1, float(rng.uniform(900, 1750))
    count, element, pitch = [(11, 9.0, 36.0), (13, 10.0, 45.0), (9, 11.0, 40.0)][rng.integers(3)]
    hz = rpm * float(rng.uniform(0.985, 1.015)) / 60
    time_s, eccentric = _angles(rng, hz, 12.0)
    disc = -eccentric / lobes
    # The element's centre goes with the mean of the two surfaces' speeds; a little of its rolling is lost.
    slip = float(rng.uniform(0.001, 0.008))
    inner_mm, outer_mm = (pitch - element) / 2, (pitch + element) / 2
    mean_mm = (inner_mm * eccentric + outer_mm * disc) / 2
    cage = disc + (mean_mm / (pitch / 2) - disc) * (1 - slip)
    spin = (disc - cage) * outer_mm / (element / 2)
    jitter_s = 1e-4 / hz
    at_s, heights = np.empty(0), np.empty(0)
    if kind.startswith("cage"):
        struck = {"load": eccentric, "housing": 0 * eccentric, "bolt": eccentric + 0.3}[kind.split()[-1]]
        at_s = _events(cage - struck, time_s)
        heights = rng.uniform(0.7, 1.3, at_s.size)
    elif kind.startswith("roller"):
        # Struck by both rings each spin, one 30 % harder; detected while it is in the loaded half, which the eccentric
        # carries round.
        both = [(_events(spin, time_s), 1.3), (_events(spin + 0.5, time_s), 1.0)]
        at_s = np.concatenate([times for times, _ in both])
        heights = np.concatenate([np.full(times.size, height) for times, height in both])
        from_load = np.interp(at_s, time_s, cage - eccentric)
        heights *= np.maximum(np.cos(2 * np.pi * from_load), 0.03) * rng.uniform(0.8, 1.2, at_s.size)
    at_s = at_s + jitter_s * rng.standard_normal(at_s.size)
    size = IMPACTS_M_S2 * float(rng.uniform(0.8, 2.0))
    impacts = size * _rung(rng, time_s, at_s, heights)
    channels = {}
    for point, reach in (("input side", 1.0), ("output side", 0.6)):
        hum = sum(
            rng.uniform(0.02, 0.15) * np.cos(2 * np.pi * (order * eccentric + rng.uniform()))
            for order in (1, 2, 3, pins, 2 * pins, pins - 1, pins + 1, pins / lobes, 2 * pins / lobes)
        )
        hiss = NOISE_M_S2 * rng.standard_normal(time_s.size)
        hiss *= 1 + 0.1 * np.cos(2 * np.pi * (eccentric + rng.uniform()))
        channels[point] = (reach * impacts + hum + hiss).astype(np.float32)
    part = "cage" if kind.startswith("cage") else "rolling_element"
    return WorldCase(
        name=f"carried {number}", kind=kind, truth="sound" if kind == "sound" else "damaged",
        drive_toml=DRIVE.format(
            rpm=rpm, low=0.97 * rpm, high=1.03 * rpm, lobes=lobes, pins=pins, count=count, element=element, pitch=pitch
        ),
        channels=channels, sample_rate_hz=RATE_HZ, speed_hz=hz,
        damaged=() if kind == "sound" else (f"bearing.eccentric bearing.{part}",),
        marks={"hit_m_s2": size},
    )  # fmt: skip
