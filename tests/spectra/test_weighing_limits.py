"""What a comb owns, whose a place is, and how a score becomes a chance: met from both sides or worked by hand."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from tests.spectra.test_comb_scores import spectra
from tests.spectra.test_decoy_limits import reading_of
from vibe.spectra.evidence import comb_evidence as weighing
from vibe.spectra.evidence.comb import STILL_A_LINE, CombRequest
from vibe.spectra.evidence.decoy_null import CombReading, lines_level_db

STEP = 0.05
SLIP = (-0.02, 0.02)


def reading(order: float, **more: Any) -> CombReading:
    return reading_of(CombRequest(name="a", order=order, **more))


def some(size: int = 20_000) -> Any:
    return spectra(np.full((1, size), 0.5, dtype=np.float32))


def chance(monkeypatch: pytest.MonkeyPatch, probability: float) -> tuple[float, float]:
    """False-alarm probability of a score that one place exceeds so often; and how often one exceeds the limit."""
    asked: list[float] = []

    def score_at(one: float) -> float:
        asked.append(one)
        return 0.0

    tail = SimpleNamespace(exceedance=lambda score: probability, score_at=score_at)
    monkeypatch.setattr(weighing, "ExceedanceModel", SimpleNamespace(of=lambda decoys: tail))
    null: Any = SimpleNamespace(decoys=lambda reading: np.zeros(10))
    found = weighing._Chance.of(reading(3.0), null)
    return found.false_alarm, asked[0]


def test_to_take_its_own_lines_out_of_the_decoys_favours_a_comb_by_half_again(monkeypatch: pytest.MonkeyPatch) -> None:
    """And no capture supports less than one in a thousand million; limits are stated at one in a thousand."""
    found, limit = chance(monkeypatch, 1e-4)
    assert found == pytest.approx(1.5e-4, rel=1e-3)
    assert limit == pytest.approx(1e-3 / 1.5)
    assert chance(monkeypatch, 0.0)[0] == 1e-9


def test_four_side_lines_either_side_go_with_a_found_comb() -> None:
    mask = weighing.lines_mask(some(), reading(60.0, sidebands=(3.0,)))
    assert [bool(mask[round((60.0 + 3.0 * k) / STEP)]) for k in range(-7, 8)] == [abs(k) <= 4 for k in range(-7, 8)]


@pytest.mark.parametrize(("order", "kept"), [(60.0, 4), (2.6, 2)])
def test_a_comb_owns_two_thirds_of_the_axis_at_most(order: float, kept: int) -> None:
    """Five bins a line: with four side lines either side of every 52 bins it would own nine tenths."""
    mask = weighing.lines_mask(some(), reading(order, sidebands=(0.29,)))
    found = [bool(mask[round((order + 0.29 * k) / STEP)]) for k in range(1, 5)]
    assert sum(found) == kept
    assert mask.mean() < 0.65


@pytest.mark.parametrize(("line", "own"), [(38, True), (43, False)])
def test_slip_smears_lines_beyond_the_fortieth(line: int, own: bool) -> None:
    mask = weighing.lines_mask(some(), reading(20.0, slip=SLIP), to_the_last=True)
    assert bool(mask[round(20.0 * line / STEP)]) is own


@pytest.mark.parametrize(
    ("mean_db", "spread_db", "far"), [(11.0, 1.0, True), (9.0, 1.0, False), (16.0, 3.4, True), (16.0, 4.6, False)]
)
def test_lines_of_short_strikes_are_alike(mean_db: float, spread_db: float, far: bool) -> None:
    """Ten decibels and four of scatter: then a cage's comb takes lines beyond those that are its own alone."""
    one = some()
    power = one.power
    for k in range(1, 14):
        level = mean_db + spread_db * (-1) ** k if k <= 6 else 16.0
        power[0, round(20.0 * k / STEP)] = 10 ** (level / 10)
    short = reading(20.0, slip=SLIP, often_short=True, max_harmonic=6)
    assert weighing._reach(one, short) == (40 if far else 6)


