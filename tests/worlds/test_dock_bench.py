"""The dock's generator against closed forms: how many blows a record holds, how bodies turn, how loud a part is."""

from __future__ import annotations

import numpy as np
import pytest

from tests.worlds import dockside
from tests.worlds.dock_bench import (
    TABLE,
    DockBearing,
    DockDrive,
    DockStage,
    Strikes,
    Turning,
    Yard,
    bearing_strikes,
    body_strikes,
    bumps,
    crossings,
    disc_strikes,
    looked_up,
    steady,
)
from tests.worlds.dock_berth import a_drive, bearing_like

SECONDS, SPEED_HZ = 50.0, 24.0
BALLS = DockBearing(name="b", inner="input", outer="housing", elements=9, element_mm=8.0, pitch_mm=40.0)


def drive_of(*stages: DockStage) -> DockDrive:
    return DockDrive(
        tag="DK-00", name="test", stages=stages, bearings=(BALLS,), rpm=1440, range_rpm=(1400, 1500), kw=3, poles=4,
        line_hz=50,
    )  # fmt: skip


def even_turning() -> Turning:
    return Turning.of(np.full(int(SECONDS * 400) + 1, SPEED_HZ))


def test_bodies_turn_as_their_counts_say() -> None:
    ring = drive_of(DockStage(lobes=17, pins=18)).turns()
    assert ring["stage1.output"] == pytest.approx(-1 / 17)
    turning = drive_of(DockStage(lobes=17, pins=18, turning_ring=True)).turns()
    assert turning["stage1.output"] == pytest.approx(1 / 18)
    geared = drive_of(
        DockStage(kind="gear pair", driver_teeth=15, driven_teeth=45), DockStage(lobes=10, pins=12)
    ).turns()
    assert geared["stage2.output"] == pytest.approx(1 / 3 * 2 / 10)
    robot = drive_of(DockStage(kind="rv", lobes=39, pins=40, driver_teeth=10, driven_teeth=38)).turns()
    assert robot["stage1.carrier"] == pytest.approx(1 / 153)  # 1 + 38 / 10 x 40, the usual rule for such drives


@pytest.mark.parametrize("form", ["single", "turning ring", "double", "robot"])
def test_lobes_pass_pins_as_often_as_pins_pass_lobes(form: str) -> None:
    drive, _ = a_drive(np.random.default_rng(len(form)), form, near={}, mains=True)
    turns = drive.turns()
    for number, stage in enumerate(drive.stages, start=1):
        crank, ring, disc = (turns[f"stage{number}.{body}"] for body in ("eccentric", "ring", "disc"))
        assert stage.pins * (crank - ring) == pytest.approx(stage.lobes * (crank - disc))


@pytest.mark.parametrize(
    ("part", "per_turn"),
    # Of textbooks, for N = 9 and d/D = 0.2: N/2 (1 - d/D), N/2 (1 + d/D), D/d (1 - d²/D²), and the cage's turn.
    [("outer_race", 3.6), ("inner_race", 5.4), ("rolling_element", 4.8), ("cage", 0.4)],
)
def test_a_record_holds_as_many_blows_as_a_bearing_makes(part: str, per_turn: float) -> None:
    strikes = bearing_strikes(np.random.default_rng(1), even_turning(), drive_of(DockStage(lobes=17, pins=18)).turns(),
                              BALLS, part, 0.0)  # fmt: skip
    assert strikes.times_s.size == pytest.approx(SECONDS * SPEED_HZ * per_turn, abs=1.01)
    assert np.all(strikes.sizes > 0)


@pytest.mark.parametrize("part", ["outer_race", "inner_race"])
def test_a_bearing_is_found_whose_tone_falls_near_a_count(part: str) -> None:
    rng, sign = np.random.default_rng(8), -1 if part == "outer_race" else 1
    for count in range(6, 11):
        made = bearing_like(rng, "b", "input", "housing", elements=(11, 24), pitch_mm=90.0, near=(part, float(count)))
        assert 0.0009 < abs(made.elements / 2 * (1 + sign * made.slimness) / count - 1) < 0.0151
        assert made.elements * made.element_mm < np.pi * made.pitch_mm  # they have room
    with pytest.raises(ValueError, match="no bearing"):
        bearing_like(rng, "b", "input", "housing", elements=(7, 8), pitch_mm=40.0, near=(part, 30.0))


def test_slip_takes_blows_from_the_outer_race_and_gives_them_to_the_inner() -> None:
    rng, turns = np.random.default_rng(2), drive_of(DockStage(lobes=17, pins=18)).turns()
    outer, inner = (bearing_strikes(rng, even_turning(), turns, BALLS, part, 0.02).times_s.size
                    for part in ("outer_race", "inner_race"))  # fmt: skip
    turned = SECONDS * SPEED_HZ
    assert outer == pytest.approx(turned * 3.6 * 0.98, rel=2e-3)
    assert outer + inner == pytest.approx(9 * turned, abs=2.01)  # whatever the cage does


