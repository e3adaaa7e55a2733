"""The bins that a comb of another machine owns: its lines, and the side lines at whatever spacing they stand."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from vibe.spectra.envelope.envelope_spectrum import EnvelopeSpectra
from vibe.spectra.evidence.comb import STILL_A_LINE
from vibe.spectra.evidence.decoy_null import CombReading, grown
from vibe.spectra.outside.slow_turns import LEAST_ROOM_BINS

SPEED_VARIATION = 1.5e-3
"""Relative, three standard deviations of a loaded motor's speed within a capture (common practice: 5e-4)."""
SIDE_HARMONICS, FEWEST_SIDES, SIDES_STAND = 6, 6, 0.7
"""Harmonics next to which side lines at one spacing are sought, how many must be free, and the share that must stand:
by chance one in 300 does."""
SIDES_OWNED = 3
"""Side lines either side of a harmonic that belong to it: of a load that turns the first stand (common practice)."""
SIDES_BELOW = 4.0
"""How many times the power of a side line that of its harmonic is at least: side lines lie six decibels and more below
what they stand next to (common practice)."""


def own_bins(spectra: EnvelopeSpectra, reading: CombReading, turns: Sequence[float]) -> NDArray[np.bool_]:
    """Bins of all lines of a comb, and of their sidebands at slow turns where there is room."""
    n, step = spectra.power.shape[1], spectra.step
    mask = np.zeros(n, dtype=bool)
    room = reading.order / step
    half = int(np.clip(0.06 * room, 1, 3))
    shifts = [0.0] + [s * t for t in turns for s in (-1, 1) if room > 12 * t / step > 36]
    for harmonic in range(1, int(n * step / reading.order) + 1):
        # What is not driven by this shaft has a speed variation of its own.
        wide = (
            half if turns else min(half + int(np.ceil(SPEED_VARIATION * harmonic * room)), max(half, int(0.2 * room)))
        )
        for shift in shifts:
            middle = round((harmonic * reading.order + shift) / step)
            mask[max(0, middle - wide) : middle + wide + 1] = True
    strongest = spectra.power.max(axis=0) - np.float32(np.log(spectra.power.shape[0]))
    return mask if turns else grown(mask, strongest, 2 * SPEED_VARIATION * room * 8)


def side_bins(
    power: NDArray[np.float32], step: float, base: float, mask: NDArray[np.bool_], *, turns: bool
) -> NDArray[np.bool_]:
    """Bins of the side lines of a comb at the spacing at which they stand, whatever turns there; none where none do."""
    result = np.zeros(power.size, dtype=bool)
    near, hidden = power.copy(), mask.copy()
    for widened, values in ((near, power), (hidden, mask)):
        np.maximum(widened[1:], values[:-1], out=widened[1:])
        np.maximum(widened[:-1], values[1:], out=widened[:-1])
    room = base / step
    middles = np.rint(np.arange(1, SIDE_HARMONICS + 1) * room).astype(np.int64)
    apart = np.arange(LEAST_ROOM_BINS + 2, int(0.8 * room))
    if not apart.size:
        return result
    places = np.concatenate([middles[:, None] + sign * apart for sign in (-1, 1)])
    inside = (places > 1) & (places < power.size - 2)
    places = np.clip(places, 0, power.size - 1)
    free = inside & ~hidden[places]
    stand = free & (near[places] > STILL_A_LINE)
    enough = (free.sum(axis=0) >= FEWEST_SIDES) & (stand.sum(axis=0) >= SIDES_STAND * free.sum(axis=0))
    if not enough.any():
        return result
    level = np.where(stand, np.log(np.maximum(near[places], 1.0)), 0.0).sum(axis=0)
    best = int(apart[np.where(enough, level, -np.inf).argmax()])
    for harmonic in range(1, int(power.size / room) + 1):
        for number in range(-SIDES_OWNED, SIDES_OWNED + 1):
            wide = 2 if turns else 2 + int(SPEED_VARIATION * harmonic * room)
            middle = round(harmonic * room + number * best)
            if number and wide < 0.2 * best:
                result[max(0, middle - wide) : max(0, middle + wide + 1)] = True
    return result


def sides_of_own_lines(
    spectra: EnvelopeSpectra, families: Sequence[tuple[float, int]], turns: Sequence[float]
) -> NDArray[np.bool_]:
    """Bins (n,) of the side lines, at slow ``turns`` (orders), of lines of the machine's own (order, harmonics)
    ``families``, where both stand and the side line lies well below.

    What damage makes at an order that a sound machine has as well, as an output pin does, is nobody's comb; what the
    output's turn leaves on either side of it is then none either. Side lines fall off with their number: where those
    farther out stand as a rule, the turn strikes by itself, and all its lines are that comb's."""
    n, step = spectra.power.shape[1], spectra.step
    mask = np.zeros(n, dtype=bool)
    strongest = spectra.power.max(axis=0) - np.float32(np.log(spectra.power.shape[0]))
    numbers = np.arange(1, 2 * SIDES_OWNED + 1)
    numbers = np.concatenate([-numbers[::-1], numbers])
    near = np.abs(numbers) <= SIDES_OWNED
    slow = [turn for turn in turns if turn > LEAST_ROOM_BINS * step]
    for order, count in families:
        places = np.arange(1, min(count, int((n - 3) * step / order)) + 1) * order
        middles = np.rint(places / step).astype(np.int64)
        tops = np.maximum(np.maximum(strongest[middles - 1], strongest[middles]), strongest[middles + 1])
        places, tops = places[tops > STILL_A_LINE], tops[tops > STILL_A_LINE]
        for turn in slow:
            at = np.rint((places[:, None] + numbers * turn) / step).astype(np.int64)[..., None] + np.arange(-1, 2)
            power = np.where((at > 0) & (at < n), strongest[np.clip(at, 0, n - 1)], 0.0)
            stands = power > STILL_A_LINE
            farther = stands[:, ~near].any(axis=2).mean(axis=1) < SIDES_STAND
            sides = stands & (power * SIDES_BELOW < tops[:, None, None]) & (near & farther[:, None])[..., None]
            mask[at[sides]] = True
    return mask
