"""Ways to forge a certificate, and what ``vibe certificate verify`` says of each.

``python -m tests.studies.forgeries`` tries all of them with the signer's key and without, and asks ``pdfsig`` too where
it is installed. Each way takes what a forger has, and gives the file that he would hand on.

He has the signed certificates of two drives, one that passed and one that failed, an unsigned one of each, and keys of
his own that call themselves by the signer's name. He has neither the signer's keys nor their pass phrase; but for those
whose name begins with ``insider``, who have the key that signs PDF files, and not that of records.
"""

from __future__ import annotations

import argparse
import io
import re
import shutil
import subprocess
import tempfile
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, cast

from pypdf import PdfReader, PdfWriter
from pypdf.generic import (
    ArrayObject,
    DecodedStreamObject,
    DictionaryObject,
    FloatObject,
    NameObject,
    NumberObject,
    TextStringObject,
)

from tests.report import certificates
from tests.studies.page import RESULTS, Clock, write_table
from vibe.core.records.acceptance import Acceptance
from vibe.core.records.commissioning import SignedBy
from vibe.report.certificate.certificate import (
    CertificateFiles,
    certificate_html,
    certificate_of,
    page_hash,
    write_certificate,
)
from vibe.report.certificate.check import verify_certificate
from vibe.report.certificate.proof.keys import KnownKeys, SigningKeys, export_public, known_keys, load_keys, make_keys
from vibe.report.certificate.proof.pdf_copy import VOUCHED
from vibe.report.certificate.proof.pdf_signature import sign_pdf
from vibe.report.certificate.proof.signature import sign_record
from vibe.storage.digest import read_sealed, sealed, written

SIGNER, PASS_PHRASE = "Water works, reducer shop", "correct horse battery"


def passing() -> Acceptance:
    """A short one: what is forged is the same in a long one."""
    full = certificates.passing()
    return replace(
        full, outcomes=full.outcomes[:1], captures=full.captures[:2], cautions=full.cautions[:1], instruments=(),
        runs=full.runs[:1], remarks=(),
    )  # fmt: skip


def failing() -> Acceptance:
    bad = certificates.failing()
    return replace(passing(), answer="fail", outcomes=bad.outcomes[:1])


@dataclass(frozen=True, slots=True, kw_only=True)
class Loot:
    """What a forger has. ``good`` and ``bad`` are signed, ``good_bare`` and ``bad_bare`` not."""

    good: CertificateFiles
    bad: CertificateFiles
    good_bare: CertificateFiles
    bad_bare: CertificateFiles
    own: SigningKeys
    folder: Path


@dataclass(frozen=True, slots=True, kw_only=True)
class Forged:
    """A file handed on; ``signature`` lies next to a JSON copy."""

    content: bytes
    signature: bytes = b""


@dataclass(frozen=True, slots=True, kw_only=True)
class Forgery:
    """One way; ``form`` of the file, ``how`` in words."""

    name: str
    form: str
    how: str
    make: Callable[[Loot], Forged]


FORGERIES: list[Forgery] = []


def collected(folder: Path) -> tuple[Loot, KnownKeys]:
    """What the forger has, and what an honest customer was handed."""
    make_keys(folder / "keys", SIGNER, PASS_PHRASE, rounds=1)
    make_keys(folder / "forger", SIGNER, "not so good", rounds=1)
    keys = load_keys(folder / "keys", PASS_PHRASE)
    export_public(folder / "keys", folder / "public", force=False)
    made = {
        name: write_certificate(acceptance, folder / name, force=False, keys=keys if signed else None)
        for name, acceptance, signed in (
            ("good", passing(), True), ("bad", failing(), True), ("good_bare", passing(), False),
            ("bad_bare", failing(), False),
        )
    }  # fmt: skip
    own = load_keys(folder / "forger", "not so good")
    return Loot(**made, own=own, folder=folder), known_keys([folder / "public"])


