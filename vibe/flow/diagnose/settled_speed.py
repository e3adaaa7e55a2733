"""Of several speeds that the lines allow, the one at which the drive's own families stand."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from vibe.core.drive import Drive
    from vibe.core.evidence import SpeedEstimate
    from vibe.core.tones import ToneTable
    from vibe.flow.diagnose.presence import Gate
    from vibe.spectra.signal_analysis import SignalAnalysis

WRONG_ONCE_IN = 100.0
"""A drive is detected at another speed where it is not there once in so many, as at the first (common practice); that
several were tried is paid for."""
SECOND_MACHINE = 0.5
"""Probability of being detected at a further speed from which a second machine of the kind may turn at it (common
practice: as likely as not)."""
SAME_SPEED = 1e-3
"""Relative distance within which two ways to follow a speed come to one (common practice)."""
UNRESOLVED = 0.25
"""Turns more or less over a capture within which two speeds are one: half a step of the grid on which places of the
range were weighed."""
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
    others += _followed_otherwise(speed, others)
    if not others:
        return reading
    first = _gate(reading, drive, table)
    if first.probability is None or first.reason is None:
        return reading
    chances = {speed.input_hz: speed.alternatives[0][1] * max(first.probability, LEAST)}
    best: tuple[float, SignalAnalysis] | None = None
    likely: list[float] = []
    for hz, chance in others:
        there = again(hz)
        found = _gate(there, drive, table)
        probability = found.probability or 0.0
        chances[there.speed.input_hz] = chance * max(LEAST, probability)
        if probability >= SECOND_MACHINE:
            likely.append(there.speed.input_hz)
        stands = found.reason is None and not found.rivalled
        # That it turns at none of its range was weighed by the gate, and is no likelier for several that were tried.
        if found.in_range is not None:
            probability = found.in_range
        if (
            stands
            and probability >= 1.0 - 1.0 / (WRONG_ONCE_IN * len(others))
            and (best is None or probability > best[0])
        ):
            best = probability, there
    # Lines near an assumed speed may be those of two machines alike: the louder one need not be this drive.
    if best is None:
        return reading
    if len(likely) > 1 and first.reason.code == OPEN_SPEED and _of_another(likely, best[1], drive, table):
        return reading
    taken, total = whole(best[1]), sum(chances.values())
    here = taken.speed.input_hz
    rest = sorted(((hz, chance / total) for hz, chance in chances.items() if hz != here), key=lambda one: -one[1])
    return replace(taken, speed=replace(taken.speed, alternatives=((here, chances[here] / total), *rest)))


def _of_another(likely_hz: Sequence[float], taken: SignalAnalysis, drive: Drive, table: ToneTable) -> bool:
    """Whether any of the speeds ``likely_hz``, at which the drive is likely to be detected, is neither the one that is
    ``taken`` nor that at which its lobes would be its shaft, or its shaft the lobes: there stand most of its own lines
    too."""
    from vibe.flow.diagnose.presence import families_of

    hz, near = taken.speed.input_hz, UNRESOLVED / taken.law.total_turns
    aliases = [f.past / f.unit for f in families_of(drive, table) if f.difference and f.turn == f.unit == 1.0]
    own = [hz * times for past in (1.0, *aliases) for times in (past, 1 / past)]
    return any(min(abs(other / one - 1) for one in own) > near for other in likely_hz)


def _followed_otherwise(speed: SpeedEstimate, known: Sequence[tuple[float, float]]) -> list[tuple[float, float]]:
    """(speed, probability) of those to which another way to follow the speed comes, where none of the ``known`` is."""
    first = speed.alternatives[0][1] if speed.alternatives else 1.0
    return [
        (hz, first * odds) for hz, odds in speed.followed_otherwise
        if all(abs(hz / other - 1) > SAME_SPEED for other, _ in known)
    ]  # fmt: skip


def _gate(reading: SignalAnalysis, drive: Drive, table: ToneTable) -> Gate:
    from vibe.flow.diagnose.presence import axis_of, gate

    return gate(reading, axis_of(reading, drive), drive, table, ())
