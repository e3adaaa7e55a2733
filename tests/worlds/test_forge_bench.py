"""The forge's generator against closed forms."""

from __future__ import annotations

from collections import Counter

import numpy as np
import pytest

from tests.worlds.forge_bench import (
    Bearing,
    Force,
    Reducer,
    Stage,
    Strikes,
    Structure,
    Wheels,
    accelerations,
    bearing_strikes,
    contact_table,
    damage,
    force_spectra,
    looked_up,
    pulse_spectrum,
    steady_run,
)
from tests.worlds.forgeside import COUNT, KINDS, kind_of

RATE_HZ, SPEED_HZ = 2000.0, 25.0
INPUT = Bearing(
    name="input bearing", inner="input", outer="housing", load="housing", elements=9, element_mm=8.0,
    pitch_mm=40.0, place="in",
)  # fmt: skip
ECCENTRIC = Bearing(
    name="eccentric bearing", inner="stage1.eccentric", outer="stage1.disc", load="stage1.eccentric", elements=11,
    element_mm=9.0, pitch_mm=36.0, place="ring",
)  # fmt: skip


def _drive(*stages: Stage, wheels: Wheels | None = None) -> Reducer:
    return Reducer(
        tag="FG", name="Roller bed", rpm=1500, rpm_range=(1450, 1550), power_kw=4.0, poles=4, line_hz=50.0,
        shaft_height_mm=132, support="rigid", stages=stages, bearings=(INPUT, ECCENTRIC), wheels=wheels,
    )  # fmt: skip


ELEVEN = Stage(lobes=11, pins=12, output_pins=8, discs=2)
DRIVE = _drive(ELEVEN)


def test_every_kind_comes_once_in_each_half() -> None:
    for half in (range(KINDS), range(KINDS, COUNT)):
        assert set(Counter(kind_of(number).name for number in half).values()) == {1}
    truths = Counter(kind_of(number).truth for number in range(COUNT))
    assert truths == {"unusable": 30, "sound": 54, "damaged": 36}


def test_ratios_multiply_and_turn_back() -> None:
    two = _drive(Stage(lobes=17, pins=18, output_pins=8, discs=2), ELEVEN)
    assert two.rates[two.output] == pytest.approx(1 / 187)
    planets = _drive(ELEVEN, wheels=Wheels(teeth=(18, 27, 72, 3)))
    assert planets.rates["stage2.output"] == pytest.approx(-1 / 5 / 11)
    gears = _drive(ELEVEN, wheels=Wheels(teeth=(20, 50)))
    assert gears.rates["stage2.output"] == pytest.approx(0.4 / 11)


@pytest.mark.parametrize(
    ("bearing", "part", "slip", "per_turn"),
    [
        # Rolling without slip: Z/2 (1 -+ d/D) and D/d (1 - (d/D)^2), per turn of one ring against the other.
        (INPUT, "outer_race", 0.0, 4.5 * 0.8),
        (INPUT, "inner_race", 0.0, 4.5 * 1.2),
        (INPUT, "rolling_element", 0.0, 5 * (1 - 0.04)),
        (INPUT, "outer_race", 0.02, 4.5 * 0.8 * 0.98),
        (ECCENTRIC, "outer_race", 0.0, 5.5 * 0.75 * 12 / 11),
        # The broken bar comes round against the load, which turns with the inner ring; it knocks three times.
        (ECCENTRIC, "cage", 0.0, 3 * 0.5 * 1.25 * 12 / 11),
    ],
)
def test_bearings_strike_as_often_as_they_must(bearing: Bearing, part: str, slip: float, per_turn: float) -> None:
    rng = np.random.default_rng(1)
    run = steady_run(rng, RATE_HZ, 40_000, SPEED_HZ)
    turns, sizes = bearing_strikes(rng, bearing, part, DRIVE.rates, run, slip)
    assert turns.size == pytest.approx(per_turn * (run.turns[-1] - run.turns[0]), abs=3)
    assert sizes.size == turns.size


