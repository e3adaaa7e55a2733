from __future__ import annotations

from math import sqrt

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from vibe.core.records.acceptance import Contribution, Instrument, Quantity
from vibe.flow.commissioning.acceptance import load_practice
from vibe.health.acceptance.several_points import widening
from vibe.health.acceptance.uncertainty import (
    MeasurementPractice,
    calibration,
    calibration_that_settles,
    combined,
    coverage_factor,
    decided,
    few_values,
    mounting,
    pooled_scatter,
    quantity,
    repeats,
    repeats_that_settle,
    risk_of_false_acceptance,
    stated,
)
from vibe.kinematics.planning.capture_plan import mounted_error


@pytest.fixture(scope="module")
def practice() -> MeasurementPractice:
    return load_practice()


def part(relative: float, dof: float | None = None, name: str = "x") -> Contribution:
    return Contribution(name=name, relative=relative, type="B", because="test", degrees_of_freedom=dof)


# JCGM 100:2008 Table G.2, from memory; any table of Student's t has them.
@pytest.mark.parametrize(
    ("coverage", "dof", "factor"),
    [(0.95, 1, 12.71), (0.95, 2, 4.30), (0.95, 5, 2.57), (0.95, 10, 2.23), (0.95, None, 1.96), (0.99, 16, 2.92),
     (0.6827, 1, 1.84), (0.9973, 10, 3.96)],
)  # fmt: skip
def test_coverage_factors_are_those_of_the_gum(coverage: float, dof: float | None, factor: float) -> None:
    assert coverage_factor(coverage, dof) == pytest.approx(factor, abs=0.005)


@given(st.floats(0.5, 0.9999), st.floats(1, 300))
def test_fewer_degrees_of_freedom_never_narrow(coverage: float, dof: float) -> None:
    assert coverage_factor(coverage, dof) >= coverage_factor(coverage, dof * 1.5) >= coverage_factor(coverage) - 1e-9


@pytest.mark.parametrize("dof", [1e3, 1e5, 1e7, 1e9])
def test_many_degrees_of_freedom_come_near_the_normal_law_as_the_expansion_of_students_says(dof: float) -> None:
    """t - z = (z³ + z) / (4 dof) + ... (Fisher 1926, from memory)."""
    z = coverage_factor(0.95)
    assert coverage_factor(0.95, dof) - z == pytest.approx((z**3 + z) / (4 * dof), rel=0.01)


def test_a_coverage_that_is_none_is_refused() -> None:
    for coverage, dof in ((1.0, 5.0), (0.0, 5.0), (0.95, 0.0)):
        with pytest.raises(ValueError, match="no factor"):
            coverage_factor(coverage, dof)


def test_the_end_gauge_of_the_gum() -> None:
    """JCGM 100:2008 H.1: u_c = 32 nm with 16 degrees of freedom, U99 = 93 nm. From memory."""
    length = 1e9  # of anything, so that nm are relative
    budget = [part(u / length, dof) for u, dof in ((25.0, 18.0), (9.7, 25.6), (2.9, 50.0), (16.6, 2.0))]
    relative, dof = combined(budget)
    assert relative * length == pytest.approx(32.0, abs=0.5)
    assert dof is not None
    assert int(dof) == 16
    found = quantity(length, "nm", budget, 0.99)
    assert found.expanded == pytest.approx(93.0, abs=1.0)


def test_certificates_come_before_common_practice(practice: MeasurementPractice) -> None:
    sensor = Instrument(what="accelerometer", calibration_uncertainty_percent=2.0)
    bare = Instrument(what="recorder")
    thermometer = Instrument(what="contact thermometer")
    assert [one.relative for one in calibration([sensor, thermometer], practice)] == [0.01]
    assert [one.relative for one in calibration([sensor, bare], practice)] == [0.01, 0.025]
    assert [one.relative for one in calibration([], practice)] == [0.025]
    assert [one.relative for one in calibration([thermometer], practice)] == [0.025]


def test_a_fixing_near_its_resonance_is_trusted_less() -> None:
    # One degree of freedom: 12.5 % at a third of the resonance, 4.2 % at a fifth (ISO 5348).
    third, fifth = (mounting(mounted_error(1 / k), 1000.0, "magnet") for k in (3, 5))
    assert third.relative == pytest.approx(0.125 / sqrt(3))
    assert fifth.relative == pytest.approx(0.0417 / sqrt(3), rel=0.01)


def named(run: str, *values: float) -> dict[str, float]:
    """Captures of a run by name."""
    return {f"{run}{k}": value for k, value in enumerate(values)}


