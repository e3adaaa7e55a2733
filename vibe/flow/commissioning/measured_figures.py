"""One capture of a new drive: judged, and turned into figures that requirements can be held against."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from vibe.core.errors import CallError, CaptureError
from vibe.core.records.acceptance import RunKind, Sighting
from vibe.flow.commissioning.line_values import LineAsked, line_values
from vibe.flow.commissioning.speed_curves import OVER_SPEED, sightings, speed_curves
from vibe.flow.diagnose.capture_diagnosis import diagnose_samples
from vibe.flow.settings import Settings
from vibe.storage.files import writable

if TYPE_CHECKING:
    from vibe.core.capture import Capture
    from vibe.core.drive import Drive
    from vibe.core.evidence import Level
    from vibe.core.health import Finding
    from vibe.core.records.commissioning import SpeedCurve
    from vibe.core.route.route import Mounting
    from vibe.core.tones import ToneTable, Visibility
    from vibe.flow.diagnose.capture_diagnosis import CaptureDiagnosis
    from vibe.flow.identify.answer import Counts, Identification
    from vibe.health.acceptance.finding_outcomes import Counted
    from vibe.ingest.quality.recording.noise_print import NoisePrint
    from vibe.ingest.quality.recording.same_recording import Polarity
    from vibe.spectra.signal_analysis import SignalAnalysis

OMEGA_POWER = {"velocity_rms": -1, "displacement_rms": -2, "acceleration_rms": 0, "acceleration_rms_high": 0}
"""Measures that are r.m.s. over a band, and the power of the angular frequency that makes them of acceleration."""
WITHIN = 0.05
"""By how much, relative, a band may end early and still be the one that was asked for."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FiguresJob:
    """One capture to look at; ``identify``: also ask for its counts."""

    path: Path
    run: int
    kind: RunKind
    drive: Drive
    table: ToneTable
    settings: Settings
    mounting: Mounting
    identify: bool
    lines: tuple[LineAsked, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CaptureFigures:
    """What one capture gives. ``figures`` by (name of measure or line, unit); ``error`` when it could not be read."""

    file: str
    run: int
    kind: RunKind
    sha256: str = ""
    error: str | None = None
    measured_at: datetime | None = None
    speed_hz: float | None = None
    fit: bool = False
    detected: bool = True
    """Whether the drive was detected running in it: where it was not, that nothing is found says nothing."""
    points: tuple[str, ...] = ()
    figures: dict[tuple[str, str], tuple[Sighting, ...]] = field(default_factory=dict)
    findings: tuple[Finding, ...] = ()
    visibility: tuple[Visibility, ...] = ()
    detection_limits: dict[str, float] = field(default_factory=dict)
    counted: Counted | None = None
    identified: Identification | None = None
    """What it says of the counts, where it was asked."""
    remarks: tuple[str, ...] = ()
    tag: str | None = None
    """The drive that the capture says it is of."""
    channels: tuple[str, ...] = ()
    recording: tuple[str, ...] = ()
    """What the same recording in another file shares with it; empty where that cannot be determined."""
    polarity: tuple[Polarity, ...] = ()
    """What other captures are compared with, whether they are the same recording changed."""
    noise: NoisePrint | None = None
    """The same in small, which knows a resampled one too, and is kept in the record for a retest."""
    duration_s: float | None = None
    sample_rate_hz: float | None = None
    top_hz: float | None = None
    load_percent: float | None = None
    curves: tuple[SpeedCurve, ...] = ()


def look(job: FiguresJob) -> CaptureFigures:
    """Read, judge and measure one capture, in whatever process."""
    from vibe.diagnosis.detection_limits import detection_limits
    from vibe.health.state.weak_signs import weak_last
    from vibe.ingest import read_capture

    name = writable(job.path.name)
    try:
        capture = read_capture(job.path)
    except CaptureError as error:
        return CaptureFigures(file=name, run=job.run, kind=job.kind, error=writable(error.reason))
    if job.kind in OVER_SPEED:
        return _over_speed(job, capture, name)
    judged = diagnose_samples(capture, job.drive, job.table, job.settings)
    reading = judged.reading
    tops = [q.usable_band_hz[1] for q in judged.quality if q.usable_band_hz is not None]
    counted, identified_as = _counted(job, capture, name) if job.identify else (None, None)
    rejected = [
        f"{q.channel} is rejected: {q.reasons[0].text}" for q in judged.quality if q.verdict == "rejected" and q.reasons
    ]
    return CaptureFigures(
        file=name,
        run=job.run,
        kind=job.kind,
        sha256=capture.sha256,
        measured_at=capture.measured_at,
        speed_hz=None if reading is None or reading.speed.method == "nominal" else reading.speed.input_hz,
        fit=reading is not None,
        detected=judged.not_detected is None or (counted is not None and counted.answer == "pass"),
        points=() if reading is None else tuple(reading.samples),
        figures=_figures(job, capture, judged),
        findings=tuple(weak_last(judged.findings, job.settings.judgement)) if reading is not None else (),
        visibility=judged.visibility if reading is not None else (),
        detection_limits={
            one.tone: one.hit_m_s2
            for one in detection_limits(judged.combs, job.settings.diagnosis.comb)
            if one.hit_m_s2 is not None
        },
        counted=counted,
        identified=identified_as,
        remarks=(*rejected, *judged.report.remarks),
        top_hz=min(*tops, _holds_to(job.mounting)) if tops else None,
        **_taken(capture),
    )


def _over_speed(job: FiguresJob, capture: Capture, name: str) -> CaptureFigures:
    """A run-up or coast-down, whose tones move: its levels against speed alone."""
    from vibe.spectra.speed.levels_over_speed import BAND_HZ

    found = speed_curves(capture, job.kind, name, job.drive, job.table)
    error, _ = _mounted(job.mounting, BAND_HZ[1])
    return CaptureFigures(
        file=name, run=job.run, kind=job.kind, sha256=capture.sha256, measured_at=capture.measured_at,
        figures=sightings(found, run=job.run, kind=job.kind, mounting=error), remarks=found.remarks,
        curves=found.curves, top_hz=BAND_HZ[1] if found.curves else None, **_taken(capture),
    )  # fmt: skip


def _taken(capture: Capture) -> dict[str, Any]:
    """How a capture was taken, as far as it says."""
    from vibe.core.capture import TURNING
    from vibe.ingest.quality.recording.noise_print import noise_print
    from vibe.ingest.quality.recording.same_recording import polarity
    from vibe.ingest.route.duplicates import samples_hash

    vibration = [one for one in capture.channels if one.quantity not in TURNING]
    longest = max(vibration or capture.channels, key=lambda one: one.duration_s)
    hashes = sorted(samples_hash(one) for one in vibration)
    return {
        "tag": capture.drive, "channels": tuple(one.name for one in vibration),
        "recording": tuple(hashes) if all(hashes) else (), "polarity": polarity(vibration),
        "noise": noise_print(vibration),
        "duration_s": longest.duration_s, "sample_rate_hz": longest.sample_rate_hz,
        "load_percent": capture.load_percent,
    }  # fmt: skip


def _holds_to(mounting: Mounting) -> float:
    """Highest frequency at which a fixing still holds."""
    from vibe.kinematics.planning.capture_plan import MOUNTED_RESONANCE_HZ, THIRD

    return MOUNTED_RESONANCE_HZ[mounting] / THIRD


def when(looked: CaptureFigures) -> float | None:
    """Seconds since 1970; a time without an offset counts as universal time, which is good enough for an order."""
    at = looked.measured_at
    return None if at is None else (at if at.tzinfo is not None else at.replace(tzinfo=UTC)).timestamp()


# ── figures ───────────────────────────────────────────────────────────────────────────────────────────────────────


def _figures(
    job: FiguresJob, capture: Capture, judged: CaptureDiagnosis
) -> dict[tuple[str, str], tuple[Sighting, ...]]:
    from vibe.health.acceptance.chain import below_noise

    reading = judged.reading
    if reading is None:
        return {}
    at = capture.measured_at
    time_s = None if at is None else (at if at.tzinfo is not None else at.replace(tzinfo=UTC)).timestamp()
    found: dict[tuple[str, str], list[Sighting]] = {}
    doubts = below_noise(reading.levels)

    def add(
        name: str,
        point: str,
        value: float,
        unit: str,
        top_hz: float,
        *,
        scatter: float,
        scatter_why: str,
        short_of: str = "",
        step: float | None = None,
        lift: float | None = None,
        **more: Any,
    ) -> None:
        error, short = _mounted(job.mounting, top_hz)
        # Where the spectrum is at hand it tells how much of the figure lies near the resonance.
        error = error if lift is None else min(error, lift)
        short = "; ".join(text for text in (short_of, short) if text)
        found.setdefault((name, unit), []).append(
            Sighting(
                value=value, unit=unit, point=point, run=job.run, kind=job.kind, file=writable(job.path.name),
                time_s=time_s, mounting=error, top_hz=top_hz, short_of=short, scatter=scatter,
                scatter_why=scatter_why, step=step, doubt=doubts.get(point, ""), **more,
            )
        )  # fmt: skip

    tops = {q.channel: q.usable_band_hz[1] for q in judged.quality if q.usable_band_hz is not None}
    channels = {channel.name: channel for channel in capture.vibration}
    for level in reading.levels:
        channel = channels[level.point]
        band = level.band_hz or (0.0, channel.sample_rate_hz / 2)
        top = min(band[1], tops.get(level.point, band[1]))
        scatter, why = _level_scatter(level, (band[0], top), reading, channel.duration_s)
        lift = _level_lift(level, (band[0], top), reading, job.mounting)
        add(
            level.measure, level.point, level.value, level.unit, top, scatter=scatter, scatter_why=why,
            short_of=_short_of(level, job), lift=lift,
            step=channel.step if level.measure == "acceleration_peak" and channel.quantity == "acceleration" else None,
        )  # fmt: skip
    for line in line_values(job.lines, job.drive, job.table, reading):
        for value, unit in ((line.velocity_mm_s, "mm/s"), (line.acceleration_m_s2, "m/s^2")):
            add(
                line.name, line.channel, value, unit, line.frequency_hz, scatter=line.scatter,
                scatter_why=line.scatter_why, degrees_of_freedom=line.degrees_of_freedom, smeared=line.smeared,
                angle=line.angle, not_apart=line.not_apart, needs_s=line.needs_s, needs=line.needs,
                jitter=line.jitter,
            )  # fmt: skip
    # What follows the supply has no line of the drive so near that it would have to be parted from it.
    from vibe.health.acceptance.outcomes import line_scatter

    fitted = {line.name for line in job.lines}
    for fixed in reading.lines:
        if fixed.name not in fitted:
            scatter = line_scatter(fixed.velocity_mm_s, fixed.floor_mm_s)
            why = f"line {fixed.over_floor_db:.0f} dB over its floor"
            for value, unit in ((fixed.most_velocity_mm_s, "mm/s"), (fixed.most_acceleration_m_s2, "m/s^2")):
                add(fixed.name, fixed.channel, value, unit, fixed.frequency_hz, scatter=scatter, scatter_why=why)
    return {key: tuple(sightings) for key, sightings in found.items()}


def _level_scatter(
    level: Level, band_hz: tuple[float, float], reading: SignalAnalysis, duration_s: float
) -> tuple[float, str]:
    from vibe.spectra.basic.level_uncertainty import band_scatter, noise_scatter, peak_scatter

    width = band_hz[1] - band_hz[0]
    if level.measure in OMEGA_POWER:
        spectrum = next(one for one in reading.spectra if one.channel == level.point)
        power = OMEGA_POWER[level.measure]
        value = band_scatter(spectrum.power, spectrum.bin_hz, duration_s, band_hz, power)
        return value, f"{duration_s:.3g} s of {band_hz[0]:g} to {band_hz[1]:g} Hz, lines and noise"
    if level.measure == "acceleration_peak":
        return peak_scatter(width, duration_s), f"highest value of {duration_s:.3g} s"
    return noise_scatter(width, duration_s), f"1 / sqrt(4 B T) of {duration_s:.3g} s"


def _level_lift(
    level: Level, band_hz: tuple[float, float], reading: SignalAnalysis, mounting: Mounting
) -> float | None:
    from vibe.kinematics.planning.capture_plan import MOUNTED_RESONANCE_HZ
    from vibe.spectra.basic.level_uncertainty import resonance_lift

    if level.measure not in OMEGA_POWER:
        return None
    spectrum = next(one for one in reading.spectra if one.channel == level.point)
    resonance = MOUNTED_RESONANCE_HZ[mounting]
    return resonance_lift(spectrum.power, spectrum.bin_hz, band_hz, resonance, OMEGA_POWER[level.measure])


def _mounted(mounting: Mounting, top_hz: float) -> tuple[float, str]:
    """How far the fixing lifts what lies at ``top_hz``, and what is wrong where that is too near its resonance."""
    from vibe.kinematics.planning.capture_plan import MOUNTED_RESONANCE_HZ, THIRD, mounted_error

    resonance = MOUNTED_RESONANCE_HZ[mounting]
    # A band that ends at the third is one that the plan asks for.
    if top_hz > resonance / THIRD * (1 + 1e-6):
        return mounted_error(1 / THIRD), f"anything above {resonance / THIRD:.0f} Hz, where a {mounting} still holds"
    return mounted_error(top_hz / resonance), ""


def _short_of(level: Level, job: FiguresJob) -> str:
    """What is missing of the band that velocity is judged in."""
    if level.measure not in ("velocity_rms", "displacement_rms") or level.band_hz is None:
        return ""
    low, high = job.settings.limits.velocity_band.for_speed(job.drive.input.speed_rpm)
    if level.band_hz[0] <= low * (1 + WITHIN) and level.band_hz[1] >= high * (1 - WITHIN):
        return ""
    return f"{low:g} to {high:g} Hz at {level.point}, of which {level.band_hz[0]:g} to {level.band_hz[1]:g} Hz were"


# ── counts ────────────────────────────────────────────────────────────────────────────────────────────────────────


def _counted(job: FiguresJob, capture: Capture, name: str) -> tuple[Counted, Identification | None]:
    from vibe.flow.identify.identification import identified
    from vibe.health.acceptance.finding_outcomes import Counted

    low, high = (60 * speed for speed in job.drive.input.speed_range_hz)
    try:
        found = identified(capture, (low, high), drive=job.drive)
    except CallError as error:
        return Counted(file=name, answer="undetermined", ratio="", why=str(error), knowable=False), None
    plate = found.plate
    if plate is None or plate.verdict == "cannot be told":
        return Counted(file=name, answer="undetermined", ratio="", why=plate.why if plate else "not determined"), found
    ratio = _ratio(found.candidates[0])
    return Counted(file=name, answer="pass" if plate.verdict == "fits" else "fail", ratio=ratio, why=plate.why), found


def _ratio(best: Counts) -> str:
    return f"{best.ratio:g} ({best.lobes} lobes, {best.ring_pins} ring pins)"


def counted_together(found: Sequence[Identification]) -> Counted | None:
    """What captures say of the counts together, where none of them says it by itself; None where they do not either."""
    from vibe.flow.identify.answer import together
    from vibe.flow.identify.identification import RULED_OUT, SURE
    from vibe.health.acceptance.finding_outcomes import Counted

    plates = [one.plate for one in found if one.plate is not None]
    ranked = together(found)
    if len(found) < 2 or not plates or not ranked or any(plate.verdict != "cannot be told" for plate in plates):
        return None
    best, plate = ranked[0], plates[0]
    own = next((c.probability for c in ranked if (c.lobes, c.ring_pins) == (plate.lobes, plate.ring_pins)), 0.0)
    fits = own >= SURE
    if not fits and (best.probability < SURE or own >= RULED_OUT):
        return None
    why = (
        f"{best.lobes} lobes and {best.ring_pins} ring pins explain the lines of {len(found)} captures together, "
        f"p = {best.probability:.3f}"
    )
    return Counted(file=f"{len(found)} captures", answer="pass" if fits else "fail", ratio=_ratio(best), why=why)


def to_identify(kinds: Sequence[RunKind], sizes: Sequence[int], most: int) -> set[int]:
    """Places of the captures from which counts are worth finding: loaded ones first, then long ones."""
    order: dict[RunKind, int] = {"rated load": 0, "load step": 1, "reversed": 2, "no load": 3, "run-in": 4}
    ranked = sorted(
        (place for place, kind in enumerate(kinds) if kind in order),
        key=lambda place: (order[kinds[place]], -sizes[place]),
    )
    return set(ranked[:most])
