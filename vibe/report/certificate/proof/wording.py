"""The words of a certificate's page, and where two texts differ."""

from __future__ import annotations

import difflib
import re
from html.parser import HTMLParser

MOST_PLACES = 3
"""Changed places that are quoted."""
MOST_WORDS = 20_000
"""Words of a copy beyond those of its original that are still compared one by one (our choice: seconds)."""
SCRIPT_ID = "acceptance"
"""The element of the page that holds the record."""
_LONGEST_PAGE = 5_000_000
"""Signs of a page; certificates have some hundred thousand (our choice, wide: seconds of reading)."""
_LONGEST_TAG = 20_000
"""Signs of a tag with its attributes; those of certificates have some hundred (our choice, wide)."""


def differences(original: list[str], copy: list[str]) -> list[str]:
    """The first places where two texts differ, quoted."""
    if len(copy) > len(original) + MOST_WORDS:
        return [f"{len(copy) - len(original):,} words were added"]
    matcher = difflib.SequenceMatcher(None, original, copy, autojunk=False)
    places = []
    for what, a, b, c, d in matcher.get_opcodes():
        was, now = _quoted(original[a:b]), _quoted(copy[c:d])
        if what == "replace":
            places.append(f"{now} stands where {was} belongs")
        elif what == "delete":
            places.append(f"{was} is missing")
        elif what == "insert":
            places.append(f"{now} was added")
    if len(places) > MOST_PLACES:
        return [*places[:MOST_PLACES], f"and {len(places) - MOST_PLACES} places more"]
    return places


def _quoted(words: list[str]) -> str:
    text = " ".join(words)
    return f"“{text if len(text) <= 60 else text[:59] + '…'}”"


class DamagedPageError(ValueError):
    """A page that no program of ours has made; the message says what is in it."""


class PageWords(HTMLParser):
    """What a page shows, word by word, and the records inside it.

    Raises:
        DamagedPageError: it holds what the parser would take the square of its length for, and no certificate does.
    """

    def __init__(self, page: str) -> None:
        super().__init__(convert_charrefs=True)
        self.words: list[str] = []
        self.records: list[str] = []
        self.signatures: list[str] = []
        """As they stand next to the records; empty where a record has none."""
        self.drawings: list[str] = []
        """Text inside each drawing, which a printer puts out apart from that of the page."""
        self._inside = ""
        self._held: list[str] = []
        self._signature = ""
        _refuse_what_has_no_end(page)
        try:
            self.feed(page)
            self.close()
        except AssertionError:  # what the library says of a marked section that has no name
            raise DamagedPageError("a section that has no name") from None

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag in ("script", "style", "title", "svg"):
            self._inside = f"{tag} {SCRIPT_ID}" if dict(attrs).get("id") == SCRIPT_ID else tag
            self._held = []
            self._signature = dict(attrs).get("data-signature") or ""

    def handle_endtag(self, tag: str) -> None:
        if self._inside == f"script {SCRIPT_ID}" and tag == "script":
            self.records.append("".join(self._held))
            self.signatures.append(self._signature)
        if self._inside == tag == "svg":
            self.drawings.append("".join(self._held))
        if self._inside.split(" ")[0] == tag:
            self._inside = ""

    def handle_data(self, data: str) -> None:
        if self._inside:
            self._held.append(data)
        else:
            self.words += data.split()


def _refuse_what_has_no_end(page: str) -> None:
    """The parser looks for the end of each comment anew, and keeps every attribute of a tag.

    Raises:
        DamagedPageError: too long, comments, instructions, or a tag that does not end.
    """
    if len(page) > _LONGEST_PAGE:
        raise DamagedPageError(f"{len(page) / 1e6:.0f} million signs, far more than any certificate")
    if page.count("<!") > 1 or "<?" in page:  # a page begins with its declaration
        raise DamagedPageError("a comment or an instruction, which no certificate has")
    # Signs of a tag are written in another way where they stand for themselves, in words as in the record.
    for tag in re.finditer("<[^<>]*(.?)", page, re.DOTALL):
        if tag[1] != ">" or len(tag[0]) > _LONGEST_TAG:
            raise DamagedPageError("a tag that does not end")
