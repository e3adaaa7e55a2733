"""What counts as a line, as somebody's skirt, as hum and as heard, on axes made by hand."""

from __future__ import annotations

from math import log

import numpy as np
import pytest

from vibe.spectra.identity.presence import (
    Axis,
    Family,
    Presence,
    Strays,
    _best_of_three,
    _hide_hum,
    _over_decoys,
    strays_of,
)
from vibe.spectra.identity.similar_machine import similar_machines

STEP = 0.005
"""Orders per bin."""


def axis(size: int = 4000) -> Axis:
    return Axis(rows=((np.full(size, 1.0), STEP),), audible=(0.9,))


@pytest.mark.parametrize(
    ("order", "told"),
    [(6.0, False), (7.0, True), (12.0, True), (5 + 4 * STEP, False), (5 + 6 * STEP, True), (5 - 4 * STEP, False)],
)
def test_below_seven_orders_whole_multiples_are_any_shafts_and_so_are_their_skirts(order: float, told: bool) -> None:
    assert bool(np.isfinite(axis().at(np.array([order]))[0])) is told
    assert np.isfinite(axis().at(np.array([order]), shaft=True)[0])


def test_the_hum_of_the_mains_hides_two_bins_either_side_of_its_first_forty_multiples() -> None:
    row = np.ones(6000)
    _hide_hum(row, 1.0, [100.0])
    hidden = np.isnan(row)
    for multiple, hides in ((1, True), (40, True), (41, False)):
        around = hidden[100 * multiple - 3 : 100 * multiple + 4]
        assert list(around) == ([False, *[True] * 5, False] if hides else [False] * 7)


@pytest.mark.parametrize(("bins", "height", "skirt"), [(8, 2.0, True), (8, 4.0, False), (14, 2.0, False)])
def test_what_is_three_hundredths_of_a_line_within_ten_bins_is_its_skirt(bins: int, height: float, skirt: bool) -> None:
    over = np.zeros(200)
    over[100], over[100 + bins] = 100.0, height
    # Of three neighbours a Hann window makes two independent ones, which is paid for.
    assert _best_of_three(over)[100 + bins] == pytest.approx(0.0 if skirt else height - log(2))


def strays(*lines: float) -> Strays:
    return Strays(whole=np.empty((0, 1)), lines=np.sort(np.array(lines)), places=90)


def test_strays_are_counted_that_stand_a_third_as_high_with_half_a_one_and_ten_places_more() -> None:
    """No spectrum is free of strays (Jeffreys' prior)."""
    nowhere = np.zeros((1, 1), dtype=bool)
    found = strays(5.0, 7.5, 8.5, 13.0)
    assert found.rate(np.array([[24.0]]), nowhere)[0, 0] == pytest.approx((2 + 0.5) / (90 + 10))
    assert found.rate(np.array([[90.0]]), nowhere)[0, 0] == pytest.approx(0.5 / (90 + 10))


def test_no_stray_is_lower_than_what_noise_reaches_once_in_a_hundred() -> None:
    """-ln 0.01 = 4.6."""
    nowhere = np.zeros((1, 1), dtype=bool)
    rate = strays(3.0, 4.5, 4.7, 9.0).rate(np.array([[1.0]]), nowhere)[0, 0]
    assert rate == pytest.approx((2 + 0.5) / (90 + 10))


def test_strays_among_whole_multiples_are_sought_from_the_seventh_to_the_hundred_and_thirtieth() -> None:
    """Blade wheels have as many; the lower ones are the shaft's own."""
    long = Axis(rows=((np.full(40_000, 1.0), STEP),), audible=(0.9,))
    found = strays_of(long, np.array([17.5]), np.ones(1))
    assert found.whole.shape[0] == 130 - 7 + 1
    assert found.places == round((130 - 0.5) / STEP)
    assert strays_of(long, np.array([17.0 + 4 * STEP]), np.ones(1)).whole.shape[0] == 130 - 7
    assert strays_of(long, np.array([17.0 + 6 * STEP]), np.ones(1)).whole.shape[0] == 130 - 7 + 1


@pytest.mark.parametrize(("log_odds", "own", "heard"), [(3.0, 4.7, True), (2.9, 9.0, False), (9.0, 4.5, False)])
def test_a_drive_is_heard_where_nineteen_in_twenty_are_and_noise_alone_would_show_it_once_in_a_hundred(
    log_odds: float, own: float, heard: bool
) -> None:
    one = Presence(log_odds=log_odds, own=own, better=None)
    assert one.detected is heard
    if own > log_odds:
        assert (one.probability > 0.95) is heard


def test_before_anything_is_heard_nine_in_ten_captures_are_of_their_drive() -> None:
    """The rest is shared by other drives and by machines at rest."""
    decoys = np.zeros(5)
    assert _over_decoys(np.concatenate([[0.0, 0.0], decoys])) == pytest.approx(log(0.9 / 0.1))
    assert _over_decoys(np.concatenate([[0.0, 0.0], decoys - 700.0])) == pytest.approx(log(0.9 / 0.05))
    assert _over_decoys(np.concatenate([[0.0, 0.0], decoys + 20.0])) == pytest.approx(log(0.9 / 0.05) - 20, abs=1e-6)


