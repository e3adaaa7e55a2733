"""What equally spaced discs do to the harmonics of the mesh."""

from __future__ import annotations

from fractions import Fraction
from typing import Literal

from vibe.core.drive import CycloidalStage, RvStage
from vibe.core.tones import Phasing
from vibe.kinematics.relations import ONE

HARMONICS = range(1, 7)


Effect = Literal["torque", "radial", "cancels"]


def sum_of_parts(harmonic: int, count: int, parts: int) -> Effect:
    """What equal, equally spaced parts add up to, at a harmonic of a mesh that repeats ``count`` times per turn.

    The law of planet phasing (Parker 2000, J. Sound Vib. 236, 561-573), with discs in the place of planets.
    """
    rest = harmonic * count % parts
    if rest == 0:
        return "torque"
    return "radial" if rest in (1, parts - 1) else "cancels"


def phasing(stage: CycloidalStage | RvStage, name: str = "stage1", past_ring: Fraction = ONE) -> tuple[Phasing, ...]:
    """Mesh harmonics 1 to 6: do M discs, 360/M degrees apart, add up to torque or to a radial force, or cancel?

    Disc m repeats the force of disc 0 a phase of k * ring_pins * m / M turns later. The sum drives torque where
    k * ring_pins = 0 (mod M) and a radial force where it is +1 or -1 (mod M). Derived by carrying the law of planet
    phasing over; not published for discs. A line that must cancel and appears all the same means unequal discs. Empty
    for one disc, which has nothing to be phased with and drives both.

    Args:
        stage: counts of ring pins and discs.
        name: the stage's name in the tone table.
        past_ring: turns of the eccentric past the ring per input turn, signed.
    """
    if stage.discs == 1:
        return ()
    found: list[Phasing] = []
    for harmonic in HARMONICS:
        effect = sum_of_parts(harmonic, stage.ring_pins, stage.discs)
        order = harmonic * stage.ring_pins * abs(past_ring)
        found.append(Phasing(stage=name, harmonic=harmonic, effect=effect, order=order))
    return tuple(found)
