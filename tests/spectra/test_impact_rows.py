"""How impacts of one place differ from one turn to the next: rows of envelopes made by hand, and through a fold."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from tests.spectra.spectra_signals import enveloped, noise, ringing
from vibe.spectra.envelope.impact_rows import FEWEST_ROUNDS, FEWEST_STANDS, Differences, differences
from vibe.spectra.envelope.places import localise
from vibe.spectra.envelope.synchronous_average import fold

CELLS, TOP, SPREAD = 72, 20, 4
RATE, SPEED, DURATION = 12_800.0, 25.0, 6.0
TURNS = 240


def passes(
    heights: NDArray[np.float64], late: NDArray[np.float64] | float = 0.0, *, quiet: float = 1.0, seed: int = 1
) -> NDArray[np.float32]:
    """Every turn: noise of a squared envelope, and an impact of two cells that comes ``late`` [cells] and rings on."""
    rng, count = np.random.default_rng(seed), heights.size
    at = np.arange(CELLS) - TOP - np.broadcast_to(late, count)[:, None]
    shape = np.where(at < 0, np.exp(-0.5 * at**2), np.exp(-np.abs(at) / 2.0))
    # As many free values in a cell as make noise a tenth of its mean.
    return np.asarray(quiet * rng.gamma(100.0, 0.01, (count, CELLS)) + heights[:, None] * shape, dtype=np.float32)


def found(row: NDArray[np.float32], **more: Any) -> Differences:
    return differences([row], TOP, SPREAD, **more)


@pytest.mark.parametrize("degrees", [3.0, 6.0, 9.0])
@pytest.mark.parametrize("seed", [1, 2])
def test_impacts_that_come_early_and_late_are_known_by_how_much(degrees: float, seed: int) -> None:
    late = np.random.default_rng(seed + 10).normal(0.0, degrees * CELLS / 360, TURNS)
    play = found(passes(np.full(TURNS, 5.0), late, seed=seed)).play_deg
    # Beyond a cell the mean turn itself is blurred, and with it the slope that they are measured by.
    assert play == pytest.approx(degrees, rel=0.4)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_what_differs_in_strength_alone_comes_when_it_should(seed: int) -> None:
    heights = 5.0 * np.random.default_rng(seed).uniform(0.3, 1.7, TURNS)
    one = found(passes(heights, seed=seed))
    assert one.scatter is not None
    assert one.scatter > 0.2
    assert one.play_deg is not None
    assert one.play_deg < 1.0


def test_a_slow_change_of_instants_is_none() -> None:
    """As the angle law may drift within its error."""
    late = 1.0 * np.sin(2 * np.pi * np.arange(TURNS) / TURNS)
    play = found(passes(np.full(TURNS, 5.0), late)).play_deg
    assert play is not None
    assert play < 1.0


def test_instants_that_noise_blurs_are_not_called_alike() -> None:
    assert found(passes(np.full(TURNS, 0.05))).play_deg is None


def test_where_discs_strike_all_round_nothing_is_quiet_enough_to_compare_instants() -> None:
    row = passes(np.full(TURNS, 5.0))
    assert found(row, meetings=2).play_deg is not None
    assert found(row, meetings=4).play_deg is None


def test_the_second_meeting_is_no_noise() -> None:
    """Two discs strike, as late the one as the other: noise is read where neither does."""
    late = np.random.default_rng(5).normal(0.0, 1.5, TURNS)
    one = passes(np.full(TURNS, 5.0), late)
    both = one + np.roll(passes(np.full(TURNS, 5.0), -late, quiet=0.0), CELLS // 2, axis=1)
    alone, beside = found(one, meetings=2).play_deg, found(both, meetings=2).play_deg
    assert alone is not None
    assert beside == pytest.approx(alone, rel=0.15)


@pytest.mark.parametrize("stands", [12, 30])
def test_strikes_of_unlike_teeth_keep_their_differences_from_one_slow_turn_to_the_next(stands: int) -> None:
    at = np.arange(TURNS) % stands
    teeth = 5.0 * (1 + 0.5 * np.where(at % 3 == 0, 1.0, -0.5) * np.random.default_rng(3).uniform(0.5, 1.5, stands)[at])
    known = float(np.std(teeth) / np.mean(teeth))
    assert found(passes(teeth), stands=stands).uneven == pytest.approx(known, rel=0.3)
    # What differs as much from turn to turn and keeps nothing is scatter.
    free = found(passes(np.random.default_rng(4).permutation(teeth)), stands=stands)
    assert free.uneven is not None
    assert free.uneven < 0.3 * known


@pytest.mark.parametrize("times", [1, 2])
def test_a_load_that_goes_round_makes_no_teeth(times: int) -> None:
    stands = 12
    swell = 5.0 * (1 + 0.6 * np.cos(2 * np.pi * times * np.arange(TURNS) / stands + 0.4))
    assert found(passes(swell), stands=stands).uneven == pytest.approx(0.0, abs=0.03)
    thrice = 5.0 * (1 + 0.6 * np.cos(2 * np.pi * 3 * np.arange(TURNS) / stands + 0.4))
    # All of it lies in one of the three swells and a half that are left of five and a half.
    left = 0.6 / np.sqrt(2) * np.sqrt(stands / (stands - 5))
    assert found(passes(thrice), stands=stands).uneven == pytest.approx(left, rel=0.15)


def test_few_stands_or_few_rounds_say_nothing() -> None:
    row = passes(np.full(TURNS, 5.0))
    assert found(row).uneven is None
    assert found(row, stands=FEWEST_STANDS - 1).uneven is None
    assert found(row, stands=FEWEST_STANDS).uneven is not None
    # The first and the last turn are not whole.
    enough = FEWEST_ROUNDS * 20 + 2
    assert found(row[:enough], stands=20).uneven is not None
    assert found(row[: enough - 1], stands=20).uneven is None


def test_turns_that_nobody_saw_leave_the_rest_at_their_stand() -> None:
    stands = 12
    teeth = 5.0 * (1 + 0.5 * np.where(np.arange(TURNS) % stands % 3 == 0, 1.0, -0.5))
    row = passes(teeth)
    row[np.random.default_rng(6).choice(TURNS, TURNS // 5, replace=False), 3] = np.nan
    assert found(row, stands=stands).uneven == pytest.approx(float(np.std(teeth) / np.mean(teeth)), rel=0.3)


def test_of_several_channels_the_clearest_is_taken() -> None:
    late = np.random.default_rng(7).normal(0.0, 1.5, TURNS)
    clear, faint = passes(np.full(TURNS, 5.0), late), passes(np.full(TURNS, 1.0), seed=2)
    for rows in ([clear, faint], [faint, clear]):
        assert differences(rows, TOP, SPREAD) == found(clear)


@pytest.mark.parametrize(("order", "way"), [(1.0, 1), (-1.0, -1)])
def test_a_knock_with_play_is_none_of_what_is_rolled_over(order: float, way: int) -> None:
    """Through bands and folds, in either direction; four degrees of play."""
    count = int(SPEED * DURATION) - 2
    play = []
    for play_deg in (0.5, 4.0):
        late = np.random.default_rng(8).normal(0.0, play_deg / 360, count)
        turns = np.arange(1, count + 1) + way * 100.0 / 360.0 + late
        row = noise(3, int(RATE * DURATION)) + ringing(
            turns / SPEED, RATE, int(RATE * DURATION), resonance_hz=2970.0, heights=np.full(count, 4.0)
        )
        bands, _ = enveloped(row, RATE, SPEED)
        play.append(localise(fold([bands], ((0, 3),), order)).play_deg)
    rolled, loose = play
    assert rolled is not None
    assert rolled < 1.5
    assert loose == pytest.approx(4.0, rel=0.4)
