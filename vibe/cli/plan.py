"""``vibe plan``."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from vibe.cli.options import Force, Out

if TYPE_CHECKING:
    from collections.abc import Sequence

    from vibe.core.tones import CapturePlan

_NAMES = ["drive", "sample_rate_hz", "duration_s", "captures", "sensor_range_m_s2", "resolution_hz", "shows"]
_TITLES = [
    "drive",
    "rate [Hz]",
    "length [s]",
    "captures",
    "range [m/s²]",
    "resolution [Hz]",
    "tones shown",
    "not shown",
]


def plan(
    drives: Annotated[
        list[str],
        typer.Argument(metavar="DRIVE.toml...", help="Drive files, or folders that hold them.", show_default=False),
    ],
    out: Out = None,
    pdf: Annotated[bool, typer.Option("--pdf/--no-pdf", help="With --out: print the sheet to PDF too.")] = True,
    force: Force = False,
) -> None:
    """Capture settings per drive, and what they can show.

    What they cannot show is named too. With --out, a sheet to take along is written.
    """
    from vibe.cli import screen
    from vibe.cli.names import check_folder
    from vibe.flow.planning import plan_drives
    from vibe.health.cautions import plan_cautions
    from vibe.ingest import drive_files

    check_folder(out)
    outcome = plan_drives(drive_files([Path(name) for name in drives]), out, force, pdf=pdf)
    if screen.for_people():
        _draw(outcome.plans)
    else:
        screen.show_rows([*_NAMES, "cannot_show", "mounting"], [_cells(one, named=True) for one in outcome.plans])
    for caution in plan_cautions():
        screen.note(f"caution: {caution}")
    for remark in outcome.remarks:
        screen.note(f"note: {remark}")
    screen.show_files(outcome.files)


def _cells(one: CapturePlan, *, named: bool) -> list[str]:
    """One drive's settings; ``named``: with the tones that stay unseen, for programs."""
    from vibe.report.words import number

    unseen = [tone.tone for tone in one.visibility if not tone.seen]
    cells = [
        one.drive, f"{one.sample_rate_hz:g}", f"{one.duration_s:g}", f"{one.captures}", f"{one.sensor_range_m_s2:g}",
        number(one.resolution_hz), f"{len(one.visibility) - len(unseen)}",
    ]  # fmt: skip
    return [*cells, "; ".join(unseen), one.mounting] if named else [*cells, f"{len(unseen)}"]


def _draw(plans: Sequence[CapturePlan]) -> None:
    """The settings as a table, then what stays unseen; with one drive also why the settings are so, as in the sheet."""
    from vibe.cli import screen

    screen.show_rows(_NAMES, [_cells(one, named=False) for one in plans], titles=_TITLES)
    for one in plans:
        screen.show_facts(
            [
                (one.drive, f"mounting: {one.mounting}"),
                *((one.drive, reason) for reason in one.reasons if len(plans) == 1),
                *(
                    (
                        one.drive,
                        f"cannot show {tone.tone}: {tone.why}" + (f"; needs {tone.needs}" if tone.needs else ""),
                    )
                    for tone in one.visibility
                    if not tone.seen
                ),
            ]
        )
