"""Dropped files into the store: each as a whole or not at all; stopped and resumed, nothing is lost or done twice."""

from __future__ import annotations

import tempfile
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from vibe.core.errors import CallError
from vibe.core.route.route import folded
from vibe.flow.desk.import_preview import FilePreview, ImportPreview, drive_files_of, preview_import
from vibe.flow.settings import tones_of

if TYPE_CHECKING:
    from vibe.core.records.history import Event
    from vibe.flow.desk.uploads import UploadBatch
    from vibe.history.store.store import Store

Progress = Callable[[int, int, str], None]


@dataclass(frozen=True, slots=True, kw_only=True)
class ImportOutcome:
    """What came of a drop. ``left`` are sentences about files that were not taken; they stay in the drop."""

    captures: int
    there: int
    drive_files: int
    events: int
    exceedances: int
    drives: tuple[str, ...]
    left: tuple[str, ...]

    @property
    def sentence(self) -> str:
        """In short."""
        parts = [
            f"{count} {word if count == 1 else words}"
            for count, word, words in (
                (self.captures, "capture", "captures"), (self.drive_files, "drive file", "drive files"),
                (self.events, "event", "events"), (self.exceedances, "exceedance", "exceedances"),
            ) if count
        ]  # fmt: skip
        there = f"; {self.there} were there already" if self.there else ""
        left = f"; {len(self.left)} files were left" if self.left else ""
        return f"Taken in: {', '.join(parts) or 'nothing'}{there}{left}."


def take_import(
    store: Store,
    batch: UploadBatch,
    *,
    only: str | None = None,
    time_zone: str | None = None,
    workers: int | None = None,
    by: str = "",
    progress: Progress | None = None,
) -> ImportOutcome:
    """Take in what matches; files that were taken leave the drop, and a drop that is empty is gone. ``by`` stands with
    events that do not say who did it. Called again after it was stopped, it goes on where it was.

    ``progress(done, of, what)`` may raise to stop: what was committed until then stays.

    Raises:
        CallError: as ``preview_import``. OutputError: the store cannot be written; what was taken until then is kept.
    """
    if not store.may_write:
        raise CallError(f"{store.folder} may only be read: nothing can be taken in")
    preview = preview_import(store, batch, only=only, time_zone=time_zone, progress=progress)
    taken = _DropTally(store, batch, preview)
    for one in preview.files:
        if one.kind == "drive file" and one.verdict in ("matched", "there already"):
            taken.drive_file(one)
    taken.captures(workers, progress)
    # After the captures: rows of a list belong to captures that may have come in the same drop.
    for one in preview.files:
        if one.kind in ("exceedances", "events") and one.verdict in ("matched", "there already", "unmatched"):
            taken.table(one, by)
    return taken.ended()


class _DropTally:
    """What was taken so far."""

    def __init__(self, store: Store, batch: UploadBatch, preview: ImportPreview) -> None:
        self._store, self._batch, self._preview = store, batch, preview
        self._drives: set[str] = set()
        self._captures = self._there = self._files = self._events = self._rows = 0
        self._left: list[str] = []

    def drive_file(self, one: FilePreview) -> None:
        """A new version of a drive's file; the store keeps the old ones."""
        from vibe.flow.history.capture_record import kind_of

        path = self._batch.files / one.name
        drive, _ = tones_of(path)
        self._store.put_drive(drive.tag, path.read_text(encoding="utf-8"), kind_of(drive))
        self._files += one.verdict == "matched"
        self._there += one.verdict == "there already"
        self._drives.add(drive.tag)
        path.unlink()

    def captures(self, workers: int | None, progress: Progress | None) -> None:
        """Captures, judged side by side, each committed by itself."""
        from vibe.flow.history.bulk_import import Delivery, keep_files

        ready = [one for one in self._preview.files if one.kind == "capture" and one.verdict == "matched"]
        for one in self._preview.files:
            if one.verdict == "there already" and one.kind in ("capture", "unknown"):
                self._there += 1
                self._gone(one.name)
        if not ready:
            return
        with tempfile.TemporaryDirectory(prefix="vibe-drives-") as folder:
            drives = drive_files_of(self._store, Path(folder))
            only = self._preview.only
            tag = None if only is None else next((t for t in drives if folded(t) == folded(only)), only)
            delivery = Delivery(drives=drives, only=tag, time_zone=self._preview.time_zone)
            outcome = keep_files(
                [self._batch.files / one.name for one in ready], delivery, self._store, workers=workers,
                progress=progress,
            )  # fmt: skip
        self._captures, self._left = outcome.added, [*self._left, *outcome.refused]
        self._there += outcome.there
        self._drives |= set(outcome.by_drive)
        for one in ready:
            if self._store.holds(one.content):
                self._gone(one.name)

    def table(self, one: FilePreview, by: str) -> None:
        """A list of exceedances or events, in one transaction."""
        from vibe.history.store.reported import keep_reported
        from vibe.ingest.tables.event_table import read_event_table
        from vibe.ingest.tables.exceedances import read_exceedances
        from vibe.ingest.tables.maintenance_log import load_events

        path = self._batch.files / one.name
        if one.verdict == "there already":
            self._there += 1
        elif one.kind == "exceedances":
            rows = read_exceedances(path, columns=one.columns, time_zone=self._preview.time_zone).rows
            if not rows:
                return
            keep_reported(self._store.folder, one.content, one.name, rows)
            said = {folded(row.tag) for row in rows}
            about = [drive.tag for drive in self._store.drives() if folded(drive.tag) in said]
            self._store.touch(about)
            self._drives |= set(about)
            self._rows += len(rows)
        else:
            events: tuple[Event, ...] = (
                load_events(path, self._preview.time_zone)
                if path.suffix.lower() == ".toml"
                else read_event_table(path, columns=one.columns, time_zone=self._preview.time_zone).events
            )
            tags = {folded(drive.tag): drive.tag for drive in self._store.drives()}
            known = [
                replace(event, drive=tags[folded(event.drive)], by=event.by or by)
                for event in events
                if folded(event.drive) in tags
            ]
            if not known:
                return
            self._events += self._store.add_events(known)
            self._drives |= {event.drive for event in known}
        path.unlink()

    def ended(self) -> ImportOutcome:
        """All of it; what is left in the drop is named."""
        from vibe.ingest.config.sidecar import FOLDER_FILE

        names = set(self._batch.names())
        said = {sentence.partition(":")[0] for sentence in self._left}
        by_name = {one.name: one for one in self._preview.files}
        for name in sorted(names):
            one = by_name.get(name)
            if one is not None and one.kind == "sidecar":
                if name.removesuffix(".toml") not in names and (name != FOLDER_FILE or names == {name}):
                    (self._batch.files / name).unlink()
            elif one is not None and name not in said:
                self._left.append(f"{name}: {one.why or one.verdict}")
        if not self._batch.names():
            self._batch.discard()
        return ImportOutcome(
            captures=self._captures, there=self._there, drive_files=self._files, events=self._events,
            exceedances=self._rows, drives=tuple(sorted(self._drives)), left=tuple(self._left),
        )  # fmt: skip

    def _gone(self, name: str) -> None:
        (self._batch.files / name).unlink(missing_ok=True)
