"""``vibe run``."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from vibe.cli.shared.exit_status import reported, strictly
from vibe.cli.shared.options import Cluster, Force, Readings, Strict, Workers, one_of
from vibe.core.errors import CallError


def run(
    recipe: Annotated[
        Path | None,
        typer.Argument(
            metavar="RECIPE.toml",
            help="The recipe: a file, or the bare name of one that comes with vibe.",
            show_default=False,
        ),
    ] = None,
    listed: Annotated[bool, typer.Option("--list", help="Show the recipes that come with vibe, and stop.")] = False,
    captures: Annotated[
        Path | None,
        typer.Option("--captures", metavar="DIR", help="Folder of captures, instead of the recipe's own."),
    ] = None,
    out: Annotated[
        Path | None, typer.Option("--out", metavar="DIR", help="Folder for the pages, instead of the recipe's own.")
    ] = None,
    earlier: Annotated[
        Path | None,
        typer.Option("--earlier", metavar="DIR", help="Pages of an earlier run, to say what changed since."),
    ] = None,
    readings: Readings = None,
    store: Annotated[
        Path | None,
        typer.Option(
            "--store", metavar="DIR", help="History: tones of each drive are compared with its earlier captures there."
        ),
    ] = None,
    workers: Workers = None,
    cluster: Cluster = None,
    pdf: Annotated[
        bool | None,
        typer.Option("--pdf/--no-pdf", help="Print the pages to PDF too, or not, whatever the recipe says."),
    ] = None,
    force: Force = False,
    strict: Strict = False,
) -> None:
    """Run a recipe over a folder of captures.

    Writes one report per drive and one page for all, gravest first. A run that was interrupted goes on where it
    stopped when the same command is given again.
    """
    from vibe.cli.shared import output
    from vibe.cli.shared.paths import check_folder
    from vibe.cli.shared.progress import Waiting
    from vibe.cli.shared.shipped import recipe_captures, recipe_named, recipe_rows
    from vibe.flow.run.run import recipe_kind, run_recipe

    if listed:
        output.show_rows(["recipe", "kind", "title", "about"], recipe_rows())
        return
    if recipe is None:
        raise CallError("name a recipe; --list shows those that come with vibe")
    one_of(workers, cluster)
    check_folder(out)
    recipe, is_shipped, two = recipe_named(recipe)
    if two:
        output.note(two)
    if is_shipped and captures is None:
        captures = recipe_captures(recipe)
    kind = recipe_kind(recipe)
    if kind != "route" and readings is not None:
        raise CallError(f"--readings has no meaning for recipes of kind {kind}")
    if kind == "commissioning":
        from vibe.cli.commissioning import run_commissioning_recipe

        if earlier is not None or cluster is not None or store is not None:
            raise CallError("--earlier, --store and --cluster have no meaning for recipes of kind commissioning")
        run_commissioning_recipe(
            recipe, captures=captures, out=out, workers=workers, pdf=pdf, force=force, strict=strict
        )
        return
    if kind == "alarms":
        if store is not None:
            raise CallError("--store has no meaning for recipes of kind alarms, which name theirs")
        from vibe.cli.alarms import run_alarm_recipe

        run_alarm_recipe(recipe, captures=captures, out=out, earlier=earlier, force=force, strict=strict)
        return
    with Waiting() as waiting:
        outcome = run_recipe(
            recipe, captures=captures, out=out, workers=workers, cluster=cluster, force=force, pdf=pdf,
            earlier=earlier, store=store, readings=readings, progress=waiting, say=output.note,
        )  # fmt: skip
    output.show_drives(outcome.rows)
    for remark in outcome.remarks:
        output.note(f"note: {remark}")
    output.note(f"The page for all drives: {outcome.index}")
    reported(outcome.failures, len(outcome.rows), is_defect=outcome.defect)
    strictly(outcome.rejected or outcome.acting, strict)
