"""Strong impacts that no finding explains: not to be called sound, and nobody's fault yet."""

from __future__ import annotations

from collections.abc import Sequence

from vibe.core.health import EvidenceItem, Finding
from vibe.diagnosis.case import Case

EVEN_ODDS = 0.5
"""Impacts are there; whether the drive makes them or the process does is open (common practice)."""


def unexplained_impacts(case: Case, findings: Sequence[Finding]) -> list[Finding]:
    """One finding for the point where impacts are strongest, when they last all the capture and nothing explains them.

    What repeats at an order is explained, be it a part of the drive or an outside source; so is what a bad sensor
    makes. Impacts may not repeat at all: a load that knocks as it pleases.
    """
    clear = case.settings.comb.clear_hit_over_floor_db
    outside = any(comb.evidence.hit_over_floor_db >= clear for comb in case.outside_combs)
    if outside or any(finding.false_alarm_probability is not None for finding in findings):
        return []
    doubted = {item.channel for finding in findings if finding.component == "sensor" for item in finding.evidence}
    points = [point for point in _impulsive(case) if point not in doubted and _lasts(case, point)]
    if not points:
        return []
    point = max(points, key=lambda name: case.level(name, "kurtosis_lasting"))
    kurtosis, crest = case.level(point, "kurtosis_lasting"), case.level(point, "crest_factor")
    peak = case.level(point, "acceleration_peak")
    return [
        Finding(
            tone=None,
            component="impacts",
            defect="unexplained impacts",
            probability=EVEN_ODDS,
            false_alarm_probability=None,
            severity="slight",
            cannot_be_told_from=["what the drive turns", "something loose that strikes", "electrical pulses"],
            why=f"Strong impacts throughout the capture at {point}: kurtosis {kurtosis:.0f} where noise has 3, "
            "peaks of "
            f"{peak:.3g} m/s², {crest:.0f} times the r.m.s. value; no part in the drive file repeats at that rate.",
            evidence=[
                EvidenceItem(kind="level", text="kurtosis, median of twelve pieces", value=round(kurtosis, 1),
                             channel=point),
                EvidenceItem(kind="level", text="crest factor", value=round(crest, 1), channel=point),
                EvidenceItem(kind="level", text="acceleration peak", value=round(peak, 2), unit="m/s^2", channel=point),
            ],
            advice="Find what knocks: guards, cover plates, coupling, fastening, cable and "
            "connector, and what the drive turns. Repeat the measurement without load, and at a second point: "
            "impacts of the drive are largest at its housing. Complete the drive file if a part is missing in it.",
        )
    ]  # fmt: skip


def single_shocks(case: Case) -> list[str]:
    """A sentence for each point at which a few single shocks stand out of a capture that is quiet otherwise."""
    return [
        f"{point}: a few single shocks stand out, {case.level(point, 'crest_factor'):.0f} times the r.m.s. value; they "
        "do not last, so something struck or fell near the sensor; they do not count as damage"
        for point in _impulsive(case)
        if not _lasts(case, point)
    ]


def _impulsive(case: Case) -> list[str]:
    """Points with peaks and a kurtosis far beyond those of noise."""
    rules = case.settings.impacts
    points = list(dict.fromkeys(level.point for level in case.levels))
    return [
        point
        for point in points
        if case.level(point, "crest_factor") >= rules.crest_from
        and case.level(point, "kurtosis") >= rules.lasting_kurtosis_from
    ]


def _lasts(case: Case, point: str) -> bool:
    return case.level(point, "kurtosis_lasting") >= case.settings.impacts.lasting_kurtosis_from
