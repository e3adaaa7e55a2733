from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from vibe.core.evidence import SpeedEstimate
from vibe.spectra.basic.angle_law import AngleLaw
from vibe.spectra.speed.speed_search import speed_from_signal

RATE, DURATION = 2560.0, 6.0
N = int(RATE * DURATION)
TIME = np.arange(N) / RATE
RANGE = (24.0, 25.5)
ORDERS = (1.0, 2.0, 3.0, 18.0, 36.0)
# What a 17:1 reducer makes when sound: shaft, disc against eccentric, mesh and output pins, three harmonics of each.
DRIVE = tuple(sorted({float(k) for k in (1, 2, 3)} | {k * o for k in (1, 2, 3) for o in (18 / 17, 144 / 17, 18.0)}))


def turns_of(seed: int, gain: float) -> np.ndarray:
    """Turns at every sample: a speed drawn from the range, rising by ``gain`` from first to last sample."""
    low, high = RANGE[0] * 1.002 * (1 + max(-gain, 0)), RANGE[1] / 1.002 / (1 + max(gain, 0))
    speed = np.random.default_rng([3, seed]).uniform(low, high)
    return speed * (TIME + gain * TIME**2 / (2 * DURATION))


def shaken(turns: np.ndarray, seed: int, height: float, orders: tuple[float, ...] = ORDERS) -> np.ndarray:
    rng = np.random.default_rng([4, seed])
    lines = sum(height * np.sin(2 * np.pi * (order * turns + rng.uniform())) for order in orders)
    return (lines + rng.normal(size=turns.size)).astype(np.float32)


@cache
def found(seed: int, gain: float = 0.0, height: float = 0.3) -> tuple[AngleLaw, SpeedEstimate]:
    law = speed_from_signal([(shaken(turns_of(seed, gain), seed, height), RATE)], RANGE, ORDERS)
    assert law is not None
    return law


def true_mean(seed: int, gain: float) -> float:
    turns = turns_of(seed, gain)
    return float(turns[-1] / TIME[-1])


@pytest.mark.parametrize("height", [0.12, 0.3, 1.0])
@pytest.mark.parametrize("seed", range(2))
def test_a_steady_speed_lies_within_three_times_its_uncertainty(seed: int, height: float) -> None:
    law, estimate = found(seed, 0.0, height)
    assert estimate.method == "signal"
    assert estimate.uncertainty_hz is not None
    assert abs(estimate.input_hz - true_mean(seed, 0.0)) < 3 * estimate.uncertainty_hz
    assert estimate.uncertainty_hz < 1e-4 * estimate.input_hz
    assert estimate.input_hz == law.mean_hz
    assert estimate.drift is not None
    assert estimate.drift < 1e-3


def test_fainter_lines_tell_less() -> None:
    """The uncertainty follows the lines' power (Rife & Boorstyn 1974) until the stated least value holds it."""
    faint, loud = found(0, 0.0, 0.12)[1].uncertainty_hz, found(0, 0.0, 1.0)[1].uncertainty_hz
    assert faint is not None
    assert loud is not None
    assert faint > 1.2 * loud


@pytest.mark.parametrize("gain", [0.02, -0.02, 0.005])
@pytest.mark.parametrize("seed", range(2))
def test_a_ramp_is_followed(seed: int, gain: float) -> None:
    law, estimate = found(seed, gain)
    assert estimate.input_hz == pytest.approx(true_mean(seed, gain), rel=4e-4)
    assert estimate.drift == pytest.approx(abs(gain), rel=0.5)
    # A twentieth of a turn keeps five harmonics of any comb together.
    assert np.ptp(law.at(TIME) - turns_of(seed, gain)) < 0.05


def test_on_ramps_the_mean_speed_lies_within_three_times_its_uncertainty() -> None:
    off = [
        abs(found(seed, gain)[1].input_hz - true_mean(seed, gain)) / found(seed, gain)[1].uncertainty_hz  # type: ignore[operator]
        for gain in (0.02, -0.02, 0.005)
        for seed in range(2)
    ]
    assert max(off) < 3


def test_two_channels_tell_more_than_one() -> None:
    turns = turns_of(5, 0.0)
    rows = [(shaken(turns, seed, 0.12), RATE) for seed in (5, 6)]
    both = speed_from_signal(rows, RANGE, ORDERS)
    assert both is not None
    assert both[1].input_hz == pytest.approx(true_mean(5, 0.0), rel=1e-4)
    lone = speed_from_signal(rows[:1], RANGE, ORDERS)
    assert lone is not None
    assert both[1].uncertainty_hz < lone[1].uncertainty_hz  # type: ignore[operator]


def test_one_loud_line_that_is_not_the_machines_does_not_decide() -> None:
    """A neighbour at 24.4 Hz shakes ten times as much as every line of the machine."""
    turns = turns_of(7, 0.0)
    row = shaken(turns, 7, 0.3) + 3.0 * np.sin(2 * np.pi * 24.4 * TIME).astype(np.float32)
    law = speed_from_signal([(row.astype(np.float32), RATE)], RANGE, ORDERS)
    assert law is not None
    assert law[1].input_hz == pytest.approx(true_mean(7, 0.0), rel=3e-4)


@pytest.mark.parametrize("range_hz", [(24.0, 25.5), (20.0, 30.0), (24.2, 24.6)])
@pytest.mark.parametrize("orders", [(1.0, 2.0, 3.0, 4.0, 5.0, 6.0), DRIVE], ids=["shaft", "drive"])
def test_noise_has_no_speed(range_hz: tuple[float, float], orders: tuple[float, ...]) -> None:
    answers = [
        speed_from_signal(
            [(np.random.default_rng([5, seed]).normal(size=N).astype(np.float32), RATE)], range_hz, orders
        )
        for seed in range(16)
    ]
    # Few lines over a wide range are the worst case: one in six.
    assert sum(answer is not None for answer in answers) <= 3


def test_the_search_never_leaves_its_range() -> None:
    turns = 24.0 * TIME
    row = shaken(turns, 8, 0.5)
    outside = speed_from_signal([(row, RATE)], (24.6, 25.5), ORDERS)
    assert outside is None or 24.6 * 0.999 <= outside[1].input_hz <= 25.5 * 1.001


def test_orders_that_the_capture_cannot_hold_tell_nothing() -> None:
    slow = np.random.default_rng(0).normal(size=600).astype(np.float32)
    assert speed_from_signal([(slow, 30.0)], RANGE, (1.0, 2.0)) is None
