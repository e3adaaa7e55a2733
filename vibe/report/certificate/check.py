"""Is this copy of a certificate unchanged? Says in plain words what was compared, and what was not."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from vibe.core.errors import CallError
from vibe.core.records.acceptance import Acceptance
from vibe.report.certificate.certificate import (
    HTML_NAME,
    JSON_NAME,
    LAYOUT,
    NO_SEAL,
    PAGE_HASH,
    SCHEMA,
    acceptance_of,
    certificate_html,
    layout,
    page_hash,
)
from vibe.report.certificate.pdf_copy import Opened, differing, open_pdf
from vibe.report.certificate.view import seal_digits
from vibe.report.certificate.wording import PageWords, differences
from vibe.storage.digest import SEAL, SealError, read_sealed, seal_of

MOST_BYTES = 200_000_000
"""A certificate is far smaller; what is larger is something else."""
LEAST_DIGITS = 16
"""Of a seal typed by hand."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CertificateCheck:
    """One thing compared; ``fits`` None: it could not be."""

    what: str
    fits: bool | None
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Verification:
    """What was found of one file. ``record`` None where none could be read."""

    checks: tuple[CertificateCheck, ...]
    record: dict[str, Any] | None

    @property
    def failed(self) -> tuple[CertificateCheck, ...]:
        return tuple(check for check in self.checks if check.fits is False)


def verify_certificate(path: Path, *, captures: Path | None = None, seal: str | None = None) -> Verification:
    """Compare a JSON, HTML or PDF copy with the seal in it, with ``seal`` typed from the original, and its captures.

    Raises:
        CallError: the file cannot be read or is no certificate, ``seal`` is no part of one, or ``captures`` no folder.
    """
    expected = None if seal is None else _typed(seal)
    if captures is not None and not captures.is_dir():
        raise CallError(f"{captures} is no folder; name the one that holds the captures with --captures")
    data = read_file(path)
    kind = kind_of(data)
    if kind == "json":
        found = check_record(data)
    elif kind == "html":
        found = check_page(data.decode("utf-8", "replace"))
    elif kind == "pdf":
        found = check_pdf(data)
    else:
        raise CallError(f"{path} is no certificate: give acceptance.json, certificate.html or certificate.pdf")
    more: list[CertificateCheck] = []
    if found.record is not None:
        if expected is not None:
            more.append(_against(expected, found.record[SEAL]))
        if captures is not None:
            more += _captures(found.record, captures)
    return replace(found, checks=(*found.checks, *more))


def read_file(path: Path) -> bytes:
    """The bytes of a certificate.

    Raises:
        CallError: there is no such file, or it is far too large.
    """
    try:
        if path.exists() and not path.is_file():
            raise CallError(f"{path} is no ordinary file: give acceptance.json, certificate.html or certificate.pdf")
        if path.stat().st_size > MOST_BYTES:
            raise CallError(f"{path} is far too large for a certificate")
        return path.read_bytes()
    except OSError as error:
        raise CallError(f"{path} cannot be read: {(error.strerror or str(error)).lower()}") from error


def kind_of(data: bytes) -> str:
    """``json``, ``html``, ``pdf``, or empty for none of them; told by the content."""
    head = data[:1024].lstrip(b"\xef\xbb\xbf \t\r\n")
    if head.startswith(b"{"):
        return "json"
    if head[:100].lower().startswith((b"<!doctype html", b"<html")):
        return "html"
    return "pdf" if b"%PDF-" in head else ""


def check_record(text: str | bytes) -> Verification:
    """The record alone: whether its seal fits, and whether the page that it concerns follows from it."""
    try:
        record = read_sealed(text)
        fits = seal_of(record) == record[SEAL]
    except SealError as error:
        return Verification(
            checks=(CertificateCheck(what="record", fits=False, text=f"it cannot be read: {error}"),), record=None
        )
    if not fits:
        changed = "the record was changed after it was sealed: its content has another hash than the seal says"
        return Verification(checks=(CertificateCheck(what="seal", fits=False, text=changed),), record=record)
    kept = CertificateCheck(what="seal", fits=True, text="the record is as it was sealed")
    return Verification(checks=(kept, _follows(record)), record=record)


def remade(record: dict[str, Any]) -> tuple[Acceptance, str] | None:
    """The acceptance and its page without seal, made again; None where this version makes other pages.

    Raises:
        SealError: the record says that it has this version's form, and has not.
    """
    if record.get("schema") != SCHEMA or record.get(LAYOUT) != layout():
        return None
    acceptance = acceptance_of(record)
    return acceptance, certificate_html(acceptance)


def _follows(record: dict[str, Any]) -> CertificateCheck:
    what = "page follows from record"
    try:
        made = remade(record)
    except SealError as error:
        return CertificateCheck(what=what, fits=False, text=f"the record cannot be shown: {error}")
    if made is None:
        by = str(record.get("software", "another version"))
        return CertificateCheck(what=what, fits=None, text=f"made by {by} with another layout than this version's")
    if page_hash(made[1]) == record.get(PAGE_HASH):
        return CertificateCheck(what=what, fits=True, text="made again from the record, the page is the same")
    return CertificateCheck(what=what, fits=False, text="the sealed page is not the one that the record makes")


