"""What several discs do to the harmonics of the mesh."""

from __future__ import annotations

from cmath import exp
from collections.abc import Sequence
from fractions import Fraction
from math import hypot, pi, sqrt
from typing import Literal

from vibe.core.stages.pair import CycloidalPair
from vibe.core.tones import Phasing
from vibe.kinematics.relations import ONE, Speeds

HARMONICS = range(1, 7)
"""Of the mesh, as far as reports list what two or three discs cancel."""


Effect = Literal["torque", "radial", "cancels"]


def sum_of_parts(harmonic: int, count: int, parts: int) -> Effect:
    """What equal, equally spaced parts add up to, at a harmonic of a mesh that repeats ``count`` times per turn.

    The law of planet phasing (Parker 2000, J. Sound Vib. 236, 561-573), with discs in the place of planets.
    """
    rest = harmonic * count % parts
    if rest == 0:
        return "torque"
    return "radial" if rest in (1, parts - 1) else "cancels"


LEFT = 0.02
"""Share of what all discs would make together from which a sum does not cancel: equal discs differ by as much."""


UNEQUAL = 0.25
"""By how much discs made alike differ in the force they pass on, as a share of it: tens of per cent, by load sharing
and phase errors (common practice). What cancels of M discs leaves this over the root of M: 0.18 of the whole with two
discs, 0.14 with three, so -15 and -17 dB."""
WHOLE_DEGREES = 360
"""Repeats of a turn after which discs that stand at whole degrees add up as before."""


def sum_of_phases(harmonic: int, count: int, turns: Sequence[float]) -> Effect:
    """The same for parts that stand at any ``turns`` of a turn. Of a torque and a radial force the torque is said."""
    if share_of_sum(harmonic * count, turns) >= LEFT:
        return "torque"
    sides = (share_of_sum(harmonic * count + side, turns) for side in (-1, 1))
    return "radial" if max(sides) >= LEFT else "cancels"


def share_of_sum(repeats: int, turns: Sequence[float]) -> float:
    """What equal parts at ``turns`` of a turn add up to, of a force that each repeats so many times per turn: 1 where
    all act together, 0 where they cancel."""
    return abs(sum(exp(2j * pi * repeats * turn) for turn in turns)) / len(turns)


def left_of_discs(stage: CycloidalPair) -> tuple[float, ...]:
    """Amplitude that the discs of a stage leave of what they would make together, of a force that each repeats n times
    per turn of the eccentric past the part: n = 0, 1, 2, ..., after the last as from the first on.

    A torque of the mesh's harmonic k has n = k * pins and keeps its order; a radial force turns with the eccentrics, so
    that it has n = k * pins + 1 or - 1 and is measured on the housing one turn of the eccentric off (the same law as
    ``phasing``'s, one harmonic and one side at a time). Unequal discs leave ``UNEQUAL`` over the root of their number
    of what would cancel. Empty for one disc, which has nothing to cancel with, and for discs that stand between whole
    degrees.
    """
    if stage.discs == 1:
        return ()
    period = stage.discs
    if stage.disc_phase_deg is not None:
        if any(angle != round(angle) for angle in stage.disc_phase_deg):
            return ()
        period = WHOLE_DEGREES
    rest = UNEQUAL / sqrt(stage.discs)
    return tuple(min(1.0, hypot(share_of_sum(n, stage.disc_turns), rest)) for n in range(period))


def phasing(
    stage: CycloidalPair, name: str = "stage1", past_ring: Fraction = ONE, eccentric: Fraction = ONE
) -> tuple[Phasing, ...]:
    """Mesh harmonics 1 to 6: do M discs add up to torque or to a radial force, or cancel?

    They stand 360/M degrees apart unless the drive file lists their phases; ``ring_pins`` are those fitted. Disc m
    repeats the force of disc 0 a phase of k * ring_pins * m / M turns later. The sum drives torque where
    k * ring_pins = 0 (mod M) and a radial force where it is +1 or -1 (mod M). Derived by carrying the law of planet
    phasing over; not published for discs. A line that must cancel and appears all the same means unequal discs. Empty
    for one disc, which has nothing to be phased with and drives both.

    A radial force goes round with the eccentrics. A sensor on the housing sees it one turn of the eccentric off, on the
    side on which k * ring_pins + 1 or - 1 is 0 (mod M); both sides with two discs.

    Args:
        stage: counts of ring pins and discs.
        name: the stage's name in the tone table.
        past_ring: turns of the eccentric past the ring per input turn, signed.
        eccentric: turns of the eccentric past the housing per input turn, signed.
    """
    if stage.discs == 1:
        return ()
    found: list[Phasing] = []
    for harmonic in HARMONICS:
        repeats = harmonic * stage.pins_fitted
        if stage.disc_phase_deg is None:
            effect = sum_of_parts(harmonic, stage.pins_fitted, stage.discs)
        else:
            effect = sum_of_phases(harmonic, stage.pins_fitted, stage.disc_turns)
        order = repeats * abs(past_ring)
        seen_at: tuple[Fraction, ...] = (order,) if effect == "torque" else ()
        if effect == "radial":
            sides = [side for side in (-1, 1) if share_of_sum(repeats + side, stage.disc_turns) >= LEFT]
            seen_at = tuple(abs(repeats * past_ring + side * eccentric) for side in sides)
        found.append(Phasing(stage=name, harmonic=harmonic, effect=effect, order=order, seen_at=seen_at))
    return tuple(found)


def pair_phasing(stage: CycloidalPair, name: str, speeds: Speeds) -> tuple[Phasing, ...]:
    """The same for a stage of a drive whose body speeds are solved."""
    eccentric = speeds[f"{name}.eccentric"]
    return phasing(stage, name, eccentric - speeds[f"{name}.ring"], eccentric)
