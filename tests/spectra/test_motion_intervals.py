"""How the input moves: runs, starts, stops, reversing moves, and a shaft that stands."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from vibe.core.capture import Channel, Quantity
from vibe.spectra.speed.motion_intervals import Motion, motion_of, of_move, pieces_of
from vibe.spectra.speed.tachometer import speed_from_tachometer

RATE, DURATION = 6400.0, 10.0
TIME = np.arange(int(RATE * DURATION)) / RATE


def turns_of(speed_hz: np.ndarray) -> np.ndarray:
    return 0.3 + np.concatenate([[0.0], np.cumsum((speed_hz[1:] + speed_hz[:-1]) / 2)]) / RATE


def running(t: np.ndarray) -> np.ndarray:
    return 24.0 + 0.1 * np.sin(t)


def starting(t: np.ndarray) -> np.ndarray:
    return 24.0 * np.clip((t - 1.0) / 3.0, 0.0, 1.0)


def stopping(t: np.ndarray) -> np.ndarray:
    return starting(t[::-1])


def swinging(t: np.ndarray) -> np.ndarray:
    """Two seconds to, two fro, with short ramps and a pause between."""
    within = np.mod(t, 2.0)
    level = np.clip(np.minimum(within / 0.3, (1.8 - within) / 0.3), 0.0, 1.0)
    return np.where(np.mod(np.floor(t / 2.0), 2) == 0, 30.0, -30.0) * level


def channel(speed: Callable[[np.ndarray], np.ndarray], quantity: Quantity, per_rev: int = 4) -> Channel:
    turns = turns_of(speed(TIME))
    if quantity == "angle":
        samples = turns
    else:
        travelled = np.concatenate([[0.0], np.cumsum(np.abs(np.diff(turns)))])
        # The first sample of a pulse holds the share of its step for which the level was up.
        step = np.maximum(np.gradient(travelled) * per_rev, 1e-9)
        phase = np.mod(travelled * per_rev, 1.0)
        samples = 5.0 * (np.clip(phase / step, 0, 1) - np.clip((phase - 0.3) / step, 0, 1))
        if quantity == "signed pulses":
            samples = samples * np.where(speed(TIME) < 0, -1.0, 1.0)
    return Channel(
        name="turning", samples=samples.astype(np.float32), sample_rate_hz=RATE, quantity=quantity,
        recorded_unit="V", pulses_per_rev=float(per_rev),
    )  # fmt: skip


def motion(speed: Callable[[np.ndarray], np.ndarray], quantity: Quantity) -> Motion:
    return motion_of(channel(speed, quantity), DURATION)


def test_marks_that_are_unevenly_spaced_are_no_change_of_speed() -> None:
    """Six bolt heads, each off by up to a twelfth of their distance, and a steady shaft; a run-up past them is one."""
    off = 0.08 * np.array([1.0, -1.0, 0.5, -0.8, 1.0, -0.7])
    for turns, whole in ((24.0 * TIME, True), (20.0 * TIME + 0.25 * TIME**2, False)):
        marks = np.arange(1, int(6 * turns[-1]) - 1)
        at = np.interp((marks + off[marks % 6]) / 6, turns, TIME)
        level = np.zeros(TIME.size, dtype=np.float32)
        for k in range(6):
            level[np.searchsorted(TIME, at) + k] = 5.0
        sensor = Channel(
            name="turning", samples=level, sample_rate_hz=RATE, quantity="tachometer", recorded_unit="V",
            pulses_per_rev=6.0,
        )  # fmt: skip
        assert motion_of(sensor, DURATION).whole is whole


@pytest.mark.parametrize("quantity", ["tachometer", "signed pulses", "angle"])
def test_a_drive_that_runs_is_one_whole_move(quantity: Quantity) -> None:
    found = motion(running, quantity)
    assert found.whole
    assert len(found.moves) == 1
    pulsed = speed_from_tachometer(channel(running, quantity), (20.0, 30.0), DURATION)
    assert pulsed is not None
    assert pulsed[1].input_hz == pytest.approx(np.ptp(turns_of(running(TIME))) / TIME[-1], rel=2e-5)


@pytest.mark.parametrize("quantity", ["tachometer", "signed pulses", "angle"])
@pytest.mark.parametrize("speed", [starting, stopping])
def test_the_angle_of_a_run_up_or_a_stop_is_followed(
    speed: Callable[[np.ndarray], np.ndarray], quantity: Quantity
) -> None:
    found = motion(speed, quantity)
    assert not found.whole
    (move,) = found.moves
    true = turns_of(speed(TIME))
    inside = np.linspace(0.0, move.law.duration_s, 500)
    off = move.law.at(inside) - np.interp(move.start_s + inside, TIME, true)
    # A hundredth of a turn is half a lobe of a disc of fifty.
    assert np.ptp(off) < 0.01
    assert move.law.total_turns > 0.94 * np.ptp(true)
    assert found.fastest_hz == pytest.approx(24.0, rel=0.01)


@pytest.mark.parametrize("quantity", ["signed pulses", "angle"])
def test_moves_to_and_fro_are_distinguished_and_followed(quantity: Quantity) -> None:
    found = motion(swinging, quantity)
    assert [move.forwards for move in found.moves] == [True, False, True, False, True]
    assert found.reverses
    true = turns_of(swinging(TIME))
    pieces = pieces_of(found.moves, 12.0)
    assert len(pieces) == 5
    for piece in pieces:
        assert piece.law.total_turns == pytest.approx(pieces[0].law.total_turns, rel=1e-4)
        inside = np.linspace(0.0, piece.law.duration_s, 200)
        own = np.interp(piece.start_s + inside, TIME, true)
        assert np.ptp(piece.law.at(inside) - np.abs(own - own[0])) < 0.01


def test_pulses_without_a_sign_tell_moves_but_no_direction() -> None:
    found = motion(swinging, "tachometer")
    assert len(found.moves) == 5
    assert not found.signed
    assert {move.forwards for move in found.moves} == {None}


@pytest.mark.parametrize("quantity", ["tachometer", "signed pulses", "angle"])
def test_a_shaft_that_stands_makes_no_move(quantity: Quantity) -> None:
    assert motion(lambda t: 0.0 * t, quantity).moves == ()


def test_an_angle_that_begins_again_at_every_turn_is_joined() -> None:
    whole = channel(running, "angle")
    wrapped = Channel(
        name="turning", samples=np.mod(whole.samples, 1.0), sample_rate_hz=RATE, quantity="angle", recorded_unit="turn"
    )
    (move,) = motion_of(wrapped, DURATION).moves
    assert move.law.total_turns == pytest.approx(np.ptp(turns_of(running(TIME))), rel=0.01)


def test_long_moves_are_cut_so_that_all_pieces_turn_alike() -> None:
    """A move of 115 turns next to two of 54: two pieces of the long one, and the short ones whole."""

    def speed(t: np.ndarray) -> np.ndarray:
        return np.select([t < 2.0, t < 2.5, t < 4.5, t < 5.0, t < 7.4], [27.0, 0.0, -27.0, 0.0, 48.0], 0.0)

    moves = motion(speed, "angle").moves
    assert len(moves) == 3
    pieces = pieces_of(moves, 12.0)
    turns = [piece.law.total_turns for piece in pieces]
    assert max(turns) == pytest.approx(min(turns), rel=1e-4)
    assert len(turns) == 4
    assert sum(turns) > 0.9 * sum(move.law.total_turns for move in moves)
    cut = of_move([channel(speed, "angle")], pieces[0])[0]
    assert cut.duration_s == pytest.approx(pieces[0].law.duration_s, abs=1 / RATE)


def test_pulses_missed_for_a_while_by_a_sensor_are_no_standstill() -> None:
    whole = channel(running, "tachometer", 1)
    level = whole.samples.copy()
    level[int(4.0 * RATE) : int(4.7 * RATE)] = 0.0
    gap = Channel(
        name="turning", samples=level, sample_rate_hz=RATE, quantity="tachometer", recorded_unit="V", pulses_per_rev=1.0
    )
    assert motion_of(gap, DURATION).whole


@pytest.mark.parametrize("missed", [(100,), (100, 101), (100, 102, 104), (100, 101, 103, 104, 106, 107)])
def test_pulses_missed_one_after_another_cost_no_turn(missed: tuple[int, ...]) -> None:
    whole = channel(running, "tachometer", 4)
    level = whole.samples.copy()
    edges = np.flatnonzero(np.diff((level > 2.5).astype(int)) > 0)
    for number in missed:
        level[edges[number] - 1 : edges[number + 1] - 3] = 0.0
    lost = Channel(
        name="turning", samples=level, sample_rate_hz=RATE, quantity="tachometer", recorded_unit="V", pulses_per_rev=4.0
    )
    found, intact = (speed_from_tachometer(one, (20.0, 30.0), DURATION) for one in (lost, whole))
    assert found is not None
    assert intact is not None
    # One mark of four would be one part in a thousand.
    assert found[0].total_turns == pytest.approx(intact[0].total_turns, abs=0.01)
