"""One damaged ring pin, lobe, output pin or gear tooth: hits at its own order, at one place of its own turn.

Sound parts differ by their pitch errors and therefore repeat at the same orders. What tells damage is that the
comb is no chance *and* that the turn, laid on the part's own body, shows one place standing out of the others.
"""

from __future__ import annotations

from vibe.core.evidence import CombEvidence
from vibe.core.health import Finding
from vibe.core.tones import Tone
from vibe.diagnosis.case import Case, chance_text, comb_items, order_text, probability

FAMILIES = ("ring pin", "lobe", "output pin", "gear tooth")
TWIN_SHARE = 0.25
"""A second place half a turn (or the discs' spacing) on, at least this strong, is the same part met by another disc."""

ADVICE = {
    "ring pin": "Look at the ring pins and their rollers where the map shows; a capture with a once-per-turn pulse at "
    "the same load names the pin.",
    "lobe": "Inspect the disc's flanks and the output pins, rollers and bores: vibration alone cannot part them.",
    "output pin": "Inspect output pins, rollers and disc bores, and the disc's flanks: vibration alone cannot part "
    "them.",
    "gear tooth": "Inspect the teeth and the oil for metal.",
}


def find(case: Case) -> list[Finding]:
    """At most one finding per comb; tones that share an order are named together."""
    groups: dict[str, list[Tone]] = {}
    for tone in case.tones.tones:
        if tone.damage and tone.family in FAMILIES and tone.id in case.combs:
            groups.setdefault(case.combs[tone.id].tone, []).append(tone)
    findings = []
    for tones in groups.values():
        comb = case.combs[tones[0].id]
        chance = _chance(case, comb)
        if chance is not None:
            findings.append(_finding(case, tones, comb, chance))
    return findings


def _chance(case: Case, comb: CombEvidence) -> float | None:
    """The larger of the two false-alarm probabilities when both tests are passed, else None."""
    limit = case.tone_alarm
    if comb.false_alarm_probability > limit:
        return None
    if comb.localisation is None:
        strong = comb.hit_over_floor_db >= case.settings.comb.hit_over_floor_from_db
        return comb.false_alarm_probability if strong else None
    if comb.localisation.false_alarm_probability > limit:
        return None
    if comb.hit_over_floor_db < case.settings.comb.localised_hit_over_floor_from_db:
        return None
    return max(comb.false_alarm_probability, comb.localisation.false_alarm_probability)


def _finding(case: Case, tones: list[Tone], comb: CombEvidence, chance: float) -> Finding:
    first, others = _named(tones, comb)
    place = ""
    if comb.localisation is not None and comb.localisation.peaks_deg:
        place = f", at {comb.localisation.peaks_deg[0]:.0f}° of its turn"
    return Finding(
        tone=first.id,
        component=first.component,
        defect=first.defect,
        probability=probability(chance, case.priors.get(first.family, 0.005)),
        false_alarm_probability=chance,
        severity=case.severity(comb.hit_over_floor_db),
        cannot_be_told_from=[tone.id for tone in others] + _coinciding(case, first, others),
        why=f"Hits repeat at order {order_text(comb.order)}{place}, {comb.hit_over_floor_db:+.1f} dB against the mean "
        f"of {comb.band_hz[0]:.0f}-{comb.band_hz[1]:.0f} Hz; the chance that a sound drive shows this is "
        f"{chance_text(chance)}.",
        evidence=comb_items(comb),
        advice=ADVICE[first.family],
    )


def _named(tones: list[Tone], comb: CombEvidence) -> tuple[Tone, list[Tone]]:
    """Which of several tones of one order comes first.

    An output pin or its roller reaches through all discs and speaks once for each; a lobe belongs to one disc. Two
    places at the discs' spacing speak for the pin (two damaged lobes on two discs, just so, would be a coincidence).
    """
    peaks = comb.localisation.peak_share if comb.localisation is not None else ()
    twin = len(peaks) > 1 and peaks[1] >= TWIN_SHARE
    ranked = sorted(tones, key=lambda tone: ((tone.meetings > 1) != twin, FAMILIES.index(tone.family)))
    return ranked[0], ranked[1:]


def _coinciding(case: Case, first: Tone, others: list[Tone]) -> list[str]:
    """Tones whose first harmonic lies exactly on this one's."""
    known = {tone.id for tone in others} | {first.id}
    found = []
    for pair in case.tones.coincidences:
        if pair.exact and pair.harmonic_a == pair.harmonic_b == 1 and first.id in (pair.tone_a, pair.tone_b):
            other = pair.tone_b if pair.tone_a == first.id else pair.tone_a
            if other not in known:
                found.append(other)
                known.add(other)
    return found
