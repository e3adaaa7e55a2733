"""What was done and decided, written a second time: a journal of events and decisions next to the database.

One JSON object a line, only ever added to and on the disk before a decision is acknowledged. Each line carries the
SHA-256 of the one before it, so that nothing in between can be changed or removed unseen. A row is committed to the
database first: a row that the journal lacks is written by the next one, and a line that the database lacks was removed
there or lost. What is cut off at the journal's end together with its row leaves no trace.
"""

from __future__ import annotations

import hashlib
import json
import os
import stat
import time
from collections.abc import Iterable, Iterator, Mapping, Sequence
from collections.abc import Set as AbstractSet
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import IO, Any

from vibe.core.errors import OutputError
from vibe.history.store.incoming import settle
from vibe.storage.locks import hold

JOURNAL = "decisions.jsonl"
BOOKED: Mapping[str, tuple[str, ...]] = {
    "event": ("id", "drive", "at", "time_s", "kind", "note", "by", "new_baseline", "added_at"),
    "decision": (
        "id", "alarm", "verdict", "because", "by", "at", "recheck_by", "owner", "due", "work_order", "after",
        "withdraws", "stood",
    ),
}  # fmt: skip
"""Tables whose rows stand in the journal, and their columns."""
_LONGEST_LINE = 4 << 20
"""[bytes]: a line that is longer is no line of ours (our choice: a thousand times what a decision takes)."""
_TAIL = 1 << 16
"""[bytes]: what is read of the end first; some hundred lines."""
_WAIT_S = 60.0
"""How long one process waits while another writes its line."""


@dataclass(frozen=True, slots=True)
class JournalLine:
    """One line. ``what`` is ``event`` or ``decision`` with the row in ``says``; ``begun``, with how many rows there
    were by then; ``restored``, with a row that had been changed; ``lost``; or ``acknowledged``, of lost lines."""

    number: int
    what: str
    says: Mapping[str, Any]
    last: Mapping[str, int]
    """Highest id of each table so far."""
    previous: str
    hash: str


@dataclass(frozen=True, slots=True, kw_only=True)
class DecisionJournal:
    """All lines that are what was written, and what is wrong with the others."""

    there: bool
    lines: tuple[JournalLine, ...] = ()
    troubles: tuple[str, ...] = ()
    rows: Mapping[str, Mapping[int, Mapping[str, Any]]] = field(default_factory=lambda: {name: {} for name in BOOKED})

    doubtful: AbstractSet[tuple[str, Any]] = frozenset()
    """Tables and ids of rows whose line the next one does not vouch for: not held against what the database says."""
    torn: bool = False
    """Whether its last line has no end: who wrote it was ended, or the file was cut."""

    @property
    def is_whole(self) -> bool:
        """Whether all that was ever written seems to be there."""
        return self.there and not self.troubles and not self.torn

    def highest(self, table: str) -> int:
        """Highest id of a table that it knows of."""
        return max((line.last[table] for line in self.lines), default=0)

    def lost(self, *, open_only: bool) -> list[JournalLine]:
        """What was recorded as lost; with ``open_only`` what nobody has acknowledged."""
        noted = {number for line in self.lines if line.what == "acknowledged" for number in line.says.get("of", ())}
        return [line for line in self.lines if line.what == "lost" and not (open_only and line.number in noted)]

    def lost_ids(self, table: str) -> set[int]:
        """Rows of a table that were recorded as lost."""
        return {id for line in self.lost(open_only=False) if line.says["table"] == table for id in line.says["ids"]}


