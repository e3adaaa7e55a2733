"""What software left out: samples at equal steps, filled up by straight lines, so that the rate is less than the file
says; or all that an ear would not miss, as music and speech are packed.
"""

from __future__ import annotations

import numpy as np
import scipy.fft

from vibe.core.capture import Reason
from vibe.ingest.quality.prepared_signal import Floats, Signal, density
from vibe.ingest.quality.thresholds import THRESHOLDS as LIMIT

_STEPS = range(2, 17)
"""One sample kept of so many: what a careless export does (common practice)."""
_LOOKED_AT = 65_536
"""Samples, for the sake of time."""
_TOP = (0.36, 0.43)
"""Of the sample rate: recorders pass what lies here, or fall off slowly (common practice: filters end at 1/2.56)."""
_NOTHING_DB = 60.0
"""By so much must that lie below the strongest line for the rest to be looked at (for the sake of time)."""
_RANGE_DB = 80.0
"""From the strongest to mere rounding: with less, rounding is the floor of the recorder, and lines stand on it like
walls (of 121 simulated recordings such ones had 57; packed ones had 100)."""
_LONG, _SHORT = 2_048, 512
"""Samples of a segment for where the spectrum ends, and for what comes and goes: packed are 500 to 2000 at once."""
_FIRST_BINS = 8
"""Next to zero, where the window shows the mean."""
_EMPTY_DB, _OCCUPIED_DB, _SURE_DB = 6.0, 15.0, 30.0
"""Over the rounding: nothing, something, and so much that noise, whose tenth part lies 8 dB below its median (derived),
never comes near the rounding."""
_WALL_DB, _WALL_BINS = 30.0, (4, 24)
"""Fall of the floor at its end over 1 % of the rate: filters of recorders and a way through steel fall by less than 20
there (measured and simulated machines), a filter of software by all."""
_AWAY_DB, _AWAY = 20.0, 0.1
"""A tenth of the time it is so far below its median: of noise, 8 dB (derived)."""
_HOLES = 0.03
"""Share of the frequencies below the end that are empty, always or for a tenth of the time (our choice: software that
keeps a twentieth to a third left 0.03 to 0.5, a steep filter less than 0.005)."""


def packed(signal: Signal) -> list[Reason]:
    """Holes down to the rounding in a spectrum that ends in a wall. A low-pass alone leaves the wall and no holes."""
    if signal.missing > 0 or signal.x.size < 16 * _LONG:
        return []
    spectrum = density(signal, longest_s=4.0, window=np.blackman)
    low, high = (int(share * signal.rate_hz / spectrum.step_hz) for share in _TOP)
    nothing = float(np.median(spectrum.values[low : max(high, low + 1) : 16]))
    if nothing > 10 ** (-_NOTHING_DB / 10) * float(spectrum.values.max(initial=0.0)):
        return []
    long = _levels_db(signal, _LONG)
    usual = np.median(long, axis=0)[_FIRST_BINS : int(_TOP[1] * _LONG)]
    rounding = float(np.median(usual[int(_TOP[0] * _LONG) - _FIRST_BINS :]))
    occupied = np.flatnonzero(usual > rounding + _OCCUPIED_DB)
    near, far = _WALL_BINS
    end = int(occupied[-1]) if occupied.size else 0
    if end < far or end + far > usual.size or usual.max() < rounding + _RANGE_DB:
        return []
    if np.median(usual[end - far : end + 1]) - np.median(usual[end + near : end + near + far]) < _WALL_DB:
        return []
    short = _levels_db(signal, _SHORT)[:, _FIRST_BINS // 2 : (end + _FIRST_BINS) * _SHORT // _LONG - near]
    typical = np.median(short, axis=0)
    clear = typical > rounding + 10 * np.log10(_SHORT / _LONG) + _SURE_DB
    away = typical - np.quantile(short, _AWAY, axis=0) > _AWAY_DB
    comes_and_goes = float(away[clear].mean()) if clear.any() else 0.0
    if max(float((usual[:end] < rounding + _EMPTY_DB).mean()), comes_and_goes) < _HOLES:
        return []
    end_hz = (end + _FIRST_BINS) * signal.rate_hz / _LONG
    return [
        Reason(
            code="packed",
            text=f"what is weak is missing, and all above {end_hz:.3g} Hz: the recording was packed as music and "
            "speech are, and small damage is gone with the rest",
            remedy="Record without packing (no MP3, AAC, Opus or voice memo), as plain WAV or in the recorder's own "
            "form, and repeat the measurement.",
            verdict="rejected",
        )
    ]


def _levels_db(signal: Signal, size: int) -> Floats:
    """Power of every bin (segments, bins) of the beginning [dB], without a unit."""
    x = signal.relative[: min(_LOOKED_AT, signal.x.size) // size * size].reshape(-1, size)
    lines = scipy.fft.rfft((x - x.mean(axis=1, keepdims=True)) * np.blackman(size).astype(np.float32), axis=1)
    return np.asarray(10 * np.log10(np.square(lines.real) + np.square(lines.imag) + 1e-12), dtype=np.float64)


def thinned(signal: Signal) -> list[Reason]:
    """Bends at every second, third ... sample alone, and mere rounding between."""
    x = signal.x[:_LOOKED_AT].astype(np.float64)
    if signal.missing > 0 or x.size < 64 * _STEPS[-1]:
        return []
    grain = max(signal.step or 0.0, 2 * float(np.spacing(np.float32(np.abs(x).max()))))
    bend = np.abs(np.diff(x, 2))
    if np.count_nonzero(bend <= 2.1 * grain) < 0.4 * bend.size:
        return []
    for step in _STEPS:
        columns = np.sort(np.quantile(bend[: bend.size // step * step].reshape(-1, step), 0.5, axis=0))
        if columns[-1] > LIMIT.line_grains * grain and columns[-2] <= 2.1 * grain:
            true_hz = signal.rate_hz / step
            return [
                Reason(
                    code="thinned",
                    text=f"only one sample in {step} was measured, at {true_hz:.6g} Hz: straight lines fill the rest, "
                    "and what lies above half of that rate is folded down",
                    remedy="Record at the full rate, or with a filter that fits the lower one, and repeat the "
                    "measurement.",
                    verdict="rejected",
                )
            ]
    return []