def forgery(form: str, how: str) -> Callable[[Callable[[Loot], Forged]], Callable[[Loot], Forged]]:
    """One more way."""

    def kept(make: Callable[[Loot], Forged]) -> Callable[[Loot], Forged]:
        FORGERIES.append(Forgery(name=make.__name__, form=form, how=how, make=make))
        return make

    return kept


# ── records ───────────────────────────────────────────────────────────────────────────────────────────────────────


def record_of(files: CertificateFiles) -> dict[str, Any]:
    return read_sealed(files.json.read_bytes())


def signature_of(files: CertificateFiles) -> bytes:
    return files.signatures[0].read_bytes()


def praised(record: dict[str, Any]) -> dict[str, Any]:
    """A failed record that says pass and names the same signer, its page made to fit."""
    return certificate_of(replace(passing(), signed_by=SignedBy(**record["signed_by"])))[0]


@forgery("json", "the serial number changed")
def serial_changed(loot: Loot) -> Forged:
    return Forged(
        content=loot.good.json.read_bytes().replace(b"C29-000417", b"C29-000418"), signature=signature_of(loot.good)
    )


@forgery("json", "the answer changed, sealed anew, with the true signature")
def resealed(loot: Loot) -> Forged:
    return Forged(content=written(praised(record_of(loot.bad))).encode(), signature=signature_of(loot.bad))


@forgery("json", "the answer changed, sealed anew, the signature left out")
def resealed_unsigned(loot: Loot) -> Forged:
    return Forged(content=written(praised(record_of(loot.bad))).encode())


@forgery("json", "a failed one made to pass, with no signer named and no signature")
def signer_taken_out(_: Loot) -> Forged:
    return Forged(content=written(certificate_of(passing())[0]).encode())


@forgery("json", "made anew and signed with a key of one's own under the signer's name")
def own_key(loot: Loot) -> Forged:
    record, _ = certificate_of(replace(passing(), signed_by=loot.own.signed_by))
    text = written(record).encode()
    return Forged(content=text, signature=sign_record(text, loot.own))


@forgery("json", "the same, with the name of the signer's key on it")
def own_key_renamed(loot: Loot) -> Forged:
    true = record_of(loot.good)["signed_by"]
    by = replace(loot.own.signed_by, key=true["key"], pdf_certificate_sha256=true["pdf_certificate_sha256"])
    record, _ = certificate_of(replace(passing(), signed_by=by))
    text = written(record).encode()
    return Forged(content=text, signature=sign_record(text, loot.own))


@forgery("json", "the record of one drive with the signature of another")
def record_swapped(loot: Loot) -> Forged:
    return Forged(content=loot.good.json.read_bytes(), signature=signature_of(loot.bad))


@forgery("json", "one bit of the signature changed")
def signature_bit(loot: Loot) -> Forged:
    true = signature_of(loot.good)
    return Forged(content=loot.good.json.read_bytes(), signature=true[:-1] + bytes([true[-1] ^ 1]))


@forgery("json", "the signature cut short")
def signature_cut(loot: Loot) -> Forged:
    return Forged(content=loot.good.json.read_bytes(), signature=signature_of(loot.good)[:-1])


@forgery("json", "a name that stands twice, of which readers take the last")
def name_twice(loot: Loot) -> Forged:
    text = loot.bad.json.read_bytes()
    return Forged(content=text.replace(b'"answer": "fail"', b'"answer": "fail", "answer": "pass"', 1),
                  signature=signature_of(loot.bad))  # fmt: skip


@forgery("json", "another layout named, sealed anew, with the true signature")
def layout_changed(loot: Loot) -> Forged:
    changed = sealed({**record_of(loot.bad), "layout": "0" * 16, "page_sha256": "0" * 64})
    return Forged(content=written(changed).encode(), signature=signature_of(loot.bad))


# ── pages ─────────────────────────────────────────────────────────────────────────────────────────────────────────


