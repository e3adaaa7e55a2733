"""Slopes, changes and times to a limit on series whose truth is known, each next to a steady twin."""

from __future__ import annotations

import numpy as np
import pytest
import scipy.stats

from tests.history.history_series import DAY_S, WEEK_S, default_rules, scatter
from vibe.history.settings import HistorySettings, TrendSettings
from vibe.history.statistics.change_points import find_changes, without_lone_outliers
from vibe.history.statistics.slope import MONTH_S, robust_slope
from vibe.history.trend import Trend, time_to_limit, trend

PER_WEEK = WEEK_S / MONTH_S


@pytest.fixture(scope="module")
def rules() -> TrendSettings:
    made: HistorySettings = default_rules()
    return made.trend


def weeks(n: int) -> np.ndarray:
    return np.arange(n) * WEEK_S


def trend_of(level: np.ndarray, rules: TrendSettings) -> Trend:
    return trend(weeks(level.size), level, np.full(level.size, 0.3), rules)


# ------------------------------------------------------------------------------------------------------------ slope
def test_the_slope_is_that_of_the_library(rules: TrendSettings) -> None:
    """scipy.stats.theilslopes uses the normal approximation: the same ranks, give or take one."""
    level = scatter(1, 80) + np.arange(80) * 0.05
    theirs = scipy.stats.theilslopes(level, weeks(80) / MONTH_S, alpha=0.9)
    ours = robust_slope(weeks(80), level, 0.9)
    assert ours is not None
    assert ours.db_per_month == pytest.approx(theirs.slope)
    assert (ours.low, ours.high) == pytest.approx((theirs.low_slope, theirs.high_slope), rel=0.05)


def test_few_captures_bound_no_slope() -> None:
    """Three points: of 6 orders 1 is all rising, so no interval of 90 %. Four: 1 of 24, the outermost slopes."""
    three, four = (robust_slope(weeks(n), np.arange(n, dtype=np.float64) ** 2.0, 0.9) for n in (3, 4))
    assert three is not None
    assert (three.low, three.high) == (-np.inf, np.inf)
    assert four is not None
    assert (four.low * PER_WEEK, four.high * PER_WEEK) == pytest.approx((1.0, 5.0))
    assert robust_slope(weeks(2), np.zeros(2), 0.9) is None
    assert robust_slope(np.zeros(5), np.arange(5.0), 0.9) is None


@pytest.mark.parametrize(("n", "alike"), [(6, 0.0), (25, 0.0), (60, 0.4)])
def test_the_interval_holds_the_slope_as_often_as_it_states(n: int, alike: float) -> None:
    held = []
    for seed in range(250):
        level = np.zeros(n)
        kicks = scatter(seed, n)
        for i in range(n):
            level[i] = alike * level[i - 1] + np.sqrt(1 - alike**2) * kicks[i] if i else kicks[i]
        found = robust_slope(weeks(n), level + 0.2 * np.arange(n) * PER_WEEK, 0.9)
        assert found is not None
        held.append(found.low <= 0.2 <= found.high)
    assert 0.82 < np.mean(held) < 0.97


def test_outliers_and_ties_do_not_bend_it() -> None:
    level = np.arange(20.0)
    level[[3, 11]] = 60.0
    found = robust_slope(weeks(20), level, 0.9)
    assert found is not None
    assert found.db_per_month * PER_WEEK == pytest.approx(1.0, abs=0.05)
    tied = robust_slope(weeks(20), np.zeros(20), 0.9)
    assert tied is not None
    assert (tied.low, tied.db_per_month, tied.high) == (0.0, 0.0, 0.0)


# ---------------------------------------------------------------------------------------------------------- changes
def test_steady_series_stay_steady(rules: TrendSettings) -> None:
    """Looked at once, 200 series: at a chance of 1 in 10,000 none should change; two would be a fault."""
    states = [trend_of(scatter(seed, 40), rules).state for seed in range(200)]
    assert sum(state != "steady" for state in states) < 2


def test_growth_is_dated_and_measured(rules: TrendSettings) -> None:
    onset = 25
    level = scatter(2, 50) + np.maximum(np.arange(50) - onset, 0) * 0.6
    found = trend_of(level, rules)
    assert found.state == "growing"
    assert [change.kind for change in found.changes] == ["bend"]
    assert abs(found.changes[0].at_s / WEEK_S - onset) <= 4
    assert found.slope is not None
    assert found.slope.low < 0.6 / PER_WEEK < found.slope.high
    assert found.growth_low_db is not None
    assert found.growth_high_db is not None
    assert found.growth_low_db < 14.0 < found.growth_high_db


def test_a_series_that_grows_from_its_first_capture(rules: TrendSettings) -> None:
    found = trend_of(scatter(3, 20) + np.arange(20) * 0.8, rules)
    assert found.state == "growing"
    assert found.changes[0].at_s == 0.0
    fall = trend_of(scatter(3, 20) - np.arange(20) * 0.8, rules)
    assert fall.state == "falling"


def test_steps_up_and_down(rules: TrendSettings) -> None:
    level = scatter(4, 45) + np.where(np.arange(45) >= 15, 8.0, 0.0) - np.where(np.arange(45) >= 30, 8.0, 0.0)
    found = trend_of(level, rules)
    assert found.state == "stepped down"
    assert [change.kind for change in found.changes] == ["step", "step"]
    assert [change.at_s / WEEK_S for change in found.changes] == [15, 30]
    assert [change.size_db for change in found.changes] == pytest.approx([8.0, -8.0], abs=1.2)
    assert trend_of(level[:28], rules).state == "stepped up"


