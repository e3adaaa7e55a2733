"""How often a sensor must have been in trouble to explain an exceedance whose capture nobody has."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from types import SimpleNamespace
from typing import Any, cast

import pytest

from vibe.health.alarms.causes import _point_in_trouble

START = datetime(2026, 3, 1, 8, 0, tzinfo=UTC)


@pytest.mark.parametrize(("captures", "explained"), [(1, True), (3, True), (4, False)])
def test_a_point_that_was_in_trouble_in_a_third_of_its_captures_since_then_is_so_again_and_again(
    captures: int, explained: bool
) -> None:
    recent = [
        SimpleNamespace(
            at=START + timedelta(days=day), troubled={"input side": "loose mount"} if day == 0 else {}, clipped={}
        )
        for day in range(captures)
    ]
    exceedance = SimpleNamespace(key=SimpleNamespace(point="input side"), kind="alarm", at=START + timedelta(days=1))
    found = _point_in_trouble(
        cast(Any, exceedance), None, cast(Any, SimpleNamespace(recent=recent)), timedelta(hours=1)
    )
    assert (found == "input side") is explained
