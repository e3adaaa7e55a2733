"""What captures can show, and the plan that turns it round."""

from __future__ import annotations

import pytest

from vibe.core.drive import Bearing, BearingOrders, Drive, Input
from vibe.core.errors import CallError
from vibe.core.stages import Stage
from vibe.core.stages.cycloidal import CycloidalStage
from vibe.core.stages.rv import RvStage
from vibe.core.tones import CaptureSettings, Visibility
from vibe.kinematics.planning.capture_plan import DURATIONS_S, capture_plan, mounted_error
from vibe.kinematics.planning.observability import MOST_KEPT, visibility
from vibe.kinematics.tone_table import tone_table


def cycloidal(lobes: int) -> CycloidalStage:
    return CycloidalStage(kind="cycloidal", lobes=lobes, ring_pins=lobes + 1, output_pins=10)


def drive(*stages: Stage, rpm: float = 1500.0) -> Drive:
    return Drive(tag="T", input=Input(speed_rpm=rpm), stage=list(stages))


def look(machine: Drive, duration_s: float, rate: float = 25600.0, low: float = 2.0) -> dict[str, Visibility]:
    settings = CaptureSettings(duration_s=duration_s, sample_rate_hz=rate, usable_band_hz=(low, rate / 2.56))
    return {v.tone: v for v in visibility(tone_table(machine), settings, machine.input.speed_hz)}


def test_lobe_and_running_speed_part_only_in_a_long_capture() -> None:
    """119:1 at 25 Hz: 25/119 Hz apart, so a Hann window needs 2 * 119/25 = 9.52 s (Harris 1978: 2 bins)."""
    short = look(drive(cycloidal(119)), 9.5)["stage1.ring_pin"]
    assert (short.seen, short.reach) == (False, "longer")
    assert "separating" in short.why
    assert short.needs == "a capture of at least 10 s at steady speed"
    assert (short.needs_duration_s, short.needs_sample_rate_hz) == (10.0, None)
    assert look(drive(cycloidal(119)), 9.6)["stage1.ring_pin"].seen
    assert look(drive(cycloidal(17)), 1.4)["stage1.lobe"].seen


def test_a_carried_part_needs_two_rounds() -> None:
    """A planet's tooth of this 153:1 drive goes round with the carrier: two rounds at 25.5/153 Hz take 12 s."""
    stage = RvStage(kind="rv", sun_teeth=10, planet_teeth=38, lobes=39, ring_pins=40)
    short = look(drive(stage, rpm=1530.0), 11.9)["stage1.planet_tooth"]
    assert "2 turns of" in short.why
    assert short.needs_duration_s == 12.0
    assert look(drive(stage, rpm=1530.0), 12.1)["stage1.planet_tooth"].seen


def test_output_stage_of_a_two_stage_drive_is_out_of_reach() -> None:
    slow = look(drive(cycloidal(87), cycloidal(87)), 10.0)
    assert slow["stage1.lobe"].seen
    assert slow["stage2.lobe"].needs == "a capture of at least 610 s at steady speed"  # 2 * 87 * 87 / 25 s = 606 s
    assert slow["stage2.ring_pin"].needs_duration_s == 610.0  # parting it from the lobe takes as long
    crawling = look(drive(cycloidal(87), cycloidal(87), rpm=300.0), 10.0)["stage2.lobe"]
    assert crawling.needs.startswith("out of reach of vibration in practice")
    assert (crawling.reach, crawling.needs_duration_s, crawling.needs_sample_rate_hz) == ("out of reach", None, None)
    assert "wear metal" in crawling.needs


def test_low_rate_hides_damage_and_keeps_slow_lines() -> None:
    """At 2000 samples a second nothing above 781 Hz is usable: no envelope, but the mesh at 450 Hz is in band."""
    seen = look(drive(cycloidal(17)), 10.0, rate=2000.0)
    assert seen["stage1.mesh"].seen
    assert not seen["stage1.lobe"].seen
    assert "sample rate" in seen["stage1.lobe"].needs
    assert not look(drive(cycloidal(87)), 10.0, rate=2000.0)["stage1.mesh"].seen


