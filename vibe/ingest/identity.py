"""Which drive a file was measured on, and when: asked of every file of a folder before any is analysed."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

from vibe.ingest.read import read_capture
from vibe.ingest.sidecar import load_sidecar


def identify(path: Path) -> tuple[str | None, datetime | None]:
    """Drive tag and time of a capture, from its sidecar when that tells the drive, else from the file itself.

    Raises:
        CaptureError: the file cannot be read. ConfigError: its sidecar is wrong.
    """
    sidecar = load_sidecar(path)
    if sidecar is not None and sidecar.drive is not None and isinstance(sidecar.measured_at, datetime):
        return sidecar.drive, sidecar.measured_at
    capture = read_capture(path)
    return capture.drive, capture.measured_at
