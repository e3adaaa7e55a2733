"""Earlier captures of a drive out of a folder or a store, judged anew so that the next can be compared with them."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from vibe.flow.past import accepted, time_of

if TYPE_CHECKING:
    from vibe.core.drive import Drive
    from vibe.core.past import PastCapture
    from vibe.core.tones import ToneTable
    from vibe.flow.settings import Settings


def from_folder(
    folder: Path, drive: Drive, table: ToneTable, settings: Settings
) -> tuple[list[PastCapture], list[str]]:
    """What the captures of a drive in a folder, or in a store, leave, oldest first; and remarks on those that could not
    serve. Captures of other drives are passed over.

    Raises:
        CallError: there is no such folder, or a store that cannot be opened.
    """
    from vibe.core.errors import CaptureError
    from vibe.core.files import writable
    from vibe.core.route import folded
    from vibe.flow.gathering import plain_reader
    from vibe.flow.judging import judge_samples

    past, remarks = [], []
    for path in _files(folder, drive, settings.diagnosis.past.most):
        try:
            capture = plain_reader(path)
            if capture.drive is not None and folded(capture.drive) != folded(drive.tag):
                continue
            judged = judge_samples(capture, drive, table, settings)
        except CaptureError as error:
            remarks.append(f"{writable(path.name)}, an earlier capture, is left out: {writable(error.reason)}")
            continue
        fit = accepted([judged])
        past += fit
        if not fit:
            remarks.append(f"{writable(path.name)}, an earlier capture, is left out: it was not accepted")
    if len(past) < settings.diagnosis.past.fewest:
        remarks.append(
            f"{len(past)} earlier captures of {drive.tag} can be used; a change of single tones is told from "
            f"{settings.diagnosis.past.fewest} on"
        )
    return sorted(past, key=time_of), remarks


def _files(folder: Path, drive: Drive, most: int) -> Sequence[Path]:
    """Captures of a folder; of a store the last accepted ones of the drive, whose samples are there."""
    from vibe.history.schema import DATABASE
    from vibe.ingest import find_captures

    if not (folder / DATABASE).is_file():
        return find_captures(folder)
    from vibe.history.store import Store

    with Store.open(folder) as store:
        kept = [one for one in store.captures(drive.tag) if one.kept == "accepted" and one.waveform == "kept"]
        return [store.path_of(one.content) for one in kept[-most:]]
