"""What turns with a shaft's end and knocks, once per turn or as often as it has teeth, strikes at the order of a part
that is met as often."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import exp, pi, sqrt

from vibe.core.evidence import CombEvidence
from vibe.core.health import Finding
from vibe.core.outside_combs import MOST_PER_TURN
from vibe.core.tones import Tone
from vibe.diagnosis.alternatives.outside_machines import DRIVEN_RATE, PASSES_HZ, SURELY_OWN
from vibe.diagnosis.case import Case
from vibe.diagnosis.rules.local_damage import FAMILIES, disc_places

PER_TURN = (1, 2)
"""Knocks per turn that are usual of what is fitted on a shaft: a key, a loose guard, two jaws (common practice)."""
EXACTLY = 1e-6
"""Relative difference of two orders, of whole numbers of teeth, that are one (rounding)."""
KNOCK_RATE = 0.005
"""Probability that something on a shaft's end knocks so as strongly as a damaged part: as usual as a damaged pin
(common practice). Of more teeth, any number is as likely, ``DRIVEN_RATE`` of all together."""
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
OTHER_DISCS_SHOW = 0.5
"""Share of damaged parts met by several discs that show a place for another disc too: the damage may lie where one
disc runs, and discs share the load unevenly (of 28 damaged pins of outside worlds in drives of two or three discs,
14)."""
KNOCKS_SO_PLACED = {2: 0.15, 3: 0.05}
"""Share of knocks that have a second place just at the spacing of so many discs: opposite, as jaws or screws often
are, or at a third of a turn (common practice)."""


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

    @property
    def name(self) -> str:
        often = {1: "once", 2: "twice"}.get(self.times, f"{self.times} times")
        return f"a knock, {often} per turn, of what turns with the {self.body}"


def _doubted(case: Case, finding: Finding) -> Finding:
    tone = next((one for one in case.tones.tones if one.id == finding.tone), None)
    comb = case.combs.get(finding.tone or "")
    if tone is None or comb is None or tone.family not in FAMILIES or any(tone.slip):
        return finding
    knock = _knock(case, tone)
    if knock is None:
        return finding
    share = _part_share(case, tone, comb, knock)
    if share >= SURELY_OWN:
        # However clear damage is, it is the part's no more surely than that.
        return finding.weakened(share / max(finding.damage_probability, share))
    ragged = comb.localisation is not None and (comb.localisation.scatter or 0.0) > 3 * LOAD_SCATTER
    more = (
        f" What is fitted on the {knock.body} (coupling, key, guard, fan, sprocket) makes the same when it is loose"
        f"{', and so uneven a row of impacts is usual of that' if ragged else ''}: look at it first, at rest and "
        "locked out."
    )
    return finding.weakened(share).model_copy(
        update={"cannot_be_told_from": [*finding.cannot_be_told_from, knock.name], "why": finding.why + more}
    )


def _knock(case: Case, tone: Tone) -> _Knock | None:
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
        rate = KNOCK_RATE if times in PER_TURN else DRIVEN_RATE / MOST_PER_TURN
        found.append(_Knock(times=times, body=body, rate=rate))
    return max(found, key=lambda one: one.rate, default=None)


def _part_share(case: Case, tone: Tone, comb: CombEvidence, outside: _Knock) -> float:
    """Probability that impacts are the part's: how usual each is, how alike the impacts are from turn to turn, whether
    they have the places that several discs make, and how high up they stand, where joints let little pass."""
    part = case.priors.get(tone.family, KNOCK_RATE)
    middle_hz = sqrt(comb.band_hz[0] * comb.band_hz[1])
    knock = outside.rate / (1 + (middle_hz / PASSES_HZ) ** 2)
    found = comb.localisation
    if found is not None and found.scatter is not None:
        loose = 1 / LOOSE_SCATTER
        pressed = 2 * exp(-0.5 * (found.scatter / LOAD_SCATTER) ** 2) / (LOAD_SCATTER * sqrt(2 * pi))
        part *= UNEVEN_PARTS * loose + (1 - UNEVEN_PARTS) * pressed
        knock *= loose
    if found is not None and tone.meetings > 1:
        so_placed = KNOCKS_SO_PLACED.get(tone.meetings, min(KNOCKS_SO_PLACED.values()))
        # However faint: a place there is sought by itself, and shown where it is no chance.
        shows = disc_places(comb, tone.meetings, least=0.0) > 0
        part *= OTHER_DISCS_SHOW if shows else 1 - OTHER_DISCS_SHOW
        knock *= so_placed if shows else 1 - so_placed
    return part / (part + knock)
