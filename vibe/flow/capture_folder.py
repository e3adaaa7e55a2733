"""The captures of a folder, to the drives that they were measured on; what was delivered twice is set aside."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING

from vibe.core.errors import CaptureError, VibeError
from vibe.flow.file_hash import EMPTY, UNREADABLE, file_hash
from vibe.storage.files import writable

if TYPE_CHECKING:
    from vibe.core.capture import Capture
    from vibe.core.route.readings import RoundReadings
    from vibe.core.route.route import Route

Reader = Callable[[Path], "Capture"]


@dataclass(frozen=True, slots=True)
class RouteReader:
    """Reads the captures of a round collected in ``folder`` by the rules of its route. It can be sent to a process."""

    folder: Path
    route: Route
    readings: RoundReadings | None = None
    """What was read at the stops, in one file for the round."""

    def __call__(self, path: Path) -> Capture:
        """Raises: CaptureError where the file cannot be read."""
        from vibe.ingest import read_on_route

        return read_on_route(path, self.folder, self.route, self.readings)

    def knows(self, capture: Capture) -> bool:
        """Whether any channel of a capture is a point of its stop."""
        from vibe.core.route.route import folded

        points = {(stop.drive, folded(point.name)) for stop in self.route.stop for point in stop.point}
        return any((capture.drive, folded(channel.name)) in points for channel in capture.channels)


@dataclass(frozen=True, slots=True)
class NotedReader:
    """Reads captures without a route, and lays the readings of their round upon them; ``only`` is the drive of those
    that do not say theirs."""

    readings: RoundReadings
    only: str | None = None

    def __call__(self, path: Path) -> Capture:
        """Raises: CaptureError where the file cannot be read."""
        from vibe.ingest.route.noted_readings import with_readings

        capture = plain_reader(path)
        if capture.drive is None and self.only is not None:
            capture = replace(capture, drive=self.only)
        return with_readings(capture, self.readings)


def plain_reader(path: Path) -> Capture:
    """Reads a capture without a route. Raises: CaptureError where the file cannot be read."""
    from vibe.ingest import read_capture

    return read_capture(path)


@dataclass(frozen=True, slots=True, kw_only=True)
class CaptureHeader:
    """What a first look at a file shows, in whatever process.

    ``unused`` says why it belongs to no drive; ``stray``: no point of it is on the route. ``hashes``: SHA-256 of the
    file and of what lies next to it and says what it is.
    """

    path: Path
    drive: str = ""
    unused: str = ""
    stray: bool = False
    hashes: Mapping[Path, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class Search:
    """What the files of one call are asked for: drives, by their tags, and a route's reader where there is one."""

    tags: frozenset[str]
    reader: RouteReader | None
    readings: RoundReadings | None = None

    @property
    def capture_reader(self) -> Reader:
        """How captures are read whose drive is known."""
        if self.reader is not None:
            return self.reader
        return plain_reader if self.readings is None else NotedReader(self.readings)


def look_at(path: Path, search: Search) -> CaptureHeader:
    """One file, whatever is wrong with it: whose it is, and what its report will depend on."""
    name = writable(path.name)
    try:
        tag, stray, content = _identified(path, search.reader)
    except CaptureError as error:
        return CaptureHeader(path=path, unused=f"{name}: {writable(error.reason)}")
    except VibeError as error:
        return CaptureHeader(path=path, unused=writable(str(error)))
    except MemoryError:
        return CaptureHeader(
            path=path, unused=f"{name}: needs more memory than there is; try a shorter one, or --workers 1"
        )
    if tag is None:
        return CaptureHeader(path=path, unused=f"{name}: does not say which drive it was measured on")
    if tag not in search.tags:
        where = "which is no stop of the route" if search.reader is not None else "which no drive file describes"
        return CaptureHeader(path=path, unused=f"{name}: measured on {tag[:80]!r}, {where}")
    from vibe.ingest.config.sidecar import sidecar_paths

    sidecars = {file: file_hash(file) for file in sidecar_paths(path) if file.exists()}
    return CaptureHeader(path=path, drive=tag, stray=stray, hashes={path: content or file_hash(path), **sidecars})


