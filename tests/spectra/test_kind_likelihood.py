"""What lines on the order axis say for a kind of machine, on axes made by hand; and the law of decoy scores."""

from __future__ import annotations

from math import exp, hypot, log, pi, sqrt

import numpy as np
import pytest
from scipy.integrate import quad

from vibe.spectra.evidence.exceedance_model import ExceedanceModel
from vibe.spectra.identity.kind_likelihood import (
    arrangement_odds,
    in_place,
    logistic,
    mesh_odds,
    second_comb,
    shaft_odds,
    standing_out,
)
from vibe.spectra.identity.order_lines import OrderLines, _peaks

BIN = 0.01
"""Orders that the captures of these cases resolve; the axis has as fine a step."""


def axis(top: float, *, odds: float = 0.0, off_bins: float | None = None, error_bins: float = 0.1) -> OrderLines:
    """Lines alike everywhere: ``odds`` for a line, and a peak that lies so far off every place (None: no peak)."""
    size = round(top / BIN) + 2
    off = np.full(size, np.nan) if off_bins is None else np.arange(size, dtype=np.float64) + off_bins
    return OrderLines(
        power=np.ones(size), odds=np.full(size, odds), peak=off, peak_error=np.full(size, error_bins), step=BIN,
        bin=BIN, mean_hz=25.0,
    )  # fmt: skip


def test_a_peak_in_its_place_is_the_line_that_belongs_there_but_for_three_in_twenty() -> None:
    """Of strays, which lie anywhere within a bin either side, the density is 1/2 a bin."""
    in_place = exp(shaft_odds(axis(1.5, off_bins=0.0)))
    assert in_place == pytest.approx(0.15 + 0.85 * 2 / (sqrt(2 * pi) * 0.1))
    assert exp(shaft_odds(axis(1.5, off_bins=0.9))) == pytest.approx(0.15)


@pytest.mark.parametrize(("first", "last", "moved"), [(13, 24, True), (25, 48, False)])
def test_the_speed_is_read_from_the_first_two_dozen_orders(first: int, last: int, moved: bool) -> None:
    lines = axis(60.0, off_bins=0.0)
    for order in range(first, last + 1):
        lines.peak[round(order / BIN)] += 0.4
    assert (in_place(lines).mean_hz != lines.mean_hz) is moved


def test_a_shaft_that_is_not_detected_is_one_in_half_a_hundred() -> None:
    assert 40 < exp(-shaft_odds(axis(1.5))) < 70


def test_the_first_sixty_lines_of_a_comb_tell() -> None:
    missing = shaft_odds(axis(200.0, odds=-0.1)) - shaft_odds(axis(200.0))
    assert missing == pytest.approx(-0.1 * 60)


def test_lines_of_a_second_comb_on_the_foot_of_the_shafts_say_nothing() -> None:
    """Of 2.02 and 4.04 orders, each moved by one order too, the first stand two bins from whole orders, the others
    four."""
    assert second_comb(axis(5.5, odds=-0.1), 2.02) == pytest.approx(-0.1 * 3)


@pytest.mark.parametrize(("harmonic", "seldom"), [(1, 0.1), (2, 0.4), (3, 0.6), (4, 0.7)])
def test_a_missing_harmonic_of_the_mesh_costs_what_sound_meshes_lack_it(harmonic: int, seldom: float) -> None:
    over = np.full(100, np.nan)
    over[18 * harmonic] = -5.0
    pattern = [[18.0 * k] for k in (1, 2, 3, 4)]
    assert exp(mesh_odds(over, pattern)) == pytest.approx(seldom)


@pytest.mark.parametrize(("over_db", "likelier"), [(30.0, True), (45.0, False), (70.0, False)])
def test_a_line_that_stands_out_is_the_meshs_up_to_a_hundredfold_amplitude(over_db: float, likelier: bool) -> None:
    over = np.full(30, np.nan)
    over[18] = over_db
    assert (mesh_odds(over, [[18.0]]) > 0) is likelier


def test_neighbouring_lines_scatter_so_that_half_lie_within_four_decibels_and_a_half() -> None:
    within = log(3) * 4.0  # The quartiles of a logistic law lie ln 3 scales off.
    assert quad(logistic, -within, within)[0] == pytest.approx(0.5)
    assert quad(logistic, -200, 200)[0] == pytest.approx(1.0)


