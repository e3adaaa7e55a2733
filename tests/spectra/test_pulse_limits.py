"""Every limit by which pulses and angles become an angle law, met from both of its sides on trains made by hand."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from vibe.core.capture import Channel
from vibe.spectra.basic.angle_law import AngleLaw
from vibe.spectra.speed import blind_angle_law as blind
from vibe.spectra.speed import motion_intervals
from vibe.spectra.speed import tachometer as tacho
from vibe.spectra.speed.motion_intervals import Motion, Move, estimate_of, motion_of
from vibe.spectra.speed.phase_refinement import Low

Real = NDArray[np.float64]


@pytest.mark.parametrize(("pulses", "enough"), [(3, False), (4, True)])
def test_four_pulses_make_a_train(pulses: int, enough: bool) -> None:
    assert (tacho.train_of(np.arange(float(pulses)), 1.0) is not None) is enough


@pytest.mark.parametrize(("missed", "mended"), [(14, True), (20, False)])
def test_a_train_that_misses_a_fifth_of_its_pulses_makes_no_sense(missed: int, mended: bool) -> None:
    gone = np.rint(np.linspace(3, 96, missed)).astype(int)
    train = tacho.train_of(np.delete(np.arange(100.0), gone), 1.0)
    assert (train is not None and train.mended == missed) is mended


@pytest.mark.parametrize(("wide", "usual"), [(4, 1.0), (8, 2.0)])
def test_a_gap_is_compared_with_five_on_either_side(wide: int, usual: float) -> None:
    gaps = np.ones(60)
    gaps[30 : 30 + wide] = 2.0
    assert tacho._usual(gaps)[0][30 + wide // 2] == pytest.approx(usual)


@pytest.mark.parametrize(("growth", "stops"), [(1.15, True), (1.06, False)])
def test_gaps_that_grow_by_a_tenth_towards_a_long_one_are_a_shaft_that_stops(growth: float, stops: bool) -> None:
    gaps = np.array([1.0, 1.0, growth, 3.0, growth, 1.0, 1.0])
    assert bool(tacho._changing(gaps)[3]) is stops


@pytest.mark.parametrize(
    ("usual_s", "gap_s", "around", "stood"),
    [(0.1, 1.0, 1.1, False), (0.1, 1.0, 1.2, True), (0.01, 0.4, 1.5, False), (0.01, 0.7, 1.5, True)],
)
def test_a_shaft_stands_for_half_a_second_unless_it_runs_on_as_usual(
    usual_s: float, gap_s: float, around: float, stood: bool
) -> None:
    gaps = np.full(21, usual_s)
    gaps[9:12] = [around * usual_s, gap_s, around * usual_s]
    assert bool(tacho._stood(gaps).any()) is stood


@pytest.mark.parametrize(("rate", "sizes"), [(100.0, {12, 13}), (16.0, {3, 4})])
def test_a_knot_is_an_eighth_of_a_second_and_three_pulses(rate: float, sizes: set[int]) -> None:
    time_s = np.asarray((np.arange(int(4 * rate)) + 0.5) / rate, dtype=np.float64)
    assert set(np.diff(tacho._blocks(time_s)).tolist()) <= sizes


@pytest.mark.parametrize(("deviations", "left_out"), [(4.5, 0), (9.0, 1)])
def test_a_pulse_six_deviations_off_is_left_out(deviations: float, left_out: int) -> None:
    time_s = np.arange(100.0)
    jitter = 1e-3 * (-1.0) ** np.arange(100)
    jitter[55] = deviations * 1.4826e-3
    *_, held, _ = tacho._block_means(time_s, time_s + jitter, np.arange(0, 100, 10))
    assert held.sum() == 100 - left_out


@pytest.mark.parametrize(("turns", "evened"), [(6.0, False), (10.0, True)])
def test_uneven_marks_are_evened_out_over_eight_turns(turns: float, evened: bool) -> None:
    number = np.arange(int(4 * turns) + 1)
    off = np.array([0.01, -0.01, 0.005, -0.005])[number % 4]
    train = tacho.Pulses(time_s=(number / 4 + off) / 20.0, turns=number / 4, per_rev=4.0, mended=0)
    line = tacho.even_marks(train) - 20.0 * train.time_s
    assert bool(np.ptp(line) < 0.002) is evened


def angle(turns: NDArray[Any], rate: float = 6400.0) -> Channel:
    return Channel(
        name="angle", samples=turns.astype(np.float32), sample_rate_hz=rate, quantity="angle", recorded_unit="turn"
    )


def test_an_encoder_is_read_64_times_a_second() -> None:
    [(forwards, train)] = tacho.trains_of(angle(5.0 * np.arange(12800) / 6400.0))
    assert forwards
    assert np.diff(train.time_s) == pytest.approx(1 / 64, rel=1e-6)


@pytest.mark.parametrize(("share", "moves"), [(0.15, False), (0.3, True)])
def test_a_shaft_moves_that_turns_at_a_fifth_of_its_greatest_speed(share: float, moves: bool) -> None:
    speed = np.where(np.arange(12800) < 6400, 10.0, 10.0 * share)
    found = motion_of(angle(np.cumsum(speed) / 6400.0), 2.0)
    assert bool(sum(move.law.duration_s for move in found.moves) > 1.5) is moves


def move(lasts_s: float, change: float, per_rev: float = 1000.0) -> Move:
    time_s = np.linspace(0.0, lasts_s, 65)
    law = AngleLaw(time_s=time_s, turns=10.0 * (time_s + change * (time_s**2 / lasts_s - time_s) / 2))
    return Move(start_s=0.0, law=law, forwards=True, per_rev=per_rev)


@pytest.mark.parametrize(
    ("lacks_s", "change", "whole"), [(0.2, 0.0, True), (0.4, 0.0, False), (0.0, 0.08, True), (0.0, 0.13, False)]
)
def test_one_move_is_the_capture_but_for_a_quarter_second_and_a_tenth_of_its_speed(
    lacks_s: float, change: float, whole: bool
) -> None:
    assert Motion(moves=(move(4.0 - lacks_s, change),), signed=True, duration_s=4.0).whole is whole


def test_a_move_is_known_to_a_thousandth_of_a_mark_at_either_end() -> None:
    one = estimate_of(move(4.0, 0.0, per_rev=1.0))
    assert one.uncertainty_hz == pytest.approx(10.0 * np.sqrt(2) * 1e-3 / 40.0, rel=1e-3)


def test_ramps_are_tried_up_to_two_per_cent_in_steps_of_four_cycles(monkeypatch: pytest.MonkeyPatch) -> None:
    tried: list[float] = []

    def flat(_lows: object, shape: AngleLaw, _middle: float, _high: float) -> float:
        speed = np.diff(shape.turns) / np.diff(shape.time_s)
        tried.append(float((speed[-1] - speed[0]) * 32 / 31) if speed.size > 1 else 0.0)
        return 0.0

    monkeypatch.setattr(blind, "_concentration", flat)
    low = Low(samples=np.zeros(10_000, dtype=np.float32), rate_hz=1000.0, top_hz=400.0)
    blind.sharpest_ramp([low], (19.0, 21.0), 20.0)
    step = 4.0 / (10.0 * 20.0 * 20.0)
    assert np.diff(tried) == pytest.approx(step, rel=1e-3)
    assert max(tried) == pytest.approx(0.02 - step, rel=1e-3)


def test_longer_trains_are_smoothed_over_128_blocks() -> None:
    """The cost grows with their cube."""
    assert tacho._thinned(1000).size == 128
    assert tacho._thinned(100).size == 100


def test_a_moves_law_has_four_knots_for_each_reading() -> None:
    """Its ends are bent, a law's are straight."""
    time_s = np.linspace(0.0, 1.0, 20)
    piece: Any = SimpleNamespace(time_s=time_s, turns=3 * time_s**2 + time_s)
    law = motion_intervals._law(piece)
    assert law.time_s.size == 4 * 20
    assert law.at(np.array([0.5]))[0] == pytest.approx(1.25, abs=1e-3)


def test_how_concentrated_power_is_is_asked_of_each_half_order(monkeypatch: pytest.MonkeyPatch) -> None:
    """Of a hundred bins one that holds all: the mean square is a hundred times the square of the mean."""
    power = np.ones(600)
    power[250] = 1e9
    monkeypatch.setattr(blind, "all_laid", lambda *_: [])
    monkeypatch.setattr(blind, "power_over_floor", lambda *_: (power, 0.1))
    found = blind._concentration([], AngleLaw.steady(1.0, 10.0), 20.0, 21.0)
    assert found == pytest.approx(np.log(100.0), rel=1e-3)
