"""What dropped files are, before anything is taken in: which drive they belong to, and why some do not."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Literal

from vibe.core.errors import CallError, CaptureError, ConfigError
from vibe.core.route.route import folded
from vibe.flow.alarms.columns import TableKind, remember_columns, remembered_columns, table_head
from vibe.flow.settings import load_alarm_rules, tones_of
from vibe.storage.files import file_sha256, writable

if TYPE_CHECKING:
    from vibe.core.records.alarms import LeftOut
    from vibe.core.records.column_map import ColumnMap, TableHead
    from vibe.flow.desk.uploads import UploadBatch
    from vibe.history.store.store import Store

FileKind = Literal["capture", "sidecar", "drive file", "exceedances", "events", "table", "unknown"]
FileVerdict = Literal["matched", "there already", "unmatched", "needs columns", "rejected"]
Progress = Callable[[int, int, str], None]
MOST_GROUPS = 20
"""Reasons that are listed for a file; the rest is counted."""
_TABLES = (".csv", ".tsv", ".txt")


@dataclass(frozen=True, slots=True, kw_only=True)
class LeftGroup:
    """Lines that were left out for one reason: how many, and the first of them."""

    why: str
    count: int
    first_line: int
    example: str


@dataclass(frozen=True, slots=True, kw_only=True)
class FilePreview:
    """One dropped file. ``why`` is a sentence unless it is simply matched; ``rows`` and ``matched_rows`` count lines of
    a table, ``left`` those that will not be used; ``head`` is there where columns may be said."""

    name: str
    kind: FileKind
    verdict: FileVerdict
    why: str = ""
    drive: str = ""
    measured_at: datetime | None = None
    points: tuple[str, ...] = ()
    rows: int = 0
    matched_rows: int = 0
    left: tuple[LeftGroup, ...] = ()
    head: TableHead | None = None
    columns: ColumnMap | None = None
    content: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class ImportPreview:
    """All files of a drop, as they would be taken in now."""

    batch: str
    files: tuple[FilePreview, ...]
    only: str | None = None
    time_zone: str | None = None

    @property
    def counts(self) -> dict[str, int]:
        """Files by verdict."""
        counts: dict[str, int] = {}
        for one in self.files:
            counts[one.verdict] = counts.get(one.verdict, 0) + 1
        return counts


@dataclass(slots=True)
class _Known:
    """What files are held against: drives of the store and of the drop, by folded tag."""

    tags: dict[str, str]
    seen: dict[str, str] = field(default_factory=dict)


def preview_import(
    store: Store,
    batch: UploadBatch,
    *,
    only: str | None = None,
    time_zone: str | None = None,
    progress: Progress | None = None,
) -> ImportPreview:
    """Look at every file of a drop; nothing is changed. ``only`` is the drive of captures that do not say theirs,
    ``time_zone`` that of times without an offset from UTC.

    Raises:
        ConfigError: the time zone is not known. CallError: the store has no drive ``only``, and the drop neither.
    """
    from vibe.ingest.clock import in_zone

    in_zone(datetime(2000, 1, 1), time_zone)
    names = batch.names()
    known = _Known({folded(drive.tag): drive.tag for drive in store.drives()})
    found: list[FilePreview] = []
    # Drive files first: captures of the same drop may need them.
    ordered = sorted(names, key=lambda name: not name.lower().endswith(".toml"))
    for number, name in enumerate(ordered):
        if progress is not None:
            progress(number, len(names), name)
        one = _looked_at(store, batch.files / name, names, known, only, time_zone)
        if one.kind == "drive file" and one.verdict in ("matched", "there already"):
            known.tags.setdefault(folded(one.drive), one.drive)
        found.append(one)
    if only is not None and folded(only) not in known.tags:
        raise CallError(f"neither the store nor the drop knows a drive {only[:80]!r}")
    return ImportPreview(
        batch=batch.id, files=tuple(sorted(found, key=lambda one: one.name)), only=only, time_zone=time_zone
    )


def say_columns(store: Store, batch: UploadBatch, name: str, kind: TableKind, columns: ColumnMap) -> FilePreview:
    """Say once which column is what in tables like this one, and look at it again.

    Raises:
        CallError: there is no such file in the drop. ConfigError: a column that was named is not there.
    """
    if name not in batch.names():
        raise CallError(f"there is no file {name[:80]!r} in this drop")
    head = _head(batch.files / name)
    if head is None:
        raise CallError(f"{name[:80]} is no table")
    known = _Known({folded(drive.tag): drive.tag for drive in store.drives()})
    made = _table(store, batch.files / name, kind, columns, head, known, None)
    if made.verdict not in ("rejected", "needs columns"):
        remember_columns(store.folder, head, kind, columns)
    return made


def _looked_at(
    store: Store, path: Path, names: Iterable[str], known: _Known, only: str | None, time_zone: str | None
) -> FilePreview:
    """One file, whatever it is."""
    from vibe.ingest.config.sidecar import FOLDER_FILE

    name = path.name
    try:
        content = file_sha256(path)
    except OSError as error:
        return FilePreview(name=name, kind="unknown", verdict="rejected", why=(error.strerror or str(error)).lower())
    if path.suffix.lower() == ".toml" and path.stem in set(names):
        return FilePreview(name=name, kind="sidecar", verdict="matched", why=f"belongs to {path.stem}", content=content)
    if name == FOLDER_FILE:
        return FilePreview(
            name=name, kind="sidecar", verdict="matched", why="belongs to every capture of this drop", content=content
        )
    if content in known.seen:
        return FilePreview(
            name=name, kind="unknown", verdict="there already", why=f"the same file as {known.seen[content]}",
            content=content,
        )  # fmt: skip
    known.seen[content] = name
    if path.suffix.lower() == ".toml":
        return _toml(store, path, known, time_zone, content)
    if path.suffix.lower() in _TABLES:
        table = _known_table(store, path, known, time_zone)
        if table is not None:
            return table
    capture = _capture(store, path, known, only, time_zone, content)
    if capture.verdict == "rejected" and path.suffix.lower() in _TABLES and (head := _head(path)) is not None:
        return FilePreview(
            name=name, kind="table", verdict="needs columns", head=head, rows=head.rows, content=content,
            why=f"is no capture ({capture.why}); if it is a list of exceedances or events, say which column is what",
        )  # fmt: skip
    return capture


def _capture(
    store: Store, path: Path, known: _Known, only: str | None, time_zone: str | None, content: str
) -> FilePreview:
    from vibe.flow.capture_folder import plain_reader
    from vibe.ingest.clock import in_zone

    name = path.name
    try:
        capture = plain_reader(path)
    except (CaptureError, ConfigError) as error:
        return FilePreview(name=name, kind="capture", verdict="rejected", why=writable(error.reason), content=content)
    except MemoryError:
        return FilePreview(name=name, kind="capture", verdict="rejected", why="needs more memory than there is")
    said = capture.drive if capture.drive is not None else only
    tag = None if said is None else known.tags.get(folded(said))
    when = None if capture.measured_at is None else in_zone(capture.measured_at, time_zone)[0]
    verdict: FileVerdict = "matched"
    why = ""
    if store.holds(capture.sha256):
        verdict, why = "there already", "the store holds this capture"
    elif said is None:
        verdict, why = "unmatched", "does not say which drive it was measured on: choose one"
    elif tag is None:
        verdict, why = "unmatched", f"was measured on {said[:80]!r}, of which there is no drive file: drop that too"
    elif when is None:
        verdict, why = "rejected", "does not say when it was measured: a sidecar with measured_at helps"
    elif when.utcoffset() is None:
        verdict, why = "rejected", "its time has no offset from UTC: choose a time zone"
    return FilePreview(
        name=name, kind="capture", verdict=verdict, why=why, drive=tag or (said or ""), measured_at=when,
        points=tuple(channel.name for channel in capture.vibration), content=capture.sha256,
    )  # fmt: skip


def _toml(store: Store, path: Path, known: _Known, time_zone: str | None, content: str) -> FilePreview:
    from vibe.ingest.tables.maintenance_log import load_events
    from vibe.storage.toml_text import read_text, toml_tables

    name = path.name
    try:
        data = toml_tables(path)
    except ConfigError as error:
        why = writable(error.reason)[:300]
        return FilePreview(name=name, kind="unknown", verdict="rejected", why=why, content=content)
    if "event" in data:
        try:
            events = load_events(path, time_zone)
        except ConfigError as error:
            return FilePreview(name=name, kind="events", verdict="rejected", why=error.reason, content=content)
        return _events(store, name, [(k, one) for k, one in enumerate(events, 1)], [], known, content)
    if "input" in data or "stage" in data:
        try:
            drive, _ = tones_of(path)
        except ConfigError as error:
            return FilePreview(name=name, kind="drive file", verdict="rejected", why=error.reason, content=content)
        same = store.drive_toml(drive.tag) == read_text(path)
        return FilePreview(
            name=name, kind="drive file", verdict="there already" if same else "matched", drive=drive.tag,
            content=content,
            why="the store has this version" if same else
            "a new version; the old one is kept" if store.drive_toml(drive.tag) else "a new drive",
        )  # fmt: skip
    return FilePreview(
        name=name, kind="unknown", verdict="rejected", content=content,
        why="is neither a drive file, nor a book of events, nor does it go with a capture of its name",
    )  # fmt: skip


def _known_table(store: Store, path: Path, known: _Known, time_zone: str | None) -> FilePreview | None:
    """A table that says by itself, or of which somebody said, what it is; None of any other file."""
    from vibe.core.records.column_map import ColumnMap

    head = _head(path)
    if head is None:
        return None
    said = remembered_columns(store.folder, head.source)
    if said is not None:
        return _table(store, path, said[0], said[1], head, known, time_zone)
    for kind in ("exceedances", "events"):
        own = _head(path, kind)
        if own is not None and not own.missing:
            return _table(store, path, kind, ColumnMap(), own, known, time_zone)
    if len(head.guessed) >= 3 and "tag" in head.guessed:
        return FilePreview(
            name=path.name, kind="exceedances", verdict="needs columns", head=head, rows=head.rows,
            why=f"say which column is the {', '.join(head.missing)}", content=file_sha256(path),
        )  # fmt: skip
    return None


def _head(path: Path, kind: TableKind = "exceedances") -> TableHead | None:
    try:
        return table_head(path, kind)
    except ConfigError:
        return None


def _table(
    store: Store,
    path: Path,
    kind: TableKind,
    columns: ColumnMap,
    head: TableHead,
    known: _Known,
    time_zone: str | None,
) -> FilePreview:
    from dataclasses import replace

    content = file_sha256(path)
    columns = replace(columns, time_zone=columns.time_zone or time_zone)
    try:
        if kind == "events":
            from vibe.ingest.tables.event_table import read_event_table

            events = read_event_table(path, columns=columns)
            made = _events(store, path.name, list(enumerate(events.events, 2)), events.bad, known, content)
        else:
            made = _exceedances(store, path, columns, content)
    except ConfigError as error:
        return FilePreview(
            name=path.name, kind=kind, verdict="needs columns", why=error.reason, head=head, columns=columns,
            rows=head.rows, content=content,
        )  # fmt: skip
    return replace(made, head=head, columns=columns)


def _exceedances(store: Store, path: Path, columns: ColumnMap, content: str) -> FilePreview:
    from vibe.flow.alarms.queue import match
    from vibe.history.store.reported import EXCEEDANCES
    from vibe.ingest.tables.exceedances import read_exceedances

    if (store.folder / EXCEEDANCES / f"{content}.json").is_file():
        return FilePreview(
            name=path.name, kind="exceedances", verdict="there already", why="this list was taken in before",
            content=content,
        )  # fmt: skip
    read = read_exceedances(path, columns=columns)
    matched, unmatched = match(read.rows, store, load_alarm_rules())
    verdict: FileVerdict = "matched" if matched else "unmatched" if read.rows else "rejected"
    why = ""
    if not matched:
        why = "no row belongs to a capture of the store" if read.rows else "no row can be read"
    return FilePreview(
        name=path.name, kind="exceedances", verdict=verdict, why=why, rows=len(read.rows) + len(read.bad),
        matched_rows=len(matched), left=grouped([*read.bad, *unmatched]), content=content,
    )  # fmt: skip


def _events(
    store: Store, name: str, events: list[tuple[int, object]], bad: Iterable[LeftOut], known: _Known, content: str
) -> FilePreview:
    from vibe.core.records.alarms import LeftOut
    from vibe.core.records.history import Event

    there = {(one.drive, one.at.timestamp(), one.kind) for one in store.events()}
    bad = tuple(bad)
    left, fresh, old = list(bad), 0, 0
    for line, event in events:
        assert isinstance(event, Event)
        tag = known.tags.get(folded(event.drive))
        if tag is None:
            left.append(LeftOut(line=line, text=event.note, why=f"the store holds nothing of a drive {event.drive!r}"))
        elif (tag, event.at.timestamp(), event.kind) in there:
            old += 1
        else:
            fresh += 1
    verdict: FileVerdict = "matched" if fresh else "there already" if old else "unmatched"
    why = ""
    if not fresh:
        why = "no event can be read" if not events else "no event belongs to a drive of the store"
        why = "all of it is recorded already" if old else why
    return FilePreview(
        name=name, kind="events", verdict=verdict, why=why, rows=len(events) + len(bad), matched_rows=fresh,
        left=grouped(left), content=content,
    )  # fmt: skip


def grouped(left: Iterable[LeftOut]) -> tuple[LeftGroup, ...]:
    """Lines that were left out, one entry for each reason, the most frequent first. Numbers and times in a reason do
    not make it another one."""
    groups: dict[str, list[LeftOut]] = {}
    for one in left:
        groups.setdefault(re.sub(r"\d+", "#", one.why), []).append(one)
    found = sorted(groups.values(), key=lambda lines: -len(lines))
    shown = [
        LeftGroup(why=lines[0].why, count=len(lines), first_line=lines[0].line, example=lines[0].text)
        for lines in found[:MOST_GROUPS]
    ]
    rest = found[MOST_GROUPS:]
    if rest:
        count = sum(map(len, rest))
        shown.append(LeftGroup(why=f"{len(rest)} other reasons", count=count, first_line=rest[0][0].line, example=""))
    return tuple(shown)


def drive_files_of(store: Store, folder: Path, more: Mapping[str, Path] | None = None) -> dict[str, Path]:
    """The drive files that a store knows, written into ``folder``, and ``more``, which count before them."""
    from vibe.storage.files import safe_name

    found: dict[str, Path] = {}
    for drive in store.drives():
        text = store.drive_toml(drive.tag)
        if text:
            found[drive.tag] = folder / f"{safe_name(drive.tag)}.toml"
            found[drive.tag].write_text(text, encoding="utf-8")
    return found | dict(more or {})
