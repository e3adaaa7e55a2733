"""The quick ways of the speed search against the plain ones."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from scipy.special import gammaincc

from vibe.spectra.speed.line_likelihood import Places, over_floor, surprise_of, whole_over_floor
from vibe.spectra.speed.phase_refinement import Low, _hann_response
from vibe.spectra.speed.ridge_tracking import track


def test_a_window_sees_what_the_sum_over_its_samples_sees() -> None:
    n = 801
    local = np.arange(n) - (n - 1) / 2
    cycles = np.array([[0.0, 1e-5, 3.1 / n], [-0.5 / n, 1 / (n - 1), 0.2]])
    taper = np.hanning(n)
    plain = np.cos(2 * np.pi * cycles[:, :, None] * local) @ taper / taper.sum()
    assert _hann_response(cycles, n) == pytest.approx(plain, abs=1e-12)


@pytest.mark.parametrize("length_s", [3.0, 4.0, 9.0])
def test_what_is_kept_of_a_whole_channel_is_what_it_would_be_anew(length_s: float) -> None:
    samples = np.random.default_rng(3).normal(size=2048).astype(np.float32)
    item = Low(samples=samples, rate_hz=512.0, top_hz=250.0)
    power, bin_hz = over_floor(item, np.zeros(1), length_s, 30.0)
    for _ in range(2):
        kept, kept_hz = whole_over_floor(item, length_s, 30.0)
        assert np.array_equal(kept, power)
        assert kept_hz == bin_hz
    # Another ceiling is another floor.
    assert not np.array_equal(whole_over_floor(item, length_s, 3.0)[0], power)


@pytest.mark.parametrize("channels", [1, 2, 5])
def test_surprise_is_the_gamma_tail(channels: int) -> None:
    power = np.array([1e-3, 0.5, 3.0, 40.0, 300.0])
    assert surprise_of(power, channels) == pytest.approx(-np.log(gammaincc(channels, power)), rel=1e-9, abs=1e-12)
    assert np.isfinite(surprise_of(np.array([1e30]), channels)).all()


def test_places_lie_on_straight_lines_between_bins() -> None:
    rows = np.array([[0.0, 1.0, 4.0], [2.0, 2.0, -2.0]])
    read = Places.of(np.array([0.5, 1.25, 2.0, 2.5]), 3).read(rows, beyond=9.0)
    assert read == pytest.approx(np.array([[0.5, 1.75, 4.0, 9.0], [2.0, 1.0, -2.0, 9.0]]))


def test_the_path_is_the_best_of_all_paths() -> None:
    """Against every path there is, on few speeds."""
    grid, score = np.linspace(20.0, 21.0, 6), np.random.default_rng(2).normal(size=(4, 6))
    changes = ((0.01, 0.25), (0.03, 1.0))
    price, step = 0.5 * score.std(), grid[1] - grid[0]
    reaches = [(max(1, int(change * grid.mean() / step)), times * price) for change, times in changes]

    def worth(path: tuple[int, ...]) -> float:
        total = float(sum(score[row, place] for row, place in enumerate(path)))
        for a, b in itertools.pairwise(path):
            total -= 0.0 if a == b else min((cost for reach, cost in reaches if abs(a - b) <= reach), default=np.inf)
        return total

    best = max(np.ndindex(6, 6, 6, 6), key=worth)
    assert tuple(track(score, grid, changes)) == best
