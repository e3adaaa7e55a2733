from __future__ import annotations

from typing import Any

import pytest

from vibe.core.drive import Drive
from vibe.core.records.acceptance import Requirement
from vibe.health.acceptance.named_parts import covers_part, lacking
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


def test_a_requirement_is_about_the_parts_that_it_names() -> None:
    drive = Drive.model_validate({"tag": "t", "name": "t", "input": TURNING, "stage": [STAGE], "bearing": [INPUT]})
    table = tone_table(drive)

    def about(text: str, **more: object) -> set[str]:
        asked = Requirement.model_validate(
            {"id": "d", "kind": "no damage", "text": text, "source": "s", "false_alarm_rate": 0.01, **more}
        )
        return {tone.component for tone in table.tones if tone.damage and covers_part(asked, [tone])}

    every = {tone.component for tone in table.tones if tone.damage}
    cage, races = "bearing.input bearing.cage", {f"bearing.input bearing.{one}_race" for one in ("inner", "outer")}
    assert about("Sound") == every
    assert about("No damage of any bearing") >= {cage, *races}
    assert about("No damage of any bearing race, rolling element or lobe") == {
        *races, "bearing.input bearing.rolling_element", "stage1.lobe",
    }  # fmt: skip
    assert about("t", parts=["cage"]) == {cage}
    assert about("t", parts=["input bearing"]) >= {cage, *races}
    assert left_out("No damage of any bearing race", INPUT) == ["the eccentric bearing of stage 1"]


def test_pins_and_lobes_come_with_the_stage_and_gears_do_not() -> None:
    assert left_out("No ring pin, output pin or lobe is damaged") == []
    assert left_out("No tooth and no lobe is damaged") == ["tooth"]


def test_parts_may_be_named_one_by_one() -> None:
    assert left_out("t", INPUT, parts=["input bearing", "stage1.lobe", "ring pin"]) == []
    assert left_out("t", INPUT, parts=["eccentric bearing", "ring pins"]) == ["eccentric bearing"]
    # A requirement on one tone is about that tone.
    assert left_out("No damage of the bearing's outer race", ECCENTRIC, tone="stage1.lobe") == []
