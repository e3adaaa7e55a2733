"""Checks of a channel: each number is met from both sides of its limit, on rows made by hand."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from tests.ingest.ingest_signals import channel
from vibe.core.capture import Reason
from vibe.core.units import STANDARD_GRAVITY_M_S2
from vibe.ingest import assess_tachometer
from vibe.ingest.quality.checks import cross_channel, input_ranges
from vibe.ingest.quality.checks.amplitude import _ties, clipping, offset, overload, plausible, resolution
from vibe.ingest.quality.checks.drift import _round_wait, settling, ski_slope
from vibe.ingest.quality.checks.hum import _lines, hum
from vibe.ingest.quality.checks.low_cut import low_cut
from vibe.ingest.quality.checks.running import _is_hum, not_running, within_steps
from vibe.ingest.quality.checks.shocks import stray_shock
from vibe.ingest.quality.prepared_signal import Density, Signal, amount, density, prepare
from vibe.ingest.quality.recording.gaps import dropouts, missing, straight

Row = NDArray[np.float64]
RATE_HZ = 2_560.0


def noise(size: int = 20_000, seed: int = 3) -> Row:
    return np.random.default_rng(seed).standard_normal(size)


def signal(row: Row, rate_hz: float = RATE_HZ, **more: Any) -> Signal:
    return prepare(channel(row, rate_hz=rate_hz, **more))


def verdict(reasons: list[Reason]) -> str | None:
    return reasons[0].verdict if reasons else None


# ── what is not there ─────────────────────────────────────────────────────────────────────────────────────────────


@pytest.mark.parametrize(
    ("share", "said"), [(0.0008, "usable"), (0.0012, "limited"), (0.18, "limited"), (0.22, "rejected")]
)
def test_missing_samples(share: float, said: str) -> None:
    row = noise()
    row[: round(share * row.size)] = np.nan
    assert verdict(missing(signal(row))) == said


def held(row: Row, repeats: int, first: int = 5_000, leap: float | None = None) -> Row:
    """One value repeated so many times; where a ``leap`` is given, it is 0 and its neighbours lie so far off."""
    row = row.copy()
    row[first : first + repeats + 1] = row[first] if leap is None else 0.0
    if leap is not None:
        row[first - 1], row[first + repeats + 1] = leap, -leap
    return row


@pytest.mark.parametrize(("repeats", "found"), [(7, False), (9, True)])
def test_eight_repeats_of_a_value_are_a_dropout(repeats: int, found: bool) -> None:
    row = np.clip(held(noise(), repeats), -3, 3)
    row[5_000 : 5_001 + repeats] = 0.123
    assert bool(dropouts(signal(row))) is found


@pytest.mark.parametrize(("repeats", "found"), [(25, False), (26, True)])
def test_more_where_values_come_twice_anyway(repeats: int, found: bool) -> None:
    """10 000 x 0.5^26 = 1.5e-4, and chance is 1e-4 from 26.6 on."""
    row = np.repeat(noise(5_000), 2)
    row[5_000 : 5_001 + repeats] = 0.123
    assert bool(dropouts(signal(row))) is found


@pytest.mark.parametrize(("repeats", "found"), [(28, False), (36, True)])
def test_four_times_as_many_between_coarse_steps(repeats: int, found: bool) -> None:
    row = np.round(3 * noise())
    assert bool(dropouts(signal(held(row, repeats, leap=3.0), step=1.0))) is found


@pytest.mark.parametrize(
    ("steps", "leap", "found"), [(12, 1.0, False), (12, 2.0, True), (100, 4.0, False), (100, 6.0, True)]
)
def test_a_gap_is_left_by_a_leap(steps: float, leap: float, found: bool) -> None:
    """Of one step and a half, or of a twentieth of the r.m.s. value."""
    row = np.round(steps * noise())
    assert bool(dropouts(signal(held(row, 20, leap=leap), step=1.0))) is found


@pytest.mark.parametrize(("share", "said"), [(0.18, "limited"), (0.22, "rejected")])
def test_a_fifth_lost_is_too_much(share: float, said: str) -> None:
    row = noise()
    for first in range(0, 20_000, 1_000):
        row[first : first + round(1_000 * share)] = 0.1 + first / 1e6
    assert verdict(dropouts(signal(row))) == said


@pytest.mark.parametrize(("samples", "found"), [(25, False), (27, True)])
def test_a_straight_line_bends_nowhere_for_24_samples(samples: int, found: bool) -> None:
    row = noise()
    row[5_000 : 5_000 + samples] = np.linspace(-1, 1, samples)
    assert bool(straight(signal(row.astype(np.float32).astype(np.float64)))) is found


@pytest.mark.parametrize(("steps", "found"), [(9, False), (15, True)])
def test_where_all_bends_by_less_than_twenty_steps_none_is_looked_for(steps: float, found: bool) -> None:
    """Half of the bends of noise are less than 1.65 standard deviations."""
    row = np.round(steps * noise())
    row[5_000:5_100] = np.round(np.linspace(-40, 59, 100))
    assert bool(straight(signal(row, step=1.0))) is found


# ── range ─────────────────────────────────────────────────────────────────────────────────────────────────────────


@pytest.mark.parametrize(("share", "said"), [(0.008, "limited"), (0.012, "rejected")])
def test_one_sample_in_a_hundred_cut_off_is_too_much(share: float, said: str) -> None:
    row = noise()
    assert verdict(clipping(signal(np.minimum(row, np.quantile(row, 1 - share))))) == said


@pytest.mark.parametrize(("height", "cut"), [(0.9992, False), (0.9997, True)])
def test_a_pair_at_full_scale_is_cut_off(height: float, cut: bool) -> None:
    row = noise() / 10
    row[[100, 7_000]] = height
    assert bool(clipping(signal(row, full_scale=1.0))) is cut


def piled(at_top: int, below: int, share: float = 0.995) -> bool:
    """Whether so many samples in a row at the top are cut off, while others lie at that share of it."""
    row = np.clip(noise(), -2.5, 2.5) * (1 + 1e-3 * noise(seed=4)) / 10
    row[1_000 : 1_000 + at_top] = 1.0
    row[2_000 : 2_000 + below] = share - 1e-5 * np.arange(below)
    return bool(clipping(signal(row)))


@pytest.mark.parametrize(("at_top", "cut"), [(2, False), (4, True)])
def test_three_in_a_row_are_a_pile(at_top: int, cut: bool) -> None:
    assert piled(at_top, 0) is cut


@pytest.mark.parametrize(("below", "cut"), [(2, True), (4, False)])
def test_a_pile_is_three_times_as_high_as_what_lies_below_it(below: int, cut: bool) -> None:
    assert piled(9, below) is cut


@pytest.mark.parametrize(("share", "cut"), [(0.992, False), (0.985, True)])
def test_below_it_is_within_a_hundredth(share: float, cut: bool) -> None:
    assert piled(9, 8, share) is cut


def tied(steps: float, each: int) -> int:
    row = np.clip(np.round(steps * noise()), -3 * steps, 3 * steps)
    row[row == 3 * steps], row[row == -3 * steps] = 0, 0
    row[100 : 100 + each], row[900 : 900 + each] = 4 * steps, -4 * steps
    return _ties(row.astype(np.float32), 4 * steps, -4 * steps, signal(row, step=1.0))


@pytest.mark.parametrize(("steps", "each", "count"), [(40, 3, 0), (60, 3, 6), (60, 9, 18), (60, 11, 0)])
def test_ties_at_both_ends_are_no_chance_where_there_are_many_steps(steps: float, each: int, count: int) -> None:
    assert tied(steps, each) == count


@pytest.mark.parametrize(("peak", "said"), [(0.93, None), (0.97, "limited")])
def test_a_sensor_ends_a_twentieth_early(peak: float, said: str | None) -> None:
    row = noise()
    assert verdict(overload(signal(100 * peak * row / np.abs(row).max()), 100.0)) == said


@pytest.mark.parametrize(("mean", "said"), [(0.45, None), (0.55, "limited")])
def test_an_offset_may_use_up_half_of_the_range(mean: float, said: str | None) -> None:
    assert verdict(offset(signal(mean + 0.01 * noise(), full_scale=1.0))) == said


@pytest.mark.parametrize(("mean", "said"), [(18.0, None), (22.0, "usable")])
def test_twice_gravity_is_worth_a_remark(mean: float, said: str | None) -> None:
    assert verdict(offset(signal(mean + noise()))) == said


@pytest.mark.parametrize(("steps", "said"), [(4.6, "limited"), (5.5, None)])
def test_a_vibration_has_five_steps(steps: float, said: str | None) -> None:
    assert verdict(resolution(signal(np.round(steps * noise()), step=1.0))) == said


@pytest.mark.parametrize(("levels", "rms", "lost"), [(6, 0.9, True), (7, 0.9, False), (6, 1.1, False)])
def test_six_levels_and_one_step_are_no_vibration(levels: int, rms: float, lost: bool) -> None:
    found: Any = SimpleNamespace(step=1.0, levels=levels, rms=rms)
    assert within_steps(found) is lost


@pytest.mark.parametrize(
    ("quantity", "rms", "peak", "said"),
    [
        ("acceleration", 1.0, 4_500.0, None), ("acceleration", 1.0, 5_500.0, "limited"),
        ("acceleration", 1.0, 4.5e9, "limited"), ("acceleration", 1.0, 5.5e9, "rejected"),
        ("acceleration", 1.1e-4, 1e-3, None), ("acceleration", 0.9e-4, 1e-3, "limited"),
        ("acceleration", 0.9e-10, 1e-9, "rejected"), ("acceleration", 1.1e-10, 1e-9, "limited"),
        ("velocity", 0.1, 0.9, None), ("velocity", 0.1, 1.1, "limited"),
        ("displacement", 0.01, 0.045, None), ("displacement", 0.01, 0.055, "limited"),
    ],
)  # fmt: skip
def test_what_no_machine_makes(quantity: str, rms: float, peak: float, said: str | None) -> None:
    made: Any = SimpleNamespace(channel=channel(noise(600), quantity=quantity), rms=rms, peak=peak)
    assert verdict(plausible(made)) == said


G = STANDARD_GRAVITY_M_S2
IN_G = channel(noise(600), recorded_unit="g")


@pytest.mark.parametrize("step", [1, 2, 5, 10, 20, 50, 100, 200, 500])
def test_ranges_of_a_ladder_hold_what_is_a_hundredth_above(step: int) -> None:
    assert input_ranges.named_range(IN_G, 1.007 * step * G) == (f"{step} g", step * G)
    above = input_ranges.named_range(IN_G, 1.014 * step * G)
    assert above is None if step == 500 else above is not None and above[1] > step * G


def test_velocity_and_displacement_have_ladders_of_their_own() -> None:
    assert input_ranges.named_range(channel(noise(600), quantity="velocity"), 0.04) == ("50 mm/s", 0.05)
    assert input_ranges.named_range(channel(noise(600), quantity="displacement"), 4e-5) == (
        "50 µm",
        pytest.approx(5e-5),
    )


def test_a_new_range_holds_twice_the_peak() -> None:
    row = 4 * G * noise() / np.abs(noise()).max()
    assert "±10 g" in input_ranges.smaller_range(signal(row, recorded_unit="g"))


@pytest.mark.parametrize(("steps", "kept"), [(500, False), (530, True)])
def test_a_recorder_has_ten_bits_at_least(steps: int, kept: bool) -> None:
    """A full scale of fewer than half as many steps was not set: it is no reason to keep the range."""
    row = 4 * G * noise() / np.abs(noise()).max()
    said = input_ranges.smaller_range(signal(row, recorded_unit="g", full_scale=12 * G, step=12 * G / steps))
    assert ("higher sensitivity" in said) is kept


def test_no_peak_is_guessed_beyond_twenty_times_the_clip() -> None:
    """10 000 samples, of which 90 % were cut off: ln 10^4 / ln (1 / 0.9) = 87; of half of them 13."""
    row = np.clip(noise(10_000), -1, 1)
    assert input_ranges.peak_before_clipping(signal(row), 9_000) == pytest.approx(20.0)
    assert input_ranges.peak_before_clipping(signal(row), 5_000) == pytest.approx(13.29, abs=0.01)


# ── slow movement ─────────────────────────────────────────────────────────────────────────────────────────────────


@pytest.mark.parametrize(
    ("seconds", "wait_s"), [(1.5, 2), (3, 5), (6, 10), (11, 15), (16, 20), (21, 30), (31, 60), (100, 60)]
)
def test_waits_are_those_that_people_keep(seconds: float, wait_s: float) -> None:
    assert _round_wait(seconds) == wait_s


def settles(swing: float, *, other: float = 0.0) -> bool:
    """A zero line that moves by so many r.m.s. values, and a slow wave that makes up a share of all that moves."""
    time = np.arange(100_000) / 100_000
    drift = np.exp(-5 * time)
    wave = np.sqrt(2 * other / (1 - other)) * drift.std() * np.sin(2 * np.pi * 9 * time)
    return bool(settling(signal(noise(time.size) + swing / (1 - np.exp(-5)) * (drift + wave))))


@pytest.mark.parametrize(("swing", "found"), [(0.42, False), (0.58, True)])
def test_a_sensor_settles_by_half_the_vibration(swing: float, found: bool) -> None:
    assert settles(swing) is found


@pytest.mark.parametrize(("other", "found"), [(0.07, True), (0.14, False)])
def test_nine_tenths_of_what_moves_are_an_exponential(other: float, found: bool) -> None:
    assert settles(3.0, other=other) is found


def sloped(below_m_s: float, above: float = 1.0) -> str | None:
    """White noise that makes so much velocity from 2 to 10 Hz and, as it is, half as much above: times ``above``.

    Of a density S it is sqrt(S (1/2 - 1/10)) / 2 pi, above sqrt(S (1/10 - 1/1000)) / 2 pi.
    """
    hz = np.fft.rfftfreq(200_000, 1 / RATE_HZ)
    density = (2 * np.pi * below_m_s) ** 2 / (1 / 2 - 1 / 10)
    lines = np.fft.rfft(noise(200_000)) * np.sqrt(density * RATE_HZ / 2) * np.where(hz > 10.0, above, 1.0)
    return verdict(ski_slope(signal(np.fft.irfft(lines, 200_000)))[0])


@pytest.mark.parametrize(
    ("below_m_s", "above", "said"),
    [
        (0.68e-3, 1.0, None), (0.78e-3, 1.0, "usable"), (2e-3, 2.3, None), (2e-3, 1.75, "usable"),
        (2e-3, 0.75, "usable"), (2e-3, 0.6, "limited"),
    ],
)  # fmt: skip
def test_a_slope_counts_from_the_lowest_zone_and_from_the_vibration_on(
    below_m_s: float, above: float, said: str | None
) -> None:
    """0.71 mm/s and as much as there is above 10 Hz; three times that is too much."""
    assert sloped(below_m_s, above) == said


# ── a machine that stands ─────────────────────────────────────────────────────────────────────────────────────────


def stands(row: Row) -> bool:
    return any(one.code == "not_running" for one in not_running(signal(row)))


@pytest.mark.parametrize(("rms", "stopped"), [(0.042, True), (0.065, False)])
def test_white_noise_is_a_recorders_up_to_a_level(rms: float, stopped: bool) -> None:
    assert stands(rms * noise(40_000)) is stopped


@pytest.mark.parametrize(("higher_db", "stopped"), [(3.0, True), (5.5, False)])
def test_electronic_noise_is_flat_within_four_decibels(higher_db: float, stopped: bool) -> None:
    hz = np.fft.rfftfreq(40_000, 1 / RATE_HZ)
    lines = np.fft.rfft(noise(40_000)) * np.where(hz > 500.0, 10 ** (higher_db / 20), 1.0)
    row = np.fft.irfft(lines, 40_000)
    assert stands(0.01 * row / row.std()) is stopped


def sine(hz: float, amplitude: float, size: int = 80_000) -> Row:
    return amplitude * np.sin(2 * np.pi * hz * np.arange(size) / RATE_HZ)


@pytest.mark.parametrize(("over_db", "stopped"), [(8.5, True), (13.5, False)])
def test_a_line_stands_eleven_decibels_over_its_floor(over_db: float, stopped: bool) -> None:
    """In bins of 1 Hz a Hann window spreads it over 1.5; noise of 0.01 has a floor of 1e-4 / 1280."""
    amplitude = np.sqrt(2 * 1.5 * 1e-4 / 1280 * 10 ** (over_db / 10))
    assert stands(0.01 * noise(80_000) + sine(80.0, float(amplitude))) is stopped


@pytest.mark.parametrize(("off", "stopped"), [(0.02, True), (0.035, False)])
def test_sample_rates_may_be_rounded_by_two_and_a_half_per_cent(off: float, stopped: bool) -> None:
    assert stands(0.01 * noise(80_000) + sine(450.0 * (1 + off), 0.005)) is stopped


@pytest.mark.parametrize(("line_hz", "of_mains"), [(300.0, True), (350.0, False), (301.0, True), (301.6, False)])
def test_hum_of_an_open_input_is_a_low_multiple_of_the_mains(line_hz: float, of_mains: bool) -> None:
    assert _is_hum(signal(sine(line_hz, 1.0))) is of_mains


# ── hum ───────────────────────────────────────────────────────────────────────────────────────────────────────────


def hums(*lines: tuple[float, float], speed_hz: float | None = None, floor: float = 1e-3) -> tuple[str, str] | None:
    """Code and verdict for lines (frequency, power of velocity) over a little noise."""
    row = floor * noise(30_000) + sum(
        (sine(hz, 2 * np.pi * hz * float(np.sqrt(2 * power)), 30_000) for hz, power in lines), np.zeros(30_000)
    )
    found = hum(signal(row), speed_hz)
    return (found[0].code, str(found[0].verdict)) if found else None


@pytest.mark.parametrize(
    ("share", "said"),
    [(0.27, None), (0.33, ("hum", "limited")), (0.77, ("hum", "limited")), (0.83, ("hum", "rejected"))],
)
def test_hum_counts_from_a_third_of_the_power(share: float, said: tuple[str, str] | None) -> None:
    assert hums((50.0, share), (33.3, 1 - share)) == said


@pytest.mark.parametrize(("off", "is_mains"), [(0.0016, True), (0.0026, False)])
def test_the_mains_are_exact(off: float, is_mains: bool) -> None:
    assert (hums((50.0 * (1 + off), 1.0)) is not None) is is_mains


@pytest.mark.parametrize(("even", "is_hum"), [(0.28, True), (0.4, False)])
def test_odd_multiples_have_three_times_the_power_of_even_ones(even: float, is_hum: bool) -> None:
    assert (hums((50.0, 1.0), (100.0, even)) is not None) is is_hum


@pytest.mark.parametrize(("last", "is_hum"), [(9, True), (11, False)])
def test_nine_multiples_of_the_mains_are_hum(last: int, is_hum: bool) -> None:
    assert (hums((50.0, 0.1), (50.0 * last, 0.5), (33.3, 0.4)) is not None) is is_hum


@pytest.mark.parametrize(("first", "is_hum"), [(0.0, False), (0.03, False), (0.06, True)])
def test_hum_has_a_line_at_the_mains_itself(first: float, is_hum: bool) -> None:
    """A line at 300 Hz is five times 60 Hz and six times 50 Hz."""
    assert (hums((60.0, first), (300.0, 0.45), (33.3, 0.5)) == ("hum", "limited")) is is_hum


@pytest.mark.parametrize(("off", "is_hum"), [(0.004, False), (0.0065, True)])
def test_a_shaft_next_to_the_mains_makes_its_line(off: float, is_hum: bool) -> None:
    assert (hums((50.0, 1.0), speed_hz=25.0 / (1 + off)) is not None) is is_hum


@pytest.mark.parametrize(
    ("over_floor", "off_bins", "counts"), [(8, 0, False), (12, 0, True), (12, 4, True), (12, 6, False)]
)
def test_a_multiple_stands_ten_times_over_its_floor_within_four_bins(
    over_floor: float, off_bins: int, counts: bool
) -> None:
    """Half a Blackman window's line is 3.2 bins wide."""
    power = np.ones(1_000)
    power[199:202] = 500.0, 1_000.0, 500.0
    power[400 + off_bins] += over_floor
    found = _lines(power, Density(power, 0.25, 1), 50.0, np.array([1, 2]))
    assert found[0] > 0
    assert bool(found[1] > 0) is counts


