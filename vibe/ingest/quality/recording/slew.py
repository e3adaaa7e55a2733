"""A sensor or amplifier that cannot follow: its slope is cut off as a clipped input's height is."""

from __future__ import annotations

import numpy as np
import scipy.fft

from vibe.core.capture import Reason
from vibe.ingest.quality.prepared_signal import Samples, Signal, amount

_GAUSS = 3.0
"""Kurtosis of noise."""
_SINE = 1.5
"""Kurtosis of one sine; what it takes from that of a sum goes by the square of its share of the power, since fourth
cumulants of independent parts add."""
_BELOW = 0.5
"""How far the kurtosis lies below the least that lines allow. Derived: two lines in step take up to
``2 s1**1.5 s2**0.5`` more than independent ones, 0.5 where the stronger has half of the power; impacts only add."""
_STRONGEST = 0.5
"""Share of one line above which ``_BELOW`` is no bound."""
_WINDOW_S = 0.1
"""So short that a speed that drifts keeps its lines together, and lines that lie near each other count as one."""
_LEAST_S = 1.0
"""Ten windows and more (our choice)."""
_FEWEST = 64
"""Samples in a window."""
_STEEP = 0.85
"""Share of the steepest slopes from which on a sample counts as cut off; the recorder's filter rounds the edge."""


def slew_limited(signal: Signal) -> list[Reason]:
    """The slope is spread more evenly than any sum of lines, noise and impacts can be.

    The slope's kurtosis is at least ``3 - 1.5 sum(s_i**2)``, where ``s_i`` are the shares of its lines in its power:
    noise has 3, impacts have more. Only what holds the slope itself back makes it less.
    """
    if signal.missing > 0 or signal.rms == 0 or signal.channel.quantity != "acceleration":
        return []
    if signal.channel.duration_s < _LEAST_S or signal.rate_hz * _WINDOW_S < _FEWEST:
        return []
    slope = np.diff(signal.ac) / np.float32(signal.rms)
    square = np.square(slope)
    power = float(square.mean(dtype=np.float64))
    # What rounding to steps adds has no bounds that mean anything.
    if power * signal.rms**2 <= (signal.step or 0.0) ** 2:
        return []
    kurtosis = float(np.square(square).mean(dtype=np.float64)) / power**2
    if kurtosis >= _GAUSS - _BELOW:
        return []
    concentration, strongest = _lines(slope, signal.rate_hz)
    if strongest > _STRONGEST or kurtosis >= _GAUSS - _SINE * concentration - _BELOW:
        return []
    steep = np.abs(slope)
    most = float(np.quantile(steep[:: max(1, steep.size // 100_000)], 0.999))
    share = float((steep > _STEEP * most).mean())
    per_ms = most * signal.rms * signal.rate_hz / 1e3
    return [
        Reason(
            code="slew_limited",
            text=f"the signal cannot follow: its slope is held at {amount(signal.channel, per_ms)} per ms for "
            f"{100 * share:.0f} % of the time, so impacts are smoothed away",
            remedy="Use a sensor supply of more current, a shorter cable, or an amplifier and sensor made for steeper "
            "signals, and repeat the measurement.",
            verdict="rejected",
        )
    ]


def _lines(slope: Samples, rate_hz: float) -> tuple[float, float]:
    """(sum of squared shares of the lines, share of the strongest) in the slope's power, means over short windows."""
    size = round(_WINDOW_S * rate_hz)
    rows = slope[: slope.size // size * size].reshape(-1, size)
    spectrum = scipy.fft.rfft(rows * np.hanning(size).astype(np.float32), axis=1)
    power = np.square(spectrum.real) + np.square(spectrum.imag)
    # Of a line under a Hann window nearly all lies in three bins.
    lobes = power.copy()
    lobes[:, 1:] += power[:, :-1]
    lobes[:, :-1] += power[:, 1:]
    whole = np.maximum(power.sum(axis=1), np.float32(1e-30))
    shares = (power * lobes).sum(axis=1) / whole**2
    return float(shares.mean()), float((lobes.max(axis=1) / whole).mean())
