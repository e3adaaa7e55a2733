"""A capture that is of another drive, or of another speed, is not judged; its own is, whatever its ratio."""

from __future__ import annotations

from dataclasses import replace

import pytest

from tests.studies.fleet import FLEET
from vibe.core.stages.rv import RvStage
from vibe.flow.diagnose.capture_diagnosis import diagnose_samples
from vibe.flow.diagnose.tone_requests import candidate_of
from vibe.flow.settings import load_settings
from vibe.kinematics.tone_table import tone_table
from vibe.synth.simulate import Conditions, simulate

SHORT = Conditions(duration_s=10.0, sample_rate_hz=12_800.0, machine_seed=1004)


def codes(tag: str, filed_under: str, conditions: Conditions) -> set[str]:
    """Codes of the reasons for which channels are rejected."""
    capture = replace(simulate(FLEET[tag], seed=5004, conditions=conditions), drive=filed_under)
    drive = FLEET[filed_under]
    others = {other: candidate_of(FLEET[other], tone_table(FLEET[other])) for other in (tag, filed_under)}
    judged = diagnose_samples(capture, drive, tone_table(drive), load_settings(), others)
    return {reason.code for one in judged.quality if one.verdict == "rejected" for reason in one.reasons}


@pytest.mark.parametrize("tag", ["ratio-119", "ratio-17"])
def test_its_own_capture_is_judged(tag: str) -> None:
    """At 119 lobe and shaft are hardly parted in ten seconds, and half the speed fits nearly as well."""
    assert codes(tag, tag, SHORT) == set()


def test_another_drive_s_capture_is_not() -> None:
    assert "wrong_drive" in codes("ratio-17", "ratio-119", SHORT)


def test_a_speed_out_of_the_range_is_reported() -> None:
    plate = FLEET["ratio-17"].input.speed_rpm
    assert "speed_out_of_range" in codes("ratio-17", "ratio-17", replace(SHORT, speed_rpm=0.93 * plate))


def test_planets_and_cranks_of_a_first_stage_are_known_to_come_round() -> None:
    tables = {tag: (drive.stage[0], tone_table(drive)) for tag, drive in FLEET.items() if drive.stage}
    geared = [(stage, table) for stage, table in tables.values() if isinstance(stage, RvStage)]
    assert geared
    for stage, table in geared:
        # Sun and planets roll on one another in the carrier's frame.
        carrier = next(float(body.order) for body in table.bodies if body.body == "stage1.carrier")
        planet = abs(1 - carrier) * stage.sun_teeth / stage.planet_teeth
        turns = candidate_of(next(d for d in FLEET.values() if stage in d.stage), table).turns
        assert any(turn == pytest.approx(planet) for turn in turns)
    for tag, (_, table) in tables.items():
        # None is so slow that every order is one of its multiples.
        assert min(candidate_of(FLEET[tag], table).turns, default=1.0) > 0.2