RECTIFIER = (300.0, 0.4), (600.0, 0.1), (900.0, 0.1), (52.5, 1e-3), (63.0, 1e-3)
"""And two lines near the mains, that noise may not stand where it is."""


@pytest.mark.parametrize(("rest", "said"), [(0.67, None), (0.52, ("rectifier_lines", "limited"))])
def test_lines_of_a_rectifier_are_more_than_all_the_rest(rest: float, said: tuple[str, str] | None) -> None:
    assert hums(*RECTIFIER, (33.3, rest)) == said


@pytest.mark.parametrize(("off", "said"), [(0.0004, None), (0.0008, ("rectifier_lines", "limited"))])
def test_a_shaft_in_step_with_the_mains_makes_its_multiples(off: float, said: tuple[str, str] | None) -> None:
    assert hums(*RECTIFIER, speed_hz=25.0 * (1 + off)) == said


@pytest.mark.parametrize("left_out", [(1, 2), (1, 4), (2, 5), (4, 5), (5, 7), (7, 8), (8, 1)])
def test_three_phases_cancel_six_multiples_of_which_blows_have_five(left_out: tuple[int, int]) -> None:
    """Supplies that are out of balance show some of them."""
    blows = [(100.0 * k, 1e-3) for k in (1, 2, 4, 5, 7, 8)]
    kept = [line for line in blows if line[0] / 100 not in left_out]
    assert hums(*RECTIFIER, *kept) == ("rectifier_lines", "limited")
    assert hums(*RECTIFIER, *kept, (100.0 * left_out[0], 1e-3)) is None


