"""Slow movement that is no vibration: a sensor that still settles, and the slope that integration makes of it."""

from __future__ import annotations

import math

import numpy as np

from vibe.core.capture import Reason
from vibe.ingest.quality.prepared_signal import Density, Floats, Signal, amount, density
from vibe.ingest.quality.thresholds import THRESHOLDS as LIMIT

_LONG_S, _SHORT_S = 8.0, 4.0
"""Segments for slow movement, and those that hum asks for (common practice)."""
_SURELY_LESS = 0.5
"""Of the floor that counts: all that shorter segments show below 10 Hz, where it is less than that, holds no such
floor. A straight line through the floor may lie above what is there, but not by 6 dB (our choice)."""


def settling(signal: Signal) -> list[Reason]:
    """An exponential, fitted to block means, that explains them and swings wider than the vibration.

    Time constants from a fiftieth of the capture to three times its length are tried; a straight drift looks like
    the longest of them.
    """
    blocks = LIMIT.settle_blocks
    size = signal.x.size // blocks
    if size < 8:
        return []
    means = signal.x[: size * blocks].reshape(blocks, size).mean(axis=1, dtype=np.float64)
    spread = means - means.mean()
    total = float(spread @ spread)
    if total == 0:
        return []
    duration_s = signal.x.size / signal.rate_hz
    time_s = (np.arange(blocks) + 0.5) * duration_s / blocks
    best = (np.inf, 0.0, 0.0)
    for tau_s in duration_s * np.geomspace(0.02, 3.0, 24):
        shape = np.exp(-time_s / tau_s)
        shape -= shape.mean()
        height = float(spread @ shape / (shape @ shape))
        left = float(np.sum((spread - height * shape) ** 2))
        best = min(best, (left, height, float(tau_s)))
    left, height, tau_s = best
    swing = abs(height) * (1.0 - np.exp(-duration_s / tau_s))
    vibration = np.sqrt(max(signal.rms**2 - (total - left) / blocks, 0.0))
    if left > (1 - LIMIT.settle_fit) * total or swing < LIMIT.settle_rms * vibration:
        return []
    # Until what is left of the drift is half of what would be reported; from the start of this capture.
    needed = abs(height) / max(0.5 * LIMIT.settle_rms * float(vibration), 1e-9)
    wait_s = _round_wait(tau_s * max(1.0, math.log(needed)))
    return [
        Reason(
            code="settling",
            text=f"sensor still settling: its zero line moves by {amount(signal.channel, swing)}, the vibration is "
            f"{amount(signal.channel, float(vibration))} r.m.s.",
            remedy=f"Wait {wait_s:.0f} s after mounting, then repeat the measurement.",
            verdict="limited",
        )
    ]


def _round_wait(seconds: float) -> float:
    """The next of the waits that people keep; sensors that take longer than the last are faulty (common practice)."""
    return float(next((wait for wait in LIMIT.waits_s if wait >= seconds), LIMIT.waits_s[-1]))


def ski_slope(signal: Signal) -> tuple[list[Reason], float | None]:
    """(reason, frequency below which velocity is not to be trusted or None).

    Integration divides by frequency, so a harmless floor in acceleration becomes a slope in velocity. A robust
    line through the floor is measured: a shaft that turns below 10 Hz is not mistaken for it.
    """
    low, high = LIMIT.slope_band_hz
    duration_s = signal.x.size / signal.rate_hz
    if signal.channel.quantity != "acceleration" or duration_s < 4 / low or signal.rate_hz < 2.5 * high:
        return [], None
    # All that is there, lines too, by the shorter segments that other checks ask for: seldom enough.
    _, velocity, hz = _velocity(signal, _SHORT_S)
    if _rms(hz, velocity, low, high) < _SURELY_LESS * LIMIT.slope_m_s:
        return [], None
    spectrum, velocity, hz = _velocity(signal, _LONG_S)
    above = _rms(hz, velocity, *LIMIT.velocity_band_hz)
    below = _floor_rms(hz, velocity, spectrum.averages, low, high)
    with_lines = _rms(hz, velocity, low, high)
    # Far below a line lies nothing but what the window lets through of it.
    if (
        above == 0
        or below < LIMIT.slope_leakage * with_lines
        or below < max(LIMIT.slope_remark * above, LIMIT.slope_m_s)
    ):
        return [], None
    until = high
    while (
        until < LIMIT.velocity_band_hz[1] / 2
        and _floor_rms(hz, velocity, spectrum.averages, until, 2 * until) > 0.5 * above
    ):
        until *= 1.25
    limited = below >= LIMIT.slope_limited * above
    return [
        Reason(
            code="ski_slope",
            text=f"slow movement that is no vibration: {below * 1e3:.2g} mm/s below {high:g} Hz against "
            f"{above * 1e3:.2g} mm/s of vibration; velocity below {until:.0f} Hz is not reliable",
            remedy="Let the sensor warm up, dry its plug, keep cable still and radios away; repeat the measurement."
            if limited
            else "Nothing to repeat; next time warm the sensor up, keep its cable still and radios away.",
            verdict="limited" if limited else "usable",
        )
    ], until


def _velocity(signal: Signal, longest_s: float) -> tuple[Density, Floats, Floats]:
    """(density of acceleration, of velocity [(m/s)²/Hz], their frequencies [Hz]) up to the end of velocity's band."""
    spectrum = density(signal, longest_s=longest_s, window=np.blackman)
    hz = spectrum.hz[: int(LIMIT.velocity_band_hz[1] / spectrum.step_hz) + 2]
    velocity = np.zeros(hz.size)
    velocity[1:] = spectrum.values[1 : hz.size] / (2 * np.pi * hz[1:]) ** 2
    return spectrum, velocity, hz


def _rms(hz: Floats, power: Floats, begin_hz: float, end_hz: float) -> float:
    """Of all in a band."""
    return float(np.sqrt(power[(hz >= begin_hz) & (hz < end_hz)].sum() * hz[1]))


def _floor_rms(hz: Floats, power: Floats, averages: int, begin_hz: float, end_hz: float) -> float:
    """R.m.s. of the floor from ``begin_hz`` to ``end_hz``: a power law through it, by medians (Theil and Sen).

    Lines in less than about a quarter of the bins do not move it.
    """
    inside = np.flatnonzero((hz >= begin_hz) & (hz < end_hz) & (power > 0))
    if inside.size < 4:
        return 0.0
    inside = inside[:: max(1, inside.size // 64)]
    x, y = np.log(hz[inside]), np.log(power[inside])
    dx, dy = x[:, None] - x[None, :], y[:, None] - y[None, :]
    upper = np.triu_indices(x.size, k=1)
    exponent = float(np.median(dy[upper] / dx[upper]))
    # The median of an average of K exponentials lies below its mean by about 1/(3K).
    level = float(np.median(y - exponent * x)) - float(np.log(max(0.69, 1 - 1 / (3 * averages))))
    grid = np.geomspace(begin_hz, end_hz, 65)
    return float(np.sqrt(np.trapezoid(np.exp(level) * grid**exponent, grid)))