def page_of(files: CertificateFiles) -> str:
    return files.html.read_text(encoding="utf-8")


def page(text: str) -> Forged:
    return Forged(content=text.encode())


@forgery("html", "a figure of the table changed")
def shown_digit(loot: Loot) -> Forged:
    return page(page_of(loot.good).replace("1.94\u00a0±", "1.49\u00a0±", 1))


@forgery("html", "a figure of the record inside changed")
def inner_digit(loot: Loot) -> Forged:
    return page(page_of(loot.good).replace('"value": 1.942', '"value": 1.492', 1))


@forgery("html", "a white box with other words laid over the answer")
def box_over(loot: Loot) -> Forged:
    box = '<div style="position:absolute;top:0;background:#fff">Pass</div></main>'
    return page(page_of(loot.bad).replace("</main>", box, 1))


@forgery("html", "a style that hides the row of a failed requirement")
def hidden_row(loot: Loot) -> Forged:
    return page(page_of(loot.bad).replace("</style>", "tr.fail { display: none }</style>", 1))


@forgery("html", "a comment put in")
def comment(loot: Loot) -> Forged:
    return page(page_of(loot.good).replace("<main>", "<main><!-- seen -->", 1))


@forgery("html", "words after the end of the page")
def words_behind(loot: Loot) -> Forged:
    return page(page_of(loot.good) + "<p>Guaranteed for 20 years.</p></html>")


@forgery("html", "another page round a failed record: its layout and hash changed, sealed anew")
def page_of_another_layout(loot: Loot) -> Forged:
    record = record_of(loot.bad_bare)
    shown = certificate_html(passing())
    forged = sealed({**record, "layout": "0" * 16, "page_sha256": page_hash(shown)})
    return page(certificate_html(passing(), forged))


@forgery("html", "the same, with the true signature of the failed record")
def page_of_another_layout_signed(loot: Loot) -> Forged:
    record = record_of(loot.bad)
    forged = sealed({**record, "layout": "0" * 16, "page_sha256": page_hash(certificate_html(passing()))})
    return page(certificate_html(passing(), forged, signature_of(loot.bad)))


@forgery("html", "the signature of another record")
def page_with_other_signature(loot: Loot) -> Forged:
    _, shown = certificate_of(passing())
    record = record_of(loot.good)
    return page(certificate_html(replace(passing(), signed_by=None), record, signature_of(loot.bad)) or shown)


@forgery("html", "the page of the drive that passed round the record of the one that failed")
def pages_mixed(loot: Loot) -> Forged:
    inside = re.compile(r'<script type="application/json".*?</script>', re.S)
    found = inside.search(page_of(loot.bad))
    assert found is not None
    return page(inside.sub(lambda _: found[0], page_of(loot.good)))


@forgery("html", "the signature taken out")
def page_unsigned(loot: Loot) -> Forged:
    return page(re.sub(r' data-signature="[^"]*"', "", page_of(loot.good)))


# ── PDF ───────────────────────────────────────────────────────────────────────────────────────────────────────────


def pdf_of(files: CertificateFiles) -> bytes:
    assert files.pdf is not None
    return files.pdf.read_bytes()


def rewritten(data: bytes, change: Callable[[PdfWriter], object], *, incremental: bool = False) -> Forged:
    writer = PdfWriter(io.BytesIO(data), incremental=True) if incremental else PdfWriter(clone_from=io.BytesIO(data))
    change(writer)
    target = io.BytesIO()
    writer.write(target)
    return Forged(content=target.getvalue())


