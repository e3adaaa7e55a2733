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
from vibe.spectra.evidence.comb import CombRequest
from vibe.spectra.evidence.decoy_null import CombReading

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


def named(name: str, order: float, score: float = 50.0, at: float | None = None) -> CombReading:
    request = CombRequest(name=name, order=order, slip=SLIP)
    return replace(reading_of(request), order=order if at is None else at, score=score)


@pytest.mark.parametrize(("between_db", "name"), [(17.6, "cage"), (16.4, "race")])
def test_a_slower_comb_whose_own_lines_are_half_as_strong_makes_the_faster_one(
    monkeypatch: pytest.MonkeyPatch, between_db: float, name: str
) -> None:
    cage = named("cage", 0.4)

    def lines_db(null: Any, of: Any, orders: Any) -> float:
        return 20.0 if len(orders) == 3 else between_db

    best = named("race", 3.6)
    monkeypatch.setattr(weighing, "_sharpened", lambda spectra, reading: reading.order)
    monkeypatch.setattr(weighing, "_lines_db", lines_db)
    null: Any = SimpleNamespace(scorer=SimpleNamespace(spectra=None))
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
    monkeypatch.setattr(weighing, "_lines_db", lambda null, of, orders: 20.0)
    null: Any = SimpleNamespace(scorer=SimpleNamespace(spectra=None))
    assert (weighing._first([best, cage], null).request.name == "cage") is slower


@pytest.mark.parametrize(
    ("nearer", "score", "other"), [(0.004, 45.0, True), (0.002, 45.0, False), (0.004, 35.0, False)]
)
def test_at_one_place_the_tone_whose_usual_slip_is_surely_nearer_is_likelier(
    monkeypatch: pytest.MonkeyPatch, nearer: float, score: float, other: bool
) -> None:
    """By three per mille, with three quarters of the score."""
    best, twin = named("a", 3.6, at=3.6 * 1.006), named("b", 3.6 * (1.0 + nearer), score, at=3.6 * 1.006)
    monkeypatch.setattr(weighing, "_sharpened", lambda spectra, reading: reading.order)
    monkeypatch.setattr(weighing, "_lines_db", lambda null, of, orders: 20.0)
    null: Any = SimpleNamespace(scorer=SimpleNamespace(spectra=None))
    assert (weighing._first([best, twin], null).request.name == "b") is other
