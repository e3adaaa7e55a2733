"""What other machines leave of a finding: a tone that an outside comb may make too, and a machine of the same kind."""

from __future__ import annotations

from collections.abc import Sequence

from vibe.core.health import Finding
from vibe.core.outside import ForeignComb
from vibe.core.tones import Tone
from vibe.diagnosis.case import Case

OUTSIDE_TOO = 0.3
"""Share left to a part whose tone is also a whole number per turn of a shaft that turns another machine: chains and
blades strike in most plants, a bearing fails in few (common practice)."""
NEIGHBOUR_TOO = 0.45
"""Share left where a machine of the same kind runs beside, at a speed that the part's slip does not tell from this
one's (common practice): as likely there as here, and a little less than even, so that nobody opens the wrong one."""
MOST_TIMES = 12
SAME = 3e-3
"""Relative distance within which a multiple of an outside comb lies at a part's tone."""
OWN_PARTS = ("stage", "bearing")


def doubted_by_outside(case: Case, findings: Sequence[Finding]) -> list[Finding]:
    """The findings on the drive's parts, less sure where another machine may make the same."""
    return [_doubted(case, finding) for finding in findings]


def _doubted(case: Case, finding: Finding) -> Finding:
    if not finding.component.startswith(OWN_PARTS):
        return finding
    comb = _outside_at(case, finding)
    if comb is not None:
        name = f"an outside source at {comb.order:.4g} orders"
        return _less_sure(finding, OUTSIDE_TOO, name)
    tone = _tone(case, finding)
    if tone is not None and any(tone.slip) and case.alike:
        rpm = [f"{speed * case.speed.input_hz * 60:.0f}" for speed in case.alike] if case.speed is not None else []
        name = f"the same part of a machine of the same kind beside it, at {' or '.join(rpm)} r/min"
        more = (
            f" A machine of the same kind runs beside it ({' or '.join(rpm)} r/min): this may be that one's. Measure "
            "again while that one stands, or at a second point, nearer to one of the two, and compare."
        )
        return _less_sure(finding, NEIGHBOUR_TOO, name, more)
    return finding


def _less_sure(finding: Finding, share: float, name: str, more: str = "") -> Finding:
    return finding.weakened(share).model_copy(
        update={
            "cannot_be_told_from": [*finding.cannot_be_told_from, name],
            "why": finding.why + more,
        }
    )


def _outside_at(case: Case, finding: Finding) -> ForeignComb | None:
    """The outside comb of which a finding's impacts are a whole multiple, and that may be a part's too."""
    orders = [case.combs[name].order for name in finding.seen_in if name in case.combs]
    if finding.tone is not None and finding.tone in case.combs:
        orders.append(case.combs[finding.tone].order)
    for comb in case.foreign:
        for order in orders:
            times = round(order / comb.order)
            if comb.ambiguous and 1 <= times <= MOST_TIMES and abs(order / (times * comb.order) - 1) < SAME:
                return comb
    return None


def _tone(case: Case, finding: Finding) -> Tone | None:
    names = [name for name in (finding.tone, *finding.seen_in) if name is not None]
    return next((tone for tone in case.tones.tones if tone.id in names), None)
