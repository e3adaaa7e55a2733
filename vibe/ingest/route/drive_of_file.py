"""Which drive a file was measured on: asked of every file of a folder before any is analysed."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

from vibe.ingest.config.sidecar import load_sidecar
from vibe.ingest.read import read_capture


def identify(path: Path) -> tuple[str | None, str]:
    """Drive tag of a capture, from its sidecar when that says drive and time, else from the file itself; and the hash
    of the file's bytes where they were read, else nothing.

    Raises:
        CaptureError: the file cannot be read. ConfigError: its sidecar is wrong.
    """
    sidecar = load_sidecar(path)
    if sidecar is not None and sidecar.drive is not None and isinstance(sidecar.measured_at, datetime):
        return sidecar.drive, ""
    capture = read_capture(path)
    return capture.drive, capture.sha256
