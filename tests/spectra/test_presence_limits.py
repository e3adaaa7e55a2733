"""What counts as a line, as somebody's skirt, as hum and as detected, on axes made by hand."""

from __future__ import annotations

from math import log
from typing import Any

import numpy as np
import pytest

from vibe.spectra.basic.angle_law import AngleLaw
from vibe.spectra.presence.axes import AUDIBLE, IN_SKIRT, Axis, _best_of_three, _hide_hum
from vibe.spectra.presence.decoys import first_of_all, over_decoys
from vibe.spectra.presence.families import Family
from vibe.spectra.presence.gaps import gap_s
from vibe.spectra.presence.presence import LEAST_OWN, Presence, _likely_speeds, presence
from vibe.spectra.presence.strays import SortedColumns, Strays, strays_anywhere, strays_of

STEP = 0.005
"""Orders per bin."""


def axis(size: int = 4000) -> Axis:
    return Axis(rows=((np.full(size, 1.0), STEP),), audible=(0.9,))


@pytest.mark.parametrize(
    ("order", "stated"),
    [(6.0, False), (7.0, True), (12.0, True), (5 + 4 * STEP, False), (5 + 6 * STEP, True), (5 - 4 * STEP, False)],
)
def test_below_seven_orders_whole_multiples_are_any_shafts_and_so_are_their_skirts(order: float, stated: bool) -> None:
    assert bool(np.isfinite(axis().at(np.array([order]))[0])) is stated
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
    assert _best_of_three(over)[100 + bins] == pytest.approx(IN_SKIRT if skirt else height - log(2))


def test_what_a_skirt_hides_can_be_left_open() -> None:
    row, order = np.full(4000, 1.0), np.array([10.0])
    row[2000] = IN_SKIRT
    one, both = (
        Axis(rows=((row, STEP),), audible=AUDIBLE),
        Axis(rows=((row, STEP), (np.ones(4000), STEP)), audible=AUDIBLE),
    )
    assert one.at(order)[0] == 0.0
    assert np.isnan(one.at(order, hidden=np.nan)[0])
    # Another channel shows the place.
    assert both.at(order, hidden=np.nan)[0] == pytest.approx(1.0 - log(2))


ONE = np.ones((1, 1))


def strays(*lines: float) -> Strays:
    return Strays(at=np.empty(0), whole=np.empty((0, 1)), lines=np.sort(np.array(lines)), places=90)


def test_strays_are_counted_that_stand_a_third_as_high_with_half_a_one_and_ten_places_more() -> None:
    """No spectrum is free of strays (Jeffreys' prior)."""
    nowhere = np.zeros((1, 1), dtype=bool)
    found = strays(5.0, 7.5, 8.5, 13.0)
    assert found.rate(np.array([[24.0]]), nowhere, ONE)[0, 0] == pytest.approx((2 + 0.5) / (90 + 10))
    assert found.rate(np.array([[90.0]]), nowhere, ONE)[0, 0] == pytest.approx(0.5 / (90 + 10))


def test_no_stray_is_lower_than_what_noise_reaches_once_in_a_hundred() -> None:
    """-ln 0.01 = 4.6."""
    nowhere = np.zeros((1, 1), dtype=bool)
    rate = strays(3.0, 4.5, 4.7, 9.0).rate(np.array([[1.0]]), nowhere, ONE)[0, 0]
    assert rate == pytest.approx((2 + 0.5) / (90 + 10))


def test_multiples_of_the_shaft_are_counted_within_an_octave() -> None:
    """Pitch errors stand up to order 40 and no higher: a line at 20 is one of many, one at 100 is rare."""
    row = np.full(40_000, 0.5)
    row[[round(order / STEP) for order in range(7, 41)]] = 50.0
    long = Axis(rows=((row, STEP),), audible=(0.9,))
    found = strays_of(long, np.array([20.0, 100.0]), np.ones(1))
    whole = np.ones((2, 1), dtype=bool)
    low, high = found.rate(np.full((2, 1), 50.0), whole, np.array([[20.0], [100.0]]))[:, 0]
    usual = (33 + 0.5) / (122 + 10)
    # An octave about the next half octave: 12 to 45 and 46 to 130, but for the drive's own.
    assert low == pytest.approx((28 + 10 * usual) / (33 + 10))
    assert high == pytest.approx(10 * usual / (84 + 10))
    # That none is near shows no more than that none is anywhere.
    bare = strays_of(Axis(rows=((np.full(40_000, 0.5), STEP),), audible=(0.9,)), np.array([20.0]), np.ones(1))
    assert bare.rate(np.full((1, 1), 50.0), whole[:1], ONE * 20.0)[0, 0] == pytest.approx(0.5 / (123 + 10))


