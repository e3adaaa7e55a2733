"""Files written in good form that hold what nobody expects: odd types, shapes, names, claims, links."""

from __future__ import annotations

import io
import struct
import zipfile
import zlib
from random import Random
from typing import Any

import numpy as np

from tests.studies.fuzz.mutate import WORDS, spoiled

NAMES = (
    "p", "p [g]", "q [mm/s]", "t", "time", "time_s", "t [ms]", "tacho", "sample_rate_hz", "unit", "drive",
    "measured_at",
    "speed_rpm", "load_percent", "", " ", "a/b", "../x", "<script>", "é", "x" * 300, "p" + " " * 300, "(" * 300,
    "p [furlong]", "p [", "1", "channels",
)  # fmt: skip
_KINDS = (
    "f4", "f4", "f8", "f8", "i2", "i4", "u1", "i1", "u2", "u4", "i8", "u8", "f2", "?", ">f8", ">i2", "c8", "S5", "U3",
    "M8[ns]", "m8[s]", "V4", "O", "f4,i2",
)  # fmt: skip
_SHAPES: tuple[tuple[int, ...], ...] = (
    (300,), (300,), (300,), (0,), (1,), (2,), (3,), (1, 300), (300, 1), (300, 2), (2, 300), (2, 3, 50), (100, 100), (),
    (1, 1), (0, 5),
)  # fmt: skip
RATES: tuple[Any, ...] = (12000.0, 12000, 0, -1, 1e300, 1e-300, float("nan"), float("inf"), "12000", "", b"12000", True)


def array(rng: Random) -> Any:
    """An array of some type, shape and content."""
    kind, shape = rng.choice(_KINDS), rng.choice(_SHAPES)
    size = int(np.prod(shape, dtype=int))
    values = np.sin(np.arange(size) * 0.7) * rng.choice((1.0, 100.0, 1e30, 1e-30, 0.0))
    if rng.random() < 0.2 and size:
        values[rng.randrange(size)] = rng.choice((np.nan, np.inf, -np.inf, 1e308))
    if rng.random() < 0.25:
        values = np.arange(size) / 12000.0
    with np.errstate(all="ignore"):
        if kind == "O":
            return np.array([{"a": 1}] * size, dtype=object).reshape(shape)
        if kind in ("V4", "f4,i2"):
            return np.zeros(shape, dtype=kind)
        if kind.startswith(("M", "m")):
            return np.arange(size).astype(kind).reshape(shape)
        made = values.astype(kind).reshape(shape)
    return np.asfortranarray(made) if rng.random() < 0.2 else made


def arrays(rng: Random) -> dict[str, Any]:
    """Some arrays with names, and what a file may say of them."""
    found = {rng.choice(NAMES): array(rng) for _ in range(rng.choice((1, 1, 2, 4)))}
    if rng.random() < 0.8:
        found["sample_rate_hz"] = np.asarray(rng.choice(RATES))
    if rng.random() < 0.8:
        found["unit"] = np.asarray(rng.choice(("g", "m/s^2", "V", "furlong", "", rng.choice(WORDS))))
    if rng.random() < 0.2:
        found[rng.choice(("drive", "measured_at", "speed_rpm", "load_percent"))] = np.asarray(
            rng.choice((*RATES, *WORDS))
        )
    return found


def npz(rng: Random) -> bytes:
    """An archive of arrays; headers may be spoiled under a check sum that fits, or promise what is not there."""
    stream = io.BytesIO()
    method = rng.choice((zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED, zipfile.ZIP_BZIP2, zipfile.ZIP_LZMA))
    with zipfile.ZipFile(stream, "w", method) as archive:
        for name, value in arrays(rng).items():
            body = io.BytesIO()
            np.lib.format.write_array(body, value, allow_pickle=True)
            content = body.getvalue()
            if rng.random() < 0.3:
                content = spoiled(rng, content[:128]) + content[128:]
            elif rng.random() < 0.1:
                claim = rng.choice((10**9, 10**12, 2**62, 20_000_000))
                header = (
                    f"{{'descr': '<f4', 'fortran_order': False, 'shape': ({claim},), }}".encode().ljust(118) + b"\n"
                )
                content = b"\x93NUMPY\x01\x00" + struct.pack("<H", len(header)) + header + bytes(64)
            archive.writestr(name.replace("\x00", "") + ".npy", content)
    return stream.getvalue()


