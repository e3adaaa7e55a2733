"""Looseness: a long series of running-speed harmonics, and half orders between them."""

from __future__ import annotations

from vibe.core.health import EvidenceItem, Finding
from vibe.diagnosis.case import Case
from vibe.diagnosis.outside import HALVES, SERIES, loose_series, outside_finding, series_is_loose, share_probability


def find(case: Case) -> list[Finding]:
    """The series, made surer by half orders."""
    if not series_is_loose(case):
        return []
    settings = case.settings.lines
    count, series, first = loose_series(case)
    halves = [
        line
        for name in HALVES
        if (line := case.line(name)) is not None and line.over_floor_db >= settings.over_floor_from_db
    ]
    strongest = max((line for n in SERIES if (line := case.line(n)) is not None), key=lambda li: li.velocity_mm_s)
    items = [
        EvidenceItem(kind="line", text=name, value=round(line.velocity_mm_s, 3), unit="mm/s", channel=line.channel)
        for name in ("1x", "2x", *SERIES, *HALVES)
        if (line := case.line(name)) is not None and line.over_floor_db >= settings.over_floor_from_db
    ]
    half_text = f" with {len(halves)} half order{'s' if len(halves) != 1 else ''} between them" if halves else ""
    return [
        outside_finding(
            case,
            component="foundation",
            defect="looseness",
            velocity_mm_s=(series**2 + first**2) ** 0.5,
            probability=share_probability(min(1.0, series / max(first, 1e-9)), settings.looseness_series_share)
            if halves
            else 0.6,
            cannot=["excessive clearance of an input bearing", "rub"],
            why=f"{count} harmonics of running speed from the 3rd to the 10th are present{half_text}; together they "
            f"carry {series:.2f} mm/s r.m.s. at {strongest.channel}.",
            items=items,
            advice="With the drive locked out, check foundation bolts, base and torque arm; then measure again before "
            "blaming the reducer.",
        )
    ]
