"""Asked-for orders, weighed one after another: the strongest first, its lines taken out before the next is read."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass, replace
from statistics import fmean, median, pstdev

import numpy as np
from numpy.typing import NDArray

from vibe.core.evidence import EVEN_MEAN_DB, EVEN_SPREAD_DB, SAME_PLACE, CombEvidence
from vibe.spectra.envelope.bands import BandEnvelopes
from vibe.spectra.envelope.envelope_spectrum import EnvelopeSpectra
from vibe.spectra.evidence.comb import STILL_A_LINE, CombRequest, CombScorer
from vibe.spectra.evidence.decoy_null import (
    BLOCK,
    FEW_DECOYS,
    CombReading,
    DecoyNull,
    Families,
    grown,
    lines_level_db,
)
from vibe.spectra.evidence.exceedance_model import ExceedanceModel
from vibe.spectra.evidence.impact_amplitude import decibels, measured

MOST_SUSPECTS = 5
"""Strongest combs that are tried one after another."""
PLAUSIBLE = 0.5
"""False-alarm probability up to which a suspect's lines are kept from the others: nobody's decoys, nobody's proof."""
DENSE_PLAUSIBLE = 0.01
"""The same for a comb without slip whose harmonics lie closer than ``LEAST_BINS_APART``: it would own much of the axis,
and must be surer to take it from the others."""
SIDEBANDS_CLEARED = 4
"""Sidebands either side of a found tone's harmonics that are taken out with it."""
LEAST_BINS_APART = 30
"""Bins between the harmonics of a comb from which its own lines are left out of its decoys."""
MOST_OWNED = 0.65
"""Share of the axis that a comb with its sidebands may own."""
MOST_CLEARED = 40
"""Harmonics of a found comb that are taken out, where random slip smears them; all of them where it does not."""
GROWN_SHARE = 0.02
"""How far a line may be smeared, relative to its comb's order."""
SELECTION_BIAS = 1.5
"""Taking a comb's own lines out of its decoys biases it by about this much, measured on bearing tones of sound drives
(the study of false alarms)."""
MOST_TIMES = 12
"""How many times slower a comb may be that makes all lines of a faster one: elements spin some six times a cage's
turn, and a race meets up to so many elements."""
BETWEEN = 12
"""Lines of the slower comb, the first that nobody else owns between those of the faster one, that are compared."""
FURTHER_UP = 24
"""Lines of a cage beyond its own that are looked at where slow shafts own the first ones: two for each of those that
are compared, since some are the faster comb's, a race's or a shaft's."""
AS_STRONG_DB = 3.0
"""Lines within a factor of two in power are alike: noise moves one by as much (common practice)."""
SURELY_NEARER = 0.003
"""By how much nearer to its usual slip, relative, another tone must be."""
ALIKE = 0.75
"""Share of the strongest score from which another tone at the same place may be its cause, less what a cage with few
elements, so with few harmonics of its own, must lack; sidebands that only one of two predicts distinguish them."""
FAR_HIGHER_DB = 15.0
"""Side lines lie six decibels and more below what they stand next to, far ones further (common practice)."""
PLACE_BINS = 1.5
"""Half the width of a line [bins] (Hann): how far the last line of a comb may lie off its place."""
NEVER_NOISE = 20.0
"""Power over the floor that noise reaches once in 500 million bins."""
LINES_IN_A_ROW, MOSTLY_STAND = 10, 0.5
"""Next lines of a dense comb of which as large a share must stand for it to reach that far. Noise makes five of ten
stand once in 10^12 (each once in a thousand, of three bins); lines of others fall on so many of its places only where
they are as dense."""
LEAST_FALSE_ALARM = 1e-9
"""No capture supports a smaller probability, however far the fitted tail is drawn out."""
LIMIT_FALSE_ALARM = 1e-3
"""False-alarm probability per tone at which the detection limit of a capture is stated."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Weighed:
    """Evidence for every request, in the order asked."""

    combs: tuple[CombEvidence, ...]
    owned: tuple[tuple[str, NDArray[np.bool_]], ...] = ()
    """Bins (n,) of each plausible comb, by tone."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Chance:
    """``false_alarm`` probability of a reading, from how many ``decoys``, ``searched`` places paid for, and the score
    from which it would have been seen."""

    false_alarm: float
    searched: int
    decoys: int
    limit_score: float

    @classmethod
    def of(cls, reading: CombReading, decoy_null: DecoyNull) -> _Chance:
        request = reading.request
        decoys = decoy_null.decoys(reading)
        tail = ExceedanceModel.of(decoys)
        searched = max(1, round(reading.places / BLOCK)) * len(request.carriers) * (2 if request.sidebands else 1)
        probability = tail.exceedance(reading.score)
        fap = float(-np.expm1(SELECTION_BIAS * searched * np.log1p(-min(probability, 1 - 1e-12))))
        return cls(
            false_alarm=1.0 if _beyond_slip(decoy_null, reading) else max(LEAST_FALSE_ALARM, fap),
            searched=searched,
            decoys=int(decoys.size),
            limit_score=tail.score_at(LIMIT_FALSE_ALARM / (SELECTION_BIAS * searched)),
        )

    def as_evidence(
        self, spectra: EnvelopeSpectra, bands: Sequence[BandEnvelopes], reading: CombReading
    ) -> CombEvidence:
        """With what the reading measures."""
        return replace(
            measured(spectra, bands, reading, self.limit_score, self.false_alarm),
            false_alarm_probability=self.false_alarm, places_searched=self.searched, decoys=self.decoys,
        )  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Suspect:
    """A plausible comb: the bins it may own, the ``widest`` of them too, those explained before it, and its chance
    then."""

    best: CombReading
    own: NDArray[np.bool_]
    widest: NDArray[np.bool_]
    explained: NDArray[np.bool_]
    chance: _Chance