@pytest.mark.parametrize(("bins", "beyond"), [(1.2, False), (1.9, True)])
def test_the_last_line_of_a_comb_shows_its_place_to_a_bin_and_a_half(
    monkeypatch: pytest.MonkeyPatch, bins: float, beyond: bool
) -> None:
    place = 3.0 * 1.02 + bins * STEP / 8
    monkeypatch.setattr(weighing, "_placed", lambda spectra, reading: (place, 8))
    null: Any = SimpleNamespace(scorer=SimpleNamespace(spectra=some()), families=SimpleNamespace(speed_spread=0.0))
    assert weighing._beyond_slip(null, reading(3.0, slip=SLIP)) is beyond


def test_the_place_of_all_lines_is_found_once_whatever_is_explained() -> None:
    """Lines at 3.02 times 1 to 8, a tone asked for at 3: the last stand the farthest off."""
    one = some()
    for k in range(1, 9):
        one.power[0, round(3.02 * k / STEP)] = 100.0
    known: dict[tuple[int, float, int], tuple[float, int]] = {}
    null: Any = SimpleNamespace(scorer=SimpleNamespace(spectra=one), places_of_all_lines=known)
    asked = replace(reading(3.0, slip=SLIP), harmonics=8)
    found = weighing._placed(null, asked)
    assert found == (pytest.approx(3.02, abs=STEP / 8), 8)
    one.power[:] = 0.5
    assert weighing._placed(null, asked) == found
    known.clear()
    assert weighing._placed(null, asked) == (3.0, 1)


def named(name: str, order: float, score: float = 50.0, at: float | None = None) -> CombReading:
    request = CombRequest(name=name, order=order, slip=SLIP)
    return replace(reading_of(request), order=order if at is None else at, score=score)


@pytest.mark.parametrize(("between_db", "name"), [(17.6, "cage"), (16.4, "race")])
def test_a_slower_comb_whose_own_lines_are_half_as_strong_makes_the_faster_one(
    monkeypatch: pytest.MonkeyPatch, between_db: float, name: str
) -> None:
    cage = named("cage", 0.4)

    def lines(null: Any, of: Any, orders: Any) -> tuple[float, int]:
        return (20.0, 3) if len(orders) == 3 else (between_db, 12)

    best = named("race", 3.6)
    monkeypatch.setattr(weighing, "_sharpened", lambda spectra, reading: reading.order)
    monkeypatch.setattr(weighing, "_lines_and_count", lines)
    null: Any = SimpleNamespace(scorer=SimpleNamespace(spectra=some()))
    assert weighing._first([best, cage], null).request.name == name


@pytest.mark.parametrize(
    ("carriers", "even_db", "name"), [((1, 2), 23.0, "element"), ((1, 2), 18.0, "cage"), ((1,), 23.0, "cage")]
)
def test_an_element_strikes_twice_in_a_spin_and_a_cage_makes_no_line_higher_than_the_next(
    monkeypatch: pytest.MonkeyPatch, carriers: tuple[int, ...], even_db: float, name: str
) -> None:
    """The cage turns once in a third of a spin; lines between stand 17.6 dB high, those of the spin 18."""
    spin = 1.95
    request = CombRequest(name="element", order=spin, slip=SLIP, carriers=carriers)
    best, cage = replace(reading_of(request), order=spin, score=60.0), named("cage", spin / 3)

    def lines(null: Any, of: Any, orders: Any) -> tuple[float, int]:
        if len(orders) > 3:
            return 17.6, 12
        return (even_db if orders[0] == pytest.approx(2 * spin) else 18.0), 3

    monkeypatch.setattr(weighing, "_sharpened", lambda spectra, reading: reading.order)
    monkeypatch.setattr(weighing, "_lines_and_count", lines)
    null: Any = SimpleNamespace(scorer=SimpleNamespace(spectra=some()))
    assert weighing._first([best, cage], null).request.name == name


