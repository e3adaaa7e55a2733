"""One capture: read, checked, analysed and diagnosed."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from vibe.core.errors import CaptureError
from vibe.flow.capture_folder import Reader, plain_reader
from vibe.flow.diagnose.earlier_captures import before, fall, growths, past_of
from vibe.flow.diagnose.motion import in_words, motion_in, moves_in, standstill, stops
from vibe.flow.diagnose.outside_requests import outside_of
from vibe.flow.diagnose.presence import (
    axis_of,
    gate,
    of_one_of_two,
    similar_machines_in,
    with_blades,
    with_courses,
    with_turns,
)
from vibe.flow.diagnose.recognition import (
    contradiction,
    doubted_pulses,
    leak_is_sure,
    leaks_behind,
    recognised,
)
from vibe.flow.diagnose.segments import Assessed, Tell, assessed, first_fit, read_over, silent
from vibe.flow.diagnose.settled_speed import at_own_speed
from vibe.flow.diagnose.tone_requests import analysis_request_of, by_tone, candidate_of, searchable
from vibe.storage.files import writable

if TYPE_CHECKING:
    from datetime import datetime

    from vibe.core.capture import Capture, Channel, ChannelQuality, Reason
    from vibe.core.comb_history import Growth, PastCapture
    from vibe.core.drive import Drive
    from vibe.core.evidence import CombEvidence, Line
    from vibe.core.health import CaptureReport, Finding
    from vibe.core.outside_combs import SimilarMachine, Surroundings
    from vibe.core.tones import CaptureSettings, ToneTable, Visibility
    from vibe.diagnosis.alternatives.outside_sources import Outside
    from vibe.diagnosis.case import Case
    from vibe.diagnosis.severity_scale import SeverityScale
    from vibe.flow.settings import Settings
    from vibe.health.state.settings import SeverityBounds
    from vibe.spectra.analysis_request import AnalysisRequest
    from vibe.spectra.identity.recognition import Candidate
    from vibe.spectra.signal_analysis import SignalAnalysis


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CaptureDiagnosis:
    """One capture, read and diagnosed. ``reading`` is None when no channel was fit."""

    report: CaptureReport
    quality: tuple[ChannelQuality, ...]
    reading: SignalAnalysis | None
    combs: dict[str, CombEvidence]
    visibility: tuple[Visibility, ...]
    findings: list[Finding]
    measured_at: datetime | None
    heard_probability: float | None = None
    """That this drive was detected running; None where nothing could show it."""
    not_detected: Reason | None = None
    """Why silence of this capture means nothing: the drive was not detected, or not all the time."""
    outside: Outside | None = None
    """What was detected of machines around the drive."""
    past: PastCapture | None = None
    """What later captures of the drive are compared with."""
    growths: Mapping[str, Growth] = field(default_factory=dict)
    """Changes of combs against earlier captures of the drive, where there are enough of them."""
    alike: tuple[SimilarMachine, ...] | None = None
    """Machines of the same kind that the capture shows too; None where nothing asked for them."""


def diagnose_capture(
    path: Path,
    drive: Drive,
    table: ToneTable,
    settings: Settings,
    reader: Reader = plain_reader,
    others: Mapping[str, Candidate] | None = None,
    tell: Tell = silent,
    earlier: Sequence[PastCapture] = (),
    traced: bool = False,
) -> CaptureDiagnosis:
    """Read, check, analyse and diagnose one file; a file that cannot be read comes back with its error."""
    from vibe.core.health import CaptureReport

    try:
        # A long recording is still being read while it is judged.
        return diagnose_samples(reader(path), drive, table, settings, others, tell, earlier, traced)
    except CaptureError as error:
        report = CaptureReport(file=writable(path.name), error=writable(error.reason))
        return CaptureDiagnosis(
            report=report, quality=(), reading=None, combs={}, visibility=(), findings=[], measured_at=None
        )


def diagnose_samples(
    capture: Capture,
    drive: Drive,
    table: ToneTable,
    settings: Settings,
    others: Mapping[str, Candidate] | None = None,
    tell: Tell = silent,
    earlier: Sequence[PastCapture] = (),
    traced: bool = False,
    leaking: Mapping[str, Reason] | None = None,
) -> CaptureDiagnosis:
    """Check, analyse and diagnose a capture that is in memory.

    ``others``: drives whose lines it might hold instead, by tag. A capture that holds them, or at whose speed nobody
    would look, is rejected: its silence would mean nothing. ``earlier``: captures of the same drive that were accepted,
    oldest first, with which this one is compared. ``traced``: later ones will be compared with it, so that its traces
    are wanted even where it has nothing to be compared with. ``leaking``: channels that are left out, and why: what was
    found in them is no machine's.
    """
    from vibe.diagnosis.alternatives.outside_machines import doubted_undetected
    from vibe.diagnosis.alternatives.shared_places import at_likeliest
    from vibe.diagnosis.diagnose import diagnosed
    from vibe.diagnosis.rules.unexplained_impacts import explained_impacts, single_shocks
    from vibe.ingest import with_drift
    from vibe.kinematics.planning.capture_plan import capture_plan
    from vibe.kinematics.planning.observability import visibility, with_planned_needs

    planned = capture_plan(drive, table)
    whole = assessed(capture, drive.input.speed_hz, tell=tell, planned=planned.settings)
    quality = whole.quality
    first = first_fit(capture, whole.fit)
    fit = whole.sound(first.vibration) if whole.fit else []
    for name, why in (leaking or {}).items():
        quality = _marked(quality, {name}, why)
        fit = [channel for channel in fit if channel.name != name]
    motion = motion_in(capture, quality)
    moves = moves_in(motion)
    reason = standstill(motion, drive) or stops(fit, motion)
    if reason is None and not moves:
        asked = {**(others or {}), drive.tag: candidate_of(drive, table)}
        reason = contradiction(recognised(first, fit, asked, drive.tag, followed=False), drive)
    if reason is not None:
        quality = _marked(quality, {channel.name for channel in fit}, reason)
        fit = []
    noted = noted_hz(capture, drive)
    remarks = _doubtful_notes(capture, drive, noted, fit=bool(whole.fit))
    reading: SignalAnalysis | None = None
    analysis_request: AnalysisRequest | None = None
    combs: dict[str, CombEvidence] = {}
    seen: tuple[Visibility, ...] = ()
    if fit:
        shortest_s = capture.segment_count * min(channel.duration_s for channel in fit)
        if moves:
            shortest_s = min(move.law.duration_s for move in moves)
        shown = visibility(table, _settings_of(fit, quality, shortest_s), noted or drive.input.speed_hz)
        seen = with_planned_needs(shown, planned)
        analysis_request = request_of(capture, drive, table, seen, shortest_s, others)
        analysis_request = replace(analysis_request, traced=traced or bool(earlier))
        read = partial(
            read_over, capture, [channel.name for channel in fit], whole.fit, tell=tell,
            pulses=_pulses(capture, whole), moves=moves,
        )  # fmt: skip
        wanted = analysis_request
        reading, left_out = read(wanted)
        if not moves:
            reading = at_own_speed(
                reading, lambda hz: read(replace(wanted, settled_hz=hz), parts=False)[0], drive, table,
                lambda there: _with_parts(there, wanted),
            )  # fmt: skip
        remarks += left_out
        combs = by_tone(reading, table, analysis_request)
        measured = set(reading.samples)
        quality = tuple(with_drift(q, reading.speed.drift) if q.channel in measured else q for q in quality)
        remarks += in_words(reading.speed, motion, moves)
        if reading.speed.note:
            remarks.append(reading.speed.note)
    # What moves to and fro is known to turn by its own sensor.
    axis = None if reading is None or moves else axis_of(reading, drive)
    past = None if moves else past_of(reading, capture)
    earlier = before(capture, earlier)
    grown = {} if past is None else growths(past, earlier, settings.diagnosis.past)
    around = None if analysis_request is None else analysis_request.surroundings
    case = case_of(drive, table, settings, quality, reading, combs, (), grown, around, noted)
    case = at_likeliest(case if moves else _with_rhythms(case, reading))
    combs = dict(case.combs)
    found = diagnosed(case)
    findings = found.findings
    leaks = {} if reading is None or moves else leaks_behind(findings, combs, reading)
    if reading is not None and leaks and leak_is_sure(capture, leaks, reading):
        leaks |= leaking or {}
        return diagnose_samples(capture, drive, table, settings, others, tell, earlier, traced, leaks)
    if reading is not None and axis is not None and any(one.component.startswith("bearing.") for one in findings):
        bladed = with_blades(reading, drive, table, combs, findings)
        if bladed != combs:
            combs, case = bladed, replace(case, combs=bladed)
            found = diagnosed(case)
            findings = found.findings
    alike: tuple[SimilarMachine, ...] | None = None
    # Whose damage it is need only be asked where there is some.
    if reading is not None and axis is not None and any(map(of_one_of_two, findings)):
        combs = with_courses(reading, with_turns(reading, table, combs, findings), findings)
        alike = similar_machines_in(reading, drive, table, combs, findings, declared=bool(case.declared_alike))
        of_a_turn = any(comb.carried_at is not None or comb.evenly is not None for comb in combs.values())
        if alike or case.declared_alike or of_a_turn:
            found = diagnosed(replace(case, alike=alike, combs=combs))
            findings = found.findings
    if reading is not None and leaks:
        findings = doubted_pulses(findings, combs, reading, leaks)
    outside = None
    if reading is not None and analysis_request is not None:
        outside = outside_of(reading, findings, found.outside_combs, table, analysis_request)
    remarks += [*single_shocks(case), *explained_impacts(case, findings)]
    heard_probability = None
    not_detected: Reason | None = None
    if reading is not None and axis is not None:
        passed = gate(reading, axis, drive, table, findings)
        heard_probability, not_detected = passed.probability, passed.reason
        if not_detected is not None:
            quality = _marked(quality, set(reading.samples), not_detected)
            findings = doubted_undetected(findings)
    if past is not None and not_detected is None:
        fell = fall(past, earlier, settings.diagnosis.past)
        remarks += fell.remarks
        if fell.reason is not None:
            quality = _marked(quality, set(fell.silent), fell.reason)
            if reading is not None and set(fell.silent) == set(reading.samples):
                not_detected = fell.reason
                findings = doubted_undetected(findings)
    return CaptureDiagnosis(
        report=_capture_report(capture, quality, remarks, heard_probability),
        quality=quality,
        reading=reading,
        combs=combs,
        visibility=seen,
        findings=findings,
        measured_at=capture.measured_at,
        outside=outside,
        heard_probability=heard_probability,
        not_detected=not_detected,
        past=past,
        growths=grown,
        alike=alike,
    )


def _with_parts(reading: SignalAnalysis, analysis_request: AnalysisRequest) -> SignalAnalysis:
    from vibe.spectra.analysis import analysis_of

    return analysis_of(reading, analysis_request)


def _doubtful_notes(capture: Capture, drive: Drive, noted: float | None, *, fit: bool) -> list[str]:
    """Remarks on what was noted with a capture and does not go with the drive; ``fit``: whether it is analysed."""
    remarks = list(capture.remarks)
    if not fit:
        remarks.append("at no time are all channels good at once: nothing is analysed")
    if capture.drive is not None and capture.drive != drive.tag:
        remarks.append(f"the file says drive {capture.drive[:80]!r}, the report is for {drive.tag!r}")
    if capture.speed_rpm and noted is None:
        low, high = drive.input.speed_range_hz
        remarks.append(
            f"the noted speed of {capture.speed_rpm:g} r/min lies outside this drive's range "
            f"{low * 60:g}-{high * 60:g} r/min and is not used: is it the right drive?"
        )
    return remarks


def _with_rhythms(case: Case, reading: SignalAnalysis | None) -> Case:
    """The case with how impacts follow one another, at the points where they are strong."""
    from vibe.diagnosis.rules.unexplained_impacts import lasting_points

    points = [] if reading is None else lasting_points(case)
    if reading is None or not points:
        return case
    from vibe.spectra.envelope.impact_rhythm import impact_rhythm

    found = {p: impact_rhythm(*reading.samples[p], reading.law) for p in points if p in reading.samples}
    return replace(case, rhythms=found)


def noted_hz(capture: Capture, drive: Drive) -> float | None:
    """The speed noted with the capture [Hz], where it lies in the drive's range."""
    low, high = drive.input.speed_range_hz
    noted = capture.speed_rpm / 60.0 if capture.speed_rpm else None
    return noted if noted is not None and low <= noted <= high else None


