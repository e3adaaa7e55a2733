"""The native writer: whole or not at all, and as small as the samples allow without loss."""

from __future__ import annotations

import io
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from vibe.core.capture import Capture, Channel, Quantity
from vibe.core.files import write_whole

_UNITS: dict[Quantity, str] = {"acceleration": "m/s^2", "velocity": "m/s", "displacement": "m", "tachometer": ""}
_CHUNK = 65_536


def write_hdf5(capture: Capture, path: Path, *, force: bool = False) -> Path:
    """Write ``capture`` in the native form.

    Samples that are whole multiples of the recorder's step are kept as integers with that scale; all others as
    float32. Reading back gives the very same samples. The same capture gives the same bytes.

    Raises:
        OutputError: the file is there and ``force`` is not given, or the folder cannot be written.
    """
    import h5py

    buffer = io.BytesIO()
    with h5py.File(buffer, "w", track_order=True) as file:
        for key, value in (
            ("drive", capture.drive),
            ("measured_at", None if capture.measured_at is None else capture.measured_at.isoformat()),
            ("speed_rpm", capture.speed_rpm),
            ("load_percent", capture.load_percent),
        ):
            if value is not None:
                file.attrs[key] = value
        group = file.create_group("channels", track_order=True)
        for channel in capture.channels:
            _write(group, channel)
    return write_whole(path, buffer.getvalue(), force=force)


def _write(group: Any, channel: Channel) -> None:
    counts = _counts(channel)
    data = channel.samples if counts is None else counts
    options: dict[str, Any] = {}
    if data.size:
        options = {"chunks": (min(_CHUNK, data.size),), "compression": "gzip", "compression_opts": 4, "shuffle": True}
    # A slash makes a group, which reads back as the same name; only names that HDF5 would bend are changed.
    parts = channel.name.split("/")
    name = channel.name if all(part not in ("", ".", "..") for part in parts) else "_".join(parts) + "_"
    node = group.create_dataset(name, data=data, **options)
    for key, value in (
        ("sample_rate_hz", channel.sample_rate_hz),
        ("unit", _UNITS[channel.quantity] or channel.recorded_unit),
        ("quantity", channel.quantity),
        ("recorded_unit", channel.recorded_unit or None),
        ("scale", None if counts is None else channel.step),
        ("step", channel.step),
        ("full_scale", channel.full_scale),
        ("pulses_per_rev", channel.pulses_per_rev),
        ("axis", channel.axis),
    ):
        if value is not None:
            node.attrs[key] = value


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
