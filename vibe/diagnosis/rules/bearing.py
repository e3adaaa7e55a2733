"""Rolling bearings: outer race, inner race, rolling elements, cage."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from math import exp, gcd, hypot
from statistics import fmean, median

from vibe.core.drive import Bearing
from vibe.core.evidence import SAME_PLACE, TAKEN_DB, CombEvidence
from vibe.core.health import FLUTING, LOCAL_DAMAGE, EvidenceItem, Finding
from vibe.core.tones import CAGES
from vibe.diagnosis.bearing_elements import EVEN_LINES, PARTS, SIDE_COUNTS_DB, Signs, is_even, odds, signs_of, ways
from vibe.diagnosis.cage_places import past_load, struck_share
from vibe.diagnosis.case import (
    FEWEST_STANDING,
    Case,
    chance_text,
    comb_items,
    is_long,
    order_text,
    probability,
    standing,
    tones_at,
)
from vibe.diagnosis.fluting import is_fluting
from vibe.diagnosis.growth import grown_chance, most_grown
from vibe.diagnosis.settings import CombSettings

FEWEST_ALTERNATING, ALTERNATES_DB = 6, 6.0
"""Fewest lines that stand where every second one stands higher, and by how much in the mean: noise moves lines that
stand by two or three decibels, the mean of three by less than two, so that this is three of its standard deviations."""
ABSENT_DB = 9.0
"""By how much two lines that stand must exceed, in the mean, all lines between and below them for these to be missing:
noise moves a mean of two by two decibels, the difference of two by three, so that this is three of its standard
deviations. The envelope of an impact falls off with frequency: of one strike a repeat no line is below the next."""
FAR_SHARE = 2 / 3
"""Share left to an outer race beyond its usual slip, where a machine nearby may happen to repeat as well: of measured
bearings one was detected so, on two records, and its outer race was damaged (rule of succession: 1 + 1 of 1 + 2)."""
LISTED_FROM = 0.1
"""Elements that are this likely stand among what a finding cannot be distinguished from (common practice)."""
SPINS_TO = 1.5
"""Times an element's spin up to which the first line of its comb is that of one spin, and not of its two strikes."""
FAINT_SHARE = 0.5
"""Left to a bearing that shows by no more than sound ones may: as likely as not (common practice)."""
LASTS_DB = (6.0, 7.0)
"""Levels that the middle one of the lower and of the upper half of a cage's lines must reach: of noise, the highest of
three to thirteen bins for each line, it does so once in a thousand (simulated, Hann window: 6.0 and 6.9 dB). How sure
the comb is says its chance."""
OTHERS_DB = ((7, 4.7), (4, 5.0), (2, 5.6))
"""Mean level [dB] that so many lines of noise or more, all of a comb but its highest, have once in a thousand
(simulated, Hann window, the highest of three to thirteen bins for each line, nothing counting below none)."""
FEWEST_SIDES, SIDES_SHARE = 4, 0.5
"""Side lines that stand with a comb, fewest and share: each is noise once in 17 (three bins), four of eight once in a
thousand."""
WORDS = {
    "outer_race": "outer race", "inner_race": "inner race", "rolling_element": "rolling elements", "cage": "cage",
}  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class _BearingSigns:
    """That a bearing shows: the combs that say so, the largest first, and the chance that a sound one does."""

    shown: tuple[CombEvidence, ...]
    chance: float
    far: bool = False
    """Found just beyond the outer race's usual slip."""
    faint: bool = False
    """Shown by what is fainter than sound bearings reach, or by a cage's lines that only together last."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Element:
    """Which element it is (empty when none can be preferred), the combs that show it, and why."""

    part: str
    sure: float
    """Probability of the element, given that the bearing is damaged."""
    shares: Mapping[str, float]
    shown: tuple[CombEvidence, ...]
    reason: str


def find(case: Case) -> list[Finding]:
    """At most one finding per bearing: that it is damaged, and the element that explains its combs best.

    Cages of many bearings turn alike. What is found by a cage's turn alone is one finding, of the bearing whose usual
    slip brings its cage there, and the others are what it cannot be distinguished from.
    """
    showing: list[tuple[Bearing, dict[str, CombEvidence], _BearingSigns]] = []
    for bearing in case.drive.bearing:
        combs = _combs(case, bearing)
        bearing_signs = _bearing_signs(case, bearing, combs)
        if bearing_signs is not None:
            showing.append((bearing, combs, bearing_signs))
    # What strikes in one bearing is felt in the others.
    showing = [one for one in showing if not one[2].faint] or showing
    turns = {
        bearing.name: combs["cage"]
        for bearing, combs, bearing_signs in showing
        if bearing_signs.shown == (combs.get("cage"),)
    }
    findings = []
    for bearing, combs, bearing_signs in showing:
        own, rivals = turns.get(bearing.name), []
        if own is not None:
            rivals = _cages_at(case, own.order, leave_out=bearing)
            off = _off_usual(case, bearing, own.order)
            nearer = (name for name, comb in turns.items() if abs(comb.order / own.order - 1) < SAME_PLACE)
            if any(_off_usual(case, other, own.order) < off for other in case.drive.bearing if other.name in nearer):
                continue
        findings.append(_finding(case, bearing, bearing_signs, _element(case, bearing, bearing_signs, combs), rivals))
    return findings


_STRUCK = {
    "cage": "the outer ring", "cage_past_load": "the load", "cage_past_inner": "the inner ring",
    "cage_past_housing": "the housing",
}  # fmt: skip


def _struck(combs: Sequence[CombEvidence]) -> str:
    """What a cage passes where it is seen in one of ``combs``."""
    names = (comb.tone.rpartition(".")[2] for comb in combs)
    return next((_STRUCK[name] for name in names if name in _STRUCK), "the outer ring")


def _cages_at(case: Case, order: float, *, leave_out: Bearing) -> list[str]:
    """Other bearings' cages that may turn at ``order``, slip allowed for."""
    names = [f"bearing.{bearing.name}.cage" for bearing in case.drive.bearing if bearing is not leave_out]
    cages = [tone for tone in case.tones.tones if tone.component in names]
    at = [tone for tone in cages if 1 + tone.slip[0] <= order / tone.order <= 1 + tone.slip[1]]
    return list(dict.fromkeys(tone.component for tone in at))


