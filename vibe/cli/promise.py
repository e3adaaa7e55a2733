"""``vibe promise``."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from vibe.cli.shared.options import Force, Out
from vibe.core.errors import CallError


def promise(
    store: Annotated[Path | None, typer.Option("--store", metavar="DIR", help="Folder of the history.")] = None,
    table: Annotated[
        Path | None,
        typer.Option("--table", metavar="FILE.csv", help="Instead of a history: columns drive, hours, failed."),
    ] = None,
    drives: Annotated[
        list[str] | None,
        typer.Option("--drives", metavar="FILES", help="Drive files, folders or patterns: only these; their bearings."),
    ] = None,
    confidence: Annotated[float, typer.Option("--confidence", metavar="SHARE", help="Of bounds and intervals.")] = 0.9,
    duty: Annotated[
        float | None,
        typer.Option("--duty", metavar="SHARE", help="Share of calendar time that drives run, without counters."),
    ] = None,
    failure: Annotated[
        list[str] | None,
        typer.Option(
            "--failure", metavar="KIND",
            help="Kind of event that counts; bearing change, repair and new drive unless given. May be repeated.",
        ),
    ] = None,
    new_at_first: Annotated[
        bool, typer.Option("--new-at-first", help="The drives were new at their first capture.")
    ] = False,
    until_failure: Annotated[
        bool,
        typer.Option("--until-failure", help="The table is of a test that ended with its last failure."),
    ] = False,
    out: Out = None,
    force: Force = False,
) -> None:  # fmt: skip
    """Say what running hours and failures are evidence for: time between failures, and bearing lives."""
    from vibe.cli.shared import output
    from vibe.cli.shared.paths import check_folder
    from vibe.flow.history.reliability import reliability_of_store, reliability_of_table, write_reliability
    from vibe.report.pages.reliability_page import facts, rating_rows

    if (store is None) == (table is None):
        raise CallError("give either --store, a history, or --table, a file of lives")
    if table is not None and (duty is not None or failure or new_at_first):
        raise CallError(
            "--duty, --failure and --new-at-first describe a history; a table has hours and failures of its own"
        )
    if until_failure and table is None:
        raise CallError("--until-failure is for a --table of a test: a history goes on until now")
    check_folder(out)
    named = None
    if drives:
        from vibe.ingest import load_drives

        named = load_drives(drives)
    if store is not None:
        found = reliability_of_store(
            store, drives=named, confidence=confidence, duty=duty, failures=failure or (), new_at_first=new_at_first
        )
    else:
        assert table is not None
        found = reliability_of_table(table, drives=named or (), confidence=confidence, until_failure=until_failure)
    rated = [
        (
            f"bearing, {drive}",
            f"{bearing}, {speed}: {note}" if "cannot" in note else f"{bearing}, {speed}: L10h {life}; {note}",
        )
        for drive, bearing, _, _, _, speed, life, note in rating_rows(found)
    ]
    output.show_facts([*facts(found), *rated, *(("assumption", one) for one in found.assumptions)])
    for remark in found.remarks:
        output.note(remark)
    if out is not None:
        output.show_files(write_reliability(found, out, force=force))
