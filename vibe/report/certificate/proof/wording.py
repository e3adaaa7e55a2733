"""The words of a certificate's page, and where two texts differ."""

from __future__ import annotations

import difflib
from html.parser import HTMLParser

MOST_PLACES = 3
"""Changed places that are quoted."""
SCRIPT_ID = "acceptance"
"""The element of the page that holds the record."""


def differences(original: list[str], copy: list[str]) -> list[str]:
    """The first places where two texts differ, quoted."""
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


class PageWords(HTMLParser):
    """What a page shows, word by word, and the records inside it."""

    def __init__(self, page: str) -> None:
        super().__init__(convert_charrefs=True)
        self.words: list[str] = []
        self.records: list[str] = []
        self.signatures: list[str] = []
        """As they stand next to the records; empty where a record has none."""
        self.drawings: list[str] = []
        """Text inside each drawing, which a printer puts out apart from that of the page."""
        self._inside = ""
        self._held = ""
        self._signature = ""
        self.feed(page)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag in ("script", "style", "title", "svg"):
            self._inside = f"{tag} {SCRIPT_ID}" if dict(attrs).get("id") == SCRIPT_ID else tag
            self._held = ""
            self._signature = dict(attrs).get("data-signature") or ""

    def handle_endtag(self, tag: str) -> None:
        if self._inside == f"script {SCRIPT_ID}" and tag == "script":
            self.records.append(self._held)
            self.signatures.append(self._signature)
        if self._inside == tag == "svg":
            self.drawings.append(self._held)
        if self._inside.split(" ")[0] == tag:
            self._inside = ""

    def handle_data(self, data: str) -> None:
        if self._inside:
            self._held += data
        else:
            self.words += data.split()
