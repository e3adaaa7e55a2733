"""``vibe diagnose``."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from vibe.cli.shared.exit_status import strictly
from vibe.cli.shared.options import Captures, DriveOption, Force, Out, Strict

if TYPE_CHECKING:
    from vibe.core.health import Health


def diagnose(
    captures: Captures,
    drive: DriveOption,
    out: Out = None,
    json: Annotated[
        str | None,
        typer.Option("--json", metavar="FILE|-", help="Write the health report as JSON; - is standard output."),
    ] = None,
    pdf: Annotated[bool, typer.Option("--pdf/--no-pdf", help="With --out: print the page to PDF too.")] = True,
    earlier: Annotated[
        Path | None,
        typer.Option(
            "--earlier",
            metavar="DIR",
            help="Folder or history with earlier captures of this drive: its tones are compared with their own past.",
        ),
    ] = None,
    force: Force = False,
    strict: Strict = False,
) -> None:
    """Diagnose one drive from one or more captures."""
    from vibe.cli.shared import output
    from vibe.cli.shared.paths import captures_named, check_folder, check_free
    from vibe.cli.shared.progress import Waiting
    from vibe.cli.shared.summary import facts
    from vibe.flow.diagnose.drive_diagnosis import diagnose_files
    from vibe.storage.files import write_whole

    json_file = Path(json) if json is not None and json != "-" else None
    check_free(json_file, force=force)
    check_folder(out)
    with Waiting() as waiting:
        drive_report, row = diagnose_files(
            captures_named(captures), drive, out=out, force=force, pdf=pdf, progress=waiting, earlier=earlier
        )
    health = drive_report.health
    if json is not None:
        from vibe.report.health_text import health_json

        if json_file is None:
            output.show_json(health_json(health))
        else:
            write_whole(json_file, health_json(health), force=force)
    for remark in row.remarks:
        output.note(f"note: {remark}")
    if json == "-":
        output.note(f"{health.drive}: {health.state}. {health.sentence}")
    else:
        output.show_facts(facts(health))
    files = row.files
    written = [json_file] if files is None else [files.html, files.pdf, files.json, json_file]
    output.show_files(file for file in written if file is not None)
    strictly(health.state == "act" or _rejected(health), strict)


def _rejected(health: Health) -> bool:
    return any(
        capture.error is not None or any(channel.quality == "rejected" for channel in capture.channels)
        for capture in health.captures
    )
