"""What turns with a shaft and knocks once or twice per turn strikes at the order of a part that the shaft's load meets
as often."""

from __future__ import annotations

from collections.abc import Sequence
from math import exp, pi, sqrt

from vibe.core.evidence import CombEvidence, Localisation
from vibe.core.health import Finding
from vibe.core.tones import Tone
from vibe.diagnosis.alternatives.outside_machines import PASSES_HZ, SURELY_OWN
from vibe.diagnosis.case import Case
from vibe.diagnosis.rules.local_damage import FAMILIES, disc_places

PER_TURN = (1, 2)
"""Knocks per turn that are usual of what is fitted on a shaft: a key, a loose guard, one jaw or two (common practice)."""
EXACTLY = 1e-6
"""Relative difference of two orders, of whole numbers of teeth, that are one (rounding)."""
KNOCK_RATE = 0.005
"""Probability that something on a shaft's end knocks as strongly as a damaged part: as usual as a damaged pin (common
practice)."""
LOAD_SCATTER = 0.3
"""Standard deviation, relative, of the energy of a part's impacts from one turn to the next: the load presses it on at
every turn and changes by a seventh, energy by twice as much (common practice). Of 30 damaged pins of outside worlds
half lie below 0.1, the highest at 0.56."""
LOOSE_SCATTER = 2.0
"""The same of what is loose, at most, any value up to it as likely: amplitudes that are exponential, as of what flies
free between its knocks, have 2.2; what is wedged has none."""
OTHER_DISCS_SHOW = 0.5
"""Share of damaged parts met by several discs that show a place for another disc too: the damage may lie where one
disc runs, and discs share the load unevenly (of 28 damaged pins of outside worlds in drives of two discs or three, 14)."""
KNOCKS_SO_PLACED = {2: 0.15, 3: 0.05}
"""Share of knocks that have a second place just at the spacing of so many discs: opposite, as jaws or screws often
are, or at a third of a turn (common practice)."""


def doubted_by_shaft_knocks(case: Case, findings: Sequence[Finding]) -> list[Finding]:
    """The findings; those on a part that is met once or twice per turn of a shaft's end are as sure as their impacts
    are unlike the knock of something fitted there."""
    return [_doubted(case, finding) for finding in findings]


def _doubted(case: Case, finding: Finding) -> Finding:
    tone = next((one for one in case.tones.tones if one.id == finding.tone), None)
    comb = case.combs.get(finding.tone or "")
    if tone is None or comb is None or tone.family not in FAMILIES or any(tone.slip):
        return finding
    shaft = _shaft(case, tone)
    if shaft is None:
        return finding
    share = _part_share(case, tone, comb)
    if share >= SURELY_OWN:
        return finding.weakened(share / max(finding.damage_probability, share))
    times, body = shaft
    often = "once" if times == 1 else "twice"
    name = f"a knock, {often} per turn, of what turns with the {body}"
    more = (
        f" What is fitted on the {body} (coupling, key, guard, fan, sprocket) strikes at the same order when it is "
        f"loose{_scatter_text(comb.localisation)}: look at it first, at rest and locked out."
    )
    return finding.weakened(share).model_copy(
        update={"cannot_be_told_from": [*finding.cannot_be_told_from, name], "why": finding.why + more}
    )


def _shaft(case: Case, tone: Tone) -> tuple[int, str] | None:
    """How often per turn, and of what, something outside would have to knock: of the input or of the output, which
    alone carry what is not the drive's."""
    ends = {"input": "input shaft", case.tones.output or "input": "output shaft"}
    turns = {body.body: abs(float(body.order)) for body in case.tones.bodies if body.body in ends}
    turns["input"] = 1.0
    for body, turn in turns.items():
        for times in PER_TURN:
            if turn > 0 and abs(tone.order / (times * turn) - 1) < EXACTLY:
                return times, "input shaft" if body == "input" else ends[body]
    return None


def _part_share(case: Case, tone: Tone, comb: CombEvidence) -> float:
    """Probability that impacts are the part's: how usual each is, how alike the impacts are from turn to turn, whether
    they have the places that several discs make, and how high up they stand, where joints let little pass."""
    part = case.priors.get(tone.family, KNOCK_RATE)
    middle_hz = sqrt(comb.band_hz[0] * comb.band_hz[1])
    knock = KNOCK_RATE / (1 + (middle_hz / PASSES_HZ) ** 2)
    found = comb.localisation
    if found is not None and found.scatter is not None:
        part *= 2 * exp(-0.5 * (found.scatter / LOAD_SCATTER) ** 2) / (LOAD_SCATTER * sqrt(2 * pi))
        knock *= 1 / LOOSE_SCATTER
    if found is not None and tone.meetings > 1:
        so_placed = KNOCKS_SO_PLACED.get(tone.meetings, min(KNOCKS_SO_PLACED.values()))
        shows = disc_places(comb, tone.meetings) > 0
        part *= OTHER_DISCS_SHOW if shows else 1 - OTHER_DISCS_SHOW
        knock *= so_placed if shows else 1 - so_placed
    return part / (part + knock)


def _scatter_text(found: Localisation | None) -> str:
    """What the impacts' likeness says, in words."""
    if found is None or found.scatter is None:
        return ""
    percent = round(100 * found.scatter)
    if found.scatter > 3 * LOAD_SCATTER:
        return f", and so ragged a row (energy changes by {percent} % from one turn to the next) is usual of that"
    return ""
