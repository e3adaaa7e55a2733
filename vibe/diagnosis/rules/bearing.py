"""Rolling bearings: outer race, inner race, rolling elements, cage."""

from __future__ import annotations

from dataclasses import dataclass

from vibe.core.drive import Bearing
from vibe.core.evidence import CombEvidence
from vibe.core.health import EvidenceItem, Finding
from vibe.core.tones import CAGES
from vibe.diagnosis.case import Case, chance_text, comb_items, order_text, probability, tones_at
from vibe.diagnosis.settings import CombSettings

PARTS = ("outer_race", "inner_race", "rolling_element", "cage")


@dataclass(frozen=True, slots=True, kw_only=True)
class _Choice:
    """What speaks: the element (empty when none can be preferred), and the combs that say so, the largest first."""

    part: str
    shown: tuple[CombEvidence, ...]
    chance: float
    reason: str = ""


def find(case: Case) -> list[Finding]:
    """At most one finding per bearing: the element that explains its combs best; the others follow from it."""
    findings = []
    for bearing in case.drive.bearing:
        combs = {part: case.combs[tone] for part in PARTS if (tone := f"bearing.{bearing.name}.{part}") in case.combs}
        if (cage := _cage(case, bearing)) is not None:
            combs["cage"] = cage
        choice = _far(case, bearing) or _both_races(case, combs) or _one_element(case, combs)
        if choice is not None:
            findings.append(_finding(case, bearing, choice, combs))
    return findings


_STRUCK = {
    "cage": "the outer ring", "cage_past_load": "the load", "cage_past_inner": "the inner ring",
    "cage_past_housing": "the housing",
}  # fmt: skip


def _cage(case: Case, bearing: Bearing) -> CombEvidence | None:
    """The strongest comb of a bearing's cage, whatever frame it is seen from."""
    names = [f"bearing.{bearing.name}.{part}" for part in CAGES]
    return max((case.combs[name] for name in names if name in case.combs), key=lambda comb: comb.score, default=None)


def _also_past(case: Case, cage: CombEvidence, limit: float) -> CombEvidence | None:
    """Another comb of the same cage that is surely there. A cage that strikes does so at one place of one body."""
    head = cage.tone.rpartition(".")[0]
    others = (case.combs[name] for part in CAGES if (name := f"{head}.{part}") in case.combs)
    sure = [comb for comb in others if comb.tone != cage.tone and comb.false_alarm_probability <= limit]
    return max(sure, key=lambda comb: comb.score, default=None)


def _struck(comb: CombEvidence) -> str:
    """What a cage passes where it is seen in ``comb``."""
    return _STRUCK.get(comb.tone.rpartition(".")[2], "the outer ring")


def _far(case: Case, bearing: Bearing) -> _Choice | None:
    """The outer race, when its place is just missed by clear hits that nothing in the drive file explains.

    Not the inner race: sums and differences of other tones with the shaft lie near it too often.
    """
    settings = case.settings.comb
    tone = f"bearing.{bearing.name}.outer_race"
    if tone not in case.combs:
        return None
    for comb in case.strangers:
        sure = comb.false_alarm_probability <= case.tone_alarm / settings.inferred_stricter_by
        near = abs(comb.order / case.tones.tone(tone).order - 1) <= settings.far_slip
        if sure and near and _clear(comb, settings):
            reason = "Nothing else in the drive file is as near to these hits. "
            return _Choice(part="outer_race", shown=(comb,), chance=comb.false_alarm_probability, reason=reason)
    return None


def _both_races(case: Case, combs: dict[str, CombEvidence]) -> _Choice | None:
    """Rolling elements, from both races repeating alike and faintly: what these share are the elements."""
    settings, limit = case.settings.comb, case.tone_alarm
    races = [combs[part] for part in ("outer_race", "inner_race") if part in combs]
    if len(races) < 2:
        return None
    deep, shallow = sorted(races, key=lambda comb: -comb.hit_over_floor_db)
    if not _speaks(deep, limit, settings) or shallow.false_alarm_probability > limit:
        return None
    alike = deep.hit_over_floor_db - shallow.hit_over_floor_db <= settings.races_alike_within_db
    faint = deep.hit_over_floor_db < settings.races_alike_below_db
    together = deep.false_alarm_probability * shallow.false_alarm_probability
    if not (alike and faint and together <= (limit / settings.inferred_stricter_by) ** 2):
        return None
    return _Choice(
        # A table of orders may leave the elements out: then they have no tone to be named by.
        part="rolling_element" if "rolling_element" in combs else "",
        shown=(deep, shallow),
        chance=max(comb.false_alarm_probability for comb in races),
        reason="Both races repeat, alike and faintly: what they share are the rolling elements. ",
    )