@pytest.mark.parametrize("last", [600.0, 900.0])
def test_three_multiples_of_its_six_pulses_are_read(last: float) -> None:
    assert hums((300.0, 0.2), (last, 0.4), (33.3, 0.3)) is not None


# ── a high-pass ───────────────────────────────────────────────────────────────────────────────────────────────────


def cut_low(rise_db: float = 12.0, lowest: float = 2e-10, corner_hz: float = 24.0) -> bool:
    """A floor that rises by so much per octave up to the corner, of that density in the octave from 3 Hz on."""
    size = 80_000
    hz = np.maximum(np.fft.rfftfreq(size, 1 / RATE_HZ), 1.0)
    shape = np.minimum(hz / corner_hz, 1.0) ** (rise_db / (20 * np.log10(2)))
    middle = np.median(shape[(hz >= 3) & (hz < 6)] ** 2)
    lines = np.fft.rfft(noise(size)) * shape * np.sqrt(lowest / middle * RATE_HZ / 2)
    return bool(low_cut(signal(np.fft.irfft(lines, size)))[0])


@pytest.mark.parametrize(("rise_db", "cut"), [(5.5, False), (9.5, True)])
def test_a_high_pass_rises_by_more_than_seven_decibels_an_octave(rise_db: float, cut: bool) -> None:
    assert cut_low(rise_db) is cut


