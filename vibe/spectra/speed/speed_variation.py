"""How a speed may have moved between the instants at which angle was measured, and what that leaves open.

The law is smoothed as the integral of a speed that walks at random; how freely it walks is weighed, not chosen.
"""

from __future__ import annotations

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
    strength, vectors = np.linalg.eigh(precision)
    if not 0 < strength[-1] < np.inf:
        return None
    kept = strength > 1e-12 * strength[-1]
    # In these coordinates the measurement is of unit variance and uncorrelated.
    strength, vectors = np.sqrt(strength[kept]), vectors[:, kept].T
    root, white = strength[:, None] * vectors, (vectors @ pull) / strength
    covariances = priors.covariances
    seen = covariances[:, :, 1:-1] @ root.T
    spread_of = np.eye(white.size) + root @ seen[:, 1:-1]
    try:
        factor = np.linalg.cholesky(spread_of)
    except np.linalg.LinAlgError:
        # Lines that are hardly there leave precisions so uneven that rounding spoils the sum.
        return None
    last = seen[:, -1]
    wanted = np.empty((*last.shape, 2))
    wanted[:, :, 0], wanted[:, :, 1] = white, last
    solved = np.linalg.solve(spread_of, wanted)
    likelihood = -np.log(np.diagonal(factor, axis1=1, axis2=2)).sum(axis=1) - 0.5 * (solved[:, :, 0] @ white)
    curves = (seen @ solved[:, :, :1])[:, :, 0]
    variances = covariances[:, -1, -1] - (last * solved[:, :, 1]).sum(axis=1)
    share = np.exp(likelihood - likelihood.max())
    share /= share.sum()
    ends = curves[:, -1]
    spread = float(share @ (variances + (ends - share @ ends) ** 2))
    still = bool(share[0] == share.max())
    values = curves[0] if still else share @ curves
    about = 0.0
    if how_sure and not still:
        best = int(share.argmax())
        own = seen[best, 1:-1]
        left = covariances[best, 1:-1, 1:-1] - own @ np.linalg.solve(spread_of[best], own.T)
        about = float(np.sqrt(max(np.diagonal(left).mean() - left.mean(), 0.0)))
    return SmoothedTurns(
        time_s=priors.time_s, values=values, end_to_end=float(np.sqrt(max(spread, 0.0))), steady=still, about=about
    )
