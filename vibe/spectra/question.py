"""What somebody wants to know of a capture, in plain orders."""

from __future__ import annotations

from dataclasses import dataclass

from vibe.spectra.comb import CombRequest


@dataclass(frozen=True, slots=True, kw_only=True)
class FoldRequest:
    """A body's frame on which a tone's hits are laid: its order, and how often per turn it may speak."""

    tone: str
    order: float
    meetings: int


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
    """A machine beside, whose own shaft turns within ``range_hz``; orders count per turn of that shaft.

    ``per_turn``: lines it makes when sound; ``damage``: (name, order) of what damage of its parts would make, empty
    where only a speed range was declared.
    """

    name: str
    range_hz: tuple[float, float]
    per_turn: tuple[float, ...]
    damage: tuple[tuple[str, float], ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Surroundings:
    """What may be heard beside the machine itself.

    ``slow_turns``: orders below 0.9 of shafts that turn other machines, whether or not anything was declared on them:
    a comb at a whole number of such an order belongs to what they turn more likely than to chance.
    """

    sources: tuple[DeclaredSource, ...] = ()
    neighbours: tuple[DeclaredNeighbour, ...] = ()
    slow_turns: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Question:
    """What somebody wants to know of a capture. Orders count per input turn."""

    range_hz: tuple[float, float]
    nominal_hz: float
    speed_orders: tuple[float, ...]
    """Lines that any sound machine of the kind makes, for finding its speed."""
    combs: tuple[CombRequest, ...]
    folds: tuple[FoldRequest, ...]
    innocent: tuple[tuple[float, int], ...]
    """(order, harmonics) of families that innocents own in the envelope."""
    lines: tuple[tuple[str, float], ...]
    """(name, order) read in the velocity spectrum."""
    lines_hz: tuple[tuple[str, float], ...]
    """(name, frequency) of lines that do not follow the shaft."""
    fixed_speed_hz: float | None = None
    """A speed noted with the capture: a hypothesis that the signal may correct within the range."""
    surroundings: Surroundings = Surroundings()
