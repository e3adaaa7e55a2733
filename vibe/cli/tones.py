"""``vibe tones``."""

from __future__ import annotations

from math import isfinite
from typing import Annotated

import typer

from vibe.cli.shared.options import DriveFile
from vibe.cli.shared.output import Form
from vibe.core.errors import CallError


def tones(
    drive: DriveFile,
    speed_rpm: Annotated[
        float | None,
        typer.Option("--speed-rpm", metavar="N", help="Input speed [r/min]; the drive's nominal speed unless given."),
    ] = None,
    form: Annotated[
        Form | None,
        typer.Option(
            "--format", help="How to print. Unless given, a table on a terminal and tab-separated rows elsewhere."
        ),
    ] = None,
) -> None:
    """Every body speed and tone of a drive.

    Each with its exact order, Hz, what makes it, and what it coincides with.
    """
    from vibe.cli.shared import output
    from vibe.flow.settings import tones_of
    from vibe.report.terminal import tones_table, tones_view

    if speed_rpm is not None and not (isfinite(speed_rpm) and speed_rpm > 0):
        raise CallError(f"--speed-rpm {speed_rpm:g} must be above 0 r/min")
    described, table = tones_of(drive)
    low_hz, high_hz = described.input.speed_range_hz
    input_hz = described.input.speed_hz if speed_rpm is None else speed_rpm / 60
    if not low_hz <= input_hz <= high_hz:
        output.note(
            f"note: {60 * input_hz:g} r/min lies outside this drive's range of "
            f"{60 * low_hz:.6g} to {60 * high_hz:.6g} r/min"
        )
    if form is None and output.for_people():
        output.draw(tones_view(table, input_hz))
    else:
        print(tones_table(table, input_hz, form="tsv" if form is None else form.value), end="")
