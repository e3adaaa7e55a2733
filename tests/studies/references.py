"""Two reference detectors that say how near the limit a diagnosis is: one that knows everything, one from textbooks.

Both read captures as plain rows of samples (channels, n) and give a statistic that grows with the damage; what they
need to know beforehand is handed to them. Neither shares a step with the program under study except the running
median floor that is written here anew.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import fft
from scipy.ndimage import uniform_filter1d
from scipy.stats import norm

Array = NDArray[np.float64]
Complex = NDArray[np.complex64]

NOISE_WIDTH_HZ = 8.0
"""Width over which noise power is averaged: lines of the mesh count as noise where they are, and nowhere else."""
SHOCK_CEILING = 25.0
"""Envelope over its median at which it is cut; without it one stray shock is all that is seen."""
ANGLE_POINTS = 2**17
"""Places of equal angle on which an envelope is laid (6.5 kHz of envelope for ten seconds)."""
HIGHEST_LINE_HZ = 3000.0
"""Highest envelope line used: aliases of the envelope's own width stay above it."""
MOST_HARMONICS = 40
FEW_HARMONICS = 8
"""Of a tone whose higher lines are smeared by slip, when their power is not known."""
SIDEBANDS = 2
"""Sidebands of each predicted spacing either side of a harmonic."""
SLIP_SMEAR = 0.001
"""Random slip of rolling elements smears lines by this share of their order (what the simulated bearings do)."""
FLOOR_BINS = 201
DECOY_REACH_BINS = 150
DECOYS = 8000
TAIL = 400
"""Highest decoys, to whose excesses an exponential tail is fitted."""
MEASURED_SHARE = 0.95
"""Share of the comb's power in the lines that are weighed; the rest is too weak to tell anything."""


# --- the clairvoyant ---------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, eq=False)
class Known:
    """What the clairvoyant is given of a capture: ``turns`` (n,) of the input at each sample, the rate, and the tone:
    mean ``order`` of the repeats, ``sidebands`` in orders, whether its lines ``slip``."""

    turns: Array
    sample_rate_hz: float
    order: float
    sidebands: tuple[float, ...]
    slip: bool


@dataclass(frozen=True, slots=True, eq=False)
class Ears:
    """Weights (channels, m) with which whitened samples are filtered."""

    gain: NDArray[np.float32]


def noise_power(spectra: Complex, sample_rate_hz: float) -> NDArray[np.float32]:
    """Mean power per bin of one-sided transforms (channels, m), averaged over ``NOISE_WIDTH_HZ``."""
    width = max(3, round(NOISE_WIDTH_HZ / (sample_rate_hz / 2) * spectra.shape[1]))
    return uniform_filter1d(np.abs(spectra) ** 2, width, axis=1).astype(np.float32) + np.float32(1e-20)


def whitened(rows: NDArray[np.floating], noise: NDArray[np.float32]) -> Complex:
    """Transforms of rows (channels, n) over the root of the noise power."""
    return (fft.rfft(rows, axis=1) / np.sqrt(noise)).astype(np.complex64)


def ears_for(impact_power: Array, noise: NDArray[np.float32]) -> Ears:
    """The filter of the best quadratic detector of weak bursts of known power spectrum in Gaussian noise.

    The log likelihood ratio of a weak random signal is a quadratic form with weight S / N^2 per frequency (e.g. Kay,
    Fundamentals of Statistical Signal Processing II, 1998, ch. 5, from memory). On whitened samples that is an
    amplitude weight of root S / N. ``hit_power`` (channels, m) is the power spectrum S of one impact, in any unit.
    """
    ratio = impact_power / noise
    return Ears(np.sqrt(ratio / max(float(ratio.max()), 1e-30)).astype(np.float32))


def analytic(white: Complex, ears: Ears, n: int) -> Complex:
    """Filtered analytic signals (channels, n) of whitened transforms."""
    padded = np.zeros((white.shape[0], n), dtype=np.complex64)
    padded[:, : white.shape[1]] = white * ears.gain
    return np.asarray(fft.ifft(padded, axis=1), dtype=np.complex64)


def angle_lines(signals: Complex, turns: Array, *, cut: bool = True) -> Complex:
    """Envelope lines of the summed squared envelope of ``signals`` (channels, n), against the true angle.

    Bin k lies at order k / (turns covered). Hann-tapered, not normalised.
    """
    squared = (signals.real**2 + signals.imag**2).sum(axis=0)
    if cut:
        squared = np.minimum(squared, SHOCK_CEILING * np.median(squared))
    even = np.interp(np.linspace(turns[0], turns[-1], ANGLE_POINTS), turns, squared)
    even = (even - even.mean()) * np.hanning(ANGLE_POINTS)
    return np.asarray(fft.rfft(even), dtype=np.complex64)


