"""The native writer: whole or not at all, and as small as the samples allow without loss."""

from __future__ import annotations

import io
from pathlib import Path

from vibe.core.capture import Capture
from vibe.storage.files import write_whole
from vibe.storage.hdf5_channel import write_channel


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
            write_channel(group, channel, gzip=4)
    return write_whole(path, buffer.getvalue(), force=force)
