"""Evidence for combs of lines in the envelope, read against decoy orders of the same capture.

A local defect speaks once per repeat, so its envelope has lines at every harmonic of one order. For each candidate
order the lines' powers over the local floor are joined by Fisher's method (R. A. Fisher, 1925): where nothing is,
each line's ``-ln p`` is exponential and the sum over H lines is Gamma(H) distributed. That holds for any order, so
the score is computed once for a whole axis of orders. The tones that were asked for are read off that curve, and
everything else on it, away from every known family, is a decoy: several thousand places where nothing should be,
which turn the score into a false-alarm probability without trusting the ideal distribution.

Which bands carry the ringing is not known beforehand: every dyadic group of bands, of every channel and of all
channels together, is tried, and the decoys pay for the choice because they had it too.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import maximum_filter1d, uniform_filter1d
from scipy.special import gammaincc

from vibe.spectra.envelope_spectrum import EnvelopeSpectra

HARMONIC_SETS = (2, 3, 5, 8, 12, 20, 32)
"""Numbers of harmonics joined: a broad hit has few, a sharp one many."""
SLIPPING_HARMONICS = 12
"""Random slip smears the higher harmonics of a bearing away."""
LINE_KNEE = 14.0
"""-ln p above which a line counts by its logarithm only: a comb is many lines, one strong line is somebody else's."""
LINE_SLOPE = 4.0
"""Growth of a line's share per e-fold of power above the knee."""
MOST_REACHED = 64
"""Widened masks that are kept: a few masks, each in the widths of all harmonics."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CombRequest:
    """An order to look for: relative ``slip`` (lowest, highest) and ``sidebands`` spacings in orders.

    ``carriers``: which multiples of the order to try as the comb's fundamental (a damaged ball strikes twice a turn).
    ``max_harmonic`` keeps a slow comb from claiming a faster one's lines (every outer-race line is a cage harmonic).
    """

    name: str
    order: float
    slip: tuple[float, float] = (0.0, 0.0)
    sidebands: tuple[float, ...] = ()
    carriers: tuple[int, ...] = (1,)
    max_harmonic: int = SLIPPING_HARMONICS

    @property
    def slips(self) -> bool:
        return self.slip != (0.0, 0.0)


def owned(
    families: Sequence[tuple[float, int]], step: float, size: int, *, half_width: int = 2, spread: float = 0.0
) -> NDArray[np.bool_]:
    """Bins (size,) that families of lines own: (order, harmonics) each, ``half_width`` bins either side and
    ``spread`` (relative) of the order more. A family too dense for the axis owns nothing.
    """
    mask = np.zeros(size, dtype=bool)
    for order, harmonics in families:
        if order <= 3 * half_width * step:
            continue
        for harmonic in range(1, harmonics + 1):
            middle = harmonic * order / step
            if middle > size + half_width:
                break
            half = half_width + spread * middle
            if half > 0.2 * order / step:
                break  # The speed is not known well enough to say where this harmonic lies.
            mask[max(0, int(np.floor(middle - half + 0.5))) : int(np.floor(middle + half + 0.5)) + 1] = True
    return mask


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Scores:
    """Comb scores at ``orders``, in units of -ln p.

    ``group`` is the group of bands that gave each score, ``harmonics`` how many harmonics were joined; ``told`` is
    False where no line of the comb was free to tell anything.
    """

    orders: NDArray[np.float64]
    score: NDArray[np.float32]
    group: NDArray[np.int32]
    harmonics: NDArray[np.int32]
    told: NDArray[np.bool_]


class CombScorer:
    """Scores combs in one set of envelope spectra; what all scores share is computed once."""

    def __init__(self, spectra: EnvelopeSpectra) -> None:
        self.spectra = spectra
        # Rows of groups lie together in memory: one place of the axis is one read.
        self._power = np.ascontiguousarray(spectra.power.T)
        self._lines: dict[tuple[int, str], NDArray[np.float32]] = {}
        self._reached: dict[tuple[int, int], tuple[NDArray[np.bool_], NDArray[np.bool_]]] = {}

    def half_bins(self, low: float, high: float) -> NDArray[np.float64]:
        """Orders from ``low`` to ``high`` in steps of half a bin, clipped to the axis; at least one."""
        last = 2.0 * int(self.spectra.top_order / self.spectra.step)
        half = self.spectra.step / 2
        first = np.clip(np.floor(low / half), 8, last - 1)
        return np.arange(first, np.clip(np.ceil(high / half) + 1, first + 1, last)) * half

    def score(
        self,
        orders: NDArray[np.float64],
        *,
        slip: bool,
        mask: NDArray[np.bool_],
        sidebands: Sequence[float] = (),
        max_harmonic: int = SLIPPING_HARMONICS,
    ) -> Scores:
        """The comb score at ``orders`` (k,).

        With ``slip`` the windows widen with the harmonic, as a rolling bearing's random slip smears its lines;
        without, lines are taken where they must be. ``mask`` (n,) marks bins owned by others: they tell nothing.
        ``sidebands`` (in orders) adds lines either side of the first four harmonics.
        """
        groups = self._power.shape[1]
        bins = orders / self.spectra.step
        best = np.zeros(bins.size, dtype=np.float32)
        best_group = np.zeros(bins.size, dtype=np.int32)
        best_harmonics = np.zeros(bins.size, dtype=np.int32)
        shifts = [s * round(side / self.spectra.step) for side in sidebands for s in (-1, 1)]
        for kind in ("sharp", "smeared") if slip else ("sharp",):
            total = np.zeros((bins.size, groups), dtype=np.float32)
            count = np.zeros(bins.size, dtype=np.int32)
            for harmonic in range(1, min(max(HARMONIC_SETS), max_harmonic) + 1):
                width = harmonic | 1 if slip else 1
                lines = self._softened(width, kind)
                # A window that reaches into somebody else's line tells nothing either.
                blocked = self._reaching(mask, width)
                middle = np.floor(harmonic * bins + 0.5).astype(np.int64)
                free = _free(middle, blocked)
                for shift in (0, *(shifts if harmonic <= 4 else ())):
                    spot = middle + shift
                    # Sidebands of somebody else's line are that one's modulation.
                    told = _free(spot, blocked) & free
                    if told.all():
                        total += lines[spot]
                    else:
                        total[told] += lines[spot[told]]
                    count += told
                if harmonic in HARMONIC_SETS:
                    group = total.argmax(axis=1)
                    score = _log_tail(total[np.arange(bins.size), group], count)
                    better = score > best
                    best[better] = score[better]
                    best_group[better] = group[better]
                    best_harmonics[better] = harmonic
        return Scores(orders=orders, score=best, group=best_group, harmonics=best_harmonics, told=best_harmonics > 0)

    def _reaching(self, mask: NDArray[np.bool_], width: int) -> NDArray[np.bool_]:
        """Middles of windows of ``width`` bins that meet ``mask``; the same few masks are asked for again and again."""
        if width <= 1:
            return mask
        key = id(mask), width
        # The mask is kept beside, so that its identity stays its own.
        if key not in self._reached:
            if len(self._reached) >= MOST_REACHED:
                self._reached.clear()
            self._reached[key] = mask, maximum_filter1d(mask, width)
        return self._reached[key][1]

    def _softened(self, width: int, kind: str) -> NDArray[np.float32]:
        """-ln p of each window of ``width`` bins (n, groups), logarithmic above the knee."""
        key = (width, "sharp" if width == 1 else kind)
        if key not in self._lines:
            surprise = _surprise(self._power, width, kind)
            above = surprise > LINE_KNEE
            surprise[above] = LINE_KNEE + LINE_SLOPE * np.log(surprise[above] / LINE_KNEE)
            self._lines[key] = surprise
        return self._lines[key]


def _free(spot: NDArray[np.int64], blocked: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Whether bins lie on the axis and are nobody's."""
    told = (spot > 0) & (spot < blocked.size)
    told[told] = ~blocked[spot[told]]
    return told


