"""Baselines: few captures, outliers, conditions, and a load that swings with the season."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import norm

from tests.history.history_series import DAY_S, default_rules, event, scatter, series
from vibe.history.baseline import compare, from_level_db, level_db
from vibe.history.operating_condition import (
    Condition,
    dependence_on_condition,
    distance,
    load_moved,
    sort_conditions,
    speed_moved,
)
from vibe.history.settings import HistorySettings
from vibe.history.trend import trend


@pytest.fixture(scope="module")
def rules() -> HistorySettings:
    return default_rules()


@pytest.mark.parametrize(
    ("unit", "value", "level"), [("mm/s", 10.0, 20.0), ("(m/s²)²", 10.0, 10.0), ("dB", -3.0, -3.0), ("", 0.1, -20.0)]
)
def test_levels_and_back(unit: str, value: float, level: float) -> None:
    assert float(level_db(value, unit)) == pytest.approx(level)
    assert float(from_level_db(level, unit)) == pytest.approx(value)


def test_what_is_not_positive_has_no_level(rules: HistorySettings) -> None:
    assert np.isnan(level_db(np.array([0.0, -1.0]), "mm/s")).all()
    found = compare(series([1.0, 0.0, 1.1, 0.9], unit="mm/s"), rules)
    assert found.baselines[0].n == 3
    assert np.isnan(found.change_db[1])


def test_two_captures_are_not_enough_and_three_are_provisional(rules: HistorySettings) -> None:
    two = compare(series([1.0, 1.1]), rules)
    assert two.baselines[0].level_db is None
    assert two.baselines[0].note == "not enough yet: 2 of 5 captures"
    assert np.isnan(two.change_db).all()
    three = compare(series([0.0, 1.0, 2.0]), rules).baselines[0]
    assert three.provisional
    # k of three values: 9.789.
    assert three.change == pytest.approx((1.0 - 9.7888, 1.0 + 9.7888), abs=1e-3)
    assert not compare(series(scatter(1, 5)), rules).baselines[0].provisional


def test_no_capture_has_no_baseline(rules: HistorySettings) -> None:
    found = compare(series([]), rules)
    assert found.baselines == ()
    assert found.latest is None


@pytest.mark.parametrize("n", [5, 12])
def test_intervals_hold_what_they_state_as_often_as_they_state(rules: HistorySettings, n: int) -> None:
    held = []
    for seed in range(400):
        low, high = compare(series(scatter(seed, n, 3.0)), rules).baselines[0].change or (0.0, 0.0)
        held.append(norm.cdf(high / 3.0) - norm.cdf(low / 3.0) >= 0.95)
    # 95 % sure; 3.3 standard errors either way.
    assert 0.914 < np.mean(held) < 0.986


def test_one_outlier_hardly_moves_a_baseline_and_its_healthy_twin_keeps_all(rules: HistorySettings) -> None:
    level = scatter(3, 12)
    sound = compare(series(level), rules).baselines[0]
    level[5] += 20.0
    spoiled = compare(series(level), rules).baselines[0]
    assert sound.outlier is None
    assert spoiled.outlier == "capture 5"
    assert spoiled.alarm is not None
    assert sound.alarm is not None
    assert abs(spoiled.alarm[1] - sound.alarm[1]) < 1.0
    assert "one outlier" in spoiled.note


def test_captures_that_agree_by_chance_do_not_make_a_limit_of_nothing(rules: HistorySettings) -> None:
    found = compare(series([5.0, 5.0, 5.0, 5.0, 5.001]), rules).baselines[0]
    assert found.outlier is None
    assert found.alarm is not None
    assert found.alarm[1] > 7.0


def test_only_accepted_captures_count(rules: HistorySettings) -> None:
    level = scatter(4, 10)
    level[[2, 3]] = 30.0
    keep = np.ones(10, dtype=bool)
    keep[[2, 3]] = False
    found = compare(series(level, accepted=keep), rules)
    assert found.baselines[0].n == 8
    assert found.baselines[0].level_db == pytest.approx(level[keep].mean())
    assert np.isnan(found.change_db[[2, 3]]).all()


def test_an_event_starts_a_new_baseline_unless_it_says_not(rules: HistorySettings) -> None:
    level = np.concatenate([scatter(5, 15), scatter(6, 15) + 8.0])
    whole, after = compare(series(level), rules), compare(series(level), rules, [event(14.5)])
    assert whole.baselines[0].level_db == pytest.approx(0.0, abs=1.0)
    assert after.baselines[0].level_db == pytest.approx(8.0, abs=1.0)
    assert after.time_s.size == 15
    for other in (event(14.5, new_baseline=False), event(14.5, drive="D-2")):
        assert compare(series(level), rules, [other]).time_s.size == 30


def test_damage_never_becomes_usual(rules: HistorySettings) -> None:
    """A year of captures: only the first months count, and a rise among them ends the baseline."""
    level = scatter(7, 60)
    late = compare(series(level, step_s=14 * DAY_S), rules).baselines[0]
    assert late.n == 13
    level[10:] += np.arange(50) * 1.5
    rising = compare(series(level), rules).baselines[0]
    assert rising.n <= 12
    assert rising.level_db == pytest.approx(0.0, abs=1.0)
    assert "before the level rose" in rising.note
    fallen = compare(series(np.where(np.arange(20) < 7, 9.0, 0.0) + scatter(8, 20)), rules).baselines[0]
    assert fallen.level_db == pytest.approx(0.0, abs=1.0)
    assert "after the level fell" in fallen.note


def test_neighbours_that_are_alike_count_for_less(rules: HistorySettings) -> None:
    slow = 2.0 * np.sin(2 * np.pi * np.arange(20) / 13)
    alike = compare(series(slow), rules).baselines[0]
    assert alike.n_effective < 0.5 * alike.n
    assert "neighbours are correlated" in alike.note
    twin = compare(series(scatter(18, 20)), rules).baselines[0]
    assert twin.n_effective == twin.n


# ------------------------------------------------------------------------------------------- operating conditions
def test_like_is_compared_with_like(rules: HistorySettings) -> None:
    nan = np.nan
    speed = np.array([24.3, 24.5, 24.3, 12.0, 24.3, 24.3, nan])
    load = np.array([80.0, 85.0, 40.0, 80.0, nan, nan, 80.0])
    labels, found = sort_conditions(speed, load, rules.condition)
    assert labels.tolist() == [0, 0, 1, 2, 3, 3, 4]
    assert [str(c) for c in found][3:] == ["24.30 Hz, load not known", "speed not known, 80 % load"]


def test_later_captures_move_no_earlier_one(rules: HistorySettings) -> None:
    rng = np.random.default_rng(9)
    speed, load = np.full(60, 24.3), rng.uniform(20.0, 110.0, 60)
    whole = sort_conditions(speed, load, rules.condition)[0]
    assert np.array_equal(whole[:25], sort_conditions(speed[:25], load[:25], rules.condition)[0])


def test_two_loads_are_two_baselines(rules: HistorySettings) -> None:
    load = np.where(np.arange(14) % 2, 90.0, 30.0)
    found = compare(series(scatter(10, 14, 0.5) + 0.1 * load, load=load), rules)
    assert found.dependence is None
    assert [b.level_db for b in found.baselines] == pytest.approx([3.0, 9.0], abs=0.6)
    assert np.abs(found.change_db).max() < 2.5


def seasons(weeks: int) -> np.ndarray:
    return 60.0 + 30.0 * np.sin(2 * np.pi * np.arange(weeks) / 26.0) + scatter(11, weeks, 4.0)


def test_the_season_of_load_is_no_damage_and_damage_is_no_season(rules: HistorySettings) -> None:
    load = seasons(52)
    sound = scatter(12, 52) + 0.15 * load
    found = compare(series(sound, load=load), rules)
    assert found.dependence is not None
    assert found.dependence.slope[1] == pytest.approx(0.15, abs=0.03)
    quiet = trend(found.time_s, found.change_db, found.sigma_db, rules.trend)
    assert quiet.state == "steady"
    damaged = compare(series(sound + np.maximum(np.arange(52) - 30, 0) * 0.5, load=load), rules)
    grown = trend(damaged.time_s, damaged.change_db, damaged.sigma_db, rules.trend)
    assert grown.state == "growing"
    assert grown.growth_db == pytest.approx(10.0, abs=1.5)


def test_a_new_load_is_no_step_unless_nobody_knows_the_load(rules: HistorySettings) -> None:
    load = np.where(np.arange(40) < 20, 40.0, 90.0)
    level = scatter(17, 40) + 0.15 * load
    known, blind = compare(series(level, load=load), rules), compare(series(level, load=np.nan), rules)
    assert trend(known.time_s, known.change_db, known.sigma_db, rules.trend).state == "steady"
    assert trend(blind.time_s, blind.change_db, blind.sigma_db, rules.trend).state == "stepped up"


def test_a_dependence_that_growth_may_have_made_is_not_taken_out(rules: HistorySettings) -> None:
    """Load and time rise together: what is growth and what is load cannot be distinguished."""
    weeks = np.arange(30, dtype=np.float64)
    load = 40.0 + 1.5 * weeks + scatter(13, 30, 0.5)
    level = scatter(14, 30, 1.0) + 0.3 * weeks
    assert dependence_on_condition(weeks * 7 * DAY_S, level, np.full(30, 24.3), load, rules.condition) is None
    mixed = np.random.default_rng(15).permutation(load)
    assert dependence_on_condition(weeks * 7 * DAY_S, level, np.full(30, 24.3), mixed, rules.condition) is not None


def test_the_uncertainty_of_a_dependence_covers_its_error(rules: HistorySettings) -> None:
    off = []
    for seed in range(150):
        rng = np.random.default_rng([seed, *b"cover"])
        load, speed = rng.uniform(30.0, 100.0, 30), rng.uniform(20.0, 25.0, 30)
        level = rng.normal(0.0, 1.0, 30) + 0.1 * load + 40.0 * np.log(speed)
        level[rng.integers(30)] += 12.0
        found = dependence_on_condition(
            np.arange(30, dtype=np.float64) * 7 * DAY_S, level, speed, load, rules.condition
        )
        assert found is not None
        at_speed, at_load = np.array([24.5]), np.array([95.0])
        truth = 0.1 * (95.0 - found.centre[1]) + 40.0 * (np.log(24.5) - found.centre[0])
        off.append((found.shift_db(at_speed, at_load)[0] - truth) / found.sigma_db(at_speed, at_load)[0])
    assert 0.75 < np.sqrt(np.mean(np.square(off))) < 1.35


def test_what_lies_beyond_the_loads_seen_is_not_referred(rules: HistorySettings) -> None:
    load = np.append(seasons(40), 200.0)
    found = compare(series(0.1 * np.minimum(load, 100.0) + scatter(16, 41), load=load), rules)
    assert found.dependence is not None
    assert np.isnan(found.change_db[-1])
    assert found.latest is not None
    assert found.latest.note == "not enough yet: 1 of 5 captures"


def test_speeds_and_loads_move_when_their_tenths_lie_wider_apart_than_a_class(rules: HistorySettings) -> None:
    alike = rules.condition
    assert speed_moved([24.0, 24.1, 24.0 * 1.021, 24.0 * 1.03], alike)
    assert not speed_moved([24.0, 24.1, 24.2, 24.0 * 1.018], alike)
    assert load_moved([50.0, 60.0, 60.0, 75.0], alike)
    assert not load_moved([50.0, 55.0, 60.0, 64.0], alike)
    # Of two nothing is said, nor of what nobody noted; and one stray of many is no move.
    assert not speed_moved([24.0, 12.0, None], alike)
    assert not speed_moved([24.0] * 30 + [12.0], alike)


def test_the_nearest_condition_weighs_speed_and_load_by_the_width_of_a_class(rules: HistorySettings) -> None:
    here = Condition(24.0, 50.0)
    assert distance(here, here, rules.condition) == 0.0
    assert distance(Condition(24.0 * 1.05, 65.0), here, rules.condition) == pytest.approx(2.0)
    assert distance(Condition(None, 65.0), here, rules.condition) == pytest.approx(1.0)
    assert distance(Condition(24.0, None), here, rules.condition) == 0.0
