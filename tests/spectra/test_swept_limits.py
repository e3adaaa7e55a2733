"""When the speed of a sweep is known, number by number: each limit is met from both sides, on arrays made by hand."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from vibe.core.tones import FollowedLines
from vibe.spectra.speed import swept_lines, swept_speed
from vibe.spectra.speed.swept_lines import RareLines, rare_lines
from vibe.spectra.speed.swept_speed import HERE, KAPPAS, _Run, _Turning

Real = NDArray[np.float64]
RATE_HZ = 8000.0
LOG = np.log(KAPPAS)


def lines_of(orders: Sequence[float], *, own: bool = True) -> FollowedLines:
    return FollowedLines(what="mesh", orders=tuple(orders), stands_out=0.5, own=own)


def run_of(kinds: Sequence[FollowedLines] = (), time_s: Real | None = None, lengths: Any = None) -> _Run:
    return _Run(
        rows=[(np.zeros(8), RATE_HZ)], kinds=kinds, range_hz=(24.0, 25.0), up=True,
        time_s=np.arange(0.05, 20.0, 0.1) if time_s is None else time_s,
        grid_hz=np.exp(np.arange(np.log(2.4), np.log(25.75), 0.006)), lengths=lengths or {},
    )  # fmt: skip


# ── how rare a line is ────────────────────────────────────────────────────────────────────────────────────────────


def test_half_of_all_lines_are_among_the_strongest_tenth_of_places(monkeypatch: pytest.MonkeyPatch) -> None:
    """A tenth to the power of 0.3; the mean of all places is 1."""
    falling = np.arange(400.0, 0.0, -1.0, dtype=np.float32)[None]
    monkeypatch.setattr(swept_lines, "_over_floor", lambda *row, **more: (falling, 1.0))
    ratio = rare_lines([(np.zeros(8), RATE_HZ)], 1.0, np.zeros(1), near=200, follows=False).ratio[:, 0]
    worth = ((np.arange(200) + 0.5) / 200) ** -0.7
    # The first hundred lie in one block alone.
    assert ratio[:100] == pytest.approx(worth[:100] / worth.mean(), rel=1e-4)
    assert worth[:20].sum() / worth.sum() == pytest.approx(0.5, abs=0.07)


def band(low_hz: float, high_hz: float, seconds: float = 40.0) -> Real:
    """Noise, a hundred times as strong within a band."""
    size = int(seconds * RATE_HZ)
    draw = np.random.default_rng(7)
    spectrum = draw.standard_normal(size // 2 + 1) + 1j * draw.standard_normal(size // 2 + 1)
    hz = np.fft.rfftfreq(size, 1 / RATE_HZ)
    spectrum[(hz > low_hz) & (hz < high_hz)] *= 10.0
    return np.asarray(np.fft.irfft(spectrum))


def over(samples: Real, *, follows: bool = False, seconds: float = 40.0) -> NDArray[np.float32]:
    """Power over the floor (instants, Hz) in windows of half a second."""
    at = np.arange(1.0, seconds - 1, 1.0)
    found, half_bin = swept_lines._over_floor(samples, RATE_HZ, 0.5, at, follows=follows, top=np.inf)
    assert half_bin == 1.0
    return found


@pytest.mark.parametrize(
    ("low_hz", "high_hz", "at_hz", "stands"), [(810.0, 870.0, 840, False), (805.0, 835.0, 820, True)]
)
def test_what_fills_most_of_eighty_half_bins_is_the_floor(
    low_hz: float, high_hz: float, at_hz: int, stands: bool
) -> None:
    assert bool(over(band(low_hz, high_hz))[:, at_hz].mean() > 10.0) is stands


@pytest.mark.parametrize(("share", "follows"), [(0.7, True), (0.85, False)])
def test_what_stands_four_fifths_of_the_time_at_one_place_does_not_follow_a_speed(share: float, follows: bool) -> None:
    time_s = np.arange(int(40 * RATE_HZ)) / RATE_HZ
    row = np.random.default_rng(8).standard_normal(time_s.size)
    row += np.where(time_s < 40 * share, np.cos(2 * np.pi * 300.0 * time_s), 0.0)
    assert bool(np.median(over(row, follows=True)[:, 300]) > 5.0) is follows


def test_of_noise_no_place_is_divided_by_more_than_its_floor() -> None:
    """Of exponential values a share of 1 - exp(-x) lies below x."""
    row = np.random.default_rng(9).standard_normal(int(40 * RATE_HZ))
    assert over(row, follows=True)[:, 200:3000].mean() == pytest.approx(0.9, abs=0.1)


def test_four_fifths_of_half_the_rate_are_read() -> None:
    assert over(np.random.default_rng(9).standard_normal(int(4 * RATE_HZ)), seconds=4.0).shape[1] == 3200


@pytest.mark.parametrize(("apart", "shared"), [(0.07, True), (0.08, False)])
def test_lines_within_one_and_a_half_bins_share_what_stands_there(apart: float, shared: bool) -> None:
    """At 20 Hz, of windows of a second."""
    rare = RareLines(ratio=np.full((2000, 1), 5.0, dtype=np.float32), bin=0.5, length=1.0)
    said = rare.read(lines_of([30.0]), 30.0, np.array([20.0]), np.array([30.0, 30.0 + apart]))
    assert said[0, 0] == pytest.approx(np.log(3.0) / (2 if shared else 1))


@pytest.mark.parametrize(("place", "read"), [(3.0, False), (5.0, True)])
def test_nothing_is_read_below_the_fourth_half_bin(place: float, read: bool) -> None:
    rare = RareLines(ratio=np.full((200, 1), 5.0, dtype=np.float32), bin=1.0, length=1.0)
    assert bool(rare.read(lines_of([1.0]), 1.0, np.array([place]), np.array([1.0]))[0, 0]) is read


# ── the first path ────────────────────────────────────────────────────────────────────────────────────────────────


@pytest.mark.parametrize(("order", "length_s"), [(64.0, 0.125), (16.0, 0.25), (4.0, 0.5), (1.0, 1.0)])
def test_a_line_is_read_in_windows_within_which_it_moves_by_a_bin(order: float, length_s: float) -> None:
    assert swept_speed._length(order, 1.0) == length_s


def asked(monkeypatch: pytest.MonkeyPatch, orders: Sequence[float]) -> tuple[_Run, list[int]]:
    """What ten seconds up to 25 Hz make of a question, and how many half bins places are compared with."""
    runs: list[_Run] = []
    nears: list[int] = []

    def rare(rows: Any, length: float, at: Real, *, near: int, **more: Any) -> None:
        nears.append(near)

    def judged(run: _Run, speed: Any) -> tuple[Any, list[Any]]:
        runs.append(run)
        return swept_speed.SweptSpeed(why="lines"), []

    monkeypatch.setattr(swept_speed, "rare_lines", rare)
    monkeypatch.setattr(swept_speed, "_followed", lambda run, spectra: None)
    monkeypatch.setattr(swept_speed, "_judged", judged)
    swept_speed.swept_speed([(np.zeros(int(10 * RATE_HZ)), RATE_HZ)], [lines_of(orders)], (24.0, 25.0), up=True)
    return runs[0], nears


def test_a_run_is_in_part_steeper_by_a_third_than_all_of_it(monkeypatch: pytest.MonkeyPatch) -> None:
    """3.25 Hz per second: the line of order 2.46 moves by as much in half a second as one of 0.25 s may."""
    assert asked(monkeypatch, [2.4, 2.5])[0].lengths == {2.4: 0.5, 2.5: 0.25}


def test_speeds_are_tried_from_a_tenth_of_the_drives_own_half_a_bin_apart(monkeypatch: pytest.MonkeyPatch) -> None:
    """Of 0.25 s, at order 15 and 25 Hz: 2 Hz in 375, some six per mille."""
    run, nears = asked(monkeypatch, [1.0])
    assert run.grid_hz[0] == pytest.approx(2.4)
    assert run.grid_hz[1] / run.grid_hz[0] - 1 == pytest.approx(2.0 / 375, rel=0.2)
    assert np.diff(run.time_s) == pytest.approx(0.1)
    # Twenty lines of six half bins each.
    assert nears == [pytest.approx(20 * 6, abs=10)]
    assert run.slowest_end_hz == pytest.approx(24.0 * 0.98)
    assert run.fastest_hz == pytest.approx(25.0 * 1.02)


def test_no_shaft_takes_less_than_two_seconds_to_its_speed() -> None:
    """Nothing is ruled out that needs 1.25 Hz in a tenth of a second; more is."""
    run = run_of()
    moves = swept_speed._moves(run.grid_hz, 25.0, 20.0)
    begin = int(np.abs(run.grid_hz - 15.0).argmin())
    reached = run.grid_hz[moves[begin + 1, 1:] > 0]
    assert reached[-1] - run.grid_hz[begin] == pytest.approx(1.25, abs=0.1)
    assert run.grid_hz[begin] - reached[0] == pytest.approx(1.25, abs=0.1)


def followed(said: Callable[[Real], Real], instants: int, length: float = 0.2) -> tuple[_Run, Real]:
    """The path (instants,) where a line says so much of each speed, for a machine whose speed hardly moves."""
    time_s = np.linspace(0.0, 1e5, instants)
    run = run_of([lines_of([1.0])], time_s, {1.0: length})
    spectra: Any = {length: SimpleNamespace(read=lambda kind, order, grid, orders: said(grid))}
    return run, swept_speed._followed(run, spectra)


@pytest.mark.parametrize(("each", "rests"), [(-0.2, False), (-0.45, True)])
def test_a_machine_rests_where_its_lines_say_less_than_nothing(each: float, rests: bool) -> None:
    def said(grid: Real) -> Real:
        found = np.full((grid.size, 200), -9.0)
        found[int(np.abs(grid - 24.5).argmin())] = each
        return found

    assert bool(followed(said, 200)[1][100] == 0.0) is rests


@pytest.mark.parametrize(("more", "elsewhere"), [(0.4, True), (-0.4, False)])
def test_one_run_in_a_thousand_ends_at_another_speed(more: float, elsewhere: bool) -> None:
    run = run_of()
    share = np.mean(np.concatenate([[0.0], (run.grid_hz >= 24.0 * 0.98) & (run.grid_hz <= 25.0 * 1.02)]))

    def said(grid: Real) -> Real:
        found = np.full((grid.size, 20), -20.0)
        found[int(np.abs(grid - 24.5).argmin())] = found[int(np.abs(grid - 12.0).argmin())] = 1.0
        found[int(np.abs(grid - 12.0).argmin()), 5] += more - np.log(1e-3 * share)
        return found

    assert bool(followed(said, 20)[1][10] < 13.0) is elsewhere


def test_windows_that_overlap_say_no_more_than_they_hold() -> None:
    """Of windows of a second five begin before the first of them is half over: each says a fifth."""
    run = run_of()

    def said(grid: Real) -> Real:
        found = np.full((grid.size, 200), -90.0)
        found[int(np.abs(grid - 24.5).argmin())] = -1.2
        return found

    assert followed(said, 200, 1.0)[1][100] > 0.0
    assert followed(said, 200, 0.5)[1][100] == 0.0
    assert run.orders.size == 0


@pytest.mark.parametrize(("instants", "parts"), [(10, 0), (11, 1), (19, 1)])
def test_a_part_without_a_stop_has_more_than_twice_five_instants(instants: int, parts: int) -> None:
    assert len(swept_speed._turning_parts(np.array([0.0, *[20.0] * instants, 0.0]))) == parts


# ── on the angle ──────────────────────────────────────────────────────────────────────────────────────────────────


class Scripted:
    """Stands for spectra on the angle: what is said of each deviation (deviations, windows), and what was asked."""

    def __init__(self, said: Callable[[int, int], Any] | None = None) -> None:
        self.said = said or (lambda speeds, windows: np.zeros((speeds, windows), dtype=np.float32))
        self.at: list[Real] = []
        self.lengths: list[float] = []
        self.speeds: list[Real] = []
        self.places: list[float] = []
        self.nears: list[int] = []
        self.bin = 0.01

    def __call__(self, rows: Any, length: float, at: Real, *, near: int, follows: bool) -> Any:
        self.at, self.lengths, self.nears = [*self.at, at], [*self.lengths, length], [*self.nears, near]
        return self

    def read(self, kind: Any, order: float, speeds: Real, others: Any) -> Any:
        self.speeds.append(speeds)
        self.places.append(order)
        return self.said(speeds.size, self.at[-1].size)


def refined(
    monkeypatch: pytest.MonkeyPatch,
    scripted: Scripted,
    speed_hz: float = 20.0,
    seconds: float = 6.0,
    slope: float = 0.0,
) -> _Turning | None:
    monkeypatch.setattr(swept_speed, "rare_lines", scripted)
    monkeypatch.setattr(swept_speed, "_between_turns", lambda *laid: np.zeros(1))
    time_s = np.arange(0.0, seconds + 1e-9, 0.1)
    run = _Run(
        rows=[(np.zeros(int((seconds + 1) * RATE_HZ)), RATE_HZ)], kinds=[lines_of([1.0])], range_hz=(24.0, 25.0),
        up=True, time_s=time_s, grid_hz=time_s, lengths={},
    )  # fmt: skip
    return swept_speed._refined(run, time_s, speed_hz + slope * (time_s - seconds / 2))


@pytest.mark.parametrize(("turns", "enough"), [(36.0, False), (50.0, True), (70.0, True)])
def test_a_piece_has_three_windows_of_twelve_turns_and_more(
    monkeypatch: pytest.MonkeyPatch, turns: float, enough: bool
) -> None:
    scripted = Scripted()
    refined(monkeypatch, scripted, 10.0, turns / 10.0)
    assert bool(scripted.at) is enough


def test_windows_of_twelve_turns_move_by_a_quarter_of_themselves(monkeypatch: pytest.MonkeyPatch) -> None:
    scripted = Scripted()
    one = refined(monkeypatch, scripted)
    assert one is not None
    assert scripted.lengths == [12.0, 12.0]
    assert scripted.at[0][:3] == pytest.approx([1.5, 4.5, 7.5])
    assert scripted.at[1][:3] == pytest.approx([6.0, 9.0, 12.0])
    # Twenty lines of some five half bins.
    assert scripted.nears == [pytest.approx(20 * 5, abs=10)] * 2
    deviations, multiples = scripted.speeds
    assert deviations - 1 == pytest.approx(np.arange(-30, 31) * 1e-3)
    assert np.log(multiples) == pytest.approx(np.arange(-350, 351) * 4e-3)


def sure(off: float, window: int | None = None) -> Scripted:
    """Given one deviation surely, in one window or in all."""
    place = round((off + 0.03) * 1000)

    def said(speeds: int, windows: int) -> Any:
        found = np.zeros((speeds, windows), dtype=np.float32)
        if speeds == 61:
            found[place, window if window is not None else slice(None)] = 300.0
        return found

    return Scripted(said)


@pytest.mark.parametrize(("off", "stated"), [(0.020, True), (0.024, False), (-0.020, True), (-0.024, False)])
def test_beyond_seven_tenths_of_what_was_looked_at_a_path_was_too_far_off(
    monkeypatch: pytest.MonkeyPatch, off: float, stated: bool
) -> None:
    one = refined(monkeypatch, sure(off))
    assert one is not None
    assert bool(one.uncertainty.max() < 0.01) is stated


def test_from_one_window_to_the_next_a_speed_drifts_by_two_per_mille(monkeypatch: pytest.MonkeyPatch) -> None:
    """Steps of k per mille are as likely as exp(-k / 1.5), so their variance is 2 q / (1 - q)^2, q = exp(-1 / 1.5)."""
    one = refined(monkeypatch, sure(0.0, 10))
    assert one is not None
    q = np.exp(-1 / 1.5)
    step = 1e-3 * np.sqrt(2 * q) / (1 - q)
    assert one.uncertainty[8:11] == pytest.approx([0.0, step, step * np.sqrt(2)], rel=0.05, abs=1e-6)


def test_a_twentieth_of_what_the_speed_changes_by_within_a_window_is_unsure(monkeypatch: pytest.MonkeyPatch) -> None:
    """2 Hz per second at 20 Hz: 0.005 of it per turn."""
    one = refined(monkeypatch, sure(0.0), slope=2.0)
    assert one is not None
    middle = int(np.abs(one.speed_hz - 20.0).argmin())
    assert one.uncertainty[middle] == pytest.approx(0.05 * 12 * 2.0 / 20.0**2, rel=0.05)


@pytest.mark.parametrize(("order", "length"), [(1 + 1 / 12, 18.0), (2 + 1 / 12, 18.0), (4 + 1 / 12, 12.0)])
def test_slow_lines_next_to_a_whole_order_take_longer_windows(
    monkeypatch: pytest.MonkeyPatch, order: float, length: float
) -> None:
    """A twelfth of an order is one and a half bins of 18 turns."""
    scripted = Scripted()
    monkeypatch.setattr(swept_speed, "rare_lines", scripted)
    swept_speed._between_turns([], [lines_of([order, 5.5])], 100.0)
    assert scripted.lengths == [pytest.approx(length)]


def test_such_a_line_is_held_against_five_places_none_of_which_is_a_multiple(monkeypatch: pytest.MonkeyPatch) -> None:
    scripted = Scripted()
    monkeypatch.setattr(swept_speed, "rare_lines", scripted)
    swept_speed._between_turns([], [lines_of([2.1])], 100.0)
    own, *others = scripted.places
    assert own == 2.1
    from_the_whole = (np.array(others) - 2.0) / 0.1
    assert from_the_whole == pytest.approx([-1.37, -0.61, 2.39, 3.63, 4.29])
    assert np.abs(from_the_whole - np.rint(from_the_whole)).min() > 0.25


# ── rivals ────────────────────────────────────────────────────────────────────────────────────────────────────────


def test_a_rival_is_more_than_twelve_per_mille_away() -> None:
    assert not swept_speed._rivals()[np.abs(LOG) < 0.010].any()
    assert swept_speed._rivals()[np.abs(LOG) > 0.014].all()


def at(logarithm: float) -> int:
    return int(np.abs(LOG - logarithm).argmin())


def nearest(ahead: Real, rival: float, top_hz: float = 24.5) -> tuple[float, float, float]:
    """Of a path that lies so much ahead (windows,) of the rival at a multiple of it, and far ahead of all others."""
    evidence = np.zeros((ahead.size, KAPPAS.size), dtype=np.float32)
    evidence[:, HERE] = 50.0
    evidence[:, at(np.log(rival))] = 50.0 - ahead
    found = swept_speed._nearest_rival(run_of(), evidence, top_hz)
    assert abs(np.log(found[0] / rival)) < 0.01
    return found


def test_the_path_is_held_against_rivals_over_ten_blocks() -> None:
    """Half of them one ahead and half three: the mean is 2, its standard error 1/3; and 0.03 is added."""
    ahead = np.repeat([1.0, 3.0], 50)
    _, errors, bar = nearest(ahead, 0.97)
    assert errors == pytest.approx(2.0 / (1 / 3 + 0.03), rel=1e-3)
    assert bar == 2.5
    # Blocks that are equal divide by that alone.
    assert nearest(np.full(100, 0.06), 0.97)[1] == pytest.approx(2.0, rel=0.01)


def test_a_rival_that_does_not_reach_the_drives_speed_has_that_against_it() -> None:
    assert nearest(np.full(100, 0.3), 0.5)[2] == 1.5
    # Unless the path does not either.
    assert nearest(np.full(100, 0.3), 0.5, 20.0)[2] == 2.5


def turning(
    here: Real, *, rival: float | None = None, uncertainty: float = 0.001, speed_hz: Real | None = None
) -> _Turning:
    """One kind's evidence of the path (windows,), and 0 of all others; or of one rival alone, -9 of the others."""
    evidence = np.zeros((1, here.size, KAPPAS.size), dtype=np.float32)
    if rival is not None:
        evidence[:] = -9.0
        evidence[0, :, at(rival)] = 0.0
    evidence[0, :, HERE] = here
    turns: Real = 3.0 * np.arange(here.size, dtype=np.float64)
    speed_hz = np.full(here.size, 20.0) if speed_hz is None else speed_hz
    return _Turning(
        time_s=np.asarray(turns / 20.0), turns=turns, speed_hz=speed_hz,
        uncertainty=np.full(here.size, uncertainty), evidence=evidence, only=np.ones(here.size),
    )  # fmt: skip


