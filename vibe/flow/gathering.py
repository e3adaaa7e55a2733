"""The captures of a folder, to the drives that they were measured on; what was delivered twice is set aside."""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

from vibe.core.errors import CaptureError, VibeError
from vibe.core.files import writable

if TYPE_CHECKING:
    from vibe.core.capture import Capture
    from vibe.core.route import Route

Reader = Callable[[Path], "Capture"]


@dataclass(frozen=True, slots=True)
class RouteReader:
    """Reads the captures of a round collected in ``folder`` by the rules of its route. It can be sent to a process."""

    folder: Path
    route: Route

    def __call__(self, path: Path) -> Capture:
        """Raises: CaptureError where the file cannot be read."""
        from vibe.ingest import read_on_route

        return read_on_route(path, self.folder, self.route)

    def knows(self, capture: Capture) -> bool:
        """Whether any channel of a capture is a point of its stop."""
        from vibe.core.route import folded

        points = {(stop.drive, folded(point.name)) for stop in self.route.stop for point in stop.point}
        return any((capture.drive, folded(channel.name)) in points for channel in capture.channels)


def plain_reader(path: Path) -> Capture:
    """Reads a capture without a route. Raises: CaptureError where the file cannot be read."""
    from vibe.ingest import read_capture

    return read_capture(path)


@dataclass(frozen=True, slots=True)
class Gathered:
    """Captures by drive tag; a sentence for each file that belongs to no drive; sentences by drive tag."""

    by_drive: dict[str, list[Path]] = field(default_factory=dict)
    unused: list[str] = field(default_factory=list)
    remarks: dict[str, list[str]] = field(default_factory=dict)

    def remark(self, tag: str, text: str) -> None:
        """Note something about a drive, once."""
        if text not in self.remarks.setdefault(tag, []):
            self.remarks[tag].append(text)


def gathered(found: Sequence[Path], tags: Collection[str], reader: RouteReader | None) -> Gathered:
    """Every file to its drive, one of ``tags``. Of files with the same bytes the first is kept."""
    from vibe.ingest import same_content
    from vibe.ingest.identity import identify

    told = Gathered()
    drives: dict[Path, str] = {}
    strays: list[Path] = []
    for path in found:
        name = writable(path.name)
        try:
            if reader is None:
                tag = identify(path)[0]
            else:
                capture = reader(path)
                tag = capture.drive
                strays += [] if reader.knows(capture) else [path]
        except VibeError as error:
            told.unused.append(writable(str(error)))
            continue
        if tag is None:
            told.unused.append(f"{name}: does not say which drive it was measured on")
        elif tag not in tags:
            where = "which is no stop of the route" if reader is not None else "which no drive file describes"
            told.unused.append(f"{name}: measured on {tag[:80]!r}, {where}")
        else:
            drives[path] = tag
    # Of two files alike the one whose name the route understands is kept.
    for first, *others in same_content(sorted(drives, key=strays.__contains__)):
        for other in others:
            text = f"{writable(other.name)}: the same file as {writable(first.name)}; set aside"
            if drives[other] != drives[first]:
                text += f", though one is filed under {drives[first]} and the other under {drives[other]}"
            told.remark(drives[first], text)
            told.remark(drives.pop(other), text)
    for path, tag in drives.items():
        told.by_drive.setdefault(tag, []).append(path)
    return told


def without_twins(tag: str, paths: Sequence[Path], reader: Reader) -> tuple[list[Path], list[str]]:
    """One drive's captures without those whose samples are all in another, and sentences about what was noticed.

    A file that cannot be read is kept: its report says so.
    """
    if len(paths) < 2:
        return list(paths), []
    from vibe.core.route import folded
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
            remarks.append(f"{name}: the same samples as {writable(holder[hashes[0]].name)}; set aside")
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
