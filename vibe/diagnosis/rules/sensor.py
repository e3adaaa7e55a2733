"""A channel that cannot be trusted: named as such, so that nobody blames the drive for it."""

from __future__ import annotations

from vibe.core.health import EvidenceItem, Finding
from vibe.diagnosis.case import Case

SENSOR_CODES = {
    "clipped": "input clipped",
    "overloaded": "sensor overloaded",
    "dropouts": "signal drops out",
    "settling": "sensor still settling",
    "ski_slope": "ski slope at low frequency",
    "implausible": "unit or sensitivity implausible",
    "flat": "no signal",
    "mains_hum": "no signal",
    "dead_channel": "no signal",
    "copied": "same signal as another channel",
    "missing": "samples missing",
    "loose_mount": "loose mount",
    "coarse_steps": "recorder steps too coarse",
    "gain_step": "input range switched",
    "slew_limited": "signal cannot follow",
    "radio": "radio next to the cable",
}
"""Quality codes that concern the measuring chain, and the defect's plain name."""


def find(case: Case) -> list[Finding]:
    """One finding per channel whose verdict rests on the measuring chain."""
    findings = []
    for channel in case.quality:
        reasons = [reason for reason in channel.reasons if reason.code in SENSOR_CODES and reason.verdict != "usable"]
        if channel.verdict == "usable" or not reasons:
            continue
        worst = reasons[0]
        findings.append(
            Finding(
                tone=None,
                component="sensor",
                defect=SENSOR_CODES[worst.code],
                probability=0.95 if channel.verdict == "rejected" else 0.8,
                false_alarm_probability=None,
                severity="moderate" if channel.verdict == "rejected" else "slight",
                cannot_be_told_from=[],
                why=f"{channel.channel}: {worst.text}",
                evidence=[
                    EvidenceItem(kind="quality", text=reason.text, channel=channel.channel) for reason in reasons
                ],
                advice=worst.remedy,
            )
        )
    return findings
