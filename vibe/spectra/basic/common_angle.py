"""The angle that several lines tell together, each fitted with the lines near it.

A law of the angle that was read from lines taken by themselves may follow their side lines: where these stand close, a
shaft that turns evenly and has side lines looks much like one that swings and has none. One line cannot decide; several
can, since a swing moves each in proportion to its order, and side lines need not. So all lines that are asked for, with
their neighbours, are fitted with one angle, as smooth as they allow.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from math import log, pi, sqrt

import numpy as np
from numpy.typing import NDArray

from vibe.spectra.basic.line_fit import AngleRow, LineBase, lines_near

Real = NDArray[np.float64]
Complex = NDArray[np.complex128]

GRID = 256
"""Instants that carry all lines within reach and what a swing makes of them."""
DEGREES = (1, 2, 4, 8, 14, 24, 40)
"""Of the polynomial by which an angle is corrected; which, the lines decide (Schwarz, *Ann. Statist.* 6, 1978)."""
LEAST_PERIOD_S = 1.5
"""A speed that swings faster than about this is not followed: the inertia of a drive under load (common practice)."""
MOST_SWING = 2e-3
"""Of the speed, relative, that every coefficient may stand for before the lines are asked: motors on the mains hold
theirs within about this under steady load (common practice)."""
MORE = 4
"""Degrees beyond those: a polynomial needs some for its ends."""
STEP_BINS = 0.1
"""Of the search for the speed, in bins of the highest order of each pass."""
MOST_STEPS = 400
"""Bounds the search (our choice)."""
NOT_RULED_OUT = 5.0
"""Log likelihood below the best up to which an angle still counts: odds of 150 (common practice: *decisive* beyond)."""
WIDE_BINS = 24.0
"""Lines up to here are fitted with the one asked for; what they leave counts up to half of that, clear of those that
are not."""
OWN_BINS = (WIDE_BINS + 1) / 1.5
"""Independent bins of what is left: those of a Hann window are correlated, 1.5 count as one."""
ROUNDS = 12
"""Of the descent; half of it is usual."""
SAME_RAD = 0.3
"""R.m.s. phase between two laws, at the highest order, that makes them one: 5 % of a line (our choice)."""
IN_VAIN = 2
"""Degrees in a row that help nothing, after which none is tried any more."""
ALIKE_RAD = 0.03
"""The same that makes fitting both a waste: it moves a line by 0.05 %."""
WORTH = 0.05
"""Log likelihood below which a further round is not worth its time."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LineGroup:
    """A line and the lines near it, as orders and frequencies."""

    order: float
    orders: tuple[float, ...]
    fixed_hz: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Angle:
    """One way to lay the lines on an angle: which of the row's laws, and what is added to it."""

    law: int
    added: Real
    """Chebyshev coefficients over the capture, from degree 1 on [turns]; none where nothing is added."""

    def on(self, row: AngleRow) -> AngleRow:
        """The row on this angle alone."""
        laws = (row.turns, *row.smoother)
        place = np.linspace(-1.0, 1.0, row.turns.size)
        more = np.polynomial.chebyshev.chebval(place, np.concatenate([[0.0], self.added])) if self.added.size else 0.0
        turns = laws[self.law] + more
        return replace(row, turns=turns, smoother=(), total_turns=float(turns[-1] - turns[0]) * _whole(row))


def _whole(row: AngleRow) -> float:
    """From the first to the last sample, and to the end of its step."""
    return row.turns.size / (row.turns.size - 1)


@dataclass(frozen=True, slots=True, kw_only=True)
class AngleDoubt:
    """What the angle leaves open of one line: relative standard uncertainty of its amplitude, where side lines and a
    swing of the speed could stand for one another; and standard uncertainty of its phase [rad], over the capture."""

    relative: float
    phase_rad: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CommonAngles:
    """``angles``: the one that explains all lines best, first, and those that the lines do not rule out. ``doubts``: by
    number of row and of group."""

    angles: tuple[Angle, ...]
    doubts: dict[tuple[int, int], AngleDoubt]


