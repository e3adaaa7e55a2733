from __future__ import annotations

from typing import Any

import pytest

from vibe.core.drive import Drive
from vibe.core.records.acceptance import Requirement
from vibe.health.acceptance.named_parts import lacking
from vibe.kinematics.tone_table import tone_table

TURNING = {"speed_rpm": 1455.0, "speed_range_rpm": [1440.0, 1470.0], "power_kw": 1.0}
STAGE = {"kind": "cycloidal", "lobes": 17, "ring_pins": 18, "output_pins": 8, "discs": 2, "fixed": "ring"}


def bearing(name: str, inner: str, outer: str) -> dict[str, Any]:
    size = {"elements": 9, "element_diameter_mm": 8.0, "pitch_diameter_mm": 40.0}
    return {"name": name, "inner": inner, "outer": outer, **size}


INPUT = bearing("input bearing", "input", "housing")
ECCENTRIC = bearing("eccentric bearing", "stage1.eccentric", "stage1.disc")


def left_out(text: str, *bearings: dict[str, Any], **more: object) -> list[str]:
    drive = Drive.model_validate(
        {"tag": "t", "name": "t", "input": TURNING, "stage": [STAGE], "bearing": list(bearings)}
    )
    asked = Requirement.model_validate(
        {"id": "d", "kind": "no damage", "text": text, "source": "s", "false_alarm_rate": 0.01, **more}
    )
    return lacking(asked, [tone for tone in tone_table(drive).tones if tone.damage], drive)


@pytest.mark.parametrize("text", ["No local damage of any bearing, pin, roller or lobe", "Bearings and pins are sound"])
def test_bearings_that_the_contract_names_must_be_in_the_drive_file(text: str) -> None:
    assert left_out(text) == ["bearing"]
    assert left_out(text, INPUT, ECCENTRIC) == []
    # A cycloidal stage has one on its eccentric, whatever the file says.
    assert left_out(text, INPUT) == ["the eccentric bearing of stage 1"]


def test_pins_and_lobes_come_with_the_stage_and_gears_do_not() -> None:
    assert left_out("No ring pin, output pin or lobe is damaged") == []
    assert left_out("No tooth and no lobe is damaged") == ["tooth"]


def test_parts_may_be_named_one_by_one() -> None:
    assert left_out("t", INPUT, parts=["input bearing", "stage1.lobe", "ring pin"]) == []
    assert left_out("t", INPUT, parts=["eccentric bearing", "ring pins"]) == ["eccentric bearing"]
    # A requirement on one tone is about that tone.
    assert left_out("No damage of the bearing's outer race", ECCENTRIC, tone="stage1.lobe") == []