def request_of(
    capture: Capture,
    drive: Drive,
    table: ToneTable,
    seen: Sequence[Visibility],
    duration_s: float,
    others: Mapping[str, Candidate] | None = None,
) -> AnalysisRequest:
    """What the samples are asked for, of the tones that can be ``seen`` in ``duration_s``."""
    tones = searchable(table, seen, drive, duration_s)
    return analysis_request_of(drive, table, tones, noted_hz=noted_hz(capture, drive), others=others)


def _marked(quality: Sequence[ChannelQuality], names: set[str], reason: Reason) -> tuple[ChannelQuality, ...]:
    """``quality`` with ``reason`` put to the channels ``names``, which are as bad as it says."""
    rejected = reason.verdict == "rejected"
    return tuple(
        replace(
            q,
            verdict=reason.verdict,
            reasons=(reason, *q.reasons),
            usable_band_hz=None if rejected else q.usable_band_hz,
        )
        if q.channel in names and q.verdict != "rejected"
        else q
        for q in quality
    )


def _pulses(capture: Capture, whole: Assessed) -> bool:
    """Whether there is a tachometer that is good enough to be used."""
    tachometer = capture.tachometer
    return tachometer is not None and whole.of(tachometer.name).verdict != "rejected"


def _settings_of(fit: Sequence[Channel], quality: Sequence[ChannelQuality], duration_s: float) -> CaptureSettings:
    from vibe.core.tones import CaptureSettings

    names = {channel.name for channel in fit}
    bands = [q.usable_band_hz for q in quality if q.channel in names and q.usable_band_hz is not None]
    return CaptureSettings(
        duration_s=duration_s,
        sample_rate_hz=max(channel.sample_rate_hz for channel in fit),
        usable_band_hz=(min((b[0] for b in bands), default=2.0), max((b[1] for b in bands), default=1000.0)),
    )