@pytest.mark.parametrize(("lowest", "cut"), [(3e-10, True), (5.5e-10, False)])
def test_and_lies_below_any_sensors_noise(lowest: float, cut: bool) -> None:
    assert cut_low(lowest=lowest) is cut


# ── shocks ────────────────────────────────────────────────────────────────────────────────────────────────────────


def shock(height: float, second: float = 1.0, after_s: float = 3.0) -> str | None:
    """A wave of height 1 with one spike, and a second one."""
    row: Row = np.tile([1.0, -1.0], 10_240)
    row[5_132], row[5_132 + round(after_s * RATE_HZ)] = height, second
    return verdict(stray_shock(signal(row)))


@pytest.mark.parametrize(
    ("height", "second", "said"),
    [(5.5, 1.0, None), (6.6, 1.0, "usable"), (20.0, 7.5, None), (20.0, 6.0, "usable"), (29.0, 1.0, "usable"),
     (37.0, 1.0, "limited")],
)  # fmt: skip
def test_a_shock_stands_out_from_all_and_counts_by_its_energy(height: float, second: float, said: str | None) -> None:
    """Six times the usual, three times the next; 20 480 samples of 1 have twenty times the energy of 33²."""
    assert shock(height, second) == said


@pytest.mark.parametrize(("after_s", "one"), [(0.09, True), (0.14, False)])
def test_what_follows_within_a_tenth_of_a_second_is_the_same_shock(after_s: float, one: bool) -> None:
    assert (shock(20.0, 20.0, after_s) is not None) is one