def _share_of(case: Case, bearing: Bearing, cage: CombEvidence, rivals: Sequence[str]) -> float:
    """Share of a bearing's cage among all that may turn at a comb's order: the nearer to its usual slip, the likelier,
    and most where it passes the load. Slip is taken as normal, the ends of its window two standard deviations off."""
    order = cage.place or cage.order

    def weight(component: str) -> float:
        fits = []
        for tone in (one for one in case.tones.tones if one.component == component):
            low, high = tone.slip
            sigma = hypot((high - low) / 4, cage.place_error or case.resolution / (2 * order))
            fit = exp(-0.5 * ((order / tone.order - 1 - (low + high) / 2) / sigma) ** 2) / sigma
            fits.append(struck_share(case, tone) * fit)
        return max(fits, default=0.0)

    own = weight(f"bearing.{bearing.name}.cage")
    every = own + sum(weight(rival) for rival in rivals)
    return own / every if every > 0 else 1 / (1 + len(rivals))


def _also_past(case: Case, bearing: Bearing, cage: CombEvidence, limit: float) -> CombEvidence | None:
    """Another comb of the same cage that is surely there, and not left by this one. A cage that strikes does so at one
    place of one body."""
    names = (f"bearing.{bearing.name}.{part}" for part in CAGES)
    others = (case.combs[name] for name in names if name in case.combs and name != cage.tone)
    own = (comb for comb in others if not _left_by(cage, comb, case.tone_alarm))
    sure = [comb for comb in own if comb.false_alarm_probability <= limit]
    return max(sure, key=lambda comb: comb.score, default=None)


def _off_usual(case: Case, bearing: Bearing, order: float) -> float:
    """How far, relative, ``order`` lies from where the usual slip puts the nearest tone of a bearing's cage."""
    component = f"bearing.{bearing.name}.cage"
    cages = [tone for tone in case.tones.tones if tone.component == component]
    return min(abs(order / (tone.order * (1 + sum(tone.slip) / 2)) - 1) for tone in cages)