def test_what_stands_out_is_held_against_a_dozen_neighbours_either_side() -> None:
    levels = np.zeros(80)
    levels[40] = 10.0
    assert standing_out(levels)[40] == pytest.approx(7.0)  # Noise may reach 3 dB.
    near, far = levels.copy(), levels.copy()
    near[[*range(28, 34), *range(47, 53)]] = 20.0
    far[[*range(16, 28), *range(53, 65)]] = 20.0
    assert standing_out(near)[40] == pytest.approx(-10.0)
    assert standing_out(far)[40] == pytest.approx(7.0)


def test_few_neighbours_and_the_shafts_own_first_orders_tell_nothing() -> None:
    levels = np.full(80, np.nan)
    levels[40] = 10.0
    for known, stated in ((3, False), (5, True)):
        levels[43 : 43 + known] = 0.0
        assert bool(np.isfinite(standing_out(levels)[40])) is stated
    assert list(np.isfinite(standing_out(np.zeros(20)))[:6]) == [False] * 4 + [True] * 2


def arranged(level_db: float, *, at: int | None = None) -> float:
    """Log likelihood of three equal parts where multiples of three stand 40 dB high and the others ``level_db``, or
    where only the order ``at`` does and the others are 20 dB lower as they should be."""
    orders = np.arange(60)
    levels = np.where(orders % 3 == 0, 40.0, 20.0 if at is not None else level_db)
    if at is not None:
        levels[at] = level_db
    return float(arrangement_odds(levels, (3,))[3][-1])


def test_what_equal_parts_cancel_is_left_a_tenth_in_amplitude() -> None:
    assert max((5.0, 10.0, 20.0, 30.0, 35.0), key=arranged) == 20.0


def test_only_the_first_thirty_whole_orders_are_looked_at_and_none_of_the_first_three() -> None:
    assert arranged(45.0, at=2) == arranged(45.0, at=40) == arranged(20.0)
    assert arranged(45.0, at=5) < arranged(20.0) > arranged(45.0, at=28)


def test_one_line_in_ten_is_anybodys_at_any_level_of_sixty_decibels() -> None:
    usual = log(0.9 * logistic(0.0) + 0.1 / 60)
    assert arranged(300.0, at=5) - arranged(20.0) == pytest.approx(log(0.1 / 60) - usual)


def test_a_peak_is_read_from_nine_decibels_over_the_floor_and_the_better_the_higher_it_is() -> None:
    """Of noise one place in thousands is so high (exp(-8)). At 20 dB noise leaves 0.045 of a bin, wander 0.05."""
    for power, read in ((6.0, False), (10.0, True), (100.0, True)):
        spectrum = np.array([1.0, 1.0, 1.0, power / 2, power, power / 2, 1.0, 1.0, 1.0])
        place, error = _peaks(spectrum, 1)
        assert bool(np.isfinite(place[4])) is read
        assert not read or error[4] == pytest.approx(hypot(0.45 / sqrt(power), 0.05))


def test_the_tail_is_that_of_the_highest_tenth_of_the_decoys() -> None:
    """Uniform scores with an exponential tail of mean 5 above 1: one decoy in ten lies there."""
    tail = 1.0 - 5.0 * np.log1p(-(np.arange(100) + 0.5) / 100)
    law = ExceedanceModel.of(np.concatenate([np.linspace(0, 1, 900, endpoint=False), tail]).astype(np.float32))
    assert law.scale == pytest.approx(5.0, rel=0.05)
    assert law.exceedance(law.start) == pytest.approx(0.1)
    for chance in (1e-2, 1e-4):
        assert law.exceedance(law.score_at(chance)) == pytest.approx(chance)


def test_few_decoys_promise_little() -> None:
    """The predictive law of an exponential whose mean is known as from m excesses is (1 + x / m)^-m; ten excesses are
    worth five, since neighbouring combs share lines, and what is known of the law beforehand another five."""
    decoys = np.sort(np.concatenate([np.zeros(90), 4.0 * np.arange(10)])).astype(np.float32)
    law = ExceedanceModel.of(decoys)
    assert law.exceedance(law.start + 10 * law.scale) == pytest.approx(0.1 * (1 + 10 / 10) ** -10)
