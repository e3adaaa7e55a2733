"""Who causes how much of a level: the mean square of every point, split among owners so that the shares add up.

A line's power over the local floor goes to whoever claims its bins (``line_attribution.py`` has the rule for lines that
two claim; impacts that were found keep of such lines what their free lines nearby have); the floor stays with the rest.
Impacts that repeat loosely, as a bearing's do, make no lines where they ring: of each band their owner gets the share
by which their comb modulates the band's envelope. What nobody caused is left as broad band, in a few fixed bands.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from vibe.core.evidence import CombEvidence
from vibe.core.records.history import Value
from vibe.core.records.level_change import BROAD_BANDS, LOW_BAND
from vibe.spectra.attribution.line_attribution import LINE_HALF_BINS, NOBODY, OwnedLines, Owner, claimed
from vibe.spectra.attribution.modulation_depth import LEAST_SIGMAS, NEIGHBOURS_ALIKE, Modulations
from vibe.spectra.basic.levels import velocity_band_hz
from vibe.spectra.envelope.envelope_spectrum import line_floor
from vibe.spectra.segment import HANN_NOISE_BINS
from vibe.spectra.signal_analysis import ChannelSpectrum, SignalAnalysis

Array = NDArray[np.float64]

LOW_HZ = 10.0
"""Below it lies the low band."""
FLOOR_BINS = 81
"""Bins over whose median a line stands: as many as ``read_lines`` looks at."""
SURE_COMB = 0.01
"""False-alarm probability of a comb from which its impacts are given a share."""
DIRECT_HARMONICS = (1, 2, 3, 4, 5)
"""Lines at which a bearing's impacts may be seen without demodulation."""
BLOCK_S = 0.5
"""Means of blocks as long show drift below 1 Hz, at the ends of a capture too, where the window sees nothing."""
FREE_NEAR, FEWEST_FREE = 12, 3
"""So many harmonics either way show what a comb has of a line that somebody else claims, if so many are free."""
MOST_SCALED = 0.05
"""What a window and resampling may change of a steady capture's mean square; more is no steady capture."""


def shares(
    reading: SignalAnalysis, owners: Sequence[Owner], believed: Collection[str] | None = None
) -> tuple[Value, ...]:
    """Of each point, the mean square of acceleration ("share", (m/s²)²) and of velocity ("velocity_share", (mm/s)², in
    the band in which velocity is judged) that each owner causes; ``subject`` is the owner, 0.0 what was not seen.

    ``believed`` names the combs whose impacts are real; a strong comb leaves others behind that look so. None: all that
    are surely there. The shares of a point add up to the mean square of its samples about their mean, to the accuracy
    of a window.
    """
    known = {name: number for number, owner in enumerate(owners) for name in owner.impacts}
    sure = [c for c in reading.combs if c.tone in known and _is_believed(c, owners[known[c.tone]], believed)]
    seen = tuple(_with_direct_lines(owner, sure) for owner in owners)
    modulated = Modulations(reading)
    found: list[Value] = []
    for spectrum in reading.spectra:
        samples, rate = reading.samples[spectrum.channel]
        mine = _of_channel(spectrum, seen, reading, [(known[c.tone], c) for c in sure], modulated)
        _settle(mine["share"], samples, rate)
        for measure, unit in (("share", "(m/s²)²"), ("velocity_share", "(mm/s)²")):
            found += [
                Value(point=spectrum.channel, measure=measure, value=value, unit=unit, subject=owner)
                for owner, value in mine[measure].items()
            ]
    return tuple(found)


def _settle(mine: dict[str, float], samples: NDArray[np.float32], rate: float) -> None:
    """Shares as they are over the whole capture: the window weighs its middle more than its ends."""
    mine[LOW_BAND] = max(mine[LOW_BAND], _drift(samples, rate))
    total = sum(mine.values())
    if total > 0:
        scale = float(np.clip(float(samples.var(dtype=np.float64)) / total, 1 - MOST_SCALED, 1 + MOST_SCALED))
        for name in mine:
            mine[name] *= scale