@pytest.mark.parametrize(
    ("rival", "ahead", "known"),
    [(0.25, 0.9, True), (0.25, 0.7, False), (0.35, 0.7, True)],
)
def test_a_piece_is_ahead_of_every_rival_to_which_a_path_may_stray(
    monkeypatch: pytest.MonkeyPatch, rival: float, ahead: float, known: bool
) -> None:
    """0.3 in the logarithm, from one window to the next; half and double are another matter."""
    monkeypatch.setattr(swept_speed, "_not_a_multiple", lambda evidence: True)
    assert bool(swept_speed._known(turning(np.full(30, ahead), rival=rival))) is known


@pytest.mark.parametrize(("rival", "ahead", "known"), [(0.7, 0.9, True), (0.7, 0.7, False), (0.8, 0.7, True)])
def test_and_all_of_it_of_half_and_double(rival: float, ahead: float, known: bool) -> None:
    one = turning(np.full(30, ahead), rival=rival)
    assert swept_speed._not_a_multiple(one.evidence.sum(axis=0)) is known


@pytest.mark.parametrize(("uncertainty", "known"), [(0.009, True), (0.012, False)])
def test_a_speed_that_is_unsure_by_more_than_a_hundredth_is_not_stated(uncertainty: float, known: bool) -> None:
    assert bool(swept_speed._known(turning(np.full(30, 2.0), uncertainty=uncertainty))) is known


