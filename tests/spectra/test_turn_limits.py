"""How a turn is cut, and when a place on it stands out: met from both sides or worked by hand."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from vibe.spectra.envelope import places as placing
from vibe.spectra.envelope.bands import BandEnvelopes
from vibe.spectra.envelope.impact_rows import Differences
from vibe.spectra.envelope.impact_start import DECAYS
from vibe.spectra.envelope.places import TWICE_PARTS, _look, _narrow_look, _placed, _without_swell, localise
from vibe.spectra.envelope.staying_order import PIECES_PER_CYCLE, refined_order
from vibe.spectra.envelope.synchronous_average import Turn, fold
from vibe.spectra.envelope.turn_shapes import HUMP_PARTS, PITCH_CELLS, beyond_ringing, hump_of, narrow_of

N = 72


def turn(level: NDArray[np.float64], turns: float = 400.0) -> Turn:
    return Turn(level=level, sigma=np.full(level.size, 0.01), turns=turns)


def test_a_turn_is_cut_into_cells_of_five_degrees_and_half_a_degree() -> None:
    power = np.random.default_rng(1).exponential(1.0, (1, 40_000)).astype(np.float32)
    band = BandEnvelopes(
        channel="a", power=power, per_turn=4000.0, centre_hz=np.array([3000.0]), width_hz=1000.0, band_rms=np.ones(1)
    )
    found = fold([band], [(0, 0)], 1.0)
    assert found.cut is not None
    assert (360 / found.level.size, 360 / found.cut.cells) == (5.0, 0.5)


@pytest.mark.parametrize(
    ("plain", "even", "chance"), [(0.5, 0.01, 0.04), (0.03, 0.01, 0.03), (0.5, 1e-8, 4e-5), (0.0, 1.0, 1e-9)]
)
def test_a_place_that_is_read_without_the_swell_counts_by_four_tenths_of_the_root_of_its_chance(
    monkeypatch: pytest.MonkeyPatch, plain: float, even: float, chance: float
) -> None:
    """And no turn supports less than one in a thousand million."""
    some = turn(np.ones(N))
    monkeypatch.setattr(placing, "_without_swell", lambda turn, meetings: None)
    monkeypatch.setattr(
        placing, "_look", lambda turn, meetings: SimpleNamespace(chance=even if turn is None else plain)
    )
    monkeypatch.setattr(placing, "_placed", lambda look, meetings, found, stands: found)
    assert localise(some) == pytest.approx(chance)


@pytest.mark.parametrize(("ringing", "chance"), [(0.02, 0.08), (0.03, 0.1)])
def test_a_second_look_must_be_four_times_as_sure(
    monkeypatch: pytest.MonkeyPatch, ringing: float, chance: float
) -> None:
    law: Any = None
    part = np.arange(N) > 10
    monkeypatch.setattr(placing, "beyond_ringing", lambda turn, top, spread: part)
    monkeypatch.setattr(
        placing, "_highest", lambda turn, meetings, spread, away, beyond: (law, 0.1 if beyond.all() else ringing)
    )
    assert _look(turn(np.ones(N)), 1).chance == pytest.approx(chance)


def rung(before: float = 0.0, long: int = 31) -> NDArray[np.bool_]:
    level = np.zeros(N)
    level[20 : 20 + long] = 1.0
    level[20] = 2.0
    level[12:16] = 2.0 * before
    return beyond_ringing(turn(level), 20, 4)


def test_an_impact_rings_on_over_a_quarter_of_a_turn_at_most() -> None:
    assert np.count_nonzero(~rung()) == pytest.approx(N / 4, abs=1)
    assert np.count_nonzero(~rung(long=8)) == pytest.approx(8, abs=1)


@pytest.mark.parametrize(("before", "impact"), [(0.15, True), (0.25, False)])
def test_what_has_risen_by_a_fifth_before_is_a_swell_and_no_impact(before: float, impact: bool) -> None:
    assert bool((~rung(before)).any()) is impact


def places(one: float, chance: float = 1e-6, peaks: int = 12) -> int:
    """How many places are named on a turn of so many peaks, each by chance as high with that probability."""
    level = np.zeros(N)
    level[:: N // peaks] = 2.0 + 0.01 * np.arange(peaks)
    law: Any = SimpleNamespace(middle=0.0, exceedance=lambda height: one if height > 1 else 1.0)
    look: Any = SimpleNamespace(turn=turn(level), law=law, chance=chance, broad=np.zeros(N, dtype=bool))
    return len(_placed(look, 1, chance).peaks_deg)


def test_a_body_with_more_than_six_damaged_parts_is_worn_all_round() -> None:
    assert places(1e-9, peaks=4) == 4
    assert places(1e-9) == 6


@pytest.mark.parametrize(("one", "named"), [(1e-4, 2), (2e-4, 1)])
def test_a_further_place_stands_out_where_chance_makes_one_in_a_hundred(one: float, named: int) -> None:
    """Over all 72 cells."""
    assert (1 - (1 - one) ** N < 0.01) is (named == 2)
    assert places(one, peaks=2) == named


@pytest.mark.parametrize(("chance", "named"), [(0.4, 2), (0.6, 1)])
def test_where_a_sound_turn_looks_so_more_often_than_not_nothing_is_sought(chance: float, named: int) -> None:
    assert places(1e-9, chance, peaks=2) == named


def test_decays_are_tried_in_steps_of_two_from_the_shortest_that_a_band_can_show() -> None:
    """A band's own blur is about a third of its inverse width."""
    steps = np.array(DECAYS)
    assert steps[0] == pytest.approx(1 / 3, rel=0.15)
    assert steps[1:] / steps[:-1] == pytest.approx(2.1, rel=0.07)


