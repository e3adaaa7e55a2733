"""What holds for every printed page, however long its text and whatever fonts the machine has."""

from __future__ import annotations

import html
import io
import re
import shutil
import subprocess
from dataclasses import dataclass
from typing import Any, cast

from pypdf import PdfReader

MARGIN_PT = 10 * 72 / 25.4
"""No page of ours has a narrower one, but for what runs in the margin."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Word:
    """A word on a page and its box, in points from the upper left."""

    text: str
    left: float
    top: float
    right: float
    bottom: float

    def covers(self, other: Word) -> bool:
        """Whether one is printed over the other, on the same line and by more than a hair."""
        across = min(self.right, other.right) - max(self.left, other.left)
        down = min(self.bottom, other.bottom) - max(self.top, other.top)
        return across > 1.0 and down > 0.4 * min(word.bottom - word.top for word in (self, other))


def texts_of(pdf: bytes) -> list[str]:
    return [page.extract_text() for page in PdfReader(io.BytesIO(pdf)).pages]


def check(pdf: bytes, *, title: str) -> list[str]:
    """The texts of the pages, after a look at what must be true of each.

    Tagged, with title and language, in the letters of vibe alone; every page says which one of how many it is.
    """
    reader = PdfReader(io.BytesIO(pdf))
    root: Any = reader.trailer["/Root"]
    assert root["/MarkInfo"]["/Marked"]
    assert root["/StructTreeRoot"]["/K"]
    assert root["/Lang"] == "en"
    assert reader.metadata is not None
    assert reader.metadata.title == title
    fonts = {
        str(font.get_object()["/BaseFont"]).split("+")[-1]
        for page in cast("list[Any]", reader.pages)
        for font in page["/Resources"]["/Font"].values()
    }
    assert all(font.startswith(("/DejaVu-Sans", "DejaVu-Sans")) for font in fonts), fonts
    texts = texts_of(pdf)
    for number, text in enumerate(texts, start=1):
        assert re.findall(r"Page\s+(\d+)\s+of\s+(\d+)", text) == [(str(number), str(len(texts)))]
        assert len(text.split()) > 12, f"page {number} is all but empty"
    if shutil.which("pdftotext"):
        for number, (width, height, words) in enumerate(boxes_of(pdf), start=1):
            outside = [
                word
                for word in words
                if not (word.left >= MARGIN_PT - 1 and word.right <= width - MARGIN_PT + 1)
                or not (word.top >= MARGIN_PT - 1 and word.bottom <= height - 0.3 * MARGIN_PT)
            ]
            assert outside == [], f"page {number}"
            over = [(a.text, b.text) for i, a in enumerate(words) for b in words[i + 1 :] if a.covers(b)]
            assert over == [], f"page {number}"
    return texts


def boxes_of(pdf: bytes) -> list[tuple[float, float, list[Word]]]:
    """Width and height of each page, and its words. Needs pdftotext."""
    done = subprocess.run(["pdftotext", "-bbox", "-", "-"], input=pdf, capture_output=True, check=True)
    pages = re.findall(r'<page width="([\d.]+)" height="([\d.]+)">(.*?)</page>', done.stdout.decode(), re.S)
    form = re.compile(r'<word xMin="([\d.-]+)" yMin="([\d.-]+)" xMax="([\d.-]+)" yMax="([\d.-]+)">(.*?)</word>')
    return [
        (
            float(width),
            float(height),
            [
                Word(text=html.unescape(text), left=float(a), top=float(b), right=float(c), bottom=float(d))
                for a, b, c, d, text in form.findall(words)
            ],
        )
        for width, height, words in pages
    ]
