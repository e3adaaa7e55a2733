"""One damaged ring pin, lobe, output pin, roller or gear tooth: impacts at its own order, at one place of its own turn.

Sound parts differ by their pitch errors and therefore repeat at the same orders. What shows damage is that the
comb is no chance *and* that the turn, laid on the part's own body, shows one place standing out of the others.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import gcd
from statistics import fmean

from vibe.core.evidence import TAKEN_DB, CombEvidence
from vibe.core.health import EvidenceItem, Finding
from vibe.core.tones import Tone
from vibe.diagnosis.case import (
    Case,
    chance_text,
    comb_items,
    is_long,
    order_text,
    probability,
    standing,
    tones_at,
)
from vibe.diagnosis.growth import grown_chance

FAMILIES = ("ring pin", "lobe", "output pin", "gear tooth", "roller")
TWIN_SHARE = 0.15
"""A second place at the discs' spacing, at least this strong, is the same part met by another disc. Discs share their
load unevenly, by up to a half (common practice): a quarter of the power, less what noise takes."""
TWIN_WITHIN_DEG = 15.0
"""How far from the discs' spacing that place may lie: ringing and noise move it less."""
PLACE_SHARE = 0.4
"""Share of a place's width to which its middle is trusted, as a half width: nine of ten simulated places lie within."""

ABSENT_DB = 9.0
"""By how much two lines that stand must exceed, in the mean, all lines between and below them for these to be missing:
as of bearings, three standard deviations of noise."""

FEWEST_EVERY = 3
"""Parts that would have to be damaged alike, and lie evenly round a turn, from which nobody believes it (common
practice)."""

ADVICE = {
    "ring pin": "Inspect the ring pins and their rollers at the place on the turn that is given; only a once-per-turn "
    "pulse numbers the pins.",
    "lobe": "Inspect the disc's flanks and the output pins, rollers and bores: vibration alone "
    "cannot distinguish them.",
    "output pin": "Inspect output pins, rollers and disc bores, and the disc's flanks: vibration alone cannot "
    "distinguish them.",
    "gear tooth": "Inspect the teeth and the oil for metal.",
    "roller": "Take the rollers off their pins and inspect rollers, pins and running surfaces.",
}
PIN_ADVICE = "Inspect output pins and their rollers, then the disc's bores: two discs contact the damaged part."


def find(case: Case) -> list[Finding]:
    """At most one finding per comb; tones that share an order are named together."""
    groups: dict[str, list[Tone]] = {}
    for tone in case.tones.tones:
        if tone.damage and tone.family in FAMILIES and tone.id in case.combs:
            groups.setdefault(case.combs[tone.id].tone, []).append(tone)
    findings = []
    for tones in groups.values():
        comb = case.combs[tones[0].id]
        if times_faster(comb, [tone.meetings for tone in tones]) > 1:
            continue
        chance = _chance(case, comb)
        if chance is None:
            chance = grown_chance(case, comb)
        if chance is not None:
            findings.append(_finding(case, tones, comb, chance))
    return findings


def times_faster(comb: CombEvidence, meetings: Sequence[int]) -> int:
    """How many times more often strikes what makes a comb of which only every third, fourth … line stands; 1 where
    lines between stand too, or where one part of several ``meetings`` makes just such lines: it is met so often in a
    turn, and evenly, where all discs meet it alike. Every second line may be two parts that lie opposite each other."""
    first = standing(comb)[:2]
    every = gcd(*first)
    if len(first) < 2 or every < FEWEST_EVERY or any(one % every == 0 for one in meetings):
        return 1
    levels = [line.over_floor_db for line in comb.lines[: max(first)]]
    between = [level for number, level in enumerate(levels, 1) if number not in first]
    missing = min(between) > TAKEN_DB and fmean(levels[one - 1] for one in first) >= fmean(between) + ABSENT_DB
    return every if missing else 1


