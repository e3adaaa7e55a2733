"""One file per capture: its samples in the native form, its thinned spectra, and all else that is kept of it.

The file alone can give back every row of the capture in the database. Each part carries its own SHA-256.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import Any, Literal, TypeVar, get_args

import numpy as np
from numpy.typing import NDArray

from vibe.core.capture import Channel, Quantity
from vibe.core.comb_history import PastCapture
from vibe.core.errors import CaptureError
from vibe.core.records.history import ArchivedSpectrum, Kept, Record, Value
from vibe.history.stored_traces import arrays_of, past_from
from vibe.storage.fence import fenced
from vibe.storage.hdf5_channel import write_attributes, write_channel
from vibe.storage.hdf5_guard import attribute, damaged_heap
from vibe.storage.json_text import json_value

T = TypeVar("T")

FORMAT = "vibe.kept/1"
PACKED = 1
"""Level of gzip of all but samples: the best of time against size."""
PIECE_BYTES = 1 << 18
"""Up to which what is kept next to the samples is packed in one piece."""
_SHA256 = "sha256"


def packed(record: Record, channels: Sequence[Channel]) -> bytes:
    """The bytes of a capture's file; without channels it is a thinned one."""
    import h5py

    # In memory: the name is never one on a disk.
    with h5py.File("kept", "w", driver="core", backing_store=False, track_order=True) as file:
        write_attributes(
            file,
            {
                "format": FORMAT,
                "content": record.content,
                "drive": record.drive,
                "measured_at": record.measured_at.isoformat(),
                "speed_rpm": None if record.speed_hz is None else 60.0 * record.speed_hz,
                "load_percent": record.load_percent,
            },
        )
        if channels:
            group = file.create_group("channels", track_order=True)
            for channel in channels:
                node, stored = write_channel(group, channel, gzip=None)
                # Names that HDF5 would bend are written otherwise; this one is the point's.
                write_attributes(node, {"point": channel.name, _SHA256: _hash(stored)})
        spectra = file.create_group("spectra", track_order=True)
        for number, spectrum in enumerate(record.spectra):
            said = {key: getattr(spectrum, key) for key in ("point", "kind", "axis", "step")}
            _write(spectra, f"{number:03d}", spectrum.top.astype(np.float32), **said)
        if record.past is not None:
            group = file.create_group("past", track_order=True)
            for name, array in arrays_of(record.past).items():
                _write(group, name, array)
        _write(file, "record", np.frombuffer(_said(record).encode("utf-8"), dtype=np.uint8))
        file.flush()
        return bytes(file.id.get_file_image())


def _write(group: Any, name: str, data: NDArray[Any], **said: str | float) -> None:
    """A packed dataset with what is ``said`` of it, and its hash."""
    options: dict[str, Any] = {}
    if data.size:
        # As a rule one piece: the library would make several of it, and each costs a packer of its own.
        whole = data.shape if data.nbytes <= PIECE_BYTES else True
        options = {"chunks": whole, "compression": "gzip", "compression_opts": PACKED, "shuffle": True}
    node = group.create_dataset(name, data=data, **options)
    write_attributes(node, {**said, _SHA256: _hash(data)})


def _hash(data: NDArray[Any]) -> str:
    """Of stored numbers, least byte first."""
    return hashlib.sha256(data.astype(data.dtype.newbyteorder("<"), copy=False).tobytes()).hexdigest()


def _said(record: Record) -> str:
    fields = {name: getattr(record, name) for name in Record.__dataclass_fields__ if name not in ("spectra", "past")}
    fields |= {
        "measured_at": record.measured_at.isoformat(),
        "values": [{name: getattr(value, name) for name in Value.__dataclass_fields__} for value in record.values],
    }
    return json.dumps(fields, ensure_ascii=False)


def read_record(path: Path) -> Record:
    """All that was kept of a capture but its samples.

    Raises:
        CaptureError: the file is missing or damaged.
    """
    return _from(path, _record)


