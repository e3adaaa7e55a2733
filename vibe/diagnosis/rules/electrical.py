"""Electrical: a line at twice the supply frequency, with pole-pass sidebands."""

from __future__ import annotations

from vibe.core.health import EvidenceItem, Finding
from vibe.diagnosis.case import Case
from vibe.diagnosis.rules.running_speed_lines import above, fault_probability, line_share, outside_finding


def find(case: Case) -> list[Finding]:
    """The line must be distinguished from harmonics of running speed, or nothing is said."""
    settings = case.settings.lines
    line = case.line("twice line")
    if line is None or case.speed is None or case.drive.motor is None:
        return []
    if line.over_floor_db < settings.over_floor_from_db:
        return []
    if line.velocity_mm_s < case.zone_mm_s[settings.level_from_zone]:
        return []
    share = line_share(case, line)
    nearest = round(line.frequency_hz / case.speed.input_hz)
    apart = abs(line.frequency_hz - nearest * case.speed.input_hz)
    if share < settings.electrical_share_from or apart < 0.3:
        return []
    sides = [
        side
        for name in ("twice line - pole pass", "twice line + pole pass")
        if (side := case.line(name)) is not None and side.over_floor_db >= settings.over_floor_from_db
    ]
    return [
        outside_finding(
            case,
            component="motor",
            defect="electrical",
            velocity_mm_s=line.velocity_mm_s,
            probability=fault_probability(
                case, "electrical", line.velocity_mm_s, above(share, settings.electrical_share_from)
            ),
            cannot=["a loose stator", "soft foot that distorts the air gap"],
            why=f"The line at twice the supply frequency ({line.frequency_hz:.2f} Hz) carries "
            f"{line.velocity_mm_s:.2f} mm/s r.m.s., {100 * share:.0f} % of the velocity's mean square at "
            f"{line.channel}" + (f", with {len(sides)} pole-pass sidebands." if sides else "."),
            items=[
                EvidenceItem(kind="line", text=item.name, value=round(item.velocity_mm_s, 3), unit="mm/s",
                             channel=item.channel)
                for item in (line, *sides)
            ],
            advice="Have a qualified person check the supply, the air gap and the feet; the line vanishes at once when "
            "the supply is cut if its cause is electrical.",
        )
    ]  # fmt: skip
