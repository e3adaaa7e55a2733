"""What recorders, cables and people do to good samples, for a practice round: each fault at one strength."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Literal, get_args

import numpy as np

from vibe.core.capture import Capture
from vibe.synth.samples.recorder_faults import (
    Array,
    copied,
    cut_out,
    filled,
    integrated,
    keyed,
    on_spring,
    overflowed,
    repeated,
    slewed,
    with_hum,
    with_samples,
)

SampleFault = Literal[
    "at rest", "samples lost", "overflow", "hum", "rate wrong", "scaled", "block repeated", "one sensor twice",
    "velocity", "soft mount", "filled by zeros", "filled by lines", "clock not set", "unnamed", "coarse steps",
    "radio bursts", "slow amplifier",
]  # fmt: skip
"""``at rest``: without a pulse sensor, next to a pump that runs; ``scaled``: a range ten times wrong."""
SAMPLE_FAULTS: tuple[SampleFault, ...] = get_args(SampleFault)

UNSET_YEAR = 2000
"""Where a clock begins that lost its battery."""
GSM_FRAMES_HZ = 26e3 / 120
"""26 frames in 120 ms, of eight slots each (3GPP TS 45.002, from memory)."""
LOST_S = 0.28
"""A gap as a full buffer leaves it (our choice)."""
STEP_RMS = 0.8
"""A recorder's step, in r.m.s. values of the vibration: eight bits of a range that is far too wide."""
RATE_OFF = 1.02
"""Of a sample rate that was written down as a round number, as 20 480 for 20 000."""


def spoiled(capture: Capture, fault: SampleFault, rng: np.random.Generator) -> Capture:
    """``capture`` as it comes home with ``fault`` in it."""
    if fault == "rate wrong":
        return replace(
            capture, channels=tuple(replace(c, sample_rate_hz=RATE_OFF * c.sample_rate_hz) for c in capture.channels)
        )
    if fault == "clock not set":
        when = capture.measured_at
        return replace(capture, measured_at=None if when is None else when.replace(year=UNSET_YEAR, month=1, day=1))
    if fault == "unnamed":
        names = {channel.name: f"ch{number}" for number, channel in enumerate(capture.vibration)}
        return replace(
            capture, channels=tuple(replace(c, name=names.get(c.name, c.name)) for c in capture.channels)
        )  # fmt: skip
    if fault == "one sensor twice":
        first, *others = capture.vibration
        twin = copied(first.samples.astype(np.float64), rng)
        copies = {other.name: with_samples(other, twin) for other in others}
        return replace(capture, channels=tuple(copies.get(c.name, c) for c in capture.channels))
    change = _ON_SAMPLES[fault]
    seed = int(rng.integers(2**31))
    # What a recorder loses it loses on all its inputs at one time; noise is of each channel.
    seeds = [[seed, number] if fault == "at rest" else [seed] for number in range(len(capture.channels))]
    rows = [
        change(c.samples.astype(np.float64), c.sample_rate_hz, np.random.default_rng(own))
        for c, own in zip(capture.channels, seeds, strict=True)
    ]
    return replace(capture, channels=tuple(with_samples(c, row) for c, row in zip(capture.channels, rows, strict=True)))


def _at_rest(x: Array, rate_hz: float, rng: np.random.Generator) -> Array:
    """Noise of sensor and recorder, and a pump of five vanes next door."""
    time_s = np.arange(x.size) / rate_hz
    turn = 2 * np.pi * 24.1 * time_s
    pump = np.sin(turn) + 0.6 * np.sin(2 * turn + 1) + 1.2 * np.sin(5 * turn + 2) + 0.5 * np.sin(10 * turn)
    return 0.012 * pump + 0.006 * rng.standard_normal(x.size)


def _lost(x: Array, rate_hz: float, *_: object) -> Array:
    return cut_out(x, round(0.45 * x.size), round(LOST_S * rate_hz))


def _overflow(x: Array, *_: object) -> Array:
    return overflowed(x, 0.5 * float(np.abs(x).max()))


def _hum(x: Array, rate_hz: float, *_: object) -> Array:
    return with_hum(x, rate_hz, 50.02, 8.0, {1: (1.0, 1), 3: (0.3, 3), 5: (0.15, 5), 7: (0.05, 7)})


def _scaled(x: Array, *_: object) -> Array:
    return 0.1 * x


def _repeated(x: Array, rate_hz: float, rng: np.random.Generator) -> Array:
    at = x.size // 2
    return repeated(x, at, min(int(rng.uniform(0.1, 0.6) * rate_hz), at // 2))


def _velocity(x: Array, rate_hz: float, *_: object) -> Array:
    """In mm/s, under the name of acceleration."""
    return integrated(x, rate_hz)


def _coarse(x: Array, *_: object) -> Array:
    step = STEP_RMS * float(x.std())
    return np.rint(x / step) * step


def _radio(x: Array, rate_hz: float, rng: np.random.Generator) -> Array:
    """A handset that reports to its network three times, for a second or so, next to a cable."""
    bursts = [(float(rng.uniform(0, 0.8)) * x.size / rate_hz, float(rng.uniform(0.6, 1.6))) for _ in range(3)]
    return keyed(x, rate_hz, GSM_FRAMES_HZ, 8, 6.0 * float(x.std()), bursts)


def _slow(x: Array, *_: object) -> Array:
    return slewed(x, 0.12)


def _soft_mount(x: Array, rate_hz: float, rng: np.random.Generator) -> Array:
    """A magnet on paint: a spring with little damping, and the sensor's noise."""
    return on_spring(x, rate_hz, 2600.0, 0.05) + 0.003 * rng.standard_normal(x.size)


def _zeros(x: Array, rate_hz: float, rng: np.random.Generator) -> Array:
    return _filled(x, rate_hz, rng, "zeros")


def _lines(x: Array, rate_hz: float, rng: np.random.Generator) -> Array:
    return _filled(x, rate_hz, rng, "lines")


def _filled(x: Array, rate_hz: float, rng: np.random.Generator, how: Literal["zeros", "lines"]) -> Array:
    """Packets of a radio link that never came."""
    places = rng.integers(1, int(0.9 * x.size), 6).tolist()
    return filled(x, places, [int(rng.uniform(0.01, 0.04) * rate_hz) for _ in places], how)


_ON_SAMPLES: dict[str, Callable[[Array, float, np.random.Generator], Array]] = {
    "at rest": _at_rest, "samples lost": _lost, "overflow": _overflow, "hum": _hum, "scaled": _scaled,
    "block repeated": _repeated, "velocity": _velocity, "soft mount": _soft_mount, "filled by zeros": _zeros,
    "filled by lines": _lines, "coarse steps": _coarse, "radio bursts": _radio, "slow amplifier": _slow,
}  # fmt: skip
