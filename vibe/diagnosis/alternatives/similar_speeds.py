"""Whose speed a part's impacts keep: what cannot slip lies at an exact order of its own machine's shaft."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from math import hypot

from vibe.core.evidence import CombEvidence, SpeedEstimate
from vibe.core.outside_combs import KIND_REACH, LEAST_ERROR, SURELY_OFF
from vibe.core.tones import Tone, ToneTable

WITHIN_ERRORS = 3.0
"""Standard errors within which two orders may be of one turn (common practice: once in 370 they are not)."""
NEAR_INPUT = 1e-3
"""Relative distance from the input's turn within which lines are taken for its own: about the resolution of a capture
of ten seconds. Lines of a part next to it, which are hardly resolved from them, pull them by a tenth of that."""
CLEAR = 1e-3
"""False-alarm probability up to which a comb is clear enough to tell another machine's speed."""


def placed(comb: CombEvidence, speed: SpeedEstimate | None, resolution: float) -> tuple[float, float]:
    """Order of a comb by all its lines, and its relative standard error, the speed's counted in; ``resolution``
    [orders] of a single line serves where that is not known."""
    place, error = comb.place, comb.place_error
    if place is None or error is None:
        place, error = comb.order, resolution / (2 * comb.order)
    of_speed = 0.0 if speed is None or speed.uncertainty_hz is None else speed.uncertainty_hz / speed.input_hz
    return place, hypot(error, of_speed)


def off_order(tone: Tone, place: float) -> float:
    """By how much, relative, a comb at ``place`` lies off the order of ``tone``, its half or its double."""
    times = min((0.5, 1.0, 2.0), key=lambda factor: abs(place / (factor * tone.order) - 1))
    return place / (times * tone.order) - 1


def surely_off(tone: Tone, place: float, error: float) -> bool:
    """Whether a part that cannot slip lies off its order by more than ``error`` leaves open, though not so far that no
    machine of the kind would turn so. What lies at the input's turn does not: what a load that goes round makes of
    strikes that repeat at nearly that order, as those of a sun's tooth past its planets do, is this machine's."""
    if tone.order != 1 and abs(place - 1) < NEAR_INPUT:
        return False
    return SURELY_OFF * hypot(error, LEAST_ERROR) < abs(off_order(tone, place)) < KIND_REACH


def carried_off(comb: CombEvidence, speed: SpeedEstimate | None) -> float | None:
    """By how much, relative, the shaft that carries a slipping part through its load turns off the speed found; None
    where that is not known, or no more than its error leaves open or than machines of the kind differ by."""
    if comb.carried_at is None or comb.carried_error is None:
        return None
    of_speed = 0.0 if speed is None or speed.uncertainty_hz is None else speed.uncertainty_hz / speed.input_hz
    off = comb.carried_at - 1
    return off if SURELY_OFF * hypot(comb.carried_error, of_speed) < abs(off) < KIND_REACH else None


def speeds_of_combs(
    table: ToneTable, combs: Mapping[str, CombEvidence], speed: SpeedEstimate | None, named: Collection[str]
) -> tuple[float, ...]:
    """Relative speed of a machine of the same kind, where the strongest comb of all tells it: a part's that cannot
    slip, or one's that its shaft carries through the load; one at most, as fainter combs may be what a strong one
    leaves at other orders. ``named``: tones on which findings rest; another comb, however strong, may be the side
    lines of one of these."""
    strongest = max((comb.score for comb in combs.values()), default=0.0)
    for tone in table.tones:
        comb = combs.get(tone.id)
        if not tone.damage or comb is None or not {tone.id, comb.tone} & set(named):
            continue
        if comb.score < strongest or comb.false_alarm_probability > CLEAR:
            continue
        carried = carried_off(comb, speed)
        if carried is not None:
            return (1 + carried,)
        if any(tone.slip) or comb.place is None:
            continue
        place, error = placed(comb, speed, 0.0)
        if surely_off(tone, place, error):
            return (1 + off_order(tone, place),)
    return ()
