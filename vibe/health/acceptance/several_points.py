"""The highest of several points: picked because it reads high, so it reads high by chance too."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from math import exp, sqrt
from statistics import NormalDist

from vibe.core.records.acceptance import Quantity

CONTENDS = 3.0
"""Standard uncertainties of their difference within which another point might as well have been the highest."""

HALVINGS, STEPS, REACH = 24, 60, 6.0
"""Of the search for a factor, and of the integral over what points share: to five digits."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Contest:
    """Points that might as well be the highest, itself counted, and the correlation of their errors."""

    count: int
    correlation: float


def contest(highest: Quantity, others: Sequence[Quantity]) -> Contest:
    """Who contends with ``highest``; what all points share does not decide which of them reads highest."""
    own = _separate(highest)
    near = [
        one
        for one in others
        if one is not highest and highest.value - one.value <= CONTENDS * sqrt(own**2 + _separate(one) ** 2)
    ]
    standard = highest.standard_uncertainty or 0.0
    correlation = 0.0 if standard <= 0 else max(0.0, 1 - (own / standard) ** 2)
    return Contest(count=1 + len(near), correlation=correlation)


def _separate(one: Quantity) -> float:
    """Standard uncertainty of what a point does not share with others."""
    return abs(one.value) * sqrt(sum(part.relative**2 for part in one.budget if not part.shared))


@lru_cache(maxsize=256)
def widening(coverage: float, count: int, correlation: float, relative: float = 0.0) -> float:
    """Factor by which the coverage factor of one value grows for the highest of ``count`` that are about equal.

    The half width k of an interval that holds the largest of ``count`` standard normal errors, any two of them
    correlated alike, with probability ``coverage``, over that of one. One-dimensional integral over what they share
    (Tong, *The Multivariate Normal Distribution*, 1990, 5.3; from memory). ``relative``: standard uncertainty of one.
    Errors are gains, so that what reads high has the wider interval, which the highest of several then has already.
    """
    if count <= 1:
        return 1.0
    correlation = min(correlation, 0.999)
    return max(1.0, _factor(coverage, count, correlation, relative) / _factor(coverage, 1, 0.0, relative))


def _factor(coverage: float, count: int, correlation: float, relative: float) -> float:
    alone = NormalDist().inv_cdf(0.5 + coverage / 2)
    low, high = 0.5 * alone, 3.0 * alone
    if relative > 0:
        high = min(high, 0.9 / relative)
    for _ in range(HALVINGS):
        middle = (low + high) / 2
        above, below = middle / (1 - middle * relative), middle / (1 + middle * relative)
        low, high = (middle, high) if _held(below, above, count, correlation) < coverage else (low, middle)
    return high


def _held(below: float, above: float, count: int, correlation: float) -> float:
    """Probability that the largest of so many errors lies from ``-below`` to ``above``."""
    normal = NormalDist()
    own, shared = sqrt(1 - correlation), sqrt(correlation)
    total = weights = 0.0
    for step in range(-STEPS, STEPS + 1):
        at = REACH * step / STEPS
        weight = exp(-0.5 * at**2)
        over = normal.cdf((above - shared * at) / own) ** count
        total += weight * (over - normal.cdf((-below - shared * at) / own) ** count)
        weights += weight
    return total / weights
