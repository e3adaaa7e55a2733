"""``vibe check``."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from vibe.cli.shared.exit_status import strictly
from vibe.cli.shared.options import Captures, Cluster, MaybeDrive, Readings, Workers, one_of
from vibe.core.errors import CallError, CaptureError

if TYPE_CHECKING:
    from vibe.flow.route.capture_check import CheckedCapture


def check(
    captures: Captures,
    drive: MaybeDrive = None,
    route: Annotated[
        Path | None,
        typer.Option(
            "--route", metavar="ROUTE.toml", help="The route: its plan, its names of files, and what is still missing."
        ),
    ] = None,
    earlier: Annotated[
        Path | None,
        typer.Option("--earlier", metavar="DIR", help="With --route: an earlier round, to detect exchanged points."),
    ] = None,
    readings: Readings = None,
    watch: Annotated[bool, typer.Option("--watch", help="With --route: go on as files arrive, until Ctrl-C.")] = False,
    workers: Workers = None,
    cluster: Cluster = None,
    strict: Annotated[
        bool,
        typer.Option("--strict", help="Exit status 3 when a capture must be repeated, cannot be read, or is missing."),
    ] = False,
) -> None:
    """Is a capture good, or must it be repeated?

    A verdict for each channel, with its reasons and what would mend it. With --route, CAPTURE is the folder of the
    round: each point is accepted, limited or a retake, and the list ends with what is still missing.
    """
    one_of(workers, cluster)
    if route is not None:
        from vibe.cli.round import check_round

        if len(captures) != 1 or drive is not None:
            raise CallError("with --route give the one folder of the round, and no --drive: the route names its drives")
        return check_round(
            captures[0], route, earlier, readings=readings, watch=watch, workers=workers, cluster=cluster, strict=strict
        )  # fmt: skip
    if earlier is not None or watch or cluster is not None or readings is not None:
        raise CallError("--earlier, --readings, --watch and --cluster need --route")
    return _check_files(captures, drive, workers=workers, strict=strict)


def _check_files(captures: list[Path], drive: Path | None, *, workers: int | None, strict: bool) -> None:
    from vibe.cli.shared import output
    from vibe.cli.shared.paths import captures_named
    from vibe.cli.shared.progress import Waiting
    from vibe.flow.route.capture_check import check_files

    with Waiting() as waiting:
        checked = check_files(captures_named(captures), drive, workers=workers, progress=waiting)
    if all(one.error is not None for one in checked):
        raise CaptureError(checked[0].error or "cannot be read", path=checked[0].path)
    rows = [row for one in checked for row in _rows(one)]
    if output.for_people():
        output.show_facts(
            (verdict, ": ".join(text for text in (path, channel, why, remedy) if text))
            for verdict, path, channel, why, remedy in rows
        )
    else:
        output.show_rows(["verdict", "capture", "channel", "why", "remedy"], rows)
    for one in checked:
        for remark in one.remarks:
            output.note(f"note: {one.path}: {remark}")
        if one.error is not None:
            output.note(f"note: {one.path}: {one.error}")
    bad = any(one.error is not None or any(q.verdict == "rejected" for q in one.quality) for one in checked)
    strictly(bad, strict)


def _rows(one: CheckedCapture) -> list[list[str]]:
    if one.error is not None:
        return [["unreadable", str(one.path), "", one.error, ""]]
    return [
        [
            quality.verdict, str(one.path), quality.channel, "; ".join(reason.text for reason in quality.reasons),
            "; ".join(dict.fromkeys(reason.remedy for reason in quality.reasons if reason.remedy)),
        ]
        for quality in one.quality
    ]  # fmt: skip