def common_angles(rows: Sequence[AngleRow], groups: Sequence[LineGroup], speed_spread: float) -> CommonAngles | None:
    """The angle of one capture, from all lines of all its channels.

    Args:
        rows: channels of one capture, on the laws to begin with.
        groups: lines with their neighbours; those outside what was recorded are left out.
        speed_spread: relative standard uncertainty of the speed, which is looked for within three of it.

    Returns:
        None where no line lies within what was recorded.

    Source: variable projection (Golub and Pereyra, *SIAM J. Numer. Anal.* 10, 1973), from memory.
    """
    every = {
        (number, place): _Part.of(row, group)
        for number, row in enumerate(rows)
        for place, group in enumerate(groups)
    }  # fmt: skip
    parts = {key: part for key, part in every.items() if part is not None}
    if not parts:
        return None
    own = list(parts.values())
    fits = sorted((fit for law in _laws(rows[0]) for fit in _fits(own, rows[0], law, speed_spread)),
                  key=lambda fit: -fit.score)  # fmt: skip
    kept = _distinct([fit.angle for fit in fits if fit.score >= fits[0].score - NOT_RULED_OUT], own, rows[0])
    doubts = dict(zip(parts, _doubts(own, rows[0], fits[0].angle, speed_spread), strict=True))
    angles = _distinct([*kept, *_next_freer(fits, kept[0])], own, rows[0])
    return CommonAngles(angles=tuple(angles), doubts=doubts)


def _distinct(angles: Sequence[Angle], parts: Sequence[_Part], row: AngleRow) -> list[Angle]:
    """Without those that no line tells from one before them."""
    close = ALIKE_RAD / (2 * pi * max(part.base.order for part in parts))
    kept: list[tuple[Angle, Real]] = []
    for one in angles:
        start, at = _grid(row, one.law)
        turns = start + _added(at, one.added)
        if all(float(np.std(turns - other)) > close for _, other in kept):
            kept.append((one, turns))
    return [one for one, _ in kept]


def _doubts(parts: Sequence[_Part], row: AngleRow, angle: Angle, speed_spread: float) -> list[AngleDoubt]:
    """Linear propagation from the angle to the amplitudes, which follow it, with all swings that a drive may make."""
    start, at = _grid(row, angle.law)
    found = [part.fitted(start + _added(at, angle.added)) for part in parts]
    freedom = max(angle.added.size, *(one for one in DEGREES if one <= _most_degrees(row)))
    basis = _basis(at, freedom)
    # Before the lines are asked: the speed as it was estimated, and swings of it.
    half_turns = 0.5 * parts[0].base.total_turns
    prior = half_turns * MOST_SWING / np.arange(1, freedom + 1)
    prior[0] = half_turns * max(3 * speed_spread, 1e-6)
    known = np.diag(1 / prior**2)
    for one in found:
        known += 2 * one.slopes(basis)[1]
    covariance = np.linalg.pinv(known, hermitian=True)
    doubts = []
    for part, one in zip(parts, found, strict=True):
        follows = one.follows(basis)
        # Mean square of the angle over the window, without that of its mean, which no amplitude follows.
        mean = basis.T @ part.base.weights
        square = (basis.T * part.base.weights) @ basis - np.outer(mean, mean)
        swing = float(np.sum(square * covariance))
        doubts.append(
            AngleDoubt(
                relative=sqrt(max(float(follows @ covariance @ follows), 0.0)),
                phase_rad=2 * pi * part.base.order * sqrt(max(swing, 0.0)),
            )
        )  # fmt: skip
    return doubts


