"""The turn of a cage that a damaged race gives away: what strikes at another turn is not that cage."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from math import hypot

from vibe.core.drive import Bearing
from vibe.core.evidence import CombEvidence
from vibe.core.outside_combs import SURELY_OFF
from vibe.diagnosis.alternatives.similar_speeds import placed
from vibe.diagnosis.bearing_elements import RACES
from vibe.diagnosis.case import FEWEST_STANDING, Case, standing

LEAST_BINS = 0.1
"""Standard error of an order at least, in bins: what leaks in from neighbours moves all lines of a comb alike."""


def without_others_turns(case: Case) -> Case:
    """The case without the combs at a cage's turn that an outside source may make and the cage of that bearing cannot:
    their chance is that of anything."""
    none = {
        name: replace(case.combs[name], false_alarm_probability=1.0)
        for bearing in case.drive.bearing
        for name in (f"bearing.{bearing.name}.cage", f"bearing.{bearing.name}.cage_past_inner")
        if name in case.combs and _is_anothers(case, bearing, name)
    }
    return replace(case, combs={**case.combs, **none}) if none else case


def _is_anothers(case: Case, bearing: Bearing, name: str) -> bool:
    """Whether the comb at the cage's tone ``name`` lies at an outside source's order and not where a race that surely
    shows puts the turn of the cage.

    An element passes a spot of a race whenever the cage turns on by one of its pitches, whatever slips: the turns of
    the cage past the two rings are the races' orders over the number of elements, and their sum is the turn of one ring
    past the other (derived).
    """
    comb, elements, component = case.combs[name], bearing.elements, f"bearing.{bearing.name}"
    doubtful = any(one.ambiguous and abs(one.order - comb.order) < case.resolution for one in case.outside_combs)
    usual = {tone.id: tone.order for tone in case.tones.tones}
    if not doubtful or elements is None or any(f"{component}.{race}" not in usual for race in RACES):
        return False
    past_each_other = sum(usual[f"{component}.{race}"] for race in RACES) / elements
    place, error = placed(comb, case.speed, case.resolution)
    for race in RACES:
        seen = case.combs.get(f"{component}.{race}")
        if seen is None or not _shows(seen, case.combs, case.tone_alarm):
            continue
        order, race_error = placed(seen, case.speed, case.resolution)
        turn = order / elements
        own = name.endswith("_inner") == (race == "inner_race")
        off = abs(place - (turn if own else past_each_other - turn))
        if off > SURELY_OFF * hypot(place * error, turn * race_error, LEAST_BINS * case.resolution):
            return True
    return False


def _shows(race: CombEvidence, combs: Mapping[str, CombEvidence], limit: float) -> bool:
    """Whether a race surely shows, by a comb that is no other part's too."""
    alone = sum(one.tone == race.tone for one in combs.values()) == 1
    return alone and race.false_alarm_probability <= limit and len(standing(race)) >= FEWEST_STANDING
