"""Conditions that would never end, or that no file could hold."""

from __future__ import annotations

from typing import Any

import pytest

from vibe.core.errors import CallError
from vibe.synth.conditions import Conditions


@pytest.mark.parametrize(
    ("given", "named"),
    [
        ({"stray_shocks": 10**9}, "stray_shocks"),
        ({"points": ("",)}, "printable"),
        ({"points": ("a", " b")}, "printable"),
        ({"points": ("a\nb",)}, "printable"),
        ({"duration_s": 4000.0, "sample_rate_hz": 12_800.0, "points": ("a", "b")}, "more samples"),
    ],
)
def test_conditions_without_end_are_refused(given: dict[str, Any], named: str) -> None:
    with pytest.raises(CallError, match=named):
        Conditions(**given)


def test_long_and_busy_conditions_are_not() -> None:
    assert Conditions(duration_s=1200.0, sample_rate_hz=25_600.0, points=("a", "b", "c"), stray_shocks=50)
