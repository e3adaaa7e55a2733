"""Damage that only some drives can have, from samples to the finding, each next to the same drive without it."""

from __future__ import annotations

from typing import Any

import pytest

from tests.studies.fleet import judged, life
from vibe.core.drive import Drive
from vibe.synth.machine.damage import Damage
from vibe.synth.simulate import simulate

PLAIN = {"kind": "cycloidal", "lobes": 29, "ring_pins": 30, "output_pins": 10}
ROLLERS = PLAIN | {
    "eccentricity_mm": 1.5, "output_roller_diameter_mm": 14.0, "ring_pitch_diameter_mm": 150.0,
    "ring_roller_diameter_mm": 9.0,
}  # fmt: skip
HALF = PLAIN | {"lobes": 87, "ring_pins": 88, "fitted_pins": 44}
STEPPED = {
    "kind": "stepped discs", "lobes": 24, "ring_pins": 25, "second_lobes": 20, "second_ring_pins": 21, "discs": 2,
}  # fmt: skip


def drive(stage: dict[str, Any]) -> Drive:
    bearing = {
        "name": "eccentric bearing", "inner": "stage1.eccentric", "outer": "stage1.disc", "elements": 13,
        "element_diameter_mm": 11.0, "pitch_diameter_mm": 52.0,
    }  # fmt: skip
    made = {"tag": "R-1", "input": {"speed_rpm": 1450.0, "power_kw": 2.2}, "stage": [stage], "bearing": [bearing]}
    return Drive.model_validate(made)


@pytest.mark.parametrize(
    ("stage", "damage", "alike"),
    [
        (ROLLERS, "stage1.output_roller", ""),
        (ROLLERS, "stage1.ring_roller", ""),
        (HALF, "stage1.lobe", ""),
        (STEPPED, "stage1.second_ring_pin", ""),
        (STEPPED, "stage1.second_lobe", "stage1.lobe"),
    ],
)
def test_what_rolls_or_is_left_out_is_named_at_its_own_order(stage: dict[str, Any], damage: str, alike: str) -> None:
    machine, conditions = drive(stage), life(1, of="rollers")
    found = judged(simulate(machine, [Damage(damage, 2.0)], seed=1, conditions=conditions), machine).findings
    # As many teeth on the output as would make a lobe's order are seldom, but there are such.
    assert found[0].probability > 0.95
    # Both rows of a stepped disc are one body: their lobes share an order.
    assert damage in {found[0].tone, *found[0].cannot_be_told_from}
    assert found[0].tone in {damage, alike}


@pytest.mark.parametrize("stage", [ROLLERS, HALF, STEPPED])
def test_their_healthy_twins_are_quiet(stage: dict[str, Any]) -> None:
    machine = drive(stage)
    assert judged(simulate(machine, seed=1, conditions=life(1, of="rollers")), machine).findings == []