def case_of(
    drive: Drive,
    table: ToneTable,
    settings: Settings,
    quality: Sequence[ChannelQuality],
    reading: SignalAnalysis | None,
    combs: dict[str, CombEvidence],
    alike: Sequence[SimilarMachine],
    grown: Mapping[str, Growth],
    around: Surroundings | None,
    noted_speed_hz: float | None = None,
) -> Case:
    """All that the rules look at; ``around``: what stands around the drive, where samples were asked for it."""
    from vibe.diagnosis.case import Case
    from vibe.flow.diagnose.outside_requests import declared_alike
    from vibe.health.state.zones import line_boundaries

    lines: dict[str, list[Line]] = {}
    for line in reading.lines if reading is not None else ():
        lines.setdefault(line.name, []).append(line)
    judgement = settings.judgement
    return Case(
        drive=drive,
        tones=table,
        combs=combs,
        outside_combs=reading.outside_combs if reading is not None else (),
        alike=alike,
        noted_speed_hz=noted_speed_hz,
        neighbours=() if around is None else around.neighbours,
        slow_turns=() if around is None else around.slow_turns,
        declared_alike=() if around is None else declared_alike(drive, table, around),
        growths=grown,
        quiet_combs={comb.tone: comb for comb in reading.quiet_combs} if reading is not None else {},
        resolution=reading.looks[0].spectra.step if reading is not None and reading.looks else 0.005,
        lines={name: tuple(found) for name, found in lines.items()},
        cross_lines=reading.cross_lines if reading is not None else (),
        levels=reading.levels if reading is not None else (),
        speed=reading.speed if reading is not None else None,
        quality=quality,
        settings=settings.diagnosis,
        false_alarm_rate=judgement.false_alarm.rate_per_drive,
        priors={prior.what: prior.probability for prior in judgement.prior},
        severity_db=(judgement.severity.hit_over_floor_moderate_db, judgement.severity.hit_over_floor_severe_db),
        zone_mm_s=line_boundaries(drive, settings.limits),
        scale=_scale(judgement.severity),
    )


