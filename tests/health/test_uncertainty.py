from __future__ import annotations

from math import sqrt

import pytest
from hypothesis import given
from hypothesis import strategies as st

from vibe.core.records.acceptance import Contribution, Instrument, Quantity
from vibe.flow.commissioning.acceptance import load_practice
from vibe.health.acceptance.uncertainty import (
    MeasurementPractice,
    calibration,
    calibration_that_settles,
    combined,
    coverage_factor,
    decided,
    mounting,
    pooled_scatter,
    quantity,
    repeats,
    repeats_that_settle,
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


def test_scatter_is_pooled_over_figures_of_different_size() -> None:
    spread, freedom = pooled_scatter([[0.9, 1.1], [9.0, 11.0, 10.0], [5.0]])
    assert freedom == 3
    assert spread == pytest.approx(sqrt((2 * 0.1**2 + 2 * 0.1**2) / 3))
    assert pooled_scatter([[1.0], [2.0]]) == (0.0, 0.0)


def test_repeats_hold_the_averaging_already_and_are_not_counted_twice(practice: MeasurementPractice) -> None:
    own = [1.0, 1.1, 0.9]
    told = repeats(own, [own, [2.0, 2.1]], 0.5, "short", practice)
    assert [one.name for one in told] == ["repeatability"]
    assert told[0].degrees_of_freedom == 3
    alone = repeats([1.0], [[1.0]], 0.05, "short", practice)
    assert [(one.name, one.relative) for one in alone] == [("averaging", 0.05), ("repeatability", 0.04)]


@pytest.mark.parametrize(("own", "tells"), [([1.0, 1.1], False), ([1.0, 1.1, 0.9], True)])
def test_two_captures_do_not_tell_their_scatter_and_three_do(
    own: list[float], tells: bool, practice: MeasurementPractice
) -> None:
    """With one degree of freedom t is 12.7 at 95 %."""
    names = [one.name for one in repeats(own, [own], 0.05, "short", practice)]
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
