"""Faults of recorders: each number is met from both sides of its limit, on rows made by hand."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from tests.ingest.ingest_signals import channel
from vibe.ingest.quality.prepared_signal import Signal, prepare
from vibe.ingest.quality.recording import slew
from vibe.ingest.quality.recording.fading import fading
from vibe.ingest.quality.recording.gain_step import band_levels, gain_step
from vibe.ingest.quality.recording.missing_codes import missing_codes
from vibe.ingest.quality.recording.overflow import _ends_abruptly, overflow
from vibe.ingest.quality.recording.quantity import quantity
from vibe.ingest.quality.recording.repeats import repeats
from vibe.ingest.quality.recording.sample_rate import _stands, slip_of
from vibe.ingest.quality.recording.slew import slew_limited
from vibe.ingest.quality.recording.thinned import thinned

Row = NDArray[np.float64]


def noise(size: int, seed: int = 3) -> Row:
    return np.random.default_rng(seed).standard_normal(size)


def signal(row: Row, rate_hz: float = 4_000.0, **more: Any) -> Signal:
    return prepare(channel(row, rate_hz=rate_hz, **more))


# ── a sensitivity that moves ──────────────────────────────────────────────────────────────────────────────────────


def levels_db(slope_db: float, *, apart_db: float = 0.0, follows: float = 1.0, windows: int = 50) -> Row:
    """Of nine bands: they move by ``slope_db`` from end to end, four by so much less and four by more; a straight line
    explains the share ``follows`` of it, up and down from window to window are the rest."""
    time = np.linspace(-0.5, 0.5, windows)
    swing_db = slope_db * np.sqrt((1 / follows - 1) / 12)
    common = slope_db * time + swing_db * (-1.0) ** np.arange(windows)
    return common[:, None] + time[:, None] * apart_db * np.repeat([-1.0, 0.0, 1.0], [4, 1, 4])


@pytest.mark.parametrize(("slope_db", "fades"), [(-2.2, False), (-2.8, True), (2.8, True)])
def test_a_sensitivity_fades_by_two_and_a_half_decibels(slope_db: float, fades: bool) -> None:
    assert bool(fading(levels_db(slope_db))) is fades


@pytest.mark.parametrize(
    ("slope_db", "apart_db", "fades"), [(10.0, 1.4, True), (10.0, 1.9, False), (3.0, 0.65, True), (3.0, 0.9, False)]
)
def test_all_bands_fade_alike(slope_db: float, apart_db: float, fades: bool) -> None:
    """Within 0.4 dB, which chance makes, and an eighth of what they have in common."""
    assert bool(fading(levels_db(slope_db, apart_db=apart_db))) is fades


@pytest.mark.parametrize(("follows", "fades"), [(0.75, False), (0.85, True)])
def test_and_along_a_straight_line(follows: float, fades: bool) -> None:
    assert bool(fading(levels_db(10.0, follows=follows))) is fades


@pytest.mark.parametrize(("windows", "fades"), [(28, False), (32, True)])
def test_of_thirty_windows_a_slope_is_known(windows: int, fades: bool) -> None:
    assert bool(fading(levels_db(10.0, windows=windows))) is fades


# ── a range that is switched ──────────────────────────────────────────────────────────────────────────────────────

RATE_HZ = 8_000.0


def switched(step_db: float = 8.0, over_s: float = 0.0) -> Signal:
    """Noise that is ``step_db`` higher from 2 s on, within so many seconds about it."""
    time_s = np.arange(round(4 * RATE_HZ)) / RATE_HZ
    share = np.clip((time_s - 2.0) / max(over_s, 1e-9) + 0.5, 0.0, 1.0)
    return signal(noise(time_s.size) * 10 ** (step_db * share / 20), RATE_HZ)


def stepped_db(step_db: float = 8.0, *, apart_db: float = 0.0, strays: float = 0.0) -> Row:
    """Levels of nine bands in 40 windows, half of them higher; four bands step by so much more and four by less, and of
    each side a share of the windows strays to the other."""
    side = np.repeat([0.0, 1.0], 20)
    for first in (0, 20):
        side[first + 3 : first + 3 + round(20 * strays)] = 1.0 - side[first]
    return side[:, None] * (step_db + apart_db * np.repeat([-1.0, 0.0, 1.0], [4, 1, 4]))


def is_step(level_db: Row | None, at: Signal | None = None) -> bool:
    return bool(gain_step(at or switched(), level_db))


@pytest.mark.parametrize(("step_db", "is_one"), [(4.0, False), (6.0, True)])
def test_ranges_come_in_steps_of_six_decibels(step_db: float, is_one: bool) -> None:
    assert is_step(stepped_db(step_db), switched(step_db)) is is_one


@pytest.mark.parametrize(("apart_db", "is_one"), [(0.6, True), (0.75, False)])
def test_all_bands_step_alike(apart_db: float, is_one: bool) -> None:
    """1.4826 times the usual difference is a standard deviation: 1 dB."""
    assert is_step(stepped_db(apart_db=apart_db)) is is_one


@pytest.mark.parametrize(("strays", "is_one"), [(0.05, True), (0.2, False)])
def test_each_side_stays_on_its_level(strays: float, is_one: bool) -> None:
    assert is_step(stepped_db(strays=strays)) is is_one


@pytest.mark.parametrize(("over_s", "at_once"), [(0.055, True), (0.085, False)])
def test_a_recorder_switches_within_40_milliseconds(over_s: float, at_once: bool) -> None:
    """Of slower steps means of 40 ms on either side, 10 ms apart, differ by three quarters and by six tenths."""
    assert is_step(stepped_db(), switched(over_s=over_s)) is at_once


@pytest.mark.parametrize(("seconds", "enough"), [(1.15, False), (1.25, True)])
def test_half_a_second_on_either_side_of_a_step(seconds: float, enough: bool) -> None:
    """And two windows of a tenth that belong to neither."""
    assert (band_levels(signal(noise(round(seconds * 16_000)), 16_000.0)) is not None) is enough


def test_two_bands_to_an_octave() -> None:
    """Of 40, 57, 80 ... 7240 Hz those that have eight bins of 10 Hz to the next."""
    found = band_levels(signal(noise(51_200), 25_600.0))
    assert found is not None
    edges_hz = [edge for edge in 40 * 2 ** (np.arange(16) / 2) if edge * (np.sqrt(2) - 1) > 75]
    assert found.shape[1] == len(edges_hz) - 1


@pytest.mark.parametrize(("rate_hz", "enough"), [(8_000.0, False), (10_500.0, True)])
def test_eight_bands_speak_for_all(rate_hz: float, enough: bool) -> None:
    assert (band_levels(signal(noise(round(2 * rate_hz)), rate_hz)) is not None) is enough


# ── a bit that is stuck ───────────────────────────────────────────────────────────────────────────────────────────


def without(share: float, gap: int, size: int = 16_000, each: int = 1) -> Row:
    """Evenly spread values, each so many times, of which ``gap`` are left out at that share of them."""
    values = np.arange(size // each + gap, dtype=np.float64)
    first = round(share * values.size)
    values = np.delete(values, np.arange(first, first + gap))
    return np.random.default_rng(2).permutation(np.repeat(values, each))


@pytest.mark.parametrize(("gap", "found"), [(50, False), (70, True)])
def test_a_gap_that_would_hold_sixty_samples_is_no_chance(gap: int, found: bool) -> None:
    assert bool(missing_codes(signal(without(0.5, gap)))) is found


@pytest.mark.parametrize(("share", "found"), [(0.07, False), (0.14, True), (0.86, True), (0.93, False)])
def test_a_gap_counts_in_the_middle_eight_tenths(share: float, found: bool) -> None:
    assert bool(missing_codes(signal(without(share, 200)))) is found


@pytest.mark.parametrize(("gap", "found"), [(3, False), (4, True)])
def test_a_gap_is_more_than_four_steps_wide(gap: int, found: bool) -> None:
    """Of values that come a hundred times each; with so many left out the next is one step further."""
    row = without(0.5, gap, 20_000, 100)
    assert bool(missing_codes(signal(row, step=1.0))) is found


@pytest.mark.parametrize(("size", "found"), [(8_000, False), (8_400, True)])
def test_eight_thousand_samples_show_a_gap(size: int, found: bool) -> None:
    assert bool(missing_codes(signal(without(0.5, 200, size)))) is found


@pytest.mark.parametrize(("values", "found"), [(26, False), (34, True)])
def test_of_24_values_in_the_middle_gaps_are_no_rule(values: int, found: bool) -> None:
    assert bool(missing_codes(signal(without(0.5, 6, 400 * values, 400), step=1.0))) is found


# ── numbers that wrap ─────────────────────────────────────────────────────────────────────────────────────────────


def ends(next_to: int, further_in: int, on_it: int = 1) -> bool:
    """Whether values end abruptly of which so many lie next to each end and one width further in."""
    row = np.concatenate((np.full(on_it, 1.0), np.full(next_to - on_it, 0.95), np.full(further_in, 0.85), [0.0]))
    return _ends_abruptly(np.concatenate((row, -row)), 1.0, -1.0, 0.1)


@pytest.mark.parametrize(("next_to", "abrupt"), [(80, False), (100, True), (370, True), (390, False)])
def test_a_wrap_goes_through_the_end_at_speed(next_to: int, abrupt: bool) -> None:
    assert ends(next_to, 200) is abrupt


@pytest.mark.parametrize(("on_it", "abrupt"), [(15, True), (25, False)])
def test_what_is_cut_off_has_its_values_on_the_end(on_it: int, abrupt: bool) -> None:
    assert ends(100, 100, on_it) is abrupt


@pytest.mark.parametrize(("next_to", "enough"), [(7, False), (9, True)])
def test_eight_samples_at_either_end_are_no_chance(next_to: int, enough: bool) -> None:
    assert ends(next_to, next_to) is enough


def saw(periods: float, *, moved: float = 0.0) -> Row:
    """A ramp that wraps so many times, its ends moved."""
    return ((2 * np.linspace(0, periods, 20_000) + 1) % 2) - 1 + moved


@pytest.mark.parametrize(("periods", "wraps"), [(7.0, False), (10.0, True)])
def test_eight_jumps_are_no_chance(periods: float, wraps: bool) -> None:
    assert bool(overflow(signal(saw(periods)))) is wraps


@pytest.mark.parametrize(("steep", "wraps"), [(10, True), (40, False)])
def test_four_in_five_jumps_vanish_where_the_wrap_is_undone(steep: int, wraps: bool) -> None:
    """Of sixty, and of so many that are steep places of a smooth wave."""
    row = saw(60.0)
    for first in np.flatnonzero(np.diff(np.sign(row)) > 0)[:steep]:
        row[first + 2 : first + 6] = -0.97, -0.63, 0.63, 0.97
    assert bool(overflow(signal(row))) is wraps


@pytest.mark.parametrize(("moved", "wraps"), [(0.0035, True), (0.007, False)])
def test_the_ends_of_an_integer_are_equally_far_out(moved: float, wraps: bool) -> None:
    assert bool(overflow(signal(saw(40.0, moved=moved)))) is wraps


# ── what is labelled wrongly, repeated, left out ──────────────────────────────────────────────────────────────────


@pytest.mark.parametrize(("slope_db", "wrong"), [(-3.0, False), (-5.0, True)])
def test_a_floor_that_falls_by_four_decibels_a_decade_is_no_accelerations(slope_db: float, wrong: bool) -> None:
    """Below 20 Hz nothing is asked of it, though it falls by 40."""
    row, hz = noise(40_000), np.fft.rfftfreq(40_000, 1 / 4_000.0)
    shape = np.maximum(hz, 20.0) ** (slope_db / 20) * np.minimum(np.maximum(hz, 1.0) / 18.0, 1.0) ** -2.0
    assert bool(quantity(signal(np.fft.irfft(np.fft.rfft(row) * shape, row.size)))) is wrong


def test_nor_is_one_that_falls_from_there_on_to_forty_hertz() -> None:
    row, hz = noise(40_000), np.fft.rfftfreq(40_000, 1 / 4_000.0)
    shape = np.minimum(np.maximum(hz, 1.0) / 39.0, 1.0) ** -4.0
    assert quantity(signal(np.fft.irfft(np.fft.rfft(row) * shape, row.size)))


def again(lag: int, size: int, row: Row | None = None, *, times: int = 1) -> Row:
    """A row of which pieces of that size are written again so much later."""
    row = noise(8_000) if row is None else row.copy()
    for first in range(1_000, 1_000 + 100 * times, 100):
        for place in range(first, first + size):
            row[place + lag] = row[place]
    return row


@pytest.mark.parametrize(("lag", "found"), [(60, False), (70, True)])
def test_a_buffer_holds_64_samples(lag: int, found: bool) -> None:
    assert bool(repeats(signal(again(lag, 400)))) is found


@pytest.mark.parametrize(("size", "found"), [(20, False), (40, True)])
def test_24_samples_are_equal(size: int, found: bool) -> None:
    assert bool(repeats(signal(again(4_000, size, times=20)))) is found


@pytest.mark.parametrize(("peaks", "found"), [(3, False), (5, True)])
def test_four_peaks_come_again(peaks: int, found: bool) -> None:
    row = noise(8_000)
    high = np.quantile(row, 0.8)
    tops = np.flatnonzero((row[1:-1] > row[:-2]) & (row[1:-1] > row[2:]) & (row[1:-1] > high)) + 1
    tops = tops[tops > 1_000]
    assert bool(repeats(signal(again(4_000, int(tops[peaks - 1]) + 25 - 1_000, row)))) is found


@pytest.mark.parametrize(("levels", "found"), [(13, False), (19, True)])
def test_a_recorder_of_fewer_than_sixteen_levels_repeats_itself(levels: int, found: bool) -> None:
    row = np.random.default_rng(5).integers(0, levels, 8_000).astype(np.float64)
    assert bool(repeats(signal(again(4_000, 400, row)))) is found


@pytest.mark.parametrize(("kept", "found"), [(2, True), (16, True), (17, False)])
def test_one_sample_in_two_to_sixteen_was_kept(kept: int, found: bool) -> None:
    row = 100 * noise(20_000)
    places = np.arange(20_000)
    assert bool(thinned(signal(np.interp(places, places[::kept], row[::kept]).round(2)))) is found


def test_a_row_that_is_straight_for_nearly_half_of_its_length_was_not_thinned() -> None:
    """One sample in one is all of them."""
    row = 100 * noise(20_000)
    row[:9_000] = np.linspace(-300, 300, 9_000)
    assert not thinned(signal(row.round(2)))


# ── a slope that is held, a sample rate that is wrong ─────────────────────────────────────────────────────────────


def held(falls: float, rises: float) -> bool:
    """Of slopes in any order, of which 3 % of either sign are usual ones and one in 2000 reaches so many times as far,
    three in 20 000 five times that."""
    share = (np.arange(40_000) + 0.5) / 40_000
    places = [0.5, 0.9, 0.96, 0.98, 0.9993, 0.99984, 0.99986, 1.0]
    up, down = (np.interp(share, places, [0.0, 0.3, 1.0, 1.0, k, k, 5 * k, 5 * k]) for k in (rises, falls))
    slopes = np.where(share > 0.5, up, -down[::-1])
    middle = np.abs(share - 0.5) < 0.3
    slopes[middle] -= slopes.sum() / middle.sum()
    return bool(slew_limited(signal(np.cumsum(np.random.default_rng(1).permutation(slopes)), 10_000.0)))


@pytest.mark.parametrize(("falls", "rises", "is_held"), [(1.36, 2.2, True), (1.48, 2.2, False), (2.2, 1.36, True)])
def test_a_side_that_is_held_ends_at_once(falls: float, rises: float, is_held: bool) -> None:
    assert held(falls, rises) is is_held


@pytest.mark.parametrize(("rises", "is_held"), [(1.66, False), (1.8, True)])
def test_while_the_other_goes_on_for_a_quarter_more(rises: float, is_held: bool) -> None:
    assert held(1.38, rises) is is_held


@pytest.mark.parametrize(("both", "is_held"), [(1.52, True), (1.64, False)])
def test_sides_that_are_held_alike_end_a_tenth_below_those_of_noise(both: float, is_held: bool) -> None:
    assert held(both, both) is is_held


@pytest.mark.parametrize(
    ("both", "other", "squares", "strongest", "is_held"),
    [
        (1.52, 1.52, 0.04, 0.12, True), (1.52, 1.52, 0.06, 0.12, False), (1.52, 1.52, 0.04, 0.2, False),
        (1.36, 1.36, 0.12, 0.35, True), (1.36, 1.36, 0.2, 0.35, False), (1.36, 1.36, 0.12, 0.45, False),
        (1.36, 2.2, 0.2, 0.35, True), (1.36, 2.2, 0.3, 0.35, False), (1.36, 2.2, 0.2, 0.55, False),
    ],
)  # fmt: skip
def test_lines_end_sooner_than_noise_does(
    both: float, other: float, squares: float, strongest: float, is_held: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The more lines a slope has, by the squares of their shares and the strongest one's, the less its ends say: least
    of sides that end a tenth early, more of those that end at once, most of one side alone."""
    monkeypatch.setattr(slew, "_lines", lambda slope, rate_hz: (squares, strongest))
    monkeypatch.setattr(slew, "_put_together_anew", lambda slope, rate_hz: (1.1, 1.1))
    assert held(both, other) is is_held


