"""Rolling bearings: outer race, inner race, rolling elements, cage."""

from __future__ import annotations

from vibe.core.drive import Bearing
from vibe.core.evidence import CombEvidence
from vibe.core.health import Finding
from vibe.diagnosis.case import Case, chance_text, comb_items, order_text, probability, tones_at
from vibe.diagnosis.settings import CombSettings

PARTS = ("outer_race", "inner_race", "rolling_element", "cage")


def find(case: Case) -> list[Finding]:
    """At most one finding per bearing: the strongest element; the others follow from it."""
    findings = []
    for bearing in case.drive.bearing:
        combs = {
            part: case.combs[tone]
            for part in PARTS
            if (tone := f"bearing.{bearing.name}.{part}") in case.combs
        }  # fmt: skip
        chosen = _chosen(case, combs)
        if chosen is not None:
            findings.append(_finding(case, bearing, *chosen, combs))
    return findings


def _chosen(case: Case, combs: dict[str, CombEvidence]) -> tuple[str, CombEvidence, float] | None:
    """The element that speaks, its comb and its false-alarm probability."""
    settings, limit = case.settings.comb, case.tone_alarm
    present = {part: comb for part, comb in combs.items() if comb.false_alarm_probability <= limit}
    cage = present.pop("cage", None)
    outer, inner = present.get("outer_race"), present.get("inner_race")
    if outer is not None and inner is not None:
        alike = abs(outer.hit_over_floor_db - inner.hit_over_floor_db) <= settings.races_alike_within_db
        weak = max(outer.hit_over_floor_db, inner.hit_over_floor_db) < settings.races_alike_below_db
        if alike and weak:
            # Both races roughened alike: the balls meet both. Weak on either, so it must be sure on both.
            weaker = max((outer, inner), key=lambda comb: comb.false_alarm_probability)
            own = combs.get("rolling_element")
            strong = _strong(outer, settings) or _strong(inner, settings)
            if own is None or not strong:
                return None
            return "rolling_element", own, weaker.false_alarm_probability
    strong_ones = {p: c for p, c in present.items() if _strong(c, settings)}
    if strong_ones:
        part = max(strong_ones, key=lambda name: strong_ones[name].score)
        return part, strong_ones[part], strong_ones[part].false_alarm_probability
    if (
        cage is not None
        and all(cage.score > other.score for other in present.values())
        and cage.false_alarm_probability <= limit / settings.cage_stricter_by
        and cage.hit_over_floor_db >= settings.hit_over_floor_from_db
    ):
        return "cage", cage, cage.false_alarm_probability
    return None


def _strong(comb: CombEvidence, settings: CombSettings) -> bool:
    """Whether a comb is large, besides being no chance: deep hits, or lines high over the floor on the whole."""
    level_db = sum(max(0.0, line.over_floor_db) for line in comb.lines) / max(1, len(comb.lines))
    return comb.hit_over_floor_db >= settings.hit_over_floor_from_db or level_db >= settings.level_over_floor_from_db


def _finding(
    case: Case, bearing: Bearing, part: str, comb: CombEvidence, chance: float, combs: dict[str, CombEvidence]
) -> Finding:
    tone = case.tones.tone(f"bearing.{bearing.name}.{part}")
    slip = (comb.order / tone.order - 1) * 100
    alike = tones_at(case, comb.order, leave_out=tone.id)
    if part == "cage":
        alike.append(f"bearing.{bearing.name}.rolling_element")
    items = comb_items(comb)
    if combs.get(part) is not comb or chance != comb.false_alarm_probability:
        for race in ("outer_race", "inner_race"):
            items += comb_items(combs[race])
        alike += [f"bearing.{bearing.name}.{race}" for race in ("outer_race", "inner_race")]
    return Finding(
        tone=tone.id,
        component=tone.component,
        defect=tone.defect,
        probability=probability(chance, case.priors.get("rolling bearing", 0.02)),
        false_alarm_probability=chance,
        severity=case.severity(comb.hit_over_floor_db),
        cannot_be_told_from=list(dict.fromkeys(alike)),
        why=f"Hits repeat at order {order_text(comb.order)}, {slip:+.1f} % from where the {bearing.name}'s geometry "
        f"puts them, {comb.hit_over_floor_db:+.1f} dB against the mean of {comb.band_hz[0]:.0f}-"
        f"{comb.band_hz[1]:.0f} Hz; the chance that a sound drive shows this is {chance_text(chance)}.",
        evidence=items,
        advice=f"Replace the {bearing.name} and look for the cause (lubricant, load, current, fit); such damage grows, "
        "so measure often until then.",
    )
