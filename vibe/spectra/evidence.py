"""Asked-for orders, weighed one after another: the strongest first, its lines taken out before the next is read."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from vibe.core.evidence import CombEvidence
from vibe.spectra.bands import BandEnvelopes
from vibe.spectra.comb import CombRequest, CombScorer, EnvelopeSpectra
from vibe.spectra.ground import BLOCK, CombReading, Families, Ground, grown
from vibe.spectra.size import decibels, measured
from vibe.spectra.tail import Tail

MOST_SUSPECTS = 5
"""Strongest combs that are tried one after another."""
PLAUSIBLE = 0.5
"""False-alarm probability up to which a suspect's lines are kept from the others: nobody's decoys, nobody's proof."""
MOST_STRANGERS = 2
STRANGER_FALSE_ALARM = 1e-4
"""A stranger takes lines away from everybody else, so it must be surer than they."""
SIDEBANDS_CLEARED = 4
"""Sidebands either side of a found tone's harmonics that are taken out with it."""
LEAST_BINS_APART = 30
"""Bins between the harmonics of a comb from which its own lines are left out of its decoys."""
MOST_OWNED = 0.65
"""Share of the axis that a comb with its sidebands may own."""
MOST_CLEARED = 40
"""Harmonics of a found comb that are taken out, where random slip smears them; all of them where it does not."""
GROWN_SHARE = 0.02
"""How far a line may be smeared, relative to its comb's order."""
FLATTERY = 1.5
"""Taking a comb's own lines out of its decoys flatters it by about this much, measured on bearing tones of sound drives
(the study of false alarms)."""
LEAST_FALSE_ALARM = 1e-9
"""No capture supports a smaller probability, however far the fitted tail is drawn out."""
LIMIT_FALSE_ALARM = 1e-3
"""False-alarm probability per tone at which the detection limit of a capture is stated."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Weighed:
    """Evidence for every request, in the order asked; and strangers: strong combs where nobody asked for one."""

    combs: tuple[CombEvidence, ...]
    strangers: tuple[CombEvidence, ...]
    owned: tuple[tuple[str, NDArray[np.bool_]], ...] = ()
    """Bins (n,) of each plausible comb, by tone."""


def weigh(
    spectra: EnvelopeSpectra,
    bands: Sequence[BandEnvelopes],
    requests: Sequence[CombRequest],
    families: Families,
    *,
    known: NDArray[np.bool_] | None = None,
) -> Weighed:
    """Evidence for every request and for strangers that outshine them.

    The strongest combs are taken one after another, each one's lines and sidebands masked before the next is read, so
    that one defect's lines are not counted twice. A comb at an order that nobody asked for takes its lines with it
    too: what it makes at other orders is its own. ``known`` (n,) marks lines that are explained beforehand.
    ``requests`` must not share an order.
    """
    explained = np.zeros(spectra.power.shape[1], dtype=bool) if known is None else known
    whole = Ground(CombScorer(spectra), requests, families, explained)
    waiting = list(requests)
    strangers: list[CombEvidence] = []
    claims: list[tuple[str, NDArray[np.bool_]]] = []
    suspects: list[tuple[CombReading, NDArray[np.bool_]]] = []
    done: dict[str, CombEvidence] = {}
    while waiting and len(suspects) + len(done) < MOST_SUSPECTS:
        ground = whole.explaining(explained)
        best = _first([ground.read(request) for request in waiting], spectra)
        own = _lines_mask(spectra, best)
        if not suspects and best.request.slips and len(strangers) < MOST_STRANGERS:
            stranger = ground.stranger()
            if stranger is not None and _outshines(spectra, bands, stranger, best):
                beyond = explained | _lines_mask(spectra, stranger)
                evidence = _judge(bands, stranger, whole.explaining(beyond))
                if evidence.false_alarm_probability <= STRANGER_FALSE_ALARM:
                    strangers.append(evidence)
                    claims.append((evidence.tone, beyond & ~explained))
                    explained = beyond
                    continue
        waiting.remove(best.request)
        evidence = _judge(bands, best, whole.explaining(_null(spectra, best, explained, own)))
        if evidence.false_alarm_probability <= PLAUSIBLE:
            suspects.append((best, own))
            explained = explained | own
        else:
            done[best.request.name] = evidence
    for best, own in suspects:
        null = _null(spectra, best, explained, own)
        done[best.request.name] = _judge(bands, best, whole.explaining(null))
    ground = whole.explaining(explained)
    for request in waiting:
        done[request.name] = _judge(bands, ground.read(request), ground)
    claims += [(best.request.name, own) for best, own in suspects]
    return Weighed(
        combs=tuple(done[request.name] for request in requests), strangers=tuple(strangers), owned=tuple(claims)
    )


def _null(
    spectra: EnvelopeSpectra, reading: CombReading, explained: NDArray[np.bool_], own: NDArray[np.bool_]
) -> NDArray[np.bool_]:
    """Bins that a comb's decoys may not use: what is explained, and its own lines, which speak at its sums and
    differences. Not these where harmonics lie close: that would take out the noise that made the score as well."""
    roomy = reading.order / reading.carrier > LEAST_BINS_APART * spectra.step
    return explained | own if roomy else explained & ~own


def _outshines(
    spectra: EnvelopeSpectra, bands: Sequence[BandEnvelopes], stranger: CombReading, best: CombReading
) -> bool:
    """Whether a stranger is the cause of what ``best`` shows rather than the other way round: surer, and of deeper
    hits. A comb's own lines are deeper than those of its sums and differences with the shaft."""
    if stranger.score <= best.score:
        return False
    own, other = (measured(spectra, bands, reading, 0.0).hit_over_floor_db for reading in (stranger, best))
    return own > other


