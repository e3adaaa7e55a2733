"""Bearing lives at the speed of their rings against each other."""

from __future__ import annotations

import tomllib
from typing import Any

import pytest
from pydantic import ValidationError

from vibe.core.drive import Drive
from vibe.core.errors import ConfigError
from vibe.flow.history.capture_record import kind_of
from vibe.kinematics.rating_life import rating_lives

DRIVE = """
tag = "T-1"
[input]
speed_rpm = 1500
[[stage]]
kind = "cycloidal"
lobes = 11
ring_pins = 12
output_pins = 6
"""
ECCENTRIC = {
    "name": "eccentric bearing", "inner": "stage1.eccentric", "outer": "stage1.disc", "elements": 13,
    "element_diameter_mm": 11.0, "pitch_diameter_mm": 52.0,
}  # fmt: skip
LOADED = {"type": "roller", "dynamic_rating_kn": 50.0, "equivalent_load_kn": 10.0}


def drive(**more: Any) -> Drive:
    return Drive.model_validate({**tomllib.loads(DRIVE), "bearing": [{**ECCENTRIC, **more}]})


def test_the_eccentric_bearing_turns_faster_than_the_input() -> None:
    """The disc turns at -1/11 of the input, so that the rings pass each other 12/11 times per input turn."""
    (life,) = rating_lives(drive(**LOADED))
    assert life.relative_order == pytest.approx(12 / 11)
    assert life.relative_speed_rpm == pytest.approx(1500 * 12 / 11)
    assert life.l10_million == pytest.approx(213.75, abs=5e-3)
    # At the input's own speed it would be 2375 h: by 12/11 too long.
    assert life.l10_hours == pytest.approx(2375 * 11 / 12, abs=0.5)
    (slow,) = rating_lives(drive(**LOADED), speed_rpm=750.0)
    assert slow.l10_hours == pytest.approx(2 * (life.l10_hours or 0))


def test_balls_and_rollers_differ() -> None:
    (ball,) = rating_lives(drive(**{**LOADED, "type": "ball"}))
    assert ball.l10_million == pytest.approx(125.0)


@pytest.mark.parametrize("missing", ["type", "dynamic_rating_kn", "equivalent_load_kn"])
def test_what_is_not_stated_is_not_guessed(missing: str) -> None:
    (life,) = rating_lives(drive(**{name: value for name, value in LOADED.items() if name != missing}))
    assert (life.l10_million, life.l10_hours) == (None, None)
    assert missing in life.note
    assert life.relative_speed_rpm == pytest.approx(1500 * 12 / 11)


def test_rings_that_turn_together_and_bodies_that_are_not_there() -> None:
    (still,) = rating_lives(drive(**LOADED, inner="input", outer="stage1.eccentric"))
    assert still.l10_hours is None
    assert "do not turn" in still.note
    with pytest.raises(ConfigError, match=r"stage1\.disc"):
        rating_lives(drive(**LOADED, inner="stage1.disk"))


def test_a_load_beyond_half_the_rating_is_said() -> None:
    (life,) = rating_lives(drive(**{**LOADED, "equivalent_load_kn": 30.0}))
    assert "does not hold" in life.note
    assert "does not hold" not in rating_lives(drive(**LOADED))[0].note


@pytest.mark.parametrize(
    "wrong",
    [
        {"type": "needle"}, {"dynamic_rating_kn": 0.0}, {"equivalent_load_kn": -1.0}, {"dynamic_rating_kn": "50"},
        {**LOADED, "equivalent_load_kn": 50.1},
    ],
)  # fmt: skip
def test_wrong_bearings_cannot_be_made(wrong: dict[str, Any]) -> None:
    with pytest.raises(ValidationError):
        drive(**wrong)


def test_a_load_makes_no_other_kind_of_drive() -> None:
    """Drives whose files gained a load stay sisters of those in a store that had none."""
    assert kind_of(drive()) == kind_of(drive(**LOADED))
    assert kind_of(drive()) != kind_of(drive(elements=12))
