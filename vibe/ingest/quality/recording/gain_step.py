"""A range that the recorder switched while it ran: from one moment on everything is a fixed number of times as high."""

from __future__ import annotations

import numpy as np
import scipy.fft
from numpy.typing import NDArray

from vibe.core.capture import Reason
from vibe.ingest.quality.prepared_signal import Signal, hann

_WINDOW_S = 0.1
"""A recorder switches within milliseconds; a load takes turns of the shaft to come on."""
_BANDS_FROM_HZ = 40.0
"""Below, bands hold too few bins in a tenth of a second."""
_PER_OCTAVE = 2
"""Bands of an octave: a gain moves all alike, a load does not (our choice)."""
_FEWEST_BANDS = 8
"""Over four octaves, so that no single resonance speaks for all (our choice)."""
_FEWEST_WINDOWS = 5
"""On either side of the step: half a second."""
_LEAST_DB = 5.0
"""Ranges and gains come in steps of 6 dB and more (common practice); the rest is for scatter."""
_ALIKE_DB = 1.0
"""Scatter of the bands about the step. Derived: a band of 28 bins and more, in the mean of five windows, is read to
0.5 dB; what a load changes differs by several decibels from band to band (common practice)."""
_STAY = 0.9
"""Share of the windows that stay on their side of the middle between both levels; a machine that works in strokes comes
back."""
_FINE_S, _FINE_WINDOWS = 0.01, 4
"""Windows about the step, four on either side, which make the 40 ms below."""
_AT_ONCE = 0.7
"""Share of the step that the 40 ms on either side show already; a motor comes under load in a tenth of a second and
more (common practice)."""


def gain_step(signal: Signal, level_db: NDArray[np.float64] | None) -> list[Reason]:
    """All bands step by one factor at one moment, those that hold noise of the sensor among them: no machine does that.

    A load that comes on lifts lines and floors unlike each other and leaves the sensor's noise where it was.
    ``level_db`` as ``band_levels`` gives them.
    """
    if level_db is None:
        return []
    at = _step_at(level_db)
    if at is None:
        return []
    step_db = level_db[at + 1 :].mean(axis=0) - level_db[: at - 1].mean(axis=0)
    common_db = float(np.median(step_db))
    if abs(common_db) < _LEAST_DB or 1.4826 * float(np.median(np.abs(step_db - common_db))) > _ALIKE_DB:
        return []
    if not _two_levels(level_db, at, common_db):
        return []
    at_s, at_once_db = _steepest(signal, at * _WINDOW_S)
    if at_once_db / common_db < _AT_ONCE:
        return []
    times = 10 ** (abs(common_db) / 20)
    return [
        Reason(
            code="gain_step",
            text=f"from about {at_s:.2f} s on all bands are {times:.2g} times "
            f"{'higher' if common_db > 0 else 'lower'}, alike and at once: the recorder has switched its range or gain",
            remedy="Switch the automatic range off, set a fixed one, and repeat the measurement.",
            verdict="rejected",
        )
    ]


def band_levels(signal: Signal) -> NDArray[np.float64] | None:
    """Levels [dB] of half octaves in each window, (windows, bands); None where there are too few of either, or samples
    are missing."""
    if signal.missing > 0 or signal.rms == 0:
        return None
    size = round(_WINDOW_S * signal.rate_hz)
    windows = signal.ac.size // max(size, 1)
    top_hz = signal.rate_hz / 2.56
    if windows < 2 * _FEWEST_WINDOWS + 2 or top_hz < _BANDS_FROM_HZ:
        return None
    edges_hz = _BANDS_FROM_HZ * 2 ** (np.arange(int(_PER_OCTAVE * np.log2(top_hz / _BANDS_FROM_HZ)) + 1) / _PER_OCTAVE)
    # A band must hold enough bins to be read in one window.
    edges = np.unique(np.searchsorted(np.arange(size // 2 + 1) * signal.rate_hz / size, edges_hz))
    edges = edges[np.concatenate((np.diff(edges) >= 8, [True]))]
    if edges.size < _FEWEST_BANDS + 1:
        return None
    rows = signal.relative[: windows * size].reshape(windows, size)
    lines = scipy.fft.rfft(rows * hann(size), axis=1, overwrite_x=True)
    power = np.square(lines.real) + np.square(lines.imag)
    bands = np.add.reduceat(power, edges, axis=1)[:, :-1]
    return np.asarray(10 * np.log10(bands.astype(np.float64) + 1e-30))


def _two_levels(level_db: NDArray[np.float64], at: int, common_db: float) -> bool:
    """Whether each side keeps a level of its own."""
    common = np.median(level_db, axis=1)
    first, then = common[: at - 1], common[at + 1 :]
    middle = 0.5 * (float(np.median(first)) + float(np.median(then)))
    up = np.sign(common_db)
    return bool(min((up * (middle - first) > 0).mean(), (up * (then - middle) > 0).mean()) >= _STAY)


def _steepest(signal: Signal, near_s: float) -> tuple[float, float]:
    """(time [s], step [dB]) of the largest change between neighbouring fine windows about ``near_s``; of differences
    from sample to sample, so that slow lines, which a fine window cuts into, do not rule."""
    size = max(8, round(_FINE_S * signal.rate_hz))
    first = max(0, round((near_s - 3 * _WINDOW_S) * signal.rate_hz))
    steps = np.diff(signal.ac[first : round((near_s + 3 * _WINDOW_S) * signal.rate_hz)]) / np.float32(signal.rms)
    rows = steps[: steps.size // size * size].reshape(-1, size)
    level_db = 10 * np.log10(np.einsum("ij,ij->i", rows, rows).astype(np.float64) + 1e-30)
    sides = np.lib.stride_tricks.sliding_window_view(level_db, _FINE_WINDOWS).mean(axis=1)
    # A window that holds the moment itself belongs to neither side.
    step_db = sides[_FINE_WINDOWS + 1 :] - sides[: -_FINE_WINDOWS - 1]
    place = int(np.abs(step_db).argmax())
    return (first + (place + _FINE_WINDOWS + 0.5) * size) / signal.rate_hz, float(step_db[place])


def _step_at(level_db: NDArray[np.float64]) -> int | None:
    """The window in whose beginning, or in the one before it, the bands step farthest together; None where none do."""
    count = len(level_db)
    before = np.cumsum(level_db, axis=0)
    places = np.arange(_FEWEST_WINDOWS + 1, count - _FEWEST_WINDOWS)
    if not places.size:
        return None
    # The window that holds the step, and the one before it, belong to neither side.
    first = before[places - 2] / (places - 1)[:, None]
    then = (before[-1] - before[places]) / (count - 1 - places)[:, None]
    moved = np.median(then - first, axis=1)
    # Of all places the one that leaves the least rest: of each side the sum of squares, less that of its mean.
    squares = np.cumsum(np.square(level_db).sum(axis=1))
    rest = squares[places - 2] - (places - 1) * np.square(first).sum(axis=1)
    rest += squares[-1] - squares[places] - (count - 1 - places) * np.square(then).sum(axis=1)
    rest /= count - 2
    rest[np.abs(moved) < _LEAST_DB] = np.inf
    best = int(rest.argmin())
    return int(places[best]) if np.isfinite(rest[best]) else None
