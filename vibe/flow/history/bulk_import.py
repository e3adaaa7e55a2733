"""Many captures into a store: judged side by side in processes, written by one."""

from __future__ import annotations

import os
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import lru_cache
from itertools import chain
from pathlib import Path
from typing import TYPE_CHECKING

from vibe.core.errors import CallError, CaptureError, ConfigError, OutputError, VibeError, defect
from vibe.core.route.route import folded
from vibe.flow.capture_folder import NotedReader, RouteReader, plain_reader
from vibe.flow.diagnose.earlier_diagnoses import kept_files, kept_pasts
from vibe.flow.history.capture_record import kind_of, record_of
from vibe.flow.settings import Settings, load_settings, tones_of
from vibe.storage.files import writable

if TYPE_CHECKING:
    from vibe.core.capture import Capture
    from vibe.core.comb_history import PastCapture
    from vibe.core.drive import Drive
    from vibe.core.records.history import Record
    from vibe.core.route.readings import RoundReadings
    from vibe.core.route.route import Route
    from vibe.core.tones import ToneTable
    from vibe.history.store.store import Prepared, Store

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
    readings: RoundReadings | None = None
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
        readings: Path | None = None,
    ) -> Delivery:
        """From one of a drive file, patterns of drive files, a route; ``folder`` is where the captures lie,
        ``readings`` a file of what was read at the drives.

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
            tally = load_route(route)
            if time_zone is not None and tally.time_zone is not None:
                raise CallError(f"{route} has a time_zone already: leave --time-zone out")
            files = route_drives(tally, route)
            noted = _readings(readings, files, tally)
            reader = RouteReader(folder=folder, route=tally, readings=noted)
            return cls(drives=files, reader=reader, time_zone=time_zone, readings=noted)
        if drive is not None:
            tag = load_drive(drive).tag
            files = {tag: drive}
            return cls(drives=files, only=tag, time_zone=time_zone, readings=_readings(readings, files, None))
        load_drives(list(drives))  # refuses one tag in two files
        files = {load_drive(path).tag: path for path in drive_files(list(drives))}
        return cls(drives=files, time_zone=time_zone, readings=_readings(readings, files, None))

    def read(self, path: Path) -> Capture:
        """One capture, read as the delivery says. Raises: CaptureError where the file cannot be read."""
        if self.reader is not None:
            return self.reader(path)
        return plain_reader(path) if self.readings is None else NotedReader(self.readings, self.only)(path)

    def anywhere(self) -> Delivery:
        """The same with paths that mean the same on another machine."""
        reader = self.reader and replace(self.reader, folder=self.reader.folder.absolute())
        return replace(self, drives={tag: path.absolute() for tag, path in self.drives.items()}, reader=reader)


@dataclass(frozen=True, slots=True, kw_only=True)
class KeepOutcome:
    """What came of a delivery: captures added, those that were there already, a sentence for each that was refused.

    Of those added, ``rejected`` could not be judged and ``limited`` only in part: how many, by the reason.
    """

    added: int
    there: int
    refused: tuple[str, ...]
    by_drive: Mapping[str, int]
    defect: bool = False
    rejected: Mapping[str, int] = field(default_factory=dict)
    limited: Mapping[str, int] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Common:
    """What the jobs of one call share: sent to each process once."""

    delivery: Delivery
    workplace: Path
    settings: Settings
    earlier: Mapping[str, tuple[Path, ...]]
    """Files of the store, by drive, as it was when the delivery came: what a capture is compared with does not hang on
    which one of the same delivery is judged first."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Done:
    """A capture's file, waiting to be taken; or why there is none."""

    tag: str = ""
    made: Prepared | None = None
    kept: str = "accepted"
    why: str = ""
    refused: str = ""
    defect: bool = False


