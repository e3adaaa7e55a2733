"""HDF5, the native form: ``channels/<point>``, one row each, meaning in attributes."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import islice
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from vibe.core.capture import Capture
from vibe.core.errors import CaptureError
from vibe.ingest.capture_builder import MAX_SAMPLES, MOST_IN_PARTS, build_capture, check_claim, unique_names
from vibe.ingest.config.sidecar import Sidecar
from vibe.ingest.formats.columns import number, text
from vibe.ingest.raw_rows import RawCapture, RawChannel, Row
from vibe.storage.hdf5_guard import attribute, damaged_heap

_DEEPEST, _MOST_CHANNELS = 4, 1024
_AT_ONCE = 1 << 20
"""Samples from which on a row stays in the file until it is wanted."""
_LARGEST_CHUNK = 1 << 26
"""Bytes: to read one sample of a packed chunk all of it is unpacked."""
MAGIC = b"\x89HDF\r\n\x1a\n"

_NUMBERS = ("sample_rate_hz", "scale", "offset", "sensitivity_mv_per_g", "pulses_per_rev", "full_scale", "step")
_TEXTS = ("unit", "quantity", "axis", "recorded_unit")


def sniff(head: bytes, suffix: str) -> bool:
    """HDF5 begins with its own eight bytes (a MAT file of version 7.3 may too, then its suffix tells)."""
    return head.startswith(MAGIC) and suffix != ".mat"


def read(path: Path, sidecar: Sidecar | None) -> Capture:
    """Read the native form.

    Raises:
        CaptureError: no ``channels``, no usable channel, samples missing or outside the file.
    """
    import h5py

    if h5py.is_hdf5(path) and damaged_heap(path):
        raise CaptureError("is damaged: its texts cannot be read; copy it again from where it was recorded", path=path)
    with h5py.File(path, "r") as file:
        group = file.get("channels") if _is_own(file, "channels") else None
        if not isinstance(group, h5py.Group):
            there = ", ".join(map(str, sorted(file, key=str)[:8])) or "nothing"
            raise CaptureError(f"has no group 'channels'; it holds {there}", path=path)
        found = list(islice(_nodes(group), _MOST_CHANNELS + 1))
        if len(found) > _MOST_CHANNELS:
            raise CaptureError(f"holds more than {_MOST_CHANNELS} channels", path=path)
        check_claim(sum(int(node.size or 0) for _, node in found if _is_row(node)), path, MOST_IN_PARTS)
        channels = [_channel(name, node) for name, node in found]
        raw = RawCapture(
            channels=channels,
            drive=text(attribute(file, "drive")),
            measured_at=text(attribute(file, "measured_at")),
            speed_rpm=number(attribute(file, "speed_rpm", kinds="iufS")),
            load_percent=number(attribute(file, "load_percent", kinds="iufS")),
        )
    return build_capture(path, replace(raw, channels=unique_names(raw.channels)), sidecar)


def _is_own(group: Any, name: str) -> bool:
    """True where the name stands in this very file: links to other files are never followed."""
    import h5py

    return name in group and isinstance(group.get(name, getlink=True), h5py.HardLink)


def _is_row(node: Any) -> bool:
    import h5py

    return isinstance(node, h5py.Dataset) and node.dtype.kind in "iuf"


def _nodes(group: Any, prefix: str = "") -> Iterator[tuple[str, Any]]:
    """(name, dataset) below ``group``, sorted; a point ``drive end/radial`` is a dataset in a group.

    In place of a dataset that cannot be had stands the reason.
    """
    import h5py

    for name in sorted(group, key=str):
        if isinstance(name, bytes):
            yield prefix + name.decode("utf-8", "replace"), "has a name that is not UTF-8 text"
        elif not _is_own(group, name):
            yield prefix + name, "is a link to elsewhere, which is not followed"
        elif isinstance(node := group[name], h5py.Group):
            # Groups may be linked in a ring.
            if prefix.count("/") < _DEEPEST:
                yield from _nodes(node, f"{prefix}{name}/")
        else:
            yield prefix + name, node


def _channel(name: str, node: Any) -> RawChannel:
    nothing: NDArray[Any] = np.empty(0, dtype=np.float32)
    if isinstance(node, str):
        return RawChannel(name=name, samples=nothing, trouble=node)
    if not _is_row(node):
        return RawChannel(name=name, samples=nothing, trouble="holds no numbers")
    if node.shape is None or len(node.shape) != 1:
        return RawChannel(name=name, samples=nothing, trouble=f"must be one row of samples, not of shape {node.shape}")
    if node.external or node.is_virtual:
        return RawChannel(name=name, samples=nothing, trouble="keeps its samples in another file, which is not read")
    if node.chunks is not None and node.chunks[0] * node.dtype.itemsize > _LARGEST_CHUNK:
        mega = node.chunks[0] * node.dtype.itemsize >> 20
        trouble = f"keeps its samples in pieces of {mega:,} MB, which are too large to read: write it in smaller chunks"
        return RawChannel(name=name, samples=nothing, trouble=trouble)
    said: dict[str, Any] = {key: number(attribute(node, key, kinds="iufS")) for key in _NUMBERS}
    said |= {key: text(attribute(node, key)) for key in _TEXTS}
    promised = number(attribute(node, "samples_promised", kinds="iufS"))
    samples = _present(node)
    return RawChannel(name=name, samples=samples, promised=max(int(promised or 0), node.shape[0]), **said)


@dataclass(frozen=True)
class _InFile:
    """A row that is read slice by slice; the file is open only as long."""

    path: Path
    name: str
    size: int
    dtype: np.dtype[Any]

    def __getitem__(self, piece: slice) -> NDArray[Any]:
        import h5py

        with h5py.File(self.path, "r") as file:
            return file[self.name][piece]  # type: ignore[no-any-return]


def _present(node: Any) -> Row:
    """The samples that were written: a writer that was cut off leaves the tail, or pieces, without storage."""
    size = node.shape[0]
    if node.chunks is None:
        return _row(node, size) if node.id.get_storage_size() else np.empty(0, dtype=node.dtype)
    chunk = node.chunks[0]
    pieces = node.id.get_num_chunks()
    if pieces * chunk >= size:
        return _row(node, size)
    starts: list[int] = []
    node.id.chunk_iter(lambda info: starts.append(int(info.chunk_offset[0])))
    starts.sort()
    if not starts:
        return np.empty(0, dtype=node.dtype)
    end = min(size, starts[-1] + chunk)
    if len(starts) * chunk >= end:
        return _row(node, end)
    if end > MAX_SAMPLES:
        raise CaptureError(f"channel {node.name!r} has holes, and is too long to fill them")
    samples = np.full(end, np.nan)
    for start in starts:
        stop = min(start + chunk, end)
        samples[start:stop] = node[start:stop]
    return samples


def _row(node: Any, size: int) -> Row:
    if size > _AT_ONCE:
        return _InFile(Path(node.file.filename), node.name, size, node.dtype)
    return node[:size]  # type: ignore[no-any-return]
