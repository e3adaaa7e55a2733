"""Tables as CSV that a spreadsheet opens without running anything."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterable, Sequence

from vibe.core.text import printable

Cell = str | int | float | None
_STARTERS = {"=", "+", "-", "@", "＝", "＋", "－", "＠"}


def guarded(value: Cell) -> str:
    """A cell's text. None is empty; text that a spreadsheet would take for a formula gets an apostrophe."""
    if value is None:
        return ""
    if not isinstance(value, str):
        return repr(value) if isinstance(value, float) else str(value)
    text = printable(value)
    if re.fullmatch(r"[+-]?\d+([./]\d+)?", text):  # a number or an exact fraction runs nothing
        return text
    return f"'{text}" if text.lstrip()[:1] in _STARTERS else text


def csv_text(header: Sequence[str], rows: Iterable[Sequence[Cell]]) -> str:
    """Comma-separated, every line ended, quoted only where needed."""
    stream = io.StringIO()
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow(header)
    writer.writerows([guarded(cell) for cell in row] for row in rows)
    return stream.getvalue()