def keep_files(
    captures: Sequence[Path],
    delivery: Delivery,
    store: Store,
    *,
    workers: int | None = None,
    cluster: str | None = None,
    progress: Progress | None = None,
) -> KeepOutcome:
    """Judge and keep many captures. What goes wrong with one costs no other; each is on the disk when it is counted.

    They are judged in processes or on a ``cluster``, whose machines must see captures and store; this process alone
    writes the database, and asks nobody to judge what is there already.

    Raises:
        OutputError: the store cannot be written; the sentence says how many were kept until then, and stay.
        KeyboardInterrupt: it says so too. CallError: the cluster does not answer, or went away.
    """
    from vibe.flow.jobs.executor import JobExecutor, WorkerDied

    tally = _ImportTally(delivery, store)
    if cluster is not None:
        delivery, captures = delivery.anywhere(), [path.absolute() for path in captures]
    twins: list[Path] = []
    fresh = _fresh(captures, store, tally, twins)
    first = next(fresh, None)
    if first is None:
        return tally.outcome()
    settings = load_settings()
    earlier = {tag: tuple(path.absolute() for path in kept_files(store, tag, settings)) for tag in delivery.drives}
    common = _Common(
        delivery=delivery, workplace=store.workplace().absolute(), settings=settings, earlier=earlier
    )  # fmt: skip
    if progress is not None:
        progress(0, len(captures), "judging captures")
    try:
        with JobExecutor(
            workers or _workers(len(captures)), cluster=cluster, common=common,
            sees=(first, *delivery.drives.values()), writes=(common.workplace,),
        ) as executor:  # fmt: skip
            jobs: Iterable[Path] = chain([first], fresh)
            while True:
                for _, path, done in executor.stream(_judged, jobs):
                    tally.take(path, None if isinstance(done, WorkerDied) else done)
                    if progress is not None:
                        progress(tally.seen, len(captures), writable(path.name))
                if not twins:
                    break
                # Files that equal one of the same delivery: there by now, or that one was refused; then each is asked
                # for itself, since its sidecar may say what the other's did not.
                again, twins = twins, []
                jobs = _fresh(again, store, tally, twins)
    except KeyboardInterrupt as stop:
        stop.args = (f"interrupted: {tally.so_far(len(captures))}",)
        raise
    except OutputError as error:
        raise OutputError(f"{error}; {tally.so_far(len(captures))}") from error
    return tally.outcome()


def _fresh(captures: Iterable[Path], store: Store, tally: _ImportTally, twins: list[Path]) -> Iterator[Path]:
    """Captures that the store does not hold, each content once, looked for as they are asked for; others of the same
    content are added to ``twins``."""
    from vibe.storage.files import file_sha256

    asked: set[bytes] = set()
    for path in captures:
        try:
            content = file_sha256(path)
        except OSError as error:
            tally.refuse(f"{writable(path.name)}: {(error.strerror or str(error)).lower()}")
            continue
        short = bytes.fromhex(content)
        if store.holds(content):
            tally.is_there()
        elif short in asked:
            twins.append(path)
        else:
            asked.add(short)
            yield path


class _ImportTally:
    """What came of a delivery so far. Only here is the store written."""

    def __init__(self, delivery: Delivery, store: Store) -> None:
        self._delivery, self._store = delivery, store
        self._by_drive: dict[str, int] = {}
        self._refused: list[str] = []
        self._there, self._defect = 0, False
        self._taking = ""
        self._unfit: dict[str, Counter[str]] = {"rejected": Counter(), "limited": Counter()}

    @property
    def seen(self) -> int:
        """Captures of which something came."""
        return sum(self._by_drive.values()) + self._there + len(self._refused)

    def is_there(self) -> None:
        """A capture that the store holds already."""
        self._there += 1

    def refuse(self, why: str) -> None:
        """A capture that cannot be kept."""
        self._refused.append(why)

    def take(self, path: Path, done: _Done | None) -> None:
        """Keep what was judged; None where the process that worked on it was ended, twice."""
        from vibe.flow.jobs.executor import ENDED_WORKING

        if done is None:
            self.refuse(f"{writable(path.name)}: {ENDED_WORKING}")
        elif done.made is None:
            self.refuse(done.refused)
            self._defect = self._defect or done.defect
        else:
            if done.tag not in self._by_drive:
                drive = self._delivery.drives[done.tag]
                self._store.put_drive(done.tag, drive.read_text(encoding="utf-8"), kind_of(_drive(drive)[0]))
            self._taking = done.made.rows.content
            added = self._store.take(done.made)
            self._taking = ""
            if added:
                self._by_drive[done.tag] = self._by_drive.get(done.tag, 0) + 1
                if done.kept in self._unfit:
                    self._unfit[done.kept][done.why] += 1
            else:
                self.is_there()

    def so_far(self, given: int) -> str:
        """How many were kept when the work was broken off, in words."""
        # An interrupt may come between keeping a capture and counting it.
        kept = sum(self._by_drive.values()) + bool(self._taking and self._store.holds(self._taking))
        there = f" and {self._there} were there already" if self._there else ""
        verbs = "was kept by then and stays" if kept == 1 else "were kept by then and stay"
        return f"{kept} of {given} captures {verbs}{there}; the same command goes on where this one stopped"

    def outcome(self) -> KeepOutcome:
        """All of it."""
        return KeepOutcome(
            added=sum(self._by_drive.values()), there=self._there, refused=tuple(self._refused),
            by_drive=self._by_drive, defect=self._defect, rejected=self._unfit["rejected"],
            limited=self._unfit["limited"],
        )  # fmt: skip