def floor_of(power: Array) -> Array:
    """Running mean noise power along ``power`` (m,), from medians of blocks (the median of an exponential variable is
    ln 2 of its mean)."""
    hop = FLOOR_BINS // 2
    starts = np.arange(0, power.size - FLOOR_BINS, hop)
    windows = np.lib.stride_tricks.sliding_window_view(power, FLOOR_BINS)[starts]
    medians = np.median(windows, axis=1) / np.log(2.0)
    return np.asarray(np.interp(np.arange(power.size), starts + FLOOR_BINS / 2, np.maximum(medians, 1e-30)))


@dataclass(frozen=True, slots=True, eq=False)
class Template:
    """Bins (lines,) of a comb and their weights, which sum to one."""

    bins: NDArray[np.int64]
    weights: Array


def template_of(clean: Complex, known: Known, floor: Array, free: NDArray[np.bool_]) -> Template:
    """Weights of a tone's lines: their power in the damage alone over the floor of the sound capture.

    ``clean`` (m,) are the envelope lines of the damage alone; ``floor`` (m,) the noise power at each bin, lines of
    benign sources added; ``free`` (m,) is False where nothing may be read.
    """
    chosen = _lines_of(known, clean.size, MOST_HARMONICS)
    weight = np.where(chosen & free, np.abs(clean) ** 2 / floor, 0.0)
    order = np.argsort(weight)[::-1]
    share = np.cumsum(weight[order]) / max(float(weight.sum()), 1e-30)
    bins = np.sort(order[: int(np.searchsorted(share, MEASURED_SHARE)) + 1])
    total = float(weight[bins].sum())
    return Template(bins.astype(np.int64), weight[bins] / total if total > 0 else np.zeros(bins.size))


def flat_template(known: Known, floor: Array, excess: Array, free: NDArray[np.bool_]) -> Template:
    """A tone's lines with equal weights, less where sound parts speak themselves (``excess`` over the floor): what is
    left to do for a detector that is given bands and angle, but not how the damage shares its power among its lines."""
    chosen = _lines_of(known, floor.size, FEW_HARMONICS if known.slip else MOST_HARMONICS)
    bins = np.flatnonzero(chosen & free)
    weight = 1.0 / excess[bins]
    total = float(weight.sum())
    return Template(bins.astype(np.int64), weight / total if total > 0 else weight)


def _lines_of(known: Known, size: int, harmonics: int) -> NDArray[np.bool_]:
    """Bins (size,) at a tone's harmonics and sidebands, as wide as its slip smears them."""
    covered = float(known.turns[-1] - known.turns[0])
    duration = known.turns.size / known.sample_rate_hz
    last = min(size - 1, int(HIGHEST_LINE_HZ * duration))
    chosen = np.zeros(size, dtype=bool)
    shifts = {0.0} | {s * k * side for side in known.sidebands for k in range(1, SIDEBANDS + 1) for s in (-1, 1)}
    for harmonic in range(1, harmonics + 1):
        for shift in shifts:
            where = (harmonic * known.order + shift) * covered
            half = 1 + (int(SLIP_SMEAR * where) if known.slip else 0)
            middle = round(where)
            if 4 < middle < last:
                chosen[max(4, middle - half) : middle + half + 1] = True
    return chosen


def comb_statistic(lines: Complex, template: Template, floor: Array) -> float:
    """Weighted power over the floor of a tone's lines; about 1 where nothing is."""
    return float((template.weights * (np.abs(lines[template.bins]) ** 2 / floor[template.bins])).sum())


def decoy_threshold(
    lines: Complex, template: Template, floor: Array, free: NDArray[np.bool_], chance: float, rng: np.random.Generator
) -> float:
    """The statistic that a comb of the same weights exceeds with probability ``chance`` where nothing is.

    Every run of neighbouring bins of the comb is moved by a distance of its own, within ``DECOY_REACH_BINS``, to free
    bins of the same sound capture; an exponential law is fitted to the highest of ``DECOYS`` such combs.
    """
    power = np.where(free, np.abs(lines) ** 2 / floor, np.nan)
    runs = np.split(np.arange(template.bins.size), np.flatnonzero(np.diff(template.bins) > 1) + 1)
    total = np.zeros(DECOYS)
    for run in runs:
        bins, weights = template.bins[run], template.weights[run]
        places = bins[:, None] + np.arange(-DECOY_REACH_BINS, DECOY_REACH_BINS + 1)[None, :]
        near = power[np.clip(places, 4, power.size - 1)]
        moved = np.einsum("b,bs->s", weights, near)
        good = np.flatnonzero(np.isfinite(moved))
        if good.size < 20:
            # A run too wide to find room among other families' lines: bin by bin.
            moved = weights.sum() * np.nanmean(near, axis=0)
            good = np.flatnonzero(np.isfinite(moved))
        if good.size:
            total += moved[rng.choice(good, DECOYS)]
    highest = np.sort(total)[-TAIL:]
    scale = max(float((highest - highest[0]).mean()), 1e-12)
    return float(highest[0] + scale * np.log(TAIL / DECOYS / chance))


