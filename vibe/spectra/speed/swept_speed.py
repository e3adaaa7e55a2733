"""The speed through a run-up or coast-down without a pulse, from lines of known orders, and how sure it is.

Short spectra are read at every line's place for every speed, and a hidden Markov chain joins instants. Along the path,
laid on its angle, lines stand still: there it is refined, and held against rivals at every other multiple of itself.
A path is taken only where the machine's lines say it, all over the sweep, against each of them; and of it only what
they say piece by piece.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import binary_closing, maximum_filter1d, uniform_filter1d

from vibe.core.tones import FollowedLines
from vibe.spectra.basic.spline import spline_through
from vibe.spectra.speed.swept_lines import RESOLVED, RareLines, Rows, every_order, likely_states, rare_lines

Real = NDArray[np.float64]
Bools = NDArray[np.bool_]

STEP_S = 0.1
"""Between instants: fast runs take seconds."""
LENGTHS_S = (0.125, 0.25, 0.5, 1.0)
"""Of windows: for every line the one within which it moves by about one bin, 1 / sqrt(order times Hz per second)."""
STEEPER = 1.3
"""A run is in part steeper than all of its speed over all of its time (our choice)."""
NEAR_S, NEAR_TURNS = 128, 96
"""Half bins a place is compared with, in time and on the angle: some twenty lines' widths."""
LOWEST = 0.1
"""Speeds below this share of the nominal one are not followed: their lines lie next to each other and to zero."""
GRID = 0.006
"""From one speed to the next, relative: half a bin of 0.25 s at order 15 and 25 Hz."""
SHORTEST_S = 2.0
"""For all of the nominal speed: quicker starts and stops leave no segment of nearly one speed."""
REST = -0.3
"""Log likelihood of rest in each instant: less than that of any speed whose lines stand out (our choice)."""
ELSEWHERE = 1e-3
"""Chance that a run does not reach the nominal speed at its fast end: cut short, or at another speed (our choice)."""
RANGE_SLACK = 0.02
"""By which the fast end may lie beyond the drive's range, relative: mains and slip vary by as much (our choice)."""
WINDOW_TURNS, STEP_TURNS = 12.0, 3.0
"""On the angle: a window parts side lines at whole turns from their mesh, and moves by a quarter of itself."""
OFF = np.arange(-0.03, 0.03001, 0.001)
"""Relative deviations from the first path within which it is refined."""
EDGE = 0.7
"""Of these deviations, beyond which the first path was too far off."""
DRIFT = 0.0015
"""Of the deviation from one window to the next, relative (our choice)."""
KAPPAS = np.exp(np.arange(-1.4, 1.4001, 0.004))
"""Multiples at which rivals are looked for: from a quarter to four times the speed."""
HERE = int(np.abs(KAPPAS - 1).argmin())
"""The path itself among them."""
ALIKE = 0.012
"""Relative difference within which a rival is the path itself."""
MASKED = 0.015
"""To both sides, relative, of a first machine's lines, when a second one is looked for."""
SECOND_BEATS, SECOND_APART, SECOND_SHARE = 2.0, 0.015, 0.25
"""Standard errors by which its path must beat its rivals, for a doubt, which is less than for a speed; relative, by how
much its speed must differ to be another's, and in which share of its windows."""
BLOCKS = 10
"""Of a sweep, that stand for independent looks."""
BEATS, BEATS_ELSEWHERE = 2.5, 1.5
"""Standard errors over blocks by which the path must beat every rival (one in several hundred by chance)."""
SCATTER = 0.03
"""Added to a standard error, so that equal blocks do not divide by nothing."""
LEAST_OWN, LEAST_TURNING = 0.4, 0.2
"""Mean log likelihood ratio in each instant of all lines of the machine's own, and of its shafts: both must speak."""
LEAST_ONLY = 0.05
"""By how much lines that are no multiples of the input must stand out more than what is next to them (our choice)."""
SLOW_ORDER = 3.0
"""Below it lines of lobes lie close to the shaft's own."""
BETWEEN = (-2.37, -1.61, 1.39, 2.63, 3.29)
"""Places next to such a line, in its distances from the multiple: none is another multiple of it."""
LEAST_TURNS = 40.0
"""In a piece without a stop: three windows."""
LOCAL = 5
"""Windows over which a piece's own evidence is averaged: half of them are fresh."""
LOCAL_REACH, MULTIPLE_REACH = 0.3, 0.75
"""How far, in the logarithm, rivals lie to which a path may stray from one window to the next; and those of a whole
piece, which half and double are."""
CLOSED = 1
"""Windows at most between sure ones that count as sure."""
LOCAL_AHEAD = 0.8
"""By which it must be ahead of every rival there."""
DENSE = 8
"""Points from one knot of a piece to the next."""
UNEVEN = 0.05
"""Uncertainty of the speed by its change within a window: a twentieth of it (our choice)."""
LEAST_OFF = 0.003
"""Standard uncertainty, relative, that a speed between windows of twelve turns keeps at the least (sweeps of
``tests/worlds/sweeps.py``: 93 to 100 in 100 of each kind lie within twice that)."""
MOST_OFF = 0.01
"""Standard uncertainty of the speed, relative, from which on it is not stated."""
MOVES = 1.15
"""Fastest over slowest speed of a run-up or coast-down, at the least."""

