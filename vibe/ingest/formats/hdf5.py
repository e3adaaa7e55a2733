"""HDF5, the native form: ``channels/<point>``, one row each, meaning in attributes."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from vibe.core.capture import Capture
from vibe.core.errors import CaptureError
from vibe.ingest.capture_builder import build_capture, unique_names
from vibe.ingest.config.sidecar import Sidecar
from vibe.ingest.formats.hdf5_rows import native_rows
from vibe.storage.fence import fenced

MAGIC = b"\x89HDF\r\n\x1a\n"


def sniff(head: bytes, suffix: str) -> bool:
    """HDF5 begins with its own eight bytes (a MAT file of version 7.3 may too, then its suffix decides)."""
    return head.startswith(MAGIC) and suffix != ".mat"


def read(path: Path, sidecar: Sidecar | None) -> Capture:
    """Read the native form.

    Raises:
        CaptureError: no ``channels``, no usable channel, samples missing or outside the file, still being written.
    """
    try:
        raw = fenced(native_rows, path)
    except OSError as error:
        if "already open for write" in str(error):  # newer files say so themselves
            raise CaptureError(
                "is still open for writing: wait until the program that records it has closed it (where that was ended "
                "before, h5clear of the HDF5 tools mends the file)",
                path=path,
            ) from None
        raise
    return build_capture(path, replace(raw, channels=unique_names(raw.channels)), sidecar)
