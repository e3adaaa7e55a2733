"""``vibe years``."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from vibe.cli.shared.options import Force, Workers


def years(
    out: Annotated[
        Path, typer.Option("--out", metavar="DIR", help="Folder for the history; made if missing.", show_default=False)
    ],
    spec: Annotated[
        Path | None,
        typer.Option("--spec", metavar="YEARS.toml", help="What happens; the sample water works unless given."),
    ] = None,
    drive: Annotated[
        list[str] | None, typer.Option("--drive", metavar="TAG", help="Only this drive. May be repeated.")
    ] = None,
    workers: Workers = None,
    force: Force = False,
) -> None:
    """Make a sample history of two years: captures, maintenance, another system's alarms, and the truth."""
    from vibe.cli.shared import output
    from vibe.cli.shared.progress import Waiting
    from vibe.flow.samples.years import make_years

    with Waiting() as waiting:
        made = make_years(out, spec=spec, only=drive or None, workers=workers, force=force, progress=waiting)
    rows = [
        ["captures", str(made.folder), str(made.captures)],
        ["exceedances", str(made.exceedances), str(made.rows)],
        ["drives", str(made.drives), ""],
        ["maintenance", str(made.events), ""],
        ["what really happened", str(made.truth), ""],
    ]
    output.show_rows(["what", "where", "count"], rows)