def _one_element(case: Case, combs: dict[str, CombEvidence]) -> _Choice | None:
    settings, limit = case.settings.comb, case.tone_alarm
    stricter = limit / settings.inferred_stricter_by
    present = {p: comb for p, comb in combs.items() if p != "cage" and _speaks(comb, limit, settings)}
    cage = combs.get("cage")
    strikes = cage is not None and _strikes(cage, stricter, settings)
    alone = cage is not None and all(_left_by(cage, comb, limit) for comb in present.values())
    if cage is not None and strikes and alone and (past := _also_past(case, cage, stricter)) is not None:
        reason = (
            f"The cage is seen past {_struck(cage)} and past {_struck(past)}: what it carries past both, one rolling "
        )
        reason += "element that differs, is as likely as the cage itself. "
        return _Choice(part="", shown=(cage, past), chance=cage.false_alarm_probability, reason=reason)
    if cage is not None and strikes and alone:
        reason = f"Hits repeat as the cage passes {_struck(cage)}: the cage itself, or one rolling element that "
        reason += "differs. "
        return _Choice(part="cage", shown=(cage,), chance=cage.false_alarm_probability, reason=reason)
    if not present:
        return None
    part, strongest = max(present.items(), key=lambda item: item[1].score)
    chance = strongest.false_alarm_probability
    if _clear(strongest, settings) or _lines(strongest, settings) >= settings.long_comb_from:
        return _Choice(part=part, shown=(strongest,), chance=chance)
    if cage is not None and part == "inner_race" and _elements_differ(strongest, cage, case):
        reason = "The cage repeats beside the inner race, deeper than it: one rolling element differs from the rest. "
        return _Choice(part="rolling_element", shown=(strongest, cage), chance=chance, reason=reason)
    if chance > stricter:
        return None
    reason = "Something in this bearing repeats, too faintly to tell which element. "
    return _Choice(part="", shown=(strongest,), chance=chance, reason=reason)


def _speaks(comb: CombEvidence, limit: float, settings: CombSettings) -> bool:
    """Whether a comb is no chance, and deeper than sound bearings make it."""
    deep = comb.hit_over_floor_db >= settings.faintest_bearing_hit_over_floor_db
    return deep and comb.false_alarm_probability <= limit


def _strikes(cage: CombEvidence, limit: float, settings: CombSettings) -> bool:
    """Whether a cage hits something: surely, and clearly or by a long comb. What it modulates has few lines."""
    long = _lines(cage, settings) >= settings.long_comb_from
    return cage.false_alarm_probability <= limit and (_clear(cage, settings) or long)


def _left_by(cage: CombEvidence, comb: CombEvidence, limit: float) -> bool:
    """Whether an element's comb is what a cage's left: fainter, less sure, and gone between the cage's hits."""
    gone = comb.beside is not None and comb.beside.false_alarm_probability > limit
    return cage.score > comb.score and cage.hit_over_floor_db > comb.hit_over_floor_db and gone


def _clear(comb: CombEvidence, settings: CombSettings) -> bool:
    return comb.hit_over_floor_db >= settings.clear_hit_over_floor_db


def _lines(comb: CombEvidence, settings: CombSettings) -> int:
    return sum(line.over_floor_db >= settings.hit_line_over_floor_db for line in comb.lines)


def _elements_differ(inner: CombEvidence, cage: CombEvidence, case: Case) -> bool:
    """Whether the cage's lines stand beside a faint inner race's, deeper than they."""
    return (
        inner.false_alarm_probability <= case.tone_alarm / case.settings.comb.inferred_stricter_by
        and cage.false_alarm_probability <= case.false_alarm_rate
        and cage.hit_over_floor_db > inner.hit_over_floor_db
    )


def _finding(case: Case, bearing: Bearing, choice: _Choice, combs: dict[str, CombEvidence]) -> Finding:
    size = choice.shown[0]
    tone = case.tones.tone(f"bearing.{bearing.name}.{choice.part}") if choice.part else None
    alike = tones_at(case, size.order, leave_out=tone.id if tone else "")
    if choice.part in ("", "cage", "rolling_element"):
        # What was inferred, or not told at all, leaves the bearing's other elements possible.
        alike += [
            case.tones.tone(comb.tone).component
            for part, comb in combs.items()
            if part != choice.part and _possible(choice, part, comb)
        ]
    items: list[EvidenceItem] = []
    for comb in choice.shown:
        items += comb_items(comb)
    orders = " and ".join(order_text(comb.order) for comb in choice.shown)
    off = ""
    if tone is not None and len(choice.shown) == 1:
        seen = case.tones.tone(size.tone) if choice.part == "cage" else tone
        shift = (size.order / seen.order - 1) * 100
        off = f", {shift:+.1f} % from where the geometry of the {_called(bearing)} puts them"
    return Finding(
        tone=tone.id if tone else None,
        component=tone.component if tone else f"bearing.{bearing.name}",
        defect=tone.defect if tone else "local damage",
        probability=probability(choice.chance, case.priors.get("rolling bearing", 0.02)),
        false_alarm_probability=choice.chance,
        severity=case.severity(size.hit_over_floor_db),
        seen_in=[comb.tone for comb in choice.shown],
        cannot_be_told_from=list(dict.fromkeys(alike)),
        why=f"{choice.reason}Hits repeat at order {orders}{off}, {size.hit_over_floor_db:+.1f} dB "
        f"against the mean of {size.band_hz[0]:.0f}-{size.band_hz[1]:.0f} Hz; the chance that a sound drive shows "
        f"this is {chance_text(choice.chance)}.",
        evidence=items,
        advice=f"Replace the {_called(bearing)} and look for the cause (lubricant, load, current, fit); such damage "
        "grows, so measure often until then."
        if choice.part
        else f"Measure the {_called(bearing)} again soon and compare; look at its lubricant, load and fit.",
    )


def _called(bearing: Bearing) -> str:
    return bearing.name if "bearing" in bearing.name else f"bearing “{bearing.name}”"


def _possible(choice: _Choice, part: str, comb: CombEvidence) -> bool:
    """Which other elements stay possible: those that were shown, and the rest of a bearing of which none was told."""
    if choice.part == "cage":
        return part == "rolling_element"
    return comb in choice.shown or (choice.part == "" and part != "cage")
