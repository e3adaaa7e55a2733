"""How bad a damage is: how large its impacts are against what that part bears, and what else counts for or against it.

In decibels, so that each reason can be said: the peak of an impact over the one from which damage of that part is
moderate; how far it stands out of its band; the vibration velocity at the point. More of any never means less.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import log10

from vibe.core.evidence import CombEvidence
from vibe.core.health import EvidenceItem, Finding
from vibe.core.tones import ToneTable
from vibe.diagnosis.bearing_elements import PARTS, RACES
from vibe.diagnosis.case import Case
from vibe.diagnosis.severity_scale import Weight


@dataclass(frozen=True, slots=True, kw_only=True)
class Size:
    """Size of a damage [dB] over the one from which it is moderate, with the sentence that explains it."""

    size_db: float
    reason: str


def graded(case: Case, finding: Finding) -> Finding:
    """The finding with the severity of its impacts; as it stands where it has none or their size is not known."""
    name = finding.shown_in
    comb = case.combs.get(name) or next((one for one in case.unmatched if one.tone == name), None)
    if comb is None or comb.impact_m_s2 is None:
        return finding
    # Lines are added up as if all peaked together; nothing is larger than the largest sample.
    largest = max((case.level(channel, "acceleration_peak") for channel in comb.channels), default=0.0)
    size = size_of(case, finding, comb, min(comb.impact_m_s2, largest) if largest > 0 else comb.impact_m_s2)
    item = EvidenceItem(
        kind="severity", text="size of the damage over that from which it is moderate", value=round(size.size_db, 1),
        unit="dB", channel=" + ".join(comb.channels),
    )  # fmt: skip
    return finding.model_copy(
        update={
            "severity": case.scale.grade(size.size_db, finding.growth_db),
            "severity_reason": size.reason,
            "evidence": [*finding.evidence, item],
        }
    )


def size_of(case: Case, finding: Finding, comb: CombEvidence, impact_m_s2: float) -> Size:
    """Size of one damage.

    An impact is a step in velocity as one part runs onto the other's flaw; casings are linear, so its peak
    acceleration is in proportion to that speed, and so is what it is compared with.
    """
    scale = case.scale
    kind = part_kind(case, finding)
    weight = scale.weights.get(kind, Weight(bears_db=0.0, why=""))
    share = min(max(_speed_share(case, finding, comb), scale.slowest_share), scale.fastest_share)
    bears = scale.reference_impact_m_s2 * share * 10 ** (weight.bears_db / 20)
    over_db = 20 * log10(max(impact_m_s2, 1e-9) / bears)
    contrast_db = min(max(comb.hit_over_floor_db, -scale.contrast_most_db), scale.contrast_most_db)
    zone, zone_db = _zone(case, comb)
    why = f": {weight.why}" if weight.why else ""
    reason = (
        f"Impacts of about {impact_m_s2:.2g} m/s² are {_times(over_db)} the {bears:.2g} m/s² from which damage "
        f"of this part counts as moderate at this speed{why}; they stand {comb.hit_over_floor_db:+.0f} dB relative "
        f"to the mean of their band{zone}."
    )
    return Size(size_db=over_db + contrast_db + zone_db, reason=reason)


def part_kind(case: Case, finding: Finding) -> str:
    """Which weight a finding's part has: a bearing that carries a disc on its eccentric or crank governs life."""
    if finding.component.startswith("bearing."):
        name = finding.component.removeprefix("bearing.")
        own = next((b for b in case.drive.bearing if name in (b.name, *(f"{b.name}.{part}" for part in PARTS))), None)
        rings = () if own is None else (own.inner, own.outer)
        of_life = any(ring.endswith((".eccentric", ".crank")) for ring in rings)
        return "life bearing" if of_life else "rolling bearing"
    tone = next((tone for tone in case.tones.tones if tone.id == finding.tone), None)
    return "" if tone is None else tone.family


def _speed_share(case: Case, finding: Finding, comb: CombEvidence) -> float:
    """Speed at which the damaged part is met, as a share of the reference's."""
    scale = case.scale
    input_hz = case.drive.input.speed_hz if case.speed is None else case.speed.input_hz
    if not finding.component.startswith("bearing."):
        return comb.order * input_hz / scale.reference_speed_hz
    for bearing in case.drive.bearing:
        if finding.component in (f"bearing.{bearing.name}", *(f"bearing.{bearing.name}.{part}" for part in PARTS)):
            pitch_mm = bearing.pitch_diameter_mm or scale.reference_pitch_mm
            turns = _relative_turns(case.tones, bearing.name, bearing.elements)
            return turns * input_hz * pitch_mm / (scale.reference_speed_hz * scale.reference_pitch_mm)
    return input_hz / scale.reference_speed_hz


def _relative_turns(tones: ToneTable, name: str, elements: int | None) -> float:
    """Turns of one ring against the other per input turn: each element passes both races, z (1 - k)/2 + z (1 + k)/2."""
    orders = [tone.order for tone in tones.tones if tone.id in (f"bearing.{name}.{race}" for race in RACES)]
    return sum(orders) / elements if elements and len(orders) == len(RACES) else 1.0


def _zone(case: Case, comb: CombEvidence) -> tuple[str, float]:
    """What the velocity at the points that show a damage adds."""
    velocity = max((case.level(channel, "velocity_rms") for channel in comb.channels), default=0.0)
    for name, letter, adds in (("C/D", "D", case.scale.zone_d_adds_db), ("B/C", "C", case.scale.zone_c_adds_db)):
        if velocity > case.zone_mm_s[name]:
            return f", and the {velocity:.2g} mm/s at that point are those of zone {letter}", adds
    return "", 0.0


def _times(over_db: float) -> str:
    ratio = 10 ** (over_db / 20)
    return f"{ratio:.2g} times"
