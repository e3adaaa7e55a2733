"""One angle for several lines: side lines are not taken for a swing of the speed, nor a swing for side lines."""

from __future__ import annotations

import numpy as np
import pytest

from vibe.spectra.basic.angle_law import AngleLaw
from vibe.spectra.basic.common_angle import WIDE_BINS, CommonAngles, LineGroup, common_angles
from vibe.spectra.basic.line_fit import AngleRow, fit_line

RATE, HZ, LOBES, SECONDS = 5120.0, 24.25, 87, 10.0
ORDERS = (1.0, 2.0, 88.0)
TRUE = {1.0: 0.3, 2.0: 0.2, 88.0: 0.4}


def captured(*, sides: float, swing: float, seed: int = 3) -> tuple[np.ndarray, np.ndarray]:
    """Three lines, those of 1 and 88 with side lines at the turns of the output; and the true turns."""
    rng = np.random.default_rng(seed)
    time = np.arange(int(RATE * SECONDS)) / RATE
    turns = HZ * time + swing * np.sin(2 * np.pi * time / 4.0)
    samples = 0.05 * rng.standard_normal(time.size)
    for order, size in TRUE.items():
        samples += np.sqrt(2) * size * np.cos(2 * np.pi * (order * turns + rng.uniform()))
        for k in (-2, -1, 1, 2) if order != 2 else ():
            of = order + k / LOBES
            samples += np.sqrt(2) * sides * size * np.cos(2 * np.pi * (of * turns + rng.uniform()))
    return samples.astype(np.float32), turns


def law_of(error: float) -> AngleLaw:
    """What lines taken by themselves may have suggested: it swings as side lines would make it seem."""
    knots = np.linspace(0.0, SECONDS, 100)
    return AngleLaw(time_s=knots, turns=HZ * knots + error * np.sin(2 * np.pi * knots * HZ / LOBES))


def groups(turns: float) -> list[LineGroup]:
    most = int(WIDE_BINS / turns * LOBES)
    near = [sign * k / LOBES for k in range(1, most + 1) for sign in (-1, 1)]
    return [LineGroup(order=order, orders=tuple(order + one for one in near if order != 2)) for order in ORDERS]


def stated(samples: np.ndarray, law: AngleLaw, spread: float = 2e-5) -> tuple[CommonAngles, dict[float, float]]:
    """The angles, and each line on the best of them over its true value."""
    row = AngleRow.of(samples, RATE, law)
    asked = groups(row.total_turns)
    found = common_angles([row], asked, spread)
    assert found is not None
    laid = found.angles[0].on(row)
    fitted = {one.order: fit_line(laid, one.order, one.orders) for one in asked}
    return found, {order: one.value / TRUE[order] for order, one in fitted.items() if one is not None}


def test_a_law_that_followed_side_lines_is_put_right_by_the_other_lines() -> None:
    samples, _ = captured(sides=0.5, swing=0.0)
    law = law_of(0.04)
    row = AngleRow.of(samples, RATE, law)
    asked = groups(row.total_turns)
    before = fit_line(AngleRow(samples=row.samples, turns=row.turns, smoother=(), total_turns=row.total_turns,
                               duration_s=row.duration_s), 88.0, asked[2].orders)  # fmt: skip
    assert before is not None
    assert before.value < 0.7 * TRUE[88.0]
    _, ratio = stated(samples, law)
    assert ratio[1.0] == pytest.approx(1.0, abs=0.01)
    assert ratio[2.0] == pytest.approx(1.0, abs=0.02)
    assert ratio[88.0] == pytest.approx(1.0, abs=0.02)


def test_a_shaft_that_swings_is_followed_where_its_law_was_even() -> None:
    samples, _ = captured(sides=0.5, swing=0.02)
    _, ratio = stated(samples, AngleLaw.steady(HZ, SECONDS), spread=1e-4)
    assert ratio[1.0] == pytest.approx(1.0, abs=0.02)
    assert ratio[2.0] == pytest.approx(1.0, abs=0.03)


def test_what_a_swing_and_side_lines_can_stand_for_in_one_another_is_in_the_doubt() -> None:
    """A line of high order among side lines needs an angle that only low orders tell; without side lines, its own."""
    samples, _ = captured(sides=0.5, swing=0.0)
    faint = samples + 2.0 * np.random.default_rng(1).standard_normal(samples.size).astype(np.float32)
    doubts = [stated(one, AngleLaw.steady(HZ, SECONDS))[0].doubts for one in (samples, faint)]
    clear, drowned = (one[0, 2] for one in doubts)
    assert clear.relative < 0.05
    assert drowned.relative > 0.1
    assert all(one[0, 0].relative < 0.02 for one in doubts)
    alone = [LineGroup(order=88.0, orders=())]
    found = common_angles([AngleRow.of(faint, RATE, AngleLaw.steady(HZ, SECONDS))], alone, 2e-5)
    assert found is not None
    assert found.doubts[0, 0].relative < 0.02


def test_without_a_line_within_what_was_recorded_there_is_no_angle() -> None:
    samples, _ = captured(sides=0.5, swing=0.0)
    row = AngleRow.of(samples, RATE, AngleLaw.steady(HZ, SECONDS))
    assert common_angles([row], [LineGroup(order=200.0, orders=())], 1e-4) is None