def zip_bomb(megabytes: int) -> bytes:
    """An array of zeros that packs a thousandfold; the numbers are really there."""
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as archive, archive.open("p.npy", "w") as member:
        header = f"{{'descr': '<f4', 'fortran_order': False, 'shape': ({megabytes * 250_000},), }}".encode().ljust(117)
        member.write(b"\x93NUMPY\x01\x00" + struct.pack("<H", 118) + header + b"\n")
        for _ in range(megabytes):
            member.write(bytes(1_000_000))
    return stream.getvalue()


def hdf5(rng: Random, *, matlab: bool = False) -> bytes:
    """Datasets of odd types and shapes, with holes, links, other files, claims and attributes that nobody expects."""
    import h5py

    stream = io.BytesIO()
    with h5py.File(stream, "w", userblock_size=512 if matlab else 0) as file:
        group = file if matlab else file.create_group(rng.choice(("channels", "channels", "channels", "channel")))
        for number in range(rng.choice((1, 1, 2, 3))):
            name = rng.choice(NAMES) or f"p{number}"
            try:
                node = _dataset(rng, group, name)
            except (ValueError, TypeError, OSError, KeyError, RuntimeError):
                continue
            if node is not None:
                _describe(rng, node, matlab=matlab)
        for key in ("drive", "measured_at", "speed_rpm", "load_percent"):
            if rng.random() < 0.3:
                _say(file, key, rng.choice((*RATES, *WORDS, array(rng))))
    content = stream.getvalue()
    return b"MATLAB 7.3 MAT-file".ljust(512, b"\0") + content[512:] if matlab else content


def _dataset(rng: Random, group: Any, name: str) -> Any:
    import h5py

    data = array(rng)
    match rng.randrange(12):
        case 0:
            group[name] = h5py.SoftLink(rng.choice(("/", "/channels", "/nowhere", f"/channels/{name}")))
        case 1:
            group[name] = h5py.ExternalLink(rng.choice(("a.h5", "/etc/passwd", "/dev/zero")), "/channels/p")
        case 2:
            group[name] = group
        case 3:
            claim = rng.choice((10**6, 10**8, 10**9, 10**13, 2**62))
            return group.create_dataset(name, shape=(claim,), dtype="f4", chunks=(rng.choice((16, 65536)),))
        case 4:
            node = group.create_dataset(name, shape=(rng.choice((3000, 10**6, 10**9)),), dtype="f4", chunks=(256,))
            start = 256 * rng.randrange(8)
            node[start : start + 256] = np.ones(256)
            return node
        case 5:
            return group.create_dataset(
                name, shape=(10,), dtype="f4", external=[(rng.choice(("a.h5", "/dev/zero", "/etc/passwd")), 0, 40)]
            )
        case 6:
            layout = h5py.VirtualLayout(shape=(100,), dtype="f4")
            layout[:] = h5py.VirtualSource(rng.choice(("a.h5", ".", "/dev/zero")), "/channels/p", shape=(100,))
            return group.create_virtual_dataset(name, layout)
        case 7:
            return group.create_dataset(name, data=h5py.Empty("f4"))
        case 8:
            return group.create_dataset(name, data="text")
        case 9:
            return group.create_dataset(name, data=bytes(10), dtype=rng.choice(("S10", h5py.string_dtype())))
        case _ if data.ndim == 1 and data.size and data.dtype.kind in "iuf":
            packed = rng.choice(({}, {"compression": "gzip"}, {"compression": "lzf"}, {"shuffle": True, "chunks": (7,)},
                                 {"fletcher32": True}, {"scaleoffset": 0}))  # fmt: skip
            return group.create_dataset(name, data=data, **packed)
        case _:
            return group.create_dataset(name, data=data)
    return None


