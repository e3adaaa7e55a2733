"""Text that can be printed anywhere."""

from __future__ import annotations

from collections.abc import Sequence
from unicodedata import category

MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")


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
