"""Numbers of the kinematics: each is met from both sides of its limit, on tones made by hand."""

from __future__ import annotations

from fractions import Fraction
from math import asin, exp, pi
from types import SimpleNamespace
from typing import Any

import pytest

from vibe.core.drive import Bearing, BearingOrders, Drive, Input, Motor
from vibe.core.errors import ConfigError
from vibe.core.route.route import Mounting
from vibe.core.stages.belt import BeltStage
from vibe.core.stages.cycloidal import CycloidalStage
from vibe.core.tones import CaptureSettings, Tone
from vibe.kinematics.body_speeds import solve_train
from vibe.kinematics.candidate_drives import pair_kinds
from vibe.kinematics.coincidences import coincidences
from vibe.kinematics.families.bearings import _cage_elsewhere
from vibe.kinematics.families.electrical import motor_tones
from vibe.kinematics.families.make import counted
from vibe.kinematics.followed_lines import followed_lines
from vibe.kinematics.line_neighbours import neighbours
from vibe.kinematics.phasing import phasing, sum_of_phases
from vibe.kinematics.planning import capture_plan, observability, route_settings
from vibe.kinematics.planning.resolution import parting_s
from vibe.kinematics.rating_life import rating_life_million, rating_lives
from vibe.kinematics.stages import belt
from vibe.kinematics.tone_table import tone_table


def tone(order: float, family: Any = "shaft", *, damage: bool = False, name: str = "", **more: Any) -> Tone:
    tone_id = name or f"{family}.{order:g}"
    given = {"order_exact": None, "made_by": "", "source": "", "defect": "wear", "component": tone_id} | more
    return Tone(id=tone_id, family=family, order=order, damage=damage, **given)


def table(*tones: Tone, bodies: dict[str, float] | None = None) -> Any:
    named = [SimpleNamespace(body=name, order=order) for name, order in (bodies or {}).items()]
    return SimpleNamespace(tones=tones, bodies=named, coincidences=())


# ── drives that may be ────────────────────────────────────────────────────────────────────────────────────────────


def test_stages_from_3_to_150_lobes_are_thought_of_nine_in_ten_with_one_tooth_of_difference() -> None:
    kinds = pair_kinds()
    for difference, share, fewest in ((1, 0.9, 3), (2, 0.1, 4)):
        own = [one for one in kinds if one.ring_pins - one.lobes == difference]
        assert (min(one.lobes for one in own), max(one.lobes for one in own)) == (fewest, 150)
        assert sum(exp(one.log_prior) for one in own) == pytest.approx(share)


def test_of_one_to_three_discs_four_harmonics_of_the_mesh_are_listed() -> None:
    (kind,) = (one for one in pair_kinds([1]) if one.lobes == 29)
    assert set(kind.mesh) == {1, 2, 3}
    assert kind.mesh[1] == ((30,), (60,), (90,), (120,))


@pytest.mark.parametrize(("ratio", "fits"), [(17.08, True), (17.14, False), (16.92, True), (16.86, False)])
def test_a_plate_rounds_its_ratio_by_half_a_per_cent_and_not_by_more(ratio: float, fits: bool) -> None:
    stage = CycloidalStage(kind="cycloidal", lobes=17, ring_pins=18, ratio=ratio)
    drive = Drive(tag="T", input=Input(speed_rpm=1500.0), stage=[stage])
    if fits:
        solve_train(drive)
    else:
        with pytest.raises(ConfigError, match="one of them is wrong"):
            solve_train(drive)


def test_a_belt_slips_by_two_per_cent_and_comes_round_as_its_length_says() -> None:
    stage = BeltStage(kind="belt", driver_diameter_mm=100.0, driven_diameter_mm=200.0, belt_length_mm=1000.0)
    drive = Drive(tag="T", input=Input(speed_rpm=1500.0), stage=[stage])
    assert float(solve_train(drive).speeds["stage1.belt"]) == pytest.approx(pi * 100 / 1000, rel=1e-6)
    assert belt.KIND.most_slip == Fraction(1, 50)


# ── bearings, motor ───────────────────────────────────────────────────────────────────────────────────────────────


def bearing(outer: float | None = None, **more: Any) -> Bearing:
    geometry = {"elements": 11, "element_diameter_mm": 9.0, "pitch_diameter_mm": 36.0}
    orders = None if outer is None else BearingOrders(outer_race=outer)
    return Bearing(name="b", inner="input", outer="housing", orders=orders, **{**geometry, **more})


def with_bearing(one: Bearing) -> Drive:
    return Drive(tag="T", input=Input(speed_rpm=1500.0), bearing=[one])


