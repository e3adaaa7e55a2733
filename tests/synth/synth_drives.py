"""Drives for these tests, in numbers that published examples use."""

from __future__ import annotations

from typing import Any

from vibe.core.drive import Drive

CWRU_6205 = {"elements": 9, "element_diameter_mm": 0.3126 * 25.4, "pitch_diameter_mm": 1.537 * 25.4}


def drive(
    *stages: dict[str, Any], bearings: tuple[dict[str, Any], ...] = (), rpm: float = 1500.0, **more: Any
) -> Drive:
    return Drive.model_validate(
        {"tag": "T-1", "input": {"speed_rpm": rpm}, "stage": list(stages), "bearing": list(bearings), **more}
    )


def cycloid(
    lobes: int, *, difference: int = 1, output_pins: int = 8, discs: int = 2, fixed: str = "ring"
) -> dict[str, Any]:
    return {
        "kind": "cycloidal",
        "lobes": lobes,
        "ring_pins": lobes + difference,
        "output_pins": output_pins,
        "discs": discs,
        "fixed": fixed,
    }


def eccentric_bearing(name: str = "eccentric bearing") -> dict[str, Any]:
    ends = {"inner": "stage1.eccentric", "outer": "stage1.disc", "load": "stage1.eccentric"}
    return {"name": name, **ends, **CWRU_6205}


def input_bearing() -> dict[str, Any]:
    return {"name": "input bearing", "inner": "input", "outer": "housing", **CWRU_6205}
