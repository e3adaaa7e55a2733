"""Of several speeds that the lines allow, the one at which the drive's own families stand."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from vibe.core.drive import Drive
    from vibe.core.tones import ToneTable
    from vibe.flow.diagnose.presence import Gate
    from vibe.spectra.signal_analysis import SignalAnalysis

WRONG_ONCE_IN = 100.0
"""A drive is detected at another speed where it is not there once in so many, as at the first (common practice); that
several were tried is paid for."""
SECOND_MACHINE = 0.5
"""Probability of being detected at a further speed from which a second machine of the kind may turn at it (common
practice: as likely as not)."""
LEAST = 1e-4
"""Probability that is left to a speed at which nothing of the drive was found."""


def at_own_speed(
    reading: SignalAnalysis,
    again: Callable[[float], SignalAnalysis],
    drive: Drive,
    table: ToneTable,
    whole: Callable[[SignalAnalysis], SignalAnalysis] = lambda there: there,
) -> SignalAnalysis:
    """``reading``, or where the drive is not detected at its speed, the capture read ``again`` at the one of the other
    speeds that the lines allow at which it is; as it was where it is detected at none. Where it is detected at the
    first, the others keep their probabilities: lines that fit both are shared out among what could be meant.

    ``whole`` asks for the parts of the one that is taken; of the others nobody need know more than ``again`` says."""
    from vibe.core.evidence import LEAST_ALTERNATIVE
    from vibe.flow.diagnose.presence import OPEN_SPEED

    speed = reading.speed
    others = [(hz, chance) for hz, chance in speed.alternatives[1:] if chance > LEAST_ALTERNATIVE]
    if not others:
        return reading
    first = _gate(reading, drive, table)
    if first.probability is None or first.reason is None:
        return reading
    chances = {speed.input_hz: speed.alternatives[0][1] * max(first.probability, LEAST)}
    best: tuple[float, SignalAnalysis] | None = None
    likely = 0
    for hz, chance in others:
        there = again(hz)
        found = _gate(there, drive, table)
        probability = found.probability or 0.0
        chances[there.speed.input_hz] = chance * max(LEAST, probability)
        likely += probability >= SECOND_MACHINE
        stands = found.reason is None and not found.rivalled
        if (
            stands
            and probability >= 1.0 - 1.0 / (WRONG_ONCE_IN * len(others))
            and (best is None or probability > best[0])
        ):
            best = probability, there
    # Lines near an assumed speed may be those of two machines alike: the louder one need not be this drive.
    if best is None or (likely > 1 and first.reason.code == OPEN_SPEED):
        return reading
    taken, total = whole(best[1]), sum(chances.values())
    here = taken.speed.input_hz
    rest = sorted(((hz, chance / total) for hz, chance in chances.items() if hz != here), key=lambda one: -one[1])
    return replace(taken, speed=replace(taken.speed, alternatives=((here, chances[here] / total), *rest)))


def _gate(reading: SignalAnalysis, drive: Drive, table: ToneTable) -> Gate:
    from vibe.flow.diagnose.presence import axis_of, gate

    return gate(reading, axis_of(reading, drive), drive, table, ())
