"""Wear of a mesh of lobes and pins, or of gears: its lines grow as a whole. Without a baseline only a plain excess can
be determined."""

from __future__ import annotations

from vibe.core.evidence import Line
from vibe.core.health import EvidenceItem, Finding
from vibe.diagnosis.case import Case
from vibe.diagnosis.rules.running_speed_lines import above, outside_finding, root_sum

LEAST_SURE, MOST_SURE = 0.3, 0.6
"""Without a baseline a loud mesh is as often a trait of its type as wear (common practice)."""
OF_DISCS = ("unequal discs", "overload", "wrong backlash")
OF_GEARS = ("gears out of line", "overload", "wrong backlash")
"""What makes a mesh loud besides wear (common practice)."""
RINGING = "loose_mount"
"""Reason of a limited channel whose own resonance may lie on a mesh line and lift it."""


def find(case: Case) -> list[Finding]:
    """A mesh whose harmonics carry most of the acceleration, or reach a zone boundary by themselves."""
    settings = case.settings.lines
    limit = case.zone_mm_s[settings.mesh_from_zone]
    findings = []
    for tone in case.tones.tones:
        if tone.family != "mesh":
            continue
        channel, lines = _loudest(case, tone.id)
        total = root_sum(lines)
        squares = [line.acceleration_m_s2**2 for line in lines]
        rms = case.level(channel, "acceleration_rms")
        share = min(1.0, sum(squares) / rms**2) if rms else 0.0
        if total < limit and share < settings.mesh_share_from:
            continue
        if len(lines) < 2 or sorted(squares)[-2] < settings.mesh_second_share * sum(squares):
            continue
        findings.append(
            outside_finding(
                case,
                component=tone.component,
                defect="wear",
                velocity_mm_s=total,
                probability=LEAST_SURE + (MOST_SURE - LEAST_SURE) * above(share, settings.mesh_share_from),
                cannot=list(OF_GEARS if tone.id.endswith(".gear_mesh") else OF_DISCS),
                why=f"The mesh ({lines[0].frequency_hz:.1f} Hz and harmonics) carries {100 * share:.0f} % of the "
                f"acceleration's mean square and {total:.2f} mm/s r.m.s. at {channel}; there is no baseline yet "
                "that shows whether it grew.",
                items=[
                    EvidenceItem(
                        kind="line", text=line.name, value=round(line.velocity_mm_s, 3), unit="mm/s", channel=channel
                    )
                    for line in lines
                ],
                advice="Store this capture as a baseline and repeat the measurement at the same load; check the "
                "lubricant for wear particles.",
            ).model_copy(update={"tone": tone.id})
        )
    return findings


def _loudest(case: Case, tone: str) -> tuple[str, list[Line]]:
    """The channel in which a mesh is strongest, and its lines that stand over the floor there."""
    by_channel: dict[str, list[Line]] = {}
    ringing = {q.channel for q in case.quality if any(reason.code == RINGING for reason in q.reasons)}
    for k in (1, 2, 3):
        for line in case.lines.get(f"{tone} {k}", ()):
            if line.over_floor_db >= case.settings.lines.over_floor_from_db and line.channel not in ringing:
                by_channel.setdefault(line.channel, []).append(line)
    if not by_channel:
        return "", []
    channel = max(by_channel, key=lambda name: sum(line.acceleration_m_s2**2 for line in by_channel[name]))
    return channel, by_channel[channel]
