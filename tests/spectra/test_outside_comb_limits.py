"""What makes a comb another machine's, number by number: each limit is met from both sides."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from tests.spectra.test_comb_scores import spectra
from vibe.core.outside_combs import OutsideComb
from vibe.spectra.evidence.comb import Best, CombRequest, CombScorer
from vibe.spectra.evidence.decoy_null import DecoyNull, Families
from vibe.spectra.outside import search as searching
from vibe.spectra.outside.comb_lines import below_db, first_stand, standing, stands_halfway
from vibe.spectra.outside.fundamental import fundamental, sides_nearer
from vibe.spectra.outside.owned_bins import own_bins, side_bins, sides_of_own_lines
from vibe.spectra.outside.owners import reading_of
from vibe.spectra.outside.search import _Search, find_outside_combs
from vibe.spectra.outside.slow_turns import lines_per_turn, whole_per_turn

Row = NDArray[np.float32]
SIZE = 4000
NOBODYS = np.zeros(SIZE, dtype=bool)
STEP = 0.01


def row(bins: Iterable[int], height: float = 50.0, size: int = SIZE) -> Row:
    power = np.full(size, 0.5, dtype=np.float32)
    power[[one for one in bins if 0 < one < size]] = height
    return power


def search(power: Row, *, step: float = STEP, requests: Sequence[CombRequest] = (), turns: Sequence[float] = ()) -> Any:
    some = spectra(power[None])
    object.__setattr__(some, "step", step)
    object.__setattr__(some, "top_order", power.size * step)
    null = DecoyNull(CombScorer(some), requests, Families(benign=()), np.zeros(power.size, dtype=bool))
    return _Search(some, [], null, tuple(turns))


@pytest.mark.parametrize(("step", "lowest"), [(0.0005, 0.02), (0.01, 0.12)])
def test_slow_chains_are_looked_for_from_a_fiftieth_order_and_a_dozen_repeats(step: float, lowest: float) -> None:
    assert search(row([]), step=step).lowest == pytest.approx(lowest, rel=0.3)


@pytest.mark.parametrize(("score", "looks"), [(40.0, 0), (50.0, 5)])
def test_five_looks_at_what_no_sound_drive_shows(score: float, looks: int) -> None:
    """Of sound drives the best of all orders reaches 20 to 40. The highest order is a gear mesh's."""
    one, seen = search(row([], size=9000)), []

    def best(wanted: Any, *, slip: bool) -> list[Best]:
        seen.append(wanted[0].orders)
        return [Best(order=1.0, score=score, group=0, harmonics=3)]

    calls = []
    one.whole.scorer.best = best
    one._explained = lambda *values: calls.append(values)
    found, _ = one.run()
    assert len(calls) == looks
    assert found == []
    assert seen[0][-1] == pytest.approx(30.0, abs=1.0)


def test_three_machines_are_named() -> None:
    one = search(row([]))
    one.whole.scorer.best = lambda wanted, *, slip: [Best(order=1.0, score=90.0, group=0, harmonics=3)]
    one._explained = lambda *values: "a machine"
    assert len(one.run()[0]) == 3


def test_the_slowest_of_a_dozen_parts_of_an_order_is_the_fundamental() -> None:
    def base(times: int) -> float:
        slow = 40
        power = row(range(slow, SIZE, slow))
        none: Any = lambda fast, slow: NOBODYS  # noqa: E731
        return fundamental(power, STEP, times * slow * STEP, NOBODYS, 0.05, lambda *_: 8.0, none) / STEP

    assert base(12) == pytest.approx(40, rel=1e-3)
    assert base(14) > 60


def gives_way(stand: Sequence[int], times: int = 2) -> bool:
    """Whether an order whose own lines stand gives way to one ``times`` slower of which these lines stand."""
    slow = 130
    power = row([*range(times * slow, SIZE, times * slow), *(slow * one for one in stand)])
    none: Any = lambda fast, slow: NOBODYS  # noqa: E731
    found = fundamental(power, STEP, times * slow * STEP, NOBODYS, 0.05, lambda *_: 8.0, none)
    return bool(abs(found / STEP - slow) < 2)


def test_six_in_ten_lines_between_stand_where_a_slower_order_is_the_fundamental() -> None:
    """Of the first ten lines of both; the first two or three between may be somebody else's."""
    assert gives_way([1, 3, 5, 7])
    assert gives_way([1, 3, 5])
    assert not gives_way([1, 3])
    # Of a third of it: 1, 2, 4, 5, 7, 8, 10.
    assert not gives_way([1, 2, 4], 3)