def read(folder: Path) -> DecisionJournal:
    """The journal of the store in ``folder``, every line and hash of it; never raises for what stands in it.

    Raises:
        OutputError: it is there and may not be read.
    """
    lines: list[JournalLine] = []
    troubles: list[str] = []
    rows: dict[str, dict[int, Mapping[str, Any]]] = {name: {} for name in BOOKED}
    doubtful: set[tuple[str, Any]] = set()
    torn = False
    try:
        with _open(folder, os.O_RDONLY) as stream:
            place = 0
            while raw := stream.readline(_LONGEST_LINE):
                place += 1
                line = _line(raw)
                if line is None:
                    # While another process writes, the last line may not have its end yet.
                    torn = not raw.endswith(b"\n")
                    if not torn or len(raw) == _LONGEST_LINE:
                        troubles.append(f"line {place} is not what was written")
                    continue
                if line.previous != (lines[-1].hash if lines else ""):
                    troubles.append(f"line {place} does not follow the line before it: lines were removed or changed")
                    if lines and lines[-1].number == line.number - 1:
                        # Not for want of what lay between: the last line is another than was written.
                        doubtful.add((lines[-1].what, lines[-1].says.get("id")))
                lines.append(line)
                if line.what in rows:
                    rows[line.what].setdefault(int(line.says["id"]), line.says)
    except FileNotFoundError:
        return DecisionJournal(there=False)
    except OSError as error:
        raise OutputError(f"{folder / JOURNAL} cannot be read: {(error.strerror or str(error)).lower()}") from error
    return DecisionJournal(
        there=True, lines=tuple(lines), troubles=tuple(troubles), rows=rows, doubtful=doubtful, torn=torn
    )


def is_there(folder: Path) -> bool:
    """Whether the store has one."""
    return (folder / JOURNAL).is_file()


def highest(folder: Path) -> Mapping[str, int]:
    """Highest id of each table by the journal's end; empty where there is none."""
    with _explained(folder):
        try:
            with _open(folder, os.O_RDONLY) as stream:
                last = _last(stream)
        except FileNotFoundError:
            last = None
    return {} if last is None else last.last


def append(folder: Path, rows: Iterable[tuple[str, Mapping[str, Any]]], *, begin: bool = False) -> list[JournalLine]:
    """Add lines and have them on the disk; what is given is asked for when nobody else can write.

    With ``begin`` only where the journal is empty. What an ended process left of a line is removed first.

    Raises:
        OutputError: it cannot be written, or another process holds it.
    """
    with _explained(folder), _held(folder) as stream:
        before = _last(stream)
        if begin and before is not None:
            return []
        stream.truncate(_whole(stream))
        made = list(_chained(before, rows))
        _put(stream, made)
    return made


def catch_up(folder: Path, rows: Mapping[str, Any]) -> None:
    """Add a line for every row that has none yet: ``rows`` gives, by table, a function from the highest id that the
    journal knows to the rows above it. As ``append``."""
    with _explained(folder), _held(folder) as stream:
        before = _last(stream)
        stream.truncate(_whole(stream))
        fresh = [
            (table, row) for table, above in rows.items() for row in above(0 if before is None else before.last[table])
        ]
        _put(stream, list(_chained(before, fresh)))


def replace_whole(folder: Path, rows: Iterable[tuple[str, Mapping[str, Any]]], keep_at: Path) -> None:
    """Begin the journal anew; the old one is kept at ``keep_at``. As ``append``."""
    with _explained(folder), _held(folder) as old:
        part = folder / f"{JOURNAL}.part"
        part.unlink(missing_ok=True)
        with part.open("xb") as stream:
            _put(stream, list(_chained(None, rows)))
        old.seek(0)
        with keep_at.open("xb") as copy:
            while block := old.read(1 << 20):
                copy.write(block)
            copy.flush()
            os.fsync(copy.fileno())
        part.replace(folder / JOURNAL)
        settle(folder)


def _chained(before: JournalLine | None, rows: Iterable[tuple[str, Mapping[str, Any]]]) -> Iterator[JournalLine]:
    for what, says in rows:
        last = dict.fromkeys(BOOKED, 0) if before is None else dict(before.last)
        if what in last:
            last[what] = max(last[what], int(says["id"]))
        elif what == "lost":
            last[says["table"]] = max(last[says["table"]], *says["ids"], 0)  # its number is never given again
        number, previous = (1, "") if before is None else (before.number + 1, before.hash)
        before = JournalLine(number, what, says, last, previous, _hash(number, what, says, last, previous))
        yield before


