"""What is outside a drive and detected in its capture: what was declared, and combs that no part of the drive makes.

Orders count per turn of the drive's input.
"""

from __future__ import annotations

from dataclasses import dataclass

from vibe.core.evidence import CombEvidence

LINE_BINS = 1.5
"""Half the width of a line [bins] (Hann): two combs whose lines lie nearer than that are one."""
MOST_PER_TURN = 64
"""Teeth, flights, blades on a slow shaft (common practice); above, one race order in sixteen would fit by chance."""
MOST_TESTED = 12
"""Multiples and parts of an order that are tested for being the fundamental of what stands there."""
EXACTLY = 1e-6
"""Relative difference of two orders, of whole numbers of parts or turns, that are one (rounding)."""
SURELY_OFF = 4.5
"""Standard errors from which a comb is off an order at which it must lie: by chance once in 100,000 (normal). Damaged
parts of simulated drives that stand alone lie within 1.5 of them."""
LEAST_ERROR = 1e-5
"""Standard error of a comb's order at least, relative: the lines of one capture share what the speed does within it."""

KIND_REACH = 0.03
"""Relative difference of speed up to which a machine of the same kind is sought: motors of one kind differ by their
slip, by load and voltage (common practice: two or three per cent)."""
KIND_APART = 3e-3
"""Relative difference of speed that half of all pairs of one kind stay below (Cauchy density; common practice: machines
of one kind at like loads differ by some tenths of a per cent)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DeclaredSource:
    """Something outside that was declared: ``order`` per input turn is a count per turn of a body that turns
    ``turn_order`` times per input turn. ``slip`` is how far, relative, it may lie below and above."""

    name: str
    order: float
    turn_order: float
    slip: tuple[float, float] = (0.0, 0.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class DeclaredNeighbour:
    """A machine nearby, whose own shaft turns within ``range_hz``; orders count per turn of that shaft.

    ``per_turn``: lines it makes when sound; ``damage``: (name, order) of what damage of its parts would make, empty
    where only a speed range was declared.
    """

    name: str
    range_hz: tuple[float, float]
    per_turn: tuple[float, ...]
    damage: tuple[tuple[str, float], ...] = ()
    strikes: bool = False
    """Whether what it makes may strike, as of any machine that is declared by its speeds; a sound drive's lines, which
    are known from its file, do not."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Surroundings:
    """What may be detected besides the machine itself.

    ``slow_turns``: orders below 0.9 of shafts that turn other machines, whether or not anything was declared on them:
    a comb at a whole number of such an order belongs to what they turn more likely than to chance.
    """

    sources: tuple[DeclaredSource, ...] = ()
    neighbours: tuple[DeclaredNeighbour, ...] = ()
    slow_turns: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class OutsideComb:
    """A comb that explains its lines better than any part of the machine.

    ``spread`` is how far its order may be off, relative, the speed's uncertainty counted in. ``per_turn``: (whole
    number, order of the turn it is counted on) where it fits one. ``ambiguous``: a part of the machine lies so near
    that it might be that part. ``every_turn``: how many lines at whole multiples of that turn stand besides, as where
    teeth or links differ. ``taken``: (lowest, highest) order of every line it takes away from the parts.
    """

    order: float
    evidence: CombEvidence
    spread: float
    per_turn: tuple[int, float] | None = None
    ambiguous: bool = False
    every_turn: int = 0
    taken: tuple[tuple[float, float], ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class SimilarMachine:
    """A machine of the drive's own kind that a capture shows too.

    ``speed``: of its input, relative to the speed that was found; ``error``: its standard error. ``fainter_db``: by how
    much its mesh is fainter than that at the speed found, below 0 where it is louder. ``by_damage``: its speed is known
    from damage, so that its mesh was read where it must be; else it was searched for. ``probability``: that it is
    there. ``apart_turns``: from the one side to the other, how far it goes before and behind while its speed takes
    another course than the one found; None where it keeps to that. ``speed`` is the mean then.
    """

    speed: float
    error: float
    fainter_db: float
    by_damage: bool = False
    probability: float = 1.0
    apart_turns: float | None = None