def _is_believed(comb: CombEvidence, owner: Owner, believed: Collection[str] | None) -> bool:
    if believed is None:
        return comb.false_alarm_probability < SURE_COMB
    # Of parts that share one order the comb bears the name of the first.
    return comb.tone in believed or (_is_exact(owner) and any(name in believed for name in owner.impacts))


def _is_exact(owner: Owner) -> bool:
    """Whether its impacts come at fixed angles, so that they make lines wherever they ring."""
    return any(lines.harmonics is None for lines in owner.lines)


def _with_direct_lines(owner: Owner, sure: Sequence[CombEvidence]) -> Owner:
    """An owner whose combs were found, with their own lines; those that cannot slip it has already."""
    exact = {lines.order for lines in owner.lines}
    direct = tuple(
        OwnedLines(order=comb.order, harmonics=DIRECT_HARMONICS, width=5e-4)
        for comb in sure
        if comb.tone in owner.impacts and not any(abs(comb.order / order - 1) < 1e-6 for order in exact if order > 0)
    )
    return replace(owner, lines=(*owner.lines, *direct))


def _of_channel(
    spectrum: ChannelSpectrum,
    owners: Sequence[Owner],
    reading: SignalAnalysis,
    combs: Sequence[tuple[int, CombEvidence]],
    modulated: Modulations,
) -> dict[str, dict[str, float]]:
    speed = reading.speed
    size, input_hz = spectrum.power.size, reading.law.mean_hz
    spread = 3.0 * (speed.uncertainty_hz or 0.0) / speed.input_hz
    owner_of = claimed(
        owners, size=size, bin_hz=spectrum.bin_hz, input_hz=input_hz, spread=spread,
        drift=0.0 if reading.law.is_steady else reading.law.drift,
    )  # fmt: skip
    hz: Array = np.arange(size, dtype=np.float64) * spectrum.bin_hz
    power = spectrum.power / HANN_NOISE_BINS
    if not reading.law.is_steady:
        power /= _dulled(hz, reading.samples[spectrum.channel][1])
    # What lies within the window's main lobe of zero is the mean, which is no vibration.
    power[: int(np.ceil(3.0 / (reading.law.duration_s * spectrum.bin_hz)))] = 0.0
    floor = line_floor(power.astype(np.float32)[None], FLOOR_BINS)[0].astype(np.float64)
    low, high = velocity_band_hz(input_hz)
    inside = (hz >= low) & (hz <= high)
    to_velocity = np.zeros(size)
    to_velocity[inside] = 1e6 / (2 * np.pi * hz[inside]) ** 2
    mine = owner_of != NOBODY
    excess = np.where(mine, power - floor, 0.0)
    _drop_undetermined(excess, floor, owner_of, len(owners))
    base_bins = {n: c.order * input_hz / spectrum.bin_hz for n, c in combs if _is_exact(owners[n])}
    given = [_divided(excess, owner_of, number, base) for number, base in base_bins.items()]
    rest = power - excess
    for _, places, amounts in given:
        rest[places] -= amounts
    impacts = _impacts(spectrum.channel, hz, rest, excess, owner_of, combs, modulated)
    result: dict[str, dict[str, float]] = {}
    for measure, weight in (("share", np.ones(size)), ("velocity_share", to_velocity)):
        of_lines = np.bincount(owner_of[mine], weights=(excess * weight)[mine], minlength=len(owners))
        for number, places, amounts in given:
            of_lines[number] += float((amounts * weight[places]).sum())
        left = rest * weight
        table = {}
        for number, owner in enumerate(owners):
            total = float(of_lines[number]) + sum(
                p * float(left[a:b].sum()) for who, a, b, p in impacts if who == number
            )
            table[owner.name] = max(0.0, total)
        for _, a, b, p in impacts:
            left[a:b] -= p * (rest * weight)[a:b]
        first = int(np.searchsorted(hz, LOW_HZ))
        table[LOW_BAND] = float(left[:first].sum())
        for name, until in BROAD_BANDS:
            last = int(np.searchsorted(hz, until))
            if last > first and (measure == "share" or hz[first] < high):
                table[name] = float(left[first:last].sum())
            first = last
        result[measure] = table
    return result