def check_page(page: str) -> Verification:
    """An HTML copy: the record in it, and whether the page shows that record and nothing else."""
    try:
        seen = PageWords(page)
    except AssertionError:  # what the library says of a marked section that has no name
        broken = CertificateCheck(what="page", fits=False, text="the page is damaged and cannot be read")
        return Verification(checks=(broken,), record=None)
    if not page.rstrip().endswith("</html>"):
        cut = CertificateCheck(
            what="page", fits=False, text="the page has no end: the file was cut off or is still being copied"
        )
        return Verification(checks=(cut,), record=None)
    if len(seen.records) != 1:
        count = "no record" if not seen.records else f"{len(seen.records)} records"
        return Verification(
            checks=(CertificateCheck(what="record", fits=False, text=f"the page holds {count} instead of one"),),
            record=None,
        )
    found = check_record(seen.records[0])
    if found.record is None:
        return found
    text, inside = page.replace("\r\n", "\n"), seen.records[0].replace("\r\n", "\n")
    digits = str(seal_digits(found.record[SEAL]))
    # Only the one place of each is left out of the hash; a second copy, or a seal taken out, shows.
    bare = text.replace(inside, "", 1).replace(digits, str(seal_digits(NO_SEAL)), 1)
    alone = text.count(digits) == 1 and "<" not in inside
    if alone and page_hash(bare) == found.record.get(PAGE_HASH):
        shown = CertificateCheck(
            what="page", fits=True, text="what it shows is as it was sealed, to the last character"
        )
    else:
        shown = CertificateCheck(
            what="page", fits=False, text=_changed(bare, found) if alone else "its printed seal is not its record's"
        )
    return replace(found, checks=(*found.checks, shown))


def check_pdf(data: bytes) -> Verification:
    """A PDF copy: the record in it, and whether its pages show that record. Pictures are not compared.

    Raises:
        CallError: the library that opens PDF files is missing.
    """
    if b"%%EOF" not in data[-1024:]:
        return _refused("the PDF has no end: the file was cut off or is still being copied")
    opened = open_pdf(data)
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


def _refused(text: str) -> Verification:
    return Verification(checks=(CertificateCheck(what="PDF", fits=False, text=text),), record=None)


def _text_check(page: str, opened: Opened) -> CertificateCheck:
    places = differing(page, opened)
    if places:
        return CertificateCheck(
            what="printed text", fits=False, text="the PDF shows another text: " + "; ".join(places)
        )
    return CertificateCheck(
        what="printed text", fits=True, text="the text of the pages is that of the record; pictures not compared"
    )


def _overlay_check(opened: Opened) -> CertificateCheck:
    if opened.overlaid:
        return CertificateCheck(
            what="additions", fits=False, text=f"{opened.overlaid} notes or fields were laid over its pages"
        )
    return CertificateCheck(what="additions", fits=True, text="nothing was laid over its pages")


def _changed(bare: str, found: Verification) -> str:
    """Where a page differs from the sealed one, as far as that can be determined."""
    made = None
    if found.record is not None and not found.failed:
        made = remade(found.record)
    if made is None or found.record is None or page_hash(made[1]) != found.record.get(PAGE_HASH):
        return "the page was changed; where is not known to this version"
    places = differences(PageWords(made[1]).words, PageWords(bare).words)
    if not places:
        return "the words are the original's, but style or structure was changed, and something may be hidden"
    return "the page was changed: " + "; ".join(places)


def _typed(seal: str) -> str:
    digits = re.sub(r"[\s.:-]", "", seal).lower()
    if not re.fullmatch(rf"[0-9a-f]{{{LEAST_DIGITS},64}}", digits):
        raise CallError(f"--seal needs the seal's digits from the left, {LEAST_DIGITS} of the 64 at least")
    return digits


def _against(expected: str, seal: str) -> CertificateCheck:
    if seal.startswith(expected):
        return CertificateCheck(
            what="original's seal", fits=True, text=f"its {len(expected)} digits are those of this copy"
        )
    return CertificateCheck(
        what="original's seal", fits=False, text=f"another one: this copy has {seal[:LEAST_DIGITS]}…"
    )


def _captures(record: dict[str, Any], folder: Path) -> Iterator[CertificateCheck]:
    try:
        named = acceptance_of(record).captures
    except SealError as error:
        yield CertificateCheck(what="captures", fits=None, text=f"not compared: {error}")
        return
    if not named:
        yield CertificateCheck(what="captures", fits=None, text="the certificate names none")
    root = folder.resolve()
    below: dict[str, list[Path]] = {}
    for one in sorted(root.rglob("*")):
        below.setdefault(one.name, []).append(one)
    for name, digest in named:
        path = _inside(root, name, below)
        if path is None:
            yield CertificateCheck(what=name, fits=False, text=f"there is no such file in {folder}")
            continue
        with path.open("rb") as stream:
            same = hashlib.file_digest(stream, "sha256").hexdigest() == digest.lower()
        yield CertificateCheck(
            what=name, fits=same, text="the same file" if same else "another content than the one that was judged"
        )


def _inside(root: Path, name: str, below: dict[str, list[Path]]) -> Path | None:
    """The file of that name in a folder or, if only one has it, by its last part anywhere below; never outside."""
    try:
        direct = (root / name).resolve()
        if direct.is_relative_to(root) and direct.is_file():
            return direct
        same = [path for path in below.get(re.split(r"[\\/]", name)[-1], []) if path.is_file()]
    except (OSError, ValueError):  # a name that no file can have
        return None
    return same[0] if len(same) == 1 else None
