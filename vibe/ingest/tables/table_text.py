"""Tables that other systems write: their text, and what parts their columns."""

from __future__ import annotations

import re
from pathlib import Path

from vibe.core.errors import ConfigError

MOST_BYTES = 200_000_000
"""Some millions of lines: more is no list that somebody keeps (our choice)."""


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


def delimiter_of(text: str) -> str:
    """What parts the columns of the first line that says something."""
    head = next((row for row in text.splitlines() if row.strip() and not row.lstrip().startswith("#")), "")
    counts = {sign: len(re.split(re.escape(sign), head)) for sign in (";", "\t", "|", ",")}
    return max(counts, key=lambda sign: counts[sign])
