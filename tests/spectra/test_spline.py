"""The smooth curve through knots, against a library's."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.interpolate import CubicSpline

from vibe.spectra.basic.spline import spline_through


@pytest.mark.parametrize("natural", [True, False])
@pytest.mark.parametrize("knots", [3, 4, 5, 82, 700])
def test_it_is_the_curve_of_the_library(knots: int, natural: bool) -> None:
    """Knots whose distances differ tenfold; places in order and in none; beyond the ends with their slope."""
    random = np.random.default_rng(knots)
    x, y = np.cumsum(random.uniform(0.1, 1.0, knots)), np.cumsum(random.uniform(-1.0, 3.0, knots))
    library = CubicSpline(x, y, bc_type="natural" if natural else "not-a-knot")
    asked = np.linspace(x[0] - 1.0, x[-1] + 1.0, 5001)
    inside = np.clip(asked, x[0], x[-1])
    wanted = library(inside) + (asked - inside) * library(inside, 1)
    curve = spline_through(x, y, natural=natural)
    np.testing.assert_allclose(curve.at(asked), wanted, rtol=0, atol=1e-12 * np.ptp(y))
    anyhow = random.permutation(asked.size)
    np.testing.assert_array_equal(curve.at(asked[anyhow]), curve.at(asked)[anyhow])
    np.testing.assert_allclose(curve.at(x), y, rtol=0, atol=1e-12 * np.ptp(y))


def test_what_is_straight_stays_straight() -> None:
    x = np.array([0.0, 1.0, 1.5, 4.0])
    for natural in (True, False):
        np.testing.assert_allclose(
            spline_through(x, 2.0 * x, natural=natural).at(np.array([-1.0, 0.7, 5.0])), [-2.0, 1.4, 10.0]
        )
