"""One turn of one body, averaged over the capture."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_array

from vibe.spectra.envelope.bands import OVERSAMPLING, BandEnvelopes
from vibe.spectra.envelope.impact_rows import FEWEST_TURNS_CUT, STRAY_SHARE

MOST_CELLS = 72
"""Cells of five degrees: finer than any part of a drive that is distinguished."""
MOST_FINE_CELLS = 720
"""Cells of the turn on which a place is read: half a degree, finer than any pin's own width."""
WEIGHTING_ROUNDS = 3
"""Weights of the bands settle within these."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Cut:
    """What a turn is cut finer from: of each channel the envelopes (bands, n), the phase of each sample in turns (n,),
    and which samples are ``kept`` (n,); which of all bands are ``shown``; and into how many cells."""

    rows: tuple[tuple[NDArray[np.float32], NDArray[np.float64], NDArray[np.bool_]], ...]
    shown: NDArray[np.bool_]
    cells: int

    @cached_property
    def fine(self) -> NDArray[np.float64]:
        """The turn (cells,), from all bands that show the impacts."""
        means = [_cell_means(power, phase, kept, self.cells) for power, phase, kept in self.rows]
        return _joined(np.concatenate(means), self.shown)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Turn:
    """Mean squared envelope round one turn of a frame, relative to its overall mean.

    ``level`` and ``sigma`` (cells,): the mean of each cell and its standard error over turns. Cells are what the
    envelope can resolve. ``fine`` (fine cells,) is the same turn cut finer (``cut``), where somebody asks: it shows no
    more, but *where* more closely; ``fine_cell`` is the size of its cells in inverse band widths.
    """

    level: NDArray[np.float64]
    sigma: NDArray[np.float64]
    turns: float
    cut: Cut | None = None
    fine_cell: float = 0.0
    backwards: bool = False
    """Whether the frame turns against the input, so that time goes from high angles to low ones."""
    fitted: int = 0
    """Constants that were fitted to it and subtracted."""
    parts: int = 0
    """Equal parts on the frame, where that is known."""
    narrow: bool = False
    """Whether what is as broad as a part was taken off, so that cells of one part together tell no more than one."""
    passes: tuple[NDArray[np.float32], ...] = ()
    """Of each channel every turn by itself (turns, cells), relative as ``level`` is; not a number where nothing was
    seen."""

    @property
    def fine(self) -> NDArray[np.float64] | None:
        return None if self.cut is None else self.cut.fine

    @property
    def angle_deg(self) -> NDArray[np.float64]:
        return (np.arange(self.level.size) + 0.5) * 360.0 / self.level.size

    def at_parts(self, count: int) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Angles [deg] and levels for a map of ``count`` equal parts: as many points to each part, one at its middle.

        Part 0 lies at angle zero.
        """
        curve = self.level if self.fine is None else self.fine
        each = max(1, -(-MOST_CELLS // count))
        angle = np.arange(each * count) * 360.0 / (each * count)
        middles = (np.arange(curve.size) + 0.5) * 360.0 / curve.size
        return angle, np.interp(angle, middles, curve, period=360.0)


def fold(
    bands: Sequence[BandEnvelopes],
    members: Sequence[tuple[int, int]],
    order: float,
    *,
    cells: int | None = None,
    origin_turns: float = 0.0,
    hidden: Sequence[NDArray[np.bool_]] | None = None,
    parts: int = 0,
) -> Turn:
    """Average the envelopes of ``members`` ((channel, band) pairs) over turns of a frame that makes ``order`` turns
    per input turn, starting at ``origin_turns`` of the input (the pulse, when there is one). ``hidden`` has one array
    (bands, n) per channel, True where others strike: what any of ``members`` hides is left out. ``parts``: equal parts
    on the frame, 0 where that is not known.

    Cells are as many as the envelope can resolve, at most 72.
    """
    channels = sorted({channel for channel, _ in members})
    per_event = min(bands[c].per_turn for c in channels) / abs(order)
    # The squared envelope of a band is resolved to about half its inverse width: a quarter of the samples.
    count = cells or int(np.clip(per_event / 2, 8, MOST_CELLS))
    fine_count = int(np.clip(per_event, count, MOST_FINE_CELLS))
    levels, errors, weights, passes = [], [], [], []
    turns = 0.0
    fine_rows: list[tuple[NDArray[np.float32], NDArray[np.float64], NDArray[np.bool_]]] = []
    shown: list[bool] = []
    for channel in channels:
        band = bands[channel]
        rows = [b for c, b in members if c == channel]
        series = band.heights[rows].mean(axis=0).astype(np.float64)
        angle = (np.arange(series.size) / band.per_turn - origin_turns) * order
        turn = np.floor(angle)
        phase = angle - turn
        kept = np.ones(series.size, dtype=bool)
        cell = np.minimum((phase * count).astype(np.int64), count - 1)
        if hidden is not None:
            kept &= ~hidden[channel][rows].any(axis=0)
            series, turn, cell = series[kept], turn[kept], cell[kept]
        level, sigma, usual, each = _over_turns(series, (turn - turn.min()).astype(np.int64), cell, count)
        passes.append(each)
        kept[kept] = usual
        levels.append(level)
        errors.append(sigma)
        weights.append(series.size)
        turns = max(turns, band.turns * abs(order))
        fine_rows.append((band.heights, phase, kept))
        shown += [row in rows for row in range(band.power.shape[0])]
    share = np.array(weights, dtype=np.float64) / sum(weights)
    mean = share @ np.array(levels)
    overall = float(mean.mean()) or 1.0
    return Turn(
        level=mean / overall,
        sigma=np.sqrt(share**2 @ np.array(errors) ** 2) / overall,
        turns=turns,
        cut=Cut(rows=tuple(fine_rows), shown=np.array(shown), cells=fine_count),
        fine_cell=per_event / OVERSAMPLING / fine_count,
        backwards=order < 0,
        parts=parts,
        passes=tuple(each / np.float32(overall) for each in passes),
    )


def _over_turns(
    series: NDArray[np.float64], turn: NDArray[np.int64], cell: NDArray[np.int64], count: int
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.bool_], NDArray[np.float32]]:
    """Mean of each cell over turns and its standard error, both (count,), which samples (n,) are as usual, and every
    turn by itself (turns, count).

    Damage shows at every turn, a stray shock at one: in each cell the loudest turns are cut to the next loudest.
    """
    passes = int(turn[-1] if turn[-1] > turn[0] else turn[0]) + 1
    place = turn * count + cell
    met = np.bincount(place, minlength=passes * count)
    sums = np.bincount(place, series, passes * count)
    each = np.where(met > 0, sums / np.maximum(met, 1), -np.inf).reshape(passes, count)
    known = each > -np.inf
    stray = int(np.ceil(STRAY_SHARE * passes)) if passes >= FEWEST_TURNS_CUT else 0
    ceiling = np.partition(each, passes - 1 - stray, axis=0)[passes - 1 - stray]
    # A cell that is nearly always hidden has no turn to spare.
    ceiling = np.where(ceiling > -np.inf, ceiling, each.max(axis=0))
    cut = np.where(known, np.minimum(each, ceiling), 0.0)
    turns_counted = known.sum(axis=0)
    level = cut.sum(axis=0) / np.maximum(turns_counted, 1)
    scatter = np.where(known, (cut - level) ** 2, 0.0).sum(axis=0) / np.maximum(turns_counted - 1, 1)
    sigma = np.sqrt(scatter / np.maximum(turns_counted, 1))
    # What is always hidden says nothing: it is as the rest.
    unseen = turns_counted < 2
    if unseen.any() and not unseen.all():
        level[unseen], sigma[unseen] = level[~unseen].mean(), np.median(sigma[~unseen])
    return level, sigma, (each <= ceiling).ravel()[place], np.where(known, each, np.nan).astype(np.float32)


def _cell_means(
    power: NDArray[np.float32], phase: NDArray[np.float64], kept: NDArray[np.bool_], count: int
) -> NDArray[np.float64]:
    """Mean of each row of ``power`` (bands, n) in each of ``count`` cells of ``phase`` (n,), in turns, where ``kept``.

    A sample is shared by the two cells between whose middles it lies: where samples fall on the same places of every
    turn, whole ones would pull a peak to the middle of their cell.
    """
    place = phase * count - 0.5
    lower = np.floor(place)
    upper_share = (place - lower).astype(np.float32)
    # Each sample is a row with its two cells' shares: the sums over cells are one product with all bands.
    shares = np.stack([1 - upper_share, upper_share], axis=1)
    shares[~kept] = 0.0
    cell = lower.astype(np.int32)[:, None] + np.array([0, 1], dtype=np.int32)
    # The turn's start and end meet.
    cell[cell < 0] = count - 1
    cell[cell >= count] = 0
    ends = np.arange(0, 2 * phase.size + 1, 2, dtype=np.int32)
    shared = csr_array((shares.ravel(), cell.ravel(), ends), shape=(phase.size, count))
    sums = np.asarray(shared.T @ np.ascontiguousarray(power.T), dtype=np.float64).T
    met = np.bincount(cell.ravel(), shares.ravel(), count)
    known = np.flatnonzero(met > 0)
    means: NDArray[np.float64] = sums[:, known] / met[known]
    if known.size == count:
        return means
    return np.array([np.interp(np.arange(count), known, row, period=count) for row in means])


def _joined(rows: NDArray[np.float64], shown: NDArray[np.bool_]) -> NDArray[np.float64]:
    """One turn from those of all bands (bands, cells), each weighed by how well it shows what ``shown`` bands show.

    An impact reaches many bands. Those that ring longest show it best and give its instant worst, so the weight is the
    root of what a matched sum would give them.
    """
    uneven = rows - rows.mean(axis=1, keepdims=True)
    weights = shown / shown.sum()
    for _ in range(WEIGHTING_ROUNDS):
        pattern = weights @ uneven
        strength = float(pattern @ pattern)
        if strength <= 0:
            break
        share = np.sqrt(np.maximum(uneven @ pattern / strength, 0.0))
        weights = share / share.sum()
    joined: NDArray[np.float64] = weights @ rows
    return joined / (float(joined.mean()) or 1.0)
