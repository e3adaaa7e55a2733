"""``vibe certificate``: is a copy of a certificate unchanged, and what does it say."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from vibe.cli.shared.exit_status import WRONG_CALL, plainly, refuse

app = typer.Typer(
    name="certificate",
    help="Certificates of new drives: check whether a copy is unchanged, and what it states. A hash proves that a copy "
    "is the same as its original; it does not prove who made it.",
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
)

CertificateFile = Annotated[
    Path,
    typer.Argument(
        metavar="FILE", help="A copy: acceptance.json, certificate.html or certificate.pdf.", show_default=False
    ),
]
_SAID = {True: "fits", False: "does not fit", None: "not compared"}


def verify(
    file: CertificateFile,
    captures: Annotated[
        Path | None,
        typer.Option("--captures", metavar="DIR", help="Folder of the captures; each one's hash is compared too."),
    ] = None,
    seal: Annotated[
        str | None,
        typer.Option("--seal", metavar="DIGITS", help="The seal as printed on the original: 16 digits or more."),
    ] = None,
) -> None:
    """See whether a copy agrees with its seal, what it shows with its record, and the captures with both.

    The copy is unchanged if its seal is that of the original, too: compare the digits, or give them with --seal. A hash
    proves that a copy is the same as its original; it does not prove who made it. Exit status 2: something does not
    fit.
    """
    from vibe.cli.shared import output
    from vibe.report.certificate.check import verify_certificate
    from vibe.storage.digest import SEAL, groups

    found = verify_certificate(file, captures=captures, seal=seal)
    output.show_rows(
        ["compared", "answer", "what"], [[check.what, _SAID[check.fits], check.text] for check in found.checks]
    )
    if found.failed:
        first = found.failed[0]
        more = f"; and {len(found.failed) - 1} more do not fit" if len(found.failed) > 1 else ""
        refuse(f"{file} is not what was sealed, or its captures are not: {first.what}: {first.text}{more}", WRONG_CALL)
    if found.record is not None and seal is None:
        output.note(f"the copy agrees with itself; compare its seal with the original's: "
                    f"{' '.join(groups(found.record[SEAL]))}")  # fmt: skip


def show(file: CertificateFile) -> None:
    """The answer and every requirement, with value, limit and source. Exit status 2 when the copy was changed."""
    from vibe.cli.shared import output
    from vibe.report.certificate.certificate import acceptance_of
    from vibe.report.certificate.check import verify_certificate
    from vibe.report.certificate.view import rows_of, sentence
    from vibe.storage.digest import SealError

    found = verify_certificate(file)
    if found.failed or found.record is None:
        refuse(f"{file} is not what was sealed: {found.failed[0].what}: {found.failed[0].text}", WRONG_CALL)
    try:
        acceptance = acceptance_of(found.record)
    except SealError as error:
        refuse(f"{file} cannot be shown: {error}", WRONG_CALL)
    output.show_facts(
        [
            ("drive", acceptance.drive), ("serial", acceptance.serial), ("title", acceptance.title),
            ("answer", acceptance.answer), ("because", sentence(acceptance)), ("rule", acceptance.decision_rule),
            ("ratio ordered", acceptance.ratio_ordered), ("ratio found", acceptance.ratio_found),
            ("seal", found.record["seal"]),
        ]
    )  # fmt: skip
    header = ["no", "requirement", "answer", "found", "limit", "accepted", "where", "source"]
    output.show_rows(
        header,
        [
            [
                str(row.number), row.outcome.requirement.text, row.outcome.answer, row.found, row.limit, row.accepted,
                row.outcome.where,
                row.outcome.requirement.source + (", by analogy" if row.outcome.requirement.by_analogy else ""),
            ]
            for row in rows_of(acceptance)
        ],
    )  # fmt: skip
    settles = [(str(row.number), row.outcome.settles) for row in rows_of(acceptance) if row.outcome.settles]
    for number, what in settles:
        output.note(f"requirement {number}: {what}")


for _name, _command in (("verify", verify), ("show", show)):
    app.command(_name)(plainly(_command))
