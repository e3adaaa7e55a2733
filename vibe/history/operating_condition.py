"""Operating conditions: like is compared with like.

A load that swings with the season moves levels as damage does. Either captures are sorted into classes of equal speed
and load, or, once the drive has shown enough of both, what speed and load do to a level is estimated and taken out.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import isnan, log
from statistics import quantiles

import numpy as np
from numpy.typing import NDArray

from vibe.core.units import DAY_S
from vibe.history.settings import ConditionSettings

Array = NDArray[np.float64]
HUBER = 1.345
"""Residuals beyond this many spreads lose weight: 95 % efficiency in normal noise (Huber, Ann. Math. Stat. 35 (1964)
73-101; the figure from memory)."""


@dataclass(frozen=True, slots=True)
class Condition:
    """Speed and load that captures have in common; None where unknown, which is a condition of its own."""

    speed_hz: float | None
    load_percent: float | None

    def __str__(self) -> str:
        speed = "speed not known" if self.speed_hz is None else f"{self.speed_hz:.2f} Hz"
        return f"{speed}, {'load not known' if self.load_percent is None else f'{self.load_percent:.0f} % load'}"


def distance(one: Condition, other: Condition, settings: ConditionSettings) -> float:
    """How far two conditions lie apart, in widths of a class of speed plus widths of a class of load; what is not known
    of either adds nothing."""
    load = speed = 0.0
    if one.load_percent is not None and other.load_percent is not None:
        load = abs(one.load_percent - other.load_percent)
    if one.speed_hz and other.speed_hz:
        speed = abs(one.speed_hz / other.speed_hz - 1)
    return load / settings.load_within_percent + speed / settings.speed_within


def load_moved(loads_percent: Sequence[float | None], settings: ConditionSettings) -> bool:
    """Whether captures were taken under loads that differ by more than a class holds."""
    return _spread(loads_percent) > settings.load_within_percent


def speed_moved(speeds_hz: Sequence[float | None], settings: ConditionSettings) -> bool:
    """Whether captures were taken at speeds that differ by so much that levels may follow them."""
    return _spread([None if hz is None else log(hz) for hz in speeds_hz]) > log(1 + settings.speed_spread_from)


def _spread(values: Sequence[float | None]) -> float:
    """From the first to the last tenth of the values: scatter of a few is no move."""
    known = [value for value in values if value is not None]
    if len(known) < 3:
        return 0.0
    tenths = quantiles(known, n=10, method="inclusive")
    return tenths[-1] - tenths[0]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Dependence:
    """How a level [dB] follows speed and load: level = ... + slope · (x - centre).

    x = (ln speed, load in %); ``slope`` [dB per unit] and ``covariance`` are 0 where x never moved. ``low`` and
    ``high`` bound what was seen, a lone capture at either end left out. ``residual_db`` is what is left, one standard
    deviation of ``n`` captures.
    """

    centre: Array
    slope: Array
    covariance: Array
    low: Array
    high: Array
    residual_db: float
    n: int

    @property
    def condition(self) -> Condition:
        """Speed and load that levels are referred to."""
        return Condition(float(np.exp(self.centre[0])), float(self.centre[1]))

    def inside(self, speed_hz: Array, load_percent: Array) -> NDArray[np.bool_]:
        """Which captures (n,) lie where the dependence was seen, with a tenth of that range to spare."""
        x = _coordinates(speed_hz, load_percent)
        spare = 0.1 * (self.high - self.low) + np.array([0.01, 2.0])
        return np.asarray(np.all((x >= self.low - spare) & (x <= self.high + spare), axis=1))

    def shift_db(self, speed_hz: Array, load_percent: Array) -> Array:
        """What speed and load add (n,) to the level at ``condition``."""
        return np.asarray((_coordinates(speed_hz, load_percent) - self.centre) @ self.slope)

    def sigma_db(self, speed_hz: Array, load_percent: Array) -> Array:
        """Standard uncertainty (n,) of ``shift_db``."""
        off = _coordinates(speed_hz, load_percent) - self.centre
        return np.asarray(np.sqrt(np.einsum("ij,jk,ik->i", off, self.covariance, off)))


def sort_conditions(
    speed_hz: Array, load_percent: Array, settings: ConditionSettings
) -> tuple[NDArray[np.int64], tuple[Condition, ...]]:
    """Sort captures, oldest first, into conditions: (the condition's number per capture (n,), the conditions).

    The first capture that fits no condition founds one and stays its centre, so that nothing that comes later moves an
    older capture to another condition. A capture between two goes to the nearer one.
    """
    found: list[Condition] = []
    labels = np.zeros(speed_hz.size, dtype=np.int64)
    for index, (speed, load) in enumerate(zip(speed_hz.tolist(), load_percent.tolist(), strict=True)):
        far = [_distance(condition, speed, load, settings) for condition in found]
        nearest = int(np.argmin(far)) if far else -1
        if nearest < 0 or far[nearest] > 1.0:
            found.append(Condition(None if isnan(speed) else speed, None if isnan(load) else load))
            nearest = len(found) - 1
        labels[index] = nearest
    return labels, tuple(found)


def _distance(condition: Condition, speed: float, load: float, settings: ConditionSettings) -> float:
    """Greater of the two distances, each in units of what still counts as alike; infinite between known and unknown."""
    if isnan(speed) != (condition.speed_hz is None) or isnan(load) != (condition.load_percent is None):
        return float("inf")
    off_speed = 0.0 if condition.speed_hz is None else abs(speed / condition.speed_hz - 1.0) / settings.speed_within
    off_load = 0.0 if condition.load_percent is None else abs(load - condition.load_percent)
    return max(off_speed, off_load / settings.load_within_percent)


def dependence_on_condition(
    time_s: Array, level_db: Array, speed_hz: Array, load_percent: Array, settings: ConditionSettings
) -> Dependence | None:
    """How a level follows speed and load, from accepted captures (n,), oldest first; None where that cannot be
    determined.

    A robust straight-line fit on ln speed, load and *time*: with time among them, growth during a season of rising
    load is not taken for load, and where the two cannot be distinguished the uncertainty says so and the answer is
    None. Uncertainty honours the residuals' autocorrelation.
    """
    known = np.isfinite(level_db) & np.isfinite(speed_hz) & np.isfinite(load_percent) & (speed_hz > 0)
    if not known.any():
        return None
    known &= time_s <= time_s[known][0] + settings.dependence_within_days * DAY_S
    index = np.flatnonzero(known)[: settings.dependence_most]
    if index.size < settings.dependence_from:
        return None
    x = _coordinates(speed_hz[index], load_percent[index])
    centre = np.median(x, axis=0)
    moves = np.std(x, axis=0) >= [settings.speed_spread_from, settings.load_spread_from_percent]
    if not moves.any():
        return None
    days = (time_s[index] - time_s[index].mean()) / DAY_S
    design = np.column_stack([np.ones(index.size), days / max(float(np.ptp(days)), 1.0), (x - centre)[:, moves]])
    if np.linalg.matrix_rank(design) < design.shape[1]:
        return None
    coefficients, covariance, spread = _robust_fit(design, level_db[index])
    slope, wide = np.zeros(2), np.zeros((2, 2))
    slope[moves] = coefficients[2:]
    wide[np.ix_(moves, moves)] = covariance[2:, 2:]
    made = Dependence(
        centre=centre, slope=slope, covariance=wide, low=np.sort(x, axis=0)[1], high=np.sort(x, axis=0)[-2],
        residual_db=spread, n=index.size,
    )  # fmt: skip
    worst = made.sigma_db(speed_hz[index], load_percent[index]).max()
    return made if worst <= settings.dependence_worst_db else None


def _robust_fit(design: Array, level: Array) -> tuple[Array, Array, float]:
    """Coefficients, their covariance and the residual spread, by Huber's weights (reweighted least squares)."""
    weights = np.ones(level.size)
    coefficients: Array = np.zeros(design.shape[1])
    scale = 1e-9
    for _ in range(30):
        root = np.sqrt(weights)
        coefficients = np.asarray(
            np.linalg.lstsq(design * root[:, None], level * root, rcond=None)[0], dtype=np.float64
        )
        off = np.abs(level - design @ coefficients)
        scale = max(1.4826 * float(np.median(off)), 1e-9)
        weights = np.minimum(1.0, HUBER * scale / np.maximum(off, 1e-12))
    residual = np.clip(level - design @ coefficients, -HUBER * scale, HUBER * scale)
    # Clipped residuals keep 71 % of a normal variance; without that an interval would be too narrow.
    variance = float(residual @ residual) / 0.71 / (level.size - design.shape[1])
    neighbours = float(residual[1:] @ residual[:-1]) / max(float(residual @ residual), 1e-18)
    widening = (1.0 + min(max(neighbours, 0.0), 0.9)) / (1.0 - min(max(neighbours, 0.0), 0.9))
    covariance = np.linalg.inv(design.T @ (design * weights[:, None])) * variance * widening
    return coefficients, covariance, float(np.sqrt(variance))


def _coordinates(speed_hz: Array, load_percent: Array) -> Array:
    """(n, 2): ln speed, load; NaN where unknown."""
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.column_stack([np.log(speed_hz), load_percent])
