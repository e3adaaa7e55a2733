"""What a declared machine leaves of a finding: where it passes at a part's own order, the part need not be bad."""

from __future__ import annotations

from collections.abc import Sequence
from math import gcd
from statistics import median

from vibe.core.evidence import CombEvidence
from vibe.core.health import Finding
from vibe.core.outside_combs import LINE_BINS, DeclaredNeighbour
from vibe.core.tones import OUTSIDE, Tone
from vibe.diagnosis.alternatives.outside_machines import has_sides, less_sure, without_them_first
from vibe.diagnosis.alternatives.outside_multiples import whole_multiple
from vibe.diagnosis.case import Case

DECLARED_TOO = 0.3
"""Share left to a part at an order that a declared machine makes too: that machine is known to be there, damage is not
(common practice)."""
SIDES_BELOW_DB = 20.0
"""How far side lines lie below the line between them at most where a load modulates it: by a fifth (in closed form)."""
LOW_MULTIPLES = 3
"""Up to here a machine's own first lines may be too faint to be detected. A comb at its every fourth line or beyond is
its own only where lines below stand: impacts of one rate make them all, the first ones strongest (common practice)."""


def doubted_by_declared(case: Case, findings: Sequence[Finding]) -> list[Finding]:
    """The findings on the drive's parts; those whose comb is a whole multiple of a declared machine's order, or lies
    where one nearby may strike at a speed of its own, are less sure and name it."""
    declared = [tone for tone in case.tones.tones if tone.family in OUTSIDE]
    known = declared or case.neighbours
    return [_doubted(case, finding, declared) for finding in findings] if known else list(findings)


def _doubted(case: Case, finding: Finding, declared: Sequence[Tone]) -> Finding:
    comb = case.combs.get(finding.tone or "")
    if comb is None:
        return finding
    strikes = _strikes(comb)
    orders = {comb.order, strikes}
    source = next((tone for tone in declared if any(_makes(case, tone, order) for order in orders)), None)
    if source is not None:
        name = source.id.partition(".")[2].replace("_", " ")
        why = "which the drive file declares, makes the same: measure while it is uncoupled."
        return _less_sure(finding, DECLARED_TOO, source.id, f"{name[:1].upper()}{name[1:]}, {why}")
    tone = next((one for one in case.tones.tones if one.id == comb.tone), None)
    # What cannot slip lies at an exact order, which a machine with a speed of its own seldom meets; side lines at the
    # part's own turns are no other machine's.
    if tone is None or case.speed is None or not any(tone.slip) or _is_modulated(case, comb):
        return finding
    rate_hz = strikes * case.speed.input_hz
    reach = LINE_BINS * case.resolution / strikes
    near = next((one for one in case.neighbours if _may_strike(one, rate_hz, reach)), None)
    if near is None:
        return finding
    low, high = near.range_hz
    # Damage has any slip, that machine any speed of its range: the wider that is, the seldomer it meets the part.
    slip, wide = tone.slip[1] - tone.slip[0], max(2 * (high - low) / (high + low), reach)
    odds = (1 / DECLARED_TOO - 1) * min(1.0, slip / wide)
    why = f"which the drive file declares nearby, may strike {rate_hz:.4g} times a second: measure while it stands."
    return _less_sure(finding, 1 / (1 + odds), near.name, f"{near.name[:1].upper()}{near.name[1:]}, {why}")


def _is_modulated(case: Case, comb: CombEvidence) -> bool:
    """Whether side lines at the part's own turns stand, no fainter than a load that comes and goes leaves them: what
    lies lower next to a line is the skirt of a speed that varies."""
    height = {round(line.order / comb.order): line.over_floor_db for line in comb.lines}
    below = [
        height[number] - side.over_floor_db
        for side in comb.sideband_lines
        if (number := round(side.order / comb.order)) in height
    ]
    return has_sides(comb, case.resolution) and (not below or median(below) <= SIDES_BELOW_DB)


def _may_strike(neighbour: DeclaredNeighbour, rate_hz: float, reach: float) -> bool:
    """Whether a neighbour makes, at some speed of its range, what repeats ``rate_hz`` times a second, known to
    ``reach`` (relative)."""
    low, high = neighbour.range_hz
    return neighbour.strikes and any(
        low * (1 - reach) <= rate_hz / times <= high * (1 + reach) for times in neighbour.per_turn
    )


def _less_sure(finding: Finding, share: float, name: str, why: str) -> Finding:
    advice = without_them_first(finding.advice)
    return less_sure(finding, share, name, f" {why}").model_copy(update={"advice": advice})


def _strikes(comb: CombEvidence) -> float:
    """Order of the strikes that make the comb: an element that meets both races makes every second line only."""
    numbers = [round(line.order / comb.order) for line in comb.lines]
    return comb.order * max(1, gcd(*numbers))


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
