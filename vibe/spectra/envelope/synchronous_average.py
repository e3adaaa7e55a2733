"""One turn of one body, averaged over the capture: where on it the envelope rises."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property, lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_array
from scipy.special import log_ndtr, ndtr

from vibe.core.evidence import Localisation
from vibe.spectra.basic.fft import hann
from vibe.spectra.envelope.bands import OVERSAMPLING, BandEnvelopes
from vibe.spectra.envelope.impact_rows import FEWEST_TURNS_CUT, STRAY_SHARE, Differences, differences

MOST_CELLS = 72
"""Cells of five degrees: finer than any part of a drive that is distinguished."""
MOST_FINE_CELLS = 720
"""Cells of the turn on which a place is read: half a degree, finer than any pin's own width."""
WEIGHTING_ROUNDS = 3
"""Weights of the bands settle within these."""
DECAYS = (0.3, 0.6, 1.3, 2.8, 6.0)
"""Decay times of an impact's squared envelope that are tried, in inverse band widths: a band can show no shorter
one."""
SHARP = 0.02
"""Decay of an impact that is over within the band's own blur, same unit."""
SUBDIVISION = 4
"""Places tried per fine cell."""
PIECES_PER_CYCLE = 32
"""Pieces of a capture per cycle by which the farthest order that is tried differs over it: each loses at most 0.3 % of
its power to turning within a piece."""
MOST_PLACES = 6
"""Places named on one turn; a body with more damaged parts is worn all round."""
UNPLACED = 0.5
"""Chance of a sound turn looking so from which on no place stands out: then none is sought closely."""
LONGEST_RINGING = 0.25
"""Share of a turn to which an impact rings on: one that fills more has no place (common practice)."""
SECOND_LOOK = 4.0
"""By how much a place must be surer that is read without what an impact's ringing covers: it is looked for twice, and
what is left of a sound turn is read as one by chance twice as often."""
THIRD_LOOK = 8.0
"""The same of one read without what rises and falls evenly over many parts: looked for a third time."""
HUMP_PARTS = 6
"""Parts over which that reaches at least: that six parts which know nothing of one another should stand in such a row
has the chance 2^5 / 6!, one in twenty."""
SHARPER = 2
"""Times by which the highest place must be narrower than that."""
HUMP_NOISE = 3.0
"""Standard errors of a cell by which it may stand higher than those nearer to the crest."""
WITHOUT_SWELL = 0.4
"""A place read without the load's swell counts by this times the root of its chance: of 64,000 simulated sound turns of
7 to 60 irregular parts, under a load that swells or none, no more come to that. Where few parts make all of a turn, a
swell fitted to what is away from the highest place leaves that one higher than it is."""
LEAST_CHANCE = 1e-9
"""No turn supports a smaller probability, however far the law is drawn out."""
MOST_BEFORE = 0.2
"""Share of an impact's height that the turn may have risen to before it, beyond the blur of its band (common
practice)."""
COMPARED_FROM = 1e-2
"""Chance of a place down to which nobody asks whether its impacts are alike (common practice)."""
PLACE_CHANCE = 0.01
"""Chance, over all the cells where it was sought, at which a further place stands out next to the highest."""


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


def localise(turn: Turn, *, meetings: int = 1, stands: int = 0) -> Localisation:
    """Whether one place (or ``meetings`` equally spaced ones) stands out of its own turn, and where.

    Pins and lobes of a healthy drive differ, so the envelope repeats turn by turn without damage. Such irregularity
    is spread round the turn: squared sums of many small errors, whose excesses fall off no faster than exponentially.
    Over it lies the noise of the average, whose standard error is known and which is Gaussian. The highest place is
    read against the sum of the two, the exponential part being what the rest of the turn scatters beyond its noise.
    A load that goes round raises half of the turn and lowers the other; it is read without that swell as well.

    Further places are those that stand out by the same law: where another meeting must lie, or anywhere else.
    ``stands``: turns after which a slower shaft, that turns another machine, stands as it did; 0 where none does.
    """
    best, even = _look(turn, meetings), _look(_without_swell(turn, meetings), meetings)
    chance = best.chance
    # The second look is paid for.
    if (paid := WITHOUT_SWELL * float(np.sqrt(even.chance))) < chance:
        best, chance = even, paid
    return _placed(best, meetings, max(LEAST_CHANCE, chance), stands)


