"""``vibe population``."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from vibe.cli.shared.exit_status import strictly
from vibe.cli.shared.options import Force, Out


def population(
    folder: Annotated[
        Path,
        typer.Argument(
            metavar="DIR", help="Folder with the acceptance records of a type's drives.", show_default=False
        ),
    ],
    out: Out = None,
    title: Annotated[
        str | None, typer.Option("--title", metavar="TEXT", help="Name of the type; the folder's unless given.")
    ] = None,
    strict: Annotated[bool, typer.Option("--strict", help="Exit status 3 when a drive stands apart.")] = False,
    force: Force = False,
) -> None:
    """Compare the drives of a type: spread, drives that stand apart, drift of production."""
    from vibe.cli.shared import output
    from vibe.cli.shared.paths import check_folder
    from vibe.flow.history.population import population_of, write_population

    check_folder(out)
    found = population_of(folder, title=title)
    for file, why in found.left_out:
        output.note(f"left out: {file} {why}")
    rows = [
        [
            one.serial, one.figure.measure, one.figure.subject, one.figure.point, f"{one.value:.4g}",
            f"{one.expected:.4g}", one.figure.unit, f"{one.spreads:+.3g}", f"{one.chance:.2g}", one.points_to,
        ]
        for one in found.outliers
    ]  # fmt: skip
    header = ["serial", "measure", "subject", "point", "value", "usual", "unit", "spreads", "chance", "points_to"]
    output.show_rows(header, rows)
    moved = [one for one in found.figures if one.drift.state not in ("steady", "cannot be told yet")]
    for one in moved:
        key = one.figure
        name = " ".join(part for part in (key.measure, key.subject, key.point) if part)
        output.note(f"drift: {name}: {one.drift.state}, {one.drift.note}")
    for remark in found.remarks:
        output.note(remark)
    output.note(
        f"{found.drives} drives, {len(found.figures)} figures each, "
        f"standing apart: {len({one.serial for one in found.outliers})}, figures that moved with time: {len(moved)}; "
        f"sound drives would show any outlier in {100 * found.false_alarm_rate:g} % of such populations"
    )
    if out is not None:
        output.show_files(write_population(found, out, force=force))
    strictly(bool(found.outliers), strict)
