"""Text that can be printed anywhere."""

from __future__ import annotations

from unicodedata import category


def printable(text: str) -> str:
    """``text`` with control characters shown as a replacement mark: they break XML and terminals, and those that
    turn the direction of writing make a text read as another. Spaces of any script stay."""
    if text.isprintable():
        return text
    return "".join(c if c.isprintable() or category(c) == "Zs" else " " if c in "\t\n\r" else "\ufffd" for c in text)
