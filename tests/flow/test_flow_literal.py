"""One reducer in plain numbers: 17 lobes, 18 pins, 1458 r/min. Nothing here asks the program where a tone lies.

By hand: the eccentric turns at 24.3 Hz, the disc at -24.3/17. A lobe and an output pin come round 18/17 times as
often as the eccentric, a ring pin as often, and the rollers of a 6205 between eccentric and disc (9 balls of 7.94 mm
on 39.04 mm: 9/2 (1 - 7.94/39.04) = 3.585 and 5.415 per relative turn) 18/17 times that.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from vibe.core.health import Health
from vibe.flow.diagnose import drive_diagnosis
from vibe.flow.samples import simulation
from vibe.flow.settings import tones_of

if TYPE_CHECKING:
    from vibe.flow.settings import Settings

DRIVE = """
tag = "L-17"
[input]
speed_rpm = 1450
speed_range_rpm = [1430, 1480]
power_kw = 5.5
[[stage]]
kind = "cycloidal"
lobes = 17
ring_pins = 18
output_pins = 8
discs = 2
[[bearing]]
name = "eccentric bearing"
inner = "stage1.eccentric"
outer = "stage1.disc"
load = "stage1.eccentric"
elements = 9
element_diameter_mm = 7.94
pitch_diameter_mm = 39.04
[[bearing]]
name = "input bearing"
inner = "input"
outer = "housing"
elements = 9
element_diameter_mm = 7.94
pitch_diameter_mm = 39.04
"""

CASES = [
    # damage, tone named first, its order by hand, how far it may lie off (a cage slips)
    ("stage1.lobe:1.5:3", "stage1.lobe", 1.058824, 1e-4),
    ("stage1.output_pin:1.5:2", "stage1.output_pin", 1.058824, 1e-4),
    ("stage1.ring_pin:1.5:9", "stage1.ring_pin", 1.0, 1e-4),
    ("bearing.eccentric bearing.outer_race:1.2", "bearing.eccentric bearing.outer_race", 3.795662, 0.02),
    ("bearing.input bearing.outer_race:1.2", "bearing.input bearing.outer_race", 3.584785, 0.02),
]


def diagnosed(folder: Path, settings: Settings, damage: list[str], seed: int) -> Health:
    drive_path = folder / "drive.toml"
    drive_path.write_text(DRIVE, encoding="utf-8")
    capture = simulation.simulate_file(
        drive_path, damage, seed, folder / "capture.h5", False,
        speed_rpm=1458.0, duration_s=6.0, sample_rate_hz=12_800.0, points=("output side radial",),
    )  # fmt: skip
    drive, table = tones_of(drive_path)
    return drive_diagnosis.drive_report_of(drive, table, [capture], settings).health


@pytest.mark.parametrize(("damage", "tone", "order", "off"), CASES, ids=[case[0].split(":")[0] for case in CASES])
def test_damage_is_found_at_the_order_that_arithmetic_gives(
    tmp_path: Path, settings: Settings, damage: str, tone: str, order: float, off: float
) -> None:
    health = diagnosed(tmp_path, settings, [damage], seed=21)
    first = health.findings[0]
    named = {first.tone, *first.cannot_be_told_from}
    assert first.tone == tone or (tone in named and order == 1.058824)
    found = next(item.value for item in first.evidence if item.kind == "order")
    assert found == pytest.approx(order, rel=off)
    # The speed wanders by one ten-thousandth, and its mean with it.
    assert health.speed.input_hz == pytest.approx(24.3, rel=3e-4)
    assert len(health.findings) == 1


def test_the_sound_twin_has_no_finding(tmp_path: Path, settings: Settings) -> None:
    health = diagnosed(tmp_path, settings, [], seed=21)
    assert health.findings == []
    assert health.state == "sound"
    assert health.speed.input_hz == pytest.approx(24.3, rel=3e-4)