def pasted(writer: PdfWriter) -> None:
    """A picture over the first page, as of another certificate's."""
    picture = DecodedStreamObject()
    picture.set_data(b"\xff\xff\xff")
    picture.update({
        NameObject("/Type"): NameObject("/XObject"), NameObject("/Subtype"): NameObject("/Image"),
        NameObject("/Width"): NumberObject(1), NameObject("/Height"): NumberObject(1),
        NameObject("/ColorSpace"): NameObject("/DeviceRGB"), NameObject("/BitsPerComponent"): NumberObject(8),
    })  # fmt: skip
    resources = cast(DictionaryObject, writer.pages[0]["/Resources"].get_object())
    named = resources.setdefault(NameObject("/XObject"), DictionaryObject())
    named.get_object()[NameObject("/Pasted")] = writer._add_object(picture)
    laid_over(writer, b"q 600 0 0 850 0 0 cm /Pasted Do Q")


def laid_over(writer: PdfWriter, drawing: bytes) -> None:
    cover = DecodedStreamObject()
    cover.set_data(drawing)
    sheet = writer.pages[0]
    held = sheet["/Contents"]
    sheet[NameObject("/Contents")] = ArrayObject(
        [*(held if isinstance(held, ArrayObject) else [sheet.raw_get("/Contents")]), writer._add_object(cover)]
    )


@forgery("pdf", "a picture of one that passed pasted over a failed one, unsigned")
def pasted_over_unsigned(loot: Loot) -> Forged:
    return rewritten(pdf_of(loot.bad_bare), pasted)


@forgery("pdf", "the same on the signed one")
def pasted_over_signed(loot: Loot) -> Forged:
    return rewritten(pdf_of(loot.bad), pasted)


def box(writer: PdfWriter) -> None:
    laid_over(writer, b"q 1 1 1 rg 0 0 2000 2000 re f Q")


@forgery("pdf", "a white page laid over by an incremental update of the signed one")
def incremental_box(loot: Loot) -> Forged:
    return rewritten(pdf_of(loot.bad), box, incremental=True)


@forgery("pdf", "the same on the unsigned one")
def incremental_box_unsigned(loot: Loot) -> Forged:
    return rewritten(pdf_of(loot.bad_bare), box, incremental=True)


@forgery("pdf", "an update that only adds an object which nothing shows")
def incremental_object(loot: Loot) -> Forged:
    return rewritten(pdf_of(loot.good), lambda w: w._add_object(TextStringObject("idle")), incremental=True)


def covering_field(writer: PdfWriter) -> None:
    look = DecodedStreamObject()
    look.set_data(b"q 1 1 1 rg 0 0 600 850 re f Q")
    look.update({
        NameObject("/Type"): NameObject("/XObject"), NameObject("/Subtype"): NameObject("/Form"),
        NameObject("/BBox"): ArrayObject([FloatObject(n) for n in (0, 0, 600, 850)]),
    })  # fmt: skip
    widget = DictionaryObject({
        NameObject("/Type"): NameObject("/Annot"), NameObject("/Subtype"): NameObject("/Widget"),
        NameObject("/FT"): NameObject("/Sig"), NameObject("/T"): TextStringObject("Approved"),
        NameObject("/Rect"): ArrayObject([FloatObject(n) for n in (0, 0, 600, 850)]),
        NameObject("/AP"): DictionaryObject({NameObject("/N"): writer._add_object(look)}),
    })  # fmt: skip
    notes = writer.pages[0].get("/Annots", ArrayObject())
    writer.pages[0][NameObject("/Annots")] = ArrayObject([*notes, writer._add_object(widget)])


@forgery("pdf", "a signature field without a signature whose look covers the page, unsigned")
def fake_field_unsigned(loot: Loot) -> Forged:
    return rewritten(pdf_of(loot.bad_bare), covering_field)


@forgery("pdf", "the same as an update of the signed one")
def fake_field_signed(loot: Loot) -> Forged:
    return rewritten(pdf_of(loot.bad), covering_field, incremental=True)


@forgery("pdf", "cut off after its first end: the unsigned document inside")
def cut_at_first_end(loot: Loot) -> Forged:
    data = pdf_of(loot.good)
    return Forged(content=data[: data.index(b"%%EOF") + 6])


