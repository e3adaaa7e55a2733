"""Many captures into a store: judged side by side in processes, written by one."""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING

from vibe.core.errors import CallError, CaptureError, ConfigError, VibeError, defect
from vibe.core.files import writable
from vibe.core.route import folded
from vibe.flow.gathering import RouteReader, plain_reader
from vibe.flow.keeping import kind_of, record_of
from vibe.flow.settings import Settings, load_settings, tones_of

if TYPE_CHECKING:
    from vibe.core.capture import Capture
    from vibe.core.drive import Drive
    from vibe.core.tones import ToneTable
    from vibe.flow.workers import Lost
    from vibe.history.store import Store

Progress = Callable[[int, int, str], None]
FEWEST_PER_PROCESS = 4
"""A process takes some three seconds to start; fewer captures are judged by then."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Delivery:
    """What the captures of one call share: drive files by tag, the drive of captures that do not say theirs, how they
    are read."""

    drives: Mapping[str, Path]
    only: str | None = None
    reader: RouteReader | None = None
    time_zone: str | None = None

    @classmethod
    def of(
        cls,
        folder: Path,
        *,
        drive: Path | None = None,
        drives: Sequence[str] = (),
        route: Path | None = None,
        time_zone: str | None = None,
    ) -> Delivery:
        """From one of a drive file, patterns of drive files, a route; ``folder`` is where the captures lie.

        Raises:
            CallError: none or several are given. ConfigError: a file is wrong, or the time zone unknown.
        """
        from datetime import datetime as clock

        from vibe.ingest import drive_files, load_drive, load_drives, load_route, route_drives
        from vibe.ingest.clock import in_zone

        if sum((drive is not None, bool(drives), route is not None)) != 1:
            raise CallError("give one of --drive, --drives and --route: they say which drives the captures belong to")
        in_zone(clock(2000, 1, 1), time_zone)
        if route is not None:
            told = load_route(route)
            if time_zone is not None and told.time_zone is not None:
                raise CallError(f"{route} has a time_zone already: leave --time-zone out")
            return cls(
                drives=route_drives(told, route), reader=RouteReader(folder=folder, route=told), time_zone=time_zone
            )
        if drive is not None:
            tag = load_drive(drive).tag
            return cls(drives={tag: drive}, only=tag, time_zone=time_zone)
        load_drives(list(drives))  # refuses one tag in two files
        return cls(drives={load_drive(path).tag: path for path in drive_files(list(drives))}, time_zone=time_zone)


@dataclass(frozen=True, slots=True, kw_only=True)
class KeepOutcome:
    """What came of a delivery: captures added, those that were there already, a sentence for each that was refused."""

    added: int
    there: int
    refused: tuple[str, ...]
    by_drive: Mapping[str, int]
    defect: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class _Job:
    path: Path
    delivery: Delivery
    workplace: Path


@dataclass(frozen=True, slots=True, kw_only=True)
class _Done:
    """A capture's file, waiting to be taken; or why there is none."""

    name: str
    tag: str = ""
    part: Path | None = None
    refused: str = ""
    defect: bool = False


def keep_files(
    captures: Sequence[Path],
    delivery: Delivery,
    store: Store,
    *,
    workers: int | None = None,
    progress: Progress | None = None,
) -> KeepOutcome:
    """Judge and keep many captures. What goes wrong with one costs no other; each is on the disk when it is counted.

    Raises:
        OutputError: the store cannot be written; what was counted until then is kept.
    """
    from vibe.flow.workers import Lost, each
    from vibe.ingest.raw import file_sha256

    refused: list[str] = []
    fresh: dict[str, Path] = {}
    there = 0
    for path in captures:
        try:
            content = file_sha256(path)
        except OSError as error:
            refused.append(f"{writable(path.name)}: {(error.strerror or str(error)).lower()}")
            continue
        if store.holds(content) or content in fresh:
            there += 1
        else:
            fresh[content] = path
    by_drive: dict[str, int] = {}
    broken = False

    def take(count: int, done: _Done | Lost) -> None:
        nonlocal there, broken
        if isinstance(done, Lost):
            pass  # told below: here it has no name
        elif done.part is None:
            refused.append(done.refused)
            broken = broken or done.defect
        else:
            if done.tag not in by_drive:
                path = delivery.drives[done.tag]
                store.put_drive(done.tag, path.read_text(encoding="utf-8"), kind_of(_drive(path)[0]))
            if store.take(done.part):
                by_drive[done.tag] = by_drive.get(done.tag, 0) + 1
            else:
                there += 1
        if progress is not None:
            progress(count, len(fresh), "" if isinstance(done, Lost) else done.name)

    if fresh:
        workplace = store.workplace()
        jobs = [_Job(path=path, delivery=delivery, workplace=workplace) for path in fresh.values()]
        if progress is not None:
            progress(0, len(jobs), "judging captures")
        done = each(_judged, jobs, workers=workers or _workers(len(jobs)), done=take)
        refused += [
            f"{writable(job.path.name)}: the process that worked on it was ended from outside, probably for want of "
            "memory; try --workers 1"
            for job, result in zip(jobs, done, strict=True)
            if isinstance(result, Lost)
        ]
    return KeepOutcome(
        added=sum(by_drive.values()), there=there, refused=tuple(refused), by_drive=by_drive, defect=broken
    )


def _workers(jobs: int) -> int:
    return max(1, min(os.cpu_count() or 1, jobs // FEWEST_PER_PROCESS))


@lru_cache(maxsize=256)
def _drive(path: Path) -> tuple[Drive, ToneTable]:
    return tones_of(path)


@lru_cache(maxsize=1)
def _settings() -> Settings:
    return load_settings()


def _judged(job: _Job) -> _Done:
    """One capture judged and its file written aside, in whatever process."""
    from vibe.history.store import prepared

    name = writable(job.path.name)
    try:
        capture = (job.delivery.reader or plain_reader)(job.path)
        tag = _tag(capture, job.delivery)
        drive, table = _drive(job.delivery.drives[tag])
        record = record_of(capture, drive, table, _settings(), time_zone=job.delivery.time_zone)
        return _Done(name=name, tag=tag, part=prepared(job.workplace, record, capture.channels))
    except (CaptureError, ConfigError) as error:
        return _Done(name=name, refused=f"{name}: {writable(error.reason)}")
    except VibeError:
        raise  # the store cannot be written: no other capture would fare better
    except MemoryError:
        return _Done(name=name, refused=f"{name}: needs more memory than there is; try --workers 1")
    except Exception as error:
        return _Done(name=name, refused=f"{name}: {defect(error)}", defect=True)


def _tag(capture: Capture, delivery: Delivery) -> str:
    said = capture.drive
    if said is None:
        if delivery.only is None:
            raise CaptureError("does not say which drive it was measured on", path=capture.source)
        return delivery.only
    for tag in delivery.drives:
        if folded(tag) == folded(said):
            return tag
    where = "is no stop of the route" if delivery.reader is not None else "is described by no drive file given"
    raise CaptureError(f"says it was measured on {said[:80]!r}, which {where}", path=capture.source)
