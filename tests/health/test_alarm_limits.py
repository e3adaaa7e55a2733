"""Which cases a limit would have found, and which findings sisters share."""

from __future__ import annotations

from datetime import timedelta
from math import sqrt
from typing import Any

import numpy as np
import pytest

from tests.health.alarm_cases import NOW, case, seen
from vibe.health.acceptance.uncertainty import DIVISOR
from vibe.health.alarms.limit_trial import TrialCase, case_of
from vibe.health.alarms.shared_cases import shared_faults

DAY = timedelta(days=1)


@pytest.mark.parametrize(("days", "same"), [(30, True), (44, True), (46, False), (80, False)])
def test_a_case_within_one_and_a_half_monthly_rounds_is_of_the_same_trouble(days: int, same: bool) -> None:
    before = TrialCase(id="1", drive="D-1", begun=NOW - 90 * DAY, ended=NOW - days * DAY, verdict="confirmed")
    after = TrialCase(id="2", drive="D-1", begun=NOW + days * DAY, ended=None, verdict="confirmed")
    for one in (before, after):
        assert (case_of("D-1", NOW, NOW, [one]) is one) is same


@pytest.mark.parametrize(("probability", "shared"), [(0.4, False), (0.6, True)])
def test_sisters_share_a_fault_that_is_rather_there_than_not(
    monkeypatch: pytest.MonkeyPatch, probability: float, shared: bool
) -> None:
    from types import SimpleNamespace

    from vibe.health.alarms import shared_cases

    alarms: list[Any] = [
        SimpleNamespace(
            drive=tag, kind="fault", finding=seen(probability=probability), urgency=SimpleNamespace(total=5.0)
        )
        for tag in ("D-1", "D-2")
    ]
    monkeypatch.setattr(shared_cases, "_shared", lambda members, tags, *_: tags)
    found = shared_faults(alarms, {tag: case(tag) for tag in ("D-1", "D-2")}, {}, NOW)
    assert bool(found) is shared


def test_half_a_width_over_the_standard_uncertainty_is_that_of_its_distribution() -> None:
    """Standard deviations of distributions between -1 and 1, by the midpoint rule."""
    x = (np.arange(200_000) + 0.5) / 100_000 - 1
    for name, density in (
        ("rectangular", np.ones_like(x)),
        ("triangular", 1 - np.abs(x)),
        ("U-shaped", 1 / np.sqrt(1 - x**2)),
    ):
        deviation = sqrt(float((density * x**2).sum() / density.sum()))
        assert 1 / deviation == pytest.approx(DIVISOR[name], rel=5e-3)  # type: ignore[index]


@pytest.mark.parametrize(
    ("days", "words"),
    [
        ([0.3], "every day"),
        ([1.2, 0.9], "every day"),
        ([7.0, 7.4], "every 7 days"),
        ([1.0, 30.0], "every 1 to 30 days"),
    ],
)
def test_how_often_a_drive_is_measured_is_said_as_people_say_it(days: list[float], words: str) -> None:
    from vibe.health.alarms.causes import every_so_often

    assert every_so_often(days) == words
