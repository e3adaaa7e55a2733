"""Factors of normal tolerance intervals against printed tables, and against the integral they must fulfil."""

from __future__ import annotations

import numpy as np
import pytest

from vibe.history.statistics.tolerance import one_sided_factor, two_sided_factor


@pytest.mark.parametrize(
    ("n", "content", "factor"),
    [
        # Odeh & Owen, Tables for Normal Tolerance Limits (1980), confidence 0.95; as in ISO 16269-6. From memory.
        (3, 0.95, 7.656), (5, 0.95, 4.203), (10, 0.95, 2.911), (20, 0.95, 2.396), (30, 0.95, 2.220), (50, 0.95, 2.065),
        (10, 0.90, 2.355), (10, 0.99, 3.981),
    ],
)  # fmt: skip
def test_one_sided(n: int, content: float, factor: float) -> None:
    assert one_sided_factor(n, content, 0.95) == pytest.approx(factor, abs=6e-4)


@pytest.mark.parametrize(
    ("n", "factor"),
    [
        # Two-sided, content 0.95, confidence 0.95, exact: ISO 16269-6:2014 and Odeh (1978). From memory.
        (2, 36.519), (3, 9.789), (4, 6.341), (5, 5.077), (6, 4.422), (7, 4.020), (8, 3.746), (9, 3.546), (10, 3.393),
        (20, 2.760), (30, 2.555), (50, 2.382), (100, 2.234),
    ],
)  # fmt: skip
def test_two_sided(n: int, factor: float) -> None:
    assert two_sided_factor(n, 0.95, 0.95) == pytest.approx(factor, abs=6e-4)


def test_worked_example_of_the_handbook() -> None:
    """NIST/SEMATECH e-Handbook of Statistical Methods, 7.2.6.3: n = 43, 90 %, 99 % sure (from memory).

    One-sided by the noncentral t 1.8740; two-sided by Howe's approximation 2.217, a little below the exact factor.
    """
    assert one_sided_factor(43, 0.90, 0.99) == pytest.approx(1.8740, abs=1e-4)
    assert 2.217 < two_sided_factor(43, 0.90, 0.99) < 2.217 * 1.005


def test_many_values_leave_the_normal_quantile() -> None:
    assert two_sided_factor(1e7, 0.95, 0.95) == pytest.approx(1.95996, abs=2e-3)
    assert one_sided_factor(1e6, 0.95, 0.95) == pytest.approx(1.64485, abs=4e-3)


def test_a_mean_from_a_fit_and_its_degrees_of_freedom() -> None:
    """Straight from the definition: mean off by N(0, 1/n), variance chi-square on its own degrees of freedom."""
    from scipy.stats import norm

    rng = np.random.default_rng(1)
    n, dof, count = 6.5, 4.0, 200_000
    mean, spread = rng.normal(0.0, 1 / np.sqrt(n), count), np.sqrt(rng.chisquare(dof, count) / dof)
    k = two_sided_factor(n, 0.9, 0.95, dof)
    held = norm.cdf(mean + k * spread) - norm.cdf(mean - k * spread) >= 0.9
    assert np.mean(held) == pytest.approx(0.95, abs=0.002)
    k = one_sided_factor(n, 0.9, 0.95, dof)
    assert np.mean(norm.cdf(mean + k * spread) >= 0.9) == pytest.approx(0.95, abs=0.002)


@pytest.mark.parametrize("wrong", [(1, 0.95, 0.95), (10, 1.0, 0.95), (10, 0.95, 0.0), (0, 0.95, 0.95)])
def test_what_cannot_be(wrong: tuple[float, float, float]) -> None:
    for factor in (one_sided_factor, two_sided_factor):
        with pytest.raises(ValueError, match=r"tolerance|between"):
            factor(*wrong)
