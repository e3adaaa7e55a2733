"""What the lines of one comb, read off a row of an envelope spectrum, say: where they stand, how many, how high."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from vibe.spectra.evidence.comb import STILL_A_LINE

FIRST_OF_FASTER = 3
"""Lines of the faster order among which those between are compared with it: the strongest of a comb are the first."""
HALFWAY_LINES, HALFWAY_STAND = 12, 4
"""Lines halfway between those of a part's order that are looked at, and how many of them stand where they are another
machine's: noise makes one in 1,000 stand (the highest of three bins)."""
FIRST_LINES, FIRST_STAND = 6, 4
"""Of the first free lines of a foreign comb, and how many of them stand."""
DROP_DB, OWN_DROP_DB = 8.0, 3.0
"""By how much the lines that only a slower order makes may be weaker; where the faster is a part's own, less."""
STRONGER_DB = 3.0
"""By how much the lines of the teeth exceed the others per turn where their number can be determined (common
practice)."""


def line_at(power: NDArray[np.float32], step: float, order: float, half: int) -> tuple[float, int]:
    """Power over the floor of the highest of ``half`` bins either side of ``order``, and which it is; 0 at the ends."""
    middle = round(order / step)
    if not half < middle < power.size - half - 1:
        return 0.0, middle
    near = power[middle - half : middle + half + 1]
    return float(near.max()), middle - half + int(near.argmax())


def loudest_order(power: NDArray[np.float32], step: float, low: float, high: float) -> float:
    """Order of the highest line from ``low`` to ``high``."""
    first, last = max(1, int(low / step)), min(power.size - 2, int(high / step) + 1)
    if last <= first:
        return 0.5 * (low + high)
    spot = first + int(power[first : last + 1].argmax())
    a, b, c = (float(x) for x in np.sqrt(power[spot - 1 : spot + 2]))
    return (spot + (c - a) / (a + b + c)) * step


