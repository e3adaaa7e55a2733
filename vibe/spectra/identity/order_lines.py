"""Lines on the order axis: how strong, how likely the machine's, and exactly where."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from vibe.spectra.basic.angle_law import AngleLaw
from vibe.spectra.speed.line_likelihood import log_likelihood_ratio, power_over_floor
from vibe.spectra.speed.phase_refinement import Low, all_laid

Real = NDArray[np.float64]

STRONG = 8.0
"""Mean power over the floor from which on a peak's place is read: of noise one place in thousands is so high."""
REACH_BINS = 1.0
"""A peak is looked for this far off a place, in bins of the capture (reciprocals of its length)."""
PLACE_ERROR = (0.45, 0.05)
"""Standard error of a peak's place in bins: first over the root of its power over the floor (a Hann window's bound is
0.3 to 0.4; Rife & Boorstyn 1974, from memory), and what a varying speed leaves."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class OrderLines:
    """A capture laid on an angle law. All places are orders of ``mean_hz``; arrays shape (bins,).

    ``power`` over the local floor, mean of the channels; ``odds`` log likelihood ratio of a line against a stray;
    ``peak`` where, in entries, the highest peak near each entry lies, NaN without one, and its standard error in bins;
    ``step`` orders per entry; ``bin`` orders that the capture resolves; ``top`` highest order measured.
    """

    power: Real
    odds: Real
    peak: Real
    peak_error: Real
    step: float
    bin: float
    mean_hz: float

    @property
    def top(self) -> float:
        return (self.power.size - 2) * self.step

    def at_speed(self, speed_hz: float) -> OrderLines:
        """The same lines as orders of another speed."""
        ratio = self.mean_hz / speed_hz
        return replace(self, step=self.step * ratio, bin=self.bin * ratio, mean_hz=speed_hz)

    def odds_at(self, orders: Real) -> Real:
        """0 beyond what was measured."""
        place = orders / self.step
        index = np.minimum(place.astype(int), self.odds.size - 2)
        between = self.odds[index] + (place - index) * (self.odds[index + 1] - self.odds[index])
        return np.where(orders < self.top, between, 0.0)

    def power_at(self, orders: Real) -> Real:
        """Highest within half a bin either side; 0 beyond what was measured."""
        reach = max(1, round(0.5 * self.bin / self.step))
        index = np.rint(orders / self.step).astype(int)
        near = np.clip(index[..., None] + np.arange(-reach, reach + 1), 0, self.power.size - 1)
        return np.where(orders < self.top, self.power[near].max(axis=-1), 0.0)

    def offset(self, orders: Real) -> tuple[Real, Real]:
        """How far the highest peak near each place lies off it, in bins, and its standard error; NaN without one."""
        index = np.rint(orders / self.step).astype(int)
        index[orders >= self.top] = 0
        return (self.peak[index] * self.step - orders) / self.bin, self.peak_error[index]


def _peaks(power: Real, reach: int) -> tuple[Real, Real]:
    """For each entry the place of the highest peak within ``reach`` entries, NaN without one, and its standard error in
    bins."""
    log = np.log(power + 1e-12)
    bend = log[:-2] - 2 * log[1:-1] + log[2:]
    # A slope, not a peak, belongs to a line farther off.
    is_peak = (log[1:-1] >= log[:-2]) & (log[1:-1] >= log[2:]) & (bend < 0) & (power[1:-1] > STRONG)
    height, place = np.zeros(power.size), np.full(power.size, np.nan)
    which = np.flatnonzero(is_peak) + 1
    height[which] = power[which]
    place[which] = which + 0.5 * (log[which - 1] - log[which + 1]) / bend[which - 1]
    best, nearest = height.copy(), place.copy()
    for shift in range(-reach, reach + 1):
        moved, there = np.roll(height, shift), np.roll(place, shift)
        higher = moved > best
        best[higher], nearest[higher] = moved[higher], there[higher]
    error = np.hypot(PLACE_ERROR[0] / np.sqrt(np.maximum(best, STRONG)), PLACE_ERROR[1])
    nearest[0] = np.nan
    return nearest, np.where(np.isnan(nearest), np.nan, error)


def order_lines(lows: Sequence[Low], law: AngleLaw) -> OrderLines:
    """Channels laid on ``law``."""
    power, bin_hz = power_over_floor(all_laid(lows, law), law.mean_hz)
    step, resolved = bin_hz / law.mean_hz, 1.0 / law.total_turns
    mean = power / len(lows)
    peak, peak_error = _peaks(mean, max(1, round(REACH_BINS * resolved / step)))
    return OrderLines(
        power=mean,
        peak=peak,
        peak_error=peak_error,
        odds=log_likelihood_ratio(power, len(lows)),
        step=step,
        bin=resolved,
        mean_hz=law.mean_hz,
    )
