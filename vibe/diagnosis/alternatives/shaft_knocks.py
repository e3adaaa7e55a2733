"""What turns with a shaft's end and knocks, once per turn or as often as it has teeth, strikes at the order of a part
that is met as often."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from math import exp, fsum, log10, pi, sqrt

from vibe.core.evidence import CombEvidence, Localisation
from vibe.core.health import Finding
from vibe.core.outside_combs import EXACTLY, MOST_PER_TURN
from vibe.core.tones import Tone
from vibe.diagnosis.alternatives.outside_machines import SURELY_OWN, share_passed
from vibe.diagnosis.case import Case
from vibe.diagnosis.rules.local_damage import FAMILIES, disc_places, disc_shares

PER_TURN = (1, 2)
"""Knocks per turn that are usual of what is fitted on a shaft: a key, a loose guard, two jaws (common practice)."""
EVERY_NUMBER = fsum(1 / number for number in range(1, MOST_PER_TURN + 1))
"""Weight of all numbers of teeth together, each as usual as it is small (common practice)."""
KNOCK_RATE = 0.005
"""Probability that something on a shaft's end knocks so as strongly as a damaged part: as usual as a damaged pin
(common practice)."""
TEETH_RATE = 0.1
"""The same of teeth, flights or blades of what a shaft's end turns, of all their numbers together (common practice:
chains, screws and mixers are what slow shafts turn, and one in ten strikes so). One number is as likely as another in
proportion to 1 / n, up to ``MOST_PER_TURN``: as many have three to six as have ten to twenty."""
TEETH_THERE = 1.0
"""The same where lines at all whole multiples of that shaft's turn show a row whose teeth are not alike: it is there,
and such lines leave open how many teeth it has, since what would be the lines of just so many passed for the part's.
Not where they are no higher than the part's own impacts make them, which differ from one to the next as well."""
LOAD_SCATTER = 0.3
"""Standard deviation, relative, of the energy of a part's impacts from one turn to the next: the load presses it on at
every turn and changes by a seventh, energy by twice as much (common practice). Of 30 damaged pins of outside worlds
half lie below 0.1, the highest at 0.56."""
UNEVEN_PARTS = 0.1
"""Share of damaged parts whose impacts differ as much as loose ones' (common practice: debris, and strong impacts at so
steady a speed that their common part makes lines, which are cut before envelopes are taken)."""
LOOSE_SCATTER = 2.0
"""The same of what is loose, at most, any value up to it as likely: amplitudes that are exponential, as of what flies
free between its knocks, have 2.2; what is wedged has none."""
LOOSE_TEETH = 0.5
"""Share of driven teeth whose strikes scatter as loose ones' do: a load presses the others on (common practice)."""
PLAY_DEG = 1.0
"""Standard deviation of the instants of a part's impacts, in degrees of the turn at which they repeat: it is rolled
over at one angle, but for the play of pin and disc (common practice). Of 43 damaged pins, lobes and output pins of
outside worlds five show 0.8 or more beyond noise, the highest 1.9."""
LOOSE_DEG = 10.0
"""The same of what is loose and falls back when it likes, at most, any value up to it as likely (common practice)."""
WEDGED = 0.5
"""Share of knocks whose instants are as sure as a part's: a bent guard, a key that has one place to strike."""
LATE_PARTS = 0.01
"""Share of damaged parts whose instants differ as loose ones' (common practice: one in a hundred is next to something
that strikes almost there): a pin is done with before the next one is met, and ten degrees are a pin or two."""
STANDS_DIFFER = 0.2
"""Standard deviation, relative, of the energies that one damaged part's impacts have against one part and the next of
the other body, all swells of the load taken off: half of all pins carry at a time, errors shift a tenth of it from one
to the next, and energy twice as much (common practice). Of 25 damaged parts of outside worlds none shows more than 0.06
beyond noise."""
TEETH_DIFFER = 0.5
"""Mean of the same of teeth, flights or links that are not alike, since each comes from a weld or a bolt of its own or
wears by itself (common practice); a gamma density of the second order, as it would be an odd chance that all of them
differ by nothing."""
UNLIKE_TEETH = 0.7
"""Share of rows of teeth that are so; others are cut or cast alike (common practice)."""
OTHER_DISCS_SHOW = 0.5
"""Share of damaged parts met by several discs that show a place for another disc too: the damage may lie where one
disc runs, and discs share the load unevenly (of 28 damaged pins of outside worlds in drives of two or three discs,
14)."""
"""And how much fainter that place is, any power up to the other's as likely: damage lies in the track of one disc, and
discs share the load unevenly (common practice)."""
KNOCKS_SO_PLACED = {2: 0.15, 3: 0.05}
"""Share of knocks that have a second place just at the spacing of so many discs: opposite, as jaws or screws often
are, or at a third of a turn (common practice)."""

