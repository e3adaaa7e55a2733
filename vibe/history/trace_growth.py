"""Change of many series at once against their own few earlier values: which grew, by how much, and how sure that is."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import digamma, polygamma, stdtr

from vibe.core.comb_history import HARMONICS, PLACES, SIDE_LINES_OF, Trace, power_of

Array = NDArray[np.float64]
LEAST_CHANCE = 1e-9
"""A handful of captures supports no smaller one, however even they are."""
FEWEST_COMMON = 5
"""Rows from which the median change of the others is taken for what all have in common."""
MOST_FREEDOM = 200.0
"""Degrees of freedom of a pooled variance beyond which more say nothing."""
STANDS = 2.5
"""Mean of a line over the floor from which a sound part makes it: of eight values of noise once in a thousand."""
POOLED = 8.0
"""Values that what all rows have in common is worth compared with those of one (common practice: as many as it has
itself)."""
GUMBEL_VARIANCE = np.pi**2 / 6
"""Of the logarithm of an exponential variable: Gumbel's law, variance pi² / 6."""
COUNTED: tuple[tuple[int, ...], ...] = (
    tuple(range(3)),
    tuple(range(8)),
    tuple(range(HARMONICS)),
    (*range(SIDE_LINES_OF), *range(HARMONICS, PLACES)),
)
"""Sets of lines over which the mean is taken: a broad impact has few harmonics, a sharp one many, a modulated one side
lines."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Changes:
    """Per row (k,): the band in which it grew most surely, growth and scatter there [dB], and the chance of as much in
    any band; ``there`` the chance in the one band that was named beforehand; ``common`` what all rows changed by in the
    band where it grew. Rows that say nothing have chance 1."""

    band: NDArray[np.int64]
    growth: Array
    scatter: Array
    common: Array
    chance: Array
    there: Array


def changes(now: Array, before: Sequence[Array], named: Sequence[int]) -> Changes:
    """Which rows of ``now`` (k, bands, ``PLACES``) grew against those ``before``, n >= 2 of the same shape: powers of
    lines over their floor. ``named`` (k,): a band of each row, chosen without a look at what was before; -1 for none.

    Every line is divided by what it was before on the average, so that where a sound part always stands high a new
    one still shows at the lines that the sound one hardly makes; means over few and over many lines are compared, as
    decibels of amplitude. What all rows of a band change by together, the median, is taken out of every capture: a
    sensor that was moved changes all, damage of one part does not. The rest is compared with a Student's t prediction
    interval of one further value, mean + t s sqrt(1 + 1/n). Eight values show their spread badly, but all rows and
    bands scatter for the same reason: s² is drawn towards what they have in common by as much as their variances
    agree, with the degrees of freedom of both (Smyth, Stat. Appl. Genet. Mol. Biol. 3 (2004) 3; from memory), for each
    set of lines. All bands and sets tried are paid for (Bonferroni); bands go together, so that is more than enough.

    Raises:
        ValueError: fewer than two earlier captures, or shapes that do not fit.
    """
    n = len(before)
    if n < 2 or any(one.shape != now.shape for one in before):
        raise ValueError(f"{n} earlier captures cannot be compared with {now.shape}")
    over = _over_usual(np.stack([now, *before]))
    rises, scatters, commons, chances = (np.empty((len(COUNTED), *now.shape[:2])) for _ in range(4))
    for number, places in enumerate(COUNTED):
        level = _level(over[..., places])
        level -= level[1:].mean(axis=0)
        common = _common(level)
        level -= common
        level -= level[1:].mean(axis=0)
        variance, freedom = _moderated((level[1:] ** 2).sum(axis=0) / (n - 1), n - 1)
        rises[number], scatters[number], commons[number] = level[0], np.sqrt(variance), common[0]
        with np.errstate(invalid="ignore", divide="ignore"):
            # Student's t, and not by scipy.stats: to load that takes as long as several captures.
            chance = stdtr(freedom, -level[0] / (scatters[number] * np.sqrt(1 + 1 / n)))
        chances[number] = np.where(np.isfinite(level[0]), chance, 1.0)
    rows = np.arange(now.shape[0])
    tried = np.isfinite(rises).sum(axis=(0, 2))
    best = chances.transpose(1, 0, 2).reshape(rows.size, -1).argmin(axis=1)
    counted, band = np.unravel_index(best, (len(COUNTED), now.shape[1]))
    at = counted, rows, band
    # By how much is shown by all sets of lines there, their median: the surest one looks better than it is by its
    # choice.
    known = np.isfinite(rises)[:, rows, band] | (tried == 0)
    growth, scatter, common = (
        np.nanmedian(np.where(known, np.nan_to_num(one[:, rows, band]), np.nan), axis=0)
        for one in (rises, scatters, commons)
    )
    place = np.asarray(named, dtype=np.int64)
    own = np.where(place >= 0, len(COUNTED) * chances[:, rows, place].min(axis=0), 1.0)
    return Changes(
        band=band, growth=np.where(tried > 0, growth, np.nan), scatter=scatter, common=common,
        chance=np.where(tried > 0, np.clip(tried * chances[at], LEAST_CHANCE, 1.0), 1.0),
        there=np.clip(own, LEAST_CHANCE, 1.0),
    )  # fmt: skip


def compared(traces: Sequence[Trace], tones: Sequence[str], bands: Sequence[tuple[int, ...]]) -> Changes:
    """Changes of ``tones``, which all ``traces`` have, in the first of them against the others. ``bands`` that all have
    are given by their places in every trace."""
    rows = [[trace.tones.index(tone) for tone in tones] for trace in traces]
    powers = [
        power_of(trace.levels[np.ix_(own, places)])
        for trace, own, places in zip(traces, rows, zip(*bands, strict=True), strict=True)
    ]
    number = {places[0]: number for number, places in enumerate(bands)}
    named = [number.get(traces[0].surest[row], -1) for row in rows[0]]
    return changes(powers[0], powers[1:], named)


def surprises_of(
    alike: Sequence[Trace], any_load: Sequence[Trace], tones: Sequence[str], fewest: int
) -> tuple[Array, Array]:
    """The chances (tones,) each that a tone scores as high in the plain and in the quiet looks of the first of either
    of two sets of captures as it does, from the others: the larger of what the two sets say."""
    plain = np.maximum(plain_surprise(alike, tones), plain_surprise(any_load, tones))
    return plain, np.maximum(quiet_surprise(alike, tones, fewest), quiet_surprise(any_load, tones, fewest))


def plain_surprise(traces: Sequence[Trace], tones: Sequence[str]) -> Array:
    """The chance (tones,) that a tone scores as high in the plain looks of the first of ``traces``, from the others."""
    scores = np.array([[one.scores[one.tones.index(tone)] for tone in tones] for one in traces])
    return surprise(scores[0], scores[1:])


def quiet_surprise(traces: Sequence[Trace], tones: Sequence[str], fewest: int) -> Array:
    """The chance (tones,) that a tone scores as high in the quiet looks of the first of ``traces`` as it does, from the
    others: the least of all looks, each paid for. 1 where fewer than ``fewest`` others have these looks."""
    looks = len(traces[0].quiet_scores)
    alike = [one for one in traces if looks and len(one.quiet_scores) == looks]
    chances = np.ones((max(1, looks), len(tones)))
    if len(alike) <= fewest:
        return np.ones(len(tones))
    rows = [[one.tones.index(tone) for tone in tones] for one in alike]
    for look, own in enumerate(chances):
        said = [[one.quiet_scores[look][row] for row in some] for one, some in zip(alike, rows, strict=True)]
        scores = np.array(said, dtype=np.float64)  # None becomes NaN
        passed = np.flatnonzero(np.isfinite(scores).all(axis=0))
        if passed.size:
            own[passed] = surprise(scores[0, passed], scores[1:, passed])
    return np.asarray(np.minimum(1.0, looks * chances.min(axis=0)))


def _over_usual(powers: Array) -> Array:
    """``powers`` (1 + n, rows, bands, places), the first now, over their mean in the others, itself left out, where
    that stands clear of the floor, which is 1; NaN where any is unknown. To divide by the mean of a few values that are
    but noise would only make more of it."""
    known = np.isfinite(powers).all(axis=0)
    filled = np.where(known, powers, 1.0)
    total, n = filled[1:].sum(axis=0), len(powers) - 1
    usual = np.concatenate([[total / n], (total - filled[1:]) / max(1, n - 1)])
    return np.asarray(np.where(known, filled / np.where(usual > STANDS, usual, 1.0), np.nan))


def surprise(now: Array, before: Array) -> Array:
    """The chance that scores as high as ``now`` (k,) come up among those ``before`` (n, k), n >= 2.

    A score is -ln p, the largest over places, bands and sets of lines, so that it follows Gumbel's law, with a scale
    of 1 where lines are ideal; that of a part which always repeats is higher and scatters more. The variance of each
    row is drawn towards what the rows have in common, relative to their scores, as by ``POOLED`` more values, and the
    scale never taken below 1. The place of the law is known from n values, which widens it as a prediction does.

    Raises:
        ValueError: fewer than two earlier scores.
    """
    n = len(before)
    if n < 2:
        raise ValueError(f"{n} earlier scores are too few for their scatter")
    mean, variance = np.maximum(before.mean(axis=0), 1e-9), before.var(axis=0, ddof=1)
    common = np.maximum(np.median(variance / mean**2) * mean**2, GUMBEL_VARIANCE)
    pooled = (POOLED * common + (n - 1) * variance) / (POOLED + n - 1)
    scale = np.sqrt(pooled * (1 + 1 / n) / GUMBEL_VARIANCE)
    off = (now - mean) / scale + np.euler_gamma
    return np.asarray(np.clip(-np.expm1(-np.exp(-np.clip(off, -30.0, None))), LEAST_CHANCE, 1.0))


def _level(over: Array) -> Array:
    """Mean over lines (..., places) as an amplitude [dB], the highest left out: one alone may be anybody's, of a mesh
    that a changing speed smears out of its bins. A comb has more than one; NaN where fewer are known."""
    known = np.isfinite(over)
    filled = np.where(known, over, 0.0)
    count = known.sum(axis=-1) - 1
    rest = (filled.sum(axis=-1) - filled.max(axis=-1)) / np.maximum(count, 1)
    return np.asarray(np.where(count > 0, 5.0 * np.log10(np.maximum(rest, 1e-9)), np.nan))


def _common(change: Array) -> Array:
    """Median change of the other rows, per column, (captures, k, columns); 0 where they are too few."""
    known = np.isfinite(change)
    # What is unknown is sorted behind all else, and takes nothing out of the others.
    place = np.where(known, change, np.inf)
    rank = place.argsort(axis=1).argsort(axis=1)
    ordered = np.sort(place, axis=1)
    others = known.sum(axis=1, keepdims=True) - known
    middle = []
    for half in ((others - 1) // 2, others // 2):
        at = half + (known & (rank <= half))
        middle.append(np.take_along_axis(ordered, np.clip(at, 0, change.shape[1] - 1), axis=1))
    with np.errstate(invalid="ignore"):
        return np.asarray(np.where(others >= FEWEST_COMMON, (middle[0] + middle[1]) / 2, 0.0))


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
