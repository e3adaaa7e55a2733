"""A commissioning set to an acceptance: every requirement answered, the certificate, and the baseline in the store."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING

from vibe import __version__
from vibe.core.errors import CallError, CaptureError, ConfigError, OutputError, VibeError
from vibe.flow.commissioning.earlier_records import (
    OtherRecords,
    check_taken_anew,
    most_attempts,
    read_others,
    retest_remarks,
)
from vibe.flow.commissioning.going_on import LeftBehind, left_behind
from vibe.flow.commissioning.line_values import lines_asked
from vibe.flow.commissioning.measured_figures import CaptureFigures, FiguresJob, look, to_identify
from vibe.flow.commissioning.requirements import (
    Evidence,
    answered,
    check_limits,
    damage_found,
    damage_tones,
    readable_lines,
    searched_captures,
    unseen_tones,
)
from vibe.flow.commissioning.set_checks import check_captures, check_files, check_set, plate_remarks, zero_remarks
from vibe.flow.commissioning.speed_curves import OVER_SPEED
from vibe.flow.jobs.executor import JobExecutor
from vibe.flow.settings import Settings, load_settings, share_dir, tones_of
from vibe.storage.files import check_folder, safe_name, writable
from vibe.storage.regular import refuse_links_out

if TYPE_CHECKING:
    from vibe.core.drive import Drive
    from vibe.core.records.acceptance import Acceptance, CommissioningSet, InputFile, Requirement, Requirements
    from vibe.core.records.commissioning import CaptureFacts
    from vibe.core.tones import ToneTable
    from vibe.health.acceptance.uncertainty import MeasurementPractice
    from vibe.report.certificate.proof.keys import SigningKeys

LIST_NAME = "certificates.html"
MOST_PLANTED = 2
"""Captures that parts are dealt out to when it is tried how small an impact would have shown: to look at one takes
as long as three trials."""
MOST_IDENTIFIED = 3
"""Captures that are asked for the counts: they must agree."""
Progress = Callable[[int, int, str], None]


@dataclass(frozen=True, slots=True, kw_only=True)
class Accepted:
    """One set: its acceptance and the files written for it."""

    acceptance: Acceptance
    files: tuple[Path, ...]
    remarks: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class _Read:
    """A set and all that it names, read and checked."""

    path: Path
    given: CommissioningSet
    requirements: Requirements
    drive: Drive
    table: ToneTable
    drive_path: Path
    runs: tuple[tuple[Path, ...], ...]
    practice: MeasurementPractice
    limits_path: Path
    others: OtherRecords


def run_commissioning(
    recipe_path: Path,
    *,
    captures: Path | None = None,
    out: Path | None = None,
    workers: int | None = None,
    force: bool = False,
    pdf: bool | None = None,
    progress: Progress | None = None,
    keys: SigningKeys | None = None,
    refused: list[str] | None = None,
) -> tuple[Accepted, ...]:
    """A recipe of kind commissioning: each set is proved, and its certificate written into ``out``.

    ``captures``: a set's file, its folder, or a folder of such folders, instead of the recipe's own. Several sets get a
    folder each, named after their own, and one page lists their certificates. With a store, captures of a drive that
    passed are kept as its baseline. ``keys`` sign. ``refused`` takes a sentence for each of several sets that is wrong
    or whose captures show that it cannot be, and the others go on; unless given, the first is raised. A run of several
    sets that was interrupted, whose page of all is missing, goes on: what it has left of the very same sets is kept.

    Raises:
        ConfigError: the recipe or a file of a set is wrong. CallError: there is no set.
        OutputError: results are there already and ``force`` is not given, or cannot be written.
    """
    from vibe.ingest import load_recipe
    from vibe.ingest.commissioning_set import find_sets
    from vibe.report.printing.pdf import warm_up

    recipe = load_recipe(recipe_path)
    if recipe.kind != "commissioning":
        raise CallError(f"{recipe_path}: is of kind {recipe.kind!r}, not 'commissioning'")
    target = out or recipe.out
    check_folder(target)
    sets = find_sets(captures or recipe.captures)
    settings = load_settings(recipe.limits)
    # What is wrong with one is found before any long work.
    read = list(_sets_read(sets, settings, recipe.limits, refused if len(sets) > 1 else None))
    folders = [target if len(sets) == 1 else target / safe_name(one.path.parent.name) for one in read]
    refuse_links_out(target, *(folder.name for folder in folders if folder != target))
    printed = recipe.pdf if pdf is None else pdf
    left: list[LeftBehind | None] = [None] * len(read)
    if not force and len(sets) > 1:
        if (target / LIST_NAME).exists():
            raise OutputError(f"{target / LIST_NAME} exists already; give --force to replace it, or another --out")
        left = [_left(one, folder, keys, printed) for one, folder in zip(read, folders, strict=True)]
    for folder, there in zip(folders, left, strict=True):
        if not force and there is None:
            _refuse_existing(folder)
    done = []
    count = min(workers or os.cpu_count() or 1, max((len(_paths(one)) for one in read), default=1))
    if printed and read:
        warm_up()
    # Captures of a set are looked at while the certificate of the one before is drawn.
    with _processes(count) as executor, ThreadPoolExecutor(max_workers=1) as writer:
        writing: list[tuple[_Read, Future[Accepted]]] = []

        def finish() -> None:
            while writing:
                one, future = writing.pop()
                try:
                    accepted = future.result()
                except (CallError, ConfigError, CaptureError) as error:
                    if refused is None or len(sets) == 1:
                        raise
                    refused.append(str(error))
                    continue
                if recipe.store is not None:
                    kept = _kept(one, accepted.acceptance, recipe.store, settings, recipe.time_zone)
                    accepted = replace(accepted, remarks=(*accepted.remarks, *kept))
                done.append(accepted)

        for number, (one, folder, there) in enumerate(zip(read, folders, left, strict=True), start=1):
            if there is not None and there.whole:
                serial = there.acceptance.serial
                remark = f"{serial}: its certificate was there already, from a run that was interrupted"
                future: Future[Accepted] = Future()
                future.set_result(Accepted(acceptance=there.acceptance, files=there.files, remarks=(remark,)))
                finish()
            else:
                of_all = f"set {number} of {len(read)}: " if len(read) > 1 else ""
                try:
                    acceptance = prove(one, settings, executor=executor, progress=_introduced(progress, of_all))
                except (CallError, ConfigError, CaptureError) as error:
                    finish()
                    if refused is None or len(sets) == 1:
                        raise
                    refused.append(str(error))
                    continue
                finish()
                future = writer.submit(
                    _written, one, acceptance, folder, force=force or there is not None, pdf=printed, keys=keys
                )
            writing.append((one, future))
        finish()
    if len(sets) > 1:
        _list(recipe.title, done, refused or [], target, force=force)
    return tuple(done)


@contextmanager
def _processes(count: int) -> Iterator[JobExecutor]:
    """Processes for all sets. Where a set is refused they have nothing in hand that would have to be broken off."""
    wrong: VibeError | None = None
    with JobExecutor(count) as executor:
        try:
            yield executor
        except VibeError as error:
            wrong = error
    if wrong is not None:
        raise wrong


def _introduced(progress: Progress | None, of_all: str) -> Progress | None:
    """``progress`` that says of which set it is."""
    if progress is None or not of_all:
        return progress

    def introduced(done: int, total: int, what: str) -> None:
        progress(done, total, of_all + what)

    return introduced


def _sets_read(
    sets: Sequence[Path], settings: Settings, limits: Path | None, refused: list[str] | None
) -> Iterator[_Read]:
    for path in sets:
        try:
            yield read_set(path, settings, limits)
        except ConfigError as error:
            if refused is None:
                raise
            refused.append(str(error))


def load_practice() -> MeasurementPractice:
    """Common practice of measuring. Raises: ConfigError where the file is wrong."""
    from vibe.health.acceptance.uncertainty import MeasurementPractice
    from vibe.ingest import load_model

    return load_model(practice_path(), MeasurementPractice)


def practice_path() -> Path:
    """The file of common practice of measuring."""
    return share_dir() / "configs" / "acceptance" / "measurement.toml"


def read_set(path: Path, settings: Settings, limits: Path | None = None) -> _Read:
    """A set and all files that it names; ``limits``: file that the limits of ``settings`` are from, unless shipped.

    Raises:
        ConfigError: one of them is missing or wrong, with line and field.
    """
    from vibe.ingest.commissioning_set import check_names, load_requirements, load_set, run_captures

    given = load_set(path)
    base = path.resolve().parent
    requirements = load_requirements(base / given.requirements)
    drive, table = tones_of(base / given.drive)
    damage = {tone.id for tone in table.tones if tone.damage}
    check_names(requirements, base / given.requirements, lines=readable_lines(drive, table), damage=damage)
    read = _Read(
        path=path, given=given, requirements=requirements, drive=drive, table=table, drive_path=base / given.drive,
        runs=run_captures(given, path), practice=load_practice(),
        limits_path=limits or share_dir() / "configs" / "limits.toml", others=read_others(given, path, requirements),
    )  # fmt: skip
    check_limits(_evidence(read, settings, ()))
    check_set(given, path, read.practice, requirements)
    check_files(read.runs, path)
    return read


def _evidence(read: _Read, settings: Settings, looked: Sequence[CaptureFigures]) -> Evidence:
    return Evidence(
        looked=tuple(looked), runs=tuple(read.given.run), drive=read.drive, table=read.table, settings=settings,
        practice=read.practice, given=read.given, requirements=read.requirements, base=read.path.resolve().parent,
        rate=_rate(read.requirements), golden=read.others.golden,
    )  # fmt: skip


def prove(read: _Read, settings: Settings, *, executor: JobExecutor, progress: Progress | None = None) -> Acceptance:
    """All captures of a set looked at, and every requirement answered.

    Raises:
        CallError: a process was ended from outside. ConfigError: a requirement names a limit that does not exist.
    """
    from vibe.core.records.acceptance import Acceptance
    from vibe.health.acceptance.outcomes import overall
    from vibe.health.state.cautions import cautions

    looked = _figures_of_captures(read, settings, executor, progress)
    remarks = check_captures(read.given, read.path, read.drive, looked, read.practice)
    check_taken_anew(read.others, looked, read.path)
    remarks += [*zero_remarks(read.given, read.practice), *retest_remarks(read.requirements, read.others.earlier)]
    remarks += plate_remarks(read.given, read.drive, read.table)
    evidence = _evidence(read, settings, looked)
    evidence = replace(evidence, shown=_shown(read, settings, evidence, executor, progress))
    outcomes = answered(evidence)
    times = [one.measured_at for one in looked if one.measured_at is not None]
    speeds = [one.speed_hz for one in looked if one.speed_hz is not None and one.kind != "run-in"]
    found = sorted({one.ratio for one in evidence.counted if one.ratio})
    return Acceptance(
        drive=read.drive.tag, name=read.drive.name, serial=read.given.serial, title=read.requirements.title,
        contract=read.requirements.contract, decision_rule=read.requirements.decision_rule,
        answer=overall(outcomes), outcomes=tuple(outcomes),
        captures=tuple((one.file, one.sha256) for one in looked), runs=tuple(read.given.run),
        instruments=tuple(read.given.instrument),
        measured_from=min(times, key=_sortable, default=None), measured_to=max(times, key=_sortable, default=None),
        speed_hz=float(f"{speeds[0]:.8g}") if speeds else None, ratio_ordered=evidence.ordered,
        ratio_found=" or ".join(found) or "not determined",
        remarks=(*_remarks(looked), *remarks, *read.others.remarks), cautions=tuple(cautions()),
        issue=read.given.issue, plate=read.given.plate, mounting=read.given.mounting, measured=_facts(read, looked),
        speed_curves=tuple(curve for one in looked for curve in one.curves),
        noted=tuple(read.given.noted), earlier=read.others.earlier,
        retest_rule="" if read.requirements.retest is None else read.requirements.retest.text,
        most_attempts=most_attempts(read.requirements, read.others.earlier),
        contributions=tuple(read.given.contribution),
        software=f"vibe {__version__}", inputs=_inputs(read),
    )  # fmt: skip


def _inputs(read: _Read) -> tuple[InputFile, ...]:
    """All files but the captures that the answers rest on."""
    from vibe.core.records.acceptance import InputFile
    from vibe.flow.file_hash import file_hash

    configs = share_dir() / "configs"
    files = [
        ("drive file", read.drive_path),
        ("requirements", read.path.resolve().parent / read.given.requirements),
        ("commissioning set", read.path),
        ("limits", read.limits_path),
        *(("settings", configs / name) for name in ("judgement.toml", "diagnosis.toml")),
        ("settings", practice_path()),
    ]
    return tuple(InputFile(what=what, file=writable(path.name), sha256=file_hash(path)) for what, path in files)


def _figures_of_captures(
    read: _Read, settings: Settings, executor: JobExecutor, progress: Progress | None
) -> list[CaptureFigures]:
    from vibe.flow.jobs.executor import ENDED_WORKING, WorkerDied

    rate = _rate(read.requirements)
    shared = _shared(settings, None if rate is None else rate / _searched(read))
    kinds = [run.kind for run, files in zip(read.given.run, read.runs, strict=True) for _ in files]
    paths = [(number, path) for number, files in enumerate(read.runs) for path in files]
    asked = to_identify(kinds, [path.stat().st_size for _, path in paths], MOST_IDENTIFIED)
    lines = {kind: lines_asked(_during(read.requirements, kind), read.drive, read.table) for kind in kinds}
    jobs = [
        FiguresJob(
            path=path, run=number, kind=read.given.run[number].kind, drive=read.drive, table=read.table,
            settings=shared, mounting=read.given.mounting, identify=place in asked,
            lines=lines[read.given.run[number].kind],
        )
        for place, (number, path) in enumerate(paths)
    ]  # fmt: skip

    def tell(done: int, _: object) -> None:
        if progress is not None:
            progress(done, len(jobs), f"captures of {read.given.serial}")

    results = executor.each(look, jobs, done=tell)
    looked = [one for one in results if not isinstance(one, WorkerDied)]
    if len(looked) < len(results):
        raise CallError(f"captures of {read.given.serial}: {ENDED_WORKING}")
    return looked


def _shown(
    read: _Read, settings: Settings, evidence: Evidence, executor: JobExecutor, progress: Progress | None
) -> dict[str, float | None]:
    """How small an impact of each part would have shown, by component; nothing where damage or other counts were found,
    next to which nobody can try."""
    from statistics import median

    from vibe.flow.commissioning.shown_sizes import FIRST, jobs_of, plant
    from vibe.flow.jobs.executor import WorkerDied

    asked = [one for one in read.requirements.requirement if one.kind == "no damage"]
    inside = {one.file: one for wanted in asked for one in searched_captures(wanted, evidence.looked)}
    if not inside or any(damage_found(wanted, read.table, evidence.looked) for wanted in asked):
        return {}
    if any(one.answer == "fail" for one in evidence.counted):
        return {}
    wanted = dict.fromkeys(tone for one in asked for tone in damage_tones(one, read.table))
    hidden = {view.tone for view in unseen_tones(list(inside.values()), list(wanted))}
    tones: dict[str, str] = {}
    for tone in wanted:
        if tone not in hidden:
            tones.setdefault(read.table.tone(tone).component, tone)
    twins = {part: _stands_for(part, tones, read.table) for part in tones}
    limits = [limit for one in inside.values() for limit in one.detection_limits.values()]
    if not limits:
        return {}
    ranked = sorted(inside, key=lambda file: median(inside[file].detection_limits.values() or [0.0]))
    # Damage shows in all of them; those in the middle stand for what one of them sees.
    chosen = ranked[max(0, (len(ranked) - MOST_PLANTED) // 2) :][:MOST_PLANTED]
    paths = {one.file: path for one, path in zip(evidence.looked, _paths(read), strict=True)}
    jobs = list(
        jobs_of(
            [paths[file] for file in chosen],
            [tones[part] for part, twin in twins.items() if twin == part],
            FIRST * median(limits), read.drive, read.table,
            _shared(settings, None if evidence.rate is None else evidence.rate / _searched(read)),
        )
    )  # fmt: skip

    def tell(done: int, _: object) -> None:
        if progress is not None:
            progress(done, len(jobs), f"trials of what captures of {read.given.serial} would show")

    results = executor.each(plant, jobs, done=tell)
    sizes = {tone: size for one in results if not isinstance(one, WorkerDied) for tone, size in one.items()}
    return {part: sizes.get(tones[twin]) for part, twin in twins.items()}


def _stands_for(part: str, tones: dict[str, str], table: ToneTable) -> str:
    """The first part whose impacts repeat at the same order: one trial serves both."""
    own = table.tone(tones[part])
    return next(
        other
        for other, tone in tones.items()
        if abs(table.tone(tone).order / own.order - 1) < 1e-9 and table.tone(tone).slip == own.slip
    )


def _paths(read: _Read) -> list[Path]:
    """All captures, in the order in which they are looked at."""
    return [path for files in read.runs for path in files]


def _during(requirements: Requirements, kind: str) -> list[Requirement]:
    """Requirements that a capture of a run of that kind answers."""
    return [one for one in requirements.requirement if not one.during or kind in one.during]


def _rate(requirements: Requirements) -> float | None:
    """The false-alarm rate that damage is looked for at: that of the whole set."""
    rates = (one.false_alarm_rate for one in requirements.requirement if one.kind == "no damage")
    return next((rate for rate in rates if rate is not None), None)


def _searched(read: _Read) -> int:
    """Captures that some requirement searches for damage."""
    asked = [one.during for one in read.requirements.requirement if one.kind == "no damage"]
    runs = [pair for pair in zip(read.given.run, read.runs, strict=True) if pair[0].kind not in OVER_SPEED]
    return max(1, sum(len(files) for run, files in runs if any(not kinds or run.kind in kinds for kinds in asked)))


def _shared(settings: Settings, rate: float | None) -> Settings:
    """The rate of a whole set is shared among its captures (Bonferroni)."""
    if rate is None:
        return settings
    alarm = settings.judgement.false_alarm.model_copy(update={"rate_per_drive": rate})
    return replace(settings, judgement=settings.judgement.model_copy(update={"false_alarm": alarm}))


def _sortable(at: datetime) -> float:
    from datetime import UTC

    return (at if at.tzinfo is not None else at.replace(tzinfo=UTC)).timestamp()


def _remarks(looked: Sequence[CaptureFigures]) -> list[str]:
    remarks = [f"{one.file}: {one.error}" for one in looked if one.error is not None]
    return remarks + [f"{one.file}: {remark}" for one in looked for remark in one.remarks]


def _facts(read: _Read, looked: Sequence[CaptureFigures]) -> tuple[CaptureFacts, ...]:
    """Each capture as it was taken; a load that it does not note is that of its run."""
    from vibe.core.records.commissioning import CaptureFacts

    return tuple(
        CaptureFacts(
            file=one.file, sha256=one.sha256, kind=one.kind, points=one.points or one.channels,
            measured_at=one.measured_at, duration_s=one.duration_s, sample_rate_hz=one.sample_rate_hz,
            top_hz=one.top_hz if one.fit or one.curves else None, speed_hz=one.speed_hz,
            load_percent=read.given.run[one.run].load_percent if one.load_percent is None else one.load_percent,
            recording=one.recording, noise_print="" if one.noise is None else one.noise.text,
        )
        for one in looked
    )  # fmt: skip


# ── what is written ───────────────────────────────────────────────────────────────────────────────────────────────


def _refuse_existing(folder: Path) -> None:
    from vibe.report.certificate.certificate import HTML_NAME, JSON_NAME, PDF_NAME

    for name in (JSON_NAME, HTML_NAME, PDF_NAME):
        if (folder / name).exists():
            raise OutputError(f"{folder / name} exists already; give --force to replace it, or another --out")


def _left(read: _Read, folder: Path, keys: SigningKeys | None, pdf: bool) -> LeftBehind | None:
    """What an interrupted run has left of a set; one with a golden drive, whose record is no input, is proved anew."""
    from vibe.flow.file_hash import file_hash
    from vibe.report.certificate.certificate import JSON_NAME

    if not (folder / JSON_NAME).exists():
        return None
    found = left_behind(
        folder, inputs=_inputs(read), captures=[file_hash(path) for path in _paths(read)],
        earlier=read.others.earlier, keys=keys, pdf=pdf,
    )  # fmt: skip
    return found if found is None or read.others.golden is None else replace(found, whole=False)


def _written(
    read: _Read, acceptance: Acceptance, folder: Path, *, force: bool, pdf: bool, keys: SigningKeys | None
) -> Accepted:
    """The acceptance as it was written, with its files; of a drive that passed, the baseline is handed over."""
    from vibe.flow.commissioning import baseline_package
    from vibe.report.certificate.certificate import write_certificate

    package = folder / baseline_package.FOLDER
    with TemporaryDirectory(prefix="vibe-baseline-") as place:
        if acceptance.answer == "pass":
            files = baseline_package.prepared(read.given.run, read.runs, Path(place))
            acceptance = replace(acceptance, baseline=files)
        made = write_certificate(acceptance, folder, force=force, pdf=pdf, keys=keys)
        if acceptance.baseline:
            baseline_package.handed_over(Path(place), read.drive_path, made.json, package, force=force)
        else:
            baseline_package.remove(package)
    acceptance = replace(acceptance, signed_by=None if keys is None else keys.signed_by)
    written = tuple(path for path in (made.json, made.html, made.pdf) if path is not None)
    return Accepted(acceptance=acceptance, files=written, remarks=made.remarks)


def _list(title: str, done: Sequence[Accepted], refused: Sequence[str], out: Path, *, force: bool) -> Path:
    """The page that lists all certificates of a run."""
    import json
    from urllib.parse import quote

    from vibe.report.certificate.list_page import ListedCertificate, write_list

    forms = {".html": "page", ".pdf": "PDF", ".json": "record"}
    listed = [
        ListedCertificate(
            acceptance=one.acceptance, seal=json.loads(one.files[0].read_text(encoding="utf-8"))["seal"],
            places=tuple((forms[path.suffix], quote(path.relative_to(out).as_posix())) for path in one.files),
        )
        for one in done
    ]  # fmt: skip
    return write_list(title, listed, refused, out, force=force)


def _kept(
    read: _Read, acceptance: Acceptance, store_path: Path, settings: Settings, time_zone: str | None
) -> list[str]:
    """The captures of a drive that passed go into the store: its baseline. Those of the run-in, which moved, do not."""
    if acceptance.answer != "pass":
        return [f"{acceptance.serial}: not kept in the store, for a baseline is that of a drive that passed"]
    from vibe.flow.commissioning.baseline_package import LEFT_OUT
    from vibe.flow.history.capture_record import keep
    from vibe.history.store.store import Store

    remarks: list[str] = []
    toml = read.drive_path.read_text(encoding="utf-8")
    kept = 0
    with Store.open(store_path, create=True) as store:
        for run, files in zip(read.given.run, read.runs, strict=True):
            for path in files if run.kind not in LEFT_OUT else ():
                try:
                    kept += keep(path, read.drive, read.table, settings, store, toml=toml, time_zone=time_zone)
                except (CaptureError, ConfigError) as error:
                    remarks.append(f"not kept: {error}")
    count = "1 capture" if kept == 1 else f"{kept} captures"
    return [f"{acceptance.serial}: {count} kept in {store_path} as the baseline of {acceptance.drive}", *remarks]
