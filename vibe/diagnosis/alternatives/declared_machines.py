"""What a declared machine leaves of a finding: where it passes at a part's own order, the part need not be bad."""

from __future__ import annotations

from collections.abc import Sequence

from vibe.core.health import Finding
from vibe.core.tones import OUTSIDE, Tone
from vibe.diagnosis.alternatives.outside_multiples import whole_multiple
from vibe.diagnosis.case import Case

DECLARED_TOO = 0.3
"""Share left to a part at an order that a declared machine makes too: that machine is known to be there, damage is not
(common practice)."""
LOW_MULTIPLES = 3
"""Up to here a machine's own first lines may be too faint to be detected. A comb at its every fourth line or beyond is
its own only where lines below stand: impacts of one rate make them all, the first ones strongest (common practice)."""


def doubted_by_declared(case: Case, findings: Sequence[Finding]) -> list[Finding]:
    """The findings on the drive's parts; those whose comb is a whole multiple of a declared machine's order are less
    sure, and name it."""
    declared = [tone for tone in case.tones.tones if tone.family in OUTSIDE]
    return [_doubted(case, finding, declared) for finding in findings] if declared else list(findings)


def _doubted(case: Case, finding: Finding, declared: Sequence[Tone]) -> Finding:
    comb = case.combs.get(finding.tone or "")
    if comb is None:
        return finding
    source = next((tone for tone in declared if _makes(case, tone, comb.order)), None)
    if source is None:
        return finding
    name = source.id.partition(".")[2].replace("_", " ")
    why = f"{name[:1].upper()}{name[1:]}, which the drive file declares, makes the same: measure while it is uncoupled."
    return finding.weakened(DECLARED_TOO).model_copy(
        update={
            "cannot_be_told_from": list(dict.fromkeys([*finding.cannot_be_told_from, source.id])),
            "outside_causes": [*finding.outside_causes, source.id],
            "why": f"{finding.why} {why}",
        }
    )


def _makes(case: Case, source: Tone, order: float) -> bool:
    """Whether ``source`` makes a comb at ``order``: a high multiple only where its lines below are detected as well."""
    times = whole_multiple(order, source.order, resolution=case.resolution, slip=source.slip)
    if times is None or times <= LOW_MULTIPLES:
        return times is not None
    return any(
        (below := whole_multiple(one.order, source.order, resolution=case.resolution, spread=one.spread)) is not None
        and below < times
        for one in case.outside_combs
    )