Why = Literal["", "missing", "short", "steady", "lines", "others", "rival", "end", "two"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SweptPiece:
    """The input's ``turns`` (n,) at ``time_s`` (n,), with the relative standard uncertainty of the speed (n,)."""

    time_s: Real
    turns: Real
    speed_hz: Real
    uncertainty: Real


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SweptSpeed:
    """``pieces`` whose speed is known, in time; where there is none, ``why``: samples are ``missing``; too ``short``;
    the speed is ``steady``; ``lines`` do not stand out; only such stand out as ``others`` have, too; a ``rival`` at so
    many times the speed explains as much; the fast ``end`` of the path is no speed of the machine; ``two`` machines of
    the kind run.

    ``ahead``: standard errors by which the path beats its nearest rival.
    """

    pieces: tuple[SweptPiece, ...] = ()
    why: Why = ""
    rival: float | None = None
    ahead: float = 0.0

    @property
    def uncertainty(self) -> float:
        """The middle relative standard uncertainty of all pieces."""
        return float(np.median(np.concatenate([piece.uncertainty for piece in self.pieces])))

    @property
    def gaps_hz(self) -> tuple[tuple[float, float], ...]:
        """Speeds between those of the pieces."""
        ranges = sorted((float(piece.speed_hz.min()), float(piece.speed_hz.max())) for piece in self.pieces)
        gaps, top = [], ranges[0][1]
        for low, high in ranges[1:]:
            if low > top:
                gaps.append((top, low))
            top = max(top, high)
        return tuple(gaps)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Turning:
    """One part without a stop: the refined law, evidence (kinds, windows, KAPPAS) along it, and that of lines which
    no other machine has (windows,)."""

    time_s: Real
    turns: Real
    speed_hz: Real
    uncertainty: Real
    evidence: NDArray[np.float32]
    only: Real


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Run:
    """What is asked of one capture, at instants ``time_s`` and speeds ``grid_hz``; ``lengths`` of windows by order."""

    rows: Rows
    kinds: Sequence[FollowedLines]
    range_hz: tuple[float, float]
    up: bool
    time_s: Real
    grid_hz: Real
    lengths: dict[float, float]

    @property
    def orders(self) -> Real:
        """Of all lines."""
        return every_order(self.kinds)

    @property
    def slowest_end_hz(self) -> float:
        """The least that the fast end of a run may be."""
        return (1 - RANGE_SLACK) * self.range_hz[0]

    @property
    def fastest_hz(self) -> float:
        """And the most."""
        return (1 + RANGE_SLACK) * self.range_hz[1]


def swept_speed(rows: Rows, kinds: Sequence[FollowedLines], range_hz: tuple[float, float], *, up: bool) -> SweptSpeed:
    """Of ``rows`` of samples, shape (n,) each with its rate [Hz], that began together; the fast end of the run lies in
    ``range_hz``, but for a chance. ``up``: that is its last one."""
    duration = min(samples.size / rate for samples, rate in rows)
    if duration < SHORTEST_S:
        return SweptSpeed(why="short")
    if not all(np.isfinite(samples).all() for samples, _ in rows):
        return SweptSpeed(why="missing")
    slope = STEEPER * range_hz[1] / duration
    run = _Run(
        rows=rows, kinds=kinds, range_hz=range_hz, up=up, time_s=np.arange(0.5 * STEP_S, duration, STEP_S),
        grid_hz=np.exp(np.arange(np.log(LOWEST * range_hz[0]), np.log(1.03 * range_hz[1]), GRID)),
        lengths={float(order): _length(order, slope) for order in every_order(kinds)},
    )  # fmt: skip
    spectra = {
        length: rare_lines(rows, length, run.time_s, near=NEAR_S, follows=True, top=_top(run, length))
        for length in sorted({*run.lengths.values()})
    }
    speed = _followed(run, spectra)
    found, taken = _judged(run, speed)
    if found.why == "rival" and found.rival is not None:
        # The rival may be the machine: its own path is followed, and has to beat all others in turn.
        other = np.where(speed * found.rival <= run.grid_hz[-1], speed * found.rival, 0.0)
        again, taken_again = _judged(run, other)
        if not again.why:
            found, taken = again, taken_again
    if not found.why and _another(run, spectra, taken):
        return SweptSpeed(why="two", ahead=found.ahead)
    return found


def _length(order: float, slope: float) -> float:
    """Of the window in which a line of ``order`` moves by about a bin, at ``slope`` [Hz/s] of the input."""
    return min(LENGTHS_S, key=lambda length: abs(np.log(length * np.sqrt(order * slope))))


def _top(run: _Run, length: float) -> float:
    """The highest frequency [Hz] that is read in windows of ``length``."""
    return float(run.grid_hz[-1]) * max(order for order, own in run.lengths.items() if own == length)


def _followed(run: _Run, spectra: dict[float, RareLines]) -> Real:
    """Speed (instants,) [Hz], 0 at rest."""
    grid, orders = run.grid_hz, run.orders
    score = np.zeros((grid.size, run.time_s.size))
    for kind in run.kinds:
        for order in kind.orders:
            length = run.lengths[round(order, 6)]
            # Windows overlap, and say together no more than they hold.
            score += min(1.0, 2 * STEP_S / length) * spectra[length].read(kind, order, grid, orders)
    inside = np.concatenate([[False], (grid >= run.slowest_end_hz) & (grid <= run.fastest_hz)])
    fast = np.where(inside, 1.0, ELSEWHERE * inside.sum() / inside.size)
    free = np.ones(inside.size)
    likely = likely_states(
        np.vstack([np.full(run.time_s.size, REST), score]).T, _moves(grid, run.range_hz[1], float(run.time_s[-1])),
        *((free, fast) if run.up else (fast, free)),
    )  # fmt: skip
    speeds = np.concatenate([[0.0], grid])
    together = uniform_filter1d(likely[:, 1:], LOCAL, axis=1, mode="constant") * LOCAL
    return np.asarray(speeds[np.column_stack([likely[:, 0], together]).argmax(axis=1)])


def _moves(grid: Real, nominal_hz: float, duration: float) -> Real:
    """Chances (from, to) of rest and all speeds within one step: changes are as usual for the run, seldom quicker."""
    speeds = np.concatenate([[0.0], grid])
    width = np.gradient(speeds)
    width[0] = grid[0]
    change = np.abs(speeds[:, None] - speeds)
    most = np.maximum(nominal_hz / SHORTEST_S * STEP_S, 1.5 * np.maximum(width[:, None], width))
    odds = np.exp(-change / (1.5 * nominal_hz / duration * STEP_S)) * (change <= most) * width
    return np.asarray(odds / odds.sum(axis=1, keepdims=True))


# ── on the angle ──────────────────────────────────────────────────────────────────────────────────────────────────


def _judged(run: _Run, speed_hz: Real) -> tuple[SweptSpeed, list[_Turning]]:
    """What is known if the machine turned at about ``speed_hz`` (instants,)."""
    turning = [one for part in _turning_parts(speed_hz) if (one := _refined(run, run.time_s[part], speed_hz[part]))]
    if not turning:
        return SweptSpeed(why="short"), []
    evidence = np.concatenate([one.evidence for one in turning], axis=1)
    top = max(float(one.speed_hz.max()) for one in turning)
    rival, ahead, bar = _nearest_rival(run, evidence.sum(axis=0), top)
    found = SweptSpeed(ahead=ahead)
    if ahead < bar:
        return replace(found, why="rival", rival=rival), turning
    if top < run.slowest_end_hz:
        # Half of a speed explains many lines of a drive: only the speed that is known at one end decides.
        return replace(found, why="end"), turning
    own = np.array([kind.own for kind in run.kinds])
    said = [float(maximum_filter1d(evidence[of].sum(axis=0), 3, axis=1)[:, HERE].mean()) for of in (own, ~own)]
    if said[0] < LEAST_OWN or said[1] < LEAST_TURNING:
        return replace(found, why="lines"), turning
    only = np.concatenate([one.only for one in turning])
    if not only.size or only.mean() < LEAST_ONLY:
        return replace(found, why="others"), turning
    pieces = tuple(piece for one in turning for piece in _known(one))
    if not pieces:
        return replace(found, why="lines"), turning
    speeds = np.concatenate([piece.speed_hz for piece in pieces])
    if speeds.max() < MOVES * speeds.min():
        return replace(found, why="steady"), turning
    return replace(found, pieces=pieces), turning


def _turning_parts(speed_hz: Real) -> list[slice]:
    edges = np.flatnonzero(np.diff(np.concatenate([[0], speed_hz > 0, [0]])))
    return [slice(int(a), int(b)) for a, b in zip(edges[::2], edges[1::2], strict=True) if b - a > 2 * LOCAL]


def _refined(run: _Run, time_s: Real, speed_hz: Real) -> _Turning | None:
    """The law that lines say when they are laid on its angle; None of too few turns."""
    window = np.hanning(2 * LOCAL + 1)[1:-1]
    smooth = np.exp(np.convolve(np.pad(np.log(speed_hz), LOCAL - 1, mode="edge"), window / window.sum(), mode="valid"))
    turns = _turns(time_s, smooth)
    if turns[-1] < LEAST_TURNS:
        return None
    orders, kinds = run.orders, run.kinds
    per_turn = float(np.ceil(2.56 * 1.1 * orders.max() + 8))
    at = np.arange(STEP_TURNS / 2, turns[-1], STEP_TURNS)
    lines = rare_lines(_laid(run.rows, time_s, turns, per_turn), WINDOW_TURNS, at, near=NEAR_TURNS, follows=False)
    weight = 2 * STEP_TURNS / WINDOW_TURNS
    score = weight * sum(lines.read(kind, order, 1 + OFF, orders) for kind in kinds for order in kind.orders)
    moves = np.exp(-np.abs(OFF[:, None] - OFF) / DRIFT)
    even = np.ones(OFF.size)
    likely = likely_states(np.asarray(score, dtype=np.float64).T, moves / moves.sum(axis=1, keepdims=True), even, even)
    off = likely @ OFF
    spread = np.sqrt(np.maximum(likely @ OFF**2 - off**2, 0.0))
    # Within a window the speed is not one, the less so the more it changes.
    spread = np.hypot(spread, UNEVEN * np.abs(np.gradient(np.log(np.interp(at, turns, smooth)), at)) * WINDOW_TURNS)
    # At its edge it may be anywhere beyond.
    spread = np.where(np.abs(off) > EDGE * OFF[-1], 1.0, spread)
    moments = np.interp(at, turns, time_s)
    speed = np.interp(moments, time_s, smooth) * (1 + off)
    turned = _turns(moments, speed)
    inside = np.arange(WINDOW_TURNS / 2, turned[-1] - WINDOW_TURNS / 2 + 1e-9, STEP_TURNS)
    if inside.size < 2 * LOCAL:
        return None
    laid = _laid(run.rows, moments, turned, per_turn)
    lines = rare_lines(laid, WINDOW_TURNS, inside, near=NEAR_TURNS, follows=False)
    evidence = np.array(
        [np.sum([lines.read(kind, order, KAPPAS, orders) for order in kind.orders], axis=0).T for kind in kinds]
    )
    return _Turning(
        time_s=np.interp(inside, turned, moments), turns=inside, speed_hz=np.interp(inside, turned, speed),
        uncertainty=np.interp(inside, turned, spread), evidence=evidence,
        only=_between_turns(laid, kinds, float(turned[-1])),
    )  # fmt: skip


def _between_turns(laid: Rows, kinds: Sequence[FollowedLines], turns: float) -> Real:
    """How much more stands at own lines that are no multiples of the input than next to them, (windows,): mean log
    likelihood ratio. Windows are as long as it takes to part the nearest of them from its multiple, if there is time.
    Any rotor with blades has lines at whole orders; these no other machine has."""
    broken = [(kind, order) for kind in kinds for order in kind.orders if abs(order - round(order)) > 1e-6]
    own = [(kind, order, abs(order - round(order))) for kind, order in broken if kind.own or order < 1]
    slow = [off for _, order, off in own if order < SLOW_ORDER]
    length = min(max(WINDOW_TURNS, RESOLVED / min(slow, default=1.0)), turns / 2.5)
    at = np.arange(length / 2, turns - length / 2, length / 4)
    own = [(kind, order, off) for kind, order, off in own if off * length > 0.8 * RESOLVED]
    if not own or not at.size:
        return np.zeros(0)
    lines = rare_lines(laid, length, at, near=NEAR_TURNS, follows=False)
    found = []
    for kind, order, off in own:
        places = [order, *(order + times * off for times in BETWEEN if order + times * off > 0.3)]
        value, *others = (
            lines.read(kind, place, 1 + np.arange(-2, 3) * lines.bin / 2 / place, np.array([place])).max(axis=0)
            for place in places
        )
        found.append(value - np.mean(others, axis=0))
    return np.asarray(np.mean(found, axis=0), dtype=np.float64)


def _turns(time_s: Real, speed_hz: Real) -> Real:
    return np.concatenate([[0.0], np.cumsum((speed_hz[1:] + speed_hz[:-1]) / 2 * np.diff(time_s))])


def _laid(rows: Rows, time_s: Real, turns: Real, per_turn: float) -> list[tuple[Real, float]]:
    """Rows at even steps of angle: the mean over each, which lets little fold back of what is faster."""
    edges = np.interp(np.arange(0.0, turns[-1], 1 / per_turn), turns, time_s)
    laid = []
    for samples, rate in rows:
        sums = np.concatenate([[0.0], np.cumsum(samples, dtype=np.float64)])
        laid.append((np.diff(np.interp(edges * rate, np.arange(sums.size), sums)) / np.diff(edges) / rate, per_turn))
    return laid


# ── rivals ────────────────────────────────────────────────────────────────────────────────────────────────────────


def _rivals() -> Bools:
    return np.asarray(np.abs(np.log(KAPPAS)) > ALIKE)


def _nearest_rival(run: _Run, evidence: NDArray[np.float32], top_hz: float) -> tuple[float, float, float]:
    """The multiple of the path that it beats by least, by how many standard errors over blocks of the sweep, and how
    many are asked; ``evidence`` (windows, KAPPAS), ``top_hz`` the fastest of the path. No rival is faster than the
    range, and those that do not reach it have that against them."""
    blocks = np.array([part.mean(axis=0) for part in np.array_split(evidence, BLOCKS)])
    blocks = maximum_filter1d(blocks, 3, axis=1)
    ahead = blocks[:, [HERE]] - blocks
    errors = ahead.mean(axis=0) / (ahead.std(axis=0, ddof=1) / np.sqrt(BLOCKS) + SCATTER)
    held = top_hz >= run.slowest_end_hz
    bars = np.where((KAPPAS * top_hz < run.slowest_end_hz) & held, BEATS_ELSEWHERE, BEATS)
    margin = np.where(_rivals() & (KAPPAS * top_hz <= run.fastest_hz), errors - bars, np.inf)
    nearest = int(margin.argmin())
    return float(KAPPAS[nearest]), float(errors[nearest]), float(bars[nearest])


def _known(one: _Turning) -> list[SweptPiece]:
    """Of one part, what its lines say piece by piece."""
    near = _rivals() & (np.abs(np.log(KAPPAS)) < LOCAL_REACH)
    local = uniform_filter1d(one.evidence.sum(axis=0).astype(np.float64), LOCAL, axis=0, mode="nearest")
    local = maximum_filter1d(local, 3, axis=1)
    ahead = local[:, HERE] - local[:, near].max(axis=1)
    # Within fewer turns than a window has, no path goes astray and comes back.
    sure = binary_closing(np.pad(ahead >= LOCAL_AHEAD, CLOSED), np.ones(CLOSED + 1, dtype=np.bool_))[CLOSED:-CLOSED]
    sure &= one.uncertainty <= MOST_OFF
    edges = np.flatnonzero(np.diff(np.concatenate([[0], sure, [0]])))
    parts = [slice(int(a) + 1, int(b) - 1) for a, b in zip(edges[::2], edges[1::2], strict=True) if b - a >= LOCAL + 2]
    return [_piece(one, part) for part in parts if _not_a_multiple(one.evidence[:, part].sum(axis=0))]


def _not_a_multiple(evidence: NDArray[np.float32]) -> bool:
    """Whether a piece (windows, KAPPAS) is no half and no double of the speed, which a gap may hide the way to."""
    whole = maximum_filter1d(evidence.mean(axis=0), 3)
    far = _rivals() & (np.abs(np.log(KAPPAS)) < MULTIPLE_REACH)
    return bool(whole[HERE] - whole[far].max() >= LOCAL_AHEAD)


def _piece(one: _Turning, part: slice) -> SweptPiece:
    """Knots are three turns apart: a line through them would be off by a tenth of a turn where the shaft is slow."""
    knots = one.time_s[part]
    time_s = np.linspace(knots[0], knots[-1], (knots.size - 1) * DENSE + 1)
    turns = spline_through(knots, one.turns[part], natural=False).at(time_s)
    return SweptPiece(
        time_s=time_s, turns=turns, speed_hz=np.gradient(turns, time_s),
        uncertainty=np.hypot(LEAST_OFF, np.interp(time_s, knots, one.uncertainty[part])),
    )  # fmt: skip


def _another(run: _Run, spectra: dict[float, RareLines], taken: list[_Turning]) -> bool:
    """Whether a second machine of the same lines runs through its speeds: what the first one's lines leave."""
    first_s, first_hz = (np.concatenate([getattr(one, name) for one in taken]) for name in ("time_s", "speed_hz"))
    left = {}
    for length, lines in spectra.items():
        ratio = lines.ratio.copy()
        for one in taken:
            within = np.flatnonzero((run.time_s >= one.time_s[0]) & (run.time_s <= one.time_s[-1]))
            for order in run.orders:
                places = order * np.interp(run.time_s[within], one.time_s, one.speed_hz) / lines.bin
                reach = np.maximum(2, np.rint(MASKED * places)).astype(np.intp)
                for column, place, width in zip(within, np.rint(places).astype(np.intp), reach, strict=True):
                    ratio[max(0, place - width) : place + width + 1, column] = 1.0
        left[length] = replace(lines, ratio=ratio)
    found, seconds = _judged(run, _followed(run, left))
    if not seconds or found.ahead < SECOND_BEATS:
        return False
    # What was refined onto the first machine's own lines again is no other.
    apart = [np.abs(np.log(one.speed_hz / np.interp(one.time_s, first_s, first_hz))) for one in seconds]
    return float(np.mean(np.concatenate(apart) > SECOND_APART)) > SECOND_SHARE
