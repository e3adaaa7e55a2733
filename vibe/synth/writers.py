"""A capture to a file: the native form, and the forms that loggers and analysers leave behind.

What a form cannot say goes into a sidecar ``<file>.toml``. Samples are kept as whole numbers with a scale, as a
recorder of 16 bits (24 in WAV, when asked) would; missing samples need floating point.
"""

from __future__ import annotations

import io
import struct
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from vibe.core.capture import TURNING, Capture, Channel, Quantity
from vibe.core.errors import CallError, OutputError
from vibe.storage.files import write_whole
from vibe.synth.toml_text import toml_value

_UNITS: dict[Quantity, str] = {"acceleration": "m/s^2", "velocity": "m/s", "displacement": "m", "tachometer": "V",
    "signed pulses": "V", "angle": "turn",
}  # fmt: skip


def write_capture(capture: Capture, path: Path, *, force: bool = False, bits: int = 16) -> Path:
    """Write ``capture`` in the form that the name's ending asks for, its sidecar next to it; returns ``path``.

    ``.h5`` ``.hdf5`` native · ``.csv`` · ``.wav`` (``bits`` 16 or 24) · ``.npz`` · ``.mat`` (version 5;
    ``.v73.mat`` version 7.3) · ``.uff`` ``.unv`` (ASCII data set 58) · ``.parquet``.

    Raises:
        CallError: another ending, or a form that cannot hold this capture.
        OutputError: a file is there and ``force`` is not given, or the folder cannot be written.
    """
    name = path.name.lower()
    ending = ".v73.mat" if name.endswith(".v73.mat") else path.suffix.lower()
    maker = _MAKERS.get(ending)
    if maker is None:
        raise CallError(f"cannot write {path.name}: the ending must be one of {', '.join(sorted(_MAKERS))}")
    if bits not in (16, 24):
        raise CallError(f"bits {bits} must be 16 or 24")
    content, described = maker(capture, bits)
    sidecar = path.with_name(path.name + ".toml")
    if described is not None and sidecar.exists() and not force:
        raise OutputError(f"{sidecar} exists already; give --force to replace it, or another --out")
    write_whole(path, content, force=force)
    if described is not None:
        write_whole(sidecar, _sidecar(capture, described), force=force)
    return path


Described = dict[str, dict[str, object]]
"""Per channel, what the sidecar says of it."""


def counts(channel: Channel, bits: int = 16) -> tuple[NDArray[Any], float | None, float]:
    """Whole numbers, their scale and the range; float32 and None where samples are missing."""
    samples = np.asarray(channel.samples, dtype=np.float64)
    largest = float(np.nanmax(np.abs(samples))) if np.isfinite(samples).any() else 0.0
    full_scale = channel.full_scale if channel.full_scale is not None else max(largest, 1e-6)
    if not np.isfinite(samples).all():
        return channel.samples, None, full_scale
    most = 2 ** (bits - 1) - 1
    scale = full_scale / most
    rounded = np.clip(np.rint(samples / scale), -most, most)
    return rounded.astype(np.int16 if bits == 16 else np.int32), scale, full_scale


def _about(channel: Channel, **more: object) -> dict[str, object]:
    about: dict[str, object] = {
        "sample_rate_hz": float(channel.sample_rate_hz),
        "unit": _UNITS[channel.quantity],
        "quantity": channel.quantity,
    }
    if channel.pulses_per_rev is not None:
        about["pulses_per_rev"] = float(channel.pulses_per_rev)
    if channel.axis is not None:
        about["axis"] = channel.axis
    return about | {key: value for key, value in more.items() if value is not None}


def _head(capture: Capture) -> dict[str, object]:
    head = {
        "drive": capture.drive,
        "measured_at": None if capture.measured_at is None else capture.measured_at.isoformat(),
        "speed_rpm": capture.speed_rpm,
        "load_percent": capture.load_percent,
    }
    return {key: value for key, value in head.items() if value is not None}


def _sidecar(capture: Capture, described: Described) -> str:
    lines = [f"{key} = {toml_value(value)}" for key, value in _head(capture).items()]
    for name, about in described.items():
        lines += [
            "",
            f"[channels.{toml_value(name)}]",
            *(f"{key} = {toml_value(value)}" for key, value in about.items()),
        ]
    return "\n".join(lines) + "\n"


def _same_length(capture: Capture, form: str) -> float:
    """The common rate of all channels; forms of one table need it."""
    rates = {channel.sample_rate_hz for channel in capture.channels}
    if len(rates) > 1 or len({channel.samples.size for channel in capture.channels}) > 1:
        raise CallError(f"{form} holds one sample rate; this capture has channels of different rates or lengths")
    return rates.pop()


