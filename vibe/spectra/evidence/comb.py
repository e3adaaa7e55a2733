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

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from math import ceil, floor, log2

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_array

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
MOST_BLOCKED = 8
"""Masks that are kept as the windows of all widths meet them."""
TOTALS_AT_ONCE = 2**21
"""Sums that are held together: as many as stay in the processor's cache."""


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
    """Slower orders at which the part itself may repeat, and the slip of each: half its own where every second strike
    is weaker, what carries it through the load (a shaft, which cannot slip), the cage of its bearing. A comb there is
    no outside machine's."""
    meetings: int = 1
    """How often in each repeat others meet the part, evenly: every disc meets a pin. Where they strike about as hard,
    the lines at that multiple of the order stand far above those between."""

    @property
    def slips(self) -> bool:
        return self.slip != (0.0, 0.0)


def owned(
    families: Sequence[tuple[float, int]], step: float, size: int, *, half_width: int = 2, spread: float = 0.0
) -> NDArray[np.bool_]:
    """Bins (size,) that families of lines own: (order, harmonics) each, ``half_width`` bins either side and
    ``spread`` (relative) of the order more. A family too dense for the axis owns nothing.
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


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Scores:
    """Comb scores at ``orders``, in units of -ln p.

    ``group`` is the group of bands that gave each score, ``harmonics`` how many harmonics were joined; ``determined``
    is False where no line of the comb was free to show anything.
    """

    orders: NDArray[np.float64]
    score: NDArray[np.float32]
    group: NDArray[np.int32]
    harmonics: NDArray[np.int32]
    determined: NDArray[np.bool_]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Batch:
    """Several combs' lines, harmonic after harmonic, the first ones each followed by their sidebands.

    ``bins`` (k,) of the combs' orders and which of the wanted combs each is of (``owner``, (k,)); of each line its
    ``harmonic`` and its ``side`` (which sideband of it; 0: itself); ``ends`` of the lines of each set of harmonics.
    By wanted comb: ``shifts`` (sides, wanted) in bins, the place of each line in the list of ``widths`` (lines,
    wanted), which lines it ``has`` (lines, wanted), where its mask begins among the ``masks`` (``start``, (wanted,)).
    """

    bins: NDArray[np.float64]
    owner: NDArray[np.intp]
    harmonic: NDArray[np.int32]
    side: NDArray[np.int32]
    widths: NDArray[np.int32]
    ends: tuple[int, ...]
    shifts: NDArray[np.int32]
    has: NDArray[np.bool_]
    masks: NDArray[np.bool_]
    start: NDArray[np.int32]


class CombScorer:
    """Scores combs in one set of envelope spectra; what all scores share is computed once."""

    def __init__(self, spectra: EnvelopeSpectra) -> None:
        self.spectra = spectra
        self._lines: dict[bool, SoftLines] = {}
        self._blocked: dict[tuple[int, bool], tuple[NDArray[np.bool_], NDArray[np.bool_]]] = {}

    def half_bins(self, low: float, high: float, finer: int = 1) -> NDArray[np.float64]:
        """Orders from ``low`` to ``high`` in steps of half a bin, or as many times ``finer``, clipped to the axis; at
        least one."""
        # Of a quotient that is whole but for rounding, the axis may hold one bin less.
        last = 2.0 * finer * min(int(self.spectra.top_order / self.spectra.step), self.spectra.power.shape[1])
        half = self.spectra.step / 2 / finer
        # Plain numbers: what numpy asks for one of them exceeds the arithmetic, and this is asked for often.
        first = min(max(float(floor(low / half)), 8.0 * finer), last - 1)
        return np.arange(first, min(max(float(ceil(high / half)) + 1, first + 1), last)) * half

    def score(self, wanted: Sequence[Combs], *, slip: bool, where: bool = True) -> list[Scores]:
        """The scores of each of ``wanted``; without ``where`` not which group and harmonics gave them.

        With ``slip`` the windows widen with the harmonic, as a rolling bearing's random slip smears its lines, and
        count by their largest bin or by their mean; without, lines are taken where they must be.

        Raises:
            ValueError: one has more than ``MOST_LINES`` lines.
        """
        orders = np.concatenate([combs.orders for combs in wanted])
        batch = self._batch(wanted, orders, slip)
        lines = self._soft_lines(slip)
        score, group = np.zeros(orders.size, dtype=np.float32), np.zeros(orders.size, dtype=np.int32)
        harmonics = np.zeros(orders.size, dtype=np.int32)
        at_once = max(1, TOTALS_AT_ONCE // (len(batch.ends) * lines.columns))
        for first in range(0, orders.size, at_once):
            here = slice(first, first + at_once)
            sums = _sums(batch, here, lines)
            by_set = np.zeros(sums.grows.shape, dtype=np.float32)
            by_set[sums.grows] = log_tail(_largest(sums.total[:-1]), sums.count)
            score[here] = by_set.max(axis=0)
            if where:
                # The first of the best sets of each comb.
                best = by_set.argmax(axis=0)
                row = np.full(by_set.shape, sums.count.size)
                row[sums.grows] = np.arange(sums.count.size)
                at_best = sums.total[row[best, np.arange(best.size)]]
                group[here] = at_best.argmax(axis=1) % self.spectra.power.shape[0]
                harmonics[here] = np.array(HARMONIC_SETS)[best]
        determined = score > 0
        group[~determined] = harmonics[~determined] = 0
        cuts = np.cumsum([0] + [combs.orders.size for combs in wanted])
        return [
            Scores(
                orders=orders[a:b],
                score=score[a:b],
                group=group[a:b],
                harmonics=harmonics[a:b],
                determined=determined[a:b],
            )
            for a, b in pairwise(cuts)
        ]

    def _batch(self, wanted: Sequence[Combs], orders: NDArray[np.float64], slip: bool) -> _Batch:
        """Where the lines of all combs lie; those with fewer harmonics or sidebands than others lack some lines."""
        step = self.spectra.step
        limit = SLIPPING_HARMONICS if slip else max(HARMONIC_SETS)
        most = [max((s for s in HARMONIC_SETS if s <= min(combs.max_harmonic, limit)), default=0) for combs in wanted]
        sets = [s for s in HARMONIC_SETS if s <= max(2, *most)]
        shifts = np.zeros((1 + 2 * max(len(combs.sidebands) for combs in wanted), len(wanted)), dtype=np.int32)
        for column, combs in enumerate(wanted):
            for row, spacing in enumerate(combs.sidebands):
                shifts[2 * row + 1 : 2 * row + 3, column] = -round(spacing / step), round(spacing / step)
        numbers = np.arange(1, sets[-1] + 1, dtype=np.int32)
        harmonic = np.repeat(numbers, np.where(numbers <= SIDEBAND_HARMONICS, len(shifts), 1))
        side = np.arange(harmonic.size, dtype=np.int32) - np.searchsorted(harmonic, harmonic).astype(np.int32)
        has = (harmonic[:, None] <= most) & (side[:, None] <= [2 * len(combs.sidebands) for combs in wanted])
        if (lines := int(has.sum(axis=0).max())) > MOST_LINES:
            raise ValueError(f"{lines} lines of a comb are too many to be summed: {MOST_LINES} at most")
        masks = list({id(combs.mask): combs.mask for combs in wanted}.values())
        blocked = [self._reaching(mask, slip).ravel() for mask in masks]
        starts = {id(mask): place * blocked[0].size for place, mask in enumerate(masks)}
        return _Batch(
            bins=orders / step,
            owner=np.repeat(np.arange(len(wanted)), [combs.orders.size for combs in wanted]),
            harmonic=harmonic,
            side=side,
            widths=self._widths_of(harmonic * np.int32(slip), [combs.finer for combs in wanted]),
            ends=tuple(np.searchsorted(harmonic, sets, side="right")),
            shifts=shifts,
            has=has,
            masks=np.concatenate(blocked) if len(blocked) > 1 else blocked[0],
            start=np.array([starts[id(combs.mask)] for combs in wanted], dtype=np.int32),
        )

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

    def _reaching(self, mask: NDArray[np.bool_], slip: bool) -> NDArray[np.bool_]:
        """Middles of windows of each width that meet ``mask`` (widths, n + 1): a window that reaches into somebody
        else's line says nothing either. The same few masks are asked for again and again."""
        key = id(mask), slip
        if key not in self._blocked:
            widths = _widths(slip)
            blocked = np.ones((len(widths), mask.size + 1), dtype=bool)
            reaching = mask.copy()
            for narrower, width, own in zip((1, *widths[:-1]), widths, blocked, strict=True):
                for half in range(narrower // 2 + 1, width // 2 + 1):
                    reaching[half:] |= mask[:-half]
                    reaching[:-half] |= mask[half:]
                own[1:-1] = reaching[1:]
            while len(self._blocked) >= MOST_BLOCKED:
                self._blocked.pop(next(iter(self._blocked)))
            # The mask is kept separately, so that its identity stays its own.
            self._blocked[key] = mask, blocked
        return self._blocked[key][1]

    def _soft_lines(self, slip: bool) -> SoftLines:
        if slip not in self._lines:
            self._lines[slip] = SoftLines(self.spectra.power, _widths(slip), smeared=slip)
        return self._lines[slip]


def _widths(slip: bool) -> tuple[int, ...]:
    """Widths of windows [bins]: a slipping comb's n-th line may lie anywhere in n bins, an exact one's in one."""
    return tuple(range(1, SLIPPING_HARMONICS + 2, 2)) if slip else (1,)


def _determined(batch: _Batch, here: slice, bins: int) -> tuple[NDArray[np.int32], NDArray[np.bool_]]:
    """Bins (k, lines) of the lines of the combs ``here``, and whether they show: they lie on the axis of ``bins``, meet
    nobody else's, and neither do those next to which they are sidebands (else they are that one's modulation)."""
    # A single comb's shifts and mask stand for all places.
    own = batch.owner[here] if batch.shifts.shape[1] > 1 else np.zeros(1, dtype=np.intp)
    places = batch.bins[here, None] * np.arange(1, batch.harmonic[-1] + 1)
    places += 0.5
    spots = np.minimum(places, bins, out=places).astype(np.int32)
    if len(batch.shifts) > 1:
        spots = spots[:, batch.harmonic - 1]
        spots += batch.shifts[batch.side].T[own]
        # Bin zero is always blocked, and so is what lies beyond the axis.
        np.clip(spots, 0, bins, out=spots)
    determined = ~batch.masks[spots + (batch.widths[:, own].T * np.int32(bins + 1) + batch.start[own, None])]
    side_lines = np.flatnonzero(batch.side > 0)
    if side_lines.size:
        determined[:, side_lines] &= determined[:, np.flatnonzero(batch.side == 0)[batch.harmonic[side_lines] - 1]]
    if not batch.has.all():
        determined &= batch.has.T[own]
    return spots, determined


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Sums:
    """Sums of combs' lines from the first one on, set of harmonics after set, of those sets alone in which a comb
    ``grows`` (sets, k) by a line that shows: in the others nothing is new.

    ``total`` (m + 1, columns), in steps, and the ``count`` (m,) of lines that show, of the m sums set after set; one
    more is of nothing.
    """

    total: NDArray[np.uint16]
    count: NDArray[np.int32]
    grows: NDArray[np.bool_]


def _sums(batch: _Batch, here: slice, lines: SoftLines) -> _Sums:
    """The sums of the combs ``here``, counted from the first of these.

    A comb picks rows of the lines' matrix, so its sums in all groups are its product with that matrix: one product with
    a sparse matrix of ones for all combs and sets. Most lines of most combs lie in somebody else's: only those that
    show are picked. Each set then takes on the sums of the one before.
    """
    spots, determined = _determined(batch, here, lines.bins - 1)
    own = batch.owner[here] if batch.widths.shape[1] > 1 else np.zeros(1, dtype=np.intp)
    matrix, rows = lines.rows(spots, batch.widths[:, own].T, determined)
    # How many show up to the end of each set: small whole numbers, which single precision holds.
    upto = (np.arange(determined.shape[1])[:, None] < batch.ends).astype(np.float32)
    count = np.ascontiguousarray((determined.astype(np.float32) @ upto).astype(np.int32).T)
    new = np.diff(count, axis=0, prepend=np.int32(0))
    grows = new > 0
    # A set's own lines stand side by side.
    sets = [slice(begin, end) for begin, end in pairwise((0, *batch.ends))]
    picked = np.concatenate([rows[:, own_lines][determined[:, own_lines]] for own_lines in sets])
    ends = np.full(np.count_nonzero(grows) + 2, picked.size, dtype=np.int32)
    ends[0] = 0
    np.cumsum(new[grows], out=ends[1:-1])
    # Filled in by hand, since every place and end was made here and need not be looked through again.
    combs = csr_array((ends.size - 1, matrix.shape[0]), dtype=matrix.dtype)
    combs.data, combs.indices, combs.indptr = np.ones(picked.size, matrix.dtype), picked, ends
    total: NDArray[np.uint16] = np.asarray(combs @ matrix)
    # Of each comb the sum so far, at first of nothing.
    latest, end = np.full(grows.shape[1], ends.size - 2), 0
    for own_set in grows:
        which = np.flatnonzero(own_set)
        begin, end = end, end + which.size
        if begin:
            total[begin:end] += total[latest[which]]
        latest[which] = np.arange(begin, end)
    return _Sums(total=total, count=count[grows], grows=grows)


def _largest(total: NDArray[np.uint16]) -> NDArray[np.uint16]:
    """Largest of each row (m,) of ``total`` (m, columns): quicker as runs of one long row."""
    if not total.size:
        return np.zeros(0, dtype=np.uint16)
    return np.asarray(np.maximum.reduceat(total.reshape(-1), np.arange(0, total.size, total.shape[1])))