def test_pieces_turn_so_little_that_three_per_mille_of_their_power_are_lost() -> None:
    assert 1 - np.sinc(1 / PIECES_PER_CYCLE) ** 2 == pytest.approx(0.003, rel=0.15)


def test_envelopes_of_a_long_recording_are_thinned_to_what_the_fastest_slow_tone_needs() -> None:
    """Sixty repeats in a segment are the fastest that is slow; 24 lines of it, each sampled twice as finely as need
    be."""
    from vibe.spectra.segment_average import Joined

    band = SimpleNamespace(turns=1000.0, per_turn=1e6)
    analysis: Any = SimpleNamespace(looks=[SimpleNamespace(bands=[band], means=None)])
    joined = Joined(2)
    joined._begin(analysis)
    assert joined._per_turn == pytest.approx(2 * 2 * 24 * 60 / 1000.0)


@pytest.mark.parametrize(("chance", "said"), [(0.008, True), (0.015, False)])
def test_of_a_place_that_is_hardly_one_nobody_asks_whether_its_impacts_are_alike(
    monkeypatch: pytest.MonkeyPatch, chance: float, said: bool
) -> None:
    monkeypatch.setattr(placing, "differences", lambda *_, **__: Differences(scatter=0.3))
    level = np.zeros(N)
    level[7] = 2.0
    law: Any = SimpleNamespace(middle=0.0, exceedance=lambda height: 1.0)
    look: Any = SimpleNamespace(turn=turn(level), law=law, chance=chance, broad=np.zeros(N, dtype=bool))
    assert (_placed(look, 1, chance).scatter is not None) is said


