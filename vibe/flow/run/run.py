"""A recipe over a folder of captures: pages per drive, one page for all."""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING

from vibe.core.errors import CallError, OutputError, VibeError, defect
from vibe.flow.capture_folder import CaptureHeader, Gathered, Search, look_at, without_twins
from vibe.flow.diagnose.drive_diagnosis import drive_report_of, ready_to_print, written
from vibe.flow.diagnose.earlier_diagnoses import from_kept, kept_files
from vibe.flow.diagnose.tone_requests import candidate_of
from vibe.flow.file_hash import texts_hash
from vibe.flow.jobs.executor import ENDED_WORKING, JobExecutor, WorkerDied
from vibe.flow.run import resume
from vibe.flow.run.field_verdicts import FieldVerdicts, checked_report, field_verdicts
from vibe.flow.run.outcome import DriveResult, RunInterrupted, RunOutcome
from vibe.flow.run.preparation import Plant, captures_of, drive_hashes, plant_of, search_of, settings_hashes
from vibe.flow.run.summary import summed_up
from vibe.flow.settings import Settings, load_settings, tones_of

if TYPE_CHECKING:
    from vibe.core.route.round_check import FileSeen
    from vibe.core.route.run_notes import Retake
    from vibe.spectra.identity.recognition import Candidate

Progress = Callable[[int, int, str], None]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Common:
    """What all jobs of a run share: sent to each process once."""

    settings: Settings
    pdf: bool
    search: Search
    others: Mapping[str, Candidate]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Job:
    """One drive. ``force``: pages of it that are there may be replaced."""

    tag: str
    name: str
    drive_path: Path
    captures: tuple[Path, ...]
    out: Path
    force: bool
    earlier: tuple[Path, ...] = ()
    """Files of earlier captures in a store."""
    seen: tuple[FileSeen, ...] = ()
    """What the check of the round says of its captures; ``back``: what is to be repeated."""
    back: tuple[Retake, ...] = ()
    planned_captures: int | None = None
    """At each point, where the route says how many."""
    run: str = ""
    made_from: Mapping[str, str] = field(default_factory=dict)


def _look(path: Path, common: _Common) -> CaptureHeader:
    """A file before its drive is known, in whatever process."""
    return look_at(path, common.search)


def _do_job(job: _Job, common: _Common) -> DriveResult:
    """One drive of a run, in whatever process. What goes wrong with it is reported, and costs no other drive."""
    try:
        if not job.force:
            _refuse_existing(job)
        _still_wanted(job)
        resume.unstamp(job.out, job.tag)
        drive, table = tones_of(job.drive_path)
        if common.pdf:
            ready_to_print()
        reader = common.search.capture_reader
        captures, said = without_twins(job.tag, job.captures, reader)
        earlier, _ = from_kept(job.earlier, drive, table, common.settings)
        drive_report = drive_report_of(drive, table, captures, common.settings, reader, common.others, None, earlier)
        drive_report = checked_report(drive_report, job.seen, job.back, common.settings, job.planned_captures)
        _still_wanted(job)
        row = written(drive_report, job.out, force=job.force, pdf=common.pdf)
        row = replace(row, noticed=tuple(said))
        health = drive_report.health
        bad = any(c.error is not None or any(ch.quality == "rejected" for ch in c.channels) for c in health.captures)
        # A capture that changed while it was being read makes a report of neither state.
        if {c.sha256 for c in health.captures} - {None} <= set(job.made_from.values()):
            resume.stamp(job.run, row, job.made_from, bad=bad)
    except VibeError as error:
        return _failed(job, str(error))
    except MemoryError:
        return _failed(job, "this needs more memory than there is; try fewer or shorter captures, or --workers 1")
    except Exception as error:
        return _failed(job, defect(error), is_defect=True)
    return DriveResult(row=row, bad=bad)


def _still_wanted(job: _Job) -> None:
    """A worker that was cut off from its run may work on when that is over, and must not touch the pages then."""
    if not resume.is_under_way(job.out, job.run):
        raise OutputError(f"{job.out}: the run has ended without this drive")


def _failed(job: _Job, why: str, *, is_defect: bool = False) -> DriveResult:
    from vibe.report.run_rows import IndexRow

    row = IndexRow(
        tag=job.tag, name=job.name, state="unknown", sentence=f"{job.tag}: condition not assessed, for no report "
        "could be made.", do_by="Correct what is named here, and run again.", top_finding=None, probability=None,
        files=None, captures=len(job.captures), remarks=(why,),
    )  # fmt: skip
    return DriveResult(row=row, failure=f"{job.tag}: {why}", defect=is_defect)


def recipe_kind(recipe_path: Path) -> str:
    """What kind of run a recipe is: those of kind alarms are run by ``flow.alarming.run_alarms``.

    Raises:
        ConfigError: the recipe is wrong.
    """
    from vibe.ingest import load_recipe

    return load_recipe(recipe_path).kind


