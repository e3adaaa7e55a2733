"""CSV: optional ``# key = value`` lines, a header ``time_s,<point> [unit],…``, then numbers.

Semicolons and tabs divide columns too, and a decimal comma is understood where the comma does not divide them.
"""

from __future__ import annotations

import io
import re
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from vibe.core.capture import Capture
from vibe.core.errors import CaptureError
from vibe.ingest.capture_builder import build_capture, short
from vibe.ingest.claims import MAX_SAMPLES, check_channels
from vibe.ingest.config.sidecar import Sidecar
from vibe.ingest.formats.columns import EXPORT_ANEW, raw_from_columns, time_unit
from vibe.storage.fence import fenced

_UTF_16 = (b"\xff\xfe", b"\xfe\xff")
MAX_BYTES = 2_500_000_000
"""Some 250 million numbers, which take as much memory again (our choice)."""
_MOST_BEFORE = 100_000
"""Lines before the header: a second of reading (our choice, wide)."""
_LONGEST_LINE = 1_000_000
"""Bytes of a line: thousands of columns (our choice)."""
_LONGEST_CELL = 400
"""Signs of a cell that may be a number, and of a key in front of the table."""
_KEY = re.compile(r"[A-Za-z0-9_. -]+")
_NUMBER = re.compile(r"([+-]?(\d+([.,]\d*)?|[.,]\d+)([eE][+-]?\d+)?|[+-]?(nan|inf|infinity)?)", re.IGNORECASE)


def sniff(head: bytes, suffix: str) -> bool:
    """Text whose first line of data is made of numbers."""
    if b"\x00" in head and not head.startswith(_UTF_16):
        return False
    lines = [line for line in _decode(head).splitlines() if line.strip() and not line.lstrip().startswith("#")]
    if len(lines) < 2:
        return False
    divider = _divider(lines[0])
    if divider not in lines[0] and suffix not in (".csv", ".tsv", ".txt"):
        return False
    return all(_is_number(cell) for cell in lines[1].split(divider)) and lines[1].strip() != ""


def read(path: Path, sidecar: Sidecar | None) -> Capture:
    """Read a table of samples.

    Raises:
        CaptureError: no header, text in a column of numbers (with its line), uneven times, nothing but a header.
    """
    if path.stat().st_size > MAX_BYTES:
        raise CaptureError(f"is {path.stat().st_size / 1e9:.0f} GB of text: too large", path=path)
    columns, said, remarks = fenced(table_of, path)
    about: dict[str, dict[str, Any]] = {}
    for name, _ in columns:
        bare = name.split("[")[0].strip()
        own = {key[len(bare) + 1 :]: value for key, value in said.items() if key.startswith(f"{bare}.")}
        if own:
            about[name] = own
    return build_capture(path, raw_from_columns(columns, said, path, remarks=remarks, about=about), sidecar)


def table_of(path: Path) -> tuple[list[tuple[str, NDArray[Any]]], dict[str, str], list[str]]:
    """Columns by name, what the lines before them say, and remarks; for the reading process.

    Raises:
        CaptureError: no header, text in a column of numbers (with its line), nothing but a header.
    """
    with path.open("rb") as stream:
        head = stream.read(4096)
    if b"\x00" in head and not head.startswith(_UTF_16):
        raise CaptureError("is not text", path=path)
    # Kept as bytes: as text, a gigabyte of digits would be held several times over.
    content = path.read_bytes()
    remarks: list[str] = []
    if content.startswith(_UTF_16):
        if len(content) % 2:
            remarks.append("the file is cut off inside its last character")
        content = content.decode("utf-16", errors="replace").encode()
    if b"\n" not in content:
        content = content.replace(b"\r", b"\n")
    if not content.endswith((b"\n", b"\r")):
        # A last line without an end may have been cut inside a number, which then still looks like one.
        cut = max(content.rfind(b"\n"), content.rfind(b"\r")) + 1
        if content[cut:].strip():
            remarks.append("the last line has no end and was dropped")
        content = content[:cut]
    said, header, first_line, start = _preamble(content, path)
    divider = _divider(header)
    names = [cell.strip().strip('"') for cell in header.split(divider)]
    check_channels(len(names), path)
    if all(_is_number(name) for name in names):
        raise CaptureError(
            "has no header line: the first line must name the columns, e.g. time_s,bearing [m/s^2]", path=path,
            remedy=EXPORT_ANEW,
        )  # fmt: skip
    if len(set(names)) != len(names):
        twice = next(name for place, name in enumerate(names) if name in names[:place])
        raise CaptureError(f"names a column twice: {short(twice)!r}", path=path, remedy=EXPORT_ANEW)
    rows = content.count(b"\n", start)
    if rows * len(names) > MAX_SAMPLES:
        raise CaptureError(
            f"holds about {rows * len(names):,} numbers; more than {MAX_SAMPLES:,} are not read", path=path
        )
    comma = divider != "," and b"," in content[start : start + 65_536]
    columns = _numbers(content, start, names, divider, comma, first_line, path)
    if columns[0][1].size == 0:
        raise CaptureError("holds a header and no samples", path=path)
    empty = int(sum(np.isnan(values).sum() for _, values in columns))
    if empty:
        remarks.append(f"{empty:,} cells are empty or NaN and count as missing")
    return columns, said, remarks


