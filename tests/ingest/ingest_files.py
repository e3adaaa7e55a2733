"""Files as general libraries, or the published layout of a format, make them."""

from __future__ import annotations

import struct
from pathlib import Path

import numpy as np

VALUES = np.random.default_rng(5).normal(0, 2, 5000)


def sidecar(path: Path, text: str) -> Path:
    path.with_name(path.name + ".toml").write_text(text, encoding="utf-8")
    return path


def table(
    divider: str = ",", decimal: str = ".", digits: int = 7, rate_hz: float = 25600.0, skip: tuple[int, ...] = ()
) -> str:
    rows = [
        f"{k / rate_hz:.{digits}f}{divider}{VALUES[k]:.6g}{divider}{-VALUES[k]:.6g}\n".replace(".", decimal)
        for k in range(VALUES.size)
        if k not in skip
    ]
    return f"time_s{divider}input [g]{divider}base [mm/s^2]\n" + "".join(rows)


def wav_24(values: np.ndarray, *, promised: int | None = None, magic: bytes = b"RIFF") -> bytes:
    body = b"".join(struct.pack("<i", int(value))[:3] for value in values)
    size = len(body) if promised is None else promised
    format_chunk = struct.pack("<4sIHHIIHH", b"fmt ", 16, 1, 1, 48000, 144000, 3, 24)
    other = struct.pack("<4sI", b"LIST", 3) + b"abc\x00"
    return magic + struct.pack("<I", 0) + b"WAVE" + format_chunk + other + struct.pack("<4sI", b"data", size) + body


def uff_record(
    values: np.ndarray, *, binary: bool = False, func: int = 1, kind: int = 4, unit: str = "g", name: str = "P1"
) -> bytes:
    """One record of data set 58, laid out by hand from the published column widths."""
    body = values.astype("<f8").tobytes()
    head = ["    -1", f"    58b     1     2{11:12d}{len(body):12d}{0:6d}{0:6d}{0:12d}{0:12d}" if binary else "    58"]
    head += ["NONE", "NONE", "04-Mar-26 10:15:00", "NONE", "NONE"]
    head.append(f"{func:5d}{0:10d}{0:5d}{0:10d} {name:10s}{7:10d}{3:4d} {'NONE':10s}{0:10d}{0:4d}")
    head.append(f"{kind:10d}{values.size:10d}{1:10d}{0.0:13.5E}{1 / 25600:13.5E}{0.0:13.5E}")
    for code, label, units in ((17, "time", "s"), (12, "acceleration", unit), (0, "NONE", "NONE"), (0, "NONE", "NONE")):
        head.append(f"{code:10d}{0:5d}{0:5d}{0:5d} {label:20s} {units:20s}")
    text = "\n".join(head).encode() + b"\n"
    if binary:
        return text + body + b"\n    -1\n"
    rows = [values[k : k + 4] for k in range(0, values.size, 4)]
    return text + "".join("".join(f"{v:20.12E}" for v in row) + "\n" for row in rows).encode() + b"    -1\n"
