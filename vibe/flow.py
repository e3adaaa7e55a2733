"""The order of steps, written in one place: file to capture, to evidence, to findings, to a report.

Every function here is something a user asks for. The rooms do the work; nothing is computed here.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import UTC
from pathlib import Path
from typing import TYPE_CHECKING, Any

from vibe import __version__
from vibe.asking import by_tone, question_of, searchable
from vibe.core.errors import CallError, CaptureError, ConfigError, VibeError, defect
from vibe.core.files import writable
from vibe.showing import finding_exhibits, overview_exhibits

if TYPE_CHECKING:
    from vibe.core.capture import Capture, Channel, ChannelQuality
    from vibe.core.dossier import Dossier
    from vibe.core.drive import Drive
    from vibe.core.evidence import CombEvidence, Exhibit, Level, SpeedEstimate
    from vibe.core.health import CaptureReport, Finding, Health
    from vibe.core.tones import CapturePlan, ToneTable, Visibility
    from vibe.diagnosis.settings import DiagnosisSettings
    from vibe.health.rules import Boundaries, Judgement, Limits
    from vibe.report.drive_page import DriveFiles
    from vibe.report.index_page import IndexRow
    from vibe.spectra.analysis import Reading

Progress = Callable[[int, int, str], None]


@dataclass(frozen=True, slots=True, kw_only=True)
class Settings:
    """The rules and numbers of ``configs/``."""

    limits: Limits
    judgement: Judgement
    diagnosis: DiagnosisSettings


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class DriveOutcome:
    """What came of one drive."""

    dossier: Dossier
    files: DriveFiles | None
    row: IndexRow


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RunOutcome:
    """What came of a recipe. ``rejected``: some capture was unreadable, rejected or of no known drive; ``acting``: some
    drive is act; ``failures``: a sentence for each drive that could not be reported (its row is unknown), and
    ``defect`` when one of them is the program's fault."""

    rows: tuple[IndexRow, ...]
    index: Path
    remarks: tuple[str, ...]
    rejected: bool
    acting: bool
    failures: tuple[str, ...] = ()
    defect: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckedCapture:
    """The verdict on one file; ``error`` when it cannot be read."""

    path: Path
    error: str | None
    quality: tuple[ChannelQuality, ...]
    remarks: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanOutcome:
    """Capture plans and the sheets written."""

    plans: tuple[CapturePlan, ...]
    files: tuple[Path, ...]
    remarks: tuple[str, ...] = ()


def share_dir() -> Path:
    """Where ``configs``, ``pipelines`` and ``sample_signals`` lie: inside the installed package, else the checkout."""
    package = Path(__file__).resolve().parent
    for folder in (package / "share", package.parent):
        if (folder / "configs" / "limits.toml").is_file():
            return folder
    raise CallError("the folders configs, pipelines and sample_signals are missing from this installation")


def load_settings(limits: Path | None = None) -> Settings:
    """The built-in rules; ``limits`` replaces the file of zone limits.

    Raises:
        ConfigError: a file is missing or wrong.
    """
    from vibe.diagnosis.settings import DiagnosisSettings
    from vibe.health.rules import Judgement, Limits
    from vibe.ingest import load_model

    folder = share_dir() / "configs"
    return Settings(
        limits=load_model(limits or folder / "limits.toml", Limits),
        judgement=load_model(folder / "judgement.toml", Judgement),
        diagnosis=load_model(folder / "diagnosis.toml", DiagnosisSettings),
    )


def tones_of(drive_path: Path) -> tuple[Drive, ToneTable]:
    """A drive file and what its kinematics say.

    Raises:
        ConfigError: the file is wrong, or describes a drive that cannot be.
    """
    from vibe.ingest import load_drive
    from vibe.kinematics.tones import tone_table

    drive = load_drive(drive_path)
    try:
        return drive, tone_table(drive)
    except ConfigError as error:
        raise ConfigError(error.reason, path=drive_path) from error


