"""A faint finding next to much deeper impacts of another part waits until that part is mended."""

from __future__ import annotations

from collections.abc import Sequence
from math import hypot

from vibe.core.health import Finding
from vibe.diagnosis.alternatives.outside_multiples import MOST_CHANCE
from vibe.diagnosis.alternatives.similar_speeds import WITHIN_ERRORS, placed
from vibe.diagnosis.bearing_elements import RACES, part_of
from vibe.diagnosis.case import Case, is_long

NAMED_SURELY = 0.9
"""Share of a bearing's probability from which its element is known rather than guessed (common practice)."""


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
                if other is not None and part_of(rival.where) != part_of(finding.where)
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


def _of_its_elements(case: Case, finding: Finding, rival: Finding) -> bool:
    """Whether the comb of ``finding`` lies at a whole number per turn of the elements past a race of another bearing
    that ``rival`` names: where elements differ, impacts repeat in every line of that turn (derived)."""
    fast, slow = case.combs.get(finding.shown_in), case.combs.get(rival.shown_in)
    bearing, _, part = (rival.tone or "").rpartition(".")
    elements = next((one.elements for one in case.drive.bearing if f"bearing.{one.name}" == bearing), None)
    if fast is None or slow is None or elements is None or part not in RACES or bearing == part_of(finding.where):
        return False
    (order, error), (race, race_error) = (placed(one, None, case.resolution) for one in (fast, slow))
    turn = race / elements
    number = round(order / turn)
    reach = WITHIN_ERRORS * hypot(order * error, number * turn * race_error)
    return number > 0 and reach <= MOST_CHANCE * turn / 2 and abs(order - number * turn) <= reach


def _depth_db(case: Case, finding: Finding) -> float | None:
    """Impacts over the floor of a finding's largest comb; None for findings without one."""
    comb = case.comb_shown(finding)
    return None if comb is None else comb.hit_over_floor_db


def _element_open(case: Case, finding: Finding) -> bool:
    """Whether a bearing's element is not known, or only guessed from short, faint combs."""
    if finding.tone is None:
        return True
    comb = case.combs.get(finding.shown_in)
    guessed = finding.probability < NAMED_SURELY * finding.damage_probability
    return guessed and comb is not None and not is_long(comb, case.settings.comb)


def _is_apart(case: Case, finding: Finding) -> bool:
    """Whether a finding was made between the impacts of all that is stronger."""
    comb = case.combs.get(finding.shown_in)
    return comb is not None and comb.gated
