from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from tests.spectra.spectra_signals import enveloped, noise, ringing
from vibe.spectra.envelope.bands import BandEnvelopes
from vibe.spectra.envelope.impact_rows import FEWEST_TURNS_CUT
from vibe.spectra.envelope.places import localise
from vibe.spectra.envelope.staying_order import refined_order
from vibe.spectra.envelope.synchronous_average import Turn, fold

RATE, SPEED, DURATION = 12_800.0, 25.0, 6.0
N = int(RATE * DURATION)


def struck(
    order: float, place_deg: float, *, height: float = 4.0, seed: int = 1
) -> tuple[list[BandEnvelopes], tuple[Any, ...]]:
    """Noise, and impacts when a frame that turns ``order`` times a turn of the input brings ``place_deg`` past."""
    turns = (np.arange(1, int(SPEED * DURATION * abs(order))) + np.sign(order) * place_deg / 360.0) / abs(order)
    row = noise(seed, N) + ringing(turns / SPEED, RATE, N, resonance_hz=2970.0, heights=height)
    bands, _ = enveloped(row, RATE, SPEED)
    return [bands], ((0, 3),)


def apart(a: float, b: float) -> float:
    return abs((a - b + 180.0) % 360.0 - 180.0)


@pytest.mark.parametrize("order", [1.0, 18 / 17, -1 / 17 * 4])
@pytest.mark.parametrize("place", [0.0, 100.0, 283.0])
def test_the_impact_lies_on_its_place_of_the_frame(order: float, place: float) -> None:
    bands, members = struck(order, place)
    turn = fold(bands, members, order)
    found = float(turn.angle_deg[turn.level.argmax()])
    # Half a cell, and the half millisecond that a ringing takes to its envelope's middle.
    assert apart(found, place) <= 180 / turn.level.size + 360 * abs(order) * SPEED * 1.5e-3
    assert float(turn.level.mean()) == pytest.approx(1.0, abs=1e-3)
    assert turn.turns == pytest.approx(SPEED * DURATION * abs(order), rel=1e-3)


def test_turning_the_other_way_mirrors_the_turn() -> None:
    bands, members = struck(1.0, 100.0)
    forward, backward = fold(bands, members, 1.0, cells=36), fold(bands, members, -1.0, cells=36)
    assert apart(float(forward.angle_deg[forward.level.argmax()]), 105.0) <= 10.0
    assert apart(float(backward.angle_deg[backward.level.argmax()]), 255.0) <= 10.0


def test_angles_count_from_the_pulse() -> None:
    bands, members = struck(1.0, 100.0)
    turn = fold(bands, members, 1.0, cells=36, origin_turns=0.25)
    assert apart(float(turn.angle_deg[turn.level.argmax()]), 105.0 - 90.0) <= 10.0


def test_an_order_a_little_off_blurs_the_place_and_refining_mends_it() -> None:
    bands, members = struck(18 / 17, 60.0)
    off = 18 / 17 + 0.9 / (SPEED * DURATION)
    sharp, blurred = fold(bands, members, 18 / 17), fold(bands, members, off)
    assert blurred.level.max() - 1 < 0.5 * (sharp.level.max() - 1)
    refined = refined_order(bands, members, off, bins=2.0)
    assert refined == pytest.approx(18 / 17, abs=0.07 / (SPEED * DURATION))


def test_a_channel_that_does_not_show_the_impacts_does_not_decide_their_order() -> None:
    bands, _ = struck(0.24, 60.0, height=8.0)
    quiet, _ = enveloped(noise(5, N), RATE, SPEED)
    refined = refined_order([quiet, *bands], ((0, 3), (1, 3)), 0.24, bins=0.25)
    assert refined == pytest.approx(0.24, abs=0.07 / (SPEED * DURATION))