def sound_threshold(statistics: Sequence[float], chance: float) -> float:
    """The value that a sound drive exceeds with probability ``chance``: a normal law of the logarithms."""
    logs = np.log(np.maximum(np.asarray(statistics), 1e-12))
    return float(np.exp(logs.mean() + norm.isf(chance) * logs.std(ddof=1)))


# --- the textbook recipe -----------------------------------------------------------------------------------------

LEVELS = (2, 4, 8, 16, 32)
"""Numbers of equal bands into which half the sample rate is cut, as in J. Antoni, Mech. Syst. Signal Process. 21
(2007) 108-124 (dyadic version)."""
WITHIN = 0.015
"""Relative distance from the tone's order within which the peak may lie."""
KURTOSIS_BLOCKS = 10
"""Kurtosis is the median over this many blocks and shocks are cut, so that one stray shock does not choose the band:
more than the recipe asks for, and without it the recipe fails on every capture with a shock."""
MEDIAN_REACH = 100
"""Bins either side of the tone over which the median is taken."""


def dyadic_bands(rows: NDArray[np.floating]) -> list[Complex]:
    """Analytic signals of every dyadic band, critically sampled: one (channels, bands, samples) array per level."""
    n = rows.shape[1]
    spectra = fft.rfft(rows - rows.mean(axis=1, keepdims=True), axis=1)[:, : n // 2].astype(np.complex64)
    found = []
    for count in LEVELS:
        width = spectra.shape[1] // count
        cut = spectra[:, : width * count].reshape(rows.shape[0], count, width)
        found.append(np.asarray(fft.ifft(cut, axis=2), dtype=np.complex64))
    return found


def textbook_lines(bands: Sequence[Complex]) -> Array:
    """Power of the squared envelope's lines in the band of greatest spectral kurtosis; bin k lies at k / duration.

    Kurtosis of a complex envelope is E|z|^4 / (E|z|^2)^2 - 2, zero for Gaussian noise (Antoni 2007). The lowest band
    of each level holds the running speed itself and is left out, as recipes advise.
    """
    best, chosen = -np.inf, np.zeros(4)
    for level in bands:
        squared = level.real**2 + level.imag**2
        size = squared.shape[2] // KURTOSIS_BLOCKS
        blocks = squared[:, :, : size * KURTOSIS_BLOCKS].reshape(*squared.shape[:2], KURTOSIS_BLOCKS, size)
        square = np.maximum(blocks.mean(axis=3), 1e-30) ** 2
        kurtosis = np.median((blocks**2).mean(axis=3) / square, axis=2) - 2.0
        kurtosis[:, 0] = -np.inf
        spot = np.unravel_index(int(kurtosis.argmax()), kurtosis.shape)
        if kurtosis[spot] > best:
            best, chosen = float(kurtosis[spot]), squared[spot]
    chosen = np.minimum(chosen, SHOCK_CEILING * np.median(chosen))
    # A critically sampled envelope of n / 2 / count samples passes lines up to half of that.
    return np.asarray(np.abs(fft.rfft((chosen - chosen.mean()) * np.hanning(chosen.size))) ** 2, dtype=np.float64)


def peak_over_median(power: Array, duration_s: float, frequency_hz: float) -> float:
    """Highest line within ``WITHIN`` of ``frequency_hz`` over the local median; 0 where the band does not reach."""
    middle = frequency_hz * duration_s
    half = max(1, int(np.ceil(WITHIN * middle)))
    spot = round(middle)
    if spot + half >= power.size:
        return 0.0
    low = max(2, spot - MEDIAN_REACH - half)
    around = power[low : min(power.size, spot + half + MEDIAN_REACH)]
    return float(power[max(2, spot - half) : spot + half + 1].max() / max(float(np.median(around)), 1e-30))


def textbook_threshold(sound: Sequence[float], places: float, chance: float) -> float:
    """What the peak of a sound drive exceeds with probability ``chance``: the larger of what measured sound captures
    say (:func:`sound_threshold`) and what chance among ``places`` bins of noise says."""
    return max(sound_threshold(sound, chance), float(np.log(max(places, 1.0) / chance) / np.log(2.0)))
