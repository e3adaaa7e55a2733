from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from vibe.spectra.basic.angle_law import STEPS_PER_S, STEPS_PER_TURN, AngleLaw


def ramp(speed_hz: float, gain: float, duration_s: float, knots: int) -> AngleLaw:
    """Speed rising in a straight line by ``gain`` (relative): turns are its integral, a parabola."""
    time = np.linspace(0.0, duration_s, knots)
    return AngleLaw(time_s=time, turns=speed_hz * (time + gain * time**2 / (2 * duration_s)))


def test_a_steady_law_is_a_straight_line() -> None:
    law = AngleLaw.steady(24.5, 8.0)
    assert (law.mean_hz, law.total_turns, law.duration_s, law.drift, law.is_steady) == (24.5, 196.0, 8.0, 0.0, True)
    time = np.array([-1.0, 0.0, 3.3, 9.0])
    np.testing.assert_allclose(law.at(time), 24.5 * time)
    np.testing.assert_allclose(law.when(24.5 * time), time)


def test_between_its_knots_a_ramp_is_the_parabola_it_came_from() -> None:
    law = ramp(25.0, 0.02, 10.0, 41)
    time = np.linspace(0.0, 10.0, 1001)
    exact = 25.0 * (time + 0.02 * time**2 / 20.0)
    # A hundredth of a turn would already smear the hundredth harmonic.
    np.testing.assert_allclose(law.at(time), exact, atol=2e-4)
    assert law.total_turns == pytest.approx(252.5)
    assert law.mean_hz == pytest.approx(25.25)
    assert law.drift == pytest.approx(0.02 / 1.01, rel=0.05)


def test_beyond_its_ends_a_law_holds_its_end_speeds() -> None:
    law = ramp(25.0, 0.02, 10.0, 41)
    beyond = law.at(np.array([-0.5, -0.25, 10.0, 10.5]))
    assert beyond[1] - beyond[0] == pytest.approx(0.25 * 25.0, rel=1e-3)
    assert beyond[3] - beyond[2] == pytest.approx(0.5 * 25.5, rel=1e-3)


@settings(max_examples=60, deadline=None)
@given(
    speeds=st.lists(st.floats(0.9, 1.1), min_size=3, max_size=40),
    mean_hz=st.floats(0.2, 120.0),
    segment_s=st.floats(0.1, 5.0),
)
def test_when_is_the_inverse_of_at(speeds: list[float], mean_hz: float, segment_s: float) -> None:
    time = np.arange(len(speeds) + 1, dtype=np.float64) * segment_s
    law = AngleLaw(time_s=time, turns=np.concatenate([[0.0], np.cumsum(speeds)]) * mean_hz * segment_s)
    asked = np.linspace(0.0, time[-1], 333)
    assert np.all(np.diff(law.at(asked)) > 0)
    # In parts of a segment: the table that inverts the law has sixteen steps to each.
    np.testing.assert_allclose(law.when(law.at(asked)), asked, atol=2e-3 * segment_s)


@pytest.mark.parametrize(
    ("time", "turns"),
    [([0.0], [0.0]), ([0.0, 1.0, 1.0], [0.0, 1.0, 2.0]), ([0.0, 1.0, 2.0], [0.0, 1.0, 0.5]), ([1.0, 0.0], [0.0, 1.0])],
)
def test_a_law_that_does_not_go_forward_is_refused(time: list[float], turns: list[float]) -> None:
    with pytest.raises(ValueError, match="increasing"):
        AngleLaw(time_s=np.array(time), turns=np.array(turns))


def test_a_law_that_is_handed_on_does_not_hang_on_last_bits() -> None:
    law = ramp(25.0 / 3, 0.02, 10.0, 41)
    inside = np.concatenate([[0.0], np.full(39, 1e-13), [0.0]])
    fixed = law.rounded()
    assert np.abs(fixed.turns - law.turns).max() <= 0.5 / STEPS_PER_TURN
    assert np.abs(fixed.time_s - law.time_s).max() <= 0.5 / STEPS_PER_S
    assert fixed.duration_s == law.duration_s
    for share in (1e-12, -1e-12):
        other = AngleLaw(time_s=law.time_s + inside, turns=law.turns * (1 + share)).rounded()
        assert not np.array_equal(law.turns, law.turns * (1 + share))
        np.testing.assert_array_equal(other.turns, fixed.turns)
        np.testing.assert_array_equal(other.time_s, fixed.time_s)
    again = fixed.rounded()
    np.testing.assert_array_equal(again.turns, fixed.turns)


def test_a_law_with_knots_nearer_than_the_grid_stays_what_it_is() -> None:
    dense = AngleLaw(time_s=np.array([0.0, 1e-7, 1.0]), turns=np.array([0.0, 1e-7, 1.0]))
    assert dense.rounded() is dense
