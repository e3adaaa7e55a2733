"""The signature of a PDF: PAdES baseline B-B (ETSI EN 319 142-1), ECDSA on P-256, no changes allowed after it.

A library's verdict alone lets forgeries pass: bytes after the end, a later revision, bytes in the padding of the
signature's own place. So more is asked for than it asks: exactly one signature, over the whole file from its first byte
to its last, nothing but zeros behind it in its place, made with the very certificate that is known. Anything that does
not go as it should, an error of a library's included, counts as broken.

pyHanko is known here only.
"""

from __future__ import annotations

import hashlib
import io
import logging
import re
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

from vibe.report.certificate.proof.pdf_copy import VOUCHED, open_pdf
from vibe.report.certificate.proof.signature import pages_vouched

if TYPE_CHECKING:
    from vibe.report.certificate.proof.keys import SigningKeys

FIELD = "Signature"
_RANGE = re.compile(rb"/ByteRange\s*\[\s*(\d+)\s+(\d+)\s+(\d+)\s+(\d+)\s*\]")
_LOGGERS = ("pyhanko", "pyhanko_certvalidator", "pypdf")


class PdfSignatureError(ValueError):
    """A signature that does not hold; the message says why."""


def sign_pdf(content: bytes, keys: SigningKeys) -> bytes:
    """``content`` with one signature that allows no changes.

    The key of records vouches for the pages too: whoever has the key of PDF files alone can make no other pages.

    Raises:
        PdfSignatureError: ``content`` cannot be read.
    """
    opened = open_pdf(content)
    if opened is None:
        raise PdfSignatureError("the PDF cannot be read and was not signed")
    vouched = keys.record.sign(pages_vouched(opened.drawn))
    from cryptography.hazmat.primitives import serialization as form

    with _quiet():
        from pyhanko.keys import load_certs_from_pemder_data, load_private_key_from_pemder_data
        from pyhanko.pdf_utils.generic import NameObject, pdf_string
        from pyhanko.pdf_utils.incremental_writer import IncrementalPdfFileWriter
        from pyhanko.sign.fields import MDPPerm, SigSeedSubFilter
        from pyhanko.sign.signers import PdfSignatureMetadata, PdfSigner, SimpleSigner
        from pyhanko_certvalidator.registry import SimpleCertificateStore

        key = keys.pdf.private_bytes(form.Encoding.DER, form.PrivateFormat.PKCS8, form.NoEncryption())
        (certificate,) = load_certs_from_pemder_data(keys.certificate.public_bytes(form.Encoding.DER))
        signer = SimpleSigner(
            signing_cert=certificate, signing_key=load_private_key_from_pemder_data(key, passphrase=None),
            cert_registry=SimpleCertificateStore(),  # type: ignore[no-untyped-call]
        )  # fmt: skip
        how = PdfSignatureMetadata(
            field_name=FIELD, md_algorithm="sha256", certify=True, subfilter=SigSeedSubFilter.PADES,
            docmdp_permissions=MDPPerm.NO_CHANGES, name=keys.signed_by.name,
        )  # fmt: skip
        writer = IncrementalPdfFileWriter(io.BytesIO(content))
        writer.root[NameObject(VOUCHED)] = pdf_string(vouched.hex())
        writer.update_root()  # type: ignore[no-untyped-call]
        signed = PdfSigner(how, signer=signer).sign_pdf(writer)
        return bytes(signed.getvalue())


def is_signed(content: bytes) -> bool:
    """Whether a PDF holds anything that looks like a signature."""
    return b"/ByteRange" in content


def check_signature(content: bytes) -> tuple[str, bytes]:
    """(SHA-256, DER) of the certificate that signed a PDF; whether that one is known is not asked here.

    Raises:
        PdfSignatureError: whatever is not as it must be.
    """
    der, ranges = _placed(content)
    try:
        with _quiet():
            certificate = _validated(content, der, ranges)
    except PdfSignatureError:
        raise
    except Exception as error:  # a forged file can break a reader anywhere
        raise PdfSignatureError(f"its signature cannot be checked ({type(error).__name__})") from error
    return hashlib.sha256(certificate).hexdigest(), certificate