@pytest.mark.parametrize(("apart", "pieces"), [(4, 1), (3, 2)])
def test_one_window_between_sure_ones_counts_as_sure(apart: int, pieces: int) -> None:
    """Of five windows in a mean; of 1.0, but for two of 0.4, it falls below 0.8 where it holds both."""
    here = np.ones(40)
    here[[20, 20 + apart]] = 0.4
    assert len(swept_speed._known(turning(here))) == pieces


def test_a_piece_has_eight_points_from_knot_to_knot_and_is_never_surer_than_three_per_mille() -> None:
    (piece,) = swept_speed._known(turning(np.full(30, 2.0), uncertainty=0.0))
    # All windows but the first and the last.
    assert piece.time_s.size == 27 * 8 + 1
    assert piece.uncertainty == pytest.approx(0.003)
    assert piece.speed_hz == pytest.approx(20.0)


def why(
    monkeypatch: pytest.MonkeyPatch, *, own: float = 1.0, turns: float = 1.0, only: float = 1.0, faster: float = 1.5
) -> str:
    """Why no speed is stated of a path with so much evidence of its own lines, of its shafts, and of broken orders."""
    windows = 20
    evidence = np.zeros((2, windows, KAPPAS.size), dtype=np.float32)
    evidence[0, :, HERE], evidence[1, :, HERE] = own, turns
    values = np.linspace(24.5 / faster, 24.5, windows)
    turned = _Turning(
        time_s=np.linspace(0.0, 1.9, windows), turns=np.linspace(0.0, 57.0, windows), speed_hz=values,
        uncertainty=np.full(windows, 0.001), evidence=evidence, only=np.full(windows, only),
    )  # fmt: skip
    monkeypatch.setattr(swept_speed, "_refined", lambda run, time_s, speed_hz: turned)
    monkeypatch.setattr(swept_speed, "_nearest_rival", lambda *more: (0.5, 9.0, 2.5))
    piece = swept_speed.SweptPiece(
        time_s=turned.time_s, turns=turned.turns, speed_hz=values, uncertainty=turned.uncertainty
    )
    monkeypatch.setattr(swept_speed, "_known", lambda one: [piece])
    run = run_of([lines_of([13.0]), lines_of([1.0], own=False)])
    return swept_speed._judged(run, np.full(run.time_s.size, 20.0))[0].why