@forgery("pdf", "bytes hidden in the place that the signature leaves")
def padding_filled(loot: Loot) -> Forged:
    data = bytearray(pdf_of(loot.good))
    first, before, after, _ = byte_range(bytes(data))
    data[after - 11 : after - 1] = b"4142434445"
    assert first == 0
    assert before < after
    return Forged(content=bytes(data))


def byte_range(data: bytes) -> tuple[int, ...]:
    found = re.search(rb"/ByteRange\s*\[\s*(\d+)\s+(\d+)\s+(\d+)\s+(\d+)", data)
    assert found is not None
    return tuple(int(number) for number in found.groups())


@forgery("pdf", "bytes behind the end")
def bytes_behind(loot: Loot) -> Forged:
    return Forged(content=pdf_of(loot.good) + b"% seen and approved\n%%EOF\n")


@forgery("pdf", "one byte of a page changed")
def byte_changed(loot: Loot) -> Forged:
    data = bytearray(pdf_of(loot.good))
    place = data.index(b"stream") + 40
    data[place] ^= 1
    return Forged(content=bytes(data))


@forgery("pdf", "a byte range that leaves out more than the signature")
def wide_hole(loot: Loot) -> Forged:
    data = pdf_of(loot.good)
    first, before, after, rest = byte_range(data)
    was = f"{first} {before} {after} {rest}".encode()
    now = f"{first} {before - 200} {after} {rest}".encode()
    return Forged(content=data.replace(was, now.ljust(len(was)), 1))


@forgery("pdf", "the signature of another signed certificate put in")
def signature_moved(loot: Loot) -> Forged:
    data, other = pdf_of(loot.good), pdf_of(loot.bad)
    _, before, after, _ = byte_range(data)
    _, start, end, _ = byte_range(other)
    return Forged(content=data[:before] + other[start:end].ljust(after - before)[: after - before] + data[after:])


@forgery("pdf", "a failed one made to pass and signed with a key of one's own under the signer's name")
def own_certificate(loot: Loot) -> Forged:
    made = write_certificate(passing(), loot.folder / "own", force=True, keys=loot.own)
    return Forged(content=pdf_of(made))


@forgery("pdf", "the true record and its signature, the pages of one's own, signed with one's own certificate")
def own_pages_true_record(loot: Loot) -> Forged:
    data = pdf_of(loot.bad)
    bare = rewritten(data[: data.index(b"%%EOF") + 6], pasted).content
    return Forged(content=sign_pdf(bare, loot.own))


def insider(loot: Loot) -> SigningKeys:
    """The PDF's key and certificate, and in place of the record's key his own."""
    return replace(load_keys(loot.folder / "keys", PASS_PHRASE), record=loot.own.record)


def before_signing(files: CertificateFiles) -> bytes:
    data = pdf_of(files)
    return data[: data.index(b"%%EOF") + 6]


@forgery("pdf", "pages of the drive that passed round the record of the one that failed, signed with the PDF's key")
def insider_pages(loot: Loot) -> Forged:
    writer = PdfWriter()
    for sheet in PdfReader(io.BytesIO(before_signing(loot.good))).pages:
        writer.add_page(sheet)
    for name, contents in PdfReader(io.BytesIO(pdf_of(loot.bad))).attachments.items():
        writer.add_attachment(name, contents[0])
    target = io.BytesIO()
    writer.write(target)
    return Forged(content=sign_pdf(target.getvalue(), insider(loot)))


@forgery("pdf", "a picture of one that passed pasted over a failed one, signed with the PDF's true key")
def insider_picture(loot: Loot) -> Forged:
    return Forged(content=sign_pdf(rewritten(before_signing(loot.bad), pasted).content, insider(loot)))


@forgery("pdf", "a white page laid over a failed one, its text still below, signed with the PDF's true key")
def insider_box(loot: Loot) -> Forged:
    return Forged(content=sign_pdf(rewritten(before_signing(loot.bad), box).content, insider(loot)))