@pytest.mark.parametrize(("bins", "hidden"), [(16, False), (22, True)])
def test_an_outside_comb_hides_its_lines_where_they_lie_twenty_bins_apart(bins: int, hidden: bool) -> None:
    """Five of 22 are hidden, two either side of each line; a denser one would hide the drive."""
    left = axis().without([bins * STEP])
    assert bool(np.isnan(left.rows[0][0]).any()) is hidden


def test_recorders_pass_what_lies_below_their_rate_over_two_and_a_half() -> None:
    """A spectrum reaches half the rate; 1/2.56 of it is what filters leave intact."""
    assert axis(1280).passed().rows[0][0].size == 1000


PIN_PASS = Family(count=30, unit=1.0, difference=1)


def alike_speeds(axis: Axis, family: Family) -> tuple[float, ...]:
    return tuple(one.speed for one in similar_machines(axis, family))


def beside(*speeds: float) -> tuple[float, ...]:
    """Speeds that are found where a drive's shaft and mesh stand at its own speed and at ``speeds`` too."""
    row = np.zeros(25_000)
    for speed in (1.0, *speeds):
        row[np.rint(np.array([1.0, 2.0, 3.0, 30.0, 60.0, 90.0]) * speed / STEP).astype(int)] = 30.0
    return alike_speeds(Axis(rows=((row, STEP),), audible=(0.9,)), PIN_PASS)


@pytest.mark.parametrize(("speed", "found"), [(1.02, True), (0.98, True), (1.045, False), (0.955, False)])
def test_a_like_machine_is_sought_at_the_speeds_that_motors_of_one_kind_have(speed: float, found: bool) -> None:
    """Slip differs by two or three per cent."""
    assert beside(speed) == (pytest.approx((speed,), abs=5e-4) if found else ())


def test_three_like_machines_are_named_at_most() -> None:
    assert len(beside(1.011, 1.017)) == 2
    assert len(beside(1.011, 1.017, 1.023, 0.986)) == 3


def test_a_machine_next_to_it_whose_shaft_lines_are_hidden_is_known_by_how_loud_its_meshes_are() -> None:
    """Half a per cent apart the shafts' lines run into one. Of the many lines of a spectrum some fall on any mesh, but
    none as loud as this machine's own; those that are much fainter may be its side lines, those much louder its own."""
    rng = np.random.default_rng(5)
    found = {}
    for db in (-25.0, -5.0, 5.0, 25.0):
        row = np.zeros(25_000)
        row[rng.integers(100, row.size, 1500)] = 8.0
        row[np.rint(np.array([1.0, 2.0, 3.0, 30.0, 60.0, 90.0]) / STEP).astype(int)] = 3000.0
        row[np.rint(np.array([30.0, 60.0, 90.0]) * 1.005 / STEP).astype(int)] = 3000.0 * 10 ** (db / 10)
        found[db] = alike_speeds(Axis(rows=((row, STEP),), audible=(0.9,)), PIN_PASS)
    assert found[-5.0] == found[5.0] == pytest.approx((1.005,), abs=5e-4)
    assert found[-25.0] == found[25.0] == ()


def test_side_lines_of_a_mesh_at_the_output_are_no_other_machine() -> None:
    """One turn in 29 of the output: 30 ± 1/29."""
    off = 1 + 1 / (29 * 30)
    row = np.zeros(25_000)
    row[np.rint(np.array([1.0, 2.0, 3.0, 30.0, 60.0, 90.0]) / STEP).astype(int)] = 3000.0
    row[np.rint(np.array([30.0, 60.0, 90.0]) * off / STEP).astype(int)] = 1000.0
    assert alike_speeds(Axis(rows=((row, STEP),), audible=(0.9,)), PIN_PASS) == ()


def test_lines_of_a_shaft_alone_are_no_machine_of_the_same_kind() -> None:
    """Any machine has them; that of one's own kind has the mesh too."""
    found = {}
    for meshes in ((), (30.0, 60.0)):
        row = np.zeros(25_000)
        row[np.rint(np.array([1.0, 2.0, 3.0, 30.0, 60.0, 90.0]) / STEP).astype(int)] = 3000.0
        row[np.rint(np.array([1.0, 2.0, 3.0, *meshes]) * 1.015 / STEP).astype(int)] = 1000.0
        row[round(90.0 * 1.015 / STEP)] = 6.0
        found[meshes] = alike_speeds(Axis(rows=((row, STEP),), audible=(0.9,)), PIN_PASS)
    assert found[()] == ()
    assert found[30.0, 60.0] == pytest.approx((1.015,), abs=5e-4)
