"""The certificate of a new drive: acceptance.json, certificate.html and certificate.pdf, each able to prove itself.

Where there are keys, the record is signed over its exact bytes, with the signature in files next to it and inside page
and PDF, and the PDF is signed as a whole by the certificate that the record names.

The record (``acceptance.json``) holds the acceptance, the hash of the page that shows it, and a seal over both. Page
and PDF carry the record inside, and the seal in print. The page's hash is taken with the seal's digits set to zero and
the embedded record left out, so that both can be put in afterwards. ``layout`` says with which wording and style the
page was made: where it is the same, the page can be made again from the record and compared.
"""

from __future__ import annotations

import base64
import hashlib
import io
import json
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from markupsafe import Markup

from vibe.core.errors import OutputError
from vibe.core.records.acceptance import Acceptance
from vibe.report import words
from vibe.report.certificate import accuracy, document, numbers, speed_chart
from vibe.report.certificate import view as certificate_view
from vibe.report.certificate.proof.signature import SIGNATURE, SSH_SIGNATURE, sign_record, ssh_signature
from vibe.report.certificate.view import view_of
from vibe.report.pages import content_policy, shell
from vibe.report.printing.pdf import make_pdf
from vibe.storage.digest import SEAL, SealError, cleaned, sealed, written
from vibe.storage.files import check_folder, remove_older, write_whole

if TYPE_CHECKING:
    from pydantic import TypeAdapter

    from vibe.report.certificate.proof.keys import SigningKeys

SCHEMA = "vibe.acceptance/1"
PAGE_HASH, LAYOUT = "page_sha256", "layout"
JSON_NAME, HTML_NAME, PDF_NAME = "acceptance.json", "certificate.html", "certificate.pdf"
NO_SEAL = "0" * 64
"""Stands where the hash will stand while the page is drawn: as long as one of SHA-256 in hexadecimal."""
UNREADABLE = "the PDF's text cannot be compared with the page"
TEMPLATES = (
    "certificate.html.j2", "certificate_plate.html.j2", "certificate_runs.html.j2", "certificate_captures.html.j2",
    "certificate_searched.html.j2", "certificate_speed.html.j2", "certificate.css", "style.css",
)  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class CertificateFiles:
    """What was written; ``pdf`` None when there is none, and then ``remarks`` says why.

    ``signatures`` are the files of the record's signature, none where it was not signed.
    """

    json: Path
    html: Path
    pdf: Path | None
    seal: str
    remarks: tuple[str, ...] = ()
    signatures: tuple[Path, ...] = ()


def write_certificate(
    acceptance: Acceptance, out: Path, *, force: bool, pdf: bool = True, keys: SigningKeys | None = None
) -> CertificateFiles:
    """Write ``acceptance.json``, ``certificate.html`` and ``certificate.pdf`` into ``out``; with keys, signed.

    Everything is made before anything is written. A PDF that cannot be made is a remark; an older one is then removed,
    and so are older signatures, so that a folder never mixes two results.

    Raises:
        OutputError: one of the files is there and ``force`` is not given, the folder cannot be written, or a value is
            NaN or infinite.
    """
    json_path, html_path, pdf_path = out / JSON_NAME, out / HTML_NAME, out / PDF_NAME
    bare, ssh = out / (JSON_NAME + SIGNATURE), out / (JSON_NAME + SSH_SIGNATURE)
    for path in (json_path, html_path, pdf_path, bare, ssh):
        if path.exists() and not force:
            raise OutputError(f"{path} exists already; give --force to replace it, or another --out")
    check_folder(out)
    record, page = certificate_of(replace(acceptance, signed_by=None if keys is None else keys.signed_by))
    text = written(record).encode()
    signature = b""
    if keys is not None:
        signature = sign_record(text, keys)
        page = certificate_html(acceptance_of(record), record, signature)
    inside = {JSON_NAME: text, HTML_NAME: page.encode()} | ({JSON_NAME + SIGNATURE: signature} if signature else {})
    printed, remarks = _printed(page, inside, keys) if pdf else (None, [])
    write_whole(json_path, text, force=force)
    write_whole(html_path, page, force=force)
    if keys is not None:
        write_whole(bare, signature, force=force)
        write_whole(ssh, ssh_signature(text, keys), force=force)
    else:
        remove_older(bare)
        remove_older(ssh)
    if printed is not None:
        write_whole(pdf_path, printed, force=force)
    else:
        remove_older(pdf_path)
    return CertificateFiles(
        json=json_path, html=html_path, pdf=None if printed is None else pdf_path, seal=record[SEAL],
        remarks=tuple(remarks), signatures=(bare, ssh) if keys is not None else (),
    )  # fmt: skip


