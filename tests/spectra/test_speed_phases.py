"""The angle law from phases: what it makes of jumps, of neighbours and of measurements in closed form."""

from __future__ import annotations

import numpy as np
import pytest

from vibe.spectra.speed.speed_search import speed_from_signal
from vibe.spectra.speed.speed_variation import SmoothedTurns, smoothed, speed_priors

RATE, DURATION = 2560.0, 10.0
TIME = np.arange(int(RATE * DURATION)) / RATE


def shaken(turns: np.ndarray, orders: tuple[float, ...], height: float = 0.3, seed: int = 0) -> np.ndarray:
    rng = np.random.default_rng([6, seed])
    lines = sum(height * np.sin(2 * np.pi * (order * turns + rng.uniform())) for order in orders)
    return (lines + rng.normal(size=turns.size)).astype(np.float32)


def test_a_speed_that_jumps_is_followed() -> None:
    """4 % within half a second: a belt grips, a load is dropped."""
    speed = 24.0 * (1 + 0.04 / (1 + np.exp(-(TIME - 5.5) / 0.1)))
    turns = np.cumsum(speed) / RATE
    orders = (1.0, 2.0, 3.0, 4.0, 5.0, 6.0)
    found = speed_from_signal([(shaken(turns, orders, 0.6), RATE)], (23.0, 26.0), orders)
    assert found is not None
    law, estimate = found
    assert estimate.input_hz == pytest.approx(float(speed.mean()), rel=1e-3)
    assert estimate.drift == pytest.approx(0.04, rel=0.3)
    assert np.ptp(law.at(TIME) - turns) < 0.25


def test_lines_that_beat_within_a_segment_do_not_pull_the_speed() -> None:
    """Order 1 and its sidebands at one part in 59, which 24 turns cannot tell apart."""
    slow = 1 / 59
    orders = (1.0, 1.0 + slow, 2.0, 2.0 + 2 * slow, 12.2, 24.4)
    off = []
    for seed in range(4):
        turns = (24.3 + 0.05 * seed) * TIME
        row = shaken(turns, (*orders, 1.0 - slow, 2.0 + slow), seed=seed)
        found = speed_from_signal([(row, RATE)], (23.7, 25.1), orders)
        assert found is not None
        assert np.ptp(found[0].at(TIME) - turns) < 0.01
        off.append((found[1].input_hz / (24.3 + 0.05 * seed) - 1) / (found[1].uncertainty_hz / found[1].input_hz))  # type: ignore[operator]
    assert np.abs(off).max() < 4


def test_a_rival_family_that_fits_nearly_as_well_leaves_no_speed() -> None:
    """Two lines of six at one speed, the same two at another: nothing tells which machine is meant."""
    orders = (1.0, 2.0, 16.1, 32.3, 48.4, 50.0)
    row = shaken(24.0 * TIME, (1.0, 2.0)) + shaken(24.4 * TIME, (1.0, 2.0), seed=1)
    assert speed_from_signal([(row, RATE)], (23.5, 25.0), orders) is None


def measured(values: np.ndarray, sigma: float) -> tuple[np.ndarray, np.ndarray]:
    precision = np.eye(values.size) / sigma**2
    return precision, precision @ values


def over_ten_seconds(time: np.ndarray, precision: np.ndarray, pull: np.ndarray) -> SmoothedTurns | None:
    return smoothed(speed_priors(time, duration_s=10.0, mean_hz=24.0), precision, pull)


def test_a_straight_line_costs_what_least_squares_cost() -> None:
    """Errors of a line through zero: var(end) = sigma² T² / sum(t²); a ramp left open takes little from it."""
    time = np.linspace(0.5, 9.5, 40)
    sigma = 0.01
    smooth = over_ten_seconds(time, *measured(0.002 * time, sigma))
    assert smooth is not None
    assert smooth.steady
    assert smooth.values[-1] == pytest.approx(0.02, rel=0.01)
    least = sigma * 10.0 / np.sqrt(np.sum(time**2))
    assert least <= smooth.end_to_end < 2 * least


def test_a_drifting_speed_leaves_its_ends_open() -> None:
    time = np.linspace(0.5, 9.5, 19)
    walk = 0.02 * np.cumsum(np.cumsum(np.random.default_rng(3).normal(size=time.size)))
    straight = over_ten_seconds(time, *measured(0.0 * time, 1e-4))
    wandering = over_ten_seconds(time, *measured(walk, 1e-4))
    assert straight is not None
    assert wandering is not None
    assert not wandering.steady
    assert wandering.end_to_end > 5 * straight.end_to_end
    assert wandering.values[1:-1] == pytest.approx(walk, abs=1e-3)


def test_nothing_measured_is_no_law() -> None:
    time = np.linspace(0.5, 9.5, 5)
    assert over_ten_seconds(time, np.zeros((5, 5)), np.zeros(5)) is None
