"""The angle law: how many turns the input has made at each instant."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from vibe.spectra.basic.spline import Spline, spline_through

STEPS_PER_TURN = 2.0**20
"""Grid of a law that is handed on, a millionth of a turn: no law is known to a thousand times that, and arithmetic that
another processor or library does in another order differs by a thousandth of it at most (measured)."""
STEPS_PER_S = 2.0**30
"""Of the instants of its knots: a nanosecond, in which no input turns by a step of its angle."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class AngleLaw:
    """Turns of the input against time, as knots joined by straight lines in speed.

    ``time_s`` and ``turns`` shape (k,), both increasing, from the start of the capture to its end.
    """

    time_s: NDArray[np.float64]
    turns: NDArray[np.float64]

    def __post_init__(self) -> None:
        if self.time_s.size < 2 or not np.all(np.diff(self.time_s) > 0) or not np.all(np.diff(self.turns) > 0):
            raise ValueError("an angle law needs at least two knots, increasing in time and turns")

    @classmethod
    def steady(cls, speed_hz: float, duration_s: float) -> AngleLaw:
        """A constant speed."""
        time = np.array([0.0, duration_s])
        return cls(time_s=time, turns=time * speed_hz)

    @property
    def total_turns(self) -> float:
        return float(self.turns[-1] - self.turns[0])

    @property
    def duration_s(self) -> float:
        return float(self.time_s[-1] - self.time_s[0])

    @property
    def mean_hz(self) -> float:
        return self.total_turns / self.duration_s

    @property
    def is_steady(self) -> bool:
        return self.time_s.size == 2

    @property
    def drift(self) -> float:
        """(fastest - slowest) / mean of the speed between knots."""
        speed = np.diff(self.turns) / np.diff(self.time_s)
        return float((speed.max() - speed.min()) / self.mean_hz)

    def rounded(self) -> AngleLaw:
        """The same on a grid of ``STEPS_PER_TURN`` and ``STEPS_PER_S``, so that the last bits of what it was worked out
        from do not reach what stands on it. Its ends stay in time; a law with knots too near for the grid stays what it
        is."""
        time = self.time_s.copy()
        time[1:-1] = np.rint(time[1:-1] * STEPS_PER_S) / STEPS_PER_S
        turns = np.rint(self.turns * STEPS_PER_TURN) / STEPS_PER_TURN
        if not (np.all(np.diff(time) > 0) and np.all(np.diff(turns) > 0)):
            return self
        return AngleLaw(time_s=time, turns=turns)

    def at(self, time_s: NDArray[np.float64]) -> NDArray[np.float64]:
        """Turns at given instants; beyond the ends the end speeds are held."""
        if self.is_steady:
            straight: NDArray[np.float64] = self.turns[0] + (time_s - self.time_s[0]) * self.mean_hz
            return straight
        return _spline(self).at(time_s)

    def when(self, turns: NDArray[np.float64]) -> NDArray[np.float64]:
        """Instants at which given turns are reached (the inverse of :meth:`at`)."""
        if self.is_steady:
            straight: NDArray[np.float64] = self.time_s[0] + (turns - self.turns[0]) / self.mean_hz
            return straight
        # A dense table of the smooth law inverts it to far below a sample.
        fine = np.linspace(self.time_s[0], self.time_s[-1], max(64, 16 * self.time_s.size))
        result: NDArray[np.float64] = np.interp(turns, self.at(fine), fine)
        return result


@lru_cache(maxsize=8)
def _spline(law: AngleLaw) -> Spline:
    """The smooth law through the knots, kept for a few laws: each is asked many times in a row."""
    return spline_through(law.time_s, law.turns, natural=True)
