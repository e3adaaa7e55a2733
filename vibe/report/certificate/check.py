"""Is this copy of a certificate unchanged? Says in plain words what was compared, and what was not.

A copy is *signed by* somebody whose key is known, *unsigned*, or *broken*. The seal alone shows that a copy agrees with
itself, and anybody can make one that does. Page and record are compared byte by byte with what the record makes; what
an unsigned PDF shows cannot be compared at all, since no two printers write the same bytes.
"""

from __future__ import annotations

import base64
import binascii
import hashlib
import re
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Literal

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
    signature_mark,
)
from vibe.report.certificate.proof.keys import KnownKeys
from vibe.report.certificate.proof.pdf_copy import Opened, differing, open_pdf
from vibe.report.certificate.proof.pdf_signature import PdfSignatureError, check_signature, is_signed
from vibe.report.certificate.proof.signature import SIGNATURE, SIGNED_BY, pages_vouched, wrong_with_signature
from vibe.report.certificate.proof.wording import DamagedPageError, PageWords, differences
from vibe.report.certificate.view import seal_digits
from vibe.storage.digest import SEAL, SealError, read_sealed, seal_of, written

MOST_BYTES = 200_000_000
"""A certificate is far smaller; what is larger is something else."""
LEAST_DIGITS = 16
"""Of a seal typed by hand."""