def weigh(
    spectra: EnvelopeSpectra,
    bands: Sequence[BandEnvelopes],
    requests: Sequence[CombRequest],
    families: Families,
    *,
    known: NDArray[np.bool_] | None = None,
    asked: Collection[str] | None = None,
    scorer: CombScorer | None = None,
) -> Weighed:
    """Evidence for every request.

    The strongest combs are taken one after another, each one's lines and sidebands masked before the next is read, so
    that one defect's lines are not counted twice. A comb at an order that nobody asked for takes its lines with it
    too: what it makes at other orders is its own. ``known`` (n,) marks lines that are explained beforehand;
    ``asked`` names the requests that are weighed, all when None: the others' places are kept from the decoys alone.
    ``requests`` must not share an order. ``scorer``: one of ``spectra`` that others use too.
    """
    explained = np.zeros(spectra.power.shape[1], dtype=bool) if known is None else known
    whole = DecoyNull(scorer or CombScorer(spectra), requests, families, explained)
    wanted = [request for request in requests if asked is None or request.name in asked]
    waiting = list(wanted)
    claims: list[tuple[str, NDArray[np.bool_]]] = []
    suspects: list[_Suspect] = []
    done: dict[str, CombEvidence] = {}
    decoy_null = whole
    while waiting and len(suspects) + len(done) < MOST_SUSPECTS:
        if explained is not decoy_null.explained:
            decoy_null = whole.explaining(explained)
        best = _first(decoy_null.read(waiting), decoy_null)
        own, widest = lines_mask(spectra, best), lines_mask(spectra, best, to_the_last=True)
        waiting.remove(best.request)
        chance = _Chance.of(best, _null(whole, best, widest, explained))
        dense = not best.request.slips and best.order <= LEAST_BINS_APART * spectra.step
        if chance.false_alarm <= (DENSE_PLAUSIBLE if dense else PLAUSIBLE):
            suspects.append(_Suspect(best=best, own=own, widest=widest, explained=explained, chance=chance))
            explained = explained | own
        else:
            done[best.request.name] = chance.as_evidence(spectra, bands, best)
    for suspect in suspects:
        widest = suspect.widest
        same = np.array_equal(explained | widest, suspect.explained | widest)
        chance = suspect.chance if same else _Chance.of(suspect.best, _null(whole, suspect.best, widest, explained))
        if chance.decoys < min(FEW_DECOYS, suspect.chance.decoys):
            # Too few are left once the others' lines are taken out; with them in, decoys only promise less.
            chance = suspect.chance
        done[suspect.best.request.name] = chance.as_evidence(spectra, bands, suspect.best)
    decoy_null = decoy_null if explained is decoy_null.explained else whole.explaining(explained)
    for reading in decoy_null.read(waiting):
        done[reading.request.name] = _judge(bands, reading, decoy_null)
    claims += [(suspect.best.request.name, suspect.own) for suspect in suspects]
    return Weighed(combs=tuple(done[request.name] for request in wanted), owned=tuple(claims))