# --- one capture ---------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Judged:
    """One capture, read and diagnosed. ``reading`` is None when no channel was fit."""

    report: CaptureReport
    quality: tuple[ChannelQuality, ...]
    reading: Reading | None
    combs: dict[str, CombEvidence]
    visibility: tuple[Visibility, ...]
    findings: list[Finding]
    measured_at: Any
    remarks: tuple[str, ...] = ()


def judge_capture(path: Path, drive: Drive, table: ToneTable, settings: Settings) -> Judged:
    """Read, check, analyse and diagnose one file; a file that cannot be read comes back with its error."""
    from vibe.core.health import CaptureReport
    from vibe.ingest import read_capture

    try:
        capture = read_capture(path)
    except CaptureError as error:
        report = CaptureReport(file=writable(path.name), error=writable(error.reason))
        return Judged(report=report, quality=(), reading=None, combs={}, visibility=(), findings=[], measured_at=None)
    return judge_samples(capture, drive, table, settings)


def judge_samples(capture: Capture, drive: Drive, table: ToneTable, settings: Settings) -> Judged:
    """Check, analyse and diagnose a capture that is in memory."""
    from vibe.core.tones import CaptureSettings
    from vibe.diagnosis.diagnose import diagnose
    from vibe.ingest import with_drift
    from vibe.kinematics.observe import visibility
    from vibe.spectra.analysis import read

    quality = _quality(capture, drive)
    fit = [
        channel
        for channel in capture.vibration
        if next(q for q in quality if q.channel == channel.name).verdict != "rejected"
    ]
    remarks = list(capture.remarks)
    if capture.drive is not None and capture.drive != drive.tag:
        remarks.append(f"the file says drive {capture.drive[:80]!r}, the report is for {drive.tag!r}")
    low, high = drive.input.speed_range_hz
    noted = capture.speed_rpm / 60.0 if capture.speed_rpm else None
    if noted is not None and not low <= noted <= high:
        remarks.append(
            f"the noted speed of {capture.speed_rpm:g} rpm lies outside this drive's range "
            f"{low * 60:g}-{high * 60:g} rpm and is not used: is it the right drive?"
        )
        noted = None
    reading: Reading | None = None
    combs: dict[str, CombEvidence] = {}
    seen: tuple[Visibility, ...] = ()
    if fit:
        first = _settings_of(fit, quality, CaptureSettings)
        seen = visibility(table, first, noted or drive.input.speed_hz)
        shortest = min(channel.duration_s for channel in fit)
        question = question_of(drive, table, searchable(table, seen, drive, shortest), noted_hz=noted)
        reading = read(fit, _tachometer(capture, quality), question)
        combs = by_tone(reading, table, question)
        measured = set(reading.samples)
        quality = tuple(with_drift(q, reading.speed.drift) if q.channel in measured else q for q in quality)
        if reading.speed.note:
            remarks.append(reading.speed.note)
    case = _case(drive, table, settings, quality, reading, combs)
    findings = diagnose(case)
    remarks += _strangers_in_words(reading, findings)
    return Judged(
        report=_capture_report(capture, quality, remarks),
        quality=quality,
        reading=reading,
        combs=combs,
        visibility=seen,
        findings=findings,
        measured_at=capture.measured_at,
        remarks=tuple(remarks),
    )


def _strangers_in_words(reading: Reading | None, findings: Sequence[Finding]) -> list[str]:
    """Strong repeating hits that no finding explains."""
    explained = {name for finding in findings for name in finding.seen_in}
    return [
        f"hits repeat at {comb.order:.4g} times the input's speed ({comb.order * reading.speed.input_hz:.4g} Hz), "
        "stronger than what any part in the drive file makes: a part that the file leaves out, or a neighbour"
        for comb in (reading.strangers if reading is not None else ())
        if reading is not None and comb.tone not in explained
    ]


def _quality(capture: Capture, drive: Drive) -> tuple[ChannelQuality, ...]:
    from vibe.ingest import assess

    speed = drive.input.speed_hz
    return tuple(assess(channel, speed_hz=speed) for channel in capture.channels)