def _chance(case: Case, comb: CombEvidence) -> float | None:
    """The larger of the two false-alarm probabilities when both tests are passed, else None."""
    limit = case.tone_alarm
    if comb.false_alarm_probability > limit:
        return None
    if comb.localisation is None:
        return comb.false_alarm_probability if _shows_without_place(case, comb) else None
    if comb.localisation.false_alarm_probability > limit:
        return None
    if comb.hit_over_floor_db < case.settings.comb.faintest_hit_over_floor_db:
        return None
    return max(comb.false_alarm_probability, comb.localisation.false_alarm_probability)


def _shows_without_place(case: Case, comb: CombEvidence) -> bool:
    """Whether a comb of a part that has no place on a turn shows damage: clear impacts, which double the envelope's
    power. Of a roller, which slips, so that no errors of what is fixed to a shaft fall on its lines, faint ones as well
    where a bearing's would show it: many lines, or surer by as much."""
    settings = case.settings.comb
    depth_db = comb.hit_over_floor_db
    if depth_db >= settings.clear_hit_over_floor_db:
        return True
    if not _slips(case, comb.tone) or depth_db < settings.faintest_bearing_hit_over_floor_db:
        return False
    stricter = case.tone_alarm / settings.inferred_stricter_by
    return len(standing(comb)) > 1 and (is_long(comb, settings) or comb.false_alarm_probability <= stricter)


def _finding(case: Case, tones: list[Tone], comb: CombEvidence, chance: float) -> Finding:
    twins = disc_places(comb, max(tone.meetings for tone in tones))
    first, others = _named(tones, twin=twins > 0)
    pin_is_sure = twins > 0 and first.family == "output pin"
    if pin_is_sure:
        others = [tone for tone in others if tone.family != "lobe"]
    place = _place(case, first, comb)
    return Finding(
        tone=first.id,
        component=first.component,
        defect=first.defect,
        probability=probability(chance, case.priors.get(first.family, 0.005)),
        false_alarm_probability=chance,
        severity=case.severity(comb.hit_over_floor_db),
        cannot_be_told_from=[tone.id for tone in others] + _coinciding(case, first, others, pin_is_sure=pin_is_sure),
        why=f"Impacts repeat at order {order_text(comb.order)}{place}, {comb.hit_over_floor_db:+.1f} dB relative to "
        f"the mean of {comb.band_hz[0]:.0f} to {comb.band_hz[1]:.0f} Hz; the chance that a sound drive shows this is "
        f"{chance_text(chance)}.",
        evidence=comb_items(comb) + _part_items(case, first, comb),
        advice=PIN_ADVICE if pin_is_sure else ADVICE[first.family],
    )


def _named(tones: list[Tone], *, twin: bool) -> tuple[Tone, list[Tone]]:
    """Which of several tones of one order comes first.

    An output pin or its roller reaches through all discs and shows once for each; a lobe belongs to one disc. Two
    places at the discs' spacing support the pin (two damaged lobes on two discs, just so, would be a coincidence).
    One place alone supports a lobe, or for a bore of one disc.
    """
    ranked = sorted(tones, key=lambda tone: ((tone.meetings > 1) != twin, FAMILIES.index(tone.family)))
    return ranked[0], ranked[1:]


def disc_places(comb: CombEvidence, meetings: int, least: float = TWIN_SHARE) -> int:
    """How many further places, ``least`` as strong, stand where other discs meet the part that makes the strongest."""
    return sum(share >= least for share in disc_shares(comb, meetings))


def disc_shares(comb: CombEvidence, meetings: int) -> list[float]:
    """Power of these places, over that of the strongest."""
    found = comb.localisation
    if found is None or meetings < 2:
        return []
    return [
        share
        for angle, share in list(zip(found.peaks_deg, found.peak_share, strict=True))[1:]
        if _off_spacing_deg(angle - found.peaks_deg[0], meetings) <= TWIN_WITHIN_DEG
    ]


