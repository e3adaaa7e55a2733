"""Combs that need no list: the strongest fundamental of all explains its lines before a part of the drive gets them.

Every order from ``LOWEST_ORDER`` up is scored as any comb is (Fisher's sum of line surprises, best group of bands, best
number of harmonics). Of the best one the *fundamental* is sought: a slower order takes its place where the lines that
only the slower one makes stand too; a faster one where they do not. Whose it is comes after that.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import gcd
from statistics import median

import numpy as np
from numpy.typing import NDArray

from vibe.core.evidence import CombEvidence
from vibe.core.outside_combs import EXACTLY, LINE_BINS, MOST_PER_TURN, MOST_TESTED, OutsideComb
from vibe.spectra.envelope.bands import BandEnvelopes
from vibe.spectra.envelope.envelope_spectrum import EnvelopeSpectra
from vibe.spectra.evidence.comb import STILL_A_LINE, CombRequest, Combs, CombScorer
from vibe.spectra.evidence.comb import owned as owned_lines
from vibe.spectra.evidence.comb_evidence import lines_mask
from vibe.spectra.evidence.decoy_null import CombReading, DecoyNull, Families
from vibe.spectra.evidence.impact_amplitude import decibels, measured, surely_off
from vibe.spectra.outside.comb_lines import (
    DROP_DB,
    FIRST_LINES,
    FIRST_STAND,
    OWN_DROP_DB,
    STRONGER_DB,
    first_stand,
    level_db,
    line_at,
    lines_between,
    loudest_order,
    sharpened,
    standing,
    standing_up_to,
    stands_halfway,
)
from vibe.spectra.outside.fundamental import FAR, HIGHEST_ORDER, LOWEST_ORDER, NEAR_ROTOR, fundamental
from vibe.spectra.outside.owned_bins import own_bins, side_bins, sides_of_own_lines
from vibe.spectra.outside.owners import carriers_of, of_own_law, owner_of, race_with_sides, reading_of
from vibe.spectra.outside.slow_turns import LEAST_ROOM_BINS, SLOW_TURN_TOLERANCE, lines_per_turn, whole_per_turn

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
EXPLAINED, BY_LUCK = 0.85, 1e-3
"""Share of a comb's lines that a part's own law must make, and the chance, at most, that so many fall on it by luck: a
law that fills all of the axis explains anything."""
FAINTEST_DB = -6.0
"""Fainter combs accuse nobody and need not be explained."""
FEWEST_SHARED, MOST_SHARED, MOST_COMPARED = 3, 6, 64
"""Lines that a part without slip shares with such teeth, fewest and most that are compared with those next to them,
and multiples of the teeth among which they are sought."""
FAR_ABOVE_DB = 6.0
"""By how much their median exceeds the higher of the two next to each, to be the part's: lines of teeth fall steadily
but for noise, which moves the median of three such differences by two decibels (three standard deviations)."""


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
        self.taken = whole.benign_lines(benign) | sides_of_own_lines(spectra, benign, slow_turns)
        self.owned, self.kept = np.zeros(n, dtype=bool), np.zeros(n, dtype=bool)
        self.lowest = max(LOWEST_ORDER, FEWEST_REPEATS * spectra.step)
        self._owners: dict[float, CombRequest | None] = {}
        self.carriers = tuple(sorted({1.0, *(turn for request in self.requests for turn in carriers_of(request))}))

    def owner_near(self, order: float) -> CombRequest | None:
        """Whose an order is, with what lies near a race's window; found once for each order."""
        if order not in self._owners:
            self._owners[order] = owner_of(order, self.requests, self.whole, self.families, FAR)
        return self._owners[order]

    def _is_half_of_a_part(self, power: NDArray[np.float32], order: float) -> bool:
        """Whether a comb is met at every second of its lines where a part of the machine that slips may lie."""
        faster = self.owner_near(2 * order)
        return faster is not None and faster.slips and stands_halfway(power, self.step, 2 * order, self.taken)

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
        some, step, taken = self.spectra, self.step, self.taken
        power = some.power[group]
        base = self._fundamental(power, order, group)
        lines, last = standing(power, step, base, taken)
        owner, exact = self._whose(power, base, last, group)
        near_rotor = abs(base - 1.0) < NEAR_ROTOR
        slips = owner is not None and owner.slips
        # Discs that strike a part equally hard make only lines at as many times its order.
        own_too = slips or (owner is None and any(self.whole.met_evenly(one, base) for one in self.requests))
        known = exact is not None or near_rotor
        reading = CombReading(
            request=CombRequest(name=f"{'outside' if known else 'unknown'} {base:.4g}", order=base), carrier=1,
            order=base, score=score, group=group, harmonics=max(3, harmonics), sidebands=(), places=1,
        )  # fmt: skip
        if owner is not None and not (slips and exact):
            self._keep(self._lines_of_part(owner, reading, round(base / order)))
            return None
        # Side lines at the shaft's turn were distinguished from a rotor of nearly its speed bin by bin before.
        halved = owner is None and self._is_half_of_a_part(power, base)
        law = None if exact or near_rotor or halved or owner is not None else self._part_explains(power, base)
        if law is not None:
            self._keep(law)
            return None
        # Two strikes a turn leave some of the first lines out.
        if not (near_rotor or halved) and not first_stand(power, step, base, taken):
            self.taken = taken | own_bins(some, reading, ())
            return None
        turns = self.slow_turns if exact else ()
        every = 0
        if exact and not own_too:
            count = self._strongest_count(power, exact[1], exact[0])
            exact, base = (count, exact[1]), count * exact[1]
            lines, last = standing(power, step, base, taken)
            every = lines_per_turn(power, step, exact, taken)
            named = CombRequest(name=f"outside {base:.4g}", order=base)
            reading = replace(reading, request=named, order=base)
        mask = own_bins(some, reading, turns)
        mask |= side_bins(power, step, base, taken | mask, turns=bool(turns))
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

    def _fundamental(self, power: NDArray[np.float32], order: float, group: int) -> float:
        """The fundamental of a comb at ``order``, by what the parts of the machine make themselves."""
        laws: dict[float, NDArray[np.bool_]] = {}

        def is_whole(fast: float, slow: float) -> bool:
            return whole_per_turn(slow, round(4 * fast / slow), self.step, self.slow_turns) is not None

        def drop_db(fast: float, slow: float) -> float:
            return DROP_DB if self.owner_near(fast) is None or is_whole(fast, slow) else OWN_DROP_DB

        def own_law(fast: float, slow: float) -> NDArray[np.bool_] | None:
            """Bins that the part at ``fast`` fills itself; None where ``slow`` is an order of its own."""
            mine = self.owner_near(fast)
            if mine is None or not mine.slips:
                return np.zeros(power.size, dtype=bool)
            if not is_whole(fast, slow) and of_own_law(mine, slow, self.step):
                return None
            if fast not in laws:
                laws[fast] = lines_mask(self.spectra, reading_of(mine, fast, group))
            return laws[fast]

        return fundamental(
            power, self.step, order, self.taken, self.lowest, drop_db, own_law, self.carriers, self._of_a_part
        )

    def _whose(
        self, power: NDArray[np.float32], base: float, last: int, group: int
    ) -> tuple[CombRequest | None, tuple[int, float] | None]:
        """The part of the machine at whose order a comb lies, and the (count, turn) of a slow shaft of which it is a
        whole number; None each where there is none."""
        owner = owner_of(base, self.requests, self.whole, self.families) or self._of_harmonic(base)
        if owner is None and any(abs(base / carrier - 1.0) < NEAR_ROTOR for carrier in self.carriers):
            owner = race_with_sides(power, self.step, base, self.taken, self.requests, self.whole)
        exact = whole_per_turn(base, last, self.step, self.slow_turns)
        if exact is not None and owner is None and self._all_lines_off(base, group, exact):
            exact = None  # Side lines of a race fill such a grid, a bin or two off.
        exact = exact or self._teeth_of_turn(power, base, last)
        if exact is not None and owner is not None and not owner.slips and base < 1.5 * exact[1]:
            owner = None  # The shaft itself makes a line or two; teeth that differ are what fills all of its turn.
        if exact is not None and owner is not None and owner.slips and self._surely_off(owner, base, group, exact):
            exact = None
        return owner, exact

    def _lines_of_part(self, owner: CombRequest, reading: CombReading, between: int) -> NDArray[np.bool_]:
        """Bins of a part's own comb where it was read, with its side lines, since they are nobody else's; and of the
        fainter lines, ``between`` as many to one of its own, in which it was met."""
        base = reading.order
        place = base / max(1, round(base / owner.order)) * max(1, round(owner.order / base))
        mine = lines_mask(self.spectra, reading_of(owner, place, reading.group)) | own_bins(self.spectra, reading, ())
        if between > 1:
            mine |= own_bins(self.spectra, replace(reading, order=base / between), ())
        return mine

    def _keep(self, mine: NDArray[np.bool_]) -> None:
        """Bins of a part of the machine: no further look sees them, and no machine outside owns them."""
        self.taken, self.kept = self.taken | mine, self.kept | mine

    def _surely_off(self, owner: CombRequest, base: float, group: int, exact: tuple[int, float]) -> bool:
        """Whether all lines of a comb together lie off the whole number per turn ``exact``. Where the shaft is slow,
        the few bins of one line hold some number by chance at every third order; what the shaft turns lies at its
        number however closely that is looked at. Not where lines of sound shafts hide the part's own."""
        middles = np.rint(np.arange(1, FIRST_LINES + 1) * base / self.step).astype(np.int64)
        hidden = self.whole.mask(owner)[np.minimum(middles, self.spectra.power.shape[1] - 1)]
        if hidden.sum() > FIRST_LINES - FIRST_STAND:
            return False
        return self._all_lines_off(base, group, exact)

    def _all_lines_off(self, base: float, group: int, exact: tuple[int, float]) -> bool:
        reading = reading_of(CombRequest(name=f"unknown {base:.4g}", order=base), base, group)
        families = self.families
        return surely_off(self.spectra, reading, exact[0] * exact[1], families.speed_spread, families.other_speeds)

    def _rigid_above(self, exact: tuple[int, float], mask: NDArray[np.bool_]) -> NDArray[np.bool_]:
        """Bins (n,) of parts that cannot slip whose lines stand far above those of the (count, turn) teeth on either
        side: they fall on multiples of the teeth because both are whole numbers per turn, and are no more the teeth's
        than theirs."""
        count, turn = exact
        size, kept = self.spectra.power.shape[1], np.zeros_like(mask)
        strongest = self.spectra.power.max(axis=0) - np.float32(np.log(self.spectra.power.shape[0]))
        levels = [
            decibels(max(line_at(strongest, self.step, k * count * turn, 1)[0], 1.0)) for k in range(MOST_COMPARED)
        ]
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
            tops = [line_at(power, self.step, k * number * turn, 1)[0] for k in (1, 2, 3)]
            return float(np.mean([decibels(max(top, 1.0)) for top in tops]))

        levels = {number: level(number) for number in range(1, MOST_PER_TURN + 1)}
        best = max(levels, key=lambda number: levels[number])
        owner = owner_of(best * turn, self.requests, self.whole, self.families)
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
        top = line_at(strongest, self.step, order, 1)[0]
        turns = [turn for turn in self.slow_turns if exact and turn > LEAST_ROOM_BINS * self.step]
        near = [line_at(strongest, self.step, order + side * turn, 1)[0] for turn in turns for side in (-1, 1)]
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
            loudest = loudest_order(power, self.step, low, high)
            for times in range(max(2, int(np.ceil(low / base))), min(MOST_TESTED, int(high / base)) + 1):
                place, _ = sharpened(power, self.step, times * base, self.taken)
                if abs(loudest / (times * base) - 1) < NEAR_ROTOR / times:
                    # Wide windows let a grid of side lines pass for multiples of what is not even their sum.
                    place = loudest
                mask = lines_mask(self.spectra, reading_of(request, place, 0))
                near = (mask[stand - 1] | mask[stand] | mask[stand + 1]).mean() if stand.size else 0.0
                own = round(place / self.step)
                stands = power[max(0, own - 2) : own + 3].max() > STILL_A_LINE
                luck = float(mask.mean()) ** stand.size
                if stands and low <= place <= high and near >= least and luck <= BY_LUCK:
                    best, least = mask, near
        return best


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
            owner = owner_of(times * one.order, requests, whole, families)
            if owner is None or not owner.slips:
                continue
            stand, free, level = lines_between(power, step, one.order, times, others, 8 * times * one.order)
            own = level_db(power, step, times * one.order, others)
            # Lines fall with order: of as many as the faster one's own that stand, half at least must.
            fast, room = standing_up_to(power, step, times * one.order, others, 8 * times * one.order)
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
