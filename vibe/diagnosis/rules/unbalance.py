"""Unbalance: the running-speed line makes most of the velocity, and more than the drive's own discs supports it."""

from __future__ import annotations

from vibe.core.health import EvidenceItem, Finding
from vibe.diagnosis.case import Case
from vibe.diagnosis.rules.running_speed_lines import (
    above,
    fault_probability,
    line_share,
    outside_finding,
    own_discs,
    series_is_loose,
    support,
)


def find(case: Case) -> list[Finding]:
    """Running speed alone, strong, and neither a loose series nor twice running speed next to it."""
    settings = case.settings.lines
    once, twice = case.line("1x"), case.line("2x")
    if once is None or once.over_floor_db < settings.over_floor_from_db or series_is_loose(case):
        return []
    share = line_share(case, once)
    second = twice.velocity_mm_s if twice is not None else 0.0
    if once.velocity_mm_s < case.zone_mm_s[settings.level_from_zone] or share < settings.unbalance_share_from:
        return []
    if second >= settings.twice_over_once_from * once.velocity_mm_s:
        return []
    more = support(case, "1x", 1, axial_fits=False)
    discs = own_discs(case, 1) is not None
    return [
        outside_finding(
            case,
            component="input.shaft",
            defect="unbalance",
            velocity_mm_s=once.velocity_mm_s,
            probability=fault_probability(
                case, "unbalance", once.velocity_mm_s, above(share, settings.unbalance_share_from)
            )
            * more.chance,
            cannot=["a bent shaft", "a resonance of the base near running speed"]
            + (["the eccentric discs of the drive itself"] if discs else []),
            why=f"The line at running speed ({once.frequency_hz:.2f} Hz) carries {once.velocity_mm_s:.2f} mm/s r.m.s., "
            f"{100 * share:.0f} % of the velocity's mean square at {once.channel}{more.said}.",
            items=[
                EvidenceItem(kind="line", text=f"running speed, {once.frequency_hz:.2f} Hz",
                             value=round(once.velocity_mm_s, 3), unit="mm/s", channel=once.channel),
                EvidenceItem(kind="line", text="twice running speed", value=round(second, 3), unit="mm/s",
                             channel=once.channel),
                *more.items,
            ],
            advice="Check coupling, fan and deposits first; measure phase at two points before balancing.",
        )
    ]  # fmt: skip