@pytest.mark.parametrize(("stand", "first"), [((1, 2, 4, 6), True), ((1, 2, 4), False), ((1, 2, 4, 7, 8), False)])
def test_four_of_the_first_six_lines_stand(stand: Sequence[int], first: bool) -> None:
    assert first_stand(row(100 * k for k in stand), STEP, 100 * STEP, NOBODYS) is first


def test_another_machines_speed_varies_by_three_deviations_of_a_loaded_motors() -> None:
    """Three times 5e-4 of its 80th line, 8000 bins up: twelve bins more than of its first."""
    some = spectra(np.full((1, 12_000), 0.5, dtype=np.float32))
    object.__setattr__(some, "step", STEP)
    request = CombRequest(name="a", order=100 * STEP)
    mask = own_bins(some, reading_of(request, 100 * STEP, 0), ())
    first, eightieth = (int(mask[middle - 40 : middle + 41].sum()) for middle in (100, 8000))
    assert (eightieth - first) / 2 == pytest.approx(3 * 5e-4 * 8000, abs=1.5)


@pytest.mark.parametrize(("bins", "whole"), [(2.0, True), (3.2, False), (-2.0, True), (-3.2, False)])
def test_two_and_a_half_bins_of_the_highest_line_are_a_whole_number_per_turn(bins: float, whole: bool) -> None:
    turn = 0.5
    found = whole_per_turn(20 * turn + bins * STEP / 8, 8, STEP, [turn])
    assert found == ((20, turn) if whole else None)


@pytest.mark.parametrize(("turn_bins", "says"), [(24, True), (16, False)])
def test_where_a_quarter_of_all_orders_would_fit_a_whole_number_says_nothing(turn_bins: int, says: bool) -> None:
    """Two and a half bins either side of every multiple."""
    turn = turn_bins * STEP
    assert (whole_per_turn(20 * turn, 1, STEP, [turn]) is not None) is says


@pytest.mark.parametrize(("room", "distinguished"), [(3, False), (5, True)])
def test_lines_per_turn_are_distinguished_from_four_bins_on(room: int, distinguished: bool) -> None:
    power = row(room * number for number in range(1, 400))
    assert (lines_per_turn(power, STEP, (20, room * STEP), NOBODYS) > 0) is distinguished


@pytest.mark.parametrize(("stand", "alike"), [(8, False), (4, True)])
def test_teeth_differ_where_three_in_ten_lines_between_stand(stand: int, alike: bool) -> None:
    """Of the nineteen before the twentieth, which is the teeth's own."""
    power = row([40 * number for number in range(1, stand + 1)] + [800])
    assert (lines_per_turn(power, STEP, (20, 40 * STEP), NOBODYS) == 0) is alike


@pytest.mark.parametrize(("stand", "lines"), [(4, 8), (8, 8)])
def test_of_a_shaft_of_few_teeth_eight_lines_are_looked_at_together(stand: int, lines: int) -> None:
    power = row(40 * number for number in range(1, stand + 1))
    assert lines_per_turn(power, STEP, (3, 40 * STEP), NOBODYS) == lines


@pytest.mark.parametrize(("over_db", "named"), [(4.0, True), (2.0, False)])
def test_the_number_of_teeth_is_known_where_their_lines_are_twice_as_strong(over_db: float, named: bool) -> None:
    power = row((40 * number for number in range(1, 99)), 20.0)
    for k in (1, 2, 3):
        power[7 * 40 * k] = 20.0 * 10 ** (over_db / 10)
    assert search(power)._strongest_count(power, 40 * STEP, 5) == (7 if named else 5)


@pytest.mark.parametrize(("over_db", "stands"), [(4.0, True), (2.0, False)])
def test_an_exact_line_stands_out_where_it_is_twice_as_strong_as_those_a_turn_away(
    over_db: float, stands: bool
) -> None:
    power = row([940, 1060], 20.0)
    power[1000] = 20.0 * 10 ** (over_db / 10)
    assert search(power, turns=[60 * STEP])._stands_out(power, 1000 * STEP, exact=True) is stands


