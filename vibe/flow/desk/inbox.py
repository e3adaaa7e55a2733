"""A watched folder: captures are judged as they come, by processes of their own, and kept in a store.

Nothing is lost and nothing done twice, however it ends: a file stays where it lies, a capture is known by the hash of
its bytes, and what is judged but not yet in the store is judged again. Files are only ever read.
"""

from __future__ import annotations

import shutil
import tempfile
import threading
import time
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import Future
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, Any, Self

from vibe.core.errors import CallError, OutputError, VibeError, defect
from vibe.core.route.route import folded
from vibe.flow.desk.inbox_journal import ArrivalEntry, ArrivalOutcome, InboxJournal
from vibe.flow.history.arrival import ArrivalJob, ArrivalPlace, ArrivalResult, judge_arrival
from vibe.storage.files import writable
from vibe.storage.settled_files import FileStamp, FolderWatch

if TYPE_CHECKING:
    from vibe.flow.jobs.processes import Processes
    from vibe.flow.settings import Settings
    from vibe.history.store.store import Store

LOOK_EVERY_S = 2.0
"""Between two looks; a file is judged after two of them (our choice: 55 ms of work for 20,000 files)."""
SLICE_S = 1.0
"""How long files are looked through at a time."""
AGAIN_AFTER_S = 10.0
"""When the store could not be written: how long until it is tried again."""
ASK_DRIVES_EVERY_S = 30.0
"""How often it is looked whether drives came for which captures wait."""
DIED = "the process that worked on it was ended from outside, probably for want of memory"


@dataclass(frozen=True, slots=True, kw_only=True)
class InboxStatus:
    """What a watched folder is doing. ``trouble`` is a sentence while something stands in the way, "" otherwise.

    ``waiting`` files have settled and are not judged yet, ``growing`` ones still change, ``working`` are being judged.
    ``taken`` and ``there`` count since the start; ``failed`` are files that were not taken, as they lie there now;
    ``sites`` those that captures may go to.
    """

    folder: Path
    store: Path
    running: bool
    since: datetime
    last_look: datetime | None
    trouble: str
    waiting: int
    growing: int
    working: tuple[str, ...]
    taken: int
    there: int
    failed: tuple[ArrivalEntry, ...]
    sites: tuple[str, ...]
    last_file: str
    last_at: datetime | None
    drives: tuple[str, ...]
    """Of which something was taken, the latest last."""


@dataclass(frozen=True, slots=True)
class _Settled:
    """A file, by its path in the folder, as it looked."""

    name: str
    stamp: FileStamp


@dataclass(slots=True)
class _Tally:
    taken: int = 0
    there: int = 0
    last_file: str = ""
    last_at: datetime | None = None
    drives: dict[str, None] = field(default_factory=dict)


