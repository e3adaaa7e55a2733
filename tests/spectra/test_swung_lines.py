"""Side lines of a load that swings with the output's turn, on axes made by hand."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest

from vibe.spectra.presence.axes import Axis
from vibe.spectra.presence.families import Family
from vibe.spectra.presence.shaft import _repeats
from vibe.spectra.rivals.swung_lines import swung_lines

STEP = 0.002
"""Orders per bin."""
FAMILY = Family(count=88, unit=1.0, difference=1)
TURN = 1 / 87
PAST = FAMILY.past


def axis(orders: Sequence[float]) -> Axis:
    row = np.full(20_000, 1.0)
    row[np.rint(np.asarray(orders) / STEP).astype(int)] = 100.0
    return Axis(rows=((row, STEP),), audible=(0.9,))


@pytest.mark.parametrize(
    ("around", "times"),
    [pytest.param(8.0, 2, id="of the shaft"), pytest.param(9 * PAST, 3, id="of the lobes")],
)
def test_lines_on_both_sides_of_an_own_one_are_the_loads(around: float, times: int) -> None:
    both = [around - times * TURN, around + times * TURN]
    found = swung_lines(axis([around, *both]), TURN, FAMILY)
    assert all(np.abs(found - order).min() < 1e-9 for order in both)


def test_lobes_of_another_drive_stand_on_one_side_only() -> None:
    # Of half the lobes: twice as far from the shaft's multiples, in the places of the load's side lines.
    assert not swung_lines(axis([k * (1 + 2 * TURN) for k in range(1, 9)]), TURN, FAMILY).size


def test_shaft_and_lobes_are_no_side_lines_of_one_another() -> None:
    own = [k * unit for k in range(1, 9) for unit in (1.0, PAST)]
    assert not swung_lines(axis(own), TURN, FAMILY).size


@pytest.mark.parametrize(
    ("multiples", "repeats"),
    [
        pytest.param((1,), True, id="the first"),
        pytest.param((3, 4), True, id="two neighbours"),
        pytest.param((4,), False, id="one that may be a faster rotor's"),
        pytest.param((2, 4), False, id="two of a rotor twice as fast"),
    ],
)
def test_a_comb_is_known_by_its_first_line_or_by_two_neighbours(multiples: tuple[int, ...], repeats: bool) -> None:
    past = 12 / 11
    assert _repeats(axis([k * past for k in multiples]), np.arange(1.0, 9.0) * past) is repeats