def read_rows(path: Path) -> tuple[Record, bool]:
    """What the database keeps of a capture: all of its record but spectra and what it left for later ones; and whether
    its samples are there.

    Raises:
        CaptureError: the file is missing or damaged.
    """
    return _from(path, _rows_of)


def read_spectra(path: Path) -> tuple[ArchivedSpectrum, ...]:
    """Its spectra. Raises: CaptureError where the file is missing or damaged."""
    return _from(path, _spectra)


def read_past(path: Path) -> PastCapture | None:
    """What it left for later captures; None where nothing was, or in another form. Its samples are not read.

    Raises:
        CaptureError: the file is missing or damaged.
    """
    return _from(path, _past)


def read_channels(path: Path) -> tuple[Channel, ...]:
    """Its samples; nothing when they were thinned away.

    Raises:
        CaptureError: the file is missing or damaged.
    """
    return _from(path, _channels)


def has_samples(path: Path) -> bool:
    """Whether the samples are still there. Raises: CaptureError where the file is missing or damaged."""
    return _from(path, _has_samples)


def harm(path: Path) -> str:
    """What is wrong with a capture's file by what it says of itself; empty when nothing is."""
    try:
        return _from(path, _harm)
    except CaptureError as error:
        return error.reason


def _channels(file: Any) -> tuple[Channel, ...]:
    return tuple(_channel(node) for node in _rows(file))


def _has_samples(file: Any) -> bool:
    return "channels" in file


def _harm(file: Any) -> str:
    if file.attrs.get("content") != path_content(Path(file.filename)):
        return "holds another capture than its name says"
    for node in (*_rows(file), *_nodes(file["spectra"]), *_past_nodes(file), file["record"]):
        if node.attrs.get(_SHA256) != _hash(node[()]):
            return f"{node.name.lstrip('/')} is not what was written"
    _record(file)
    for node in _rows(file):
        _attributes(node, _CHANNEL)
        _check_row(node)
    return ""


def path_content(path: Path) -> str:
    """Of which capture a file is, by its name."""
    return path.name.split(".", 1)[0]


def _rows_of(file: Any) -> tuple[Record, bool]:
    said = json_value(file["record"][()].tobytes())
    fields: dict[str, Any] = {name: _checked(name, value, _RECORD) for name, value in said.items() if name != "values"}
    fields["measured_at"] = datetime.fromisoformat(fields["measured_at"])
    fields["values"] = tuple(
        Value(**{name: _checked(name, part, _VALUE) for name, part in value.items()}) for value in said["values"]
    )
    return Record(**fields, spectra=()), _has_samples(file)


def _text(said: Any) -> bool:
    return isinstance(said, str)


def _number(said: Any) -> bool:
    return isinstance(said, int | float | np.integer | np.floating) and not isinstance(said, bool)


def _number_or_none(said: Any) -> bool:
    return said is None or _number(said)


def _one_of(words: Any) -> Callable[[Any], bool]:
    """Whether something is one of the words of a ``Literal``."""
    return lambda said: isinstance(said, str) and said in get_args(words)


_Checks = Mapping[str, Callable[[Any], bool]]
_RECORD: _Checks = {
    **dict.fromkeys(("content", "drive", "file", "measured_at", "health", "software"), _text),
    "duration_s": _number, "kept": _one_of(Kept),
    **dict.fromkeys(("speed_hz", "speed_uncertainty_hz", "load_percent"), _number_or_none),
}  # fmt: skip
_VALUE: _Checks = {**dict.fromkeys(("point", "measure", "unit", "subject"), _text), "value": _number}
_SPECTRUM: _Checks = {
    "point": _text, "kind": _one_of(Literal["acceleration", "velocity", "envelope"]),
    "axis": _one_of(Literal["Hz", "order"]), "step": _number,
}  # fmt: skip
_CHANNEL: _Checks = {
    **dict.fromkeys(("point", "recorded_unit", "axis"), _text), "quantity": _one_of(Quantity),
    **dict.fromkeys(("sample_rate_hz", "scale", "pulses_per_rev", "full_scale", "step"), _number),
}  # fmt: skip
"""Of what kind everything must be that a file says; a name that stands in no such list is damage too."""


