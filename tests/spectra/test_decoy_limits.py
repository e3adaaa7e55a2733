"""How far decoys are looked for, how many there are, and which bins benign sources keep to themselves."""

from __future__ import annotations

from dataclasses import replace
from math import sqrt

import numpy as np
import pytest
from numpy.typing import NDArray

from tests.spectra.test_comb_scores import spectra
from vibe.spectra.evidence.comb import CombRequest, CombScorer, owned
from vibe.spectra.evidence.comb_trace import _benign
from vibe.spectra.evidence.decoy_null import CombReading, DecoyNull, Families

TURNS = 200.0
Real = NDArray[np.float64]


def asked(order: float, found: int = 1000, bins: int = 20_000) -> tuple[DecoyNull, list[Real]]:
    """The orders, search by search, among which decoys of a comb are looked for; each gives ``found`` of them."""
    some = spectra(np.ones((1, bins), dtype=np.float32))
    object.__setattr__(some, "step", 1 / TURNS)
    object.__setattr__(some, "top_order", bins / TURNS)
    request = CombRequest(name="a", order=order)
    null = DecoyNull(CombScorer(some), [request], Families(benign=()), np.zeros(bins, dtype=bool))
    searched: list[Real] = []

    def at(reading: CombReading, *, further: bool) -> NDArray[np.float32]:
        fixed = null._fixed
        searched.append((fixed._further if further else fixed._near)(request, 1))
        return np.zeros(found * len(searched), dtype=np.float32)

    null._decoys_at = at  # type: ignore[method-assign]
    null.decoys(reading_of(request))
    return null, searched


def reading_of(request: CombRequest) -> CombReading:
    return CombReading(
        request=request, carrier=1, order=request.order, score=9.0, group=0, harmonics=3, sidebands=(), places=1
    )


def test_decoys_lie_within_a_factor_of_three() -> None:
    """There floor and bands are alike."""
    _, (orders,) = asked(2.0)
    assert orders[0] == pytest.approx(2 / 3, abs=1 / TURNS)
    assert orders[-1] == pytest.approx(6.0, abs=1 / TURNS)


def test_a_tenth_of_the_decoys_show_the_scale_of_their_tail_to_a_tenth() -> None:
    """As one over the root of their number. A place is two bins, four half bins: one order that can be resolved."""
    null, (orders,) = asked(9.0)
    places = orders.size / 4
    assert 0.07 < 1 / sqrt(places / 10) < 0.11
    del null._decoys_at
    null._curve = lambda request, sidebands, orders: np.ones(orders.size, dtype=np.float32)  # type: ignore[method-assign]
    # Its own window, half of it and twice, in which none lie, hold few.
    found = null._decoys_at(reading_of(CombRequest(name="b", order=9.0)), further=False)
    assert found.size == pytest.approx(orders.size / 4, abs=8)


def test_at_low_orders_there_is_room_for_twice_a_hundred_decoys() -> None:
    """A factor of three either way of order 0.1 holds 26."""
    _, (orders,) = asked(0.1)
    assert orders.size / 4 == pytest.approx(200, abs=2)


@pytest.mark.parametrize(("found", "searches"), [(40, 2), (60, 1)])
def test_with_fewer_than_fifty_decoys_they_are_looked_for_further_up(found: int, searches: int) -> None:
    assert len(asked(0.1, found)[1]) == searches


def test_further_up_are_six_times_as_many_places_and_more() -> None:
    """Up to all that is ever looked at."""
    near, far = asked(0.1, 40)[1]
    assert far.size >= 5.9 * near.size


def test_a_decoy_has_room_for_three_lines() -> None:
    null, _ = asked(2.0)
    assert int(100.0 / null._fixed._highest + 1e-9) == 3


@pytest.mark.parametrize(("bins", "benign"), [(0.0, True), (2.0, True), (3.0, False), (4.0, False)])
def test_a_benign_line_keeps_two_bins_either_side(bins: float, benign: bool) -> None:
    """A Hann window's main lobe."""
    step = 1 / TURNS
    families = Families(benign=((3.0, 4),))
    at = np.array([6.0 + bins * step])
    assert bool(_benign(at, CombRequest(name="a", order=2.0), families, step)[0]) is benign


@pytest.mark.parametrize(("apart", "own"), [(7e-7, True), (1.4e-6, False)])
def test_a_source_at_the_tones_own_order_is_the_tone(apart: float, own: bool) -> None:
    """A millionth of a turn is less than a bin of any capture, and more than rounding."""
    request = CombRequest(name="a", order=3.0)
    families = Families(benign=((3.0 * (1 + apart), 4),))
    assert bool(_benign(np.array([6.0]), request, families, 1 / TURNS)[0]) is not own


def test_a_family_owns_two_bins_either_side_of_its_lines() -> None:
    """A Hann window's main lobe."""
    assert np.flatnonzero(owned(((1.0, 2),), 0.01, 1000)).tolist() == [*range(98, 103), *range(198, 203)]


@pytest.mark.parametrize(("peak", "height", "is_owned"), [(101, 9.0, True), (102, 9.0, False), (99, 7.0, False)])
def test_a_line_that_stands_peaks_within_a_bin_of_its_place(peak: int, height: float, is_owned: bool) -> None:
    """What rises towards another place is that one's flank, and what does not rise is no line."""
    power = np.ones(1000)
    power[[100, peak]] = 6.5, height
    bins = np.flatnonzero(owned(((1.0, 2),), 0.01, 1000, standing=power))
    assert bins.tolist() == ([*range(98, 103)] if is_owned else [])
    # A speed that is known to two bins there says nothing of where it peaks.
    assert owned(((1.0, 2),), 0.01, 1000, standing=power, spread=0.02)[98:103].all()


@pytest.mark.parametrize(("turns", "is_owned"), [(101.0, True), (99.0, False)])
def test_in_less_than_a_hundred_turns_a_line_that_does_not_stand_is_nobodys(turns: float, is_owned: bool) -> None:
    power = np.full((1, 1000), 0.5, dtype=np.float32)
    power[0, 300] = 50.0
    some = replace(spectra(power), step=1 / turns)
    null = DecoyNull(CombScorer(some), [], Families(benign=()), np.zeros(1000, dtype=bool))
    mine = null.benign_lines(((100 / turns, 3),))
    assert mine[298:303].all()
    assert mine[100] == mine[200] == is_owned


def test_others_meet_a_part_once_in_each_repeat_unless_it_is_said() -> None:
    null, _ = asked(2.0)
    request = CombRequest(name="a", order=2.0)
    assert not null.met_evenly(request, 4.0)
    assert null.met_evenly(CombRequest(name="a", order=2.0, meetings=2), 4.0)
