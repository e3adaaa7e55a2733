"""The signature of a record: Ed25519 over the exact bytes of ``acceptance.json``.

Two forms of it lie next to the record. ``acceptance.json.sig`` is the bare signature (RFC 8032, 64 bytes), which
``openssl pkeyutl -verify -rawin`` and any library checks; ``acceptance.json.sshsig`` is one that
``ssh-keygen -Y verify`` checks (the form is OpenSSH's PROTOCOL.sshsig).
"""

from __future__ import annotations

import base64
import hashlib
from typing import TYPE_CHECKING, Any

from vibe.report.certificate.proof.keys import NAMESPACE, fingerprint, openssh_line, public_key_of

if TYPE_CHECKING:
    from vibe.report.certificate.proof.keys import KnownKeys, SigningKeys

SIGNATURE, SSH_SIGNATURE = ".sig", ".sshsig"
"""Added to the record's file name."""
LENGTH = 64
"""Bytes of an Ed25519 signature (RFC 8032)."""
SIGNED_BY = "signed_by"
"""The key of a record that says whose signature belongs to it."""


def sign_record(record: bytes, keys: SigningKeys) -> bytes:
    """The bare signature of a record's bytes. The same record and key give the same signature."""
    return keys.record.sign(record)


def pages_vouched(drawn: str) -> bytes:
    """What the key of a record signs of a PDF's pages, ``drawn`` being the hash of all that they are drawn from.

    It cannot be taken for a record, nor a record for it.
    """
    return b"pages of a certificate\n" + drawn.encode()


def ssh_signature(record: bytes, keys: SigningKeys) -> str:
    """The signature in the form of OpenSSH."""
    head = _string(NAMESPACE.encode()) + _string(b"") + _string(b"sha512")
    mine = keys.record.sign(b"SSHSIG" + head + _string(hashlib.sha512(record).digest()))
    key = base64.b64decode(openssh_line(keys.record.public_key()).split()[1])
    signed = _string(b"ssh-ed25519") + _string(mine)
    blob = b"SSHSIG" + (1).to_bytes(4, "big") + _string(key) + head + _string(signed)
    text = base64.b64encode(blob).decode()
    lines = [text[at : at + 70] for at in range(0, len(text), 70)]
    return "\n".join(["-----BEGIN SSH SIGNATURE-----", *lines, "-----END SSH SIGNATURE-----", ""])


def wrong_with_signature(record: dict[str, Any], content: bytes, signature: bytes, known: KnownKeys | None) -> str:
    """What is wrong with the signature of a record, ``content`` being its bytes; empty where it fits.

    Without known keys the key that the record itself names is taken, which shows that nothing was changed since, and
    not by whom it was signed.
    """
    from cryptography.exceptions import InvalidSignature

    by = record.get(SIGNED_BY)
    if not isinstance(by, dict) or not isinstance(by.get("public_key"), str):
        return "the record names no key, and a signature lies with it"
    try:
        key = public_key_of(by["public_key"])
    except ValueError as error:
        return f"the key that the record names cannot be read: {error}"
    name = fingerprint(key)
    if by.get("key") != name:
        return "the record gives its key another name than it has"
    if known is not None:
        if not known.record:
            return "no public key of records was given; give public_key.pem"
        if name not in known.record:
            return f"it is signed with another key than those given ({name})"
        key = known.record[name]
    if len(signature) != LENGTH:
        return f"the signature has {len(signature)} bytes instead of {LENGTH}"
    try:
        key.verify(signature, content)
    except InvalidSignature:
        return "the signature is not that of this record"
    return ""


def _string(content: bytes) -> bytes:
    return len(content).to_bytes(4, "big") + content
