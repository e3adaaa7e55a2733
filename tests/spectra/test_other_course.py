"""A second machine of the kind on another course of speed."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from vibe.spectra.basic.angle_law import AngleLaw
from vibe.spectra.rivals.other_course import machine_on_other_course

SECONDS, RATE_HZ, MEAN_HZ = 10.0, 4_000.0, 20.0
RANGE_HZ = (19.4, 20.6)
ORDERS = (1.0, 30 / 29, 2.0, 60 / 29, 3.0, 300 / 29, 30.0, 60.0)
COMPANY = 0.1


def ramp(mean_hz: float, change: float) -> AngleLaw:
    time_s = np.linspace(0.0, SECONDS, 65)
    return AngleLaw(time_s=time_s, turns=mean_hz * (time_s + change * (time_s**2 / SECONDS - time_s) / 2))


def lines(law: AngleLaw, high: float, seed: int, orders: tuple[float, ...] = ORDERS) -> NDArray[np.float32]:
    """Lines of a machine along ``law``, without noise."""
    rng = np.random.default_rng(seed)
    turns = law.at(np.arange(int(SECONDS * RATE_HZ)) / RATE_HZ)
    waves = [np.cos(2 * np.pi * (order * turns + rng.uniform())) for order in orders]
    return np.asarray(high * np.sum(waves, axis=0), dtype=np.float32)


def noise(seed: int) -> NDArray[np.float32]:
    return np.random.default_rng([seed, 1]).standard_normal(int(SECONDS * RATE_HZ)).astype(np.float32)


@pytest.mark.parametrize(("own", "other"), [(0.0, 0.05), (0.0, -0.02), (0.04, 0.0)])
def test_a_machine_that_changes_its_speed_next_to_one_that_does_not(own: float, other: float) -> None:
    law, second = ramp(MEAN_HZ, own), ramp(1.002 * MEAN_HZ, other)
    samples = lines(law, 1.2, 1) + lines(second, 0.6, 2) + noise(3)
    found = machine_on_other_course([(samples, RATE_HZ)], law, RANGE_HZ, ORDERS, COMPANY)
    assert found is not None
    assert found.speed == pytest.approx(1.002, abs=5e-4)
    assert found.fainter_db == pytest.approx(6.0, abs=4.0)
    assert found.probability > 0.9
    # A ramp against the other: 200 turns times the change over eight.
    assert found.apart_turns == pytest.approx(200 * abs(other - own) / 8, rel=0.3)


@pytest.mark.parametrize("own", [0.0, 0.03])
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_machine_alone_has_none_next_to_it(own: float, seed: int) -> None:
    law = ramp(MEAN_HZ, own)
    samples = lines(law, 1.2, seed) + noise(seed)
    assert machine_on_other_course([(samples, RATE_HZ)], law, RANGE_HZ, ORDERS, COMPANY) is None


def test_one_line_that_moves_is_no_machine_of_the_kind() -> None:
    law = ramp(MEAN_HZ, 0.0)
    samples = lines(law, 1.2, 1) + lines(ramp(MEAN_HZ, 0.04), 0.6, 2, (30.0,)) + noise(3)
    assert machine_on_other_course([(samples, RATE_HZ)], law, RANGE_HZ, ORDERS, COMPANY) is None


def test_a_second_speed_that_does_not_change_against_the_first_is_sought_elsewhere() -> None:
    law = ramp(MEAN_HZ, 0.0)
    samples = lines(law, 1.2, 1) + lines(ramp(1.005 * MEAN_HZ, 0.0), 0.6, 2) + noise(3)
    assert machine_on_other_course([(samples, RATE_HZ)], law, RANGE_HZ, ORDERS, COMPANY) is None


def test_without_mesh_below_what_the_recorder_passes_nothing_is_asked() -> None:
    law = ramp(MEAN_HZ, 0.0)
    samples = lines(law, 0.3, 1)[::40].copy()
    assert machine_on_other_course([(samples, RATE_HZ / 40)], law, RANGE_HZ, ORDERS, COMPANY) is None
    assert machine_on_other_course([(samples, RATE_HZ / 40)], law, RANGE_HZ, (70.0,), COMPANY) is None
