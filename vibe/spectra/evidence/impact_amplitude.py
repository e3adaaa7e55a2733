"""How large the impacts behind a comb are, and how large they would have to be to be seen."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import sqrt

import numpy as np
from numpy.typing import NDArray
from scipy.special import gammainccinv

from vibe.core.evidence import CombEvidence, CombLine
from vibe.core.outside_combs import LEAST_ERROR, SURELY_OFF
from vibe.spectra.basic.fft import once
from vibe.spectra.envelope.bands import BandEnvelopes
from vibe.spectra.envelope.envelope_spectrum import EnvelopeSpectra
from vibe.spectra.evidence.comb import STILL_A_LINE
from vibe.spectra.evidence.decoy_null import CombReading

ALMOST_AS_SURE = 0.7
"""Share of the best group's summed log power from which another group may give the size."""
LEAST_ERROR_BINS = 0.1
"""Standard error of one line's place, at least: of a line 15 dB over the floor, sqrt(3 / (2 pi^2 31)) = 0.07 of the
resolution (Rife & Boorstyn, IEEE Trans. Inf. Theory 20 (1974) 591-598, from memory), and windows make it a little
more."""
LONE_ERROR_BINS = 0.5
"""The same of a single line, which may be anybody's next to the place (common practice)."""
HALF_THERE = 1e-3
"""False-alarm probability at which a comb's own group of bands counts half for its detection limit: the one at which
limits are stated."""
STRAY_BINS = 1.0
"""Distance from all other lines' place from which on a line is somebody else's (common practice)."""


def measured(
    spectra: EnvelopeSpectra, bands: Sequence[BandEnvelopes], reading: CombReading, limit_score: float,
    false_alarm: float = 0.0,
) -> CombEvidence:  # fmt: skip
    """Lines, strength and detection limit of a comb in the group of bands where its impacts are strongest."""
    sizes = _sizes(spectra, bands, reading)
    group = sizes.deepest
    slip = reading.request.slips
    count = max(reading.harmonics, 3)
    sides = [
        (where, harmonic)
        for harmonic in range(1, min(count, 4) + 1)
        for spacing in reading.request.sidebands
        for where in (reading.order * harmonic - spacing, reading.order * harmonic + spacing)
        if where > 0
    ]
    most = max(count, reading.request.max_harmonic) if slip else count
    # Own lines, then those further up, then side lines.
    asked = [(reading.order * harmonic, harmonic) for harmonic in range(1, most + 1)] + sides
    over, amplitudes = _lines_at(spectra, group, asked, slip=slip)
    levels = (10 * np.log10(np.maximum(over, 1e-9))).tolist()
    shown = [CombLine(order=where, over_floor_db=level) for (where, _), level in zip(asked, levels, strict=True)]
    # The floor's own share of the line's power is taken off.
    depth = 0.0
    for ratio, amplitude in zip(over[:count].tolist(), amplitudes[:count].tolist(), strict=True):
        depth += amplitude * sqrt(max(0.0, 1 - 1 / max(ratio, 1.0)))
    members = spectra.members[group]
    rms = float(_rms_of_groups(spectra.floor, bands, spectra.members)[group])
    place, place_error = placed(spectra, reading)
    # A comb of five equal lines that together reach the limit: each needs about this power over the floor, less of it
    # the more segments were averaged.
    rare = float(np.exp(-(max(limit_score, 5.0) / 5.0 + 1.0)))
    each = 5 * np.sqrt(gammainccinv(spectra.averages, rare) / spectra.averages - 1 + 1 / spectra.averages)
    floor, limit_rms = _floor_and_rms(spectra, bands, group, false_alarm)
    needed = each * floor
    return CombEvidence(
        tone=reading.request.name,
        order=reading.order / reading.carrier if slip else reading.request.order,
        score=reading.score,
        false_alarm_probability=1.0,
        places_searched=0,
        decoys=0,
        lines=tuple(shown[:count]),
        sideband_lines=tuple(shown[most:]),
        band_hz=(float(spectra.low_hz[group]), float(spectra.high_hz[group])),
        channels=tuple(dict.fromkeys(bands[c].channel for c, _ in members)),
        hit_m_s2=float(np.sqrt(2 * depth)) * rms,
        hit_over_floor_db=decibels(depth),
        limit_m_s2=float(np.sqrt(2 * needed)) * limit_rms,
        limit_over_floor_db=decibels(needed),
        impact_m_s2=sizes.impact_m_s2,
        surest_band_hz=(float(spectra.low_hz[reading.group]), float(spectra.high_hz[reading.group])),
        surest_channels=tuple(dict.fromkeys(bands[c].channel for c, _ in spectra.members[reading.group])),
        place=place,
        place_error=place_error,
        further=tuple(line for line, ratio in zip(shown[count:most], over[count:most], strict=True) if ratio > 0),
    )


