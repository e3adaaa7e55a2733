"""``vibe identify``."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from vibe.cli.shared.options import Captures, Force
from vibe.core.errors import CallError

if TYPE_CHECKING:
    from vibe.flow.identify.answer import Answer, Identification


def identify(
    captures: Captures,
    speed_range: Annotated[
        tuple[float, float],
        typer.Option("--speed-range", metavar="LOW HIGH", help="Input speeds that may be [r/min].", show_default=False),
    ],
    difference: Annotated[
        list[int] | None,
        typer.Option(
            "--difference",
            metavar="N",
            help="Ring pins less lobes that may be; may be given more than once. 1 unless given.",
            show_default=False,
        ),
    ] = None,
    drive: Annotated[
        Path | None, typer.Option("--drive", metavar="DRIVE.toml", help="Nameplate data: is it this drive?")
    ] = None,
    poles: Annotated[
        int | None, typer.Option("--poles", min=2, max=96, metavar="N", help="Poles of the motor, for its slip.")
    ] = None,
    line_hz: Annotated[
        float | None, typer.Option("--line-hz", metavar="F", help="Line frequency [Hz], for the slip.")
    ] = None,
    json: Annotated[
        str | None,
        typer.Option("--json", metavar="FILE|-", help="Write what was found as JSON; - is standard output."),
    ] = None,
    force: Force = False,
) -> None:
    """Which drive is this, from its signal alone?

    Counts, ratio, speed, slip, discs and direction of rotation, for one cycloidal stage with a fixed ring. Every answer
    has its probability; what the evidence does not carry is reported as such, with the reason. With --drive the plate
    is checked: fits, another count fits better, or cannot be determined.
    """
    from vibe.cli.shared import output
    from vibe.cli.shared.paths import captures_named, check_free
    from vibe.flow.identify.answer import SlipReference, against_load, as_json
    from vibe.flow.identify.identification import identify_files
    from vibe.storage.files import write_whole

    if (poles is None) != (line_hz is None):
        raise CallError("slip needs both --poles and --line-hz")
    if poles is not None and (poles % 2 or not line_hz or not 1 <= line_hz <= 10_000):
        raise CallError("--poles must be even, and --line-hz from 1 to 10000")
    json_file = Path(json) if json is not None and json != "-" else None
    check_free(json_file, force=force)
    found = identify_files(
        captures_named(captures),
        speed_range,
        differences=difference or [1],
        drive_path=drive,
        motor=SlipReference(poles=poles, line_hz=line_hz) if poles is not None and line_hz is not None else None,
    )
    if json == "-":
        output.show_json(as_json(found))
        return
    if json_file is not None:
        write_whole(json_file, as_json(found), force=force)
    for one in found:
        output.show_facts(_facts(one))
    if len(found) > 1:
        output.show_facts([("all together", _together(found)), ("slip against load", against_load(found))])
    output.show_files([json_file] if json_file is not None else [])


def _together(found: Sequence[Identification]) -> str:
    """The likeliest counts of all captures, which must be of one drive."""
    from vibe.flow.identify.answer import together

    ranked = [c for c in together(found) if c.probability >= 0.01][:3]
    joined = "; ".join(f"{c.lobes} lobes, {c.ring_pins} ring pins: {100 * c.probability:.1f} %" for c in ranked)
    return joined or "not determined"


def _facts(one: Identification) -> list[tuple[str, str]]:
    counts = "; ".join(
        f"{c.lobes} lobes, {c.ring_pins} ring pins: {100 * c.probability:.1f} %"
        for c in one.candidates
        if c.probability >= 0.001 or c == one.candidates[0]
    )
    facts = [
        ("capture", one.capture),
        ("ratio", _said(one.ratio, "{:g}:1")),
        ("counts", counts or f"not determined: {one.ratio.why}"),
        ("mesh", one.mesh),
        ("input speed", _said(one.speed_rpm, "{:.2f}", " r/min")),
        ("slip", _said(one.slip, "{:.3%}")),
        ("discs", _said(one.discs, "{}")),
        ("direction", _said(one.direction, "{}")),
    ]
    if one.plate is not None:
        facts.append(("plate", f"{one.plate.verdict.replace('cannot be told', 'not determined')}: {one.plate.why}"))
    return [*facts, *(("note", remark) for remark in one.remarks)]


def _said(answer: Answer, form: str, unit: str = "") -> str:
    """An answer as a sentence."""
    from vibe.report.words import probability

    if answer.value is None:
        return f"not determined: {answer.why}"
    text = form.format(answer.value).replace("%", " %")
    if answer.uncertainty is not None:
        percent = form.endswith("%}")
        text += f" ± {100 * answer.uncertainty:.3f} %" if percent else f" ± {answer.uncertainty:.2g}"
    sure = "" if answer.probability is None else f" (probability {probability(answer.probability)})"
    return f"{text}{unit}{sure}"
