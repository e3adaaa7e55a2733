"""A comb's impacts cut out of the envelope in time, so that what else repeats can be read next to them.

Impacts that vary in time and differ leave lines at many orders that no mask foresees; and while they ring they drown
what is fainter. In time they are short: whatever a second part does between them is its own."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from vibe.spectra.envelope.bands import BandEnvelopes

MOST_CELLS = 360
"""Cells into which a comb's period is cut; never more than it has samples."""
FEWEST_CELLS = 8
"""Fewer cannot leave most of a period quiet around an impact that takes two."""
STANDS_OUT = 4.0
"""Scatter of the quieter half of the cells over their mean at which a cell is part of an impact."""
MOST_CUT = 0.5
"""Share of a period that may be cut, the loudest cells first."""
TRACK_PIECES = 24
"""Pieces of a capture over which a slipping comb's phase is smoothed."""
TRACKED_HARMONICS = 4
"""The lowest are the strongest and wrap the least when the phase moves (our choice)."""


ImpactTimes = tuple[NDArray[np.bool_], ...]
"""When a comb's impacts ring: one array (bands, n) per channel, True while they do."""


def impacts_of(
    bands: Sequence[BandEnvelopes], members: Sequence[tuple[int, int]], order: float, *, slips: bool
) -> ImpactTimes:
    """When impacts of ``order`` ring, in every band of every channel.

    The phase is followed in ``members`` ((channel, band) pairs) where the comb slips. A band in which nothing stands
    out of the period stays whole.
    """
    correction = _slip_phase(bands, members, order) if slips else None
    inside = []
    for band in bands:
        turns = np.arange(band.power.shape[1]) / band.per_turn
        phase = order * turns
        if correction is not None:
            phase += np.interp(turns, *correction)
        inside.append(_inside(band.power, phase, band.per_turn / order))
    return tuple(inside)


def joined(impacts: Sequence[ImpactTimes]) -> ImpactTimes:
    """When any of several combs' impacts ring."""
    return tuple(np.logical_or.reduce(channel) for channel in zip(*impacts, strict=True))


def without(bands: Sequence[BandEnvelopes], impacts: Sequence[ImpactTimes]) -> tuple[BandEnvelopes, ...]:
    """The bands with the impacts' time taken out: their mean stands there, and they are relative to what is left."""
    result = []
    for band, inside in zip(bands, joined(impacts), strict=True):
        kept = np.where(inside, np.float32(0), band.power)
        left = np.maximum(kept.sum(axis=1, dtype=np.float64), 1e-30) / np.maximum((~inside).sum(axis=1), 1)
        kept /= left[:, None].astype(np.float32)
        kept[inside] = 1.0
        result.append(replace(band, power=kept, repeated=None, band_rms=band.band_rms * np.sqrt(left)))
    return tuple(result)


def _slip_phase(
    bands: Sequence[BandEnvelopes], members: Sequence[tuple[int, int]], order: float
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Turns, and by how many periods a slipping comb is ahead of ``order`` there, from its strongest early line."""
    channel = members[0][0]
    band = bands[channel]
    series = band.power[[b for c, b in members if c == channel]].mean(axis=0)
    series = series - series.mean()
    turns = np.arange(series.size) / band.per_turn
    width = max(8, series.size // TRACK_PIECES)
    taper = np.hanning(width).astype(np.float32)
    starts = np.arange(0, series.size - width + 1, max(1, width // 4))
    middles = turns[starts + width // 2]
    best: tuple[float, NDArray[np.float64]] | None = None
    carrier = np.exp(-2j * np.pi * np.mod(order * turns, 1.0)).astype(np.complex64)
    line = series.astype(np.complex64)
    for harmonic in range(1, TRACKED_HARMONICS + 1):
        line = line * carrier
        if harmonic * order > band.per_turn / 4:
            break
        windows = np.lib.stride_tricks.sliding_window_view(line, width)[starts]
        track = windows @ taper
        # What turns steadily from piece to piece is a line; noise has no neighbour.
        strength = float(abs((track[1:] * np.conj(track[:-1])).sum()))
        if best is None or strength > best[0]:
            ahead = np.unwrap(np.angle(track)) / (2 * np.pi * harmonic)
            best = strength, np.asarray(ahead, dtype=np.float64)
    assert best is not None
    return middles, best[1]


def _inside(power: NDArray[np.float32], phase: NDArray[np.float64], per_period: float) -> NDArray[np.bool_]:
    """Samples (bands, n) that lie in those cells of the period in which a band rises."""
    count = int(np.clip(per_period, FEWEST_CELLS, MOST_CELLS))
    # Small numbers are sorted soonest.
    cell = np.minimum(((phase - np.floor(phase)) * count).astype(np.int16), np.int16(count - 1))
    order = np.argsort(cell, kind="stable")
    met = np.bincount(cell, minlength=count)
    filled = np.flatnonzero(met)
    starts = (np.cumsum(met) - met)[filled]
    level = np.full((power.shape[0], count), np.nan)
    level[:, filled] = np.add.reduceat(power.take(order, axis=1), starts, axis=1) / met[filled]
    level[:, met == 0] = level[:, filled].min(axis=1, keepdims=True)
    ranked = np.sort(level, axis=1)
    quieter = ranked[:, : max(2, count // 2)]
    floor = quieter.mean(axis=1) + STANDS_OUT * quieter.std(axis=1)
    ceiling = ranked[:, -max(1, int(MOST_CUT * count)) - 1]
    rises = level > np.maximum(floor, ceiling)[:, None]
    # An impact that begins or ends within a cell reaches into the next one.
    rises = rises | np.roll(rises, 1, axis=1) | np.roll(rises, -1, axis=1)
    return np.asarray(rises.take(cell, axis=1), dtype=np.bool_)
