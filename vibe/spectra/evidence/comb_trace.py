"""How high the lines of every comb stand in every group of bands, kept for comparison with later captures."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray
from scipy.special import digamma

from vibe.core.comb_history import HARMONICS, PLACES, SIDE_LINES_OF, SPACINGS, Trace, TraceBand, coded
from vibe.core.evidence import CombEvidence
from vibe.spectra.envelope.bands import BandEnvelopes
from vibe.spectra.envelope.envelope_spectrum import EnvelopeSpectra
from vibe.spectra.evidence.comb import CombRequest
from vibe.spectra.evidence.decoy_null import Families

HALF_BINS = 2.5
"""Bins either side of a line that a benign source owns."""
_HARMONIC = np.concatenate([np.arange(1, HARMONICS + 1), np.repeat(np.arange(1, SIDE_LINES_OF + 1), 2 * SPACINGS)])
"""Which harmonic each line of a comb (``PLACES``,) is or lies next to."""
SAME_ORDER = 1e-6
"""Relative difference of orders that are one: far below what any capture resolves, above rounding."""


def trace(
    combs: Sequence[CombEvidence],
    requests: Sequence[CombRequest],
    looks: Sequence[tuple[EnvelopeSpectra, Sequence[BandEnvelopes]]],
    families: Families,
    known: NDArray[np.bool_],
    quiet_scores: tuple[tuple[float | None, ...], ...] = (),
) -> Trace | None:
    """Lines of ``combs`` in all groups of all ``looks``, at the orders where each was found; those that slip in the
    first look alone, which is where they are weighed.

    Lines that benign sources other than a tone itself own, and bins ``known`` (n,) to belong to other machines, are
    left out. Nothing that was found of other tones is, so that one capture is read as the next. None where segments
    were averaged: their lines are no longer amplitudes over a floor.
    """
    looks = [(spectra, bands) for spectra, bands in looks if spectra.averages == 1]
    if not looks or not combs:
        return None
    by_name = {request.name: request for request in requests}
    parts, edges = [], []
    for number, (spectra, bands) in enumerate(looks):
        rows = np.full((len(combs), spectra.power.shape[0], PLACES), np.nan, dtype=np.float32)
        for row, comb in zip(rows, combs, strict=True):
            request = by_name[comb.tone]
            if number == 0 or not request.slips:
                row[:] = _row(comb.order, request, spectra, families, known[: spectra.power.shape[1]])
        parts.append(coded(rows))
        edges += [
            TraceBand(
                channels=tuple(dict.fromkeys(bands[c].channel for c, _ in members)),
                low_hz=float(low),
                high_hz=float(high),
            )
            for members, low, high in zip(spectra.members, spectra.low_hz, spectra.high_hz, strict=True)
        ]
    return Trace(
        tones=tuple(comb.tone for comb in combs),
        bands=tuple(edges),
        levels=np.concatenate(parts, axis=1),
        surest=tuple(_surest(comb, edges) for comb in combs),
        scores=tuple(comb.score for comb in combs),
        turns=1.0 / looks[0][0].step,
        quiet_scores=quiet_scores,
    )


def _surest(comb: CombEvidence, bands: Sequence[TraceBand]) -> int:
    """The first of ``bands`` in which a comb was weighed; -1 where it is none of them."""
    if comb.surest_band_hz is None:
        return -1
    wanted = TraceBand(channels=comb.surest_channels, low_hz=comb.surest_band_hz[0], high_hz=comb.surest_band_hz[1])
    return bands.index(wanted) if wanted in bands else -1


def _row(
    order: float, request: CombRequest, spectra: EnvelopeSpectra, families: Families, known: NDArray[np.bool_]
) -> NDArray[np.float32]:
    """Highest power near each line of a comb over what it is where nothing is (groups, ``PLACES``); NaN where no bin is
    free to tell."""
    power, step = spectra.power, spectra.step
    centres = _lines(order, request)
    # Random slip smears higher harmonics over more bins; what cannot slip is met to a bin.
    half = np.maximum(1, _HARMONIC // 2) if request.slips else np.ones_like(_HARMONIC)
    middle = np.rint(np.nan_to_num(centres) / step).astype(np.int64)
    # Where harmonics lie so close that their windows meet, the floor itself would be read.
    free = np.isfinite(centres) & (middle > half) & (middle + half < power.shape[1]) & (order > 2 * (half + 1) * step)
    top = np.full((power.shape[0], PLACES), np.nan, dtype=np.float32)
    places = np.flatnonzero(free)
    if not places.size:
        return top
    reach = np.arange(-int(half[places].max()), int(half[places].max()) + 1)
    bins = middle[places, None] + reach
    usable = np.abs(reach) <= half[places, None]
    usable &= ~known[np.minimum(bins, known.size - 1)]
    usable[usable] &= ~_benign(np.asarray(bins[usable] * step, dtype=np.float64), request, families, step)
    places, bins, usable = places[usable.any(axis=1)], bins[usable.any(axis=1)], usable[usable.any(axis=1)]
    if places.size:
        near = power[:, np.minimum(bins, power.shape[1] - 1)]
        top[:, places] = np.where(usable, near, 0.0).max(axis=2) / _largest(usable.sum(axis=1))
    return top


def _largest(bins: NDArray[np.int64]) -> NDArray[np.float32]:
    """Mean of the largest power among so many ``bins`` where nothing is, so that windows of all widths compare.

    The largest of m exponential values has the mean 1 + 1/2 + ... + 1/m; a Hann window leaves two thirds of the bins
    independent.
    """
    return np.asarray(digamma(np.maximum(1.0, bins / 1.5) + 1.0) + np.euler_gamma, dtype=np.float32)


def _lines(order: float, request: CombRequest) -> NDArray[np.float64]:
    """Order of each line of a comb (``PLACES``,); NaN where there is none."""
    sides = [sign * side for side in request.sidebands[:SPACINGS] for sign in (-1.0, 1.0)]
    sides += [np.nan] * (2 * SPACINGS - len(sides))
    centres = _HARMONIC * order
    centres[:HARMONICS][_HARMONIC[:HARMONICS] > request.max_harmonic] = np.nan
    centres[HARMONICS:] += sides * SIDE_LINES_OF
    return centres


def _benign(orders: NDArray[np.float64], request: CombRequest, families: Families, step: float) -> NDArray[np.bool_]:
    """At which orders (k,) a benign source other than the tone itself may have a line."""
    if not families.benign:
        return np.zeros(orders.size, dtype=bool)
    order, most = np.array(families.benign, dtype=np.float64).T[:, :, None]
    owners = (np.abs(order / request.order - 1.0) >= SAME_ORDER) & (order > 6 * step)
    order, most = order[owners][:, None], most[owners][:, None]
    nearest = np.clip(np.rint(orders / order), 1, most)
    return np.asarray(
        (np.abs(orders - nearest * order) <= HALF_BINS * step + families.speed_spread * orders).any(axis=0)
    )
