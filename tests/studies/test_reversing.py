"""The study of reversing joints, shortened: one joint, damaged and sound, with and without what tells its angle."""

from __future__ import annotations

import pytest

from tests.studies.reversing import SENSORS, trial


@pytest.mark.parametrize("sensor", ["angle", "signed pulses"])
def test_a_crank_bearing_of_a_reversing_joint_is_found_and_its_sound_twin_left_alone(sensor: str) -> None:
    damaged, sound = trial((4, sensor, 8.0)), trial((4, sensor, 0.0))  # type: ignore[arg-type]
    assert damaged.named == "bearing.crank bearing.outer_race"
    assert sound.named == ""
    assert sound.state != "unknown"
    assert any("speed changes" in remark for remark in sound.remarks)
    # The recipe without the angle cannot distinguish them.
    assert abs(damaged.plain_db - sound.plain_db) < 6.0


def test_lines_of_crank_and_lobes_that_do_not_stand_leave_a_race_its_own() -> None:
    """Forty turns a move: the race's first line lies two bins from the sixth of the crank in the housing."""
    assert trial((5001, "angle", 4.0)).named == "bearing.crank bearing.outer_race"


@pytest.mark.parametrize("sensor", [sensor for sensor in SENSORS if sensor in ("tachometer", "none")])
def test_without_its_direction_a_reversing_joint_is_unknown_and_the_remedy_said(sensor: str) -> None:
    said = trial((1, sensor, 8.0))  # type: ignore[arg-type]
    assert said.state == "unknown"
    assert said.named == ""
    assert any("speed changes more than can be followed" in reason for reason in said.reasons)
    assert any("encoder" in remedy for remedy in said.remedies)
