"""How the input moves through a capture, from what shows its angle: the times in which it turns one way.

A run-up, a run to standstill, an indexer's steps or a robot joint's reversing moves have no speed, but each has an
angle law, read from pulses or an encoder. Laid on it, each move is a short capture of its own.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from vibe.core.capture import Channel
from vibe.core.evidence import SpeedEstimate
from vibe.spectra.basic.angle_law import AngleLaw
from vibe.spectra.basic.spline import spline_through
from vibe.spectra.speed.tachometer import (
    ENCODER_KNOTS_PER_S,
    FEWEST_PULSES,
    KNOTS_PER_S,
    Pulses,
    even_marks,
    trains_of,
)

Real = NDArray[np.float64]

MOVES_FROM = 0.2
"""Share of the greatest speed from which on a shaft counts as moving: at a fifth of it forces of inertia are a
twenty-fifth, and nothing of them is seen (common practice)."""
READING_TURNS = 1e-3
"""Standard uncertainty of the angle at either end of a move, in marks of the sensor: common practice."""
STANDS_S = 0.25
"""Time at either end, beyond three pulses, that a capture of a running shaft may lack."""
DENSER = 4
"""Knots of a move's law for each reading."""
UNSTEADY = 0.1
"""Relative change of speed from which on a capture is laid on the readings themselves: no load does that."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Move:
    """One way, from ``start_s`` of the capture on: the law counts time from there, and turns from 0 upwards."""

    start_s: float
    law: AngleLaw
    forwards: bool | None
    """None where the sensor does not say."""
    per_rev: float

    @property
    def end_s(self) -> float:
        return self.start_s + self.law.duration_s


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Motion:
    """All moves of a capture of ``duration_s``, in order of time; none where the shaft stood still throughout."""

    moves: tuple[Move, ...]
    signed: bool
    """Whether the sensor shows the direction."""
    duration_s: float

    @property
    def whole(self) -> bool:
        """Whether it is one move from the beginning to the end, at a speed that hardly changes."""
        if len(self.moves) != 1:
            return False
        move = self.moves[0]
        spare = STANDS_S + 3.0 / (move.per_rev * move.law.mean_hz)
        return move.law.duration_s >= self.duration_s - spare and _drift(move.law) < UNSTEADY

    @property
    def fastest_hz(self) -> float:
        return max((_fastest(move.law) for move in self.moves), default=0.0)

    @property
    def reverses(self) -> bool:
        return len({move.forwards for move in self.moves}) > 1


def motion_of(channel: Channel, duration_s: float) -> Motion:
    """The moves that a channel of pulses, signed pulses or angle concerns; ``duration_s`` of the capture."""
    signed = channel.quantity != "tachometer"
    trains = [(way, _evened(train)) for way, train in trains_of(channel)]
    fastest = max((float(np.max(_speeds(train))) for _, train in trains), default=0.0)
    moves = [
        Move(start_s=float(piece.time_s[0]), law=_law(piece), forwards=way if signed else None, per_rev=piece.per_rev)
        for way, train in trains
        for piece in _moving(train, MOVES_FROM * fastest)
    ]
    moves.sort(key=lambda move: move.start_s)
    return Motion(moves=tuple(moves), signed=signed, duration_s=duration_s)


def pieces_of(moves: Sequence[Move], fewest_turns: float) -> tuple[Move, ...]:
    """Pieces of equally many turns, at least ``fewest_turns``, cut from the moves so that most turns are kept; none
    where there is no move so long."""
    lengths = np.array([move.law.total_turns for move in moves])
    choices = np.unique(lengths[lengths >= fewest_turns]) * (1 - 1e-6)
    if choices.size == 0:
        return ()
    # Long pieces distinguish orders, many pieces average noise: turns kept, times the root of a piece's length.
    kept = [(float(np.floor(lengths / turns).sum() * turns * np.sqrt(turns)), float(turns)) for turns in choices]
    turns = max(kept)[1]
    return tuple(
        _cut(move, number * turns, turns)
        for move in moves
        for number in range(int(move.law.total_turns / turns + 1e-9))
    )


def estimate_of(move: Move) -> SpeedEstimate:
    """The mean speed of a move: as far as the sensor shows the angle at its ends."""
    law = move.law
    sigma = np.sqrt(2.0) * READING_TURNS / max(move.per_rev, 1.0) / law.total_turns
    return SpeedEstimate(
        input_hz=law.mean_hz, uncertainty_hz=law.mean_hz * max(float(sigma), 1e-6), method="tachometer",
        drift=law.drift,
    )  # fmt: skip


def of_move(channels: Sequence[Channel], move: Move) -> list[Channel]:
    """The samples of ``channels`` while the input makes a move."""
    cut = []
    for channel in channels:
        first = round(move.start_s * channel.sample_rate_hz)
        last = first + round(move.law.duration_s * channel.sample_rate_hz)
        cut.append(replace(channel, samples=channel.samples[first:last]))
    return cut


def _cut(move: Move, begin: float, turns: float) -> Move:
    law = move.law
    if begin <= 0 and turns >= law.total_turns * (1 - 1e-5):
        return move
    start, end = law.when(law.turns[0] + np.array([begin, begin + turns]))
    inside = law.time_s[(law.time_s > start + 1e-6) & (law.time_s < end - 1e-6)]
    time = np.concatenate([[start], inside, [end]])
    own = law.at(time)
    return replace(move, start_s=move.start_s + float(start), law=AngleLaw(time_s=time - start, turns=own - own[0]))


def _speeds(train: Pulses) -> Real:
    return np.diff(train.turns) / np.diff(train.time_s)


def _evened(train: Pulses) -> Pulses:
    """The train without what its marks are unevenly spaced by, which is no change of speed."""
    turns = even_marks(train)
    return replace(train, turns=turns) if np.all(np.diff(turns) > 0) else train


def _drift(law: AngleLaw) -> float:
    """Largest relative change of speed, as knots of a law show it: between single readings it is their jitter."""
    knots = np.linspace(0.0, law.duration_s, max(2, int(law.duration_s * KNOTS_PER_S)) + 1)
    speeds = np.diff(law.at(knots)) / np.diff(knots)
    return float(np.ptp(speeds) / law.mean_hz)


def _fastest(law: AngleLaw) -> float:
    """The speed that is exceeded in a tenth of the turns."""
    turns = np.diff(law.turns)
    speed = turns / np.diff(law.time_s)
    order = np.argsort(speed)
    share = np.cumsum(turns[order]) / turns.sum()
    return float(speed[order][int(np.searchsorted(share, 0.9))])


def _moving(train: Pulses, least_hz: float) -> list[Pulses]:
    """The parts of a train in which the shaft is faster than ``least_hz``."""
    fast = _speeds(train) >= least_hz
    edges = np.flatnonzero(np.diff(np.concatenate([[0], fast.astype(int), [0]])))
    return [
        replace(train, time_s=train.time_s[a : b + 1], turns=train.turns[a : b + 1] - train.turns[a])
        for a, b in zip(edges[::2], edges[1::2], strict=True)
        if b - a + 1 >= FEWEST_PULSES
    ]


def _law(piece: Pulses) -> AngleLaw:
    """Through the readings themselves, thinned where they are dense."""
    count = max(FEWEST_PULSES, round(float(np.ptp(piece.time_s)) * ENCODER_KNOTS_PER_S))
    pick = np.unique(np.linspace(0, piece.time_s.size - 1, min(count, piece.time_s.size)).astype(int))
    time, turns = piece.time_s[pick] - piece.time_s[0], piece.turns[pick]
    # A law's ends are straight, a move's are bent: knots so close that it hardly matters.
    fine = np.linspace(0.0, time[-1], DENSER * time.size)
    smooth = spline_through(time, turns, natural=False).at(fine)
    if not np.all(np.diff(smooth) > 0):
        return AngleLaw(time_s=time, turns=turns)
    return AngleLaw(time_s=fine, turns=smooth)