def _hdf5(capture: Capture, bits: int) -> tuple[bytes, Described | None]:  # noqa: ARG001
    import h5py

    buffer = io.BytesIO()
    with h5py.File(buffer, "w", track_order=True) as file:
        for key, value in _head(capture).items():
            file.attrs[key] = value
        group = file.create_group("channels", track_order=True)
        for channel in capture.channels:
            data, scale, full_scale = counts(channel)
            node = group.create_dataset(
                channel.name,
                data=data,
                chunks=(min(65_536, data.size),),
                compression="gzip",
                compression_opts=1,
                shuffle=True,
                track_times=False,
            )
            for key, value in _about(channel, scale=scale, full_scale=full_scale).items():
                node.attrs[key] = value
    return buffer.getvalue(), None


def _csv(capture: Capture, bits: int) -> tuple[bytes, Described | None]:  # noqa: ARG001
    rate = _same_length(capture, "CSV")
    lines = [f"# {key} = {value}" for key, value in _head(capture).items()]
    for channel in capture.channels:
        if channel.quantity in TURNING:
            lines += [f"# {channel.name}.{key} = {value}" for key, value in _about(channel).items() if key != "unit"]
    header = ["time_s", *(f"{channel.name} [{_UNITS[channel.quantity]}]" for channel in capture.channels)]
    lines.append(",".join(header))
    table = [[f"{i / rate:.7f}" for i in range(capture.channels[0].samples.size)]]
    for channel in capture.channels:
        data, scale, _ = counts(channel)
        values = data if scale is None else data * scale
        table.append(["" if np.isnan(value) else f"{value:.4f}" for value in values])
    lines += [",".join(row) for row in zip(*table, strict=True)]
    return ("\n".join(lines) + "\n").encode(), None


def _wav(capture: Capture, bits: int) -> tuple[bytes, Described | None]:
    rate = _same_length(capture, "WAV")
    if rate != round(rate):
        raise CallError(f"WAV holds whole sample rates, not {rate} Hz")
    tracks, described = [], {}
    for number, channel in enumerate(capture.channels):
        data, scale, _ = counts(channel, bits)
        if scale is None:
            raise CallError(f"WAV of {bits} bits cannot hold missing samples (channel {channel.name!r})")
        tracks.append(data.astype("<i4"))
        about = _about(channel, scale=scale)
        del about["sample_rate_hz"]
        described[channel.name] = {"source": number} | about
    frames = np.stack(tracks, axis=1)
    if bits == 16:
        block = frames.astype("<i2").tobytes()
    else:
        block = np.ascontiguousarray(frames).view(np.uint8).reshape(-1, 4)[:, :3].tobytes()
    width = bits // 8 * len(tracks)
    shape = struct.pack("<4sIHHIIHH", b"fmt ", 16, 1, len(tracks), round(rate), round(rate) * width, width, bits)
    pad = b"\0" * (len(block) % 2)
    body = b"WAVE" + shape + struct.pack("<4sI", b"data", len(block)) + block + pad
    return struct.pack("<4sI", b"RIFF", len(body)) + body, described


def _names(capture: Capture) -> dict[str, str]:
    """Channel name -> variable name of letters, digits and underscores, none twice."""
    names: dict[str, str] = {}
    for channel in capture.channels:
        plain = "".join(c if c.isascii() and c.isalnum() else "_" for c in channel.name)[:50] or "channel"
        plain = plain if plain[0].isalpha() else f"c{plain}"
        while plain in names.values():
            plain += "_"
        names[channel.name] = plain
    return names


def _arrays(capture: Capture) -> tuple[dict[str, NDArray[Any]], Described]:
    arrays: dict[str, NDArray[Any]] = {}
    described: Described = {}
    for channel in capture.channels:
        data, scale, full_scale = counts(channel)
        variable = _names(capture)[channel.name]
        arrays[variable] = data
        described[channel.name] = {"source": variable} | _about(channel, scale=scale, full_scale=full_scale)
    return arrays, described


def _npz(capture: Capture, bits: int) -> tuple[bytes, Described | None]:  # noqa: ARG001
    arrays, described = _arrays(capture)
    buffer = io.BytesIO()
    np.savez_compressed(buffer, allow_pickle=False, **arrays)
    return buffer.getvalue(), described


