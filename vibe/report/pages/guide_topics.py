"""The guide: Markdown files in ``vibe/guide``, one per topic, in the order in which one would read them."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from difflib import get_close_matches
from importlib.resources import files
from pathlib import Path

from vibe.core.errors import CallError

FOLDER = Path(str(files("vibe"))) / "guide"
TOPICS = (
    "start",
    "technician",
    "analyst",
    "desk",
    "engineer",
    "signatures",
    "reports",
    "drive-file",
    "captures",
    "surroundings",
    "theory",
    "limits",
    "python",
    "commands",
    "glossary",
    "changes",
)
"""A topic is the name of its file; a new file gets its place here."""
TO_TOPIC = re.compile(r"\[([^\]]+)\]\(([a-z-]+)\.md(?:#[\w-]*)?\)")
"""A link in Markdown to another topic."""
PLACE = re.compile(r"^<!-- made: ([a-z]+) -->$.*?^<!-- end -->$", re.MULTILINE | re.DOTALL)
"""A place in a page that holds what the program says of itself, so that nobody keeps it by hand; what stands there in
the file is for those who read the file."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Topic:
    """One page of the guide. ``text`` is Markdown that begins with the title and one sentence on what it is about."""

    name: str
    text: str

    @property
    def title(self) -> str:
        return self.text.partition("\n")[0].removeprefix("# ")

    @property
    def about(self) -> str:
        """The first paragraph in one line."""
        return " ".join(self.text.split("\n\n", 2)[1].split())

    @property
    def for_terminal(self) -> str:
        """The text where nobody can follow a link: it says what to type instead."""
        return TO_TOPIC.sub(r"\1 (`vibe guide \2`)", self.text)


def read_topic(name: str, made: Mapping[str, str]) -> Topic:
    """The page of that name; ``made`` holds the texts for its places, by their names.

    Raises:
        CallError: the guide has no such page; the message names those it has.
    """
    if name not in TOPICS:
        near = get_close_matches(name.lower(), TOPICS, n=1)
        meant = f"; did you mean {near[0]}?" if near else ""
        raise CallError(f"the guide has no topic {name!r}{meant} It has {', '.join(TOPICS)}")
    text = (FOLDER / f"{name}.md").read_text(encoding="utf-8")
    return Topic(name=name, text=PLACE.sub(lambda place: made[place[1]], text))


def read_topics(made: Mapping[str, str]) -> tuple[Topic, ...]:
    """The whole guide."""
    return tuple(read_topic(name, made) for name in TOPICS)
