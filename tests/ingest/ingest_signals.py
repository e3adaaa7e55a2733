"""Signals with known truth for the quality checks."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from scipy.signal import lfilter

from vibe.core.capture import Channel

RATE_HZ = 25_600.0


def machine(seconds: float = 4.0, *, seed: int = 1, level: float = 1.0, rate_hz: float = RATE_HZ) -> np.ndarray:
    """A running machine [m/s²]: shaft and mesh lines, and noise that a casing resonance has shaped."""
    rng = np.random.default_rng(seed)
    time_s = np.arange(round(seconds * rate_hz)) / rate_hz
    lines = sum(
        a * np.sin(2 * np.pi * f * time_s + p) for a, f, p in ((0.5, 24.3, 0.1), (0.4, 48.6, 1.0), (0.3, 437.4, 2.0))
    )
    noise = rng.standard_normal(time_s.size)
    # One resonance at 3.2 kHz, as a recursion of second order.
    radius, angle = 0.97, 2 * np.pi * 3200.0 / rate_hz
    ringing = lfilter([1.0], [1.0, -2 * radius * np.cos(angle), radius**2], noise)
    return level * (lines + 0.8 * ringing / ringing.std() + 0.05 * noise)


def channel(samples: np.ndarray, *, rate_hz: float = RATE_HZ, **more: object) -> Channel:
    given = {"name": "input", "quantity": "acceleration", "recorded_unit": "m/s^2"} | more
    return Channel(samples=np.asarray(samples, dtype=np.float32), sample_rate_hz=rate_hz, **given)  # type: ignore[arg-type]


def pulses(
    *,
    seconds: float = 4.0,
    speed_hz: float | Callable[[np.ndarray], np.ndarray] = 24.3,
    per_rev: int = 1,
    duty: float = 0.2,
    drop: tuple[int, ...] = (),
    bounce: tuple[int, ...] = (),
) -> Channel:
    """A tachometer of 5 V pulses with noise; ``drop`` and ``bounce`` name pulses that are missing or come twice."""
    time_s = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    speed = speed_hz(time_s) if callable(speed_hz) else np.full(time_s.size, speed_hz)
    phase = np.cumsum(speed) / RATE_HZ * per_rev
    inside = phase % 1.0
    high = inside < duty
    high &= ~np.isin(np.floor(phase), drop)
    high |= np.isin(np.floor(phase), bounce) & (inside > duty + 0.05) & (inside < duty + 0.08)
    level = 5.0 * high + 0.05 * np.random.default_rng(9).standard_normal(time_s.size)
    return channel(level, name="tacho", quantity="tachometer", recorded_unit="V", pulses_per_rev=float(per_rev))
