"""A PDF copy of a certificate: the files inside it, and the text of its pages.

pypdf is known here and to the writer.
"""

from __future__ import annotations

import io
import logging
import re
import unicodedata
from dataclasses import dataclass, replace

from vibe.core.errors import CallError
from vibe.report.certificate import HTML_NAME, JSON_NAME
from vibe.report.certificate_check import Check, Seen, Verification, check_page, check_record, differences

_HEADS = (
    "No. Requirement Found Limit Answer Source",
    "Instrument Serial number Calibrated Calibration uncertainty, k = 2",
)
"""Repeat on every page that a long table goes on to."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Opened:
    """What a PDF holds: attached files by name, its pages' text, and what was laid over its pages."""

    files: dict[str, list[bytes]]
    pages: list[str]
    overlaid: int


def check_pdf(data: bytes) -> Verification:
    """A PDF copy: the record in it, and whether its pages show that record. Pictures are not compared.

    Raises:
        CallError: the library that opens PDF files is missing.
    """
    if b"%%EOF" not in data[-1024:]:
        return _refused("the PDF has no end: the file was cut off or is still being copied")
    opened = _open(data)
    if opened is None:
        return _refused("the PDF is damaged and cannot be opened")
    records, sheets = opened.files.get(JSON_NAME, []), opened.files.get(HTML_NAME, [])
    if len(records) != 1 or len(sheets) != 1:
        return _refused(f"the PDF does not hold one {JSON_NAME} and one {HTML_NAME}: it was printed or saved anew")
    found = check_record(records[0])
    page = sheets[0].decode("utf-8", "replace")
    inside = check_page(page)
    if found.record is None or inside.record is None:
        return found if found.record is None else inside
    if inside.record != found.record:
        return _refused(f"{JSON_NAME} and {HTML_NAME} inside the PDF are of different results")
    return replace(inside, checks=(*inside.checks, _text_check(page, opened), _overlay_check(opened)))


def shows(data: bytes, page: str) -> bool:
    """Whether the text of a PDF can be read back and is that of the page it was printed from."""
    opened = _open(data)
    return opened is not None and not _differing(page, opened)


def _refused(text: str) -> Verification:
    return Verification(checks=(Check(what="PDF", fits=False, text=text),), record=None)


def _text_check(page: str, opened: Opened) -> Check:
    places = _differing(page, opened)
    if places:
        return Check(what="printed text", fits=False, text="the PDF shows another text: " + "; ".join(places))
    return Check(
        what="printed text", fits=True, text="the text of the pages is that of the record; pictures not compared"
    )


def _overlay_check(opened: Opened) -> Check:
    if opened.overlaid:
        return Check(what="additions", fits=False, text=f"{opened.overlaid} notes or fields were laid over its pages")
    return Check(what="additions", fits=True, text="nothing was laid over its pages")


def _differing(page: str, opened: Opened) -> list[str]:
    original = _plain(" ".join(Seen(page).words))
    copy = _plain(" ".join(_without_margins(opened.pages, page)))
    if original.replace(" ", "") == copy.replace(" ", ""):
        return []
    # Words are broken anew in print, so places are told in words but judged in letters.
    return differences(original.split(), copy.split()) or ["the order of its words"]


def _without_margins(pages: list[str], page: str) -> list[str]:
    """The pages' text without what stands in their margins: the drive, and the page's number."""
    sheet = re.search(r'<h1 data-sheet="([^"]*)"', page)
    margin = "" if sheet is None else Seen(f"<p>{sheet[1]}</p>").words
    start = r"\s*".join(re.escape(letter) for word in margin for letter in word)
    bare = []
    for number, text in enumerate(pages, start=1):
        foot = rf"(?:{start})?\s*Page\s*{number}\s*of\s*{len(pages)}"
        # One printer writes the margins last, the other first.
        bare.append(re.sub(rf"^\s*{foot}|{foot}\s*$", "", text, count=1))
    return bare


def _plain(text: str) -> str:
    """Letters, digits and signs that fonts cannot garble; what repeats or only decorates is left out."""
    kept = "".join(c for c in unicodedata.normalize("NFKC", text) if c in "±−×" or " " <= c <= "~" or c == "\n")
    for head in _HEADS:
        kept = re.sub(r"\s*".join(re.escape(letter) for letter in head.replace(" ", "")), " ", kept)
    return " ".join(kept.split())


def _open(data: bytes) -> Opened | None:
    """None where the file is damaged.

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
            overlaid=sum(not _signature(note) for one in reader.pages for note in one.get("/Annots") or ()),
        )
    except Exception:  # a damaged file can break a reader anywhere
        return None


def _signature(note: object) -> bool:
    """A field that holds an electronic signature."""
    content = note.get_object() if hasattr(note, "get_object") else {}
    return content.get("/Subtype") == "/Widget" and content.get("/FT") == "/Sig"
