"""What is said of captures of worlds that know nothing of the program: the first of each."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import pytest

from tests.worlds import harbour, hillside, riverside
from tests.worlds.case import WorldCase
from tests.worlds.trial import Answer, health_from, scored

FIRST = 16
"""Captures of each world: every kind of truth is among them."""
KNOWN = {
    "hillside-002": "a pump whose lines fall on the drive's mesh",
    "harbour-005": "a faint drive beside a chain, whose lines another ratio would fit better",
    "harbour-007": "a sensor that wanders",
}
"""Wrong answers of the program as it stands, and what fools it: to be mended, not to be joined by others."""
WORLDS: dict[str, Callable[[int], WorldCase]] = {
    "riverside": riverside.case, "hillside": hillside.case, "harbour": harbour.case,
}  # fmt: skip


@pytest.fixture(scope="module", params=sorted(WORLDS))
def answers(request: pytest.FixtureRequest) -> list[Answer]:
    cases = (WORLDS[request.param](number) for number in range(FIRST))
    return [scored(case, health_from(case)) for case in cases]


def wrong(answers: Sequence[Answer]) -> set[str]:
    return {one.name for one in answers if not one.right}


def test_what_shows_nothing_of_the_drive_is_unknown(answers: list[Answer]) -> None:
    unusable = [one for one in answers if one.truth == "unusable"]
    assert len(unusable) >= 3
    assert wrong(unusable) <= KNOWN.keys()
    assert not any(one.state == "act" for one in unusable)


def test_a_sound_drive_is_judged_and_no_part_of_it_is_surely_accused(answers: list[Answer]) -> None:
    sound = [one for one in answers if one.truth == "sound"]
    assert len(sound) >= 6
    assert wrong(sound) <= KNOWN.keys()


def test_a_damaged_part_is_found_whatever_runs_beside_it(answers: list[Answer]) -> None:
    damaged = [one for one in answers if one.truth == "damaged"]
    assert len(damaged) >= 4
    assert wrong(damaged) <= KNOWN.keys()
