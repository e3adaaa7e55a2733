"""Impacts counted over a minute against literal published or hand-worked rates: no tone formula in between."""

from __future__ import annotations

import numpy as np
import pytest

from tests.synth.synth_drives import cycloid, drive, eccentric_bearing, input_bearing
from vibe.core.drive import Drive
from vibe.synth.conditions import Conditions
from vibe.synth.machine.damage import Damage
from vibe.synth.simulate import events

SECONDS = 60.0


def rate(machine: Drive, tone: str, rpm: float, slip: float | None = 0.0, seed: int = 1) -> list[float]:
    """Mean rate [1/s] per track, from the first to the last hit."""
    calm = Conditions(
        duration_s=SECONDS, sample_rate_hz=1000.0, speed_rpm=rpm, speed_wander=0.0, cage_slip=slip, machine_seed=4
    )
    tracks = events(machine, [Damage(tone)], seed=seed, conditions=calm)
    return [(times.size - 1) / (times[-1] - times[0]) for times in tracks.values()]


SEVENTEEN = drive(cycloid(17))
ELEVEN = drive(cycloid(11), bearings=(eccentric_bearing(), input_bearing()))
RV = drive(
    {"kind": "rv", "sun_teeth": 9, "planet_teeth": 27, "cranks": 3, "lobes": 39, "ring_pins": 40, "discs": 2},
    bearings=(
        {
            "name": "turning arm",
            "inner": "stage1.crank",
            "outer": "stage1.disc",
            "load": "stage1.crank",
            "elements": 8,
            "element_diameter_mm": 10.0,
            "pitch_diameter_mm": 50.0,
        },
    ),
)

ROLLING = drive(cycloid(17) | {"eccentricity_mm": 2.0, "output_roller_diameter_mm": 16.0})
HALF = drive(cycloid(87) | {"fitted_pins": 44})
STEPPED = drive(
    {"kind": "stepped discs", "lobes": 24, "ring_pins": 25, "second_lobes": 20, "second_ring_pins": 21, "discs": 1}
)

