"""Settings per point of a route: mountings, what they cost, and the time of the walk."""

from __future__ import annotations

from typing import Any

import pytest

from vibe.core.drive import Bearing, Drive, Input
from vibe.core.route.route import Route
from vibe.core.route.route_plan import RoutePlan
from vibe.core.stages.cycloidal import CycloidalStage
from vibe.kinematics.planning.capture_plan import capture_plan
from vibe.kinematics.planning.route_settings import route_plan, stop_plan
from vibe.kinematics.tone_table import tone_table

DRIVE = Drive(
    tag="T-1",
    name="Press",
    input=Input(speed_rpm=1500.0, speed_range_rpm=[1430.0, 1510.0]),
    stage=[CycloidalStage(kind="cycloidal", lobes=17, ring_pins=18, output_pins=8)],
    bearing=[
        Bearing(
            name="input bearing", inner="input", outer="housing", elements=24, element_diameter_mm=5.0,
            pitch_diameter_mm=60.0,
        )
    ],
)  # fmt: skip


def plan_of(*points: dict[str, Any], walk: dict[str, Any] | None = None, **stop: Any) -> RoutePlan:
    route = Route.model_validate(
        {
            "title": "Walk", "drives": ["*.toml"], "walk": walk or {},
            "stop": [{"drive": "T-1", "point": list(points), **stop}],
        }
    )  # fmt: skip
    return route_plan(route, [stop_plan(DRIVE, tone_table(DRIVE), route.stop[0], route)])


def test_all_points_get_the_settings_of_the_drive() -> None:
    plan = plan_of({"name": "A"}, {"name": "B", "mounting": "adhesive"})
    alone = capture_plan(DRIVE, tone_table(DRIVE))
    for point in plan.stops[0].points:
        assert (point.sample_rate_hz, point.duration_s) == (alone.sample_rate_hz, alone.duration_s)
        assert point.captures == alone.captures
        assert point.samples == alone.sample_rate_hz * alone.duration_s
        assert point.sensor_range_g == pytest.approx(alone.sensor_range_m_s2 / 9.80665)
        # 30 and 29 kHz over 3: both carry an envelope up to 10 kHz, and nothing is lost.
        assert (point.better_mounting, point.loses) == (None, ())
    assert plan.stops[0].visibility == alone.visibility
    assert alone.envelope_band_hz == (1000.0, 10_000.0)
    assert alone.slowest_turns == pytest.approx(25 / 17 * alone.duration_s)


def test_a_magnet_ends_at_a_third_of_its_resonance_and_its_losses_are_named() -> None:
    """7 kHz / 3 = 2333 Hz. 24 rollers: inner race at 25 * 12 * (1 + 1/12) = 325 Hz, four of them above 1 kHz: 2300 Hz,
    just carried; the mesh at 450 Hz too. A probe at 667 Hz carries no impacts at all."""
    magnet, probe, stud = plan_of(
        {"name": "M", "mounting": "magnet"}, {"name": "P", "mounting": "probe"}, {"name": "S"}
    ).stops[0].points  # fmt: skip
    assert magnet.good_to_hz == pytest.approx(7000 / 3)
    assert (magnet.better_mounting, magnet.loses) == ("adhesive", ())
    assert any("2.3 and 10 kHz are lost: use thin adhesive" in reason for reason in magnet.reasons)
    damage = {tone.id for tone in tone_table(DRIVE).tones if tone.damage}
    seen = {view.tone for view in capture_plan(DRIVE, tone_table(DRIVE)).visibility if view.seen}
    assert set(probe.loses) == damage & seen
    assert probe.better_mounting == "adhesive"
    assert stud.better_mounting is None


def test_a_stop_shows_what_its_best_point_shows() -> None:
    def seen(plan: RoutePlan) -> int:
        return sum(view.seen for view in plan.stops[0].visibility)

    both = plan_of({"name": "P", "mounting": "probe"}, {"name": "S"})
    dead = plan_of({"name": "P", "mounting": "probe"}, {"name": "S", "out_of_use": "cable cut"})
    assert seen(both) > seen(dead)
    unseen = {view.tone: view for view in dead.stops[0].visibility if not view.seen}
    assert (unseen["stage1.lobe"].reach, unseen["stage1.lobe"].needs_sample_rate_hz) == ("other settings", None)
    assert "mounting good to 2000 Hz" in unseen["stage1.lobe"].needs


def test_out_of_use_and_pulse_sensors_take_no_vibration_settings() -> None:
    dead, pulses, live = plan_of(
        {"name": "A", "out_of_use": "cable cut"}, {"name": "T", "quantity": "tachometer"}, {"name": "B"}, captures=5
    ).stops[0].points  # fmt: skip
    assert (dead.in_use, dead.captures, dead.reasons) == (False, 0, ("out of use: cable cut",))
    assert (pulses.sensor_range_m_s2, pulses.good_to_hz, pulses.captures) == (None, None, 5)
    assert (live.in_use, live.captures) == (True, 5)


def test_time_of_the_walk() -> None:
    walk = {"start_s": 600.0, "between_s": 100.0, "mounting_s": 50.0, "note_s": 30.0}
    points = (
        {"name": "A"},
        {"name": "B"},
        {"name": "C", "out_of_use": "gone"},
        {"name": "T", "quantity": "tachometer"},
    )
    length = capture_plan(DRIVE, tone_table(DRIVE)).duration_s
    one = plan_of(*points, walk=walk, captures=4)
    time = one.stops[0].time
    assert (time.walking_s, time.mounting_s, time.noting_s) == (100.0, 150.0, 30.0)
    assert time.capturing_s == 2 * 4 * length
    assert one.budget.repeats_s == pytest.approx(0.1 * (150 + 8 * length))
    assert one.budget.total_s == pytest.approx(600 + 100 + 150 + 30 + 8 * length + one.budget.repeats_s)
    at_once = plan_of(*points, walk={**walk, "channels_at_once": 4}, captures=4, walk_s=7.0)
    assert at_once.stops[0].time.capturing_s == 4 * length
    nothing = plan_of({"name": "A", "out_of_use": "gone"}, walk=walk)
    assert (nothing.stops[0].time.capturing_s, nothing.stops[0].time.mounting_s) == (0.0, 0.0)


def test_settings_are_found_by_any_name_of_drive_and_point() -> None:
    plan = plan_of({"name": "Input side"}, formerly=["OLD-9"])
    found = plan.point("old-9", "INPUT SIDE")
    assert found is not None
    assert found is plan.point("T-1", "Input side")
    assert plan.point("T-1", "elsewhere") is None
    assert plan.point("T-2", "Input side") is None