def _tachometer(capture: Capture, quality: Sequence[ChannelQuality]) -> Channel | None:
    tachometer = capture.tachometer
    if tachometer is None:
        return None
    verdict = next(q.verdict for q in quality if q.channel == tachometer.name)
    return None if verdict == "rejected" else tachometer


def _settings_of(fit: Sequence[Channel], quality: Sequence[ChannelQuality], make: Any) -> Any:
    names = {channel.name for channel in fit}
    bands = [q.usable_band_hz for q in quality if q.channel in names and q.usable_band_hz is not None]
    return make(
        duration_s=min(channel.duration_s for channel in fit),
        sample_rate_hz=max(channel.sample_rate_hz for channel in fit),
        usable_band_hz=(min((b[0] for b in bands), default=2.0), max((b[1] for b in bands), default=1000.0)),
    )


def _case(
    drive: Drive,
    table: ToneTable,
    settings: Settings,
    quality: Sequence[ChannelQuality],
    reading: Reading | None,
    combs: dict[str, CombEvidence],
) -> Any:
    from vibe.core.evidence import Level
    from vibe.diagnosis.case import Case
    from vibe.health.zones import zone

    lines: dict[str, list[Any]] = {}
    for line in reading.lines if reading is not None else ():
        lines.setdefault(line.name, []).append(line)
    probe = zone(Level(point="", measure="velocity_rms", value=0.0, unit="mm/s"), drive, settings.limits)
    judgement = settings.judgement
    return Case(
        drive=drive,
        tones=table,
        combs=combs,
        strangers=reading.strangers if reading is not None else (),
        lines={name: tuple(found) for name, found in lines.items()},
        levels=reading.levels if reading is not None else (),
        speed=reading.speed if reading is not None else None,
        quality=quality,
        settings=settings.diagnosis,
        false_alarm_rate=judgement.false_alarm.rate_per_drive,
        priors={prior.what: prior.probability for prior in judgement.prior},
        severity_db=(judgement.severity.hit_over_floor_moderate_db, judgement.severity.hit_over_floor_severe_db),
        zone_mm_s=_zone_boundaries(settings, None if probe is None else probe.boundaries),
    )


def _zone_boundaries(settings: Settings, own: Boundaries | None) -> dict[str, float]:
    """Velocity boundaries from which faults outside the reducer are named.

    Of a machine whose size nobody stated, a line is named only beyond what no class of machine bears for long.
    """
    if own is not None:
        return {"A/B": own.ab, "B/C": own.bc, "C/D": own.cd}
    laxest = settings.limits.small_machines.classes[-1].velocity_mm_s
    return {"A/B": laxest.bc, "B/C": laxest.bc, "C/D": laxest.cd}