def test_of_many_speeds_each_has_its_own_strays() -> None:
    values = np.array([[1.0, 7e6], [5.0, 2.0], [9.0, 3.0]])
    assert SortedColumns.of(values).above(np.array([[5.0, 3.0], [0.0, 8e6]])).tolist() == [[2.0, 2.0], [3.0, 1.0]]
    assert SortedColumns.of(values[:, :1]).above(np.array([[5.0, 9.0, 10.0]])).tolist() == [[2.0, 1.0, 0.0]]


def test_strays_among_whole_multiples_are_sought_from_the_seventh_to_the_hundred_and_thirtieth() -> None:
    """Blade wheels have as many; the lower ones are the shaft's own."""
    long = Axis(rows=((np.full(40_000, 1.0), STEP),), audible=(0.9,))
    found = strays_of(long, np.array([17.5]), np.ones(1))
    assert found.whole.shape[0] == 130 - 7 + 1
    assert found.places == round((130 - 0.5) / STEP)
    assert strays_of(long, np.array([17.0 + 4 * STEP]), np.ones(1)).whole.shape[0] == 130 - 7
    assert strays_of(long, np.array([17.0 + 6 * STEP]), np.ones(1)).whole.shape[0] == 130 - 7 + 1


@pytest.mark.parametrize(
    ("log_odds", "own", "detected_there"), [(3.0, 4.7, True), (2.9, 9.0, False), (9.0, 4.5, False)]
)
def test_a_drive_is_detected_where_nineteen_in_twenty_are_and_noise_alone_would_show_it_once_in_a_hundred(
    log_odds: float, own: float, detected_there: bool
) -> None:
    one = Presence(log_odds=log_odds, own=own, better=None)
    assert one.detected is detected_there
    if own > log_odds:
        assert (one.probability > 0.95) is detected_there


@pytest.mark.parametrize(("stand", "part"), [((30.0,), 0), ((10 * 30 / 29,), 1), ((30 / 29, 60 / 29), 2)])
def test_of_a_drive_that_is_not_detected_is_said_which_of_its_lines_stand(stand: tuple[float, ...], part: int) -> None:
    row = np.full(40_000, 0.5)
    row[np.rint(np.array(stand) / STEP).astype(int)] = 12.0
    family = Family(count=30, unit=1.0, difference=1, passes=10)
    found = presence([Axis(rows=((row, STEP),), audible=AUDIBLE)], [family], 0.0, pulsed=True)
    assert found is not None
    assert not found.detected
    assert [odds > 0 for odds in found.by_part] == [number == part for number in range(3)]


def test_before_anything_is_detected_nine_in_ten_captures_are_of_their_drive() -> None:
    """The rest is shared by other drives and by machines at rest."""
    decoys = np.zeros(5)
    assert over_decoys(np.concatenate([[0.0, 0.0], decoys])) == pytest.approx(log(0.9 / 0.1))
    assert over_decoys(np.concatenate([[0.0, 0.0], decoys - 700.0])) == pytest.approx(log(0.9 / 0.05))
    assert over_decoys(np.concatenate([[0.0, 0.0], decoys + 20.0])) == pytest.approx(log(0.9 / 0.05) - 20, abs=1e-6)


@pytest.mark.parametrize(("bins", "hidden"), [(16, False), (22, True)])
def test_an_outside_comb_hides_its_lines_where_they_lie_twenty_bins_apart(bins: int, hidden: bool) -> None:
    """Five of 22 are hidden, two either side of each line; a denser one would hide the drive."""
    left = axis().without([bins * STEP])
    assert bool(np.isnan(left.rows[0][0]).any()) is hidden


def test_recorders_pass_what_lies_below_their_rate_over_two_and_a_half() -> None:
    """A spectrum reaches half the rate; 1/2.56 of it is what filters leave intact."""
    assert axis(1280).passed().rows[0][0].size == 1000


def weighed(
    monkeypatch: pytest.MonkeyPatch, spread: float, own: float = 9.0, mesh: float = 9.0
) -> tuple[Any, Any, Any]:
    """Lines of the drive and its decoys, speeds, and what is found where all say so much of it, and its mesh adds so
    much of that."""
    asked: list[tuple[Any, Any]] = []

    def evidence(axes: Any, strays: Any, shaft: Any, lines: Any, speeds: Any, rotors: Any) -> Any:
        asked.append((lines, speeds))
        found = np.full((lines.orders.shape[0], speeds.size), -50.0)
        found[0], found[1] = own, own - mesh
        return found

    monkeypatch.setattr("vibe.spectra.presence.presence.lines_evidence", evidence)
    found = presence([axis(40_000)], [Family(count=30, unit=1.0)], spread, pulsed=True)
    return asked[0][0], asked[0][1], found


