"""The speed of a sweep from a drive's own lines: right where it is stated, not stated where it is not known."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from tests.studies.sweeps_without_pulses import WRONG, answer
from tests.worlds.sweeps import RATE_HZ, make, sweep_of
from vibe.core.tones import FollowedLines
from vibe.flow.settings import share_dir, tones_of
from vibe.kinematics.followed_lines import can_be_followed, followed_lines
from vibe.spectra.speed.swept_lines import likely_states, rare_lines
from vibe.spectra.speed.swept_speed import swept_speed


@pytest.mark.parametrize(("kind", "seed"), [("s-shape", 2), ("resonances", 1)])
def test_a_speed_that_is_stated_is_right(kind: str, seed: int) -> None:
    found = answer(sweep_of(kind, seed))
    assert found.share > 0.2
    assert found.close > 0.95
    assert found.worst < WRONG


def test_of_another_machine_that_slows_down_no_speed_is_stated() -> None:
    """Its blades have lines at whole orders, of which the drive's mesh is one too."""
    assert answer(sweep_of("other pump", 2)).share == 0.0


def test_of_a_run_that_does_not_reach_the_speed_of_the_drive_none_is_stated() -> None:
    """Half of a speed explains many lines: the end that is known decides."""
    assert answer(sweep_of("cut short", 2)).share == 0.0


def test_of_machines_that_run_on_while_the_drive_stands_no_speed_is_stated() -> None:
    assert answer(sweep_of("still", 2)).share == 0.0


def test_noise_says_nothing() -> None:
    noise = np.random.default_rng(3).standard_normal(int(12 * RATE_HZ))
    _, table = tones_of(share_dir() / "configs" / "acceptance" / "sample_drive.toml")
    found = swept_speed([(noise, RATE_HZ)], followed_lines(table), (24.0, 25.0), up=True)
    assert found.pieces == ()
    assert found.why != ""


def test_half_a_second_is_too_short() -> None:
    kinds = (FollowedLines(what="turns", orders=(1.0,), stands_out=0.5, own=False),)
    assert swept_speed([(np.ones(4096), RATE_HZ)], kinds, (24.0, 25.0), up=True).why == "short"


def test_a_line_is_rarer_than_what_is_next_to_it_and_noise_is_as_rare_as_it_should_be() -> None:
    time_s = np.arange(int(20 * RATE_HZ)) / RATE_HZ
    noise = np.random.default_rng(4).standard_normal(time_s.size)
    at = np.arange(1.0, 19.0, 0.5)
    row = noise + 0.5 * np.cos(2 * np.pi * 300.0 * time_s)
    found = rare_lines([(row, RATE_HZ)], 0.5, at, near=128, follows=False)
    assert found.ratio[:10].size
    assert found.ratio[round(300.0 / found.bin)].min() > 5.0
    elsewhere = found.ratio[round(1000.0 / found.bin) : round(3000.0 / found.bin)]
    assert float(elsewhere.mean()) == pytest.approx(1.0, abs=0.02)
    # What stands at one place all the time is none of a machine whose speed moves.
    moving = rare_lines([(row, RATE_HZ)], 0.5, at, near=128, follows=True)
    assert float(np.median(moving.ratio[round(300.0 / moving.bin)])) < 3.0


def test_lines_that_cannot_be_parted_count_once() -> None:
    noise = np.random.default_rng(5).standard_normal(int(10 * RATE_HZ))
    lines = rare_lines([(noise, RATE_HZ)], 0.25, np.arange(1.0, 9.0, 0.5), near=128, follows=False)
    kind = FollowedLines(what="mesh", orders=(30.0, 30.1), stands_out=0.5, own=True)
    alone = lines.read(kind, 30.0, np.array([20.0]), np.array([30.0]))
    shared = lines.read(kind, 30.0, np.array([20.0]), np.array([30.0, 30.1]))
    assert shared == pytest.approx(alone / 2)


def test_states_are_as_likely_as_a_sum_over_all_paths_says() -> None:
    draw = np.random.default_rng(6)
    score, moves = draw.standard_normal((3, 2)), np.array([[0.8, 0.2], [0.3, 0.7]])
    begins, ends = np.array([1.0, 0.5]), np.array([0.2, 1.0])
    whole = np.zeros((3, 2))
    for a in range(2):
        for b in range(2):
            for c in range(2):
                path = begins[a] * moves[a, b] * moves[b, c] * ends[c]
                path *= np.exp(score[0, a] + score[1, b] + score[2, c])
                for place, state in enumerate((a, b, c)):
                    whole[place, state] += path
    assert likely_states(score, moves, begins, ends) == pytest.approx(whole / whole.sum(axis=1, keepdims=True))


def test_each_line_is_followed_once_and_a_shaft_with_bearings_has_none(tmp_path: Path) -> None:
    path = tmp_path / "drive.toml"
    path.write_text('tag = "P"\n[input]\nspeed_rpm = 1450\nspeed_range_rpm = [1400, 1500]\npower_kw = 2\n')
    assert not can_be_followed(tones_of(path)[1])
    _, table = tones_of(share_dir() / "configs" / "acceptance" / "sample_drive.toml")
    assert can_be_followed(table)
    orders = [order for kind in followed_lines(table) for order in kind.orders]
    assert len(orders) == len(set(orders))
    # 12 lobes in 13 pins: mesh with side lines, lobes, eight output pins.
    assert {1.0, 13.0, 12.0, 14.0, 26.0, round(13 / 12, 9), round(8 * 13 / 12, 9)} <= set(orders)


def test_a_reversal_goes_through_rest() -> None:
    """The world's own: its angle goes back."""
    turns = make(sweep_of("reversal", 1)).turns
    assert np.diff(turns).min() < 0 < np.diff(turns).max()
