"""Drives that an unknown one may be, as the orders by which they can be distinguished."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from fractions import Fraction
from math import log

from vibe.kinematics.phasing import sum_of_parts

FEWEST_LOBES, MOST_LOBES = 3, 150
"""Single stages are built from 3:1 up, rarely beyond 119:1 (common practice); wider, so that none is missed."""
DISCS = (1, 2, 3)
"""Discs side by side, as they are built (common practice)."""
HARMONICS = (1, 2, 3, 4)
"""Of a mesh, that can be seen in most captures (common practice)."""
LIKELIER = {1: 0.9, 2: 0.1}
"""Share of tooth differences among drives that are sold: common practice."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PairKind:
    """A single cycloidal stage with a fixed ring.

    ``past_disc``: turns of the eccentric past a disc per input turn. ``mesh``: for each number of discs the orders of
    the mesh lines at a fixed place of the housing, harmonic by harmonic.
    """

    lobes: int
    ring_pins: int
    past_disc: Fraction
    mesh: dict[int, tuple[tuple[int, ...], ...]]
    log_prior: float

    @property
    def ratio(self) -> Fraction:
        """Input turns per output turn."""
        return Fraction(self.lobes, self.ring_pins - self.lobes)


def pair_kinds(differences: Iterable[int] = (1, 2)) -> tuple[PairKind, ...]:
    """All pairs of 3 to 150 lobes with these tooth differences, evenly spread over the logarithm of their ratio.

    With the ring fixed the disc turns -(pins - lobes) / lobes per input turn, so the eccentric passes it
    1 + (pins - lobes) / lobes times (Yang, Zhou, Chang & Chen 2021, Mech. Mach. Theory 163, 104384, Eq. 1).
    """
    found = []
    wanted = sorted(set(differences))
    whole = sum(LIKELIER.get(difference, 0.02) for difference in wanted)
    for difference in wanted:
        # Half as many lobes would need at least two per tooth of difference.
        counts = range(max(FEWEST_LOBES, 2 * difference), MOST_LOBES + 1)
        share = sum(1 / lobes for lobes in counts)
        for lobes in counts:
            pins = lobes + difference
            found.append(
                PairKind(
                    lobes=lobes,
                    ring_pins=pins,
                    past_disc=Fraction(pins, lobes),
                    mesh={discs: mesh_lines(pins, discs) for discs in DISCS},
                    log_prior=log(LIKELIER.get(difference, 0.02) / whole / lobes / share),
                )
            )
    return tuple(found)


def mesh_lines(ring_pins: int, discs: int) -> tuple[tuple[int, ...], ...]:
    """Where the mesh's harmonics lie for a sensor on the housing.

    What adds up to a torque keeps its order. A radial force turns with the eccentrics: of ``discs`` equal ones only the
    sense survives that moves the harmonic to a multiple of their number, one order off.
    """
    found: list[tuple[int, ...]] = []
    for harmonic in HARMONICS:
        order = harmonic * ring_pins
        effect = "torque" if discs == 1 else sum_of_parts(harmonic, ring_pins, discs)
        sides = {"torque": (0,), "radial": (-1, 1), "cancels": ()}[effect]
        found.append(tuple(order + side for side in sides if effect == "torque" or (order + side) % discs == 0))
    return tuple(found)
