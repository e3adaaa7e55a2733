"""How a speed may have moved between the instants at which angle was measured, and what that leaves open.

The law is smoothed as the integral of a speed that walks at random; how freely it walks is weighed, not chosen.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Real = NDArray[np.float64]

RANDOM_WALK = 10.0 ** np.arange(-5.5, -0.9, 0.5)
"""Relative change of speed over the capture, r.m.s., if it walks at random: each of these is weighed."""
OFFSET = 0.01
"""Relative error of the mean speed at hand, r.m.s.: so large that it holds nothing back."""
RAMP = 0.01
"""Relative change of speed over the capture, r.m.s., of a steady rise or fall, where speed is not steady."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SmoothedTurns:
    """Smoothed ``values`` [turns] at ``time_s``: both ends and every instant measured; the standard uncertainty of
    last minus first; whether a steady speed is the likeliest; ``about``: the standard uncertainty of a value measured,
    about the mean of all, by the likeliest law, where it was asked for, and 0 of a steady one."""

    time_s: Real
    values: Real
    end_to_end: float
    steady: bool
    about: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SpeedPriors:
    """What turns off a straight line may have done before anything is measured: ``covariances`` (laws, k, k) [turns²]
    of every law, at ``time_s`` (k,): both ends and the instants to be measured."""

    time_s: Real
    covariances: Real


def speed_priors(time_s: Real, *, duration_s: float, mean_hz: float) -> SpeedPriors:
    """For angle measured at ``time_s`` (n,).

    The laws: a steady speed; a ramp; a ramp and a speed that walks at random, more or less freely. The integral of
    such a walk has the covariance q s² (3 t - s) / 6 of instants s <= t; its mean is a cubic smoothing spline (Wahba,
    J. Royal Stat. Soc. B 40, 1978). All begin at zero.
    """
    knots = np.concatenate([[0.0], time_s, [duration_s]])
    x = knots / duration_s
    # Squares of turns, for one relative change of speed over the capture.
    unit = (mean_hz * duration_s) ** 2
    low, high = np.minimum.outer(x, x), np.maximum.outer(x, x)
    steady = OFFSET**2 * unit * np.multiply.outer(x, x)
    ramp = RAMP**2 * unit * np.multiply.outer(x**2, x**2) / 4
    walk = unit * low**2 * (3 * high - low) / 6
    laws = np.empty((2 + RANDOM_WALK.size, x.size, x.size))
    laws[0], laws[1] = steady, steady + ramp
    laws[2:] = laws[1] + np.square(RANDOM_WALK)[:, None, None] * walk
    return SpeedPriors(time_s=knots, covariances=laws)


def smoothed(priors: SpeedPriors, precision: Real, pull: Real, *, how_sure: bool = False) -> SmoothedTurns | None:
    """Turns off a straight line, smoothed; laws of different freedom are averaged by likelihood.

    The measurement says that values v (n,), at the instants of the ``priors`` but both ends, have the log likelihood
    ``pull`` · v - v · ``precision`` · v / 2. ``how_sure``: ``about`` is wanted. Returns None where nothing was
    measured, or too unevenly.
    """
    return all_smoothed([priors], precision[None], pull[None], how_sure=how_sure)[0]


def all_smoothed(
    priors: Sequence[SpeedPriors], precision: Real, pull: Real, *, how_sure: bool = False
) -> list[SmoothedTurns | None]:
    """:func:`smoothed` for several sets of as many values: ``precision`` (sets, n, n), ``pull`` (sets, n)."""
    strength, vectors = np.linalg.eigh(precision)
    most = strength[:, -1:]
    kept = (strength > 1e-12 * most).sum(axis=1)
    measured = bool(((most > 0) & (most < np.inf)).all())
    if not measured or (kept != kept[0]).any():
        return _one_by_one(priors, precision, pull, how_sure)
    # The weakest come first.
    root_of = np.sqrt(strength[:, -kept[0] :, None])
    vectors = np.ascontiguousarray(vectors[:, :, -kept[0] :].swapaxes(1, 2))
    # In these coordinates the measurement is of unit variance and uncorrelated.
    root, white = (root_of * vectors)[:, None], ((vectors @ pull[:, :, None]) / root_of)[:, None]
    covariances = priors[0].covariances[None] if len(priors) == 1 else np.stack([one.covariances for one in priors])
    # (sets, laws, k, coordinates)
    seen = covariances[:, :, :, 1:-1] @ root.swapaxes(-1, -2)
    spread_of = np.eye(white.shape[2]) + root @ seen[:, :, 1:-1]
    try:
        factor = np.linalg.cholesky(spread_of)
    except np.linalg.LinAlgError:
        # Lines that are hardly there leave precisions so uneven that rounding spoils the sum.
        return _one_by_one(priors, precision, pull, how_sure)
    last = seen[:, :, -1]
    wanted = np.empty((*last.shape, 2))
    wanted[..., :1], wanted[..., 1] = white, last
    solved = np.linalg.solve(spread_of, wanted)
    likelihood = -np.log(np.diagonal(factor, axis1=-2, axis2=-1)).sum(axis=-1)
    likelihood -= 0.5 * (solved[..., 0] @ white[:, 0])[..., 0]
    curves = (seen @ solved[..., :1])[..., 0]
    variances = covariances[:, :, -1, -1] - (last * solved[..., 1]).sum(axis=-1)
    share = np.exp(likelihood - likelihood.max(axis=1, keepdims=True))
    share /= share.sum(axis=1, keepdims=True)
    ends = curves[:, :, -1]
    middle = (share[:, None] @ ends[:, :, None])[:, 0]
    spread = (share[:, None] @ (variances + (ends - middle) ** 2)[:, :, None])[:, 0, 0]
    still = share[:, 0] == share.max(axis=1)
    values = np.where(still[:, None], curves[:, 0], (share[:, None] @ curves)[:, 0])
    end_to_end = np.sqrt(np.maximum(spread, 0.0))
    return [
        SmoothedTurns(
            time_s=one.time_s, values=values[k], end_to_end=float(end_to_end[k]), steady=bool(still[k]),
            about=_about(seen[k], spread_of[k], one, int(share[k].argmax())) if how_sure and not still[k] else 0.0,
        )
        for k, one in enumerate(priors)
    ]  # fmt: skip


def _one_by_one(
    priors: Sequence[SpeedPriors], precision: Real, pull: Real, how_sure: bool
) -> list[SmoothedTurns | None]:
    """One of several, or the only one, cannot be smoothed."""
    if len(priors) == 1:
        return [None]
    return [smoothed(*one, how_sure=how_sure) for one in zip(priors, precision, pull, strict=True)]


def _about(seen: Real, spread_of: Real, priors: SpeedPriors, law: int) -> float:
    """The standard uncertainty of a value measured, about the mean of all, by one of the laws."""
    own = seen[law, 1:-1]
    left = priors.covariances[law, 1:-1, 1:-1] - own @ np.linalg.solve(spread_of[law], own.T)
    return float(np.sqrt(max(np.diagonal(left).mean() - left.mean(), 0.0)))
