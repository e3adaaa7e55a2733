"""One drive: all of its captures become one health report with pictures."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol

from vibe import __version__
from vibe.core.errors import CaptureError
from vibe.core.route.route import folded
from vibe.flow.capture_folder import Reader, plain_reader
from vibe.flow.diagnose.capture_diagnosis import CaptureDiagnosis, diagnose_capture, diagnose_samples
from vibe.flow.diagnose.earlier_captures import accepted
from vibe.flow.diagnose.earlier_diagnoses import from_folder
from vibe.flow.diagnose.figures import finding_plots, overview_plots
from vibe.flow.diagnose.outside_requests import hidden_in_all
from vibe.flow.diagnose.segments import Tell, silent
from vibe.flow.settings import Settings, load_settings, tones_of

if TYPE_CHECKING:
    from vibe.core.capture import Capture, Reason
    from vibe.core.comb_history import PastCapture
    from vibe.core.drive import Drive
    from vibe.core.drive_report import DriveReport
    from vibe.core.evidence import Level, PlotData, SpeedEstimate
    from vibe.core.health import CaptureReport, Finding, Health, LevelReport
    from vibe.core.tones import ToneTable
    from vibe.health.state.judge import Verdict
    from vibe.report.run_rows import IndexRow
    from vibe.spectra.identity.recognition import Candidate
    from vibe.spectra.signal_analysis import SignalAnalysis


FEWEST_TURNS = 25.0
"""Turns of the input in which a cage, at some 0.4 of the turn of its shaft, repeats ten times: as often as an average
of envelopes needs (common practice). A shorter capture calls nothing sound."""


class Progress(Protocol):
    """Is called with how far the work has come."""

    def __call__(self, done: int, total: int, what: str) -> None: ...


def diagnose_files(
    captures: Sequence[Path],
    drive_path: Path,
    *,
    out: Path | None,
    force: bool = False,
    pdf: bool = True,
    progress: Progress | None = None,
    earlier: Path | None = None,
) -> tuple[DriveReport, IndexRow]:
    """One drive, one or more captures: its report, and its row in a list of drives.

    Pages are written when ``out`` is given, and only then has the report pictures. ``progress`` counts the captures, or
    the segments of a single long one. ``earlier``: a folder of earlier captures of the drive, or a store, with which
    these are compared.

    Raises:
        ConfigError: the drive file is wrong. CaptureError: not one capture could be read.
        CallError: there is no such folder of earlier captures.
        OutputError: the pages cannot be written.
    """
    drive, table = tones_of(drive_path)
    if pdf and out is not None:
        ready_to_print()
    settings = load_settings()
    past, said = ([], []) if earlier is None else from_folder(earlier, drive, table, settings)
    judged = diagnosed_captures(drive, table, captures, settings, progress=progress, earlier=past)
    drive_report = drive_report_from(drive, table, judged, settings, pictures=out is not None)
    refuse_unread(drive_report.health.captures, captures)
    listed = out is not None and (out / "index.html").is_file()
    row = written(drive_report, out, force=force, pdf=pdf, listed=listed)
    return drive_report, replace(row, remarks=(*said, *row.remarks))


def ready_to_print() -> None:
    """Let what draws PDFs get ready while the captures are judged."""
    from vibe.report.printing.pdf import warm_up

    warm_up()


def written(drive_report: DriveReport, out: Path | None, *, force: bool, pdf: bool, listed: bool = True) -> IndexRow:
    """The row of one drive in a list of drives; its pages are written when ``out`` is given. ``listed``: ``out`` has a
    page of all drives, or gets one."""
    from vibe.report.run_rows import index_row

    files = None
    if out is not None:
        from vibe.report.pages.drive_page import write_drive

        files = write_drive(drive_report, out, force=force, pdf=pdf, listed=listed)
    remarks = [f"{c.file}: {c.error}" for c in drive_report.health.captures if c.error]
    remarks += [f"{c.file}: {remark}" for c in drive_report.health.captures for remark in c.remarks]
    return index_row(drive_report, files, remarks=remarks)


def drive_report_of(
    drive: Drive,
    table: ToneTable,
    captures: Sequence[Path],
    settings: Settings,
    reader: Reader = plain_reader,
    others: Mapping[str, Candidate] | None = None,
    progress: Progress | None = None,
    earlier: Sequence[PastCapture] = (),
) -> DriveReport:
    """Health and plots of one drive from all of its captures; ``others`` as in ``diagnose_samples``, ``progress`` as in
    ``diagnose_files``, ``earlier`` as in ``diagnose_samples``: those of ``captures`` that were judged already come
    after them.

    The last one measured gives speed and visibility; levels and overview pictures come, point by point, from the last
    one that holds the point: many loggers write a file for each.
    """
    judged = diagnosed_captures(drive, table, captures, settings, reader, others, progress, earlier)
    return drive_report_from(drive, table, judged, settings)


def diagnosed_captures(
    drive: Drive,
    table: ToneTable,
    captures: Sequence[Path | Capture],
    settings: Settings,
    reader: Reader = plain_reader,
    others: Mapping[str, Candidate] | None = None,
    progress: Progress | None = None,
    earlier: Sequence[PastCapture] = (),
) -> list[CaptureDiagnosis]:
    """Every capture of one drive, a file or in memory, judged by itself and against earlier ones; the other arguments
    as in ``drive_report_of``."""
    judged: list[CaptureDiagnosis] = []
    traced = len(captures) > 1
    for number, capture in enumerate(captures):
        name = capture.name if isinstance(capture, Path) else capture.source.name
        tell: Tell = silent
        if progress is not None and len(captures) == 1:
            tell = partial(progress, what=name)
        elif progress is not None:
            progress(number, len(captures), name)
        past = [*earlier, *accepted(judged)]
        judged.append(
            diagnose_capture(capture, drive, table, settings, reader, others, tell, past, traced)
            if isinstance(capture, Path)
            else diagnose_samples(capture, drive, table, settings, others, tell, past, traced)
        )
    return judged


def refuse_unread(reports: Sequence[CaptureReport], captures: Sequence[Path | Capture]) -> None:
    """Refuse a report of which not one capture could be read. ``captures`` run parallel to ``reports``.

    Raises:
        CaptureError: with the reason of the first.
    """
    if reports and all(report.error is not None for report in reports):
        first = captures[0]
        raise CaptureError(
            reports[0].error or "cannot be read", path=first if isinstance(first, Path) else first.source
        )


def drive_report_from(
    drive: Drive,
    table: ToneTable,
    judged: Sequence[CaptureDiagnosis],
    settings: Settings,
    *,
    pictures: bool = True,
) -> DriveReport:
    """Health and, unless nobody looks at them, ``pictures`` of one drive from its judged captures."""
    from vibe.core.drive_report import DriveReport
    from vibe.kinematics.planning.capture_plan import capture_plan

    health = health_of(drive, table, judged, settings)
    _, readings = _latest_of_each_point([one for one in judged if one.reading is not None and pictures])
    return DriveReport(
        drive=drive,
        health=health,
        tones=table,
        finding_plots=tuple(_pictures(finding, judged, table) if pictures else () for finding in health.findings),
        overview_plots=tuple(plot for reading in readings for plot in overview_plots(reading)),
        plan=capture_plan(drive, table),
    )


def health_of(drive: Drive, table: ToneTable, judged: Sequence[CaptureDiagnosis], settings: Settings) -> Health:
    """Health of one drive from its judged captures, without pictures."""
    from vibe.diagnosis.diagnose import merged
    from vibe.health.state.cautions import cautions
    from vibe.health.state.doubted_levels import unless_levels_doubted
    from vibe.health.state.judge import judge
    from vibe.health.state.weak_signs import weak_last
    from vibe.health.state.zones import report_levels

    findings = weak_last(merged([one.findings for one in judged]), settings.judgement)
    read = [one for one in judged if one.reading is not None]
    latest = max(read, key=_when, default=None)
    levels, _ = _latest_of_each_point(read)
    doubts = _impossible_levels(read)
    rows = report_levels(levels, drive, settings.limits, doubted=doubts.keys())
    usable = {q.channel for one in read for q in one.quality if q.verdict != "rejected" and _moves(one, q.channel)}
    rejected_names = [q.channel for one in judged for q in one.quality if q.verdict == "rejected"]
    reasons = [r.text for one in judged for q in one.quality if q.verdict == "rejected" for r in q.reasons[:1]]
    remedies = [r.remedy for one in judged for q in one.quality if q.verdict == "rejected" for r in q.reasons[:1]]
    reasons += [one.report.error for one in judged if one.report.error is not None]
    not_detected = [one.not_detected for one in read if one.not_detected is not None]
    # One capture in which the drive was detected is enough to judge it by.
    nowhere = (not_detected[-1].text, not_detected[-1].remedy) if read and len(not_detected) == len(read) else None
    verdict = judge(
        findings, rows, len(usable), reasons, settings.judgement,
        tag=drive.tag, name=drive.name, rejected_channels=rejected_names, remedies=remedies,
        measured_at=latest.measured_at if latest is not None else None, blind=_blind(read, table),
        not_detected=nowhere,
        consequence=None if drive.service is None else drive.service.consequence,
        steady_since=_steady_since(read, drive, settings),
    )  # fmt: skip
    health = _health(drive, table, judged, latest, findings, rows, verdict, settings, cautions())
    return _in_ten_digits(unless_levels_doubted(health, doubts))


def _steady_since(read: Sequence[CaptureDiagnosis], drive: Drive, settings: Settings) -> dict[str, str]:
    """Points whose velocity has not changed significantly over the captures, with the day since when."""
    from vibe.health.state.zones import steady_since

    history: dict[str, list[tuple[datetime, Level]]] = {}
    for one in read:
        if one.measured_at is None or one.reading is None:
            continue
        for level in one.reading.levels:
            if level.measure == "velocity_rms":
                when = datetime.fromtimestamp(_when(one), tz=UTC)
                history.setdefault(level.point, []).append((when, level))
    days = settings.judgement.steady.from_days
    found = {point: steady_since(levels, drive, settings.limits, from_days=days) for point, levels in history.items()}
    return {point: since.date().isoformat() for point, since in found.items() if since is not None}


def _latest_of_each_point(read: Sequence[CaptureDiagnosis]) -> tuple[list[Level], list[SignalAnalysis]]:
    """Levels of every point from the last capture that holds it, and the analysed captures that they come from."""
    last = _last_with_each_point(read)
    readings = [one.reading for one in read if one.reading is not None and any(one is held for held in last.values())]
    levels = [
        level for one in read if one.reading is not None for level in one.reading.levels
        if last.get(level.point) is one
    ]  # fmt: skip
    return levels, readings


def _last_with_each_point(read: Sequence[CaptureDiagnosis]) -> dict[str, CaptureDiagnosis]:
    """By point the last capture that holds it."""
    last: dict[str, CaptureDiagnosis] = {}
    for one in read:
        for point in one.reading.samples if one.reading is not None else ():
            if point not in last or _when(one) > _when(last[point]):
                last[point] = one
    return last


def _impossible_levels(read: Sequence[CaptureDiagnosis]) -> dict[str, Reason]:
    """Points whose level cannot be the machine's in the last capture that holds them, and why."""
    from vibe.health.state.doubted_levels import impossible_levels

    found: dict[str, Reason] = {}
    for point, one in _last_with_each_point(read).items():
        reason = impossible_levels(one.quality).get(folded(point))
        if reason is not None:
            found[folded(point)] = reason
    return found


