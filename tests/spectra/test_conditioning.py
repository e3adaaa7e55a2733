from __future__ import annotations

import numpy as np
import pytest

from vibe.spectra.basic.conditioning import bridged


def test_gaps_in_a_straight_line_leave_the_straight_line() -> None:
    line = np.linspace(-3.0, 5.0, 1001).astype(np.float32)
    torn = line.copy()
    torn[[0, 17, 400, 401, 402, 999]] = np.nan
    torn[700:750] = np.inf
    torn[760:770] = -np.inf
    whole = bridged(torn)
    # The first sample has no neighbour before it and takes the next one's value.
    np.testing.assert_allclose(whole[1:] - whole[1], line[1:] - line[1], atol=2e-5)
    assert whole[0] == whole[1]
    assert abs(float(whole.mean(dtype=np.float64))) < 1e-6


def test_the_mean_goes_and_the_rest_stays() -> None:
    row = (9.81 + np.sin(np.arange(1000) * 2 * np.pi / 100)).astype(np.float32)
    before = row.copy()
    whole = bridged(row)
    np.testing.assert_allclose(whole, np.sin(np.arange(1000) * 2 * np.pi / 100), atol=2e-6)
    np.testing.assert_array_equal(row, before)
    assert whole.dtype == np.float32
    assert not np.shares_memory(whole, row)


@pytest.mark.parametrize("value", [np.nan, np.inf])
def test_a_row_without_one_number_is_silence(value: float) -> None:
    np.testing.assert_array_equal(bridged(np.full(16, value, dtype=np.float32)), np.zeros(16))
