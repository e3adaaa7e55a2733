"""Pages of the guide: whole in themselves, linked, within the screen."""

from __future__ import annotations

import html
import re
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pytest

from tests.report.browsing import fresh
from vibe.report.pages.content_policy import policy
from vibe.report.pages.guide_pages import as_html, write_guide
from vibe.report.pages.guide_topics import TOPICS, read_topics

SOFTWARE = "vibe 1.2.3"


class Parts(HTMLParser):
    """Elements with their attributes."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    def all(self, name: str) -> list[str]:
        return [value for _, attrs in self.tags if (value := attrs.get(name)) is not None]


@pytest.fixture(scope="module")
def pages(tmp_path_factory: pytest.TempPathFactory) -> dict[str, str]:
    folder = tmp_path_factory.mktemp("guide")
    made = write_guide(read_topics({"commands": "### vibe\n\nAll of it."}), folder, software=SOFTWARE)
    assert made[0].name == "index.html"
    return {path.stem: path.read_text(encoding="utf-8") for path in made}


def test_every_link_leads_to_a_page_and_a_place(pages: dict[str, str]) -> None:
    places = {name: set(Parts(text).all("id")) for name, text in pages.items()}
    for name, text in pages.items():
        for target in Parts(text).all("href"):
            page, _, place = target.partition("#")
            assert re.fullmatch(r"[a-z-]+\.html|", page), target
            assert not place or place in places[page.removesuffix(".html") or name], target
        assert set(re.findall(r'href="([\w-]+)\.html', text)) >= set(TOPICS) - ({name} if name == "index" else set())


def test_pages_need_nothing_but_themselves(pages: dict[str, str]) -> None:
    for text in pages.values():
        parts = Parts(text)
        assert not {tag for tag, _ in parts.tags} & {"script", "link", "iframe", "object", "form", "base"}
        assert not parts.all("style")
        assert all(source.startswith("data:image/png;base64,") for source in parts.all("src"))
        (said,) = re.findall(r'Content-Security-Policy" content="([^"]*)"', text)
        assert html.unescape(said) == policy(text.partition("<style>")[2].partition("</style>")[0])
        assert SOFTWARE in text
    assert any(Parts(text).all("src") for text in pages.values())


def test_what_is_no_markdown_stays_text() -> None:
    body, headings = as_html("# T\n\n## A b\n\n<script>x()</script> [a](javascript:x) `<b>`\n\n| n |\n|--:|\n| 1 |\n")
    assert "<script>" not in body
    assert "&lt;script&gt;" in body
    assert "javascript:x" not in re.findall(r'href="([^"]*)"', body)
    assert [(one.anchor, one.text) for one in headings] == [("a-b", "A b")]
    assert '<td class="n">1</td>' in body


@pytest.fixture(scope="module")
def narrow(offline_browser: Any) -> Any:
    return fresh(offline_browser, width=390)


def test_nothing_runs_off_a_small_screen(narrow: Any, pages: dict[str, str], tmp_path: Path) -> None:
    narrow.execute_cdp_cmd(
        "Emulation.setDeviceMetricsOverride", {"width": 390, "height": 900, "deviceScaleFactor": 1, "mobile": True}
    )
    for name, text in pages.items():
        page = tmp_path / f"{name}.html"
        page.write_text(text, encoding="utf-8")
        narrow.get(page.as_uri())
        assert narrow.execute_script("return document.documentElement.scrollWidth") <= 390, name
    refused = [entry["message"] for entry in narrow.get_log("browser") if "Content Security" in entry["message"]]
    assert refused == []
