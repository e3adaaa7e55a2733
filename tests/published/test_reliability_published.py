"""Time between failures, Weibull lives, outliers and bearing lives against published examples and closed forms."""

from __future__ import annotations

from math import exp, log
from typing import Any, cast

import numpy as np
import pytest

from vibe.core.records.reliability import Life
from vibe.history.statistics.outliers import critical_ratios, outliers
from vibe.history.statistics.reliability import mean_time_between_failures, weibull_lives
from vibe.kinematics.rating_life import rating_life_hours, rating_life_million


def test_mean_time_of_the_handbook() -> None:
    """NIST/SEMATECH e-Handbook 8.4.5.1 (from memory): 2 failures in 800 h; the two-sided 90 % interval begins at 127 h,
    and the factor for its lower end is 0.3177."""
    found = mean_time_between_failures(800.0, 2, 0.95)
    assert found.estimate_hours == 400.0
    assert found.lower_hours == pytest.approx(127.0, abs=0.5)
    assert (found.lower_hours or 0) / 400.0 == pytest.approx(0.3177, abs=5e-5)


@pytest.mark.parametrize(
    ("confidence", "factor"), [(0.5, 1.443), (0.6, 1.091), (0.8, 0.6213), (0.9, 0.4343), (0.95, 0.3338)]
)
def test_without_a_failure(confidence: float, factor: float) -> None:
    """T / -ln(1 - confidence), in closed form; factors as in the same handbook's table (from memory)."""
    found = mean_time_between_failures(1.0, 0, confidence)
    assert found.lower_hours == pytest.approx(-1.0 / log(1.0 - confidence), rel=1e-12)
    assert found.lower_hours == pytest.approx(factor, abs=6e-4)


def test_the_bound_is_the_poisson_tail() -> None:
    """Straight from the definition: at the bound, r or fewer failures come with the chance 1 - confidence."""
    bound = mean_time_between_failures(1000.0, 3, 0.9).lower_hours
    assert bound is not None
    mean = 1000.0 / bound
    assert sum(exp(-mean) * mean**k / f for k, f in enumerate((1, 1, 2, 6))) == pytest.approx(0.1, rel=1e-9)


def lives(failed: list[float], suspended: list[float]) -> list[Life]:
    return [Life(drive="", hours=h, failed=True) for h in failed] + [
        Life(drive="", hours=h, failed=False) for h in suspended
    ]


def test_weibull_of_23_ball_bearings() -> None:
    """Lieblein & Zelen, J. Research NBS 57 (1956) 273-316, endurance of 23 deep-groove ball bearings [10^6 turns];
    maximum likelihood 2.10 and 81.9 in Lawless, Statistical Models and Methods for Lifetime Data (all from memory)."""
    turns = [
        17.88, 28.92, 33.00, 41.52, 42.12, 45.60, 48.48, 51.84, 51.96, 54.12, 55.56, 67.80, 68.64, 68.64, 68.88, 84.12,
        93.12, 98.64, 105.12, 105.84, 127.92, 128.04, 173.40,
    ]  # fmt: skip
    found, _ = weibull_lives(lives(turns, []), 0.95)
    assert found is not None
    assert found.shape.value == pytest.approx(2.102, abs=1e-3)
    assert found.scale.value == pytest.approx(81.88, abs=0.01)


def test_weibull_with_suspended_units() -> None:
    """NIST/SEMATECH e-Handbook 8.4.1.3 (from memory): 10 of 20 units failed within 500 h; 1.7208 and 606.5280."""
    failed = [54.0, 187.0, 216.0, 240.0, 244.0, 335.0, 361.0, 373.0, 375.0, 386.0]
    found, _ = weibull_lives(lives(failed, [500.0] * 10), 0.95)
    assert found is not None
    assert found.shape.value == pytest.approx(1.7208, abs=1e-4)
    assert found.scale.value == pytest.approx(606.5280, abs=1e-2)
    assert found.b10.value == pytest.approx(found.scale.value * (-log(0.9)) ** (1 / found.shape.value), rel=1e-9)


