"""Which of several angle laws the lines bear out, and how much they leave to the others.

The phases of lines refine a law from where it begins, and from two beginnings they may come to two laws: each then
explains lines that the other does not. Between such ends, and those at which the shaft's lines and the ones next to
them have changed places, the lines themselves decide, as they do between the places of a range: each law is weighed by
what stands where it puts lines, and by what is missing there. What phases leave unexplained would be no measure: of few
segments it hangs on single samples.

Where phases are in doubt, another rotor may lie among the lowest lines: a motor, a pump or a second drive on the frame
turns about as fast, and where its lines are not resolved from the shaft's, or the lobes', their phases are taken for
these. So the lines above are asked by themselves too, and what they come to is weighed by all lines.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from vibe.spectra.basic.angle_law import AngleLaw
from vibe.spectra.speed.line_likelihood import odds_of_lines
from vibe.spectra.speed.phase_refinement import Low, Refined, all_refinements, refinements
from vibe.spectra.speed.ridge_tracking import PRICE_OF_MOTION, RAMPS

SAME_SIGMAS = 3.0
"""Laws whose mean speeds lie within so many of their joint standard deviations have one speed."""
CLEARER = 4.6
"""Log odds, ln 100, from which on one of two laws of one speed is the better by its lines; below, the one that explains
more of the phases is."""
SURE = 1e-4
"""Relative uncertainty up to which a law is no path in doubt: ten seconds of steady lines leave a tenth of it."""
RESOLVED = 1.5
"""Lines nearer than this, in what the capture resolves at order 1, have one peak (a Hann window's main lobe is 4 wide
between its zeros, and two lines dip between them from some 1.5 on; from memory)."""
LOW = 3.5
"""Orders below which lie the shaft's first three lines, which every rotor shows, and those of lobes next to them."""
STEEPEST = float(RAMPS[-1])
"""Change of speed over a capture, relative, beyond the steepest ramp that is tried: the speed jumps."""
NEAREST = 0.2
"""Relative; lines farther from the shaft's first do not change places with it within any range that is searched."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LawChoice:
    """The law that the lines bear out best, and the ``others``: (speed [Hz], log weight less the best's). ``in_doubt``:
    whether the phases of all lines left open where they lead."""

    fine: Refined
    others: tuple[tuple[float, float], ...] = ()
    in_doubt: bool = False


def law_choice(
    law: AngleLaw,
    lows: Sequence[Low],
    orders: NDArray[np.float64],
    segment_turns: float,
    *,
    unresolved: float,
    range_hz: tuple[float, float],
    settled_hz: float | None = None,
) -> LawChoice | None:
    """``law`` corrected by the phases of lines at ``orders``, the best of all that they come to; None where they say
    nothing.

    ``unresolved``: relative distance within which another speed was not distinguished before. ``settled_hz``: the speed
    that something else has settled; the law nearest to it is taken, and the others keep their weights.
    """
    ends = refinements(law, lows, orders, segment_turns)
    of_all = len(ends)
    in_doubt = not ends or ends[0].relative > SURE or _lost(ends[0].law, law, lows, orders, range_hz[1])
    if in_doubt:
        ends += [end for kept in _without_low(orders) for end in refinements(law, lows, kept, segment_turns)]
    if not ends:
        return None
    of_some = slice(of_all, len(ends) if of_all else 0)
    exchanged = _exchanged(ends[0].law, orders, unresolved, range_hz)
    for other, found in zip(exchanged, all_refinements(exchanged, lows, orders, segment_turns), strict=True):
        # Where it stands already it is as exact as the law that it was made from.
        ends += [replace(ends[0], law=other, explained=-np.inf), *found]
    if all(end.relative <= SURE and _same(end, ends[0]) for end in ends):
        # All are one speed, known well: what phases explain decides, and costs nothing.
        return LawChoice(fine=ends[0], in_doubt=in_doubt)
    weights = _weights([end.law for end in ends], lows, orders, range_hz[1])
    # What fewer lines came to must be clearly better by all of them.
    weights[of_some] -= CLEARER
    # Phases may bend a law, but a change that nobody saw who followed the speed is paid for.
    jumps = [end.law.drift > max(law.drift, STEEPEST) for end in ends]
    weights -= PRICE_OF_MOTION[1] * np.array(jumps)
    return replace(_chosen(ends, weights, settled_hz), in_doubt=in_doubt)


def _lost(end: AngleLaw, begun: AngleLaw, lows: Sequence[Low], orders: NDArray[np.float64], high_hz: float) -> bool:
    """Whether phases have led from a law, ``begun``, to one that puts lines where clearly fewer stand."""
    before, after = _weights([begun, end], lows, orders, high_hz)
    return bool(after < before - CLEARER)


def _without_low(orders: NDArray[np.float64]) -> list[NDArray[np.float64]]:
    """``orders`` without the shaft's first lines; and without those of lobes next to them too, where there are any."""
    low = orders < LOW
    shaft = low & (np.abs(orders - np.rint(orders)) < 1e-6)
    left_out = [shaft] if np.array_equal(low, shaft) else [shaft, low]
    return [orders[~some] for some in left_out if some.any() and not some.all()]


def _chosen(ends: Sequence[Refined], weights: NDArray[np.float64], settled_hz: float | None) -> LawChoice:
    best = int(weights.argmax())
    if settled_hz is not None:
        near = settled_hz
        best = min(range(len(ends)), key=lambda k: (abs(ends[k].law.mean_hz - near), -weights[k]))
    alike = [k for k, end in enumerate(ends) if _same(end, ends[best]) and weights[k] >= weights[best] - CLEARER]
    first = max(alike, key=lambda k: ends[k].explained)
    apart: list[int] = []
    for k in np.argsort(-weights).tolist():
        if not any(_same(ends[k], ends[other]) for other in (first, best, *apart)):
            apart.append(k)
    return LawChoice(
        fine=ends[first], others=tuple((ends[k].law.mean_hz, float(weights[k] - weights[best])) for k in apart)
    )


def _weights(
    laws: Sequence[AngleLaw], lows: Sequence[Low], orders: NDArray[np.float64], high_hz: float
) -> NDArray[np.float64]:
    """Log likelihood ratio of the lines at ``orders`` (ascending) where each law puts them, against nothing. Lines that
    the capture does not resolve count once, as the likeliest of them: one peak between two is no proof of both."""
    odds = np.empty((orders.size, len(laws)))
    # Samples lie alike on the angle of all steady laws.
    steady = [k for k, law in enumerate(laws) if law.is_steady]
    for numbers in [steady, *([k] for k, law in enumerate(laws) if not law.is_steady)]:
        if numbers:
            speeds = np.array([laws[k].mean_hz for k in numbers])
            odds[:, numbers] = odds_of_lines(lows, laws[numbers[0]], speeds, orders, high_hz)
    found = np.empty(len(laws))
    for k, law in enumerate(laws):
        groups = np.flatnonzero(np.diff(orders, prepend=-np.inf) >= RESOLVED / law.total_turns)
        found[k] = np.maximum.reduceat(odds[:, k], groups).sum()
    return found


def _same(one: Refined, other: Refined) -> bool:
    sigma = np.hypot(one.relative * one.law.mean_hz, other.relative * other.law.mean_hz)
    return bool(abs(one.law.mean_hz - other.law.mean_hz) <= SAME_SIGMAS * sigma)


def _exchanged(
    law: AngleLaw, orders: NDArray[np.float64], unresolved: float, range_hz: tuple[float, float]
) -> list[AngleLaw]:
    """``law`` at the speeds at which a line next to the shaft's first is the shaft's, or the shaft's is that line."""
    near = orders[(orders != 1.0) & (np.abs(orders - 1.0) < NEAREST)].tolist()
    return [
        AngleLaw(time_s=law.time_s, turns=law.turns * times)
        for order in near
        for times in (order, 1.0 / order)
        if abs(times - 1.0) <= unresolved and range_hz[0] <= law.mean_hz * times <= range_hz[1]
    ]
