"""The store of one site: a folder, no server. Several processes may add to it and read it at once.

A capture is acknowledged when ``add`` returns, and then it is on the disk. Its file is written aside first; then, under
the one lock to write that the database has, it gets its name and all of its rows are committed together. A process that
is ended at any moment leaves at worst a file without rows, which nobody sees and which the next one puts right.
"""

from __future__ import annotations

import hashlib
import re
import secrets
import sqlite3
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Self

from vibe.core.capture import Channel
from vibe.core.errors import CallError, OutputError
from vibe.core.records.history import Event, Record
from vibe.history import decision_journal as journal
from vibe.history.store import capture_file, capture_rows
from vibe.history.store.capture_rows import CaptureRows
from vibe.history.store.decisions import DecisionBook
from vibe.history.store.incoming import (
    INCOMING,
    Workplace,
    digest,
    put_down,
    put_in_place,
    refuse_links_out,
    second_name,
    sweep,
)
from vibe.history.store.judged import JUDGED
from vibe.history.store.layout import CAPTURES, DAMAGED, EXPENDABLE, README, README_TEXT
from vibe.history.store.queries import checked_content, now
from vibe.history.store.schema import DATABASE, connected, explained, lost, writable
from vibe.storage.files import check_folder, write_whole
from vibe.storage.regular import leads_out


