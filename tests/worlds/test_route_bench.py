"""The generator of the survey against closed forms: rolling, meshing, strikes; and the shares that it states."""

from __future__ import annotations

from collections import Counter

import numpy as np
import pytest

from tests.worlds import routeside
from tests.worlds.route_bench import (
    TAU,
    Damage,
    Design,
    Motion,
    Rolling,
    bins_of,
    cage_step,
    pins_in_holes,
    pulses,
    rates,
    ring_contact,
    strikes,
    time_of,
    tooth_force,
)
from tests.worlds.route_fair import damage_visibly, runs_visibly

BALL = Rolling("input bearing", "input", "housing", "housing", 9, 7.94, 39.04)
ROLLER = Rolling("eccentric bearing", "stage1.eccentric", "stage1.disc", "stage1.eccentric", 11, 9.0, 36.0)
DRIVE = Design("cycloidal", 17, 18, 2, output_pins=8, bearings=(BALL, ROLLER))
STEADY = Motion(10.0, np.full(400, 24.3))


@pytest.mark.parametrize(
    ("design", "ratio", "eccentric"),
    [
        (DRIVE, -17, 1.0),
        (Design("cycloidal", 38, 40, 2, output_pins=8), -19, 1.0),
        (Design("rv", 39, 40, 2, sun=10, planet=38, cranks=3), 153, -13 / 51),
        (Design("rv", 39, 40, 2, sun=16, planet=32, cranks=3), 81, -13 / 27),
        (Design("cycloidal", 29, 30, 2, 10, "planetary", (20, 19, 3)), -29 * 3.9, 20 / 78),
        (Design("cycloidal", 29, 30, 2, 10, "gear pair", (17, 51)), 87, -1 / 3),
    ],
)
def test_rolling_gives_the_known_ratios(design: Design, ratio: float, eccentric: float) -> None:
    rate = rates(design)
    assert 1 / rate[f"{design.stage}.output"] == pytest.approx(ratio)
    assert rate[f"{design.stage}.eccentric"] == pytest.approx(eccentric)


def test_rolling_elements_go_as_bearing_formulas_say() -> None:
    cage, spin = cage_step(BALL, 1.0, 0.0)
    share = 7.94 / 39.04
    assert cage == pytest.approx((1 - share) / 2)
    assert abs(spin) == pytest.approx((1 - share**2) / (2 * share))


@pytest.mark.parametrize(
    ("part", "element", "order"),
    [
        ("ring_pin", "", 1.0),
        ("lobe", "", 18 / 17),
        ("input bearing", "outer_race", 4.5 * (1 - 7.94 / 39.04)),
        ("eccentric bearing", "inner_race", 5.5 * 18 / 17 * 1.25),
        ("eccentric bearing", "rolling_element", 18 / 17 * (1 - 1 / 16) * 4),
    ],
)
def test_strikes_come_when_a_spot_passes(part: str, element: str, order: float) -> None:
    damage = Damage(part, element, jitter=0.0)  # type: ignore[arg-type]
    when, weight, stated = strikes(DRIVE, damage, STEADY, np.random.default_rng(1))
    assert stated == pytest.approx(order)
    assert np.allclose(np.diff(when), 1 / (24.3 * order), rtol=1e-6)
    assert weight.max() > 0


def test_slip_delays_strikes() -> None:
    damage = Damage("input bearing", "outer_race", slip=0.01)
    assert strikes(DRIVE, damage, STEADY, np.random.default_rng(1))[2] == pytest.approx(0.99 * 3.584785, rel=1e-5)


def contact(pin_um: np.ndarray, lobe_um: np.ndarray) -> np.ndarray:
    along, *_ = ring_contact(DRIVE, pin_um, lobe_um, windup_um=20.0, narrow=0.6, relief_um=8.0)
    return np.abs(np.fft.rfft(along - along.mean())) / len(along)  # of 17 turns: bin 17 is one turn of the eccentric


def test_pins_come_each_turn_and_lobes_each_turn_past_the_disc() -> None:
    rng = np.random.default_rng(2)
    none = np.zeros(18), np.zeros(17)
    perfect, pins, lobes = (
        contact(*none),
        contact(rng.normal(0, 1, 18), none[1]),
        contact(none[0], rng.normal(0, 1, 17)),
    )
    bins = np.arange(len(perfect))
    for power, step in ((perfect, 17 * 18), (pins, 17), (lobes, 18)):
        assert power[bins % step != 0].max() < 1e-4 * power.max()
    assert pins[17] > 1e-3
    assert lobes[18] > 1e-3


def test_springs_carry_the_load() -> None:
    pressed, yielded = pins_in_holes(8, np.zeros(8), 10.0)
    assert np.ptp(yielded) < 0.2
    assert pressed.min() > 0
    one = pins_in_holes(8, np.array([5.0, *np.zeros(7)]), 10.0)[1]
    assert np.ptp(one) > 1.0


def test_teeth_repeat_each_pitch() -> None:
    passed = np.arange(4000) / 100 + 10
    pull = tooth_force(passed, np.zeros(17), np.zeros(51), 10.0)
    assert np.allclose(pull[:100], pull[1000:1100], atol=1e-6)
    assert np.ptp(pull) > 1


def test_spectra_are_those_of_any_rate() -> None:
    times = np.arange(8000) / 4000
    low = bins_of(np.cos(TAU * 100 * times), 2000)
    assert np.allclose(time_of(low, 2000), np.cos(TAU * 100 * np.arange(2000) / 1000), atol=1e-3)


def test_shares_and_repetition() -> None:
    counted = Counter(routeside.truth_of(number) for number in range(routeside.COUNT))
    assert counted == {"sound": 280, "unusable": 40, "damaged": 80}
    assert routeside.case(15).drive_toml == routeside.case(15).drive_toml


def test_noise_shows_neither_drive_nor_damage() -> None:
    rng = np.random.default_rng(3)
    noise = rng.standard_normal(51_200, dtype=np.float32)
    assert not runs_visibly([noise], STEADY, DRIVE, 5120.0)
    times = np.arange(0.01, 10, 1 / (24.3 * 3.58))
    struck = pulses(times, np.full(len(times), 8.0), 4e-4, 5120.0, 51_200)
    bins = bins_of(noise, 51_200)
    assert not damage_visibly(bins, bins, 5120.0, STEADY, 3.58)
    assert damage_visibly(bins_of(noise + struck, 51_200), bins, 5120.0, STEADY, 3.58)
