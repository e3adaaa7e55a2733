"""Texts in HDF5 files, looked at before the library does: a damaged heap of texts would hold it for ever.

HDF5 keeps texts of free length in "global heap collections": ``GCOL``, version 1, three bytes of zero, the size of the
whole in eight bytes, then objects of index (2 bytes), count (2), nothing (4), size (8) and data to the next multiple of
8 bytes.
Index 0 is what is free; its size counts its own head, so one that says 0 is never left behind by whoever walks the
objects. (HDF5 File Format Specification 3.0, III.E, The HDF Group.)
"""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

_MARK = b"GCOL\x01\x00\x00\x00"
_HEAD, _OBJECT = 16, 16
"""Bytes of the heads of a heap and of an object in it (HDF5 File Format Specification, global heap)."""
_PIECE = 1 << 22
"""Bytes that are read at once, 4 MiB."""
_MOST_SAID = 1 << 16
"""Bytes of one attribute; a longer one says nothing of a capture."""


def damaged_heap(path: Path) -> bool:
    """Whether some heap of texts in the file cannot be walked from its beginning to its end.

    Raises:
        OSError: the file cannot be read.
    """
    with path.open("rb") as stream:
        start, kept = 0, b""
        while piece := stream.read(_PIECE):
            content = kept + piece
            at = content.find(_MARK)
            while at >= 0:
                if not _can_be_walked(path, start + at):
                    return True
                at = content.find(_MARK, at + 1)
            kept = content[-len(_MARK) + 1 :]
            start += len(content) - len(kept)
    return False


def _can_be_walked(path: Path, start: int) -> bool:
    with path.open("rb") as stream:
        stream.seek(start)
        size = int.from_bytes(stream.read(_HEAD)[8:], "little")
        if start + size > path.stat().st_size:
            return True  # The library refuses it: it lies outside the file.
        heap = stream.read(size - _HEAD) if size > _HEAD else b""
    at = 0
    while at + _OBJECT <= len(heap):
        index = int.from_bytes(heap[at : at + 2], "little")
        used = int.from_bytes(heap[at + 8 : at + 16], "little")
        if index == 0:
            # What is free is the last, and fills the collection: whoever finds more behind it walks on over zeros.
            return used >= _OBJECT and at + used == len(heap)
        at += _OBJECT + used + -used % 8
    return at <= len(heap)


def attribute(node: Any, name: str, *, kinds: str = "iufbSUO") -> Any:
    """An attribute of an h5py object; None where there is none, where it is not of the ``kinds`` that are wanted
    (numpy's letters), or where it claims to be larger than any is.

    h5py sets memory aside for what an attribute claims before it looks whether that is in the file.
    """
    if name not in node.attrs:
        return None
    found = node.attrs.get_id(name)
    if found.dtype.kind not in kinds or math.prod(found.shape or ()) * found.dtype.itemsize > _MOST_SAID:
        return None
    return node.attrs[name]
