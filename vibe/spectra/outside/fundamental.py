"""The fundamental of a comb: the slowest order whose own lines stand, or the fastest that makes all that do."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vibe.core.outside_combs import MOST_TESTED
from vibe.spectra.evidence.decoy_null import lines_level_db
from vibe.spectra.outside.comb_lines import (
    DROP_DB,
    OWN_DROP_DB,
    below_db,
    level_db,
    lines_between,
    sharpened,
    standing,
    standing_up_to,
    stands_halfway,
)

LOWEST_ORDER, HIGHEST_ORDER = 0.02, 30.0
"""Orders of the input at which another machine's comb is looked for: from a slow chain to the pass of a gear mesh
(common practice)."""
STANDING = 0.6
"""Share of the free lines between that stand when a slower order is the fundamental; an irregular comb lacks some."""
FEWEST_TOGETHER = 4
"""Lines of a part's own slow order, between those of the faster one, whose mean level may say that they are there."""
ALIKE_STAND = 0.4
"""Share of them that then stands one by one: half of lines that are alike exceed their mean, noise moving each by two
decibels or three; of a few strong ones among others that are not there fewer do."""
FEWEST_BETWEEN = 10
"""Lines of a slower order, its own and those of the faster one, that are looked at: of half of it the first three lines
between may be somebody else's."""
FAR = 0.04
"""Relative distance from a race's window within which a comb may still be its own."""
NEAR_ROTOR = 0.02
"""Relative distance from the shaft's own order within which a rotor is a neighbour of alike speed."""


def fundamental(
    power: NDArray[np.float32],
    step: float,
    order: float,
    mask: NDArray[np.bool_],
    lowest: float,
    drop_db: Callable[[float, float], float],
    own_law: Callable[[float, float], NDArray[np.bool_] | None],
    carriers: Sequence[float] = (1.0,),
    of_a_part: Callable[[float], bool] = lambda _slow: False,
) -> float:
    """The slowest order whose own lines stand, or the fastest that makes all that do.

    ``drop_db(order, slow)``: by how much the lines that only ``slow`` makes may be weaker: side lines of a damaged part
    fall on many a grid, yet lie below what they stand next to. ``own_law(order, slow)`` are the bins that a part of the
    machine at ``order`` fills itself, None where ``slow`` is the part's own: then it is no fundamental of another.
    ``carriers`` are the orders at which shafts carry parts through their loads: side lines stand so far apart.
    ``of_a_part(slow)``: whether a part of the machine that slips repeats so.
    """
    known = _Known(lowest=lowest, drop_db=drop_db, own_law=own_law, carriers=carriers, of_a_part=of_a_part)
    order, last = sharpened(power, step, order, mask)
    if (rotor := _other_rotor(power, step, order, last, mask, known)) is not None:
        return rotor
    # Faster: most lines between are missing, or so weak that they would not make a part's order another machine's.
    for times in (7, 5, 4, 3, 2):
        parts = of_a_part(times * order)
        if times == 4 and not parts:
            continue  # Twice and twice again.
        stand, free, _ = lines_between(power, step, order, times, mask, 8 * order * times)
        strong = standing(power, step, times * order, mask, most=12)[0]
        # Impacts that vary in time have few lines: only where the faster's own go on are those between them missing.
        fast, room = standing_up_to(power, step, times * order, mask, 8 * order * times)
        missing = stand * max(1, room) <= 0.34 * free * fast
        drop = drop_db(times * order, order)
        missing |= (drop < DROP_DB or parts) and below_db(power, step, order, times, mask) > drop
        if free >= 2 * (times - 1) and missing and strong >= 3 and times * order < HIGHEST_ORDER:
            return fundamental(power, step, times * order, mask, lowest, drop_db, own_law, carriers, of_a_part)
    halved = order / 2
    if halved >= lowest and drop_db(order, halved) < DROP_DB and stands_halfway(power, step, order, mask):
        law = own_law(order, halved)
        if law is not None and law.any():
            return sharpened(power, step, halved, mask)[0]
    if (race := _race_above(power, step, order, mask, carriers)) is not None:
        return race
    return _slower(power, step, order, mask, known)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Known:
    """What is known of the machine's own parts where a fundamental is sought, and the lowest order that is tried."""

    lowest: float
    drop_db: Callable[[float, float], float]
    own_law: Callable[[float, float], NDArray[np.bool_] | None]
    carriers: Sequence[float]
    of_a_part: Callable[[float], bool]


