"""One channel in the native form, HDF5: as small as the samples allow without loss."""

from __future__ import annotations

import zlib
from collections.abc import Mapping
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from vibe.core.capture import Channel, Quantity

_UNITS: dict[Quantity, str] = {"acceleration": "m/s^2", "velocity": "m/s", "displacement": "m", "tachometer": "",
    "signed pulses": "", "angle": "turn",
}  # fmt: skip
_CHUNK = 65_536
_QUICKEST = 1
"""Level of gzip."""


def write_channel(group: Any, channel: Channel, *, gzip: int | None) -> tuple[Any, NDArray[Any]]:
    """Write ``channel`` into an open HDF5 group, packed at level ``gzip``; the dataset that was made, and the numbers
    (n,) that were written into it. None: as gzip packs noise, in half the time and no larger.

    Samples that are whole multiples of the recorder's step are kept as integers with that scale; all others as
    float32. Reading back gives the very same samples.
    """
    counts = _counts(channel)
    data = channel.samples if counts is None else counts
    options: dict[str, Any] = {}
    if data.size:
        options = {"chunks": (min(_CHUNK, data.size),), "compression": "gzip", "shuffle": True}
        options["compression_opts"] = _QUICKEST if gzip is None else gzip
    # A slash makes a group, which reads back as the same name; only names that HDF5 would bend are changed.
    parts = channel.name.split("/")
    name = channel.name if all(part not in ("", ".", "..") for part in parts) else "_".join(parts) + "_"
    if gzip is None and data.size:
        node = group.create_dataset(name, shape=data.shape, dtype=data.dtype, **options)
        _write_noise(node, data)
    else:
        node = group.create_dataset(name, data=data, **options)
    write_attributes(
        node,
        {
            "sample_rate_hz": channel.sample_rate_hz,
            "unit": _UNITS[channel.quantity] or channel.recorded_unit,
            "quantity": channel.quantity,
            "recorded_unit": channel.recorded_unit or None,
            "scale": None if counts is None else channel.step,
            "step": channel.step,
            "full_scale": channel.full_scale,
            "pulses_per_rev": channel.pulses_per_rev,
            "axis": channel.axis,
        },
    )
    return node, data


def write_attributes(node: Any, said: Mapping[str, str | float | None]) -> None:
    """New attributes of an h5py object, texts and numbers, those that are None left out.

    The same as ``node.attrs[name] = value``, which takes three times as long: a kept capture has thirty.
    """
    from h5py import h5a

    kinds, one = _attribute_kinds()
    for name, value in said.items():
        if (kind := kinds.get(type(value))) is not None:
            stored, dtype = kind
            h5a.create(node.id, name.encode(), stored, one).write(np.array(value, dtype=dtype))
        elif value is not None:
            node.attrs[name] = value


@lru_cache(maxsize=1)
def _attribute_kinds() -> tuple[dict[type, tuple[Any, np.dtype[Any]]], Any]:
    """How a text and a number are stored, as HDF5 and as numpy call it, and that there is one of them: each takes as
    long to make as an attribute."""
    from h5py import h5s, h5t, string_dtype

    kinds = {str: h5t.py_create(string_dtype(), logical=True), float: h5t.NATIVE_DOUBLE}
    return {kind: (stored, stored.dtype) for kind, stored in kinds.items()}, h5s.create(h5s.SCALAR)


def _write_noise(node: Any, data: NDArray[Any]) -> None:
    """Write ``data`` (n,) chunk by chunk. Noise repeats nothing but runs of zeros in its highest bytes, so that for
    nothing else is looked (deflate's strategy of run lengths; any reader of gzip reads it)."""
    (size,) = node.chunks
    for start in range(0, data.size, size):
        chunk = np.zeros(size, dtype=data.dtype)
        piece = data[start : start + size]
        chunk[: piece.size] = piece
        by_place = chunk.view(np.uint8).reshape(size, -1).T.tobytes()
        packer = zlib.compressobj(_QUICKEST, zlib.DEFLATED, zlib.MAX_WBITS, zlib.DEF_MEM_LEVEL, zlib.Z_RLE)
        node.id.write_direct_chunk((start,), packer.compress(by_place) + packer.flush())


def _counts(channel: Channel) -> NDArray[Any] | None:
    """Integers that give back exactly these samples, None where there are none."""
    if channel.step is None or not channel.samples.size:
        return None
    counts = np.rint(channel.samples.astype(np.float64) / channel.step)
    largest = float(np.abs(counts).max())
    if not largest < 2**31 - 1:  # NaN too
        return None
    if not np.array_equal((counts * channel.step).astype(np.float32), channel.samples):
        return None
    return counts.astype(np.int16 if largest < 2**15 - 1 else np.int32)
