"""Teeth on a slow shaft: how many pass per turn, and whether they differ."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from vibe.core.outside_combs import MOST_PER_TURN
from vibe.spectra.evidence.comb import STILL_A_LINE
from vibe.spectra.outside.comb_lines import line_at

SLOW_TURN_TOLERANCE = 2.5
"""Bins by which the highest line used may miss a whole multiple of a slow turn."""
LEAST_BETWEEN, LEAST_ROOM_BINS = 8, 4
"""Lines per turn between those of the teeth that must be free to show that the teeth differ, and bins between lines."""
BETWEEN_STAND = 0.3
"""Share of those that then stand: by chance one in 300 does; a pattern of few harmonics fills no more."""
MOST_CHANCE = 0.25
"""Share of orders that would fit a whole number per slow turn by chance, above which that fit says nothing."""


def whole_per_turn(order: float, last: int, step: float, slow_turns: Sequence[float]) -> tuple[int, float] | None:
    """The whole number per turn of a slow shaft that an order is, if only few orders would be one by chance."""
    for turn in slow_turns:
        number = round(order / turn)
        tolerance = SLOW_TURN_TOLERANCE * step / max(last, 1)
        if (
            1 < number <= MOST_PER_TURN
            and 2 * tolerance / turn <= MOST_CHANCE
            and abs(order - number * turn) < tolerance
        ):
            return number, turn
    return None


def lines_per_turn(
    power: NDArray[np.float32], step: float, per_turn: tuple[int, float], mask: NDArray[np.bool_]
) -> int:
    """How many lines at whole multiples of a shaft's turn stand besides those of its (count, turn) teeth: teeth or
    links that differ repeat once per turn, and fill all of them. 0 where they do not, or lie too close to tell."""
    count, turn = per_turn
    if turn < LEAST_ROOM_BINS * step:
        return 0
    block, last = max(count, LEAST_BETWEEN), 0
    while True:
        stand = free = 0
        for number in range(last + 1, last + block + 1):
            top, spot = line_at(power, step, number * turn, 1)
            if number % count and 1 < spot < power.size - 2 and not mask[spot - 1 : spot + 2].any():
                free, stand = free + 1, stand + int(top > STILL_A_LINE)
        if free < LEAST_BETWEEN // 2 or stand < BETWEEN_STAND * free:
            return last
        last += block
