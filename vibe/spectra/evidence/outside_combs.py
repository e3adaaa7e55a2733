"""Combs that need no list: the strongest fundamental of all explains its lines before a part of the drive gets them.

Every order from ``LOWEST_ORDER`` up is scored as any comb is (Fisher's sum of line surprises, best group of bands, best
number of harmonics). Of the best one the *fundamental* is sought: a slower order takes its place where the lines that
only the slower one makes stand too; a faster one where they do not. Whose it is comes after that.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from math import gcd
from statistics import median

import numpy as np
from numpy.typing import NDArray

from vibe.core.evidence import CombEvidence
from vibe.core.outside_combs import EXACTLY, LINE_BINS, MOST_PER_TURN, OutsideComb
from vibe.spectra.envelope.bands import BandEnvelopes
from vibe.spectra.envelope.envelope_spectrum import EnvelopeSpectra
from vibe.spectra.evidence.comb import STILL_A_LINE, CombRequest, Combs, CombScorer
from vibe.spectra.evidence.comb import owned as owned_lines
from vibe.spectra.evidence.comb_evidence import lines_mask
from vibe.spectra.evidence.decoy_null import CombReading, DecoyNull, Families, grown, lines_level_db
from vibe.spectra.evidence.impact_amplitude import decibels, measured, surely_off

LOWEST_ORDER, HIGHEST_ORDER = 0.02, 30.0
"""Orders of the input at which another machine's comb is looked for: from a slow chain to the pass of a gear mesh
(common practice)."""
FEWEST_REPEATS = 12.0
"""Repeats within the capture: below, drift of level and speed stands where lines would."""
LEAST_SCORE = 45.0
"""-ln p of a comb that takes lines from parts. Of sound simulated drives the best of all orders reaches 20 to 40."""
MOST_SURPRISE = 20.0
"""No capture supports a smaller chance than exp(-20)."""
MOST_TAKEN = 40
"""Lines of a comb that are reported as taken from others."""
FEWEST_LINES = 4
"""Lines over the floor that a foreign comb shows."""
MOST_OUTSIDE, MOST_LOOKS = 3, 5
"""Combs of other machines that are named, and searches for them, for the sake of time."""
MOST_TESTED = 12
"""Multiples and parts of an order that are tested for being the fundamental."""
EXPLAINED, BY_LUCK = 0.85, 1e-3
"""Share of a comb's lines that a part's own law must make, and the chance, at most, that so many fall on it by luck: a
law that fills all of the axis explains anything."""
STANDING = 0.6
"""Share of the free lines between that stand when a slower order is the fundamental; an irregular comb lacks some."""
FEWEST_TOGETHER = 4
"""Lines of a part's own slow order, between those of the faster one, whose mean level may say that they are there."""
ALIKE_STAND = 0.4
"""Share of them that then stands one by one: half of lines that are alike exceed their mean, noise moving each by two
decibels or three; of a few strong ones among others that are not there fewer do."""
FEWEST_BETWEEN = 10
"""Lines of a slower order, its own and those of the faster one, that are looked at: of half of it the first three lines
between may be somebody else's."""
DROP_DB, OWN_DROP_DB = 8.0, 3.0
"""By how much the lines that only a slower order makes may be weaker; where the faster is a part's own, less."""
FIRST_OF_FASTER = 3
"""Lines of the faster order among which those between are compared with it: the strongest of a comb are the first."""
HALFWAY_LINES, HALFWAY_STAND = 12, 4
"""Lines halfway between those of a part's order that are looked at, and how many of them stand where they are another
machine's: noise makes one in 1,000 stand (the highest of three bins)."""
FIRST_LINES, FIRST_STAND = 6, 4
"""Of the first free lines of a foreign comb, and how many of them stand."""
SPEED_VARIATION = 1.5e-3
"""Relative, three standard deviations of a loaded motor's speed within a capture (common practice: 5e-4)."""
FAR = 0.04
"""Relative distance from a race's window within which a comb may still be its own."""
FAINTEST_DB = -6.0
"""Fainter combs accuse nobody and need not be explained."""
SLOW_TURN_TOLERANCE = 2.5
"""Bins by which the highest line used may miss a whole multiple of a slow turn."""
NEAR_ROTOR = 0.02
"""Relative distance from the shaft's own order within which a rotor is a neighbour of alike speed."""
LEAST_BETWEEN, LEAST_ROOM_BINS = 8, 4
"""Lines per turn between those of the teeth that must be free to show that the teeth differ, and bins between lines."""
BETWEEN_STAND = 0.3
"""Share of those that then stand: by chance one in 300 does; a pattern of few harmonics fills no more."""
FEWEST_SHARED, MOST_SHARED, MOST_COMPARED = 3, 6, 64
"""Lines that a part without slip shares with such teeth, fewest and most that are compared with those next to them,
and multiples of the teeth among which they are sought."""
FAR_ABOVE_DB = 6.0
"""By how much their median exceeds the higher of the two next to each, to be the part's: lines of teeth fall steadily
but for noise, which moves the median of three such differences by two decibels (three standard deviations)."""
STRONGER_DB = 3.0
"""By how much the lines of the teeth exceed the others per turn where their number can be determined (common
practice)."""
SIDE_HARMONICS, FEWEST_SIDES, SIDES_STAND = 6, 6, 0.7
"""Harmonics next to which side lines at one spacing are sought, how many must be free, and the share that must stand:
by chance one in 300 does."""
SIDES_OWNED = 3
"""Side lines either side of a harmonic that belong to it: of a load that turns the first stand (common practice)."""
MOST_CHANCE = 0.25
"""Share of orders that would fit a whole number per slow turn by chance, above which that fit says nothing."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Found:
    """A comb that no part in the question makes; ``turns`` are the slow shafts of which it is a whole number."""

    order: float
    last: int
    """Highest harmonic that stands."""
    per_turn: tuple[int, float] | None
    every: int
    """Lines, one per whole turn of that shaft, that stand as well: its teeth are not alike. 0 where they are."""
    ambiguous: bool
    evidence: CombEvidence
    reading: CombReading
    mask: NDArray[np.bool_]
    """Bins (n,) that it owns, side lines too."""


def joint(spectra: EnvelopeSpectra) -> EnvelopeSpectra:
    """The groups over all channels alone: a third of the work, and what is outside reaches every point."""
    most = max(len({channel for channel, _ in members}) for members in spectra.members)
    keep = [g for g, members in enumerate(spectra.members) if len({channel for channel, _ in members}) == most]
    if len(keep) == len(spectra.members):
        return spectra
    return replace(
        spectra,
        power=np.ascontiguousarray(spectra.power[keep]), squared=spectra.squared[keep],
        floor=spectra.floor[keep], low_hz=spectra.low_hz[keep], high_hz=spectra.high_hz[keep],
        members=tuple(spectra.members[g] for g in keep),
    )  # fmt: skip


def find_outside_combs(
    spectra: EnvelopeSpectra,
    bands: Sequence[BandEnvelopes],
    requests: Sequence[CombRequest],
    families: Families,
    slow_turns: Sequence[float] = (),
    *,
    scorer: CombScorer | None = None,
) -> tuple[tuple[OutsideComb, ...], NDArray[np.bool_]]:
    """Combs of other machines, strongest first, and the bins (n,) that they own.

    ``requests``: what parts of the machine make. What lies in their windows is theirs, but for a comb that is exactly a
    whole number per turn of one of ``slow_turns``, orders of shafts that turn other machines. A ``scorer`` of
    ``spectra`` that others use too serves where all groups are asked.
    """
    some = joint(spectra)
    if scorer is None or some is not spectra:
        scorer = CombScorer(some)
    whole = DecoyNull(scorer, requests, families, np.zeros(some.power.shape[1], dtype=bool))
    found, owned = _Search(some, bands, whole, tuple(slow_turns)).run()
    found, owned = _settled(found, owned, some, requests, whole, families)
    return tuple(_outside_comb(one, some.step) for one in found), owned


def _outside_comb(found: _Found, step: float) -> OutsideComb:
    reach = LINE_BINS * step
    each, most = (found.per_turn[1], found.every) if found.per_turn and found.every else (found.order, MOST_TAKEN)
    return OutsideComb(
        order=found.order,
        evidence=found.evidence,
        spread=reach / (found.order * max(found.last, 1)),
        per_turn=found.per_turn,
        ambiguous=found.ambiguous,
        every_turn=found.every,
        taken=() if found.ambiguous else tuple((k * each - reach, k * each + reach) for k in range(1, most + 1)),
    )


class _Search:
    """The strongest comb of all is explained, and the next one sought without its lines."""

    def __init__(
        self, spectra: EnvelopeSpectra, bands: Sequence[BandEnvelopes], whole: DecoyNull, slow_turns: tuple[float, ...]
    ) -> None:
        self.spectra, self.bands, self.whole, self.slow_turns = spectra, bands, whole, slow_turns
        self.requests, self.families, self.step = whole.requests, whole.families, spectra.step
        n = spectra.power.shape[1]
        declared = whole.families.declared
        benign = tuple(family for family in whole.families.benign if family[0] > 0.9 and family[0] not in declared)
        self.taken = whole.benign_lines(benign).copy()
        self.owned, self.kept = np.zeros(n, dtype=bool), np.zeros(n, dtype=bool)
        self.lowest = max(LOWEST_ORDER, FEWEST_REPEATS * spectra.step)
        self._owners: dict[float, CombRequest | None] = {}
        self.carriers = tuple(sorted({1.0, *(turn for request in self.requests for turn in _carriers(request))}))

    def owner_near(self, order: float) -> CombRequest | None:
        """Whose an order is, with what lies near a race's window; found once for each order."""
        if order not in self._owners:
            self._owners[order] = _owner(order, self.requests, self.whole, self.families, FAR)
        return self._owners[order]

    def _is_half_of_a_part(self, power: NDArray[np.float32], order: float) -> bool:
        """Whether a comb is met at every second of its lines where a part of the machine that slips may lie."""
        faster = self.owner_near(2 * order)
        return faster is not None and faster.slips and _stands_halfway(power, self.step, 2 * order, self.taken)

    def _of_a_part(self, order: float) -> bool:
        windows = (self.whole.window(request, 1) for request in self.requests if request.slips)
        return any(low <= order <= high for low, high in windows)

    def run(self) -> tuple[list[_Found], NDArray[np.bool_]]:
        highest = min(HIGHEST_ORDER, self.spectra.top_order / 2)
        orders = self.whole.scorer.half_bins(self.lowest, highest)
        found: list[_Found] = []
        for _ in range(MOST_LOOKS):
            (best,) = self.whole.scorer.best([Combs(orders=orders, mask=self.taken, max_harmonic=12)], slip=True)
            if best.score < LEAST_SCORE or len(found) >= MOST_OUTSIDE:
                break
            one = self._explained(best.order, best.score, best.group, best.harmonics)
            if one is not None:
                found.append(one)
        return found, self.owned

    def _explained(self, order: float, score: float, group: int, harmonics: int) -> _Found | None:
        """Whose a comb is: its lines are taken from the next looks; None where a part of the machine makes it."""
        some, step, taken, whole = self.spectra, self.step, self.taken, self.whole
        power = some.power[group]
        laws: dict[float, NDArray[np.bool_]] = {}

        def drop_db(fast: float, slow: float) -> float:
            mine = self.owner_near(fast)
            exact = _per_turn(slow, round(4 * fast / slow), step, self.slow_turns) is not None
            return DROP_DB if mine is None or exact else OWN_DROP_DB

        def own_law(fast: float, slow: float) -> NDArray[np.bool_] | None:
            """Bins that the part at ``fast`` fills itself; None where ``slow`` is an order of its own."""
            mine = self.owner_near(fast)
            if mine is None or not mine.slips:
                return np.zeros(power.size, dtype=bool)
            exact = _per_turn(slow, round(4 * fast / slow), step, self.slow_turns) is not None
            if not exact and _of_own_law(mine, slow, step):
                return None
            if fast not in laws:
                laws[fast] = lines_mask(some, _reading_of(mine, fast, group))
            return laws[fast]

        base = fundamental(power, step, order, taken, self.lowest, drop_db, own_law, self.carriers, self._of_a_part)
        lines, last = standing(power, step, base, taken)
        owner = _owner(base, self.requests, whole, self.families)
        owner = owner or self._of_harmonic(base)
        near_rotor = abs(base - 1.0) < NEAR_ROTOR
        if owner is None and any(abs(base / carrier - 1.0) < NEAR_ROTOR for carrier in self.carriers):
            owner = _race_with_sides(power, step, base, taken, self.requests, whole)
        exact = _per_turn(base, last, step, self.slow_turns) or self._teeth_of_turn(power, base, last)
        if exact is not None and owner is not None and not owner.slips and base < 1.5 * exact[1]:
            owner = None  # The shaft itself makes a line or two; teeth that differ are what fills all of its turn.
        slips = owner is not None and owner.slips
        if exact is not None and owner is not None and slips and self._surely_off(owner, base, group, exact):
            exact = None
        # Discs that strike a part equally hard make only lines at as many times its order.
        own_too = slips or (owner is None and any(self.whole.met_evenly(one, base) for one in self.requests))
        known = exact is not None or near_rotor
        reading = CombReading(
            request=CombRequest(name=f"{'outside' if known else 'unknown'} {base:.4g}", order=base), carrier=1,
            order=base, score=score, group=group, harmonics=max(3, harmonics), sidebands=(), places=1,
        )  # fmt: skip
        if owner is not None and not (slips and exact):
            # A part's own comb takes its side lines with it: they are nobody else's.
            place = base / max(1, round(base / owner.order)) * max(1, round(owner.order / base))
            mine = lines_mask(some, _reading_of(owner, place, group)) | _own_bins(some, reading, ())
            between = round(base / order)
            if between > 1:
                # So are the fainter lines between its own, in which it was met.
                mine |= _own_bins(some, replace(reading, order=base / between), ())
            self.taken, self.kept = taken | mine, self.kept | mine
            return None
        # Side lines at the shaft's turn were distinguished from a rotor of nearly its speed bin by bin before.
        halved = owner is None and self._is_half_of_a_part(power, base)
        law = None if exact or near_rotor or halved or owner is not None else self._part_explains(power, base)
        if law is not None:
            self.taken, self.kept = taken | law, self.kept | law
            return None
        turns = self.slow_turns if exact else ()
        # Two strikes a turn leave some of the first lines out.
        if not (near_rotor or halved) and not _first_stand(power, step, base, taken):
            self.taken = taken | _own_bins(some, reading, ())
            return None
        every = 0
        if exact and not own_too:
            count = self._strongest_count(power, exact[1], exact[0])
            exact, base = (count, exact[1]), count * exact[1]
            lines, last = standing(power, step, base, taken)
            every = _lines_per_turn(power, step, exact, taken)
            named = CombRequest(name=f"outside {base:.4g}", order=base)
            reading = replace(reading, request=named, order=base)
        mask = _own_bins(some, reading, turns)
        mask |= _side_lines(power, step, base, taken | mask, turns=bool(turns))
        self.taken = taken | mask
        if exact and every:
            self.taken = self.taken | owned_lines(((exact[1], every),), step, power.size, half_width=1)
        evidence = measured(some, self.bands, reading, 0.0)
        if lines < FEWEST_LINES or evidence.hit_over_floor_db < FAINTEST_DB:
            return None
        if self.kept.any() and evidence.lines[0].over_floor_db < decibels(STILL_A_LINE):
            # Next to a part's comb a grid without its own first line is what that part's far side lines leave.
            return None
        # What a part claimed first stays its own; so does what may be a part's as well.
        if not own_too:
            self.owned |= mask & ~self.kept
            if exact is not None:
                self.owned &= ~self._rigid_above(exact, mask)
        chance = float(np.exp(-min(score, MOST_SURPRISE)))
        return _Found(
            order=base, last=last, per_turn=exact, every=every, ambiguous=own_too, reading=reading, mask=mask,
            evidence=replace(evidence, false_alarm_probability=chance),
        )  # fmt: skip

    def _surely_off(self, owner: CombRequest, base: float, group: int, exact: tuple[int, float]) -> bool:
        """Whether all lines of a comb together lie off the whole number per turn ``exact``. Where the shaft is slow,
        the few bins of one line hold some number by chance at every third order; what the shaft turns lies at its
        number however closely that is looked at. Not where lines of sound shafts hide the part's own."""
        middles = np.rint(np.arange(1, FIRST_LINES + 1) * base / self.step).astype(np.int64)
        hidden = self.whole.mask(owner)[np.minimum(middles, self.spectra.power.shape[1] - 1)]
        if hidden.sum() > FIRST_LINES - FIRST_STAND:
            return False
        reading = _reading_of(CombRequest(name=f"unknown {base:.4g}", order=base), base, group)
        families = self.families
        return surely_off(self.spectra, reading, exact[0] * exact[1], families.speed_spread, families.other_speeds)

    def _rigid_above(self, exact: tuple[int, float], mask: NDArray[np.bool_]) -> NDArray[np.bool_]:
        """Bins (n,) of parts that cannot slip whose lines stand far above those of the (count, turn) teeth on either
        side: they fall on multiples of the teeth because both are whole numbers per turn, and are no more the teeth's
        than theirs."""
        count, turn = exact
        size, kept = self.spectra.power.shape[1], np.zeros_like(mask)
        strongest = self.spectra.power.max(axis=0) - np.float32(np.log(self.spectra.power.shape[0]))
        levels = [decibels(max(_line(strongest, self.step, k * count * turn, 1)[0], 1.0)) for k in range(MOST_COMPARED)]
        for request in self.requests:
            times = round(request.order / turn)
            if request.slips or times < 1 or abs(request.order / (times * turn) - 1) > EXACTLY:
                continue
            every = times // gcd(times, count)
            shared = range(every, MOST_COMPARED - 1, every)[:MOST_SHARED]
            above = [levels[k] - max(levels[k - 1], levels[k + 1]) for k in shared if k > 1]
            if every > 1 and len(above) >= FEWEST_SHARED and median(above) >= FAR_ABOVE_DB:
                kept |= owned_lines(((request.order, int(size * self.step / request.order)),), self.step, size)
        return kept

    def _teeth_of_turn(self, power: NDArray[np.float32], base: float, last: int) -> tuple[int, float] | None:
        """(teeth, turn) where a comb at a slow shaft's own turn has strong lines at multiples of a number of teeth."""
        for turn in self.slow_turns:
            if abs(base - turn) < SLOW_TURN_TOLERANCE * self.step / max(last, 1):
                count = self._strongest_count(power, turn, 1)
                return (count, turn) if count > 1 else None
        return None

    def _strongest_count(self, power: NDArray[np.float32], turn: float, count: int) -> int:
        """How many teeth: the number per turn whose first lines stand highest of all lines per turn; ``count`` where
        none clearly does, or where the strongest is a part's that cannot slip: a lobe's, a pin's, the input's."""

        def level(number: int) -> float:
            tops = [_line(power, self.step, k * number * turn, 1)[0] for k in (1, 2, 3)]
            return float(np.mean([decibels(max(top, 1.0)) for top in tops]))

        levels = {number: level(number) for number in range(1, MOST_PER_TURN + 1)}
        best = max(levels, key=lambda number: levels[number])
        owner = _owner(best * turn, self.requests, self.whole, self.families)
        own = owner is not None and not owner.slips
        return count if own or levels[best] < levels[count] + STRONGER_DB else best

    def _of_harmonic(self, base: float) -> CombRequest | None:
        """The part whose second to fourth harmonic is the strongest of its comb, so that it was met first: its first
        one stands in some band. A part that cannot slip has its lines strongest at as many times its order as discs
        meet it; those between, which unequal discs make, stand above all that a machine makes of unequal teeth."""
        strongest = self.spectra.power.max(axis=0) - np.float32(np.log(self.spectra.power.shape[0]))
        for request in self.requests:
            low, high = self.whole.window(request, 1)
            for times in (2, 3, 4) if request.slips else range(2, request.meetings + 1):
                if low <= base / times <= high and self._stands_out(strongest, base / times, exact=not request.slips):
                    return request
        return None

    def _stands_out(self, strongest: NDArray[np.float32], order: float, *, exact: bool) -> bool:
        """Whether a line stands at ``order``; ``exact``: also above those a turn of a slow shaft away."""
        top = _line(strongest, self.step, order, 1)[0]
        turns = [turn for turn in self.slow_turns if exact and turn > LEAST_ROOM_BINS * self.step]
        near = [_line(strongest, self.step, order + side * turn, 1)[0] for turn in turns for side in (-1, 1)]
        return top > STILL_A_LINE and top > 10 ** (STRONGER_DB / 10) * max(near, default=0.0)

    def _part_explains(self, power: NDArray[np.float32], base: float) -> NDArray[np.bool_] | None:
        """Bins of a part at a multiple of ``base`` whose own law (its harmonics, their side lines at its modulators and
        at the shaft) makes nearly all of the lines that stand at multiples of ``base``: a race near a simple fraction
        with side lines at the shaft's turn fills the grid of that fraction. None where another machine must make them.
        """
        lines = np.arange(1, MOST_TAKEN + 1) * base / self.step
        middles = np.rint(lines[lines < power.size - 3]).astype(np.int64)
        tops = np.stack([power[middles - 1], power[middles], power[middles + 1]]).max(axis=0)
        stand = middles[(tops > STILL_A_LINE) & ~self.taken[middles]]
        best, least = None, EXPLAINED
        for request in self.requests:
            if not request.slips:
                continue
            low, high = self.whole.window(request, 1)
            loudest = _loudest(power, self.step, low, high)
            for times in range(max(2, int(np.ceil(low / base))), min(MOST_TESTED, int(high / base)) + 1):
                place, _ = sharpened(power, self.step, times * base, self.taken)
                if abs(loudest / (times * base) - 1) < NEAR_ROTOR / times:
                    # Wide windows let a grid of side lines pass for multiples of what is not even their sum.
                    place = loudest
                mask = lines_mask(self.spectra, _reading_of(request, place, 0))
                near = (mask[stand - 1] | mask[stand] | mask[stand + 1]).mean() if stand.size else 0.0
                own = round(place / self.step)
                stands = power[max(0, own - 2) : own + 3].max() > STILL_A_LINE
                luck = float(mask.mean()) ** stand.size
                if stands and low <= place <= high and near >= least and luck <= BY_LUCK:
                    best, least = mask, near
        return best