@pytest.mark.parametrize(("off", "agrees"), [(1.04, True), (1.07, False), (0.96, True), (0.93, False)])
def test_a_table_agrees_with_a_drawing_within_five_per_cent(off: float, agrees: bool) -> None:
    """11 elements of 9 mm on 36 mm: the outer race at 5.5 (1 - 1/4) = 4.125."""
    drive = with_bearing(bearing(4.125 * off))
    if agrees:
        tone_table(drive)
    else:
        with pytest.raises(ConfigError, match="contradicts"):
            tone_table(drive)


def test_race_tones_lie_up_to_two_per_cent_below_and_one_above() -> None:
    """Smith & Randall 2015."""
    assert tone_table(with_bearing(bearing())).tone("bearing.b.outer_race").slip == (-0.02, 0.01)


def cage_past(load: float) -> list[str]:
    """Of a cage at 0.4 of the inner ring: by what it is listed besides the outer ring, its load at order ``load``."""
    frame = ("load", Fraction(load))
    return [
        one.id.rpartition("_")[2] for one in _cage_elsewhere(bearing(), 0.4, Fraction(1), Fraction(0), frame, False)
    ]


@pytest.mark.parametrize(("apart", "two"), [(0.004, False), (0.007, True)])
def test_two_cage_tones_are_two_from_half_a_per_cent_on(apart: float, two: bool) -> None:
    assert ("load" in cage_past(0.4 * apart)) is two


@pytest.mark.parametrize(("order", "has_a_place"), [(0.08 * 0.4, False), (0.13 * 0.4, True)])
def test_a_cage_that_nearly_stands_still_in_a_frame_has_no_order_there(order: float, has_a_place: bool) -> None:
    """Slip of 2 % of its turn past the outer ring is a fifth of a tenth of that turn."""
    assert ("load" in cage_past(0.4 - order)) is has_a_place


@pytest.mark.parametrize(("slip", "of_a_motor"), [(0.08, True), (0.12, False)])
def test_a_motor_on_its_line_slips_by_a_tenth_at_most(slip: float, of_a_motor: bool) -> None:
    drive = Drive(tag="T", input=Input(speed_rpm=1500.0 * (1 - slip)), motor=Motor(poles=4, line_hz=50.0))
    assert any(one.id == "motor.pole_pass" for one in motor_tones(drive)) is of_a_motor


def test_rollers_coast_by_a_tenth() -> None:
    stage = CycloidalStage(
        kind="cycloidal", lobes=17, ring_pins=18, output_pins=8, ring_pitch_diameter_mm=180.0,
        ring_roller_diameter_mm=12.0, eccentricity_mm=3.0,
    )  # fmt: skip
    drive = Drive(tag="T", input=Input(speed_rpm=1500.0), stage=[stage])
    assert tone_table(drive).tone("stage1.ring_roller").slip == (-0.1, 0.0)


def test_what_is_counted_shows_once_per_repeat_unless_more_is_said() -> None:
    assert counted("a", Fraction(2), family="lobe", made_by="", source="", defect="wear").meetings == 1


@pytest.mark.parametrize(("kind", "million"), [("ball", 8.0), ("roller", 10.079)])
def test_half_the_load_gives_eight_or_ten_times_the_life(kind: Any, million: float) -> None:
    """2³ and 2^(10/3): ISO 281."""
    assert rating_life_million(2.0, 1.0, kind) == pytest.approx(million, rel=1e-4)


@pytest.mark.parametrize(("share", "beyond"), [(0.45, False), (0.55, True)])
def test_beyond_half_its_rating_the_standard_does_not_hold_for_a_bearing(share: float, beyond: bool) -> None:
    one = bearing(type="ball", dynamic_rating_kn=10.0, equivalent_load_kn=10.0 * share)
    assert ("beyond" in rating_lives(with_bearing(one))[0].note) is beyond


# ── lines that lie near ───────────────────────────────────────────────────────────────────────────────────────────


def pairs(*tones: Tone) -> list[tuple[int, int]]:
    return [(one.harmonic_a, one.harmonic_b) for one in coincidences(tones)]


@pytest.mark.parametrize(("times", "named"), [(6, True), (7, False)])
def test_a_tone_is_lost_among_the_first_six_multiples_of_another(times: int, named: bool) -> None:
    one, other = tone(1.0, order_exact=Fraction(1)), tone(float(times), order_exact=Fraction(times))
    assert bool(pairs(one, other)) is named


@pytest.mark.parametrize(("times", "named"), [(6, True), (7, False)])
def test_and_a_race_among_six_of_a_lobe(times: int, named: bool) -> None:
    assert bool(pairs(tone(1.0, "lobe", damage=True), tone(times + 0.01, "outer race", damage=True))) is named


