"""What recorders, cables and people do to good samples, for a practice round."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Literal, get_args

import numpy as np
from numpy.typing import NDArray

from vibe.core.capture import Capture, Channel

SampleFault = Literal[
    "at rest", "samples lost", "overflow", "hum", "rate wrong", "scaled", "block repeated", "one sensor twice",
    "velocity", "soft mount", "filled by zeros", "filled by lines", "clock not set", "unnamed",
]  # fmt: skip
"""``at rest``: without a pulse sensor, next to a pump that runs; ``scaled``: a range ten times wrong."""
SAMPLE_FAULTS: tuple[SampleFault, ...] = get_args(SampleFault)

Array = NDArray[np.float64]
UNSET_YEAR = 2000
"""Where a clock begins that lost its battery."""
LOST_S = 0.28
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
        noise = 1e-4 * float(first.samples.std()) * rng.standard_normal(first.samples.size)
        copies = {other.name: _with(other, first.samples + noise) for other in others}
        return replace(capture, channels=tuple(copies.get(c.name, c) for c in capture.channels))
    change = _ON_SAMPLES[fault]
    seed = int(rng.integers(2**31))
    # What a recorder loses it loses on all its inputs at one time; noise is of each channel.
    seeds = [[seed, number] if fault == "at rest" else [seed] for number in range(len(capture.channels))]
    rows = [
        change(c.samples.astype(np.float64), c.sample_rate_hz, np.random.default_rng(own))
        for c, own in zip(capture.channels, seeds, strict=True)
    ]
    return replace(capture, channels=tuple(_with(c, row) for c, row in zip(capture.channels, rows, strict=True)))


def _with(channel: Channel, samples: Array) -> Channel:
    return replace(channel, samples=np.asarray(samples, dtype=np.float32), step=None, full_scale=None)


def _at_rest(x: Array, rate_hz: float, rng: np.random.Generator) -> Array:
    """Noise of sensor and recorder, and a pump of five vanes next door."""
    time_s = np.arange(x.size) / rate_hz
    turn = 2 * np.pi * 24.1 * time_s
    pump = np.sin(turn) + 0.6 * np.sin(2 * turn + 1) + 1.2 * np.sin(5 * turn + 2) + 0.5 * np.sin(10 * turn)
    return 0.012 * pump + 0.006 * rng.standard_normal(x.size)


def _lost(x: Array, rate_hz: float, *_: object) -> Array:
    """What a full buffer could not take, and nobody kept the place of."""
    at = round(0.45 * x.size)
    return np.concatenate((x[:at], x[at + round(LOST_S * rate_hz) :]))


def _overflow(x: Array, *_: object) -> Array:
    at = 0.5 * float(np.abs(x).max())
    return np.asarray((x + at) % (2 * at) - at)


def _hum(x: Array, rate_hz: float, *_: object) -> Array:
    time_s = np.arange(x.size) / rate_hz
    wave = sum(h * np.sin(2 * np.pi * 50.02 * k * time_s + k) for k, h in ((1, 1.0), (3, 0.3), (5, 0.15), (7, 0.05)))
    return np.asarray(x + 8.0 * float(x.std()) * wave)


def _scaled(x: Array, *_: object) -> Array:
    return 0.1 * x


def _repeated(x: Array, rate_hz: float, rng: np.random.Generator) -> Array:
    at = x.size // 2
    size = min(int(rng.uniform(0.1, 0.6) * rate_hz), at // 2)
    out = x.copy()
    out[at : at + size] = x[at - size : at]
    return out


def _velocity(x: Array, rate_hz: float, *_: object) -> Array:
    """In mm/s, under the name of acceleration."""
    lines, hz = np.fft.rfft(x - x.mean()), np.fft.rfftfreq(x.size, 1 / rate_hz)
    divided = np.divide(-1j, 2 * np.pi * hz, out=np.zeros(hz.size, dtype=complex), where=hz > 2)
    return np.asarray(1e3 * np.fft.irfft(lines * divided, x.size))


def _soft_mount(x: Array, rate_hz: float, rng: np.random.Generator) -> Array:
    """A magnet on paint: a spring with little damping (transmissibility of one degree of freedom)."""
    r, damping = np.fft.rfftfreq(x.size, 1 / rate_hz) / 2600.0, 0.05
    passed = (1 + 2j * damping * r) / (1 - r**2 + 2j * damping * r)
    return np.asarray(np.fft.irfft(np.fft.rfft(x) * passed, x.size) + 0.003 * rng.standard_normal(x.size))


def _zeros(x: Array, rate_hz: float, rng: np.random.Generator) -> Array:
    return _filled(x, rate_hz, rng, lines=False)


def _lines(x: Array, rate_hz: float, rng: np.random.Generator) -> Array:
    return _filled(x, rate_hz, rng, lines=True)


def _filled(x: Array, rate_hz: float, rng: np.random.Generator, *, lines: bool) -> Array:
    """Packets of a radio link that never came."""
    out = x.copy()
    for at in rng.integers(1, int(0.9 * x.size), 6):
        size = int(rng.uniform(0.01, 0.04) * rate_hz)
        out[at : at + size] = np.linspace(out[at - 1], out[at + size], size) if lines else 0.0
    return out


_ON_SAMPLES: dict[str, Callable[[Array, float, np.random.Generator], Array]] = {
    "at rest": _at_rest, "samples lost": _lost, "overflow": _overflow, "hum": _hum, "scaled": _scaled,
    "block repeated": _repeated, "velocity": _velocity, "soft mount": _soft_mount, "filled by zeros": _zeros,
    "filled by lines": _lines,
}  # fmt: skip
