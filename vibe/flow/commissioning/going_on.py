"""What a run that was interrupted has left: certificates of sets that need not be proved again."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from vibe.core.errors import CallError, OutputError

if TYPE_CHECKING:
    from vibe.core.records.acceptance import Acceptance, InputFile
    from vibe.core.records.commissioning import EarlierAttempt
    from vibe.report.certificate.proof.keys import SigningKeys


@dataclass(frozen=True, slots=True, kw_only=True)
class LeftBehind:
    """The certificate of a set that lies in its folder; ``whole``: nothing of it is missing or changed."""

    acceptance: Acceptance
    files: tuple[Path, ...]
    whole: bool


def left_behind(
    folder: Path,
    *,
    inputs: Sequence[InputFile],
    captures: Sequence[str],
    earlier: EarlierAttempt | None,
    keys: SigningKeys | None,
    pdf: bool,
) -> LeftBehind | None:
    """The certificate in ``folder``, if it rests on these files and on captures of these SHA-256; None without any.

    Raises:
        OutputError: there is one, and it rests on others, is signed by somebody else, or was made by another version.
    """
    from vibe.report.certificate.certificate import HTML_NAME, JSON_NAME, PDF_NAME, acceptance_of
    from vibe.report.certificate.check import made_here, verify_certificate
    from vibe.report.certificate.proof.signature import SSH_SIGNATURE
    from vibe.storage.digest import SealError

    record, page, printed = folder / JSON_NAME, folder / HTML_NAME, folder / PDF_NAME
    if not record.exists():
        return None
    other = OutputError(f"{record} exists already, and is not of this set as it is; give --force to replace it, "
                        "or another --out")  # fmt: skip
    try:
        found = verify_certificate(record)
        if found.failed or found.record is None or not made_here(found.record):
            raise other
        acceptance = acceptance_of(found.record)
    except (CallError, SealError):
        raise other from None
    mine = None if keys is None else keys.signed_by
    same = tuple(acceptance.inputs) == tuple(inputs) and acceptance.earlier == earlier and acceptance.signed_by == mine
    if not same or sorted(digest for _, digest in acceptance.captures) != sorted(captures):
        raise other
    files = tuple(path for path in (record, page, printed) if path.exists())
    wanted = [
        page,
        *([printed] if pdf else []),
        *([] if keys is None else [record.with_name(JSON_NAME + SSH_SIGNATURE)]),
    ]
    whole = all(path.exists() for path in wanted) and _true(files, keys) and _handed_over(acceptance, record)
    return LeftBehind(acceptance=acceptance, files=files, whole=whole)


def _true(files: Sequence[Path], keys: SigningKeys | None) -> bool:
    from vibe.report.certificate.check import verify_certificate
    from vibe.report.certificate.proof.keys import own_keys

    known = None if keys is None else own_keys(keys)
    found = [verify_certificate(path, known=known) for path in files]
    return all(not one.failed and (known is None or one.signature == "known") for one in found)


def _handed_over(acceptance: Acceptance, record: Path) -> bool:
    """Whether the baseline of a drive that passed lies there as it was to be handed over."""
    from vibe.flow.commissioning.baseline_package import FOLDER, RECORD, SIGNATURE, package_of

    if not acceptance.baseline:
        return True
    folder = record.parent / FOLDER
    try:
        there = package_of([folder]) is not None
    except CallError:
        return False
    signed = acceptance.signed_by is None or (folder / SIGNATURE).exists()
    return there and signed and (folder / RECORD).read_bytes() == record.read_bytes()