def _when(one: CaptureDiagnosis) -> float:
    """For sorting by time: unknown first; a time without offset counts as universal time."""
    if one.measured_at is None:
        return float("-inf")
    when = one.measured_at if one.measured_at.tzinfo is not None else one.measured_at.replace(tzinfo=UTC)
    return float(when.timestamp())


def _blind(read: Sequence[CaptureDiagnosis], table: ToneTable) -> str:
    """Why none of the captures could have shown damage of a part; empty when one could, or nothing can be damaged."""
    damage = {tone.id for tone in table.tones if tone.damage}
    if not damage:
        return ""
    able = [one for one in read if any(one.combs and v.seen and v.tone in damage for v in one.visibility)]
    if able and (most := max(map(_turns, able))) < FEWEST_TURNS:
        return f"{most:.0f} turns of the input are too few for the cages of its bearings to repeat ten times"
    if able:
        return ""
    return f"rate, band and length of the captures let none of the {len(damage)} tones of damage be observed"


def _turns(one: CaptureDiagnosis) -> float:
    """Turns of the input that a capture holds; none where it was not analysed."""
    reading = one.reading
    if reading is None or not reading.samples:
        return 0.0
    return max(row.size / rate for row, rate in reading.samples.values()) * reading.speed.input_hz


def _pictures(finding: Finding, judged: Sequence[CaptureDiagnosis], table: ToneTable) -> tuple[PlotData, ...]:
    """The pictures of the capture in which a finding was surest."""
    for one in judged:
        # Numbers, advice and mark of a weak sign are the report's; the sentence is the capture's.
        if one.reading is not None and any(_said_alike(finding, own) for own in one.findings):
            return finding_plots(finding, one.reading, one.combs, table)
    return ()


