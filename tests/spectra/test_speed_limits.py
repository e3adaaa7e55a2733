"""Every limit by which speeds are followed, read and refused, met from both of its sides on rows made by hand."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest
from numpy.typing import NDArray

from vibe.core.capture import Channel
from vibe.spectra.basic.angle_law import AngleLaw
from vibe.spectra.speed import levels_over_speed as levels
from vibe.spectra.speed import ridge_tracking as ridge
from vibe.spectra.speed import speed_search as search
from vibe.spectra.speed.law_choice import LawChoice
from vibe.spectra.speed.line_likelihood import log_likelihood_ratio, over_floor, seen_at
from vibe.spectra.speed.phase_refinement import Low, Refined
from vibe.spectra.speed.rotation_sense import rotation_sense
from vibe.spectra.speed.standstill import standing

Real = NDArray[np.float64]


# Ridge tracking


def moved(changes: tuple[tuple[float, float], ...], by: float, gain_in_prices: float) -> bool:
    """Whether the path follows a ridge that moves ``by`` (relative) where that brings so many prices of motion."""
    grid: Real = 25.0 * (1.0 + 2e-4 * np.arange(-1000.0, 1001.0, dtype=np.float64))
    place = int(np.argmin(np.abs(grid / 25.0 - 1.0 - by)))
    score = np.zeros((2, grid.size))
    score[0, 1000] = 1000.0
    score[1, 1000] = 1.0
    for _ in range(5):  # the price depends a little on what is asked
        score[1, place] = score[1, 1000] + gain_in_prices * 0.5 * float(np.std(score))
    return int(ridge.track(score, grid, changes)[1]) == place


@pytest.mark.parametrize(
    ("changes", "by", "price"),
    [(ridge.SMOOTH, 0.003, 0.25), (ridge.SMOOTH, 0.009, 1.0), (ridge.JUMPY, 0.009, 1.0), (ridge.JUMPY, 0.075, 3.0)],
)
def test_a_ridge_is_followed_where_it_pays_more_than_the_price_of_its_motion(
    changes: tuple[tuple[float, float], ...], by: float, price: float
) -> None:
    assert moved(changes, by, 1.25 * price)
    assert not moved(changes, by, 0.8 * price)


def test_a_smooth_path_does_not_jump_and_a_jump_is_bounded() -> None:
    assert moved(ridge.SMOOTH, 0.0045, 0.9) is moved(ridge.JUMPY, 0.012, 2.5) is False  # the cheap motion ends before
    assert moved(ridge.SMOOTH, 0.009, 50.0)
    assert not moved(ridge.SMOOTH, 0.013, 50.0)
    assert moved(ridge.JUMPY, 0.075, 50.0)
    assert not moved(ridge.JUMPY, 0.085, 50.0)


def test_prices_of_motion_are_the_odds_that_they_say() -> None:
    assert np.exp(ridge.PRICE_OF_MOTION) == pytest.approx((19.0, 999.0), rel=0.1)


def test_steady_ramps_span_six_per_cent_either_way_in_steps_of_an_eighth() -> None:
    ramps = ridge.steady_ramps(10.0)
    speeds = [np.diff(law.turns) / np.diff(law.time_s) for law in ramps]
    change = [(speed[-1] - speed[0]) * 32 / 31 for speed in speeds]  # between the middles of the outer of 32 pieces
    assert change == pytest.approx(np.arange(-6.0, 6.01, 0.125) / 100, abs=1e-5)


def tracked(monkeypatch: pytest.MonkeyPatch, moves: float) -> tuple[int, int]:
    """How many segments are followed in 10 s at 24 turns a second, and how many paths that move so far are kept."""
    seen = []

    def straight(score: Real, grid: Real, _: object) -> NDArray[np.intp]:
        seen.append(score.shape[0])
        target = grid.mean() * (1.0 + moves * np.linspace(-0.5, 0.5, score.shape[0]))
        return np.abs(grid[None, :] - target[:, None]).argmin(axis=1)

    monkeypatch.setattr(ridge, "track", straight)
    found = ridge.paths([], 10.0, (24.0, 25.0), np.array([1.0, 4000.0]))
    return seen[0], len(found)


def test_segments_hold_24_turns_and_what_hardly_moves_is_steady(monkeypatch: pytest.MonkeyPatch) -> None:
    assert tracked(monkeypatch, 3e-4) == (19, 2)
    assert tracked(monkeypatch, 1.4e-4) == (19, 0)


def test_a_strong_line_counts_by_its_logarithm(monkeypatch: pytest.MonkeyPatch) -> None:
    """Ten times as strong as the knee at eight times its floor: 8 + 8 ln 10."""
    seen: list[Real] = []

    def highest(score: Real, grid: Real, _: object) -> NDArray[np.intp]:
        seen.append(score)
        return np.zeros(score.shape[0], dtype=np.intp)

    monkeypatch.setattr(ridge, "track", highest)
    monkeypatch.setattr(ridge, "over_floor", lambda _low, starts, *_: (np.full((starts.size, 4000), 80.0), 0.05))
    low = Low(samples=np.zeros(1, dtype=np.float32), rate_hz=1.0, top_hz=1.0)
    ridge.paths([low], 10.0, (24.0, 25.0), np.array([1.0, 2.0]))
    assert seen[0] == pytest.approx(8.0 + 8.0 * np.log(10.0))


# Search


def test_half_of_the_log_odds_of_two_speeds_is_believed() -> None:
    (_, first), (_, second) = search._shares([(25.0, 6.0), (24.0, 10.0)])
    assert (first, second) == (pytest.approx(1 / (1 + np.exp(-2.0))), pytest.approx(1 / (1 + np.exp(2.0))))


@pytest.mark.parametrize(("chance", "mentioned"), [(0.7e-4, False), (1.5e-4, True)])
def test_a_speed_is_mentioned_from_one_in_ten_thousand(chance: float, mentioned: bool) -> None:
    shares = search._shares([(24.0, 0.0), (25.0, 2.0 * np.log(chance))])
    assert (len(shares) == 2) is mentioned


def test_places_of_a_range_lie_apart_and_are_held_against_three_per_cent_around_it() -> None:
    """Where nothing is known all speeds are alike."""
    found = search._best_of_range([], AngleLaw.steady(1.0, 60.0), (24.0, 24.7), np.array([1.0, 40.0]))
    speeds = sorted(speed for speed, _ in found.rivals)
    assert len(speeds) == 3
    assert np.diff(speeds) / speeds[0] == pytest.approx(0.004, rel=0.05)
    narrow = search._best_of_range([], AngleLaw.steady(1.0, 60.0), (24.0, 24.0), np.array([1.0, 40.0]))
    assert narrow.elsewhere == pytest.approx(1.0 - 0.004 / 0.03, abs=0.02)


@pytest.mark.parametrize(
    ("log_odds", "off", "odds"), [(12.0, 0.004, None), (16.0, 0.004, np.exp(-2.0)), (26.0, 0.004, np.exp(3.0)),
                                  (20.0, 0.0008, None)],
)  # fmt: skip
def test_another_way_to_follow_the_speed_is_kept_with_half_of_its_log_odds(
    log_odds: float, off: float, odds: float | None
) -> None:
    """One in fifty and less is left out, and what the capture does not resolve: a quarter of a turn in 240."""

    def choice(hz: float, log_odds: float) -> search._Choice:
        return search._Choice(
            law=AngleLaw.steady(hz, 10.0), log_odds=log_odds, elsewhere=0.0, range_hz=(23.0, 25.0)
        )  # fmt: skip

    best, other = choice(24.0, 20.0), choice(24.0 * (1 + off), log_odds)
    worse_there = choice(24.0 * (1 + off + 0.0002), log_odds - 0.5)
    kept = search._followed_otherwise([best, worse_there, other], best, best.law)
    assert kept == ((other.law.mean_hz, pytest.approx(odds)),) if odds is not None else kept == ()


@pytest.mark.parametrize(("relative", "holds"), [(0.7e-3, True), (1.5e-3, False)])
def test_phases_bear_out_a_speed_that_moves_to_a_thousandth(relative: float, holds: bool) -> None:
    law = AngleLaw(time_s=np.array([0.0, 1.0, 2.0]), turns=np.array([0.0, 24.0, 49.0]))
    choice = search._Choice(law=law, log_odds=9.0, elsewhere=0.0, range_hz=(24.0, 25.0))
    taken = LawChoice(fine=Refined(law=law, relative=relative, explained=0.0))
    assert search._holds(choice, taken) is holds


def believed(monkeypatch: pytest.MonkeyPatch, log_odds: float, elsewhere: float = 0.0) -> tuple[bool, list[float]]:
    """Whether a steady speed of such odds is taken, and the orders at which it was looked for."""
    orders: list[float] = []

    def best(_lows: object, shape: AngleLaw, range_hz: tuple[float, float], used: Real) -> search._Choice:
        orders.extend(used.tolist())
        law = AngleLaw.steady(24.0, shape.duration_s)
        return search._Choice(law=law, log_odds=log_odds, elsewhere=elsewhere, range_hz=range_hz)

    monkeypatch.setattr(search, "_best_of_range", best)
    monkeypatch.setattr(search, "paths", lambda *_, **__: [])
    monkeypatch.setattr(search, "law_choice", lambda *_, **__: None)
    long = np.random.default_rng(1).standard_normal(61 * 8000).astype(np.float32)
    found = search.speed_from_signal([(long, 8000.0)], (23.0, 25.0), [1.0, 50.0, 100.0])
    return found is not None, orders


def test_a_speed_is_believed_against_one_in_a_thousand_that_it_is_none_or_another(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    assert believed(monkeypatch, 7.4) == (True, [1.0, 50.0])  # lines above order 64 are smeared
    assert not believed(monkeypatch, 6.5)[0]
    assert believed(monkeypatch, 20.0, elsewhere=0.7e-3)[0]
    assert not believed(monkeypatch, 20.0, elsewhere=1.5e-3)[0]


@pytest.mark.parametrize(("relative", "tried"), [(0.7e-4, False), (1.5e-4, True)])
def test_ramps_are_tried_where_phases_leave_more_than_a_ten_thousandth(
    relative: float, tried: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    law = AngleLaw.steady(24.0, 10.0)
    choice = search._Choice(law=law, log_odds=9.0, elsewhere=0.0, range_hz=(23.0, 25.0))
    asked: list[float] = []
    monkeypatch.setattr(
        search, "law_choice", lambda *_, **__: SimpleNamespace(fine=SimpleNamespace(relative=relative), in_doubt=False)
    )
    monkeypatch.setattr(search, "steady_ramps", lambda duration: asked.append(duration) or [law])
    monkeypatch.setattr(search, "_best_of_range", lambda *_: choice)
    search._followed([choice], [], np.array([1.0]), ridge.SEGMENT_TURNS)
    assert bool(asked) is tried


# Levels over speed


@pytest.mark.parametrize(("line_hz", "inside"), [(6.0, False), (15.0, True), (800.0, True), (1400.0, False)])
def test_velocity_is_read_from_10_to_1000_hz(line_hz: float, inside: bool) -> None:
    at = np.arange(8192) / 8192.0
    row = 1e-3 * np.sqrt(2) * 2 * np.pi * line_hz * np.cos(2 * np.pi * line_hz * at)
    assert levels._velocity(row, 8192.0) == pytest.approx(1e-3 if inside else 0.0, abs=2e-5)


@pytest.mark.parametrize(("speed_hz", "length_s"), [(100.0, 0.5), (4.0, 2.0)])
def test_a_segment_holds_half_a_second_and_eight_turns(speed_hz: float, length_s: float) -> None:
    at = np.linspace(0.0, 10.0, 1001)
    lengths = [end - begin for begin, end in levels._segments(at, speed_hz * at)]
    assert lengths == pytest.approx([length_s] * len(lengths), abs=1e-6)
    assert len(lengths) > 5


@pytest.mark.parametrize(("seconds", "enough"), [(1.7, False), (2.05, True)])
def test_a_curve_needs_six_segments(seconds: float, enough: bool) -> None:
    rate = 4096.0
    turns = 40.0 * np.arange(int(rate * seconds)) / rate
    pulse = Channel(
        name="pulse", samples=np.where(turns % 1 < 0.2, 5.0, 0.0).astype(np.float32), sample_rate_hz=rate,
        quantity="tachometer", recorded_unit="V", pulses_per_rev=1.0,
    )  # fmt: skip
    row = np.cos(2 * np.pi * turns).astype(np.float32)
    assert (levels.levels_over_speed(row, rate, levels.turns_of_pulse(pulse)) is not None) is enough


@pytest.mark.parametrize(
    ("height", "reach", "found"), [(1.5, 0.1, False), (3.0, 0.1, True), (3.0, 0.15, True), (3.0, 0.25, False)]
)
def test_a_resonance_doubles_the_line_within_a_fifth_of_its_speed(height: float, reach: float, found: bool) -> None:
    speed = np.arange(10.0, 30.0, 0.1)
    line = np.where(np.abs(speed / 20.0 - 1.0) <= reach, height, 1.0)
    line[np.argmin(np.abs(speed - 20.0))] *= 1.001
    assert bool(levels._resonances(speed, line, np.zeros(speed.size))) is found


# Standstill

RATE = 8192.0
AT = np.arange(int(6.0 * RATE)) / RATE


def noise(low_hz: float, high_hz: float, seed: int = 1) -> Real:
    """A band of noise, r.m.s. 1."""
    lines = np.fft.rfft(np.random.default_rng(seed).standard_normal(AT.size))
    hz = np.fft.rfftfreq(AT.size, 1 / RATE)
    row = np.fft.irfft(np.where((hz >= low_hz) & (hz < high_hz), lines, 0.0), AT.size)
    return np.asarray(row / row.std())


def pause(row: Real, begin: float, end: float, db: float) -> Real:
    return np.where((begin <= AT) & (end > AT), 10 ** (-db / 20), 1.0) * row


def stands(row: Real) -> tuple[tuple[float, float], ...]:
    return standing([(row.astype(np.float32), RATE)])


@pytest.mark.parametrize(("db", "found"), [(9.0, False), (18.0, True)])
def test_a_machine_stands_that_falls_to_a_quarter(db: float, found: bool) -> None:
    assert bool(stands(pause(noise(20.0, 4000.0), 2.0, 3.0, db))) is found


def test_times_are_read_in_windows_of_a_tenth_of_a_second() -> None:
    [(begin, end)] = stands(pause(noise(20.0, 4000.0), 2.035, 2.965, 40.0))
    assert (begin, end) == (pytest.approx(2.05, abs=0.011), pytest.approx(2.95, abs=0.011))


@pytest.mark.parametrize(("length_s", "found"), [(0.22, False), (0.32, True)])
def test_standing_lasts_a_quarter_of_a_second(length_s: float, found: bool) -> None:
    assert bool(stands(pause(noise(20.0, 4000.0), 2.0, 2.0 + length_s, 40.0))) is found


def test_what_is_usual_is_read_where_a_machine_runs_a_third_of_the_time() -> None:
    assert stands(pause(noise(20.0, 4000.0), 1.0, 5.0, 40.0))


@pytest.mark.parametrize(("goes_on", "falls"), [((650.0, 800.0), (100.0, 300.0)), ((300.0, 400.0), (700.0, 3000.0))])
def test_a_faint_band_that_goes_on_is_a_machine_that_runs(
    goes_on: tuple[float, float], falls: tuple[float, float]
) -> None:
    """Below 500 Hz and above it: a much stronger band on the other side that falls does not hide it."""
    faint = 0.02 * noise(*goes_on, seed=2)
    assert stands(pause(noise(*falls), 2.0, 3.0, 40.0) + faint) == ()


# Sense of rotation


def sense(turns: float = 80.0, *, deg: Real | float = -90.0, ratio: float = 1.0, drift: float = 0.0) -> tuple[int, str]:
    """Of two directions whose lines differ by ``deg`` (one, or one per eighth) and ``ratio``, at 20 turns a second."""
    n = int(turns / 20.0 * 2048.0) // 8 * 8
    angle = 2 * np.pi * 20.0 * np.arange(n) / 2048.0
    shift = np.repeat(np.radians(np.broadcast_to(np.asarray(deg, dtype=float), 8)), n // 8)
    first, second = np.cos(angle), ratio * np.cos(angle + shift)
    found = rotation_sense(first.astype(np.float32), second.astype(np.float32), 2048.0, 20.0, drift)
    return found.sense, found.why


def test_forty_turns_show_the_sense_and_fewer_do_not() -> None:
    assert sense(50.0) == (1, "")
    assert sense(50.0, deg=90.0) == (-1, "")
    assert sense(32.0)[0] == 0


@pytest.mark.parametrize(("drift", "known"), [(0.04, True), (0.06, False)])
def test_a_speed_may_move_by_half_a_line_of_an_eighth_of_the_turns(drift: float, known: bool) -> None:
    assert (sense(80.0, drift=drift)[0] != 0) is known


@pytest.mark.parametrize(("ratio", "known"), [(4.0, True), (0.25, True), (7.0, False), (1 / 7, False)])
def test_an_orbit_is_no_longer_than_five_times_its_width(ratio: float, known: bool) -> None:
    assert (sense(ratio=ratio)[0] != 0) is known


@pytest.mark.parametrize(("off_deg", "known"), [(30.0, True), (60.0, False)])
def test_the_difference_lies_nearer_to_a_quarter_turn_than_to_a_line(off_deg: float, known: bool) -> None:
    assert (sense(deg=-90.0 + off_deg)[0] != 0) is known


@pytest.mark.parametrize(("spread_deg", "known"), [(20.0, True), (50.0, False)])
def test_all_parts_of_a_capture_agree(spread_deg: float, known: bool) -> None:
    off = np.where(np.arange(8) % 2, spread_deg, -spread_deg)  # resultants of 0.94 and 0.64
    assert (sense(deg=-90.0 + off)[0] != 0) is known


# Likelihood of lines


def test_an_absent_line_costs_little_and_a_loud_one_decides_nothing_alone() -> None:
    """By hand from what the constants say: seen once in two, a stray once in twenty, loudness up to 1e4."""
    silent, loud = log_likelihood_ratio(np.array([0.0, 1000.0]), 1)
    assert silent == pytest.approx(np.log(0.5 + 0.5 / np.log(10_001)), abs=0.01)
    assert loud == pytest.approx(np.log((0.5 / np.log(10_001) / 1001) / (0.05 / 1001**2)), abs=0.02)


def test_lines_of_the_shaft_are_sure_and_those_of_unequal_lobes_rare() -> None:
    assert seen_at(np.array([1.0, 2.0, 3.0, 18 / 17, 4.0, 17.0]))[:, 0].tolist() == [0.95, 0.95, 0.95, 0.3, 0.5, 0.5]


@pytest.mark.parametrize(("first", "last", "owned"), [(14.0, 18.0, False), (13.0, 23.0, True)])
def test_the_floor_is_a_median_over_twelve_orders(first: float, last: float, owned: bool) -> None:
    """What is raised over less than half a block of orders stands over the floor, what fills a block is the floor."""
    rate, speed, seconds = 2048.0, 20.0, 20.0
    lines = np.fft.rfft(np.random.default_rng(3).standard_normal(int(rate * seconds)))
    order = np.fft.rfftfreq(int(rate * seconds), 1 / rate) / speed
    row = np.fft.irfft(np.where((order >= first) & (order < last), 10.0, 1.0) * lines)
    low = Low(samples=row.astype(np.float32), rate_hz=rate, top_hz=1000.0)
    power, bin_hz = over_floor(low, np.zeros(1), seconds, speed)
    at = np.arange(power.shape[1]) * bin_hz / speed
    middle = power[0, (at > first + 0.5) & (at < last - 0.5)].mean()
    assert bool(middle < 10.0) is owned


@pytest.mark.parametrize(("reach", "is_read"), [(0.08, True), (0.13, False)])
def test_a_beat_is_over_within_the_width_of_a_damped_resonance(reach: float, is_read: bool) -> None:
    """Damping 0.1: half-power points a tenth off either side."""
    speed = np.linspace(10.0, 25.0, 40)
    assert (levels._read(speed, np.full(40, reach)) is not None) is is_read


def signal(monkeypatch: pytest.MonkeyPatch, seconds: float, relative: float = 1e-4) -> tuple[float, list[float]]:
    """Relative uncertainty of a speed that phases leave so sure, and the turns of segments in which it was sought."""
    law = AngleLaw.steady(24.0, seconds)
    choice = search._Choice(law=law, log_odds=9.0, elsewhere=0.0, range_hz=(23.0, 25.0))
    taken = LawChoice(fine=Refined(law=law, relative=relative, explained=0.0))
    segments: list[float] = []

    def paths(*_: object, segment_turns: float = 24.0, least_s: float = 0.0) -> list[object]:
        segments.append(segment_turns)
        return []

    def followed(alone: object, lows: object, used: object, turns: float, settled: object) -> object:
        first = len(segments) == 1 and relative > 1e-3
        return (None, None) if first else (choice, taken)

    monkeypatch.setattr(search, "_best_of_range", lambda *_: choice)
    monkeypatch.setattr(search, "paths", paths)
    monkeypatch.setattr(search, "_followed", followed)
    monkeypatch.setattr(search, "_holds", lambda best, taken: True)
    samples = np.zeros(int(seconds * 2000), dtype=np.float32)
    found = search.speed_from_signal([(samples, 2000.0)], (23.0, 25.0), [1.0, 2.0])
    if found is None:
        return 0.0, segments
    return (found[1].uncertainty_hz or 0.0) / found[1].input_hz, segments


def test_no_machine_is_steadier_than_three_in_a_million(monkeypatch: pytest.MonkeyPatch) -> None:
    assert signal(monkeypatch, 10.0, 1e-5)[0] == pytest.approx(1e-5)
    assert signal(monkeypatch, 10.0, 1e-7)[0] == pytest.approx(3e-6)


@pytest.mark.parametrize(("seconds", "sought"), [(50.0, True), (70.0, False)])
def test_a_load_cycle_of_a_second_or_two_is_followed_in_a_minute_at_most(
    monkeypatch: pytest.MonkeyPatch, seconds: float, sought: bool
) -> None:
    """A quarter of a second at 24 Hz: four segments and more in each."""
    _, segments = signal(monkeypatch, seconds, 2e-3)
    assert segments == ([24.0, pytest.approx(0.25 * 24)] if sought else [24.0])


@pytest.mark.parametrize(("half_bins", "stands"), [(3, True), (6, False)])
def test_a_mesh_line_lies_within_two_bins_once_the_angle_is_known(
    monkeypatch: pytest.MonkeyPatch, half_bins: int, stands: bool
) -> None:
    law = AngleLaw.steady(24.0, 10.0)
    choice = search._Choice(
        law=law, log_odds=9.0, elsewhere=0.5, range_hz=(20.0, 25.0), rivals=((24.0, 1.0), (20.0, 1.0))
    )
    strength = np.ones((1, 60_000))
    for order in (100, 110, 120):
        strength[0, round(order * 24.0 / 0.05) + half_bins] = 60.0
    monkeypatch.setattr(search, "refined", lambda *_: None)
    monkeypatch.setattr(search, "over_floor", lambda *_: (strength, 0.05))
    samples = np.zeros(80_000, dtype=np.float32)
    orders = [1.0, 100.0, 110.0, 120.0]
    found = search._by_mesh([(samples, 8000.0)], choice, [], np.array([1.0]), orders)
    assert (found is not None) is stands
