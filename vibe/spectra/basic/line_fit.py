"""One line of a spectrum fitted together with the lines near it, with its uncertainty.

All lines whose orders are known are fitted at once on the shaft's angle (weighted least squares), so that none is
counted into another. What they leave says how large the noise is, and by that how uncertain the amplitude.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from vibe.spectra.basic.angle_law import AngleLaw

Real = NDArray[np.float64]
Complex = NDArray[np.complex128]

REACH_BINS = 16.0
"""Lines up to here are fitted with the one asked for: a Hann window's side lobe is 1e-4 of its main one beyond."""
NOISE_BINS = 10
"""Either side: bins that give the noise. Lines just beyond ``REACH_BINS`` must not leak into them."""
GRID = 1024
"""Instants that carry all lines within reach (band-limited, so exact)."""
LEAST_APART_BINS = 1.4
"""Bins from the next line from which amplitudes can be parted. A Hann window's lines at one bin are each other's half;
in a row of lines 1.4 bins apart the standard uncertainty is 1.5 times that of a line by itself, at 1.25 it is twice
(closed form: inverse of the Gram matrix)."""
ALMOST_SAME_BINS = 0.3
"""Lines near the one asked for that are closer to one another count as one."""
LEAST_TURN_BINS = 4.0
"""Bins from zero order: below, the line's mirror image at minus its order leaks in."""
STEP_BINS = 0.05
"""Of the search for the speed: 0.025 bins off costs 0.03 % of the amplitude (Hann)."""
SMEAR_BINS = 2
"""Either side of a line: what its own variation leaves there after the fit."""
OUTER_BINS = 48
"""Bins up to here, beyond those of the noise, give the floor about the lines."""
OUTER_QUANTILE = 0.25
"""Of them: lines that nobody knows may stand in most of the bins."""
MOST_OVER_FLOOR = 4.0
"""Power over that floor from which on what is left next to the lines is no noise: 6 dB (common practice)."""
SMOOTHER = (1, 3, 6)
"""Degrees of smoother angle laws that are tried too: one from pulses jitters, one from the signal may follow lines that
differ, and a drive runs as evenly as its lines are narrow."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FittedLine:
    """Acceleration of one line, r.m.s. [m/s²].

    ``uncertainty``: one standard deviation, of noise, with its ``degrees_of_freedom``. ``smeared``: half the range,
    relative, between what stands at the line's exact order and all that stands about it and no other line explains;
    the value is the middle. ``apart_bins``: distance of the next known line, infinite without one. ``floor``: r.m.s.
    that noise alone would have made of it.
    """

    value: float
    uncertainty: float
    degrees_of_freedom: float
    smeared: float
    apart_bins: float
    speed_bins: float
    """Three standard uncertainties of the speed, as bins of this line."""
    floor: float
    strongest_neighbour: float
    """Amplitude of the strongest line within reach over this one's."""

    @property
    def parted(self) -> bool:
        """Whether the value is this line's alone."""
        return self.apart_bins >= LEAST_APART_BINS and self.speed_bins <= self.apart_bins / 2


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class AngleRow:
    """One channel's samples [m/s²], shape (n,), with the turns of the input at each."""

    samples: NDArray[np.float32]
    turns: Real
    smoother: tuple[Real, ...]
    """The same turns, smoothed more and more."""
    total_turns: float
    duration_s: float

    @classmethod
    def of(cls, samples: NDArray[np.float32], sample_rate_hz: float, law: AngleLaw) -> AngleRow:
        """``law`` counts time from the first sample."""
        duration = samples.size / sample_rate_hz
        ends = law.at(np.array([0.0, duration]))
        turns = law.at(np.arange(samples.size) / sample_rate_hz)
        smoother = () if law.is_steady else tuple(_smoothed(turns, degree) for degree in SMOOTHER)
        return cls(
            samples=samples - np.float32(samples.mean(dtype=np.float64)), turns=turns, smoother=smoother,
            total_turns=float(ends[1] - ends[0]), duration_s=duration,
        )  # fmt: skip


