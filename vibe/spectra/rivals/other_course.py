"""A second machine of the same kind whose speed takes another course than the one that was found.

Two machines of one kind, one of which starts, is regulated or meets a load while the other turns on, have their lines
at places that move against one another; what is sharp along the angle of the one is smeared along that of the other.
The lines at the angle that was found are taken out, and in what is left a path is sought on which the machine's lines
stand once more.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from vibe.core.outside_combs import SimilarMachine
from vibe.spectra.basic.angle_law import AngleLaw
from vibe.spectra.basic.fft import hann
from vibe.spectra.speed.line_likelihood import (
    Places,
    log_likelihood_ratio,
    log_sum_exp,
    seen_at,
    speed_grid,
    whole_over_floor,
)
from vibe.spectra.speed.phase_refinement import Low, all_laid, low_passed
from vibe.spectra.speed.ridge_tracking import paths

Real = NDArray[np.float64]

MOST_ORDERS = 64.0
"""Lines above are smeared by what a path leaves open."""
LOWEST = 3.5
"""Orders below which every rotor has its first lines: of these nothing tells a machine of the kind."""
LINE_BINS = 4
"""Bins to either side of a line that is taken out: a Hann window's main lobe reaches two, and a found angle leaves a
little."""
LEAST_DRIFT = 5e-3
"""Relative change of one speed against the other below which their lines stay together; machines at two speeds that do
not change against one another are sought for themselves."""
CHANCE = 1e-3
"""Probability that there is no such machine, or that its speed lies elsewhere, at which it is still believed."""
STANDS, FEWEST = 3.0, 2
"""Log odds from which a line stands, ln 20 (the usual doubt), and how many must, as of a machine at a speed of its
own."""
APART, APART_BINS = 0.004, 1.5
"""Distance from which on a speed is another one: relative, and in what the capture resolves at order 1."""


def machine_on_other_course(
    channels: Sequence[tuple[NDArray[np.float32], float]],
    law: AngleLaw,
    range_hz: tuple[float, float],
    orders: Sequence[float],
    company: float,
) -> SimilarMachine | None:
    """The machine, seen in ``channels`` (samples (n,), sample rate [Hz]), whose lines at ``orders`` stand once more on
    another course of speed within ``range_hz`` than that of ``law``; None where none do. ``company``: share of drives
    that have one of their kind next to them."""
    high = range_hz[1]
    used = np.array(sorted({round(order, 9) for order in orders if order <= MOST_ORDERS}))
    if not used.size:
        return None
    lows = [low_passed(samples, rate, 1.1 * float(used[-1]) * high) for samples, rate in channels]
    used = used[used * high < min(item.top_hz for item in lows)]
    sought = used[used > LOWEST]
    if sought.size < FEWEST:
        return None
    whole = np.arange(1.0, float(used[-1]) + 1)
    laid = all_laid(lows, law)
    left = [_without(item, law, np.concatenate([used, whole])) for item in laid]
    best: tuple[float, AngleLaw, AngleLaw] | None = None
    for shape, price in paths(left, law.duration_s, range_hz, sought):
        if shape.drift < LEAST_DRIFT:
            continue
        there = all_laid(left, shape)
        grid = speed_grid(range_hz, law.duration_s, sought)
        odds = _odds(there, grid, sought, law.duration_s, high)
        weight = odds.sum(axis=0)
        top = int(weight.argmax())
        away = np.abs(grid / grid[top] - 1) > max(APART, APART_BINS / (law.duration_s * grid[top]))
        total = log_sum_exp(weight)
        elsewhere = float(np.exp(log_sum_exp(weight[away]) - total)) if away.any() else 0.0
        sure = total - float(np.log(grid.size)) - price
        stand = int((odds[:, top] >= STANDS).sum())
        if sure > -np.log(CHANCE) and elsewhere < CHANCE and stand >= FEWEST and (best is None or sure > best[0]):
            best = (sure, AngleLaw(time_s=shape.time_s, turns=shape.turns * float(grid[top])), shape)
    if best is None:
        return None
    sure, other, shape = best
    return SimilarMachine(
        speed=other.mean_hz / law.mean_hz,
        error=0.25 / (law.total_turns * float(sought[-1])),
        fainter_db=_fainter_db(laid, all_laid(laid, shape), law, other.mean_hz, sought, high),
        probability=float(1 / (1 + np.exp(-sure) * (1 - company) / company)),
        apart_turns=float(np.ptp(_turns_apart(other))),
    )


def _without(item: Low, law: AngleLaw, orders: Real) -> Low:
    """A channel along the angle of ``law``, windowed, without lines at ``orders``."""
    n = item.samples.size
    lines = fft.rfft(item.samples * hann(n))
    turns = law.mean_hz * n / item.rate_hz
    for middle in np.rint(orders * turns).astype(int).tolist():
        lines[max(0, middle - LINE_BINS) : middle + LINE_BINS + 1] = 0.0
    return Low(samples=fft.irfft(lines, n).astype(np.float32), rate_hz=item.rate_hz, top_hz=item.top_hz)


def _odds(there: Sequence[Low], speeds_hz: Real, orders: Real, length_s: float, high_hz: float) -> Real:
    """Log likelihood ratio (orders, speeds) of lines against nothing, of channels laid on a path already."""
    powers = sum((_powers(item, speeds_hz, orders, length_s, high_hz) for item in there), np.zeros(1))
    return log_likelihood_ratio(powers, len(there), seen_at(orders))


def _powers(item: Low, speeds_hz: Real, orders: Real, length_s: float, high_hz: float) -> Real:
    strength, bin_hz = whole_over_floor(item, length_s, high_hz)
    places = Places.of(orders[:, None] * speeds_hz / bin_hz, strength.shape[1])
    return places.read(strength[0], beyond=1.0)


def _turns_apart(other: AngleLaw) -> Real:
    """Turns by which a law goes before or behind a steady one of its mean."""
    return np.asarray(other.turns - other.mean_hz * (other.time_s - other.time_s[0]))


def _fainter_db(
    own: Sequence[Low], there: Sequence[Low], law: AngleLaw, other_hz: float, orders: Real, high_hz: float
) -> float:
    """By how much the other machine's lines are fainter, the median of those that stand in either."""
    at = [
        sum(
            (_powers(item, np.array([hz]), orders, law.duration_s, high_hz)[:, 0] for item in rows),
            np.zeros(orders.size),
        )
        for rows, hz in ((own, law.mean_hz), (there, other_hz))
    ]
    stand = np.maximum(*at) > len(own) * np.exp(STANDS)
    ratio = 10 * np.log10(np.maximum(at[0], 1.0) / np.maximum(at[1], 1.0))
    return float(np.median(ratio[stand])) if stand.any() else 0.0