# ── neighbours ────────────────────────────────────────────────────────────────────────────────────────────────────


def compared(row: Row) -> Any:
    return cross_channel._ComparedChannel(channel(row, rate_hz=RATE_HZ))


LOUD = 100 * noise(40_000)


@pytest.mark.parametrize(("level", "beyond"), [(0.9e-3, True), (1.1e-3, False)])
def test_no_two_places_of_a_drive_differ_by_a_thousand(level: float, beyond: bool) -> None:
    assert cross_channel._is_beyond(compared(level * LOUD), compared(LOUD)) is beyond


@pytest.mark.parametrize(("rest", "copy"), [(0.8e-3, True), (1.25e-3, False)])
def test_a_copy_differs_by_a_thousandth_of_its_power(rest: float, copy: bool) -> None:
    other = np.sqrt(1 - rest) * LOUD + np.sqrt(rest) * 100 * noise(40_000, seed=9)
    assert cross_channel._is_copy(compared(other), compared(LOUD)) is copy


@pytest.mark.parametrize(
    ("level", "rest", "echo"), [(0.009, 0.0, True), (0.011, 0.0, False), (0.008, 0.45, True), (0.008, 0.55, False)]
)
def test_an_echo_is_a_hundredth_of_its_neighbour_and_half_explained_by_it(
    level: float, rest: float, echo: bool
) -> None:
    row = level * (np.sqrt(1 - rest) * LOUD + np.sqrt(rest) * 100 * noise(40_000, seed=9))
    assert cross_channel._is_crosstalk(compared(row), compared(LOUD)) is echo