def _first(readings: Sequence[CombReading], spectra: EnvelopeSpectra) -> CombReading:
    """The strongest reading, unless its lines are harmonics of one of its own modulators.

    A comb whose order is a whole multiple of its sidebands' spacing is no comb with sidebands: it is the slower comb,
    whose own first harmonics are then as strong (a cage that strikes looks like a rolling element with cage
    sidebands; a damaged rolling element makes strong lines of its own and weak ones of the cage).
    """
    best = max(readings, key=lambda reading: reading.score)
    for other in readings:
        modulates = any(abs(other.request.order / side - 1) < 0.05 for side in best.sidebands)
        ratio = best.order / other.order
        if not modulates or abs(ratio - round(ratio)) > 0.02:
            continue
        if _first_lines_db(spectra, best.group, other.order) > _first_lines_db(spectra, best.group, best.order) - 3.0:
            return other
    return best


def _first_lines_db(spectra: EnvelopeSpectra, group: int, order: float) -> float:
    """Mean level over the floor of the first three harmonics [dB]."""
    power = spectra.power[group]
    middles = [round(harmonic * order / spectra.step) for harmonic in (1, 2, 3)]
    peaks = [float(power[max(0, m - 1) : m + 2].max(initial=0.0)) for m in middles]
    return float(np.mean([decibels(peak) for peak in peaks]))


def _judge(bands: Sequence[BandEnvelopes], reading: CombReading, ground: Ground) -> CombEvidence:
    """A reading's false-alarm probability on ``ground``, and what it measures."""
    request = reading.request
    decoys = ground.decoys(reading)
    tail = Tail.of(decoys)
    searched = max(1, round(reading.places / BLOCK)) * len(request.carriers) * (2 if request.sidebands else 1)
    probability = tail.exceedance(reading.score)
    fap = max(LEAST_FALSE_ALARM, float(-np.expm1(FLATTERY * searched * np.log1p(-min(probability, 1 - 1e-12)))))
    limit_score = tail.score_at(LIMIT_FALSE_ALARM / (FLATTERY * searched))
    return replace(
        measured(ground.scorer.spectra, bands, reading, limit_score),
        false_alarm_probability=fap, places_searched=searched, decoys=int(decoys.size),
    )  # fmt: skip


def _lines_mask(spectra: EnvelopeSpectra, reading: CombReading) -> NDArray[np.bool_]:
    """Everything a found comb may own: harmonics, and sidebands at its modulators and at the input.

    Where these would own too much of the axis for anything else to be heard, the harmonics alone.
    """
    base = reading.order / reading.carrier
    # Only what is slower than the comb itself can modulate it.
    spacings = {side for side in {*reading.request.sidebands, *([1.0] if reading.request.slips else [])} if side < base}
    shifts = [s * k * side for side in spacings for k in range(1, SIDEBANDS_CLEARED + 1) for s in (-1, 1)]
    whole = _harmonics_mask(spectra, reading, [0.0, *shifts])
    return whole if whole.mean() <= MOST_OWNED else _harmonics_mask(spectra, reading, [0.0])


def _harmonics_mask(spectra: EnvelopeSpectra, reading: CombReading, shifts: Sequence[float]) -> NDArray[np.bool_]:
    """Bins (n,) of a comb's harmonics, each moved by ``shifts`` (in orders)."""
    n = spectra.power.shape[1]
    mask = np.zeros(n, dtype=bool)
    base, slip = reading.order / reading.carrier, reading.request.slips
    most = int(n * spectra.step / base)
    if slip:
        most = min(most, MOST_CLEARED)
    elif base < LEAST_BINS_APART * spectra.step:
        most = min(most, reading.harmonics)  # All of them would fill a part of the axis that others need.
    for harmonic in range(1, most + 1):
        half = 2 + (harmonic // 2 if slip else 0)
        if half > max(2.0, 0.2 * base / spectra.step):
            break  # Wider windows would run together and leave nothing to compare with.
        for shift in shifts:
            middle = round((harmonic * base + shift) / spectra.step)
            if -half <= middle < n + half:
                mask[max(0, middle - half) : middle + half + 1] = True
    return grown(mask, spectra.power[reading.group], GROWN_SHARE * base / spectra.step)