def test_a_part_is_met_once_a_turn_unless_it_is_said(monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[int] = []
    whole = _look

    def look(turn: Turn, meetings: int) -> Any:
        asked.append(meetings)
        return whole(turn, meetings)

    monkeypatch.setattr(placing, "_look", look)
    localise(turn(np.random.default_rng(1).standard_normal(N)))
    assert asked == [1, 1]


@pytest.mark.parametrize(("line", "counts"), [(4, True), (5, False), (8, False)])
def test_an_order_is_refined_by_its_first_four_lines(line: int, counts: bool) -> None:
    """A line half a resolution bin off at the first one's place moves it, but a higher one says nothing."""
    turns = np.arange(20_000) / 100.0
    power = 2.0 + np.cos(2 * np.pi * line * (1.0 + 0.5 / 200.0) * turns)
    band = BandEnvelopes(
        channel="a", power=power[None].astype(np.float32), per_turn=100.0, centre_hz=np.array([3000.0]),
        width_hz=1000.0, band_rms=np.ones(1),
    )  # fmt: skip
    found = refined_order([band], [(0, 0)], 1.0, bins=1.0)
    assert bool(abs(found - 1.0 - 0.5 / 200.0) < 0.1 / 200.0) is counts


def with_a_hump(wide: float, *, spike: float = 3.0, seed: int = 1, parts: int = 36, split: int = 0) -> Turn:
    """Irregular parts of two cells each, a sharp place at cell 45, and what knocks with play opposite to it, whose mean
    stands higher than most over ``wide`` cells; every ``split``-th of these is as the rest."""
    rng = np.random.default_rng(seed)
    level = 1 + 0.05 * np.repeat(rng.exponential(1.0, N // 2), 2)
    away = (np.arange(N) - 9 + N // 2) % N - N // 2
    hump = 2.0 * np.exp(-0.5 * (away / (wide / 2.35)) ** 2)
    if split:
        hump[::split] = 0.0
    level += hump
    level[45] += spike
    return Turn(level=level, sigma=np.full(N, 0.02), turns=400.0, parts=parts)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_what_knocks_with_play_hides_no_sharp_place(seed: int) -> None:
    """Damage found next to a loose bolt of the same order, that two discs might make or one."""
    for meetings in (1, 2):
        found = localise(with_a_hump(12.0, seed=seed), meetings=meetings)
        assert found.false_alarm_probability < 1e-4
        # Nor is it a place, where a second disc would strike or anywhere else.
        assert found.peaks_deg == pytest.approx((227.5,))
        # Of what does not rise and fall evenly nobody knows that it is not of the parts.
        uneven = with_a_hump(12.0, seed=seed, split=3)
        assert localise(uneven, meetings=meetings).false_alarm_probability > 1e-3


def test_a_hump_is_none_of_few_parts_and_its_top_is_no_place() -> None:
    assert not hump_of(with_a_hump(12.0, parts=0), 45, 4).any()
    assert not hump_of(with_a_hump(12.0, parts=9), 45, 4).any()
    hump = hump_of(with_a_hump(12.0), 45, 4)
    assert hump[5:14].all()
    assert hump.sum() * 36 >= HUMP_PARTS * N
    assert not hump[25:60].any()
    # Two that are as wide as one another may be two knocks: neither shows the other's place.
    assert not hump_of(with_a_hump(12.0, spike=0.0), 9, 4).any()
    both = with_a_hump(12.0, spike=0.0)
    both.level[:] += np.roll(both.level - 1, N // 2)
    assert not hump_of(both, 9, 4).any()


@pytest.mark.parametrize("meetings", [1, 2])
def test_irregular_parts_are_no_surer_a_place_for_the_third_look(
    monkeypatch: pytest.MonkeyPatch, meetings: int
) -> None:
    rng = np.random.default_rng(4)
    rows = [np.repeat(rng.exponential(1.0, 36), 2) + rng.normal(0.0, 0.02, N) for _ in range(60)]
    turns = [Turn(level=1 + 0.3 * row, sigma=np.full(N, 0.006), turns=400.0, parts=36) for row in rows]
    looked = [localise(one, meetings=meetings).false_alarm_probability for one in turns]
    monkeypatch.setattr(placing, "hump_of", lambda turn, top, spread: np.zeros(N, dtype=bool))
    before = [localise(one, meetings=meetings).false_alarm_probability for one in turns]
    for limit in (0.1, 0.01, 1e-3):
        assert sum(one <= limit for one in looked) <= sum(one <= limit for one in before) + 1


def loaded(parts: int, struck: float = 0.0, seed: int = 0) -> Turn:
    """A turn of few parts under a load that swells more than once, struck at two places opposite each other."""
    angle, rng = 2 * np.pi * (np.arange(N) + 0.5) / N, np.random.default_rng(seed)
    level = 0.6 + 0.35 * np.cos(angle - 4) + 0.15 * np.cos(2 * angle + 1) + 0.05 * np.cos(3 * angle)
    level[[20, 21, 56, 57]] += struck * np.array([1.0, 0.8, 0.6, 0.5])
    level += 0.03 * rng.normal(size=N)
    return Turn(level=level / level.mean(), sigma=np.full(N, 0.03), turns=300.0, parts=parts)


def test_an_impact_among_few_parts_stands_out_of_what_is_as_broad_as_a_part() -> None:
    """A drive of 11 to 1 has twelve pins, of which ten tell what sound ones scatter."""
    surely = localise(loaded(12, 6.0), meetings=2)
    assert surely.false_alarm_probability < 1e-4
    assert surely.peaks_deg == pytest.approx((102.5, 282.5), abs=3.0)
    assert surely.peak_share[1] == pytest.approx(0.6, abs=0.15)
    assert localise(loaded(12), meetings=2).false_alarm_probability > 0.05
    # Where nobody knows how many parts there are, nothing says how broad one is.
    assert localise(loaded(0, 6.0), meetings=2).false_alarm_probability > 1e-3


def test_only_parts_that_are_broader_than_an_impact_are_taken_off() -> None:
    for parts in (0, N // PITCH_CELLS + 1):
        assert narrow_of(loaded(parts, 6.0)) is None
    narrow = narrow_of(loaded(N // PITCH_CELLS, 6.0))
    assert narrow is not None
    assert narrow.narrow
    assert np.abs(np.delete(narrow.level, [20, 21, 56, 57])).max() < 0.25
    assert narrow.level.argmax() == 20


@pytest.mark.parametrize("sharp", [False, True])
@pytest.mark.parametrize("meetings", [1, 2])
def test_irregular_parts_that_are_few_are_no_surer_a_place_than_stated(sharp: bool, meetings: int) -> None:
    """Parts whose powers are exponential, each as broad as its pitch or a third of it."""
    rng = np.random.default_rng([5, meetings])
    chances = []
    for _ in range(300):
        parts = int(rng.integers(7, 15))
        away = np.abs(((np.arange(N) + 0.5)[:, None] / N - np.arange(parts) / parts + 0.5) % 1.0 - 0.5)
        width = rng.uniform(0.15, 0.5) if sharp else rng.uniform(0.5, 1.0)
        level = 1 + np.exp(-((away * parts / width) ** 2)) @ rng.exponential(1.0, parts) + 0.03 * rng.normal(size=N)
        look = _narrow_look(Turn(level=level, sigma=np.full(N, 0.03), turns=300.0, parts=parts), meetings)
        assert look is not None
        chances.append(look.chance)
    for limit in (0.2, 0.05, 0.01):
        assert np.mean(np.array(chances) <= limit) <= limit + np.sqrt(limit / 300)


@pytest.mark.parametrize(("parts", "sure"), [(TWICE_PARTS, True), (TWICE_PARTS - 1, False)])
def test_a_swell_twice_a_turn_hides_no_impact(parts: int, sure: bool) -> None:
    """Of two discs that lie opposite each other the first waves of their loads cancel and the second add up. Five
    constants take too much of fewer parts."""
    chances = []
    for struck in (0.0, 1.6):
        angle, rng = 2 * np.pi * (np.arange(N) + 0.5) / N, np.random.default_rng(5)
        level = 1.0 + 0.25 * np.cos(2 * angle) + 0.05 * rng.normal(size=N)
        level[[20, 21]] += struck * np.array([1.0, 0.7])
        some = Turn(level=level / level.mean(), sigma=np.full(N, 0.05), turns=160.0, parts=parts)
        chances.append(localise(some, meetings=2).false_alarm_probability)
    assert chances[0] > 0.05
    assert (chances[1] < 3e-5) is sure


def test_irregular_parts_under_swelling_loads_are_no_surer_a_place_than_stated() -> None:
    """Squares of Gaussian sums, met by one to three discs whose loads swell once and twice round: the look without such
    swells by itself, as it counts."""
    rng, angle = np.random.default_rng(9), (np.arange(N) + 0.5) / N
    chances = []
    for _ in range(300):
        parts, discs = int(rng.integers(TWICE_PARTS, 60)), int(rng.integers(1, 4))
        away = np.abs((angle[:, None] - np.arange(parts) / parts + 0.5) % 1.0 - 0.5)
        force = np.exp(-((away * parts / rng.uniform(0.5, 1.0)) ** 2)) @ (rng.normal(size=(parts, 2)) @ [1, 1j])
        load = sum(rng.uniform(0.1, 0.5) * np.cos(2 * np.pi * k * (angle - rng.uniform())) for k in (1, 2))
        met = sum(np.roll(np.abs(force) ** 2, disc * N // discs) for disc in range(discs))
        level = met * np.maximum(1 + load, 0.05)
        level = 1 + rng.uniform(0.1, 1.0) * level / level.mean() + 0.05 * rng.normal(size=N)
        turned = Turn(level=level / level.mean(), sigma=np.full(N, 0.05), turns=400.0, parts=parts)
        chances.append(np.sqrt(_look(_without_swell(turned, discs, 2), discs).chance))
    for limit in (0.2, 0.05, 0.01):
        assert np.mean(np.array(chances) <= limit) <= limit + np.sqrt(limit / 300)