def _capture_report(capture: Capture, quality: Sequence[ChannelQuality], remarks: Sequence[str]) -> CaptureReport:
    from vibe.core.health import CaptureReport, ChannelReport

    return CaptureReport(
        file=writable(capture.source.name),
        sha256=capture.sha256,
        measured_at=None if capture.measured_at is None else capture.measured_at.isoformat(),
        duration_s=round(max(channel.duration_s for channel in capture.channels), 4),
        remarks=list(remarks),
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


# --- one drive -----------------------------------------------------------------------------------------------------


def dossier_of(drive: Drive, table: ToneTable, captures: Sequence[Path], settings: Settings) -> Dossier:
    """Health and exhibits of one drive from all of its captures; the last one measured gives levels and pictures."""
    from vibe.core.dossier import Dossier
    from vibe.diagnosis.diagnose import merged
    from vibe.health.cautions import cautions
    from vibe.health.judge import judge
    from vibe.health.zones import report_levels
    from vibe.kinematics.plan import capture_plan

    judged = [judge_capture(path, drive, table, settings) for path in captures]
    findings = merged([one.findings for one in judged])
    read = [one for one in judged if one.reading is not None]
    latest = max(read, key=_when, default=None)
    levels: Sequence[Level] = latest.reading.levels if latest is not None and latest.reading is not None else ()
    rows = report_levels(levels, drive, settings.limits)
    usable = {q.channel for one in read for q in one.quality if q.verdict != "rejected" and _moves(one, q.channel)}
    rejected_names = [q.channel for one in judged for q in one.quality if q.verdict == "rejected"]
    reasons = [r.text for one in judged for q in one.quality if q.verdict == "rejected" for r in q.reasons[:1]]
    reasons += [one.report.error for one in judged if one.report.error is not None]
    verdict = judge(
        findings, rows, len(usable), reasons, settings.judgement,
        tag=drive.tag, name=drive.name, rejected_channels=rejected_names,
        measured_at=latest.measured_at if latest is not None else None, blind=_blind(read, table),
    )  # fmt: skip
    health = _health(drive, table, judged, latest, findings, rows, verdict, settings, cautions())
    return Dossier(
        drive=drive,
        health=health,
        tones=table,
        finding_exhibits=tuple(_pictures(finding, judged, table) for finding in findings),
        overview_exhibits=overview_exhibits(latest.reading)
        if latest is not None and latest.reading is not None
        else (),
        plan=capture_plan(drive, table),
    )


def _when(one: Judged) -> float:
    """For sorting by time: unknown first; a time without offset counts as universal time."""
    if one.measured_at is None:
        return float("-inf")
    when = one.measured_at if one.measured_at.tzinfo is not None else one.measured_at.replace(tzinfo=UTC)
    return float(when.timestamp())


def _blind(read: Sequence[Judged], table: ToneTable) -> str:
    """Why none of the captures could have shown damage of a part; empty when one could, or nothing can be damaged."""
    damage = {tone.id for tone in table.tones if tone.damage}
    if not damage or any(one.combs and v.seen and v.tone in damage for one in read for v in one.visibility):
        return ""
    return f"rate, band and length of the captures let none of the {len(damage)} tones of damage be observed"


def _pictures(finding: Finding, judged: Sequence[Judged], table: ToneTable) -> tuple[Exhibit, ...]:
    """The pictures of the capture in which a finding was surest."""
    for one in judged:
        if one.reading is not None and finding in one.findings:
            return finding_exhibits(finding, one.reading, one.combs, table)
    return ()


def _ten_digits(value: float) -> float:
    """The digits behind differ with the number of threads that a sum was shared among."""
    return float(f"{value:.10g}")


def _moves(one: Judged, channel: str) -> bool:
    """Whether a channel is one of vibration that was analysed."""
    return one.reading is not None and channel in one.reading.samples


def _health(
    drive: Drive,
    table: ToneTable,
    judged: Sequence[Judged],
    latest: Judged | None,
    findings: Sequence[Finding],
    levels: Sequence[Any],
    verdict: Any,
    settings: Settings,
    cautions: Sequence[str],
) -> Health:
    from vibe.core.health import Health, NotObservable, SpeedReport
    from vibe.diagnosis.limits import detection_limits

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
            input_hz=_ten_digits(speed.input_hz) if speed else None,
            uncertainty_hz=_ten_digits(speed.uncertainty_hz) if speed and speed.uncertainty_hz is not None else None,
            method=speed.method if speed else None,
            note=speed.note if speed else "no capture fit to tell",
        ),
        findings=list(findings),
        levels=list(levels),
        not_observable=[
            NotObservable(tone=v.tone, why=v.why, needs=v.needs)
            for v in unseen
            if not v.seen and v.tone not in seen_in_any and v.tone not in found
        ]
        if latest is not None
        else [
            NotObservable(tone=tone.id, why="no capture was fit", needs="a capture that is accepted")
            for tone in table.tones
        ],
        detection_limits=detection_limits(latest.combs, settings.diagnosis.comb) if latest is not None else [],
        cautions=list(cautions),
        software=f"vibe {__version__}",
    )


# --- what users ask for --------------------------------------------------------------------------------------------


