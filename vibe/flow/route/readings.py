"""The readings of a round: which drives their file may name, and what one stop's are worth to a report."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING

from vibe.core.route.route import folded
from vibe.flow.file_hash import texts_hash

if TYPE_CHECKING:
    from vibe.core.drive import Drive
    from vibe.core.route.readings import RoundReadings
    from vibe.core.route.route import Route


def readings_of(path: Path, drives: Mapping[str, Drive], route: Route | None) -> RoundReadings:
    """The readings of ``path`` for the ``drives``, by tag; former tags are those that ``route`` knows.

    Raises:
        ConfigError: the file is wrong; the sentence names line and cell.
    """
    from vibe.ingest.tables.readings_file import KnownStops, load_readings

    tags = {} if route is None else {folded(old): stop.drive for stop in route.stop for old in stop.formerly}
    tags |= {folded(tag): tag for tag in drives}
    speeds = {tag: drive.input.speed_range_hz for tag, drive in drives.items()}
    known = KnownStops(tags=tags, speeds_rpm={tag: (60 * low, 60 * high) for tag, (low, high) in speeds.items()})
    return load_readings(path, known)


def reading_hash(readings: RoundReadings | None, tag: str) -> dict[str, str]:
    """What a drive's report depends on of the readings; empty where nothing was read there."""
    read = None if readings is None else readings.of(tag)
    return {} if read is None else {"what was read at the stop": texts_hash([read.model_dump_json()])}
