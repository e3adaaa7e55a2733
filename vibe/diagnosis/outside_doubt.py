"""What other machines leave of a finding: a tone that an outside comb may make too, and a machine of the same kind."""

from __future__ import annotations

from collections.abc import Sequence
from math import exp

from vibe.core.health import Finding
from vibe.core.outside import ForeignComb
from vibe.core.tones import Tone
from vibe.diagnosis.case import Case

OUTSIDE_TOO = 0.3
"""Share left to a part whose tone is also a whole number per turn of a shaft that turns another machine: chains and
blades strike in most plants, a bearing fails in few (common practice)."""
NEIGHBOUR_WEIGHT = 1.2
"""How likely damage is in a machine of the same kind beside, against this one, where slip tells nothing (common
practice): as likely, and a little more, so that nobody opens the wrong one."""
SURELY_OWN = 0.95
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
    tone, order = _tone(case, finding), _order(case, finding)
    if tone is not None and order is not None and any(tone.slip) and case.alike:
        share = _own_share(tone, order, case.alike)
        rpm = [f"{speed * case.speed.input_hz * 60:.0f}" for speed in case.alike] if case.speed is not None else []
        name = f"the same part of a machine of the same kind beside it, at {' or '.join(rpm)} r/min"
        more = (
            f" A machine of the same kind runs beside it ({' or '.join(rpm)} r/min): this may be that one's. Measure "
            "again while that one stands, or at a second point, nearer to one of the two, and compare."
        )
        return _less_sure(finding, share, name, more) if share < SURELY_OWN else finding
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


def _own_share(tone: Tone, order: float, alike: Sequence[float]) -> float:
    """Probability that a comb at ``order`` is this machine's rather than one's whose speed is ``alike`` (relative), by
    the slip that each would need: usual in the middle of the tone's window, rare at its ends."""
    low, high = tone.slip
    middle, sigma = (low + high) / 2, (high - low) / 4

    def weight(speed: float) -> float:
        times = 2 if abs(order / (2 * tone.order) - 1) < abs(order / tone.order - 1) else 1
        slip = order / (times * tone.order * speed) - 1
        return exp(-0.5 * ((slip - middle) / sigma) ** 2)

    own, others = weight(1.0), NEIGHBOUR_WEIGHT * sum(weight(speed) for speed in alike)
    return own / (own + others) if own + others > 0 else 1 / (1 + NEIGHBOUR_WEIGHT)


def _order(case: Case, finding: Finding) -> float | None:
    """Where the finding's largest comb lies."""
    known = {**{comb.tone: comb for comb in case.unmatched}, **case.combs}
    comb = known.get(finding.seen_in[0] if finding.seen_in else finding.tone or "")
    return None if comb is None else comb.order


def _tone(case: Case, finding: Finding) -> Tone | None:
    names = [name for name in (finding.tone, *finding.seen_in) if name is not None]
    return next((tone for tone in case.tones.tones if tone.id in names), None)