@pytest.mark.parametrize(
    ("both", "other", "later", "is_held"),
    [
        (1.36, 1.36, (1.06, 1.06), True), (1.36, 1.36, (1.04, 1.2), False), (1.36, 1.36, (1.2, 1.04), False),
        (1.36, 2.2, (1.06, 1.0), True), (1.36, 2.2, (1.04, 1.2), False), (2.2, 1.36, (1.0, 1.06), True),
    ],
)  # fmt: skip
def test_where_there_are_lines_a_side_that_is_held_goes_on_farther_once_put_together_anew(
    both: float, other: float, later: tuple[float, float], is_held: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(slew, "_lines", lambda slope, rate_hz: (0.12, 0.35))
    monkeypatch.setattr(slew, "_put_together_anew", lambda slope, rate_hz: later)
    assert held(both, other) is is_held


@pytest.mark.parametrize(
    ("over_floor", "off_bins", "stands"), [(25, 0, False), (36, 0, True), (100, 6, True), (100, 10, False)]
)
def test_a_line_of_the_mains_stands_out_and_where_it_belongs(over_floor: float, off_bins: int, stands: bool) -> None:
    """Within 0.15 % of 100 Hz, seven and a half bins of 0.02 Hz, and thirty times over its floor."""
    power = np.ones(10_000)
    power[5_000 + off_bins] = over_floor
    assert _stands(power, 0.02, 100.0) is stands


@pytest.mark.parametrize(("off", "said"), [(0.003, "open"), (0.006, "note")])
def test_speeds_that_differ_by_less_than_four_thousandths_move_no_line(off: float, said: str) -> None:
    time_s = np.arange(80_000) / 2_560.0
    row = noise(80_000) + np.sin(2 * np.pi * 100.0 * time_s)
    assert slip_of([channel(row, rate_hz=2_560.0)], 1 + off) == said