def _loudest(power: NDArray[np.float32], step: float, low: float, high: float) -> float:
    """Order of the highest line from ``low`` to ``high``."""
    first, last = max(1, int(low / step)), min(power.size - 2, int(high / step) + 1)
    if last <= first:
        return 0.5 * (low + high)
    spot = first + int(power[first : last + 1].argmax())
    a, b, c = (float(x) for x in np.sqrt(power[spot - 1 : spot + 2]))
    return (spot + (c - a) / (a + b + c)) * step


def _settled(
    found: list[_Found],
    owned: NDArray[np.bool_],
    some: EnvelopeSpectra,
    requests: Sequence[CombRequest],
    whole: DecoyNull,
    families: Families,
) -> tuple[list[_Found], NDArray[np.bool_]]:
    """Without those whose fundamental was only seen in another comb's lines, and whose multiple is a part's own."""
    if len(found) < 2:
        return found, owned
    step = some.step
    masks = [one.mask for one in found]
    kept = []
    for number, one in enumerate(found):
        others = np.any([m for k, m in enumerate(masks) if k != number], axis=0)
        power = some.power[one.reading.group]
        spurious = False
        for times in (2, 3, 4, 5):
            owner = _owner(times * one.order, requests, whole, families)
            if owner is None or not owner.slips:
                continue
            stand, free, level = _between(power, step, one.order, times, others, 8 * times * one.order)
            own = _level(power, step, times * one.order, others)
            # Lines fall with order: of as many as the faster one's own that stand, half at least must.
            fast, room = _standing_of(power, step, times * one.order, others, 8 * times * one.order)
            missing = stand * room <= 0.5 * free * fast
            spurious |= free > 0 and (missing or level < own - DROP_DB)
        if not spurious:
            kept.append(number)
    if len(kept) < len(found):
        owned = np.zeros_like(owned)
        for number in kept:
            if not found[number].ambiguous:
                owned |= masks[number]
    return [found[number] for number in kept], owned