@forgery("pdf", "the same, with what vouches for the pages before")
def insider_box_vouched(loot: Loot) -> Forged:
    true = str(PdfReader(io.BytesIO(pdf_of(loot.bad))).root_object[VOUCHED])

    @dataclass(frozen=True)
    class Repeats:
        """Signs whatever it is given with the same signature."""

        def sign(self, _: bytes) -> bytes:
            return bytes.fromhex(true)

    keys = replace(insider(loot), record=cast(Any, Repeats()))
    return Forged(content=sign_pdf(rewritten(before_signing(loot.bad), box).content, keys))


@forgery("pdf", "a font whose letters are drawn as others, signed with the PDF's true key")
def insider_font(loot: Loot) -> Forged:
    def change(writer: PdfWriter) -> None:
        resources = cast(DictionaryObject, writer.pages[0]["/Resources"].get_object())
        fonts = cast(DictionaryObject, resources["/Font"].get_object())
        names = sorted(fonts)
        fonts[NameObject(names[0])] = fonts.raw_get(names[-1])

    return Forged(content=sign_pdf(rewritten(before_signing(loot.good), change).content, insider(loot)))


@forgery("pdf", "a note laid over a page, signed with the PDF's true key")
def insider_note(loot: Loot) -> Forged:
    return Forged(content=sign_pdf(rewritten(before_signing(loot.bad), covering_field).content, insider(loot)))


@forgery("pdf", "the digits of the signature spelled in small letters")
def digits_spelled(loot: Loot) -> Forged:
    data = pdf_of(loot.good)
    _, before, after, _ = byte_range(data)
    return Forged(content=data[:before] + data[before:after].lower() + data[after:])


@forgery("pdf", "a second certificate put in next to the signature, which no signature covers")
def certificate_put_in(loot: Loot) -> Forged:
    from asn1crypto import cms, x509  # type: ignore[import-untyped]
    from cryptography.hazmat.primitives.serialization import Encoding

    data = pdf_of(loot.good)
    _, before, after, _ = byte_range(data)
    held = cms.ContentInfo.load(bytes.fromhex(data[before + 1 : after - 1].decode()).rstrip(b"\0"))
    more = x509.Certificate.load(loot.own.certificate.public_bytes(Encoding.DER))
    held["content"]["certificates"].append(cms.CertificateChoices("certificate", more))
    digits = held.dump(force=True).hex().upper().encode()
    return Forged(content=data[: before + 1] + digits.ljust(after - before - 2, b"0") + data[after - 1 :])


@forgery("pdf", "a form with a field for a signature that names the signer, and no signature in it, unsigned")
def field_without_signature(loot: Loot) -> Forged:
    def change(writer: PdfWriter) -> None:
        value = DictionaryObject({
            NameObject("/Type"): NameObject("/Sig"), NameObject("/Filter"): NameObject("/Adobe.PPKLite"),
            NameObject("/Name"): TextStringObject(SIGNER),
        })  # fmt: skip
        field = DictionaryObject({
            NameObject("/FT"): NameObject("/Sig"), NameObject("/T"): TextStringObject("Signature"),
            NameObject("/V"): value,
        })  # fmt: skip
        writer.root_object[NameObject("/AcroForm")] = DictionaryObject({
            NameObject("/Fields"): ArrayObject([writer._add_object(field)]), NameObject("/SigFlags"): NumberObject(3),
        })  # fmt: skip

    return rewritten(pdf_of(loot.good_bare), change)


@forgery("pdf", "words in HTML behind the end")
def words_behind_pdf(loot: Loot) -> Forged:
    return Forged(content=pdf_of(loot.good) + page_of(loot.good).encode())


@forgery("pdf", "signed a second time, with one's own certificate")
def signed_twice(loot: Loot) -> Forged:
    data = pdf_of(loot.good)
    bare = data[: data.index(b"%%EOF") + 6]
    return Forged(content=data + sign_pdf(bare, loot.own)[len(bare) :])