def _decode(raw: bytes) -> str:
    if raw.startswith(_UTF_16):
        return raw.decode("utf-16", errors="replace").replace("\r\n", "\n")
    try:
        return raw.decode("utf-8-sig").replace("\r\n", "\n").replace("\r", "\n")
    except UnicodeDecodeError:
        # Spreadsheets write m/s² in the old one-byte alphabet; digits are the same in both.
        return raw.decode("cp1252", errors="replace").replace("\r\n", "\n").replace("\r", "\n")


def _is_number(cell: str) -> bool:
    bare = cell.strip()
    return len(bare) <= _LONGEST_CELL and _NUMBER.fullmatch(bare) is not None


def _pair(line: str) -> tuple[str, str] | None:
    """Key and value of ``# key = value`` or ``# key: value``; the first sign of the two parts them."""
    bare = line.strip()[1:].strip()
    places = [place for sign in "=:" if 0 < (place := bare.find(sign)) <= _LONGEST_CELL]
    key = bare[: min(places)].strip() if places else ""
    return (key, bare[min(places) + 1 :].strip().strip("\"'")) if _KEY.fullmatch(key) else None


def _divider(header: str) -> str:
    return next((mark for mark in ("\t", ";") if mark in header), ",")


def _preamble(content: bytes, path: Path) -> tuple[dict[str, str], str, int, int]:
    """What the ``#`` lines say, the header, the line number and the place where numbers begin."""
    said: dict[str, str] = {}
    start, line_number = 0, 0
    while start < len(content):
        end = content.find(b"\n", start)
        end = len(content) if end < 0 else end
        line = _decode(content[start : min(end, start + _LONGEST_LINE)])
        start, line_number = end + 1, line_number + 1
        if line_number > _MOST_BEFORE:
            raise CaptureError(f"has no header in its first {_MOST_BEFORE:,} lines", path=path, remedy=EXPORT_ANEW)
        if line.lstrip().startswith("#"):
            if pair := _pair(line):
                said[pair[0]] = pair[1]
        elif line.strip():
            return said, line, line_number + 1, start
    raise CaptureError("holds no header and no samples", path=path)


def _numbers(
    content: bytes, start: int, names: list[str], divider: str, comma: bool, first_line: int, path: Path
) -> list[tuple[str, NDArray[Any]]]:
    import pandas as pd

    kinds = {name: np.float64 if time_unit(name) is not None else np.float32 for name in names}
    options: dict[str, Any] = {
        "sep": divider,
        "decimal": "," if comma else ".",
        "header": None,
        "names": names,
        "index_col": False,
        "skip_blank_lines": True,
        "skipinitialspace": True,
        "encoding_errors": "replace",
    }
    stream = io.BytesIO(content)
    stream.seek(start)
    try:
        table = pd.read_csv(stream, dtype=kinds, **options)
    except pd.errors.EmptyDataError:
        return [(name, np.empty(0)) for name in names]
    except (ValueError, pd.errors.ParserError, pd.errors.ParserWarning):
        raise CaptureError(_what_is_wrong(content, start, names, divider, comma, first_line), path=path) from None
    return [(name, table[name].to_numpy()) for name in names]


def _what_is_wrong(content: bytes, start: int, names: list[str], divider: str, comma: bool, first_line: int) -> str:
    """The first line that is no row of numbers."""
    stream = io.BytesIO(content)
    stream.seek(start)
    for offset, raw in enumerate(stream):
        line = _decode(raw[:_LONGEST_LINE])
        cells = line.split(divider)
        if not line.strip():
            continue
        if len(cells) > len(names):
            return f"line {first_line + offset} has {len(cells)} columns where the header names {len(names)}"
        for name, cell in zip(names, cells, strict=False):
            if not _is_number(cell) or (not comma and "," in cell):
                return f"line {first_line + offset}: {cell.strip()[:40]!r} in column {short(name)!r} is not a number"
    return "holds something that is not a number"
