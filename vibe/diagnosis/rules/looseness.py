"""Looseness: a long series of running-speed harmonics, and half orders between them."""

from __future__ import annotations

from vibe.core.health import EvidenceItem, Finding
from vibe.diagnosis.case import Case
from vibe.diagnosis.rules.running_speed_lines import (
    HALVES,
    above,
    fault_probability,
    loose_series,
    outside_finding,
    root_sum,
    series_is_loose,
)


def find(case: Case) -> list[Finding]:
    """The series, made surer by half orders."""
    if not series_is_loose(case):
        return []
    settings = case.settings.lines
    present, first = loose_series(case)
    halves = [line for line in present if line.name in HALVES]
    series = root_sum(present)
    strongest = max(present, key=lambda line: line.velocity_mm_s)
    shown = [line for n in ("1x", "2x") if (line := case.line(n)) is not None] + present
    half_text = f" and {len(halves)} half order{'s' if len(halves) != 1 else ''}" if halves else ""
    return [
        outside_finding(
            case,
            component="foundation",
            defect="looseness",
            velocity_mm_s=(series**2 + first**2) ** 0.5,
            probability=fault_probability(
                case,
                "looseness",
                (series**2 + first**2) ** 0.5,
                above(series / max(first, 1e-9), settings.looseness_series_share / 2) if halves else 0.0,
            ),
            cannot=["excessive clearance of an input bearing", "rub"],
            why=f"{len(present) - len(halves)} harmonics of running speed from the 3rd to the 10th{half_text} are "
            f"present; together they carry {series:.2f} mm/s r.m.s. at {strongest.channel}.",
            items=[
                EvidenceItem(
                    kind="line", text=line.name, value=round(line.velocity_mm_s, 3), unit="mm/s", channel=line.channel
                )
                for line in shown
            ],
            advice="With the drive locked out, check foundation bolts, base and torque arm; then repeat the "
            "measurement before blaming the reducer.",
        )
    ]