def _mat5(capture: Capture, bits: int) -> tuple[bytes, Described | None]:  # noqa: ARG001
    from scipy.io import savemat

    arrays, described = _arrays(capture)
    buffer = io.BytesIO()
    target: Any = buffer
    savemat(target, arrays, do_compression=True, oned_as="column")
    content = bytearray(buffer.getvalue())
    # The first 116 bytes are free text, into which the writer puts the date: keep the file the same every time.
    content[:116] = b"MATLAB 5.0 MAT-file, vibration capture".ljust(116)
    return bytes(content), described


def _mat73(capture: Capture, bits: int) -> tuple[bytes, Described | None]:  # noqa: ARG001
    import h5py

    arrays, described = _arrays(capture)
    buffer = io.BytesIO()
    with h5py.File(buffer, "w", userblock_size=512) as file:
        for name, data in arrays.items():
            node = file.create_dataset(
                name, data=data[None, :], compression="gzip", compression_opts=1, shuffle=True,
                chunks=(1, min(65_536, data.size)), track_times=False,
            )  # fmt: skip
            node.attrs["MATLAB_class"] = np.bytes_("int16" if data.dtype == np.int16 else "single")
    content = bytearray(buffer.getvalue())
    head = b"MATLAB 7.3 MAT-file, vibration capture".ljust(116) + bytes(8) + b"\x00\x02IM"
    content[: len(head)] = head
    return bytes(content), described


_UFF_KIND: dict[Quantity, int] = {"acceleration": 12, "velocity": 11, "displacement": 8, "tachometer": 0,
    "signed pulses": 0, "angle": 0,
}  # fmt: skip


def _uff58(capture: Capture, bits: int) -> tuple[bytes, Described | None]:  # noqa: ARG001
    """Universal file, one data set 58 per channel, real single precision at even spacing, as text.

    Field widths after the public description of universal file formats, from memory of it.
    """
    sets: list[str] = []
    described: Described = {}
    when = "NONE" if capture.measured_at is None else capture.measured_at.strftime("%d-%b-%y %H:%M:%S")
    for number, channel in enumerate(capture.channels, start=1):
        data, scale, full_scale = counts(channel)
        values = np.asarray(data, dtype=np.float64) * (scale or 1.0)
        kind, unit = _UFF_KIND[channel.quantity], _UNITS[channel.quantity]
        entity = channel.name[:10]
        lines = [
            "    -1",
            "    58",
            channel.name[:80],
            "NONE",
            when,
            f"drive {capture.drive or 'unknown'}"[:80],
            "NONE",
            f"{1:5d}{number:10d}{1:5d}{0:10d} {entity:<10s}{number:10d}{0:4d} {'NONE':<10s}{0:10d}{0:4d}",
            f"{2:10d}{values.size:10d}{1:10d}{0.0:13.5E}{1.0 / channel.sample_rate_hz:13.5E}{0.0:13.5E}",
            f"{17:10d}{0:5d}{0:5d}{0:5d} {'Time':<20s} {'s':<20s}",
            f"{kind:10d}{0:5d}{0:5d}{0:5d} {channel.quantity:<20s} {unit:<20s}",
            f"{0:10d}{0:5d}{0:5d}{0:5d} {'NONE':<20s} {'NONE':<20s}",
            f"{0:10d}{0:5d}{0:5d}{0:5d} {'NONE':<20s} {'NONE':<20s}",
        ]
        text = [f"{value:13.5E}" for value in values]
        lines += ["".join(text[i : i + 6]) for i in range(0, len(text), 6)]
        lines.append("    -1")
        sets.append("\n".join(lines))
        about = _about(channel, full_scale=full_scale)
        described[channel.name] = {"source": number - 1} | about
    return ("\n".join(sets) + "\n").encode("ascii", "replace"), described


def _parquet(capture: Capture, bits: int) -> tuple[bytes, Described | None]:  # noqa: ARG001
    import pyarrow as pa
    import pyarrow.parquet as pq

    _same_length(capture, "Parquet")
    arrays, described = _arrays(capture)
    buffer = io.BytesIO()
    pq.write_table(pa.table(arrays), buffer, compression="zstd", use_dictionary=False)
    return buffer.getvalue(), described


_MAKERS: dict[str, Callable[[Capture, int], tuple[bytes, Described | None]]] = {
    ".h5": _hdf5,
    ".hdf5": _hdf5,
    ".csv": _csv,
    ".wav": _wav,
    ".npz": _npz,
    ".mat": _mat5,
    ".v73.mat": _mat73,
    ".uff": _uff58,
    ".unv": _uff58,
    ".parquet": _parquet,
}
