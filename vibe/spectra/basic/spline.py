"""A smooth curve through knots: the cubic spline, natural or through its ends unbent.

The same by a library (``scipy.interpolate``) takes 140 ms of processor time to load after everything else that a
diagnosis loads has been, a third of the analysis of a capture.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Real = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Spline:
    """Cubics between knots ``x``, shape (k,); at each but the last the value and its first derivative, half its second
    and a sixth of its third, shape (k - 1,)."""

    x: Real
    value: Real
    first: Real
    half_second: Real
    sixth_third: Real

    def at(self, x: Real) -> Real:
        """The curve at ``x``, shape (n,), in whatever order; beyond the ends with the slope of the ends."""
        inside = np.clip(x, self.x[0], self.x[-1])
        if inside.size > self.x.size and np.all(inside[1:] >= inside[:-1]):
            # Few knots, many places in their order, as those of samples are: the knots are looked for, not the places.
            begins = np.searchsorted(inside, self.x[1:-1], side="left")
            counts = np.diff(np.concatenate([[0], begins, [inside.size]]))

            def of_piece(values: Real) -> Real:
                return np.repeat(values, counts)
        else:
            piece = np.searchsorted(self.x[1:-1], inside, side="right")

            def of_piece(values: Real) -> Real:
                return values[piece]

        since = inside - of_piece(self.x[:-1])
        result = of_piece(self.sixth_third)
        for values in (self.half_second, self.first, self.value):
            result *= since
            result += of_piece(values)
        beyond = x - inside
        if np.any(beyond):
            slope = of_piece(self.sixth_third) * 3.0
            for values in (self.half_second * 2.0, self.first):
                slope *= since
                slope += of_piece(values)
            result += beyond * slope
        return result


def spline_through(x: Real, y: Real, *, natural: bool) -> Spline:
    """The cubic spline through knots ``x`` (increasing) and ``y``, shape (k,), k at least 3.

    Natural: its second derivative is zero at both ends. Otherwise its first two cubics are one, and its last two (C. de
    Boor, *A Practical Guide to Splines*, chapter IV, from memory), which bends up to the ends; three knots then make a
    parabola.
    """
    width = np.diff(x)
    slope = np.diff(y) / width
    if x.size == 3 and not natural:
        bend = float(np.diff(slope)[0] / width.sum())
        first = np.array([slope[0] - bend * width[0], slope[0] + bend * width[0], slope[1] + bend * width[1]])
    else:
        first = _first_derivatives(width, slope, natural=natural)
    third = first[:-1] + first[1:] - 2.0 * slope
    return Spline(
        x=x, value=y[:-1], first=first[:-1], half_second=(slope - first[:-1] - third) / width,
        sixth_third=third / width**2,
    )  # fmt: skip


def _first_derivatives(width: Real, slope: Real, *, natural: bool) -> Real:
    """At the knots, from the continuity of the second ones: three neighbours each, solved from one end to the other."""
    below = np.concatenate([[0.0], width[1:], [0.0]])
    on = np.concatenate([[0.0], 2.0 * (width[:-1] + width[1:]), [0.0]])
    above = np.concatenate([[0.0], width[:-1], [0.0]])
    right = np.concatenate([[0.0], 3.0 * (width[1:] * slope[:-1] + width[:-1] * slope[1:]), [0.0]])
    if natural:
        on[0], above[0], right[0] = 2.0, 1.0, 3.0 * slope[0]
        on[-1], below[-1], right[-1] = 2.0, 1.0, 3.0 * slope[-1]
    else:
        for end, one, two in ((0, 0, 1), (-1, -1, -2)):
            both = width[one] + width[two]
            on[end] = width[two]
            right[end] = (
                (width[one] + 2.0 * both) * width[two] * slope[one] + width[one] ** 2 * slope[two]
            ) / both  # fmt: skip
            (above if end == 0 else below)[end] = both
    # Numbers one by one: no array has so few of a kind. Every pivot is positive, so none has to be looked for.
    lower, middle, upper, sums = below.tolist(), on.tolist(), above.tolist(), right.tolist()
    for n in range(1, len(middle)):
        share = lower[n] / middle[n - 1]
        middle[n] -= share * upper[n - 1]
        sums[n] -= share * sums[n - 1]
    found = sums
    found[-1] /= middle[-1]
    for n in range(len(middle) - 2, -1, -1):
        found[n] = (sums[n] - upper[n] * found[n + 1]) / middle[n]
    return np.array(found)