def run_recipe(
    recipe_path: Path,
    *,
    captures: Path | None = None,
    out: Path | None = None,
    workers: int | None = None,
    cluster: str | None = None,
    force: bool = False,
    pdf: bool | None = None,
    earlier: Path | None = None,
    store: Path | None = None,
    readings: Path | None = None,
    progress: Progress | None = None,
    say: Callable[[str], None] | None = None,
) -> RunOutcome:
    """A recipe over a folder of captures: pages per drive and an index, gravest first.

    Where an earlier run of the same recipe into the same folder was interrupted, drives that it finished are kept, and
    ``say`` is informed before the work begins; ``force`` does all of them again. A drive that cannot be reported is
    reported in ``failures`` and stands in the index as unknown; the others go on. ``pdf`` and ``earlier`` overrule the
    recipe. ``store``: a history, with whose captures of each drive these are compared. ``readings``: what was read at
    the stops, in one file, instead of the recipe's own.

    Raises:
        ConfigError: the recipe, its route or a drive file is wrong. CallError: no captures, or none of the drives could
            be reported. OutputError: pages are there already and ``force`` is not given, another run is writing into
            the folder, or it cannot be written.
    """
    from vibe.storage.files import check_folder

    plant, target = plant_of(recipe_path, captures, out, earlier, readings)
    if cluster is not None:
        # Other machines stand in other folders.
        plant, target = replace(plant, folder=plant.folder.absolute()), target.absolute()
    recipe = plant.recipe
    printed = recipe.pdf if pdf is None else pdf
    check_folder(target)
    settings = load_settings(plant.limits)
    past = {} if store is None else _in_store(store, plant, settings)
    if not force and not resume.left_behind(target):
        _refuse_existing_run(target)
    with resume.journal_in(target) as journal:
        resumes = journal.was_interrupted and not force
        if resumes and journal.title != recipe.title:
            raise OutputError(
                f"{target} holds an interrupted run of {journal.title!r}; end that one first, give --force to start "
                "afresh, or name another --out"
            )
        if not resumes and not force:
            _refuse_existing_run(target)
        common = _Common(settings=settings, pdf=printed, search=search_of(plant), others=_candidates(plant))
        jobs: list[_Job] = []
        try:
            with JobExecutor(
                workers if workers is not None else min(len(plant.drives), os.cpu_count() or 1), cluster=cluster,
                common=common, sees=(plant.folder, *plant.files.values()), writes=(target,),
            ) as executor:  # fmt: skip
                gathered = captures_of(plant, target, common.search, executor, _look)
                verdicts = field_verdicts(plant, target, executor, past)
                jobs = _jobs(plant, gathered, target, past, force=force, pdf=printed, journal=journal)
                jobs = [_with_verdicts(_on_route(job, plant), verdicts) for job in jobs]
                mine = {job.tag for job in jobs if job.force or _is_free(job)}
                journal.begin(recipe.title, mine, afresh=force or not resumes)
                jobs = [replace(job, run=journal.run) for job in jobs]
                kept: dict[str, DriveResult] = {}
                if resumes:
                    _sweep(target, journal)
                    kept, redone = _kept(jobs)
                    (say or _nobody)(_resumed(kept, redone, len(jobs)))
                # From here on these pages are this run's: a second try of a job may replace what the first one left.
                todo = [replace(job, force=job.tag in mine) for job in jobs if job.tag not in kept]
                fresh = {result.row.tag: result for result in _fan_out(todo, executor, progress)}
            results = [{**fresh, **kept}[job.tag] for job in jobs]
            failures = [result.failure for result in results if result.failure is not None]
            if failures and len(failures) == len(results):
                if not resumes:
                    journal.end()
                more = f" ({len(failures) - 1} more drives like it)" if len(failures) > 1 else ""
                raise CallError(f"{failures[0]}{more}")
            outcome = summed_up(
                plant, gathered, results, target, force=force or resumes, kept=tuple(kept), verdicts=verdicts
            )
        except KeyboardInterrupt as stop:
            if jobs:
                _sweep(target, journal)  # of processes that had no time left to clear up
            done = [job.tag for job in jobs if resume.is_finished(target, job.tag, journal.run)]
            left = [job.tag for job in jobs if job.tag not in done]
            raise RunInterrupted(target, done, left, force=force) from stop
        journal.end()
    return outcome


def _nobody(_: str) -> None:
    """Nobody listens."""


# ── what is to be done ────────────────────────────────────────────────────────────────────────────────────────────


