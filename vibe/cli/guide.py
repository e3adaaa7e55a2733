"""``vibe guide``."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from vibe.cli.shared.options import Force


def guide(
    context: typer.Context,
    topic: Annotated[
        str | None,
        typer.Argument(
            metavar="TOPIC", help="What to read about; the list of topics unless given.", show_default=False
        ),
    ] = None,
    out: Annotated[
        Path | None,
        typer.Option(
            "--out", metavar="DIR", help="Write the whole guide as HTML pages into this folder.", show_default=False
        ),
    ] = None,
    force: Force = False,
) -> None:
    """Read the guide, or write it as pages.

    How to measure, how to read a report, every key of a drive file, the theory behind it, every command. On a
    terminal a topic is laid out for reading; into a pipe or a file it goes as Markdown.
    """
    from vibe.cli.reference import command_reference
    from vibe.cli.shared import output
    from vibe.core.errors import CallError
    from vibe.report.pages.guide_topics import read_topic, read_topics

    made = {"commands": command_reference(context.find_root().command)}
    if out is not None:
        from vibe import __version__
        from vibe.report.pages.guide_pages import write_guide

        if topic is not None:
            raise CallError("--out writes the whole guide: leave out the topic")
        files = write_guide(read_topics(made), out, software=f"vibe {__version__}", force=force)
        output.show_rows(["what", "where"], [["first page", str(files[0])]])
        return
    if topic is None:
        output.show_rows(["topic", "about"], [[one.name, one.about] for one in read_topics(made)])
        output.note("vibe guide TOPIC shows one; vibe guide --out DIR writes all of them as linked pages")
        return
    shown = read_topic(topic, made)
    if output.for_people():
        output.draw_markdown(shown.for_terminal)
    else:
        print(shown.text)
