"""What a strong comb leaves behind must not pass for a second damage."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from math import exp, hypot

from vibe.core.evidence import STANDS_DB, CombEvidence
from vibe.core.health import Finding
from vibe.core.tones import CAGES
from vibe.diagnosis.alternatives.outside_multiples import MOST_CHANCE, whole_multiple
from vibe.diagnosis.alternatives.similar_speeds import WITHIN_ERRORS, placed
from vibe.diagnosis.bearing_elements import PARTS, RACES
from vibe.diagnosis.case import Case, is_long

LEFT_SHARE = 0.03
"""Mean share of a comb's score that other parts' combs still find of it once its lines are taken out.

Impacts vary in time and differ, so lines are broader than those taken out, and have sidebands that nobody foresaw. On
simulated captures with one damage the combs of other bearings exceed what sound drives show by a tenth of its score
once in a hundred; an exponential with this mean says about as much.
"""

NAMED_SURELY = 0.9
"""Share of a bearing's probability from which its element is known rather than guessed (common practice)."""

DOUBLE_WITHIN = 1e-3
"""Relative distance within which an order is twice another: about the resolution of a capture of ten seconds."""


def explained_away(case: Case) -> Case:
    """The case with the chance of every comb raised to that of a mere leftover of the strongest comb of another part.

    Elements of one bearing are one part: what they show together is weighed by their own rule. What was read between
    the impacts of stronger combs is taken as it stands there.
    """
    first = max(case.combs.values(), key=lambda comb: comb.score, default=None)
    strongest: dict[str, float] = {}
    for tone, comb in case.combs.items():
        strongest[part_of(tone)] = max(strongest.get(part_of(tone), 0.0), comb.score)
    for other in case.unmatched:
        strongest[other.tone] = other.score
    combs: dict[str, CombEvidence] = {}
    for tone, comb in case.combs.items():
        # Tones that share an order share their comb, so none of them is next to another.
        same = {part_of(other) for other, own in case.combs.items() if own.tone == comb.tone}
        others = max((score for part, score in strongest.items() if part not in same), default=0.0)
        combs[tone] = _given_other(comb, others)
        if first is not None and part_of(first.tone) not in same:
            combs[tone] = _apart(combs[tone], comb, case.tone_alarm)
    quiet = {}
    for name, comb in case.quiet_combs.items():
        own = {part_of(other) for other, one in case.combs.items() if one.tone == name}
        among = [score for part, score in strongest.items() if part not in own]
        among += [one.score for other, one in case.quiet_combs.items() if part_of(other) not in own]
        quiet[name] = _given_other(comb, max(among, default=0.0))
    return replace(case, combs=combs, quiet_combs=quiet)


def without_doubles(case: Case, findings: Sequence[Finding]) -> list[Finding]:
    """The findings without those whose comb lies at twice the order of another part's, or at a higher multiple of a
    deeper one without side lines of its own.

    The slower comb makes every line of the faster one; the faster makes none of the slower one's other lines, by which
    that was found. What is left out is named among what the slower one cannot be distinguished from.
    """
    orders = [_order(case, finding) for finding in findings]
    doubled: dict[int, list[str]] = {}
    for fast, (finding, order) in enumerate(zip(findings, orders, strict=True)):
        for slow, other in enumerate(orders):
            apart = _part(findings[slow]) != _part(finding)
            if not (order and other and apart):
                continue
            if abs(order / (2 * other) - 1) < DOUBLE_WITHIN or _is_multiple(case, finding, findings[slow]):
                doubled.setdefault(slow, []).append(finding.tone or finding.component)
                orders[fast] = None
                break
    kept = []
    for place, finding in enumerate(findings):
        if place in doubled:
            alike = list(dict.fromkeys([*finding.cannot_be_told_from, *doubled[place]]))
            kept.append(finding.model_copy(update={"cannot_be_told_from": alike}))
        elif orders[place] is not None or _order(case, finding) is None:
            kept.append(finding)
    return kept


def without_outshone(case: Case, findings: Sequence[Finding]) -> list[Finding]:
    """The findings without faint ones on bearings that impacts of another part outshine.

    Impacts that vary in time and differ leave faint combs at many sums and differences of their order with the shaft,
    the cage and the load; which of these is a second damage cannot be determined until the first is mended. An element
    is named only where no other part has clear, much deeper impacts; a bearing without its element only where nothing
    else is deeper. What was found between those impacts is none of theirs, however faint; but for what repeats as the
    elements of a damaged race come by, one of which strikes harder than the others."""
    settings = case.settings.comb
    depths = [_depth_db(case, finding) for finding in findings]
    kept = []
    for finding, depth_db in zip(findings, depths, strict=True):
        clearest = max(
            (
                other
                for rival, other in zip(findings, depths, strict=True)
                if other is not None and _part(rival) != _part(finding)
            ),
            default=float("-inf"),
        )
        if depth_db is None or depth_db >= settings.clear_hit_over_floor_db:
            outshone = False
        elif any(
            other is not None and other > depth_db and _of_its_elements(case, finding, rival)
            for rival, other in zip(findings, depths, strict=True)
        ):
            outshone = True
        elif _is_apart(case, finding):
            outshone = False
        elif _element_open(case, finding):
            outshone = clearest > depth_db
        else:
            outshone = clearest >= max(settings.clear_hit_over_floor_db, depth_db + settings.outshone_by_db)
        if not (outshone and finding.component.startswith("bearing.")):
            kept.append(finding)
    return kept


