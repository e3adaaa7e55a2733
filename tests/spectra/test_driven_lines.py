"""Lines of what the drive turns, so many per turn of its output."""

from __future__ import annotations

import numpy as np
import pytest

from vibe.spectra.presence.axes import Axis
from vibe.spectra.rivals.driven_lines import driven_orders

STEP, TURN = 0.004, 1 / 15
"""Orders per bin; output of a drive of fifteen lobes."""


def axis(*orders: float, surprise: float = 20.0) -> Axis:
    row = np.ones(20_000)
    row[np.rint(np.array(orders) / STEP).astype(int)] = surprise
    return Axis(rows=((row, STEP),), audible=(0.9,))


def multiples(order: float, most: int = 12) -> list[float]:
    return [k * order for k in range(1, most + 1)]


def test_thirty_three_strikes_per_output_turn_are_found() -> None:
    assert driven_orders(axis(*multiples(33 * TURN)), TURN, ()) == [pytest.approx(2.2)]


@pytest.mark.parametrize(
    "orders",
    [
        multiples(33 * TURN, 5),
        multiples(33.2 * TURN),
        multiples(16.5 * TURN, 24),
        multiples(15 * TURN, 24),
        multiples(65 * TURN),
    ],
    ids=["five lines", "no whole number", "every second line of a slower comb", "the shaft's own", "too many"],
)
def test_what_is_no_such_comb_is_none(orders: list[float]) -> None:
    assert driven_orders(axis(*orders), TURN, ()) == []


def test_lines_that_the_drive_makes_itself_and_faint_ones_show_nothing() -> None:
    lobes = multiples(16 * TURN)
    assert driven_orders(axis(*lobes), TURN, ()) == [pytest.approx(16 * TURN)]
    assert driven_orders(axis(*lobes), TURN, lobes[:3]) == []
    assert driven_orders(axis(*multiples(33 * TURN), surprise=9.0), TURN, ()) == []