@pytest.mark.parametrize(("times", "named"), [(12, True), (13, False)])
def test_and_among_twelve_of_a_shaft(times: int, named: bool) -> None:
    assert bool(pairs(tone(1.0), tone(times + 0.01, "outer race", damage=True))) is named


@pytest.mark.parametrize(("apart", "near"), [(0.015, True), (0.027, False)])
def test_a_tone_may_be_taken_for_another_two_per_cent_away(apart: float, near: bool) -> None:
    """The slip of bearings."""
    assert bool(pairs(tone(1.0 + apart, "lobe", damage=True), tone(1.0, "ring pin", damage=True))) is near


@pytest.mark.parametrize(("harmonic", "listed"), [(40, True), (41, False)])
def test_forty_multiples_of_a_mesh_may_stand_near_a_line(harmonic: int, listed: bool) -> None:
    found = neighbours(table(tone(2.0, "mesh")), 2.0 * harmonic + 0.3, stage="stage1", within=0.4, input_hz=25.0)
    assert bool(found.orders) is listed


@pytest.mark.parametrize(("harmonic", "listed"), [(12, True), (13, False)])
def test_and_twelve_of_a_slow_shaft(harmonic: int, listed: bool) -> None:
    found = neighbours(table(tone(0.1)), 0.1 * harmonic + 0.01, stage="stage1", within=0.02, input_hz=25.0)
    assert bool(found.orders) is listed


def test_a_run_up_is_followed_by_six_multiples_of_shafts_and_by_meshes_with_their_side_lines() -> None:
    """Bodies at 0.35 are followed and those at 0.2 are not: spectra of a second do not part their lines."""
    mesh = tone(30.0, "mesh", name="stage1.mesh")
    lobe = tone(31 / 30, "lobe", name="stage1.lobe", damage=True)
    bodies = {"input": 1.0, "stage1.eccentric": 1.0, "stage2.eccentric": -0.35, "stage2.output": 0.2}
    found = {one.what: one for one in followed_lines(table(mesh, lobe, bodies=bodies))}
    assert {what: (one.orders, one.stands_out) for what, one in found.items()} == {
        "turns of 0.35": (pytest.approx((0.35, 0.7, 1.05)), 0.5),
        "more turns of 0.35": (pytest.approx((1.4, 1.75, 2.1)), 0.3),
        "turns of 1": ((1.0, 2.0, 3.0), 0.5),
        "more turns of 1": ((4.0, 5.0, 6.0), 0.3),
        "stage1.mesh": ((30.0, 60.0, 90.0), 0.5),
        "side lines of stage1.mesh": (
            (28.0, 29.0, 31.0, 32.0, 58.0, 59.0, 61.0, 62.0, 88.0, 89.0, 91.0, 92.0), 0.35,
        ),
        "stage1.lobe": (pytest.approx((31 / 30, 62 / 30)), 0.3),
    }  # fmt: skip


# ── discs ─────────────────────────────────────────────────────────────────────────────────────────────────────────


def test_what_discs_do_is_listed_for_six_harmonics_of_the_mesh() -> None:
    stage = CycloidalStage(kind="cycloidal", lobes=17, ring_pins=18, discs=2)
    assert [one.harmonic for one in phasing(stage)] == [1, 2, 3, 4, 5, 6]


@pytest.mark.parametrize(("share", "effect"), [(0.014, "radial"), (0.028, "torque")])
def test_two_in_a_hundred_of_what_all_discs_make_is_left_where_they_are_equal(share: float, effect: str) -> None:
    """Two at half a turn less d: |1 + exp(2 pi i (1/2 - d))| / 2 = sin(pi d)."""
    assert sum_of_phases(1, 1, (0.0, 0.5 - asin(share) / pi)) == effect


# ── what a capture needs ──────────────────────────────────────────────────────────────────────────────────────────


@pytest.mark.parametrize(
    ("needs_s", "planned_s"), [(9, 10), (11, 20), (21, 30), (31, 45), (46, 60), (61, 90), (91, 120)]
)
def test_durations_are_those_of_a_routes_settings(needs_s: float, planned_s: float) -> None:
    """A damage takes ten repeats."""
    duration_s, _ = capture_plan._duration(table(tone(10 / needs_s, "lobe", damage=True)), 1.0)
    assert duration_s == planned_s


@pytest.mark.parametrize(("needs_s", "planned_s"), [(32.5, 33), (34.0, 30)])
def test_a_capture_is_made_a_tenth_longer_for_a_cage_and_no_more(needs_s: float, planned_s: float) -> None:
    tones = tone(10 / 29, "lobe", damage=True), tone(10 / needs_s, "cage", damage=True)
    assert capture_plan._duration(table(*tones), 1.0)[0] == planned_s