def _surprise(power: NDArray[np.float32], width: int, kind: str) -> NDArray[np.float32]:
    """-ln p of the largest ("sharp") or the mean ("smeared") of ``width`` neighbouring bins, axis 0."""
    if width <= 1:
        return power.copy()
    # A Hann window leaves about two thirds of the bins independent.
    effective = max(1.0, width / 1.5)
    if kind == "sharp":
        # -ln(1 - (1 - e^-x)^m), which tends to x - ln m.
        table = -np.log(-np.expm1(effective * np.log1p(-np.exp(-np.clip(_GRID, 1e-6, 30.0)))))
        table = np.where(_GRID > 12, _GRID - np.log(effective), table)
        found = maximum_filter1d(power, width, axis=0)
    else:
        tail = gammaincc(effective, _GRID * effective)
        table = np.where(tail > 1e-290, -np.log(np.maximum(tail, 1e-290)), 660.0)
        found = uniform_filter1d(power, width, axis=0)
    result: NDArray[np.float32] = table.astype(np.float32)[_grid_index(found)]
    if kind == "sharp":
        far = found > _GRID[-1]
        result[far] = found[far]
    return result


_GRID = np.geomspace(1e-3, 300.0, 4096)
_GRID_SCALE = (_GRID.size - 1) / np.log(_GRID[-1] / _GRID[0])


def _grid_index(values: NDArray[np.float32]) -> NDArray[np.int32]:
    """Nearest point of the logarithmic grid (0.3 % steps)."""
    place = np.log(np.maximum(values, np.float32(1e-3)) * np.float32(1e3)) * np.float32(_GRID_SCALE)
    nearest: NDArray[np.int32] = np.minimum(place + np.float32(0.5), _GRID.size - 1).astype(np.int32)
    return nearest


_TAIL_STEP = 0.05


@lru_cache(maxsize=256)
def _tail_table(shape: int) -> NDArray[np.float32]:
    """-ln of the Gamma(shape) tail at 0, 0.05 … 750."""
    grid = np.arange(0.0, 750.0, _TAIL_STEP)
    tail = gammaincc(float(shape), grid)
    good = tail > 1e-290
    table = np.where(good, -np.log(np.maximum(tail, 1e-290)), 0.0)
    edge = int(good.sum())
    if edge < grid.size:
        # Beyond the range of doubles the tail falls as e^-x.
        table[edge:] = table[edge - 1] + (grid[edge:] - grid[edge - 1])
    return table.astype(np.float32)


def _log_tail(total: NDArray[np.float32], count: NDArray[np.int32]) -> NDArray[np.float32]:
    """-ln of the Gamma(count) tail at ``total``; 0 where nothing was told."""
    result = np.zeros(total.size, dtype=np.float32)
    for shape in np.flatnonzero(np.bincount(count)):
        if shape == 0:
            continue
        here = count == shape
        table = _tail_table(int(shape))
        result[here] = table[np.minimum((total[here] / _TAIL_STEP).astype(np.int32), table.size - 1)]
    return result
