"""How far apart two lines must lie to be distinguished in a spectrum with a Hann window, in bins (1 bin = 1 /
duration).

The transform of a Hann window of unit length, centred on the line, is W(x) = sinc(x) / (1 - x^2), x in bins. Two lines
that reach the middle of the capture in phase add with one sign all between them, which is the worst case; any other
phase parts them sooner.
"""

from __future__ import annotations

RESOLUTION_BINS = 2.0
"""Two equal lines, in phase: W(1) = 1/2, so midway between lines 2 bins apart the sum has sunk to the height of one
alone. This is the window's 6 dB bandwidth (Harris, Proc. IEEE 66, 1978, 51-83, Table 1: Hann 2.00 bins). The dip is
0.2 dB; it first appears at 1.884 bins, twice the distance at which the curvature of W changes sign. The noise bandwidth
of 1.5 bins says how much noise a line takes in, not when two lines part: at 1.5 bins there is one hump."""

WEAK_LINE_BINS = 2.4
"""A line 20 dB weaker than its neighbour shows a maximum of its own at every phase from 2.38 bins on (computed; the
tests do it again). At 40 dB it takes 5.5 bins, since it must stand over the side lobes too, which begin at -31.5 dB."""


def parting_s(apart_hz: float, *, weak: bool = False) -> float:
    """Seconds of capture that part two lines ``apart_hz`` from each other.

    ``weak``: one of them is up to 20 dB below the other; else they are equal.

    The k-th harmonics of two tones lie k times as far apart. That is not counted on: a smooth envelope has no more than
    its first line.
    """
    return (WEAK_LINE_BINS if weak else RESOLUTION_BINS) / apart_hz
