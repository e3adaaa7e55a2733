"""``vibe practice``."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from vibe.cli.shared.options import Force, Workers


def practice(
    out: Annotated[
        Path, typer.Option("--out", metavar="DIR", help="Folder for the rounds; made if missing.", show_default=False)
    ],
    drive: Annotated[
        list[str] | None, typer.Option("--drive", metavar="TAG", help="Only this drive. May be repeated.")
    ] = None,
    commissioning: Annotated[
        bool, typer.Option("--commissioning", help="Instead of the round: new drives to be accepted.")
    ] = False,
    workers: Workers = None,
    force: Force = False,
) -> None:
    """Make a practice round: captures of the sample water works, with faults of collecting planted.

    All is well in February; in March people go wrong, in April and May recorders and cables do.

    Try ``vibe check`` on it: DIR/truth.toml says what it ought to find. With --commissioning, make sets for
    ``vibe run pipelines/commissioning.toml``: a good drive and four that are not; in DIR/later a retest and drives held
    against the good one, for a run after that; in DIR/impossible sets that are refused. Such sets whose making was
    interrupted are completed when the same command is given again.
    """
    from vibe.cli.shared import output
    from vibe.cli.shared.progress import Waiting
    from vibe.core.errors import CallError

    if commissioning:
        from vibe.flow.samples.commissioning import make_commissioning

        if drive:
            raise CallError("--drive names drives of the practice round; the sets of --commissioning are made together")
        with Waiting() as waiting:
            sets = make_commissioning(out, workers=workers, force=force, progress=waiting)
        rows = [[path.parent.name, str(path)] for path in sets.files]
        output.show_rows(["what", "where"], [*rows, ["what is really in them", str(sets.truth)]])
        return
    from vibe.flow.samples.route_round import make_practice

    with Waiting() as waiting:
        made = make_practice(out, only=drive or None, workers=workers, force=force, progress=waiting)
    output.show_rows(
        ["what", "where"],
        [
            ["last month's round", str(made.february)],
            ["this month's round", str(made.march)],
            *([] if made.april is None else [["a round with faulty samples", str(made.april)]]),
            *([] if made.may is None else [["another, with two loggers", str(made.may)]]),
            ["what is really in it", str(made.truth)],
        ],
    )
