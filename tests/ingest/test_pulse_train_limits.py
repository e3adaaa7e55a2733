"""Electrical pulses and bent waves: each number is met from both sides of its limit, on rows made by hand."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from tests.ingest.ingest_signals import channel
from vibe.ingest.quality.checks import pulses
from vibe.ingest.quality.checks.amplitude import bent_on_one_side
from vibe.ingest.quality.prepared_signal import Signal, prepare

Row = NDArray[np.float64]
Lines = NDArray[np.complex128]
RATE_HZ = 6_000.0


def noise(size: int, seed: int = 3) -> Row:
    return np.random.default_rng(seed).standard_normal(size)


def signal(row: Row, rate_hz: float = RATE_HZ) -> Signal:
    return prepare(channel(row, rate_hz=rate_hz))


# ── a half wave that is bent ──────────────────────────────────────────────────────────────────────────────────────


def bent(height: float = 0.7, top: float = 1.0, other_top: float = 1.9) -> bool:
    """Of values whose upper 3 % begin at ``height``, where those of the lower side begin at 1; one in 3000 reaches so
    many times that, and one in 10 000 three times as much."""
    share = (np.arange(60_000) + 0.5) / 60_000
    places = [0.5, 0.96, 0.98, 0.9985, 0.99989, 0.99991, 1.0]
    upper = np.interp(share, places, height * np.array([0.0, 1.0, 1.0, top, top, 3.0, 3.0]))
    lower = np.interp(share, places, np.array([0.0, 1.0, 1.0, other_top, other_top, 3.0, 3.0]))
    row = np.where(share > 0.5, upper, -lower[::-1])
    # Its mean lies at zero, by what is put in the middle.
    middle = np.abs(share - 0.5) < 0.3
    row[middle] -= row.sum() / middle.sum()
    return bool(bent_on_one_side(signal(np.random.default_rng(1).permutation(row))))


@pytest.mark.parametrize(("top", "is_bent"), [(1.08, True), (1.16, False)])
def test_a_bent_side_ends_an_eighth_above_its_usual_height(top: float, is_bent: bool) -> None:
    assert bent(top=top) is is_bent


@pytest.mark.parametrize(("other_top", "is_bent"), [(1.6, True), (1.4, False)])
def test_while_the_other_has_its_peaks(other_top: float, is_bent: bool) -> None:
    assert bent(other_top=other_top) is is_bent


@pytest.mark.parametrize(("height", "is_bent"), [(0.75, True), (0.85, False)])
def test_and_it_is_lower_all_the_way(height: float, is_bent: bool) -> None:
    assert bent(height) is is_bent


# ── radio ─────────────────────────────────────────────────────────────────────────────────────────────────────────


def sends(frame_s: float, burst_s: float, seconds: float = 4.0, height: float = 1.0, rate_hz: float = RATE_HZ) -> str:
    """What is said of bursts of that length, once a frame, with clean edges between samples."""
    edges_s = np.arange(round(seconds * rate_hz) + 1) / rate_hz
    frames = edges_s / frame_s + 0.31
    # How long a burst has lasted in all up to each edge of a sample.
    on_s = frame_s * (np.floor(frames) * burst_s / frame_s + np.minimum(frames % 1.0, burst_s / frame_s))
    row = height * np.diff(on_s) * rate_hz + 0.02 * noise(edges_s.size - 1)
    found = pulses.frames(signal(row, rate_hz))
    return found[0].text if found else ""


@pytest.mark.parametrize(
    ("what", "frame_s", "shortest_s", "longest_s"),
    [
        ("TETRA", 17 / 300, 0.012, 0.0165), ("DMR", 0.060, 0.024, 0.031), ("satellite", 0.090, 0.006, 0.0105),
        ("access point", 0.1024, 0.0005, 0.004), ("DECT", 0.010, 0.0002, 0.0009),
    ],
)  # fmt: skip
def test_radios_are_known_by_the_lengths_of_frame_and_burst(
    what: str, frame_s: float, shortest_s: float, longest_s: float
) -> None:
    """Of bursts a seventh below and a fifth above the bounds; below two samples none is known."""
    bursts = [(1.2 * shortest_s, True), (0.85 * longest_s, True), (1.2 * longest_s, False)]
    bursts += [(0.85 * shortest_s, False)] if shortest_s > 2 / RATE_HZ else []
    for burst_s, known in bursts:
        assert (what in sends(frame_s, burst_s)) is known, burst_s
    assert sends(1.01 * frame_s, 0.5 * (shortest_s + longest_s)) == ""


def test_a_burst_shorter_than_two_samples_is_read_as_two() -> None:
    assert "DECT" in sends(0.010, 0.0001)


@pytest.mark.parametrize(("rate_hz", "enough"), [(2_500.0, False), (3_100.0, True)])
def test_two_edges_are_no_chance_from_nine_lines_on(rate_hz: float, enough: bool) -> None:
    """Of 100 Hz, from the third on, up to the rate over 2.56."""
    assert bool(sends(0.010, 0.0008, rate_hz=rate_hz)) is enough


@pytest.mark.parametrize(("off", "known"), [(0.8e-4, True), (1.7e-4, False)])
def test_clocks_are_off_by_a_hundred_millionths(off: float, known: bool) -> None:
    assert bool(sends(0.010 * (1 + off), 0.0008, 20.0)) is known


@pytest.mark.parametrize(("height", "counts"), [(0.08, False), (0.125, True)])
def test_pulses_count_from_a_tenth_of_the_value_of_the_capture(height: float, counts: bool) -> None:
    size = round(4 * RATE_HZ)
    above = np.sqrt(2) * np.sin(2 * np.pi * 2_700.0 * np.arange(size) / RATE_HZ)
    phase = (np.arange(size) / RATE_HZ / 0.060) % 1.0
    row = above + height * (phase < 0.46) + 0.002 * noise(size)
    assert bool(pulses.frames(signal(row))) is counts


def leaks(speed_hz: float = 25.0, share: float = 0.1, lasts: float = 1.0, seconds: float = 8.0) -> bool:
    """Whether pulses of a shaft are seen in a channel that is said to turn 25 times a second; of so long a share of the
    turn, and during a part of the capture."""
    turns = np.arange(round(seconds * RATE_HZ)) / RATE_HZ * speed_hz
    on = (turns % 1.0 < share) & (turns < lasts * turns[-1])
    return bool(pulses.speed_sensor(signal(on + 0.01 * noise(turns.size)), 25.0))


@pytest.mark.parametrize(("off", "found"), [(0.026, True), (0.045, False), (-0.026, True), (-0.045, False)])
def test_a_shaft_is_sought_within_three_per_cent_of_its_speed(off: float, found: bool) -> None:
    assert leaks(25.0 * (1 + off)) is found


@pytest.mark.parametrize(("share", "found"), [(0.31, True), (0.4, False)])
def test_a_mark_lasts_a_third_of_a_turn_at_most(share: float, found: bool) -> None:
    assert leaks(share=share) is found


@pytest.mark.parametrize(("lasts", "found"), [(0.24, False), (0.65, True)])
def test_pulses_stand_in_half_of_the_windows(lasts: float, found: bool) -> None:
    assert leaks(lasts=lasts) is found


@pytest.mark.parametrize(
    ("loud", "frame", "of_gsm"),
    [
        (0.7, 1.0, False),
        (0.79, 1.0, False),
        (0.845, 1.0, True),
        (0.86, 1.0, True),
        (0.95, 1.0, False),
        (0.875, 1.01, False),
    ],
)
def test_a_telephone_takes_the_gain_away_for_one_slot_of_eight(loud: float, frame: float, of_gsm: bool) -> None:
    """26 frames in 120 ms."""
    time_s = np.arange(65_000) / 13_000.0
    row = noise(time_s.size) * ((time_s / (0.120 / 26 * frame)) % 1.0 < loud)
    assert bool(pulses.gain_in_frames(signal(row, 13_000.0))) is of_gsm


# ── two edges ─────────────────────────────────────────────────────────────────────────────────────────────────────

ORDERS = np.arange(3, 61)
PLACES = 256


def edges(orders: NDArray[np.intp] = ORDERS, second: float = 1.0) -> Lines:
    """Slopes of a pulse of a tenth of its period, whose falling edge is so many times as high."""
    rising, falling = 40 / PLACES, 66 / PLACES
    return np.asarray(np.exp(-2j * np.pi * orders * rising) - second * np.exp(-2j * np.pi * orders * falling))


def any_way(size: int, seed: int = 2) -> Lines:
    return np.asarray(np.exp(2j * np.pi * np.random.default_rng(seed).random(size)))


def is_pulse(slopes: Lines, noise_share: float | Row = 0.01) -> bool:
    """Whether lines of such slopes, in noise of such a share of each, are a pulse's."""
    lines = slopes / (1j * ORDERS)
    return pulses._two_edges(ORDERS, lines, np.abs(lines) * noise_share, all_of_them=True) is not None


