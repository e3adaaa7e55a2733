"""TOML that others wrote: an ordinary file of a size that people write, and parsed in a time that its size explains."""

from __future__ import annotations

import re
import stat
import tomllib
from pathlib import Path
from typing import Any

from vibe.core.errors import ConfigError

MAX_BYTES = 4_000_000
"""A file that people write is far smaller (common practice)."""
_MOST_DOTS_SQUARED = 10_000_000
"""Dots in a line's keys, squared and added up: some three thousand in one line (our choice, tenths of a second)."""
_MOST_PARTS = 100
"""Parts of one key; those of any form have three or four (our choice, wide)."""
_WIDE = (b"\xff\xfe", b"\xfe\xff")
"""How text in UTF-16 begins, every second byte of which may be zero."""
_KEY_PART = re.compile(r"""\s*(?:[A-Za-z0-9_-]+|"[^"]*"|'[^']*')\s*""")
_LOOKED_UP = 100
"""Times that a part of a key costs more where its table is looked for (measured, in round numbers)."""


def read_text(path: Path) -> str:
    """The text of a small UTF-8 file.

    Raises:
        ConfigError: missing, a folder, a device, unreadable, too large, or not UTF-8.
    """
    try:
        status = path.stat()
        if stat.S_ISDIR(status.st_mode):
            raise ConfigError("is a folder where a TOML file is needed", path=path)
        if not stat.S_ISREG(status.st_mode):
            raise ConfigError("is not an ordinary file", path=path)
        if status.st_size > MAX_BYTES:
            raise ConfigError(f"is {status.st_size / 1e6:.0f} MB large: no configuration file", path=path)
        raw = path.read_bytes()
    except FileNotFoundError:
        raise ConfigError("there is no such file", path=path) from None
    except PermissionError:
        raise ConfigError("permission denied: ask for read access", path=path) from None
    except (OSError, ValueError) as error:
        raise ConfigError(f"cannot be read: {getattr(error, 'strerror', None) or error}", path=path) from None
    if b"\0" in raw and not raw.startswith(_WIDE):
        raise ConfigError("is no text: a TOML file is needed", path=path)
    try:
        # Some editors put a byte order mark in front; it means nothing in UTF-8.
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = raw.count(b"\n", 0, error.start) + 1
        raise ConfigError("is not UTF-8 text: save it as UTF-8", path=path, line=line) from None


def toml_of(text: str, path: Path) -> dict[str, Any]:
    """The tables that a text holds; ``path`` is named where it is refused.

    Raises:
        ConfigError: nested too deeply, or by so many dots that the parser would not end.
        ValueError: it is no TOML; says where.
    """
    if _too_deep(text):
        raise ConfigError("is nested too deeply to be a configuration file", path=path)
    try:
        return tomllib.loads(text)
    except RecursionError:
        raise ConfigError("is nested too deeply to be a configuration file", path=path) from None


def toml_tables(path: Path) -> dict[str, Any]:
    """The tables of a file whose form is somebody else's business.

    Raises:
        ConfigError: it cannot be read (``read_text``), is no TOML, or is nested too deeply.
    """
    text = read_text(path)
    try:
        return toml_of(text, path)
    except ValueError as error:
        raise ConfigError(f"is no TOML: {error}", path=path) from None


def _too_deep(text: str) -> bool:
    """Whether a key has more parts than any of a form, or the keys of the file so many dots, also within quotes, that
    reading them, which takes the square, would not end."""
    work = 0
    for line in text.split("\n"):
        bare = line.lstrip()
        if "." not in bare or bare.startswith("#"):
            continue
        if "=" in bare or bare.startswith("["):
            end = bare.rfind("=")
            keys = bare[:end] if end >= 0 else bare
            dots = keys.count(".")
            if dots > _MOST_PARTS and _most_parts(keys) > _MOST_PARTS:
                return True
            work += dots**2
        else:  # numbers of a list, or a key that nothing follows, which is taken apart and never looked up
            work += bare.count(".") ** 2 // _LOOKED_UP
    return work > _MOST_DOTS_SQUARED


def _most_parts(line: str) -> int:
    """Most words in a row that only dots part."""
    most = run = 0
    for piece in line.split("."):
        run = run + 1 if _KEY_PART.fullmatch(piece) else 0
        most = max(most, run)
    return most
