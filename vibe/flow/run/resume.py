"""A run that was interrupted goes on where it stopped.

Each drive that is finished leaves a *stamp* in its folder, written last: what its report was made from, and the hashes
of its pages. A *journal* lies in the folder of the run from its beginning to its end; one that nobody holds was left by
a run that was interrupted. It names the drives whose pages that run might write, so that nothing else is replaced.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import secrets
from collections.abc import Collection, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import asdict
from itertools import islice
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any

from vibe.core.errors import OutputError
from vibe.flow.file_hash import file_hash
from vibe.flow.run.outcome import DriveResult
from vibe.storage.files import JOURNAL, is_part_of, safe_name, write_whole
from vibe.storage.json_text import json_value
from vibe.storage.locks import hold
from vibe.storage.regular import leads_out, read_regular, refuse_links_out

if TYPE_CHECKING:
    from vibe.report.run_rows import DriveFiles, IndexRow

STAMP = "made-from.json"
STAMP_SCHEMA = "vibe.made-from/1"
JOURNAL_SCHEMA = "vibe.journal/1"
PAGES = ("health.json", "health.html", "health.pdf")
MOST_BYTES = 20_000_000
"""A record of an earlier run; one of a large plant has a tenth (our choice)."""
_HEAD = 4096
"""Bytes in which a page names its run; the rest is only read where it is not there."""
_MOST_LINES = 1000
"""Of a journal (our choice, wide)."""
RUN_PAGES = ("index.html", "drives.csv", "run.json")


# ── the stamp of a drive ──────────────────────────────────────────────────────────────────────────────────────────


def content_of(made_from: Mapping[str, str]) -> str:
    """One hash of all that a report is made from: name and hash of each thing, in any order."""
    text = json.dumps(sorted(made_from.items()), ensure_ascii=True)
    return hashlib.sha256(text.encode()).hexdigest()


def stamp(run: str, row: IndexRow, made_from: Mapping[str, str], *, bad: bool) -> None:
    """Say, last of all, that the report of ``row`` is whole."""
    if row.files is None:
        raise ValueError(f"{row.tag} has no report that could be stamped")
    files = row.files
    pages = [path for path in (files.json, files.html, files.pdf) if path is not None]
    record = {
        "schema": STAMP_SCHEMA,
        "run": run,
        "content": content_of(made_from),
        "made_from": dict(made_from),
        "pages": {path.name: file_hash(path) for path in pages},
        "page_remarks": list(files.remarks),
        "row": {key: value for key, value in asdict(row).items() if key != "files"},
        "bad": bad,
    }
    write_whole(files.folder / STAMP, json.dumps(record, indent=1, ensure_ascii=False) + "\n", force=True)


def refuse_existing_stamp(out: Path, tag: str) -> None:
    """Refuse to replace a file where the stamp would go.

    Raises:
        OutputError: there is one.
    """
    path = out / safe_name(tag) / STAMP
    if path.exists():
        raise OutputError(f"{path} exists already; give --force to replace it, or another --out")


def unstamp(out: Path, tag: str) -> None:
    """Take the stamp away, before anything that it concerns is touched.

    Raises:
        OutputError: the drive's folder is a link that leads out of ``out``.
    """
    refuse_links_out(out, safe_name(tag))
    (out / safe_name(tag) / STAMP).unlink(missing_ok=True)


def finished(out: Path, tag: str, run: str, made_from: Mapping[str, str]) -> DriveResult | list[str] | None:
    """What a run left of a drive: it is finished; or it was, but what is listed has changed since; or nothing whole."""
    own = out / safe_name(tag)
    record = _record(own / STAMP, STAMP_SCHEMA)
    if record is None or record.get("run") != run:
        return None
    try:
        pages: dict[str, str] = record["pages"]
        if not {"health.json", "health.html"} <= set(pages) <= set(PAGES):
            return None
        if any(file_hash(own / name) != stored_row for name, stored_row in pages.items()):
            return None
        before: dict[str, str] = record["made_from"]
        if record["content"] != content_of(made_from):
            names = dict.fromkeys((*made_from, *before))
            return [name for name in names if made_from.get(name) != before.get(name)]
        return DriveResult(row=_row(record, own), bad=bool(record["bad"]))
    except (KeyError, TypeError, AttributeError):
        return None


def is_finished(out: Path, tag: str, run: str) -> bool:
    """Whether a run has stamped a drive: its pages are whole."""
    record = _record(out / safe_name(tag) / STAMP, STAMP_SCHEMA)
    return record is not None and record.get("run") == run


_KINDS: dict[str, Any] = {"probability": (int, float), "top_finding": str, "captures": int}
"""What else stands in a row, where anything does."""


def _row(record: dict[str, Any], own: Path) -> IndexRow:
    from vibe.report.run_rows import DriveFiles, IndexRow
    from vibe.report.words import STATE_RANK

    pdf = own / "health.pdf" if "health.pdf" in record["pages"] else None
    files: DriveFiles = DriveFiles(
        folder=own, json=own / "health.json", html=own / "health.html", pdf=pdf,
        remarks=tuple(record["page_remarks"]),
    )  # fmt: skip
    stored_row = record["row"]
    texts = [stored_row[key] for key in ("tag", "name", "state", "sentence", "do_by", "since")]
    if (
        not all(isinstance(one, str) for one in (*texts, *stored_row["remarks"], *stored_row["noticed"]))
        or stored_row["state"] not in STATE_RANK
        or not all(stored_row[key] is None or isinstance(stored_row[key], kind) for key, kind in _KINDS.items())
    ):
        raise TypeError("a stamp that was changed")
    return IndexRow(**(stored_row | {"files": files, "remarks": tuple(stored_row["remarks"])}))


def _record(path: Path, schema: str) -> dict[str, Any] | None:
    try:
        record = json.loads(read_regular(path, MOST_BYTES))
    except (OSError, ValueError, RecursionError):
        return None
    return record if isinstance(record, dict) and record.get("schema") == schema else None


# ── the journal of a run ──────────────────────────────────────────────────────────────────────────────────────────


class Journal:
    """The journal of one folder, held by this process.

    ``was_interrupted`` shows that an earlier run never came to its end; ``title``, ``run`` (its name) and ``drives``
    (those whose pages it might write) are that run's.
    """

    def __init__(self, path: Path, stream: IO[bytes]) -> None:
        self._path, self._stream = path, stream
        self.title, self.run = "", secrets.token_hex(8)
        self.drives: set[str] = set()
        self.was_interrupted = self._begun = self._read()
        self._ended = False

    def _read(self) -> bool:
        self._stream.seek(0)
        begun = False
        # Each attempt writes a line or two.
        for line in islice(self._stream, _MOST_LINES):
            try:
                entry = json_value(line)
                if entry.get("schema") == JOURNAL_SCHEMA:
                    self.title, self.run, begun = entry["title"], entry["run"], True
                self.drives.update(entry["drives"])
            except (ValueError, KeyError, TypeError, AttributeError):
                continue  # the last line, half written when the power went
        return begun

    def begin(self, title: str, drives: Collection[str], *, afresh: bool) -> None:
        """Write down what the run is about to do, before it does it. ``afresh`` forgets the run that was there."""
        if afresh:
            self._stream.truncate(0)
            self.run, self.drives = secrets.token_hex(8), set()
        entry: dict[str, Any] = {}
        if afresh or not self._begun:
            entry |= {"schema": JOURNAL_SCHEMA, "title": title, "run": self.run}
        entry["drives"] = sorted(drives)
        # A new line first: what was left half written ends there.
        try:
            self._stream.write(("\n" + json.dumps(entry) + "\n").encode())
            self._stream.flush()
            os.fsync(self._stream.fileno())
        except OSError as error:
            raise OutputError(f"cannot write {self._path}: {error.strerror or error}") from error
        self.title, self._begun = title, True
        self.drives.update(drives)

    def end(self) -> None:
        """The run is whole, or left nothing: there is nothing to resume."""
        self._ended = True

    def close(self) -> None:
        """Let go of the journal; away with it, unless a run was begun and not ended."""
        if self._begun and not self._ended:
            self._stream.close()
            return
        if os.name == "nt":  # an open file cannot be removed there
            self._stream.close()
        self._path.unlink(missing_ok=True)
        self._stream.close()


def is_under_way(out: Path, run: str) -> bool:
    """Whether ``run`` has not ended yet, as seen from whatever process: its journal lies in ``out``."""
    try:
        with (out / JOURNAL).open("rb") as stream:
            # Its name stands at the beginning; behind it there may be very many drives.
            return run.encode() in stream.read(_HEAD) or run.encode() in stream.read()
    except OSError:
        return False


def left_behind(out: Path) -> bool:
    """Whether a journal lies in ``out``: a run is under way there, or was interrupted."""
    return (out / JOURNAL).is_file()


@contextmanager
def journal_in(out: Path) -> Iterator[Journal]:
    """The journal of the folder ``out``, which is made, and removed again when nothing was written into it.

    Raises:
        OutputError: another run is writing into the folder, or it cannot be written.
    """
    made = [place for place in (out, *out.parents) if not place.exists()]
    try:
        out.mkdir(parents=True, exist_ok=True)
        journal = _opened(out / JOURNAL)
    except OSError as error:
        raise OutputError(f"cannot write {out / JOURNAL}: {error.strerror or error}") from error
    try:
        yield journal
    finally:
        journal.close()
        with contextlib.suppress(OSError):
            for place in made:
                place.rmdir()


def _opened(path: Path) -> Journal:
    refuse_links_out(path.parent, path.name)
    while True:
        if path.exists() and not path.is_file():
            raise OutputError(f"{path} is there and is no ordinary file; remove it, or name another --out")
        stream = path.open("a+b")
        try:
            if not hold(stream):
                raise OutputError(f"another run is writing into {path.parent}; wait for its end, or name another --out")
            # The run that held it may have ended, and taken the file away, just before.
            if path.exists() and os.path.samestat(os.fstat(stream.fileno()), path.stat()):
                return Journal(path, stream)
        except BaseException:
            stream.close()
            raise
        stream.close()


def sweep(out: Path, tags: Sequence[str], scripts: Collection[str]) -> None:
    """Remove what a killed run had begun to write, known by its name; nothing else."""
    places: list[tuple[Path, Collection[str]]] = [(out, RUN_PAGES), (out / "assets", scripts)]
    places += [(out / safe_name(tag), (*PAGES, STAMP)) for tag in tags]
    for folder, names in places:
        if folder.is_symlink() and leads_out(folder, out):
            continue
        for path in folder.glob(".*.part"):
            if path.is_file() and not path.is_symlink() and is_part_of(path.name, names):
                path.unlink(missing_ok=True)