def _drop_undetermined(excess: Array, floor: Array, owner_of: NDArray[np.int64], owners: int) -> None:
    """Nothing is attributed to an owner whose lines together do not stand out."""
    mine = owner_of != NOBODY
    total = np.bincount(owner_of[mine], weights=excess[mine], minlength=owners)
    variance = NEIGHBOURS_ALIKE * np.bincount(owner_of[mine], weights=floor[mine] ** 2, minlength=owners)
    for number in np.flatnonzero(total < LEAST_SIGMAS * np.sqrt(variance)):
        excess[owner_of == number] = 0.0


def _divided(
    excess: Array, owner_of: NDArray[np.int64], number: int, base_bins: float
) -> tuple[int, NDArray[np.int64], Array]:
    """What a comb of impacts has of the lines that others claim: as much as its free lines nearby have, no more than is
    there. Taken out of ``excess``; (owner, bins, amounts)."""
    count = int((excess.size - LINE_HALF_BINS - 1) / base_bins)
    harmonic = np.arange(1, count + 1)
    bins = np.floor(harmonic[:, None] * base_bins + 0.5).astype(np.int64) + np.arange(
        -LINE_HALF_BINS, LINE_HALF_BINS + 1
    )
    bins = bins[(bins[:, 0] > 0) & (bins[:, -1] < excess.size)]
    there, claimant = excess[bins].sum(axis=1), owner_of[bins]
    free = np.flatnonzero((claimant == number).all(axis=1))
    places: list[NDArray[np.int64]] = []
    amounts: list[Array] = []
    for row in np.flatnonzero((claimant != number).any(axis=1)):
        near = free[np.abs(free - row) <= FREE_NEAR]
        if near.size < FEWEST_FREE or there[row] <= 0:
            continue
        part = float(np.clip(np.median(there[near]) / there[row], 0.0, 1.0))
        others = bins[row][claimant[row] != number]
        places.append(others)
        amounts.append(part * excess[others])
        excess[others] -= amounts[-1]
    if not places:
        return number, np.zeros(0, dtype=np.int64), np.zeros(0)
    return number, np.concatenate(places), np.concatenate(amounts)


def _impacts(
    channel: str,
    hz: Array,
    rest: Array,
    excess: Array,
    owner_of: NDArray[np.int64],
    combs: Sequence[tuple[int, CombEvidence]],
    modulated: Modulations,
) -> list[tuple[int, int, int, float]]:
    """(owner, first bin, last bin, share of what no line took there), owners of one band never more than all of it."""
    by_place: dict[tuple[int, int], dict[int, float]] = {}
    for number, comb in combs:
        for low_hz, high_hz, depth in modulated.of(channel, comb):
            a, b = (int(np.searchsorted(hz, edge)) for edge in (low_hz, high_hz))
            left = float(rest[a:b].sum())
            if b <= a or left <= 0:
                continue
            own = float(excess[a:b][owner_of[a:b] == number].sum())
            # Impacts that come at fixed angles have lines of their own, which were taken already.
            part = float(np.clip((depth * (left + float(excess[a:b].sum())) - own) / left, 0.0, 1.0))
            place = by_place.setdefault((a, b), {})
            place[number] = max(place.get(number, 0.0), part)
    found = []
    taken = np.zeros(hz.size, dtype=np.float32)
    for (a, b), parts in sorted(by_place.items()):
        for number, part in parts.items():
            allowed = min(part, 1.0 - float(taken[a:b].max()))
            if allowed > 0:
                found.append((number, a, b, allowed))
                taken[a:b] += allowed
    return found


def _dulled(hz: Array, rate: float) -> Array:
    """Share of its mean square that a frequency keeps when samples, oversampled twice, are laid on angle by straight
    lines: at a place u between two samples (1 - u)² + u² + 2 u (1 - u) cos w, on average (2 + cos w) / 3."""
    return np.asarray((2.0 + np.cos(np.pi * np.minimum(hz / rate, 0.5))) / 3.0)


def _drift(samples: NDArray[np.float32], rate: float) -> float:
    """Mean square of the means of short blocks about their own mean."""
    block = round(BLOCK_S * rate)
    count = samples.size // block
    if count < 2:
        return 0.0
    return float(samples[: count * block].reshape(count, block).mean(axis=1, dtype=np.float64).var())
