"""How sure a change of an owner is, and what scatter of captures is taken at least: worked by hand."""

from __future__ import annotations

from math import log10, sqrt

import pytest
from scipy.stats import t

from vibe.history.change_attribution import rise_of

FOUR = [{"a": 1.0, "b": 3.0}] * 4


def test_captures_that_happen_to_agree_scatter_by_half_a_decibel_all_the_same() -> None:
    """Of four and one the mean differs by sqrt(1 / 4 + 1) of that; nine in ten lie within t of three freedoms."""
    rise = rise_of(FOUR, [{"a": 2.0, "b": 3.0}])
    part = rise.parts[0]
    per_square = 10 * log10(5 / 4) / 1.0
    sigma = (10 ** (0.5 / 10) - 1) * sqrt(1 / 4 + 1)
    assert part.sure == pytest.approx(t.cdf(1.0 / sigma, 3), rel=1e-6)
    assert part.high_db is not None
    assert part.high_db - part.db == pytest.approx(t.isf(0.05, 3) * sigma * per_square, rel=1e-6)
    assert rise.high_db is not None
    assert rise.high_db - rise.rise_db == pytest.approx(t.isf(0.05, 3) * 0.5 * sqrt(1 / 4 + 1), rel=1e-6)


def test_what_was_hardly_there_scatters_by_two_parts_in_a_thousand_of_the_whole() -> None:
    rise = rise_of([{"a": 1.0, "b": 0.0}] * 4, [{"a": 1.0, "b": 0.01}])
    part = next(one for one in rise.parts if one.owner == "b")
    assert part.sure == pytest.approx(t.cdf(0.01 / (0.002 * sqrt(1 / 4 + 1)), 3), rel=1e-6)


@pytest.mark.parametrize(("more_db", "divided"), [(0.4, False), (0.7, True), (-0.4, False), (-0.7, True)])
def test_a_rise_of_less_than_half_a_decibel_is_not_divided(more_db: float, divided: bool) -> None:
    factor = 10 ** (more_db / 10)
    rise = rise_of(FOUR, [{"a": factor, "b": 3.0 * factor}])
    assert (rise.parts[0].share is not None) is divided


@pytest.mark.parametrize(("spread_db", "common"), [(1.6, True), (2.6, False)])
def test_owners_that_scatter_by_more_than_two_decibels_say_nothing_of_what_all_have_in_common(
    spread_db: float, common: bool
) -> None:
    """Two captures either side of the mean: their standard deviation is 2 / sqrt(3) of how far they lie from it."""
    off = 10 ** (spread_db * sqrt(3) / 2 / 10)
    before = [dict.fromkeys("abc", value) for value in (off, 1 / off, off, 1 / off)]
    rise = rise_of(before, [dict.fromkeys("abc", 2.0)])
    assert (rise.common_db is not None) is common
