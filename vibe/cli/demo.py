"""``vibe demo``."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Annotated

import typer

from vibe.cli.shared.exit_status import reported, strictly
from vibe.cli.shared.options import Strict, Workers
from vibe.core.errors import CallError

_OWN_FILES = {"index.html", "drives.csv", "run.json", "run.journal"}


def demo(
    out: Annotated[Path, typer.Option("--out", metavar="DIR", help="Folder for the pages; made if missing.")] = Path(
        "vibe-demo"
    ),
    workers: Workers = None,
    strict: Strict = False,
    desk: Annotated[
        bool,
        typer.Option(
            "--desk", help="Instead of reports: the analyst's desk on two sample years (vibe desk --practice)."
        ),
    ] = False,
) -> None:
    """Reports for the drives of a sample water works.

    Needs no other input. A second run replaces what the first has written; one that was interrupted goes on.
    """
    if desk:
        from vibe.cli.desk import desk as open_desk

        open_desk(practice=True)
        return
    from vibe.cli.shared import output
    from vibe.cli.shared.paths import check_folder
    from vibe.cli.shared.progress import Waiting
    from vibe.flow.run.run import run_recipe
    from vibe.flow.settings import share_dir

    check_folder(out)
    share = share_dir()
    with Waiting() as waiting:
        outcome = run_recipe(
            share / "pipelines" / "route.toml", captures=share / "sample_signals", out=out, workers=workers,
            cluster=None, force=_replaceable(out), progress=waiting, say=output.note,
        )  # fmt: skip
    output.show_drives(outcome.rows)
    for remark in outcome.remarks:
        output.note(f"note: {remark}")
    output.say(f"The pages are in {out}; open {outcome.index.resolve()}")
    reported(outcome.failures, len(outcome.rows), is_defect=outcome.defect)
    strictly(outcome.rejected or outcome.acting, strict)


def _replaceable(out: Path) -> bool:
    """Whether ``out`` holds an earlier demo and nothing else. False when new, empty, or to be resumed.

    Raises:
        CallError: it holds something else.
    """
    from vibe.flow.run.resume import left_behind

    entries = list(out.iterdir()) if out.is_dir() else []
    if not entries:
        return False
    if not _is_own_run(out / "run.json") and not all(_is_own(entry) for entry in entries):
        raise CallError(f"{out} holds other files than an earlier demo's; name a new folder with --out")
    return not left_behind(out)


def _is_own_run(path: Path) -> bool:
    from vibe.flow.run.earlier_run import MOST_BYTES
    from vibe.report.pages.index_page import RUN_SCHEMA
    from vibe.storage.regular import read_regular

    try:
        record = json.loads(read_regular(path, MOST_BYTES))
    except (OSError, ValueError, RecursionError):
        return False
    return isinstance(record, dict) and record.get("schema") == RUN_SCHEMA


def _is_own(entry: Path) -> bool:
    """A file or folder as a run that was broken off leaves it."""
    if entry.is_dir():
        own = ("health.", "made-from.")
        return entry.name == "assets" or all(file.name.lstrip(".").startswith(own) for file in entry.iterdir())
    return entry.name in _OWN_FILES or entry.suffix == ".part"
