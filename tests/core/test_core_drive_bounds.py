"""Slips of the decimal point, in every number of a drive that has a unit."""

from __future__ import annotations

from typing import Any

import pytest
from pydantic import ValidationError

from vibe.core.drive import Drive

BEARING = {"name": "b", "inner": "input", "outer": "housing"}
BELT = {"kind": "belt", "driver_diameter_mm": 100.0, "driven_diameter_mm": 250.0}


def drive(**more: Any) -> Drive:
    return Drive.model_validate({"tag": "T", "input": {"speed_rpm": 1450.0}} | more)


@pytest.mark.parametrize(
    "more",
    [
        {"input": {"speed_rpm": 1e300}},
        {"input": {"speed_rpm": 1e-300}},
        {"input": {"speed_rpm": 1450.0, "speed_range_rpm": [1.0, 100_000.0]}},
        {"stage": [BELT | {"driven_diameter_mm": 1e-300}]},
        {"stage": [BELT | {"driver_diameter_mm": 1e300}]},
        {"motor": {"poles": 4, "line_hz": 1e300}},
        {"bearing": [BEARING | {"orders": {}}]},
        {"bearing": [BEARING | {"orders": {"cage": 1e-300}}]},
        {"bearing": [BEARING | {"orders": {"outer_race": 1e300}}]},
    ],
)
def test_what_no_machine_has_is_refused(more: dict[str, Any]) -> None:
    with pytest.raises(ValidationError):
        drive(**more)


def test_slow_and_fast_machines_are_not() -> None:
    for rpm in (0.05, 6.0, 60.0, 6000.0, 60_000.0):
        assert drive(input={"speed_rpm": rpm}).input.speed_hz == pytest.approx(rpm / 60)
    assert drive(input={"speed_rpm": 300.0, "speed_range_rpm": [150.0, 3000.0]}).input.speed_range_hz == (2.5, 50.0)
    assert drive(stage=[BELT]).stage
    assert drive(bearing=[BEARING | {"orders": {"cage": 0.4}}]).bearing