class Store(DecisionBook):
    """An open store. Use it as a context, or ``close`` it. One object serves one thread."""

    def __init__(self, folder: Path, connection: sqlite3.Connection) -> None:
        super().__init__(folder, connection)
        self._workplace: Workplace | None = None
        self._only_reads = False

    @classmethod
    def open(cls, folder: Path, *, create: bool = False, anew: bool = False, read_only: bool = False) -> Self:
        """The store in ``folder``, brought to the newest format; with ``create`` made where there is none.

        Captures whose database is gone are no new store: with ``anew`` they get an empty one, for ``repair`` to fill.
        With ``read_only`` nothing of it is ever changed.

        Raises:
            CallError: there is none, the folder holds something else, it is damaged or of a newer format.
            OutputError: it cannot be made there, or what lies in it is a link that leads out.
        """
        with _written(folder, "open the history"):
            # Of these ``verify`` tells, and they are never followed.
            refuse_links_out(folder, INCOMING, DAMAGED, journal.JOURNAL)
            if not (folder / DATABASE).is_file():
                if not anew and _has_captures(folder):
                    raise lost(folder / DATABASE)
                if folder.is_file():
                    here = f"; give its folder {folder.parent}" if folder.name == DATABASE else ""
                    raise CallError(f"{folder} is a file where the folder of a history is needed{here}")
                if not (create or anew):
                    raise CallError(f"{folder} holds no history; `vibe history add` makes one")
                _make_room(folder)
                create = True
            has_captures = (lambda: False) if anew else (lambda: _has_captures(folder))
            store = cls(folder, connected(folder, create=create, has_captures=has_captures, read_only=read_only))
            store._only_reads = read_only
        if create and not (folder / README).exists():
            write_whole(folder / README, README_TEXT, force=True)
        return store

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Let go of the store. What was acknowledged is on the disk already."""
        if self._workplace is not None:
            self._workplace.close()
            self._workplace = None
        self._connection.close()

    def workplace(self) -> Path:
        """A folder of this process, in which ``prepared`` files wait for ``take``; gone when the store is closed.

        What processes that were ended left behind is swept away first.

        Raises:
            OutputError: the store may not be written.
        """
        if self._workplace is None:
            check_folder(self.folder)
            with _written(self.folder, "keep captures"):
                sweep(self.folder)
                self._workplace = Workplace(self.folder)
            self.begin_journal()
        return self._workplace.folder

    def add(self, record: Record, channels: Sequence[Channel]) -> bool:
        """Keep a capture; False when it is there already, and then nothing changes.

        It is on the disk when this returns. Of values that are not finite nothing is kept, of several for one series
        the first. A capture whose file was lost gets its file back.

        Raises:
            CallError: the content is no hash. OutputError: the disk is full or may not be written; nothing of it is
            kept then.
        """
        checked_content(record.content)
        if self.holds(record.content):
            return False
        return self.take(prepared(self.workplace(), record, channels))

    def take(self, made: Prepared) -> bool:
        """Keep a capture that was ``prepared`` in the workplace, by whatever process; as ``add``."""
        content = checked_content(made.rows.content)
        path = self.path_of(content)
        with _written(self.folder, f"keep {made.rows.file}"), self._changing() as undo:
            known = self._connection.execute("SELECT waveform FROM capture WHERE content = ?", (content,)).fetchone()
            if known is not None and known[0] != "lost":
                made.part.unlink()
                return False
            self.refuse_outside(path)
            undo[path] = None
            put_in_place(made.part, path)
            if known is None:
                waveform = "kept" if made.has_samples else "thinned"
                capture_rows.insert(self._connection, made.rows, made.sha256, waveform)
            else:
                self._say_of_file(content, "kept", made.sha256)
        return True

    def index(self, path: Path) -> None:
        """Make the rows of a capture anew from its file, which is in its place."""
        with _written(self.folder, f"take in {path.name}"):
            record, has_samples = capture_file.read_rows(path)
            sha256 = digest(path)
            with self._changing():
                known = self._connection.execute("SELECT 1 FROM capture WHERE content = ?", (record.content,))
                rows = CaptureRows.of(record)
                if known.fetchone():
                    capture_rows.make_anew(self._connection, rows)
                else:
                    capture_rows.insert(self._connection, rows, sha256, "kept" if has_samples else "thinned")

    def replace_file(self, content: str, bare: bytes) -> None:
        """Put a thinned file in the place of a capture's file; the old one comes back where that comes to nothing."""
        path = self.path_of(content)
        self.refuse_outside(path)
        part = self.workplace() / f"{content}.h5.part"
        old = part.with_suffix(".old")
        try:
            with _written(self.folder, "thin"):
                put_down(part, bare)
                sha256 = digest(part)
                with self._changing() as undo:
                    second_name(path, old)
                    undo[path] = old
                    put_in_place(part, path)
                    self._say_of_file(content, "thinned", sha256)
        finally:
            for left in (part, old):
                left.unlink(missing_ok=True)

    def drop_rows(self, ids: Sequence[int]) -> None:
        """Remove all rows of captures by the numbers of their rows; files stay."""
        with self._changing():
            for id in ids:
                for table in ("value", "health", "finding"):
                    self._connection.execute(f"DELETE FROM {table} WHERE capture = ?", (id,))
                self._connection.execute("DELETE FROM capture WHERE id = ?", (id,))

    def refuse_outside(self, path: Path) -> None:
        """Refuse to write where a link in the store leads elsewhere. Raises: OutputError."""
        captures = self.folder / CAPTURES
        if path.is_symlink() or leads_out(path, captures) or leads_out(captures, self.folder):
            raise OutputError(f"{path} leads out of the history by a link; nothing was written there")

    def say_of_file(self, content: str, waveform: str, sha256: str) -> None:
        """Record what became of a capture's file: kept, thinned or lost."""
        with self._changing():
            self._say_of_file(content, waveform, sha256)

    def counted(self) -> dict[int, int]:
        """How many values each capture has, for ``amiss``."""
        with self._understood():
            return capture_rows.counts(self._connection)

    def amiss(self, record: Record, counted: Mapping[int, int]) -> str:
        """Which rows of a capture do not say what its record says; empty where all do."""
        with self._understood():
            return capture_rows.amiss(self._connection, record, counted)

    @property
    def may_write(self) -> bool:
        """Whether this process may change the store."""
        return not self._only_reads and writable(self.folder)

    def wait_for_others(self) -> None:
        """Return when whatever another process was committing is committed."""
        with self._changing():
            pass

    def put_drive(self, tag: str, toml: str, kind: str) -> None:
        """Record the text of a drive's file; drives of one ``kind`` are sisters. Earlier texts are kept."""
        with self._changing():
            last = self._connection.execute(
                "SELECT toml, kind FROM drive_file WHERE drive = ? ORDER BY id DESC LIMIT 1", (tag,)
            ).fetchone()
            if last != (toml, kind):
                self._connection.execute(
                    "INSERT INTO drive_file (drive, kind, toml, added_at) VALUES (?,?,?,?)", (tag, kind, toml, now())
                )

    def touch(self, drives: Iterable[str]) -> None:
        """Say that something about drives changed that is kept outside of the database, such as a list of another
        system: what is computed from a store is computed anew for them."""
        with self._changing():
            for drive in drives:
                self._connection.execute(
                    "INSERT OR REPLACE INTO touched SELECT ?, coalesce(max(seq), 0) + 1 FROM touched", (drive,)
                )

    def add_events(self, events: Sequence[Event], *, whatever_the_note: bool = False) -> int:
        """Record what was done, all of it or nothing; those that are there already are left, though several processes
        record the same. How many were new. With ``whatever_the_note`` two that differ in their notes alone are one.

        Raises:
            CallError: an unknown kind, or a time without its offset from UTC; nothing is recorded then.
        """

        def what(one: Event) -> tuple[str, float, str, str]:
            return one.drive, one.at.timestamp(), one.kind, "" if whatever_the_note else one.note

        with self._booking():
            there = {what(one) for one in self.events()}
            fresh = [one for one in events if what(one) not in there]
            for one in fresh:
                self.add_event(one)
        return len(fresh)

    @contextmanager
    def _changing(self) -> Iterator[dict[Path, Path | None]]:
        """One transaction. Files that the caller lists are removed again when it comes to nothing, or get back the old
        file that stands next to them in the list."""
        made: dict[Path, Path | None] = {}
        with explained(self.folder / DATABASE):
            self._connection.execute("BEGIN IMMEDIATE")
            try:
                yield made
                self._connection.execute("COMMIT")
            except BaseException:
                self._undo(made)
                raise

    def _undo(self, made: Mapping[Path, Path | None]) -> None:
        """Take back a transaction and the files that were put in place within it."""
        ours = self._connection.in_transaction
        if not ours and made:
            # A full disk ends a transaction by itself. With the lock regained nobody else can be adding the same.
            with suppress(sqlite3.Error):
                self._connection.execute("BEGIN IMMEDIATE")
        if self._connection.in_transaction:
            for path, old in made.items():
                content = capture_file.path_content(path)
                if old is not None:
                    if ours or self.capture(content).waveform == "kept":
                        old.replace(path)
                elif ours or not self.holds(content):
                    path.unlink(missing_ok=True)
            self._connection.execute("ROLLBACK")

    def _say_of_file(self, content: str, waveform: str, sha256: str) -> None:
        self._connection.execute(
            "UPDATE capture SET waveform = ?, file_sha256 = ? WHERE content = ?", (waveform, sha256, content)
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Prepared:
    """A capture that waits for ``Store.take``: its file, on the disk in the workplace as ``part``; the SHA-256 of what
    was written there; whether it ``has_samples``; and its rows, so that nobody has to read the file again for them."""

    part: Path
    sha256: str
    has_samples: bool
    rows: CaptureRows


def prepared(workplace: Path, record: Record, channels: Sequence[Channel]) -> Prepared:
    """Write a capture's file to its folder, for ``Store.take``; any process may do so.

    Raises:
        OutputError: the disk is full or may not be written.
    """
    # A name of its own: where a worker is taken for dead its job is done once more, and both may write at once.
    part = workplace / f"{checked_content(record.content)}.{secrets.token_hex(4)}.h5.part"
    rows = CaptureRows.of(record)
    with _written(workplace.parent.parent, f"keep {record.file}"):
        try:
            content = capture_file.packed(record, channels)
            put_down(part, content)
        except BaseException:
            part.unlink(missing_ok=True)
            raise
    return Prepared(part=part, sha256=hashlib.sha256(content).hexdigest(), has_samples=bool(channels), rows=rows)


def _make_room(folder: Path) -> None:
    check_folder(folder)
    own = {DATABASE, README, CAPTURES, INCOMING, DAMAGED, JUDGED, *EXPENDABLE}
    if folder.is_dir() and any(
        path.name not in own and not re.fullmatch(r"store\..*sqlite.*", path.name) for path in folder.iterdir()
    ):
        raise CallError(f"{folder} holds other things and no history; name a new or an empty folder")
    with _written(folder, "make a history"):
        (folder / CAPTURES).mkdir(parents=True, exist_ok=True)


def _has_captures(folder: Path) -> bool:
    """Captures, or decisions: no new store has them."""
    return journal.is_there(folder) or any((folder / CAPTURES).glob("??/*.h5"))


@contextmanager
def _written(folder: Path, what: str) -> Iterator[None]:
    try:
        yield
    except OSError as error:
        why = (error.strerror or str(error)).lower()
        raise OutputError(f"cannot {what} in {folder}: {why}; nothing of it was kept") from error
