"""What a declared machine leaves of a finding: where it passes at a part's own order, the part need not be bad."""

from __future__ import annotations

from collections.abc import Sequence

from vibe.core.health import Finding
from vibe.core.tones import OUTSIDE, Tone
from vibe.diagnosis.case import Case

DECLARED_TOO = 0.3
"""Share left to a part at an order that a declared machine makes too: that machine is known to be there, damage is not
(common practice)."""
MOST_TIMES = 3
"""Multiples of a declared order at which its impacts may be taken for a part's; of higher ones the lines below tell."""
SAME = 5e-4
"""Relative distance within which two combs of order 1 are one: a line and a half of a capture of 240 turns (10 s at 24
Hz) over twelve lines. Slower ones are so much less sharp."""


def doubted_by_declared(case: Case, findings: Sequence[Finding]) -> list[Finding]:
    """The findings on the drive's parts; those whose comb is a whole multiple of a declared machine's order are less
    sure, and name it."""
    declared = [tone for tone in case.tones.tones if tone.family in OUTSIDE]
    return [_doubted(case, finding, declared) for finding in findings] if declared else list(findings)


def _doubted(case: Case, finding: Finding, declared: Sequence[Tone]) -> Finding:
    comb = case.combs.get(finding.tone or "")
    if comb is None:
        return finding
    source = next((tone for tone in declared if _multiple(comb.order, tone)), None)
    if source is None:
        return finding
    name = source.id.partition(".")[2].replace("_", " ")
    why = f"{name[:1].upper()}{name[1:]}, which the drive file declares, makes the same: measure while it is uncoupled."
    return finding.model_copy(
        update={
            "probability": DECLARED_TOO * finding.probability,
            "cannot_be_told_from": list(dict.fromkeys([*finding.cannot_be_told_from, source.id])),
            "why": f"{finding.why} {why}",
        }
    )


def _multiple(order: float, source: Tone) -> bool:
    times = round(order / source.order)
    if not 1 <= times <= MOST_TIMES:
        return False
    off = order / (times * source.order) - 1.0
    same = SAME / min(1.0, order)
    return source.slip[0] - same <= off <= source.slip[1] + same
