"""Run-ups and coast-downs: levels against speed, where a pulse gives the speed."""

from __future__ import annotations

from typing import TYPE_CHECKING

from vibe.core.capture import TURNING
from vibe.core.records.acceptance import RunKind, Sighting
from vibe.core.records.commissioning import SpeedCurve
from vibe.storage.files import writable

if TYPE_CHECKING:
    from vibe.core.capture import Capture
    from vibe.core.tones import ToneTable

OVER_SPEED: tuple[RunKind, ...] = ("run-up", "coast-down")
"""Runs in which speed moves through its range: levels over speed and nothing else are read off them."""
ONCE, VELOCITY = "once per turn", "velocity_rms"
"""What can be asked for over speed."""


def name_of(measure: str) -> str:
    """The name of a figure over speed."""
    return f"{measure} over speed"


def speed_curves(
    capture: Capture, kind: RunKind, file: str, beat_turns: float
) -> tuple[list[SpeedCurve], dict[str, float], list[str]]:
    """Curves of all points that are fit for use, the scatter of each point's levels, and remarks on what is not.
    ``beat_turns`` as ``beat_of`` says."""
    from vibe.ingest.quality.assessment import assess
    from vibe.spectra.speed.levels_over_speed import levels_over_speed

    pulse = next((one for one in capture.channels if one.quantity in TURNING), None)
    if pulse is None:
        return [], {}, [f"a {kind} without a pulse says nothing of levels against speed"]
    curves, scatter, remarks = [], {}, []
    for channel in capture.channels:
        if channel.quantity != "acceleration":
            continue
        quality = assess(channel)
        if quality.verdict == "rejected":
            remarks.append(f"{channel.name} is rejected: {quality.reasons[0].text}")
            continue
        found = levels_over_speed(channel.samples, channel.sample_rate_hz, pulse, beat_turns=beat_turns)
        if found is None:
            remarks.append(f"{channel.name}: the pulse gives too little of a {kind}")
            continue
        if found.read_hz is None:
            remarks.append(
                f"{channel.name}: the speed of the {kind} changes too fast to distinguish a resonance from lines next "
                f"to running speed, which beat once in {beat_turns:.3g} turns"
            )
        scatter[channel.name] = found.scatter
        curves.append(
            SpeedCurve(
                file=file, kind=kind, point=channel.name, speed_rpm=_short(60 * found.speed_hz),
                velocity_mm_s=_short(1e3 * found.velocity_m_s),
                once_per_turn_mm_s=_short(1e3 * found.once_per_turn_m_s),
                resonances_rpm=tuple(round(60 * speed, 1) for speed in found.resonances_hz),
                read_rpm=None if found.read_hz is None else _rpm(*found.read_hz),
            )
        )  # fmt: skip
    return curves, scatter, remarks


def beat_of(table: ToneTable) -> float:
    """Turns of the input in which the line once per turn beats with its nearest side line, at the turn of the slowest
    body of the first stage; 0 without any."""
    slow = [abs(float(body.order)) for body in table.bodies if body.body.startswith("stage1.") and body.order]
    return max((1 / order for order in slow if order < 1.0), default=0.0)


def sightings(
    curves: list[SpeedCurve], scatter: dict[str, float], *, run: int, kind: RunKind, mounting: float
) -> dict[tuple[str, str], tuple[Sighting, ...]]:
    """The highest of each curve, as figures that requirements can be held against."""
    from vibe.spectra.speed.levels_over_speed import BAND_HZ

    found: dict[tuple[str, str], tuple[Sighting, ...]] = {}
    for measure in (VELOCITY, ONCE):
        rows = []
        for curve in curves:
            values = curve.velocity_mm_s if measure == VELOCITY else curve.once_per_turn_mm_s
            rows.append(
                Sighting(
                    value=max(values), unit="mm/s", point=curve.point, run=run, kind=kind, file=writable(curve.file),
                    mounting=mounting, top_hz=BAND_HZ[1], scatter=scatter[curve.point],
                    scatter_why="length of a segment of nearly one speed",
                )
            )  # fmt: skip
        found[name_of(measure), "mm/s"] = tuple(rows)
    return found


def _rpm(low_hz: float, high_hz: float) -> tuple[float, float]:
    return round(60 * low_hz, 1), round(60 * high_hz, 1)


def _short(values: object) -> tuple[float, ...]:
    """Four digits are more than a level is known to."""
    return tuple(float(f"{value:.4g}") for value in values)  # type: ignore[attr-defined]