def signs(case: Case, bearing: Bearing) -> Signs | None:
    """What the combs of a bearing say of its elements; None where the bearing does not show."""
    combs = _combs(case, bearing)
    bearing_signs = _bearing_signs(case, bearing, combs)
    return None if bearing_signs is None else signs_of(_own(case, bearing_signs, combs), case.settings.element.present)


def _bearing_signs(case: Case, bearing: Bearing, combs: Mapping[str, CombEvidence]) -> _BearingSigns | None:
    return _far(case, bearing, combs) or _both_races(case, combs) or _one_element(case, combs) or _grown(case, combs)


def _own(case: Case, bearing_signs: _BearingSigns, combs: Mapping[str, CombEvidence]) -> dict[str, CombEvidence]:
    """By part, the combs that support it: a far one for the outer race, and of a cage that strikes nothing that it
    leaves at its elements' orders."""
    cage = combs.get("cage")
    if bearing_signs.far:
        return {**combs, "outer_race": bearing_signs.shown[0]}
    if cage is not None and bearing_signs.shown == (cage,):
        return {part: c for part, c in combs.items() if part == "cage" or not _left_by(cage, c, case.tone_alarm)}
    return dict(combs)


def _combs(case: Case, bearing: Bearing) -> dict[str, CombEvidence]:
    """By part; of a part that is seen from several bodies, as a cage is, the comb that is the surest."""
    combs: dict[str, CombEvidence] = {}
    for part in PARTS:
        component = f"bearing.{bearing.name}.{part}"
        own = [case.combs[t.id] for t in case.tones.tones if t.component == component and t.id in case.combs]
        if own:
            combs[part] = min(own, key=lambda comb: (comb.false_alarm_probability, -comb.score))
    return combs


def _far(case: Case, bearing: Bearing, combs: Mapping[str, CombEvidence]) -> _BearingSigns | None:
    """The outer race, when its place is just missed by clear impacts that nothing in the drive file explains, deeper
    than all that this bearing's own combs show.

    Not the inner race: sums and differences of other tones with the shaft lie near it too often.
    """
    settings = case.settings.comb
    # A drive with stages turns another machine, whose impacts come near some race more often than a race is so far off.
    if case.drive.stage or "outer_race" not in combs:
        return None
    order = case.tones.tone(f"bearing.{bearing.name}.outer_race").order
    present = [comb for comb in combs.values() if comb.false_alarm_probability <= case.settings.element.present]
    deepest = max((comb.hit_over_floor_db for comb in present), default=float("-inf"))
    for comb in case.unmatched:
        sure = comb.false_alarm_probability <= case.tone_alarm / settings.inferred_stricter_by
        near = abs(comb.order / order - 1) <= settings.far_slip
        if sure and near and _clear(comb, settings) and comb.hit_over_floor_db > deepest:
            return _BearingSigns(shown=(comb,), chance=comb.false_alarm_probability, far=True)
    return None


def _both_races(case: Case, combs: Mapping[str, CombEvidence]) -> _BearingSigns | None:
    """Both races repeating alike and faintly: each alone might be too faint, together they show."""
    settings, limit = case.settings.comb, case.tone_alarm
    races = [combs[part] for part in ("outer_race", "inner_race") if part in combs]
    if len(races) < 2:
        return None
    deep, shallow = sorted(races, key=lambda comb: -comb.hit_over_floor_db)
    if not _is_clear(deep, limit, settings) or shallow.false_alarm_probability > limit or _faint(deep, settings):
        return None
    alike = deep.hit_over_floor_db - shallow.hit_over_floor_db <= settings.races_alike_within_db
    faint = deep.hit_over_floor_db < settings.races_alike_below_db
    together = deep.false_alarm_probability * shallow.false_alarm_probability
    if not (alike and faint and together <= (limit / settings.inferred_stricter_by) ** 2):
        return None
    return _BearingSigns(shown=(deep, shallow), chance=min(comb.false_alarm_probability for comb in races))


