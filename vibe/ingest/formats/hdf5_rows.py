"""HDF5 files, the library's side: rows and texts of the native form, arrays of MAT 7.3. Called in the reading process.

The library may end its process on a damaged file, and h5py sets aside what a file claims: nothing here is called but
through ``fenced``, and everything is held against the budget in ``claims.py`` before it is read.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import islice
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from vibe.core.errors import CaptureError
from vibe.ingest.claims import MAX_SAMPLES, MOST_CHANNELS, MOST_IN_PARTS, check_claim
from vibe.ingest.formats.columns import number, text
from vibe.ingest.raw_rows import RawCapture, RawChannel, Row
from vibe.storage.fence import fenced
from vibe.storage.hdf5_guard import attribute, damaged_heap

_DEEPEST = 4
"""Groups inside groups in which rows are looked for (our choice)."""
_AT_ONCE = 1 << 20
"""Samples from which on a row stays in the file until it is wanted."""
_HELD_BYTES = 1 << 26
"""Bytes of all rows from which on the next ones stay in the file until they are wanted."""
_LARGEST_CHUNK = 1 << 26
"""Bytes: to read one sample of a packed chunk all of it is unpacked."""

_NUMBERS = ("sample_rate_hz", "scale", "offset", "sensitivity_mv_per_g", "pulses_per_rev", "full_scale", "step")
_TEXTS = ("unit", "quantity", "axis", "recorded_unit")
_MATLAB_NUMBERS = {
    "double", "single", "int8", "uint8", "int16", "uint16", "int32", "uint32", "int64", "uint64"
}  # fmt: skip
_DAMAGED_TEXTS = "is damaged: its texts cannot be read; copy it again from where it was recorded"


def native_rows(path: Path) -> RawCapture:
    """All that a file of the native form says, with its rows; long rows stay in the file.

    Raises:
        CaptureError: no ``channels``, too many of them, or more claimed than the file can hold.
    """
    import h5py

    if h5py.is_hdf5(path) and damaged_heap(path):
        raise CaptureError(_DAMAGED_TEXTS, path=path)
    with h5py.File(path, "r", locking=False) as file:
        group = file.get("channels") if _is_own(file, "channels") else None
        if not isinstance(group, h5py.Group):
            there = ", ".join(map(str, sorted(file, key=str)[:8])) or "nothing"
            raise CaptureError(f"has no group 'channels'; it holds {there}", path=path)
        found = list(islice(_nodes(group, set()), MOST_CHANNELS + 1))
        if len(found) > MOST_CHANNELS:
            raise CaptureError(f"holds more than {MOST_CHANNELS:,} channels", path=path)
        rows = [node for _, node in found if _is_row(node) and not _chunk_trouble(node)]
        samples, claimed_bytes = sum(map(_stored, rows)), sum(_stored(node) * node.dtype.itemsize for node in rows)
        check_claim(samples, path, MOST_IN_PARTS, claimed_bytes=claimed_bytes)
        channels: list[RawChannel] = []
        held = 0
        for name, node in found:
            channels.append(_channel(name, node, held))
            held += getattr(channels[-1].samples, "nbytes", 0)
        return RawCapture(
            channels=channels,
            drive=text(attribute(file, "drive")),
            measured_at=text(attribute(file, "measured_at")),
            speed_rpm=number(attribute(file, "speed_rpm", kinds="iufS")),
            load_percent=number(attribute(file, "load_percent", kinds="iufS")),
        )


def part_of_row(path: Path, name: str, first: int, last: int) -> NDArray[Any]:
    """Samples ``first`` to ``last`` of one row, as they are stored."""
    import h5py

    with h5py.File(path, "r", locking=False) as file:
        return file[name][first:last]  # type: ignore[no-any-return]


def matlab_arrays(path: Path) -> dict[str, Any]:
    """Numeric arrays and texts of a MAT file of version 7.3, by name, axes in MATLAB's order.

    Raises:
        CaptureError: damaged, or more claimed than the file can hold.
    """
    import h5py

    if h5py.is_hdf5(path) and damaged_heap(path):
        raise CaptureError(_DAMAGED_TEXTS, path=path)
    arrays: dict[str, Any] = {}
    with h5py.File(path, "r", locking=False) as file:
        found = list(islice(_matlab_nodes(file), MOST_CHANNELS + 1))
        if len(found) > MOST_CHANNELS:
            raise CaptureError(f"holds more than {MOST_CHANNELS:,} arrays", path=path)
        sizes = [int(node.size or 0) for _, node in found]
        claimed_bytes = sum(size * node.dtype.itemsize for size, (_, node) in zip(sizes, found, strict=True))
        check_claim(sum(sizes), path, claimed_bytes=claimed_bytes)
        for name, node in found:
            kind = attribute(node, "MATLAB_class") or b"double"
            kind = kind.decode() if isinstance(kind, bytes) else str(kind)
            if node.id.get_storage_size() == 0 or (kind not in _MATLAB_NUMBERS and kind != "char"):
                continue
            if trouble := _chunk_trouble(node):
                raise CaptureError(f"array {name!r} {trouble}", path=path)
            value = node[()].T  # MATLAB counts its axes the other way round.
            # Text is stored as one number per character.
            arrays[name] = _letters(value) if kind == "char" else value
    return arrays


def _letters(codes: NDArray[Any]) -> str:
    """Text out of one number per character; numbers that are none are left out."""
    kept = codes.reshape(-1)[:4096]
    return "".join(chr(int(code)) for code in kept if 0 < code < 0x110000)


def _matlab_nodes(file: Any) -> Iterator[tuple[str, Any]]:
    import h5py

    seen: set[int] = set()
    for name in sorted(file, key=str):
        if isinstance(file.get(name, getlink=True), h5py.HardLink):
            node = file[name]
            if (
                isinstance(node, h5py.Dataset)
                and node.dtype.kind in "iuf"
                and not node.external
                and not node.is_virtual
                and _is_new(node, seen)
            ):
                yield name, node


def _is_new(node: Any, seen: set[int]) -> bool:
    """Whether what a name leads to was not come to by another name; it is noted."""
    import h5py

    place = int(h5py.h5o.get_info(node.id).addr)
    is_new = place not in seen
    seen.add(place)
    return is_new


def _stored(node: Any) -> int:
    """Samples for which a file has storage: a recorder may set a place aside for more than it came to write."""
    size = int(node.size or 0)
    if node.chunks is None:
        return size
    return min(size, int(node.id.get_num_chunks()) * int(np.prod(node.chunks, dtype=object)))


def _chunk_trouble(node: Any) -> str | None:
    """What is said of a row whose pieces are too large to be unpacked for a few samples."""
    largest = 0 if node.chunks is None else int(np.prod(node.chunks, dtype=object)) * node.dtype.itemsize
    if largest <= _LARGEST_CHUNK:
        return None
    return (
        f"keeps its samples in pieces of {largest >> 20:,} MB, which are too large to read: write it in smaller chunks"
    )


def _is_own(group: Any, name: str) -> bool:
    """True where the name stands in this very file: links to other files are never followed."""
    import h5py

    return name in group and isinstance(group.get(name, getlink=True), h5py.HardLink)


def _is_row(node: Any) -> bool:
    import h5py

    return isinstance(node, h5py.Dataset) and node.dtype.kind in "iuf"


def _nodes(group: Any, seen: set[int], prefix: str = "") -> Iterator[tuple[str, Any]]:
    """(name, dataset) below ``group``, sorted; a point ``drive end/radial`` is a dataset in a group.

    In place of a dataset that cannot be had stands the reason. ``seen`` holds what was come to: names may lead in a
    ring, or by the thousand to one place.
    """
    import h5py

    for name in sorted(group, key=str):
        if isinstance(name, bytes):
            yield prefix + name.decode("utf-8", "replace"), "has a name that is not UTF-8 text"
        elif not _is_own(group, name):
            yield prefix + name, "is a link to elsewhere, which is not followed"
        elif not _is_new(node := group[name], seen):
            if isinstance(node, h5py.Dataset):
                yield prefix + name, "is another name of samples that are read already"
        elif isinstance(node, h5py.Group):
            if prefix.count("/") < _DEEPEST:
                yield from _nodes(node, seen, f"{prefix}{name}/")
        else:
            yield prefix + name, node


def _channel(name: str, node: Any, held_bytes: int) -> RawChannel:
    nothing: NDArray[Any] = np.empty(0, dtype=np.float32)
    if isinstance(node, str):
        return RawChannel(name=name, samples=nothing, trouble=node)
    if not _is_row(node):
        return RawChannel(name=name, samples=nothing, trouble="holds no numbers")
    if node.shape is None or len(node.shape) != 1:
        return RawChannel(name=name, samples=nothing, trouble=f"must be one row of samples, not of shape {node.shape}")
    if node.external or node.is_virtual:
        return RawChannel(name=name, samples=nothing, trouble="keeps its samples in another file, which is not read")
    if trouble := _chunk_trouble(node):
        return RawChannel(name=name, samples=nothing, trouble=trouble)
    said: dict[str, Any] = {key: number(attribute(node, key, kinds="iufS")) for key in _NUMBERS}
    said |= {key: text(attribute(node, key)) for key in _TEXTS}
    promised = number(attribute(node, "samples_promised", kinds="iufS"))
    samples = _present(node, _AT_ONCE if held_bytes < _HELD_BYTES else 0)
    return RawChannel(name=name, samples=samples, promised=max(int(promised or 0), node.shape[0]), **said)


@dataclass(frozen=True)
class _InFile:
    """A row that is read slice by slice; the file is open only as long."""

    path: Path
    name: str
    size: int
    dtype: np.dtype[Any]

    def __getitem__(self, piece: slice) -> NDArray[Any]:
        first, last, _ = piece.indices(self.size)
        return fenced(part_of_row, self.path, self.name, first, last)


def _present(node: Any, at_once: int) -> Row:
    """The samples that were written: a writer that was cut off leaves the tail, or pieces, without storage."""
    size = node.shape[0]
    if node.chunks is None:
        return _row(node, size, at_once) if node.id.get_storage_size() else np.empty(0, dtype=node.dtype)
    chunk = node.chunks[0]
    pieces = node.id.get_num_chunks()
    if pieces * chunk >= size:
        return _row(node, size, at_once)
    starts: list[int] = []
    node.id.chunk_iter(lambda info: starts.append(int(info.chunk_offset[0])))
    starts.sort()
    if not starts:
        return np.empty(0, dtype=node.dtype)
    end = min(size, starts[-1] + chunk)
    if len(starts) * chunk >= end:
        return _row(node, end, at_once)
    if end > MAX_SAMPLES:
        raise CaptureError(f"channel {node.name!r} has holes, and is too long to fill them")
    samples = np.full(end, np.nan)
    for start in starts:
        stop = min(start + chunk, end)
        samples[start:stop] = node[start:stop]
    return samples


def _row(node: Any, size: int, at_once: int) -> Row:
    if size > at_once:
        return _InFile(Path(node.file.filename), node.name, size, node.dtype)
    return node[:size]  # type: ignore[no-any-return]