def test_scatter_is_pooled_over_figures_of_different_size() -> None:
    spread, freedom = pooled_scatter([named("a", 0.9, 1.1), named("b", 9.0, 11.0, 10.0), named("c", 5.0)])
    assert freedom == 3
    assert spread == pytest.approx(sqrt((2 * 0.1**2 + 2 * 0.1**2) / 3) / few_values(3))
    assert pooled_scatter([named("a", 1.0), named("b", 2.0)]) == (0.0, 0.0)


# c4 of control charts for 2, 3, 4 and 10 values (ISO 7870-2, from memory; any textbook of control charts has them).
@pytest.mark.parametrize(("values", "factor"), [(2, 0.7979), (3, 0.8862), (4, 0.9213), (10, 0.9727)])
def test_a_standard_deviation_of_few_values_is_corrected_as_control_charts_do(values: int, factor: float) -> None:
    assert few_values(values - 1) == pytest.approx(factor, abs=5e-5)


@pytest.mark.parametrize("share", [0.5, 2.0, 4.0, 20.0])
def test_three_repeats_among_other_contributions_hold_as_often_as_stated(share: float) -> None:
    """Monte Carlo (JCGM 101:2008) of a figure of which three repeats are ``share`` times all else."""
    rng = np.random.default_rng(round(10 * share))
    held = 0
    for _ in range(TRIALS := 4000):
        values = [1 + 1e-3 * share * sqrt(3) * error for error in rng.standard_normal(3)]
        spread, freedom = pooled_scatter([named("a", *values)])
        found = quantity(1.0, "mm/s", [part(1e-3), part(spread / sqrt(3), freedom)], 0.95)
        assert found.expanded is not None
        held += abs(sum(values) / 3 + 1e-3 * rng.standard_normal() - 1) <= found.expanded
    assert 0.93 <= held / TRIALS <= 0.97


def test_repeats_hold_the_averaging_already_and_are_not_counted_twice(practice: MeasurementPractice) -> None:
    own = [1.0, 1.1, 0.9]
    reported = repeats(own, [named("a", *own), named("b", 2.0, 2.1)], 0.5, "short", practice)
    assert [one.name for one in reported] == ["repeatability"]
    assert reported[0].degrees_of_freedom == 3
    alone = repeats([1.0], [named("a", 1.0)], 0.05, "short", practice)
    assert [(one.name, one.relative) for one in alone] == [("averaging", 0.05), ("repeatability", 0.04)]


@pytest.mark.parametrize(("own", "tells"), [([1.0, 1.1], False), ([1.0, 1.1, 0.9], True)])
def test_two_captures_do_not_tell_their_scatter_and_three_do(
    own: list[float], tells: bool, practice: MeasurementPractice
) -> None:
    """With one degree of freedom t is 12.7 at 95 %."""
    names = [one.name for one in repeats(own, [named("a", *own)], 0.05, "short", practice)]
    assert names == (["repeatability"] if tells else ["averaging", "repeatability"])


def measured(value: float, expanded: float) -> Quantity:
    return Quantity(value=value, unit="mm/s", standard_uncertainty=expanded / 2, expanded=expanded, coverage=0.95)


@pytest.mark.parametrize(
    ("value", "guarded", "simple"),
    [(0.79, "pass", "pass"), (0.8, "pass", "pass"), (0.81, "undetermined", "pass"), (1.0, "undetermined", "pass"),
     (1.01, "undetermined", "fail"), (1.19, "undetermined", "fail"), (1.21, "fail", "fail")],
)  # fmt: skip
def test_decision_rules(value: float, guarded: str, simple: str) -> None:
    """Limit 1, U = 0.2. JCGM 106:2012: w = U inside the limit, or the limit itself."""
    found = measured(value, 0.2)
    assert decided(found, 1.0, "guarded acceptance") == (guarded, 0.8)
    assert decided(found, 1.0, "simple acceptance") == (simple, 1.0)


@given(st.floats(0.01, 10), st.floats(0, 5), st.floats(0.01, 10))
def test_nothing_passes_guarded_that_fails_simply(value: float, expanded: float, limit: float) -> None:
    found = measured(value, expanded)
    if decided(found, limit, "guarded acceptance")[0] == "pass":
        assert decided(found, limit, "simple acceptance")[0] == "pass"


def test_repeats_settle_what_chance_left_open() -> None:
    budget = [part(0.01, name="calibration"), part(0.03, 4.0, name="repeatability")]
    found = quantity(0.95, "mm/s", budget, 0.95)
    assert decided(found, 1.0, "guarded acceptance")[0] == "undetermined"
    count = repeats_that_settle(found, 1.0, 3, 30)
    assert count is not None
    assert 3 < count < 15
    # Taking so many does settle it: the same scatter, divided by the root of the number.
    after = [part(0.01), part(0.03 * sqrt(3 / count), 4.0 + count - 1)]
    assert decided(quantity(0.95, "mm/s", after, 0.95), 1.0, "guarded acceptance")[0] == "pass"


