"""One capture out of a watched folder, judged in whatever process with what the store holds at that moment."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from vibe.core.errors import CaptureError, ConfigError
from vibe.core.route.route import folded
from vibe.flow.settings import Settings
from vibe.storage.files import writable, write_whole

if TYPE_CHECKING:
    from vibe.history.store.store import Prepared, Store


@dataclass(frozen=True, slots=True, kw_only=True)
class ArrivalPlace:
    """A store to which a capture may go: the name of its site, its folder and its workplace."""

    site: str
    store: Path
    workplace: Path


@dataclass(frozen=True, slots=True, kw_only=True)
class ArrivalJob:
    """A file, the stores that it may go to, and the drive files that count before those of a store, by tag.

    ``drive_files`` is a folder for copies of what stores know of drives.
    """

    path: Path
    places: tuple[ArrivalPlace, ...]
    drive_files: Path
    given: Mapping[str, Path]
    settings: Settings
    time_zone: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class ArrivalResult:
    """A capture's file, waiting for ``Store.take`` of the store of ``site``; or why there is none. ``unmatched``: its
    drive is not known, or known to several stores."""

    made: Prepared | None = None
    site: str = ""
    drive: str = ""
    why: str = ""
    unmatched: bool = False


def judge_arrival(job: ArrivalJob) -> ArrivalResult:
    """Read, find the drive, judge and write it to its own folder. Raises: OutputError where the store cannot be
    written."""
    from vibe.flow.diagnose.earlier_diagnoses import kept_files
    from vibe.flow.history.bulk_import import Delivery, JudgingJob, judge_capture
    from vibe.history.store.store import Store
    from vibe.ingest.route.drive_of_file import identify

    try:
        said, _ = identify(job.path)
    except (CaptureError, ConfigError) as error:
        return ArrivalResult(why=writable(error.reason))
    except MemoryError:
        return ArrivalResult(why="needs more memory than there is")
    if said is None and len(job.given) == 1:
        said = next(iter(job.given))
    if said is None:
        return ArrivalResult(why="does not say which drive it was measured on: a sidecar helps", unmatched=True)
    found: list[tuple[ArrivalPlace, str, Path]] = []
    for place in job.places:
        with Store.open(place.store) as store:
            known = _known(store, said, job)
        if known is not None:
            found.append((place, *known))
    if not found:
        whose = "the store has" if len(job.places) == 1 else f"none of the {len(job.places)} stores has"
        why = f"was measured on {writable(said)[:80]!r}, of which {whose} no drive file"
        return ArrivalResult(drive=writable(said)[:80], why=why, unmatched=True)
    if len(found) > 1:
        sites = [place.site for place, _, _ in found]
        why = (
            f"was measured on {writable(said)[:80]!r}, which {' and '.join(sites)} have both: choose one here, or put "
            f"such captures into a folder of that name, {sites[0]} for example"
        )
        return ArrivalResult(drive=found[0][1], why=why, unmatched=True)
    place, tag, path = found[0]
    with Store.open(place.store) as store:
        earlier = {tag: tuple(kept_files(store, tag, job.settings))}
    delivery = Delivery(drives={tag: path}, only=tag, time_zone=job.time_zone)
    done = judge_capture(JudgingJob.of(job.path, delivery, place.workplace, job.settings, earlier))
    name = f"{writable(job.path.name)}: "
    return ArrivalResult(made=done.made, site=place.site, drive=tag, why=done.refused.removeprefix(name))


def _known(store: Store, said: str, job: ArrivalJob) -> tuple[str, Path] | None:
    """A drive as a store, or a file that was given, knows it: its tag and its file; None where neither does."""
    tag = next((one for one in job.given if folded(one) == folded(said)), None)
    if tag is not None:
        return tag, job.given[tag]
    tag = next((drive.tag for drive in store.drives() if folded(drive.tag) == folded(said)), None)
    text = None if tag is None else store.drive_toml(tag)
    return None if tag is None or text is None else (tag, _copy(job.drive_files, text))


def _copy(folder: Path, text: str) -> Path:
    """A drive's file as the store has it, once for each version."""
    path = folder / f"{hashlib.sha256(text.encode('utf-8')).hexdigest()[:24]}.toml"
    return path if path.exists() else write_whole(path, standing_alone(text), force=True)


def standing_alone(text: str) -> str:
    """A drive's file away from the files of its neighbours: they are known by their names alone, so that their lines
    count as those of any outside machine."""
    return re.sub(r"""(\bdrive\s*=\s*)(["'])(?:[^"'\n]*[/\\])?([^"'/\\\n]+)\.toml\2""", r"\1\2\3\2", text)