def _is_multiple(case: Case, fast: Finding, slow: Finding) -> bool:
    """Whether ``fast`` has nothing that a deeper, slower comb does not make: it lies at a multiple, third or higher,
    and fewer than half of its own side lines stand."""
    combs = [case.combs[_shown_in(finding)] for finding in (fast, slow)]
    times = whole_multiple(combs[0].order, combs[1].order, resolution=case.resolution)
    if times is None or times < 3 or combs[1].hit_over_floor_db < combs[0].hit_over_floor_db:
        return False
    sides = combs[0].sideband_lines
    stand = sum(line.over_floor_db >= STANDS_DB for line in sides)
    return bool(sides) and stand < len(sides) / 2


def _of_its_elements(case: Case, finding: Finding, rival: Finding) -> bool:
    """Whether the comb of ``finding`` lies at a whole number per turn of the elements past a race of another bearing
    that ``rival`` names: where elements differ, impacts repeat in every line of that turn (derived)."""
    fast, slow = case.combs.get(_shown_in(finding)), case.combs.get(_shown_in(rival))
    bearing, _, part = (rival.tone or "").rpartition(".")
    elements = next((one.elements for one in case.drive.bearing if f"bearing.{one.name}" == bearing), None)
    if fast is None or slow is None or elements is None or part not in RACES or bearing == _part(finding):
        return False
    (order, error), (race, race_error) = (placed(one, None, case.resolution) for one in (fast, slow))
    turn = race / elements
    number = round(order / turn)
    reach = WITHIN_ERRORS * hypot(order * error, number * turn * race_error)
    return number > 0 and reach <= MOST_CHANCE * turn / 2 and abs(order - number * turn) <= reach


def _depth_db(case: Case, finding: Finding) -> float | None:
    """Impacts over the floor of a finding's largest comb; None for findings without one."""
    known = {**{comb.tone: comb for comb in case.unmatched}, **case.combs}
    comb = known.get(_shown_in(finding))
    return None if comb is None else comb.hit_over_floor_db


def _element_open(case: Case, finding: Finding) -> bool:
    """Whether a bearing's element is not known, or only guessed from short, faint combs."""
    if finding.tone is None:
        return True
    comb = case.combs.get(_shown_in(finding))
    guessed = finding.probability < NAMED_SURELY * finding.damage_probability
    return guessed and comb is not None and not is_long(comb, case.settings.comb)


def _is_apart(case: Case, finding: Finding) -> bool:
    """Whether a finding was made between the impacts of all that is stronger."""
    comb = case.combs.get(_shown_in(finding))
    return comb is not None and comb.gated


def _order(case: Case, finding: Finding) -> float | None:
    """Where a finding's comb lies; None for findings without one of the drive's own."""
    comb = case.combs.get(_shown_in(finding))
    return None if comb is None else comb.order


def _shown_in(finding: Finding) -> str:
    """Name of the largest comb that shows a finding; empty when none does."""
    return finding.seen_in[0] if finding.seen_in else finding.tone or ""


def _part(finding: Finding) -> str:
    return part_of(finding.tone or finding.component)


def part_of(tone: str) -> str:
    """The bearing, else the tone itself. The name of a bearing may have points in it, its parts have none."""
    head, _, part = tone.rpartition(".")
    return head if tone.startswith("bearing.") and part in (*PARTS, *CAGES) else tone


def _given_other(comb: CombEvidence, other_score: float) -> CombEvidence:
    if other_score <= comb.score:
        return comb
    left_over = exp(-comb.score / (LEFT_SHARE * other_score))
    return replace(comb, false_alarm_probability=left_over) if left_over > comb.false_alarm_probability else comb


def _apart(weighed: CombEvidence, comb: CombEvidence, limit: float) -> CombEvidence:
    """What was seen between the impacts of stronger combs, where that is no chance or says more than what was seen
    next to them. Two looks are paid for."""
    between = comb.after_gating
    if between is None:
        return weighed
    chance = min(1.0, 2 * between.false_alarm_probability)
    if chance > max(limit, weighed.false_alarm_probability):
        return weighed
    # What is cut takes some of the second one's own impacts too.
    deeper = max(comb, between, key=lambda one: one.hit_over_floor_db)
    return replace(deeper, false_alarm_probability=chance, localisation=comb.localisation, gated=True)