def _lines_at(
    spectra: EnvelopeSpectra, group: int, asked: Sequence[tuple[float, int]], *, slip: bool
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Power over the floor, and amplitude (lines,), of the highest bin at each of the lines ``asked``, (order,
    harmonic) each; nothing where that does not lie on the axis."""
    power = spectra.power[group]
    spots = []
    for order, harmonic in asked:
        middle, half = round(order / spectra.step), max(1, harmonic // 2) if slip else 1
        on_axis = half < middle < power.size - half
        # Bin zero is never a line's.
        spots.append(middle - half + int(power[middle - half : middle + half + 1].argmax()) if on_axis else 0)
    there = np.array(spots)
    amplitude, floor = np.sqrt(spectra.squared[group, there]), spectra.floor[group, there]
    over = np.array([one**2 / noise for one, noise in zip(amplitude, floor, strict=True)])
    return np.where(there, over, 0.0).astype(np.float64), np.where(there, amplitude, 0.0).astype(np.float64)


def placed(spectra: EnvelopeSpectra, reading: CombReading) -> tuple[float | None, float | None]:
    """The order from all lines of a comb that stand, and its relative standard error; None where none stands.

    The k-th line gives the order k times as closely as the first, so that bins are fitted by k times the order, least
    squares; how far the lines lie off the fit is what one line's place is worth. A line far off is left out once.
    """
    power, step = spectra.power[reading.group], spectra.step
    order = reading.order
    numbers: list[int] = []
    bins: list[float] = []
    weighted, weights = 0.0, 0
    for harmonic in range(1, max(reading.harmonics, reading.request.max_harmonic) + 1):
        middle = round(harmonic * order / step)
        half = max(1, min(harmonic // 2, 4)) if reading.request.slips and not numbers else 1
        if not half + 1 < middle < power.size - half - 2:
            break
        spot = middle - half + int(power[middle - half : middle + half + 1].argmax())
        if power[spot] < STILL_A_LINE:
            continue
        a, b, c = np.sqrt(power[spot - 1 : spot + 2]).tolist()
        numbers.append(harmonic)
        # Where a line lies between the bins of a Hann window, from the amplitudes of three.
        bins.append(spot + 2 * (c - a) / (a + 2 * b + c))
        weighted, weights = weighted + harmonic * bins[-1], weights + harmonic * harmonic
        order = weighted / weights * step
    if not numbers:
        return None, None
    k, at = np.array(numbers, dtype=np.float64), np.array(bins)
    near = np.abs(at - k * order / step) <= STRAY_BINS
    if near.sum() >= 2:
        k, at = k[near], at[near]
    fit = float(k @ at / (k @ k))
    each = LONE_ERROR_BINS
    if k.size > 1:
        each = max(LEAST_ERROR_BINS, float(np.sqrt(np.sum((at - k * fit) ** 2) / (k.size - 1))))
    return fit * step / reading.carrier, each / float(np.sqrt(k @ k)) / fit


def surely_off(
    spectra: EnvelopeSpectra, reading: CombReading, order: float, speed_spread: float, other_speeds: float = 0.0
) -> bool:
    """Whether all lines of a comb together lie off ``order``; ``speed_spread`` is three relative standard deviations of
    the speed, ``other_speeds`` how far, relative, others lie that are not excluded. False where no line stands."""
    place, error = placed(spectra, reading)
    if place is None or error is None:
        return False
    reach = SURELY_OFF * float(np.hypot(max(error, LEAST_ERROR), speed_spread / 3))
    return abs(place / order - 1) > reach + other_speeds


@dataclass(frozen=True, slots=True, kw_only=True)
class _Sizes:
    """The group in which impacts are deepest, and the peak of one impact where it is largest."""

    deepest: int
    impact_m_s2: float


def _sizes(spectra: EnvelopeSpectra, bands: Sequence[BandEnvelopes], reading: CombReading) -> _Sizes:
    """Of the groups that show a comb almost as surely as the best one, that with the deepest modulation.

    The score counts strong lines by their logarithm, so it shows presence well and size badly. Depth is a ratio: it
    cannot grow once there is nothing but impacts, and it is greatest where the band itself is quiet. How large an
    impact is shows the band that carries most of it; there its estimate grows with the damage for as long as it does.
    """
    slip = reading.request.slips
    counted = max(reading.harmonics, 3)
    spots = []
    for harmonic in range(1, max(counted, reading.request.max_harmonic) + 1):
        middle, half = round(reading.order * harmonic / spectra.step), max(1, harmonic // 2) if slip else 1
        if not half < middle < spectra.power.shape[1] - half:
            break
        near = spectra.power[:, middle - half : middle + half + 1]
        if harmonic > counted and near.max() < STILL_A_LINE:
            break
        spots.append(near.argmax(axis=1) + (middle - half))
    groups = spectra.power.shape[0]
    lines = np.arange(groups), np.array(spots, dtype=np.intp).reshape(-1, groups)
    power, amplitude = spectra.power[lines], np.sqrt(spectra.squared[lines])
    noise = spectra.floor[lines] / np.maximum(amplitude**2, 1e-30)
    own = amplitude * np.sqrt(np.maximum(0.0, 1 - noise))
    surprise = np.log(np.maximum(power[:counted], 1.0)).sum(axis=0, dtype=np.float64)
    depth = own[:counted].sum(axis=0, dtype=np.float64)
    # How many harmonics showed best that the comb is there says nothing of how sharp an impact is.
    further = np.where(power[counted:] >= STILL_A_LINE, own[counted:], 0.0).sum(axis=0, dtype=np.float64)
    sure = np.flatnonzero(surprise >= ALMOST_AS_SURE * surprise.max())
    rms = _rms_of_groups(spectra.floor, bands, spectra.members)[sure]
    return _Sizes(
        deepest=int(sure[depth[sure].argmax()]),
        impact_m_s2=float((np.sqrt(2 * (depth + further)[sure]) * rms).max()),
    )


def _floor_and_rms(
    spectra: EnvelopeSpectra, bands: Sequence[BandEnvelopes], group: int, false_alarm: float
) -> tuple[float, float]:
    """The floor's amplitude and the r.m.s. [m/s^2] in the bands in which a comb would be seen.

    Of one that is there: its ``group``. Where nothing is, rounding would choose one group or another, and nobody knows
    where it would ring: then the mean of all groups in decibels.
    """
    floors, rms = _usual_floors(spectra.floor), _rms_of_groups(spectra.floor, bands, spectra.members)
    there = HALF_THERE / (HALF_THERE + false_alarm)
    weights = np.full(floors.size, (1 - there) / floors.size)
    weights[group] += there
    floor, usual_rms = (float(np.exp(weights @ np.log(np.maximum(one, 1e-30)))) for one in (floors, rms))
    return floor, usual_rms


@once
def _usual_floors(floor: NDArray[np.float32]) -> NDArray[np.float64]:
    """Of each group (groups,) the floor's usual amplitude; it is straight between bins far apart, so that every
    sixteenth has the same median."""
    return np.sqrt(np.median(floor[:, ::16], axis=1)).astype(np.float64)


@once
def _rms_of_groups(
    _floor: NDArray[np.float32], bands: Sequence[BandEnvelopes], members: Sequence[Sequence[tuple[int, int]]]
) -> NDArray[np.float64]:
    """Root mean square [m/s^2] of each group (groups,) of ``members`` of ``bands``, kept with the floor of their
    spectra."""
    powers = _band_powers(bands)
    return np.array([_group_rms(powers, group) for group in members])


def _band_powers(bands: Sequence[BandEnvelopes]) -> list[list[float]]:
    """Mean square of every band of every channel, as plain numbers: they are added up a few at a time."""
    return [np.square(band.band_rms).tolist() for band in bands]


def _group_rms(powers: Sequence[Sequence[float]], members: Sequence[tuple[int, int]]) -> float:
    """Root mean square [m/s^2] of a group of bands in one channel, the mean over those that it holds."""
    sums: dict[int, float] = {}
    for channel, band in members:
        sums[channel] = sums.get(channel, 0.0) + powers[channel][band]
    return float(np.sqrt(sum(sums.values()) / len(sums)))


def decibels(ratio: float) -> float:
    """A ratio of powers in dB; -90 dB for nothing."""
    return float(10 * np.log10(max(ratio, 1e-9)))
