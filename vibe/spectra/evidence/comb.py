"""Evidence for combs of lines in the envelope, read against decoy orders of the same capture.

A local defect shows once per repeat, so its envelope has lines at every harmonic of one order. For each candidate
order the lines' powers over the local floor are joined by Fisher's method (R. A. Fisher, 1925): where nothing is,
each line's ``-ln p`` is exponential and the sum over H lines is Gamma(H) distributed. That holds for any order, so
a tone's order is scored as everything else is, away from every known family: a decoy. Several thousand places where
nothing should be turn the score into a false-alarm probability without trusting the ideal distribution.

Which bands carry the ringing is not known beforehand: every dyadic group of bands, of every channel and of all
channels together, is tried, and the decoys pay for the choice because they had it too.
"""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise
from math import ceil, floor, log2

import numpy as np
from numpy.typing import NDArray

from vibe.spectra.envelope.envelope_spectrum import EnvelopeSpectra
from vibe.spectra.evidence.line_significance import MOST_LINES, SoftLines, log_tail

HARMONIC_SETS = (2, 3, 5, 8, 12, 20, 32)
"""Numbers of harmonics joined: a broad impact has few, a sharp one many."""
SLIPPING_HARMONICS = 12
"""Random slip smears the higher harmonics of a bearing away."""
SIDEBAND_HARMONICS = 4
"""Harmonics next to which sidebands are counted."""
SMEARED_TURNS = 100.0
"""Turns of a capture up to which random slip smears a line by less than the capture resolves, so that windows need not
widen by a bin or so a harmonic: in half as many turns a bin is twice as wide, and the smear is what it was."""
SMEARED_REPEATS = 400.0
"""The same, in repeats of the part itself: slip adds up from repeat to repeat, so that a line is smeared by a share of
its own order, those of a cage or of a slow bearing by as many bins less than a race's, which repeats some four times a
turn."""
FINEST = 4
"""Such a comb's place is then sought in as many times finer steps, so that its highest lines meet their windows."""
STILL_A_LINE = 8.0
"""Power over the floor from which a bin next to a line belongs to it: noise is there once in 3,000 bins."""
PEAK_BINS = 1
"""How far a line without slip may peak off its place [bins]: half a bin of rounding and half a bin of noise."""
MOST_MASKS = 8
"""Masks that are kept as the windows of all widths meet them."""
PLACES_AT_ONCE, SUMS_AT_ONCE = 2**12, 2**16
"""Places of combs, and sums of their lines, that are held together: as many as stay in the processor's cache."""
LONG_ROW = 64
"""Columns from which on the largest of a row is found quicker by itself."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CombRequest:
    """An order to look for: relative ``slip`` (lowest, highest) and ``sidebands`` spacings in orders.

    ``carriers``: which multiples of the order to try as the comb's fundamental (a damaged ball strikes twice a turn).
    ``max_harmonic`` keeps a slow comb from claiming a faster one's lines (every outer-race line is a cage harmonic);
    ``often_short``: once found it takes lines beyond it from the others only where most of those stand.
    """

    name: str
    order: float
    slip: tuple[float, float] = (0.0, 0.0)
    sidebands: tuple[float, ...] = ()
    carriers: tuple[int, ...] = (1,)
    max_harmonic: int = SLIPPING_HARMONICS
    often_short: bool = False
    slower: tuple[tuple[float, tuple[float, float]], ...] = ()
    """Slower orders at which the part itself may repeat, and the slip of each: half its own where that may
    count two strikes, what carries it through the load (a shaft, which cannot slip), the cage of its bearing. A comb
    there is no outside machine's."""
    meetings: int = 1
    """How often in each repeat others meet the part, evenly: every disc meets a pin. Where they strike about as hard,
    the lines at that multiple of the order stand far above those between."""

    @property
    def slips(self) -> bool:
        return self.slip != (0.0, 0.0)


