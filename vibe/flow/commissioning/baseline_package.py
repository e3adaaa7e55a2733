"""What is handed over as a drive's first baseline: its captures in the native form, drive file and record.

``vibe history add FOLDER --store DIR`` takes such a folder as it is: it knows the drive, and that every capture is the
one that was judged.
"""

from __future__ import annotations

import shutil
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

from vibe.core.errors import CallError, OutputError
from vibe.storage.files import file_sha256, write_whole

if TYPE_CHECKING:
    from vibe.core.records.acceptance import CommissionedRun
    from vibe.history.store.store import Store

FOLDER, DRIVE_FILE, RECORD, SIGNATURE = "baseline", "drive.toml", "acceptance.json", "acceptance.json.sig"
NATIVE = (".h5", ".hdf5")
LEFT_OUT = ("run-in", "run-up", "coast-down")
"""Runs in which a drive's levels move: no baseline."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Package:
    """A baseline that was handed over. ``begins``: when its first capture was taken; None where none says."""

    drive_file: Path
    captures: tuple[Path, ...]
    serial: str
    number: str
    seal: str
    begins: datetime | None


def prepared(
    runs: Sequence[CommissionedRun], files: Sequence[Sequence[Path]], place: Path
) -> tuple[tuple[str, str], ...]:
    """Copies of a set's captures in the native form in ``place``: (file name, sha256).

    Raises:
        CaptureError: one cannot be read. OutputError: one cannot be written.
    """
    from vibe.ingest import read_capture
    from vibe.ingest.formats.hdf5_writer import write_hdf5

    made: list[tuple[str, str]] = []
    for run, own in zip(runs, files, strict=True):
        for path in own if run.kind not in LEFT_OUT else ():
            target = place / f"{path.stem}.h5"
            if target.exists():
                target = place / f"{len(made) + 1:02d} {path.stem}.h5"
            if path.suffix.lower() in NATIVE:
                try:
                    shutil.copyfile(path, target)
                except OSError as error:
                    raise OutputError(f"cannot write {target}: {error.strerror or error}") from error
            else:
                write_hdf5(read_capture(path), target)
            made.append((target.name, file_sha256(target)))
    return tuple(made)


def handed_over(place: Path, drive_file: Path, record: Path, folder: Path, *, force: bool) -> Path:
    """The package in ``folder``: what was prepared in ``place``, the drive file, the record and its signature.

    Raises:
        OutputError: it cannot be written, or is there already without ``force``.
    """
    signature = record.with_name(SIGNATURE)
    parts = [(drive_file, DRIVE_FILE), (record, RECORD), *((path, path.name) for path in sorted(place.iterdir()))]
    parts += [(signature, SIGNATURE)] if signature.is_file() else []
    remove(folder)
    for source, name in parts:
        write_whole(folder / name, source.read_bytes(), force=force)
    return folder


def remove(folder: Path) -> None:
    """Remove the package of an earlier run, and nothing that is not of one.

    Raises:
        OutputError: it may not be removed.
    """
    if not (folder / RECORD).is_file():
        return
    try:
        for path in folder.iterdir():
            if path.is_file() and (path.suffix in NATIVE or path.name in (DRIVE_FILE, RECORD, SIGNATURE)):
                path.unlink()
    except OSError as error:
        raise OutputError(f"cannot remove {folder}: {error.strerror or error}; name another --out") from error


def package_of(named: Sequence[Path]) -> Package | None:
    """The package where just one folder is named and is one. Raises: CallError as ``package_in``."""
    return package_in(named[0]) if len(named) == 1 and named[0].is_dir() else None


def note_new_drive(package: Package, store: Store) -> None:
    """Record in a history when the drive was accepted, so that its baseline begins there; once.

    Raises:
        OutputError: the store cannot be written.
    """
    from vibe.core.records.history import Event
    from vibe.flow.settings import tones_of

    if package.begins is None or package.begins.tzinfo is None:
        return
    tag = tones_of(package.drive_file)[0].tag
    if any(one.kind == "new drive" and one.at == package.begins for one in store.events(tag)):
        return
    name = f"certificate {package.number}" if package.number else "certificate"
    note = f"serial {package.serial}, accepted: {name}, seal {package.seal[:16]}"
    store.add_event(Event(drive=tag, at=package.begins, kind="new drive", note=note))


def package_in(folder: Path) -> Package | None:
    """The package in a folder; None where the folder is none.

    Raises:
        CallError: its record is broken, is not of a drive that passed, or names captures that are not there or are
            others.
    """
    from vibe.report.certificate.certificate import acceptance_of
    from vibe.report.certificate.check import verify_certificate
    from vibe.storage.digest import SEAL, SealError

    record = folder / RECORD
    if not (folder / DRIVE_FILE).is_file() or not record.is_file():
        return None
    found = verify_certificate(record)
    if found.failed or found.record is None:
        raise CallError(f"{record} is {found.verdict}")
    try:
        acceptance = acceptance_of(found.record)
    except SealError as error:
        raise CallError(f"{record}: {error}") from None
    if acceptance.answer != "pass" or not acceptance.baseline:
        raise CallError(f"{record} is not of a drive that passed with a baseline to hand over")
    for name, digest in acceptance.baseline:
        path = folder / Path(name).name
        if not path.is_file():
            raise CallError(f"{folder}: the capture {name}, which its record names, is missing")
        if file_sha256(path) != digest:
            raise CallError(f"{path} is not the capture that was judged: its hash is not the one in {record.name}")
    return Package(
        drive_file=folder / DRIVE_FILE, captures=tuple(folder / Path(name).name for name, _ in acceptance.baseline),
        serial=acceptance.serial, number=acceptance.issue.number, seal=str(found.record[SEAL]),
        begins=acceptance.measured_from,
    )  # fmt: skip
