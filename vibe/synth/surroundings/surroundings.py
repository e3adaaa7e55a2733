"""What stands around a simulated drive: which machines, how strong, and what life would draw."""

from __future__ import annotations

from dataclasses import dataclass
from math import isfinite, log

import numpy as np

from vibe.core.errors import CallError

KINDS = (
    "chain", "screw", "mixer", "fan", "belt", "pump", "two fans", "inverter", "torque ripple", "twice line",
    "rotor slots", "load cycles", "process shocks", "neighbour", "damaged neighbour",
)  # fmt: skip
"""Chain, screw, mixer: what the output turns; its teeth strike, its flights press, its blades pass. Fan: on the input
shaft. Belt, pump, two fans: next to it, on rotors of their own. Inverter, torque ripple, twice line, rotor slots: what
the supply and the motor's field make. Load cycles: speed and load rise and fall. Process shocks: at random. Neighbour:
a drive of the same type next to it at a slightly other speed, sound or with one damaged part."""
MOST_STRENGTH = 50.0
"""Of a neighbour; more would clip whatever stands next to it (our choice)."""
MOST_PER_TURN = 400
"""Teeth, links or blades: no machine around a drive has more (our choice)."""
COUNTS = {
    "chain": (7, 26), "screw": (1, 4), "mixer": (2, 6), "fan": (5, 13), "pump": (3, 9), "rotor slots": (26, 52),
}  # fmt: skip
"""Fewest and most teeth, flights, blades, vanes, slots that are common (common practice)."""
WEAKEST, STRONGEST = 0.2, 3.0
"""Of drawn strengths: from what is lost in the noise to what outshines the drive (our choice)."""
APART = (0.0005, 0.012)
"""Relative difference of speed between two drives of one type on one supply: induction motors slip by 1 to 4 %, by load
(common practice)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Surrounding:
    """One machine, or another cause, around the drive.

    ``strength`` 1 makes impacts like a clear mid-life spall of the drive, lines of a few tenths of a mm/s, noise half
    as strong as the drive's own; a neighbour arrives at a quarter of its strength; load cycles move the speed by 0.5 %
    either way. ``count`` is per turn of its shaft (``COUNTS``), ``hz`` the speed of its own rotor, the frequency of
    load cycles, the carrier of an inverter, the shocks per second; ``apart`` a neighbour's speed over the drive's, less
    one; ``damage`` what a damaged neighbour has. What is None is drawn from the capture's seed.
    """

    kind: str
    strength: float = 1.0
    count: int | None = None
    hz: float | None = None
    apart: float | None = None
    damage: str | None = None

    def __post_init__(self) -> None:
        if self.kind not in KINDS:
            raise CallError(f"unknown surrounding {self.kind!r}; possible: {', '.join(KINDS)}")
        if not 0 < self.strength <= MOST_STRENGTH or not isfinite(self.strength):
            raise CallError(f"surrounding {self.kind!r}: strength {self.strength} must lie between 0 and 50")
        if self.count is not None and not 1 <= self.count <= MOST_PER_TURN:
            raise CallError(f"surrounding {self.kind!r}: {self.count} per turn must lie between 1 and {MOST_PER_TURN}")
        if self.hz is not None and not 0 < self.hz < float("inf"):
            raise CallError(f"surrounding {self.kind!r}: {self.hz} Hz must be above 0")
        if self.apart is not None and not abs(self.apart) < 0.5:
            raise CallError(f"surrounding {self.kind!r}: apart {self.apart} must lie between -0.5 and 0.5")


def parse_surrounding(text: str) -> Surrounding:
    """``KIND[:STRENGTH[:COUNT]]``.

    Raises:
        CallError: an unknown kind, or what follows is no number.
    """
    kind, *rest = (piece.strip() for piece in text.split(":"))
    if len(rest) > 2:
        raise CallError(f"surrounding {text!r} must read KIND[:STRENGTH[:COUNT]], for example chain:1:19")
    try:
        strength, count = float(rest[0]) if rest else 1.0, int(rest[1]) if len(rest) > 1 else None
    except ValueError:
        raise CallError(f"surrounding {text!r} must read KIND[:STRENGTH[:COUNT]], for example chain:1:19") from None
    return Surrounding(kind=kind, strength=strength, count=count)


def drawn(rng: np.random.Generator, most: int = 3) -> tuple[Surrounding, ...]:
    """One to ``most`` kinds, no two alike, each at a strength that is as likely in one decibel as in the next."""
    kinds = rng.choice(len(KINDS), size=int(rng.integers(1, most + 1)), replace=False)
    strengths = np.exp(rng.uniform(log(WEAKEST), log(STRONGEST), kinds.size))
    return tuple(
        Surrounding(kind=KINDS[int(kind)], strength=float(strength))
        for kind, strength in zip(kinds, strengths, strict=True)
    )
