"""How high the lines of every comb stand in every group of bands, kept for comparison with later captures."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from vibe.core.evidence import CombEvidence
from vibe.core.past import Trace, TraceBand
from vibe.spectra.bands import BandEnvelopes
from vibe.spectra.comb import CombRequest
from vibe.spectra.envelope_spectrum import EnvelopeSpectra
from vibe.spectra.ground import Families

HALF_BINS = 2.5
"""Bins either side of a line that an innocent owns."""
SAME_ORDER = 1e-6
COUNTED = (3, 8, 32)
"""Harmonics over which the mean is taken: a broad impact has few, a sharp one many."""
BESIDE = (1, 2, 3, 4)
"""Harmonics whose predicted side lines are counted too, in a mean of its own."""


def trace(
    combs: Sequence[CombEvidence],
    requests: Sequence[CombRequest],
    spectra: EnvelopeSpectra,
    bands: Sequence[BandEnvelopes],
    families: Families,
    known: NDArray[np.bool_],
) -> Trace | None:
    """Lines of ``combs`` in all groups of ``spectra``, at the orders where each was found.

    Lines that innocents other than a tone itself own, and bins ``known`` (n,) to belong to other machines, are left
    out. Nothing that was found of other tones is, so that one capture is read as the next. None where stretches were
    averaged: their lines are no longer amplitudes over a floor.
    """
    if spectra.averages > 1 or not combs:
        return None
    by_name = {request.name: request for request in requests}
    rows = [_row(comb, by_name[comb.tone], spectra, families, known) for comb in combs]
    return Trace(
        tones=tuple(comb.tone for comb in combs),
        bands=tuple(
            TraceBand(
                channels=tuple(dict.fromkeys(bands[c].channel for c, _ in m)),
                low_hz=float(a),
                high_hz=float(b),
                lines=lines,
            )
            for lines in (*(f"{most} harmonics" for most in COUNTED), "side lines too")
            for m, a, b in zip(spectra.members, spectra.low_hz, spectra.high_hz, strict=True)
        ),
        over_floor_db=np.stack(rows).astype(np.float32),
        turns=1.0 / spectra.step,
    )


def _row(
    comb: CombEvidence,
    request: CombRequest,
    spectra: EnvelopeSpectra,
    families: Families,
    known: NDArray[np.bool_],
) -> NDArray[np.float64]:
    """Mean power over the floor of a comb's free lines, as an amplitude [dB], (lines counted, groups) in one row."""
    harmonics = np.arange(1, request.max_harmonic + 1, dtype=np.int64)
    tops, told = _tops(
        np.asarray(comb.order * harmonics, dtype=np.float64), harmonics, request, comb.order, spectra, families, known
    )
    means = [_mean(tops[told & (harmonics <= most)], spectra) for most in COUNTED]
    sides = np.array([k * comb.order + s * side for k in BESIDE for side in request.sidebands for s in (-1, 1)])
    if sides.size:
        count = np.repeat(BESIDE, sides.size // len(BESIDE))
        beside, free = _tops(sides, count, request, comb.order, spectra, families, known)
        means.append(_mean(np.concatenate([tops[told & (harmonics <= BESIDE[-1])], beside[free]]), spectra))
    else:
        means.append(_mean(tops[:0], spectra))
    return np.concatenate(means)


def _tops(
    orders: NDArray[np.float64],
    harmonics: NDArray[np.int64],
    request: CombRequest,
    order: float,
    spectra: EnvelopeSpectra,
    families: Families,
    known: NDArray[np.bool_],
) -> tuple[NDArray[np.float32], NDArray[np.bool_]]:
    """Highest power near each of ``orders`` (k,) in every group (k, groups), and which of them are free to tell."""
    power, step = spectra.power, spectra.step
    # Random slip smears higher harmonics over more bins; what cannot slip is met to a bin.
    half = np.maximum(1, harmonics // 2) if request.slips else np.ones_like(harmonics)
    middle = np.rint(orders / step).astype(np.int64)
    # Where harmonics lie so close that their windows meet, the floor itself would be read.
    free = (middle > half) & (middle + half < power.shape[1]) & (order > 2 * (half + 1) * step)
    tops = np.zeros((orders.size, power.shape[0]), dtype=np.float32)
    if not free.any():
        return tops, free
    bins = np.concatenate([np.arange(m - h, m + h + 1) for m, h in zip(middle[free], half[free], strict=True)])
    usable = ~_innocent(bins * step, request, families, step) & ~known[bins]
    ends = np.cumsum(2 * half[free] + 1)
    for k, end in zip(np.flatnonzero(free), ends, strict=True):
        own = slice(end - 2 * half[k] - 1, end)
        free[k] = usable[own].any()
        if free[k]:
            tops[k] = power[:, bins[own][usable[own]]].max(axis=1)
    return tops, free


def _mean(tops: NDArray[np.float32], spectra: EnvelopeSpectra) -> NDArray[np.float64]:
    """Mean of lines (k, groups) as an amplitude [dB], each group's highest left out: one alone may be anybody's, of a
    mesh that a changing speed smears out of its bins. A comb has more than one."""
    if len(tops) < 2:
        return np.full(spectra.power.shape[0], np.nan)
    rest = (tops.sum(axis=0, dtype=np.float64) - tops.max(axis=0)) / (len(tops) - 1)
    return np.asarray(5.0 * np.log10(np.maximum(rest, 1e-9)))


def _innocent(orders: NDArray[np.float64], request: CombRequest, families: Families, step: float) -> NDArray[np.bool_]:
    """At which orders (k,) an innocent other than the tone itself may have a line."""
    owners = [(f, h) for f, h in families.innocent if abs(f / request.order - 1.0) >= SAME_ORDER and f > 6 * step]
    if not owners:
        return np.zeros(orders.size, dtype=bool)
    order, most = (np.array(column, dtype=np.float64)[:, None] for column in zip(*owners, strict=True))
    nearest = np.clip(np.rint(orders / order), 1, most)
    return np.asarray(
        (np.abs(orders - nearest * order) <= HALF_BINS * step + families.speed_spread * orders).any(axis=0)
    )
