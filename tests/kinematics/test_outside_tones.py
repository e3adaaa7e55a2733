"""What turns with a drive and is no part of it: orders by count, bodies that are there, nothing asked of a capture."""

from __future__ import annotations

from fractions import Fraction
from math import pi
from typing import Any

import pytest

from vibe.core.drive import Drive
from vibe.core.errors import ConfigError
from vibe.core.tones import CaptureSettings
from vibe.kinematics.planning.observability import visibility
from vibe.kinematics.tone_table import tone_table

STAGE = {"kind": "cycloidal", "lobes": 29, "ring_pins": 30, "output_pins": 10}
BELT = {"kind": "belt", "driver_diameter_mm": 100.0, "driven_diameter_mm": 200.0}


def drive(*stages: dict[str, Any], **more: Any) -> Drive:
    return Drive.model_validate({"tag": "T", "input": {"speed_rpm": 1450.0}, "stage": list(stages)} | more)


def test_a_sprocket_on_the_output_counts_per_output_turn() -> None:
    table = tone_table(drive(STAGE, driven=[{"name": "chain", "sprocket_teeth": 19}]))
    tone = table.tone("driven.chain")
    assert tone.order_exact == Fraction(19, 29)
    assert (tone.damage, tone.family, tone.slip) == (False, "driven", (0.0, 0.0))


def test_one_machine_may_make_several_things() -> None:
    screw = {"name": "screw", "flights": 2, "per_turn": [2.5, 4.0]}
    table = tone_table(drive(STAGE, driven=[screw]))
    made = {tone.id: tone.order_exact for tone in table.tones if tone.family == "driven"}
    assert made == {
        "driven.screw.flights": Fraction(2, 29),
        "driven.screw.per_turn": Fraction(5, 58),
        "driven.screw.per_turn_2": Fraction(4, 29),
    }


def test_a_fan_on_the_input_and_a_belt_that_creeps() -> None:
    fan, belt = (
        {"name": "fan", "fan_blades": 7},
        {"name": "v-belt", "pulley_diameter_mm": 100.0, "belt_length_mm": 900.0},
    )
    table = tone_table(drive(STAGE, fitted=[fan, belt]))
    assert table.tone("fitted.fan").order_exact == 7
    assert table.tone("fitted.v-belt").order == pytest.approx(pi / 9)
    assert table.tone("fitted.v-belt").slip[0] < 0


def test_behind_a_belt_what_is_driven_slips_with_it() -> None:
    tone = tone_table(drive(BELT, STAGE, driven=[{"name": "chain", "sprocket_teeth": 19}])).tone("driven.chain")
    assert tone.order == pytest.approx(19 / 29 / 2)
    assert tone.slip[0] == pytest.approx(-0.02)


@pytest.mark.parametrize(
    ("more", "said"),
    [
        ({"driven": [{"name": "a", "on": "stage1.outputs", "blades": 3}]}, "nearest is 'stage1.output'"),
        ({"driven": [{"name": "a", "on": "stage1.ring", "blades": 3}]}, "stage1.ring stands still"),
        ({"fitted": [{"name": "a", "on": "housing", "fan_blades": 3}]}, "housing stands still"),
    ],
)
def test_on_a_body_that_cannot_be(more: dict[str, Any], said: str) -> None:
    with pytest.raises(ConfigError, match=said):
        tone_table(drive(STAGE, **more))


def test_no_capture_is_asked_for_them() -> None:
    """What a reducer's owner wants to see is the reducer: a slow chain makes no capture too short."""
    settings = CaptureSettings(duration_s=10.0, sample_rate_hz=25_600.0, usable_band_hz=(2.0, 10_000.0))
    bare, declared = (
        {v.tone: v.seen for v in visibility(tone_table(drive(STAGE, **more)), settings, 24.2)}
        for more in ({}, {"driven": [{"name": "chain", "sprocket_teeth": 19}]})
    )
    assert declared == bare


def test_a_bearing_that_a_chain_can_be_taken_for_is_reported() -> None:
    """Nineteen teeth at 19/29: three of them are 57/29 = 1.9655, next to a rolling element's 1.97."""
    bearing = {"name": "b", "inner": "input", "outer": "housing", "orders": {"outer_race": 1.97}}
    table = tone_table(drive(STAGE, bearing=[bearing], driven=[{"name": "chain", "sprocket_teeth": 19}]))
    pairs = {frozenset((c.tone_a, c.tone_b)): max(c.harmonic_a, c.harmonic_b) for c in table.coincidences}
    assert pairs[frozenset(("bearing.b.outer_race", "driven.chain"))] == 3