def _null(whole: DecoyNull, reading: CombReading, own: NDArray[np.bool_], explained: NDArray[np.bool_]) -> DecoyNull:
    """The null distribution on which a comb's decoys are scored, with the bins that they may not use explained.

    These are what is explained already, and the comb's ``own`` lines, which show at its sums and differences. Of these
    only the strong ones where harmonics lie close: the rest would take out the noise that made the score as well.
    The stronger a comb, the wider its lines and those it shares with others, until no bin is left to any decoy: then
    the others' lines are given back first, the comb's sidebands after them, and its own lines last. Each makes the
    decoys stronger, so what is found against them is found all the more surely; but decoys that hold the comb's own
    lines score like the comb, whatever its size, where those of the others are what a sound part meets too.
    """
    first: DecoyNull | None = None
    for null in _nulls(whole, reading, own, explained):
        decoy_null = whole.explaining(null)
        if decoy_null.decoys(reading).size >= FEW_DECOYS:
            return decoy_null
        first = first or decoy_null
    assert first is not None
    return first


def _nulls(
    whole: DecoyNull, reading: CombReading, own: NDArray[np.bool_], explained: NDArray[np.bool_]
) -> Iterator[NDArray[np.bool_]]:
    """The bins (n,) that decoys may not use, in the order in which they are tried."""
    spectra = whole.scorer.spectra
    if reading.order / reading.carrier > LEAST_BINS_APART * spectra.step or _stands_to(
        spectra, reading, whole.mask(reading.request)
    ):
        yield explained | own
        yield own
        alone = _harmonics_mask(spectra, reading, [0.0], False)
        yield explained | alone
        yield (explained & ~own) | alone
    # What lies so close is left to the decoys, but for lines that noise never makes.
    yield (explained & ~own) | (own & (spectra.power[reading.group] > NEVER_NOISE))
    yield explained & ~own