# ── pulses of a shaft ─────────────────────────────────────────────────────────────────────────────────────────────


def tachometer(gaps: list[int]) -> dict[str, str]:
    """Codes and verdicts for pulses that come after so many samples each."""
    row = np.zeros(sum(gaps) + 800)
    for place in np.cumsum([400, *gaps]):
        row[place : place + 20] = 5.0
    made = channel(row, rate_hz=10_000.0, name="t", quantity="tachometer", recorded_unit="V", pulses_per_rev=1.0)
    return {one.code: str(one.verdict) for one in assess_tachometer(made).reasons}


def among(wrong: int, share: float, count: int = 200) -> list[int]:
    """Of 400 samples each, of which a share is ``wrong``."""
    every = round(1 / share)
    return [wrong if k % every == every - 1 else 400 for k in range(count)]


@pytest.mark.parametrize(
    ("gap", "codes"), [(570, set()), (630, {"tachometer_misses"}), (255, set()), (225, {"tachometer_bounces"})]
)
def test_a_gap_half_as_long_again_is_a_missed_pulse_and_a_short_one_a_bounce(gap: int, codes: set[str]) -> None:
    assert set(tachometer(among(gap, 0.1))) == codes


def test_two_short_gaps_in_nine_are_bounces_and_not_the_usual_ones() -> None:
    assert set(tachometer(([400] * 7 + [200] * 2) * 20)) == {"tachometer_bounces"}


