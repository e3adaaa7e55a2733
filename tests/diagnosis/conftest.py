"""Cases made by hand: tones of a 17:1 reducer with two discs and three bearings, and whatever a test says of them."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import pytest

from tests.diagnosis.diagnosis_values import POINT, ZONES, MakeCase, level
from vibe.core.drive import Drive
from vibe.core.evidence import CombEvidence, Line, SpeedEstimate
from vibe.core.tones import ToneTable
from vibe.diagnosis.case import Case
from vibe.kinematics.tone_table import tone_table

if TYPE_CHECKING:
    from vibe.flow.settings import Settings

DRIVE = {
    "tag": "D-1",
    "input": {"speed_rpm": 1460.0, "power_kw": 5.5},
    "motor": {"poles": 4, "line_hz": 50.0},
    "stage": [{"kind": "cycloidal", "lobes": 17, "ring_pins": 18, "output_pins": 8, "discs": 2}],
    "bearing": [
        {
            "name": "input bearing", "inner": "input", "outer": "housing",
            "elements": 9, "element_diameter_mm": 7.94, "pitch_diameter_mm": 39.04,
        },
        {
            "name": "eccentric bearing", "inner": "stage1.eccentric", "outer": "stage1.disc",
            "load": "stage1.eccentric", "elements": 11, "element_diameter_mm": 9.0, "pitch_diameter_mm": 36.0,
        },
    ],
}  # fmt: skip


@pytest.fixture(scope="session")
def drive() -> Drive:
    return Drive.model_validate(DRIVE)


@pytest.fixture(scope="session")
def tones(drive: Drive) -> ToneTable:
    return tone_table(drive)


@pytest.fixture
def case(drive: Drive, tones: ToneTable, settings: Settings) -> MakeCase:
    def make(*, combs: Mapping[str, CombEvidence] | None = None, lines: tuple[Line, ...] = (), **more: Any) -> Case:
        by_name: dict[str, tuple[Line, ...]] = {}
        for line in lines:
            by_name[line.name] = (*by_name.get(line.name, ()), line)
        own = [line for line in lines if line.channel == POINT]
        judgement = settings.judgement
        known: dict[str, Any] = {
            "drive": drive,
            "tones": tones,
            "combs": dict(combs or {}),
            "lines": by_name,
            "levels": (level("velocity_rms", 1.05 * sum(x.velocity_mm_s**2 for x in own) ** 0.5),),
            "speed": SpeedEstimate(input_hz=24.37, uncertainty_hz=0.001, method="signal"),
            "quality": (),
            "settings": settings.diagnosis,
            "false_alarm_rate": judgement.false_alarm.rate_per_drive,
            "priors": {prior.what: prior.probability for prior in judgement.prior},
            "severity_db": (
                judgement.severity.hit_over_floor_moderate_db, judgement.severity.hit_over_floor_severe_db,
            ),
            "zone_mm_s": ZONES,
        }  # fmt: skip
        return Case(**(known | more))

    return make