HEALTH = b'"vibe.health/'
"""What stands in a health report where a certificate's record says of which form it is."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CertificateCheck:
    """One thing compared; ``fits`` None: it could not be."""

    what: str
    fits: bool | None
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Verification:
    """What was found of one file. ``record`` None where none could be read.

    ``signature``: made with a key that was given, with the one that the record itself names, or none. ``expected``: a
    key was given. ``comparable``: what the copy shows could be compared with what its record makes.
    """

    checks: tuple[CertificateCheck, ...]
    record: dict[str, Any] | None
    signature: Literal["known", "unknown", "none"] = "none"
    expected: bool = False
    comparable: bool = True

    @property
    def failed(self) -> tuple[CertificateCheck, ...]:
        return tuple(check for check in self.checks if check.fits is False)

    @property
    def proved(self) -> bool:
        """Whether the copy is as its issuer made it or, where nobody is expected, at least as its record makes it."""
        if self.failed or self.record is None:
            return False
        return self.signature == "known" or (self.comparable and not self.expected)

    @property
    def answer(self) -> str:
        """What the certificate answers: ``pass``, ``fail`` or ``undetermined``; empty of a broken one."""
        return "" if self.failed or self.record is None else str(self.record.get("answer"))

    @property
    def states(self) -> str:
        """Which certificate this is, of which drive, and what it answers, in a sentence; empty of a broken one.

        Whose word that is says the verdict: what is signed by its maker may well be a fail.
        """
        if self.failed or self.record is None:
            return ""
        issue = self.record.get("issue")
        number = issue.get("number") if isinstance(issue, dict) else None
        parts = [f"certificate no. {number}" if number else "certificate without a number"]
        parts += [f"drive {self.record.get('drive')}", f"serial {self.record.get('serial')}"]
        return f"{', '.join(parts)}: answer {self.answer.upper()}"

    @property
    def word(self) -> str:
        """The verdict in a word."""
        if self.failed or self.record is None:
            return "broken"
        return {"none": "unsigned", "unknown": "signed, key unknown", "known": "signed"}[self.signature]

    @property
    def verdict(self) -> str:
        """``signed by …``, ``… unsigned …`` or ``broken: …``, in a sentence."""
        if self.failed or self.record is None:
            first = self.failed[0]
            more = f"; and {len(self.failed) - 1} more do not fit" if len(self.failed) > 1 else ""
            return f"broken: {first.what}: {first.text}{more}"
        by = self.record.get(SIGNED_BY) or {}
        if self.signature == "known":
            return f"signed by {by.get('name')}, key {by.get('key')}"
        if self.signature == "unknown":
            return (
                f"signed with the key {by.get('key')}, which calls itself {by.get('name')}: nothing was changed since. "
                "Anyone could have made such a key: give the signer's own with --key"
            )
        if by:
            return f"unsigned: its record says that {by.get('name')} signed it, and the signature is not with it"
        word = "unsigned, and a signature was expected" if self.expected else "sealed, unsigned"
        if not self.comparable:
            return f"{word}: what it shows is not comparable, read the record (vibe certificate show)"
        return f"{word}: it agrees with itself, and anyone could have made it"


def verify_certificate(
    path: Path,
    *,
    captures: Path | None = None,
    seal: str | None = None,
    known: KnownKeys | None = None,
    signature: Path | None = None,
) -> Verification:
    """Check a JSON, HTML or PDF copy: its seal, its signature, what it shows, and the captures that it rests on.

    ``known``: the keys that it must be signed with. ``seal``: as typed from the original. ``signature``: of a JSON
    copy, where it does not lie next to it.

    Raises:
        CallError: the file cannot be read or is no certificate, ``seal`` is no part of one, ``captures`` no folder, or
            a record is to be checked and no key of records was given.
    """
    expected = None if seal is None else _typed(seal)
    if captures is not None and not captures.is_dir():
        raise CallError(f"{captures} is no folder; name the one that holds the captures with --captures")
    data = read_file(path)
    kind = kind_of(data)
    if kind == "json" and HEALTH in data and b'"' + SCHEMA.encode() + b'"' not in data:
        raise CallError(
            f"{path} is a health report and no certificate: give acceptance.json, certificate.html or certificate.pdf"
        )
    if known is not None and not known.record and kind in ("json", "html"):
        raise CallError("what was given with --key checks PDF files only: give the signer's public_key.pem")
    if kind == "json":
        found = check_record(data, _signature_of(path, signature), known)
    elif kind == "html":
        found = check_page(data, known)
    elif kind == "pdf":
        found = check_pdf(data, known)
    else:
        raise CallError(f"{path} is no certificate: give acceptance.json, certificate.html or certificate.pdf")
    more: list[CertificateCheck] = []
    if found.record is not None:
        if expected is not None:
            more.append(_against(expected, found.record[SEAL]))
        if captures is not None:
            more += _captures(found.record, captures)
    return replace(found, checks=(*found.checks, *more), expected=known is not None)


def _signature_of(path: Path, given: Path | None) -> bytes:
    """The signature next to a record; empty where there is none."""
    place = given or path.with_name(path.name + SIGNATURE)
    if given is None and not place.is_file():
        return b""
    content = read_file(place)
    if not content:
        raise CallError(f"{place} is empty: ask for it again")
    return content


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
    """``json``, ``html``, ``pdf``, or empty for none of them; by the content."""
    head = data[:1024].lstrip(b"\xef\xbb\xbf \t\r\n")
    if head.startswith(b"{"):
        return "json"
    if head[:100].lower().startswith((b"<!doctype html", b"<html")):
        return "html"
    return "pdf" if b"%PDF-" in head else ""


def check_record(
    text: str | bytes, signature: bytes = b"", known: KnownKeys | None = None, *, embedded: bool = False
) -> Verification:
    """The record alone: its seal, its signature, and whether the page that it concerns follows from it.

    ``embedded``: it stood in a page, where some characters are written in another way.
    """
    content = text.encode("utf-8", "surrogatepass") if isinstance(text, str) else text
    try:
        record = read_sealed(content)
        fits = seal_of(record) == record[SEAL]
    except SealError as error:
        return Verification(
            checks=(CertificateCheck(what="record", fits=False, text=f"it cannot be read: {error}"),), record=None
        )
    if not fits:
        changed = "the record was changed after it was sealed: its content has another hash than the seal says"
        return Verification(checks=(CertificateCheck(what="seal", fits=False, text=changed),), record=record)
    checks = [CertificateCheck(what="seal", fits=True, text="the record is as it was sealed")]
    bare = written(record).encode()
    if not embedded and content != bare:
        why = "only the ends of its lines differ" if content.replace(b"\r\n", b"\n") == bare else "its form differs"
        checks.append(
            CertificateCheck(
                what="bytes", fits=False,
                text=f"the file was saved anew: it holds the same record, but {why}; ask for the file itself",
            )
        )  # fmt: skip
    signed: Literal["known", "unknown", "none"] = "none"
    if signature:
        wrong = wrong_with_signature(record, bare, signature, known)
        signed = "unknown" if known is None or not known.record else "known"
        checks.append(
            CertificateCheck(what="signature", fits=not wrong, text=wrong or "it is that of this record, byte for byte")
        )
    checks.append(_follows(record))
    comparable = embedded or record.get(SIGNED_BY) is None or signed != "none"
    return Verification(checks=tuple(checks), record=record, signature=signed, comparable=comparable)


def remade(record: dict[str, Any]) -> tuple[Acceptance, str] | None:
    """The acceptance and its page without seal, made again; None where this version makes other pages.

    Raises:
        SealError: the record says that it has this version's form, and has not.
    """
    if not made_here(record):
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


def check_page(data: bytes, known: KnownKeys | None = None) -> Verification:
    """An HTML copy: the record in it, and whether the page is what that record makes, and nothing else."""
    page = data.decode("utf-8", "replace")
    if page.encode() != data:
        return _refused("the page is damaged: it is no text in UTF-8", "page")
    if not page.rstrip().endswith("</html>"):
        if "</html>" in page:
            return _refused("words that do not belong to it stand behind its end: something was appended", "page")
        return _refused("the page has no end: the file was cut off or is still being copied", "page")
    try:
        seen = PageWords(page)
    except DamagedPageError as error:
        broken = CertificateCheck(what="page", fits=False, text=f"the page is damaged or was changed: it holds {error}")
        return Verification(checks=(broken,), record=None)
    if len(seen.records) != 1:
        count = "no record" if not seen.records else f"{len(seen.records)} records"
        return Verification(
            checks=(CertificateCheck(what="record", fits=False, text=f"the page holds {count} instead of one"),),
            record=None,
        )
    try:
        signature = base64.b64decode(seen.signatures[0], validate=True)
    except (binascii.Error, ValueError):
        return _refused("its signature cannot be read", "signature")
    found = check_record(seen.records[0], signature, known, embedded=True)
    if found.record is None:
        return found
    made = None if found.failed else remade(found.record)
    if made is not None and certificate_html(made[0], found.record, signature) == page:
        shown = CertificateCheck(what="page", fits=True, text="byte by byte what its record makes")
        comparable = found.record.get(SIGNED_BY) is None or bool(signature)
        return replace(found, checks=(*found.checks, shown), comparable=comparable)
    text, inside = page.replace("\r\n", "\n"), seen.records[0].replace("\r\n", "\n")
    digits = str(seal_digits(found.record[SEAL]))
    # Only the one place of each is left out of the hash; a second copy, or a seal taken out, shows.
    bare = text.replace(inside, "", 1).replace(digits, str(seal_digits(NO_SEAL)), 1)
    bare = bare.replace(signature_mark(signature), "", 1)
    alone = text.count(digits) == 1 and "<" not in inside
    same = alone and page_hash(bare) == found.record.get(PAGE_HASH)
    if same and text != page:
        shown = CertificateCheck(
            what="page", fits=False, text="only the ends of its lines were changed on the way; ask for the file itself"
        )
    elif same and made_here(found.record) and not found.failed:
        shown = CertificateCheck(what="page", fits=False, text="its record is written in another way than it makes")
    elif same:
        shown = CertificateCheck(
            what="page", fits=True, text="what it shows is as it was sealed, to the last character"
        )
    else:
        shown = CertificateCheck(
            what="page", fits=False, text=_changed(bare, found) if alone else "its printed seal is not its record's"
        )
    return replace(found, checks=(*found.checks, shown), comparable=False)


def made_here(record: dict[str, Any]) -> bool:
    """Whether this version makes the page of a record."""
    return record.get("schema") == SCHEMA and record.get(LAYOUT) == layout()


def check_pdf(data: bytes, known: KnownKeys | None = None) -> Verification:
    """A PDF copy: its signature over the whole file, and the record in it. Without a signature nothing is proved.

    Raises:
        CallError: the library that opens PDF files is missing.
    """
    signed, certificate = is_signed(data), ""
    if signed:
        try:
            certificate, _ = check_signature(data)
        except PdfSignatureError as error:
            return _refused(str(error), "signature")
    if b"%%EOF" not in data[-1024:]:
        if b"%%EOF" in data:
            return _refused("something was appended behind its end, or a later part of it was cut off")
        return _refused("the PDF has no end: the file was cut off or is still being copied")
    opened = open_pdf(data)
    if opened is None:
        return _refused("the PDF is damaged and cannot be opened")
    records, sheets = opened.files.get(JSON_NAME, []), opened.files.get(HTML_NAME, [])
    signatures = opened.files.get(JSON_NAME + SIGNATURE, [])
    if len(records) != 1 or len(sheets) != 1 or len(signatures) > 1:
        return _refused(f"the PDF does not hold one {JSON_NAME} and one {HTML_NAME}: it was printed or saved anew")
    signature = signatures[0] if signatures else b""
    record_keys = known if known is not None and known.record else None
    found = check_record(records[0], signature, record_keys)
    inside = check_page(sheets[0], record_keys)
    if found.record is None or inside.record is None:
        return found if found.record is None else inside
    if inside.record != found.record:
        return _refused(f"{JSON_NAME} and {HTML_NAME} inside the PDF are of different results")
    checks = [*found.checks, *(check for check in inside.checks if check not in found.checks)]
    # Whoever signs: a signature says that nobody changed the pages since, not that they show what the record says.
    shown = [_text_check(sheets[0].decode(), opened), _overlay_check(opened)]
    if not signed:
        if found.record.get(SIGNED_BY) is not None:
            taken = CertificateCheck(
                what="signature", fits=False, text="its record says that it is signed, and the PDF is not"
            )
            return replace(found, checks=(taken, *checks))
        checks += [*shown, *_empty_fields(opened.fields)]
        return replace(found, checks=tuple(checks), comparable=False)
    checks += [*shown, *_picture_check(opened), *_empty_fields(opened.fields - 1)]
    checks.append(_pages_check(found.record, opened, record_keys))
    wrong = _wrong_with_certificate(certificate, found, known)
    checks.append(
        CertificateCheck(
            what="signature of the PDF",
            fits=not wrong,
            text=wrong or "it covers the file from its first byte to its last",
        )
    )
    return replace(
        found, checks=tuple(checks), signature="unknown" if known is None else "known", comparable=False
    )  # fmt: skip


def _wrong_with_certificate(certificate: str, found: Verification, known: KnownKeys | None) -> str:
    """Why the certificate that signed a PDF is not the one that must have; empty where it is."""
    named = (found.record or {}).get(SIGNED_BY) or {}
    if named.get("pdf_certificate_sha256") != certificate:
        return "it was signed with another certificate than the one that its record names"
    if found.signature == "none":
        return "the record inside has no signature"
    if known is not None and known.pdf and certificate not in known.pdf:
        return "it was signed with another certificate than those given"
    return ""


def _refused(text: str, what: str = "PDF") -> Verification:
    return Verification(checks=(CertificateCheck(what=what, fits=False, text=text),), record=None)


def _text_check(page: str, opened: Opened) -> CertificateCheck:
    places = differing(page, opened)
    if places:
        return CertificateCheck(
            what="printed text", fits=False, text="the PDF shows another text: " + "; ".join(places)
        )
    return CertificateCheck(
        what="printed text", fits=True, text="the text of the pages is that of the record; drawings not compared"
    )


def _overlay_check(opened: Opened) -> CertificateCheck:
    if opened.overlaid:
        return CertificateCheck(
            what="additions", fits=False, text=f"{opened.overlaid} notes or fields were laid over its pages"
        )
    return CertificateCheck(what="additions", fits=True, text="nothing was laid over its pages")


def _picture_check(opened: Opened) -> Iterator[CertificateCheck]:
    if opened.pictures:
        yield CertificateCheck(
            what="pictures",
            fits=False,
            text=f"pictures stand on its pages ({opened.pictures}), and a certificate has none",
        )


def _pages_check(record: dict[str, Any], opened: Opened, known: KnownKeys | None) -> CertificateCheck:
    """Whether the key of the record vouches for the pages: text is compared in any case, drawings and letters here."""
    what = "pages"
    if not opened.vouched and not made_here(record):
        return CertificateCheck(what=what, fits=None, text="of another version: only their text was compared")
    if not opened.vouched:
        return CertificateCheck(what=what, fits=False, text="the key of the record does not vouch for them")
    wrong = wrong_with_signature(record, pages_vouched(opened.drawn), opened.vouched, known)
    good = "the key of the record vouches for all that they are drawn from"
    bad = "they are not those that the key of the record vouches for"
    return CertificateCheck(what=what, fits=not wrong, text=bad if wrong else good)


def _empty_fields(count: int) -> Iterator[CertificateCheck]:
    if count > 0:
        fields = "a field for a signature holds" if count == 1 else f"{count} fields for signatures hold"
        yield CertificateCheck(
            what="signature field", fits=False, text=f"{fields} no signature: it only looks as if it had been signed"
        )


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
