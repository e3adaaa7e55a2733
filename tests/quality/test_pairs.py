"""Recordings of outside code that come twice, whatever was done to them, and repeats that only look alike.

All of them are in ``tests.studies.copies``.
"""

from __future__ import annotations

import pytest

from tests.quality.pairs import CHANGES, HABITS, TAKES_OF_A_KIND, Take, copy, repeat
from tests.studies.copies import rows_of, taken_for_one

EACH = TAKES_OF_A_KIND * (TAKES_OF_A_KIND - 1) // 2
"""Repeats of one kind."""
DONE = {name: number for number, (name, _) in enumerate(CHANGES)}


def are_one(first: Take, second: Take) -> bool:
    return bool(taken_for_one([rows_of(first), rows_of(second)]))


@pytest.mark.parametrize(
    "kind",
    ["in step, same phase", "shaker of pseudo-chance, faint", "pattern of the recorder"],
)
def test_repeats_are_not_taken_for_one_recording(kind: str) -> None:
    number = next(place for place, habit in enumerate(HABITS) if habit.name == kind)
    assert not are_one(*repeat(number * EACH)[1:])


@pytest.mark.parametrize(
    "what",
    ["moved by a third", "at speed 1.01", "mixed with a third"],
)
def test_copies_are_known_whatever_was_done_to_them(what: str) -> None:
    assert are_one(*copy(2 * DONE[what])[1:])