def test_weibull_interval_is_where_the_likelihood_has_fallen() -> None:
    """At an end of the 90 % interval of B10 the best likelihood is lower by chi-square(0.90; 1)/2 = 1.3528."""
    from scipy.optimize import minimize

    failed, running = np.array([120.0, 260.0, 300.0, 410.0, 620.0, 650.0]), np.array([700.0] * 6)
    found, _ = weibull_lives(lives(failed.tolist(), running.tolist()), 0.90)
    assert found is not None

    def likelihood(shape: float, scale: float) -> float:
        density = np.log(shape / scale) + (shape - 1) * np.log(failed / scale) - (failed / scale) ** shape
        return float(density.sum() - np.sum((running / scale) ** shape))

    top = likelihood(found.shape.value, found.scale.value)
    for end in (found.b10.low, found.b10.high):
        assert end is not None
        best = cast("Any", minimize)(
            lambda x, end=end: -likelihood(exp(x[0]), end / (-log(0.9)) ** exp(-x[0])), np.array([0.5]),
            method="Nelder-Mead", options={"xatol": 1e-9, "fatol": 1e-10},
        )  # fmt: skip
        assert top + best.fun == pytest.approx(1.3528, abs=1e-3)


def test_rosner_s_outliers() -> None:
    """Rosner, Technometrics 25 (1983) 165-172, also NIST/SEMATECH e-Handbook 1.3.5.17.3 (from memory): of 54 values
    three are outliers, although the first two alone would not be; first critical values 3.159, 3.151, 3.144."""
    values = np.array([
        -0.25, 0.68, 0.94, 1.15, 1.20, 1.26, 1.26, 1.34, 1.38, 1.43, 1.49, 1.49, 1.55, 1.56, 1.58, 1.65, 1.69, 1.70,
        1.76, 1.77, 1.81, 1.91, 1.94, 1.96, 1.99, 2.06, 2.09, 2.10, 2.14, 2.15, 2.23, 2.24, 2.26, 2.35, 2.37, 2.40,
        2.47, 2.54, 2.62, 2.64, 2.90, 2.92, 2.92, 2.93, 3.21, 3.26, 3.30, 3.59, 3.68, 4.30, 4.64, 5.34, 5.42, 6.01,
    ])  # fmt: skip
    assert critical_ratios(54, 3, 0.05) == pytest.approx([3.159, 3.151, 3.144], abs=6e-4)
    found = outliers(values, 0.05, 10)
    assert values[found.places].tolist() == [6.01, 5.42, 5.34]
    assert outliers(np.delete(values, [51, 52, 53]), 0.05, 10).places.size == 0


@pytest.mark.parametrize(
    ("load_kn", "speed_rpm", "shortest", "longest"),
    [
        # Tutorial on the XJTU-SY bearing data, Table 3: C = 12.82 kN; L10h at 1.2 times the load and at the load.
        (12.0, 2100.0, 5.600, 9.677), (11.0, 2250.0, 6.786, 11.726), (10.0, 2400.0, 8.468, 14.632),
    ],
)  # fmt: skip
def test_rating_life_of_published_bearings(load_kn: float, speed_rpm: float, shortest: float, longest: float) -> None:
    for factor, hours in ((1.2, shortest), (1.0, longest)):
        million = rating_life_million(12.82, factor * load_kn, "ball")
        assert rating_life_hours(million, speed_rpm) == pytest.approx(hours, abs=6e-4)


def test_rating_life_of_a_roller_bearing() -> None:
    """ISO 281: (C/P)^(10/3), by hand: 5^(10/3) = 213.75 million turns; 2375 h at 1500 r/min."""
    million = rating_life_million(50.0, 10.0, "roller")
    assert million == pytest.approx(213.75, abs=5e-3)
    assert rating_life_hours(million, 1500.0) == pytest.approx(2375.0, abs=0.5)
