"""What several discs do to the harmonics of the mesh."""

from __future__ import annotations

from cmath import exp
from collections.abc import Sequence
from fractions import Fraction
from math import pi
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


def sum_of_phases(harmonic: int, count: int, turns: Sequence[float]) -> Effect:
    """The same for parts that stand at any ``turns`` of a turn. Of a torque and a radial force the torque is said."""

    def left(repeats: int) -> float:
        return abs(sum(exp(2j * pi * repeats * turn) for turn in turns)) / len(turns)

    if left(harmonic * count) >= LEFT:
        return "torque"
    return "radial" if max(left(harmonic * count - 1), left(harmonic * count + 1)) >= LEFT else "cancels"


def phasing(stage: CycloidalPair, name: str = "stage1", past_ring: Fraction = ONE) -> tuple[Phasing, ...]:
    """Mesh harmonics 1 to 6: do M discs add up to torque or to a radial force, or cancel?

    They stand 360/M degrees apart unless the drive file lists their phases; ``ring_pins`` are those fitted. Disc m
    repeats the force of disc 0 a phase of k * ring_pins * m / M turns later. The sum drives torque where
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
        if stage.disc_phase_deg is None:
            effect = sum_of_parts(harmonic, stage.pins_fitted, stage.discs)
        else:
            effect = sum_of_phases(harmonic, stage.pins_fitted, stage.disc_turns)
        order = harmonic * stage.pins_fitted * abs(past_ring)
        found.append(Phasing(stage=name, harmonic=harmonic, effect=effect, order=order))
    return tuple(found)


def pair_phasing(stage: CycloidalPair, name: str, speeds: Speeds) -> tuple[Phasing, ...]:
    """The same for a stage of a drive whose body speeds are solved."""
    return phasing(stage, name, speeds[f"{name}.eccentric"] - speeds[f"{name}.ring"])