@pytest.mark.parametrize(
    ("what", "said"),
    [
        ({"own": 0.5}, ""), ({"own": 0.3}, "lines"), ({"turns": 0.3}, ""), ({"turns": 0.15}, "lines"),
        ({"only": 0.07}, ""), ({"only": 0.03}, "others"), ({"faster": 1.2}, ""), ({"faster": 1.1}, "steady"),
    ],
)  # fmt: skip
def test_a_speed_is_stated_where_own_lines_shafts_and_broken_orders_stand_and_it_moves(
    monkeypatch: pytest.MonkeyPatch, what: dict[str, float], said: str
) -> None:
    assert why(monkeypatch, **what) == said


def another(
    monkeypatch: pytest.MonkeyPatch, ahead: float = 9.0, apart: float = 0.1, share: float = 1.0
) -> tuple[bool, NDArray[np.float32]]:
    """Whether a second machine runs where what is left gives a path so far ahead of its rivals, so far apart from the
    first one in a share of its windows; and what is left at order 10 of 20 Hz."""
    first = turning(np.ones(100))
    second = turning(np.ones(100), speed_hz=20.0 * np.exp(np.where(np.arange(100) < 100 * share, apart, 0.0)))
    left: list[Any] = []

    def followed(run: Any, spectra: Any) -> None:
        left.append(spectra[0.5].ratio)

    monkeypatch.setattr(swept_speed, "_followed", followed)
    found = swept_speed.SweptSpeed(ahead=ahead)
    monkeypatch.setattr(swept_speed, "_judged", lambda run, speed: (found, [second]))
    spectra = {0.5: RareLines(ratio=np.full((1000, 20), 5.0, dtype=np.float32), bin=0.25, length=0.5)}
    run = run_of([lines_of([10.0])], np.linspace(0.0, 9.5, 20))
    return swept_speed._another(run, spectra, [first]), left[0]


def test_of_a_second_machine_nothing_is_read_within_one_and_a_half_per_cent_of_the_firsts_lines(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Twelve of 800 quarter hertz."""
    _, left = another(monkeypatch)
    assert np.flatnonzero(left[:, 5] == 1.0) == pytest.approx(np.arange(800 - 12, 800 + 13))


@pytest.mark.parametrize(
    ("what", "two"),
    [
        ({"ahead": 2.3}, True), ({"ahead": 1.7}, False), ({"apart": 0.02}, True), ({"apart": 0.01}, False),
        ({"share": 0.35}, True), ({"share": 0.18}, False),
    ],
)  # fmt: skip
def test_a_second_machine_is_ahead_of_its_rivals_and_at_another_speed(
    monkeypatch: pytest.MonkeyPatch, what: dict[str, float], two: bool
) -> None:
    assert another(monkeypatch, **what)[0] is two
