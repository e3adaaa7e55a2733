"""Few earlier values, many series: what grew is stated, what scatters or moves together is not."""

from __future__ import annotations

import subprocess
import sys

import numpy as np
import pytest
from numpy.typing import NDArray

from vibe.core.comb_history import PLACES, Trace
from vibe.history.level_drop import fall_db
from vibe.history.trace_growth import changes, quiet_surprise, surprise

ROWS, BANDS, EARLIER = 12, 10, 8
NAMED = [3] * ROWS


def test_to_compare_loads_no_library_that_takes_longer_than_comparing() -> None:
    """Every process that judges captures against earlier ones would load it."""
    code = "import sys, vibe.history.trace_growth; sys.exit('scipy.stats' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


def drawn(rng: np.random.Generator, count: int) -> NDArray[np.float64]:
    """Powers of lines over their floor (count, rows, bands, places) where nothing is; side lines for half the rows, and
    sound parts that always stand high in some lines of some rows."""
    powers = rng.exponential(size=(count, ROWS, BANDS, PLACES))
    powers[:, ::2, :, 32:] = np.nan
    powers[:, :3, :, :5] *= 30.0
    return powers


def test_what_only_scatters_is_given_its_chance() -> None:
    """Of sound series no more than 1 in 20 is given 0.05 or less; all bands are paid for though their sets of lines
    share lines, so that it is fewer."""
    rng = np.random.default_rng(1)
    chances, there = [], []
    for _ in range(60):
        values = drawn(rng, EARLIER + 1)
        found = changes(values[-1], list(values[:-1]), NAMED)
        chances += found.chance.tolist()
        there += found.there.tolist()
    assert 0.004 <= np.mean(np.array(chances) <= 0.05) <= 0.06
    assert 0.004 <= np.mean(np.array(there) <= 0.05) <= 0.06


def test_one_series_that_grew_is_reported_with_its_size_and_its_band() -> None:
    values = drawn(np.random.default_rng(2), EARLIER + 1)
    values[-1, 4, 7, :32] *= 4.0
    found = changes(values[-1], list(values[:-1]), [7] * ROWS)
    assert found.chance[4] < 1e-6
    assert found.there[4] <= found.chance[4]
    assert found.band[4] == 7
    assert found.growth[4] == pytest.approx(5 * np.log10(4.0), abs=1.2)
    assert np.delete(found.chance, 4).min() > 0.005


def test_what_is_new_shows_next_to_lines_that_a_sound_part_always_makes() -> None:
    """Three harmonics stand thirty times over the floor from the first day on; the others rise to four times."""
    values = drawn(np.random.default_rng(3), EARLIER + 1)
    values[-1, 1, 7, 5:32] *= 4.0
    found = changes(values[-1], list(values[:-1]), NAMED)
    assert found.chance[1] < 1e-4
    assert found.band[1] == 7
    assert found.chance[2] > 0.01


def test_what_all_series_do_together_is_no_growth_and_one_beyond_it_is() -> None:
    values = drawn(np.random.default_rng(4), EARLIER + 1)
    values[-1] *= 8.0
    moved = changes(values[-1], list(values[:-1]), NAMED)
    assert moved.chance.min() > 0.005
    assert moved.common == pytest.approx(5 * np.log10(8.0), abs=1.0)
    values[-1, 7] *= 4.0
    assert changes(values[-1], list(values[:-1]), NAMED).chance.argmin() == 7


def test_a_series_that_always_scattered_widely_needs_more_than_its_neighbours() -> None:
    rng = np.random.default_rng(5)
    values = drawn(rng, EARLIER + 1)
    values[:-1, 8] *= 10 ** rng.normal(0.0, 0.8, (EARLIER, 1, 1))
    values[-1, 8] *= 4.0
    values[-1, 5] *= 4.0
    found = changes(values[-1], list(values[:-1]), NAMED)
    assert found.chance[5] < 1e-3
    assert found.chance[8] > 0.01


