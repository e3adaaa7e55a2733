"""Times in which a machine stands, found from its vibration alone.

Load and process change the level of a running machine, but seldom in all frequencies at once and by so much: shafts,
meshes and friction go on. Where every band of every channel falls together, the machine stands, or hardly turns.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from vibe.spectra.basic.fft import rfft

WINDOW_S = 0.1
"""Two turns at usual speeds: a level within it is one."""
LOW_BELOW_HZ = 500.0
"""Shafts and meshes; what casing and bearings ring with lies above."""
FALLS_DB = 12.0
"""To a quarter of the usual amplitude. Forces of inertia fall so at half the speed, friction at a quarter (common
practice)."""
USUAL = 0.75
"""Share of the windows that lie below what is usual while the machine runs."""
LEAST_S = 0.25
"""Of standing, one time or several together: shorter falls are gaps of the recording or chance."""


def standing(rows: Sequence[tuple[NDArray[np.float32], float]]) -> tuple[tuple[float, float], ...]:
    """(begin, end) [s] of the times in which all ``rows`` (samples (n,), sample rate [Hz]) fall below what is usual in
    both bands; none where these are shorter than ``LEAST_S`` together."""
    quiet: NDArray[np.bool_] | None = None
    for samples, rate in rows:
        own = _quiet(samples, rate)
        if own is None:
            continue
        quiet = own if quiet is None else quiet[: own.size] & own[: quiet.size]
    if quiet is None:
        return ()
    edges = np.flatnonzero(np.diff(np.concatenate([[0], quiet.astype(int), [0]])))
    hop = WINDOW_S / 2
    times = tuple(
        (float(a * hop), float((b + 1) * hop)) for a, b in zip(edges[::2], edges[1::2], strict=True) if b - a >= 2
    )
    return times if sum(end - begin for begin, end in times) >= LEAST_S else ()


def loudest(rows: Sequence[NDArray[np.float32]]) -> float:
    """R.m.s. about the mean of the loudest of ``rows`` (n,), gaps left out, in their unit; 0 where there is none."""
    return max((float(np.nanstd(samples, dtype=np.float64)) for samples in rows if samples.size), default=0.0)


def _quiet(samples: NDArray[np.float32], rate: float) -> NDArray[np.bool_] | None:
    """Which windows, half overlapping, are quiet in both bands; None where there are too few or no upper band."""
    n = 2 * (round(WINDOW_S * rate) // 2)
    count = 2 * (samples.size // max(n, 1)) - 1
    if rate < 3 * LOW_BELOW_HZ or count < 8:
        return None
    windows = np.lib.stride_tricks.sliding_window_view(samples, n)[:: n // 2][:count]
    lines = rfft(windows * np.hanning(n).astype(np.float32))
    power = np.square(lines.real) + np.square(lines.imag)
    hz = np.arange(power.shape[1]) * rate / n
    # Without the mean, which is no vibration.
    low = power[:, 1:][:, hz[1:] < LOW_BELOW_HZ].sum(axis=1)
    high = power[:, hz >= LOW_BELOW_HZ].sum(axis=1)
    limit = 10 ** (-FALLS_DB / 10)
    return np.asarray((low < limit * np.quantile(low, USUAL)) & (high < limit * np.quantile(high, USUAL)))
