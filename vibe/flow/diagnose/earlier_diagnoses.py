"""Earlier captures of a drive out of a folder or a store, so that the next can be compared with them."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

from vibe.flow.diagnose.earlier_captures import accepted, time_of

if TYPE_CHECKING:
    from vibe.core.comb_history import PastCapture
    from vibe.core.drive import Drive
    from vibe.core.tones import ToneTable
    from vibe.flow.settings import Settings
    from vibe.history.store.store import Store

MORE = 3
"""Times as many captures of a store are looked at as are compared."""


def from_folder(
    folder: Path, drive: Drive, table: ToneTable, settings: Settings
) -> tuple[list[PastCapture], list[str]]:
    """What the captures of a drive in a folder, or in a store, leave, oldest first; and remarks on those that could not
    serve. Captures of other drives are passed over.

    Raises:
        CallError: there is no such folder, or a store that cannot be opened.
    """
    from vibe.history.store.schema import DATABASE
    from vibe.ingest import find_captures

    if not (folder / DATABASE).is_file():
        past, remarks = _read(find_captures(folder), drive, table, settings)
    else:
        from vibe.history.store.store import Store

        with Store.open(folder) as store:
            files = kept_files(store, drive.tag, settings)
        past, remarks = from_kept(files, drive, table, settings)
    if len(past) < settings.diagnosis.past.fewest:
        remarks.append(
            f"{len(past)} earlier captures of {drive.tag} can be used; a change of single tones is reported from "
            f"{settings.diagnosis.past.fewest} on"
        )
    return past, remarks


def from_kept(
    files: Sequence[Path], drive: Drive, table: ToneTable, settings: Settings
) -> tuple[list[PastCapture], list[str]]:
    """The same of files of a store. Only where older programs kept them samples are read again, of the last ones."""
    silent = [path for path in files if _kept(path) is None]
    read, remarks = _read(silent[-settings.diagnosis.past.most :], drive, table, settings)
    return sorted([*kept_pasts(files), *read], key=time_of), remarks


def _read(
    files: Sequence[Path], drive: Drive, table: ToneTable, settings: Settings
) -> tuple[list[PastCapture], list[str]]:
    """What captures leave, oldest first, each read and judged by itself; and remarks."""
    from vibe.core.errors import CaptureError
    from vibe.core.route.route import folded
    from vibe.flow.capture_folder import plain_reader
    from vibe.flow.diagnose.capture_diagnosis import diagnose_samples
    from vibe.storage.files import writable

    past, remarks = [], []
    for path in files:
        try:
            capture = plain_reader(path)
            if capture.drive is not None and folded(capture.drive) != folded(drive.tag):
                continue
            judged = diagnose_samples(capture, drive, table, settings, traced=True)
        except CaptureError as error:
            remarks.append(f"{writable(path.name)}, an earlier capture, is left out: {writable(error.reason)}")
            continue
        fit = accepted([judged])
        past += fit
        if not fit:
            remarks.append(f"{writable(path.name)}, an earlier capture, is left out: it was not accepted")
    return sorted(past, key=time_of), remarks


def kept_files(store: Store, tag: str, settings: Settings) -> list[Path]:
    """Files of the last accepted captures of a drive in a store, oldest first: more than are compared, since speeds and
    loads differ. What was measured before something was done to the drive that makes a new baseline is no past."""
    now = datetime.now(UTC)  # what is planned for later has changed nothing yet
    since = max((event.at for event in store.events(tag) if event.new_baseline and event.at <= now), default=None)
    kept = [one for one in store.captures(tag, since=since) if one.kept == "accepted" and one.waveform != "lost"]
    return [store.path_of(one.content) for one in kept[-MORE * settings.diagnosis.past.most :]]


def kept_pasts(files: Sequence[Path]) -> list[PastCapture]:
    """What captures of a store left for later ones, in their order; without those that left nothing, as older programs
    kept them, or whose file is damaged, which `vibe history verify` shows."""
    return [past for past in map(_kept, files) if past is not None]


def _kept(path: Path) -> PastCapture | None:
    """What a capture's file of a store left; None where it is no such file."""
    from vibe.core.errors import CaptureError
    from vibe.history.store.capture_file import read_past

    try:
        return read_past(path)
    except CaptureError:
        return None