def test_decoys_have_four_to_a_hundred_and_thirty_blades_but_for_the_drives_own_and_two_either_side(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    lines, _, _ = weighed(monkeypatch, 1e-5)
    assert lines.orders[2:, 0] == pytest.approx([c for c in range(4, 131) if not 28 <= c <= 32], nan_ok=True)


def test_speeds_are_tried_half_a_bin_of_the_highest_line_apart_and_at_most_six_hundred(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Its third harmonic, 90."""
    _, few, _ = weighed(monkeypatch, 1e-3)
    assert few[-1] - few[0] == pytest.approx(2e-3)
    assert float(np.diff(few).max()) * 90.0 == pytest.approx(0.5 * STEP, rel=0.05)
    _, many, _ = weighed(monkeypatch, 0.05)
    assert many.size == 600


@pytest.mark.parametrize(("mesh", "detected"), [(3.2, True), (2.8, False)])
def test_the_mesh_itself_shows_a_drive_by_twenty_to_one(
    monkeypatch: pytest.MonkeyPatch, mesh: float, detected: bool
) -> None:
    """ln 20 = 3.0."""
    _, _, found = weighed(monkeypatch, 1e-5, mesh=mesh)
    assert found.detected is detected


def test_noise_makes_the_own_mesh_the_first_of_a_hundred_once_in_a_hundred() -> None:
    others, orders = np.linspace(-1.0, 3.0, 99), np.arange(4.0, 103.0)
    assert first_of_all(3.1, others, orders, 200.0)
    assert not first_of_all(2.9, others, orders, 200.0)
    # Of those that were not measured, or are not asked for, nothing is known.
    assert not first_of_all(3.1, others, orders, 101.5)
    assert not first_of_all(3.1, others, np.where(orders == 50.0, np.nan, orders), 200.0)


@pytest.mark.parametrize(("own", "mesh", "detected"), [(3.2, 3.2, True), (2.8, 3.2, False)])
def test_a_mesh_that_is_first_of_a_hundred_needs_no_more_than_twenty_to_one(
    monkeypatch: pytest.MonkeyPatch, own: float, mesh: float, detected: bool
) -> None:
    _, _, found = weighed(monkeypatch, 1e-5, own=own, mesh=mesh)
    assert found.detected is detected
    assert found.own <= LEAST_OWN


def test_speeds_near_the_one_found_are_likelier_and_none_is_where_it_was_guessed() -> None:
    """A normal density of the stated error and an even one, half and half, over three errors either side."""
    speeds = 1.0 + np.linspace(-3e-4, 3e-4, 601)
    weights = _likely_speeds(speeds, 3e-4, False)
    assert weights.mean() == pytest.approx(1.0)
    assert weights[300] == pytest.approx(0.5 + 0.5 * 6 / np.sqrt(2 * np.pi), rel=0.01)
    assert weights[0] == pytest.approx(0.5, abs=0.02)
    assert (_likely_speeds(speeds, 3e-4, True) == 1.0).all()


def test_strays_are_counted_at_multiples_of_the_input_unless_another_shaft_is_named() -> None:
    whole = strays().are_whole(np.array([2.0, 2.5, 3.0]), 0.01)
    assert whole.tolist() == [True, False, True]


def gap(first_turn: float, turns: float, drop_db: float = 60.0) -> float:
    """Longest time [s] without the lines of a shaft at 20 Hz, which fall by so much for some turns."""
    rate, duration = 2000.0, 20.0
    time_s = np.arange(int(rate * duration)) / rate
    turned = 20.0 * time_s
    row = np.sum([np.cos(2 * np.pi * order * turned + order) for order in range(1, 7)], axis=0)
    row[(turned >= first_turn) & (turned < first_turn + turns)] *= 10 ** (-drop_db / 20)
    row += 1e-3 * np.random.default_rng(1).standard_normal(row.size)
    return gap_s([(row.astype(np.float32), rate)], AngleLaw.steady(20.0, duration), [])


@pytest.mark.parametrize(("drop_db", "missing"), [(14.0, True), (10.0, False)])
def test_lines_a_quarter_as_high_as_usual_are_missing(drop_db: float, missing: bool) -> None:
    assert bool(gap(160.0, 80.0, drop_db) > 1.0) is missing


@pytest.mark.parametrize(("turns", "seen"), [(7.0, False), (18.0, True)])
def test_lines_are_followed_in_segments_of_sixteen_turns(turns: float, seen: bool) -> None:
    """A Hann window of them shows lines an eighth of an order apart: two bins."""
    assert bool(gap(160.5 if turns < 10 else 159.0, turns) > 0.0) is seen


def tones(lasts_s: float, *, shock: bool = False, orders: tuple[float, ...] = (2.0, 5.0)) -> float:
    """The same of tones at places of the shaft's lines, each of which stands once for so long, five seconds apart."""
    rate, duration = 2000.0, 20.0
    time_s = np.arange(int(rate * duration)) / rate
    row = 0.01 * np.random.default_rng(2).standard_normal(time_s.size)
    for number, order in enumerate(orders):
        sounds = np.abs(time_s - 5.0 - 5.0 * number) < lasts_s / 2
        row += np.where(sounds, np.cos(2 * np.pi * 20.0 * order * time_s), 0.0)
    if shock:
        row[20_000:20_400] += 20.0 * np.random.default_rng(3).standard_normal(400)
    return gap_s([(row.astype(np.float32), rate)], AngleLaw.steady(20.0, duration), [])


def test_tones_that_come_and_go_are_no_drive_that_turns_all_the_time() -> None:
    assert tones(3.0) > 1.0
    # Where one stands for most of the time, something turns.
    assert tones(12.0, orders=(2.0, 2.0, 5.0)) < 1.0
    # One is anybody's, and a shock is in all of them and between them as well.
    assert tones(3.0, orders=(2.0,)) == 0.0
    assert tones(0.0, shock=True) == 0.0


@pytest.mark.parametrize(("aliases", "missing"), [((), False), ((0.5,), False), ((1 / 17,), True)])
def test_a_speed_that_goes_over_to_the_lobes_line_and_back_is_not_followed(
    aliases: tuple[float, ...], missing: bool
) -> None:
    """Of the shaft's lines the first stands next to its place all the same; one that lies half an order away is none
    to which so small a change can lead."""
    rate, duration = 2000.0, 20.0
    time_s = np.arange(int(rate * duration)) / rate
    row = np.sum([np.cos(40 * np.pi * order * time_s + order) for order in range(1, 7)], axis=0)
    row += 1e-3 * np.random.default_rng(1).standard_normal(row.size)
    law = AngleLaw(time_s=np.array([0.0, 8.0, 12.0, 20.0]), turns=np.cumsum([0.0, 160.0, 80.0 * 17 / 18, 160.0]))
    assert bool(gap_s([(row.astype(np.float32), rate)], law, [], aliases) > 1.0) is missing


def meshes(*orders: float) -> Axis:
    """An axis on which a shaft stands, and lines at ``orders``."""
    row = np.zeros(40_000)
    row[[round(order / STEP) for order in (1.0, 2.0, 3.0, *orders)]] = 80.0
    return Axis(rows=((row, STEP),), audible=AUDIBLE)


RV = [Family(count=40, unit=0.37, difference=1), Family(count=17, unit=0.97)]


@pytest.mark.parametrize(("orders", "detected"), [((14.8,), False), ((16.49,), False), ((14.8, 16.49), True)])
def test_two_meshings_of_which_neither_is_proof_are_one_together(orders: tuple[float, ...], detected: bool) -> None:
    found = presence([meshes(*orders)], RV, 1e-6)
    assert found is not None
    assert found.detected is detected


def test_a_line_that_two_meshings_share_shows_one_of_them() -> None:
    shared = [RV[0], Family(count=16, unit=14.8 / 16)]
    one, same = (presence([meshes(14.8)], families, 1e-6) for families in (RV, shared))
    assert one is not None
    assert same is not None
    assert same.own == pytest.approx(one.own, abs=0.5)
    assert not same.detected


def test_what_slow_knocks_put_on_the_mesh_is_no_mesh() -> None:
    """A row of lines every tenth of an order, as a stepping table makes, has one wherever it is looked for."""
    row = meshes(*np.arange(10.0, 60.0, 0.1).tolist())
    wheel = [Family(count=30, unit=1.0)]
    found = [presence([row], wheel, 1e-6, outside_combs=combs) for combs in ((), (0.1,))]
    assert found[0] is not None
    assert found[1] is not None
    assert found[1].own < found[0].own


def test_lines_anywhere_are_those_among_which_the_shafts_multiples_are_counted_too() -> None:
    row = np.random.default_rng(3).exponential(size=30_000)
    one = Axis(rows=((row, STEP),), audible=AUDIBLE)
    anywhere, counted = strays_anywhere(one), strays_of(one, np.array([30.0]), np.ones(1))
    np.testing.assert_array_equal(anywhere.lines, counted.lines)
    assert anywhere.places == counted.places
    # Where no place is a multiple of a shaft both say the same.
    surprise, nowhere = np.array([[5.0], [9.0]]), np.zeros((2, 1), dtype=bool)
    orders = np.array([[20.3], [40.7]])
    np.testing.assert_array_equal(anywhere.rate(surprise, nowhere, orders), counted.rate(surprise, nowhere, orders))


@pytest.mark.parametrize("outside", [(), (4.96,)])
def test_a_drive_without_a_mesh_is_neither_detected_nor_refused(outside: tuple[float, ...]) -> None:
    assert presence([axis()], [], 0.01, outside_combs=outside) is None
