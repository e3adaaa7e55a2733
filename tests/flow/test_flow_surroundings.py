"""Declared surroundings become plain orders for the search in the samples."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from tests.studies.fleet import FLEET, judged, life
from vibe.core.drive import Drive
from vibe.flow.diagnose.outside_requests import declared_alike
from vibe.flow.diagnose.speed_orders import speed_orders
from vibe.flow.diagnose.tone_requests import analysis_request_of, candidate_of, owners_of
from vibe.kinematics.tone_table import tone_table
from vibe.synth.conditions import Conditions
from vibe.synth.simulate import simulate
from vibe.synth.surroundings.surroundings import Surrounding

STAGES = [
    {"kind": "cycloidal", "lobes": 17, "ring_pins": 18, "output_pins": 8},
    {"kind": "cycloidal", "lobes": 11, "ring_pins": 12, "output_pins": 8},
]
CHAIN = {"name": "chain", "sprocket_teeth": 19, "flights": 2}


def drive(**more: Any) -> Drive:
    return Drive.model_validate({"tag": "T", "input": {"speed_rpm": 1450.0}, "stage": STAGES} | more)


def test_sources_come_with_the_turn_they_are_counted_on() -> None:
    made = drive(driven=[CHAIN], fitted=[{"name": "fan", "fan_blades": 7}])
    around = analysis_request_of(made, tone_table(made), set(), noted_hz=None).surroundings
    orders = {source.name: (source.order, source.turn_order) for source in around.sources}
    assert orders["driven.chain.sprocket_teeth"] == pytest.approx((19 / 187, 1 / 187))
    assert orders["fitted.fan"] == (7.0, 1.0)
    assert around.slow_turns == pytest.approx((1 / 187,))


def test_the_output_is_a_slow_turn_even_where_nothing_is_declared() -> None:
    made = drive()
    around = analysis_request_of(made, tone_table(made), set(), noted_hz=None).surroundings
    assert around.sources == ()
    assert around.slow_turns == pytest.approx((1 / 187,))


def test_a_body_that_turns_another_machine_as_well_is_one() -> None:
    made = drive(driven=[CHAIN | {"on": "stage1.output"}])
    around = analysis_request_of(made, tone_table(made), set(), noted_hz=None).surroundings
    assert around.slow_turns == pytest.approx((1 / 187, 1 / 17))


def test_neighbours_by_range_by_drive_and_by_tag() -> None:
    twin = drive(tag="TWIN")
    pump = {"name": "pump", "speed_range_rpm": [2900.0, 2960.0], "per_turn": [6.0, 1.0]}
    made = drive(neighbour=[pump, {"name": "twin", "drive": "TWIN"}, {"name": "stranger", "drive": "gone"}])
    known = {"TWIN": candidate_of(twin, tone_table(twin))}
    found = {
        n.name: n
        for n in analysis_request_of(made, tone_table(made), set(), noted_hz=None, others=known).surroundings.neighbours
    }
    assert set(found) == {"pump", "twin"}
    assert found["pump"].per_turn == (1.0, 6.0)
    assert found["pump"].range_hz == pytest.approx((2900 / 60, 2960 / 60))
    assert found["twin"].per_turn == speed_orders(twin, tone_table(twin))
    described = made.model_copy(update={"neighbour": [made.neighbour[1].as_described(twin)]})
    found_by_file = analysis_request_of(described, tone_table(described), set(), noted_hz=None).surroundings.neighbours[
        0
    ]
    assert ("stage1.lobe", pytest.approx(18 / 17)) in found_by_file.damage


def test_a_neighbour_of_the_drives_own_type_is_known_as_such() -> None:
    """The same lines per turn at speeds that overlap; another ratio, another speed, or a pump is none."""
    made = drive(neighbour=[{"name": name, "drive": name.upper()} for name in ("alike", "ratio", "fast", "bare")])
    other = candidate_of(FLEET["ratio-29"], tone_table(FLEET["ratio-29"]))
    own = candidate_of(made, tone_table(made))
    known = {"ALIKE": own, "RATIO": other, "FAST": replace(own, range_hz=(90.0, 100.0))}
    table = tone_table(made)
    around = analysis_request_of(made, table, set(), noted_hz=None, others=known).surroundings
    assert [one.name for one in around.neighbours] == ["alike", "ratio", "fast"]
    assert declared_alike(made, table, around) == ("alike",)


def test_they_do_not_help_to_find_the_speed_but_own_their_share_of_a_level() -> None:
    bare, made = drive(), drive(driven=[CHAIN])
    assert speed_orders(made, tone_table(made)) == speed_orders(bare, tone_table(bare))
    assert "driven.chain.flights" in {owner.name for owner in owners_of(made, tone_table(made))}


LUMPS = Conditions(surroundings=(Surrounding(kind="process shocks", strength=3.0, hz=8.0),))
CHAIN_AND_FANS = life(90005, of="healthy", surrounded="two-stage")
"""A chain that strikes eighteen times in the capture, two fans and a stray shock: no comb of the chain is found."""


@pytest.mark.parametrize(
    ("around", "probability", "remark"),
    [
        # Something loose on 3 drives in 100, a third of it at random; a process that knocks on ten.
        (LUMPS, 0.01 / 0.11, ""),
        (CHAIN_AND_FANS, None, "13 times per turn of the output shaft"),
    ],
    ids=["lumps that fall", "a chain and two fans"],
)
def test_strong_impacts_around_a_sound_drive_accuse_nobody(
    around: Conditions, probability: float | None, remark: str
) -> None:
    result = judged(simulate(FLEET["two-stage"], seed=90005, conditions=around), FLEET["two-stage"])
    found = [(finding.component, finding.probability) for finding in result.findings]
    assert found == ([] if probability is None else [("impacts", pytest.approx(probability))])
    assert remark in " ".join(result.report.remarks)