def sides(
    harmonics: Sequence[int], spacing: int = 23, *, hidden: Sequence[int] = (), drop: int = 0
) -> NDArray[np.bool_]:
    """Bins of side lines of a comb of 200 bins whose lines have them at some harmonics, but for ``drop`` of them."""
    places = [200 * k + sign * spacing for k in harmonics for sign in (-1, 1)]
    power, mask = row(places[: len(places) - drop]), NOBODYS.copy()
    for harmonic in hidden:
        mask[200 * harmonic - 60 : 200 * harmonic + 61] = True
    return side_bins(power, STEP, 200 * STEP, mask, turns=True)


def test_side_lines_belong_to_a_comb_where_seven_in_ten_stand_at_its_first_six_lines() -> None:
    six = range(1, 7)
    assert sides(six).any()
    assert sides(six, drop=3).any()
    assert not sides(six, drop=4).any()
    assert not sides(range(1, 4)).any()
    # Six of them must be free.
    assert sides(six, hidden=(4, 5, 6)).any()
    assert not sides(six, hidden=(3, 4, 5, 6)).any()


def test_three_side_lines_either_side_are_its_own() -> None:
    found = sides(range(1, 7))
    near = [bool(found[1000 + 23 * number - 3 : 1004 + 23 * number].any()) for number in range(-5, 6)]
    assert near == [0 < abs(number) <= 3 for number in range(-5, 6)]


@pytest.mark.parametrize(
    ("below_db", "turn", "standing", "its_own"),
    [(8.0, 6, 4, True), (4.0, 6, 4, False), (8.0, 3, 4, False), (8.0, 6, 6, False)],
)
def test_side_lines_at_a_slow_turn_go_with_a_sound_machines_line(
    below_db: float, turn: int, standing: int, its_own: bool
) -> None:
    """Where they stand, lie six decibels below it or more, four bins apart, and fall off: what strikes once a turn
    fills all of it."""
    power = row([170, 340], 1000.0)
    sides_at = [
        170 * k + sign * number * turn for k in (1, 2, 3) for number in range(1, standing + 1) for sign in (-1, 1)
    ]
    power[sides_at] = 1000.0 / 10 ** (below_db / 10)
    owned = sides_of_own_lines(replace(spectra(power[None]), step=STEP), [(1.7, 40)], [turn * STEP])
    # Three either side of each of the two lines, and none next to the third, which does not stand.
    of_these = {170 * k + sign * number * turn for k in (1, 2) for number in (1, 2, 3) for sign in (-1, 1)}
    assert set(np.flatnonzero(owned)) == (of_these if its_own else set())


@pytest.mark.parametrize(("apart", "its_own"), [(0.005, True), (0.035, True), (0.05, False)])
def test_a_comb_near_a_races_window_may_still_be_its_own(apart: float, its_own: bool) -> None:
    """Four per cent farther: a race that slips so far is rare, another machine just there rarer."""
    race = CombRequest(name="race", order=3.6, slip=(-0.02, 0.01))
    one = search(row([]), requests=[race])
    assert (one.owner_near(3.6 * 1.01 * (1 + apart)) is race) is its_own


@pytest.mark.parametrize(("turn", "near"), [(1.015, True), (1.03, False)])
def test_a_rotor_within_two_per_cent_of_a_shaft_may_be_its_side_lines(turn: float, near: bool) -> None:
    """Lines where a race's side lines at the shaft's turn lie, not at multiples of the rotor."""
    order, rotor = 4.0, 1.0
    places = [order * k + number * turn for k in (1, 2, 3) for number in (-1, 1)]
    power = row(round(place / STEP) for place in places)
    assert sides_nearer(power, STEP, order, rotor, NOBODYS, [turn]) is near


def found_in(
    power: Row, requests: Sequence[CombRequest] = (), deep: float = 1.0, families: Families | None = None
) -> tuple[OutsideComb, ...]:
    some = spectra(power[None])
    object.__setattr__(some, "step", STEP)
    object.__setattr__(some, "top_order", power.size * STEP)
    some = replace(
        some, squared=(deep * power[None] / 4000).astype(np.float32), floor=np.full_like(power[None], deep / 4000)
    )
    bands: Any = [SimpleNamespace(band_rms=np.ones(1), channel="p1")]
    return find_outside_combs(some, bands, requests, families or Families(benign=()))[0]


