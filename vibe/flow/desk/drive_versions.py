"""A drive's file in a store: checked as ``vibe tones`` checks it, saved as a new version; the old ones are kept."""

from __future__ import annotations

import difflib
import tempfile
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from vibe.core.errors import CallError, ConfigError
from vibe.flow.settings import tones_of

if TYPE_CHECKING:
    from vibe.core.drive import Drive
    from vibe.core.records.history import DriveVersion
    from vibe.core.tones import ToneTable
    from vibe.history.store.store import Store

MOST_BYTES = 100_000
"""A drive file of all stages and bearings has a twentieth of that (our choice)."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CheckedDrive:
    """A drive's file as it would be saved. ``moved`` are tones whose order is another than in the version in use, with
    both orders (None: not there); ``remarks`` are sentences to be read before saving; ``difference`` lines as ``diff``
    shows them, without its head."""

    drive: Drive
    table: ToneTable
    unchanged: bool
    moved: tuple[tuple[str, float | None, float | None], ...]
    difference: tuple[str, ...]
    remarks: tuple[str, ...]


def drive_versions(store: Store, tag: str) -> tuple[DriveVersion, ...]:
    """All versions that were kept, the one in use last."""
    return store.drive_versions(tag)


def check_drive(store: Store, tag: str, text: str) -> CheckedDrive:
    """Check the text of a drive's file against the version in use; nothing is saved.

    Raises:
        ConfigError: it is wrong; the sentence names line, field and nearest key. CallError: it is of another drive.
    """
    drive, table = _read(text)
    if drive.tag != tag:
        raise CallError(f"this file is of {drive.tag!r}, not of {tag!r}: a tag is not changed here")
    old = store.drive_toml(tag)
    before: dict[str, float] = {}
    remarks = []
    if old:
        try:
            before = {tone.id: tone.order for tone in _read(old)[1].tones}
        except ConfigError as error:
            remarks.append(f"The version in use cannot be read any more: {error.reason}")
    after = {tone.id: tone.order for tone in table.tones}
    moved = tuple(
        (name, before.get(name), after.get(name))
        for name in sorted(before.keys() | after.keys())
        if before and before.get(name) != after.get(name)
    )
    if moved:
        remarks.append(
            f"{len(moved)} tones are others than before: captures that were kept stay judged by the version of then."
        )
    if old and _kind(drive) != _kind_of_text(old):
        remarks.append("It is a drive of another kind now: it is compared with other sisters.")
    difference = difflib.unified_diff((old or "").splitlines(), text.splitlines(), lineterm="", n=1)
    return CheckedDrive(
        drive=drive, table=table, unchanged=old == text, moved=moved, difference=tuple(difference)[2:],
        remarks=tuple(remarks),
    )  # fmt: skip


def save_drive(store: Store, tag: str, text: str) -> CheckedDrive:
    """Check and save a new version; an unchanged text makes none.

    Raises:
        ConfigError, CallError: as ``check_drive``. OutputError: the store may not be written.
    """
    checked = check_drive(store, tag, text)
    if not checked.unchanged:
        store.put_drive(tag, text, _kind(checked.drive))
    return checked


def _read(text: str) -> tuple[Drive, ToneTable]:
    if len(text.encode("utf-8", "surrogatepass")) > MOST_BYTES:
        raise ConfigError("is too long for a drive's file")
    with tempfile.TemporaryDirectory(prefix="vibe-drive-") as folder:
        path = Path(folder) / "drive.toml"
        path.write_bytes(text.encode("utf-8", "replace"))
        try:
            return tones_of(path)
        except ConfigError as error:
            raise ConfigError(error.reason, path="the drive's file", line=error.line) from None


def _kind(drive: Drive) -> str:
    from vibe.flow.history.capture_record import kind_of

    return kind_of(drive)


def _kind_of_text(text: str) -> str:
    try:
        return _kind(_read(text)[0])
    except ConfigError:
        return ""
