"""Limits of what steps of a diagnosis say, each from either side."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any, cast

import pytest

from vibe.core.comb_history import TraceBand
from vibe.core.evidence import SpeedEstimate
from vibe.flow.diagnose.earlier_captures import _same
from vibe.flow.diagnose.motion import in_words
from vibe.flow.diagnose.recognition import likely


@pytest.mark.parametrize(("drift", "said"), [(0.004, False), (0.006, True)])
def test_a_speed_is_said_to_change_where_it_does_so_by_more_than_load_and_supply_make_it(
    drift: float, said: bool
) -> None:
    speed = SpeedEstimate(input_hz=24.0, uncertainty_hz=0.001, method="signal", drift=drift)
    assert any("speed changes" in words for words in in_words(speed, None, ())) is said


@pytest.mark.parametrize(("off", "same"), [(0.0, True), (0.008, True), (0.015, False), (-0.015, False)])
def test_bands_are_the_same_whose_edges_differ_by_less_than_a_hundredth(off: float, same: bool) -> None:
    low, high = (TraceBand(channels=("a",), low_hz=500.0, high_hz=top) for top in (4000.0, 4000.0 * (1 + off)))
    assert _same(low, high) is same


def test_drives_whose_odds_are_within_a_hundred_and_fifty_of_the_best_are_about_as_likely() -> None:
    """ln 150 = 5.0."""
    heard = SimpleNamespace(better=(("A", 20.0), ("B", 15.5), ("C", 14.5)))
    assert likely(cast(Any, heard)) == ["A", "B"]