def fit_line(
    row: AngleRow,
    order: float,
    neighbours: Sequence[float],
    *,
    neighbours_hz: Sequence[float] = (),
    speed_spread: float = 0.0,
) -> FittedLine | None:
    """The line at ``order`` of the input's turns, fitted with its ``neighbours``, orders and frequencies.

    Args:
        row: the channel.
        order: of the line.
        neighbours: orders of all other lines that may be there; those too far to matter are left out here.
        neighbours_hz: frequencies of lines that do not follow the shaft.
        speed_spread: relative standard uncertainty of the speed; the line is looked for within three of it.

    Returns:
        None where the line lies outside what was recorded, or too near to zero.

    Source: generalised least squares with the window as weights, covariance after Seber and Lee, *Linear Regression
    Analysis*, 2003, 3.10 (from memory); dof after Satterthwaite for quadratic forms.
    """
    if not _recorded(row, order):
        return None
    turns = row.total_turns
    hz = order * turns / row.duration_s
    near_orders, near_hz = _near(order, neighbours, neighbours_hz, row)
    apart = min(
        [abs(one - order) * turns for one in near_orders] + [abs(one - hz) * row.duration_s for one in near_hz],
        default=float("inf"),
    )
    spread_bins = 3.0 * speed_spread * order * turns
    near_orders, near_hz = _merged(order, near_orders, near_hz, row)
    most = min(spread_bins, apart / 2, REACH_BINS / 2)
    tried = []
    for turns_at in (row.turns, *row.smoother):
        base = LineBase.of(row, turns_at, order)
        shift = base.best_shift(near_orders, near_hz, most) if most > STEP_BINS else 0.0
        tried.append((base.explained(near_orders, near_hz, shift), base, shift))
    _, base, shift = max(tried, key=lambda one: one[0])
    return base.fitted(near_orders, near_hz, shift, apart=apart, speed_bins=spread_bins)


def _recorded(row: AngleRow, order: float) -> bool:
    """Whether a line and its reach lie within what was recorded, and clear of zero."""
    hz, rate = order * row.total_turns / row.duration_s, row.samples.size / row.duration_s
    return order * row.total_turns >= LEAST_TURN_BINS and hz + REACH_BINS / row.duration_s <= 0.5 * rate


@dataclass(frozen=True, slots=True, kw_only=True)
class NearLines:
    """Lines within reach of one, as orders and frequencies; what lies almost on another is left out."""

    orders: tuple[float, ...]
    fixed_hz: tuple[float, ...]


def lines_near(
    row: AngleRow,
    order: float,
    neighbours: Sequence[float],
    neighbours_hz: Sequence[float],
    reach_bins: float = REACH_BINS,
) -> NearLines | None:
    """Those of ``neighbours`` that ``fit_line`` takes in; None where it gives none."""
    if not _recorded(row, order):
        return None
    orders, fixed = _merged(order, *_near(order, neighbours, neighbours_hz, row, reach_bins), row)
    return NearLines(orders=tuple(orders), fixed_hz=tuple(fixed))


