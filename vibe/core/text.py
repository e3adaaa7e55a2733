"""Text that can be printed anywhere."""

from __future__ import annotations

import re
from collections.abc import Sequence
from datetime import date
from unicodedata import category

MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
_ISO_DAY = re.compile(r"(?<![\w./+-])\d{4}-\d\d-\d\d(?![\w/+-]|\.\w)", re.ASCII)
"""A day by itself: not part of a time, a file's name or a number."""
_NO_BREAK = "\N{NO-BREAK SPACE}"


def day_in_words(when: date) -> str:
    """A day as people write it: 9 Mar 2026."""
    return f"{when.day} {MONTHS[when.month - 1]} {when.year}"


def dates_in_words(text: str) -> str:
    """A sentence as a page shows it: days as people write them, never broken at a line's end. Sentences themselves
    carry days as ISO 8601 has them, since files and terminals sort by them."""
    return _ISO_DAY.sub(_in_words, text)


def _in_words(found: re.Match[str]) -> str:
    try:
        return day_in_words(date.fromisoformat(found[0])).replace(" ", _NO_BREAK)
    except ValueError:  # 2026-02-30 is no day
        return found[0]


def printable(text: str) -> str:
    """``text`` with control characters shown as a replacement mark: they break XML and terminals, and those that
    turn the direction of writing make a text read as another. Spaces of any script stay."""
    if text.isprintable():
        return text
    return "".join(c if c.isprintable() or category(c) == "Zs" else " " if c in "\t\n\r" else "\ufffd" for c in text)


def time_spans(spans_s: Sequence[tuple[float, float]]) -> str:
    """One or more spans of time [s] in words: "from 1.0 to 2.5 s and from 6.2 to 8.0 s"."""
    texts = [f"from {begin:.1f} to {end:.1f} s" for begin, end in spans_s]
    return texts[0] if len(texts) == 1 else f"{', '.join(texts[:-1])} and {texts[-1]}"
