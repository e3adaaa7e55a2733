"""How far and at what price a speed may move from one segment to the next, and what a pass of phases sees."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from vibe.spectra.basic.angle_law import AngleLaw
from vibe.spectra.speed import phase_refinement, ridge_tracking
from vibe.spectra.speed.phase_refinement import Low
from vibe.spectra.speed.ridge_tracking import JUMPY, PRICE_OF_MOTION, SMOOTH, paths, track

GRID: NDArray[np.float64] = np.linspace(20.0, 30.0, 4001)
"""A thousandth of the speed is ten places."""


def moved(changes: Any, places: int, gain: float) -> bool:
    """Whether a path leaves a place for one so far off that gains so much, in prices: half a standard deviation."""
    score = np.zeros((2, GRID.size))
    score[:, -1000:] = -1.0
    score[0, 1000] = 9.0
    price = 0.5 * float(np.std(score))
    score[1, 1000 + places] = gain * price
    return int(track(score, GRID, changes)[-1]) == 1000 + places


@pytest.mark.parametrize(
    ("places", "gain", "follows"),
    [(30, 0.4, True), (30, 0.18, False), (40, 0.4, False), (90, 1.4, True), (90, 0.7, False), (120, 1.4, False)],
)
def test_a_smooth_path_holds_a_ramp_of_five_per_cent_in_ten_seconds(places: int, gain: float, follows: bool) -> None:
    """24 turns a second, half a segment of 24 turns from one to the next: 0.25 %, which 0.35 % hold; a per cent is
    dear, and more no ramp."""
    assert pytest.approx(2.5) == 0.05 / 10 * 0.5 * 1000
    assert moved(SMOOTH, places, gain) is follows


@pytest.mark.parametrize(
    ("places", "gain", "follows"),
    [(90, 1.4, True), (90, 0.7, False), (120, 1.4, False), (700, 4.0, True), (700, 2.2, False), (900, 4.0, False)],
)
def test_a_jump_of_eight_per_cent_is_three_times_as_dear_as_one_of_one(places: int, gain: float, follows: bool) -> None:
    assert moved(JUMPY, places, gain) is follows


def test_one_capture_in_twenty_has_a_speed_that_moves_and_one_in_a_thousand_one_that_jumps() -> None:
    """A speed that rises by two per cent, its first four lines."""
    rate, seconds = 512.0, 12.0
    time_s = np.arange(round(rate * seconds)) / rate
    turns = 24.0 * (time_s + 0.02 * time_s**2 / seconds / 2)
    row = sum(np.sin(2 * np.pi * k * turns) for k in range(1, 5)) + 0.1 * np.random.default_rng(1).standard_normal(
        time_s.size
    )
    low = Low(samples=row.astype(np.float32), rate_hz=rate, top_hz=250.0)
    found = paths([low], seconds, (23.0, 26.0), np.arange(1.0, 5.0))
    prices = [price for _, price in found]
    assert prices == pytest.approx(np.log([20.0, 1000.0])[: len(prices)], rel=0.03)
    assert len(prices) == 2 or PRICE_OF_MOTION[1] == pytest.approx(np.log(1000.0), rel=0.03)


@pytest.mark.parametrize(("lowest_hz", "segment_s"), [(200.0, 0.5), (24.0, 1.0)])
def test_a_segment_holds_twenty_four_turns_and_half_a_second(
    monkeypatch: pytest.MonkeyPatch, lowest_hz: float, segment_s: float
) -> None:
    class SeenError(Exception):
        pass

    def over_floor(item: Low, starts: Any, length_s: float, top_hz: float) -> None:
        raise SeenError(length_s)

    monkeypatch.setattr(ridge_tracking, "over_floor", over_floor)
    low = Low(samples=np.zeros(4096, dtype=np.float32), rate_hz=512.0, top_hz=250.0)
    with pytest.raises(SeenError, match=f"{segment_s}"):
        paths([low], 8.0, (lowest_hz, 1.1 * lowest_hz), np.arange(1.0, 5.0))


LAW = AngleLaw.steady(25.0, 10.0)


def test_passes_go_up_by_a_factor_of_three_and_begin_at_the_first_the_second_and_the_last(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    tops: list[float] = []
    begun: list[float] = []

    def corrected(laws: list[AngleLaw], lows: Any, orders: NDArray[np.float64], segment_turns: float) -> Any:
        found = []
        for law in laws:
            tops.append(float(orders[-1]))
            if law is LAW:
                begun.append(float(orders[-1]))
            moved = AngleLaw(time_s=np.array([0.0, 5.0, 10.0]), turns=np.array([0.0, 125.0 + len(tops), 250.0]))
            found.append(phase_refinement.Refined(law=moved, relative=1e-5, explained=float(len(tops))))
        return found

    monkeypatch.setattr(phase_refinement, "_corrected", corrected)
    phase_refinement.refinements(LAW, [], np.arange(1.0, 101.0), 24.0)
    assert list(dict.fromkeys(tops)) == [1.0, 4.0, 12.0, 36.0, 64.0]
    assert begun == [1.0, 4.0, 64.0]


@pytest.mark.parametrize(("turns", "two"), [(0.014, False), (0.028, True)])
def test_laws_less_than_a_fiftieth_of_the_highest_lines_turn_apart_are_one(turns: float, two: bool) -> None:
    bent = AngleLaw(time_s=np.array([0.0, 5.0, 10.0]), turns=np.array([0.0, 125.0 + turns / 4, 250.0]))
    straight = AngleLaw(time_s=np.array([0.0, 5.0, 10.0]), turns=np.array([0.0, 125.0, 250.0]))
    assert (len(phase_refinement._parted([straight, bent], 4.0)) == 2) is two


def test_half_overlapping_hann_segments_hold_three_quarters_of_what_free_ones_would() -> None:
    """The noise of neighbours is correlated by a sixth: either side of each."""
    window = np.hanning(4097)
    shared = float((window[:2049] * window[2048:]).sum() / (window**2).sum())
    assert shared == pytest.approx(1 / 6, rel=1e-3)
    assert pytest.approx(1 / (1 + 2 * shared), rel=1e-3) == phase_refinement.OVERLAP_SHARE


def test_lines_within_half_a_main_lobe_are_one_observation_and_the_floor_lies_clear_of_it() -> None:
    n = 2048
    assert abs(phase_refinement._hann_response(np.array([2.0 / n]), n)[0]) < 1e-2
    assert pytest.approx(2.0) == phase_refinement.SEPARATE_BINS
    off = np.abs(phase_refinement.FLOOR_BINS)
    assert (off.min(), off.max(), off.size) == (4, 12, 18)


def test_a_line_with_a_close_neighbour_has_one_more_either_side() -> None:
    found = phase_refinement._with_neighbours(np.array([5.0, 10.0, 10.1]), 0.2)
    assert list(found) == pytest.approx([5.0, 9.9, 10.0, 10.1, 10.2])


@pytest.mark.parametrize(("apart", "two"), [(0.0065, False), (0.0155, True)])
def test_lines_that_differ_by_less_than_a_hundredth_share_one_amplitude(apart: float, two: bool) -> None:
    """Of two columns at an angle 2 a the weaker direction is tan a times as strong."""
    basis = np.array([[np.cos(apart), np.cos(apart)], [np.sin(apart), -np.sin(apart)]])
    base = phase_refinement._base((basis.T @ basis)[None, None], np.ones((1, 1, 2, 2), dtype=np.complex128))
    assert np.count_nonzero(np.abs(base[0, 0]).sum(axis=0)) == 1 + two


def test_a_step_is_what_least_squares_in_amplitudes_and_angles_give() -> None:
    """Against a plain solution with all amplitudes and all angle errors in one matrix."""
    rng = np.random.default_rng(4)
    orders, segments, places = np.array([1.0, 2.0, 2.05]), 6, 2
    noise = np.array([[[0.5, 2.0], [1.0, 0.7]]])
    seen = phase_refinement._Seen(
        values=rng.normal(size=(1, 2, places, segments)) + 1j * rng.normal(size=(1, 2, places, segments)),
        noise=noise,
        response=rng.uniform(0.1, 1.0, size=(1, 2, places, 3)),
    )
    turning = np.exp(2j * np.pi * np.outer(np.arange(segments) * 7.3, orders))
    (precision,), (pull,), (left,) = phase_refinement._step(seen, noise, turning[None], orders)
    whole, pulled = np.zeros((segments, segments)), np.zeros(segments)
    for channel in range(2):
        basis = (seen.response[0, channel][:, None, :] * turning).reshape(-1, 3)
        scale = np.repeat(1 / np.sqrt(noise[0, channel]), segments)[:, None]
        values = seen.values[0, channel].reshape(-1, 1)
        amplitudes = np.linalg.lstsq(scale * basis, scale * values)[0]
        off = scale * (values - basis @ amplitudes)
        slopes = scale * (basis @ (2j * np.pi * orders[:, None] * amplitudes)) * np.tile(np.eye(segments), (places, 1))
        unit, _ = np.linalg.qr(scale * basis)
        free = slopes - unit @ (np.conj(unit.T) @ slopes)
        whole += np.real(np.conj(free.T) @ free)
        pulled += np.real(np.conj(slopes.T) @ off)[:, 0]
        assert left[channel] == pytest.approx(np.mean(np.abs(off / scale).reshape(places, segments) ** 2, axis=1))
    assert precision == pytest.approx(whole, rel=1e-9, abs=1e-9 * np.abs(whole).max())
    assert pull == pytest.approx(pulled, rel=1e-9, abs=1e-9 * np.abs(pulled).max())


@pytest.mark.parametrize("seconds", [1.0, 4.0])
def test_laws_are_corrected_alike_whether_alone_or_among_others(seconds: float) -> None:
    """The third has fewer segments; the last begins where no line is."""
    time = np.arange(int(2_000 * seconds)) / 2_000
    rng = np.random.default_rng(8)
    turns = 25.0 * time + 0.004 * np.sin(2 * np.pi * time / seconds)
    row = sum(np.cos(2 * np.pi * order * turns + order) for order in (1, 2, 3, 8)) + rng.standard_normal(time.size)
    lows = [phase_refinement.low_passed(row.astype(np.float32), 2_000.0, 300.0)]
    laws = [AngleLaw.steady(hz, seconds) for hz in (25.0, 25.01, 21.0, 26.3)]
    orders = np.array([1.0, 2.0, 3.0, 8.0])
    together = phase_refinement.all_refinements(laws, lows, orders, 12.0)
    for law, found in zip(laws, together, strict=True):
        alone = phase_refinement.refinements(law, lows, orders, 12.0)
        assert len(found) == len(alone)
        for one, other in zip(found, alone, strict=True):
            assert one.law.turns == pytest.approx(other.law.turns, abs=1e-7)
            assert one.relative == pytest.approx(other.relative, rel=1e-6)
    best = together[0][0]
    assert best.law.mean_hz == pytest.approx(25.0, rel=4 * best.relative)


class EnoughError(Exception):
    """What was asked is known."""


@pytest.mark.parametrize(("turns", "segments"), [(2400.0, 199), (24_000.0, 240)])
def test_phases_are_read_in_as_many_segments_as_a_correction_may_bend(
    monkeypatch: pytest.MonkeyPatch, turns: float, segments: int
) -> None:
    """Half overlapping ones of 24 turns; of long captures 240, since what bends more often is jitter."""
    asked: list[int] = []

    def windows(size: int, total: float, centres: NDArray[np.float64], *more: Any) -> Any:
        asked.append(centres.size)
        raise EnoughError

    monkeypatch.setattr(phase_refinement, "_windows", windows)
    low = Low(samples=np.zeros(4000, dtype=np.float32), rate_hz=100.0, top_hz=40.0)
    with pytest.raises(EnoughError):
        phase_refinement._corrected([AngleLaw.steady(turns / 40.0, 40.0)], [low], np.array([1.0, 2.0]), 24.0)
    assert asked == [segments]
