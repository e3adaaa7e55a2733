"""The same samples twice: a buffer that was written again in place of new samples."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from vibe.core.capture import Reason
from vibe.ingest.quality.prepared_signal import Signal, percent

_LENGTH = 24
"""Samples that must be equal to the last bit. Noise of eight levels would repeat one such piece in 10^6 samples with
a chance of 10^12 / 2 × 8^-24, about 1e-10."""
_FEWEST_LEVELS = 16
"""A recorder that visits fewer repeats itself by chance."""
_SHORTEST_LAG = 64
"""A wave sampled in step with itself comes again this soon; a buffer is longer (common practice: 64 and more)."""
_HIGH = 0.8
"""Quantile above which peaks are compared: a tenth of all samples and less."""
_FEWEST = 4
"""Peaks of a repeated piece that are found again."""
_MIX = np.uint64(0x9E3779B97F4A7C15)
"""An odd number with well mixed bits: 2^64 over the golden ratio."""


def repeats(signal: Signal) -> list[Reason]:
    """Pieces that are equal to the last bit, which vibration never is. Only peaks are compared: that is quick."""
    x = np.ascontiguousarray(signal.x)
    if signal.levels is not None and signal.levels < _FEWEST_LEVELS:
        return []
    first, second = _equal(x, float(signal.ranked[int(_HIGH * signal.ranked.size)]))
    lags = second - first
    first, second, lags = first[lags >= _SHORTEST_LAG], second[lags >= _SHORTEST_LAG], lags[lags >= _SHORTEST_LAG]
    if first.size < _FEWEST:
        return []
    kinds, counts = np.unique(lags, return_counts=True)
    if counts.max() < _FEWEST:
        return []
    # Every lag that several peaks share is a repeat of its own.
    use = np.isin(lags, kinds[counts >= _FEWEST])
    places = second[use]
    begins_s = float(places.min()) / signal.rate_hz
    share = min(1.0, float(np.unique(places // _LENGTH).size * _LENGTH / x.size))
    longest_s = max(
        float(np.ptp(second[lags == lag]) + _LENGTH) / signal.rate_hz for lag in kinds[counts >= _FEWEST][:64]
    )
    times = int((counts >= _FEWEST).sum())
    often = "once" if times == 1 else f"at {times} places"
    return [
        Reason(
            code="repeated",
            text=f"the recording repeats itself {often}: from {begins_s:.2f} s on, up to {longest_s:.2g} s are equal "
            f"to earlier samples to the last bit ({percent(share)} of the capture at least)",
            remedy="Repeat the capture; if it happens again, the logger's memory or transfer loses samples.",
            verdict="rejected",
        )
    ]


def _equal(x: NDArray[np.float32], high: float) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """(earlier, later) places of peaks above ``high`` whose next ``_LENGTH`` samples are equal."""
    nothing = np.zeros(0, dtype=np.intp)
    if x.size < 4 * _LENGTH:
        return nothing, nothing
    middle = x[1:-1]
    peaks = np.flatnonzero((middle > x[:-2]) & (middle >= x[2:]) & (middle > np.float32(high))) + 1
    peaks = peaks[peaks < x.size - _LENGTH]
    if peaks.size < 2:
        return nothing, nothing
    bits = x.view(np.uint32)
    # A few samples, and values alone, are compared many times as quickly; nearly always they all differ.
    if (np.diff(np.sort((_keys(bits, peaks, _LENGTH // 3) >> np.uint64(32)).astype(np.uint32))) > 0).all():
        return nothing, nothing
    key = _keys(bits, peaks, 3)
    order = np.argsort(key, kind="stable")
    same = np.flatnonzero(np.diff(key[order]) == 0)
    first, second = peaks[order[same]], peaks[order[same + 1]]
    whole = np.arange(_LENGTH)
    equal = (bits[first[:, None] + whole] == bits[second[:, None] + whole]).all(axis=1)
    return first[equal], second[equal]


def _keys(bits: NDArray[np.uint32], places: NDArray[np.intp], every: int) -> NDArray[np.uint64]:
    """A number for every ``every``-th of the ``_LENGTH`` samples from each place on: equal samples have equal ones."""
    key = np.zeros(places.size, dtype=np.uint64)
    for offset in range(0, _LENGTH, every):
        key = (key ^ bits[places + offset].astype(np.uint64)) * _MIX
        key ^= key >> np.uint64(29)
    return key
