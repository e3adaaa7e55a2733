"""A drive that turns at twice, half or one and a half times the speed at which its lines were read."""

from __future__ import annotations

import numpy as np
import pytest

from tests.spectra.test_rivals import drive, family, recorded
from vibe.spectra.rivals.speed_multiples import MULTIPLES, odds_of_multiples

WITHIN = (0.97, 1.03)
UNSURE = 1 / 19
"""Odds from which the drive is not called detected."""


def odds(pins: int, speed: float, *, seed: int = 1, without: tuple[float, ...] = ()) -> float:
    made = drive(pins, speed=speed)
    made = made[~np.isin(np.round(made, 6), without)]
    return odds_of_multiples(recorded(made, seed=seed), [family(pins)], *WITHIN)


@pytest.mark.parametrize("pins", [12, 24, 36])
@pytest.mark.parametrize("speed", [3 / 2, 2.0])
def test_a_drive_at_a_multiple_of_the_speed_that_was_read(pins: int, speed: float) -> None:
    assert odds(pins, speed) > UNSURE


@pytest.mark.parametrize("pins", [12, 18, 36, 60, 120])
@pytest.mark.parametrize("seed", range(3))
def test_a_drive_at_the_speed_that_was_read(pins: int, seed: int) -> None:
    assert odds(pins, 1.0, seed=seed) < 0.1 * UNSURE


def test_a_drive_whose_running_speed_does_not_stand() -> None:
    """Mesh, lobes and higher multiples of the shaft speak for it."""
    assert odds(24, 1.0, without=(1.0,)) < UNSURE


def test_half_orders_without_a_mesh_are_a_loose_shaft() -> None:
    loose = np.concatenate([drive(24), np.arange(0.5, 6.0, 1.0)])
    assert odds_of_multiples(recorded(loose), [family(24)], *WITHIN) < UNSURE


def test_side_lines_of_half_the_speed_are_none_where_its_shaft_does_not_stand() -> None:
    """Another machine's lines may lie there; a shaft that turns half as fast would nearly always show its own: two that
    are missing make it five times less likely, as far as lines of one body count."""
    between = np.array([12 - 6 / 11, 12 + 6 / 11])
    with_pump, with_shaft = (
        odds_of_multiples(recorded(np.concatenate([drive(12), between, more])), [family(12)], *WITHIN)
        for more in (np.empty(0), np.arange(0.5, 6.0, 1.0))
    )
    assert with_pump < 0.3 * with_shaft


def test_speeds_within_the_range_are_not_asked_here() -> None:
    assert odds_of_multiples(recorded(drive(24, speed=2.0)), [family(24)], 0.3, 4.0) == 0.0
    assert all(one < 0.97 or one > 1.03 for one in MULTIPLES)