def _stands_to(spectra: EnvelopeSpectra, reading: CombReading, mask: NDArray[np.bool_] | None = None) -> int:
    """Harmonic up to which most lines of a comb stand, of those that its meetings leave high and that lie outside
    ``mask`` (n,); 0 where the first do not."""
    power, each, order = spectra.power[reading.group], reading.request.meetings, reading.order / reading.carrier
    harmonics = np.arange(each, int((power.size - 2) * spectra.step / order) + 1, each)
    middles = np.rint(harmonics * order / spectra.step).astype(np.int64)
    if mask is not None:
        harmonics, middles = harmonics[~mask[middles]], middles[~mask[middles]]
    tops = np.maximum(np.maximum(power[middles - 1], power[middles]), power[middles + 1])
    rows = tops[: tops.size // LINES_IN_A_ROW * LINES_IN_A_ROW].reshape(-1, LINES_IN_A_ROW)
    stand = int(np.cumprod((rows > STILL_A_LINE).mean(axis=1) >= MOSTLY_STAND).sum())
    return int(harmonics[stand * LINES_IN_A_ROW - 1]) if stand else 0


def _first(readings: Sequence[CombReading], decoy_null: DecoyNull) -> CombReading:
    """The strongest reading, or another that explains its lines better.

    A comb at a whole multiple of a slower one whose own lines, between those of the faster, are as strong is no comb of
    its own: it is the slower one (a cage that strikes looks like a rolling element with cage sidebands; a damaged
    rolling element makes strong lines of its own and weak ones of the cage). Of several tones that may slip to one
    place the likeliest is that whose usual slip, the middle of its window, brings it there.
    """
    best = max(readings, key=lambda reading: reading.score)
    if not best.request.slips:
        return best
    best = _above_its_sides(readings, best, decoy_null)
    place = _sharpened(decoy_null, best)
    # An element strikes both races in each spin, which every second of its lines repeats: those are the ones that are
    # compared, where they are the higher ones. A cage's lines are alike.
    every = (1, 2) if 2 in best.request.carriers and best.carrier == 1 else (1,)
    strong = max(_first_lines_db(decoy_null, best, number * place) for number in every)
    slower: list[tuple[int, float, CombReading]] = []
    likeliest, least = best, abs(_off_usual(best, place)) - SURELY_NEARER
    for other in readings:
        if other is best or not other.request.slips:
            continue
        sharp = _sharpened(decoy_null, other)
        times = round(place / sharp)
        if not 1 <= times <= MOST_TIMES or abs(times * sharp / place - 1) > SAME_PLACE:
            continue
        off = abs(_off_usual(other, sharp))
        if times > 1:
            if _makes_all(decoy_null, best, other, place / times, times, strong, every):
                slower.append((-times, off, _moved(decoy_null, other, place / times)))
            continue
        fewer = min(1.0, other.request.max_harmonic / best.request.max_harmonic)
        if other.score >= ALIKE * fewer * best.score and off < least:
            likeliest, least = other, off
    # What repeats the most slowly makes the lines of all that is a multiple of it; at one place usual slip decides.
    return min(slower, key=lambda one: one[:2])[2] if slower else likeliest


def _moved(decoy_null: DecoyNull, reading: CombReading, order: float) -> CombReading:
    """A slower comb at the ``order`` where it makes the lines of a faster one, where it was read more than a bin off
    because others own most of its first lines: every further one would be read farther off."""
    off = abs(reading.order - order) > decoy_null.scorer.spectra.step
    first = [k * order for k in range(1, reading.request.max_harmonic + 1)]
    owned = off and _lines_db(decoy_null, reading, first) == float("-inf")
    return replace(reading, order=order) if owned else reading


def _makes_all(
    decoy_null: DecoyNull, best: CombReading, other: CombReading, order: float, times: int, strong: float,
    every: Sequence[int],
) -> bool:  # fmt: skip
    """Whether a slower comb at ``order`` has the lines between those of the ``best``, which is so many ``times`` as
    fast and whose first lines have the level ``strong`` [dB], as strongly as that one has its own.

    Slow shafts may own the first lines of a cage: then those further up, which are no race's, are compared with the
    faster comb's up there. So may lobes or pins those of a race that slips to their order: then the first that nobody
    owns are compared.
    """
    own, short = other.request.max_harmonic, other.request.often_short
    between = [k * order for k in range(1, own + 1) if k % times]
    level, count = _lines_and_count(decoy_null, best, between)
    if level == float("-inf") and (strong > level or not short):
        up = range(own + 2 if short else 1, own + 2 + FURTHER_UP)
        between = [k * order for k in up if k % times and (k % (own + 1) or not short)]
        level, count = _lines_and_count(decoy_null, best, between)
        of_best = ([k * order for k in up if k % (number * times) == 0] for number in every)
        strong = max(_lines_db(decoy_null, best, lines) for lines in of_best)
        if strong == float("-inf"):
            return False
    return level > max(lines_level_db(count), strong - AS_STRONG_DB)


def _above_its_sides(readings: Sequence[CombReading], best: CombReading, decoy_null: DecoyNull) -> CombReading:
    """The best of the readings, or one that scores nearly as well by far higher lines.

    A score counts high lines by their logarithm only, and many faint ones may come to more. Side lines lie below what
    they stand next to, so that a comb which far side lines of another fill has the lower lines of both.
    """
    rivals = [one for one in readings if one.request.slips and ALIKE * best.score <= one.score < best.score]
    if not rivals:
        return best
    levels = [_first_lines_db(decoy_null, one, _sharpened(decoy_null, one)) for one in (best, *rivals)]
    highest = max(range(len(levels)), key=lambda place: levels[place])
    # Where others own its first lines nothing can be compared.
    known = levels[0] > float("-inf")
    return (best, *rivals)[highest] if known and levels[highest] >= levels[0] + FAR_HIGHER_DB else best


def _first_lines_db(decoy_null: DecoyNull, reading: CombReading, place: float) -> float:
    return _lines_db(decoy_null, reading, [harmonic * place for harmonic in (1, 2, 3)])


def _off_usual(reading: CombReading, place: float) -> float:
    """How far, relative, ``place`` lies from where a request's usual slip puts it."""
    low, high = reading.request.slip
    return place / (reading.request.order * reading.carrier * (1 + (low + high) / 2)) - 1


def _beyond_slip(decoy_null: DecoyNull, reading: CombReading) -> bool:
    """Whether all lines together put a slipping comb where the tone cannot slip to.

    A tone is looked for in whole half bins, which for slow ones are wider than their slip; the last line that stands
    gives the place so many times as closely.
    """
    request = reading.request
    if not request.slips:
        return False
    place, last = _placed(decoy_null, reading)
    middle, spread = request.order * reading.carrier, decoy_null.families.speed_spread
    reach = PLACE_BINS * decoy_null.scorer.spectra.step / last
    low, high = middle * (1 + request.slip[0] - spread) - reach, middle * (1 + request.slip[1] + spread) + reach
    return not low <= place <= high


def _sharpened(decoy_null: DecoyNull, reading: CombReading) -> float:
    return _placed(decoy_null, reading)[0]


def _placed(decoy_null: DecoyNull, reading: CombReading) -> tuple[float, int]:
    """A slipping comb's order from all its lines, and the last that stands: the n-th gives it n times as closely as the
    first. Whatever is explained: found once for all."""
    key = reading.group, reading.order, reading.harmonics
    if key not in decoy_null.places_of_all_lines:
        decoy_null.places_of_all_lines[key] = _place(decoy_null.scorer.spectra, *key)
    return decoy_null.places_of_all_lines[key]


def _place(spectra: EnvelopeSpectra, group: int, order: float, harmonics: int) -> tuple[float, int]:
    power, last = spectra.power[group], 1
    bins, weights = 0.0, 0.0
    for harmonic in range(1, harmonics + 1):
        middle, half = round(harmonic * order / spectra.step), max(1, min(harmonic // 2, 4))
        if not half < middle < power.size - half - 1:
            break
        near = power[middle - half : middle + half + 1]
        highest = near.max()
        if highest < STILL_A_LINE:
            continue
        spot = float((near * np.arange(middle - half, middle + half + 1)).sum() / near.sum())
        weight = harmonic * float(np.log(highest))
        bins, weights, last = bins + weight * spot, weights + weight * harmonic, harmonic
        order = bins / weights * spectra.step
    return order, last


def _lines_db(decoy_null: DecoyNull, reading: CombReading, orders: Sequence[float]) -> float:
    return _lines_and_count(decoy_null, reading, orders)[0]


def _lines_and_count(decoy_null: DecoyNull, reading: CombReading, orders: Sequence[float]) -> tuple[float, int]:
    """Mean level over the floor of the first lines at ``orders`` [dB] that nobody else owns, in the bands of
    ``reading``, and how many they are; nothing where others own most."""
    power, step = decoy_null.scorer.spectra.power[reading.group], decoy_null.scorer.spectra.step
    mask = decoy_null.mask(reading.request)
    middles = [round(order / step) for order in orders]
    free = [m for m in middles if 1 <= m < power.size - 1 and not mask[m - 1 : m + 2].all()][:BETWEEN]
    if 2 * len(free) <= min(len(middles), BETWEEN):
        return float("-inf"), 0
    tops = (float(np.where(mask[m - 1 : m + 2], 0.0, power[m - 1 : m + 2]).max()) for m in free)
    return float(np.mean([decibels(max(top, 1.0)) for top in tops])), len(free)


def _judge(bands: Sequence[BandEnvelopes], reading: CombReading, decoy_null: DecoyNull) -> CombEvidence:
    """A reading's false-alarm probability on ``decoy_null``, and what it measures."""
    return _Chance.of(reading, decoy_null).as_evidence(decoy_null.scorer.spectra, bands, reading)


def lines_mask(spectra: EnvelopeSpectra, reading: CombReading, *, to_the_last: bool = False) -> NDArray[np.bool_]:
    """Everything a found comb may own: harmonics, and sidebands at its modulators and at the input.

    Where these would own too much of the axis for anything else to be detected, fewer: those at its own modulators,
    then only the next ones, at last the harmonics alone. ``to_the_last``: with the harmonics that are smeared so far
    that others may lie among them."""
    base = reading.order / reading.carrier
    # Only what is slower than the comb itself can modulate it.
    spacings = {side for side in {*reading.request.sidebands, *([1.0] if reading.request.slips else [])} if side < base}
    modulators = {side for side in reading.request.sidebands if side in spacings}
    for sides, reach in ((spacings, SIDEBANDS_CLEARED), (modulators, 2), (modulators, 1)):
        shifts = [s * k * side for side in sides for k in range(1, reach + 1) for s in (-1, 1)]
        mask = _harmonics_mask(spectra, reading, [0.0, *shifts], to_the_last)
        if mask.mean() <= MOST_OWNED:
            return mask
    return _harmonics_mask(spectra, reading, [0.0], to_the_last)


def own_lines(spectra: EnvelopeSpectra, request: CombRequest, order: float) -> NDArray[np.bool_]:
    """Bins (n,) that a comb found at ``order`` may own, wherever its lines are smeared to."""
    reading = CombReading(
        request=request, carrier=1, order=order, score=0.0, group=int(spectra.power.mean(axis=1).argmax()),
        harmonics=request.max_harmonic, sidebands=(), places=1,
    )  # fmt: skip
    return lines_mask(spectra, reading)


def _reach(spectra: EnvelopeSpectra, reading: CombReading) -> int:
    """Highest harmonic that a slipping comb takes from the others.

    What strikes as a cage turns makes even lines, far beyond those that are its own alone. What a cage carries through
    a load modulates with the first few; lines further up are a race's, which fails more often: these it takes only
    where its own are even and most of those beyond that no race has stand.
    """
    last, power = reading.request.max_harmonic, spectra.power[reading.group]
    if not reading.request.often_short:
        return MOST_CLEARED
    tops = []
    for harmonic in range(1, 2 * last + 2):
        middle, half = round(harmonic * reading.order / reading.carrier / spectra.step), 1 + harmonic // 4
        if middle + half >= power.size:
            break
        tops.append(float(power[middle - half : middle + half + 1].max()))
    # The first beyond may be a race's: of as many as there are elements.
    own, beyond = [decibels(max(top, 1.0)) for top in tops[:last]], tops[last + 1 :]
    even = len(own) == last and fmean(own) >= EVEN_MEAN_DB and pstdev(own) <= EVEN_SPREAD_DB
    return MOST_CLEARED if even and beyond and median(beyond) > STILL_A_LINE else last


def _harmonics_mask(
    spectra: EnvelopeSpectra, reading: CombReading, shifts: Sequence[float], to_the_last: bool
) -> NDArray[np.bool_]:
    """Bins (n,) of a comb's harmonics, each moved by ``shifts`` (in orders)."""
    n = spectra.power.shape[1]
    base, slip = reading.order / reading.carrier, reading.request.slips
    most = int(n * spectra.step / base)
    if slip:
        most = min(most, MOST_CLEARED if to_the_last else _reach(spectra, reading))
    elif base < LEAST_BINS_APART * spectra.step:
        # All of them would fill a part of the axis that others need.
        most = min(most, max(reading.harmonics, _stands_to(spectra, reading)))
    harmonics = np.arange(1, most + 1)
    # Wider windows would run together and leave nothing to compare with.
    widest = int(max(2.0, 0.2 * base / spectra.step))
    half = 2 + (harmonics // 2 if slip else 0 * harmonics)
    if not to_the_last:
        harmonics, half = harmonics[half <= widest], half[half <= widest]
    half = np.minimum(half, widest)[:, None]
    middle = np.rint((harmonics[:, None] * base + np.asarray(shifts)) / spectra.step).astype(np.int64)
    # Each window opens at its first bin and closes behind its last; bins with more opened than closed are owned.
    met = (middle >= -half) & (middle < n + half)
    opened = np.bincount(np.clip(middle - half, 0, n)[met], minlength=n + 1)
    closed = np.bincount(np.clip(middle + half + 1, 0, n)[met], minlength=n + 1)
    mask = np.cumsum(opened - closed)[:n] > 0
    return grown(mask, spectra.power[reading.group], GROWN_SHARE * base / spectra.step)