@pytest.mark.parametrize(
    ("times", "off", "slower"), [(11, 0.0, True), (14, 0.0, False), (9, 0.004, True), (9, 0.007, False)]
)
def test_a_slower_comb_is_so_up_to_a_dozen_times_and_within_half_a_per_cent(
    monkeypatch: pytest.MonkeyPatch, times: int, off: float, slower: bool
) -> None:
    best = named("race", 3.6)
    cage = named("cage", 3.6 / times * (1 + off))
    monkeypatch.setattr(weighing, "_sharpened", lambda spectra, reading: reading.order)
    monkeypatch.setattr(weighing, "_lines_and_count", lambda null, of, orders: (20.0, 12))
    null: Any = SimpleNamespace(scorer=SimpleNamespace(spectra=some()))
    assert (weighing._first([best, cage], null).request.name == "cage") is slower


@pytest.mark.parametrize(
    ("between_db", "first_owned", "short", "first"),
    [
        (20.0, True, True, "cage"), (16.4, True, True, "element"), (20.0, False, True, "element"),
        (20.0, True, False, "element"),
    ],
)  # fmt: skip
def test_lines_of_a_cage_further_up_tell_where_slow_shafts_own_its_first(
    between_db: float, first_owned: bool, short: bool, first: str
) -> None:
    """Every sixth line is another bearing's element's, which falls off to 19 dB up there; every ninth is a race's,
    and here of noise. First lines that nobody owns are noise too."""
    cage, element = (
        CombRequest(name="cage", order=5.0, slip=SLIP, max_harmonic=8, often_short=short),
        CombRequest(name="element", order=30.0, slip=SLIP),
    )
    one, owned = some(), np.zeros(20_000, dtype=bool)
    one.power[0, 600::600] = 10**1.9
    one.power[0, [600, 1200, 1800]] = 100.0
    for k in range(10, 34):
        if k % 6 and k % 9:
            one.power[0, 100 * k] = 10 ** (between_db / 10)
    owned[50:550] = first_owned
    null = SimpleNamespace(
        scorer=SimpleNamespace(spectra=one), mask=lambda request: owned, places_of_all_lines={}
    )  # fmt: skip
    made: Any = null
    readings = [replace(reading_of(cage), score=40.0), replace(reading_of(element), score=60.0)]
    assert weighing._first(readings, made).request.name == first


@pytest.mark.parametrize(
    ("between_db", "owned_to", "first"),
    [(18.0, 8, "race"), (16.0, 8, "element"), (0.0, 8, "element"), (0.0, 0, "element")],
)
def test_lines_that_nobody_owns_tell_a_race_that_slips_to_the_lobes_order_from_an_element_twice_as_fast(
    between_db: float, owned_to: int, first: str
) -> None:
    """Lobes own the first eight of its dozen lines, and the search read it two bins off in their skirt: it is taken to
    where the element is, half of its order. Lines up there are 20 dB high where they are the element's as well."""
    race, element = (
        CombRequest(name=name, order=order, slip=SLIP) for name, order in (("race", 5.0), ("element", 10.0))
    )
    one, owned = some(), np.zeros(20_000, dtype=bool)
    one.power[0, 200:8000:200] = 100.0
    one.power[0, 100:8000:200] = 10 ** (between_db / 10)
    for k in range(1, owned_to + 1):
        owned[100 * k - 2 : 100 * k + 3] = True
    made: Any = SimpleNamespace(
        scorer=SimpleNamespace(spectra=one), mask=lambda request: owned,
        places_of_all_lines={(0, 5.0 + 2 * STEP, reading_of(race).harmonics): (5.0, 1)},
    )  # fmt: skip
    slow = replace(reading_of(race), score=40.0, order=5.0 + 2 * STEP)
    found = weighing._first([slow, replace(reading_of(element), score=60.0)], made)
    assert (found.request.name, found.order) == (first, pytest.approx(5.0 if first == "race" else 10.0))


