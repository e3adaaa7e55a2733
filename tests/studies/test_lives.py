"""The study of lives in short; the long one is ``python -m tests.studies.lives``."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from tests.studies.lives import (
    CASES,
    FIRST_DAMAGED,
    STARTED,
    first_start,
    growing,
    lived,
    snapshots,
    steady,
    trend_of,
    up_to,
    week_of_start,
)


def test_steady_series_seldom_seem_to_grow() -> None:
    """One in a hundred a year is wanted; three of forty would be chance once in a hundred such tests."""
    assert sum(steady((seed, 26, 0.5)) for seed in range(40)) < 3


def test_growth_is_found_within_months_and_its_end_foretold() -> None:
    found = [growing((seed, 0.3)) for seed in range(6)]
    assert not any(one.early for one in found)
    # 2 dB a month in 1 dB of scatter.
    assert np.median([one.weeks for one in found if one.weeks is not None]) <= 14
    assert sum(one.held for one in found) > 0.7 * sum(one.stated for one in found)


@pytest.mark.parametrize("name", ["Bearing1_1", "Bearing2_1"])
def test_a_measured_life_is_seen_to_grow_well_before_its_end(open_data: Path, name: str) -> None:
    series, end_s = snapshots(open_data / "femto" / f"{name}.h5")
    alive = up_to(series["peak"], int(np.searchsorted(series["peak"].time_s, end_s)) + 1)
    start = first_start(alive)
    assert start is not None
    assert alive.time_s[start] < 0.7 * end_s
    # Running in is not called growth.
    assert trend_of(up_to(alive, 12)).state not in STARTED


@pytest.mark.slow
@pytest.mark.parametrize("damaged", [True, False])
def test_a_simulated_life_and_its_healthy_twin(damaged: bool) -> None:
    tag, tone = CASES[1]
    one = lived((7, tag, tone, damaged))
    found = [week for series in one.series.values() if (week := week_of_start(series)) is not None]
    assert all(week >= FIRST_DAMAGED for week in found)
    assert bool(found) == damaged