@pytest.mark.parametrize(("over_noise", "found"), [(2.0, False), (3.0, True)])
def test_a_line_stands_out_from_two_and_a_half_times_the_noise_on(over_noise: float, found: bool) -> None:
    assert is_pulse(edges(), 1 / over_noise) is found


@pytest.mark.parametrize(("clear", "found"), [(6, False), (8, True)])
def test_three_in_four_lines_stand_out(clear: int, found: bool) -> None:
    """Of every ten so many; the nine lowest, which must, do."""
    hidden = (np.arange(ORDERS.size) % 10 >= clear) & (np.arange(ORDERS.size) > 8)
    hidden[8] = clear < 7
    assert is_pulse(edges(), np.where(hidden, 1.0, 0.01) + (clear < 7) * np.isin(np.arange(58), (2, 5))) is found


@pytest.mark.parametrize(("strange", "found"), [(4, True), (5, False)])
def test_one_line_in_six_may_be_the_machines(strange: int, found: bool) -> None:
    """Four of 24, ten times as high as the rest."""
    orders = ORDERS[:24]
    slopes = edges(orders)
    slopes[1 : 1 + 4 * strange : 4] = 10 * any_way(strange)
    assert (pulses._fitted(orders, slopes) is not None) is found


@pytest.mark.parametrize(("height", "found"), [(1.0, True), (2.4, False)])
def test_two_edges_explain_four_fifths_of_the_power(height: float, found: bool) -> None:
    """So much is added to 18 lines of 58, of which nine are left out."""
    slopes = edges()
    slopes[4:58:3] += height * any_way(18)
    assert (pulses._fitted(ORDERS, slopes) is not None) is found