def test_a_comb_that_nobodys_lines_draw_away_is_left_where_it_was_read() -> None:
    null = null_of(some().power)
    assert weighing._moved(null, reading(5.0), 5.2).order == 5.0


@pytest.mark.parametrize(
    ("nearer", "score", "other"), [(0.004, 45.0, True), (0.002, 45.0, False), (0.004, 35.0, False)]
)
def test_at_one_place_the_tone_whose_usual_slip_is_surely_nearer_is_likelier(
    monkeypatch: pytest.MonkeyPatch, nearer: float, score: float, other: bool
) -> None:
    """By three per mille, with three quarters of the score."""
    best, twin = named("a", 3.6, at=3.6 * 1.006), named("b", 3.6 * (1.0 + nearer), score, at=3.6 * 1.006)
    monkeypatch.setattr(weighing, "_sharpened", lambda spectra, reading: reading.order)
    monkeypatch.setattr(weighing, "_lines_and_count", lambda null, of, orders: (20.0, 12))
    null: Any = SimpleNamespace(scorer=SimpleNamespace(spectra=some()))
    assert (weighing._first([best, twin], null).request.name == "b") is other


def test_lines_that_are_only_noise_lie_four_decibels_up_in_the_mean_of_twenty_five_once_in_a_million() -> None:
    """1.9 dB, and five times a fifth of 2.1 dB; a line alone must stand as any does."""
    assert lines_level_db(25) == pytest.approx(4.0)
    assert lines_level_db(1) == lines_level_db(0) == pytest.approx(10 * np.log10(STILL_A_LINE))


def null_of(power: Any) -> Any:
    nobodys = np.zeros(power.shape[1], dtype=bool)
    return SimpleNamespace(scorer=SimpleNamespace(spectra=spectra(power)), mask=lambda request: nobodys)


def test_the_first_dozen_lines_between_are_compared() -> None:
    one = some()
    power = one.power
    for k in range(1, 21):
        power[0, 100 * k] = 100.0 if k <= 12 else 1.0
    orders = [100 * k * STEP for k in range(1, 21)]
    assert weighing._lines_and_count(null_of(power), reading(5.0), orders) == (pytest.approx(20.0), 12)


@pytest.mark.parametrize(("higher_db", "other"), [(16.0, True), (14.0, False)])
def test_a_comb_of_far_higher_lines_is_taken_before_one_of_many_faint_side_lines(
    monkeypatch: pytest.MonkeyPatch, higher_db: float, other: bool
) -> None:
    best, rival = named("a", 3.6), named("b", 5.0, 45.0)
    monkeypatch.setattr(weighing, "_sharpened", lambda spectra, reading: reading.order)
    level = {"a": 12.0, "b": 12.0 + higher_db}
    monkeypatch.setattr(weighing, "_lines_and_count", lambda null, of, orders: (level[of.request.name], 3))
    null: Any = SimpleNamespace(scorer=SimpleNamespace(spectra=some()))
    assert (weighing._above_its_sides([best, rival], best, null) is rival) is other


@pytest.mark.parametrize(
    ("stand", "to"),
    [
        ([1, 2, 3, 4, 5, 11, 12, 13, 14, 15], 20),
        ([1, 2, 3, 4, 11, 12, 13, 14], 0),
        ([*range(6, 11), *range(11, 21)], 20),
        ([*range(1, 11)], 10),
    ],
)
def test_a_dense_comb_reaches_as_far_as_half_of_its_next_ten_lines_stand(stand: list[int], to: int) -> None:
    one = some(4000)
    power = one.power
    for k in stand:
        power[0, 20 * k] = 30.0
    assert weighing._stands_to(one, reading(20 * STEP)) == to


