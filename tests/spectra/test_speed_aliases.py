"""What decides between speeds at which a drive's lines fit alike, and speeds that nothing slow can follow.

A disc of z lobes among z + 1 pins: read at a speed wrong by z / (z + 1), the shaft's lines are those of the lobes.
"""

from __future__ import annotations

import numpy as np
import pytest

from tests.worlds.speeds import Motion, speed_case
from tests.worlds.trial import tones_in
from vibe.flow.diagnose.speed_orders import speed_orders
from vibe.spectra.basic.angle_law import AngleLaw
from vibe.spectra.speed.line_likelihood import log_likelihood_ratio, seen_at
from vibe.spectra.speed.phase_refinement import low_passed
from vibe.spectra.speed.speed_search import _by_mesh, _Choice, rivals_in_signal, speed_from_signal

RATE = 2560.0


def shaken(seconds: float, speed_hz: float, orders: dict[float, float], seed: int) -> np.ndarray:
    rng = np.random.default_rng([6, seed])
    time = np.arange(int(RATE * seconds)) / RATE
    row = rng.normal(size=time.size)
    for order, height in orders.items():
        row += height * np.sin(2 * np.pi * (order * speed_hz * time + rng.uniform()))
    return row.astype(np.float32)


def test_the_shafts_own_lines_are_missed_most_and_unequal_lobes_least() -> None:
    orders = np.array([1.0, 18 / 17, 2.0, 3.0, 18.0, 30.5])
    seen = seen_at(orders)[:, 0]
    assert list(seen) == [0.95, 0.3, 0.95, 0.95, 0.5, 0.5]
    absent = log_likelihood_ratio(np.full((6, 1), 0.7), 1, seen_at(orders))[:, 0]
    loud = log_likelihood_ratio(np.full((6, 1), 200.0), 1, seen_at(orders))[:, 0]
    assert absent[0] < absent[4] < absent[1] < 0
    assert (loud > 1).all()


@pytest.mark.parametrize("seed", range(3))
def test_an_alias_of_lobes_and_shaft_is_not_believed(seed: int) -> None:
    """Lines of the shaft, none of lobes: at 29/30 of the speed they are the lobes', and the shaft's are missing."""
    z, speed_hz = 29, 24.1
    own = {1.0: 0.4, 2.0: 0.2, 3.0: 0.15, float(z + 1): 0.3}
    orders = sorted({k * o for k in (1, 2, 3) for o in (1.0, (z + 1) / z, float(z + 1))})
    found = speed_from_signal([(shaken(8.0, speed_hz, own, seed), RATE)], (22.8, 25.6), orders)
    assert found is not None
    assert found[1].input_hz == pytest.approx(speed_hz, rel=2e-4)


@pytest.mark.parametrize("true_hz", [16.0, 16.0 * 88 / 87])
def test_a_mesh_above_the_orders_that_are_searched_settles_an_alias(true_hz: float) -> None:
    """At 87 lobes the mesh lies at order 88: of two speeds at which the low lines fit alike, the one whose mesh stands
    on the low lines' angle law is taken, and neither where no mesh stands anywhere."""
    z, rate, seconds = 87, 2 * RATE, 20.0
    orders = sorted({k * o for k in (1, 2, 3) for o in (1.0, (z + 1) / z, float(z + 1))})
    time = np.arange(int(rate * seconds)) / rate
    used = np.array([order for order in orders if order <= 64.0])
    rivals = ((16.0, 40.0), (16.0 * 88 / 87, 40.0))
    choice = _Choice(
        law=AngleLaw.steady(16.0, seconds), range_hz=(15.6, 16.4), log_odds=40.0, elsewhere=0.5, rivals=rivals
    )
    for mesh in (0.2, 0.0):
        rng = np.random.default_rng(12)
        row = rng.normal(size=time.size)
        for order, height in {1.0: 0.3, (z + 1) / z: 0.3, z + 1.0: mesh, 2.0 * (z + 1): mesh}.items():
            row += height * np.sin(2 * np.pi * (order * true_hz * time + rng.uniform()))
        channels = [(row.astype(np.float32), rate)]
        lows = [low_passed(channels[0][0], rate, 70.0 * 16.4)]
        settled = _by_mesh(channels, choice, lows, used, orders)
        assert (settled is not None) == (mesh > 0)
        if settled is not None:
            assert settled.law.mean_hz == pytest.approx(true_hz, rel=1e-3)
            assert settled.elsewhere < 1e-3


@pytest.mark.parametrize("motion", ["load cycles"])
@pytest.mark.parametrize("number", range(3))
def test_load_cycles_are_followed_in_short_pieces(motion: Motion, number: int) -> None:
    case = speed_case(number, motion, pulses=False)
    drive, table = tones_in(case)
    rows = [(row - row.mean(), case.sample_rate_hz) for row in case.channels.values()]
    found = speed_from_signal(rows, drive.input.speed_range_hz, speed_orders(drive, table))
    assert found is not None
    assert case.speed_hz is not None
    assert found[1].uncertainty_hz is not None
    assert abs(found[1].input_hz - case.speed_hz) < 3 * found[1].uncertainty_hz < 5e-3 * case.speed_hz
    assert found[0].drift > 0.3 * case.marks["drift"]


def test_where_two_speeds_explain_the_lines_alike_both_are_carried() -> None:
    """Two machines in one range: neither stands alone, and each is named with its share."""
    own = {1.0: 0.3, 2.0: 0.3, 3.0: 0.3}
    row = shaken(8.0, 24.0, own, 2) + shaken(8.0, 25.0, own, 3)
    orders = (1.0, 2.0, 3.0)
    assert speed_from_signal([(row, RATE)], (23.0, 26.0), orders) is None
    rivals = rivals_in_signal([(row, RATE)], (23.0, 26.0), orders)
    for speed_hz in (24.0, 25.0):
        (share,) = [chance for hz, chance in rivals if abs(hz / speed_hz - 1) < 0.002]
        assert share > 0.02
    assert sum(chance for _, chance in rivals) <= 1.0 + 1e-9


def test_noise_speaks_for_no_speed() -> None:
    row = np.random.default_rng(8).normal(size=20_480).astype(np.float32)
    assert sum(chance for _, chance in rivals_in_signal([(row, RATE)], (23.0, 26.0), (1.0, 2.0, 3.0))) < 0.5