@pytest.mark.parametrize(("turns_s", "planned_s"), [(5.8, 30.0), (6.2, 45.0), (1.9, 10.0)])
def test_the_slowest_body_turns_five_times(turns_s: float, planned_s: float) -> None:
    tones = table(tone(20.0, "lobe", damage=True), bodies={"stage1.output": 1 / turns_s})
    assert capture_plan._duration(tones, 1.0)[0] == planned_s


@pytest.mark.parametrize(
    ("mesh_hz", "span_hz", "harmonic"),
    [(1900, 10e3, 5), (2100, 20e3, 5), (3900, 20e3, 5), (4100, 20e3, 4), (5100, 20e3, 3), (6700, 40e3, 3)],
)
def test_a_span_takes_in_five_harmonics_of_the_mesh_or_four_or_three(
    mesh_hz: float, span_hz: float, harmonic: int
) -> None:
    span, why = capture_plan._span(table(tone(float(mesh_hz), "mesh")), 1.0)
    assert span == span_hz
    assert f"mesh harmonic {harmonic} " in why
    assert "impacts ring up to about 10 kHz" in why


def test_where_impacts_come_quickly_the_span_is_wider() -> None:
    """1 kHz + 4 x 3 kHz."""
    assert capture_plan._span(table(tone(3000.0, "outer race", damage=True)), 1.0)[0] == 20e3
    assert observability.carrier_top_hz(3000.0) == 13e3
    assert observability.carrier_top_hz(100.0) == 2e3


@pytest.mark.parametrize(
    ("mounting", "hz"), [("stud", 10e3), ("adhesive", 29e3 / 3), ("magnet", 7e3 / 3), ("probe", 2e3 / 3)]
)
def test_amplitudes_are_good_from_two_hertz_to_a_third_of_the_mounted_resonance(mounting: Mounting, hz: float) -> None:
    """Of resonances as handbooks give them; at a third an undamped sensor shows 12.5 % too much, at a fifth 4.2 %."""
    assert capture_plan.usable_band_hz(40e3, mounting) == (2.0, pytest.approx(hz))
    why = capture_plan._mounting(10e3)[1]
    assert "4.2 % up to 6 kHz" in why
    assert "12.5 % up to 10 kHz" in why


@pytest.mark.parametrize(("input_hz", "range_m_s2"), [(9.0, 100.0), (11.0, 500.0)])
def test_below_ten_turns_a_second_a_drive_vibrates_little(input_hz: float, range_m_s2: float) -> None:
    assert capture_plan._sensor_range(input_hz)[0] == range_m_s2


def needs(one: Tone) -> float:
    return observability.needed_duration_s(one, table(one), 1.0)[0]


def test_damage_takes_ten_repeats_and_two_rounds_and_a_line_five_periods() -> None:
    assert needs(tone(2.0, "lobe", damage=True)) == 5.0
    assert needs(tone(2.0, "mesh")) == 2.5
    round_it = SimpleNamespace(order=0.1)
    assert needs(tone(2.0, "lobe", damage=True, sidebands=(round_it,))) == 20.0


def test_thirty_repeats_prove_a_part_sound() -> None:
    one = tone(2.0, "lobe", damage=True)
    assert observability.proof_length_s([one], table(one), 1.0) == 15.0


@pytest.mark.parametrize(("hz", "seen"), [(980.0, True), (1020.0, False)])
def test_filters_of_analysers_end_at_the_sample_rate_over_2_56(hz: float, seen: bool) -> None:
    settings = CaptureSettings(duration_s=10.0, sample_rate_hz=2560.0, usable_band_hz=(2.0, 5000.0))
    assert observability.visibility(table(tone(hz)), settings, 1.0)[0].seen is seen


@pytest.mark.parametrize(("needed_s", "in_reach"), [(1700.0, True), (1900.0, False)])
def test_nobody_records_for_more_than_half_an_hour(needed_s: float, in_reach: bool) -> None:
    assert observability._longer(needed_s).startswith("a capture") is in_reach


def test_two_lines_part_at_two_bins_and_at_two_and_four_tenths_where_one_is_weak() -> None:
    """``test_resolution_rules.py`` computes both."""
    assert (parting_s(0.1), parting_s(0.1, weak=True)) == (20.0, pytest.approx(24.0))


@pytest.mark.parametrize(("top_hz", "carries"), [(10_400.0, True), (10_700.0, False)])
def test_a_mounting_may_end_a_twentieth_before_the_envelope_band(top_hz: float, carries: bool) -> None:
    plan: Any = SimpleNamespace(envelope_band_hz=(1000.0, top_hz))
    assert route_settings._carries(plan, "stud") is carries
