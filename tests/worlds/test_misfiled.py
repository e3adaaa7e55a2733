"""Drives under the file of another ratio, under their own, and sound drives that are hard to hear."""

from __future__ import annotations

import pytest

from tests.worlds import hillside, misfiled
from tests.worlds.trial import health_from, scored

MIXED_UP = (
    40,  # 40 pins under a file of 120
    44,  # a speed at which the lobes of 26 pins pass for those of 22
    1008,  # few pins, and a bearing of the file where the drive has lines
)


@pytest.mark.parametrize("number", MIXED_UP)
def test_of_another_ratio_nothing_is_said(number: int) -> None:
    answer = scored(case := misfiled.case(number), health_from(case))
    assert answer.right, answer


@pytest.mark.parametrize("number", MIXED_UP)
def test_the_same_under_its_own_file_is_judged(number: int) -> None:
    answer = scored(case := misfiled.rightly(number), health_from(case))
    assert answer.right, answer


@pytest.mark.parametrize(
    "number",
    [
        17,  # spur wheels in front that the file leaves out
        26,  # a mesh above the band that the recorder passes
    ],
)
def test_a_sound_drive_is_judged(number: int) -> None:
    answer = scored(case := hillside.case(number), health_from(case))
    assert answer.truth == "sound"
    assert answer.right, answer
