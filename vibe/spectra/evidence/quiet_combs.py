"""Scores of combs in the quiet places of the noise, to be compared with those of other captures of the same drive.

A score is compared with the scores of earlier captures, which were sought in the same window and in as many groups of
bands, so that these looks need no decoys. A comb that scores so high that it may have grown is weighed against the
decoys of its own capture as well: what a stronger comb leaves at its place is none of its growth.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import log

import numpy as np
from numpy.typing import NDArray

from vibe.core.evidence import CombEvidence
from vibe.spectra.envelope.bands import BandEnvelopes
from vibe.spectra.envelope.envelope_spectrum import EnvelopeSpectra
from vibe.spectra.evidence.comb import HARMONIC_SETS, CombRequest, CombScorer
from vibe.spectra.evidence.comb_evidence import weigh
from vibe.spectra.evidence.decoy_null import DecoyNull, Families

LEAST_SURPRISE = 1e-3
"""Chance of a growth above which nothing is said of it: the rate of a drive, shared by some ten tones."""


@dataclass(frozen=True, slots=True, kw_only=True)
class QuietCombs:
    """``scores`` (looks, tones) in units of -ln p, None where a look's bands do not pass the tone or it cannot slip;
    ``combs``: those that may have grown, each weighed in the look that shows it best, with all looks paid for."""

    scores: tuple[tuple[float | None, ...], ...]
    combs: tuple[CombEvidence, ...]


def quiet_combs(
    tones: Sequence[str],
    requests: Sequence[CombRequest],
    looks: Sequence[tuple[EnvelopeSpectra, Sequence[BandEnvelopes]]],
    families: Families,
    known: NDArray[np.bool_],
) -> QuietCombs:
    """What ``tones`` score in every one of ``looks``. Bins ``known`` (n,) belong to other machines."""
    scores: list[tuple[float | None, ...]] = []
    best: dict[str, CombEvidence] = {}
    # Pitch errors of what cannot slip show in quiet places too, and say nothing there.
    slipping = [request for request in requests if request.slips]
    for spectra, bands in looks:
        n = spectra.power.shape[1]
        outside = np.zeros(n, dtype=bool)
        outside[: known.size] = known[:n]
        passed = [r for r in slipping if HARMONIC_SETS[0] * r.order * max(r.carriers) <= spectra.top_order]
        scorer = CombScorer(spectra)
        readings = DecoyNull(scorer, requests, families, outside).read(passed)
        found = {request.name: reading.score for request, reading in zip(passed, readings, strict=True)}
        scores.append(tuple(found.get(tone) for tone in tones))
        asked = [name for name, score in found.items() if score >= _score_to_weigh(spectra) and name in tones]
        if not asked:
            continue
        for comb in weigh(spectra, bands, passed, families, known=outside, asked=asked, scorer=scorer).combs:
            paid = min(1.0, len(looks) * comb.false_alarm_probability)
            if comb.tone not in best or paid < best[comb.tone].false_alarm_probability:
                best[comb.tone] = replace(comb, false_alarm_probability=paid)
    return QuietCombs(scores=tuple(scores), combs=tuple(best.values()))


def _score_to_weigh(spectra: EnvelopeSpectra) -> float:
    """Score from which a comb may have grown: the largest of as many sums of noise as there are groups and sets of
    harmonics is their logarithm at least, and a growth exceeds it by that of its chance."""
    return log(spectra.power.shape[0] * len(HARMONIC_SETS)) - log(LEAST_SURPRISE)
