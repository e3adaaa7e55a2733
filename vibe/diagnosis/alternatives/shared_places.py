"""Two bearings whose slip may bring parts of theirs to one order: impacts there are either's."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

from vibe.core.evidence import CombEvidence
from vibe.core.health import Finding
from vibe.core.tones import Tone
from vibe.diagnosis.alternatives.explaining_away import explained_away
from vibe.diagnosis.alternatives.outside_machines import (
    BARE_OWN,
    PART_SHARE,
    combs_of_bearing,
    has_sides,
    is_carried,
    slip_density,
    stands_bare,
)
from vibe.diagnosis.alternatives.similar_speeds import placed
from vibe.diagnosis.bearing_elements import RACES, part_of
from vibe.diagnosis.case import Case
from vibe.diagnosis.rules.local_damage import FAMILIES as RIGID
from vibe.diagnosis.rules.local_damage import times_faster

FAMILIES = ("outer race", "inner race", "rolling element")
"""Cages of many bearings turn alike; the rule of bearings shares what is found by a cage's turn."""
SIDES_ANYWAY = 0.3
"""Share of damaged races that the load rests on whose lines have side lines at the shaft's turn all the same, of its
unbalance (common practice); and of parts whose side lines stand elsewhere."""
SAME_ORDER = 1e-9
"""Relative: parts of one order and slip share their comb and are named together."""
SAME_SIDES = 0.05
"""Relative difference of the spacings of side lines that one capture hardly distinguishes at the first few lines."""
NAMED_TOO = 0.05
"""Share from which another bearing's part is named: one in twenty is the usual doubt."""


def at_likeliest(case: Case) -> Case:
    """The case with every comb that may be several bearings' given to the part that is likeliest to make it: the
    strongest score is often that of the part whose side lines happen to be looked for."""
    case = _of_what_is_faster(case)
    weighed = explained_away(case)
    combs = dict(case.combs)
    for tone in case.tones.tones:
        comb = weighed.combs.get(tone.id)
        if comb is None or comb.tone != tone.id or comb.false_alarm_probability > case.tone_alarm:
            continue
        weights = _weights(weighed, tone, comb)
        best = max(weights, key=lambda one: weights[one], default=tone.id)
        other = combs.get(best)
        if best == tone.id or other is None or other.tone != best or other.score > comb.score:
            continue
        combs[best], combs[tone.id] = replace(combs[tone.id], tone=best), replace(other, tone=tone.id)
    return replace(case, combs=combs)


def _of_what_is_faster(case: Case) -> Case:
    """The case with the comb of a part that cannot slip, of which only every third line or so stands, given to the part
    of a bearing that strikes so much more often, where that one shows nothing itself: its lines were taken for the
    slower one's."""
    combs = dict(case.combs)
    for tone in case.tones.tones:
        comb = combs.get(tone.id)
        if comb is None or comb.tone != tone.id or tone.family not in RIGID or any(tone.slip):
            continue
        alike = [one.meetings for one in case.tones.tones if one.id in combs and combs[one.id].tone == tone.id]
        times = times_faster(comb, alike)
        if times == 1 or comb.false_alarm_probability > case.tone_alarm:
            continue
        order = times * (comb.place or comb.order)
        own = [one for one in case.tones.tones if _strikes_at(one, order) and one.id in combs]
        silent = [one for one in own if combs[one.id].false_alarm_probability > case.tone_alarm]
        if silent:
            nearest = min(silent, key=lambda one: abs(order / one.order - 1 - sum(one.slip) / 2))
            lines = tuple(comb.lines[times - 1 :: times])
            combs[nearest.id] = replace(
                comb,
                tone=nearest.id,
                order=order,
                place=order,
                lines=lines,
                sideband_lines=(),
                localisation=None,
                after_gating=None,
            )
    return replace(case, combs=combs)


def _strikes_at(one: Tone, order: float) -> bool:
    """Whether a race's slip brings it to ``order``."""
    return one.damage and one.id.endswith(RACES) and 1 + one.slip[0] <= order / one.order <= 1 + one.slip[1]


def shared_with_other_bearings(case: Case, findings: Sequence[Finding]) -> list[Finding]:
    """The findings; one on a bearing names its part as surely as slip and side lines speak for it against parts of
    other bearings. That one of them is damaged stays as sure as it was."""
    return [_shared(case, finding) for finding in findings]


def _shared(case: Case, finding: Finding) -> Finding:
    shown = finding.shown_in
    own, comb = next((one for one in case.tones.tones if one.id == shown), None), case.combs.get(shown)
    if own is None or comb is None:
        return finding
    weights = _weights(case, own, comb)
    total = sum(weights.values())
    named = [one for one, weight in weights.items() if one != own.id and weight >= NAMED_TOO * total]
    if total <= 0 or not named:
        return finding
    alike = list(dict.fromkeys([*finding.cannot_be_told_from, *named]))
    shared = {"probability": finding.probability * weights[own.id] / total, "cannot_be_told_from": alike}
    return finding.model_copy(update={**shared, "component_probability": finding.damage_probability})


def _weights(case: Case, own: Tone, comb: CombEvidence) -> Mapping[str, float]:
    """How likely ``own``, and each part of other bearings whose slip brings it to ``comb``, is to make it; empty where
    there are none, or where other parts of its bearing show as well."""
    if own.family not in FAMILIES or not any(own.slip):
        return {}
    rivals = [one for one in case.tones.tones if _rivals(one, own, comb)]
    if not rivals or len(combs_of_bearing(case, part_of(own.id))) > 1:
        return {}
    place, error = placed(comb, case.speed, case.resolution)
    sides = has_sides(comb, case.resolution)
    weights = {}
    for one in (own, *rivals):
        usual = PART_SHARE[one.family] * slip_density(one, place, error)
        if sides:
            usual *= 1 - SIDES_ANYWAY if is_carried(case, one.id) and _sides_alike(one, own) else SIDES_ANYWAY
        weights[one.id] = usual * (BARE_OWN if _is_unloaded(case, one, comb) else 1.0)
    return weights


def _is_unloaded(case: Case, one: Tone, comb: CombEvidence) -> bool:
    """Whether ``one`` is a race past which the load moves, and the strong lines of ``comb`` have no side lines at the
    turn of the load, the fastest of those that the race has: slower ones are of the way to the sensor."""
    if not one.id.endswith(RACES) or not one.sidebands or not is_carried(case, one.id):
        return False
    turn = max(side.order for side in one.sidebands)
    sides = [
        line
        for line in comb.sideband_lines
        if any(abs(abs(line.order - own.order) / turn - 1) < SAME_SIDES for own in comb.lines)
    ]
    return stands_bare(comb, sides)


def _rivals(one: Tone, own: Tone, comb: CombEvidence) -> bool:
    """Whether a part of another bearing may lie where ``comb`` does. Races with races: an element strikes both rings,
    which its lines show and no race's do."""
    if (one.family == "rolling element") is not (own.family == "rolling element"):
        return False
    other = one.damage and one.family in FAMILIES and any(one.slip) and part_of(one.id) != part_of(own.id)
    same = one.slip == own.slip and abs(one.order / own.order - 1) < SAME_ORDER
    return other and not same and 1 + one.slip[0] <= comb.order / one.order <= 1 + one.slip[1]


def _sides_alike(one: Tone, own: Tone) -> bool:
    """Whether side lines that were found for ``own`` stand where those of ``one`` would."""
    orders = [side.order for side in own.sidebands]
    return any(abs(side.order / order - 1) < SAME_SIDES for side in one.sidebands for order in orders)
