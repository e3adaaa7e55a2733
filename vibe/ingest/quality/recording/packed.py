"""A recording that was packed with loss: all left out that an ear would not miss, or few bits for each sample.

Coders of music hold each band of the spectrum, for some hundredths of a second, against what is loud next to it; what
lies below becomes nothing. Telephones and voice recorders spend eight bits on steps that widen with the amplitude, or
four on the change since the last sample.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy.fft

from vibe.core.capture import Reason, Verdict
from vibe.ingest.quality.prepared_signal import Floats, Signal, density

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


@dataclass(frozen=True, slots=True, eq=False)
class SpectrumEnd:
    """A wall above which there is nothing but rounding: its ``bin`` in the usual level [dB] of long segments, from
    ``_FIRST_BINS`` on, and the level of the ``rounding_db``."""

    bin: int
    usual_db: Floats
    rounding_db: float
    hz: float


def _top_db(signal: Signal) -> float:
    """What lies at the top of the spectrum, over the strongest line [dB]."""
    spectrum = density(signal, longest_s=4.0, window=np.blackman)
    low, high = (int(share * signal.rate_hz / spectrum.step_hz) for share in _TOP)
    top = float(np.median(spectrum.values[low : max(high, low + 1) : 16]))
    return float(10 * np.log10(max(top, 1e-300) / max(float(spectrum.values.max(initial=0.0)), 1e-300)))


def spectrum_end(signal: Signal) -> SpectrumEnd | None:
    """Where the spectrum ends in a wall, by a filter of software or by packing; None where it does not."""
    if signal.missing > 0 or signal.rms == 0 or signal.x.size < 16 * _LONG:
        return None
    if _top_db(signal) > -_NOTHING_DB:
        return None
    usual = np.median(_levels_db(signal, _LONG), axis=0)[_FIRST_BINS : int(_TOP[1] * _LONG)]
    rounding = float(np.median(usual[int(_TOP[0] * _LONG) - _FIRST_BINS :]))
    occupied = np.flatnonzero(usual > rounding + _OCCUPIED_DB)
    near, far = _WALL_BINS
    end = int(occupied[-1]) if occupied.size else 0
    if end < far or end + far > usual.size or usual.max() < rounding + _RANGE_DB:
        return None
    if np.median(usual[end - far : end + 1]) - np.median(usual[end + near : end + near + far]) < _WALL_DB:
        return None
    hz = (end + _FIRST_BINS) * signal.rate_hz / _LONG
    return SpectrumEnd(bin=end, usual_db=usual, rounding_db=rounding, hz=hz)


def ends_early(signal: Signal, end: SpectrumEnd | None) -> tuple[list[Reason], float | None]:
    """A remark where the file's rate promises more than it holds, and up to where it holds something [Hz]."""
    if end is None or end.hz >= _TOP[0] * signal.rate_hz:
        return [], None
    return [
        Reason(
            code="ends_early",
            text=f"nothing but rounding above {end.hz:.3g} Hz: impacts that ring higher do not show",
            remedy="Where those matter, record without a low-pass, at the sensor's own rate and without packing.",
            verdict="usable",
        )
    ], end.hz