def _one_element(case: Case, combs: Mapping[str, CombEvidence]) -> _BearingSigns | None:
    settings, limit = case.settings.comb, case.tone_alarm
    stricter = limit / settings.inferred_stricter_by
    present = [comb for part, comb in combs.items() if part != "cage" and _is_clear(comb, limit, settings)]
    cage = combs.get("cage")
    strikes = cage is not None and _strikes(cage, stricter, settings)
    deep = [comb for comb in present if not _faint(comb, settings)]
    if cage is not None and strikes and all(_left_by(cage, comb, limit) for comb in deep):
        plain = _strikes_plainly(cage, settings)
        return _BearingSigns(shown=(cage,), chance=cage.false_alarm_probability, faint=not plain)

    def enough(comb: CombEvidence) -> bool:
        if _clear(comb, settings) or is_long(comb, settings) or _sure(comb, stricter, settings):
            return True
        return cage is not None and comb is combs.get("inner_race") and _elements_differ(comb, cage, case)

    # The strongest may be too faint to be believed, next to a clear one of which others took the first lines.
    believed = [comb for comb in deep if enough(comb)] or [comb for comb in present if enough(comb)]
    if not believed:
        return None
    strongest = max(believed, key=lambda comb: comb.score)
    # What grew is no sound bearing's own.
    chance, faint = strongest.false_alarm_probability, _faint(strongest, settings)
    faint = faint and grown_chance(case, strongest) is None
    return _BearingSigns(shown=(strongest,), chance=chance, faint=faint)


def _grown(case: Case, combs: Mapping[str, CombEvidence]) -> _BearingSigns | None:
    """What grew against the drive's own earlier captures, however faint: it needs no floor. A cage modulates all that
    happens in its bearing, so it must have grown the more surely."""
    most = most_grown(case, [comb for comb in combs.values() if not _of_faster(comb)])
    if most is None:
        return None
    comb, chance = most
    stricter = case.tone_alarm / case.settings.comb.inferred_stricter_by
    return None if comb is combs.get("cage") and chance > stricter else _BearingSigns(shown=(comb,), chance=chance)


def _element(case: Case, bearing: Bearing, bearing_signs: _BearingSigns, combs: Mapping[str, CombEvidence]) -> _Element:
    """The likeliest element; named where it is likelier than the others together and has a tone to be named by."""
    settings = case.settings.element
    shown = _own(case, bearing_signs, combs)
    struck = _struck([c for c in (shown.get("cage"), combs.get("cage")) if c is not None])
    own = signs_of(shown, settings.present)
    alone = bearing_signs.shown == (combs.get("cage"),)
    if alone and combs["cage"].tone != past_load(case, f"bearing.{bearing.name}.cage"):
        # An element that differs is felt where it bears; what strikes as the cage passes anything else is the cage.
        own = replace(own, even_cage=True)
    weights = ways(own, settings)
    shares = odds(weights)
    part = max(shares, key=lambda one: shares[one])
    way = max(weights[part], key=lambda one: weights[part][one])
    known = any(tone.id == f"bearing.{bearing.name}.{part}" for tone in case.tones.tones)
    cage = shown.get("cage")
    if part == "cage" and cage is not None:
        past = _also_past(case, bearing, cage, case.tone_alarm / case.settings.comb.inferred_stricter_by)
        if past is not None:
            reason = (
                f"The cage is seen past {_struck([cage])} and past {_struck([past])}: what it carries past both, one "
                "rolling element that differs, is as likely as the cage itself. "
            )
            return _Element(part="", sure=1.0, shares=shares, shown=(cage, past), reason=reason)
    if shares[part] < settings.named_from or not known:
        if known or way == "untold":
            reason = f"Impacts in this bearing repeat, too weak to identify the element; most likely {_most(shares)}. "
        else:
            reason = f"{_REASONS[part, way].format(struck=struck)}Most likely {_most(shares)}; "
            reason += "the drive file gives no tone to name it by. "
        return _Element(part="", sure=1.0, shares=shares, shown=bearing_signs.shown, reason=reason)
    lines = {"own": (part,), "races": ("outer_race", "inner_race"), "cage": ("cage",), "untold": ()}[way]
    by = sorted((shown[one] for one in lines if one in shown), key=lambda comb: -comb.hit_over_floor_db)
    reason = _FAR if bearing_signs.far else ""
    reason = reason or _REASONS.get((part, way), "").format(struck=struck)
    if shares[part] < 0.9:
        reason += f"Of ten bearings that show this, {10 * shares[part]:.0f} have damage of the {WORDS[part]}. "
    return _Element(
        part=part, sure=shares[part], shares=shares, reason=reason,
        shown=(*by, *(comb for comb in bearing_signs.shown if comb not in by)),
    )  # fmt: skip