def test_growth_that_a_repair_ended(rules: TrendSettings) -> None:
    level = scatter(5, 60) + np.where(np.arange(60) < 40, np.maximum(np.arange(60) - 20, 0) * 0.7, 0.0)
    found = trend_of(level, rules)
    assert found.state == "stepped down"
    assert found.changes[-1].at_s / WEEK_S == pytest.approx(40, abs=1)
    assert any(change.kind == "bend" and change.size_db > 5.0 for change in found.changes)
    assert time_to_limit(found, 10.0, rules).days is None


def test_one_wild_capture_is_no_change_and_three_are_looked_at(rules: TrendSettings) -> None:
    level = scatter(6, 30)
    level[-1] += 25.0
    level[10] -= 25.0
    assert trend_of(level, rules).state == "steady"
    cleaned = without_lone_outliers(level, rules.outlier_sigmas)
    assert np.abs(cleaned).max() < 4.0
    # Three in a row are no lone outlier.
    level[-3:-1] += 25.0
    assert without_lone_outliers(level, rules.outlier_sigmas)[-3:].min() > 20.0


def test_what_is_small_is_no_growth_however_sure(rules: TrendSettings) -> None:
    level = scatter(7, 40, 0.05) + np.where(np.arange(40) >= 20, 1.0, 0.0)
    found = trend_of(level, rules)
    assert [change.size_db for change in found.changes] == pytest.approx([1.0], abs=0.1)
    assert found.state == "steady"


def test_few_captures_cannot_tell(rules: TrendSettings) -> None:
    found = trend_of(np.arange(9.0) * 3, rules)
    assert found.state == "cannot be told yet"
    assert found.note == "9 of 10 captures"
    assert time_to_limit(found, 10.0, rules).words == "not known yet: 9 of 10 captures"
    none = trend(weeks(3), np.full(3, np.nan), np.zeros(3), rules)
    assert none.growth_db is None
    assert none.n == 0


def test_captures_that_do_not_count_are_left_out(rules: TrendSettings) -> None:
    level = scatter(8, 30)
    level[::3] = np.nan
    assert trend_of(level, rules).n == 20


def test_equal_times_and_equal_values_do_no_harm(rules: TrendSettings) -> None:
    assert trend(np.zeros(12), scatter(9, 12), np.zeros(12), rules).state == "steady"
    assert trend_of(np.zeros(12), rules).state == "steady"
    assert find_changes(weeks(12), np.zeros(12), rules).changes == ()


def test_long_series_are_thinned_and_tell_the_same(rules: TrendSettings) -> None:
    n = 2000
    level = scatter(10, n) + np.maximum(np.arange(n) - 1200, 0) * 0.01
    found = trend(np.arange(n) * DAY_S / 4, level, np.zeros(n), rules)
    assert found.n == n
    assert found.state == "growing"
    assert abs(found.changes[0].at_s / (DAY_S / 4) - 1200) < 100


# ---------------------------------------------------------------------------------------------------- time to limit
def test_the_time_to_a_limit_of_steady_growth(rules: TrendSettings) -> None:
    """1 dB a week since week 20; at week 34 the level is 14 dB over what is usual: 42 days to 20 dB.

    Scatter may make a step of young growth, which is reported as such and has no end.
    """
    held, ratios = [], []
    for seed in range(60):
        level = scatter(seed, 35) + np.maximum(np.arange(35) - 20, 0)
        stated = time_to_limit(trend_of(level, rules), 20.0, rules.model_copy(update={"dated": True}))
        if stated.days is None or stated.soonest is None:
            continue
        held.append(stated.soonest <= 42.0 <= (stated.latest or np.inf))
        ratios.append(stated.days / 42.0)
    assert len(held) > 54
    assert np.mean(held) > 0.85
    assert np.median(ratios) == pytest.approx(1.0, abs=0.15)


def test_what_is_steady_or_unsure_has_no_end(rules: TrendSettings) -> None:
    assert time_to_limit(trend_of(scatter(11, 40), rules), 10.0, rules).days is None
    level = scatter(12, 40) + np.maximum(np.arange(40) - 20, 0) * 0.5
    far = time_to_limit(trend_of(level, rules), 1000.0, rules.model_copy(update={"dated": True}))
    assert far.days is None
    assert "not within 5 years" in far.words


@pytest.mark.parametrize(("power", "faster"), [(1.0, False), (3.0, True)])
def test_growth_is_not_dated_and_quickening_is_said(rules: TrendSettings, power: float, faster: bool) -> None:
    grown = np.maximum(np.arange(60) - 20, 0) / 40.0
    stated = time_to_limit(trend_of(scatter(14, 60) + 30.0 * grown**power, rules), 60.0, rules)
    assert (stated.days, stated.soonest, stated.latest) == (None, None, None)
    assert stated.words == f"growing{', faster than before' if faster else ''}; cannot be dated"


def test_a_limit_that_is_reached_is_said_to_be(rules: TrendSettings) -> None:
    level = scatter(13, 40) + np.maximum(np.arange(40) - 20, 0)
    stated = time_to_limit(trend_of(level, rules), 12.0, rules)
    assert (stated.days, stated.words) == (0.0, "the limit is reached")