def _next_freer(fits: Sequence[_Fit], best: Angle) -> Iterator[Angle]:
    """The angle that may swing a little more than the best or, where that may swing most, a little less: how far they
    are apart shows what the swings that are left do."""
    others = sorted((fit.angle for fit in fits if fit.angle.law == best.law), key=lambda one: one.added.size)
    place = next(number for number, one in enumerate(others) if one is best)
    if len(others) > 1:
        yield others[place + 1] if place + 1 < len(others) else others[place - 1]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Part:
    """One line of one channel with its neighbours, on a thin grid."""

    base: LineBase
    orders: Real
    """Of the line itself first."""
    fixed: Complex
    """Rows of the lines that do not follow the shaft."""
    bins: Complex
    """Rows of the bins within reach."""

    @classmethod
    def of(cls, row: AngleRow, group: LineGroup) -> _Part | None:
        near = lines_near(row, group.order, group.orders, group.fixed_hz, WIDE_BINS)
        if near is None:
            return None
        base = LineBase.of(row, row.turns, group.order, size=GRID)
        fixed = [np.exp(2j * pi * (hz * base.time_s - group.order * base.turns)) for hz in near.fixed_hz]
        none = np.empty((0, base.turns.size), dtype=np.complex128)
        places: Real = np.arange(-WIDE_BINS / 2, WIDE_BINS / 2 + 1.0)
        return cls(
            base=base, orders=np.array([group.order, *near.orders]), fixed=np.vstack(fixed) if fixed else none,
            bins=np.exp(-2j * pi * (places / base.total_turns)[:, None] * base.turns),
        )  # fmt: skip

    def fitted(self, turns: Real) -> _Left:
        """What the lines leave on that angle."""
        base = self.base
        rows = np.exp(2j * pi * (self.orders[:, None] * turns - base.order * base.turns))
        every = np.vstack([rows, self.fixed])
        weighted = every.conj() * base.weights
        gram = weighted @ every.T
        # A trace of noise keeps lines that cannot be parted from growing against each other.
        gram[np.diag_indices_from(gram)] += 1e-6
        amplitude = np.linalg.solve(gram, every.conj() @ base.windowed)
        left = base.windowed - base.weights * (amplitude @ every)
        moved: Complex = np.asarray(
            2j * pi * ((amplitude[: self.orders.size] * self.orders) @ rows), dtype=np.complex128
        )
        power = float(np.mean(np.abs(self.bins @ left) ** 2))
        return _Left(
            left=left, power=max(power, 1e-30), amplitude=complex(amplitude[0]) or 1e-30, moved=moved, every=every,
            weighted=np.asarray(weighted, dtype=np.complex128), gram=gram, weights=base.weights,
        )  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Left:
    """What the lines of one part leave, windowed, its mean square per bin, and how it moves with the angle."""

    left: Complex
    power: float
    amplitude: complex
    """Of the line itself."""
    moved: Complex
    every: Complex
    weighted: Complex
    gram: Complex
    weights: Real

    def slopes(self, basis: Real) -> tuple[Real, Real]:
        """Gradient and curvature of the log likelihood along the columns of ``basis``, amplitudes following."""
        along = basis.T * self.moved
        along = along - (np.linalg.solve(self.gram, self.weighted @ along.T).T) @ self.every
        over = 1.0 / self.power
        return over * np.real(along.conj() @ self.left), over * np.real((along.conj() * self.weights) @ along.T)

    def follows(self, basis: Real) -> Real:
        """By how much the line's own amplitude, relative, goes with the angle along the columns of ``basis``."""
        along = basis.T * self.moved
        changed = -np.linalg.solve(self.gram, self.weighted @ along.T)[0]
        return np.asarray(np.real(changed / self.amplitude), dtype=np.float64)


def _likelihood(parts: Sequence[_Part], turns: Real) -> tuple[float, list[_Left]]:
    """Of the lines, their noise unknown: what is left of each in its own bins tells."""
    found = [part.fitted(turns) for part in parts]
    return -OWN_BINS * sum(log(one.power) for one in found), found


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Fit:
    angle: Angle
    score: float
    """Log likelihood less what Schwarz asks for each coefficient."""


def _laws(row: AngleRow) -> Iterator[int]:
    """The law as it is, and the evenest."""
    yield 0
    if row.smoother:
        yield 1


def _fits(parts: Sequence[_Part], row: AngleRow, law: int, speed_spread: float) -> Iterator[_Fit]:
    base = parts[0].base
    start, at = _grid(row, law)
    penalty = 0.5 * log(2 * OWN_BINS * len(parts))
    bends = _bends(start, at, parts, _most_degrees(row))

    def fit(added: Real) -> _Fit:
        score, _ = _likelihood(parts, start + _added(at, added))
        return _Fit(angle=Angle(law=law, added=added), score=score - penalty * (bends + added.size))

    yield fit(np.empty(0))
    # An end that is ahead by half of what the other is behind: half the turns times the relative error of the speed.
    high = 3 * speed_spread * 0.5 * base.total_turns
    low, slope = -high, 0.0
    passes = _passes(parts)
    for own in passes:
        low, high, slope = _speed(own, start, at, low, high)
    staged = best = np.array([slope])
    most, in_vain = -np.inf, 0
    for degree in (one for one in DEGREES if one <= _most_degrees(row)):
        # From low orders up, where phases may be whole turns off, and from the best so far, whatever low orders say.
        staged = _longer(staged, degree)
        for own in passes:
            staged = _climbed(own, start, at, staged)
        tried = [fit(staged), fit(_climbed(parts, start, at, _longer(best, degree)))]
        own_best = max(tried, key=lambda one: one.score)
        best = own_best.angle.added
        yield own_best
        in_vain = 0 if own_best.score > most else in_vain + 1
        most = max(most, own_best.score)
        if in_vain == IN_VAIN:
            return


