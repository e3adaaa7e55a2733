"""How the speed of a machine changes over a capture, while neither its speed nor its lines are known.

The frequencies of all lines of one machine change alike. Laid on the right law they are narrow, whatever their orders;
laid on a wrong one they are smeared. So the law is the one under which the spectrum is most concentrated, block by
block: each block has one vote, and the few lines of the mains and of other machines, which a moving law smears, are
outvoted."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from vibe.spectra.basic.angle_law import AngleLaw
from vibe.spectra.speed.line_likelihood import power_over_floor
from vibe.spectra.speed.phase_refinement import Low, all_laid

LARGEST_RAMP = 0.02
"""Relative change of speed over a capture that is tried: a drive at steady duty changes less (common practice)."""
STEP_CYCLES = 4.0
"""Step of the ramps, in cycles of the highest line: half of one is then left at mid-capture."""
BLOCK_ORDERS = 0.5
"""Half an order: a line of the shaft then stands alone in a block, and how concentrated its power is can be
determined."""
KNOTS = 33
"""The law's natural spline straightens a ramp in its first and last steps alone, a thirty-second of it each."""


def ramp(change: float, duration_s: float) -> AngleLaw:
    """A speed that rises or falls steadily by ``change`` of its mean, which is 1 Hz."""
    if change == 0:
        return AngleLaw.steady(1.0, duration_s)
    time_s = np.linspace(0.0, duration_s, KNOTS)
    return AngleLaw(time_s=time_s, turns=time_s + change * (time_s**2 / duration_s - time_s) / 2)


def sharpest_ramp(lows: Sequence[Low], range_hz: tuple[float, float], top_order: float) -> AngleLaw:
    """The steady rise or fall (mean 1 Hz) under which the spectrum is most concentrated.

    Args:
        lows: channels low-passed at ``top_order`` times the highest speed.
        range_hz: speeds of the input that may be.
        top_order: highest order looked at.
    """
    duration = min(item.samples.size / item.rate_hz for item in lows)
    middle = (range_hz[0] + range_hz[1]) / 2
    steps = np.arange(0.0, LARGEST_RAMP, STEP_CYCLES / (duration * middle * top_order))
    changes = np.concatenate([-steps[:0:-1], steps])
    votes = [_concentration(lows, ramp(float(change), duration), middle, range_hz[1]) for change in changes]
    return ramp(float(changes[int(np.argmax(votes))]), duration)


def _concentration(lows: Sequence[Low], shape: AngleLaw, middle_hz: float, high_hz: float) -> float:
    """Sum over blocks of ln(mean square / square of the mean) of the power over the floor."""
    # A steady law is interpolated like all others, else it alone would keep the noise that interpolation smooths.
    same = shape if not shape.is_steady else ramp(1e-9, shape.duration_s)
    power, bin_hz = power_over_floor(all_laid(lows, same), high_hz)
    width = max(8, round(BLOCK_ORDERS * middle_hz / bin_hz))
    first = 2 * width  # The shaft's own line is the last to smear, and the first to drown a block.
    count = max(1, (power.size - first) // width)
    blocks: NDArray[np.float64] = power[first : first + count * width].reshape(count, -1)
    return float(np.log(np.mean(blocks**2, axis=1) / np.mean(blocks, axis=1) ** 2).sum())
