"""Numbers of baselines, growth and populations: derived, or met from both sides."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from scipy.stats import expon, gamma, norm

from vibe.core.comb_history import HARMONICS, PLACES, SIDE_LINES_OF
from vibe.history import trace_growth, trend
from vibe.history.operating_condition import HUBER
from vibe.history.population import comparison
from vibe.history.running_hours import _failures
from vibe.history.statistics import slope
from vibe.history.statistics.autocorrelation import effective_count
from vibe.history.statistics.outliers import tail_outliers
from vibe.history.trace_growth import changes, surprise

RNG = np.random.default_rng(7)


def test_residuals_lose_weight_where_that_costs_a_twentieth_in_normal_noise() -> None:
    """Asymptotic efficiency of Huber's estimate of a place: (P(|x| < k))² over the variance of the clipped residual."""
    inside = 2 * norm.cdf(HUBER) - 1
    clipped = inside - 2 * HUBER * norm.pdf(HUBER) + 2 * HUBER**2 * norm.sf(HUBER)
    assert inside**2 / clipped == pytest.approx(0.95, abs=2e-3)


@pytest.mark.parametrize(("hours", "failures"), [(20, 1), (30, 2)])
def test_events_of_one_day_are_one_failure(hours: int, failures: int) -> None:
    first = datetime(2026, 1, 5, 8, tzinfo=UTC)
    events: list[Any] = [
        SimpleNamespace(kind="repair", at=first), SimpleNamespace(kind="repair", at=first + timedelta(hours=hours)),
    ]  # fmt: skip
    assert len(_failures(events, first.timestamp() - 1.0, {"repair"})) == failures


def test_however_alike_captures_are_their_mean_is_worth_three() -> None:
    """Else they would have no scatter."""
    assert effective_count(40, 0.95) == pytest.approx(3.0)
    assert effective_count(40, 0.8) == pytest.approx(40 * 0.2 / 1.8)


def test_the_farthest_fifth_of_each_side_is_its_tail() -> None:
    """Of a hundred values of an exponential law a fifth lies beyond its quantile; a value among the others is none of
    them however the tail is. Chance by hand: of a hundred, one so far off."""
    value = expon.ppf((np.arange(100) + 0.5) / 100)
    value[-1] = 30.0
    found = tail_outliers(value, 0.9, 3)
    high = np.quantile(value, 0.8)
    excess = value[value > high] - high
    mean, worth = np.median(excess) / np.log(2.0), 0.5 * excess.size
    assert excess.size == 20
    assert found.chance[0] == pytest.approx(100 * 0.2 * (1 + (30.0 - high) / (worth * mean)) ** -worth)


@pytest.mark.parametrize(("drives", "tested"), [(14, False), (28, True)])
def test_of_fewer_than_twenty_drives_no_shape_is_tested(drives: int, tested: bool) -> None:
    lopsided = np.exp(2.0 * norm.ppf((np.arange(drives) + 0.5) / drives))
    assert (comparison._normality(lopsided) < 0.05) is tested


