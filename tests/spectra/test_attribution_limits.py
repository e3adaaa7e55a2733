"""Limits by which lines are claimed, a level is split and a turn is averaged, met from both of their sides."""

from __future__ import annotations

from collections.abc import Iterable
from types import SimpleNamespace
from typing import Any, cast

import numpy as np
import pytest
from numpy.typing import NDArray

from vibe.core.records.level_change import LOW_BAND
from vibe.spectra.attribution import variance_decomposition as split
from vibe.spectra.attribution.line_attribution import NOBODY, OwnedLines, Owner, claimed
from vibe.spectra.envelope.synchronous_average import _over_turns

Real = NDArray[np.float64]


def claims(*owners: Owner, size: int = 400) -> NDArray[np.int64]:
    """On an axis of one bin per hertz, at one turn per second."""
    return claimed(owners, size=size, bin_hz=1.0, input_hz=1.0, spread=0.0, drift=0.0)


def test_a_line_claims_three_bins_on_either_side() -> None:
    found = claims(Owner(name="a", lines=(OwnedLines(order=100.0),)))
    assert np.flatnonzero(found != NOBODY).tolist() == list(range(97, 104))


def test_lines_wider_than_a_third_of_their_distance_are_nobodys() -> None:
    found = claims(Owner(name="a", lines=(OwnedLines(order=30.0, harmonics=None, width=0.01),)))
    assert found[180] == 0  # four bins to either side of thirty
    assert found[210] == NOBODY  # five


@pytest.mark.parametrize(("harmonic", "whose"), [(2, "a"), (4, "sidebands")])
def test_a_sideband_counts_as_two_harmonics_more(harmonic: int, whose: str) -> None:
    sidebands = Owner(name="sidebands", lines=(OwnedLines(order=180.0, sidebands=(20.0,)),))
    other = Owner(name="a", lines=(OwnedLines(order=200.0 / harmonic, harmonics=(harmonic,)),))
    assert (sidebands, other)[claims(sidebands, other)[200]].name == whose


def test_drift_is_read_in_blocks_of_half_a_second() -> None:
    """The mean of half a turn that begins an eighth of a turn late is cos(pi / 4) · 2 / pi."""
    row = np.sin(2 * np.pi * np.arange(10_000) / 1000.0 + np.pi / 4).astype(np.float32)
    assert split._drift(row, 1000.0) == pytest.approx(0.5 * (2 / np.pi) ** 2, rel=0.01)


@pytest.mark.parametrize(("square", "total"), [(1.03, 1.03), (1.2, 1.05), (0.98, 0.98), (0.8, 0.95)])
def test_a_window_may_be_off_by_a_twentieth(square: float, total: float) -> None:
    mine = {"shaft": 0.6, LOW_BAND: 0.0, "broad": 0.4}
    split._settle(mine, np.tile(np.array([1.0, -1.0], dtype=np.float32) * np.float32(np.sqrt(square)), 5000), 1000.0)
    assert sum(mine.values()) == pytest.approx(total, rel=1e-3)


@pytest.mark.parametrize(("chance", "sure"), [(0.007, True), (0.015, False)])
def test_impacts_get_a_share_whose_comb_is_surer_than_one_in_a_hundred(chance: float, sure: bool) -> None:
    comb = cast(Any, SimpleNamespace(tone="t", false_alarm_probability=chance))
    assert split._is_believed(comb, Owner(name="a", impacts=("t",)), None) is sure


def taken(near: Iterable[int], far: Iterable[int]) -> float:
    """What a comb takes of its 30th line, ten high, which another claims: lines of its own nearby are one high, those
    ``far`` off nine high; distances in lines."""
    base, excess = 20, np.zeros(1400)
    owner_of = np.full(1400, NOBODY, dtype=np.int64)
    for distance, height in (*((d, 1.0) for d in near), *((d, 9.0) for d in far)):
        place = (30 - distance) * base
        excess[place], owner_of[place - 3 : place + 4] = height, 0
    excess[30 * base], owner_of[30 * base - 3 : 30 * base + 4] = 10.0, 1
    _, _, amounts = split._divided(excess, owner_of, 0, float(base))
    return float(amounts.sum())


def test_a_comb_takes_of_a_claimed_line_what_three_of_its_own_within_twelve_have() -> None:
    assert taken((10, 11, 12), (15, 16, 17, 18, 19)) == pytest.approx(1.0)
    assert taken((11, 12), ()) == 0.0
    assert taken((), (15, 16, 17)) == 0.0


def averaged(turns: int, strays: int) -> float:
    """Level of one of eight cells whose mean is 1 but for stray shocks, fifty times as loud."""
    each = np.ones((turns, 8))
    each[:strays, 0] = 50.0
    turn, cell = np.divmod(np.arange(turns * 8), 8)
    return float(_over_turns(each.ravel(), turn, cell, 8)[0][0])


@pytest.mark.parametrize(("turns", "strays", "cut"), [(100, 2, True), (100, 3, False), (24, 1, True), (16, 1, False)])
def test_two_in_a_hundred_turns_are_strays_where_there_are_twenty(turns: int, strays: int, cut: bool) -> None:
    assert bool(averaged(turns, strays) == pytest.approx(1.0)) is cut
