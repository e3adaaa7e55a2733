"""Whole multiples of another machine's order, as closely as a capture tells."""

from __future__ import annotations

import pytest

from vibe.diagnosis.alternatives.outside_multiples import whole_multiple

STEP = 0.005
"""Orders per bin."""


@pytest.mark.parametrize("times", [1, 2, 3, 7])
def test_a_multiple_is_known_within_a_line_and_not_beyond(times: int) -> None:
    of = 0.61
    assert whole_multiple(times * of + 1.2 * STEP, of, resolution=STEP) == times
    assert whole_multiple(times * of + 1.8 * STEP, of, resolution=STEP) is None


def test_a_slower_order_is_stated_less_closely_and_slip_and_spread_widen_it() -> None:
    assert whole_multiple(0.2 * 1.02, 0.2, resolution=STEP) == 1
    assert whole_multiple(3.2 * 1.02, 3.2, resolution=STEP) is None
    assert whole_multiple(3.2 * 1.02, 3.2, resolution=STEP, spread=0.02) == 1
    assert whole_multiple(3.2 * 0.98, 3.2, resolution=STEP, slip=(-0.02, 0.0)) == 1
    assert whole_multiple(3.2 * 1.02, 3.2, resolution=STEP, slip=(-0.02, 0.0)) is None


def test_what_any_order_would_be_tells_nothing() -> None:
    # Ten times an order of seven bins: one order in three would be such a multiple.
    assert whole_multiple(10 * 0.035, 0.035, resolution=STEP) is None
    # A line is three bins wide: of multiples of 40 bins one order in 13 is one, of 22 bins one in seven.
    assert whole_multiple(5 * 0.2, 0.2, resolution=STEP) == 5
    assert whole_multiple(5 * 0.11, 0.11, resolution=STEP) is None
    assert whole_multiple(0.5, 1.5, resolution=STEP) is None


def test_multiples_are_tried_up_to_a_dozen() -> None:
    """As many as a sprocket of a dozen teeth makes of its shaft."""
    assert whole_multiple(12 * 1.5, 1.5, resolution=STEP) == 12
    assert whole_multiple(13 * 1.5, 1.5, resolution=STEP) is None