@forgery("pdf", "the record inside exchanged for that of another drive")
def inner_record(loot: Loot) -> Forged:
    def change(writer: PdfWriter) -> None:
        for name in ("acceptance.json", "certificate.html"):
            writer.add_attachment(name, b"{}")

    return rewritten(pdf_of(loot.good), change)


@forgery("pdf", "another layout named in the record, sealed anew, with other pages, unsigned")
def pdf_of_another_layout(loot: Loot) -> Forged:
    from vibe.report.certificate.certificate import _printed

    record = record_of(loot.bad_bare)
    forged = sealed({**record, "layout": "0" * 16, "page_sha256": page_hash(certificate_html(passing()))})
    shown = certificate_html(passing(), forged)
    printed, _ = _printed(
        shown, {"acceptance.json": written(forged).encode(), "certificate.html": shown.encode()}, None
    )
    assert printed is not None
    return Forged(content=printed)


@forgery("pdf", "a sheet taken out of the signed one")
def sheet_removed(loot: Loot) -> Forged:
    def change(writer: PdfWriter) -> None:
        writer.remove_page(0)

    return rewritten(pdf_of(loot.good), change)


# ── the table ─────────────────────────────────────────────────────────────────────────────────────────────────────


def handed(one: Forgery, loot: Loot, folder: Path) -> Path:
    """The forged file as its receiver has it, a signature of a record next to it."""
    made = one.make(loot)
    path = folder / f"copy.{one.form}"
    path.write_bytes(made.content)
    apart = path.with_name(path.name + ".sig")
    apart.unlink(missing_ok=True)
    if made.signature:
        apart.write_bytes(made.signature)
    return path


def pdfsig_says(path: Path) -> str:
    """What another program says of a PDF: whether its signature is valid, and of all of it."""
    program = shutil.which("pdfsig")
    if program is None or path.suffix != ".pdf":
        return ""
    said = subprocess.run([program, "-nocert", path], capture_output=True, text=True, timeout=60).stdout
    if "Signature is Valid" not in said:
        return "unsigned" if not said.strip() or "does not contain" in said else "not valid"
    return "valid, all of it" if "Not total document signed" not in said else "valid, not all of it"


def tried(folder: Path) -> list[dict[str, str]]:
    """A row for each forgery, and for each true copy."""
    loot, known = collected(folder)
    rows = []
    for one in FORGERIES:
        path = handed(one, loot, folder)
        rows.append(_row(one.form, one.how, path, known))
    for name, files in (("signed", loot.good), ("unsigned", loot.good_bare)):
        copies = [path for path in (files.json, files.html, files.pdf) if path is not None]
        rows += [_row(path.suffix[1:], f"a true copy, {name}", path, known) for path in copies]
    return rows


def _row(form: str, how: str, path: Path, known: KnownKeys) -> dict[str, str]:
    found, bare = verify_certificate(path, known=known), verify_certificate(path)
    return {
        "form": form, "way": how, "with the key": found.word, "taken for the signer's": "yes" if found.proved else "no",
        "without": bare.word, "status 0 without": "yes" if bare.proved else "no", "pdfsig": pdfsig_says(path),
        "said": re.sub(r",? (the )?key SHA256:\S+", "", found.verdict),
    }  # fmt: skip


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--out", type=Path, default=RESULTS, help="folder for the table")
    asked = parser.parse_args()
    clock = Clock()
    with tempfile.TemporaryDirectory() as folder:
        rows = tried(Path(folder))
    for row in rows:
        print("  ".join(f"{name}: {value}" for name, value in row.items()))
    forged = rows[: len(FORGERIES)]
    taken = sum(row["taken for the signer's"] == "yes" for row in forged)
    print(f"{len(forged)} forgeries, taken for the signer's: {taken}")
    print(write_table(asked.out, "forgeries", rows), f"({clock})")


if __name__ == "__main__":
    main()