def _off_spacing_deg(angle: float, meetings: int) -> float:
    """Distance [deg] of an angle from the nearest multiple of the discs' spacing that is not zero."""
    spacing = 360.0 / meetings
    nearest = min(max(round((angle % 360.0) / spacing), 1), meetings - 1)
    return abs(angle % 360.0 - nearest * spacing)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Part:
    """Number (from 1) of the part under the strongest place, how many numbers either side it may be, and the numbers
    it would be if another disc struck."""

    number: int
    within: int
    otherwise: tuple[int, ...]


def _part(case: Case, tone: Tone, comb: CombEvidence) -> _Part | None:
    found = comb.localisation
    if found is None or not found.peaks_deg or tone.fold is None:
        return None
    count = tone.fold.count
    place = found.peaks_deg[0] / 360.0 * count
    struck_by = _strikers(case, tone)
    numbers = [round(place + k * count / struck_by) % count + 1 for k in range(struck_by)]
    within = round(PLACE_SHARE * found.width_deg / 360.0 * count)
    return _Part(number=numbers[0], within=within, otherwise=tuple(n for n in numbers[1:] if n != numbers[0]))


def _strikers(case: Case, tone: Tone) -> int:
    """How many discs (of a lobe too, which is on one of them) or wheels pass the load at one turn of the frame."""
    if tone.family == "gear tooth":
        return tone.meetings
    stage = tone.id.split(".")[0]
    own = (other for other in case.tones.tones if other.id.split(".")[0] == stage and other.family in FAMILIES[:3])
    return max(other.meetings for other in own)


def _counted_from(case: Case, tone: Tone) -> str:
    """Which part is number 1."""
    assert tone.fold is not None
    if case.speed is None or case.speed.method != "tachometer":
        return "counted from where this capture starts, the way the load travels"
    # A frame that does not close with the input's turn has another part under load at every pulse.
    pulse = "the pulse" if tone.fold.order.denominator == 1 else "the first pulse of this capture"
    return f"number 1 being under load at {pulse} and the rest following the way the load travels"


def _place(case: Case, tone: Tone, comb: CombEvidence) -> str:
    """Where on its body the part is, in words; empty when nothing says."""
    found = comb.localisation
    if found is None or not found.peaks_deg:
        return ""
    part = _part(case, tone, comb)
    angle = f", at {found.peaks_deg[0]:.0f}° of its turn"
    if part is None or tone.fold is None:
        return angle
    near = "" if part.within == 0 else f", give or take {part.within}"
    other = "wheel" if tone.family == "gear tooth" else "disc"
    numbers = " or ".join(str(number) for number in part.otherwise)
    otherwise = f", or {numbers} if another {other} struck" if numbers else ""
    return (
        f"{angle} ({tone.fold.part} {part.number} of {tone.fold.count}{near}{otherwise}; {_counted_from(case, tone)})"
    )


def _part_items(case: Case, tone: Tone, comb: CombEvidence) -> list[EvidenceItem]:
    """The part's number as a value of its own."""
    part = _part(case, tone, comb)
    if part is None or tone.fold is None:
        return []
    text = f"which {tone.fold.part} of {tone.fold.count}, {_counted_from(case, tone)}"
    return [EvidenceItem(kind="part", text=text, value=float(part.number), channel=" + ".join(comb.channels))]


def _coinciding(case: Case, first: Tone, others: list[Tone], *, pin_is_sure: bool) -> list[str]:
    """Tones whose first harmonic lies exactly on this one's, or may slip onto it."""
    known = {tone.id for tone in others} | {first.id}
    found = []
    for pair in case.tones.coincidences:
        if pair.exact and pair.harmonic_a == pair.harmonic_b == 1 and first.id in (pair.tone_a, pair.tone_b):
            other = pair.tone_b if pair.tone_a == first.id else pair.tone_a
            if other not in known and not (pin_is_sure and case.tones.tone(other).family == "lobe"):
                found.append(other)
                known.add(other)
    # A bearing whose slip may bring it here shows at this order too.
    slipping = [name for name in tones_at(case, first.order, leave_out=first.id, ratios=(1.0,)) if _slips(case, name)]
    return found + [name for name in slipping if name not in known]


def _slips(case: Case, name: str) -> bool:
    return any(case.tones.tone(name).slip)
