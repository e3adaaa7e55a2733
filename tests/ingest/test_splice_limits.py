"""Samples that were lost on the way: each number is met from both sides of its limit, on lines made by hand."""

from __future__ import annotations

import numpy as np
import pytest

from tests.ingest.ingest_signals import channel
from vibe.ingest.quality.prepared_signal import prepare
from vibe.ingest.quality.recording.splice import spliced

RATE_HZ = 5_000.0


def is_cut(
    jump: range, by: float = 2.0, *, lines: int = 10, seconds: float = 8.0, then: float = 1.0, at: float = 0.5
) -> bool:
    """Whether a loss is seen where so many lines, the first the strongest, jump in phase at that share of the capture;
    those that jump are so many times as high from then on."""
    time_s = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    after = time_s > at * seconds
    row = 0.02 * np.random.default_rng(3).standard_normal(time_s.size)
    for line in range(lines):
        moved = after if line in jump else np.zeros_like(after)
        height = 0.9**line * np.where(moved, then, 1.0)
        row += height * np.sin(2 * np.pi * (60.0 + 97.3 * line) * time_s + by * moved)
    return bool(spliced(prepare(channel(row, rate_hz=RATE_HZ))))


@pytest.mark.parametrize(("lines", "cut"), [(2, False), (3, True)])
def test_three_lines_that_jump_are_a_loss(lines: int, cut: bool) -> None:
    assert is_cut(range(lines)) is cut


@pytest.mark.parametrize(("by", "cut"), [(0.1, False), (0.16, True)])
def test_a_jump_is_six_times_what_a_phase_is_read_to(by: float, cut: bool) -> None:
    """0.02 radians, which is more than the noise here."""
    assert is_cut(range(3), by) is cut


@pytest.mark.parametrize(("then", "cut"), [(0.4, False), (0.6, True)])
def test_a_line_keeps_half_its_strength(then: float, cut: bool) -> None:
    assert is_cut(range(3), then=then, at=0.75) is cut


@pytest.mark.parametrize(
    ("seconds", "jump", "cut"), [(5.0, 3, True), (3.0, 3, False), (3.0, 7, True), (2.3, 7, True), (1.4, 7, False)]
)
def test_short_captures_are_asked_in_short_windows_and_for_more_lines(seconds: float, jump: int, cut: bool) -> None:
    """Eight windows of 0.45 s, of 0.3 and of 0.2."""
    assert is_cut(range(jump), seconds=seconds) is cut


@pytest.mark.parametrize(("jump", "cut"), [(4, False), (6, True)])
def test_in_short_windows_five_of_ten_lines_jump(jump: int, cut: bool) -> None:
    assert is_cut(range(jump), seconds=3.0) is cut


def jumps(
    *by: float, seconds: float = 8.0, burst: float = 0.0, weak: int = 0, height: float = 0.0, fall: float = 0.9
) -> bool:
    """The same where each line jumps by its own phase, in a burst of noise, with so many weak lines that do not."""
    time_s = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    row = 0.02 * np.random.default_rng(3).standard_normal(time_s.size)
    row += burst * np.random.default_rng(5).standard_normal(time_s.size) * (np.abs(time_s - seconds / 2) < 0.6)
    heights = [*(fall**line for line in range(len(by))), *([height] * weak)]
    for line, (high, moved) in enumerate(zip(heights, [*by, *([0.0] * weak)], strict=True)):
        row += high * np.sin(2 * np.pi * (60.0 + 97.3 * line) * time_s + moved * (time_s > seconds / 2))
    return bool(spliced(prepare(channel(row, rate_hz=RATE_HZ))))


@pytest.mark.parametrize(("stronger", "cut"), [(13, True), (16, False)])
def test_sixteen_lines_are_followed(stronger: int, cut: bool) -> None:
    assert jumps(*[0.0] * stronger, 2.0, 2.0, 2.0) is cut


@pytest.mark.parametrize(("by", "cut"), [((2.0, 2.0), True), ((2.0, 0.07), False)])
def test_two_that_jump_far_are_enough_where_others_join_in(by: tuple[float, float], cut: bool) -> None:
    """Each counts for twelve at most, those that move by 0.07 radians for some three; a loss takes 32 and two lines."""
    assert jumps(*by, *[0.07] * 7) is cut


@pytest.mark.parametrize(("jump", "lines", "cut"), [(5, 16, True), (4, 16, False), (4, 6, True), (4, 9, False)])
def test_in_short_windows_five_lines_jump_or_six_tenths_and_four(jump: int, lines: int, cut: bool) -> None:
    assert jumps(*[2.0] * jump, *[0.0] * (lines - jump), seconds=3.0) is cut


@pytest.mark.parametrize(("height", "cut"), [(0.006, True), (0.01, False)])
def test_lines_count_from_eight_times_their_floor_on(height: float, cut: bool) -> None:
    """Three weak ones make nine of six; their floor is that of noise of 0.02 under windows of 0.3 s, so that they stand
    5 and 14 times above it."""
    heights = (2.0, 2.0, 2.0, 2.0, 0.0, 0.0)
    assert jumps(*heights, seconds=3.0, weak=3, height=height) is cut


@pytest.mark.parametrize(("burst", "cut"), [(4.0, True), (8.0, False)])
def test_in_noise_a_phase_is_read_as_badly_as_that_is_high(burst: float, cut: bool) -> None:
    assert jumps(*[2.5] * 6, *[0.0] * 4, burst=burst, fall=1.0) is cut