def _without_swell(turn: Turn, meetings: int) -> Turn:
    """The turn less what swells once round it, fitted to what lies away from its highest place."""
    level, n = turn.level, turn.level.size
    top, spread = int(level.argmax()), max(1, n // 18)
    away = _away(n, _spots(n, top, meetings), spread) & _beyond_ringing(turn, top, spread)
    if away.sum() < n // 2:
        return turn
    angle = 2 * np.pi * np.arange(n) / n
    swell = np.stack([np.cos(angle), np.sin(angle), np.ones(n)], axis=1)
    fit, *_ = np.linalg.lstsq(swell[away], level[away], rcond=None)
    return replace(turn, level=level - swell[:, :2] @ fit[:2], fitted=2)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Look:
    """A turn as it was read, the law of its sound cells, the ``chance`` of its highest place by that law, and the cells
    (n,) in which no place is sought since something broad rises there."""

    turn: Turn
    law: _Rest
    chance: float
    broad: NDArray[np.bool_]


def _look(turn: Turn, meetings: int) -> _Look:
    """With what an impact rings on over, or without it where that shows its place better."""
    n, top = turn.level.size, int(turn.level.argmax())
    spread = max(1, n // 18)
    spots = _spots(n, top, meetings)
    law, probability = _highest(turn, meetings, spread, _away(n, spots, spread), np.ones(n, dtype=bool))
    beyond = _beyond_ringing(turn, top, spread)
    if not beyond.all():
        # The second look is paid for.
        ringing, chance = _highest(turn, meetings, spread, _away(n, spots, spread), beyond)
        if SECOND_LOOK * chance < probability:
            law, probability = ringing, SECOND_LOOK * chance
    broad = np.zeros(n, dtype=bool)
    hump = _hump(turn, top, spread)
    if hump.any():
        without, chance = _highest(turn, meetings, spread, _away(n, spots, spread), beyond & ~hump)
        if THIRD_LOOK * chance < probability:
            law, probability, broad = without, THIRD_LOOK * chance, hump
    return _Look(turn=turn, law=law, chance=probability, broad=broad)


def _hump(turn: Turn, top: int, spread: int) -> NDArray[np.bool_]:
    """Cells (n,) of what rises and falls evenly over many parts, highest away from the sharp place ``top``; none where
    nothing does, or where the highest place itself is no sharper.

    Sound parts differ each from its neighbours. What knocks with play, once a turn, comes early and late, and its mean
    is a hump over as many parts as its play is wide.
    """
    n = turn.level.size
    free = _away(n, [top], spread)
    if turn.parts == 0 or not free.any():
        return np.zeros(n, dtype=bool)
    hump = _slopes(turn, int(np.where(free, turn.level, -np.inf).argmax())) & free
    wide = int(hump.sum())
    sharp = SHARPER * int(_slopes(turn, top).sum()) <= wide
    return hump if sharp and wide * turn.parts >= HUMP_PARTS * n else np.zeros(n, dtype=bool)


def _slopes(turn: Turn, crest: int) -> NDArray[np.bool_]:
    """Cells (n,) from ``crest`` down to either side, to where the level rises again or is that of half of the turn."""
    level, n = turn.level, turn.level.size
    middle, noise = float(np.median(level)), HUMP_NOISE * _median(turn.sigma)
    found = np.zeros(n, dtype=bool)
    found[crest] = True
    for way in (-1, 1):
        lowest = float(level[crest])
        for step in range(1, n // 2):
            cell = (crest + way * step) % n
            if level[cell] > lowest + noise or level[cell] <= middle:
                break
            found[cell] = True
            lowest = min(lowest, float(level[cell]))
    return found


def _placed(look: _Look, meetings: int, false_alarm_probability: float, stands: int = 0) -> Localisation:
    """The highest place of a turn and those that stand out with it."""
    turn, law, level = look.turn, look.law, look.turn.level
    n, top = level.size, int(level.argmax())
    spread = max(1, n // 18)
    spots = _spots(n, top, meetings)
    cells = [top]
    free = _away(n, [top], spread) & ~look.broad
    if look.chance <= UNPLACED:
        for spot in spots[1:]:
            best = max(((spot + k) % n for k in range(-spread, spread + 1)), key=lambda i: level[i])
            if (
                not look.broad[best]
                and _any_of((meetings - 1) * (2 * spread + 1), law.exceedance(float(level[best]))) <= PLACE_CHANCE
            ):
                cells.append(best)
            # Nothing else is sought there: it would be the same part.
            free &= _away(n, [spot], spread)
        while len(cells) < MOST_PLACES and free.any():
            best = int(np.where(free, level, -np.inf).argmax())
            if _any_of(n, law.exceedance(float(level[best]))) > PLACE_CHANCE:
                break
            if level[best] >= max(level[best - 1], level[(best + 1) % n]):
                cells.append(best)
            free &= _away(n, [best], spread)
    cells = [top, *sorted(cells[1:], key=lambda i: -level[i])]
    height = float(level[top]) - law.middle
    width = int((level[[(top + k) % n for k in range(-spread * 2, spread * 2 + 1)]] > law.middle + height / 2).sum())
    rows = Differences()
    if false_alarm_probability <= COMPARED_FROM:
        way = -1 if turn.backwards else 1
        rows = differences(turn.passes, top, spread, way=way, meetings=meetings, stands=stands)
    return Localisation(
        false_alarm_probability=false_alarm_probability,
        peaks_deg=_places_deg(turn, cells, spread, closely=look.chance <= UNPLACED),
        peak_share=tuple(float(level[i] - law.middle) / max(height, 1e-12) for i in cells),
        width_deg=width * 360.0 / n,
        scatter=rows.scatter,
        play_deg=rows.play_deg,
        uneven=rows.uneven,
    )


def _highest(
    turn: Turn, meetings: int, spread: int, away: NDArray[np.bool_], beyond: NDArray[np.bool_]
) -> tuple[_Rest, float]:
    """The law of what lies ``away`` from the highest place and ``beyond`` its ringing, and the chance of that place.

    A second damaged part among the rest would hide the first. That two sound ones both stand out is rarer than that one
    does, by more than the rest looks better than it is.
    """
    level, n = turn.level, turn.level.size
    rest = away & beyond
    law = _Rest.of(turn, rest)
    probability = _any_of(n, law.exceedance(float(level.max())))
    if away.sum() > n // 2 and rest.any():
        second = int(np.where(rest, level, -np.inf).argmax())
        others = rest & _away(n, _spots(n, second, meetings), spread)
        if not beyond.all():
            others &= _beyond_ringing(turn, second, spread)
        without = _Rest.of(turn, others)
        both = _any_of(n, without.exceedance(float(level[second])))
        if both < probability:
            law, probability = without, both
    return law, probability


def _spots(n: int, cell: int, meetings: int) -> list[int]:
    """A cell and those where other meetings of the same part lie."""
    return [round(cell + k * n / meetings) % n for k in range(meetings)]


def _away(n: int, spots: Sequence[int], spread: int) -> NDArray[np.bool_]:
    """Cells of a turn further than ``spread`` from all ``spots``."""
    away = np.ones(n, dtype=bool)
    for spot in spots:
        away[np.arange(spot - spread, spot + spread + 1) % n] = False
    return away


def _beyond_ringing(turn: Turn, cell: int, spread: int) -> NDArray[np.bool_]:
    """Cells of a turn that an impact at ``cell`` does not reach.

    An impact starts at once, rings on, and may be followed by a second one as a spall is left: what stays above the
    middle of the turn behind it is its own. What swells, as under a load, is none, and reaches no further than
    ``spread``. Nor is one known in so few turns that a stray shock may make it.
    """
    level, n, way = turn.level, turn.level.size, -1 if turn.backwards else 1
    middle, beyond = float(np.median(level)), np.ones(n, dtype=bool)
    if turn.turns < FEWEST_TURNS_CUT:
        return beyond
    before = level[(cell - way * np.arange(spread + 1, 2 * spread + 1)) % n]
    if float(before.mean()) - middle > MOST_BEFORE * (float(level[cell]) - middle):
        return beyond
    for step in range(round(LONGEST_RINGING * n) + 1):
        spot = (cell + way * step) % n
        # Two cells in a row: ringing beats.
        if max(level[spot], level[(spot + way) % n]) <= middle:
            break
        beyond[spot] = False
    return beyond


def _median(values: NDArray[np.float64]) -> float:
    """That of few values (n,), as ``np.median``, which asks much before it sorts."""
    rising, half = np.sort(values), values.size // 2
    return float(rising[half]) if values.size % 2 else float((rising[half - 1] + rising[half]) / 2)


def _any_of(count: int, one: float) -> float:
    """Probability that at least one of ``count`` places does what each does with probability ``one``."""
    return float(-np.expm1(count * np.log1p(-min(one, 1 - 1e-12))))


@dataclass(frozen=True, slots=True, kw_only=True)
class _Rest:
    """The law of one cell of a sound turn, from cells ``away`` from what may be damage: Gaussian noise of standard
    error ``sigma`` on an irregularity that is exponential of mean ``scale``, ``middle`` their mean."""

    middle: float
    sigma: float
    scale: float
    worth: float
    """Independent excesses from which ``scale`` is known."""

    @classmethod
    def of(cls, turn: Turn, away: NDArray[np.bool_]) -> _Rest:
        level, sigma, n = turn.level, turn.sigma, turn.level.size
        if away.sum() < 6:
            away = level <= np.sort(level)[max(3, n // 2 - 1)]
        rest = level[away]
        middle = float(rest.mean())
        noise = max(_median(sigma), 1e-9)
        # Neighbouring cells hang together: the variance is known as well as from n / (1 + 2 sum r²) free ones
        # (Bartlett 1946, from memory), and no worse than from the parts, each of which errs on its own: what hangs
        # together over several of them is the load.
        apart = np.where(away, level - middle, 0.0)
        own = float(apart @ apart) / rest.size
        together = 0.0
        # Laid twice in a row, a turn begins again wherever it is cut.
        twice, away_twice = np.concatenate([apart, apart]), np.concatenate([away, away])
        for lag in range(1, max(3, n // 8)):
            pairs = max(1, int(np.count_nonzero(away & away_twice[n - lag : 2 * n - lag])))
            r = float(apart @ twice[n - lag : 2 * n - lag]) / pairs / max(own, 1e-30)
            if r <= 0:
                break
            together += min(r, 1.0) ** 2
        free = max(rest.size / (1 + 2 * together), min(turn.parts / n, 1.0) * rest.size)
        cells = max(3.0, free - turn.fitted)
        # One standard error of the variance is what irregularity may hide in, though none be seen.
        hidden = noise**2 * float(np.sqrt(2.0 / cells))
        scale = float(np.sqrt(max(own * cells / (cells - 1) - noise**2, 0.0) + hidden))
        # A scale from a variance is known half as well as one from a mean: the fourth moment of an exponential.
        return cls(middle=middle, sigma=noise, scale=scale, worth=max(2.0, cells / 2))

    def exceedance(self, level: float) -> float:
        """Probability that one more sound cell reaches ``level``.

        Closed form of the sum of a Gaussian and an exponential; the exponential's tail is the predictive one of a
        mean learnt from few excesses, (1 + y / m)^-m.
        """
        height = level - self.middle + self.scale
        y = height / self.scale - 0.5 * (self.sigma / self.scale) ** 2
        tail = float((1 + y / self.worth) ** -self.worth) if y > 0 else float(np.exp(-y))
        reach = float(np.exp(log_ndtr(height / self.sigma - self.sigma / self.scale)))
        return min(1.0, float(ndtr(-height / self.sigma)) + tail * reach)


def _places_deg(turn: Turn, cells: Sequence[int], spread: int, *, closely: bool) -> tuple[float, ...]:
    """Angles [deg] of the impacts that stand out at ``cells`` of the turn; ``closely``: from its fine form, if it has
    one.

    An impact's envelope crests after the impact: it rings, and the band blurs it. So a sharp part and a decaying one,
    both starting at one instant, are fitted to the fine turn, and their common start is the place."""
    if not closely or turn.fine is None:
        return tuple(float(turn.angle_deg[cell]) for cell in cells)
    fine = turn.fine - turn.fine.mean()
    n, size = fine.size, fine.size * SUBDIVISION
    near = max(1, round((spread + 0.5) / turn.level.size * size))
    windows = [
        np.arange(
            round((cell + 0.5) / turn.level.size * size) - near, near + 1 + round((cell + 0.5) / turn.level.size * size)
        )
        % size
        for cell in cells
    ]
    spectrum = np.fft.rfft(fine)
    sharp = _impact(n, turn.fine_cell, SHARP)
    a = _matched(spectrum, sharp)
    best, gain = -1.0, a
    for decay in DECAYS:
        ringing = _impact(n, turn.fine_cell, decay)
        b = _matched(spectrum, ringing)
        alike = min(float(sharp @ ringing), 1 - 1e-9)
        first, second = (a - alike * b) / (1 - alike**2), (b - alike * a) / (1 - alike**2)
        explained = np.where((first > 0) & (second > 0), first * a + second * b, np.maximum(np.maximum(a, b), 0.0) ** 2)
        if float(explained[windows[0]].max()) > best:
            best, gain = float(explained[windows[0]].max()), explained
    return tuple(float(window[int(gain[window].argmax())]) * 360.0 / size for window in windows)


@lru_cache(maxsize=64)
def _impact(cells: int, cell: float, decay: float) -> NDArray[np.float64]:
    """Squared envelope (cells,) of an impact at angle zero that decays, seen through a band; zero mean, unit energy.

    ``cell`` and ``decay`` in inverse band widths. The closed form of the transform of a decaying exponential, cut to
    the band, squared, and shared out over cells as a turn's samples are.
    """
    over = 8
    axis = np.fft.fftfreq(cells * over, cell / over)
    seen = np.where(np.abs(axis) < 0.5, 1.0 / (0.5 / decay + 2j * np.pi * axis), 0.0)
    squared = np.abs(np.fft.ifft(seen)) ** 2
    offsets = np.arange(-over + 1, over)
    wide = np.zeros(squared.size)
    wide[offsets] = (1.0 - np.abs(offsets) / over) / over
    row = np.fft.irfft(np.fft.rfft(squared) * np.fft.rfft(wide), squared.size)[over // 2 :: over]
    row -= row.mean()
    shape: NDArray[np.float64] = row / np.sqrt(row @ row)
    return shape


def _matched(spectrum: NDArray[np.complex128], shape: NDArray[np.float64]) -> NDArray[np.float64]:
    """Correlation of a turn, given its transform, with ``shape`` (cells,) at ``SUBDIVISION`` places in each cell."""
    n = shape.size
    product = spectrum * np.conj(np.fft.rfft(shape))
    if n % 2 == 0:
        product[-1] *= 0.5
    padded = np.zeros(n * SUBDIVISION // 2 + 1, dtype=np.complex128)
    padded[: product.size] = product
    result: NDArray[np.float64] = np.fft.irfft(padded, n * SUBDIVISION) * SUBDIVISION
    return result
