"""JSON that others wrote: whatever it holds, it is a value or one error, and no small file becomes gigabytes."""

from __future__ import annotations

import json
import zlib
from typing import Any

MOST_PARTS = 100_000
"""Objects and lists in one text: a report holds some tens, the record of an acceptance some hundred (our choice, wide).
A model says of each empty one which of its fields are missing, in a hundred times the bytes."""
MOST_UNPACKED = 200_000_000
"""Bytes of a packed value; what is kept of a drive takes a thousandth (our choice, wide)."""


def refuse_crowded(content: bytes | bytearray | str, most: int = MOST_PARTS) -> None:
    """Refuse a text that holds more objects and lists than any record; signs inside words count too.

    Raises:
        ValueError: it does.
    """
    marks: tuple[Any, Any] = ("{", "[") if isinstance(content, str) else (b"{", b"[")
    if sum(content.count(mark) for mark in marks) > most:
        raise ValueError(f"holds more than {most:,} objects and lists, which no such record does")


def json_value(content: bytes | str, most: int = MOST_PARTS) -> Any:
    """What the text holds.

    Raises:
        ValueError: no JSON, nested too deeply, or crowded.
    """
    refuse_crowded(content, most)
    return _parsed(content)


def unpacked_value(packed: bytes) -> Any:
    """What was packed by zlib; it unpacks to a thousand times its size, and a file next to a store may be anybody's.

    Raises:
        ValueError: it is damaged, no JSON, nested too deeply, or unpacks to more than anything that is kept.
    """
    unpacker = zlib.decompressobj()
    try:
        content = unpacker.decompress(packed, MOST_UNPACKED)
    except zlib.error as error:
        raise ValueError(f"cannot be unpacked ({error})") from None
    if unpacker.unconsumed_tail or not unpacker.eof:
        raise ValueError("does not end, or unpacks to more than is kept")
    return _parsed(content)


def _parsed(content: bytes | str) -> Any:
    try:
        return json.loads(content)
    except RecursionError:
        raise ValueError("is nested too deeply") from None