def sharpened(power: NDArray[np.float32], step: float, order: float, mask: NDArray[np.bool_]) -> tuple[float, int]:
    """The order from all its free lines, and the highest harmonic used: the n-th gives it n times as closely."""
    bins, weights, last = 0.0, 0.0, 1
    for harmonic in range(1, 61):
        half = 1 + min(harmonic // 4, 2) if weights == 0 else 1
        top, spot = line_at(power, step, harmonic * order, half)
        if spot >= power.size - 4:
            break
        if top < STILL_A_LINE or mask[spot]:
            continue
        a, b, c = (float(x) for x in np.sqrt(power[spot - 1 : spot + 2]))
        place = spot + (c - a) / (a + b + c)
        weight = harmonic * np.log(top)
        bins, weights, last = bins + weight * place, weights + weight * harmonic, harmonic
        order = bins / weights * step
    return order, last


def standing(
    power: NDArray[np.float32], step: float, order: float, mask: NDArray[np.bool_], skip: int = 0, most: int = 40
) -> tuple[int, int]:
    """How many free lines stand at multiples of ``order`` (those of ``skip`` left out), and the highest that does."""
    count = last = 0
    for harmonic in range(1, most + 1):
        if skip and harmonic % skip == 0:
            continue
        top, spot = line_at(power, step, harmonic * order, 1)
        if 0 < spot < power.size and not mask[spot] and top > STILL_A_LINE:
            count, last = count + 1, harmonic
    return count, last


def standing_up_to(
    power: NDArray[np.float32], step: float, order: float, mask: NDArray[np.bool_], reach: float
) -> tuple[int, int]:
    """Of the free lines of a comb up to the order ``reach``: how many stand, and how many there are."""
    stand = free = 0
    for harmonic in range(1, int(reach / order) + 1):
        top, spot = line_at(power, step, harmonic * order, 1)
        if 1 < spot < power.size - 2 and not mask[spot - 1 : spot + 2].any():
            free, stand = free + 1, stand + int(top > STILL_A_LINE)
    return stand, free


def first_stand(power: NDArray[np.float32], step: float, order: float, mask: NDArray[np.bool_]) -> bool:
    """Whether the first free lines stand: those of short impacts fall with order, those of a grid that somebody else's
    side lines happen to meet do not."""
    stand = free = 0
    for harmonic in range(1, 25):
        top, spot = line_at(power, step, harmonic * order, 1)
        if not 1 < spot < power.size - 2 or mask[spot - 1 : spot + 2].any():
            continue
        free += 1
        stand += top > STILL_A_LINE
        if free == FIRST_LINES:
            break
    return stand >= FIRST_STAND and free >= FIRST_STAND


def lines_between(
    power: NDArray[np.float32], step: float, slow: float, times: int, mask: NDArray[np.bool_], reach: float
) -> tuple[int, int, float]:
    """Of the free lines that only ``slow`` makes, not ``times`` of it: how many stand, how many there are, and their
    mean level [dB]; up to the order ``reach``."""
    stand = free = 0
    level = 0.0
    for harmonic in range(1, int(reach / slow) + 1):
        if harmonic % times == 0:
            continue
        top, spot = line_at(power, step, harmonic * slow, 1)
        if not 1 < spot < power.size - 2 or mask[spot - 1 : spot + 2].any():
            continue
        free += 1
        stand += top > STILL_A_LINE
        level += 10 * float(np.log10(max(top, 1.0)))
        if free >= 3 * times:
            break
    return stand, free, level / max(1, free)


def below_db(power: NDArray[np.float32], step: float, slow: float, times: int, mask: NDArray[np.bool_]) -> float:
    """By how much, in the mean, the free lines that only ``slow`` makes, up to the third of ``times`` of it, lie below
    that one's on either side [dB], where these stand: all lines of one comb fall evenly with order. Infinite where none
    can be compared."""
    below = []
    for harmonic in range(1, FIRST_OF_FASTER * times):
        top, spot = line_at(power, step, harmonic * slow, 1)
        if harmonic % times == 0 or not 1 < spot < power.size - 2 or mask[spot - 1 : spot + 2].any():
            continue
        low = harmonic // times * times
        sides = [line_at(power, step, other * slow, 1)[0] for other in (low, low + times) if other]
        if max(sides) > STILL_A_LINE:
            near = [10 * float(np.log10(max(side, 1.0))) for side in sides]
            below.append(float(np.mean(near)) - 10 * float(np.log10(max(top, 1.0))))
    return float(np.mean(below)) if below else float("inf")


def level_db(power: NDArray[np.float32], step: float, order: float, mask: NDArray[np.bool_]) -> float:
    """Mean level over the floor of the first three free lines of a comb [dB]."""
    tops = []
    for harmonic in range(1, 13):
        top, spot = line_at(power, step, harmonic * order, 1)
        if 1 < spot < power.size - 2 and not mask[spot]:
            tops.append(10 * np.log10(max(top, 1.0)))
        if len(tops) == 3:
            break
    return float(np.mean(tops)) if tops else 0.0


def stands_halfway(power: NDArray[np.float32], step: float, order: float, mask: NDArray[np.bool_]) -> bool:
    """Whether the lines halfway between those of a comb stand, and in the mean of the first dozen as high as its own:
    something strikes twice in each repeat of half the order, at nearly opposite places, so that its even lines are the
    higher ones to begin with and its odd ones further on. A part with its side lines fills no such grid: these lie
    below what they stand next to, and a smeared line's foot is as high a quarter of the way as halfway."""

    def levels(places: Sequence[float]) -> tuple[int, float]:
        found = [line_at(power, step, place * order, 1) for place in places]
        free = [top for top, spot in found if 1 < spot < power.size - 2 and not mask[spot - 1 : spot + 2].any()]
        if 2 * len(free) < len(places):
            return 0, 0.0
        mean = float(np.mean([10 * np.log10(max(top, 1.0)) for top in free]))
        return sum(top > STILL_A_LINE for top in free), mean

    numbers = range(1, HALFWAY_LINES + 1)
    (_, own), (stand, between) = levels(numbers), levels([number - 0.5 for number in numbers])
    quarters = max(levels([number - part for number in numbers])[1] for part in (0.25, 0.75))
    return stand >= HALFWAY_STAND and between >= max(own - OWN_DROP_DB, quarters + STRONGER_DB)