def test_missing_values_are_left_out_and_a_row_of_nothing_says_nothing() -> None:
    values = drawn(np.random.default_rng(6), EARLIER + 1)
    values[3, 0] = np.nan
    values[-1, 5, 4] = np.nan
    values[-1, 5, 6, :32] *= 5.0
    found = changes(values[-1], list(values[:-1]), [-1] * ROWS)
    assert found.chance[0] == 1.0
    assert np.isnan(found.growth[0])
    assert found.band[5] == 6
    assert found.there.min() == 1.0


def test_one_earlier_capture_tells_no_spread() -> None:
    values = drawn(np.random.default_rng(7), 2)
    with pytest.raises(ValueError, match="cannot be compared"):
        changes(values[1], [values[0]], NAMED)
    with pytest.raises(ValueError, match="are too few for their scatter"):
        surprise(np.ones(3), np.ones((1, 3)))


def test_scores_of_combs_are_given_their_chance_and_a_high_one_is_a_surprise() -> None:
    """Scores of silent parts follow Gumbel's law; one part always repeats, with high scores that scatter by a sixth."""
    rng = np.random.default_rng(8)
    chances = []
    for _ in range(400):
        scores = rng.gumbel(8.0, 1.3, (EARLIER + 1, ROWS))
        scores[:, 0] = rng.normal(60.0, 10.0, EARLIER + 1)
        chances.append(surprise(scores[-1], scores[:-1]))
    for limit in (0.05, 0.005):
        assert 0.3 * limit <= np.mean(np.array(chances) <= limit) <= 1.6 * limit
    scores = rng.gumbel(8.0, 1.3, (EARLIER + 1, ROWS))
    scores[-1, 4] = 30.0
    found = surprise(scores[-1], scores[:-1])
    assert found[4] < 1e-5
    assert np.delete(found, 4).min() > 1e-3


def test_a_fall_is_the_median_over_what_both_have() -> None:
    before = [{"a": 1.0, "b": 2.0, "c": 5.0}, {"a": 1.0, "b": 2.0}]
    assert fall_db({"a": 0.1, "b": 0.2, "new": 9.0}, before) == pytest.approx(20.0)
    assert fall_db({"a": 2.0}, before) == pytest.approx(-6.02, abs=0.01)
    assert fall_db({"new": 1.0}, before) is None
    assert fall_db({"a": 1.0}, []) is None


def kept(*looks: tuple[float | None, ...]) -> Trace:
    """What a capture of two tones left of its quiet looks."""
    blank = np.zeros((2, 0, PLACES), dtype=np.uint8)
    return Trace(
        tones=("race", "lobe"), bands=(), levels=blank, surest=(-1, -1), scores=(9.0, 9.0), turns=200.0,
        quiet_scores=looks,
    )  # fmt: skip


SEVEN = [kept((9.0 + k % 3, 9.0 - k % 2), (8.0 + k % 2, None)) for k in range(7)]


def test_the_best_of_the_quiet_looks_is_paid_for_all_of_them() -> None:
    now = kept((10.0, 9.0), (19.0, None))
    alone = surprise(np.array([19.0]), np.array([[8.0 + k % 2] for k in range(7)]))
    race, lobe = quiet_surprise([now, *SEVEN], ["race", "lobe"], 4)
    assert race == pytest.approx(2 * alone[0])
    assert race < 1e-3
    assert lobe > 0.3


def test_captures_without_these_looks_are_not_compared_with_and_too_few_say_nothing() -> None:
    now, old = kept((10.0, 9.0), (19.0, None)), kept()
    full = quiet_surprise([now, *SEVEN], ["race", "lobe"], 4)
    assert quiet_surprise([now, *SEVEN, old], ["race", "lobe"], 4).tolist() == full.tolist()
    assert quiet_surprise([now, *SEVEN[:3], old, old], ["race", "lobe"], 4).tolist() == [1.0, 1.0]
    assert quiet_surprise([old, *SEVEN], ["race", "lobe"], 4).tolist() == [1.0, 1.0]
