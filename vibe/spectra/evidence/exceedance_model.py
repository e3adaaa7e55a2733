"""From the scores of decoys to the chance that one more place scores as high."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

TAIL_SHARE = 0.1
"""Share of the decoys, the highest, to whose excesses the exponential tail is fitted."""
KIND_WORTH = 5.0
"""Excesses that knowing the kind of law is worth: a line's -ln p is exponential, only the scale must be learnt."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ExceedanceModel:
    """Exceedance law of decoy scores: counted up to ``start``, beyond it fitted to the ``count`` highest excesses."""

    places: NDArray[np.float32]
    start: float
    scale: float
    count: int
    worth: float
    """Independent excesses that the fitted ones are worth: combs of neighbouring orders share lines."""

    @classmethod
    def of(cls, places: NDArray[np.float32]) -> ExceedanceModel:
        """The law of sorted decoy scores (n,)."""
        cut = min(int(places.size * (1 - TAIL_SHARE)), max(0, places.size - 3))
        start = float(places[cut]) if places.size else 0.0
        excess = places[cut:] - start
        scale = max(float(excess.mean()), 1.0) if excess.size else 4.0
        return cls(
            places=places, start=start, scale=scale, count=max(1, int(excess.size)), worth=KIND_WORTH + excess.size / 2
        )

    def exceedance(self, score: float) -> float:
        """Probability that one more place scores ``score`` or more.

        Beyond the start this is the predictive law of an exponential whose mean was learnt from m excesses,
        (1 + x / (m·mean))^-m: few decoys promise little.
        """
        if self.places.size == 0:
            return 1.0
        if score < self.start:
            return float((self.places >= score).mean())
        share = self.count / self.places.size
        return share * float((1 + (score - self.start) / (self.worth * self.scale)) ** -self.worth)

    def score_at(self, probability: float) -> float:
        """The score that one place exceeds with ``probability``."""
        share = self.count / max(1, self.places.size)
        ratio = max(share / probability, 1.0)
        return self.start + self.worth * self.scale * float(ratio ** (1 / self.worth) - 1)
