"""Run-ups and coast-downs: levels against speed, where a pulse or the drive's own lines give the speed."""

from __future__ import annotations

from dataclasses import dataclass
from math import hypot
from typing import TYPE_CHECKING

from vibe.core.capture import TURNING
from vibe.core.records.acceptance import RunKind, Sighting
from vibe.core.records.commissioning import SpeedCurve, SpeedFrom
from vibe.core.text import time_spans
from vibe.storage.files import writable

if TYPE_CHECKING:
    from vibe.core.capture import Capture, Channel
    from vibe.core.drive import Drive
    from vibe.core.tones import ToneTable
    from vibe.spectra.speed.levels_over_speed import SpeedLevels, TurnsInTime
    from vibe.spectra.speed.swept_speed import SweptSpeed

OVER_SPEED: tuple[RunKind, ...] = ("run-up", "coast-down")
"""Runs in which speed moves through its range: levels over speed and nothing else are read off them."""
ONCE, VELOCITY = "once per turn", "velocity_rms"
"""What can be asked for over speed."""
SAID_S = 0.5
"""Time without a speed that is worth a word: one segment's."""
PULSE = "record a pulse per turn"


@dataclass(frozen=True, slots=True, kw_only=True)
class RunCurves:
    """Of one run: curves of all points that are fit for use; of each point's levels the relative ``scatter``, the
    highest velocity [mm/s] where the speed is not known; what of the run has no speed; remarks on what is not fit."""

    curves: tuple[SpeedCurve, ...] = ()
    scatter: dict[str, float]
    elsewhere_mm_s: dict[str, float]
    remarks: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Angle:
    """What of a run has a known angle, and from where."""

    turning: tuple[TurnsInTime, ...]
    speed_from: SpeedFrom
    uncertainty: float = 0.0
    gaps_hz: tuple[tuple[float, float], ...] = ()
    known_s: tuple[tuple[float, float], ...] = ()
    unknown_s: tuple[tuple[float, float], ...] = ()


def name_of(measure: str) -> str:
    """The name of a figure over speed."""
    return f"{measure} over speed"


def speed_curves(capture: Capture, kind: RunKind, file: str, drive: Drive, table: ToneTable) -> RunCurves:
    """Levels against speed at all points of a capture."""
    from vibe.ingest.quality.assessment import assess
    from vibe.spectra.speed.levels_over_speed import levels_over_speed

    remarks, fit = [], []
    for channel in capture.channels:
        if channel.quantity != "acceleration":
            continue
        quality = assess(channel)
        if quality.verdict == "rejected":
            remarks.append(f"{channel.name} is rejected: {quality.reasons[0].text}")
            continue
        fit.append(channel)
    angle, said = _angle(capture, fit, kind, drive, table)
    remarks += said
    if angle is None:
        return RunCurves(scatter={}, elsewhere_mm_s={}, remarks=tuple(remarks))
    beat_turns = beat_of(table)
    curves, scatter, elsewhere = [], {}, {}
    for channel in fit:
        found = levels_over_speed(channel.samples, channel.sample_rate_hz, angle.turning, beat_turns=beat_turns)
        if found is None:
            whose = "the pulse gives" if angle.speed_from == "pulses" else "own lines give the speed of"
            remarks.append(f"{channel.name}: {whose} too little of a {kind}")
            continue
        if found.read_hz is None and angle.speed_from == "own lines":
            remarks.append(f"{channel.name}: own lines give the speed over too short a range to look for a resonance")
        elif found.read_hz is None:
            remarks.append(
                f"{channel.name}: the speed of the {kind} changes too fast to distinguish a resonance from lines next "
                f"to running speed, which beat once in {beat_turns:.3g} turns"
            )
        scatter[channel.name] = hypot(found.scatter, angle.uncertainty)
        if angle.speed_from == "own lines" and found.elsewhere_m_s is not None:
            elsewhere[channel.name] = 1e3 * found.elsewhere_m_s
        curves.append(_curve(found, angle, file=file, kind=kind, point=channel.name))
    return RunCurves(curves=tuple(curves), scatter=scatter, elsewhere_mm_s=elsewhere, remarks=tuple(remarks))


def _curve(found: SpeedLevels, angle: _Angle, *, file: str, kind: RunKind, point: str) -> SpeedCurve:
    own = angle.speed_from == "own lines"
    return SpeedCurve(
        file=file, kind=kind, point=point, speed_rpm=_short(60 * found.speed_hz),
        velocity_mm_s=_short(1e3 * found.velocity_m_s),
        once_per_turn_mm_s=_short(1e3 * found.once_per_turn_m_s),
        resonances_rpm=tuple(round(60 * speed, 1) for speed in found.resonances_hz),
        read_rpm=None if found.read_hz is None else _rpm(*found.read_hz),
        speed_from=angle.speed_from,
        speed_uncertainty_percent=float(f"{200 * angle.uncertainty:.2g}") if own else None,
        known_s=angle.known_s, unknown_s=angle.unknown_s,
        gaps_rpm=tuple(_rpm(*gap) for gap in angle.gaps_hz),
    )  # fmt: skip


# ── speed ─────────────────────────────────────────────────────────────────────────────────────────────────────────


