"""The study of speed in short, with margins for so few captures; the long one is ``python -m tests.studies.speed``."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pytest

from tests.studies.speed import FAMILIES, WRONG, Trial, bound, lives, measured, ramps, white_noise


def errors(trials: Sequence[Trial]) -> np.ndarray:
    return np.array([t.error for t in trials if t.error is not None])


def within(trials: Sequence[Trial], sigmas: float) -> float:
    return float(np.mean([abs(t.error) < sigmas * t.sigma for t in trials if t.error is not None and t.sigma]))


def test_the_bound_of_one_line_is_that_of_a_single_tone() -> None:
    """Rife & Boorstyn 1974: var(w) >= 12 s² / (b² T² N (N² - 1)) for a complex tone b in noise of variance 2 s²."""
    n, rate, amplitude, noise = 4096, 1000.0, 0.1, 1.0
    # A real line of amplitude A in real noise tells as much as a complex one of A / 2 per half spectrum.
    single = np.sqrt(12 * (noise**2 / 2) / ((amplitude / 2) ** 2 * n * (n**2 - 1))) * rate / (2 * np.pi)
    assert bound([1.0], amplitude, noise, n, rate) == pytest.approx(single, rel=1e-6)
    assert bound([5.0], amplitude, noise, n, rate) == pytest.approx(single / 5, rel=1e-6)


@pytest.mark.parametrize("family", FAMILIES)
def test_in_white_noise_the_error_is_near_the_bound(family: str) -> None:
    trials = [white_noise((seed, family, -20.0)) for seed in range(1000, 1012)]
    over = [t.error / t.bound for t in trials if t.error is not None and t.bound is not None]
    assert len(over) == 12
    # Measured 1.1 to 1.4; chance takes the root mean square of 12 past 2 once in thousands.
    assert np.sqrt(np.mean(np.square(over))) < 2.0
    assert within(trials, 2.0) > 0.7


def test_drives_in_real_life_show_their_speed_and_how_sure_it_is() -> None:
    trials = [lives(seed) for seed in range(2000, 2008)]
    found = errors(trials)
    assert found.size >= 7
    assert np.abs(found).max() < WRONG
    assert np.sqrt(np.mean(found**2)) < 2e-4
    assert within(trials, 2.0) > 0.6
    # Nor is it stated too large: a quarter of normal errors lies beyond 1.15.
    assert within(trials, 0.05) < 0.5


def test_ramps_of_five_percent_are_followed_within_a_fiftieth_of_a_turn() -> None:
    trials = [ramps(seed) for seed in (2000, 2004, 2008, 2012)]
    assert np.abs(errors(trials)).max() < 2e-4
    assert max(t.turns for t in trials if t.turns is not None) < 0.05


@pytest.mark.parametrize("record", ["N_800_1", "O_1200_2", "I_1200_1", "B_1200_1"])
def test_the_speed_of_a_measured_record_is_that_of_its_own_lines(open_data: Path, record: str) -> None:
    trial = measured(open_data / "uestc" / f"{record}.h5")
    assert trial.error is not None
    assert abs(trial.error) < 0.002


@pytest.mark.slow
def test_many_lives_never_take_a_wrong_family() -> None:
    trials = [lives(seed) for seed in range(3000, 3240)]
    found = errors(trials)
    assert found.size >= 232
    assert np.abs(found).max() < WRONG
    assert np.sqrt(np.mean(found**2)) < 1e-4
    assert 0.60 < within(trials, 1.0) < 0.85
    assert within(trials, 2.0) > 0.90


@pytest.mark.parametrize("seed", [10_560, 10_643])
def test_a_ramp_is_not_lost_to_a_hop(seed: int) -> None:
    """Two captures of a thousand whose speed rises by 1 %: the followed path hops to near lines half-way."""
    trial = lives(seed)
    assert trial.error is not None
    assert abs(trial.error) < 1e-4
