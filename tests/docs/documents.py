"""README.md and the guide as documents: their blocks of code, with what is said of each."""

from __future__ import annotations

import shlex
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from markdown_it import MarkdownIt

ROOT = Path(__file__).resolve().parents[2]
GUIDE = ROOT / "vibe" / "guide"
NOT_RUN = "not run:"
"""In the info string of a block that a test does not run; a reason follows."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Block:
    """A block of code: its language, what else its first line says, and where it stands."""

    document: str
    line: int
    language: str
    said: str
    text: str

    @property
    def reason(self) -> str | None:
        """Why it is not run; None where it is."""
        return self.said.removeprefix(NOT_RUN).strip() if self.said.startswith(NOT_RUN) else None

    @property
    def commands(self) -> Iterator[list[str]]:
        """The lines of a shell block as words."""
        for line in self.text.replace("\\\n", " ").splitlines():
            if words := shlex.split(line, comments=True):
                yield words


@cache
def documents() -> dict[str, str]:
    """README.md and all topics of the guide, by name."""
    texts = {path.stem: path.read_text(encoding="utf-8") for path in sorted(GUIDE.glob("*.md"))}
    return {"README": (ROOT / "README.md").read_text(encoding="utf-8"), **texts}


@cache
def blocks(document: str) -> tuple[Block, ...]:
    """The fenced blocks of a document, in their order."""
    tokens = MarkdownIt("commonmark").parse(documents()[document])
    fences = [token for token in tokens if token.type == "fence"]
    return tuple(
        Block(
            document=document, line=token.map[0] + 1 if token.map else 0, language=token.info.split(" ")[0],
            said=token.info.partition(" ")[2], text=token.content,
        )
        for token in fences
    )  # fmt: skip


ALL = [block for name in documents() for block in blocks(name)]
