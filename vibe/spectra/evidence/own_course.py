"""Whether impacts keep to this machine's course of speed: what turns with it speeds up and slows down with it.

A comb is read twice in one envelope, along the angle of the input and along time. Its lines are sharp in the one that
its source keeps to and smeared in the other, the more the higher they are; the same noise lies under both. A second
machine on the mains, a belt or a pump turns on evenly while a drive is started, regulated or loaded and unloaded.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from vibe.spectra.basic.angle_law import AngleLaw
from vibe.spectra.envelope.bands import BandEnvelopes

Real = NDArray[np.float64]

LEAST_APART = 0.5
"""Turns of the highest line by which angle and time must differ, from the one side to the other: a quarter of a turn
either way, less smears hardly anything."""
LEAST_DRIFT = 5e-3
"""Relative change of speed from which angle and time differ by more than slip varies: by a thousandth or so (common
practice), as the lines of races and cages are spread. Below, random slip may happen to undo what the speed did: of 72
combs of damaged parts of outside worlds whose speed changed by less, eight seemed to turn evenly by more than 1.5, the
most by 3.5."""
NEAR, NEAR_BINS = 0.002, 3.0
"""How far off the order found a comb's own is sought, relative, and in bins of its first line."""
FINER = 4
"""Places that are tried per bin."""
FLOOR_BINS = 32
"""Bins of the floor to either side of what is sought, at least."""


def evenly_rather(
    bands: Sequence[BandEnvelopes],
    law: AngleLaw,
    band_hz: tuple[float, float],
    channels: Sequence[str],
    order: float,
    harmonics: Sequence[int],
) -> float | None:
    """Log odds of lines that keep to time against lines that keep to the input's angle, of the comb at ``order`` with
    its lines ``harmonics``, read in ``band_hz`` of ``channels``; None where the two hardly differ.

    Of a line of power ``x`` over its floor, whose strength nothing says beforehand, 1 + x is what it counts.
    """
    apart, total = _apart(law), {False: 0.0, True: 0.0}
    if not harmonics or law.drift < LEAST_DRIFT or order * max(harmonics) * float(np.ptp(apart)) < LEAST_APART:
        return None
    reach = NEAR + law.drift / 2 + NEAR_BINS / (law.total_turns * order)
    offsets = np.arange(-reach, reach, 1 / (FINER * law.total_turns * order * max(harmonics)))
    for one in bands:
        inside = (one.centre_hz >= band_hz[0]) & (one.centre_hz <= band_hz[1])
        if (channels and one.channel not in channels) or not inside.any():
            continue
        envelope = np.asarray(one.power[inside].sum(axis=0), dtype=np.float64)
        lines = np.asarray(fft.rfft(envelope - envelope.mean()))
        rows = {kept: np.zeros(offsets.size) for kept in total}
        for k in harmonics:
            for even, read in _read(lines, one.turns, k * order, offsets, apart, reach).items():
                rows[even] += np.log1p(read)
        for even, row in rows.items():
            total[even] += float(row.max())
    return total[True] - total[False]


def _apart(law: AngleLaw) -> Real:
    """Turns by which the input is behind a steady one of the same mean, at even steps of its angle."""
    turns = np.linspace(law.turns[0], law.turns[-1], 2048)
    return np.asarray((law.when(turns) - law.time_s[0]) * law.mean_hz - (turns - law.turns[0]))


def _read(
    lines: NDArray[np.complex128], turns: float, order: float, offsets: Real, apart: Real, reach: float
) -> dict[bool, Real]:
    """Power over the floor at ``order`` times one plus ``offsets``, along the angle (False) and along time (True)."""
    middle, half = round(order * turns), int(reach * order * turns) + FLOOR_BINS
    first, last = middle - half, middle + half + 1
    if first < 1 or last > lines.size:
        return {}
    cut = lines[first:last]
    floor = float(np.median(np.abs(cut) ** 2)) / np.log(2.0)
    size = fft.next_fast_len(2 * cut.size)
    wave = fft.ifft(cut, size)
    behind = np.interp(np.linspace(0.0, 1.0, size, endpoint=False), np.linspace(0.0, 1.0, apart.size), apart)
    places = (order * (1 + offsets) * turns - first) * FINER
    found = {}
    for even in (False, True):
        turned = wave * np.exp(-2j * np.pi * order * behind) if even else wave
        power = np.abs(fft.fft(turned, FINER * size)) ** 2
        found[even] = np.interp(places, np.arange(power.size), power) / max(floor, 1e-300)
    return found
