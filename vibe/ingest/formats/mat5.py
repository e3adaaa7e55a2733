"""MAT version 5, numeric arrays and texts only, read by its published layout.

A general library is not used here because a damaged file can bring down the whole process with it; this walk never
looks outside the bytes at hand. Layout: "MAT-File Format", The MathWorks, level 5: a header of 128 bytes, then
elements of (type, length, data padded to 8 bytes), arrays being elements that hold flags, dimensions, name and values.
"""

from __future__ import annotations

import math
import struct
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import islice
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from vibe.core.errors import CaptureError
from vibe.ingest.claims import MOST_ARRAYS, check_claim, check_unpacked

_STORED = {1: "i1", 2: "u1", 3: "i2", 4: "u2", 5: "i4", 6: "u4", 7: "f4", 9: "f8", 12: "i8", 13: "u8",
           16: "u1", 17: "u2", 18: "u4"}  # fmt: skip
"""Element type -> how its values are stored."""
_CLASSES = {6: "f8", 7: "f4", 8: "i1", 9: "u1", 10: "i2", 11: "u2", 12: "i4", 13: "u4", 14: "i8", 15: "u8"}
"""Array class -> what its values are; they may be stored in fewer bytes."""
_MATRIX, _COMPRESSED, _CHAR_CLASS, _COMPLEX_FLAG = 14, 15, 4, 0x0800
"""Kinds of elements, an array class and a flag (MAT-file format, version 5)."""
_UTF_8 = 16
"""Kind of an element whose bytes are text in UTF-8 (MAT-file format, version 5)."""
_HEADER_BYTES = 128
"""Bytes before the first element (MAT-file format, version 5)."""
_DEFLATE_BEST = 1100
"""Deflate makes bytes of one, at most, 1032; what says more is damaged (RFC 1951: 258 bytes of two bits)."""


@dataclass(frozen=True)
class _Element:
    kind: int
    promised: int
    data: memoryview
    end: int


def read_arrays(path: Path) -> tuple[dict[str, Any], list[str]]:
    """(numeric arrays and texts by name, remarks on what is cut off).

    Raises:
        CaptureError: the file ends before its first array, or claims more than it can hold.
    """
    content = memoryview(path.read_bytes())
    if len(content) < _HEADER_BYTES + 8:
        raise CaptureError("ends before its first array", path=path)
    order = ">" if bytes(content[126:128]) == b"MI" else "<"
    arrays: dict[str, Any] = {}
    remarks: list[str] = []
    samples = claimed_bytes = 0
    for number, (body, is_cut) in enumerate(_bodies(content, order, path)):
        if number >= MOST_ARRAYS:
            raise CaptureError(f"holds more than {MOST_ARRAYS:,} arrays, which no recorder writes", path=path)
        # Flags, dimensions, name and values: of what follows them there may be millions.
        parts = list(islice(_elements(body, order), 4))
        shape, name, kind = _head(parts, order)
        if name is None or shape is None or kind is None:
            continue
        count = math.prod(shape)
        samples += count
        claimed_bytes += count * np.dtype(_CLASSES.get(kind, "u1")).itemsize
        check_claim(samples, path, claimed_bytes=claimed_bytes)
        stored = parts[3] if len(parts) > 3 else None
        if kind == _CHAR_CLASS:
            arrays[name] = _text(stored, order)
            continue
        values = _values(stored, order)
        found = values[:count].astype(_CLASSES[kind], copy=False)
        if found.size == count:
            arrays[name] = found.reshape(shape, order="F")
        elif found.size and count == max(shape):
            arrays[name] = found
            remarks.append(f"the file is cut off: {found.size:,} of {count:,} values of {name!r} are there")
        elif is_cut or count:
            remarks.append(f"the file is cut off inside {name!r}, which is left out")
    return arrays, remarks


def _bodies(content: memoryview, order: str, path: Path) -> Iterator[tuple[memoryview, bool]]:
    """The inside of each array, unpacked, and whether it is shorter than it says."""
    unpacked = 0
    for element in _elements(content[_HEADER_BYTES:], order):
        if element.kind == _MATRIX:
            yield element.data, len(element.data) < element.promised
        elif element.kind == _COMPRESSED:
            unpacker = zlib.decompressobj()
            try:
                tag = unpacker.decompress(bytes(element.data), 8)
                kind, length = struct.unpack(f"{order}II", tag)
            except (zlib.error, struct.error):
                continue
            if kind != _MATRIX:
                continue
            if length > _DEFLATE_BEST * len(element.data):
                raise CaptureError(f"claims {length:,} bytes in {len(element.data):,} packed ones", path=path)
            unpacked += length
            check_unpacked(unpacked, path)
            try:
                body = unpacker.decompress(unpacker.unconsumed_tail, max(1, length))
            except zlib.error:
                continue
            yield memoryview(body), len(body) < length


def _elements(body: memoryview, order: str) -> Iterator[_Element]:
    at = 0
    while at + 8 <= len(body):
        first, second = struct.unpack(f"{order}II", body[at : at + 8])
        if first >> 16:  # Up to four bytes of data are kept in the tag itself.
            length = min(first >> 16, 4)
            yield _Element(first & 0xFFFF, length, body[at + 4 : at + 4 + length], at + 8)
            at += 8
            continue
        data = body[at + 8 : at + 8 + second]
        # Packed elements follow each other without padding.
        end = at + 8 + second + (0 if first == _COMPRESSED else -second % 8)
        yield _Element(first, second, data, end)
        at = end


def _head(parts: list[_Element], order: str) -> tuple[tuple[int, ...] | None, str | None, int | None]:
    """(shape, name, class) of an array that is wanted; None where it is complex, of another class, or damaged."""
    if len(parts) < 3 or len(parts[0].data) < 4:
        return None, None, None
    flags = struct.unpack(f"{order}I", parts[0].data[:4])[0]
    kind = flags & 0xFF
    if flags & _COMPLEX_FLAG or (kind not in _CLASSES and kind != _CHAR_CLASS):
        return None, None, None
    sizes = _values(parts[1], order)
    if not 1 <= sizes.size <= 8 or (sizes < 0).any():
        return None, None, None
    name = bytes(parts[2].data).split(b"\0")[0].decode("latin-1")
    return tuple(int(size) for size in sizes), name or None, kind


def _values(element: _Element | None, order: str) -> NDArray[Any]:
    if element is None or element.kind not in _STORED:
        return np.empty(0)
    dtype = np.dtype(f"{order}{_STORED[element.kind]}")
    return np.frombuffer(element.data, dtype=dtype, count=len(element.data) // dtype.itemsize)


def _text(element: _Element | None, order: str) -> str:
    if element is not None and element.kind == _UTF_8:
        return bytes(element.data[:4096]).decode("utf-8", errors="replace")
    codes = _values(element, order)[:4096]
    return "".join(chr(int(code)) for code in codes if 0 < code < 0x110000)