def _identified(path: Path, reader: RouteReader | None) -> tuple[str | None, bool, str]:
    """Drive, whether it is a stray, and the hash of its bytes where it was read: empty where a sidecar says enough."""
    from vibe.ingest.route.drive_of_file import identify

    if reader is not None:
        capture = reader(path)
        return capture.drive, not reader.knows(capture), capture.sha256
    drive, content = identify(path)
    return drive, False, content


@dataclass(frozen=True, slots=True)
class Gathered:
    """Captures by drive tag; a sentence for each file that belongs to no drive; sentences by drive tag; by capture, the
    hashes of all that its report depends on."""

    by_drive: dict[str, list[Path]] = field(default_factory=dict)
    unused: list[str] = field(default_factory=list)
    remarks: dict[str, list[str]] = field(default_factory=dict)
    hashes: dict[Path, Mapping[Path, str]] = field(default_factory=dict)

    def remark(self, tag: str, text: str) -> None:
        """Note something about a drive, once."""
        if text not in self.remarks.setdefault(tag, []):
            self.remarks[tag].append(text)


def gathered(seen: Iterable[CaptureHeader]) -> Gathered:
    """Every file to its drive. Of files with the same bytes the first is kept."""
    collected = Gathered()
    known: list[CaptureHeader] = []
    for one in seen:
        if one.unused:
            collected.unused.append(one.unused)
        else:
            known.append(one)
    drives = {one.path: one.drive for one in known}
    alike: dict[str, list[Path]] = {}
    # Of two files alike the one whose name the route understands is kept.
    for one in sorted(known, key=lambda one: one.stray):
        content = one.hashes[one.path]
        if content not in (UNREADABLE, EMPTY):
            alike.setdefault(content, []).append(one.path)
    for first, *others in alike.values():
        for other in others:
            text = f"{writable(other.name)}: the same file as {writable(first.name)}; ignored"
            if drives[other] != drives[first]:
                text += f", though one is filed under {drives[first]} and the other under {drives[other]}"
            collected.remark(drives[first], text)
            collected.remark(drives.pop(other), text)
    for one in known:
        if one.path in drives:
            collected.by_drive.setdefault(one.drive, []).append(one.path)
            collected.hashes[one.path] = one.hashes
    return collected


def without_twins(tag: str, paths: Sequence[Path], reader: Reader) -> tuple[list[Path], list[str]]:
    """One drive's captures without those whose samples are all in another, and sentences about what was noticed.

    A file that cannot be read is kept: its report says so.
    """
    if len(paths) < 2:
        return list(paths), []
    from vibe.core.route.route import folded
    from vibe.ingest import samples_hash

    kept: list[Path] = []
    remarks: list[str] = []
    holder: dict[str, Path] = {}
    at_one_time: dict[tuple[str, str], Path] = {}
    for path in paths:
        try:
            capture = reader(path)
        except CaptureError:
            kept.append(path)
            continue
        name = writable(path.name)
        hashes = [text for channel in capture.channels if (text := samples_hash(channel))]
        if hashes and all(text in holder for text in hashes):
            remarks.append(f"{name}: the same samples as {writable(holder[hashes[0]].name)}; ignored")
            continue
        kept.append(path)
        holder |= dict.fromkeys(hashes, path) | holder
        if capture.measured_at is None:
            continue
        for channel in capture.vibration:
            twin = at_one_time.setdefault((capture.measured_at.isoformat(), folded(channel.name)), path)
            text = f"{name} and {writable(twin.name)}: two captures of {tag!r} at one time, both used"
            if twin is not path and text not in remarks:
                remarks.append(text)
    return kept, remarks
