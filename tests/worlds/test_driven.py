"""What a driven machine, a striker or a twin does is no damage of the drive's, and damage beside them still is."""

from __future__ import annotations

import pytest

from tests.worlds.driven import KINDS, made
from tests.worlds.trial import health_from, scored

QUIET = (32, 38, 67, 77, 121)
"""Sound drives beside: uneven teeth, a twin's race, a twin's pin, uneven teeth again, an even chain that wanders."""


@pytest.mark.parametrize("number", QUIET)
def test_a_sound_drive_is_not_accused_of_what_another_machine_does(number: int) -> None:
    case = made(number)
    assert KINDS[number % len(KINDS)][1] == "sound"
    health = health_from(case)
    assert scored(case, health).right
    assert health.outside_sources


@pytest.mark.parametrize("number", [41, 72])
def test_a_damaged_race_beside_a_chain_or_a_striker_is_still_named(number: int) -> None:
    case = made(number)
    health = health_from(case)
    assert scored(case, health).right


@pytest.mark.parametrize("number", [32, 77])
def test_uneven_teeth_are_counted_by_their_strongest_lines(number: int) -> None:
    case = made(number)
    (source,) = health_from(case).outside_sources
    assert source.per_turn == case.marks["order"]
