"""A certificate that was looked at, and is signed afterwards."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from vibe.core.errors import CallError
from vibe.flow.commissioning.baseline_package import FOLDER, RECORD, SIGNATURE
from vibe.storage.files import write_whole

if TYPE_CHECKING:
    from vibe.report.certificate.certificate import CertificateFiles
    from vibe.report.certificate.proof.keys import SigningKeys


def check_can_be_signed(record: Path) -> None:
    """Refuse what is no unbroken record of this version, before anybody is asked for a pass phrase.

    Raises:
        CallError: it cannot be read, is broken, or was made by a version whose page this one does not make.
    """
    from vibe.report.certificate.check import kind_of, made_here, read_file, verify_certificate

    if kind_of(read_file(record)) != "json":
        raise CallError(f"{record} is no record: give the acceptance.json of the certificate")
    found = verify_certificate(record)
    if found.failed or found.record is None:
        raise CallError(f"{record} is {found.verdict}")
    if not made_here(found.record):
        raise CallError(
            f"{record} was made by another version, whose page this one does not make; run the recipe again"
        )


def sign_certificate(
    record: Path, keys: SigningKeys, *, out: Path | None = None, force: bool = False, pdf: bool = True
) -> CertificateFiles:
    """The certificate of a record made again and signed, in the record's folder or in ``out``.

    A baseline that lies there to be handed over gets the signed record too.

    Raises:
        CallError: as ``check_can_be_signed``. OutputError: files are there and ``force`` is not given, or cannot be
            written.
    """
    from vibe.report.certificate.certificate import acceptance_of, write_certificate
    from vibe.storage.digest import read_sealed

    check_can_be_signed(record)
    acceptance = acceptance_of(read_sealed(record.read_bytes()))
    made = write_certificate(acceptance, out or record.parent, force=force, pdf=pdf, keys=keys)
    package = made.json.parent / FOLDER
    if (package / RECORD).is_file():
        write_whole(package / RECORD, made.json.read_bytes(), force=True)
        write_whole(package / SIGNATURE, made.signatures[0].read_bytes(), force=True)
    return made
