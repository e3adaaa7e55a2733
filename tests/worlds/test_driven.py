"""What a driven machine, a striker or a twin does is no damage of the drive's, and damage next to them still is."""

from __future__ import annotations

from functools import cache

import pytest

from tests.worlds.case import WorldCase
from tests.worlds.driven import KINDS, made
from tests.worlds.trial import health_from, scored
from vibe.core.health import Health

QUIET = (32, 67, 77, 121)
"""Sound drives next to uneven teeth, a twin's pin, uneven teeth again, an even chain that wanders."""


@cache
def judged(number: int) -> tuple[WorldCase, Health]:
    case = made(number)
    return case, health_from(case)


@pytest.mark.parametrize("number", QUIET)
def test_a_sound_drive_is_not_accused_of_what_another_machine_does(number: int) -> None:
    assert KINDS[number % len(KINDS)][1] == "sound"
    case, health = judged(number)
    assert scored(case, health).right
    assert health.outside_sources


def test_a_twins_race_is_said_to_be_a_twins() -> None:
    """Nothing tells which of the two speeds is this drive's. The race turns with the other shaft than that found, where
    it slips by half a per cent; with this one it would have to by 1.2 %."""
    _, health = judged(38)
    (finding,) = health.findings
    assert health.state == "watch"
    assert finding.other_machine is not None
    assert finding.outside_causes == [finding.other_machine]
    assert "they belong to a machine of the same kind" in finding.why


@pytest.mark.parametrize("number", [41, 72])
def test_a_damaged_race_next_to_a_chain_or_a_striker_is_still_named(number: int) -> None:
    case, health = judged(number)
    assert scored(case, health).right


@pytest.mark.parametrize("number", [32, 77])
def test_uneven_teeth_are_counted_by_their_strongest_lines(number: int) -> None:
    case, health = judged(number)
    (source,) = health.outside_sources
    assert source.per_turn == case.marks["order"]
