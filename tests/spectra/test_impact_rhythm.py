"""Whether impacts come at a steady rate: trains whose rate is known, and impacts at random."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from vibe.spectra.basic.angle_law import AngleLaw
from vibe.spectra.envelope.impact_rhythm import _resultant, impact_rhythm, instants, surprise

RATE_HZ = 2_000.0
DURATION_S = 10.0
LAW = AngleLaw.steady(24.0, DURATION_S)
Array = NDArray[np.float64]


def struck(at_s: Array, seed: int = 0, height: float = 40.0) -> NDArray[np.float32]:
    """Noise of unit variance with one high sample at each instant."""
    samples = np.random.default_rng(seed).normal(size=round(DURATION_S * RATE_HZ)).astype(np.float32)
    samples[(at_s[(at_s >= 0) & (at_s < DURATION_S)] * RATE_HZ).astype(int)] = height
    return samples


def at_random(per_second: float, seed: int) -> Array:
    rng = np.random.default_rng(seed)
    return np.sort(rng.uniform(0.0, DURATION_S, rng.poisson(per_second * DURATION_S)))


def test_instants_are_those_of_impacts_and_of_nothing_else() -> None:
    at_s = np.array([0.5, 2.0, 2.01, 7.25])
    samples = struck(at_s)
    samples[round(2.01 * RATE_HZ)] = -60.0
    # Of two within each other's ringing the higher counts.
    assert instants(samples, RATE_HZ) == pytest.approx([0.5, 2.01, 7.25], abs=1 / RATE_HZ)
    assert instants(struck(np.empty(0)), RATE_HZ).size == 0


@pytest.mark.parametrize("count", [5, 12, 25])
def test_the_surprise_of_phases_at_random_is_their_chance(count: int) -> None:
    """100,000 draws: a chance of 1e-3 is known to 10 %, and -ln of it to 0.1. Called likelier it may be."""
    phases = 2 * np.pi * np.random.default_rng(count).random((100_000, count), dtype=np.float32)
    resultant = np.hypot(np.cos(phases).mean(axis=1), np.sin(phases).mean(axis=1))
    for chance in (1e-2, 1e-3):
        longest = float(np.quantile(resultant, 1 - chance))
        assert -np.log(chance) - 0.5 < surprise(longest, count) < -np.log(chance) + 0.2


@pytest.mark.parametrize("count", [1, 2, 15, 16, 17, 800])
def test_mean_vectors_at_even_orders_are_those_of_each_by_itself(count: int) -> None:
    instant = np.sort(np.random.default_rng(count).uniform(0.0, 240.0, 30))
    orders = 0.01 + np.arange(count) / 960.0
    alone = [abs(np.exp(2j * np.pi * order * instant).mean()) for order in orders]
    assert _resultant(instant, orders) == pytest.approx(alone, abs=1e-11)


def test_a_train_shows_its_order_whatever_is_missing_and_whoever_strikes_besides() -> None:
    rng = np.random.default_rng(1)
    train = np.arange(0.3, DURATION_S, 1 / 2.9)
    train = train[rng.random(train.size) < 0.8]
    train = train + rng.normal(0.0, 0.01, train.size)
    found = impact_rhythm(struck(np.sort(np.concatenate([train, at_random(0.3, 2)]))), RATE_HZ, LAW)
    assert found.order is not None
    assert found.order_error is not None
    assert abs(found.order - 2.9 / 24) < 3 * found.order_error
    assert found.order_error < 1e-3
    assert not found.at_random


def test_what_follows_a_speed_that_changes_keeps_step_in_turns() -> None:
    law = AngleLaw(time_s=np.array([0.0, 5.0, 10.0]), turns=np.array([0.0, 115.0, 240.0]))
    at_s = law.when(np.arange(1.0, 239.0, 7.5))
    found = impact_rhythm(struck(at_s), RATE_HZ, law)
    assert found.order == pytest.approx(1 / 7.5, abs=1e-4)
    assert found.in_step is not None
    assert found.in_step > 0.99


def test_few_impacts_show_a_rate_that_they_keep_closely() -> None:
    """Six at equal intervals: six phases alike to a hundredth come once in ten million times."""
    assert impact_rhythm(struck(np.arange(1.0, 9.9, 1.6)), RATE_HZ, LAW).order == pytest.approx(1 / 38.4, rel=0.01)


def test_impacts_at_random_keep_no_rate_and_few_of_them_leave_it_open() -> None:
    many = [impact_rhythm(struck(at_random(6.0, seed)), RATE_HZ, LAW) for seed in range(24)]
    # At 2 % each the chance of three or more of 24 is 1 %.
    assert sum(one.order is not None for one in many) <= 2
    assert sum(one.at_random for one in many) >= 22
    assert np.mean([one.interval_scatter or 0.0 for one in many]) == pytest.approx(1.0, abs=0.15)
    few = [impact_rhythm(struck(at_random(0.8, seed)), RATE_HZ, LAW) for seed in range(24)]
    assert sum(one.at_random or one.order is not None for one in few) <= 3
    close = impact_rhythm(struck(at_random(80.0, 3)), RATE_HZ, LAW)
    assert close.too_many
    assert not close.at_random
    assert not impact_rhythm(struck(np.array([1.0, 2.0, 4.0])), RATE_HZ, LAW).too_many
