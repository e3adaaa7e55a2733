"""Captures on the spot: is each good, must it be taken again, and what of the route is still missing?"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from vibe.core.errors import CaptureError
from vibe.flow.settings import tones_of
from vibe.flow.stretching import assessed

if TYPE_CHECKING:
    from vibe.core.capture import ChannelQuality


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckedCapture:
    """The verdict on one file; ``error`` when it cannot be read."""

    path: Path
    error: str | None
    quality: tuple[ChannelQuality, ...]
    remarks: tuple[str, ...] = ()


def check_files(captures: Sequence[Path], drive_path: Path | None) -> tuple[CheckedCapture, ...]:
    """Quality verdicts, file by file; a file that cannot be read does not stop the rest.

    Raises:
        ConfigError: the drive file is wrong.
    """
    from vibe.ingest import read_capture

    drive = tones_of(drive_path)[0] if drive_path is not None else None
    speed = drive.input.speed_hz if drive is not None else None
    checked = []
    for path in captures:
        try:
            capture = read_capture(path)
            quality = assessed(capture, speed).quality
        except CaptureError as error:
            checked.append(CheckedCapture(path=path, error=error.reason, quality=()))
            continue
        remarks = list(capture.remarks)
        if drive is not None and capture.drive not in (None, drive.tag):
            remarks.append(f"the file says drive {str(capture.drive)[:80]!r}, the check is for {drive.tag!r}")
        checked.append(CheckedCapture(path=path, error=None, quality=quality, remarks=tuple(remarks)))
    return tuple(checked)