def diagnose_files(
    captures: Sequence[Path], drive_path: Path, *, out: Path | None, force: bool = False, pdf: bool = True
) -> DriveOutcome:
    """One drive, one or more captures; pages are written when ``out`` is given.

    Raises:
        ConfigError: the drive file is wrong. CaptureError: not one capture could be read.
        OutputError: the pages cannot be written.
    """
    drive, table = tones_of(drive_path)
    dossier = dossier_of(drive, table, captures, load_settings())
    errors = [c for c in dossier.health.captures if c.error is not None]
    if len(errors) == len(dossier.health.captures):
        raise CaptureError(errors[0].error or "cannot be read", path=captures[0])
    return _written(dossier, out, force=force, pdf=pdf)


def _written(dossier: Dossier, out: Path | None, *, force: bool, pdf: bool) -> DriveOutcome:
    from vibe.report.drive_page import write_drive
    from vibe.report.index_page import index_row

    files = write_drive(dossier, out, force=force, pdf=pdf) if out is not None else None
    remarks = [f"{c.file}: {c.error}" for c in dossier.health.captures if c.error]
    remarks += [f"{c.file}: {remark}" for c in dossier.health.captures for remark in c.remarks]
    return DriveOutcome(dossier=dossier, files=files, row=index_row(dossier, files, remarks=remarks))


def check_files(captures: Sequence[Path], drive_path: Path | None) -> tuple[CheckedCapture, ...]:
    """Quality verdicts, file by file; a file that cannot be read does not stop the rest.

    Raises:
        ConfigError: the drive file is wrong.
    """
    from vibe.ingest import assess, read_capture

    drive = tones_of(drive_path)[0] if drive_path is not None else None
    speed = drive.input.speed_hz if drive is not None else None
    checked = []
    for path in captures:
        try:
            capture = read_capture(path)
        except CaptureError as error:
            checked.append(CheckedCapture(path=path, error=error.reason, quality=()))
            continue
        remarks = list(capture.remarks)
        if drive is not None and capture.drive not in (None, drive.tag):
            remarks.append(f"the file says drive {str(capture.drive)[:80]!r}, the check is for {drive.tag!r}")
        quality = tuple(assess(channel, speed_hz=speed) for channel in capture.channels)
        checked.append(CheckedCapture(path=path, error=None, quality=quality, remarks=tuple(remarks)))
    return tuple(checked)


def plan_drives(drive_paths: Sequence[Path], out: Path | None, force: bool, *, pdf: bool | None = None) -> PlanOutcome:
    """Capture plans, and a printable sheet when ``out`` is given (with its PDF unless ``pdf`` says no)."""
    from vibe.health.cautions import plan_cautions
    from vibe.kinematics.plan import capture_plan
    from vibe.report.plan_sheet import write_plan_sheet

    pairs = [tones_of(path) for path in drive_paths]
    plans = tuple(capture_plan(drive, table) for drive, table in pairs)
    if out is None:
        return PlanOutcome(plans=plans, files=())
    names = {drive.tag: drive.name for drive, _ in pairs}
    sheet = write_plan_sheet(plans, out, force=force, names=names, cautions=plan_cautions(), pdf=pdf is not False)
    files = tuple(file for file in (sheet.html, sheet.pdf, sheet.csv, sheet.json) if file is not None)
    return PlanOutcome(plans=plans, files=files, remarks=sheet.remarks)


def simulate_file(
    drive_path: Path, damage: Sequence[str], seed: int, out: Path, force: bool, **conditions: Any
) -> Path:
    """A capture with known truth, written in the format that ``out`` names."""
    from vibe.synth.conditions import Conditions
    from vibe.synth.damage import parse_damage
    from vibe.synth.simulate import simulate
    from vibe.synth.writers import write_capture

    drive, _ = tones_of(drive_path)
    capture = simulate(drive, [parse_damage(text) for text in damage], seed=seed, conditions=Conditions(**conditions))
    return write_capture(capture, out, force=force)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Job:
    tag: str
    name: str
    drive_path: Path
    captures: tuple[Path, ...]
    out: Path
    limits: Path | None
    force: bool
    pdf: bool
    remarks: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class _Done:
    """What came of one drive of a run; ``bad``: some capture was rejected or unreadable."""

    row: IndexRow
    bad: bool = True
    failure: str | None = None
    defect: bool = False