class Inbox:
    """Watches ``folder`` for ``store``, and for ``others`` by the names of their sites. Use it as a context and call
    ``run``, or ``round`` again and again, always from one thread; ``status``, ``retry`` and ``choose`` may be called
    from any.

    A capture goes to the store that knows its drive; one that lies in a folder with a site's name goes there. Where
    several stores know its drive it waits until ``choose`` says which. The journal lies in ``store``, whose site is
    called ``site``.

    ``drives`` are drive files, folders or patterns that count before what the store knows. ``taken(tag)`` is called
    after each capture that came into the store.

    Raises:
        CallError: there is no such store or folder, or another process watches it already. ConfigError: a drive file
            is wrong, or the time zone unknown. OutputError: the store may not be written.
    """

    def __init__(
        self,
        store: Path,
        folder: Path,
        *,
        site: str = "",
        others: Mapping[str, Path] | None = None,
        drives: Sequence[str] = (),
        time_zone: str | None = None,
        workers: int = 1,
        taken: Callable[[str], None] | None = None,
    ) -> None:
        from vibe.flow.settings import load_settings
        from vibe.history.store.store import Store
        from vibe.ingest import drive_files, load_drive, load_drives
        from vibe.ingest.clock import in_zone
        from vibe.ingest.config.sidecar import FOLDER_FILE
        from vibe.ingest.formats.registry import SUFFIXES

        in_zone(datetime(2000, 1, 1), time_zone)
        if drives:
            load_drives(list(drives))  # refuses one tag in two files
        given = {load_drive(path).tag: path.absolute() for path in drive_files(list(drives))} if drives else {}
        if not folder.is_dir():
            raise CallError(f"{folder} is no folder that can be watched")
        self._stores: dict[str, Store] = {}
        try:
            for name, place in {site: store, **(others or {})}.items():
                self._stores[name] = opened = Store.open(place)
                if not opened.may_write:
                    raise OutputError(f"{place} may not be written: captures cannot be kept there")
                if folder.resolve().is_relative_to(place.resolve()) or place.resolve().is_relative_to(folder.resolve()):
                    raise CallError(f"{folder} and the store {place} lie in one another: watch a folder of its own")
            self._journal = InboxJournal(store, folder)
        except BaseException:
            self._let_go()
            raise
        self._chosen: dict[str, str] = {}
        self.folder, self.store, self._given, self._zone = folder, store, given, time_zone
        self._drive_files = Path(tempfile.mkdtemp(prefix="vibe-drives-"))
        self._settings: Settings = load_settings()
        self._watch = FolderWatch(folder, SUFFIXES, FOLDER_FILE)
        self._workers, self._call = max(1, workers), taken
        self._pool: Processes | None = None
        self._lock = threading.Lock()
        self._waiting: dict[str, _Settled] = {}
        self._out: dict[Future[ArrivalResult], tuple[_Settled, str]] = {}
        self._suspects: set[str] = set()
        self._not_before = 0.0
        self._growing, self._trouble, self._running, self._more, self._ending = 0, "", False, False, False
        self._since = datetime.now(UTC)
        self._last_look: datetime | None = None
        self._tally = _Tally()
        self._known: frozenset[str] | None = None
        self._asked = float("-inf")

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def break_off(self) -> None:
        """End the processes that judge, from whatever thread: what they were judging is judged after the next start."""
        self._ending = True
        pool = self._pool
        if pool is not None:
            pool.end()

    def close(self) -> None:
        """Break off what runs, and let go of store and folder. What was taken is on the disk."""
        self._running = False
        self.break_off()
        self._pool = None
        self._out.clear()
        self._journal.close()
        self._let_go()
        shutil.rmtree(self._drive_files, ignore_errors=True)

    def _let_go(self) -> None:
        for store in self._stores.values():
            store.close()

    @property
    def sites(self) -> tuple[str, ...]:
        """Names of the sites that captures may go to."""
        return tuple(self._stores)

    @property
    def status(self) -> InboxStatus:
        """How things stand."""
        with self._lock:
            tally = self._tally
            failed = [
                replace(one, file=writable(one.file))
                for one in self._journal.entries.values()
                if one.outcome in ("failed", "unmatched")
            ]
            failed.sort(key=lambda one: (one.at, one.file), reverse=True)
            return InboxStatus(
                folder=self.folder, store=self.store, running=self._running, since=self._since,
                last_look=self._last_look, trouble=self._trouble, waiting=len(self._waiting), growing=self._growing,
                working=tuple(sorted(writable(one.name) for one, _ in self._out.values())), taken=tally.taken,
                there=tally.there, failed=tuple(failed), sites=self.sites,
                last_file=tally.last_file, last_at=tally.last_at, drives=tuple(tally.drives),
            )  # fmt: skip

    @property
    def is_idle(self) -> bool:
        """Nothing waits, grows or is being judged."""
        with self._lock:
            return not (self._waiting or self._out or self._growing) and self._last_look is not None

    def retry(self, file: str = "") -> None:
        """Look anew at a file that failed, at all of them unless named."""
        with self._lock:
            for name, entry in list(self._journal.entries.items()):
                if entry.outcome in ("failed", "unmatched") and file in ("", writable(name)):
                    self._journal.forget(name)

    def choose(self, file: str, site: str) -> None:
        """Take a file that several stores could take into that of one site. Raises: CallError: there is none such."""
        if site not in self._stores:
            raise CallError(f"there is no site {site[:80]!r}")
        with self._lock:
            for name, entry in list(self._journal.entries.items()):
                if entry.outcome == "unmatched" and writable(name) == file:
                    self._chosen[name] = site
                    self._journal.forget(name)

    def run(self, stop: threading.Event, *, until_idle: bool = False) -> None:
        """Look, judge and keep until ``stop`` is set; with ``until_idle`` until everything that is there is done."""
        self._running = True
        looks = 0
        try:
            while not stop.is_set():
                try:
                    self.round()
                except VibeError as error:
                    self._stuck(str(error))
                except Exception as error:  # one odd file or moment must not end the watch
                    self._stuck(defect(error))
                looks += 1
                if until_idle and looks > 1 and (self.is_idle or self._trouble):
                    break
                self._sleep(stop)
        finally:
            self._running = False

    def _sleep(self, stop: threading.Event) -> None:
        """Until the next look; what is judged meanwhile is taken at once."""
        until = time.monotonic() + LOOK_EVERY_S
        while not stop.is_set() and (left := until - time.monotonic()) > 0:
            if not self._more:
                stop.wait(min(left, 0.1) if self._out else left)
            if self._more or any(future.done() for future in self._out):
                try:
                    self._collect()
                    self._hand_out()
                except VibeError as error:
                    self._stuck(str(error))

    def round(self) -> None:
        """One look: what is judged is taken, what has settled is handed out.

        Raises:
            OutputError: the store cannot be written; its captures are tried again later.
        """
        why = ""
        try:
            look = self._watch.look()
        except OSError as error:
            why = f"cannot be read ({(error.strerror or str(error)).lower()})"
        if why or look.away:
            why = why or "is empty and another folder than before"
            self._stuck(f"{self.folder} {why}: is a share away? It is looked at again")
            self._collect()
            return
        self._look_for_drives()
        with self._lock:
            self._last_look, self._growing = datetime.now(UTC), len(look.growing)
            entries = self._journal.entries
            working = {one.name for one, _ in self._out.values()}
            fresh = [
                _Settled(name, stamp)
                for name, stamp in look.settled.items()
                if name not in working and ((entry := entries.get(name)) is None or entry.stamp != stamp)
            ]
            # Oldest first: what is compared with earlier captures finds them in the store.
            fresh.sort(key=lambda one: (one.stamp[0][1], one.name))
            self._waiting = {one.name: one for one in fresh}
            for name in entries.keys() - look.settled.keys() - set(look.growing):
                if entries[name].outcome != "taken":
                    self._journal.forget(name)
        if time.monotonic() >= self._not_before:
            self._trouble = ""
        self._collect()
        self._hand_out()

    def _look_for_drives(self) -> None:
        """Captures whose drive was not known wait until there is another drive; at a start they are looked at anew."""
        if time.monotonic() - self._asked < ASK_DRIVES_EVERY_S:
            return
        if not any(one.outcome == "unmatched" for one in self._journal.entries.values()):
            return
        known = frozenset(f"{site}/{one.tag}" for site, store in self._stores.items() for one in store.drives())
        self._asked = time.monotonic()
        if known != self._known:
            with self._lock:
                for name, entry in list(self._journal.entries.items()):
                    if entry.outcome == "unmatched":
                        self._journal.forget(name)
        self._known = known

    # ── judging ───────────────────────────────────────────────────────────────────────────────────────────────────

    def _hand_out(self) -> None:
        from vibe.storage.files import file_sha256

        until, looked = time.monotonic() + SLICE_S, 0
        self._more = False
        while self._waiting and time.monotonic() >= self._not_before and not self._ending:
            looked += 1
            if looked > 1 and time.monotonic() > until:
                self._more = True  # thousands may be in the store already: somebody may want to stop meanwhile
                return
            suspected = self._suspects & (self._waiting.keys() | {other.name for other, _ in self._out.values()})
            if self._out and (len(self._out) >= self._workers or suspected):
                return  # a file that may have ended a process is judged when nothing else is
            one = next(iter(self._waiting.values()))
            with self._lock:
                del self._waiting[one.name]
            path = self.folder / one.name
            try:
                content = file_sha256(path)
            except OSError as error:
                self._note(one, "failed", why=f"cannot be read: {(error.strerror or str(error)).lower()}")
                continue
            places = self._places(one.name)
            if any(self._stores[site].holds(content) for site in places):
                self._note(one, "there", content=content)
                continue
            job = ArrivalJob(
                path=path.absolute(), places=tuple(
                    ArrivalPlace(
                        site=site, store=self._stores[site].folder.absolute(),
                        workplace=self._stores[site].workplace().absolute(),
                    )
                    for site in places
                ),
                drive_files=self._drive_files, given=self._given, settings=self._settings, time_zone=self._zone,
            )  # fmt: skip
            self._submit(one, content, job)

    def _places(self, name: str) -> tuple[str, ...]:
        """Sites whose stores a file may go to: the one that was chosen, else the one in whose folder it lies, else
        all."""
        if (chosen := self._chosen.get(name)) is not None:
            return (chosen,)
        within = {folded(part) for part in name.split("/")[:-1]}
        named = tuple(site for site in self._stores if site and folded(site) in within)
        return named if len(named) == 1 else tuple(self._stores)

    def _submit(self, one: _Settled, content: str, job: ArrivalJob) -> None:
        from vibe.flow.jobs.processes import Processes

        if self._ending:
            return
        if self._pool is None:
            self._pool = Processes(self._workers, None)
        try:
            future = self._pool.submit(judge_arrival, job)
        except self._pool.died:
            self._pool.end()
            self._pool = None
            with self._lock:
                self._waiting[one.name] = one
            return
        with self._lock:
            self._out[future] = (one, content)

    def _collect(self) -> None:
        if self._ending:
            return  # what was broken off is no fault of its file
        for future in [future for future in self._out if future.done()]:
            with self._lock:
                one, content = self._out.pop(future)
            self._took(one, content, future)

    def _took(self, one: _Settled, content: str, future: Future[Any]) -> None:
        """What came of one file."""
        assert self._pool is not None
        try:
            result: ArrivalResult = future.result()
        except self._pool.died:
            if self._ending:
                return
            # All that were out are lost with it; each is tried once more, and alone.
            if one.name in self._suspects:
                self._suspects.discard(one.name)
                self._note(one, "failed", why=DIED)
            else:
                self._suspects.add(one.name)
                with self._lock:
                    self._waiting[one.name] = one
            if not self._out:
                self._pool.end()
                self._pool = None
            return
        except VibeError as error:
            self._later(one, str(error))
            return
        except Exception as error:  # of one file
            self._note(one, "failed", why=defect(error))
            return
        self._suspects.discard(one.name)
        if result.made is None:
            self._note(one, "unmatched" if result.unmatched else "failed", drive=result.drive, why=result.why)
            return
        try:
            store = self._stores[result.site]
            if result.drive in self._given:
                self._put_drive(store, result.drive)
            fresh = store.take(result.made)
        except VibeError as error:
            result.made.part.unlink(missing_ok=True)
            self._later(one, str(error))
            return
        self._chosen.pop(one.name, None)
        self._note(one, "taken" if fresh else "there", drive=result.drive, content=content)
        if fresh and self._call is not None:
            self._call(result.drive)

    def _put_drive(self, store: Store, tag: str) -> None:
        from vibe.flow.history.capture_record import kind_of
        from vibe.flow.settings import tones_of

        path = self._given[tag]
        store.put_drive(tag, path.read_text(encoding="utf-8"), kind_of(tones_of(path)[0]))

    def _later(self, one: _Settled, why: str) -> None:
        """The store could not be written: no fault of the file."""
        with self._lock:
            self._waiting[one.name] = one
        self._stuck(why)

    def _stuck(self, why: str) -> None:
        if self._ending:
            return
        self._trouble = why
        self._not_before = time.monotonic() + AGAIN_AFTER_S

    def _note(
        self, one: _Settled, outcome: ArrivalOutcome, *, drive: str = "", content: str = "", why: str = ""
    ) -> None:
        name = one.name
        entry = ArrivalEntry(
            file=name, stamp=one.stamp, outcome=outcome, at=datetime.now(UTC), drive=drive, content=content, why=why
        )
        with self._lock:
            self._journal.note(entry)
            tally = self._tally
            tally.taken += outcome == "taken"
            tally.there += outcome == "there"
            if outcome in ("taken", "there"):
                tally.last_file, tally.last_at = writable(name), entry.at
            if outcome == "taken":
                tally.drives.pop(drive, None)
                tally.drives[drive] = None
