"""Where every body of a drive is at every instant."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vibe.core.errors import CallError

Array = NDArray[np.float64]
TURN = 2.0 * np.pi
"""Radians of one turn."""


@dataclass(frozen=True, slots=True, eq=False)
class BodyMotion:
    """Where every body is at every instant: ``input_turns`` (n,) at ``time_s`` (n,), the rest follows by rolling."""

    time_s: Array
    input_turns: Array
    input_hz: Array
    turns: dict[str, float]

    def angle(self, body: str) -> Array:
        """Angle of ``body`` in the housing frame, in turns (not wrapped), shape (n,).

        Raises:
            CallError: the drive has no such body.
        """
        return self.input_turns * self.rate(body)

    def rate(self, body: str) -> float:
        """Signed turns of ``body`` per turn of the input."""
        try:
            return self.turns[body]
        except KeyError:
            raise CallError(f"the drive has no body {body!r}; it has {', '.join(sorted(self.turns))}") from None


def input_motion(
    *,
    duration_s: float,
    lead_s: float,
    sample_rate_hz: float,
    mean_hz: float,
    variation: float,
    drift: float,
    rng: np.random.Generator,
    cycles: Sequence[tuple[float, float]] = (),
) -> tuple[Array, Array, Array]:
    """Time [s], turns and speed [Hz] of the input; time is negative through the lead-in.

    ``cycles``: (frequency [Hz], relative depth) of a load that rises and falls. The variation is a sum of slow sines
    (0.05 to 3 Hz, like load and supply). Turns are the exact integral of both.
    """
    lead = round(lead_s * sample_rate_hz)
    count = round(duration_s * sample_rate_hz)
    time_s = np.arange(-lead, count) / sample_rate_hz
    turns = rng.uniform() + mean_hz * (time_s + drift * time_s * (time_s / duration_s - 1.0) / 2.0)
    speed = mean_hz * (1.0 + drift * (time_s / duration_s - 0.5))
    if variation > 0:
        slow = np.exp(rng.uniform(np.log(0.05), np.log(3.0), 12))
        phase = rng.uniform(0, TURN, slow.size)
        depth = variation * np.sqrt(2.0 / slow.size) * mean_hz
        speed += depth * _sum_of_sines(slow, phase + TURN / 4, time_s)
        turns += depth * _sum_of_sines(slow, phase, time_s, 1.0 / (TURN * slow))
    for frequency, depth in cycles:
        argument = TURN * (frequency * time_s + rng.uniform())
        speed += depth * mean_hz * np.cos(argument)
        turns += depth * mean_hz * np.sin(argument) / (TURN * frequency)
    return time_s, turns, speed


_BLOCK = 512
"""Instants that share one rotation."""


def _sum_of_sines(frequency_hz: Array, phase: Array, time_s: Array, height: Array | None = None) -> Array:
    """Sum of sines of ``height`` (k,), 1 where not given, at equally spaced ``time_s`` (n,).

    By the sine of a sum: those of the first instants of blocks, turned by those of the instants within one, are a
    product of two small matrices, where each instant of each sine would be worked out else.
    """
    begins = TURN * np.outer(time_s[::_BLOCK], frequency_hz) + phase
    within = TURN * np.outer(frequency_hz, np.arange(_BLOCK) * (time_s[1] - time_s[0]))
    tall = np.concatenate([np.sin(begins), np.cos(begins)], axis=1)
    if height is not None:
        tall *= np.tile(height, 2)
    whole = tall @ np.concatenate([np.cos(within), np.sin(within)])
    return np.asarray(whole.ravel()[: time_s.size])


def crossings(relative_turns: Array, time_s: Array) -> Array:
    """Instants [s] at which one body angle passes another: ``relative_turns`` goes through a whole number."""
    first, last = float(relative_turns[0]), float(relative_turns[-1])
    if first > last:
        relative_turns, first, last = -relative_turns, -first, -last
    whole = np.arange(np.ceil(first), np.floor(last) + 1.0)
    if whole.size == 0 or last - first < 1e-9:
        return np.empty(0)
    return np.interp(whole, relative_turns, time_s)
