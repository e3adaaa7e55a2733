"""Tables that other systems write: their text, their rows, and what their columns are."""

from __future__ import annotations

import csv
import hashlib
import io
import re
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path

from vibe.core.errors import ConfigError
from vibe.core.records.column_map import ColumnMap, TableHead
from vibe.storage.files import writable

MOST_BYTES = 200_000_000
"""Some millions of lines: more is no list that somebody keeps (our choice)."""
ROWS_SHOWN = 5
"""First rows by which columns are recognised (our choice)."""


def table_rows(text: str) -> Iterator[tuple[int, list[str] | str]]:
    """Line and cells of every row that says something; in place of cells a sentence where a row cannot be taken apart.
    Lines that begin with # above the header are left out, and so is one that only says what parts the columns."""
    hint = _HINT.fullmatch(_first_line(text))
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter_of(text))
    before, begun = 0, False
    while True:
        try:
            cells = next(reader)
        except StopIteration:
            return
        except csv.Error as error:
            yield before + 1, f"cannot be taken apart: {error}"
            before = reader.line_num
            continue
        line, before = before + 1, reader.line_num
        if not any(cell.strip() for cell in cells) or (not begun and cells[0].lstrip().startswith("#")):
            continue
        if hint and not begun:
            hint = None
            continue
        begun = True
        yield line, cells


def said_places(cells: Sequence[str], columns: ColumnMap, path: Path, line: int) -> dict[str, int]:
    """Places of the columns that somebody named, by what they hold.

    Raises:
        ConfigError: a column that was named is not there, or there twice.
    """
    places: dict[str, int] = {}
    plain = [cell.strip() for cell in cells]
    for name, header in columns.columns.items():
        count = plain.count(header.strip())
        if count != 1:
            what = "has no column" if count == 0 else f"has {count} columns"
            raise ConfigError(f"{what} {header[:40]!r}, which is said to be the {name}", path=path, line=line)
        places[name] = plain.index(header.strip())
    return places


def head_of(path: Path, guess: Callable[[str], str | None], needed: Sequence[str]) -> TableHead:
    """Header and first rows of a table; ``guess`` says what a header holds.

    Raises:
        ConfigError: it cannot be read, or holds no row.
    """
    header: tuple[str, ...] | None = None
    first: list[tuple[str, ...]] = []
    count = 0
    for _, cells in table_rows(table_text(path)):
        if isinstance(cells, str):
            continue
        if header is None:
            header = tuple(writable(cell.strip()) for cell in cells)
            continue
        count += 1
        if len(first) < ROWS_SHOWN:
            first.append(tuple(writable(cell.strip())[:200] for cell in cells))
    if header is None:
        raise ConfigError("is empty: a header and rows are needed", path=path)
    guessed: dict[str, str] = {}
    for cell in header:
        name = guess(cell)
        if name is not None:
            guessed.setdefault(name, cell)
    return TableHead(
        source=hashlib.sha256("\x1f".join(header).encode()).hexdigest()[:16], header=header, first_rows=tuple(first),
        rows=count, guessed=guessed, missing=tuple(name for name in needed if name not in guessed),
    )  # fmt: skip


def table_text(path: Path) -> str:
    """The text of a table, in whatever encoding it is usual to write them.

    Raises:
        ConfigError: not there, not a file, too large, or no text.
    """
    try:
        if path.is_dir():
            raise ConfigError("is a folder where a CSV file is needed", path=path)
        if path.exists() and not path.is_file():
            raise ConfigError("is not an ordinary file", path=path)
        if path.stat().st_size > MOST_BYTES:
            raise ConfigError(f"is {path.stat().st_size / 1e6:.0f} MB large: no table of alarms or events", path=path)
        raw = path.read_bytes()
    except FileNotFoundError:
        raise ConfigError("there is no such file", path=path) from None
    except OSError as error:
        raise ConfigError(f"cannot be read: {(error.strerror or str(error)).lower()}", path=path) from None
    # The last is that of older systems in the West.
    encodings = ["utf-16"] if raw[:2] in (b"\xff\xfe", b"\xfe\xff") else ["utf-8-sig", "cp1252"]
    for encoding in encodings:
        try:
            text = raw.decode(encoding)
        except UnicodeDecodeError:
            continue
        if "\0" not in text:
            return text
    raise ConfigError("is no text: export it as CSV", path=path)


_HINT = re.compile(r"""\s*"?sep=(?P<sign>[^\w\s"]|\t)"?\s*""", re.I)
"""A first line by which programs for tables say what parts the columns of a file."""


def _first_line(text: str) -> str:
    """The first line that says something."""
    return next((row for row in text.splitlines() if row.strip() and not row.lstrip().startswith("#")), "")


def delimiter_of(text: str) -> str:
    """What parts the columns: what the first line says, or by what it is parted."""
    head = _first_line(text)
    if hint := _HINT.fullmatch(head):
        return hint["sign"]
    counts = {sign: len(re.split(re.escape(sign), head)) for sign in (";", "\t", "|", ",")}
    return max(counts, key=lambda sign: counts[sign])


def cell_at(cells: Sequence[str], place: int) -> str:
    """One cell without blanks round it; empty where a row is too short."""
    return cells[place].strip() if place < len(cells) else ""


def row_shown(cells: Sequence[str]) -> str:
    """A row as a message quotes it."""
    return writable(", ".join(cells))[:160]
