"""What a strong comb leaves behind must not pass for the comb of a second part."""

from __future__ import annotations

from dataclasses import replace
from math import exp

from vibe.core.evidence import CombEvidence
from vibe.diagnosis.bearing_elements import part_of
from vibe.diagnosis.case import Case

LEFT_SHARE = 0.03
"""Mean share of a comb's score that other parts' combs still find of it once its lines are taken out.

Impacts vary in time and differ, so lines are broader than those taken out, and have sidebands that nobody foresaw. On
simulated captures with one damage the combs of other bearings exceed what sound drives show by a tenth of its score
once in a hundred; an exponential with this mean says about as much.
"""


def explained_away(case: Case) -> Case:
    """The case with the chance of every comb raised to that of a mere leftover of the strongest comb of another part.

    Elements of one bearing are one part: what they show together is weighed by their own rule. What was read between
    the impacts of stronger combs is taken as it stands there.
    """
    first = max(case.combs.values(), key=lambda comb: comb.score, default=None)
    strongest: dict[str, float] = {}
    for tone, comb in case.combs.items():
        strongest[part_of(tone)] = max(strongest.get(part_of(tone), 0.0), comb.score)
    for other in case.unmatched:
        strongest[other.tone] = other.score
    combs: dict[str, CombEvidence] = {}
    for tone, comb in case.combs.items():
        # Tones that share an order share their comb, so none of them is next to another.
        same = {part_of(other) for other, own in case.combs.items() if own.tone == comb.tone}
        others = max((score for part, score in strongest.items() if part not in same), default=0.0)
        combs[tone] = _given_other(comb, others)
        if first is not None and part_of(first.tone) not in same:
            combs[tone] = _apart(combs[tone], comb, case.tone_alarm)
    quiet = {}
    for name, comb in case.quiet_combs.items():
        own = {part_of(other) for other, one in case.combs.items() if one.tone == name}
        among = [score for part, score in strongest.items() if part not in own]
        among += [one.score for other, one in case.quiet_combs.items() if part_of(other) not in own]
        quiet[name] = _given_other(comb, max(among, default=0.0))
    return replace(case, combs=combs, quiet_combs=quiet)


def _given_other(comb: CombEvidence, other_score: float) -> CombEvidence:
    if other_score <= comb.score:
        return comb
    left_over = exp(-comb.score / (LEFT_SHARE * other_score))
    return replace(comb, false_alarm_probability=left_over) if left_over > comb.false_alarm_probability else comb


def _apart(weighed: CombEvidence, comb: CombEvidence, limit: float) -> CombEvidence:
    """What was seen between the impacts of stronger combs, where that is no chance or says more than what was seen
    next to them. Two looks are paid for."""
    between = comb.after_gating
    if between is None:
        return weighed
    chance = min(1.0, 2 * between.false_alarm_probability)
    if chance > max(limit, weighed.false_alarm_probability):
        return weighed
    # What is cut takes some of the second one's own impacts too.
    deeper = max(comb, between, key=lambda one: one.hit_over_floor_db)
    return replace(deeper, false_alarm_probability=chance, localisation=comb.localisation, gated=True)
