"""What sensors and recorders do to the true acceleration."""

from __future__ import annotations

import numpy as np
from scipy.fft import irfft, rfft, rfftfreq

from vibe.core.units import STANDARD_GRAVITY_M_S2
from vibe.synth.machine.motion import TURN, Array
from vibe.synth.machine.structure import low_pass
from vibe.synth.scene import Scene

SENSOR_NOISE_M_S2 = 0.008
"""R.m.s. over the band: 0.8 mg, of a usual industrial sensor (common practice)."""
CONVERTER_NOISE = 0.1
"""The recorder's converter adds this share of the sensor's noise."""
RANGES_M_S2 = (5.0, 10.0, 20.0, 50.0, 100.0, 200.0, 500.0, 1000.0, 5000.0, 1e5)
"""Input ranges of the recorder, steps of 1, 2, 5 (common practice); the last ones hold whatever comes."""
LOOSE_MOUNT_HZ = 1500.0
"""A magnet that rocks on paint resonates in the low kilohertz (order of magnitude after ISO 5348, from memory)."""


def sensor_noise(scene: Scene, point: str, count: int) -> Array:
    """White floor plus a little 1/f, as piezoelectric sensors have."""
    rng = scene.streams.capture(f"sensor noise {point}")
    rate = scene.conditions.sample_rate_hz
    spectrum = rfft(rng.standard_normal(count))
    axis = rfftfreq(count, 1.0 / rate)
    spectrum *= np.sqrt(1.0 + 5.0 / np.maximum(axis, 0.3)) * low_pass(axis, rate)
    spectrum[0] = 0.0
    converter = CONVERTER_NOISE * rng.standard_normal(count)  # behind the filter, so it fills the stop band too
    return np.asarray(SENSOR_NOISE_M_S2 * scene.conditions.sensor_noise * (irfft(spectrum, count) + converter))


def full_scale(peak: float) -> float:
    """The recorder's range a careful technician sets: the next one above 1.5 times the peak."""
    return next((r for r in RANGES_M_S2 if r >= 1.5 * peak), float(2.0 * peak))


def spoil(scene: Scene, point: str, samples: Array, faults: tuple[str, ...]) -> tuple[Array, float]:
    """The channel as its faulty sensor gives it, and the range of the recorder. NaN marks missing samples."""
    rng = scene.streams.capture(f"fault {point}")
    rate = scene.conditions.sample_rate_hz
    time_s = np.arange(samples.size) / rate
    out = samples.copy()
    for fault in faults:
        if fault == "loose":
            out = _loose(out, rate, rng)
        elif fault == "dead":
            out = 1e-4 * rng.standard_normal(out.size)
        elif fault == "settling":
            out = out + 60.0 * np.exp(-time_s / (0.25 * scene.conditions.duration_s))
        elif fault == "ski slope":
            out = out + _walk(out.size, rate, rng)
        elif fault == "offset":
            out = out + 4.0 * max(float(np.std(out)), 1.0)
        elif fault == "wrong unit":
            out = out / STANDARD_GRAVITY_M_S2 * 1e-3
    limit = full_scale(float(np.max(np.abs(out))))
    for fault in faults:
        if fault == "clipped":
            limit = float(np.quantile(np.abs(out), 0.985))
            out = np.clip(out, -limit, limit)
        elif fault == "coarse":
            step = 1.2 * float(np.std(out))
            out = step * np.round(out / step)
        elif fault == "dropouts":
            for start in rng.integers(0, max(1, out.size - 1), 6):
                out[start : start + int(rate * rng.uniform(0.02, 0.2))] = np.nan
    return out, limit


def _loose(samples: Array, rate: float, rng: np.random.Generator) -> Array:
    """Mount resonance low in the band, little above it, and the sensor chatters when it is shaken off its seat."""
    axis = rfftfreq(samples.size, 1.0 / rate)
    mount = LOOSE_MOUNT_HZ * rng.uniform(0.8, 1.2)
    response = mount**2 / (mount**2 - axis**2 + 2j * 0.02 * mount * axis)
    out = np.asarray(irfft(rfft(samples) * response, samples.size))
    limit = 1.8 * float(np.std(out))
    # Leaves its seat in one direction only: a one-sided soft limit.
    return np.where(out > limit, limit + 0.25 * (out - limit), out)


def _walk(count: int, rate: float, rng: np.random.Generator) -> Array:
    """An overloaded amplifier: noise that rises towards zero frequency as f^-2, no mean."""
    axis = rfftfreq(count, 1.0 / rate)
    spectrum = np.where(axis > 0, 1.0, 0.0) / np.maximum(axis, 0.5) ** 2
    shape = spectrum * np.exp(1j * rng.uniform(0.0, TURN, axis.size))
    walk = np.asarray(irfft(shape, count))
    return np.asarray(6.0 * walk / np.std(walk))


def tachometer(scene: Scene, count: int) -> Array:
    """Level [V] of a pulse sensor: a pulse starts when the input passes zero, 12 % of the pitch wide.

    Edges are ramps over two samples, so that their crossing gives the instant between samples.
    """
    turns = scene.motion.input_turns[-count:] * scene.conditions.pulses_per_rev
    per_sample = np.gradient(turns)
    place = turns - np.floor(turns)
    duty = 0.12
    # Distance to the rising and to the falling edge, in samples, each wrapped to the nearest pulse.
    rise = (place - np.round(place)) / per_sample
    fall = (place - duty - np.round(place - duty)) / per_sample
    high = np.where(np.abs(rise) < 1.0, 0.5 + 0.5 * rise, np.where(place < duty, 1.0, 0.0))
    high = np.where((np.abs(fall) < 1.0) & (np.abs(rise) >= 1.0), 0.5 - 0.5 * fall, high)
    if not scene.conditions.running:
        high = np.zeros(count)
    rng = scene.streams.capture("tachometer")
    return np.asarray(0.05 + 4.9 * high + 0.02 * rng.standard_normal(count))