ROWS = range(3, 8)
"""Blades, jaws or spokes of what is fitted on a shaft that knock one after the other (common practice)."""
ROW_WITHIN_DEG, ROW_SHARE = 6.0, 0.25
"""Distance of a place from one of an even row, and its strength relative to the strongest, up to and from which it is
of the row: places are read to some degrees, and things of a kind knock as hard within 6 dB (common practice)."""
ROW_LACKS = 1
"""Of a row one may be bent away or worn down; with two missing half of all places would lie in some row or other."""
SEVERAL_PLACES = 0.1
"""Share of damaged parts of which two more stand out, where no other disc meets the first (common practice)."""


def doubted_by_shaft_knocks(case: Case, findings: Sequence[Finding]) -> list[Finding]:
    """The findings; those on a part that is met a whole number of times per turn of a shaft's end are as sure as their
    impacts are unlike the knock of something fitted there."""
    return [_doubted(case, finding) for finding in findings]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Knock:
    """Something outside that would strike ``times`` per turn of the ``body``, and how usual that is."""

    times: int
    body: str
    rate: float
    all_places: int | None = None
    """Teeth of a row that would make the places of all discs at once, where these are there."""

    @property
    def driven(self) -> bool:
        """Whether it is a row of teeth or blades rather than one thing that is loose."""
        return self.times not in PER_TURN

    @property
    def counts(self) -> str:
        return f"{self.times}" if self.all_places is None else f"{self.times} or {self.all_places}"

    @property
    def name(self) -> str:
        often = {1: "once", 2: "twice"}.get(self.times, f"{self.counts} times")
        if self.driven:
            return f"the teeth, flights or blades of a machine that the {self.body} turns, {often} per turn"
        return f"a knock, {often} per turn, of what turns with the {self.body}"


def _doubted(case: Case, finding: Finding) -> Finding:
    tone = next((one for one in case.tones.tones if one.id == finding.tone), None)
    comb = case.combs.get(finding.tone or "")
    if tone is None or comb is None or tone.family not in FAMILIES or any(tone.slip):
        return finding
    knock = _knock(case, tone, comb)
    if knock is None:
        return finding
    row = _row(comb.localisation, tone.meetings) if abs(tone.order - 1.0) <= EXACTLY else 0
    if row:
        name = f"{row} things evenly spaced on the input shaft (blades, jaws)"
        more = f" The places are those of a row of {row}, where damaged parts seldom lie: look first at what "
        return finding.weakened(_share_in_row(case, tone, comb, row)).model_copy(
            update={
                "cannot_be_told_from": [*finding.cannot_be_told_from, name],
                "why": f"{finding.why}{more}is fitted on the input shaft, at rest and locked out.",
            }
        )
    teeth = knock.times * tone.meetings
    if knock.driven and tone.meetings > 1 and teeth <= MOST_PER_TURN and _faintest_place(comb, tone.meetings) > 0:
        knock = replace(knock, all_places=teeth)
    share = _part_share(case, tone, comb, knock)
    if share >= SURELY_OWN:
        # However clear damage is, it is the part's no more surely than that.
        return finding.weakened(share / max(finding.damage_probability, share))
    more = _what_knocks(knock, comb.localisation)
    update: dict[str, object] = {
        "cannot_be_told_from": [*finding.cannot_be_told_from, knock.name],
        "why": finding.why + more,
    }
    if knock.driven:
        update["outside_causes"] = [*finding.outside_causes, knock.name]
    if knock.driven and finding.other_machine is None:
        # Just so many strikes look like the part's; it costs little to uncouple that one, and much to open this one.
        update |= {"other_machine": knock.name, "other_machine_is_driven": True}
    return finding.weakened(share).model_copy(update=update)


