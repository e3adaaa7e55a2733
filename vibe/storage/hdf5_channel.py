"""One channel in the native form, HDF5: as small as the samples allow without loss."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from vibe.core.capture import Channel, Quantity

_UNITS: dict[Quantity, str] = {"acceleration": "m/s^2", "velocity": "m/s", "displacement": "m", "tachometer": "",
    "signed pulses": "", "angle": "turn",
}  # fmt: skip
_CHUNK = 65_536


def write_channel(group: Any, channel: Channel, *, gzip: int) -> Any:
    """Write ``channel`` into an open HDF5 group, packed at level ``gzip``; the dataset that was made.

    Samples that are whole multiples of the recorder's step are kept as integers with that scale; all others as
    float32. Reading back gives the very same samples.
    """
    counts = _counts(channel)
    data = channel.samples if counts is None else counts
    options: dict[str, Any] = {}
    if data.size:
        options = {"chunks": (min(_CHUNK, data.size),), "compression": "gzip", "compression_opts": gzip}
        options["shuffle"] = True
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
    return node


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
