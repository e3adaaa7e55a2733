"""How much of a change each owner explains: shares of a level before against shares now."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray
from scipy.stats import chi2, t

from vibe.core.records.level_change import Rise, RisePart

Array = NDArray[np.float64]

LEAST_SPREAD_DB = 0.5
"""Remounting a sensor and warming up change a level by about this much, even if a few captures happened to agree
better (common practice; the baselines take the same)."""
LEAST_OF_WHOLE = 0.002
"""What an owner that was hardly there scatters by, as a share of the whole: windows leak about as much (our choice)."""
CONFIDENCE = 0.90
"""Of the interval of an owner's share (common practice)."""
LEAST_RISE_DB = 0.5
"""A smaller rise is not divided into shares."""
COMPARABLE_SPREAD_DB = 2.0
"""Owners that scatter more say nothing of a change that all have in common."""


def rise_of(before: Sequence[Mapping[str, float]], now: Sequence[Mapping[str, float]]) -> Rise:
    """What changed between the captures of a baseline and those of now, in one condition.

    A level L = 10 lg of a sum of mean squares rises by R = 10 lg (N / B). Owner i's part is R (N_i - B_i) / (N - B):
    its share of the added mean square, put into dB so that all add up to R; for a small change it is L's differential.

    Args:
        before: mean square of each owner, a mapping per capture of the baseline; an owner left out caused nothing.
        now: the same of the latest captures, one or more; their means count.

    Raises:
        ValueError: no capture, or nothing that shakes, on either side.
    """
    if not before or not now:
        raise ValueError("a change needs captures before and now")
    owners = tuple(dict.fromkeys(name for capture in (*before, *now) for name in capture))
    old, new = _table(before, owners), _table(now, owners)
    was, is_ = old.mean(axis=0), new.mean(axis=0)
    whole_was, whole_is = float(was.sum()), float(is_.sum())
    if not whole_was > 0 or not whole_is > 0:
        raise ValueError("a change needs a level above nothing, before and now")
    rise = float(10 * np.log10(whole_is / whole_was))
    added = whole_is - whole_was
    per_square = rise / added if abs(added) > 1e-9 * whole_was else 10 / np.log(10) / whole_was
    n = len(before)
    many = float(np.sqrt(1 / n + 1 / len(now)))
    sigma = _spread(old, was, LEAST_OF_WHOLE * whole_was) * many if n > 1 else None
    reach = float(t.isf((1 - CONFIDENCE) / 2, n - 1)) if n > 1 else 0.0
    parts = []
    for i, owner in enumerate(owners):
        step = float(is_[i] - was[i])
        half = None if sigma is None else reach * float(sigma[i]) * per_square
        parts.append(
            RisePart(
                owner=owner, before_db=_decibels(was[i]), now_db=_decibels(is_[i]), db=step * per_square,
                low_db=None if half is None else step * per_square - half,
                high_db=None if half is None else step * per_square + half,
                share=step / added if abs(rise) >= LEAST_RISE_DB else None,
                sure=None if sigma is None else float(t.cdf(abs(step) / sigma[i], n - 1)),
            )
        )  # fmt: skip
    total = None if sigma is None else float(_spread_db(old.sum(axis=1, keepdims=True))[0]) * many
    common, alike = _in_common(old, was, is_, many)
    return Rise(
        rise_db=rise,
        low_db=None if total is None else rise - reach * total,
        high_db=None if total is None else rise + reach * total,
        sure=None if total is None else float(t.cdf(abs(rise) / total, n - 1)),
        parts=tuple(sorted(parts, key=lambda part: -part.db if rise >= 0 else part.db)),
        common_db=common,
        alike=alike,
    )


def _table(captures: Sequence[Mapping[str, float]], owners: Sequence[str]) -> Array:
    return np.array([[max(0.0, capture.get(owner, 0.0)) for owner in owners] for capture in captures])


def _decibels(mean_square: float) -> float | None:
    return float(10 * np.log10(mean_square)) if mean_square > 0 else None


def _spread(old: Array, was: Array, least: float) -> Array:
    """Standard deviation of the mean square of each owner, no less than captures scatter anyway."""
    usual = (10 ** (LEAST_SPREAD_DB / 10) - 1) * was
    return np.asarray(np.maximum(old.std(axis=0, ddof=1), np.maximum(usual, least)))


def _spread_db(old: Array) -> Array:
    """Standard deviation of levels (captures, k) [dB]."""
    return np.asarray(np.maximum((10 * np.log10(old)).std(axis=0, ddof=1), LEAST_SPREAD_DB))


def _in_common(old: Array, was: Array, is_: Array, many: float) -> tuple[float | None, float | None]:
    """The change [dB] that owners have in common, and the chance that they scatter about it as much as they do."""
    n = old.shape[0]
    if n < 3:
        return None, None
    there = (old > 0).all(axis=0) & (is_ > 0)
    if there.sum() < 3:
        return None, None
    sigma = _spread_db(old[:, there]) * many
    change = 10 * np.log10(is_[there] / was[there])
    steady = sigma <= COMPARABLE_SPREAD_DB * many
    if steady.sum() < 3:
        return None, None
    sigma, change = sigma[steady], change[steady]
    weight = sigma**-2.0
    common = float(weight @ change / weight.sum())
    off = float((((change - common) / sigma) ** 2).sum())
    return common, float(chi2.sf(off, change.size - 1))
