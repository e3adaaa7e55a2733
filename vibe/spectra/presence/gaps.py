"""For how long the usual lines of a drive are missing: a drive that stops in between does not run all the time."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray

from vibe.spectra.basic.angle_law import AngleLaw
from vibe.spectra.speed.phase_refinement import all_laid, low_passed

SEGMENT_TURNS = 16.0
"""Turns of a segment in which usual lines are followed: a Hann window shows lines an eighth of an order apart."""
MISSING_DB = -12.0
"""A usual line this far below its median is missing: speed variation and beating take half of it."""
FEWEST_AT_TIMES = 2
"""Lines that stand in the mean and not for half the time which show that something comes and goes (our choice: one is
anybody's)."""
ALIAS_BINS = 2.5
"""Bins of a segment from which on a line is not taken for its neighbour: three are read at each place."""
LONGEST_GAP_S = 1.0
"""Time for which usual lines may be missing in a drive that runs: a stop takes longer (common practice)."""


def gap_s(
    samples: Sequence[tuple[NDArray[np.float32], float]],
    law: AngleLaw,
    meshes: Sequence[float],
    aliases: Sequence[float] = (),
) -> float:
    """Longest time [s] in which none of the drive's usual lines reaches a quarter of its usual amplitude.

    Where none stands for half the time, those that stand in the mean are followed: of tones that come and go they are
    as strong as a drive's, which turns all the time or does not run.

    ``samples``: (samples (n,), sample rate [Hz]) of each channel; ``meshes``: orders of the drive's meshes;
    ``aliases``: how far (relative) lines lie from the shaft's that are followed in their stead where a speed moves.
    """
    orders = sorted({1.0, 2.0, 3.0, 4.0, 5.0, 6.0, *(k * mesh for mesh in meshes for k in (1, 2) if k * mesh <= 64)})
    top_hz = 1.1 * orders[-1] * law.mean_hz
    laid = all_laid([low_passed(row, rate, top_hz) for row, rate in samples], law)
    # A speed that moves as far may have gone over to such a line and back; low multiples stand next to it all the same.
    near = min((alias for alias in aliases if law.drift > alias / 2), default=None)
    usual: list[NDArray[np.floating]] = []
    at_times: list[NDArray[np.floating]] = []
    distinct: list[NDArray[np.floating]] = []
    for item in laid:
        n = int(SEGMENT_TURNS * item.samples.size / law.total_turns)
        starts = np.arange(0, item.samples.size - n + 1, max(1, n // 2))
        if n < 16 or starts.size < 4:
            return 0.0
        pieces = item.samples[starts[:, None] + np.arange(n)] * np.hanning(n).astype(np.float32)
        power = np.abs(np.fft.rfft(pieces, axis=1)) ** 2
        middles = np.rint(np.array(orders) * SEGMENT_TURNS).astype(int)
        middles = middles[middles + 9 <= power.shape[1], None]
        # (segments, lines)
        lines = power[:, middles + np.arange(-1, 2)].max(axis=2)
        around = power[:, middles + np.concatenate([np.arange(-8, -2), np.arange(3, 9)])]
        floors = np.median(around, axis=2) / np.log(2.0)
        usual += _followed(lines, floors, np.median)
        if near is not None:
            apart = middles[:, 0] * near >= ALIAS_BINS
            distinct += _followed(lines[:, apart], floors[:, apart], np.median)
        at_times += _followed(lines, floors, np.mean)
    ratios = distinct or usual or (at_times if len(at_times) >= FEWEST_AT_TIMES else [])
    if not ratios:
        return 0.0
    missing = np.max(ratios, axis=0) < 10 ** (MISSING_DB / 10)
    longest = run = 0
    for one in missing:
        run = run + 1 if one else 0
        longest = max(longest, run)
    return longest * SEGMENT_TURNS / 2 / law.mean_hz


def _followed(
    lines: NDArray[np.floating], floors: NDArray[np.floating], middle: Callable[..., NDArray[np.floating]]
) -> list[NDArray[np.floating]]:
    """Power (segments,) of each of ``lines`` (segments, lines) that stands out of ``floors`` in its ``middle`` of all
    segments, over that; 0 where it does not stand."""
    over = middle(lines, axis=0)
    stands = over > 16 * middle(floors, axis=0)
    return list(np.where(lines > 6 * floors, lines / np.maximum(over, 1e-300), 0.0)[:, stands].T)