def _scale(bounds: SeverityBounds) -> SeverityScale:
    """What the rules say of severity, as diagnosis uses it."""
    from vibe.diagnosis.severity_scale import SeverityScale, Weight

    plain = bounds.model_dump(exclude={"hit_over_floor_moderate_db", "hit_over_floor_severe_db", "source", "weight"})
    weights = {part: Weight(bears_db=w.bears_db, why=w.why) for w in bounds.weight for part in w.parts}
    return SeverityScale(**plain, weights=weights)


def _capture_report(
    capture: Capture, quality: Sequence[ChannelQuality], remarks: Sequence[str], heard_probability: float | None
) -> CaptureReport:
    from vibe.core.health import CaptureReport, ChannelReport

    return CaptureReport(
        file=writable(capture.source.name),
        sha256=capture.sha256,
        measured_at=None if capture.measured_at is None else capture.measured_at.isoformat(),
        duration_s=round(capture.duration_s, 4),
        remarks=list(remarks),
        heard_probability=None if heard_probability is None else round(heard_probability, 4),
        channels=[
            ChannelReport(
                name=q.channel,
                quality=q.verdict,
                reasons=[reason.text for reason in q.reasons],
                remedies=[reason.remedy for reason in q.reasons if reason.remedy],
            )
            for q in quality
        ],
    )
