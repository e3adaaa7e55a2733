"""A line among others: its own value, its own uncertainty, and whether it can be parted from them at all."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest

from vibe.spectra.basic.angle_law import AngleLaw
from vibe.spectra.basic.line_fit import AngleRow, FittedLine, fit_line, turns_that_part

RATE, HZ, OWN = 2560.0, 24.25, 0.3


def capture(
    lobes: int, seconds: float, seed: int, *, sides: float = 0.7, noise: float = 0.3, wander: float = 0.0
) -> tuple[np.ndarray, AngleLaw]:
    """Running speed of 0.3 m/s² r.m.s. with lines of up to ``sides`` times that at 1 ± k / lobes."""
    rng = np.random.default_rng([seed, lobes])
    time = np.arange(int(RATE * seconds)) / RATE
    turns = HZ * (time + wander * 3.0 / (2 * np.pi) * np.sin(2 * np.pi * time / 3.0))
    samples = np.sqrt(2) * OWN * np.cos(2 * np.pi * (turns + rng.uniform())) + noise * rng.standard_normal(time.size)
    for k in (1, 2, 3, 4):
        for sign in (-1, 1):
            size = sides * OWN * rng.uniform()
            samples += np.sqrt(2) * size * np.cos(2 * np.pi * ((1 + sign * k / lobes) * turns + rng.uniform()))
    knots = np.linspace(0.0, seconds, 64)
    exact = HZ * (knots + wander * 3.0 / (2 * np.pi) * np.sin(2 * np.pi * knots / 3.0))
    law = AngleLaw.steady(HZ, seconds) if wander == 0 else AngleLaw(time_s=knots, turns=exact)
    return samples.astype(np.float32), law


def side_orders(lobes: int) -> list[float]:
    return [k / lobes for k in range(1, 3 * lobes) if k != lobes]


def read(lobes: int, seconds: float, seed: int, near: Sequence[float] | None = None, **more: float) -> FittedLine:
    samples, law = capture(lobes, seconds, seed, **more)
    found = fit_line(AngleRow.of(samples, RATE, law), 1.0, side_orders(lobes) if near is None else near)
    assert found is not None
    return found


@pytest.mark.parametrize(("lobes", "seconds"), [(17, 2.0), (43, 4.0), (87, 10.0)])
def test_strong_lines_at_the_turns_of_the_output_are_not_counted_in(lobes: int, seconds: float) -> None:
    found = [read(lobes, seconds, seed) for seed in range(8)]
    assert all(one.parted for one in found)
    values = np.array([one.value for one in found])
    sigma = np.mean([one.uncertainty for one in found])
    assert values.mean() == pytest.approx(OWN, abs=3.5 * sigma / np.sqrt(8))
    # Stated as large as it is: 8 values scatter by a quarter.
    assert 0.35 < values.std(ddof=1) / sigma < 1.9
    # Read as if nothing stood near it, it is another value.
    alone = np.array([read(lobes, seconds, seed, near=()).value for seed in range(4)])
    assert (seconds == 10.0 and lobes == 17) or np.abs(alone - OWN).max() > 4 * sigma


def test_what_cannot_be_parted_says_so_and_how_long_a_capture_must_be() -> None:
    short = read(87, 3.0, 1)
    assert not short.parted
    assert short.apart_bins == pytest.approx(3.0 * HZ / 87)
    turns = turns_that_part(1.0, side_orders(87))
    assert turns is not None
    assert read(87, turns / HZ + 0.1, 1).parted
    assert turns_that_part(1.0, [1.0]) is None


def test_a_speed_that_is_not_known_closely_parts_nothing() -> None:
    samples, law = capture(43, 10.0, 3)
    row = AngleRow.of(samples, RATE, law)
    for spread, parted in ((1e-4, True), (0.01, False)):
        found = fit_line(row, 1.0, side_orders(43), speed_spread=spread)
        assert found is not None
        assert found.parted == parted


def test_a_speed_that_is_off_within_its_uncertainty_costs_nothing() -> None:
    samples, _ = capture(17, 10.0, 5)
    off = AngleLaw.steady(HZ * (1 + 1.2e-3), 10.0)  # 0.3 bins
    row = AngleRow.of(samples, RATE, off)
    found = fit_line(row, 1.0, side_orders(17), speed_spread=6e-4)
    blind = fit_line(row, 1.0, side_orders(17))
    assert found is not None
    assert blind is not None
    assert found.value == pytest.approx(OWN, rel=0.04)
    assert blind.value < 0.98 * OWN
    assert blind.smeared > 5 * found.smeared


def test_a_drifting_speed_is_followed_and_a_jittering_law_is_smoothed() -> None:
    followed = read(29, 10.0, 2, wander=2e-3)
    assert followed.value == pytest.approx(OWN, rel=0.05)
    samples, _ = capture(29, 10.0, 2)
    knots = np.linspace(0.0, 10.0, 200)
    rough = AngleLaw(time_s=knots, turns=HZ * knots + 0.05 * np.random.default_rng(1).standard_normal(200))
    found = fit_line(AngleRow.of(samples, RATE, rough), 1.0, side_orders(29))
    assert found is not None
    assert found.value == pytest.approx(OWN, rel=0.06)


def test_what_no_known_line_explains_widens_the_interval() -> None:
    """The drive file says 17 lobes and 29 are fitted: lines stand where nobody knows of any."""
    right = read(29, 10.0, 4, sides=1.0)
    wrong = read(29, 10.0, 4, near=side_orders(17), sides=1.0)
    assert wrong.uncertainty + wrong.smeared * wrong.value > 5 * (right.uncertainty + right.smeared * right.value)


def test_lines_outside_what_was_recorded_have_no_value() -> None:
    samples, law = capture(17, 2.0, 1)
    row = AngleRow.of(samples, RATE, law)
    assert fit_line(row, 60.0, ()) is None
    assert fit_line(row, 0.05, ()) is None
