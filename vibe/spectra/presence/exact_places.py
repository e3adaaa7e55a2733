"""How exactly lines lie where a drive puts them: its parts are geared to its shaft, another rotor turns near a speed.

A line that stands far out of the noise has its peak at a place that is known to some hundredths of a bin.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from vibe.spectra.basic.lines import peak_bins
from vibe.spectra.presence.axes import Axis
from vibe.spectra.presence.families import Real

PLACE_BINS, NOISE_BINS = 0.02, 0.75
"""Standard error of a peak's place in bins: what is left of the loudest lines, and at surprise 1, falling as its root.
So of 710 lines of shafts and 504 of lobes and pins of sound drives of outside worlds."""
READ_BINS = 1.5
"""Bins either side of its place within which a line is read: the best of three."""
ANOTHERS = 0.2
"""Share of lines that another one next to them moves, or stands for, anywhere in these bins (of the same lines of lobes
and pins one in seven lay half a bin and more off)."""
GRAINS = 4
"""Places that are tried per standard error of the best known line."""
MOST_PLACES = 20_000
"""And at most, for the sake of time."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Peaks:
    """Places of lines that stand, relative to those where they are asked for: how far ``off`` (n,), with what standard
    ``error`` (n,), and how far they can lie off at all (``reach``, (n,))."""

    off: Real
    error: Real
    reach: Real

    def with_those_of(self, other: Peaks) -> Peaks:
        return Peaks(
            off=np.concatenate([self.off, other.off]),
            error=np.concatenate([self.error, other.error]),
            reach=np.concatenate([self.reach, other.reach]),
        )

    def likely(self, shifts: Real) -> Real:
        """Log likelihood (k,) of the places where all that they belong to lies ``shifts`` (k,) off."""
        apart = (self.off[:, None] - shifts) / self.error[:, None]
        near = np.exp(-0.5 * apart**2) / (np.sqrt(2 * np.pi) * self.error[:, None])
        return np.asarray(np.log((1 - ANOTHERS) * near + ANOTHERS / (2 * self.reach[:, None])).sum(axis=0))


def peaks_at(axis: Axis, orders: Real, least: float) -> Peaks:
    """Peaks of the lines at ``orders`` (n,) whose surprise is at least ``least``, where each stands highest. What a row
    was made of may be unknown; then its peaks lie anywhere in the bins that are read."""
    found: list[tuple[float, float, float]] = []
    for order, surprise in zip(orders.tolist(), axis.at(orders, shaft=True).tolist(), strict=True):
        if not surprise >= least:
            continue
        best = axis.highest(order)
        step = axis.rows[best][1]
        off_bins, error_bins = 0.0, READ_BINS
        if best < len(axis.powers):
            off_bins = peak_bins(axis.powers[best], round(order / step)) - order / step
            error_bins = float(np.hypot(PLACE_BINS, NOISE_BINS / np.sqrt(surprise)))
        found.append((off_bins * step / order, error_bins * step / order, READ_BINS * step / order))
    columns = np.array(found).reshape(-1, 3)
    return Peaks(off=columns[:, 0], error=columns[:, 1], reach=columns[:, 2])


def as_exact(shaft: Peaks, others: Peaks) -> float:
    """Relative width of speeds of another rotor that would lie as near the exact ratio to the shaft as lines of
    ``others`` do: chance that it turns there is this over all the speeds that it may have. Where they lie off, it is
    wider than what is read.

    The shaft is where its own lines have their peaks, and not where it was asked for: at a speed at which lines of the
    drive fit by chance its own lie next to their places."""
    if not others.off.size:
        return np.inf
    widest = float(others.reach.max())
    reach = max(widest, float(shaft.reach.max(initial=0.0)))
    finest = float(min(others.error.min(), shaft.error.min(initial=np.inf)))
    count = int(np.clip(np.ceil(2 * reach * GRAINS / finest), 2, MOST_PLACES)) | 1
    shifts = np.linspace(-reach, reach, count)
    mine, its = (one.likely(shifts) for one in (shaft, others))
    mine, its = np.exp(mine - mine.max()), np.exp(its - its.max())
    its[np.abs(shifts) > widest] = 0.0  # There its lines are not read.
    geared = float((mine * its).sum() / mine.sum())
    return float(its.sum() * (shifts[1] - shifts[0]) / max(geared, 1e-300))
