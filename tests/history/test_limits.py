"""Limits from three sources, each with its worked example."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import norm

from tests.history.history_series import default_rules, scatter, series
from vibe.history.baseline import Baseline, compare, level_db
from vibe.history.limits import Limit, Zones, change_over, iso_limits, limits, own_limits, sister_limits
from vibe.history.settings import HistorySettings

GROUP_2_RIGID = Zones(standard="ISO 10816-3:2009", bc=2.8, cd=4.5, by_analogy=False)
"""Boundaries after its Table A.2."""


@pytest.fixture(scope="module")
def rules() -> HistorySettings:
    return default_rules()


def baseline(rules: HistorySettings, level: np.ndarray) -> Baseline:
    """Of levels [dB] that are reported in mm/s."""
    return compare(series(10.0 ** (level / 20.0), unit="mm/s"), rules).baselines[0]


def by_kind(found: tuple[Limit, ...]) -> dict[str, Limit]:
    return {limit.kind: limit for limit in found}


@pytest.mark.parametrize(("usual", "alarm"), [(0.9, 1.6), (2.9, 3.5)])
def test_iso_alarm_is_baseline_plus_a_quarter_of_bc_with_a_cap(
    rules: HistorySettings, usual: float, alarm: float
) -> None:
    """ISO 10816-3:2009, 5.3 and 5.4: group 2 rigid, change of 0.7 mm/s, trip up to 1.25 times 4.5."""
    found = by_kind(iso_limits(usual, GROUP_2_RIGID, rules))
    assert found["alarm"].value == pytest.approx(alarm)
    assert ("capped" in found["alarm"].because) == (usual > 2.8)
    assert found["change"].value == pytest.approx(usual + 0.7)
    assert found["change"].low == pytest.approx(usual - 0.7)
    assert found["trip"].value == pytest.approx(5.625)


def test_without_a_baseline_iso_still_gives_alarm_and_trip(rules: HistorySettings) -> None:
    found = by_kind(limits(None, (), GROUP_2_RIGID, rules))
    assert set(found) == {"alarm", "trip"}
    assert found["alarm"].value == 2.8
    assert "until there is a baseline" in found["alarm"].because


def test_by_analogy_is_said(rules: HistorySettings) -> None:
    found = iso_limits(0.5, Zones(standard="ISO 10816-1:1995", bc=1.8, cd=4.5, by_analogy=True), rules)
    assert all(limit.by_analogy and "by analogy" in limit.because for limit in found)


def test_a_change_is_broken_upwards_and_downwards(rules: HistorySettings) -> None:
    change = by_kind(iso_limits(1.5, GROUP_2_RIGID, rules))["change"]
    assert [change.broken_by(v) for v in (0.7, 0.9, 2.1, 2.3)] == [True, False, False, True]
    alarm = by_kind(iso_limits(1.5, GROUP_2_RIGID, rules))["alarm"]
    assert not alarm.broken_by(0.1)


def test_own_limits_are_the_tolerance_interval(rules: HistorySettings) -> None:
    level = scatter(1, 10, 2.0)
    found = by_kind(own_limits(baseline(rules, level), rules))
    mean, spread = level.mean(), level.std(ddof=1)
    # k of ten values, two-sided, 95 % sure: 3.3934 for 95 %, 4.437 for 99 %.
    assert float(level_db(found["change"].value, "mm/s")) == pytest.approx(mean + 3.3934 * spread, abs=1e-3)
    assert float(level_db(found["change"].low or 0.0, "mm/s")) == pytest.approx(mean - 3.3934 * spread, abs=1e-3)
    assert float(level_db(found["alarm"].value, "mm/s")) == pytest.approx(mean + 4.4369 * spread, abs=1e-3)
    assert change_over(found["alarm"], 2.0 * found["alarm"].value, "mm/s") == pytest.approx(6.0206, abs=1e-3)
    assert own_limits(baseline(rules, level[:2]), rules) == ()


def test_sources_stand_side_by_side(rules: HistorySettings) -> None:
    sisters = [baseline(rules, scatter(seed, 8)) for seed in range(4)]
    found = limits(baseline(rules, scatter(9, 8)), sisters, GROUP_2_RIGID, rules)
    assert [(limit.source, limit.kind) for limit in found] == [
        ("ISO rules", "change"), ("ISO rules", "alarm"), ("ISO rules", "trip"),
        ("this drive", "change"), ("this drive", "alarm"),
        ("sister drives", "change"), ("sister drives", "alarm"),
    ]  # fmt: skip
    assert sister_limits(sisters[:3], rules) == ()
    assert sister_limits([*sisters[:3], baseline(rules, scatter(9, 2))], rules) == ()


@pytest.mark.parametrize(("between", "counts"), [(3.0, (10,) * 6), (1.0, (5, 20, 8, 12, 6)), (2.0, (5,) * 4)])
def test_sisters_hold_the_share_of_any_sister_they_state(
    rules: HistorySettings, between: float, counts: tuple[int, ...]
) -> None:
    """Captures of a drive never seen before, by the closed form of the normal mixture."""
    held = []
    for seed in range(80):
        rng = np.random.default_rng([seed, *b"sisters"])
        levels = [rng.normal(0.0, between) + rng.normal(0.0, 1.0, n) for n in counts]
        change = by_kind(sister_limits([baseline(rules, level) for level in levels], rules))["change"]
        total = np.hypot(between, 1.0)
        low, high = (float(level_db(v, "mm/s")) / total for v in (change.low or 1e-9, change.value))
        held.append(norm.cdf(high) - norm.cdf(low) >= 0.95)
    # 95 % are stated; Satterthwaite's degrees of freedom are an approximation that few drives strain.
    assert 0.84 < np.mean(held) < 0.99


def test_many_captures_of_few_sisters_are_no_many_sisters(rules: HistorySettings) -> None:
    few = [baseline(rules, scatter(seed, 20) + off) for seed, off in enumerate((-3.0, -1.0, 1.0, 3.0))]
    alarm = by_kind(sister_limits(few, rules))["alarm"]
    assert float(level_db(alarm.value, "mm/s")) > 14.0


@pytest.mark.parametrize(("spread_db", "kinds"), [(1.0, {"change", "alarm"}), (6.0, {"change"})])
def test_an_alarm_that_would_wait_for_an_advanced_fault_is_no_limit_yet(
    rules: HistorySettings, spread_db: float, kinds: set[str]
) -> None:
    """Six captures of 6 dB scatter: 99 % of all lie within 5.8 times that, 34 dB."""
    level = spread_db * np.array([-1.2, 0.7, 1.1, -0.6, 0.9, -0.9])
    made = baseline(rules, level)
    assert {limit.kind for limit in own_limits(made, rules)} == kinds
