"""Factors k of normal tolerance intervals mean ± k s that honour a small number of values."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq
from scipy.special import gammaincc, ndtr, roots_legendre
from scipy.stats import nct, norm


@lru_cache(maxsize=4096)
def one_sided_factor(n: float, content: float, confidence: float, dof: float | None = None) -> float:
    """k such that mean + k s lies above the share ``content`` of a normal population, with ``confidence``.

    ``n``: the mean's variance is that of one value over n (no whole number where the mean comes from a fit); ``dof``:
    degrees of freedom of s, n - 1 unless given. Exact: noncentral t quantile over sqrt(n), ISO 16269-6:2014.

    Raises:
        ValueError: fewer than one degree of freedom, or a share that is none.
    """
    freedom = _freedom(n, content, confidence, dof)
    return float(nct.ppf(confidence, freedom, norm.ppf(content) * np.sqrt(n)) / np.sqrt(n))


@lru_cache(maxsize=4096)
def two_sided_factor(n: float, content: float, confidence: float, dof: float | None = None) -> float:
    """k such that mean ± k s holds the share ``content`` of a normal population, with ``confidence``.

    Exact, by integration over where the mean may lie: Odeh, Communications in Statistics B 7 (1978) 183-201, whose
    tables ISO 16269-6:2014 also gives (both from memory). Arguments and errors as in ``one_sided_factor``.
    """
    freedom = _freedom(n, content, confidence, dof)
    nodes, weights = _nodes()
    reach = 8.0 / np.sqrt(n)
    # Half of a symmetric integrand: mean off by 0 to 8 of its standard deviations.
    off = 0.5 * reach * (nodes + 1.0)
    density = reach * weights * norm.pdf(off * np.sqrt(n)) * np.sqrt(n)
    # Half width that still holds the content around a mean that is off by so much.
    half = _half_width(content, off)

    def short(k: float) -> float:
        return float(density @ gammaincc(freedom / 2, freedom / 2 * (half / k) ** 2)) - confidence

    return float(brentq(short, 0.1, 1e5, xtol=1e-9, rtol=1e-10))


@lru_cache(maxsize=1)
def _nodes() -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    nodes, weights = roots_legendre(120)
    return nodes, weights


def _half_width(content: float, shift: NDArray[np.float64]) -> NDArray[np.float64]:
    """r with Phi(shift + r) - Phi(shift - r) = content, by halving."""
    low, high = np.zeros_like(shift), shift + norm.ppf(0.5 + content / 2)
    for _ in range(50):
        middle = 0.5 * (low + high)
        enough = ndtr(shift + middle) - ndtr(shift - middle) >= content
        low, high = np.where(enough, low, middle), np.where(enough, middle, high)
    return np.asarray(0.5 * (low + high))


def _freedom(n: float, content: float, confidence: float, dof: float | None) -> float:
    freedom = n - 1.0 if dof is None else dof
    if not n > 0 or not freedom >= 1.0:
        raise ValueError(
            f"a tolerance interval needs two values at least, not n = {n} with {freedom} degrees of freedom"
        )
    if not 0.0 < content < 1.0 or not 0.0 < confidence < 1.0:
        raise ValueError(f"content {content} and confidence {confidence} must lie between 0 and 1")
    return freedom
