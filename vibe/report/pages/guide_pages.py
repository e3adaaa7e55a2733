"""The guide as linked HTML pages in the style of the reports, whole in themselves."""

from __future__ import annotations

import base64
import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from markdown_it import MarkdownIt
from markdown_it.token import Token
from markupsafe import Markup

from vibe.core.errors import OutputError
from vibe.report.pages import shell
from vibe.report.pages.guide_topics import FOLDER, Topic
from vibe.storage.files import check_folder, write_whole

FIRST = "index"
"""The page of this name lists the others."""


@dataclass(frozen=True, slots=True)
class Heading:
    """A heading that the page's own list of contents shows."""

    anchor: str
    text: str


def write_guide(topics: Sequence[Topic], folder: Path, *, software: str, force: bool = False) -> tuple[Path, ...]:
    """Write ``index.html`` and one page a topic into ``folder``; the index comes first among the paths.

    Raises:
        OutputError: a file is there already and ``force`` is not given, or the folder cannot be written.
    """
    check_folder(folder)
    texts = {FIRST: index_page(topics, software)} | {one.name: topic_page(one, topics, software) for one in topics}
    files = {name: folder / f"{name}.html" for name in texts}
    if not force:
        for file in files.values():
            if file.exists():
                raise OutputError(f"{file} exists already; give --force to replace it, or another --out")
    return tuple(write_whole(files[name], text, force=force) for name, text in texts.items())


def index_page(topics: Sequence[Topic], software: str) -> str:
    """The list of topics, each with what it is about."""
    return shell.render("guide_index.html.j2", topics=topics, software=software, guide_style=_style())


def topic_page(topic: Topic, topics: Sequence[Topic], software: str) -> str:
    """One topic as a page: way to all others, contents, text, the topics before and after."""
    place = [one.name for one in topics].index(topic.name)
    body, headings = as_html(topic.text)
    return shell.render(
        "guide.html.j2",
        topic=topic,
        topics=topics,
        body=body,
        headings=headings,
        before=topics[place - 1] if place else None,
        after=topics[place + 1] if place + 1 < len(topics) else None,
        software=software,
        guide_style=_style(),
    )


def as_html(text: str) -> tuple[Markup, list[Heading]]:
    """Markdown as HTML, and its headings of the second rank.

    Raw HTML in the text is shown, not obeyed. Pictures go into the page; links between topics lead to their pages.
    """
    reader = MarkdownIt("commonmark", {"html": False}).enable("table")
    tokens = reader.parse(text)
    headings: list[Heading] = []
    for place, token in enumerate(tokens):
        if token.type == "heading_open":
            words = _plain(tokens[place + 1])
            token.attrSet("id", anchor(words))
            if token.tag == "h1":
                token.attrSet("data-sheet", words)
            elif token.tag == "h2":
                headings.append(Heading(anchor(words), words))
        elif token.type in {"th_open", "td_open"}:
            # The pages' policy allows no style attribute.
            if token.attrs.pop("style", None) == "text-align:right":
                token.attrSet("class", "n")
            if token.type == "th_open":
                token.attrSet("scope", "col")
        elif token.type == "fence":
            token.info = token.info.split(" ")[0]
        for child in token.children or ():
            if child.type == "link_open":
                child.attrSet("href", re.sub(r"^([a-z-]+)\.md(?=#|$)", r"\1.html", str(child.attrs["href"])))
            elif child.type == "image":
                child.attrSet("src", _inside(str(child.attrs["src"])))
    html = reader.renderer.render(tokens, reader.options, {})
    html = html.replace("<table>", '<div class="scroll"><table>').replace("</table>", "</table></div>")
    return Markup(html), headings


def anchor(words: str) -> str:
    """The name by which a heading is linked to, as code hosts make it: "A drive file" -> ``a-drive-file``."""
    return re.sub(r"[^\w -]", "", words.lower()).strip().replace(" ", "-")


def _plain(inline: Token) -> str:
    return "".join(child.content for child in inline.children or ())


def _inside(source: str) -> str:
    data = (FOLDER / source).read_bytes()
    return "data:image/png;base64," + base64.b64encode(data).decode("ascii")


def _style() -> Markup:
    return Markup((shell.TEMPLATES / "guide.css").read_text(encoding="utf-8"))