CASES = [
    # 17 lobes in 18 pins reduce 17:1 against the input (trade fact); so the disc meets the eccentric at 25 + 25/17.
    (SEVENTEEN, 1500, "stage1.ring_pin", 25.0, 2),
    (SEVENTEEN, 1500, "stage1.lobe", 26.47059, 1),
    (SEVENTEEN, 1500, "stage1.output_pin", 26.47059, 2),
    (SEVENTEEN, 1500, "stage1.disc_bore", 26.47059, 1),
    # Output pins fixed, 18 pins turning: a pin is met at 25 - 25/18, a lobe at 25.
    (drive(cycloid(17, fixed="output pins")), 1500, "stage1.ring_pin", 23.61111, 2),
    (drive(cycloid(17, fixed="output pins")), 1500, "stage1.lobe", 25.0, 1),
    # 40 pins, 38 lobes: ratio 19, so 25 + 25/19.
    (drive(cycloid(38, difference=2)), 1500, "stage1.lobe", 26.31579, 1),
    # 17 then 11: the second eccentric turns at 25/17; its lobe at 25/17 + 25/187.
    (drive(cycloid(17), cycloid(11)), 1500, "stage2.lobe", 1.604278, 1),
    # 6205 with 9 balls of 0.3126 in on 1.537 in: 3.5848, 5.4152, 2.3567, 0.39828 per turn of the shaft
    # (Smith & Randall 2015, Table 2, second-hand); at 25 Hz on the input:
    (ELEVEN, 1500, "bearing.input bearing.outer_race", 89.620, 1),
    (ELEVEN, 1500, "bearing.input bearing.inner_race", 135.380, 1),
    (ELEVEN, 1500, "bearing.input bearing.rolling_element", 2 * 58.918, 1),
    (ELEVEN, 1500, "bearing.input bearing.cage", 9.957, 1),
    # The same bearing between eccentric and disc of an 11:1 drive turns at 25 + 25/11 = 27.2727 Hz.
    (ELEVEN, 1500, "bearing.eccentric bearing.outer_race", 97.77, 1),
    (ELEVEN, 1500, "bearing.eccentric bearing.inner_race", 147.69, 1),
    (ELEVEN, 1500, "bearing.eccentric bearing.rolling_element", 2 * 64.27, 1),
    (ELEVEN, 1500, "bearing.eccentric bearing.cage", 10.8622, 1),
    # The same cages, at 0.39828 of the way from the outer ring to the inner one: 0.60172 before the inner ring and a
    # load that turns with it; past the housing 0.39828 x 25 - 0.60172 x 25/11 Hz.
    (ELEVEN, 1500, "bearing.input bearing.cage_past_inner", 15.043, 1),
    (ELEVEN, 1500, "bearing.eccentric bearing.cage_past_load", 16.4105, 1),
    (ELEVEN, 1500, "bearing.eccentric bearing.cage_past_housing", 8.5895, 1),
    # A roller of 8 mm radius rolls e = 2 mm in its bore: a quarter more than its pin.
    (ROLLING, 1500, "stage1.output_roller", 33.08824, 1),
    # 87 lobes in 44 of 88 places: a lobe is met on every other turn past its disc, 25 x 88/87 / 2.
    (HALF, 1500, "stage1.lobe", 12.64368, 1),
    (HALF, 1500, "stage1.ring_pin", 25.0, 2),
    # 24 in 25 and 20 in 21 make 126:1, so the second ring turns at 25/126; both rows pass the eccentric at 25 x 25/24.
    (STEPPED, 1500, "stage1.second_ring_pin", 24.80159, 1),
    (STEPPED, 1500, "stage1.second_lobe", 26.04167, 1),
    # Two starts on 41 teeth; 19 on 38 sprocket teeth.
    (drive({"kind": "worm", "starts": 2, "wheel_teeth": 41}), 1500, "stage1.driven_tooth", 1.219512, 1),
    (drive({"kind": "chain", "driver_teeth": 19, "driven_teeth": 38}), 1500, "stage1.driven_tooth", 12.5, 1),
    # Wang et al., sun 9, planet 27, disc 39, pins 40, 1815 r/min: output 0.25 Hz, crank 9.75 Hz against the housing and
    # 10 Hz against carrier and disc; sun against carrier 30 Hz.
    (RV, 1815, "stage1.ring_pin", 9.75, 2),
    (RV, 1815, "stage1.lobe", 10.0, 1),
    (RV, 1815, "stage1.sun_tooth", 30.0, 3),
    (RV, 1815, "stage1.planet_tooth", 10.0, 1),
    # 8 balls of 10 on 50 mm: 3.2 per turn of ring against ring; ring against ring 10 Hz.
    (RV, 1815, "bearing.turning arm.outer_race", 32.0, 1),
]


@pytest.mark.parametrize(("machine", "rpm", "tone", "expected_hz", "tracks"), CASES)
def test_impacts_come_at_the_published_rate(
    machine: Drive, rpm: float, tone: str, expected_hz: float, tracks: int
) -> None:
    found = rate(machine, tone, rpm)
    assert len(found) == tracks
    # Jitter of the first and last hit over a minute leaves a few parts in a hundred thousand.
    assert found == pytest.approx([expected_hz] * tracks, rel=1.5e-4)


def test_the_two_roads_to_one_mesh_agree() -> None:
    # Pins met per second times pins = lobes met per second times lobes: 18 x 25 = 17 x 26.47059 = 450.
    (pin, _), (lobe,) = rate(SEVENTEEN, "stage1.ring_pin", 1500), rate(SEVENTEEN, "stage1.lobe", 1500)
    assert 18 * pin == pytest.approx(450.0, rel=1e-4)
    assert 17 * lobe == pytest.approx(450.0, rel=1e-4)


@pytest.mark.parametrize("slip", [0.0, 0.008, 0.03])
def test_races_share_the_elements_whatever_the_slip(slip: float) -> None:
    # BPFO + BPFI = n f for any slip (Smith & Randall 2015, p. 109, second-hand): 9 x 25 = 225.
    (outer,) = rate(ELEVEN, "bearing.input bearing.outer_race", 1500, slip)
    (inner,) = rate(ELEVEN, "bearing.input bearing.inner_race", 1500, slip)
    assert outer + inner == pytest.approx(225.0, rel=1e-4)
    assert outer == pytest.approx(89.620 * (1 - slip), rel=5e-4)