def _row(found: Localisation | None, meetings: int) -> int:
    """Of how many places at even distances all that stand out are, all but one of them and two at least where no disc
    meets the part that makes the strongest; 0 where they are not."""
    if found is None:
        return 0
    apart = [
        angle - found.peaks_deg[0]
        for angle, share in list(zip(found.peaks_deg, found.peak_share, strict=True))[1:]
        if share >= ROW_SHARE
    ]

    def off(angle: float, number: int) -> float:
        return abs((angle * number / 360.0 + 0.5) % 1.0 - 0.5) * 360.0 / number

    if sum(off(angle, max(1, meetings)) > ROW_WITHIN_DEG for angle in apart) < 2:
        return 0
    for number in ROWS:
        on_row = all(off(angle, number) <= ROW_WITHIN_DEG for angle in apart)
        if on_row and 1 + len(apart) >= number - ROW_LACKS:
            return number
    return 0


def _share_in_row(case: Case, tone: Tone, comb: CombEvidence, row: int) -> float:
    """Probability that places in an even ``row`` are damaged parts that lie so by chance."""
    assert comb.localisation is not None
    others = sum(share >= ROW_SHARE for share in comb.localisation.peak_share) - 1
    by_chance = (2 * ROW_WITHIN_DEG * row / 360.0) ** others
    part = case.priors.get(tone.family, KNOCK_RATE) * SEVERAL_PLACES * by_chance
    knock = TEETH_RATE / (row * EVERY_NUMBER) * share_passed(comb)
    return part / (part + knock)


def _what_knocks(knock: _Knock, found: Localisation | None) -> str:
    """What else makes such impacts, which of their signs are usual of it, and what to do."""
    if knock.driven:
        unlike = found is not None and (found.uneven or 0.0) > TEETH_DIFFER / 2
        return (
            f" What the {knock.body} turns (chain, screw, mixer) makes the same where it strikes {knock.counts} times "
            f"a turn{', and strikes that differ so from one to the next are usual of that' if unlike else ''}: measure "
            "once more while it is uncoupled or runs empty."
        )
    ragged = found is not None and (found.scatter or 0.0) > 3 * LOAD_SCATTER
    late = found is not None and (found.play_deg or 0.0) > 3 * PLAY_DEG
    sign = ""
    if ragged:
        sign = ", and so uneven a row of impacts is usual of that"
    elif late:
        sign = ", and impacts that come so early and late are usual of that"
    return (
        f" What is fitted on the {knock.body} (coupling, key, guard, fan, sprocket) makes the same when it is loose"
        f"{sign}: look at it first, at rest and locked out."
    )


def _knock(case: Case, tone: Tone, comb: CombEvidence) -> _Knock | None:
    """What would make the order of ``tone`` on the input or the output, which alone carry what is not the drive's: the
    likelier of the two."""
    turns = {body.body: abs(float(body.order)) for body in case.tones.bodies}
    ends = {"input shaft": 1.0}
    if case.tones.output is not None:
        ends["output shaft"] = turns.get(case.tones.output, 0.0)
    found = []
    for body, turn in ends.items():
        times = round(tone.order / turn) if turn > 0 else 0
        if not 1 <= times <= MOST_PER_TURN or abs(tone.order / (times * turn) - 1) > EXACTLY:
            continue
        teeth = TEETH_THERE if _shows_teeth(case, turn, comb, times) else TEETH_RATE
        rate = KNOCK_RATE if times in PER_TURN else teeth / (times * EVERY_NUMBER)
        found.append(_Knock(times=times, body=body, rate=rate))
    return max(found, key=lambda one: one.rate, default=None)