def _grid(row: AngleRow, law: int) -> tuple[Real, Real]:
    """Turns by that law, and the place from -1 to 1, at the instants of the grid."""
    place = np.arange(GRID) * (row.turns.size / GRID)
    start = np.interp(place, np.arange(row.turns.size), (row.turns, *row.smoother)[law])
    return start, 2 * place / (row.turns.size - 1) - 1


def _most_degrees(row: AngleRow) -> float:
    return MORE + 2 * row.duration_s / LEAST_PERIOD_S


def _basis(at: Real, degree: int) -> Real:
    """Chebyshev polynomials from degree 1 on, shape (instants, degree)."""
    return np.asarray(np.polynomial.chebyshev.chebvander(at, degree)[:, 1:], dtype=np.float64)


def _longer(added: Real, degree: int) -> Real:
    return np.concatenate([added, np.zeros(max(0, degree - added.size))])


def _added(at: Real, added: Real) -> Real | float:
    return np.polynomial.chebyshev.chebval(at, np.concatenate([[0.0], added])) if added.size else 0.0


def _bends(start: Real, at: Real, parts: Sequence[_Part], most: float) -> float:
    """Coefficients that a law which swings stands for: as many as a polynomial needs that no line tells from it."""
    close = SAME_RAD / (2 * pi * max(part.base.order for part in parts))
    for degree in (one for one in DEGREES if one <= most):
        found = np.polynomial.Chebyshev.fit(at, start, degree, domain=[-1, 1])
        if float(np.std(start - found(at))) <= close:
            return degree - 1.0
    return most


def _passes(parts: Sequence[_Part]) -> list[list[_Part]]:
    """From the lowest orders, which tell whole turns, to all of them, which see finest."""
    tops = sorted({float(part.base.order) for part in parts})
    return [[part for part in parts if part.base.order <= top] for top in tops]


def _speed(parts: Sequence[_Part], start: Real, at: Real, low: float, high: float) -> tuple[float, float, float]:
    """The slope that explains most, between those that are not ruled out."""
    top = max(part.base.order for part in parts)
    count = int(np.clip(np.ceil(2 * top * (high - low) / STEP_BINS), 1, MOST_STEPS)) + 1
    tried = np.linspace(low, high, count) if high > low else np.array([low])
    gain = np.array([_likelihood(parts, start + slope * at)[0] for slope in tried])
    kept = tried[gain >= gain.max() - NOT_RULED_OUT]
    step = float(tried[1] - tried[0]) if tried.size > 1 else 0.0
    return float(kept.min()) - step, float(kept.max()) + step, float(tried[gain.argmax()])


def _climbed(parts: Sequence[_Part], start: Real, at: Real, added: Real) -> Real:
    """The coefficients of the nearest greatest likelihood (Levenberg and Marquardt)."""
    basis = _basis(at, added.size)
    score, found = _likelihood(parts, start + basis @ added)
    damping = 1e-3
    for _ in range(ROUNDS):
        both = [one.slopes(basis) for one in found]
        slope, bend = sum(one for one, _ in both), sum(two for _, two in both)
        assert isinstance(bend, np.ndarray)
        stiff = bend + (damping * np.diag(bend) + 1e-9 * np.trace(bend)) * np.eye(added.size)
        step = np.linalg.solve(stiff, slope)
        more, other = _likelihood(parts, start + basis @ (added + step))
        if more <= score:
            damping *= 10
            if damping > 1e3:
                break
            continue
        gained, added, score, found, damping = more - score, added + step, more, other, max(damping / 10, 1e-9)
        if gained < WORTH:
            break
    return np.asarray(added, dtype=np.float64)
