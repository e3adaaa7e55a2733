"""Which of many drives are not like the others, at a stated rate of false alarm."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.stats import t

Array = NDArray[np.float64]
_TAIL = 0.2
"""Share of the values on each side that counts as tail."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Apart:
    """``places`` (k,) of the outliers, ``z`` (n,) how many spreads each value lies off the mean of the others, and
    ``chance`` (k,) of one so far off among n sound ones. ``full``: as many as were allowed, perhaps there are more."""

    places: NDArray[np.intp]
    z: Array
    chance: Array
    full: bool


def outliers(value: Array, chance: float, most: int) -> Apart:
    """Outliers among values (n,), at most ``most``; ``chance`` is that of any at all among normal ones.

    The generalized extreme studentized deviate, which outliers do not hide from one another: Rosner, Technometrics 25
    (1983) 165-172. The farthest value always is the least or the greatest, so that one sorting does.

    Raises:
        ValueError: fewer than five values.
    """
    n = value.size
    if n < 5:
        raise ValueError(f"{n} values are too few to identify an outlier")
    most = min(most, n - 3)
    order = np.argsort(value, kind="stable")
    taken = _removed(value[order], most)
    count = 0
    if taken:
        reached = np.array([ratio for _, ratio in taken])
        beyond = np.flatnonzero(reached > critical_ratios(n, len(taken), chance))
        count = int(beyond[-1]) + 1 if beyond.size else 0
    places = order[[place for place, _ in taken[:count]]].astype(np.intp)
    others = np.ones(n, dtype=np.bool_)
    others[places] = False
    kept = value[others]
    spread = float(kept.std(ddof=1))
    z = (value - kept.mean()) / spread if spread > 0 else np.zeros(n)
    # What one more value of the same population would do: its own scatter and that of the mean.
    far = np.abs(z[places]) / np.sqrt(1.0 + 1.0 / kept.size)
    return Apart(
        places=places, z=z, chance=np.minimum(2.0 * n * t.sf(far, kept.size - 1), 1.0), full=0 < count == most
    )  # fmt: skip


def critical_ratios(n: int, most: int, chance: float) -> Array:
    """What the farthest of n, n - 1, ... values may lie off their mean, in their own standard deviations (most,)."""
    left = n - np.arange(most, dtype=np.float64)
    quantile = t.isf(chance / (2.0 * left), left - 2.0)
    return np.asarray((left - 1.0) * quantile / np.sqrt((left - 2.0 + quantile**2) * left))


def tail_outliers(value: Array, chance: float, most: int) -> Apart:
    """Outliers among values (n,) whose distribution is not known: those that an exponential tail hardly makes.

    The farthest fifth of each side is taken for exponential beyond its quantile, with its mean from its median, which
    outliers among it do not move. That few values give this mean is in the chance (a predictive distribution, by
    integration over the mean: Geisser, Predictive Inference (1993), from memory). A normal tail is shorter, so that
    this misses more than ``outliers`` does where values are normal.
    """
    n = value.size
    low, middle, high = np.quantile(value, [_TAIL, 0.5, 1.0 - _TAIL])
    rare = np.ones(n)
    for excess in (value - high, low - value):
        far = excess > 0
        if not far.any():
            continue
        count = int(far.sum())
        mean = float(np.median(excess[far])) / np.log(2.0)
        # A median gives a mean about half as well as all values would.
        worth = max(0.5 * count, 1.0)
        rare[far] = _TAIL * (1.0 + excess[far] / (worth * max(mean, 1e-300))) ** -worth
    many = np.minimum(n * rare, 1.0)
    places = np.flatnonzero(many < chance)
    full = places.size > most
    places = places[np.argsort(many[places], kind="stable")][:most]
    others = np.delete(value, places)
    return Apart(
        places=places, z=(value - middle) / max(float(others.std(ddof=1)), 1e-300), chance=many[places], full=full
    )  # fmt: skip


def _removed(ordered: Array, most: int) -> list[tuple[int, float]]:
    """(place among the ordered, its distance from the mean in spreads) of each value in the order of its removal."""
    centred = ordered - np.median(ordered)
    first, last = 0, ordered.size - 1
    total, squares = float(centred.sum()), float(centred @ centred)
    found: list[tuple[int, float]] = []
    for _ in range(most):
        n = last - first + 1
        mean = total / n
        variance = (squares - n * mean * mean) / (n - 1)
        if variance <= 1e-18 * max(squares, 1e-300):
            break
        upper = centred[last] - mean >= mean - centred[first]
        place = last if upper else first
        off = float(centred[place])
        found.append((place, abs(off - mean) / float(np.sqrt(variance))))
        total, squares = total - off, squares - off * off
        first, last = (first, last - 1) if upper else (first + 1, last)
    return found