def _angle(
    capture: Capture, fit: list[Channel], kind: RunKind, drive: Drive, table: ToneTable
) -> tuple[_Angle | None, list[str]]:
    """By a pulse where there is one, else by own lines; and what is to be said of it."""
    from vibe.kinematics.followed_lines import can_be_followed, followed_lines
    from vibe.spectra.speed.levels_over_speed import turns_of_pulse
    from vibe.spectra.speed.swept_speed import swept_speed

    pulse = next((one for one in capture.channels if one.quantity in TURNING), None)
    if pulse is not None and (turned := turns_of_pulse(pulse)):
        return _Angle(turning=tuple(turned), speed_from="pulses"), []
    without = f"the pulse of the {kind} gives no speed" if pulse is not None else f"a {kind} without a pulse"
    if not fit:
        return None, [f"{without}, and no channel is fit to give its speed"]
    if not can_be_followed(table):
        return None, [f"{without}, and this drive has no mesh whose lines could give its speed: {PULSE}"]
    rows = [(channel.samples, channel.sample_rate_hz) for channel in fit]
    found = swept_speed(rows, followed_lines(table), drive.input.speed_range_hz, up=kind == "run-up")
    if not found.pieces:
        return None, [f"{without}, and its speed is unknown, because {_why(found)}: {PULSE}"]
    angle = _from_lines(found, min(channel.duration_s for channel in fit))
    return angle, [_said(angle, kind)]


def _from_lines(found: SweptSpeed, duration_s: float) -> _Angle:
    known = tuple(_moments(piece.time_s[0], piece.time_s[-1]) for piece in found.pieces)
    ends = [0.0, *(moment for span in known for moment in span), duration_s]
    between = [_moments(a, b) for a, b in zip(ends[::2], ends[1::2], strict=True)]
    return _Angle(
        turning=tuple((piece.time_s, piece.turns) for piece in found.pieces), speed_from="own lines",
        uncertainty=found.uncertainty, gaps_hz=found.gaps_hz,
        known_s=known, unknown_s=tuple((a, b) for a, b in between if b - a >= SAID_S),
    )  # fmt: skip


def _said(angle: _Angle, kind: RunKind) -> str:
    text = (
        f"the {kind} has no pulse: its speed is read off the drive's own lines within {200 * angle.uncertainty:.1g} % "
        f"(k = 2), {time_spans(angle.known_s)}"
    )
    if angle.unknown_s:
        text += f"; {time_spans(angle.unknown_s)} own lines do not stand out: no level is stated there"
    return text


def _why(found: SweptSpeed) -> str:
    if found.why == "rival" and found.rival is not None:
        return f"{found.rival:.3g} times the speed that own lines suggest explains them about as well"
    return {
        "missing": "samples are missing",
        "short": "its own lines show too few turns at speeds above a tenth of the nominal one",
        "steady": "the speed hardly changes where own lines stand out",
        "lines": "own lines stand out too little",
        "others": "only such lines stand out as other machines have, too",
        "end": "the speed that own lines suggest does not reach the drive's speed range",
        "two": "two machines with lines like its own run through their speeds",
    }.get(found.why, "own lines stand out too little")


def _moments(begin_s: float, end_s: float) -> tuple[float, float]:
    return round(float(begin_s), 1), round(float(end_s), 1)


def beat_of(table: ToneTable) -> float:
    """Turns of the input in which the line once per turn beats with its nearest side line, at the turn of the slowest
    body of the first stage; 0 without any."""
    slow = [abs(float(body.order)) for body in table.bodies if body.body.startswith("stage1.") and body.order]
    return max((1 / order for order in slow if order < 1.0), default=0.0)


def sightings(
    found: RunCurves, *, run: int, kind: RunKind, mounting: float
) -> dict[tuple[str, str], tuple[Sighting, ...]]:
    """The highest of each curve, as figures that requirements can be held against. Velocity needs no speed: where that
    is not known it counts all the same. The line once per turn is not measured there."""
    from vibe.spectra.speed.levels_over_speed import BAND_HZ

    figures: dict[tuple[str, str], tuple[Sighting, ...]] = {}
    for measure in (VELOCITY, ONCE):
        rows = []
        for curve in found.curves:
            values = curve.velocity_mm_s if measure == VELOCITY else curve.once_per_turn_mm_s
            elsewhere = found.elsewhere_mm_s.get(curve.point, 0.0) if measure == VELOCITY else 0.0
            rows.append(
                Sighting(
                    value=max(*values, elsewhere), unit="mm/s", point=curve.point, run=run, kind=kind,
                    file=writable(curve.file), mounting=mounting, top_hz=BAND_HZ[1], scatter=found.scatter[curve.point],
                    scatter_why="length of a segment of nearly one speed",
                    short_of=_short_of(curve) if measure == ONCE else "",
                )
            )  # fmt: skip
        figures[name_of(measure), "mm/s"] = tuple(rows)
    return figures


def _short_of(curve: SpeedCurve) -> str:
    return f"{curve.kind} {time_spans(curve.unknown_s)}, where own lines give no speed" if curve.unknown_s else ""


def _rpm(low_hz: float, high_hz: float) -> tuple[float, float]:
    return round(60 * low_hz, 1), round(60 * high_hz, 1)


def _short(values: object) -> tuple[float, ...]:
    """Four digits are more than a level is known to."""
    return tuple(float(f"{value:.4g}") for value in values)  # type: ignore[attr-defined]