def _placed(content: bytes) -> tuple[bytes, tuple[int, int, int, int]]:
    """The signature's own bytes from where they lie, and the byte range: over all of the file but them."""
    found = _RANGE.findall(content)
    if len(found) != 1 or content.count(b"/ByteRange") != 1:
        raise PdfSignatureError("it does not hold exactly one signature")
    first, before, after, rest = (int(number) for number in found[0])
    if first != 0 or after + rest != len(content) or not 0 < before < after:
        raise PdfSignatureError(f"its signature does not cover the whole file: {_uncovered(content, after + rest)}")
    place = content[before:after]
    if not re.fullmatch(rb"<[0-9a-fA-F]+>", place) or len(place) % 2:
        raise PdfSignatureError("what its signature leaves out is more than the signature")
    if place != place.upper():
        raise PdfSignatureError("the digits of its signature are spelled in another way than they were written")
    held = bytes.fromhex(place[1:-1].decode())
    length = _der_length(held)
    if held[length:].strip(b"\0"):
        raise PdfSignatureError("bytes are hidden behind its signature")
    return held[:length], (first, before, after, rest)


def _uncovered(content: bytes, size: int) -> str:
    """What became of a file that had ``size`` bytes when it was signed."""
    if size > len(content):
        return "it was cut off"
    if size == len(content):
        return "a part was left out"
    return "something was appended to it" if content.startswith(b"%PDF-") else "something was put in front of it"


def _der_length(held: bytes) -> int:
    """Length of the one DER value that ``held`` begins with."""
    if len(held) < 2 or held[0] != 0x30:
        raise PdfSignatureError("its signature is no signature")
    if held[1] < 0x80:
        return 2 + held[1]
    count = held[1] & 0x7F
    length = 2 + count + int.from_bytes(held[2 : 2 + count], "big")
    if not 0 < count <= 4 or length > len(held):
        raise PdfSignatureError("its signature is cut off")
    return length


def _validated(content: bytes, der: bytes, ranges: tuple[int, int, int, int]) -> bytes:
    """The signer's certificate in DER, when the library finds nothing wrong either."""
    from pyhanko.pdf_utils.reader import PdfFileReader
    from pyhanko.sign.diff_analysis import ModificationLevel
    from pyhanko.sign.validation import validate_pdf_signature
    from pyhanko.sign.validation.status import SignatureCoverageLevel
    from pyhanko_certvalidator import ValidationContext

    reader = PdfFileReader(io.BytesIO(content), strict=True)
    signatures = list(reader.embedded_signatures)
    if len(signatures) != 1:
        raise PdfSignatureError("it does not hold exactly one signature")
    (one,) = signatures
    if tuple(int(number) for number in one.byte_range) != ranges or bytes(one.pkcs7_content)[: len(der)] != der:
        raise PdfSignatureError("its signature field points at another signature")
    infos: Any = one.signed_data["signer_infos"]
    if len(infos) != 1:
        raise PdfSignatureError("it was signed by several at once")
    # What a signature does not sign itself, anybody can put in afterwards.
    loose = [infos[0]["unsigned_attrs"].native, one.signed_data["crls"].native]
    if any(loose) or len(one.signed_data["certificates"]) != 1:
        raise PdfSignatureError("more than a signature and its certificate lies in its place")
    own = one.signer_cert
    context = ValidationContext(trust_roots=[own], allow_fetching=False)
    status = validate_pdf_signature(one, context)
    if not status.bottom_line:
        raise PdfSignatureError("it was changed after it was signed, or its signature is forged")
    if status.coverage is not SignatureCoverageLevel.ENTIRE_FILE:
        raise PdfSignatureError("its signature does not cover the whole file")
    if status.modification_level not in (None, ModificationLevel.NONE):
        raise PdfSignatureError("it was changed after it was signed")
    return bytes(own.dump())


@contextmanager
def _quiet() -> Iterator[None]:
    """Neither log lines nor warnings of libraries: what they find wrong is said in our words."""
    loggers = [logging.getLogger(name) for name in _LOGGERS]
    levels = [logger.level for logger in loggers]
    for logger in loggers:
        logger.setLevel(logging.CRITICAL + 1)
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            yield
    finally:
        for logger, level in zip(loggers, levels, strict=True):
            logger.setLevel(level)
