"""``vibe certificate``: who signed a copy, is it unchanged, what does it say; and signing."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal

import typer

from vibe.cli.shared.exit_status import NEEDS_ACTION, WRONG_CALL, plainly, refuse
from vibe.cli.shared.options import Force, Out

app = typer.Typer(
    name="certificate",
    help="Certificates of new drives: who signed a copy, whether it is unchanged, and what it states. A hash proves "
    "that a copy is the same as its original; it does not prove who made it. A signature does.",
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


Keys = Annotated[Path, typer.Option("--keys", metavar="DIR", help="Folder of the signing keys.", show_default=False)]
PassPhraseFile = Annotated[
    Path | None,
    typer.Option(
        "--pass-phrase-file", metavar="FILE",
        help="First line of a file; else VIBE_PASS_PHRASE of the environment, else it is asked for.",
    ),
]  # fmt: skip


def verify(
    file: CertificateFile,
    key: Annotated[
        list[Path] | None,
        typer.Option(
            "--key",
            metavar="FILE|DIR",
            help="The folder that the signer handed over, or a file of it: public_key.pem, pdf_certificate.pem. May be "
            "repeated.",
        ),
    ] = None,
    signature: Annotated[
        Path | None,
        typer.Option("--signature", metavar="FILE", help="Of a JSON copy, where it does not lie next to it."),
    ] = None,
    captures: Annotated[
        Path | None,
        typer.Option("--captures", metavar="DIR", help="Folder of the captures; each one's hash is compared too."),
    ] = None,
    seal: Annotated[
        str | None,
        typer.Option("--seal", metavar="DIGITS", help="The seal as printed on the original: 16 digits or more."),
    ] = None,
    expect: Annotated[
        Literal["pass", "fail", "undetermined"] | None,
        typer.Option("--expect", help="The answer that it must give; with any other, the exit status is not 0."),
    ] = None,
) -> None:
    """See who signed a copy, what it answers for which drive, and whether it shows what its record makes.

    A certificate that says FAIL can be as true as one that says PASS: its answer comes first, and --expect pass asks
    for it.

    It is signed by somebody, unsigned, or broken. Give --key with what the signer handed over: without it anyone could
    have made the copy. A hash proves that a copy is the same as its original; it does not prove who made it. What an
    unsigned PDF shows cannot be compared: read its record (vibe certificate show), or verify the HTML or JSON.

    Exit status 0: signed with a key that was given; or no key was given, and the copy is what its record makes. Exit
    status 2: broken. Exit status 3: not broken, and not proved either; or another answer than --expect asks for.
    """
    from vibe.cli.shared import output
    from vibe.report.certificate.check import verify_certificate
    from vibe.report.certificate.proof.keys import known_keys
    from vibe.storage.digest import SEAL, groups

    known = known_keys(key) if key else None
    found = verify_certificate(file, captures=captures, seal=seal, known=known, signature=signature)
    rows = [[check.what, _SAID[check.fits], check.text] for check in found.checks]
    if found.states:
        rows.insert(0, ["states", found.answer.upper(), found.states])
    output.show_rows(["compared", "answer", "what"], [*rows, ["in all", found.word, found.verdict]])
    if found.failed or found.record is None:
        refuse(f"{file} is {found.verdict}", WRONG_CALL)
    if found.signature != "known" and seal is None:
        output.note(f"compare its seal with the original's: {' '.join(groups(found.record[SEAL]))}")
    if expect is not None and found.answer != expect:
        refuse(f"{file} does not answer {expect.upper()}: {found.states}", NEEDS_ACTION)
    if not found.proved:
        raise typer.Exit(NEEDS_ACTION)


def sign(
    record: Annotated[
        Path, typer.Argument(metavar="RECORD", help="acceptance.json that was not signed yet.", show_default=False)
    ],
    keys: Keys,
    out: Out = None,
    pass_phrase_file: PassPhraseFile = None,
    pdf: Annotated[bool, typer.Option("--pdf/--no-pdf", help="Also print the certificate to PDF.")] = True,
    force: Force = False,
) -> None:
    """Sign a certificate: its files are made again, with the record, the page and the PDF signed.

    They go into the record's folder, which needs --force, or into --out. The record names the keys, so its seal is
    another one than before.
    """
    from vibe.cli.shared import output
    from vibe.cli.shared.pass_phrase import pass_phrase
    from vibe.flow.commissioning.signing import check_can_be_signed, sign_certificate
    from vibe.report.certificate.proof.keys import load_keys, signer_of

    check_can_be_signed(record)
    signer_of(keys)
    opened = load_keys(keys, pass_phrase(pass_phrase_file))
    made = sign_certificate(record, opened, out=out, force=force, pdf=pdf)
    for remark in made.remarks:
        output.note(f"note: {remark}")
    output.show_files([path for path in (made.json, made.html, made.pdf, *made.signatures) if path is not None])


def show(file: CertificateFile) -> None:
    """The answer and every requirement, with value, limit and source, from the record in a copy.

    Whether the copy shows that record is not asked here but by vibe certificate verify. Exit status 2 when the copy is
    broken.
    """
    from vibe.cli.shared import output
    from vibe.report.certificate.certificate import acceptance_of
    from vibe.report.certificate.check import verify_certificate
    from vibe.report.certificate.view import rows_of, sentence
    from vibe.storage.digest import SealError

    found = verify_certificate(file)
    if found.failed or found.record is None:
        refuse(f"{file} is {found.verdict}", WRONG_CALL)
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


def make_key(
    keys: Keys,
    name: Annotated[
        str, typer.Option("--name", metavar="NAME", help="Who signs, as certificates say it.", show_default=False)
    ],
    pass_phrase_file: PassPhraseFile = None,
) -> None:
    """Make the two keys that sign certificates, under one pass phrase: for records (Ed25519) and for PDF (P-256).

    A key that is lost cannot be made again, and nothing is ever replaced: keep a copy of the folder in a safe place.
    """
    from vibe.cli.shared import output
    from vibe.cli.shared.pass_phrase import pass_phrase
    from vibe.report.certificate.proof.keys import make_keys, signer_of

    output.show_files(make_keys(keys, name, pass_phrase(pass_phrase_file, new=True)))
    output.note(f"Read this out to customers, so that they know your key when they see it: {signer_of(keys).key}")


def show_key(keys: Keys) -> None:
    """Whose keys lie in a folder, and by which names customers know them. No pass phrase is needed."""
    from vibe.cli.shared import output
    from vibe.report.certificate.proof.keys import principal, signer_of

    found = signer_of(keys)
    output.show_facts(
        [
            ("name", found.name), ("key", found.key), ("certificate of the PDF, SHA-256", found.pdf_certificate_sha256),
            ("for ssh-keygen -I", principal(found.name)),
        ]
    )  # fmt: skip


def export_key(
    keys: Keys,
    out: Annotated[Path, typer.Option("--out", metavar="DIR", help="Folder to hand over.", show_default=False)],
    force: Force = False,
) -> None:
    """Write what customers need to check signatures: public key, certificate, and a line for ssh-keygen.

    Hand it over by another way than the certificates: whoever can exchange one could exchange both.
    """
    from vibe.cli.shared import output
    from vibe.report.certificate.proof.keys import export_public

    output.show_files(export_public(keys, out, force=force))


key_app = typer.Typer(
    name="key", help="Keys that sign certificates.", no_args_is_help=True, pretty_exceptions_enable=False,
    rich_markup_mode=None,
)  # fmt: skip
key_app.command("make")(plainly(make_key))
key_app.command("show")(plainly(show_key))
key_app.command("export")(plainly(export_key))
app.command("verify")(plainly(verify))
app.command("show")(plainly(show))
app.command("sign")(plainly(sign))
app.add_typer(key_app)