def _readings(path: Path | None, files: Mapping[str, Path], route: Route | None) -> RoundReadings | None:
    from vibe.flow.route.readings import readings_of
    from vibe.ingest import load_drive

    return None if path is None else readings_of(path, {tag: load_drive(file) for tag, file in files.items()}, route)


def _workers(jobs: int) -> int:
    return max(1, min(os.cpu_count() or 1, jobs // FEWEST_PER_PROCESS))


@lru_cache(maxsize=256)
def _drive(path: Path) -> tuple[Drive, ToneTable]:
    return tones_of(path)


@lru_cache(maxsize=16)
def _earlier(files: tuple[Path, ...]) -> tuple[PastCapture, ...]:
    """What the captures of one drive left, read once in each process."""
    return tuple(kept_pasts(files))


def _judged(path: Path, common: _Common) -> _Done:
    """One capture judged and its file written aside, in whatever process."""
    from vibe.history.store.store import prepared

    name, delivery = writable(path.name), common.delivery
    try:
        capture = delivery.read(path)
        tag = _tag(capture, delivery)
        drive, table = _drive(delivery.drives[tag])
        record = record_of(
            capture, drive, table, common.settings, time_zone=delivery.time_zone,
            earlier=_earlier(common.earlier.get(tag, ())),
        )  # fmt: skip
        made = prepared(common.workplace, record, capture.channels)
        return _Done(tag=tag, made=made, kept=record.kept, why=_why(record))
    except (CaptureError, ConfigError) as error:
        return _Done(refused=f"{name}: {writable(error.reason)}")
    except VibeError:
        raise  # the store cannot be written: no other capture would fare better
    except MemoryError:
        return _Done(refused=f"{name}: needs more memory than there is; try --workers 1")
    except Exception as error:
        return _Done(refused=f"{name}: {defect(error)}", defect=True)


@dataclass(frozen=True, slots=True, kw_only=True)
class JudgingJob:
    """One capture to be judged by itself, with all that it needs: a job for any process, however long that lives."""

    path: Path
    common: _Common

    @classmethod
    def of(
        cls,
        path: Path,
        delivery: Delivery,
        workplace: Path,
        settings: Settings,
        earlier: Mapping[str, tuple[Path, ...]],
    ) -> JudgingJob:
        """``workplace`` is the store's, ``earlier`` the files that its drive has there."""
        common = _Common(delivery=delivery, workplace=workplace, settings=settings, earlier=earlier)
        return cls(path=path, common=common)


def judge_capture(job: JudgingJob) -> _Done:
    """A capture's file, waiting to be taken by ``Store.take``; or why there is none."""
    return _judged(job.path, job.common)


def _why(record: Record) -> str:
    """Why a capture was not accepted, without the numbers, so that captures with one reason can be counted."""
    import json

    channels = [channel for one in json.loads(record.health).get("captures", []) for channel in one["channels"]]
    for quality in ("rejected", "limited"):
        for channel in channels:
            if channel["quality"] == quality and channel["reasons"]:
                return str(channel["reasons"][0]).partition(":")[0]
    return "no channel could be judged"


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