def owned(
    families: Sequence[tuple[float, int]],
    step: float,
    size: int,
    *,
    half_width: int = 2,
    spread: float = 0.0,
    standing: NDArray[np.floating] | None = None,
) -> NDArray[np.bool_]:
    """Bins (size,) that families of lines own: (order, harmonics) each, ``half_width`` bins either side and
    ``spread`` (relative) of the order more. A family too dense for the axis owns nothing. Of ``standing``, the power
    (size,) over the floor, only lines own bins that stand in it with their peak where they must be, and those of which
    the speed leaves open where that is.
    """
    sparse = [(order / step, count) for order, count in families if order > 3 * half_width * step]
    if not sparse:
        return np.zeros(size, dtype=bool)
    bins, counts = (np.array(values) for values in zip(*sparse, strict=True))
    counts = np.minimum(counts, ((size + half_width) / bins).astype(np.int64))
    bins = np.repeat(bins, counts)
    middle = (np.arange(bins.size) - np.repeat(np.cumsum(counts) - counts, counts) + 1) * bins
    half = half_width + spread * middle
    # Beyond, the speed is not known well enough to say where a harmonic lies.
    middle, half = (values[half <= 0.2 * bins] for values in (middle, half))
    if standing is not None:
        at = np.floor(middle + 0.5).astype(np.int64)
        near = standing[np.clip(at[:, None] + np.arange(-half_width, half_width + 1), 0, size - 1)]
        peaks = np.abs(near.argmax(axis=1) - half_width) <= PEAK_BINS
        stands = (peaks & (near.max(axis=1) > STILL_A_LINE)) | (spread * middle > PEAK_BINS)
        middle, half = middle[stands], half[stands]
    # Each window opens at its first bin and closes behind its last; bins with more opened than closed are owned.
    first, last = (np.floor(middle + side * half + 0.5).astype(np.int64) for side in (-1, 1))
    opened, closed = (np.bincount(np.clip(ends, 0, size), minlength=size + 1) for ends in (first, last + 1))
    return np.asarray(np.cumsum(opened - closed)[:size] > 0)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Combs:
    """Combs to score: ``orders`` (k,), bins ``mask`` (n,) owned by others, which say nothing, ``sidebands`` (in
    orders) either side of the first four harmonics, and the highest harmonic that may be joined."""

    orders: NDArray[np.float64]
    mask: NDArray[np.bool_]
    sidebands: tuple[float, ...] = ()
    max_harmonic: int = SLIPPING_HARMONICS
    finer: int = 1
    """As many times less do windows widen with the harmonic, where the combs slip."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Best:
    """The place where a comb scores highest: its ``order``, its ``score`` in units of -ln p, the ``group`` of bands
    that gave it and how many ``harmonics`` were joined; 0 where no line of the comb was free to show anything."""

    order: float
    score: float
    group: int
    harmonics: int


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Lines:
    """Lines of a comb, harmonic after harmonic, the first ones each followed by their sidebands.

    Of each line (lines,) its ``harmonic`` and its ``side`` (which sideband of it; 0: itself); ``sidebands`` are the
    lines that are some, and ``parents`` those next to which they stand. ``ends`` of the lines of each set of harmonics,
    and which lines lie before each (``within``, (sets, lines), ones and zeros).
    """

    harmonic: NDArray[np.int32]
    side: NDArray[np.int32]
    sidebands: NDArray[np.intp]
    parents: NDArray[np.intp]
    ends: tuple[int, ...]
    within: NDArray[np.float32]


@lru_cache(maxsize=64)
def _lines(most: int, sides: int) -> _Lines:
    """The lines up to the harmonic ``most``, with so many ``sides`` next to each of the first harmonics."""
    numbers = np.arange(1, most + 1, dtype=np.int32)
    harmonic = np.repeat(numbers, np.where(numbers <= SIDEBAND_HARMONICS, 1 + sides, 1))
    own = np.searchsorted(harmonic, harmonic)
    side = (np.arange(harmonic.size) - own).astype(np.int32)
    ends = np.searchsorted(harmonic, [s for s in HARMONIC_SETS if s <= most], side="right")
    return _Lines(
        harmonic=harmonic, side=side, sidebands=np.flatnonzero(side), parents=own[side > 0], ends=tuple(ends.tolist()),
        within=(np.arange(harmonic.size) < ends[:, None]).astype(np.float32),
    )  # fmt: skip


@lru_cache(maxsize=64)
def _highest_set(max_harmonic: int, slip: bool) -> int:
    """The largest set of harmonics that a comb may have; 0 where it is too few."""
    limit = min(max_harmonic, SLIPPING_HARMONICS) if slip else max_harmonic
    return max((s for s in HARMONIC_SETS if s <= limit), default=0)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Kind:
    """What several combs have of lines, wherever they are: the ``lines`` that one or another of them has. By line and
    wanted comb (lines, wanted): the ``shift`` of a sideband in bins, the place of the line's width in the list of
    ``widths``, and whether the comb ``has`` it (None: all have all)."""

    lines: _Lines
    shift: NDArray[np.int32]
    widths: NDArray[np.int32]
    has: NDArray[np.bool_] | None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Batch(_Kind):
    """Several combs at their places.

    ``bins`` (k,) of the combs' orders and which of the wanted combs each is of (``owner``, (k,)). ``free`` middles of
    windows of all widths, mask after mask, and where those of each wanted comb begin (``start``, (wanted,)).
    """

    bins: NDArray[np.float64]
    owner: NDArray[np.intp]
    free: NDArray[np.bool_]
    start: NDArray[np.int32]


class CombScorer:
    """Scores combs in one set of envelope spectra; what all scores share is computed once."""

    def __init__(self, spectra: EnvelopeSpectra) -> None:
        self.spectra = spectra
        self._lines: dict[bool, SoftLines] = {}
        self._free: dict[tuple[int, bool], tuple[NDArray[np.bool_], NDArray[np.bool_]]] = {}
        self._kinds: dict[Hashable, _Kind] = {}

    def half_bins(self, low: float, high: float, finer: int = 1) -> NDArray[np.float64]:
        """Orders from ``low`` to ``high`` in steps of half a bin, or as many times ``finer``, clipped to the axis; at
        least one."""
        # Of a quotient that is whole but for rounding, the axis may hold one bin less.
        last = 2.0 * finer * min(int(self.spectra.top_order / self.spectra.step), self.spectra.power.shape[1])
        half = self.spectra.step / 2 / finer
        # Plain numbers: what numpy asks for one of them exceeds the arithmetic, and this is asked for often.
        first = min(max(float(floor(low / half)), 8.0 * finer), last - 1)
        return np.arange(first, min(max(float(ceil(high / half)) + 1, first + 1), last)) * half

    def score(self, wanted: Sequence[Combs], *, slip: bool) -> list[NDArray[np.float32]]:
        """The scores of each of ``wanted`` at its orders, in units of -ln p; 0 where no line of the comb was free to
        show anything.

        With ``slip`` the windows widen with the harmonic, as a rolling bearing's random slip smears its lines, and
        count by their largest bin or by their mean; without, lines are taken where they must be.

        Raises:
            ValueError: one has more than ``MOST_LINES`` lines.
        """
        score = self._by_set(self._batch(wanted, slip), slip).max(axis=0)
        ends = np.cumsum([combs.orders.size for combs in wanted]).tolist()
        return [score[a:b] for a, b in pairwise((0, *ends))]

    def best(self, wanted: Sequence[Combs], *, slip: bool) -> list[Best]:
        """The first of the highest scores of each of ``wanted``, in the first of the groups and with the fewest
        harmonics that give it.

        Raises:
            ValueError: as ``score``.
        """
        batch = self._batch(wanted, slip)
        by_set = self._by_set(batch, slip)
        score = by_set.max(axis=0)
        ends = np.cumsum([combs.orders.size for combs in wanted]).tolist()
        spots = np.array([a + int(score[a:b].argmax()) for a, b in pairwise((0, *ends))])
        sets = by_set[:, spots].argmax(axis=0)
        matrix, rows, _ = self._rows(batch, spots, slip)
        joined = np.arange(len(rows))[:, None] < np.array(batch.lines.ends)[sets]
        groups = (matrix[rows] * joined[:, :, None]).sum(axis=0).argmax(axis=1) % self.spectra.power.shape[0]
        return [
            Best(
                order=float(combs.orders[spot - end + combs.orders.size]),
                score=float(score[spot]),
                group=int(group),
                harmonics=HARMONIC_SETS[set_] if score[spot] else 0,
            )
            for combs, end, spot, set_, group in zip(wanted, ends, spots, sets, groups, strict=True)
        ]

    def _batch(self, wanted: Sequence[Combs], slip: bool) -> _Batch:
        """What combs to score."""
        kind = slip, *((combs.max_harmonic, combs.sidebands, combs.finer) for combs in wanted)
        if kind not in self._kinds:
            self._kinds[kind] = self._kind_of(wanted, slip)
        own = self._kinds[kind]
        masks = list({id(combs.mask): combs.mask for combs in wanted}.values())
        free = [self._free_of(mask, slip).ravel() for mask in masks]
        starts = {id(mask): place * free[0].size for place, mask in enumerate(masks)}
        return _Batch(
            bins=np.concatenate([combs.orders for combs in wanted]) / self.spectra.step,
            owner=np.repeat(np.arange(len(wanted)), [combs.orders.size for combs in wanted]),
            lines=own.lines,
            shift=own.shift,
            widths=own.widths,
            has=own.has,
            free=np.concatenate(free) if len(free) > 1 else free[0],
            start=np.array([starts[id(combs.mask)] for combs in wanted], dtype=np.int32),
        )

    def _kind_of(self, wanted: Sequence[Combs], slip: bool) -> _Kind:
        """The lines of combs; those with fewer harmonics or sidebands than others lack some."""
        step = self.spectra.step
        most = [_highest_set(combs.max_harmonic, slip) for combs in wanted]
        sides = [2 * len(combs.sidebands) for combs in wanted]
        lines = _lines(max(2, *most), max(sides))
        has = (lines.harmonic[:, None] <= most) & (lines.side[:, None] <= sides)
        if (count := int(has.sum(axis=0).max())) > MOST_LINES:
            raise ValueError(f"{count} lines of a comb are too many to be summed: {MOST_LINES} at most")
        shifts = np.zeros((1 + max(sides), len(wanted)), dtype=np.int32)
        for column, combs in enumerate(wanted):
            for row, spacing in enumerate(combs.sidebands):
                shifts[2 * row + 1 : 2 * row + 3, column] = -round(spacing / step), round(spacing / step)
        return _Kind(
            lines=lines,
            shift=shifts[lines.side],
            widths=self._widths_of(lines.harmonic * np.int32(slip), [combs.finer for combs in wanted]),
            has=None if has.all() else has,
        )

    def _by_set(self, batch: _Batch, slip: bool) -> NDArray[np.float32]:
        """Scores (sets, k) of a batch, of each set of harmonics from the first one on."""
        scores = np.empty((len(batch.lines.ends), batch.bins.size), dtype=np.float32)
        for first in range(0, batch.bins.size, PLACES_AT_ONCE):
            here = slice(first, first + PLACES_AT_ONCE)
            matrix, rows, shown = self._rows(batch, here, slip)
            # How many lines show up to the end of each set: small whole numbers, which single precision holds.
            count = (batch.lines.within @ shown.astype(np.float32)).astype(np.int32)
            scores[:, here] = log_tail(_largest_sums(matrix, rows, shown, batch.lines.ends), count)
        return scores

    def _rows(
        self, batch: _Batch, here: slice | NDArray[np.intp], slip: bool
    ) -> tuple[NDArray[np.uint16], NDArray[np.int32], NDArray[np.bool_]]:
        """Softened lines (any, columns), which of these rows (lines, k) are the lines of the combs ``here``, and which
        lines (lines, k) show; a row of nothing where one does not.

        A line shows where it lies on the axis, meets nobody else's, and neither does the one next to which it is a
        sideband (else it is that one's modulation).
        """
        soft, lines, n = self._soft_lines(slip), batch.lines, self.spectra.power.shape[1]
        # A single comb's shifts and mask stand for all places.
        own = batch.owner[here] if batch.shift.shape[1] > 1 else np.zeros(1, dtype=np.intp)
        places = np.arange(1, lines.harmonic[-1] + 1)[:, None] * batch.bins[here]
        places += 0.5
        spots = places.astype(np.int32)
        if lines.sidebands.size:
            spots = spots[lines.harmonic - 1]
            spots += batch.shift[:, own]
            np.maximum(spots, 0, out=spots)
        # Bin zero is never free, and neither is what lies beyond the axis.
        np.minimum(spots, n, out=spots)
        widths = batch.widths[:, own]
        shown = batch.free.take(spots + (widths * np.int32(n + 1) + batch.start[own]))
        if lines.sidebands.size:
            shown[lines.sidebands] &= shown[lines.parents]
        if batch.has is not None:
            shown &= batch.has[:, own]
        return *soft.rows(spots, widths, shown), shown

    def finer(self, order: float) -> int:
        """How many times finer a slipping comb at ``order`` is met than one of many repeats: 1, 2 or ``FINEST``.

        Spectra of few turns, as of moves to and fro, are means over pieces between which the part slips at will.
        """
        if self.spectra.step * SMEARED_TURNS > 1.0:
            return 1
        repeats = order / self.spectra.step
        return 1 << min(max(round(log2(SMEARED_REPEATS / repeats)), 0), round(log2(FINEST)))

    def _width(self, harmonic: NDArray[np.int32], finer: int) -> NDArray[np.int32]:
        """Which of the widths the windows of a slipping comb's harmonics have."""
        narrower = min(1.0 / finer, 1.0 / (SMEARED_TURNS * self.spectra.step))
        return np.asarray(np.floor((harmonic // 2) * narrower + 1e-9), dtype=np.int32)

    def _widths_of(self, harmonic: NDArray[np.int32], finer: Sequence[int]) -> NDArray[np.int32]:
        """The same (lines, combs) of combs that are as many times ``finer``, mostly all alike."""
        own = {times: self._width(harmonic, times) for times in set(finer)}
        return (
            np.stack([own[times] for times in finer], axis=1)
            if len(own) > 1
            else np.repeat(own[finer[0]][:, None], len(finer), axis=1)
        )

    def _free_of(self, mask: NDArray[np.bool_], slip: bool) -> NDArray[np.bool_]:
        """Middles of windows of each width that do not meet ``mask`` (widths, n + 1): a window that reaches into
        somebody else's line says nothing either. The same few masks are asked for again and again."""
        key = id(mask), slip
        if key not in self._free:
            widths = _widths(slip)
            free = np.zeros((len(widths), mask.size + 1), dtype=bool)
            reaching = mask.copy()
            for narrower, width, own in zip((1, *widths[:-1]), widths, free, strict=True):
                for half in range(narrower // 2 + 1, width // 2 + 1):
                    reaching[half:] |= mask[:-half]
                    reaching[:-half] |= mask[half:]
                np.logical_not(reaching[1:], out=own[1:-1])
            while len(self._free) >= MOST_MASKS:
                self._free.pop(next(iter(self._free)))
            # The mask is kept separately, so that its identity stays its own.
            self._free[key] = mask, free
        return self._free[key][1]

    def _soft_lines(self, slip: bool) -> SoftLines:
        if slip not in self._lines:
            self._lines[slip] = SoftLines(self.spectra.power, _widths(slip), smeared=slip)
        return self._lines[slip]


def _widths(slip: bool) -> tuple[int, ...]:
    """Widths of windows [bins]: a slipping comb's n-th line may lie anywhere in n bins, an exact one's in one."""
    return tuple(range(1, SLIPPING_HARMONICS + 2, 2)) if slip else (1,)


def _largest_sums(
    matrix: NDArray[np.uint16], rows: NDArray[np.int32], shown: NDArray[np.bool_], ends: Sequence[int]
) -> NDArray[np.uint16]:
    """The largest (sets, k) of the sums, column by column, of the first lines of each comb up to each of the ``ends``.

    A comb's lines are ``rows`` (lines, k) of ``matrix`` (any, columns), those that are not ``shown`` rows of nothing:
    outside the places from the first to the last at which a line shows, it is not added.
    """
    largest = np.zeros((len(ends), rows.shape[1]), dtype=matrix.dtype)
    at_once = max(1, SUMS_AT_ONCE // matrix.shape[1])
    for start in range(0, rows.shape[1], at_once):
        here = slice(start, start + at_once)
        sums, some, lines = largest[:, here], shown[:, here], rows[:, here]
        spans = list(zip(some.argmax(axis=1).tolist(), some[:, ::-1].argmax(axis=1).tolist(), strict=True))
        total = np.zeros((lines.shape[1], matrix.shape[1]), dtype=matrix.dtype)
        added = np.empty_like(total)
        for number, (begin, end) in enumerate(pairwise((0, *ends))):
            changed = False
            for line in range(begin, end):
                first, last = spans[line][0], lines.shape[1] - spans[line][1]
                if some[line, first]:
                    part = total[first:last]
                    # No row lies outside the matrix, and to clip is the quickest way not to ask.
                    part += matrix.take(lines[line, first:last], axis=0, out=added[first:last], mode="clip")
                    changed = True
            # Where nothing was added the sums are what they were.
            sums[number] = _largest(total) if changed else sums[max(0, number - 1)]
    return largest


def _largest(total: NDArray[np.uint16]) -> NDArray[np.uint16]:
    """Largest of each row (m,) of ``total`` (m, columns): short rows are quicker as columns, long ones as runs of one
    long row."""
    if total.shape[1] < LONG_ROW:
        return np.asarray(np.ascontiguousarray(total.T).max(axis=0))
    return np.asarray(np.maximum.reduceat(total.reshape(-1), np.arange(0, total.size, total.shape[1])))
