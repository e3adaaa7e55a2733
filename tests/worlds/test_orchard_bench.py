"""Drives of the fruit works roll as closed forms say they must, and their captures are what their truth says."""

from __future__ import annotations

from collections import Counter

import numpy as np
import pytest

from tests.worlds import orchard_bench as bench
from tests.worlds.orchard_bench import Bearing, Discs, Gear, Make, Part, Reducer
from tests.worlds.orchardside import COUNT, HALF, KINDS, _places

BALL = Bearing(
    name="input bearing", inner="input", outer="housing", load="housing", elements=9, element_mm=7.94, pitch_mm=39.04
)


def reducer(*stages: Discs | Gear) -> Reducer:
    return Reducer(
        tag="T", name="t", stages=stages, bearings=(BALL,), rpm=1450.0, rpm_range=(1400.0, 1500.0), power_kw=1.0
    )


@pytest.mark.parametrize(
    ("stages", "ratio"),
    [
        ((Discs(lobes=17, pins=18),), -17.0),
        ((Discs(lobes=38, pins=40),), -19.0),
        ((Discs(lobes=19, pins=20, ring_turns=True),), 20.0),
        ((Discs(lobes=17, pins=18), Discs(lobes=11, pins=12)), 187.0),
        ((Gear(driver=23, driven=69), Discs(lobes=17, pins=18)), 51.0),
        ((Gear(driver=21, driven=30, ring=72 + 9), Discs(lobes=17, pins=18)), -17 * (1 + 81 / 21)),
        ((Discs(lobes=39, pins=40, sun=10, planet=38),), 153.0),
        ((Discs(lobes=39, pins=40, sun=16, planet=32),), 81.0),
    ],
)
def test_rolling_circles_reduce_as_published(stages: tuple[Discs | Gear, ...], ratio: float) -> None:
    """Closed forms of single and chained stages; 153 and 81 after Yang et al. 2021, Eq. 2."""
    assert 1 / bench.turns(reducer(*stages))["output"] == pytest.approx(ratio)


@pytest.mark.parametrize(
    ("part", "per_turn"),
    [("outer_race", 3.5848), ("inner_race", 5.4152), ("rolling_element", 4.7135), ("cage", 0.3983)],
)
def test_a_damaged_bearing_strikes_as_often_as_its_table_says(part: Part, per_turn: float) -> None:
    """Published multiples of the ball bearing 6205 (Case Western Reserve University); an element has two blows."""
    theta = np.arange(200_000) / 1000.0
    strikes = bench.bearing_strikes(BALL, {"input": 1.0, "housing": 0.0}, theta, part, np.random.default_rng(1))
    assert strikes.at.size == pytest.approx(200 * per_turn, abs=2)
    assert np.all(np.diff(strikes.at) > 0)


@pytest.mark.parametrize(("part", "count"), [("lobe", 170 * 18 / 17), ("output_pin", 170 * 18 / 17)])
def test_a_damaged_lobe_is_met_by_the_eccentric_that_it_turns_against(part: str, count: float) -> None:
    theta = np.arange(170_001) / 1000.0
    strikes = bench.part_strikes(reducer(Discs(lobes=17, pins=18)), 1, part, theta, np.random.default_rng(2))
    assert strikes.at.size == pytest.approx(count, abs=1)


def test_moves_to_and_fro_meet_a_pin_on_both_ways() -> None:
    there = np.linspace(0, 10.5, 5000)
    strikes = bench.crossings(np.concatenate([there, there[::-1]]), 0.25)
    assert strikes.size == 22


def test_even_parts_make_their_mesh_and_uneven_ones_their_turns() -> None:
    """With perfect parts of two discs what remains of the ring's force over a turn are whole meshes of 12 pins."""
    theta = np.arange(11 * 2048) / 2048.0
    perfect = Make(pins=0, lobes=0, holes=0, teeth=0, discs=0, unbalance=0, bearings=0)
    drive = reducer(Discs(lobes=11, pins=12))

    def lines(make: Make) -> np.ndarray:
        made = bench.forces(drive, theta, np.ones(theta.size), make, np.random.default_rng(3))
        return np.asarray(np.abs(np.fft.rfft(made.even["ring"]))[: 11 * 40])

    even, uneven = lines(perfect), lines(Make(unbalance=0, bearings=0))
    rest = np.delete(even, [0, 132, 264, 396])
    assert even[132] > 100 * rest.max()
    assert min(uneven[11], uneven[12]) > 10 * rest.max()


def test_blows_keep_their_area_wherever_they_fall() -> None:
    at = np.array([100.0, 300.37, 500.5])
    strikes = bench.Strikes(at=at, strength=np.array([1.0, 2.0, 1.0]), path="ring")
    made = bench.blows(strikes, 800, 10_000.0, np.random.default_rng(4), width_s=5e-4, jitter=0, scatter=0)
    assert made[200:400].sum() == pytest.approx(2.0, rel=1e-3)
    assert made.sum() == pytest.approx(4.0, rel=1e-3)


def test_every_kind_comes_once_in_each_half() -> None:
    assert len(KINDS) == HALF == COUNT // 2
    assert Counter(kind.truth for kind in KINDS) == {"unusable": 13, "sound": 30, "damaged": 17}
    assert set(Counter(_places(number) for number in range(COUNT)).values()) == {1}
