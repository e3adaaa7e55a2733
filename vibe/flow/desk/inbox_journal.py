"""What became of the files of a watched folder, so that a new start looks at none twice.

Lines of JSON, the last one of a file counts. It only saves work: the store itself knows what it holds, by the hash of a
file, so a journal that is lost or torn costs a second reading and nothing else.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import asdict, dataclass
from datetime import datetime
from pathlib import Path
from typing import IO, Literal

from vibe.core.errors import CallError, OutputError
from vibe.storage.files import writable, write_whole
from vibe.storage.json_text import json_value
from vibe.storage.locks import hold
from vibe.storage.regular import leads_out, read_regular
from vibe.storage.settled_files import FileStamp

INBOXES = "inbox"
_MOST_BYTES = 200_000_000
"""Of a journal: a line of some hundred for each of very many files (our choice, wide)."""
ArrivalOutcome = Literal["taken", "there", "failed", "unmatched"]
"""``there``: the store held it already; ``unmatched``: it is of a drive of which the store has no file."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ArrivalEntry:
    """What became of one file as it looked at one time. ``file`` is its path in the watched folder, ``why`` a sentence
    where it was not taken."""

    file: str
    stamp: FileStamp
    outcome: ArrivalOutcome
    at: datetime
    drive: str = ""
    content: str = ""
    why: str = ""


class InboxJournal:
    """The journal of one watched folder, held by one process at a time."""

    def __init__(self, store: Path, folder: Path) -> None:
        name = hashlib.sha256(str(folder.absolute()).encode("utf-8", "surrogateescape")).hexdigest()[:16]
        place = store / INBOXES
        self.path = place / f"{name}.jsonl"
        for there in (place, self.path):
            fits = there.is_file() if there == self.path else there.is_dir()
            if leads_out(there, store) or (there.exists() and not fits):
                raise OutputError(f"{there} is in the way: remove it, and give the same command again")
        try:
            place.mkdir(exist_ok=True)
            self._lock: IO[bytes] = (place / f"{name}.lock").open("a+b")
        except OSError as error:
            why = (error.strerror or str(error)).lower()
            raise OutputError(f"cannot keep a journal of {folder} in {store}: {why}") from error
        if not hold(self._lock):
            self._lock.close()
            raise CallError(f"{folder} is watched for {store} by another process already; stop that one first")
        self.entries: dict[str, ArrivalEntry] = {entry.file: entry for entry in _read(self.path)}
        with suppress(OutputError):  # a full disk: the old lines will do
            write_whole(self.path, "".join(map(_line, self.entries.values())), force=True)

    def note(self, entry: ArrivalEntry) -> None:
        """Keep what became of a file. A full disk costs the line, and so a second reading at the next start."""
        self.entries[entry.file] = entry
        with suppress(OSError), self.path.open("a", encoding="utf-8") as stream:
            stream.write(_line(entry))

    def forget(self, file: str) -> None:
        """Look at a file anew."""
        self.entries.pop(file, None)

    def close(self) -> None:
        """Let another process watch."""
        self._lock.close()


def _line(entry: ArrivalEntry) -> str:
    said = asdict(entry) | {"file": writable(entry.file), "at": entry.at.isoformat()}
    return json.dumps(said, ensure_ascii=False) + "\n"


def _read(path: Path) -> Iterator[ArrivalEntry]:
    try:
        lines = read_regular(path, _MOST_BYTES).decode("utf-8", "replace").splitlines()
    except OSError:
        return
    for line in lines:
        with suppress(ValueError, TypeError, KeyError, AttributeError):  # the last line of a process that was ended
            said = json_value(line)
            stamp = tuple((int(a), int(b), int(c)) for a, b, c in said.pop("stamp"))
            yield ArrivalEntry(**said | {"at": datetime.fromisoformat(said["at"])}, stamp=stamp)
