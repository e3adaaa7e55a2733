from __future__ import annotations

from fractions import Fraction

import pytest

from vibe.core.drive import Drive
from vibe.kinematics.line_neighbours import neighbours
from vibe.kinematics.tone_table import tone_table

STAGE = {"kind": "cycloidal", "output_pins": 8, "discs": 2, "fixed": "ring"}


def drive(*lobes: int) -> Drive:
    stages = [STAGE | {"lobes": one, "ring_pins": one + 1} for one in lobes]
    turning = {"speed_rpm": 1455.0, "speed_range_rpm": [1440.0, 1470.0], "power_kw": 1.0}
    motor = {"poles": 4, "line_hz": 50.0}
    form = {"tag": "t", "name": "t", "input": turning, "motor": motor, "stage": stages}
    return Drive.model_validate(form)


@pytest.mark.parametrize("lobes", [6, 17, 87, 119])
def test_around_running_speed_stand_the_turns_of_the_output(lobes: int) -> None:
    """Of one stage every line is a whole number of turns of the output (Yang et al. 2021 Eq. 1)."""
    found = neighbours(tone_table(drive(lobes)), 1.0, stage="stage1", within=4.5 / lobes, input_hz=24.25)
    assert found.orders == pytest.approx(sorted(1 + k / lobes for k in (-4, -3, -2, -1, 1, 2, 3, 4)))


def test_the_mesh_has_them_too_and_other_lines_that_come_near() -> None:
    table = tone_table(drive(17))
    found = neighbours(table, 18.0, stage="stage1", within=0.2, input_hz=24.25)
    assert {Fraction(one).limit_denominator(100) for one in found.orders} == {
        18 + Fraction(k, 17) for k in (-3, -2, -1, 1, 2, 3)
    }


def test_a_second_stage_puts_its_own_lines_there_but_not_every_turn_of_the_last_output() -> None:
    table = tone_table(drive(11, 17))
    found = neighbours(table, 1.0, stage="stage1", within=0.2, input_hz=24.25)
    second_lobe = [tone.order for tone in table.tones if tone.id == "stage2.lobe"]
    assert any(one == pytest.approx(k * second_lobe[0]) for one in found.orders for k in range(8, 14))
    assert len(found.orders) < 0.4 / (1 / (11 * 17)) / 2


def test_lines_of_the_supply_are_named_by_their_frequency() -> None:
    table = tone_table(drive(17))
    found = neighbours(table, 4.0, stage="stage1", within=0.2, input_hz=24.25)
    assert found.fixed_hz == pytest.approx((100.0,))


def test_bearings_slip_and_have_no_exact_place() -> None:
    bare = drive(17)
    bearing = {"name": "b", "inner": "input", "outer": "housing", "elements": 9, "element_diameter_mm": 7.94,
               "pitch_diameter_mm": 39.04}  # fmt: skip
    fitted = Drive.model_validate(bare.model_dump() | {"bearing": [bearing]})
    for order in (1.0, 3.6):
        a, b = (neighbours(tone_table(d), order, stage="stage1", within=0.3, input_hz=24.25) for d in (bare, fitted))
        assert a.orders == b.orders