def test_a_line_is_smeared_by_a_fiftieth_of_its_combs_order_at_most() -> None:
    """Of 1200 bins: 24 either side, past the two that any line takes."""
    one = some()
    one.power[0, 1100:1300] = 30.0
    mask = weighing._harmonics_mask(one, reading(60.0), [0.0], False)
    assert mask[1100:1300].sum() == pytest.approx(2 * (2 + 24) + 1, abs=3)


@pytest.mark.parametrize(("bins", "own"), [(36, True), (22, False)])
def test_lines_closer_than_thirty_bins_are_a_combs_own_as_far_as_they_stand(bins: int, own: bool) -> None:
    mask = weighing._harmonics_mask(some(), reading(bins * STEP), [0.0], False)
    assert bool(mask[bins * 20]) is own


@pytest.mark.parametrize(("over", "kept"), [(15.0, False), (30.0, True)])
def test_of_a_dense_combs_lines_those_that_noise_never_makes_are_kept_from_its_decoys(over: float, kept: bool) -> None:
    """Once in 500 million bins noise is twenty times its floor."""
    one, nulls = some(), []
    one.power[0, 60] = over

    def explaining(null: Any) -> Any:
        nulls.append(null)
        return SimpleNamespace(decoys=lambda reading: np.zeros(1000))

    whole: Any = SimpleNamespace(
        scorer=SimpleNamespace(spectra=one), explaining=explaining, mask=lambda request: np.zeros(20_000, dtype=bool)
    )
    dense = reading(20 * STEP)
    weighing._null(whole, dense, weighing.lines_mask(one, dense, to_the_last=True), np.zeros(20_000, dtype=bool))
    assert bool(nulls[0][60]) is kept


def weighed(monkeypatch: pytest.MonkeyPatch, false_alarm: float, *, order: float = 6.0) -> tuple[int, int]:
    """Of a dozen combs without slip that all have this chance: how many are taken one by one, and own their lines."""
    taken: list[Any] = []

    class Null:
        explained = None

        def __init__(self, scorer: Any, requests: Any, families: Any, explained: Any) -> None:
            self.explained = explained

        def explaining(self, explained: Any) -> Any:
            return Null(None, None, None, explained)

        def read(self, requests: Any) -> Any:
            return [reading_of(request) for request in requests]

    def first(readings: Any, null: Any) -> Any:
        taken.append(readings[0])
        return readings[0]

    chance = SimpleNamespace(false_alarm=false_alarm, decoys=100, as_evidence=lambda *more: more[-1])
    monkeypatch.setattr(weighing, "DecoyNull", Null)
    monkeypatch.setattr(weighing, "CombScorer", lambda spectra: None)
    monkeypatch.setattr(weighing, "_first", first)
    monkeypatch.setattr(weighing, "_null", lambda whole, best, own, explained: None)
    monkeypatch.setattr(weighing, "_Chance", SimpleNamespace(of=lambda reading, null: chance))
    monkeypatch.setattr(weighing, "_judge", lambda bands, reading, null: reading)
    requests = [CombRequest(name=str(number), order=order + 0.01 * number) for number in range(12)]
    families: Any = None
    owned = len(weighing.weigh(some(4000), [], requests, families).owned)
    return len(taken), owned


@pytest.mark.parametrize(
    ("false_alarm", "order", "owned"),
    [(0.4, 6.0, 5), (0.6, 6.0, 0), (0.4, 1.0, 0), (0.008, 1.0, 5), (0.015, 1.0, 0)],
)
def test_the_five_strongest_combs_keep_their_lines_where_they_are_likelier_than_not(
    monkeypatch: pytest.MonkeyPatch, false_alarm: float, order: float, owned: int
) -> None:
    """One of twenty bins between its lines only where it is sure to one in a hundred: it would own much of the axis."""
    assert weighed(monkeypatch, false_alarm, order=order) == (5, owned)
