"""The order at which impacts stay in place over a capture."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from vibe.spectra.basic.fft import hann
from vibe.spectra.envelope.bands import BandEnvelopes

PIECES_PER_CYCLE = 32
"""Pieces of a capture per cycle by which the farthest order that is tried differs over it: each loses at most 0.3 % of
its power to turning within a piece."""


def refined_order(
    bands: Sequence[BandEnvelopes], members: Sequence[tuple[int, int]], order: float, *, bins: float, harmonics: int = 4
) -> float:
    """The order within ``bins`` resolution bins of ``order`` at which the impacts stay in place over the capture.

    All channels decide together: one of them may not show the impacts at all.

    A fold over K turns blurs by K times the relative error of its order, so half a bin is already too much.
    """
    turns = min(bands[channel].turns for channel, _ in members)
    offsets = np.linspace(-bins, bins, 2 * int(np.ceil(8 * bins)) + 1) / turns
    power = np.zeros(offsets.size)
    for channel in dict.fromkeys(channel for channel, _ in members):
        rows = [row for own, row in members if own == channel]
        power += _staying(bands[channel], rows, order, offsets, harmonics, max(bins, 1.0))
    return order + float(offsets[int(power.argmax())])


def _staying(
    band: BandEnvelopes,
    rows: Sequence[int],
    order: float,
    offsets: NDArray[np.float64],
    harmonics: int,
    reach: float,
) -> NDArray[np.float64]:
    """Power of the first ``harmonics`` lines of one channel's bands ``rows`` at ``order`` and each of ``offsets`` (k,),
    which lie up to ``reach`` resolution bins off."""
    series = band.power[rows].mean(axis=0)
    series = (series - series.mean()) * hann(series.size)
    turns = np.arange(series.size) / band.per_turn
    cycles = order * turns
    angle = (2 * np.pi * (cycles - np.floor(cycles))).astype(np.float32)
    carrier = np.cos(angle) - np.complex64(1j) * np.sin(angle)
    # At the order itself a line hardly turns while a piece lasts, so pieces are summed once for all offsets.
    pieces = min(series.size, PIECES_PER_CYCLE * int(np.ceil(harmonics * reach)))
    starts = np.arange(pieces) * series.size // pieces
    middles = np.add.reduceat(turns, starts) / np.diff(starts, append=series.size)
    turning = np.exp(-2j * np.pi * offsets[:, None] * middles).astype(np.complex64)
    power, line, turned = np.zeros(offsets.size), series.astype(np.complex64), np.ones_like(turning)
    for _ in range(harmonics):
        line, turned = line * carrier, turned * turning
        power += np.abs(turned @ np.add.reduceat(line, starts)) ** 2
    return power
