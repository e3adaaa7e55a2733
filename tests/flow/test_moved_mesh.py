"""Drives of several discs whose mesh cancels at its own place: their speed, whether they were detected, and drives
whose mesh lies where theirs is seen."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from tests.synth.synth_drives import cycloid, drive
from tests.synth.test_synth_signal import amplitudes
from vibe.core.drive import Drive
from vibe.flow.diagnose.presence import families_of
from vibe.flow.diagnose.speed_orders import moved_orders, speed_orders
from vibe.kinematics.tone_table import tone_table
from vibe.spectra.basic.angle_law import AngleLaw
from vibe.spectra.presence.axes import AUDIBLE, Axis
from vibe.spectra.presence.families import MESH, MESH_SEEN, SIDE_LINES, Family
from vibe.spectra.presence.presence import Presence, presence
from vibe.spectra.speed.phase_refinement import low_passed
from vibe.spectra.speed.speed_search import _best_of_range, _of_two, speed_from_signal
from vibe.synth.conditions import Conditions
from vibe.synth.impacts import smooth_forces
from vibe.synth.machine.forces import Smooth
from vibe.synth.scene import set_scene

STEP, TOP = 0.005, 160.0
"""Orders per bin and in all."""
RATE, SECONDS = 12_800.0, 6.0


def reducer(pins: int, discs: int) -> Drive:
    made = {"speed_rpm": 1440.0, "speed_range_rpm": [1400.0, 1480.0]}
    return Drive.model_validate({"tag": "T", "input": made, "stage": [cycloid(pins - 1, discs=discs)], "bearing": []})


def family(pins: int, discs: int) -> Family:
    made = reducer(pins, discs)
    return families_of(made, tone_table(made))[0]


def axis(*orders: float, strength: float = 300.0) -> Axis:
    """Noise, on which the lines of the shaft and those at ``orders`` stand."""
    row = np.random.default_rng(3).exponential(1.0, round(TOP / STEP))
    row[np.rint(np.array([1.0, 2.0, 3.0, *orders]) / STEP).astype(int)] = strength
    return Axis(rows=((row, STEP),), audible=AUDIBLE)


def detected(recorded: Axis, of: Family) -> Presence:
    found = presence([recorded], [of], 1e-6)
    assert found is not None
    return found


@pytest.mark.parametrize(("pins", "stands", "cancels"), [(11, (12, 21, 33), (11, 22)), (13, (12, 27, 39), (13, 26))])
def test_the_mesh_of_three_simulated_discs_is_seen_where_the_law_puts_it(
    pins: int, stands: tuple[int, ...], cancels: tuple[int, ...]
) -> None:
    """The simulation knows angles of bodies only. Next to a line that stands, one that cancels is 8 dB down or more,
    but not nothing: a torque is felt more than a radial force there."""
    made = drive(cycloid(pins - 1, discs=3), rpm=1470.0)
    still = Conditions(duration_s=4, speed_rpm=1470.0, speed_wander=0.0, pitch_errors=0.0)
    felt: Smooth = smooth_forces(set_scene(made, 3, still), {})
    frequency, values = amplitudes(felt.at_points[0])

    def height(order: int) -> float:
        return float(values[np.argmin(np.abs(frequency - order * 24.5))])

    for line, gone in zip(stands, cancels, strict=False):
        assert 0.0 < height(gone) < 0.4 * height(line)
    orders = {order for one in tone_table(made).phasing[:3] for order in one.seen_at}
    assert orders == set(stands)


def test_lines_of_a_mesh_that_cancels() -> None:
    """44 pins and three discs: seen at 45, 87 and 132 as meshes are, at 44 and 88 a third less often than half."""
    lines = family(44, 3).lines([44, 50])
    mesh, sides = (lines.orders[0][lines.part == part] for part in (MESH, SIDE_LINES))
    assert {44.0, 45.0, 87.0, 88.0, 132.0} == set(mesh[np.isfinite(mesh)])
    assert {43.0, 89.0} <= set(sides)
    assert not {45.0, 87.0} & set(sides)
    seen = dict(zip(lines.orders[0], lines.seen[0], strict=True))
    assert seen[45.0] == seen[87.0] == seen[132.0] == MESH_SEEN
    assert 0.3 < seen[44.0] == seen[88.0] < 0.4
    other = dict(zip(lines.orders[1], lines.seen[1], strict=True))
    assert other[50.0] == MESH_SEEN > other[49.0] == other[51.0]


def test_lines_of_a_mesh_that_does_not_cancel_are_as_they_were() -> None:
    known, unknown = family(12, 2), family(12, 1)
    assert known.left
    assert not unknown.left
    lines, before = known.lines([12]), unknown.lines([12])
    assert dict(zip(lines.orders[0], lines.seen[0], strict=True)).items() >= {
        (order, seen) for order, seen in zip(before.orders[0], before.seen[0], strict=True) if np.isfinite(order)
    }


def test_a_drive_is_detected_where_its_mesh_stands() -> None:
    recorded = axis(45.0, 87.0, 132.0, 44 / 43, 88 / 43)
    found, without = detected(recorded, family(44, 3)), detected(recorded, family(44, 1))
    assert found.detected
    assert found.own > without.own + 2.0


@pytest.mark.parametrize("discs", [2, 3])
def test_a_mesh_at_that_place_whose_multiples_are_another_drives_proves_nothing(discs: int) -> None:
    """31 pins: two discs are seen at 30 and 32, three at 30, 63 and 93; 30 pins at 30, 60 and 90. A pump with 30 vanes
    on the same shaft has these too."""
    lobes = [k * 31 / 30 for k in (1, 2, 3)]
    assert not detected(axis(30.0, 60.0, 90.0, *lobes), family(31, discs)).detected
    own = (30.0, 32.0, 62.0) if discs == 2 else (30.0, 63.0, 93.0)
    assert detected(axis(*own, *lobes), family(31, discs)).detected


def signal(turns: NDArray[np.float64], orders: tuple[float, ...], height: float) -> NDArray[np.float64]:
    rng = np.random.default_rng(8)
    return np.sum([height * np.sin(2 * np.pi * (order * turns + rng.uniform())) for order in orders], axis=0)


def test_a_speed_is_found_by_a_mesh_that_stands_off_its_place() -> None:
    time = np.arange(round(RATE * SECONDS)) / RATE
    noise = np.random.default_rng(5).standard_normal(time.size)
    samples = (noise + signal(24.1 * time, (1.0, 45.0, 8 * 44 / 43), 0.3)).astype(np.float32)
    three, two = tone_table(reducer(44, 3)), tone_table(reducer(44, 2))
    orders = speed_orders(reducer(44, 3), three)
    assert moved_orders(three) == (45.0, 87.0)
    assert moved_orders(two) == ()
    found = speed_from_signal([(samples, RATE)], (23.5, 24.5), sorted({*orders, *moved_orders(three)}))
    assert found is not None
    assert found[1].input_hz == pytest.approx(24.1, rel=1e-4)
    assert speed_from_signal([(samples, RATE)], (23.5, 24.5), orders) is None


@pytest.mark.parametrize("jumps", [False, True])
@pytest.mark.parametrize("height", [0.1, 0.4])
def test_two_machines_are_distinguished_from_one_whose_speed_jumps(jumps: bool, height: float) -> None:
    """By what each of two speeds that hold explains, and what a path from one to the other does."""
    time = np.arange(round(RATE * SECONDS)) / RATE
    knots = np.linspace(0.0, SECONDS, 601)
    turns = np.concatenate([[0.0], np.cumsum(np.where(knots[1:] <= SECONDS / 2, 23.6, 24.2) * np.diff(knots))])
    path = AngleLaw(time_s=knots, turns=turns * SECONDS / turns[-1])
    made = (1.0, 3.0, 12.0, 21.0, 22.0, 8.8)
    if jumps:
        lines = signal(np.interp(time, knots, turns), made, height)
    else:
        lines = signal(23.6 * time, made, height) + signal(24.2 * time, made, height)
    noise = np.random.default_rng(5).standard_normal(time.size)
    lows = [low_passed((noise + lines).astype(np.float32), RATE, 900.0)]
    drive_of = reducer(11, 3)
    table = tone_table(drive_of)
    orders = np.array(sorted({*speed_orders(drive_of, table), *moved_orders(table)}))
    steady, moving = (
        _best_of_range(lows, shape, (23.4, 24.6), orders) for shape in (AngleLaw.steady(1.0, SECONDS), path)
    )
    assert _of_two(steady, moving) is not jumps
