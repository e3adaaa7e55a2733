"""Few earlier values, many series: what grew is told, what scatters or moves together is not."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from vibe.history.fall import fall_db
from vibe.history.growth import changes

ROWS, COLUMNS, EARLIER = 12, 40, 8
KINDS = ["few"] * (COLUMNS // 2) + ["many"] * (COLUMNS - COLUMNS // 2)


def drawn(rng: np.random.Generator, count: int) -> NDArray[np.float64]:
    """(count, rows, columns): rows and columns have levels of their own, one kind scatters more than the other."""
    sigma = np.where(np.array(KINDS) == "few", 0.8, 0.4)
    return rng.normal(0.0, 3.0, (1, ROWS, COLUMNS)) + sigma * rng.normal(size=(count, ROWS, COLUMNS))


def test_what_only_scatters_is_given_its_chance() -> None:
    """Of sound series 1 in 20 is given 0.05 or less, and not many fewer: columns here are independent."""
    rng = np.random.default_rng(1)
    chances = []
    for _ in range(150):
        values = drawn(rng, EARLIER + 1)
        chances += changes(values[-1], list(values[:-1]), KINDS).chance.tolist()
    share = np.mean(np.array(chances) <= 0.05)
    assert 0.03 <= share <= 0.07


def test_one_series_that_grew_is_told_with_its_size_and_its_column() -> None:
    values = drawn(np.random.default_rng(2), EARLIER + 1)
    values[-1, 4, 30] += 4.0
    found = changes(values[-1], list(values[:-1]), KINDS)
    assert found.chance[4] < 1e-6
    assert found.column[4] == 30
    assert found.growth[4] == pytest.approx(4.0, abs=1.0)
    assert found.scatter[4] == pytest.approx(0.4, abs=0.15)
    assert np.delete(found.chance, 4).min() > 0.01


def test_what_all_series_do_together_is_no_growth_and_one_beyond_it_is() -> None:
    values = drawn(np.random.default_rng(3), EARLIER + 1)
    values[-1] += 6.0
    moved = changes(values[-1], list(values[:-1]), KINDS)
    assert moved.chance.min() > 0.01
    assert moved.common == pytest.approx(6.0, abs=1.0)
    values[-1, 7] += 4.0
    assert changes(values[-1], list(values[:-1]), KINDS).chance.argmin() == 7


def test_a_series_that_always_scattered_widely_needs_more_than_its_neighbours() -> None:
    rng = np.random.default_rng(4)
    values = drawn(rng, EARLIER + 1)
    values[:, 2] += 4.0 * rng.normal(size=(EARLIER + 1, 1))
    values[-1, 2] = values[:-1, 2].mean(axis=0) + 4.0
    values[-1, 5] = values[:-1, 5].mean(axis=0) + 4.0
    found = changes(values[-1], list(values[:-1]), KINDS)
    assert found.chance[5] < 1e-4
    assert found.chance[2] > 0.001


def test_missing_values_are_left_out_and_a_row_of_nothing_says_nothing() -> None:
    values = drawn(np.random.default_rng(5), EARLIER + 1)
    values[3, 0, :] = np.nan
    values[-1, 1, 10] = np.nan
    values[-1, 1, 11] += 5.0
    found = changes(values[-1], list(values[:-1]), KINDS)
    assert found.chance[0] == 1.0
    assert np.isnan(found.growth[0])
    assert found.column[1] == 11


def test_one_earlier_capture_tells_no_spread() -> None:
    values = drawn(np.random.default_rng(6), 2)
    with pytest.raises(ValueError, match="cannot be compared"):
        changes(values[1], [values[0]], KINDS)


def test_a_fall_is_the_median_over_what_both_have() -> None:
    before = [{"a": 1.0, "b": 2.0, "c": 5.0}, {"a": 1.0, "b": 2.0}]
    assert fall_db({"a": 0.1, "b": 0.2, "new": 9.0}, before) == pytest.approx(20.0)
    assert fall_db({"a": 2.0}, before) == pytest.approx(-6.02, abs=0.01)
    assert fall_db({"new": 1.0}, before) is None
    assert fall_db({"a": 1.0}, []) is None
