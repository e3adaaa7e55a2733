"""Shapes that a moving speed may have, read from how the lines of a capture move."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from vibe.spectra.basic.angle_law import AngleLaw
from vibe.spectra.speed.line_likelihood import Places, over_floor, speed_grid
from vibe.spectra.speed.phase_refinement import Low

Real = NDArray[np.float64]

SEGMENT_TURNS = 24.0
"""Turns per segment in which speed is followed."""
PRICE_OF_MOTION = (3.0, 7.0)
"""Log odds against a speed that changes smoothly (one capture in twenty) and against one that jumps (one in a
thousand); common practice."""
SMOOTH = ((0.0035, 0.25), (0.01, 1.0))  # explained with the next
JUMPY = ((0.01, 1.0), (0.08, 3.0))
"""(Relative change of speed from one segment to the next, its price) for the two kinds of path. The least holds a ramp
of 5 % over 10 s at 24 turns a second; the smooth path may not jump, else a ramp turns into a hop to a near family."""
RAMPS = np.linspace(-0.06, 0.06, 97)
"""Relative changes of speed over a capture that are tried where a path is in doubt."""
LEAST_DRIFT = 2e-4
"""A tracked speed that moves less than this is steady."""
LINE_KNEE = 8.0
"""Power over the floor above which a line counts by its logarithm when speed is followed: one must not decide alone."""
AT_ONCE = 32
"""Segments that are transformed together: memory stays that of a few."""


def paths(
    lows: Sequence[Low],
    duration: float,
    range_hz: tuple[float, float],
    orders: Real,
    *,
    segment_turns: float = SEGMENT_TURNS,
    least_s: float = 0.5,
) -> list[tuple[AngleLaw, float]]:
    """Shapes (mean 1 Hz) that a moving speed may have, and their price: a cubic, and the path as it was followed."""
    segment_s = min(duration, max(least_s, segment_turns / range_hz[0]))
    count = max(1, int(np.ceil((duration - segment_s) / (segment_s / 2) - 1e-9)) + 1)
    if count < 4:
        return []
    centres = np.linspace(segment_s / 2, duration - segment_s / 2, count)
    grid = speed_grid(range_hz, segment_s, orders)
    score = np.zeros((count, grid.size))
    for item in lows:
        for first in range(0, count, AT_ONCE):
            some = slice(first, first + AT_ONCE)
            power, bin_hz = over_floor(item, centres[some] - segment_s / 2, segment_s, range_hz[1])
            tamed = np.minimum(power, LINE_KNEE) + LINE_KNEE * np.log(np.maximum(power / LINE_KNEE, 1.0))
            for order in orders:
                places = Places.of(order * grid / bin_hz, power.shape[1])
                score[some] += places.read(tamed, beyond=1.0) / (orders.size * len(lows))
    curve = np.polynomial.Polynomial.fit(centres, grid[track(score, grid, SMOOTH)], min(3, count // 3))
    speeds = grid[track(score, grid, JUMPY)]
    knots = np.concatenate([[0.0], centres, [duration]])
    held = np.concatenate([speeds[:1], speeds, speeds[-1:]])
    path = np.concatenate([[0.0], np.cumsum(np.diff(knots) * (held[1:] + held[:-1]) / 2)])
    shapes = []
    smooth = curve.integ()
    for turns, price in zip((smooth(knots) - smooth(0.0), path), PRICE_OF_MOTION, strict=True):
        if np.all(np.diff(turns) > 0):
            shape = AngleLaw(time_s=knots, turns=turns * duration / turns[-1])
            if shape.drift > LEAST_DRIFT:
                shapes.append((shape, price))
    return shapes


def steady_ramps(duration: float) -> list[AngleLaw]:
    """Speeds that rise or fall steadily, mean 1 Hz."""
    time_s = np.linspace(0.0, duration, 33)
    return [AngleLaw(time_s=time_s, turns=time_s + change * (time_s**2 / duration - time_s) / 2) for change in RAMPS]


def _largest_within(values: Real, reach: int) -> Real:
    """The largest of each value and its ``reach`` neighbours on either side."""
    largest, width = np.full(values.size + 2 * reach, -np.inf), 1
    largest[reach : reach + values.size] = values
    while width <= 2 * reach:
        step = min(width, 2 * reach + 1 - width)
        largest = np.maximum(largest[:-step], largest[step:])
        width += step
    return largest


def track(score: Real, grid: Real, changes: Sequence[tuple[float, float]]) -> NDArray[np.intp]:
    """The path of greatest total score (segments, speeds); changes cost the more, the larger they are."""
    step = max(grid[1] - grid[0], 1e-12) if grid.size > 1 else 1.0
    price = 0.5 * float(np.std(score))
    reaches = [(max(1, int(change * grid.mean() / step)), times * price) for change, times in changes]
    best = np.empty_like(score)
    best[0] = score[0]
    for row in range(1, score.shape[0]):
        gained = best[row - 1]
        for reach, cost in reaches:
            gained = np.maximum(gained, _largest_within(best[row - 1], reach) - cost)
        best[row] = score[row] + gained
    path = np.empty(score.shape[0], dtype=np.intp)
    path[-1] = int(best[-1].argmax())
    # Where each place was reached from is asked on the way back, for the one path alone.
    for row in range(score.shape[0] - 1, 0, -1):
        before, place = best[row - 1], int(path[row])
        path[row - 1], gained_here = place, before[place]
        for reach, cost in reaches:
            a, b = max(0, place - reach), min(grid.size, place + reach + 1)
            origin = a + int(before[a:b].argmax())
            if before[origin] - cost > gained_here:
                path[row - 1], gained_here = origin, before[origin] - cost
    return path