def _describe(rng: Random, node: Any, *, matlab: bool) -> None:
    if matlab:
        _say(node, "MATLAB_class", rng.choice((b"single", b"double", b"char", b"cell", "int16", 3, b"")))
        return
    for key in ("sample_rate_hz", "unit", "quantity", "scale", "offset", "sensitivity_mv_per_g", "pulses_per_rev",
                "full_scale", "step", "axis", "samples_promised"):  # fmt: skip
        odd = (*RATES, *WORDS, array(rng), 10**6, 2**63, -5)
        usual: Any = {"sample_rate_hz": 12000.0, "unit": rng.choice(("g", "mm/s", "V"))}.get(key)
        if usual is not None and rng.random() < 0.7:
            node.attrs[key] = usual
        elif rng.random() < 0.2:
            _say(node, key, rng.choice(odd))


def _say(node: Any, key: str, value: Any) -> None:
    try:
        node.attrs[key] = value
    except (TypeError, ValueError, OSError, OverflowError):
        return  # Not every value can be written.


def parquet(rng: Random) -> bytes:
    """Columns of many types, with nothing in some rows, in a dictionary, or far more rows than bytes."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    kind = rng.choice((pa.float32(), pa.float64(), pa.int16(), pa.int64(), pa.uint64(), pa.float16(), pa.bool_(),
                       pa.string(), pa.timestamp("ns"), pa.decimal128(9, 3), pa.list_(pa.float32()), pa.null(),
                       pa.dictionary(pa.int32(), pa.float32()), pa.struct([("a", pa.int8())])))  # fmt: skip
    count = rng.choice((0, 1, 3, 300, 300, 300))
    values = pa.nulls(count, kind)
    if pa.types.is_integer(kind) or kind in (pa.float32(), pa.float64(), pa.float16()):
        plain = [None if rng.random() < 0.02 else (k % 100) for k in range(count)]
        values = pa.array(
            [None if v is None else np.float16(v) for v in plain] if kind == pa.float16() else plain, kind
        )
    columns = [(rng.choice(NAMES), values)]
    if rng.random() < 0.7:
        columns.append(("time_s", pa.array(np.arange(count) * rng.choice((1 / 12000, 0.0, -1.0, 1e-300, 1e300)))))
    if rng.random() < 0.3:
        columns.append((rng.choice(NAMES), pa.array(np.ones(count))))
    said = {str(rng.choice(NAMES)): str(rng.choice(RATES)), "sample_rate_hz": str(rng.choice(RATES)), "unit": "g"}
    table = pa.Table.from_arrays([c for _, c in columns], names=[n for n, _ in columns])
    stream = io.BytesIO()
    try:
        pq.write_table(table.replace_schema_metadata(said), stream, compression=rng.choice(("none", "zstd", "gzip")))
    except (pa.ArrowInvalid, pa.ArrowNotImplementedError, OSError):
        return b"PAR1" + bytes(8) + b"PAR1"
    return stream.getvalue()


def many_rows(count: int) -> bytes:
    """A column of one value, so often that its rows are far more than its bytes."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    stream = io.BytesIO()
    table = pa.table({"p [g]": pa.array(np.ones(10**6, "f4"))})
    with pq.ParquetWriter(stream, table.schema, compression="zstd", use_dictionary=True) as writer:
        for _ in range(count // 10**6):
            writer.write_table(table)
    return stream.getvalue()


def wav(rng: Random) -> bytes:
    """Chunks in any order, with lengths and a header that need not fit."""
    tracks, bits = rng.choice((1, 1, 2, 0, 3, 65535)), rng.choice((8, 16, 16, 24, 32, 64, 0, 12, 65535))
    code, rate = rng.choice((1, 1, 1, 3, 0xFFFE, 0, 6, 0x55)), rng.choice((12000, 12000, 0, 1, 0xFFFFFFFF, 0x7FFFFFFF))
    frame = rng.choice((tracks * bits // 8, tracks * bits // 8, 0, 65535)) & 0xFFFF
    shape = struct.pack("<HHIIHH", code, tracks, rate, 0, frame, bits)
    if rng.random() < 0.3:
        shape += struct.pack("<HHI", 22, bits, 0) + struct.pack("<H", rng.choice((1, 3, 0))) + bytes(14)
    body = bytes(rng.randrange(256) for _ in range(rng.choice((0, 1, 7, 600, 601))))
    sizes = (len(body), len(body), 0, 0xFFFFFFFF, 0xFFFFFFFE, 10**9, 3)
    chunks = [struct.pack("<4sI", b"fmt ", rng.choice((len(shape), len(shape), 0, 15, 0xFFFFFFFF))) + shape,
              struct.pack("<4sI", b"data", rng.choice(sizes)) + body]  # fmt: skip
    if rng.random() < 0.3:
        sixty_four = [rng.choice((len(body), 0, 10**12, 2**63, 2**64 - 1)) for _ in range(3)]
        chunks.insert(0, struct.pack("<4sIQQQI", b"ds64", 28, *sixty_four, 0))
    if rng.random() < 0.2:
        chunks.insert(rng.randrange(3), struct.pack("<4sI", b"LIST", rng.choice((3, 0, 0xFFFFFFFF))) + b"abc\0")
    if rng.random() < 0.1:
        rng.shuffle(chunks)
    return rng.choice((b"RIFF", b"RIFF", b"RF64")) + bytes(4) + b"WAVE" + b"".join(chunks)


def mat5(rng: Random) -> bytes:
    """Arrays of many classes; packed ones may be spoiled inside their packing."""
    from scipy.io import savemat

    found = {k[:31]: v for k, v in arrays(rng).items() if k.isidentifier() and v.dtype.kind in "iufbcUSO"}
    more = {"c": {"a": 1.0}, "s": "text", "l": np.array([[True, False]]), "z": np.zeros((0, 0))}
    found |= {k: v for k, v in more.items() if rng.random() < 0.3} or {"p": np.ones(9)}
    stream: Any = io.BytesIO()
    try:
        savemat(stream, found, do_compression=False)
    except (ValueError, TypeError):
        return b"MATLAB 5.0 MAT-file".ljust(126) + b"IM" + bytes(20)
    content: bytes = stream.getvalue()
    body = spoiled(rng, content[128:]) if rng.random() < 0.5 else content[128:]
    if rng.random() < 0.5:
        packed = zlib.compress(body)
        length = rng.choice((len(packed), len(packed), len(packed) + 50, 0, 0xFFFFFFFF))
        body = struct.pack("<II", 15, length) + packed
    return content[:128] + body


def mat4(rng: Random) -> bytes:
    """Headers of version 4 with types, sizes and name lengths that need not fit."""
    out = b""
    for name in ("p", "sample_rate_hz", "unit")[: rng.choice((1, 2, 3))]:
        kind = rng.choice((0, 0, 0, 10, 20, 30, 50, 1, 2, 51, 52, 1000, 99, 0xFFFFFFFF))
        rows, columns = rng.choice(((300, 1), (1, 300), (1, 1), (0, 0), (2**31 - 1, 1), (65536, 65536), (10**9, 1)))
        length = rng.choice((len(name) + 1, len(name) + 1, 0, 1, 10**6, 2**31))
        body = (np.arange(min(rows * columns, 300)) / 12.0).astype("<f8").tobytes()
        out += struct.pack("<IIIII", kind, rows, columns, rng.choice((0, 0, 0, 1, 7)), length & 0xFFFFFFFF)
        out += name.encode() + b"\0" + body
    return out