def test_where_calibration_rules_a_better_one_is_asked_for() -> None:
    budget = [part(0.025, name="calibration"), part(0.005, 8.0, name="repeatability")]
    found = quantity(0.97, "mm/s", budget, 0.95)
    assert repeats_that_settle(found, 1.0, 3, 30) is None
    percent = calibration_that_settles(found, 1.0)
    assert percent is not None
    better = [part(percent / 200 * 0.99), part(0.005, 8.0)]
    assert decided(quantity(0.97, "mm/s", better, 0.95), 1.0, "guarded acceptance")[0] == "pass"
    assert calibration_that_settles(quantity(0.9999, "mm/s", budget, 0.95), 1.0) is None


@pytest.mark.parametrize("correlation", [0.0, 0.5, 0.9])
@pytest.mark.parametrize("count", [2, 3, 8])
def test_the_highest_of_several_is_held_as_often_as_stated(count: int, correlation: float) -> None:
    """Monte Carlo (JCGM 101:2008): the largest of some normal errors, any two correlated alike."""
    rng = np.random.default_rng([count, round(10 * correlation)])
    errors = sqrt(correlation) * rng.standard_normal((40_000, 1))
    errors = errors + sqrt(1 - correlation) * rng.standard_normal((40_000, count))
    half_width = coverage_factor(0.95) * widening(0.95, count, correlation)
    assert np.mean(np.abs(errors.max(axis=1)) <= half_width) == pytest.approx(0.95, abs=0.004)
    # One by itself would not do where they are many and their own.
    assert correlation > 0 or np.mean(errors.max(axis=1) <= coverage_factor(0.95)) < 0.956


@pytest.mark.parametrize("count", [3, 8])
def test_the_highest_of_several_gains_is_held_as_often_as_stated(count: int) -> None:
    """As before, of errors that are gains of 6 %, as all of a certificate are: U grows with what was read."""
    rng = np.random.default_rng(count)
    read = 1 + 0.06 * rng.standard_normal((40_000, count)).max(axis=1)
    u = 0.06 * coverage_factor(0.95)
    assert np.mean(np.abs(read - 1) <= u * widening(0.95, count, 0.0, 0.06) * read) == pytest.approx(0.95, abs=0.012)
    assert np.mean(np.abs(read - 1) <= u * widening(0.95, count, 0.0) * read) > 0.97


def test_a_whole_budget_holds_what_drawing_all_its_distributions_gives(practice: MeasurementPractice) -> None:
    """Monte Carlo (JCGM 101:2008) against the law of propagation: normal, rectangular, U-shaped, and one of few degrees
    of freedom, whose standard uncertainty is itself drawn from what was known of it."""
    rng = np.random.default_rng(4)
    budget = [part(0.011), *stated((), practice, "A")]
    trials = 60_000
    error, held_by = np.zeros(trials), {}
    for one in budget:
        if one.distribution == "rectangular":
            drawn = rng.uniform(-1, 1, trials) * sqrt(3)
        elif one.distribution == "U-shaped":
            drawn = sqrt(2) * np.cos(2 * np.pi * rng.uniform(size=trials))
        else:
            dof = one.degrees_of_freedom
            drawn = rng.standard_normal(trials) if dof is None else rng.standard_t(dof, trials)
        error += one.relative * drawn
        held_by[one.name] = one.distribution
    assert set(held_by.values()) == {"normal", "rectangular", "U-shaped"}
    found = quantity(1.0, "mm/s", budget, 0.95)
    assert found.expanded is not None
    assert np.mean(np.abs(error) <= found.expanded) == pytest.approx(0.95, abs=0.01)
    # Each by itself left out would not do.
    less = quantity(1.0, "mm/s", [one for one in budget if one.name not in ("session", "frequency response")], 0.95)
    assert less.expanded is not None
    assert np.mean(np.abs(error) <= less.expanded) < 0.9


@given(st.floats(0.1, 3.0), st.floats(0.001, 0.2), st.floats(1, 50))
def test_the_risk_at_the_acceptance_limit_is_half_of_what_the_interval_leaves(
    value: float, relative: float, dof: float
) -> None:
    """JCGM 106:2012, 8.3.2: with a guard band of U at 95 % it is 2.5 % at most."""
    found = quantity(value, "mm/s", [part(relative, dof)], 0.95)
    assert found.expanded is not None
    assert risk_of_false_acceptance(found, value + found.expanded) == pytest.approx(0.025, abs=1e-6)
    assert risk_of_false_acceptance(found, value) == pytest.approx(0.5)