_FAR = (
    "Nothing else in the drive file is as near to these impacts; a machine next to it may make them: measure once more "
    "while that one stands. "
)
_REASONS = {
    ("rolling_element", "races"): "Both races repeat, equally and weakly: what they share are the rolling elements. ",
    (
        "rolling_element",
        "cage",
    ): "Impacts repeat as the cage passes {struck} and no race's are clear: a rolling "
    "element that differs from the rest, carried through the load, or the cage itself. ",
    (
        "cage",
        "own",
    ): "Short, even impacts repeat as the cage passes {struck}: the cage itself, or one rolling element that differs. ",
}


def _most(shares: Mapping[str, float]) -> str:
    """The likeliest elements in words, down to half of the first one's share."""
    ranked = sorted(shares, key=lambda part: -shares[part])
    close = [part for part in ranked if shares[part] >= 0.5 * shares[ranked[0]]]
    return " or ".join(f"its {WORDS[part]} ({100 * shares[part]:.0f} %)" for part in close)


def _is_clear(comb: CombEvidence, limit: float, settings: CombSettings) -> bool:
    """Whether a comb is no chance, and deeper or surer than sound bearings make it."""
    deep = comb.hit_over_floor_db >= settings.faintest_sure_bearing_hit_over_floor_db
    several = _others_stand(comb) if len(standing(comb)) < 2 else len(standing(comb)) - _towers(comb) > 1
    return deep and _sure(comb, limit, settings) and not _of_faster(comb) and several


def _faint(comb: CombEvidence, settings: CombSettings) -> bool:
    """Whether a comb is fainter than those of sound bearings may be."""
    return comb.hit_over_floor_db < settings.faintest_bearing_hit_over_floor_db


def _sure(comb: CombEvidence, limit: float, settings: CombSettings) -> bool:
    """Whether a comb is as sure as its depth asks for: the fainter than what sound bearings reach, the surer."""
    below_db = max(0.0, settings.faintest_bearing_hit_over_floor_db - comb.hit_over_floor_db)
    surer: float = settings.fainter_surer_by_per_db**below_db
    return comb.false_alarm_probability <= limit / surer


def _strikes(cage: CombEvidence, limit: float, settings: CombSettings) -> bool:
    """Whether a cage strikes something: surely, and clearly or by a comb that is long, even or lasts. What it modulates
    has few lines."""
    seen = _strikes_plainly(cage, settings) or _lasts(cage)
    return seen and cage.false_alarm_probability <= limit and not _of_faster(cage)


def _strikes_plainly(cage: CombEvidence, settings: CombSettings) -> bool:
    """Whether a cage's comb is one by itself: clear, long or even."""
    return _clear(cage, settings) or is_long(cage, settings) or is_even(cage)


def _lasts(cage: CombEvidence) -> bool:
    """Whether both halves of a cage's own lines stand, each by most of its lines: strikes make all alike, and what an
    element that passes its load modulates is gone after the first few."""
    levels = [line.over_floor_db for line in (*cage.lines, *cage.further)]
    half = len(levels) // 2
    lower_db, upper_db = LASTS_DB
    return len(levels) >= EVEN_LINES and median(levels[:half]) >= lower_db and median(levels[half:]) >= upper_db


def _of_faster(comb: CombEvidence) -> bool:
    """Whether only every second, third … line stands: then something that repeats so much faster makes them. An
    element strikes twice in a spin, so every second line of its spin may be all that there is. Two lines prove as much
    where two are missing below each, whatever else happens to stand above them."""
    stand, fewest = standing(comb), 3 if _by_spins(comb) else 2
    every = gcd(*stand)
    if _alternates(comb) or (every >= fewest and len(stand) >= (FEWEST_STANDING if every == 2 else 2)):
        return True
    first = stand[:2]
    return len(first) == 2 and gcd(*first) >= fewest and _between_missing(comb, first)


