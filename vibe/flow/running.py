"""A recipe over a folder of captures: pages per drive, one page for all."""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from vibe.core.errors import CallError, ConfigError, VibeError, defect
from vibe.core.files import writable
from vibe.flow.reporting import dossier_of, written
from vibe.flow.settings import load_settings, tones_of

if TYPE_CHECKING:
    from vibe.flow.workers import Lost
    from vibe.report.index_page import IndexRow

Progress = Callable[[int, int, str], None]


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
        row = written(dossier, job.out, force=job.force, pdf=job.pdf).row
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
    from vibe.flow.workers import Lost, each

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