def _checked(name: str, said: Any, checks: _Checks) -> Any:
    """What is said under a name, of the kind that is computed with later: whoever handed over a store may have signed
    its files too."""
    if not checks[name](said):
        raise ValueError(f"its {name} is of another kind than is written: {str(said)[:40]!r}")
    return said


def _attributes(node: Any, checks: _Checks) -> dict[str, Any]:
    """Those attributes of a node that are asked for."""
    return {name: _checked(name, attribute(node, name), checks) for name in checks if name in node.attrs}


def _row_of(node: Any) -> NDArray[Any]:
    """A row (n,) of stored numbers."""
    _check_row(node)
    return np.asarray(node[()])


def _check_row(node: Any) -> None:
    if node.dtype.kind not in "iuf" or len(node.shape) != 1:
        raise ValueError(f"{node.name.lstrip('/')} is no row of numbers")


def _record(file: Any) -> Record:
    return replace(_rows_of(file)[0], spectra=_spectra(file), past=_past(file))


def _past(file: Any) -> PastCapture | None:
    nodes = _past_nodes(file)
    return past_from({node.name.rpartition("/")[2]: node[()] for node in nodes}) if nodes else None


def _past_nodes(file: Any) -> list[Any]:
    return _nodes(file["past"]) if "past" in file else []


def _spectra(file: Any) -> tuple[ArchivedSpectrum, ...]:
    return tuple(_spectrum(node) for node in _nodes(file["spectra"]))


def _spectrum(node: Any) -> ArchivedSpectrum:
    said = _attributes(node, _SPECTRUM)
    return ArchivedSpectrum(**said | {"step": float(said["step"])}, top=_row_of(node))


def _nodes(group: Any) -> list[Any]:
    """What stands in a group; in a damaged file a name may lead nowhere."""
    nodes = list(group.values())
    if any(node is None for node in nodes):
        raise ValueError(f"something in {group.name} is missing")
    return nodes


def _rows(file: Any) -> list[Any]:
    """Datasets of samples, in the order in which they were written; a name with a slash lies in a group."""
    import h5py

    found: list[Any] = []

    def walk(group: Any) -> None:
        for node in _nodes(group):
            if isinstance(node, h5py.Group):
                walk(node)
            else:
                found.append(node)

    if "channels" in file:
        walk(file["channels"])
    return found


def _channel(node: Any) -> Channel:
    said = _attributes(node, _CHANNEL)
    samples = _row_of(node)
    if "scale" in said:
        samples = (samples.astype(np.float64) * float(said["scale"])).astype(np.float32)
    return Channel(
        name=said["point"],
        samples=samples,
        sample_rate_hz=float(said["sample_rate_hz"]),
        quantity=said["quantity"],
        recorded_unit=said.get("recorded_unit", ""),
        axis=said.get("axis"),
        **{key: float(said[key]) if key in said else None for key in ("pulses_per_rev", "full_scale", "step")},
    )


def _from(path: Path, ask: Callable[[Any], T]) -> T:
    with _explained(path):
        answer: T = fenced(_asked, path, ask)
        return answer


def _asked(path: Path, ask: Callable[[Any], T]) -> T:
    """What ``ask`` gives of the open file."""
    import h5py

    if h5py.is_hdf5(path) and damaged_heap(path):
        raise ValueError("its texts cannot be read")
    with h5py.File(path, "r", locking=False) as file:
        return ask(file)


@contextmanager
def _explained(path: Path) -> Iterator[None]:
    try:
        yield
    except FileNotFoundError:
        raise CaptureError("is missing; `vibe history verify` names all that are", path=path) from None
    except PermissionError:
        raise CaptureError("permission denied: ask for read access", path=path) from None
    except (
        OSError,
        LookupError,
        ValueError,
        TypeError,
        AttributeError,
        ArithmeticError,
        RuntimeError,
        MemoryError,
    ) as error:
        detail = " ".join(str(error).split())[:120]
        raise CaptureError(f"is damaged ({detail}); `vibe history repair` quarantines it", path=path) from error
