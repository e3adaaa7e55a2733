"""Damage as a user writes it, and the impacts it makes."""

from __future__ import annotations

from dataclasses import dataclass
from math import isfinite

import numpy as np

from vibe.core.errors import CallError
from vibe.synth.machine.motion import Array


@dataclass(frozen=True, slots=True)
class Damage:
    """``size`` 1.0 is a clear mid-life spall, 0.1 hardly visible. ``part`` counts from zero which pin, lobe, tooth."""

    tone: str
    size: float = 1.0
    part: int = 0

    def __post_init__(self) -> None:
        if not 0 < self.size <= 50 or not isfinite(self.size):
            raise CallError(f"damage {self.tone!r}: size {self.size} must lie between 0 and 50")
        if self.part < 0:
            raise CallError(f"damage {self.tone!r}: part {self.part} counts from zero")


def parse_damage(text: str) -> Damage:
    """``TONE_ID[:SIZE[:PART]]``.

    Raises:
        CallError: nothing before the colon, or what follows is no number.
    """
    tone, *rest = (piece.strip() for piece in text.split(":"))
    if not tone or len(rest) > 2:
        raise CallError(f"damage {text!r} must read TONE_ID[:SIZE[:PART]], for example stage1.lobe:0.5")
    try:
        return Damage(tone, float(rest[0]) if rest else 1.0, int(rest[1]) if len(rest) > 1 else 0)
    except ValueError:
        raise CallError(f"damage {text!r} must read TONE_ID[:SIZE[:PART]], for example stage1.lobe:0.5") from None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ImpactTrain:
    """Impacts of one kind: ``times_s`` (n,), ``heights`` (n_points, n) relative to a nominal impact of that source."""

    label: str
    source: str
    times_s: Array
    heights: Array
    pulse_s: float
    side: str


def uneven(rng: np.random.Generator, count: int) -> Array:
    """No two impacts are equal: 20 % either way."""
    return rng.uniform(0.8, 1.2, count)
