"""Other machines, from samples to the report: a chain is reported as what it is, a damaged part stays the drive's."""

from __future__ import annotations

from functools import cache

import pytest

from tests.studies.fleet import FLEET, judged
from vibe.core.capture import Capture
from vibe.flow.diagnose.capture_diagnosis import CaptureDiagnosis
from vibe.synth.conditions import Conditions
from vibe.synth.machine.damage import parse_damage
from vibe.synth.simulate import simulate
from vibe.synth.surroundings.surroundings import Surrounding

TAG = "ratio-17"
OWN = ("stage", "bearing")


def made(*damage: str, around: tuple[Surrounding, ...] = (), seed: int = 5) -> Capture:
    conditions = Conditions(duration_s=10.0, surroundings=around)
    return simulate(FLEET[TAG], [parse_damage(text) for text in damage], seed=seed, conditions=conditions)


@cache
def sound_alone() -> CaptureDiagnosis:
    return judged(made(), FLEET[TAG])


@pytest.mark.parametrize("teeth", [11, 19])
def test_a_chain_is_counted_per_output_turn_and_accuses_no_part(teeth: int) -> None:
    result = judged(made(around=(Surrounding(kind="chain", strength=2.0, count=teeth),)), FLEET[TAG])
    assert result.reading is not None
    comb = result.reading.outside_combs[0]
    assert comb.per_turn is not None
    assert comb.per_turn[0] == teeth
    assert comb.order == pytest.approx(teeth / 17, rel=2e-3)
    assert not [f for f in result.findings if f.component.startswith(OWN) and f.probability >= 0.5]
    assert result.outside is not None
    assert f"{teeth} per output turn" in result.outside.sources[0].text


def test_a_chain_that_strikes_where_a_race_might_is_reported_with_the_race_that_it_hides() -> None:
    """Nine links per output turn, within the slip of the inner race of the output's bearing."""
    result = judged(made(around=(Surrounding(kind="chain", strength=2.0, count=9),)), FLEET[TAG])
    assert not [finding for finding in result.findings if finding.component.startswith(OWN)]
    assert result.outside is not None
    (source,) = result.outside.sources
    assert source.per_turn == 9
    assert "bearing.output bearing.inner_race" in source.hides


@pytest.mark.parametrize("part", ["outer_race", "inner_race", "rolling_element"])
def test_a_damaged_part_is_no_outside_machine(part: str) -> None:
    tone = f"bearing.eccentric bearing.{part}"
    result = judged(made(f"{tone}:3"), FLEET[TAG])
    assert result.reading is not None
    assert not [comb for comb in result.reading.outside_combs if not comb.ambiguous]
    assert result.findings[0].component.startswith("bearing.eccentric bearing")
    assert result.findings[0].damage_probability > 0.5


def test_a_sound_drive_alone_has_no_machine_around_it_and_is_detected() -> None:
    result = sound_alone()
    assert result.reading is not None
    assert result.reading.outside_combs == ()
    assert result.not_detected is None
    assert result.heard_probability is not None
    assert result.heard_probability > 0.99


def test_a_machine_of_the_same_kind_nearby_is_detected_at_its_speed() -> None:
    from vibe.flow.diagnose.presence import similar_machines_in
    from vibe.kinematics.tone_table import tone_table

    drive = FLEET[TAG]
    around = (Surrounding(kind="neighbour", strength=12.0, apart=0.008),)
    for result, expected in ((judged(made(around=around, seed=6), drive), 1.008), (sound_alone(), None)):
        reading = result.reading
        assert reading is not None
        found = similar_machines_in(reading, drive, tone_table(drive), result.combs, result.findings)
        speeds = [one.speed for one in found]
        assert (speeds == []) is (expected is None)
        if expected is not None:
            # Whose speed was found first depends on which of the two is louder.
            assert max(speeds[0], 1 / speeds[0]) == pytest.approx(expected, abs=1e-3)


def test_a_ring_with_every_second_pin_left_out_has_the_lobes_of_the_whole_ring() -> None:
    """44 pins in 88 places round 87 lobes: the eccentric passes a lobe 88/87 times a turn, as if all were there."""
    from vibe.core.stages.cycloidal import CycloidalStage
    from vibe.flow.diagnose.presence import families_of
    from vibe.kinematics.tone_table import tone_table

    drive = FLEET[TAG]
    for fitted, mesh in ((88, 88.0), (44, 44.0)):
        stage = CycloidalStage(kind="cycloidal", lobes=87, ring_pins=88, fitted_pins=fitted, output_pins=12)
        half = drive.model_copy(update={"stage": [stage]})
        own = families_of(half, tone_table(half))[0].own()
        assert own.min() == pytest.approx(88 / 87, abs=1e-9)
        for order in (mesh, 12 * 88 / 87, mesh - 88 / 87):
            assert abs(own - order).min() < 1e-9
