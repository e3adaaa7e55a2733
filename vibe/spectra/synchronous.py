"""One turn of one body, averaged over the capture: where on it the envelope rises."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vibe.core.evidence import Localisation
from vibe.spectra.bands import BandEnvelopes

MOST_CELLS = 72


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Turn:
    """Mean squared envelope round one turn of a frame, relative to its overall mean.

    ``level`` and ``sigma`` (cells,): the mean of each cell and its standard error over turns.
    """

    level: NDArray[np.float64]
    sigma: NDArray[np.float64]
    turns: float

    @property
    def angle_deg(self) -> NDArray[np.float64]:
        return (np.arange(self.level.size) + 0.5) * 360.0 / self.level.size


def fold(
    bands: Sequence[BandEnvelopes],
    members: Sequence[tuple[int, int]],
    order: float,
    *,
    cells: int | None = None,
    origin_turns: float = 0.0,
) -> Turn:
    """Average the envelopes of ``members`` ((channel, band) pairs) over turns of a frame that makes ``order`` turns
    per input turn, starting at ``origin_turns`` of the input (the pulse, when there is one).

    Cells are as many as the envelope can tell apart, at most 72.
    """
    channels = sorted({channel for channel, _ in members})
    per_event = min(bands[c].per_turn for c in channels) / abs(order)
    # The squared envelope of a band is resolved to about half its inverse width: a quarter of the samples.
    count = cells or int(np.clip(per_event / 2, 8, MOST_CELLS))
    total, squares, weight = np.zeros(count), np.zeros(count), np.zeros(count)
    turns = 0.0
    for channel in channels:
        band = bands[channel]
        rows = [b for c, b in members if c == channel]
        series = band.power[rows].mean(axis=0).astype(np.float64)
        phase = np.mod((np.arange(series.size) / band.per_turn - origin_turns) * order, 1.0)
        cell = np.minimum((phase * count).astype(int), count - 1)
        total += np.bincount(cell, series, count)
        squares += np.bincount(cell, series**2, count)
        weight += np.bincount(cell, minlength=count)
        turns = max(turns, series.size / band.per_turn * abs(order))
    mean = total / np.maximum(weight, 1)
    variance = np.maximum(squares / np.maximum(weight, 1) - mean**2, 0.0)
    overall = float(mean.mean()) or 1.0
    # Neighbouring samples are correlated: about a quarter of them are independent.
    independent = np.maximum(weight / 4.0, 1.0)
    return Turn(level=mean / overall, sigma=np.sqrt(variance / independent) / overall, turns=turns)


def refined_order(
    bands: Sequence[BandEnvelopes], members: Sequence[tuple[int, int]], order: float, *, bins: float, harmonics: int = 4
) -> float:
    """The order within ``bins`` resolution bins of ``order`` at which the hits stay in place over the capture.

    A fold over K turns blurs by K times the relative error of its order, so half a bin is already too much.
    """
    channel = members[0][0]
    band = bands[channel]
    series = band.power[[b for c, b in members if c == channel]].mean(axis=0)
    series = (series - series.mean()) * np.hanning(series.size).astype(np.float32)
    turns = np.arange(series.size) / band.per_turn
    offsets = np.linspace(-bins, bins, 2 * int(np.ceil(8 * bins)) + 1) / band.turns
    carrier = np.exp(-2j * np.pi * np.mod(order * turns, 1.0)).astype(np.complex64)
    drift = np.exp(-2j * np.pi * (offsets[1] - offsets[0]) * turns).astype(np.complex64)
    power = np.zeros(offsets.size)
    for harmonic in range(1, harmonics + 1):
        row = series * carrier**harmonic * np.exp(-2j * np.pi * harmonic * offsets[0] * turns).astype(np.complex64)
        step = drift**harmonic
        for k in range(offsets.size):
            power[k] += abs(row.sum()) ** 2
            row *= step
    return order + float(offsets[int(power.argmax())])


def localise(turn: Turn, *, meetings: int = 1) -> Localisation:
    """Whether one place (or ``meetings`` equally spaced ones) stands out of its own turn.

    Pins and lobes of a healthy drive differ, so the envelope repeats turn by turn without damage. Such irregularity
    is spread round the turn: squared sums of many small errors, whose excesses over their median fall off no
    faster than exponentially. The highest place is therefore read against an exponential law fitted to the rest.
    """
    level = turn.level
    n = level.size
    top = int(level.argmax())
    spread = max(1, n // 18)
    away = np.ones(n, dtype=bool)
    spots = [round(top + k * n / meetings) % n for k in range(meetings)]
    for spot in spots:
        away[(np.arange(spot - spread, spot + spread + 1)) % n] = False
    rest = level[away] if away.sum() >= 6 else np.sort(level)[: max(4, n // 2)]
    middle = float(np.median(rest))
    above = rest[rest > middle] - middle
    scale = max(float(above.mean()) if above.size else 0.0, float(np.median(turn.sigma)), 1e-9)
    height = float(level[top]) - middle
    # Predictive law of an exponential learnt from few cells, over the n cells searched.
    m = max(3, above.size)
    one = 0.5 * (1 + height / (m * scale)) ** -m
    probability = max(1e-9, float(-np.expm1(n * np.log1p(-min(one, 1 - 1e-12)))))
    peaks = []
    for spot in spots:
        near = [(spot + k) % n for k in range(-spread, spread + 1)]
        best = max(near, key=lambda i: level[i])
        share = float(level[best] - middle)
        if share > 4 * scale:
            peaks.append((share, float(turn.angle_deg[best])))
    peaks.sort(reverse=True)
    largest = peaks[0][0] if peaks else 1.0
    half = middle + height / 2
    width = int((level[[(top + k) % n for k in range(-spread * 2, spread * 2 + 1)]] > half).sum())
    return Localisation(
        false_alarm_probability=probability,
        peaks_deg=tuple(angle for _, angle in peaks),
        peak_share=tuple(share / largest for share, _ in peaks),
        width_deg=width * 360.0 / n,
    )
