"""A comb at a multiple of another part's is no second damage: the slower one makes all of its lines."""

from __future__ import annotations

from collections.abc import Sequence

from vibe.core.evidence import STANDS_DB
from vibe.core.health import Finding
from vibe.diagnosis.alternatives.outside_multiples import whole_multiple
from vibe.diagnosis.bearing_elements import part_of
from vibe.diagnosis.case import Case

DOUBLE_WITHIN = 1e-3
"""Relative distance within which an order is twice another: about the resolution of a capture of ten seconds."""


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
            apart = part_of(findings[slow].where) != part_of(finding.where)
            if not (order and other and apart):
                continue
            if abs(order / (2 * other) - 1) < DOUBLE_WITHIN or _is_multiple(case, finding, findings[slow]):
                doubled.setdefault(slow, []).append(finding.where)
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


def _is_multiple(case: Case, fast: Finding, slow: Finding) -> bool:
    """Whether ``fast`` has nothing that a deeper, slower comb does not make: it lies at a multiple, third or higher,
    and fewer than half of its own side lines stand."""
    combs = [case.combs[finding.shown_in] for finding in (fast, slow)]
    times = whole_multiple(combs[0].order, combs[1].order, resolution=case.resolution)
    if times is None or times < 3 or combs[1].hit_over_floor_db < combs[0].hit_over_floor_db:
        return False
    sides = combs[0].sideband_lines
    stand = sum(line.over_floor_db >= STANDS_DB for line in sides)
    return bool(sides) and stand < len(sides) / 2


def _order(case: Case, finding: Finding) -> float | None:
    """Where a finding's comb lies; None for findings without one of the drive's own."""
    comb = case.combs.get(finding.shown_in)
    return None if comb is None else comb.order
