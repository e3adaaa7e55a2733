"""``vibe desk``."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from vibe.core.errors import CallError


def desk(
    store: Annotated[
        list[Path] | None,
        typer.Option(
            "--store", metavar="DIR", help="Folder of a history. May be repeated: one desk for several sites."
        ),
    ] = None,
    practice: Annotated[
        bool,
        typer.Option("--practice", help="Open the sample history of a water works; made once, in a minute or two."),
    ] = False,
    read_only: Annotated[bool, typer.Option("--read-only", help="Nothing can be decided or changed.")] = False,
    port: Annotated[
        int, typer.Option("--port", min=0, max=65535, metavar="N", help="Port; a free one unless given.")
    ] = 0,
    by: Annotated[
        str | None, typer.Option("--by", metavar="NAME", help="In whose name is decided; the log-in's unless given.")
    ] = None,
    export: Annotated[
        Path | None, typer.Option("--export", metavar="DIR", help="Write all pages as files, and serve nothing.")
    ] = None,
    inbox: Annotated[
        Path | None,
        typer.Option(
            "--inbox",
            metavar="DIR",
            help="Take in captures as they come into this folder, each into the store that knows its drive.",
        ),
    ] = None,
    notify: Annotated[
        str | None,
        typer.Option("--notify", metavar="COMMAND", help="With --inbox: called when a case is new in state act."),
    ] = None,
    webhook: Annotated[
        str | None,
        typer.Option("--webhook", metavar="URL", help="With --inbox: the same facts are sent there by POST."),
    ] = None,
    user_header: Annotated[
        str | None,
        typer.Option("--user-header", metavar="NAME", help="Header by which a log-in in front names the user."),
    ] = None,
    trust: Annotated[
        str | None, typer.Option("--trust", metavar="IP", help="Address from which alone that header counts.")
    ] = None,
    host: Annotated[
        list[str] | None,
        typer.Option("--host", metavar="NAME", help="Host name under which that log-in serves the desk."),
    ] = None,
    force: Annotated[
        bool, typer.Option("--force", help="With --export: replace pages that are there already.")
    ] = False,
) -> None:
    """The analyst's desk in a browser: what is new, the evidence behind it, and what is decided.

    Prints one link; it works once, on this machine alone. Ctrl-C ends it.
    """
    from vibe.cli.shared import output

    stores = list(store or ())
    if practice and stores:
        raise CallError("--practice brings its own store: leave out --store")
    if practice:
        stores = [_practice_store()]
    if not stores:
        raise CallError("which store? give --store DIR, or --practice for the sample water works")
    if (user_header is None) != (trust is None) or (host and user_header is None):
        raise CallError("--user-header, --trust and --host belong together: a log-in in front of the desk")
    if inbox is None and (notify is not None or webhook is not None):
        raise CallError("--notify and --webhook go with --inbox: they report what comes in there")
    if export is not None:
        from vibe.desk.export import export_pages

        files = export_pages(stores, export, force=force, say=output.note)
        output.say(f"{len(files)} files; open {(export / 'index.html').resolve()}")
        return
    from vibe.desk.guard import Proxy
    from vibe.desk.serve import serve

    proxy = None
    if user_header is not None and trust is not None:
        proxy = Proxy(header=user_header, trusted=trust, hosts=tuple(one.lower() for one in host or ()))
    from vibe.flow.desk.notices import NoticeTarget

    target = None if notify is None and webhook is None else NoticeTarget.of(notify, webhook)
    serve(
        stores,
        target=target, by=(by if by is not None else _login()).strip(), port=port, read_only=read_only, inbox=inbox,
        proxy=proxy, say=_link,
    )  # fmt: skip


def _link(address: str) -> None:
    from vibe.cli.shared import output

    output.say(address)
    output.note("Open this link in a browser on this machine. It works once. Ctrl-C ends the desk.")
    import sys

    sys.stdout.flush()


def _login() -> str:
    """Who is logged in; "" where the machine does not say."""
    import getpass

    try:
        return getpass.getuser()
    except (OSError, KeyError, ImportError):
        return ""


def _practice_store() -> Path:
    from vibe.cli.shared import output
    from vibe.cli.shared.progress import Waiting
    from vibe.flow.cases.practice import practice_store

    with Waiting() as waiting:
        return practice_store(say=output.note, progress=waiting)