def _said_alike(one: Finding, other: Finding) -> bool:
    return (one.tone, one.component, one.defect, one.why) == (other.tone, other.component, other.defect, other.why)


def _in_ten_digits(health: Health) -> Health:
    """Its numbers in ten digits: those behind differ with the processor and with the number of threads."""
    return type(health).model_validate(_ten_digits(health.model_dump(by_alias=True)))


def _ten_digits(value: Any) -> Any:
    """All numbers of a value made of lists and dictionaries."""
    if isinstance(value, float):
        return float(f"{value:.10g}")
    if isinstance(value, dict):
        return {key: _ten_digits(part) for key, part in value.items()}
    return [_ten_digits(part) for part in value] if isinstance(value, list) else value


def _moves(one: CaptureDiagnosis, channel: str) -> bool:
    """Whether a channel is one of vibration that was analysed."""
    return one.reading is not None and channel in one.reading.samples


def _health(
    drive: Drive,
    table: ToneTable,
    judged: Sequence[CaptureDiagnosis],
    latest: CaptureDiagnosis | None,
    findings: Sequence[Finding],
    levels: Sequence[LevelReport],
    verdict: Verdict,
    settings: Settings,
    cautions: Sequence[str],
) -> Health:
    from vibe.core.health import Health, NotObservable, SpeedAlternative, SpeedReport
    from vibe.diagnosis.detection_limits import detection_limits

    speed: SpeedEstimate | None = latest.reading.speed if latest is not None and latest.reading is not None else None
    found = {finding.tone for finding in findings}
    seen_in_any = {v.tone for one in judged for v in one.visibility if v.seen}
    unseen = latest.visibility if latest is not None else ()
    return Health(
        drive=drive.tag,
        name=drive.name,
        state=verdict.state,
        state_rule=verdict.state_rule,
        sentence=verdict.sentence,
        do_by=verdict.do_by,
        false_alarm_rate=settings.judgement.false_alarm.rate_per_drive,
        captures=[one.report for one in judged],
        speed=SpeedReport(
            input_hz=speed.input_hz if speed else None,
            uncertainty_hz=speed.uncertainty_hz if speed else None,
            method=speed.method if speed else None,
            note=speed.note if speed else "no suitable capture",
            alternatives=[
                SpeedAlternative(input_hz=hz, probability=chance)
                for hz, chance in (speed.alternatives if speed else ())
            ],
        ),
        findings=list(findings),
        levels=list(levels),
        not_observable=[
            NotObservable(tone=v.tone, why=v.why, needs=v.needs)
            for v in unseen
            if not v.seen and v.tone not in seen_in_any and v.tone not in found
        ]
        + hidden_in_all(latest, judged, found)
        if latest is not None
        else [
            NotObservable(tone=tone.id, why="no capture was fit", needs="a capture that is accepted")
            for tone in table.tones
        ],
        detection_limits=detection_limits(latest.combs, settings.diagnosis.comb) if latest is not None else [],
        outside_sources=list(latest.outside.sources) if latest is not None and latest.outside is not None else [],
        cautions=list(cautions),
        software=f"vibe {__version__}",
    )
