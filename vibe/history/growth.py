"""Change of many series at once against their own few earlier values: which grew, by how much, and how sure that is."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import digamma, polygamma
from scipy.stats import t as student

Array = NDArray[np.float64]
LEAST_CHANCE = 1e-9
"""A handful of captures supports no smaller one, however even they are."""
FEWEST_COMMON = 5
"""Rows from which the median change of the others is taken for what all have in common."""
MOST_FREEDOM = 200.0
"""Degrees of freedom of a pooled variance beyond which more say nothing."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Changes:
    """Per row (k,): the column in which it grew most surely, growth and scatter there, and the chance of as much in any
    column; ``common`` (k,) is what all rows changed by in that column. Rows that tell nothing have chance 1."""

    column: NDArray[np.int64]
    growth: Array
    scatter: Array
    common: Array
    chance: Array


def changes(now: Array, before: Sequence[Array], kinds: Sequence[str]) -> Changes:
    """Which rows of ``now`` (k, columns) grew against those ``before``, n >= 2 of the same shape, all in dB.

    What all rows of a column change by together, the median, is taken out of every capture: a sensor that was moved
    changes all, damage of one part does not. The rest is compared with a Student's t prediction interval of one further
    value, mean + t s sqrt(1 + 1/n). Eight values tell their spread badly, but all rows and columns scatter for the same
    reason: s² is drawn towards what they have in common by as much as their variances agree, with the degrees of
    freedom of both (Smyth, Stat. Appl. Genet. Mol. Biol. 3 (2004) 3; from memory), among columns of the same of
    ``kinds`` (columns,). All columns tried are paid for (Bonferroni); columns go together, so that is more than enough.

    Raises:
        ValueError: fewer than two earlier captures, or shapes that do not fit.
    """
    n = len(before)
    if n < 2 or any(one.shape != now.shape for one in before):
        raise ValueError(f"{n} earlier captures cannot be compared with {now.shape}")
    earlier = np.stack(before)
    known = np.isfinite(now) & np.isfinite(earlier).all(axis=0)
    mean = np.where(known, np.where(known, earlier, 0.0).mean(axis=0), np.nan)
    off = np.where(known, earlier - mean, np.nan)
    rise = np.where(known, now - mean, np.nan)
    common_now, common_then = _common(rise), np.stack([_common(one) for one in off])
    rise = rise - common_now
    off = off - common_then
    off = off - off.mean(axis=0)
    scatter, chances = np.full(now.shape, np.nan), np.ones(now.shape)
    for kind in dict.fromkeys(kinds):
        own = np.array([one == kind for one in kinds])
        variance, freedom = _moderated((off[:, :, own] ** 2).sum(axis=0) / (n - 1), n - 1)
        scatter[:, own] = np.sqrt(variance)
        with np.errstate(invalid="ignore", divide="ignore"):
            t = rise[:, own] / (scatter[:, own] * np.sqrt(1 + 1 / n))
        chances[:, own] = np.where(known[:, own], student.sf(t, freedom), 1.0)
    column = chances.argmin(axis=1)
    rows = np.arange(now.shape[0])
    tried = known.sum(axis=1)
    chance = np.where(tried > 0, np.clip(tried * chances[rows, column], LEAST_CHANCE, 1.0), 1.0)
    return Changes(
        column=column, growth=rise[rows, column], scatter=scatter[rows, column], common=common_now[rows, column],
        chance=chance,
    )  # fmt: skip


def _common(change: Array) -> Array:
    """Median change of the other rows, per column, (k, columns); 0 where they are too few."""
    k = change.shape[0]
    if k <= FEWEST_COMMON:
        return np.zeros_like(change)
    result = np.zeros_like(change)
    for row in range(k):
        others = np.delete(change, row, axis=0)
        enough = np.isfinite(others).sum(axis=0) >= FEWEST_COMMON
        result[row, enough] = np.nanmedian(others[:, enough], axis=0)
    return result


def _moderated(variance: Array, freedom: int) -> tuple[Array, float]:
    """Variances (k, columns) drawn towards their common value, and the degrees of freedom of the result.

    Moments of ln s² give the prior's degrees of freedom d0 and value s0²; with d0 infinite all are one.
    """
    with np.errstate(divide="ignore"):
        logs = np.log(np.where(variance > 0, variance, np.nan))
    logs = logs[np.isfinite(logs)] - digamma(freedom / 2) + np.log(freedom / 2)
    if logs.size < 2:
        return variance, float(freedom)
    more = float(np.var(logs, ddof=1)) - float(polygamma(1, freedom / 2))
    prior = 2 * _inverse_trigamma(more) if more > 0 else MOST_FREEDOM
    prior = min(prior, MOST_FREEDOM)
    common = float(np.exp(logs.mean() + digamma(prior / 2) - np.log(prior / 2)))
    return np.asarray((prior * common + freedom * variance) / (prior + freedom)), freedom + prior


def _inverse_trigamma(value: float) -> float:
    """x with trigamma(x) = ``value`` > 0, by Newton's method (Smyth 2004, appendix; from memory)."""
    x = 0.5 + 1.0 / value
    for _ in range(50):
        trigamma = float(polygamma(1, x))
        step = trigamma * (1 - trigamma / value) / float(polygamma(2, x))
        x += step
        if -step / x < 1e-8:
            break
    return x


def gathered(values: NDArray[np.float32], rows: Sequence[int], columns: Sequence[int]) -> Array:
    """These ``rows`` and ``columns`` of ``values``."""
    return np.asarray(values[np.ix_(rows, columns)], dtype=np.float64)
