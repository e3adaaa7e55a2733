"""NPZ: named NumPy arrays. Pickled objects are never opened."""

from __future__ import annotations

import math
import zipfile
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from vibe.core.capture import Capture
from vibe.core.errors import CaptureError
from vibe.ingest.capture_builder import build_capture
from vibe.ingest.claims import MOST_ARRAYS, check_claim, check_unpacked
from vibe.ingest.config.sidecar import Sidecar
from vibe.ingest.formats.columns import raw_from_columns
from vibe.ingest.formats.mat import split_arrays
from vibe.storage.fence import fenced

_LONGEST_TEXT = 1 << 16
"""Bytes of an array of text."""


def sniff(head: bytes, suffix: str) -> bool:
    """A zip archive with ``.npy`` members."""
    return head.startswith(b"PK\x03\x04") and (suffix == ".npz" or b".npy" in head[:300])


def read(path: Path, sidecar: Sidecar | None) -> Capture:
    """Read arrays as channels; scalars such as ``sample_rate_hz`` and texts such as ``unit`` describe them.

    Raises:
        CaptureError: pickled objects only, no array, or no rate or unit for any.
    """
    arrays, pickled = fenced(arrays_of, path)
    columns, said = split_arrays(arrays)
    if not columns:
        raise CaptureError("holds no array of numbers", path=path)
    remarks = [f"left out: pickled objects ({', '.join(pickled)}), which are never opened"] if pickled else []
    return build_capture(path, raw_from_columns(columns, said, path, remarks=remarks), sidecar)


def arrays_of(path: Path) -> tuple[dict[str, NDArray[Any]], list[str]]:
    """Arrays by name, and the names of pickled ones; for the reading process.

    Raises:
        CaptureError: pickled objects only, no array, or more is claimed than measured samples can be.
    """
    wanted, pickled, total, claimed_bytes = [], [], 0, 0
    with zipfile.ZipFile(path) as archive:
        if len(archive.infolist()) > MOST_ARRAYS:
            raise CaptureError(
                f"holds {len(archive.infolist()):,} arrays; more than {MOST_ARRAYS:,} are not read", path=path
            )
        for info in archive.infolist():
            if not info.filename.endswith(".npy"):
                continue
            if info.compress_type not in (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED):
                # Others are unpacked without a bound, and numpy writes none.
                raise CaptureError(f"array {info.filename[:-4]!r} is packed in a way that is not read", path=path)
            with archive.open(info) as stream:
                version = np.lib.format.read_magic(stream)
                header = (
                    np.lib.format.read_array_header_1_0 if version == (1, 0) else np.lib.format.read_array_header_2_0
                )
                shape, _, dtype = header(stream)
            if dtype.hasobject:
                pickled.append(info.filename[:-4])
                continue
            count = math.prod(shape)
            if count * dtype.itemsize > info.file_size:
                raise CaptureError(
                    f"array {info.filename[:-4]!r} promises {count:,} values; only part of them are there", path=path
                )
            if dtype.kind in "US" and count * dtype.itemsize > _LONGEST_TEXT:
                continue  # no word about a capture is so long
            claimed_bytes += count * dtype.itemsize
            check_unpacked(claimed_bytes, path)
            total += count
            wanted.append(info.filename[:-4])
    check_claim(total, path)
    if not wanted:
        reason = (
            f"holds pickled objects only ({', '.join(pickled)}), which are never opened"
            if pickled
            else "holds no array"
        )
        raise CaptureError(reason, path=path)
    with np.load(path, allow_pickle=False) as archive_of_arrays:
        return {name: archive_of_arrays[name] for name in wanted}, pickled