def _printed(page: str, inside: dict[str, bytes], keys: SigningKeys | None) -> tuple[bytes | None, list[str]]:
    """The PDF of a page with files inside, signed where there are keys; and remarks."""
    made = make_pdf(page)
    remarks = [made.remark] if made.remark else []
    if made.content is None:
        return None, remarks
    printed, remark = _attached(made.content, inside)
    if remark:
        return printed, [*remarks, remark]
    if not _can_be_compared(printed, page):
        if keys is not None:  # what is signed must be what its record makes, and that could not be checked
            return None, [*remarks, f"no PDF was made: {UNREADABLE}; hand over the HTML and the JSON"]
        remarks.append(f"{UNREADABLE}; to verify a copy, use the HTML or the JSON")
    if keys is not None:
        from vibe.report.certificate.proof.pdf_signature import sign_pdf

        printed = sign_pdf(printed, keys)
    return printed, remarks


def certificate_of(acceptance: Acceptance) -> tuple[dict[str, Any], str]:
    """The sealed record of an acceptance, and the page that shows it.

    Raises:
        OutputError: a value is NaN or infinite.
    """
    content = cleaned(_form().dump_python(acceptance, mode="json"))
    try:
        # What is shown is made from the record, as whoever checks it will do.
        shown = acceptance_of(content)
        record = sealed({"schema": SCHEMA, **content, LAYOUT: layout(), PAGE_HASH: page_hash(certificate_html(shown))})
    except SealError as error:
        raise OutputError(f"the certificate of {acceptance.drive} cannot be written: {error}") from error
    return record, certificate_html(shown, record)


def acceptance_of(record: dict[str, Any]) -> Acceptance:
    """The acceptance in a record.

    Raises:
        SealError: the record does not have the form of this version.
    """
    from pydantic import ValidationError

    content = {key: value for key, value in record.items() if key not in ("schema", SEAL, PAGE_HASH, LAYOUT)}
    try:
        return _form().validate_json(json.dumps(content, allow_nan=False))
    except (ValidationError, ValueError) as error:
        first = str(error).splitlines()[1] if isinstance(error, ValidationError) else str(error)
        raise SealError(f"it does not have the form of this version ({first})") from error


def certificate_html(acceptance: Acceptance, record: dict[str, Any] | None = None, signature: bytes = b"") -> str:
    """The page; without a record it has no digits in its seal and nothing embedded, as its hash is taken.

    The signature of the record's bytes is embedded with it.
    """
    style = (shell.TEMPLATES / "certificate.css").read_text(encoding="utf-8")
    view = view_of(acceptance, NO_SEAL if record is None else record[SEAL])
    return shell.render(
        "certificate.html.j2",
        **view,
        sheet=words.printable(f"{acceptance.drive}, serial number {acceptance.serial}")[:90],
        short_hash=document.SHORT_HASH,
        certificate_style=Markup(style + shell.coloured("answer", certificate_view.COLOUR)),
        data="" if record is None else embedded(record),
        signature=Markup(signature_mark(signature)),
    )


def embedded(record: dict[str, Any]) -> Markup:
    """The record as it stands in a page: nothing in it can end its element."""
    text = written(record)
    for sign in "<>&\u2028\u2029":
        text = text.replace(sign, f"\\u{ord(sign):04x}")
    return Markup(text)


def signature_mark(signature: bytes) -> str:
    """The attribute that holds a signature in a page; empty where there is none."""
    return f' data-signature="{base64.b64encode(signature).decode()}"' if signature else ""


def page_hash(page: str) -> str:
    """SHA-256 of a page; how a copy ends its lines does not matter."""
    return hashlib.sha256(page.replace("\r\n", "\n").encode("utf-8", "surrogatepass")).hexdigest()


@cache
def layout() -> str:
    """Short hash of all that words and styles a page."""
    texts = [(shell.TEMPLATES / name).read_bytes() for name in TEMPLATES]
    modules = (certificate_view, accuracy, document, numbers, speed_chart, shell, content_policy, words)
    sources = [Path(str(module.__file__)).read_bytes() for module in modules]
    return hashlib.sha256(b"\0".join([*texts, *sources, Path(__file__).read_bytes()])).hexdigest()[:16]


def _attached(printed: bytes, files: dict[str, bytes]) -> tuple[bytes, str]:
    """The PDF with files inside, and a remark if that could not be done."""
    try:
        from pypdf import PdfWriter
    except ImportError:
        return printed, "the PDF holds no record that could be checked, because pypdf is not installed"
    writer = PdfWriter(clone_from=io.BytesIO(printed))
    for name, text in files.items():
        writer.add_attachment(name, text)
    writer.compress_identical_objects()
    target = io.BytesIO()
    writer.write(target)
    return target.getvalue(), ""


def _can_be_compared(printed: bytes, page: str) -> bool:
    from vibe.report.certificate.proof.pdf_copy import shows

    return shows(printed, page)


@cache
def _form() -> TypeAdapter[Acceptance]:
    from pydantic import TypeAdapter

    return TypeAdapter(Acceptance)