def _hash(number: int, what: str, says: Mapping[str, Any], last: Mapping[str, int], previous: str) -> str:
    body = json.dumps([number, what, says, last, previous], sort_keys=True, separators=(",", ":"))
    return hashlib.sha256(body.encode("ascii")).hexdigest()


def _put(stream: IO[bytes], lines: Sequence[JournalLine]) -> None:
    if not lines:
        return
    names = JournalLine.__slots__
    text = "".join(json.dumps({name: getattr(line, name) for name in names}) + "\n" for line in lines)
    end = stream.seek(0, os.SEEK_END)
    try:
        stream.write(text.encode("ascii"))
        stream.flush()
        os.fsync(stream.fileno())
    except OSError:
        stream.truncate(end)  # what a full disk took of it
        raise


def _line(raw: bytes) -> JournalLine | None:
    """A line that is what was written; None where it is not."""
    if not raw.endswith(b"\n"):
        return None
    try:
        said = json.loads(raw)
        line = JournalLine(**said)
        known = all(isinstance(line.last[table], int) for table in BOOKED) and isinstance(line.says, dict)
        same = line.hash == _hash(line.number, line.what, line.says, line.last, line.previous)
    except (ValueError, TypeError, KeyError, RecursionError):
        return None
    return line if known and same else None


def _last(stream: IO[bytes]) -> JournalLine | None:
    """The last line that is what was written."""
    size = stream.seek(0, os.SEEK_END)
    back = min(size, _TAIL)
    while True:
        stream.seek(size - back)
        for raw in reversed(stream.read(back).splitlines(keepends=True)):
            if (line := _line(raw)) is not None:
                return line
        if back == size:
            return None
        back = min(size, 8 * back)


def _whole(stream: IO[bytes]) -> int:
    """Where the last whole line ends: what follows was left by a process that was ended while it wrote."""
    size = stream.seek(0, os.SEEK_END)
    back = min(size, _TAIL)
    while True:
        stream.seek(size - back)
        end = stream.read(back).rfind(b"\n")
        if end >= 0:
            return size - back + end + 1
        if back == size:
            return 0
        back = min(size, 8 * back)


def _open(folder: Path, flags: int) -> IO[bytes]:
    """Never through a link, which may lead out of the store, and never a pipe or a device."""
    extra = getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0)
    path = folder / JOURNAL
    if path.is_symlink():
        raise OutputError(f"{path} is a link, which no history of ours holds: put the file itself there")
    handle = os.open(path, flags | extra, 0o644)
    if not stat.S_ISREG(os.fstat(handle).st_mode):
        os.close(handle)
        raise OutputError(f"{path} is not an ordinary file: move it away")
    return open(handle, "r+b" if flags & os.O_RDWR else "rb")  # noqa: PTH123 (a handle has no path)


@contextmanager
def _held(folder: Path) -> Iterator[IO[bytes]]:
    """The journal, made where there is none, for this process alone."""
    until = time.monotonic() + _WAIT_S
    made = not is_there(folder)
    while True:
        stream = _open(folder, os.O_RDWR | os.O_CREAT)
        try:
            if hold(stream):
                now, named = os.fstat(stream.fileno()), (folder / JOURNAL).stat()
                if (now.st_ino, now.st_dev) == (named.st_ino, named.st_dev):  # none took its place meanwhile
                    if made:
                        settle(folder)
                    yield stream
                    return
        finally:
            stream.close()
        if time.monotonic() > until:
            raise OutputError(f"{folder / JOURNAL}: another process holds it for too long; try again when it has ended")
        time.sleep(0.002)


@contextmanager
def _explained(folder: Path) -> Iterator[None]:
    try:
        yield
    except OSError as error:
        why = (error.strerror or str(error)).lower()
        raise OutputError(f"{folder / JOURNAL} cannot be written: {why}") from error
