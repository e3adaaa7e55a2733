"""How wide the windows of a slipping comb are, and which lines have side lines."""

from __future__ import annotations

import numpy as np
import pytest

from tests.spectra.test_comb_scores import spectra
from vibe.spectra.evidence import line_significance as significance
from vibe.spectra.evidence.comb import Combs, CombScorer


def scorer(turns: float) -> CombScorer:
    some = spectra(np.ones((1, 2000), dtype=np.float32))
    object.__setattr__(some, "step", 1 / turns)
    object.__setattr__(some, "top_order", 2000 / turns)
    return CombScorer(some)


@pytest.mark.parametrize(("repeats", "finer"), [(600, 1), (320, 1), (250, 2), (160, 2), (120, 4), (20, 4)])
def test_slip_smears_a_line_by_a_bin_a_harmonic_after_four_hundred_repeats(repeats: int, finer: int) -> None:
    """It adds up from repeat to repeat; half as many smear half as much. Finer than a quarter is no line of 2 bins."""
    turns = 200.0
    assert scorer(turns).finer(repeats / turns) == finer


@pytest.mark.parametrize(("turns", "finer"), [(80.0, 1), (130.0, 4)])
def test_moves_of_fewer_than_a_hundred_turns_are_not_met_finer(turns: float, finer: int) -> None:
    assert scorer(turns).finer(50 / turns) == finer


@pytest.mark.parametrize(("turns", "widest"), [(25.0, 1), (50.0, 3), (100.0, 6), (400.0, 6)])
def test_in_half_of_a_hundred_turns_a_bin_is_twice_as_wide(turns: float, widest: int) -> None:
    """The twelfth line lies anywhere in six bins either side; in fewer turns in as many fewer."""
    assert scorer(turns)._width(np.array([12], dtype=np.int32), 1)[0] == widest


@pytest.mark.parametrize(("harmonic", "counted"), [(1, True), (4, True), (5, False)])
def test_side_lines_of_the_first_four_lines_are_counted(harmonic: int, counted: bool) -> None:
    power = np.ones((1, 2000), dtype=np.float32)
    for k in range(1, 9):
        power[0, 100 * k] = 12.0
    plain = spectra(power.copy())
    power[0, 100 * harmonic - 30] = power[0, 100 * harmonic + 30] = 12.0
    sided = spectra(power)
    orders = np.array([100 * plain.step])
    asked = Combs(orders=orders, mask=np.zeros(2000, dtype=bool), sidebands=(30 * plain.step,))
    without, found = (CombScorer(one).score([asked], slip=False)[0][0] for one in (plain, sided))
    assert bool(found > without + 2) is counted


@pytest.mark.parametrize("lines", [2, 3, 5, 8, 12, 20, 32])
def test_a_comb_is_joined_over_as_many_lines_as_stand(lines: int) -> None:
    power = np.full((1, 2000), 0.5, dtype=np.float32)
    power[0, 50 : 50 * lines + 1 : 50] = 9.0
    some = spectra(power)
    asked = Combs(orders=np.array([50 * some.step]), mask=np.zeros(2000, dtype=bool), max_harmonic=32)
    assert CombScorer(some).best([asked], slip=False)[0].harmonics == lines


def test_lines_are_kept_in_twentieths() -> None:
    assert significance._softened(np.array([10.0, 0.06])).tolist() == [200, 1]


def smeared(mean: float) -> int:
    """Of a window of three bins, in steps."""
    place = int(significance._places(np.array([3 * mean], dtype=np.float32))[0])
    return int(significance._tables(3)[significance._PLACES + place])


def test_a_mean_counts_no_more_above_three_hundred_times_the_floor() -> None:
    """There the tail of two independent bins, exp(-600), leaves the range of doubles."""
    assert smeared(200.0) < smeared(250.0) < smeared(290.0)
    assert smeared(320.0) == smeared(400.0) == smeared(2000.0)


def test_sums_count_up_to_seven_hundred_and_fifty() -> None:
    """Of one line the tail is exp(-x), which a double holds up to 745."""
    total = np.array([700 * 20, 745 * 20, 800 * 20], dtype=np.uint16)
    found = significance.log_tail(total, np.ones(3, dtype=np.int32))
    assert found == pytest.approx([700.0, 745.0, 749.95], rel=1e-6)
