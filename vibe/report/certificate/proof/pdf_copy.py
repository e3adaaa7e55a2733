"""A PDF copy of a certificate: the files inside it, and the text of its pages.

pypdf is known here and to the writer.
"""

from __future__ import annotations

import hashlib
import io
import logging
import re
import unicodedata
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, cast

from vibe.core.errors import CallError
from vibe.report.certificate.proof.wording import PageWords, differences

if TYPE_CHECKING:
    from pypdf import PdfReader
    from pypdf.generic import ContentStream

_HEADS = (
    "No. Requirement Found Limit Answer Source",
    "Instrument At Serial number Calibrated Uncertainty, k = 2",
    "Part Would have shown from Note",
    "Run Load Load determined by Housing Oil Ambient Note",
    "File Run Points Length Rate Band to Load SHA-256",
    "File Run Length Rate Band to Load SHA-256",
)
"""Repeat on every page that a long table goes on to."""


VOUCHED = "/VIBE_Pages"
"""Where the catalog of a PDF holds the digits of the signature of its pages by the record's key."""
_NOT_OF_PAGE = {"/Parent", "/Kids", "/Count", "/Annots", "/StructParents"}
"""What of a page shows nothing, or changes when it is signed; notes are counted instead."""
_PACKING = {"/Length", "/Filter", "/DecodeParms"}
_NOT_OF_PAGES = {
    "/Pages", "/AcroForm", "/Perms", "/Extensions", "/Names", "/Metadata", "/StructTreeRoot", "/Outlines", "/Version",
    VOUCHED,
}  # fmt: skip
"""What of the catalog is no instruction to a viewer on how to show pages, or is added when a PDF is signed."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Opened:
    """What a PDF holds: attached files by name, its pages' text, and what was laid over its pages.

    ``overlaid`` counts notes and fields but the place of a signature that shows nothing, ``pictures`` those of pixels,
    of which a certificate has none, ``fields`` those that are meant for signatures. ``drawn`` is the SHA-256 of all
    that pages are drawn from, and ``vouched`` the signature over it by the record's key; empty where there is none.
    """

    files: dict[str, list[bytes]]
    pages: list[str]
    overlaid: int
    pictures: int = 0
    fields: int = 0
    drawn: str = ""
    vouched: bytes = b""


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
        seen: set[int] = set()
        files = {name: list(contents) for name, contents in reader.attachments.items()}
        return Opened(
            files=files,
            pages=[one.extract_text() for one in reader.pages],
            overlaid=sum(not _shows_nothing(note) for one in reader.pages for note in _notes(one)),
            pictures=sum(_pictures(one, reader, seen) + _inline(one.get_contents()) for one in reader.pages),
            fields=len(_signature_fields(reader)),
            drawn=_drawn(reader),
            vouched=bytes.fromhex(str(_part(reader.root_object, VOUCHED, ""))),
        )
    except Exception:  # a damaged file can break a reader anywhere
        return None


def _part(holder: Any, name: str, without: Any) -> Any:
    """What stands under a name, wherever in the file it lies."""
    value = holder.get(name)
    return without if value is None else value.get_object()


def _notes(page: Any) -> list[Any]:
    """Notes and fields of a page."""
    return [one.get_object() for one in _part(page, "/Annots", ())]


def _shows_nothing(note: Any) -> bool:
    """Whether a note is the place of a signature, without size and look."""
    left, low, right, high = (float(number) for number in _part(note, "/Rect", (0, 0, 1, 1)))
    return note.get("/FT") == "/Sig" and "/AP" not in note and left == right and low == high


def _pictures(holder: Any, reader: PdfReader, seen: set[int]) -> int:
    """Pictures of pixels in what a page can draw, in its forms and patterns too."""
    from pypdf.generic import ContentStream

    resources = _part(holder, "/Resources", {})
    count = 0
    for kind in ("/XObject", "/Pattern"):
        for one in _part(resources, kind, {}).values():
            drawn = one.get_object()
            if id(drawn) in seen:
                continue
            seen.add(id(drawn))
            if drawn.get("/Subtype") == "/Image":
                count += 1
            elif hasattr(drawn, "get_data"):
                count += _inline(ContentStream(drawn, reader)) + _pictures(drawn, reader, seen)
    return count


def _inline(drawing: ContentStream | None) -> int:
    return 0 if drawing is None else sum(name == b"INLINE IMAGE" for _, name in drawing.operations)


def _signature_fields(reader: PdfReader) -> set[int]:
    """Fields that are meant for signatures, of the form and of pages, by their number in the file."""
    waiting = list(_part(_part(reader.root_object, "/AcroForm", {}), "/Fields", ()))
    for page in reader.pages:
        waiting += list(_part(page, "/Annots", ()))
    found: set[int] = set()
    seen: set[int] = set()
    while waiting:
        one = waiting.pop()
        number = getattr(one, "idnum", None) or id(one.get_object())
        if number in seen:
            continue
        seen.add(number)
        field = one.get_object()
        waiting += list(_part(field, "/Kids", ()))
        if field.get("/FT") == "/Sig":
            found.add(number)
    return found


def _drawn(reader: PdfReader) -> str:
    """SHA-256 of all that pages are drawn from, wherever in the file it lies: contents, fonts, forms, sizes, layers."""
    digest = hashlib.sha256()
    seen: dict[int, int] = {}
    catalog = {name: value for name, value in reader.root_object.items() if name not in _NOT_OF_PAGES}
    _feed(digest, catalog, seen)
    for page in reader.pages:
        level: Any = page
        above: set[int] = set()
        while level is not None:
            if id(level) in above:
                raise ValueError("its pages go round in a circle")
            above.add(id(level))
            _feed(digest, {name: value for name, value in level.items() if name not in _NOT_OF_PAGE}, seen)
            level = _part(level, "/Parent", None)
    return digest.hexdigest()


def _feed(digest: Any, value: Any, seen: dict[int, int]) -> None:
    """Put a value and all that it refers to into a digest, each thing once and in an order that the file cannot set."""
    number = getattr(value, "idnum", None)
    if number is not None:
        if number in seen:
            digest.update(b"again %d;" % seen[number])
            return
        seen[number] = len(seen)
        value = value.get_object()
    if isinstance(value, dict):
        packed = hasattr(value, "get_data")
        content = cast(Any, value).get_data() if packed else b""
        names = sorted(name for name in value if not (packed and name in _PACKING))
        digest.update(b"table %d %d;" % (len(names), len(content)) + content)
        for name in names:
            digest.update(b"name %d;" % len(name.encode()) + name.encode())
            _feed(digest, value.raw_get(name) if hasattr(value, "raw_get") else value[name], seen)
    elif isinstance(value, list):
        digest.update(b"list %d;" % len(value))
        for one in value:
            _feed(digest, one, seen)
    else:
        # Numbers are written anew when a PDF is signed: 1.50 is 1.5.
        plain = repr(float(value)) if isinstance(value, (int, float)) else repr(value)
        digest.update(f"{type(value).__name__} {len(plain)};{plain}".encode("utf-8", "surrogatepass"))