def _shows_teeth(case: Case, turn: float, comb: CombEvidence, times: int) -> bool:
    """Whether lines at whole multiples of ``turn`` are there that a row of unlike teeth makes, and that are more than
    what ``comb``, of ``times`` impacts per turn, leaves there itself: of impacts whose strengths differ by ``d`` lines
    at every turn have d / sqrt(times) of the amplitude of the comb's own."""
    least_db = comb.hit_over_floor_db + 10 * log10(STANDS_DIFFER / sqrt(times))
    return any(
        row.per_turn is not None
        and abs(row.per_turn[1] / turn - 1) <= EXACTLY
        and row.evidence.hit_over_floor_db > least_db
        for row in case.outside_combs
        if row.every_turn and not row.ambiguous
    )


def _part_share(case: Case, tone: Tone, comb: CombEvidence, outside: _Knock) -> float:
    """Probability that impacts are the part's: how usual each is, how alike the impacts are from turn to turn, whether
    they have the places that several discs make, and how high up they stand, where joints let little pass."""
    part = case.priors.get(tone.family, KNOCK_RATE)
    knock = outside.rate * share_passed(comb)
    found = comb.localisation
    if found is None:
        return part / (part + knock)
    for own, other in _alike(found, loose=not outside.driven):
        part, knock = part * own, knock * other
    if tone.meetings > 1:
        so_placed = KNOCKS_SO_PLACED.get(tone.meetings, min(KNOCKS_SO_PLACED.values()))
        # However faint: a place there is sought by itself, and shown where it is no chance.
        shows = disc_places(comb, tone.meetings, least=0.0) > 0
        part *= OTHER_DISCS_SHOW if shows else 1 - OTHER_DISCS_SHOW
        knock *= (so_placed if shows else 1 - so_placed) + _of_more_teeth(comb, tone.meetings, outside)
    return part / (part + knock)


def _of_more_teeth(comb: CombEvidence, meetings: int, outside: _Knock) -> float:
    """Of a row of as many teeth as make the places of all discs at once, as against one of ``outside.times``: how usual
    it is, times the density of what its faintest place is found to be; 0 where there is no such row.

    Every second tooth, or third, makes one place, so that all are alike but for what the means of so many teeth differ.
    """
    if outside.all_places is None:
        return 0.0
    fainter = 1.0 - _faintest_place(comb, meetings)
    return outside.times / outside.all_places * _half_normal(fainter, TEETH_DIFFER * sqrt(2 / outside.times))


def _faintest_place(comb: CombEvidence, meetings: int) -> float:
    """Power of the faintest of the places that all discs make, over the strongest; 0 where one of them is missing."""
    shares = disc_shares(comb, meetings)
    return min(shares) if shares and len(shares) >= meetings - 1 else 0.0


def _alike(found: Localisation, *, loose: bool) -> Iterator[tuple[float, float]]:
    """Densities of what was measured of the impacts' likeness if they are a part's, and if a knock's: of one that is
    ``loose``, or else of driven teeth."""
    if found.scatter is not None:
        free, pressed = 1 / LOOSE_SCATTER, _half_normal(found.scatter, LOAD_SCATTER)
        other = free if loose else LOOSE_TEETH * free + (1 - LOOSE_TEETH) * pressed
        yield UNEVEN_PARTS * free + (1 - UNEVEN_PARTS) * pressed, other
    if found.play_deg is not None and loose:
        free, exact = 1 / LOOSE_DEG, _half_normal(found.play_deg, PLAY_DEG)
        yield LATE_PARTS * free + (1 - LATE_PARTS) * exact, WEDGED * exact + (1 - WEDGED) * free
    if found.uneven is not None and not loose:
        rate = 2 / TEETH_DIFFER
        unlike = rate**2 * found.uneven * exp(-rate * found.uneven)
        equal = _half_normal(found.uneven, STANDS_DIFFER)
        own = UNEVEN_PARTS * unlike + (1 - UNEVEN_PARTS) * equal
        yield own, UNLIKE_TEETH * unlike + (1 - UNLIKE_TEETH) * equal


def _half_normal(value: float, sigma: float) -> float:
    """Density at ``value``, not below zero, of the size of something normal about zero."""
    return 2 * exp(-0.5 * (value / sigma) ** 2) / (sigma * sqrt(2 * pi))