def _jobs(
    plant: Plant,
    gathered: Gathered,
    target: Path,
    past: Mapping[str, tuple[Path, ...]],
    *,
    force: bool,
    pdf: bool,
    journal: resume.Journal,
) -> list[_Job]:
    """One job per drive that was measured. What an interrupted run might write may be replaced, nothing else."""
    shared = settings_hashes(plant, pdf)
    replaced = journal.drives if journal.was_interrupted else set()
    return [
        _Job(
            tag=tag, name=plant.drives[tag].name, drive_path=plant.files[tag], captures=tuple(files),
            earlier=past.get(tag, ()), out=target,
            force=force or tag in replaced,
            made_from=shared
            | drive_hashes(plant, tag, (gathered.hashes[path] for path in files))
            | ({"the history": texts_hash(path.name for path in past[tag])} if past.get(tag) else {}),
        )
        for tag, files in gathered.by_drive.items()
    ]  # fmt: skip


def _on_route(job: _Job, plant: Plant) -> _Job:
    stop = None if plant.route is None else next((one for one in plant.route.stop if one.drive == job.tag), None)
    if plant.route is None or stop is None:
        return job
    return replace(job, planned_captures=stop.captures or plant.route.captures)


def _with_verdicts(job: _Job, verdicts: FieldVerdicts) -> _Job:
    seen, back = verdicts.of(job.tag), tuple(verdicts.retakes_of(job.tag))
    if not seen:
        return job
    # Places of files are in it: they do not change what a report says.
    text = [repr((file.path.name, file.content, file.error, file.points)) for file in seen]
    return replace(job, seen=seen, back=back, made_from={**job.made_from, "the check of the round": texts_hash(text)})


def _in_store(folder: Path, plant: Plant, settings: Settings) -> dict[str, tuple[Path, ...]]:
    """Files of the earlier captures of each drive."""
    from vibe.history.store.store import Store

    with Store.open(folder) as store:
        return {
            tag: tuple(path.absolute() for path in kept_files(store, tag, settings)) for tag in plant.drives
        }  # fmt: skip


def _candidates(plant: Plant) -> dict[str, Candidate]:
    """Every drive as one whose lines a capture may hold. What is wrong with a drive is reported with its report."""
    found = {}
    for tag, path in plant.files.items():
        with suppress(VibeError):
            found[tag] = candidate_of(*tones_of(path))
    return found


# ── what an interrupted run left ──────────────────────────────────────────────────────────────────────────────────


def _refuse_existing_run(target: Path) -> None:
    from vibe.report.run_rows import refuse_existing_run

    refuse_existing_run(target)


def _refuse_existing(job: _Job) -> None:
    from vibe.report.pages.drive_page import refuse_existing

    refuse_existing(job.out, job.tag)
    resume.refuse_existing_stamp(job.out, job.tag)


def _is_free(job: _Job) -> bool:
    try:
        _refuse_existing(job)
    except OutputError:
        return False
    return True


def _sweep(target: Path, journal: resume.Journal) -> None:
    from vibe.report.drawing.interactive import scripts

    resume.sweep(target, sorted(journal.drives), list(scripts()))


def _kept(jobs: Sequence[_Job]) -> tuple[dict[str, DriveResult], dict[str, list[str]]]:
    """Drives that are finished, and those that were until something changed, with what did."""
    kept: dict[str, DriveResult] = {}
    redone: dict[str, list[str]] = {}
    for job in jobs:
        left = resume.finished(job.out, job.tag, job.run, job.made_from) if job.force else None
        if isinstance(left, DriveResult):
            kept[job.tag] = left
        elif left is not None:
            redone[job.tag] = left
    return kept, redone


def _resumed(kept: Mapping[str, DriveResult], redone: Mapping[str, Sequence[str]], total: int) -> str:
    """How an interrupted run goes on, in words."""
    left = total - len(kept)
    remain = "none remains" if left == 0 else "1 remains" if left == 1 else f"{left} remain"
    if not kept:
        text = f"the run was interrupted before a drive was finished: {remain}"
    elif len(kept) == 1:
        text = f"1 drive was finished before the run was interrupted and is kept; {remain}"
    else:
        text = f"{len(kept)} drives were finished before the run was interrupted and are kept; {remain}"
    for tag, changed in list(redone.items())[:3]:
        more = f" and {len(changed) - 1} more" if len(changed) > 1 else ""
        verb = "has" if len(changed) == 1 else "have"
        text += f"; {tag} is repeated, because {changed[0]}{more} {verb} changed since"
    if len(redone) > 3:
        text += f"; {len(redone) - 3} more drives are repeated for the same reason"
    return text


# ── the work, and what came of it ─────────────────────────────────────────────────────────────────────────────────


def _fan_out(jobs: Sequence[_Job], executor: JobExecutor, progress: Progress | None) -> list[DriveResult]:
    """All jobs, in the order in which they end."""
    results: list[DriveResult] = []
    if progress is not None and jobs:
        progress(0, len(jobs), "")
    for _, job, result in executor.stream(_do_job, jobs):
        results.append(_failed(job, ENDED_WORKING) if isinstance(result, WorkerDied) else result)
        if progress is not None:
            progress(len(results), len(jobs), job.tag)
    return results