def strong(order: int, *, half_db: float = -90.0, last: int = SIZE) -> Row:
    """A comb of 20 dB lines, and those half way between so much lower."""
    power = row([], size=SIZE)
    power[order // 2 : last : order] = max(0.5, 100.0 * 10 ** (half_db / 10))
    power[order:last:order] = 100.0
    return power


def test_no_capture_supports_a_smaller_chance_than_one_in_half_a_thousand_million() -> None:
    (found,) = found_in(strong(360))
    assert found.order == pytest.approx(3.6, rel=1e-3)
    assert found.evidence.false_alarm_probability == pytest.approx(np.exp(-20), rel=0.05)
    assert len(found.taken) == pytest.approx(40, abs=5)


@pytest.mark.parametrize("order", [0.6, 3.6])
def test_what_innocent_parts_make_is_not_outside_but_what_a_declared_machine_makes_is(order: float) -> None:
    power, innocent = strong(round(order / STEP)), Families(benign=((order, 40),))
    assert found_in(power, families=innocent) == ()
    (found,) = found_in(power, families=replace(innocent, declared=(order,)))
    assert found.order == pytest.approx(order, rel=2e-3)


@pytest.mark.parametrize(("half_db", "order"), [(-6.0, 1.8), (-10.0, 3.6)])
def test_lines_that_only_a_slower_order_makes_may_be_eight_decibels_weaker(half_db: float, order: float) -> None:
    assert [one.order for one in found_in(strong(360, half_db=half_db))] == [pytest.approx(order, rel=2e-3)]


def test_next_to_a_parts_own_order_they_must_be_half_as_strong(monkeypatch: pytest.MonkeyPatch) -> None:
    """Of a race whose impacts alternate they are weaker."""
    race = CombRequest(name="race", order=3.6, slip=(-0.02, 0.01))
    asked: list[Any] = []

    def fundamental(power: Row, step: float, order: float, mask: Any, lowest: float, drop_db: Any, *more: Any) -> float:
        asked.append(drop_db(3.6, 1.8))
        return order

    monkeypatch.setattr(searching, "fundamental", fundamental)
    found_in(strong(360), [race])
    assert asked[0] == pytest.approx(10 * np.log10(2), rel=0.2)


def joints(order: int, apart: float, *, count: int = 30) -> Row:
    """What strikes twice in each repeat of ``order`` bins, so far ``apart``: lines 24 dB high where both agree."""
    power = row([])
    for k in range(1, count):
        power[k * order] = max(0.5, 250.0 * abs(1 + np.exp(2j * np.pi * k * apart)) ** 2 / 4)
    return power


@pytest.mark.parametrize(("apart", "order"), [(0.42, 1.2), (0.5, 2.4), (0.495, 2.4)])
def test_what_strikes_twice_at_nearly_opposite_places_is_no_element_that_spins_so(apart: float, order: float) -> None:
    """Its even lines are the higher ones to begin with, the odd ones further on. Nothing of an element repeats every
    other spin."""
    element = CombRequest(name="element", order=2.42, slip=(-0.02, 0.01), carriers=(1, 2), sidebands=(0.4,))
    found = found_in(joints(120, apart), [element])
    assert [one.order for one in found] == ([pytest.approx(1.2, rel=2e-3)] if order == 1.2 else [])


@pytest.mark.parametrize(
    ("odd_db", "stand", "everywhere", "halfway"),
    [
        (-2.0, 12, 0.5, True),
        (-4.0, 12, 0.5, False),
        (-2.0, 4, 0.5, False),
        (5.0, 10, 0.5, True),
        (35.0, 4, 0.5, True),
        (50.0, 3, 0.5, False),
        (-2.0, 12, 80.0, False),
    ],
)
def test_lines_halfway_are_as_high_as_those_of_a_comb_and_higher_than_what_lies_around_them(
    odd_db: float, stand: int, everywhere: float, halfway: bool
) -> None:
    """Half as high at least, in the mean of a dozen."""
    power = np.maximum(row(range(200, SIZE, 200), 100.0), np.float32(everywhere))
    power[100 : 200 * stand : 200] = 100 * 10 ** (odd_db / 10)
    assert stands_halfway(power, STEP, 200 * STEP, NOBODYS) is halfway


@pytest.mark.parametrize(("hit_db", "named"), [(2.4, True), (-4.5, True), (-7.5, False)])
def test_a_faint_comb_accuses_nobody(hit_db: float, named: bool) -> None:
    """Impacts a quarter as strong as the floor; lines of the squared envelope fall twice as fast."""
    deep = 10 ** ((hit_db - 2.38) / 5)
    assert bool(found_in(strong(360), deep=deep)) is named


def slower(between_db: dict[int, float], *, of_a_part: bool = False) -> bool:
    """Whether an order of 17 dB lines gives way to half of it, whose lines between stand so high."""
    power = row(range(260, SIZE, 260))
    for harmonic, level in between_db.items():
        power[130 * harmonic] = 10 ** (level / 10)
    none: Any = lambda fast, slow: NOBODYS  # noqa: E731
    found = fundamental(power, STEP, 260 * STEP, NOBODYS, 0.05, lambda *_: 8.0, none, of_a_part=lambda slow: of_a_part)
    return bool(abs(found / STEP - 130) < 2)


def test_lines_between_stand_one_by_one_however_strong_a_few_are() -> None:
    """Two of five in the mean as strong as the faster one's are not six in ten."""
    assert not slower({1: 40.0, 3: 40.0})
    assert slower({1: 20.0, 3: 20.0, 5: 20.0})


@pytest.mark.parametrize(("between_db", "alike"), [({1: 40.0, 3: 40.0}, True), ({1: 80.0}, False)])
def test_of_a_part_that_repeats_so_slowly_four_in_ten_stand_where_their_mean_does(
    between_db: dict[int, float], alike: bool
) -> None:
    assert slower(between_db, of_a_part=True) is alike


def test_lines_between_are_held_against_the_first_three_of_the_faster_order() -> None:
    power = row([200, 400, 600, 800, 1000], 100.0)
    for harmonic, level in ((1, 6.0), (3, 12.0), (5, 12.0), (7, 0.0), (9, 0.0)):
        power[100 * harmonic] = 10 ** (level / 10)
    assert below_db(power, STEP, 100 * STEP, 2, NOBODYS) == pytest.approx(20.0 - 10.0)


def every_fourth(between_db: float, *, of_a_part: bool) -> int:
    """Bins of the fundamental, of a hundred to a line, where all but each fourth line are ``between_db`` weaker."""
    power = row(range(100, SIZE, 100), 500.0 * 10 ** (-between_db / 10))
    power[400::400] = 500.0
    none: Any = lambda fast, slow: NOBODYS  # noqa: E731
    found = fundamental(
        power, STEP, 100 * STEP, NOBODYS, 0.05, lambda *_: 8.0, none, (1.0,),
        lambda order: of_a_part and abs(order / STEP - 400) < 4,
    )  # fmt: skip
    return round(found / STEP)


def test_a_part_keeps_its_order_where_only_every_fourth_line_of_a_slower_comb_is_strong() -> None:
    """Strikes that are alike make lines that fall evenly: by eight decibels at most are those between weaker."""
    assert every_fourth(9.0, of_a_part=True) == 400
    assert every_fourth(7.0, of_a_part=True) == 100
    assert every_fourth(9.0, of_a_part=False) == 100


def test_forty_lines_of_a_comb_are_counted() -> None:
    assert standing(row(range(50, SIZE, 50)), STEP, 50 * STEP, NOBODYS) == (40, 40)


def explained(
    monkeypatch: pytest.MonkeyPatch, *, own: int = 20, of: int = 20, filled: float = 0.1
) -> NDArray[np.bool_] | None:
    """What a race at three times a comb explains, whose law fills so much of the axis and makes so many lines of it."""
    race = CombRequest(name="race", order=3.6, slip=(-0.02, 0.02))
    power = row(120 * k for k in range(1, of + 1))
    law = NOBODYS.copy()
    law[-round(filled * SIZE) :] = True
    for k in range(1, of + 1):
        law[120 * k - 1 : 120 * k + 2] = k <= own
    monkeypatch.setattr(searching, "lines_mask", lambda spectra, reading: law)
    bins: NDArray[np.bool_] | None = search(power, requests=[race])._part_explains(power, 120 * STEP)
    return bins


@pytest.mark.parametrize(("own", "explains"), [(18, True), (16, False)])
def test_a_part_makes_seventeen_in_twenty_lines_of_a_comb_that_is_its_own(
    monkeypatch: pytest.MonkeyPatch, own: int, explains: bool
) -> None:
    assert (explained(monkeypatch, own=own) is not None) is explains


@pytest.mark.parametrize(("luck", "explains"), [(7e-4, True), (1.5e-3, False)])
def test_a_law_that_fills_the_axis_explains_nothing(
    monkeypatch: pytest.MonkeyPatch, luck: float, explains: bool
) -> None:
    """All of ten lines by luck: at most once in a thousand."""
    filled = luck**0.1 - 30 / SIZE
    assert (explained(monkeypatch, own=10, of=10, filled=filled) is not None) is explains


@pytest.mark.parametrize(("lines", "named"), [(3, False), (5, True)])
def test_a_rotor_next_to_the_shaft_shows_four_lines(lines: int, named: bool) -> None:
    assert bool(found_in(row((101 * k for k in range(1, lines + 1)), 1000.0))) is named


RACE = CombRequest(name="race", order=3.0, slip=(-0.02, 0.01))


@pytest.mark.parametrize(
    ("off", "others", "spread", "hidden", "surely"),
    [
        (3e-4, 0.0, 0.0, 0, True),
        (-3e-4, 0.0, 0.0, 0, True),
        (4e-5, 0.0, 0.0, 0, False),
        (3e-4, 2.6e-4, 0.0, 0, False),
        (3e-4, 0.0, 3e-4, 0, False),
        (3e-4, 0.0, 0.0, 2, True),
        (3e-4, 0.0, 0.0, 3, False),
    ],
)
def test_a_comb_in_a_races_window_is_no_machines_where_all_its_lines_miss_the_whole_number(
    off: float, others: float, spread: float, hidden: int, surely: bool
) -> None:
    """Lines 1 to 12 of 300 bins, a tenth of a bin each, give 300 bins to 0.1 / sqrt(650) of one: 1.3e-5, of which 4.5
    are 6e-5. A whole number is looked for where others hide no more than two of the first six."""
    one = search(row(range(300, SIZE, 300)), requests=[RACE])
    object.__setattr__(one.families, "speed_spread", spread)
    object.__setattr__(one.families, "other_speeds", others)
    lines = np.zeros(SIZE, dtype=bool)
    lines[[300 * k for k in range(1, hidden + 1)]] = True
    one.whole.mask = lambda request: lines
    turn = 300 * STEP / 25 / (1 + off)
    assert one._surely_off(RACE, 300 * STEP, 0, (25, turn)) is surely


@pytest.mark.parametrize(("off", "turned"), [(0.0, True), (4e-5, True), (-4e-5, True), (3e-4, False), (-3e-4, False)])
def test_a_grid_that_misses_the_whole_number_by_all_its_lines_is_turned_by_no_shaft(off: float, turned: bool) -> None:
    """In no part's window as well: what a shaft turns lies at its number however closely it is looked at, and side
    lines of a race fill a grid of any number."""
    turn = 300 * STEP / 25 / (1 + off)
    power = row(range(300, SIZE, 300))
    owner, exact = search(power, turns=[turn])._whose(power, 300 * STEP, 12, 0)
    assert owner is None
    assert exact == ((25, turn) if turned else None)


@pytest.mark.parametrize(("above_db", "slips", "kept"), [(8.0, False, True), (4.0, False, False), (8.0, True, False)])
def test_lines_of_a_pin_far_above_those_of_the_teeth_next_to_them_are_the_pins(
    above_db: float, slips: bool, kept: bool
) -> None:
    """Three teeth per turn of 20 bins, a pin met fifteen times: every fifth line of the teeth."""
    power = row(range(60, SIZE, 60), 30.0)
    power[300::300] = 30.0 * 10 ** (above_db / 10)
    pin = CombRequest(name="pin", order=300 * STEP, slip=(-0.02, 0.01) if slips else (0.0, 0.0))
    found = search(power, requests=[pin])._rigid_above((3, 20 * STEP), NOBODYS)
    assert bool(found[[300, 600, 900]].all()) is kept
    assert not found[[60, 120, 180, 360]].any()


def test_lines_of_teeth_alone_are_no_pins() -> None:
    """Each as high as the next: a pin that was never struck keeps none, and one met as often as the teeth neither."""
    power = row(range(60, SIZE, 60), 30.0)
    for order in (300, 60):
        pin = CombRequest(name="pin", order=order * STEP)
        assert not search(power, requests=[pin])._rigid_above((3, 20 * STEP), NOBODYS).any()
