"""Envelope spectra of groups of bands, on the order axis, over their local floor.

Which bands carry the ringing of a defect is not known beforehand: every dyadic group of bands, of every channel and of
all channels together, has a spectrum of its own.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from vibe.spectra.bands import BandEnvelopes

FLOOR_BINS = 201
"""Bins of an envelope spectrum over whose median a line stands."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class EnvelopeSpectra:
    """Envelope spectra of groups of bands on one order axis.

    ``power`` (groups, n) over the local floor (mean 1 where nothing is); ``step`` in orders per bin;
    ``low_hz``/``high_hz`` (groups,) edges; ``channels`` names per group; ``modulation`` (groups, n) amplitude of
    each line relative to the mean of the squared envelope.
    """

    power: NDArray[np.float32]
    modulation: NDArray[np.float32]
    step: float
    low_hz: NDArray[np.float64]
    high_hz: NDArray[np.float64]
    members: tuple[tuple[tuple[int, int], ...], ...]
    """(channel index, band index) pairs of each group."""
    top_order: float
    """Above it the narrowest band no longer passes envelope lines."""

    @property
    def orders(self) -> NDArray[np.float64]:
        return np.arange(self.power.shape[1], dtype=np.float64) * self.step


def _dyadic(count: int) -> list[range]:
    """Runs of 1, 2, 4 … ``count`` neighbours, aligned."""
    runs: list[range] = []
    size = 1
    while size <= count:
        runs += [range(start, start + size) for start in range(0, count, size)]
        size *= 2
    return runs


def envelope_spectra(bands: Sequence[BandEnvelopes], *, together: bool = False) -> EnvelopeSpectra:
    """Envelope spectra of every dyadic group of bands, per channel and (given several) over all channels; with
    ``together`` over all channels alone, where they have as many bands each.

    Channels may have different rates and lengths in samples; they must cover the same turns. Lines keep their phase
    until groups are summed, since a hit reaches all bands and channels at one time.
    """
    turns = min(band.turns for band in bands)
    top = min(band.per_turn for band in bands) / 4.0
    keep = int(top * turns)
    lines: list[NDArray[np.complex64]] = []
    for band in bands:
        n = round(turns * band.per_turn)
        taper = np.hanning(n + 1)[:n].astype(np.float32)
        centred = (band.power[:, :n] - band.power[:, :n].mean(axis=1, keepdims=True)) * taper
        # Unpadded, so that bin k of every channel is k / turns.
        lines.append((fft.rfft(centred, axis=1)[:, :keep] * np.float32(2.0 / taper.sum())).astype(np.complex64))

    groups: list[NDArray[np.complex64]] = []
    members: list[tuple[tuple[int, int], ...]] = []
    alike = len(lines) > 1 and len({spectrum.shape[0] for spectrum in lines}) == 1
    for channel, spectrum in enumerate(lines if not (together and alike) else []):
        for run in _dyadic(spectrum.shape[0]):
            groups.append(spectrum[run.start : run.stop].mean(axis=0))
            members.append(tuple((channel, band) for band in run))
    if alike:
        for run in _dyadic(lines[0].shape[0]):
            groups.append(np.mean([s[run.start : run.stop].mean(axis=0) for s in lines], axis=0))
            members.append(tuple((channel, band) for channel in range(len(lines)) for band in run))
    modulation = np.abs(np.stack(groups)).astype(np.float32)
    squared = modulation**2
    floor = line_floor(squared)
    edges = [[bands[c].centre_hz[b] + s * bands[c].width_hz / 2 for c, b in m for s in (-1, 1)] for m in members]
    return EnvelopeSpectra(
        power=squared / floor,
        modulation=modulation,
        step=1.0 / turns,
        low_hz=np.array([min(e) for e in edges]),
        high_hz=np.array([max(e) for e in edges]),
        members=tuple(members),
        top_order=top,
    )


def line_floor(squared: NDArray[np.float32], width: int = FLOOR_BINS) -> NDArray[np.float32]:
    """Running floor of envelope spectra (…, n): mean noise power from block medians, along the last axis."""
    n = squared.shape[-1]
    width = max(16, min(width, n // 4))
    hop = max(1, width // 4)
    starts = np.arange(0, max(1, n - width + 1), hop)
    windows = np.lib.stride_tricks.sliding_window_view(squared, width, axis=-1)[..., starts, :]
    medians = np.median(windows, axis=-1) / np.float32(np.log(2.0))
    centres = starts + width / 2
    # The floor falls steeply towards order zero in drifting captures; the first block is held there.
    at = np.clip((np.arange(n) - centres[0]) / hop, 0, starts.size - 1)
    left = np.minimum(at.astype(int), starts.size - 1)
    right = np.minimum(left + 1, starts.size - 1)
    share = (at - left).astype(np.float32)
    floor = medians[..., left] * (1 - share) + medians[..., right] * share
    result: NDArray[np.float32] = np.maximum(floor, np.float32(1e-20))
    return result
