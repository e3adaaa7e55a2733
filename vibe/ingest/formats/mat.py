"""MAT files: version 5, version 4 (scipy), and 7.3 (HDF5 inside)."""

from __future__ import annotations

import warnings
from pathlib import Path
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from vibe.core.capture import Capture
from vibe.core.errors import CaptureError
from vibe.ingest.capture_builder import build_capture
from vibe.ingest.claims import MOST_ARRAYS, check_claim
from vibe.ingest.config.sidecar import Sidecar
from vibe.ingest.formats import mat5
from vibe.ingest.formats.columns import raw_from_columns
from vibe.ingest.formats.hdf5 import MAGIC
from vibe.ingest.formats.hdf5_rows import matlab_arrays
from vibe.storage.fence import fenced

MOST_COLUMNS = 64
"""Columns that may be channels; the longer side are samples (our choice)."""
_SIZES_4 = {0: 8, 1: 4, 2: 4, 3: 2, 4: 2, 5: 1}
"""Bytes of a value in version 4 by the third digit of its type (as scipy reads them)."""
_NUMERIC = {"double", "single", "int8", "uint8", "int16", "uint16", "int32", "uint32", "int64", "uint64"}


def sniff(head: bytes, suffix: str) -> bool:
    """The text that every MAT file begins with; inside, 7.3 is HDF5."""
    return head.startswith((b"MATLAB 5.0 MAT-file", b"MATLAB 7.3 MAT-file")) or (
        suffix == ".mat" and (head.startswith(MAGIC) or head[512:].startswith(MAGIC))
    )


def read(path: Path, sidecar: Sidecar | None) -> Capture:
    """Read numeric arrays as channels; scalars such as ``sample_rate_hz`` and texts such as ``unit`` describe them.

    Raises:
        CaptureError: no array, or no rate or unit for any.
    """
    with path.open("rb") as stream:
        head = stream.read(520)
    remarks: list[str] = []
    if MAGIC in (head[:8], head[512:520]):
        arrays = fenced(matlab_arrays, path)
    elif head.startswith(b"MATLAB"):
        arrays, remarks = fenced(mat5.read_arrays, path)
    elif _is_version_4(head):
        arrays = fenced(arrays_of_4, path)
    else:
        raise CaptureError("is no MAT file of version 4, 5 or 7.3, or its beginning is damaged", path=path)
    columns, said = split_arrays(arrays)
    if not columns:
        raise CaptureError("; ".join(["holds no array of numbers", *remarks]), path=path)
    return build_capture(path, raw_from_columns(columns, said, path, remarks=remarks), sidecar)


def split_arrays(arrays: dict[str, Any]) -> tuple[list[tuple[str, NDArray[Any]]], dict[str, Any]]:
    """(columns, what the file says of itself) out of named arrays: single values describe, rows are channels.

    A two-dimensional array ``a`` becomes ``a[0]``, ``a[1]``, … along its longer side.
    """
    columns: list[tuple[str, NDArray[Any]]] = []
    said: dict[str, Any] = {}
    for name, value in arrays.items():
        array = np.asarray(value)
        if array.size == 1 or array.dtype.kind in "US":
            said[name] = array
            continue
        flat = np.squeeze(array)
        if flat.ndim == 1 and array.dtype.kind in "iuf":
            columns.append((name, flat))
        elif flat.ndim == 2 and array.dtype.kind in "iuf" and min(flat.shape) <= MOST_COLUMNS:
            tall = flat if flat.shape[0] >= flat.shape[1] else flat.T
            columns += [(f"{name}[{index}]", tall[:, index]) for index in range(tall.shape[1])]
    return columns, said


def _is_version_4(head: bytes) -> bool:
    """A file of version 4 begins with the type of its first array: 0 to 52, or 1000 to 1052 in the other byte order.

    Anything else must not reach scipy, which would take it for version 5 and may crash on it.
    """
    return int.from_bytes(head[:4], "little") <= 52 or 1000 <= int.from_bytes(head[:4], "big") <= 1052


def _check_heads_4(path: Path) -> None:
    """Every array of version 4 has a head of five whole numbers, a name and its values; a head without a name is none.

    scipy takes zeros for arrays of nothing without end, 20 bytes each.

    Raises:
        CaptureError: a head cannot be one, or there are more arrays than any recorder writes.
    """
    end, at = path.stat().st_size, 0
    with path.open("rb") as stream:
        order: Literal["little", "big"] = "little" if int.from_bytes(stream.read(4), "little") <= 52 else "big"
        for _ in range(MOST_ARRAYS):
            stream.seek(at)
            head = stream.read(20)
            if not head:
                return
            kind, rows, columns, imaginary, name = (
                int.from_bytes(head[i : i + 4], order, signed=True) for i in range(0, 20, 4)
            )
            size = _SIZES_4.get(kind // 10 % 10, 0)
            if len(head) < 20 or not 1 <= name <= end - at - 20 or rows < 0 or columns < 0 or not size:
                raise CaptureError(f"is damaged, or cut off: no array begins at byte {at} of {end}", path=path)
            at += 20 + name + rows * columns * size * (2 if imaginary else 1)
            if at > end:
                raise CaptureError(f"is cut off: an array of {rows} x {columns} does not end in it", path=path)
    raise CaptureError(f"holds more than {MOST_ARRAYS} arrays; name a file with one array per channel", path=path)


def arrays_of_4(path: Path) -> dict[str, Any]:
    """Arrays of a file of version 4 by name; for the reading process. Raises: CaptureError: a head cannot be one."""
    from scipy.io import loadmat, whosmat

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        _check_heads_4(path)
        listed = whosmat(str(path))
        wanted = [name for name, _, kind in listed if kind in _NUMERIC or kind == "char"]
        check_claim(sum(int(np.prod(shape, dtype=object)) for name, shape, _ in listed if name in wanted), path)
        found = loadmat(str(path), variable_names=wanted)
    return {name: found[name] for name in wanted if name in found and not np.iscomplexobj(found[name])}