def _towers(comb: CombEvidence) -> bool:
    """Whether one line stands far above all others and above those before it, as no strike leaves it: vanes that pass
    make such a line, and nothing else of what it was met in. The two strikes of a spin may leave its second so."""
    known = {k: line.over_floor_db for k, line in enumerate(comb.lines, 1) if line.over_floor_db > TAKEN_DB}
    if len(known) < FEWEST_STANDING:
        return False
    highest = max(known, key=lambda k: known[k])
    rest = [level for k, level in known.items() if k != highest]
    before = any((2 if _by_spins(comb) else 1) <= k < highest for k in known)
    return before and known[highest] >= max(max(rest) + ALTERNATES_DB, fmean(rest) + ABSENT_DB)


def _others_stand(comb: CombEvidence) -> bool:
    """Whether all lines but the highest, which may be anybody's, stand together though hardly one does by itself, or
    the comb's side lines do. One that stands far above the next is a line alone."""
    known = sorted(max(line.over_floor_db, 0.0) for line in comb.lines if line.over_floor_db > TAKEN_DB)
    if len(known) < FEWEST_STANDING or known[-1] >= known[-2] + ALTERNATES_DB:
        return False
    others = known[:-1]
    least_db = next(level for fewest, level in OTHERS_DB if len(others) >= fewest)
    sides = sum(line.over_floor_db >= SIDE_COUNTS_DB for line in comb.sideband_lines)
    carried = sides >= max(FEWEST_SIDES, SIDES_SHARE * len(comb.sideband_lines))
    return carried or fmean(others) >= least_db


def _by_spins(comb: CombEvidence) -> bool:
    """Whether a comb's lines count an element's spins; they may count its strikes, twice as many, instead."""
    return comb.tone.endswith("rolling_element") and comb.lines[0].order < SPINS_TO * comb.order


def _between_missing(comb: CombEvidence, stand: Sequence[int]) -> bool:
    """Whether all lines below the higher of two that stand, those but these two, are known and far lower."""
    levels = [line.over_floor_db for line in comb.lines[: max(stand)]]
    between = [level for number, level in enumerate(levels, 1) if number not in stand]
    known = len(between) > 1 and min(between) > TAKEN_DB
    return known and fmean(levels[number - 1] for number in stand) >= fmean(between) + ABSENT_DB


def _alternates(comb: CombEvidence) -> bool:
    """Whether every second line stands higher: two unequal strikes in each repeat. Elements strike twice in a spin; a
    race is met by one after another, all alike, and a cage strikes once. So do lines of an element's strikes."""
    levels = [line.over_floor_db for line in comb.lines]
    if len(standing(comb)) < FEWEST_ALTERNATING or _by_spins(comb):
        return False
    return fmean(levels[1::2]) >= fmean(levels[::2]) + ALTERNATES_DB


def _left_by(cage: CombEvidence, comb: CombEvidence, limit: float) -> bool:
    """Whether an element's comb is what a cage's left: fainter, less sure, and gone between the cage's impacts."""
    gone = comb.after_gating is not None and comb.after_gating.false_alarm_probability > limit
    return cage.score > comb.score and cage.hit_over_floor_db > comb.hit_over_floor_db and gone


def _clear(comb: CombEvidence, settings: CombSettings) -> bool:
    return comb.hit_over_floor_db >= settings.clear_hit_over_floor_db


def _elements_differ(inner: CombEvidence, cage: CombEvidence, case: Case) -> bool:
    """Whether the cage's lines stand next to a faint inner race's, deeper than they."""
    return (
        inner.false_alarm_probability <= case.tone_alarm / case.settings.comb.inferred_stricter_by
        and cage.false_alarm_probability <= case.false_alarm_rate
        and cage.hit_over_floor_db > inner.hit_over_floor_db
    )