def _do_job(job: _Job) -> _Done:
    """One drive of a run, in whatever process. What goes wrong with it is told, and costs no other drive."""
    from vibe.report.drive_page import refuse_existing

    try:
        if not job.force:
            refuse_existing(job.out, job.tag)
        drive, table = tones_of(job.drive_path)
        dossier = dossier_of(drive, table, job.captures, load_settings(job.limits))
        row = _written(dossier, job.out, force=job.force, pdf=job.pdf).row
    except VibeError as error:
        return _failed(job, str(error))
    except MemoryError:
        return _failed(job, "this needs more memory than there is; try fewer or shorter captures, or --workers 1")
    except Exception as error:
        return _failed(job, defect(error), is_defect=True)
    health = dossier.health
    bad = any(c.error is not None or any(ch.quality == "rejected" for ch in c.channels) for c in health.captures)
    return _Done(row=replace(row, remarks=(*row.remarks, *job.remarks)), bad=bad)


def _failed(job: _Job, why: str, *, is_defect: bool = False) -> _Done:
    from vibe.report.index_page import IndexRow

    row = IndexRow(
        tag=job.tag, name=job.name, state="unknown", sentence=f"{job.tag}: its health is not known, for no report "
        "could be made.", do_by="Mend what is named here, and run again.", top_finding=None, probability=None,
        files=None, captures=len(job.captures), remarks=(why, *job.remarks),
    )  # fmt: skip
    return _Done(row=row, failure=f"{job.tag}: {why}", defect=is_defect)


def run_recipe(
    recipe_path: Path,
    *,
    captures: Path | None = None,
    out: Path | None = None,
    workers: int | None = None,
    cluster: str | None = None,
    force: bool = False,
    pdf: bool | None = None,
    progress: Progress | None = None,
) -> RunOutcome:
    """A recipe over a folder of captures: pages per drive and an index, gravest first.

    A drive that cannot be reported is told in ``failures`` and stands in the index as unknown; the others go on.
    ``pdf`` overrules the recipe.

    Raises:
        ConfigError: the recipe or a drive file is wrong. CallError: no captures, or none of the drives could be
            reported. OutputError: pages are there already and ``force`` is not given, or cannot be written.
    """
    from vibe.core.files import check_folder
    from vibe.ingest import drive_files, find_captures, load_drive, load_recipe
    from vibe.report.index_page import refuse_existing_run, write_index

    recipe = load_recipe(recipe_path)
    base = recipe_path.resolve().parent
    if recipe.kind != "route":
        raise CallError(
            f"{recipe_path}: recipes of kind {recipe.kind!r} cannot be run by this version; kind 'route' can"
        )
    paths = drive_files([base / pattern for pattern in recipe.drives])
    drives: dict[str, Path] = {}
    names: dict[str, str] = {}
    for path in paths:
        drive = load_drive(path)
        if drive.tag in drives:
            raise ConfigError(f"drive {drive.tag!r} is described twice, here and in {drives[drive.tag]}", path=path)
        # Many file systems know no case: one of the two reports would be lost.
        if near := next((tag for tag in drives if tag.casefold() == drive.tag.casefold()), None):
            raise ConfigError(f"the tags {drive.tag!r} and {near!r} differ in case only; {near!r} is in {drives[near]}",
                              path=path)  # fmt: skip
        drives[drive.tag], names[drive.tag] = path, drive.name
    folder = captures or base / recipe.captures
    target = out or recipe.out
    check_folder(target)
    if not force:
        refuse_existing_run(target)
    # Earlier pages below the folder of captures (drives.csv is one of them) are no captures.
    found = [path for path in find_captures(folder) if not _is_page(path, target)]
    if not found:
        raise CallError(f"{folder} holds no capture in a known format")
    by_drive, unused, twins = _sorted_by_drive(found, drives)
    limits = None if recipe.limits is None else base / recipe.limits
    load_settings(limits)  # What is wrong with them is wrong for every drive.
    jobs = [
        _Job(
            tag=tag, name=names[tag], drive_path=drives[tag], captures=tuple(files), out=target, force=force,
            pdf=recipe.pdf if pdf is None else pdf, remarks=tuple(twins.get(tag, ())),
            limits=limits,
        )
        for tag, files in by_drive.items()
    ]  # fmt: skip
    results = _fan_out(jobs, workers, cluster, progress)
    failures = [result.failure for result in results if result.failure is not None]
    if failures and len(failures) == len(results):
        more = f" ({len(failures) - 1} more drives like it)" if len(failures) > 1 else ""
        raise CallError(f"{failures[0]}{more}")
    rows = [result.row for result in results]
    without = [tag for tag in drives if tag not in by_drive]
    files = write_index(
        rows, target, title=recipe.title, captures_without_drive=unused,
        drives_without_capture=without, force=force,
    )  # fmt: skip
    said = [*unused, *(text for texts in twins.values() for text in texts), *failures]
    said += [f"{tag}: no capture was found" for tag in without]
    return RunOutcome(
        rows=tuple(rows),
        index=files.html,
        remarks=tuple(said),
        rejected=any(result.bad for result in results) or bool(unused),
        acting=any(row.state == "act" for row in rows),
        failures=tuple(failures),
        defect=any(result.defect for result in results),
    )


