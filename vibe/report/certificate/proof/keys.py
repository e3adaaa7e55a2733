"""The two keys that sign certificates, kept under one pass phrase, and what of them is handed to customers.

Ed25519 signs the record. Common PDF viewers refuse Ed25519, so ECDSA on P-256 signs the PDF, with an X.509 certificate
that vouches for itself. The record names that certificate, so one public key handed over vouches for both. Private keys
are kept in the form of OpenSSH, whose rounds of bcrypt make guessing a pass phrase slow.
"""

from __future__ import annotations

import base64
import hashlib
import os
import re
import stat
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

from vibe.core.errors import CallError, OutputError
from vibe.core.records.commissioning import SignedBy
from vibe.storage.files import check_folder, write_whole

if TYPE_CHECKING:
    from cryptography.hazmat.primitives.asymmetric.ec import EllipticCurvePrivateKey
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey
    from cryptography.x509 import Certificate

RECORD_KEY, PDF_KEY = "record_key", "pdf_key"
PUBLIC_KEY, PDF_CERTIFICATE, ALLOWED_SIGNERS = "public_key.pem", "pdf_certificate.pem", "allowed_signers"
PUBLIC = (PUBLIC_KEY, PDF_CERTIFICATE, ALLOWED_SIGNERS)
"""What is handed over."""
ROUNDS = 100
"""Of bcrypt: more than half a second for each guess at a pass phrase, on a machine of today."""
FEWEST_CHARACTERS = 8
"""Of a pass phrase (NIST SP 800-63B, 5.1.1.2)."""
YEARS = 25
"""How long the PDF's certificate states to hold: longer than a drive's warranty (common practice)."""
NAMESPACE = "file"
"""Of SSH signatures: what ``ssh-keygen -Y sign`` is commonly used with."""
MOST_NAME = 64
"""Characters of a name in an X.509 certificate (RFC 5280, ub-common-name)."""
MOST_KEY_BYTES = 100_000
"""A file with a key or a certificate has a few kB (our choice, wide)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SigningKeys:
    """Both private keys, opened, and what a record says of them."""

    record: Ed25519PrivateKey
    pdf: EllipticCurvePrivateKey
    certificate: Certificate
    signed_by: SignedBy


@dataclass(frozen=True, slots=True, kw_only=True)
class KnownKeys:
    """What a customer was handed: public keys by their name (``SHA256:…``), PDF certificates (DER) by their SHA-256."""

    record: dict[str, Ed25519PublicKey] = field(default_factory=dict)
    pdf: dict[str, bytes] = field(default_factory=dict)


def make_keys(folder: Path, name: str, pass_phrase: str, *, rounds: int = ROUNDS) -> tuple[Path, ...]:
    """New keys of ``name`` in ``folder``: two private ones for this user alone, and what is handed over.

    Nothing is ever replaced: a lost key cannot be made again.

    Raises:
        CallError: a name that no certificate can have, or too short a pass phrase.
        OutputError: keys are there already, or the folder cannot be written.
    """
    from cryptography.hazmat.primitives import serialization as form
    from cryptography.hazmat.primitives.asymmetric import ec, ed25519

    name = " ".join(name.split())
    if not name.isprintable() or not 0 < len(name) <= MOST_NAME:
        raise CallError(f"--name needs 1 to {MOST_NAME} letters that can be printed: who signs")
    if len(pass_phrase) < FEWEST_CHARACTERS:
        raise CallError(f"a pass phrase needs {FEWEST_CHARACTERS} characters at least")
    for one in (RECORD_KEY, PDF_KEY, *PUBLIC):
        if os.path.lexists(folder / one):
            raise OutputError(f"{folder / one} exists already; keys are never replaced, name another folder")
    check_folder(folder)
    record, pdf = ed25519.Ed25519PrivateKey.generate(), ec.generate_private_key(ec.SECP256R1())
    certificate = _certificate(pdf, name)
    lock = form.PrivateFormat.OpenSSH.encryption_builder().kdf_rounds(rounds).build(pass_phrase.encode())
    written = [
        write_whole(folder / file, key.private_bytes(form.Encoding.PEM, form.PrivateFormat.OpenSSH, lock), private=True)
        for file, key in ((RECORD_KEY, record), (PDF_KEY, pdf))
    ]
    pem = record.public_key().public_bytes(form.Encoding.PEM, form.PublicFormat.SubjectPublicKeyInfo)
    written.append(write_whole(folder / PUBLIC_KEY, pem))
    written.append(write_whole(folder / PDF_CERTIFICATE, certificate.public_bytes(form.Encoding.PEM)))
    allowed = f'{principal(name)} namespaces="{NAMESPACE}" {openssh_line(record.public_key())}\n'
    written.append(write_whole(folder / ALLOWED_SIGNERS, allowed))
    return tuple(written)


def load_keys(folder: Path, pass_phrase: str) -> SigningKeys:
    """The keys in ``folder``.

    Raises:
        CallError: there are none, others may read them, they do not belong together, or the pass phrase is wrong.
    """
    from cryptography.hazmat.primitives.asymmetric.ec import EllipticCurvePrivateKey
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

    record = _private(folder / RECORD_KEY, pass_phrase)
    pdf = _private(folder / PDF_KEY, pass_phrase)
    certificate = _read_certificate(folder / PDF_CERTIFICATE)
    if not isinstance(record, Ed25519PrivateKey) or not isinstance(pdf, EllipticCurvePrivateKey):
        raise CallError(f"{folder}: the keys are not of the kinds that sign certificates; make new ones")
    if certificate.public_key() != pdf.public_key():
        raise CallError(f"{folder}: {PDF_CERTIFICATE} is not that of {PDF_KEY}")
    return SigningKeys(
        record=record, pdf=pdf, certificate=certificate, signed_by=_signed_by(record.public_key(), certificate)
    )


def signer_of(folder: Path) -> SignedBy:
    """Whose keys lie in ``folder``, from what is handed over; no pass phrase is needed.

    Raises:
        CallError: there are none, or they cannot be read.
    """
    certificate = _read_certificate(folder / PDF_CERTIFICATE)
    return _signed_by(_public(folder / PUBLIC_KEY), certificate)


def export_public(folder: Path, out: Path, *, force: bool) -> tuple[Path, ...]:
    """Copy what is handed to customers into ``out``.

    Raises:
        CallError: there are no keys in ``folder``. OutputError: files are there already, or cannot be written.
    """
    signer_of(folder)
    texts = {name: _read(folder / name) for name in PUBLIC}
    check_folder(out)
    for name in PUBLIC:
        if os.path.lexists(out / name) and not force:
            raise OutputError(f"{out / name} exists already; give --force to replace it, or another --out")
    return tuple(write_whole(out / name, text, force=force) for name, text in texts.items())


def known_keys(places: Sequence[Path]) -> KnownKeys:
    """Public keys and PDF certificates in files, or in folders of such files.

    Raises:
        CallError: a place is not there, or holds neither.
    """
    found = KnownKeys()
    for place in places:
        if not place.exists():
            raise CallError(f"{place}: there is no such file or folder of public keys")
        before = len(found.record) + len(found.pdf)
        for path in sorted(place.iterdir()) if place.is_dir() else [place]:
            if path.is_file() and path.stat().st_size <= MOST_KEY_BYTES:
                _take(_read(path), found)
        if len(found.record) + len(found.pdf) == before:
            raise CallError(f"{place} holds no public key and no certificate of one: give {' or '.join(PUBLIC)}")
    return found


def own_keys(keys: SigningKeys) -> KnownKeys:
    """What customers of ``keys`` are handed."""
    return KnownKeys(
        record={keys.signed_by.key: keys.record.public_key()}, pdf={_sha(keys.certificate): _der(keys.certificate)}
    )  # fmt: skip


def public_key_of(line: str) -> Ed25519PublicKey:
    """The key in a line as OpenSSH writes it. Raises: ValueError where it is none, or of another kind."""
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey
    from cryptography.hazmat.primitives.serialization import load_ssh_public_key

    try:
        key = load_ssh_public_key(line.encode())
    except Exception as error:  # the library has many ways to say no
        raise ValueError(f"it is no public key ({error})") from error
    if isinstance(key, Ed25519PublicKey):
        return key
    raise ValueError("its key is not of kind Ed25519")


def openssh_line(key: Ed25519PublicKey) -> str:
    """``ssh-ed25519`` and the key in base 64."""
    from cryptography.hazmat.primitives import serialization as form

    return key.public_bytes(form.Encoding.OpenSSH, form.PublicFormat.OpenSSH).decode()


def fingerprint(key: Ed25519PublicKey) -> str:
    """The name of a key: ``SHA256:`` and the hash of its OpenSSH form, as ``ssh-keygen -l`` shows it."""
    blob = base64.b64decode(openssh_line(key).split()[1])
    return "SHA256:" + base64.b64encode(hashlib.sha256(blob).digest()).decode().rstrip("=")


def principal(name: str) -> str:
    """A name as ``ssh-keygen -Y verify -I`` takes it: without spaces."""
    return re.sub(r"[^a-z0-9]+", "-", name.lower()).strip("-") or "signer"


def _signed_by(key: Ed25519PublicKey, certificate: Certificate) -> SignedBy:
    return SignedBy(
        name=_name_of(certificate), key=fingerprint(key), public_key=openssh_line(key),
        pdf_certificate_sha256=_sha(certificate),
    )  # fmt: skip


def _certificate(key: EllipticCurvePrivateKey, name: str) -> Certificate:
    from cryptography import x509
    from cryptography.hazmat.primitives import hashes

    subject = x509.Name([x509.NameAttribute(x509.NameOID.COMMON_NAME, name)])
    start = datetime.now(UTC) - timedelta(minutes=5)  # a customer's clock may be a little behind
    # No other keys may be signed with it: it is no authority.
    usage = dict.fromkeys(
        ("key_encipherment", "data_encipherment", "key_agreement", "key_cert_sign", "crl_sign", "encipher_only",
         "decipher_only"), False,
    )  # fmt: skip
    return (
        x509.CertificateBuilder()
        .subject_name(subject)
        .issuer_name(subject)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(start)
        .not_valid_after(start + timedelta(days=round(365.25 * YEARS)))
        .add_extension(x509.BasicConstraints(ca=False, path_length=None), critical=True)
        .add_extension(x509.KeyUsage(digital_signature=True, content_commitment=True, **usage), critical=True)
        .add_extension(x509.SubjectKeyIdentifier.from_public_key(key.public_key()), critical=False)
        .sign(key, hashes.SHA256())
    )


def _private(path: Path, pass_phrase: str) -> object:
    from cryptography.hazmat.primitives.serialization import load_ssh_private_key

    data = _read(path)
    if os.name == "posix" and path.stat().st_mode & (stat.S_IRWXG | stat.S_IRWXO):
        raise CallError(f"{path} may be read by others than you: run chmod 600 on it, or make new keys")
    try:
        return load_ssh_private_key(data, pass_phrase.encode() or None)
    except TypeError:
        raise CallError(f"{path} needs a pass phrase") from None
    except Exception:  # the library has many ways to say no
        raise CallError(f"{path} could not be opened: the pass phrase is wrong, or the file is damaged") from None


def _public(path: Path) -> Ed25519PublicKey:
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey
    from cryptography.hazmat.primitives.serialization import load_pem_public_key

    try:
        key = load_pem_public_key(_read(path))
    except CallError:
        raise
    except Exception:
        raise CallError(f"{path} is no public key") from None
    if not isinstance(key, Ed25519PublicKey):
        raise CallError(f"{path} is no public key of kind Ed25519")
    return key


def _read_certificate(path: Path) -> Certificate:
    from cryptography.x509 import load_pem_x509_certificate

    try:
        return load_pem_x509_certificate(_read(path))
    except CallError:
        raise
    except Exception:
        raise CallError(f"{path} is no certificate") from None


def _read(path: Path) -> bytes:
    try:
        return path.read_bytes()
    except OSError as error:
        raise CallError(f"{path} cannot be read: {(error.strerror or str(error)).lower()}") from error


def _take(data: bytes, found: KnownKeys) -> None:
    """Whatever of use a file holds."""
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey
    from cryptography.hazmat.primitives.serialization import load_pem_public_key
    from cryptography.x509 import load_pem_x509_certificates

    if b"-----BEGIN CERTIFICATE" in data:
        try:
            certificates = load_pem_x509_certificates(data)
        except ValueError:
            certificates = []
        for certificate in certificates:
            found.pdf[_sha(certificate)] = _der(certificate)
    elif b"-----BEGIN PUBLIC KEY" in data:
        try:
            key = load_pem_public_key(data)
        except Exception:
            return
        if isinstance(key, Ed25519PublicKey):
            found.record[fingerprint(key)] = key
    else:
        for line in _openssh_lines(data):
            try:
                own = public_key_of(line)
            except ValueError:
                continue
            found.record[fingerprint(own)] = own


def _openssh_lines(data: bytes) -> Iterator[str]:
    text = data.decode("utf-8", "replace")
    return (match[0] for match in re.finditer(r"ssh-ed25519 [A-Za-z0-9+/=]+", text))


def _name_of(certificate: Certificate) -> str:
    from cryptography.x509 import NameOID

    names = certificate.subject.get_attributes_for_oid(NameOID.COMMON_NAME)
    return str(names[0].value) if names else "unnamed"


def _der(certificate: Certificate) -> bytes:
    from cryptography.hazmat.primitives.serialization import Encoding

    return certificate.public_bytes(Encoding.DER)


def _sha(certificate: Certificate) -> str:
    return hashlib.sha256(_der(certificate)).hexdigest()