def _line(power: NDArray[np.float32], step: float, order: float, half: int) -> tuple[float, int]:
    middle = round(order / step)
    if not half < middle < power.size - half - 1:
        return 0.0, middle
    near = power[middle - half : middle + half + 1]
    return float(near.max()), middle - half + int(near.argmax())


def sharpened(power: NDArray[np.float32], step: float, order: float, mask: NDArray[np.bool_]) -> tuple[float, int]:
    """The order from all its free lines, and the highest harmonic used: the n-th gives it n times as closely."""
    bins, weights, last = 0.0, 0.0, 1
    for harmonic in range(1, 61):
        half = 1 + min(harmonic // 4, 2) if weights == 0 else 1
        top, spot = _line(power, step, harmonic * order, half)
        if spot >= power.size - 4:
            break
        if top < STILL_A_LINE or mask[spot]:
            continue
        a, b, c = (float(x) for x in np.sqrt(power[spot - 1 : spot + 2]))
        place = spot + (c - a) / (a + b + c)
        weight = harmonic * np.log(top)
        bins, weights, last = bins + weight * place, weights + weight * harmonic, harmonic
        order = bins / weights * step
    return order, last


def standing(
    power: NDArray[np.float32], step: float, order: float, mask: NDArray[np.bool_], skip: int = 0, most: int = 40
) -> tuple[int, int]:
    """How many free lines stand at multiples of ``order`` (those of ``skip`` left out), and the highest that does."""
    count = last = 0
    for harmonic in range(1, most + 1):
        if skip and harmonic % skip == 0:
            continue
        top, spot = _line(power, step, harmonic * order, 1)
        if 0 < spot < power.size and not mask[spot] and top > STILL_A_LINE:
            count, last = count + 1, harmonic
    return count, last


def _between(
    power: NDArray[np.float32], step: float, slow: float, times: int, mask: NDArray[np.bool_], reach: float
) -> tuple[int, int, float]:
    """Of the free lines that only ``slow`` makes, not ``times`` of it: how many stand, how many there are, and their
    mean level [dB]; up to the order ``reach``."""
    stand = free = 0
    level = 0.0
    for harmonic in range(1, int(reach / slow) + 1):
        if harmonic % times == 0:
            continue
        top, spot = _line(power, step, harmonic * slow, 1)
        if not 1 < spot < power.size - 2 or mask[spot - 1 : spot + 2].any():
            continue
        free += 1
        stand += top > STILL_A_LINE
        level += 10 * float(np.log10(max(top, 1.0)))
        if free >= 3 * times:
            break
    return stand, free, level / max(1, free)


def _below_db(power: NDArray[np.float32], step: float, slow: float, times: int, mask: NDArray[np.bool_]) -> float:
    """By how much, in the mean, the free lines that only ``slow`` makes, up to the third of ``times`` of it, lie below
    that one's on either side [dB], where these stand: all lines of one comb fall evenly with order. Infinite where none
    can be compared."""
    below = []
    for harmonic in range(1, FIRST_OF_FASTER * times):
        top, spot = _line(power, step, harmonic * slow, 1)
        if harmonic % times == 0 or not 1 < spot < power.size - 2 or mask[spot - 1 : spot + 2].any():
            continue
        low = harmonic // times * times
        sides = [_line(power, step, other * slow, 1)[0] for other in (low, low + times) if other]
        if max(sides) > STILL_A_LINE:
            near = [10 * float(np.log10(max(side, 1.0))) for side in sides]
            below.append(float(np.mean(near)) - 10 * float(np.log10(max(top, 1.0))))
    return float(np.mean(below)) if below else float("inf")


def _stands_halfway(power: NDArray[np.float32], step: float, order: float, mask: NDArray[np.bool_]) -> bool:
    """Whether the lines halfway between those of a comb stand, and in the mean of the first dozen as high as its own:
    something strikes twice in each repeat of half the order, at nearly opposite places, so that its even lines are the
    higher ones to begin with and its odd ones further on. A part with its side lines fills no such grid: these lie
    below what they stand next to, and a smeared line's foot is as high a quarter of the way as halfway."""

    def levels(places: Sequence[float]) -> tuple[int, float]:
        found = [_line(power, step, place * order, 1) for place in places]
        free = [top for top, spot in found if 1 < spot < power.size - 2 and not mask[spot - 1 : spot + 2].any()]
        if 2 * len(free) < len(places):
            return 0, 0.0
        mean = float(np.mean([10 * np.log10(max(top, 1.0)) for top in free]))
        return sum(top > STILL_A_LINE for top in free), mean

    numbers = range(1, HALFWAY_LINES + 1)
    (_, own), (stand, between) = levels(numbers), levels([number - 0.5 for number in numbers])
    quarters = max(levels([number - part for number in numbers])[1] for part in (0.25, 0.75))
    return stand >= HALFWAY_STAND and between >= max(own - OWN_DROP_DB, quarters + STRONGER_DB)


def _standing_of(
    power: NDArray[np.float32], step: float, order: float, mask: NDArray[np.bool_], reach: float
) -> tuple[int, int]:
    """Of the free lines of a comb up to the order ``reach``: how many stand, and how many there are."""
    stand = free = 0
    for harmonic in range(1, int(reach / order) + 1):
        top, spot = _line(power, step, harmonic * order, 1)
        if 1 < spot < power.size - 2 and not mask[spot - 1 : spot + 2].any():
            free, stand = free + 1, stand + int(top > STILL_A_LINE)
    return stand, free


def fundamental(
    power: NDArray[np.float32],
    step: float,
    order: float,
    mask: NDArray[np.bool_],
    lowest: float,
    drop_db: Callable[[float, float], float],
    own_law: Callable[[float, float], NDArray[np.bool_] | None],
    carriers: Sequence[float] = (1.0,),
    of_a_part: Callable[[float], bool] = lambda _slow: False,
) -> float:
    """The slowest order whose own lines stand, or the fastest that makes all that do.

    ``drop_db(order, slow)``: by how much the lines that only ``slow`` makes may be weaker: side lines of a damaged part
    fall on many a grid, yet lie below what they stand next to. ``own_law(order, slow)`` are the bins that a part of the
    machine at ``order`` fills itself, None where ``slow`` is the part's own: then it is no fundamental of another.
    ``carriers`` are the orders at which shafts carry parts through their loads: side lines stand so far apart.
    ``of_a_part(slow)``: whether a part of the machine that slips repeats so.
    """
    order, last = sharpened(power, step, order, mask)
    # Another rotor at about the shaft's speed: its first lines may lie in the shaft's own.
    rotor = order / max(1, round(order))
    if order > 1.5 and 1.5 * step / (last * order) < abs(rotor - 1) < NEAR_ROTOR:
        rotor = sharpened(power, step, rotor, mask)[0] if standing(power, step, rotor, mask)[0] >= 3 else rotor
        stand, free, level = _between(power, step, rotor, round(order), mask, 30.0)
        if own_law(order, rotor) is None or _sides_nearer(power, step, order, rotor, mask, carriers):
            free = 0
        if free >= 3 and stand >= 0.5 * free and level >= _level(power, step, order, mask) - drop_db(order, rotor):
            return rotor
    # Faster: most lines between are missing, or so weak that they would not make a part's order another machine's.
    for times in (7, 5, 4, 3, 2):
        parts = of_a_part(times * order)
        if times == 4 and not parts:
            continue  # Twice and twice again.
        stand, free, level = _between(power, step, order, times, mask, 8 * order * times)
        strong = standing(power, step, times * order, mask, most=12)[0]
        # Impacts that vary in time have few lines: only where the faster's own go on are those between them missing.
        fast, room = _standing_of(power, step, times * order, mask, 8 * order * times)
        missing = stand * max(1, room) <= 0.34 * free * fast
        drop = drop_db(times * order, order)
        missing |= (drop < DROP_DB or parts) and _below_db(power, step, order, times, mask) > drop
        if free >= 2 * (times - 1) and missing and strong >= 3 and times * order < HIGHEST_ORDER:
            return fundamental(power, step, times * order, mask, lowest, drop_db, own_law, carriers, of_a_part)
    halved = order / 2
    if halved >= lowest and drop_db(order, halved) < DROP_DB and _stands_halfway(power, step, order, mask):
        law = own_law(order, halved)
        if law is not None and law.any():
            return sharpened(power, step, halved, mask)[0]
    own = _level(power, step, order, mask)
    if abs(order - 1.0) < FAR:
        # Side lines at the shaft's turn fill nearly the grid of a shaft, and lie below what they stand next to.
        places = [sharpened(power, step, times * order, mask)[0] for times in range(2, 8)]
        race = max(places, key=lambda place: _level(power, step, place, mask))
        above = _level(power, step, race, mask) >= own + OWN_DROP_DB
        if (
            above
            and standing(power, step, race, mask, most=12)[0] >= 3
            and _sides_nearer(power, step, race, order, mask, carriers)
        ):
            return race
    for times in range(MOST_TESTED, 1, -1):
        slow = order / times
        if slow < lowest or _sides_nearer(power, step, order, slow, mask, carriers):
            continue
        law = own_law(order, slow)
        if law is None:
            continue
        reach = max(3 * order, 2.0, FEWEST_BETWEEN * slow)
        stand, free, level = _between(power, step, slow, times, mask | law, reach)
        if free < 3:
            continue
        drop = drop_db(order, slow)
        below = own - level if drop >= DROP_DB else _below_db(power, step, slow, times, mask | law)
        # Where a part that strikes repeats so slowly, all its lines are alike, and need not stand one by one.
        alike = free >= FEWEST_TOGETHER and stand >= ALIKE_STAND * free
        alike &= level >= max(lines_level_db(free), own - OWN_DROP_DB)
        stands = stand >= STANDING * free and below <= drop
        if stands or (alike and of_a_part(slow)):
            return sharpened(power, step, slow, mask)[0]
    return order


def _carriers(request: CombRequest) -> tuple[float, ...]:
    """Orders of the shafts that carry a slipping part through its load, but for slow ones: those cannot slip."""
    return tuple(order for order, slip in request.slower if not any(slip) and order > 0.5)


def _sides_nearer(
    power: NDArray[np.float32],
    step: float,
    order: float,
    rotor: float,
    mask: NDArray[np.bool_],
    carriers: Sequence[float],
) -> bool:
    """Whether the lines between lie where side lines of ``order`` at the turn of one of the ``carriers`` would, rather
    than at multiples of another rotor: a race near a whole order with strong side lines fills the same grid, but for a
    bin or two."""
    times = round(order / rotor)

    def nearer(turn: float) -> float:
        total = 0.0
        for number in range(1, 4 * times):
            harmonic = round(number / times)
            if number % times == 0 or harmonic == 0:
                continue
            side = (harmonic * order + (number - harmonic * times) * turn) / step
            own = number * rotor / step
            if abs(side - own) < 1.2 or not 0 < side < power.size - 4 or own > power.size - 4:
                continue
            a, b = round(side), round(own)
            if not (mask[a] or mask[b]):
                total += float(np.log(max(float(power[a]), 1.0)) - np.log(max(float(power[b]), 1.0)))
        return total

    return any(nearer(turn) > 0 for turn in carriers if abs(rotor / turn - 1.0) < NEAR_ROTOR)


def _level(power: NDArray[np.float32], step: float, order: float, mask: NDArray[np.bool_]) -> float:
    """Mean level over the floor of the first three free lines of a comb [dB]."""
    tops = []
    for harmonic in range(1, 13):
        top, spot = _line(power, step, harmonic * order, 1)
        if 1 < spot < power.size - 2 and not mask[spot]:
            tops.append(10 * np.log10(max(top, 1.0)))
        if len(tops) == 3:
            break
    return float(np.mean(tops)) if tops else 0.0


def _owner(
    order: float, requests: Sequence[CombRequest], decoy_null: DecoyNull, families: Families, far: float = 0.0
) -> CombRequest | None:
    """The request in whose window an order lies, itself or as twice it; or a benign source's, but for machines that are
    known to stand around: their combs are what is sought."""
    bin_ = decoy_null.scorer.spectra.step
    for own in (own for own, _ in families.benign if own not in families.declared):
        for times in (0.5, 1, 2, 3) if own == 1.0 else (1, 2, 3) if own > 0.9 else (1,):
            if abs(order - times * own) < 0.35 * bin_:
                return CombRequest(name="benign", order=own)
    exact = [r for r in requests if not r.slips]
    for request in (*exact, *(r for r in requests if r.slips)):
        for carrier in request.carriers:
            low, high = decoy_null.window(request, carrier)
            if not request.slips:
                low, high = low + 0.15 * bin_, high - 0.15 * bin_
            elif carrier == 1 and request.order > 1.5:
                low, high = low * (1 - far), high * (1 + far)
            if low <= order <= high:
                return request
        if _of_own_law(request, order, bin_):
            return request
    return None


def _of_own_law(request: CombRequest, order: float, step: float) -> bool:
    """Whether the part repeats at ``order`` as well, more slowly than its tone: every second strike, its cage."""
    return any(
        slower * (1 + low) - step <= order <= slower * (1 + high) + step for slower, (low, high) in request.slower
    )


def _per_turn(order: float, last: int, step: float, slow_turns: Sequence[float]) -> tuple[int, float] | None:
    """The whole number per turn of a slow shaft that an order is, if only few orders would be one by chance."""
    for turn in slow_turns:
        number = round(order / turn)
        tolerance = SLOW_TURN_TOLERANCE * step / max(last, 1)
        if (
            1 < number <= MOST_PER_TURN
            and 2 * tolerance / turn <= MOST_CHANCE
            and abs(order - number * turn) < tolerance
        ):
            return number, turn
    return None


def _race_with_sides(
    power: NDArray[np.float32],
    step: float,
    rotor: float,
    mask: NDArray[np.bool_],
    requests: Sequence[CombRequest],
    decoy_null: DecoyNull,
) -> CombRequest | None:
    """The race near a whole multiple of ``rotor`` whose side lines explain the lines between better."""
    for request in requests:
        times = round(request.order / rotor)
        low, high = decoy_null.window(request, 1)
        if request.slips and times > 1 and low <= times * rotor <= high:
            place, _ = sharpened(power, step, times * rotor, mask)
            if low <= place <= high and _sides_nearer(power, step, place, rotor, mask, (1.0, *_carriers(request))):
                return request
    return None


def _reading_of(request: CombRequest, order: float, group: int) -> CombReading:
    return CombReading(
        request=request, carrier=1, order=order, score=0.0, group=group, harmonics=request.max_harmonic, sidebands=(),
        places=1,
    )  # fmt: skip


def _first_stand(power: NDArray[np.float32], step: float, order: float, mask: NDArray[np.bool_]) -> bool:
    """Whether the first free lines stand: those of short impacts fall with order, those of a grid that somebody else's
    side lines happen to meet do not."""
    stand = free = 0
    for harmonic in range(1, 25):
        top, spot = _line(power, step, harmonic * order, 1)
        if not 1 < spot < power.size - 2 or mask[spot - 1 : spot + 2].any():
            continue
        free += 1
        stand += top > STILL_A_LINE
        if free == FIRST_LINES:
            break
    return stand >= FIRST_STAND and free >= FIRST_STAND


def _lines_per_turn(
    power: NDArray[np.float32], step: float, per_turn: tuple[int, float], mask: NDArray[np.bool_]
) -> int:
    """How many lines at whole multiples of a shaft's turn stand besides those of its (count, turn) teeth: teeth or
    links that differ repeat once per turn, and fill all of them. 0 where they do not, or lie too close to tell."""
    count, turn = per_turn
    if turn < LEAST_ROOM_BINS * step:
        return 0
    block, last = max(count, LEAST_BETWEEN), 0
    while True:
        stand = free = 0
        for number in range(last + 1, last + block + 1):
            top, spot = _line(power, step, number * turn, 1)
            if number % count and 1 < spot < power.size - 2 and not mask[spot - 1 : spot + 2].any():
                free, stand = free + 1, stand + int(top > STILL_A_LINE)
        if free < LEAST_BETWEEN // 2 or stand < BETWEEN_STAND * free:
            return last
        last += block


def _side_lines(
    power: NDArray[np.float32], step: float, base: float, mask: NDArray[np.bool_], *, turns: bool
) -> NDArray[np.bool_]:
    """Bins of the side lines of a comb at the spacing at which they stand, whatever turns there; none where none do."""
    result = np.zeros(power.size, dtype=bool)
    near, hidden = power.copy(), mask.copy()
    for widened, values in ((near, power), (hidden, mask)):
        np.maximum(widened[1:], values[:-1], out=widened[1:])
        np.maximum(widened[:-1], values[1:], out=widened[:-1])
    room = base / step
    middles = np.rint(np.arange(1, SIDE_HARMONICS + 1) * room).astype(np.int64)
    apart = np.arange(LEAST_ROOM_BINS + 2, int(0.8 * room))
    if not apart.size:
        return result
    places = np.concatenate([middles[:, None] + sign * apart for sign in (-1, 1)])
    inside = (places > 1) & (places < power.size - 2)
    places = np.clip(places, 0, power.size - 1)
    free = inside & ~hidden[places]
    stand = free & (near[places] > STILL_A_LINE)
    enough = (free.sum(axis=0) >= FEWEST_SIDES) & (stand.sum(axis=0) >= SIDES_STAND * free.sum(axis=0))
    if not enough.any():
        return result
    level = np.where(stand, np.log(np.maximum(near[places], 1.0)), 0.0).sum(axis=0)
    best = int(apart[np.where(enough, level, -np.inf).argmax()])
    for harmonic in range(1, int(power.size / room) + 1):
        for number in range(-SIDES_OWNED, SIDES_OWNED + 1):
            wide = 2 if turns else 2 + int(SPEED_VARIATION * harmonic * room)
            middle = round(harmonic * room + number * best)
            if number and wide < 0.2 * best:
                result[max(0, middle - wide) : max(0, middle + wide + 1)] = True
    return result


def _own_bins(spectra: EnvelopeSpectra, reading: CombReading, turns: Sequence[float]) -> NDArray[np.bool_]:
    """Bins of all lines of a comb, and of their sidebands at slow turns where there is room."""
    n, step = spectra.power.shape[1], spectra.step
    mask = np.zeros(n, dtype=bool)
    room = reading.order / step
    half = int(np.clip(0.06 * room, 1, 3))
    shifts = [0.0] + [s * t for t in turns for s in (-1, 1) if room > 12 * t / step > 36]
    for harmonic in range(1, int(n * step / reading.order) + 1):
        # What is not driven by this shaft has a speed variation of its own.
        wide = (
            half if turns else min(half + int(np.ceil(SPEED_VARIATION * harmonic * room)), max(half, int(0.2 * room)))
        )
        for shift in shifts:
            middle = round((harmonic * reading.order + shift) / step)
            mask[max(0, middle - wide) : middle + wide + 1] = True
    strongest = spectra.power.max(axis=0) - np.float32(np.log(spectra.power.shape[0]))
    return mask if turns else grown(mask, strongest, 2 * SPEED_VARIATION * room * 8)