@pytest.mark.parametrize(("part", "per_turn"), [("ring_pin", 2.0), ("lobe", 18 / 17), ("output_pin", 36 / 17)])
def test_a_spot_meets_discs_once_per_turn_past_it(part: str, per_turn: float) -> None:
    drive = drive_of(DockStage(lobes=17, pins=18))
    strikes = disc_strikes(np.random.default_rng(3), even_turning(), drive.turns(), 1, drive.stages[0], part)
    assert strikes.times_s.size == pytest.approx(SECONDS * SPEED_HZ * per_turn, abs=2.01)


def test_blows_fall_where_their_places_are() -> None:
    strikes = body_strikes(
        np.random.default_rng(4), even_turning(), 0.25, places=[0.0, 0.1], heights=[2.0, 1.0], scatter=0.0
    )
    times = np.sort(strikes.times_s)
    assert strikes.times_s.size == pytest.approx(2 * SECONDS * SPEED_HZ * 0.25, abs=1.01)
    assert set(np.round(np.diff(times) * SPEED_HZ * 0.25, 6)) == {0.1, 0.9}


def test_a_path_that_falls_is_crossed_as_one_that_rises() -> None:
    times = np.linspace(0, 1, 11)
    up, down = crossings(times, 3.3 * times + 0.2), crossings(times, -3.3 * times - 0.2)
    assert np.allclose(up[0], down[0])
    assert np.array_equal(up[1], -down[1])
    assert np.allclose(up[0], (np.array([1, 2, 3]) - 0.2) / 3.3)


def test_a_shaft_drifts_as_much_as_it_should() -> None:
    turning = steady(np.random.default_rng(5), 200.0, 20.0, drift=2e-3)
    speed = np.diff(turning.turns) * 400
    assert np.std(speed) / 20.0 == pytest.approx(2e-3, rel=0.25)  # of six sinusoids, none of them whole


def test_bumps_have_the_mean_of_their_heights_and_as_many_lines() -> None:
    table = bumps([1.0] * 12, 0.2)
    spectrum = np.abs(np.fft.rfft(table)) / TABLE
    assert spectrum[0] == pytest.approx(1.0)
    assert spectrum[12] == pytest.approx(np.exp(-2 * (np.pi * 0.2) ** 2), rel=1e-3)
    assert np.max(spectrum[1:12]) < 2e-3  # places are rounded to the table's
    assert looked_up(table, np.array([0.25, 1.25, -0.75])) == pytest.approx(table[TABLE // 4])


def test_a_blow_keeps_its_size_between_samples_and_a_part_its_level() -> None:
    yard = Yard(np.random.default_rng(6), 5120.0, 4.0, ("a",))
    train = yard.train(Strikes(np.array([0.5, 0.70003, 99.0]), np.array([2.0, 3.0, 9.0])))
    assert np.sum(train) == pytest.approx(5.0)
    hiss = yard.through(yard.noise(tilt=0.0), yard.path(low_hz=200, high_hz=2000))
    yard.add(hiss)
    gain = yard.add_at([3.0 * hiss[0]], 6.0)
    assert 20 * np.log10(3.0 * gain) == pytest.approx(6.0)
    assert yard.recorded(floor=0.0)["a"].size == 4 * 5120


def test_a_casing_rings_at_its_modes() -> None:
    yard = Yard(np.random.default_rng(7), 10240.0, 2.0, ("a",))
    answer = np.abs(yard.path(low_hz=900, high_hz=1100, modes=3, damping=(0.01, 0.01))[0])
    assert 880 < yard.frequencies[np.argmax(answer)] < 1400


def test_every_kind_comes_once_in_each_half() -> None:
    assert len(dockside.KINDS) == 60 == dockside.COUNT // 2
    assert sum(name.startswith("sound") for name in dockside.KINDS) == 27
    for half in (range(60), range(60, 120)):
        assert {dockside.kind_of(number) for number in half} == set(dockside.KINDS)
    assert [dockside.kind_of(number) for number in range(60)] != list(dockside.KINDS)


def test_a_case_is_the_same_every_time_and_says_what_is_true() -> None:
    first, again = dockside.case(22), dockside.case(22)
    assert first.drive_toml == again.drive_toml
    assert all(np.array_equal(first.channels[point], again.channels[point]) for point in first.channels)
    assert (first.truth, first.kind) == ("damaged", "second eccentric bearing, brake")
    assert first.damaged == ("bearing.second eccentric bearing.outer_race",)
    with pytest.raises(ValueError, match="numbered"):
        dockside.case(120)
