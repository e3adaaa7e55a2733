"""Cages and rollers of a world that knows neither the tone table nor the simulator."""

from __future__ import annotations

import pytest

from tests.worlds.carried import KINDS, made
from tests.worlds.trial import health_from


@pytest.mark.parametrize("number", range(10, 10 + len(KINDS)))
def test_what_an_eccentric_bearing_carries_is_named_and_its_healthy_twin_is_not(number: int) -> None:
    case = made(number)
    health = health_from(case)
    if case.kind == "sound":
        assert (health.state, health.findings) == ("sound", [])
        return
    first = health.findings[0]
    assert first.tone == case.damaged[0]
    # A slow comb that stands alone, but for what it leaves at its elements' orders, leaves room for another machine; of
    # strikes at a cage's turn one in ten is of an element that differs.
    alone = not case.kind.startswith("roller")
    assert first.damage_probability > (0.7 if alone else 0.9)
    assert first.probability > (0.6 if alone else 0.9)
    frame = {"load": "the load", "bolt": "the load", "housing": "the housing", "roller": ""}.get(case.kind.split()[-1])
    assert case.kind.startswith("roller") or f"as the cage passes {frame}" in first.why