def test_low_end_of_the_instrument_hides_lines_not_damage() -> None:
    seen = look(drive(cycloidal(87)), 120.0)
    assert "lower limit" in seen["stage1.output"].why
    assert seen["stage1.lobe"].seen
    assert look(drive(cycloidal(87)), 120.0, low=0.1)["stage1.output"].seen


def test_too_few_repeats() -> None:
    bearing = Bearing(
        name="b", inner="input", outer="housing", orders=BearingOrders(outer_race=3.585, inner_race=5.415)
    )
    slow = Drive(tag="T", input=Input(speed_rpm=6.0), bearing=[bearing])
    seen = look(slow, 20.0)["bearing.b.outer_race"]
    assert not seen.seen
    assert "10 repeats" in seen.why
    assert look(slow, 30.0)["bearing.b.outer_race"].seen


def test_settings_that_cannot_be() -> None:
    with pytest.raises(CallError, match="duration_s must be positive"):
        look(drive(), 0.0)


def test_what_is_kept_is_of_the_same_table_settings_and_speed() -> None:
    """Answers are kept by a table's place in memory, which one that is gone leaves to another."""
    kinds = [drive(cycloidal(lobes)) for lobes in (119, 11)]
    answers = [[look(kind, duration_s) for duration_s in (1.0, 60.0)] for kind in kinds]
    assert answers[0][0] != answers[0][1] != answers[1][1]
    for _ in range(MOST_KEPT):
        assert [[look(kind, duration_s) for duration_s in (1.0, 60.0)] for kind in kinds] == answers
    table, settings = tone_table(kinds[0]), CaptureSettings(
        duration_s=5.0, sample_rate_hz=25600.0, usable_band_hz=(2.0, 1e4)
    )  # fmt: skip
    fast, slow = visibility(table, settings, 25.0), visibility(table, settings, 2.5)
    assert fast != slow
    assert visibility(table, settings, 25.0) is fast


def test_plan_shows_what_it_promises() -> None:
    machine = drive(cycloidal(119))
    plan = capture_plan(machine, tone_table(machine))
    # Fifth mesh harmonic 15 kHz: span 20 kHz. Five turns of the output at 25/119 Hz take 23.8 s.
    assert plan.sample_rate_hz == pytest.approx(51200.0)
    assert plan.duration_s == 30.0
    assert plan.resolution_hz == pytest.approx(2 / 30)
    assert all(v.seen for v in plan.visibility if v.tone in ("stage1.lobe", "stage1.ring_pin", "stage1.mesh"))
    slow = drive(cycloidal(87), cycloidal(87))
    plan = capture_plan(slow, tone_table(slow))
    assert plan.duration_s <= DURATIONS_S[-1]
    unseen = {v.tone for v in plan.visibility if not v.seen}
    assert {"stage2.lobe", "stage2.ring_pin"} <= unseen
    assert any("stays unseen" in reason and "stage2.lobe" in reason for reason in plan.reasons)
    assert "stage1.lobe" not in unseen


@pytest.mark.parametrize("rpm", [0.01, 1.0, 60.0, 750.0, 3000.0, 30_000.0])
def test_plans_exist_for_any_speed(rpm: float) -> None:
    for machine in (drive(rpm=rpm), drive(cycloidal(87), cycloidal(87), rpm=rpm)):
        plan = capture_plan(machine, tone_table(machine))
        assert 10.0 <= plan.duration_s <= 120.0
        assert 25600.0 <= plan.sample_rate_hz <= 102_400.1
        assert plan.reasons


def test_mounting_rule() -> None:
    """One degree of freedom, as ISO 5348 relies on: +12.5, +4.2, +1.0 % at a third, a fifth, a tenth of resonance."""
    assert [round(100 * mounted_error(1 / part), 1) for part in (3, 5, 10)] == [12.5, 4.2, 1.0]