@pytest.mark.parametrize(("what", "per_turn"), [("lobe", 12 / 11), ("bore", 12 / 11), ("ring pin", 2.0)])
def test_pairs_strike_once_per_meeting(what: str, per_turn: float) -> None:
    rng = np.random.default_rng(2)
    run = steady_run(rng, RATE_HZ, 40_000, SPEED_HZ)
    strikes, _ = damage(rng, DRIVE, what, run)
    assert strikes.times_s.size == pytest.approx(per_turn * (run.turns[-1] - run.turns[0]), abs=3)


@pytest.mark.parametrize(("teeth", "per_turn"), [((20, 50), 0.4), ((18, 27, 72, 3), 3 * 0.8)])
def test_a_tooth_strikes_when_it_meshes(teeth: tuple[int, ...], per_turn: float) -> None:
    rng = np.random.default_rng(5)
    run = steady_run(rng, RATE_HZ, 40_000, SPEED_HZ)
    strikes, _ = damage(rng, _drive(ELEVEN, wheels=Wheels(teeth=teeth)), "tooth", run)
    assert strikes.times_s.size == pytest.approx(per_turn * (run.turns[-1] - run.turns[0]), abs=3)


def test_equal_contacts_leave_their_own_multiples_alone() -> None:
    even = np.abs(np.fft.rfft(contact_table(np.zeros(12), gap=0.1)))
    others = np.delete(even, np.arange(0, even.size, 12))
    assert others.max() < 1e-9 * even.max()
    errors = np.zeros(12)
    errors[3] = 0.1
    assert np.abs(np.fft.rfft(contact_table(errors, gap=0.1)))[1] > 1e-3 * even.max()


def test_a_table_is_read_at_its_angle() -> None:
    table = np.sin(2 * np.pi * np.arange(2000) / 2000)
    turns = np.linspace(-3.0, 5.0, 777)
    np.testing.assert_allclose(looked_up(table, turns), np.sin(2 * np.pi * turns), atol=1e-5)


def test_a_pulse_has_the_spectrum_of_a_half_sine() -> None:
    width = 1e-3
    seconds = (np.arange(4000) + 0.5) / 4000 * width
    pulse = np.sin(np.pi * seconds / width)
    for frequency in (0.0, 200.0, 500.0, 1700.0):
        numeric = np.sum(pulse * np.cos(2 * np.pi * frequency * (seconds - width / 2))) / np.sum(pulse)
        assert pulse_spectrum(np.array([frequency]), width)[0] == pytest.approx(numeric, abs=1e-4)


def test_a_mode_at_its_own_frequency_is_held_by_damping_alone() -> None:
    """Acceleration of a mode at resonance: force times both shapes over twice the damping."""
    count = 4000
    run = steady_run(np.random.default_rng(3), RATE_HZ, count, SPEED_HZ)
    body = Structure(
        modes_hz=np.array([200.0]), damping=np.array([0.02]), shapes={"in": np.array([0.5]), "sensor0": np.array([0.8])}
    )
    spectra = force_spectra([Force(at="in", samples=np.cos(2 * np.pi * 200.0 * run.seconds))], run, count)
    answer = np.fft.irfft(accelerations(body, {"own": spectra}, RATE_HZ, count, 1)["own"][0], count)
    assert np.std(answer) * np.sqrt(2) == pytest.approx(0.5 * 0.8 / 0.04, rel=1e-3)


def test_strikes_keep_their_sum_and_their_moment() -> None:
    run = steady_run(np.random.default_rng(4), RATE_HZ, 4000, SPEED_HZ)
    strikes = Strikes(at="base", times_s=np.array([0.50013]), sizes=np.array([3.0]), width_s=1e-3)
    force = np.fft.irfft(force_spectra([strikes], run, 4000)["base"], 4000)
    assert np.sum(force) == pytest.approx(3.0)
    assert np.sum(force * run.seconds) / np.sum(force) == pytest.approx(0.50013, abs=2e-5)