@pytest.mark.parametrize(("share", "said"), [(1 / 6, "limited"), (1 / 4, "rejected")])
def test_a_fifth_of_the_gaps_may_be_wrong(share: float, said: str) -> None:
    assert tachometer(among(800, share)) == {"tachometer_misses": said}


@pytest.mark.parametrize(("pulses", "silent"), [(2, True), (4, False)])
def test_three_pulses_give_a_speed(pulses: int, silent: bool) -> None:
    assert ("tachometer_silent" in tachometer([400] * (pulses - 1))) is silent


@pytest.mark.parametrize(
    ("quantity", "said"), [("acceleration", "0.05 m/s²"), ("velocity", "50 mm/s"), ("displacement", "5e+04 µm")]
)
def test_amounts_are_in_the_units_that_people_read(quantity: str, said: str) -> None:
    assert amount(channel(noise(600), quantity=quantity), 0.05) == said


def test_a_density_has_segments_of_four_seconds_and_needs_one() -> None:
    assert density(signal(noise(12_800))).step_hz == 0.25
    assert density(signal(noise(40_000))).step_hz == 0.25


@pytest.mark.parametrize(("levels", "known"), [(6, True), (8, False)])
def test_six_levels_that_lie_on_no_grid_show_a_step(levels: int, known: bool) -> None:
    values = np.cumsum([0.0, 1.0, 1.37, 1.73, 2.61, 1.42, 3.29, 1.58])[:levels]
    assert (signal(values[np.random.default_rng(5).integers(0, levels, 20_000)]).step is not None) is known