def _other_rotor(
    power: NDArray[np.float32], step: float, order: float, last: int, mask: NDArray[np.bool_], known: _Known
) -> float | None:
    """Another rotor at about the shaft's speed, of which ``order`` is a multiple: its first lines may lie in those of
    the shaft. None where its lines between do not stand."""
    rotor = order / max(1, round(order))
    if not (order > 1.5 and 1.5 * step / (last * order) < abs(rotor - 1) < NEAR_ROTOR):
        return None
    rotor = sharpened(power, step, rotor, mask)[0] if standing(power, step, rotor, mask)[0] >= 3 else rotor
    stand, free, level = lines_between(power, step, rotor, round(order), mask, 30.0)
    if known.own_law(order, rotor) is None or sides_nearer(power, step, order, rotor, mask, known.carriers):
        return None
    least = level_db(power, step, order, mask) - known.drop_db(order, rotor)
    return rotor if free >= 3 and stand >= 0.5 * free and level >= least else None


def _race_above(
    power: NDArray[np.float32], step: float, order: float, mask: NDArray[np.bool_], carriers: Sequence[float]
) -> float | None:
    """The race whose side lines at the shaft's turn fill nearly the grid of a shaft, where ``order`` is about one: they
    lie below what they stand next to. None where there is none."""
    if abs(order - 1.0) >= FAR:
        return None
    places = [sharpened(power, step, times * order, mask)[0] for times in range(2, 8)]
    race = max(places, key=lambda place: level_db(power, step, place, mask))
    above = level_db(power, step, race, mask) >= level_db(power, step, order, mask) + OWN_DROP_DB
    stands = above and standing(power, step, race, mask, most=12)[0] >= 3
    return race if stands and sides_nearer(power, step, race, order, mask, carriers) else None


def _slower(power: NDArray[np.float32], step: float, order: float, mask: NDArray[np.bool_], known: _Known) -> float:
    """The slowest part of ``order`` whose own lines stand; ``order`` where none does."""
    own = level_db(power, step, order, mask)
    for times in range(MOST_TESTED, 1, -1):
        slow = order / times
        if slow < known.lowest or sides_nearer(power, step, order, slow, mask, known.carriers):
            continue
        law = known.own_law(order, slow)
        if law is None:
            continue
        reach = max(3 * order, 2.0, FEWEST_BETWEEN * slow)
        stand, free, level = lines_between(power, step, slow, times, mask | law, reach)
        if free < 3:
            continue
        drop = known.drop_db(order, slow)
        below = own - level if drop >= DROP_DB else below_db(power, step, slow, times, mask | law)
        # Where a part that strikes repeats so slowly, all its lines are alike, and need not stand one by one.
        alike = free >= FEWEST_TOGETHER and stand >= ALIKE_STAND * free
        alike &= level >= max(lines_level_db(free), own - OWN_DROP_DB)
        stands = stand >= STANDING * free and below <= drop
        if stands or (alike and known.of_a_part(slow)):
            return sharpened(power, step, slow, mask)[0]
    return order


def sides_nearer(
    power: NDArray[np.float32],
    step: float,
    order: float,
    rotor: float,
    mask: NDArray[np.bool_],
    carriers: Sequence[float],
) -> bool:
    """Whether the lines between lie where side lines of ``order`` at the turn of one of the ``carriers`` would, rather
    than at multiples of another rotor: a race near a whole order with strong side lines fills the same grid, but for a
    bin or two."""
    times = round(order / rotor)

    def nearer(turn: float) -> float:
        total = 0.0
        for number in range(1, 4 * times):
            harmonic = round(number / times)
            if number % times == 0 or harmonic == 0:
                continue
            side = (harmonic * order + (number - harmonic * times) * turn) / step
            own = number * rotor / step
            if abs(side - own) < 1.2 or not 0 < side < power.size - 4 or own > power.size - 4:
                continue
            a, b = round(side), round(own)
            if not (mask[a] or mask[b]):
                total += float(np.log(max(float(power[a]), 1.0)) - np.log(max(float(power[b]), 1.0)))
        return total

    return any(nearer(turn) > 0 for turn in carriers if abs(rotor / turn - 1.0) < NEAR_ROTOR)
