"""Misalignment: twice running speed rivals running speed, and more than the drive's own discs supports it."""

from __future__ import annotations

from vibe.core.health import EvidenceItem, Finding
from vibe.diagnosis.case import Case
from vibe.diagnosis.rules.running_speed_lines import (
    above,
    fault_probability,
    outside_finding,
    own_discs,
    series_is_loose,
    support,
)


def find(case: Case) -> list[Finding]:
    """Twice running speed strong in itself and against running speed, without a loose series."""
    settings = case.settings.lines
    once, twice = case.line("1x"), case.line("2x")
    if twice is None or once is None or twice.over_floor_db < settings.over_floor_from_db or series_is_loose(case):
        return []
    if twice.velocity_mm_s < case.zone_mm_s[settings.level_from_zone]:
        return []
    ratio = twice.velocity_mm_s / max(once.velocity_mm_s, 1e-9)
    total = max(case.level(twice.channel, "velocity_rms"), twice.velocity_mm_s)
    share = (twice.velocity_mm_s**2 + once.velocity_mm_s**2) / total**2
    if ratio < settings.twice_over_once_from or share < settings.misalignment_share_from:
        return []
    more = support(case, "2x", 2, axial_fits=True)
    discs = own_discs(case, 2) is not None
    return [
        outside_finding(
            case,
            component="input.shaft",
            defect="misalignment",
            velocity_mm_s=twice.velocity_mm_s,
            probability=fault_probability(
                case, "misalignment", twice.velocity_mm_s, above(ratio / 2, settings.twice_over_once_from / 2)
            )
            * more.chance,
            cannot=["a distorted foot", "a cracked coupling"]
            + (["the eccentric discs of the drive itself"] if discs else []),
            why=f"Twice running speed ({twice.frequency_hz:.2f} Hz) carries {twice.velocity_mm_s:.2f} mm/s r.m.s., "
            f"{ratio:.1f} times the line at running speed, at {twice.channel}{more.said}.",
            items=[
                EvidenceItem(kind="line", text=f"twice running speed, {twice.frequency_hz:.2f} Hz",
                             value=round(twice.velocity_mm_s, 3), unit="mm/s", channel=twice.channel),
                EvidenceItem(kind="line", text="running speed", value=round(once.velocity_mm_s, 3), unit="mm/s",
                             channel=once.channel),
                *more.items,
            ],
            advice="Check alignment and soft foot at the next stop, cold and at working temperature.",
        )
    ]  # fmt: skip