def _is_page(path: Path, target: Path) -> bool:
    """Whether a file that looks like a capture is one of the pages in ``target``."""
    where, pages = path.parent.resolve(), target.resolve()
    return path.name == "drives.csv" if where == pages else where.is_relative_to(pages)


def _sorted_by_drive(
    found: Sequence[Path], drives: dict[str, Path]
) -> tuple[dict[str, list[Path]], list[str], dict[str, list[str]]]:
    """Captures by drive tag; a remark for each file that has no drive here or cannot be read; remarks by drive tag."""
    from vibe.ingest.identity import identify

    by_drive: dict[str, list[Path]] = {}
    unused: list[str] = []
    twins: dict[str, list[str]] = {}
    seen: dict[tuple[str, str], Path] = {}
    for path in found:
        try:
            tag, measured_at = identify(path)
        except VibeError as error:
            unused.append(writable(str(error)))
            continue
        if tag is None:
            unused.append(f"{writable(path.name)}: does not say which drive it was measured on")
        elif tag not in drives:
            unused.append(f"{writable(path.name)}: measured on {tag[:80]!r}, which no drive file describes")
        else:
            if measured_at is not None:
                twin = seen.setdefault((tag, measured_at.isoformat()), path)
                if twin is not path:
                    names = f"{writable(path.name)} and {writable(twin.name)}"
                    twins.setdefault(tag, []).append(f"{names}: two captures of {tag!r} at one time, both used")
            by_drive.setdefault(tag, []).append(path)
    return by_drive, unused, twins


def _fan_out(jobs: Sequence[_Job], workers: int | None, cluster: str | None, progress: Progress | None) -> list[_Done]:
    """All jobs, in this process, in several, or on a cluster."""
    from vibe.workers import Lost, each

    count = workers if workers is not None else min(len(jobs), os.cpu_count() or 1)

    def tell(done: int, result: _Done | Lost) -> None:
        if progress is not None:
            progress(done, len(jobs), result.row.tag if isinstance(result, _Done) else "")

    if progress is not None:
        progress(0, len(jobs), "")
    results = each(
        # A process that died may have left pages of its own behind.
        _do_job, jobs, workers=count, cluster=cluster, again=lambda job: replace(job, force=True), done=tell
    )  # fmt: skip
    lost = "the process that worked on it was ended from outside, probably for want of memory; try --workers 1"
    return [
        _failed(job, lost) if isinstance(result, Lost) else result for job, result in zip(jobs, results, strict=True)
    ]
