"""The text of a table that a person or another program wrote, and what parts its columns."""

from __future__ import annotations

from pathlib import Path

from vibe.core.errors import ConfigError
from vibe.storage.regular import read_regular


def table_text(path: Path, *, most_bytes: int, what: str, instead: str) -> str:
    """The text of ``path`` in whatever encoding spreadsheets save; ``what`` it should be, and what to do ``instead``.

    Raises:
        ConfigError: not there, no ordinary file, too large, or no text.
    """
    try:
        if path.is_dir():
            raise ConfigError("is a folder where a CSV file is needed", path=path)
        if path.exists() and not path.is_file():
            raise ConfigError("is not an ordinary file", path=path)
        if path.stat().st_size > most_bytes:
            raise ConfigError(f"is {path.stat().st_size / 1e6:.0f} MB large: no {what}", path=path)
        raw = read_regular(path, most_bytes)
    except FileNotFoundError:
        raise ConfigError("there is no such file", path=path) from None
    except (OSError, ValueError) as error:
        said = getattr(error, "strerror", None) or str(error)
        raise ConfigError(f"cannot be read: {said.lower()}", path=path) from None
    # The last is that of older systems in the West.
    encodings = ["utf-16"] if raw[:2] in (b"\xff\xfe", b"\xfe\xff") else ["utf-8-sig", "cp1252"]
    for encoding in encodings:
        try:
            text = raw.decode(encoding)
        except UnicodeDecodeError:
            continue
        if "\0" not in text:
            return text
    raise ConfigError(f"is no text: {instead}", path=path)


def delimiter_of(text: str) -> str:
    """What parts the columns of the first line that says something."""
    head = next((row for row in text.splitlines() if row.strip() and not row.lstrip().startswith("#")), "")
    counts = {sign: head.count(sign) for sign in (";", "\t", "|", ",")}
    return max(counts, key=lambda sign: counts[sign])