@pytest.mark.parametrize(("captures", "asked"), [(6, False), (8, True)])
def test_growth_quickens_where_either_half_has_an_interval(captures: int, asked: bool) -> None:
    """Of three captures no interval of nine in ten can be had, of four it can."""
    time_s = np.array([30 * 86400.0 * k for k in range(captures)], dtype=np.float64)
    rise = [0.0] * (captures // 2) + [9.0 * k for k in range(1, captures - captures // 2 + 1)]
    level = np.array(rise, dtype=np.float64)
    level += 0.01 * RNG.standard_normal(captures)
    three, four = (slope.robust_slope(time_s[:count], level[:count], 0.9) for count in (3, 4))
    assert three is not None
    assert four is not None
    assert np.isinf(three.high)
    assert np.isfinite(four.high)
    assert trend._quickens(time_s, level) is asked


def test_no_handful_of_captures_supports_a_chance_below_one_in_a_thousand_million() -> None:
    before = 20.0 + RNG.standard_normal((8, 6))
    assert surprise(np.full(6, 2000.0), before).tolist() == pytest.approx([1e-9] * 6)


def test_what_all_rows_have_in_common_is_worth_eight_values_and_an_ideal_score_scatters_as_gumbels_law() -> None:
    """Worked by hand: two rows of nine scores, one that scatters three times as widely as the other."""
    steps = np.linspace(-1, 1, 9)
    before = np.stack([50 + 6.0 * steps, 50 + 2.0 * steps], axis=1)
    variance = before.var(axis=0, ddof=1)
    common = max(float(np.median(variance)), np.pi**2 / 6)
    pooled = (8 * common + 8 * variance) / 16
    scale = np.sqrt(pooled * (1 + 1 / 9) / (np.pi**2 / 6))
    expected = -np.expm1(-np.exp(-((60.0 - 50.0) / scale + np.euler_gamma)))
    assert surprise(np.full(2, 60.0), before) == pytest.approx(expected)
    # Where scores hardly scatter the law's own variance, pi² / 6, is left.
    even = np.tile(50 + 0.01 * steps, (2, 1)).T
    still = (8 * np.pi**2 / 6 + 8 * even.var(axis=0, ddof=1)) / 16
    still_scale = np.sqrt(still * (1 + 1 / 9) / (np.pi**2 / 6))
    assert surprise(np.full(2, 53.0), even) == pytest.approx(-np.expm1(-np.exp(-(3.0 / still_scale + np.euler_gamma))))


@pytest.mark.parametrize(("rows", "taken"), [(5, False), (8, True)])
def test_five_other_rows_show_what_all_have_in_common(rows: int, taken: bool) -> None:
    change = np.full((1, rows, 1), 6.0)
    change += 0.1 * np.arange(rows)[None, :, None]
    assert bool((trace_growth._common(change) > 3).all()) is taken


def test_a_line_that_noise_makes_once_in_a_thousand_is_a_sound_parts() -> None:
    """Of the mean of eight exponential values."""
    assert gamma.sf(2.5 * 8, 8) == pytest.approx(1e-3, rel=0.3)
    powers = np.ones((9, 1, 2))
    powers[1:, :, 0], powers[1:, :, 1] = 2.2, 2.9
    powers[0] = 29.0
    over = trace_growth._over_usual(powers)[0, 0]
    assert over[0] == pytest.approx(29.0)
    assert over[1] == pytest.approx(10.0)


def test_freedom_that_a_pool_lends_ends_at_two_hundred() -> None:
    """Student's t of two hundred is the normal law to a hundredth at three deviations; more say nothing."""
    _, freedom = trace_growth._moderated(np.full((6, 4), 2.0), 7)
    assert freedom == pytest.approx(207.0, abs=20)


def test_growth_is_looked_for_in_three_lines_in_eight_in_all_and_in_side_lines() -> None:
    """A broad impact has few lines, a sharp one many: what grows at as many is found, at others it is thinned out."""
    assert [len(places) for places in trace_growth.COUNTED] == [3, 8, HARMONICS, PLACES - HARMONICS + SIDE_LINES_OF]
    before = [RNG.exponential(1.0, (8, 2, PLACES)) + 8.0 for _ in range(8)]
    now = RNG.exponential(1.0, (8, 2, PLACES)) + 8.0
    now[0, 0, :3] *= 40.0
    found = changes(now, before, [-1] * 8)
    assert found.chance[0] < 1e-3 < found.chance[1:].min()


@pytest.mark.parametrize(("drives", "said"), [(90, True), (110, False)])
def test_of_fewer_than_a_hundred_drives_a_lopsided_figure_can_pass_for_normal(
    monkeypatch: pytest.MonkeyPatch, drives: int, said: bool
) -> None:
    part: Any = SimpleNamespace(chance=0.0, spreads=0.0, serial="a")
    figure: Any = SimpleNamespace(outliers=1, drift=SimpleNamespace(state="steady"), figure="f")
    monkeypatch.setattr(comparison, "_figure", lambda *_: (figure, [part]))
    monkeypatch.setattr(comparison, "Population", lambda **given: given)
    rows = {"f": (list(range(drives)), [1.0] * drives)}
    gathered: Any = SimpleNamespace(
        serial=["s"] * drives, replaced=(), ratio=[""] * drives, file=["f"] * drives, time_s=[0.0] * drives, rows=rows,
        too_many=0,
    )  # fmt: skip
    settings: Any = SimpleNamespace(fewest=5, false_alarm_rate=0.01, content=0.9, confidence=0.95)
    rules: Any = None
    found: Any = comparison.population(gathered, settings, rules, title="t", software="vibe")
    assert any("lopsided" in one for one in found["remarks"]) is said
