"""``vibe plan``."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from vibe.cli.options import Force, Out


def plan(
    drives: Annotated[
        list[str],
        typer.Argument(metavar="DRIVE.toml...", help="Drive files, or folders that hold them.", show_default=False),
    ],
    out: Out = None,
    force: Force = False,
) -> None:
    """Capture settings for each drive, what they can and cannot show; with --out a sheet to take along."""
    from vibe.cli import screen
    from vibe.cli.names import check_folder
    from vibe.flow import plan_drives
    from vibe.health.cautions import plan_cautions
    from vibe.ingest import drive_files
    from vibe.report.words import number

    check_folder(out)
    outcome = plan_drives(drive_files([Path(name) for name in drives]), out, force)
    header = [
        "drive", "sample_rate_hz", "duration_s", "captures", "sensor_range_m_s2", "resolution_hz", "shows", "cannot_show",
        "mounting",
    ]  # fmt: skip
    rows = []
    for entry in outcome.plans:
        seen = sum(tone.seen for tone in entry.visibility)
        rows.append([
            entry.drive, f"{entry.sample_rate_hz:g}", f"{entry.duration_s:g}", f"{entry.captures}",
            f"{entry.sensor_range_m_s2:g}", number(entry.resolution_hz), f"{seen}", f"{len(entry.visibility) - seen}",
            entry.mounting,
        ])  # fmt: skip
    screen.show_rows(header, rows)
    if screen.for_people():
        screen.show_facts(
            (entry.drive, f"cannot show {tone.tone}: {tone.why}" + (f"; {tone.needs}" if tone.needs else ""))
            for entry in outcome.plans
            for tone in entry.visibility
            if not tone.seen
        )
    for caution in plan_cautions():
        screen.note(f"caution: {caution}")
    for remark in outcome.remarks:
        screen.note(f"note: {remark}")
    screen.show_files(outcome.files)