def _smoothed(turns: Real, degree: int) -> Real:
    """The polynomial of time that lies nearest to the turns."""
    place = np.linspace(-1.0, 1.0, turns.size)
    knots = slice(None, None, max(1, turns.size // 4096))
    found = np.polynomial.Chebyshev.fit(place[knots], turns[knots], degree, domain=[-1, 1])
    return np.asarray(found(place), dtype=np.float64)


def turns_that_part(order: float, neighbours: Sequence[float]) -> float | None:
    """Turns of the input from which the line stands apart from all its neighbours; None where it has none."""
    gaps = [abs(one - order) for one in neighbours if abs(one - order) > 1e-9]
    return LEAST_APART_BINS / min(gaps) if gaps else None


def _near(
    order: float,
    neighbours: Sequence[float],
    neighbours_hz: Sequence[float],
    row: AngleRow,
    reach_bins: float = REACH_BINS,
) -> tuple[list[float], list[float]]:
    """Lines within reach; what lies exactly on the line is part of it."""
    turns, hz = row.total_turns, order * row.total_turns / row.duration_s
    orders = sorted(one for one in set(neighbours) if 1e-6 < abs(one - order) * turns <= reach_bins)
    fixed = sorted(one for one in set(neighbours_hz) if abs(one - hz) * row.duration_s <= reach_bins)
    return orders, fixed


def _merged(
    order: float, orders: Sequence[float], fixed: Sequence[float], row: AngleRow
) -> tuple[list[float], list[float]]:
    """Without lines that lie almost on others: the nearest to the one asked for stays."""
    turns = row.total_turns
    kept: list[float] = []
    for one in sorted(orders, key=lambda other: abs(other - order)):
        if all(abs(one - other) * turns >= ALMOST_SAME_BINS for other in (*kept, order)):
            kept.append(one)
    also = [one for one in fixed if all(abs(one * row.duration_s - k * turns) >= ALMOST_SAME_BINS for k in kept)]
    also = [one for one in also if abs(one * row.duration_s - order * turns) >= ALMOST_SAME_BINS]
    return sorted(kept), also


@lru_cache(maxsize=4)
def _window(n: int) -> Real:
    """Hann window (n,) whose sum is one, of samples at the middle of their steps."""
    window = 1.0 - np.cos(2 * np.pi * (np.arange(n) + 0.5) / n)
    return np.asarray(window / window.sum())


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LineBase:
    """The samples turned back by the line's own phase, windowed, and thinned to ``GRID`` instants."""

    order: float
    windowed: Complex
    weights: Real
    turns: Real
    """At the instants of the grid."""
    time_s: Real
    total_turns: float
    duration_s: float

    @classmethod
    def of(cls, row: AngleRow, turns: Real, order: float, size: int = GRID) -> LineBase:
        from scipy import fft

        n = row.samples.size
        size = min(size, n - n % 2)
        # Phases in double precision: a long capture has many turns.
        phase = (2 * np.pi * ((order * turns) % 1.0)).astype(np.float32)
        turned = np.empty(n, dtype=np.complex64)
        weighted = row.samples * (_window(n) * size).astype(np.float32)
        turned.real, turned.imag = weighted * np.cos(phase), -weighted * np.sin(phase)
        lines = fft.fft(turned)
        half = size // 2
        kept = np.concatenate([lines[:half], lines[n - half :]]).astype(np.complex128)
        # The fine samples begin at the left edge of their steps, those of the grid likewise.
        thinned = fft.ifft(kept) * (size / n)
        place: Real = np.arange(size, dtype=np.float64) * (n / size)
        weights = 1.0 - np.cos(2 * np.pi * (place + 0.5) / n)
        return cls(
            order=order, windowed=np.asarray(thinned) * (n / size) / size, weights=weights / weights.sum(),
            turns=np.interp(place, np.arange(n), turns), time_s=place * (row.duration_s / n),
            total_turns=row.total_turns, duration_s=row.duration_s,
        )  # fmt: skip

    def _lines(self, orders: Sequence[float], fixed_hz: Sequence[float], shift_bins: float) -> Complex:
        """Row by row what lines do on the grid, the one asked for first; ``shift_bins``: of it, by the speed."""
        faster = 1.0 + shift_bins / (self.order * self.total_turns)
        turning = 2j * np.pi * np.array([faster * one - self.order for one in (self.order, *orders)])
        rows = np.exp(turning[:, None] * self.turns)
        fixed = [np.exp(2j * np.pi * (one * self.time_s - self.order * self.turns)) for one in fixed_hz]
        return np.vstack([rows, *fixed]) if fixed else rows

    def best_shift(self, orders: Sequence[float], fixed_hz: Sequence[float], most: float) -> float:
        """Bins by which the line lies off, where all lines together explain most."""
        steps = np.linspace(-most, most, 2 * int(np.ceil(most / STEP_BINS)) + 1)
        power = np.array([self.explained(orders, fixed_hz, float(step)) for step in steps])
        best = int(power.argmax())
        if not 0 < best < steps.size - 1:
            return float(steps[best])
        low, middle, high = power[best - 1 : best + 2]
        bend = low - 2 * middle + high
        return float(steps[best] + (0.5 * (low - high) / bend if bend < 0 else 0.0) * (steps[1] - steps[0]))

    def explained(self, orders: Sequence[float], fixed_hz: Sequence[float], shift_bins: float) -> float:
        """Power that all lines together explain, in the units of the samples squared."""
        lines = self._lines(orders, fixed_hz, shift_bins)
        seen = lines.conj() @ self.windowed
        gram = (lines.conj() * self.weights) @ lines.T
        return float(np.real(seen.conj() @ np.linalg.lstsq(gram, seen, rcond=1e-9)[0]))

    def _bins(self, places: Real) -> Complex:
        """Row by row what bins so far from the line do on the grid."""
        return np.asarray(np.exp(2j * np.pi * (places / self.total_turns)[:, None] * self.turns))

    def floor(self) -> float:
        """Noise density about the lines, from the quiet ones of the bins farther off."""
        far: Real = np.arange(NOISE_BINS + 1.0, OUTER_BINS + 1.0, dtype=np.float64)
        power = np.abs(self._bins(np.concatenate([-far[::-1], far])).conj() @ self.windowed) ** 2
        own = float(np.sum(self.weights**2)) * self.weights.size
        return float(np.quantile(power, OUTER_QUANTILE) / -np.log1p(-OUTER_QUANTILE)) / own

    def fitted(
        self, orders: Sequence[float], fixed_hz: Sequence[float], shift: float, *, apart: float, speed_bins: float
    ) -> FittedLine:
        """Amplitude, and what is left."""
        lines = self._lines(orders, fixed_hz, shift)
        places: Real = np.arange(-NOISE_BINS, NOISE_BINS + 1.0, dtype=np.float64)
        bins = self._bins(places + shift)
        every = np.vstack([lines, bins])
        count = lines.shape[0]
        seen = every.conj() @ self.windowed
        gram = (every.conj() * self.weights) @ every.T
        # White noise of unit density, windowed, as each of them sees it.
        noise = (every.conj() * self.weights**2) @ every.T * (self.weights.size)
        inverse = np.linalg.pinv(gram[:count, :count], rcond=1e-9, hermitian=True)
        amplitude = inverse @ seen[:count]
        left = seen[count:] - gram[count:, :count] @ amplitude
        through = gram[count:, :count] @ inverse
        spread = (
            noise[count:, count:] - through @ noise[:count, count:] - noise[count:, :count] @ through.conj().T
            + through @ noise[:count, :count] @ through.conj().T
        )  # fmt: skip
        about = np.abs(places) <= SMEAR_BINS
        far = ~about
        density, freedom = _density(left[far], spread[np.ix_(far, far)])
        own = float(np.sum(np.abs(left[about]) ** 2))
        expected = density * float(np.real(np.trace(spread[np.ix_(about, about)])))
        variance = density * float(np.real((inverse @ noise[:count, :count] @ inverse)[0, 0]))
        power = float(np.abs(amplitude[0]) ** 2)
        square = max(power - variance, variance)
        # A Hann window's bins hold half as much again as stands there, so that their sum counts 1.5 times.
        smeared = max(0.0, own - expected) / 1.5
        if density > MOST_OVER_FLOOR * self.floor():
            smeared = float(np.sum(np.abs(left) ** 2)) / 1.5
        strongest = float(np.abs(amplitude[1:]).max(initial=0.0) / max(np.abs(amplitude[0]), 1e-30))
        middle = 0.5 * (np.sqrt(square) + np.sqrt(square + smeared))
        half = 0.5 * (np.sqrt(square + smeared) - np.sqrt(square))
        return FittedLine(
            value=float(np.sqrt(2.0) * middle), uncertainty=float(np.sqrt(variance)),
            degrees_of_freedom=float(freedom), smeared=float(half / middle) if middle > 0 else 0.0,
            apart_bins=apart, speed_bins=speed_bins,
            floor=float(np.sqrt(2.0 * variance)), strongest_neighbour=strongest,
        )  # fmt: skip


def _density(left: Complex, spread: Complex) -> tuple[float, float]:
    """Noise density from what is left in some bins of known covariance, and its degrees of freedom."""
    trace = float(np.real(np.trace(spread)))
    square = float(np.sum(np.abs(spread) ** 2))
    if trace <= 1e-12 or square <= 0:
        return float(np.mean(np.abs(left) ** 2)), 1.0
    return float(np.sum(np.abs(left) ** 2)) / trace, max(1.0, 2 * trace**2 / square)
