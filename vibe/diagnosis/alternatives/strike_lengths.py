"""How long what repeats takes: rolling over a spall is short, a blow of a crusher is a heap of cracks.

Lines of a short strike stand alike up to high multiples. Those of events that take a share ``w`` of the period
(standard deviation of their energy about its middle) fall as a normal pulse's do, by exp(-(2 π k w)²) in power at the
k-th (its Fourier transform); instants that differ from one to the next by as much leave the same.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from math import exp, hypot, log, log10, pi, sqrt

from vibe.core.evidence import TAKEN_DB, CombEvidence

RING_S = 5e-3
"""How long a bearing's strike rings at most (common practice: structures of such drives ring for one to some
milliseconds)."""
SPALL_SHARE = 0.02
"""Share of the period within which an element rolls over the edge of a spall, and by which strikes of a bearing come
early or late by slip, at most (common practice: the latter is a per cent or two, Randall & Antoni, MSSP 25 (2011)
485-520, from memory)."""
SHORTEST, LONGEST = 0.003, 0.15
"""Standard deviations, as shares of the period, between which events of any kind are as likely in one factor as in the
next: below, a dozen lines stand alike; above, only the first line stands."""
LONG_RATE = 0.05
"""Share of bearings whose events may take as long as anybody's: wide spalls are rolled over from end to end, and thick
grease smears (common practice: one in twenty, the usual doubt)."""
OWN_SPREAD_DB = 3.0
"""Standard deviation of what lines differ by for other reasons than noise (common practice: a factor of two)."""
STRAY_RATE, STRAY_RANGE_DB = 0.05, 40.0
"""One line in twenty is somebody else's, of any height within this range (common practice)."""
STRENGTHS_DB = range(0, 41, 2)
"""Heights at which lines of a short strike are tried, all as likely, two decibels apart: noise moves one by more."""
FEWEST_LINES = 6
"""Lines from which it is asked how they fall: of fewer, noise alone makes one half higher than the other."""
WIDTHS = 24
"""Widths that are tried, a fifth apart: lines fall alike for any closer ones."""


def as_short_as_strikes(comb: CombEvidence, repeats_hz: float) -> float:
    """How many times likelier a bearing leaves lines that fall with their multiple as those of ``comb`` do than any
    machine does, one at most; 1 where too few lines are known.

    Strikes of a bearing at ``repeats_hz`` are short, but for ``LONG_RATE`` of them; anybody's events have any length
    from ``SHORTEST`` to ``LONGEST``. Whoever strikes as shortly as a bearing proves nothing: hammers do.
    """
    levels = [line.over_floor_db for line in (*comb.lines, *comb.further)]
    if sum(level > TAKEN_DB for level in levels) < FEWEST_LINES:
        return 1.0
    short = hypot(SPALL_SHARE, RING_S * repeats_hz)
    widths = [SHORTEST * (LONGEST / SHORTEST) ** (number / (WIDTHS - 1)) for number in range(WIDTHS)]
    likely = [_likelihood(levels, width) for width in widths]
    anybodys = sum(likely) / len(likely)
    strikes = [one for one, width in zip(likely, widths, strict=True) if width <= short]
    if anybodys <= 0:
        return 1.0
    return min(1.0, LONG_RATE + (1 - LONG_RATE) * sum(strikes) / len(strikes) / anybodys)


def _likelihood(levels: Sequence[float], width: float) -> float:
    """How likely events of ``width`` leave lines of these levels [dB over the floor], whatever their strength."""
    total = 0.0
    for strength_db in STRENGTHS_DB:
        chance = 1.0
        for number, level in enumerate(levels, 1):
            if level > TAKEN_DB:
                own = 10 ** (strength_db / 10) * exp(-((2 * pi * number * width) ** 2))
                middle, spread = _expected(number, own)
                normal = exp(-0.5 * ((level - middle) / spread) ** 2) / (spread * sqrt(2 * pi))
                chance *= (1 - STRAY_RATE) * normal + STRAY_RATE / STRAY_RANGE_DB
        total += chance
    return total / len(STRENGTHS_DB)


def _expected(number: int, own: float) -> tuple[float, float]:
    """Level [dB] and its standard deviation of the highest bin where the line ``number`` is sought, of power ``own``
    over the floor: as many bins as its multiple, of exponential noise each (the mean of the highest of n is the n-th
    harmonic number, the variance of one with a steady line 1 + 2 times its power)."""
    noise = _highest_of(max(3, 2 * (number // 2) + 1))
    middle = own + noise
    relative = sqrt(1 + 2 * own) / middle
    return 10 * log10(middle), hypot(10 / log(10) * relative, OWN_SPREAD_DB)


@lru_cache
def _highest_of(bins: int) -> float:
    return sum(1 / one for one in range(1, bins + 1))