def _finding(
    case: Case, bearing: Bearing, bearing_signs: _BearingSigns, verdict: _Element, rivals: Sequence[str]
) -> Finding:
    """``rivals``: cages of other bearings that would be detected in the same place."""
    size = verdict.shown[0]
    tone = case.tones.tone(f"bearing.{bearing.name}.{verdict.part}") if verdict.part else None
    alike = [*rivals, *tones_at(case, size.order, leave_out=tone.id if tone else "")]
    for part, share in sorted(verdict.shares.items(), key=lambda item: -item[1]):
        other = f"bearing.{bearing.name}.{part}"
        if share >= LISTED_FROM and part != verdict.part and any(t.id == other for t in case.tones.tones):
            alike.append(other)
    items: list[EvidenceItem] = []
    for comb in verdict.shown:
        items += comb_items(comb)
    items.append(
        EvidenceItem(
            kind="element",
            text="which element, if this bearing is damaged: "
            + ", ".join(f"{WORDS[part]} {100 * share:.0f} %" for part, share in verdict.shares.items()),
            value=max(verdict.shares.values()),
            unit="probability",
        )
    )
    orders = " and ".join(order_text(comb.order) for comb in verdict.shown)
    off = ""
    if tone is not None and len(verdict.shown) == 1:
        # A rolling element may show itself by the cage's turn; impacts that nobody asked for are measured against its
        # own.
        usual = next((one.order for one in case.tones.tones if one.id == size.tone), tone.order)
        shift = (size.order / usual - 1) * 100
        off = f", {shift:+.1f} % from where the geometry of the {_called(bearing)} puts them"
    whole, outside = probability(bearing_signs.chance, case.priors.get("rolling bearing", 0.02)), []
    if bearing_signs.far:
        whole *= FAR_SHARE
        outside = [f"an outside source at {order_text(size.order)} orders"]
    if bearing_signs.faint:
        whole *= FAINT_SHARE
    fluted = verdict.part in ("outer_race", "inner_race") and is_fluting(case, size)
    among = f"Cages of {1 + len(rivals)} bearings of this drive turn so; any may be the one. " if rivals else ""
    return Finding(
        tone=tone.id if tone else None,
        component=tone.component if tone else f"bearing.{bearing.name}",
        defect=FLUTING if fluted else tone.defect if tone else LOCAL_DAMAGE,
        probability=whole * verdict.sure * (_share_of(case, bearing, size, rivals) if rivals else 1.0),
        component_probability=whole,
        false_alarm_probability=bearing_signs.chance,
        severity=case.severity(size.hit_over_floor_db),
        seen_in=[comb.tone for comb in verdict.shown],
        cannot_be_told_from=list(dict.fromkeys([*alike, *outside])),
        outside_causes=outside,
        why=f"{verdict.reason}{among}{'The vibration swells' if fluted else 'Impacts repeat'} at order {orders}{off}, "
        f"{size.hit_over_floor_db:+.1f} dB relative to the mean of {size.band_hz[0]:.0f} to {size.band_hz[1]:.0f} Hz; "
        f"the chance that a sound drive shows this is {chance_text(bearing_signs.chance)}."
        f"{_WASHBOARD if fluted else ''}{_FAINT if bearing_signs.faint else ''}",
        evidence=items,
        advice=_advice(bearing, verdict.part, fluted=fluted),
    )


_FAINT = " A sound bearing may repeat as faintly: measure once more, and watch whether it grows."
_WASHBOARD = (
    " It swells and falls evenly, without impacts, as on a washboard of ridges that current through the bearing burns "
    "(electrical erosion, ISO 15243); a spall strikes. A race with waviness worn by vibration looks the same."
)


def _advice(bearing: Bearing, part: str, *, fluted: bool) -> str:
    called = _called(bearing)
    if fluted:
        return (
            f"Check the raceways of the {called} for evenly spaced ridges, and the grease for blackening; measure the "
            "shaft's voltage and current, and earth or insulate the shaft before the bearing is replaced."
        )
    if part:
        return (
            f"Inspect the {called}; replace it if the damage is confirmed, and find the cause (lubricant, load, "
            "current, fit). Such damage grows: measure often until then."
        )
    return f"Repeat the measurement at the {called} soon and compare; check its lubricant, load and fit."


def _called(bearing: Bearing) -> str:
    return bearing.name if "bearing" in bearing.name else f"bearing “{bearing.name}”"
