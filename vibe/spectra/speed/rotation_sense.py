"""Which way does a shaft turn? Two directions across it see its first line a quarter turn apart."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vibe.spectra.basic.cross_phase import cross_phase

SEGMENTS = 8
"""Of noise their phases agree to 0.9 by chance about once in a thousand (Rayleigh: exp(-8 · 0.9²) = 0.0015)."""
FEWEST_TURNS = 40.0
"""Five a segment: the first line lies five bins from the mean and from the second, where a Hann window needs two."""
STEADY = 0.9
"""Resultant of the phase differences of all segments from which on they agree."""
QUADRATURE_DEG = 45.0
"""The difference may be so far off a quarter turn; nearer to a straight line the sense is the support's."""
MOST_UNEQUAL = 5.0
"""Ratio of the two amplitudes beyond which the orbit is a line."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RotationSense:
    """``sense``: +1 from the first direction towards the second, -1 the other way, 0 not known, ``why`` not."""

    sense: int
    difference_deg: float | None
    why: str = ""


def rotation_sense(
    first: NDArray[np.float32], second: NDArray[np.float32], sample_rate_hz: float, speed_hz: float, drift: float
) -> RotationSense:
    """From samples (n,) of two directions a quarter turn apart, taken at the same time.

    A force that turns from the first direction towards the second reaches the second a quarter turn later.
    """
    n = min(first.size, second.size)
    if n / sample_rate_hz * speed_hz < FEWEST_TURNS:
        return RotationSense(sense=0, difference_deg=None, why="too few turns were measured")
    size = n // SEGMENTS
    if drift * speed_hz * size / sample_rate_hz > 0.5:
        return RotationSense(sense=0, difference_deg=None, why="the speed changes too much within the capture")
    seen = cross_phase(first, second, speed_hz / sample_rate_hz, SEGMENTS)
    if not 1 / MOST_UNEQUAL < seen.amplitude_ratio < MOST_UNEQUAL:
        return RotationSense(
            sense=0, difference_deg=None, why="the first line is far stronger in one direction: no orbit"
        )
    degrees = seen.difference_deg
    if seen.steadiness < STEADY:
        return RotationSense(
            sense=0, difference_deg=degrees, why="the two directions do not keep step at the first line"
        )
    if abs(abs(degrees) - 90.0) > QUADRATURE_DEG:
        return RotationSense(
            sense=0, difference_deg=degrees, why="the two directions move nearly in step: the support, not the shaft"
        )
    return RotationSense(sense=1 if degrees < 0 else -1, difference_deg=degrees)
