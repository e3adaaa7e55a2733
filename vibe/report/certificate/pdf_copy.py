"""A PDF copy of a certificate: the files inside it, and the text of its pages.

pypdf is known here and to the writer.
"""

from __future__ import annotations

import io
import logging
import re
import unicodedata
from dataclasses import dataclass

from vibe.core.errors import CallError
from vibe.report.certificate.wording import PageWords, differences

_HEADS = (
    "No. Requirement Found Limit Answer Source",
    "Instrument At Serial number Calibrated Uncertainty, k = 2",
    "Part Would have shown from Note",
    "Run Load Load determined by Housing Oil Ambient Note",
    "File Run Points Length Rate Band to Load SHA-256",
    "File Run Length Rate Band to Load SHA-256",
)
"""Repeat on every page that a long table goes on to."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Opened:
    """What a PDF holds: attached files by name, its pages' text, and what was laid over its pages."""

    files: dict[str, list[bytes]]
    pages: list[str]
    overlaid: int


def shows(data: bytes, page: str) -> bool:
    """Whether the text of a PDF can be read back and is that of the page it was printed from."""
    opened = open_pdf(data)
    return opened is not None and not differing(page, opened)


def differing(page: str, opened: Opened) -> list[str]:
    """The first places where the text of a PDF is not that of the page, quoted."""
    seen = PageWords(page)
    original = _plain(" ".join(seen.words))
    copy = _plain(_without_drawings(" ".join(_without_margins(opened.pages, page)), seen.drawings))
    if original.replace(" ", "") == copy.replace(" ", ""):
        return []
    # Words are broken anew in print, so places are reported in words but judged in letters.
    return differences(original.split(), copy.split()) or ["the order of its words"]


def _without_margins(pages: list[str], page: str) -> list[str]:
    """The pages' text without what stands in their margins: the drive, and the page's number."""
    sheet = re.search(r'<h1 data-sheet="([^"]*)"', page)
    margin = "" if sheet is None else PageWords(f"<p>{sheet[1]}</p>").words
    start = r"\s*".join(re.escape(letter) for word in margin for letter in word)
    bare = []
    for number, text in enumerate(pages, start=1):
        foot = rf"(?:{start})?\s*Page\s*{number}\s*of\s*{len(pages)}"
        # One printer writes the margins last, the other first.
        bare.append(re.sub(rf"^\s*{foot}|{foot}\s*$", "", text, count=1))
    return bare


def _without_drawings(text: str, drawings: list[str]) -> str:
    """A copy's text without that of the drawings, which stands wherever the printer put it."""
    for drawing in drawings:
        letters = [re.escape(letter) for letter in drawing if not letter.isspace()]
        text = re.sub(r"\s*".join(letters), " ", text, count=1) if letters else text
    return text


def _plain(text: str) -> str:
    """Letters, digits and signs that fonts cannot garble; what repeats or only decorates is left out."""
    kept = "".join(c for c in unicodedata.normalize("NFKC", text) if c in "±−×" or " " <= c <= "~" or c == "\n")
    for head in _HEADS:
        kept = re.sub(r"\s*".join(re.escape(letter) for letter in head.replace(" ", "")), " ", kept)
    return " ".join(kept.split())


def open_pdf(data: bytes) -> Opened | None:
    """What the file holds; None where it is damaged.

    Raises:
        CallError: pypdf is missing.
    """
    try:
        from pypdf import PdfReader
    except ImportError as error:
        raise CallError(
            "the PDF was not checked, because pypdf is not installed; give the certificate's HTML or JSON copy"
        ) from error
    logging.getLogger("pypdf").setLevel(logging.CRITICAL)
    try:
        reader = PdfReader(io.BytesIO(data))
        files = {name: list(contents) for name, contents in reader.attachments.items()}
        return Opened(
            files=files,
            pages=[one.extract_text() for one in reader.pages],
            overlaid=sum(len(one.get("/Annots") or ()) for one in reader.pages),
        )
    except Exception:  # a damaged file can break a reader anywhere
        return None
