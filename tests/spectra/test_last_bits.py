"""What the order of sums changes in the last bits must not reach what is read on the angle law."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from tests.spectra.test_speed_phases import RATE, TIME, shaken
from vibe.core.evidence import SpeedEstimate
from vibe.spectra.basic.angle_law import AngleLaw
from vibe.spectra.segment import handed_on
from vibe.spectra.speed import phase_refinement
from vibe.spectra.speed.phase_refinement import Low
from vibe.spectra.speed.speed_search import speed_from_signal

ORDERS = (1.0, 2.0, 3.0, 4.0, 5.0, 6.0)


def found(row: np.ndarray) -> tuple[AngleLaw, SpeedEstimate]:
    answer = speed_from_signal([(row, RATE)], (23.0, 26.0), ORDERS)
    assert answer is not None
    return answer


def test_another_order_of_sums_gives_the_same_law(monkeypatch: pytest.MonkeyPatch) -> None:
    """Amplitudes of lines, off by what two libraries of matrices differ by, in every pass and round."""
    speed = 24.0 * (1 + 0.01 * np.sin(2 * np.pi * TIME / 9.0))
    row = shaken(np.cumsum(speed) / RATE, ORDERS, 0.6)
    plain, estimate = found(row)
    read = phase_refinement._read
    rng = np.random.default_rng(5)
    moved = []

    def noisy(*args: Any) -> tuple[np.ndarray, np.ndarray]:
        values, power = read(*args)
        other = values * (1 + 1e-14 * rng.normal(size=values.shape))
        moved.append(not np.array_equal(other, values))
        return other, power

    monkeypatch.setattr(phase_refinement, "_read", noisy)
    law, other = handed_on(*found(row))
    assert all(moved)
    assert len(moved) > 2
    first, stated = handed_on(plain, estimate)
    assert not law.is_steady
    np.testing.assert_array_equal(law.turns, first.turns)
    np.testing.assert_array_equal(law.time_s, first.time_s)
    assert other == stated


def test_amplitudes_of_lines_are_sums_in_double_precision() -> None:
    row = shaken(24.0 * TIME, ORDERS)
    item = Low(samples=row, rate_hz=RATE, top_hz=1000.0)
    orders = np.array(ORDERS)
    windows = phase_refinement._windows(row.size, 240.0, np.array([12.0, 120.0]), 24.0, orders, orders)
    values, _ = phase_refinement._read(item, windows)
    n = windows.taper.size
    for k, start in enumerate(windows.starts):
        piece = (row[start : start + n] * windows.taper).astype(np.longdouble)[:, None]
        exact = (piece * (windows.cosine - 1j * windows.sine).astype(np.clongdouble)).sum(axis=0)
        exact = exact / phase_refinement._weight(n) * windows.turning[:, k]
        np.testing.assert_allclose(values[:, k], exact.astype(np.complex128), rtol=1e-12)


def test_what_is_handed_on_is_rounded_well_below_what_is_known() -> None:
    law = AngleLaw.steady(24.123456789, 10.0)
    speed = SpeedEstimate(
        input_hz=law.mean_hz, uncertainty_hz=1.23456e-4, method="signal", drift=law.drift,
        alternatives=((law.mean_hz, 0.98765432), (24.5123456789, 0.01234568)),
    )  # fmt: skip
    fixed, stated = handed_on(law, speed)
    assert stated.input_hz == fixed.mean_hz
    assert abs(stated.input_hz - law.mean_hz) < 1e-3 * 1.23e-4
    assert stated.uncertainty_hz == 1.235e-4
    assert stated.alternatives == ((fixed.mean_hz, 0.987654), (24.5123457, 0.012346))
    # A plate's speed is not worked out, and stays what was written on it.
    plate = replace(speed, method="nominal", alternatives=())
    assert handed_on(law, plate) == (law, plate)