def test_edges_of_few_lines_are_no_chance_from_one_in_a_million_on() -> None:
    """Nine lines and 256 places of either edge: (1 - fit)^7 x 256² is 1e-6 where a pulse is seen for the last time."""
    orders, low, high = ORDERS[:9], 0.0, 2.0
    fit = 1.0
    for _ in range(25):
        share = (low + high) / 2
        found = pulses._fitted(orders, edges(orders) + share * any_way(9))
        if found is not None and found.lines == 9:
            low, fit = share, found.fit
        else:
            high = share
    assert (1 - fit) ** 7 * PLACES**2 == pytest.approx(1e-6, rel=0.1)


@pytest.mark.parametrize(("off", "found"), [(0.3, True), (0.55, False)])
def test_the_lowest_third_of_the_lines_lies_within_four_tenths_of_the_pulses_own(off: float, found: bool) -> None:
    slopes = edges()
    slopes[:19] *= 1 + off * any_way(19)
    assert (pulses._fitted(ORDERS, slopes) is not None) is found


@pytest.mark.parametrize(("second", "found"), [(0.3, False), (0.5, True)])
def test_the_edges_are_as_high_as_each_other_but_for_two_and_a_half_times(second: float, found: bool) -> None:
    assert (pulses._fitted(ORDERS, edges(second=second)) is not None) is found


def test_sixty_lines_are_read_up_to_1200_hertz() -> None:
    assert pulses._orders(10.0, RATE_HZ).tolist() == list(range(3, 61))
    assert pulses._orders(40.0, RATE_HZ).tolist() == list(range(3, 31))


@pytest.mark.parametrize(
    ("count", "uneven", "found"), [(6, 0.0, False), (7, 0.0, True), (8, 0.22, True), (8, 0.33, False)]
)
def test_seven_lines_of_one_height_are_a_short_pulse(count: int, uneven: float, found: bool) -> None:
    """Of heights that differ by d either way one height explains 1 / (1 + d²): 0.954 and 0.902."""
    orders = ORDERS[:20]
    lines = (1 + uneven * np.resize([1.0, -1.0, -1.0, 1.0], 20)) * np.exp(-2j * np.pi * orders * 0.2)
    noises = np.where(np.arange(20) < count, 0.01, 10.0)
    assert (pulses._short(orders, np.asarray(lines, np.complex128), noises) is not None) is found


@pytest.mark.parametrize(("seconds", "enough"), [(1.8, False), (2.5, True)])
def test_two_windows_of_a_second_show_a_radio(seconds: float, enough: bool) -> None:
    assert bool(sends(0.090, 0.008, seconds)) is enough


@pytest.mark.parametrize(
    ("lasts_s", "over", "rings"), [(0.7e-3, 9.0, False), (1.6e-3, 9.0, True), (1.6e-3, 2.2, False), (1.6e-3, 4.5, True)]
)
def test_what_is_three_times_as_strong_for_a_millisecond_of_each_turn_rings(
    lasts_s: float, over: float, rings: bool
) -> None:
    rate_hz, turns_hz = 20_000.0, 25.0
    at = np.arange(40_000) / rate_hz * turns_hz % 1.0
    # Slopes of one size and either sign: their power is what is asked for.
    slopes = np.where(np.random.default_rng(8).random(at.size) < 0.5, -1.0, 1.0)
    slopes *= np.where((at > 0.3) & (at < 0.3 + lasts_s * turns_hz), np.sqrt(over), 1.0)
    assert pulses._rings(np.cumsum(slopes).astype(np.float32), rate_hz, turns_hz) is rings
