"""Levels, their scatter, the angle of several lines, cells of a period, and how speeds vary: each limit from both
sides, or worked by hand."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from vibe.spectra.basic import common_angle
from vibe.spectra.basic.common_angle import Angle
from vibe.spectra.basic.level_uncertainty import band_scatter
from vibe.spectra.basic.levels import lasting_kurtosis, typical_kurtosis, velocity_band_hz
from vibe.spectra.envelope.impulse_gating import _inside
from vibe.spectra.speed.speed_variation import speed_priors

RATE = 10_000.0
NOISE = np.random.default_rng(6).standard_normal(60_000).astype(np.float32)


@pytest.mark.parametrize(("rpm", "low_hz"), [(550.0, 2.0), (650.0, 10.0)])
def test_below_600_rpm_velocity_is_judged_from_two_hertz(rpm: float, low_hz: float) -> None:
    assert velocity_band_hz(rpm / 60)[0] == low_hz


@pytest.mark.parametrize(("every_s", "lifted"), [(0.15, True), (0.24, False)])
def test_impacts_lift_the_typical_kurtosis_where_they_fall_into_most_tenths_of_a_second(
    every_s: float, lifted: bool
) -> None:
    row = NOISE.copy()
    row[:: round(every_s * RATE)] = 40.0
    assert (typical_kurtosis(row, RATE) > 6) is lifted


@pytest.mark.parametrize(("impacts", "last"), [(9, True), (5, False)])
def test_impacts_last_that_fall_into_most_twelfths_of_a_capture(impacts: int, last: bool) -> None:
    row = NOISE.copy()
    row[np.linspace(100, 59_900, impacts).astype(int)] = 60.0
    assert (lasting_kurtosis(row) > 6) is last


def scatter(power: Any) -> float:
    return band_scatter(power, 1.0, 1.0, (1000.0, 1999.0))


@pytest.mark.parametrize(("height", "line"), [(6.0, False), (11.0, True)])
def test_a_line_beats_with_the_noise_from_where_noise_comes_once_in_3000_bins(height: float, line: bool) -> None:
    """exp(-8). A thousand bins of noise whose median is ln 2 of its mean."""
    power = np.full(4000, np.log(2.0))
    power[1500] = height
    variance = 1000 + 2 * (height - 1) * line
    assert scatter(power) == pytest.approx(0.5 * np.sqrt(variance) / (999 * np.log(2.0) + height), rel=1e-6)


@pytest.mark.parametrize(("wide", "noise"), [(25, False), (33, False), (51, True), (65, True)])
def test_what_is_wider_than_half_of_eighty_bins_is_no_line_but_noise(wide: int, noise: bool) -> None:
    """Noise beats with itself, bin by bin; lines as high beat only with the noise below."""
    power = np.full(4000, np.log(2.0))
    power[1500 - wide // 2 : 1501 + wide // 2] = 100 * np.log(2.0)
    as_lines = np.sqrt(1000 + 2 * wide * 69.0)
    found = scatter(power) * 2 * float(power[1000:2000].sum())
    assert bool(found > 2 * as_lines) is noise


def test_a_speed_that_swings_faster_than_in_two_seconds_is_not_followed() -> None:
    """A polynomial follows as many half turns of phase as it has degrees: the inertia of a drive under load."""
    place = np.linspace(-1, 1, 2000)

    def left(seconds: float, period_s: float) -> float:
        swing = np.sin(np.pi * seconds / period_s * place)
        degree = int(common_angle._most_degrees(SimpleNamespace(duration_s=seconds)))  # type: ignore[arg-type]
        fit = np.polynomial.Chebyshev.fit(place, swing, degree)
        return float(np.std(swing - fit(place)))

    assert left(15.0, 3.0) < 0.05
    assert left(15.0, 1.5) > 0.4
    # The ends need some degrees more.
    assert left(1.5, 1.5) < 0.01
    assert left(1.5, 0.7) > 0.1


def bends(degree: int, rad: float = 30.0) -> float:
    """Coefficients of a law that swings as one polynomial does by so many radians of a line."""
    at = np.linspace(-1, 1, 512)
    swing = np.polynomial.Chebyshev.basis(degree)(at)
    part: Any = SimpleNamespace(base=SimpleNamespace(order=1.0))
    return common_angle._bends(rad / (2 * np.pi) * swing / np.std(swing), at, [part], 99.0)


@pytest.mark.parametrize(("degree", "held"), [(1, 1), (2, 2), (3, 4), (6, 8), (11, 14), (19, 24), (33, 40), (41, 100)])
def test_degrees_go_up_by_a_factor_of_two_at_most(degree: int, held: int) -> None:
    assert bends(degree) == held - 1


@pytest.mark.parametrize(("rad", "straight"), [(0.22, True), (0.42, False)])
def test_a_law_that_keeps_to_another_within_a_twentieth_of_a_line_is_that_one(rad: float, straight: bool) -> None:
    """0.3 rad are 5 % of a turn of the highest line."""
    assert (bends(2, rad) == 0) is straight


@pytest.mark.parametrize(("rad", "two"), [(0.022, False), (0.042, True)])
def test_angles_that_move_a_line_by_half_a_per_mille_are_one(rad: float, two: bool) -> None:
    """1 - exp(-0.03² / 2)."""
    row: Any = SimpleNamespace(turns=np.linspace(0, 100, 4096), smoother=())
    part: Any = SimpleNamespace(base=SimpleNamespace(order=5.0))
    swing = np.array([0.0, rad / (2 * np.pi * 5.0) * np.sqrt(2.0)])
    none = np.zeros(2)
    found = common_angle._distinct([Angle(law=0, added=none), Angle(law=0, added=swing)], [part], row)
    assert (len(found) == 2) is two


def test_speeds_are_kept_that_are_not_a_hundred_and_fifty_times_less_likely(monkeypatch: pytest.MonkeyPatch) -> None:
    """exp(5): sqrt(2 · 5) deviations of a normal likelihood."""
    monkeypatch.setattr(common_angle, "_likelihood", lambda parts, turns: (-0.5 * float(turns[0]) ** 2, []))
    part: Any = SimpleNamespace(base=SimpleNamespace(order=1.0))
    low, high, best = common_angle._speed([part], np.zeros(1), np.ones(1), -12.0, 12.0)
    assert (low, high) == (pytest.approx(-np.sqrt(10.0), abs=0.2), pytest.approx(np.sqrt(10.0), abs=0.2))
    assert abs(best) < 0.1


def test_what_is_left_in_25_bins_counts_as_that_of_two_thirds_of_them() -> None:
    """Those of a Hann window are correlated: 1.5 count as one."""
    part: Any = SimpleNamespace(fitted=lambda turns: SimpleNamespace(power=np.e))
    assert common_angle._likelihood([part, part], np.zeros(1))[0] == pytest.approx(-2 * 25 / 1.5)


@pytest.mark.parametrize(("per_period", "cells"), [(2000.0, 360), (40.0, 40), (5.0, 8)])
def test_a_period_is_cut_into_cells_that_its_samples_fill(per_period: float, cells: int) -> None:
    """At least eight, of which an impact, with its neighbours, takes three; one degree each at most."""
    rng = np.random.default_rng(1)
    phase = rng.uniform(0, 1, 80_000)
    power = np.ones((1, phase.size), dtype=np.float32)
    power[0, np.abs(phase - (0.5 + 0.5 / cells)) < 0.1 / cells] = 1e4
    assert _inside(power, phase, per_period).mean() == pytest.approx(3 / cells, rel=0.1)


def test_speeds_are_off_by_a_hundredth_rise_by_a_hundredth_and_walk_from_a_millionth_to_a_tenth() -> None:
    """In half decades: each law is weighed against the next."""
    unit = 250.0**2
    ends = speed_priors(np.array([5.0]), duration_s=10.0, mean_hz=25.0).covariances[:, -1, -1] / unit
    assert np.sqrt(ends[0]) == pytest.approx(0.01)
    # Half of what it rises by is missed, on average.
    assert np.sqrt(ends[1] - ends[0]) == pytest.approx(0.01 / 2)
    walks = np.sqrt(3 * (ends[2:] - ends[1]))
    assert np.log10(walks) == pytest.approx(np.arange(-5.5, -0.9, 0.5), abs=1e-2)


def test_motors_hold_their_speed_within_two_in_a_thousand_before_any_line_is_asked(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Lines that say nothing: of 200 turns the second coefficient stands for 2e-3 / 2 of half of them."""

    def basis(at: Any, freedom: int) -> Any:
        found = np.zeros((8, freedom))
        found[:, 1] = [1.0, -1.0] * 4
        return found

    monkeypatch.setattr(common_angle, "_grid", lambda row, law: (0.0, np.zeros(8)))
    monkeypatch.setattr(common_angle, "_added", lambda at, added: np.zeros(8))
    monkeypatch.setattr(common_angle, "_most_degrees", lambda row: 64)
    monkeypatch.setattr(common_angle, "_basis", basis)
    silent = SimpleNamespace(
        slopes=lambda basis: (None, np.zeros((basis.shape[1],) * 2)), follows=lambda basis: np.zeros(basis.shape[1])
    )
    base = SimpleNamespace(total_turns=200.0, order=3.0, weights=np.full(8, 1 / 8))
    part: Any = SimpleNamespace(base=base, fitted=lambda turns: silent)
    angle: Any = SimpleNamespace(law=None, added=np.zeros(2))
    row: Any = None
    (doubt,) = common_angle._doubts([part], row, angle, 1e-5)
    assert doubt.phase_rad == pytest.approx(2 * np.pi * 3.0 * 100 * 2e-3 / 2)
    assert doubt.relative == 0.0
