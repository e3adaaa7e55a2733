"""Wear of the lobe-pin mesh: its lines grow as a whole. Without a baseline only a high level can be told."""

from __future__ import annotations

from vibe.core.health import EvidenceItem, Finding
from vibe.diagnosis.case import Case
from vibe.diagnosis.outside import outside_finding, share_probability


def find(case: Case) -> list[Finding]:
    """The root sum of squares of a mesh's harmonics against a zone boundary."""
    settings = case.settings.lines
    limit = case.zone_mm_s[settings.mesh_from_zone]
    findings = []
    for tone in case.tones.tones:
        if tone.family != "mesh":
            continue
        lines = [line for k in (1, 2, 3) if (line := case.line(f"{tone.id} {k}")) is not None]
        lines = [line for line in lines if line.over_floor_db >= settings.over_floor_from_db]
        total = sum(line.velocity_mm_s**2 for line in lines) ** 0.5
        if not lines or total < limit:
            continue
        findings.append(
            outside_finding(
                case,
                component=tone.component,
                defect="wear",
                velocity_mm_s=total,
                probability=share_probability(min(1.0, total / (2 * limit)), 0.5),
                cannot=["unequal discs", "overload", "wrong backlash"],
                why=f"The mesh ({lines[0].frequency_hz:.1f} Hz and harmonics) carries {total:.2f} mm/s r.m.s., over the "
                f"{settings.mesh_from_zone} boundary of {limit:g} mm/s; no baseline tells yet whether it grew.",
                items=[
                    EvidenceItem(kind="line", text=line.name, value=round(line.velocity_mm_s, 3), unit="mm/s",
                                 channel=line.channel)
                    for line in lines
                ],
                advice="Store this capture as a baseline and measure again at the same load; check the lubricant for "
                "wear particles.",
            ).model_copy(update={"tone": tone.id})
        )  # fmt: skip
    return findings
