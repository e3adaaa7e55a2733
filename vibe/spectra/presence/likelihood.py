"""What lines that stand or are missing say for a drive against nothing of it, over all the speeds that are tried."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from vibe.spectra.presence.axes import CLEAR_BINS, Axis
from vibe.spectra.presence.families import PARTS, Family, Lines, Real
from vibe.spectra.presence.strays import Strays, strays_of
from vibe.spectra.speed.line_likelihood import LOUDEST

SHAFT_MISSING = -5.0
"""Evidence of the shaft's lines below which none of them stands: then the speed may be another line's, and what lies
off the whole multiples may be the whole multiples of another rotor."""
MOST_AT_ONCE = 2**15
"""Places that are read together, so that what they need stays in the processor's cache."""


def of_rotor(axes: Sequence[Axis], made: Real, speeds: Real, shaft: Real, family: Family) -> Sequence[Strays] | None:
    """Of each axis what stands at multiples of the lobes' order, where the shaft's own lines are missing at some of
    ``speeds``: the mesh is one of them, as often as there are lobes, and a rotor of that speed makes it too."""
    if not family.difference or family.ring_turns or not (shaft < SHAFT_MISSING).any():
        return None
    return [strays_of(axis, made, speeds, family.past) for axis in axes]


def lines_evidence(
    axes: Sequence[Axis],
    strays: Sequence[Strays],
    shaft: Real,
    lines: Lines,
    speeds: Real,
    rotors: Sequence[Strays] | None = None,
) -> Real:
    """Log likelihood ratio (drives, speeds) of "these families may stand here" against "nothing of them"; ``rotors``
    as from ``of_rotor``."""
    total = np.zeros((lines.orders.shape[0], speeds.size))
    drives = max(1, MOST_AT_ONCE // (speeds.size * lines.part.size))
    all_seen = np.broadcast_to(lines.seen, lines.orders.shape)
    for first in range(0, total.shape[0], drives):
        some = lines.orders[first : first + drives]
        there = np.isfinite(some)
        orders, seen = some[there][:, None], all_seen[first : first + drives][there][:, None]
        for number, (axis, stray) in enumerate(zip(axes, strays, strict=True)):
            whole = stray.are_whole(orders, CLEAR_BINS * axis.step)
            surprise = axis.at(orders * speeds)
            rate = stray.rate(surprise, whole, orders)
            if rotors is not None:
                whole = rotors[number].are_whole(orders, CLEAR_BINS * axis.step)
                also = rotors[number].rate(surprise, whole, orders)
                rate = np.where(shaft < SHAFT_MISSING, np.maximum(rate, also), rate)
            ratios = np.zeros((*some.shape, speeds.size))
            ratios[there] = line_ratios(surprise, seen, rate)
            for part, audible in zip(range(PARTS), axis.audible, strict=True):
                ratio = ratios[:, lines.part == part].sum(axis=1)
                if part in (1, 2):
                    ratio = np.where(shaft < SHAFT_MISSING, np.minimum(ratio, 0.0), ratio)
                total[first : first + drives] += np.logaddexp(np.log(1 - audible), np.log(audible) + ratio)
    return total


def or_plainly(said: Real, plainly: Real) -> Real:
    """Log likelihood ratio of a drive whose discs add up as they stand, as ``said``, or so unequally, or over paths so
    different, that they do not, as ``plainly`` said: either is as likely (common practice)."""
    return np.asarray(np.logaddexp(said, plainly) - np.log(2.0))


def line_ratios(surprise: Real, seen: Real | float, stray: Real | float) -> Real:
    """Log likelihood ratio (lines, speeds) of "the drive's line may stand here", of each line; what is NaN shows
    nothing. Lines of others are as loud as the drive's own: no line shows more than that one stands where few do."""
    noise, loud = np.exp(-surprise), 1.0 / np.log1p(LOUDEST) / (1.0 + surprise)
    stray = np.minimum(stray, seen)  # A line that may be missing must never count against the drive by standing.
    own = (1 - seen) * noise
    own += seen * loud
    noise *= 1 - stray
    loud *= stray
    noise += loud
    own /= noise
    ratio = np.log(own, out=own)
    ratio[np.isnan(surprise)] = 0.0
    return ratio


def line_ratio(surprise: Real, seen: Real | float, stray: Real | float) -> Real:
    """``line_ratios`` of all lines together (speeds,)."""
    return np.asarray(line_ratios(surprise, seen, stray).sum(axis=0))


def over_speeds(values: Real, weights: Real | None = None) -> Real:
    """Log of the mean likelihood along the last axis, ``weights`` (speeds,) of which are 1 in the mean."""
    most = values.max(axis=-1)
    likely = np.exp(values - most[..., None])
    return np.asarray(most + np.log((likely if weights is None else likely * weights).mean(axis=-1)))