def test_the_standard_error_is_that_of_the_cell_means() -> None:
    """Sixty captures of noise: scatter of each cell over captures against what one capture says of itself."""
    levels, stated = [], []
    for seed in range(60):
        bands, _ = enveloped(noise(seed, N // 3), RATE, SPEED)
        turn = fold([bands], ((0, 2),), 1.0, cells=24)
        levels.append(turn.level)
        stated.append(turn.sigma)
    assert float(np.std(levels, axis=0).mean()) == pytest.approx(float(np.mean(stated)), rel=0.3)


@pytest.mark.parametrize("place", [3.0, 187.0])
def test_one_impact_stands_out_of_its_turn(place: float) -> None:
    bands, members = struck(1.0, place)
    found = localise(fold(bands, members, 1.0))
    assert found.false_alarm_probability < 1e-4
    assert apart(found.peaks_deg[0], place) < 12
    assert found.peak_share[0] == 1.0
    assert 0 < found.width_deg < 60


def test_noise_alone_has_no_place() -> None:
    chances = []
    for seed in range(60):
        bands, _ = enveloped(noise(seed, N // 3), RATE, SPEED)
        chances.append(localise(fold([bands], ((0, 2),), 1.0)).false_alarm_probability)
    assert np.mean(np.array(chances) <= 0.05) <= 2 * 0.05 + 2 * np.sqrt(0.05 / 60)
    assert min(chances) > 1e-3


def errors_of_parts(seed: int, cells: int = 72, turns: float = 200.0) -> Turn:
    """A sound turn: pitch errors of 7 to 60 parts, each with its own lasting force, whose squared sum is detected.

    The square of a Gaussian sum is exponential. Forces of neighbouring parts overlap a little.
    """
    rng = np.random.default_rng([7, seed])
    parts = int(rng.integers(7, 60))
    away = np.abs(((np.arange(cells) + 0.5)[:, None] / cells - np.arange(parts) / parts + 0.5) % 1.0 - 0.5)
    spread = rng.uniform(0.5, 1.0) / parts
    force = np.exp(-((away / spread) ** 2)) @ (rng.normal(size=parts) + 1j * rng.normal(size=parts))
    detected = np.abs(force) ** 2 / np.mean(np.abs(force) ** 2)
    return sound_turn(1 + rng.uniform(0.1, 1.0) * detected, turns, rng)


def free_cells(seed: int) -> Turn:
    """A sound turn each of whose cells is exponential on its own."""
    rng = np.random.default_rng([8, seed])
    return sound_turn(1 + rng.exponential(1.0, int(rng.integers(24, 73))), 1e4, rng)


def sound_turn(level: np.ndarray, turns: float, rng: np.random.Generator) -> Turn:
    sigma = np.full(level.size, 1.0 / np.sqrt(turns))
    level = level + sigma * rng.normal(size=level.size)
    return Turn(level=level / level.mean(), sigma=sigma, turns=turns)


@pytest.mark.parametrize("meetings", [1, 2])
def test_irregular_cells_are_called_damaged_no_more_often_than_stated(meetings: int) -> None:
    chances = np.array([localise(free_cells(seed), meetings=meetings).false_alarm_probability for seed in range(400)])
    for nominal in (0.2, 0.05, 0.01, 0.001):
        assert np.mean(chances <= nominal) <= 2 * nominal + 2 * np.sqrt(nominal / 400)


def test_irregular_parts_whose_forces_overlap_are_called_damaged_no_more_often_either() -> None:
    """Neighbouring cells then hang together: fewer tell the law than are counted."""
    chances = np.array([localise(errors_of_parts(seed)).false_alarm_probability for seed in range(1000)])
    for nominal in (0.2, 0.05, 0.01, 0.001):
        assert np.mean(chances <= nominal) <= 2 * nominal + 2 * np.sqrt(nominal / 1000)


def test_to_know_how_many_parts_there_are_calls_none_of_them_damaged_more_often() -> None:
    """Each part errs on its own, however much the load that goes round makes all of them hang together."""
    chances = []
    for seed in range(400):
        turn = errors_of_parts(seed)
        parts = int(np.random.default_rng([7, seed]).integers(7, 60))
        load = 1 + 0.2 * np.cos(2 * np.pi * (np.arange(turn.level.size) + seed) / turn.level.size)
        known = replace(turn, level=turn.level * load / (turn.level * load).mean(), parts=parts)
        chances.append(localise(known).false_alarm_probability)
    for nominal in (0.2, 0.05, 0.01, 0.001):
        assert np.mean(np.array(chances) <= nominal) <= 2 * nominal + 2 * np.sqrt(nominal / 400)


def test_what_hangs_together_over_several_parts_is_the_load_and_hides_no_impact() -> None:
    rng, angle = np.random.default_rng(12), 2 * np.pi * np.arange(72) / 72
    level = 0.6 + 0.12 * np.cos(2 * angle) + 0.06 * np.cos(3 * angle + 1) + 0.01 * rng.normal(size=72)
    level[40] = 6.0
    turn = Turn(level=level / level.mean(), sigma=np.full(72, 0.01), turns=150.0)
    surely = localise(replace(turn, parts=16)).false_alarm_probability
    assert surely < 1e-4
    assert surely < localise(turn).false_alarm_probability / 10
    level[40] = 0.6 + 0.3
    assert localise(replace(turn, level=level / level.mean(), parts=16)).false_alarm_probability > 0.1


def test_an_impact_of_nine_standard_errors_stands_out_of_a_smooth_turn() -> None:
    """The noise of an average is Gaussian and its size is known: no exponential need be feared where none is seen."""
    found = []
    for seed in range(100):
        rng = np.random.default_rng([9, seed])
        level = 1.0 + 0.05 * rng.normal(size=72)
        level[20] += 0.45
        found.append(localise(Turn(level=level, sigma=np.full(72, 0.05), turns=200.0)))
    assert np.mean([one.false_alarm_probability < 1e-3 for one in found]) > 0.7
    assert np.mean([apart(one.peaks_deg[0], 102.5) < 1 for one in found]) == 1.0


def test_a_sharp_impact_stands_out_of_irregular_parts() -> None:
    found = []
    for seed in range(100):
        turn = errors_of_parts(seed)
        level = turn.level.copy()
        level[30] += 60 * np.median(np.abs(level - np.median(level)))
        found.append(localise(Turn(level=level, sigma=turn.sigma, turns=turn.turns)))
    assert np.mean([one.false_alarm_probability < 1e-3 for one in found]) > 0.9
    assert np.mean([bool(one.peaks_deg) and apart(one.peaks_deg[0], 152.5) < 1 for one in found]) > 0.95


def rung(swell: bool, *, backwards: bool = False) -> Turn:
    """A turn on which an impact rings on over a fifth of it and is followed by a second one; with ``swell`` the same
    turned round, which rises slowly and falls at once."""
    rng = np.random.default_rng(10)
    cells = np.arange(72)
    ringing = np.where(cells >= 30, 8.0 * np.exp(-(cells - 30.0) / 5.0), 0.0) + 3.0 * np.exp(-((cells - 40.0) ** 2) / 2)
    level = 0.5 + 0.06 * rng.normal(size=72) + ringing
    if swell != backwards:
        level = level[::-1]
    return Turn(level=level / level.mean(), sigma=np.full(72, 0.03), turns=200.0, backwards=backwards)


@pytest.mark.parametrize("backwards", [False, True])
def test_what_an_impact_rings_on_over_is_no_irregularity_of_the_rest(backwards: bool) -> None:
    """In a casting that rings for long the rest of the turn is quiet, and what lies behind the impact is its own. What
    rises slowly before it is none of an impact."""
    assert localise(rung(False, backwards=backwards)).false_alarm_probability < 1e-5
    assert localise(rung(True, backwards=backwards)).false_alarm_probability > 1e-4


@pytest.mark.parametrize(("turns", "sure"), [(FEWEST_TURNS_CUT, True), (FEWEST_TURNS_CUT - 1, False)])
def test_in_a_few_turns_a_stray_shock_rings_on_as_well(turns: int, sure: bool) -> None:
    found = localise(replace(rung(False), turns=float(turns)))
    assert (found.false_alarm_probability < 1e-5) is sure


def test_an_impact_stands_out_of_a_swell_of_the_load_and_the_swell_alone_does_not() -> None:
    """Half of the turn lies above the other by far more than the rest scatters."""
    rng = np.random.default_rng(11)
    swell = 1.0 + 0.3 * np.cos(2 * np.pi * np.arange(72) / 72) + 0.03 * rng.normal(size=72)
    alone, struck = (
        localise(Turn(level=swell + height * (np.arange(72) == 20), sigma=np.full(72, 0.03), turns=200.0))
        for height in (0.0, 1.2)
    )
    assert struck.false_alarm_probability < 1e-6
    assert apart(struck.peaks_deg[0], 102.5) < 3
    assert alone.false_alarm_probability > 0.05


def test_a_load_that_swells_smoothly_is_called_damage_no_more_often_than_stated() -> None:
    chances = []
    for seed in range(200):
        rng = np.random.default_rng([12, seed])
        apart = np.minimum(np.arange(72), 72 - np.arange(72))
        wide = np.fft.fft(np.exp(-((apart / 6.0) ** 2)))
        wave = np.abs(np.fft.ifft(np.fft.fft(rng.normal(size=72) + 1j * rng.normal(size=72)) * wide)) ** 2
        chances.append(localise(sound_turn(1 + 0.5 * wave / wave.mean(), 1e4, rng)).false_alarm_probability)
    for nominal in (0.1, 0.01, 0.001):
        assert np.mean(np.array(chances) <= nominal) <= 2 * nominal + 2 * np.sqrt(nominal / 200)


def test_a_part_met_by_two_discs_shows_two_places_half_a_turn_apart() -> None:
    turn = errors_of_parts(3)
    level = turn.level.copy()
    level[10] += 12.0
    level[46] += 8.0
    found = localise(Turn(level=level, sigma=turn.sigma, turns=turn.turns), meetings=2)
    assert found.false_alarm_probability < 1e-4
    assert len(found.peaks_deg) == 2
    assert apart(*found.peaks_deg) == pytest.approx(180.0, abs=1)
    assert found.peak_share[1] == pytest.approx(8 / 12, abs=0.1)
    alone = turn.level.copy()
    alone[10] += 12.0
    single = localise(Turn(level=alone, sigma=turn.sigma, turns=turn.turns), meetings=2)
    assert len(single.peaks_deg) == 1


def test_two_damaged_parts_are_two_places_wherever_they_lie() -> None:
    first, _ = struck(1.0, 40.0, height=5.0)
    bands, members = struck(1.0, 40.0, height=4.0)
    both = BandEnvelopes(
        channel="a",
        power=first[0].power + struck(1.0, 163.0, height=4.0, seed=2)[0][0].power,
        per_turn=bands[0].per_turn,
        centre_hz=bands[0].centre_hz,
        width_hz=bands[0].width_hz,
        band_rms=bands[0].band_rms,
    )
    found = localise(fold([both], members, 1.0), meetings=2)
    assert len(found.peaks_deg) == 2
    assert apart(found.peaks_deg[0], found.peaks_deg[1]) == pytest.approx(123.0, abs=3)


@pytest.mark.parametrize("q", [8.0, 25.0, 60.0])
@pytest.mark.parametrize("place", [10.0, 200.3])
def test_a_place_is_where_the_impact_begins_however_long_it_rings(q: float, place: float) -> None:
    """A coarse cell of a long ringing lies up to a millisecond late, nine degrees at this speed."""
    turns = np.arange(1, int(SPEED * DURATION), dtype=np.float64) + place / 360.0
    row = noise(3, N) + ringing(turns / SPEED, RATE, N, resonance_hz=2970.0, heights=4.0, q=q)
    bands, _ = enveloped(row, RATE, SPEED)
    found = localise(fold([bands], ((0, 3),), 1.0))
    assert apart(found.peaks_deg[0], place) < 360 * SPEED * 0.35 / bands.width_hz


def test_the_map_has_as_many_points_for_every_part_and_part_zero_at_zero() -> None:
    bands, members = struck(1.0, 3 * 360 / 17)
    turn = fold(bands, members, 1.0)
    angle, level = turn.at_parts(17)
    assert angle.size % 17 == 0
    assert angle[0] == 0.0
    each = angle.size // 17
    assert round(int(level.argmax()) / each) == 3
    fine_angle, _ = turn.at_parts(120)
    assert fine_angle.size == 120


def test_a_cell_that_is_nearly_always_hidden_keeps_the_turns_that_show_it() -> None:
    """Fewer turns than are cut as strays: there is none to spare, and no warning either."""
    from vibe.spectra.envelope.synchronous_average import _over_turns

    passes, count = 400, 4
    turn, cell = np.repeat(np.arange(passes), count), np.tile(np.arange(count), passes)
    shown = (cell != 2) | (turn < 3)
    series = np.random.default_rng(0).exponential(size=turn.size)
    level, sigma, _, _ = _over_turns(series[shown], turn[shown], cell[shown], count)
    assert np.isfinite(level).all()
    assert level[2] == pytest.approx(series[(cell == 2) & (turn < 3)].mean())
    assert sigma[2] > 5 * sigma[0]


def rows_of(heights: np.ndarray[Any, np.dtype[np.float64]], seed: int) -> Turn:
    # Contacts play by some thousandths of a turn, so that what rings makes no lines.
    play = np.random.default_rng(seed + 100).normal(0.0, 0.003, heights.size)
    turns = np.arange(1, heights.size + 1) + 100.0 / 360.0 + play
    row = noise(seed, N) + ringing(turns / SPEED, RATE, N, resonance_hz=2970.0, heights=heights)
    bands, _ = enveloped(row, RATE, SPEED)
    return fold([bands], ((0, 3),), 1.0)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_how_far_impacts_differ_from_turn_to_turn(seed: int) -> None:
    """Even ones, those of a load that changes slowly, those that differ, and those of something that flies free."""
    rng, count = np.random.default_rng(seed), int(SPEED * DURATION) - 2
    slow = 3.0 * (1 + 0.4 * np.sin(2 * np.pi * np.arange(count) / count))
    scatters = [
        localise(rows_of(heights, seed)).scatter
        for heights in (
            np.full(count, 3.0), slow, 3.0 * rng.uniform(0.5, 1.5, count), 3.0 * rng.exponential(1.0, count),
        )
    ]  # fmt: skip
    even, swaying, different, free = (np.nan if one is None else one for one in scatters)
    assert even < 0.1
    assert swaying < 0.2
    # Amplitudes even between 0.5 and 1.5 have energies that scatter by 0.56, exponential ones by 2.2. Shocks are cut to
    # some height over the median, and what noise may stand for is taken off.
    assert 0.2 < different < 0.56
    assert 0.8 < free < 2.2


def test_a_turn_without_a_place_says_nothing_of_scatter() -> None:
    bands, _ = enveloped(noise(7, N), RATE, SPEED)
    assert localise(fold([bands], ((0, 3),), 1.0)).scatter is None