def test_slip_is_drawn_below_one_per_cent_and_differs() -> None:
    slips = [1 - rate(ELEVEN, "bearing.input bearing.outer_race", 1500, None, seed)[0] / 89.620 for seed in range(6)]
    assert all(0.0005 < slip < 0.01 for slip in slips)
    assert np.ptp(slips) > 0.0005


def test_a_table_of_orders_serves_as_well_as_geometry() -> None:
    ends = {"name": "b", "inner": "input", "outer": "housing"}
    table = drive(
        bearings=({**ends, "orders": {"outer_race": 3.5848, "inner_race": 5.4152, "rolling_element": 2.3567}},)
    )
    assert rate(table, "bearing.b.outer_race", 1500) == pytest.approx([89.620], rel=1e-4)
    assert rate(table, "bearing.b.rolling_element", 1500) == pytest.approx([2 * 58.918], rel=2e-4)


def test_discs_meet_a_pin_in_turn() -> None:
    calm = Conditions(duration_s=4, speed_rpm=1500, speed_wander=0.0)
    machine = drive(cycloid(17, discs=3))
    first, second, third = events(machine, [Damage("stage1.ring_pin")], seed=2, conditions=calm).values()
    # A third of a turn of the input, 40 ms / 3, lies between discs; disc 1 leads, so it comes earlier.
    for later, earlier in ((first, second), (second, third)):
        gap = np.mod(later[5] - earlier, 0.04)
        assert np.median(gap) == pytest.approx(0.04 / 3, abs=1e-4)


def test_pins_are_met_one_pitch_apart() -> None:
    calm = Conditions(duration_s=4, speed_rpm=1500, speed_wander=0.0)
    at = [
        next(iter(events(SEVENTEEN, [Damage("stage1.ring_pin", part=part)], seed=2, conditions=calm).values()))
        for part in (0, 1)
    ]
    gap = np.mod(at[1][3:40] - at[0][3], 0.04)
    assert np.median(gap) == pytest.approx(0.04 / 18, abs=1e-4)


def test_a_ring_roller_spins_seldom_and_is_detected_under_load() -> None:
    """Pins on 65 mm, 18 x 2 = 36 mm to the pitch point: from 29 to 101 mm away, a sleeve of 5 mm radius turns between
    29/5 - 1 and 101/5 - 1 times as fast as the disc past the ring, 25/17 Hz."""
    machine = drive(
        cycloid(17) | {"eccentricity_mm": 2.0, "ring_pitch_diameter_mm": 130.0, "ring_roller_diameter_mm": 10.0}
    )
    (found,) = rate(machine, "stage1.ring_roller", 1500)
    assert 25 / 17 * 4.8 < found < 25 / 17 * 19.2
    distance = np.mean(np.abs(65.0 - 36.0 * np.exp(2j * np.pi * np.arange(720) / 720)))
    assert found == pytest.approx(25 / 17 * (distance / 5 - 1), rel=2e-3)


def test_a_roller_that_coasts_lags() -> None:
    (rolling,) = rate(ROLLING, "stage1.output_roller", 1500)
    (coasting,) = rate(ROLLING, "stage1.output_roller", 1500, None)
    assert 26.47059 < coasting < rolling


def test_discs_stand_where_their_phases_say() -> None:
    calm = Conditions(duration_s=4, speed_rpm=1500, speed_wander=0.0)
    machine = drive(cycloid(17, discs=3) | {"disc_phase_deg": [0.0, 90.0, 240.0]})
    first, second, third = events(machine, [Damage("stage1.ring_pin")], seed=2, conditions=calm).values()
    assert np.median(np.mod(first[5] - second, 0.04)) == pytest.approx(0.04 / 4, abs=1e-4)
    assert np.median(np.mod(first[5] - third, 0.04)) == pytest.approx(0.04 * 2 / 3, abs=1e-4)
