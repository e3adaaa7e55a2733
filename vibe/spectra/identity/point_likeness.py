"""Does a measuring point sound as it used to? Two points of one drive whose spectra look exchanged against history.

Every place has its own resonances. Its signature is the floor between the lines, in narrow bands of constant relative
width: lines move with speed, and a median over the bins of a band leaves them out. Load, speed and a sensor's
calibration lift all bands of a point, and mostly those of its neighbour too; so two points are judged by the
*difference* of their shapes, now against then: if it turned its sign, the points were exchanged.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vibe.spectra.basic.conditioning import bridged
from vibe.spectra.basic.fft import rfft

Real = NDArray[np.float64]

PER_OCTAVE = 12
"""A band is 6 % wide: as wide as a casing resonance (damping 1 to 4 %)."""
LOWEST_HZ = 500.0
"""Below, lines of shafts and meshes crowd a band, and the casing moves as a whole."""
HIGHEST_HZ = 20_000.0
"""Above, few recorders of a route reach (common practice)."""
FILTERED = 1 / 2.56
"""Share of the sample rate that a recorder's filter leaves intact (common practice)."""
SEGMENT_S = 0.5
"""Bins of 2 Hz: fourteen in the lowest band."""
LONGEST_S = 30.0
"""Sixty segments: more make the mean no surer than the machine's own changes (our choice)."""
FEWEST_SHARED = 12
"""Bands that two signatures must share: an octave."""
OWN_SCATTER_DB = 1.5
"""Least scatter of one place's bands from visit to visit once the level is taken out; common practice."""
BANDS_PER_VOTE = 3.0
"""Neighbouring bands concern one resonance: three of them count as one observation."""
MOST_DIFFERENCE_DB = 15.0
"""A band differs by this at most: one that lies in the noise of a sensor must not decide alone."""
PRIOR = float(np.log(0.01))
"""Log odds of an exchange before anything is seen: one visit in a hundred; common practice."""
PRIOR_CHANGED = float(np.log(0.1))
"""Log odds that something else has changed a place, as a repair or another sensor does; common practice."""
SURE = float(np.log(99.0))
"""Log odds from which on an exchange is reported: right in 99 of 100 cases."""
LATEST = 8
"""Earlier visits that count; the floor of a place changes with wear and repair."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Signature:
    """Log levels [dB] of a point's floor in bands of 1/12 octave from ``LOWEST_HZ``, float32 (bands,).

    NaN where the capture does not reach.
    """

    level_db: NDArray[np.float32]

    def plain(self) -> list[float | None]:
        """For JSON: a number a band, rounded to a hundredth of a decibel; None for what was not measured."""
        return [round(float(value), 2) if np.isfinite(value) else None for value in self.level_db]

    @classmethod
    def of_plain(cls, values: Sequence[float | None]) -> Signature:
        """The signature that :meth:`plain` wrote."""
        return cls(level_db=np.array([np.nan if value is None else value for value in values], dtype=np.float32))


@dataclass(frozen=True, slots=True, kw_only=True)
class Exchange:
    """Two points that look exchanged, and the probability that they are."""

    first: str
    second: str
    probability: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparison:
    """What history says of the points of a drive."""

    exchanged: tuple[Exchange, ...]
    """Surest first; a point is in one at most."""
    alike: tuple[tuple[str, str], ...]
    """Pairs that sound too much alike, then or now, to be distinguished."""


def band_edges_hz() -> Real:
    """Edges of the bands, (bands + 1,)."""
    count = int(np.floor(PER_OCTAVE * np.log2(HIGHEST_HZ / LOWEST_HZ)))
    return np.asarray(LOWEST_HZ * 2.0 ** (np.arange(count + 1) / PER_OCTAVE))


def signature(samples: NDArray[np.float32], rate_hz: float) -> Signature:
    """The floor of a point, from acceleration ``samples`` (n,) at ``rate_hz``; gaps are bridged.

    Raises:
        ValueError: shorter than one segment of ``SEGMENT_S``.
    """
    size = round(SEGMENT_S * rate_hz)
    if samples.size < size or size < 16:
        raise ValueError(f"a signature needs {SEGMENT_S:g} s of samples")
    clean = bridged(samples[: round(LONGEST_S * rate_hz)])
    pieces = clean[: clean.size // size * size].reshape(-1, size)
    power = np.abs(rfft(pieces * np.hanning(size).astype(np.float32))) ** 2
    # The median over time leaves out what comes seldom: shocks, impacts of a slow part.
    floor = np.median(power, axis=0) if pieces.shape[0] > 2 else power.mean(axis=0)
    hz = np.arange(floor.size) * rate_hz / size
    edges = band_edges_hz()
    places = np.searchsorted(hz, edges)
    level = np.full(edges.size - 1, np.nan, dtype=np.float32)
    for band in np.flatnonzero(edges[1:] <= FILTERED * rate_hz):
        level[band] = 10 * np.log10(np.median(floor[places[band] : places[band + 1]]) / (size * rate_hz) + 1e-30)
    return Signature(level_db=level)


def distance(a: Signature, b: Signature) -> float | None:
    """R.m.s. difference of two shapes [dB], levels taken out; None where they share too few bands."""
    difference = _difference(a.level_db, b.level_db)
    if np.count_nonzero(np.isfinite(difference)) < FEWEST_SHARED:
        return None
    return float(np.sqrt(np.nanmean(difference**2)))


def exchanged(now: Mapping[str, Signature], earlier: Mapping[str, Sequence[Signature]]) -> Comparison:
    """Points of one drive that look exchanged: their difference in shape is now what it was, with the other sign.

    Three stories are weighed for each pair: all is as it was; the two are exchanged; something else has changed
    (a repair, another sensor), so that the difference now has nothing to do with that of then. Each leaves a rest; of
    unknown size it counts by its logarithm (a Student likelihood with ``OWN_SCATTER_DB`` as its least scatter).

    Args:
        now: the signatures of this visit by point.
        earlier: those of earlier visits by point, oldest first; points without any are left out.
    """
    past = {point: _usual(visits) for point, visits in earlier.items() if visits and point in now}
    points = sorted(past)
    found: list[Exchange] = []
    alike: list[tuple[str, str]] = []
    for place, first in enumerate(points):
        for second in points[place + 1 :]:
            today = _difference(now[first].level_db, now[second].level_db)
            then = _difference(past[first], past[second])
            use = np.isfinite(today) & np.isfinite(then)
            if np.count_nonzero(use) < FEWEST_SHARED:
                continue
            odds, best_odds = _odds(today[use], then[use])
            if best_odds < SURE:
                alike.append((first, second))
            elif odds > SURE:
                found.append(Exchange(first=first, second=second, probability=float(1 / (1 + np.exp(-odds)))))
    found.sort(key=lambda pair: -pair.probability)
    taken: set[str] = set()
    kept = []
    for pair in found:
        if taken.isdisjoint((pair.first, pair.second)):
            kept.append(pair)
            taken |= {pair.first, pair.second}
    return Comparison(exchanged=tuple(kept), alike=tuple(alike))


def _odds(today: Real, then: Real) -> tuple[float, float]:
    """Log odds that two points are exchanged, and those that a clean exchange would reach."""

    def likelihood(rest: Real) -> float:
        votes = rest.size / BANDS_PER_VOTE
        return -votes / 2 * float(np.log1p(np.mean(rest**2) / OWN_SCATTER_DB**2))

    otherwise = np.logaddexp(likelihood(today - then), PRIOR_CHANGED + likelihood(today))
    best_otherwise = np.logaddexp(likelihood(2 * then), PRIOR_CHANGED + likelihood(then))
    return PRIOR + likelihood(today + then) - float(otherwise), PRIOR - float(best_otherwise)


def _usual(visits: Sequence[Signature]) -> NDArray[np.float32]:
    """Median of the latest visits, band by band, each at the same level; NaN where none reached."""
    levels = np.stack([visit.level_db for visit in visits[-LATEST:]])
    known = np.isfinite(levels)
    shared = known.all(axis=0)
    # Levels are aligned on bands that all visits reached; where there is none they stay as they are.
    if shared.any():
        levels = levels - np.median(levels[:, shared], axis=1, keepdims=True)
    usual = np.full(levels.shape[1], np.nan, dtype=np.float32)
    reached = known.any(axis=0)
    usual[reached] = np.nanmedian(levels[:, reached], axis=0)
    return usual


def _difference(a: NDArray[np.float32], b: NDArray[np.float32]) -> Real:
    """``a`` minus ``b`` [dB], its median over the bands taken out, bounded; NaN where either is."""
    difference = a.astype(np.float64) - b
    known = np.isfinite(difference)
    if known.any():
        difference -= np.median(difference[known])
    return np.clip(difference, -MOST_DIFFERENCE_DB, MOST_DIFFERENCE_DB)