def _walled(signal: Signal, found: SpectrumEnd | None) -> list[Reason]:
    """Holes down to the rounding in a spectrum that ends in a wall. A low-pass alone leaves the wall and no holes."""
    if found is None:
        return []
    end, usual, rounding = found.bin, found.usual_db, found.rounding_db
    last = (end + _FIRST_BINS) * _SHORT // _LONG - _WALL_BINS[0]
    short = _running(_levels_db(signal, _SHORT))[:, _FIRST_BINS // 2 : last]
    typical = np.median(short, axis=0)
    clear = typical > rounding + 10 * np.log10(_SHORT / _LONG) + _SURE_DB
    away = typical - np.quantile(short, _AWAY, axis=0) > _AWAY_DB
    comes_and_goes = float(away[clear].mean()) if clear.any() else 0.0
    if max(float((usual[:end] < rounding + _EMPTY_DB).mean()), comes_and_goes) < _HOLES:
        return []
    return [
        _reason(
            f"what is weak is missing, and all above {found.hz:.3g} Hz: the recording was packed as music and "
            "speech are, and small damage is gone with the rest",
            "rejected",
        )
    ]


def _levels_db(signal: Signal, size: int, most: int = _LOOKED_AT) -> Floats:
    """Power of every bin (segments, bins) of the beginning [dB], without a unit."""
    x = signal.relative[: min(most, signal.x.size) // size * size].reshape(-1, size)
    lines = scipy.fft.rfft((x - x.mean(axis=1, keepdims=True)) * np.blackman(size).astype(np.float32), axis=1)
    return np.asarray(10 * np.log10(np.square(lines.real) + np.square(lines.imag) + 1e-12), dtype=np.float64)


def packed(signal: Signal, end: SpectrumEnd | None) -> list[Reason]:
    """The first sign of loss that is found; recordings are packed once, as a rule."""
    if signal.missing > 0 or signal.rms == 0 or signal.x.size < 16 * _LONG:
        return []
    return _walled(signal, end) or _patchy(signal) or _companded(signal) or _by_differences(signal)


def _reason(text: str, verdict: Verdict) -> Reason:
    return Reason(
        code="packed",
        text=text,
        remedy="Record without packing (no MP3, AAC, Opus, voice memo or telephone format), as plain WAV or in the "
        "recorder's own form, and repeat the measurement.",
        verdict=verdict,
    )


_RESTS_DB = 6.0
"""A segment that lies so far below the usual one, or half of whose bins do, is one in which the machine rests, with all
its bins together (of noise the median of 200 bins scatters by 0.6 dB, derived)."""


def _running(levels_db: Floats) -> Floats:
    """Segments in which the machine does not rest; all if there are none."""
    power = np.log10(np.power(10.0, levels_db / 10).sum(axis=1)) * 10
    common = _medians(levels_db - _medians(levels_db.T))
    running = (power > np.median(power) - _RESTS_DB) & (common > -_RESTS_DB)
    return levels_db[running] if running.any() else levels_db


def _medians(rows: Floats) -> Floats:
    """Of each row; whole rows are sooner put in order than their middles are picked."""
    size = rows.shape[1]
    return np.asarray(np.sort(rows, axis=1)[:, (size - 1) // 2 : size // 2 + 1].mean(axis=1))


_PATCHES_AT = 131_072
"""Samples: 50,000 cells of segment and bin."""
_DEEP_DB, _DEEP = 30.0, 0.0014
"""So far below its usual level, next to bins that are not, noise has a bin in 0.0007 of all segments (derived: its
power is exponential). 195 measured channels and 118 good recordings had 0.0001 to 0.0009, packed ones up to 0.011."""
_AROUND = 20
"""Bins to each side that say what is usual in a segment: what blows and loads raise and lower, they do over a width."""
_PATCH_DB, _PATCH_BINS, _PATCHES = 20.0, 5, 2e-5
"""A coder drops whole bands: so many bins in a row lie so far down together. Two lines that beat fill fewer, noise
hardly ever does it (in the measured channels less than 0.00001 of the cells begin such a row, in packed ones up to
0.001)."""
_BUSY = 0.15
"""Share of its bins that may be down in one segment: with more, the machine changes and no coder works."""


def _around(levels_db: Floats) -> Floats:
    """Medians of the bins within ``_AROUND`` of each, in steps of a few, of every segment."""
    few = _AROUND // 4
    starts = range(0, levels_db.shape[1], few)
    medians = [
        np.median(levels_db[:, max(0, a + few // 2 - _AROUND) : a + few // 2 + _AROUND + 1], axis=1) for a in starts
    ]
    return np.repeat(np.stack(medians, axis=1), few, axis=1)[:, : levels_db.shape[1]]


def _patchy(signal: Signal) -> list[Reason]:
    """Whole bands that are gone for moments while their neighbours are there, whether or not it has an end."""
    low, high = _FIRST_BINS // 2, int(_TOP[1] * _SHORT)
    levels = _running(_levels_db(signal, _SHORT, _PATCHES_AT)[:, low:high])
    against_usual = levels - _medians(levels.T)
    if len(levels) < 64 or float((against_usual < -_DEEP_DB).mean()) < _DEEP:
        return []
    below = against_usual - _around(against_usual)
    below = below[(below < -_PATCH_DB).mean(axis=1) < _BUSY]
    if not below.size or float((below < -_DEEP_DB).mean()) < _DEEP:
        return []
    empty = below < -_PATCH_DB
    together = np.lib.stride_tricks.sliding_window_view(empty, _PATCH_BINS, axis=1).all(axis=2)
    if float(together.mean()) < _PATCHES:
        return []
    # A carrier or a squeal that comes and goes, far above all else, leaves the same: no reason to send it back.
    return [
        Reason(
            code="bands_missing",
            text="bands are missing for moments while their neighbours are there: something loud comes and goes, or "
            "the recording was packed as music and speech are, and small damage is gone",
            remedy="If it went through a music, speech or telephone format, repeat it without.",
            verdict="usable",
        )
    ]


_FEWEST_CODES, _MOST_CODES = 48, 300
"""Values of seven or eight bits; with fewer the steps say enough, more bits of this kind do no harm."""
_INNER, _OUTER = 0.25, 0.6
"""Of the span between the quantiles: where steps are compared (our choice)."""
_WIDENED = 2.0
"""How much wider the outer steps are. A plain converter has 1; both laws of telephony have 4 over such a span
(derived)."""


def _companded(signal: Signal) -> list[Reason]:
    """Few values, which lie the farther apart the larger they are, on both sides of zero."""
    values, counts = np.unique(signal.ranked.astype(np.float64), return_counts=True)
    if not _FEWEST_CODES <= values.size <= _MOST_CODES:
        return []
    # Where all codes occur: beyond, missing ones would make steps seem wider.
    place = np.cumsum(counts) / counts.sum()
    values = values[(place > 0.01) & (place < 0.99)]
    if values.size < _FEWEST_CODES // 2:
        return []
    gaps, middles = np.diff(values), (values[1:] + values[:-1]) / 2
    widened = []
    for side in (-1.0, 1.0):
        at = side * middles / max(float(side * values[0 if side < 0 else -1]), 1e-30)
        inner, outer = gaps[(at > 0) & (at < _INNER)], gaps[at > _OUTER]
        if inner.size < 3 or outer.size < 3:
            return []
        widened.append(float(np.median(outer) / np.median(inner)))
    if min(widened) < _WIDENED:
        return []
    return [
        _reason(
            f"{counts.size} values, {min(widened):.2g} times as far apart where they are large: packed as telephones "
            "do in eight bits, whose noise covers what is small",
            "limited",
        )
    ]


_CLEAR_GRAINS = 200.0
"""Steps of the file that a change has at least, so that rounding moves a ratio of two by less than a class."""
_CLASS, _SPAN, _SMOOTH = 0.01, 1.5, 15
"""Classes of the logarithm of the ratio of two changes that follow one another, over what span, and how many together
say what is expected of each (our choice)."""
_FEWEST_RATIOS = 6_000
"""Twenty in each class."""
_ROUGH = 4.0
"""Median of the squares by which the classes differ from that, over what chance makes of a square: 0.45 (derived,
Poisson). A tone whose slope is held makes one class stand out, differences in few bits make dozens, and leave the rest
empty."""


_NOISE_DB = 80.0
"""A few bits leave noise that lies at most so far below the strongest line in a spectrum of four seconds (derived: 33
dB below the whole at 12 kHz); ratios of a clean tone that fits the rate are few as well."""


def _by_differences(signal: Signal) -> list[Reason]:
    """Changes from sample to sample that stand in few ratios to one another.

    A coder by differences gives each change as one of a few multiples of a step, and makes the next step one of a few
    multiples of this one. Of a vibration any ratio is as good as that next to it.
    """
    x = signal.x[:_PATCHES_AT].astype(np.float64)
    grain = max(signal.step or 0.0, 2 * float(np.spacing(np.float32(np.abs(x).max()))))
    change = np.abs(np.diff(x))
    clear = change > _CLEAR_GRAINS * grain
    both = clear[1:] & clear[:-1]
    ratio = np.log(change[1:][both] / change[:-1][both])
    counts, _ = np.histogram(ratio, bins=round(2 * _SPAN / _CLASS), range=(-_SPAN, _SPAN))
    if counts.sum() < _FEWEST_RATIOS or _top_db(signal) < -_NOISE_DB:
        return []
    expected = np.convolve(counts, np.ones(_SMOOTH) / _SMOOTH, "valid")
    seen = counts[_SMOOTH // 2 : -(_SMOOTH // 2)]
    seen, expected = seen[expected >= 1], expected[expected >= 1]
    if float(np.median((seen - expected) ** 2 / expected)) < _ROUGH:
        return []
    return [
        _reason(
            "changes from sample to sample stand in few ratios: the recording was packed by differences of a few bits, "
            "whose noise covers small damage",
            "rejected",
        )
    ]
