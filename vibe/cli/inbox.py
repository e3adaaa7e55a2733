"""``vibe inbox``: a watched folder, whose captures are judged as they come."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from vibe.cli.shared.exit_status import strictly
from vibe.core.errors import CallError

if TYPE_CHECKING:
    from vibe.flow.desk.inbox import InboxStatus


def inbox(
    store: Annotated[
        Path, typer.Option("--store", metavar="DIR", help="Folder of the history; made if missing.", show_default=False)
    ],
    watch: Annotated[
        Path,
        typer.Option("--watch", metavar="FOLDER", help="Where captures come: it is only read.", show_default=False),
    ],
    drives: Annotated[
        list[str] | None,
        typer.Option(
            "--drives", metavar="FILES", help="Drive files, folders or patterns; else those that the history has."
        ),
    ] = None,
    time_zone: Annotated[
        str | None,
        typer.Option(
            "--time-zone", metavar="ZONE", help="Of times without an offset from UTC, for example Europe/Vienna."
        ),
    ] = None,
    workers: Annotated[int, typer.Option("--workers", min=1, metavar="N", help="Processes that judge captures.")] = 1,
    once: Annotated[
        bool, typer.Option("--once", help="End when everything that is there is done, instead of watching on.")
    ] = False,
    notify: Annotated[
        str | None,
        typer.Option(
            "--notify",
            metavar="COMMAND",
            help="Called when a case is new in state act, its facts as JSON on input.",
        ),
    ] = None,
    webhook: Annotated[
        str | None,
        typer.Option("--webhook", metavar="URL", help="The same facts are sent there by POST. Nothing else is sent."),
    ] = None,
    strict: Annotated[
        bool, typer.Option("--strict", help="With --once: exit status 3 when a file was not taken.")
    ] = False,
) -> None:
    """Watch a folder: captures are judged as they come and kept in the history.

    A file counts when it looks the same at two looks, two seconds apart; files that are still written wait. Ctrl-C
    stops; whatever was not taken by then is taken at the next start, and nothing twice.
    """
    import signal
    import threading

    from vibe.cli.shared import output
    from vibe.core.errors import OutputError
    from vibe.flow.desk.inbox import Inbox
    from vibe.flow.desk.inbox_service import InboxService
    from vibe.flow.desk.notices import NoticeTarget
    from vibe.history.store.store import Store

    target = None if notify is None and webhook is None else NoticeTarget.of(notify, webhook)
    if once and target is not None:
        raise CallError("--notify and --webhook belong to a watch that goes on: leave out --once")
    with Store.open(store, create=True):
        pass
    stop, said = threading.Event(), _Said()
    for name in (signal.SIGINT, signal.SIGTERM):
        signal.signal(name, lambda *_: stop.set())
    output.note(f"watching {watch} for {store}{'' if once else '; Ctrl-C stops'}")
    if once:
        with Inbox(store, watch, drives=drives or (), time_zone=time_zone, workers=workers) as box:
            box.run(stop, until_idle=True)
            status = box.status
    else:
        with InboxService(
            store, watch, drives=drives or (), time_zone=time_zone, workers=workers, target=target
        ) as service:
            while not stop.wait(1.0) and (service.status.running or service.status.last_look is None):
                notices = service.notices
                said.news(service.status, "" if notices is None else notices.trouble)
        status = service.status
    said.news(status)
    if status.trouble:
        raise OutputError(status.trouble)
    output.note(f"{status.taken} taken, {status.there} there already, {len(status.failed)} not taken")
    strictly(bool(status.failed) and once, strict)


class _Said:
    """What was printed already."""

    def __init__(self) -> None:
        self._taken = 0
        self._failed: set[tuple[str, str]] = set()
        self._trouble = self._notice = ""

    def news(self, status: InboxStatus, notice: str = "") -> None:
        """Print what is new, one line each."""
        from vibe.cli.shared import output

        if status.taken != self._taken:
            output.say(f"{status.taken} taken, the last one {status.last_file}, {status.waiting} waiting")
            self._taken = status.taken
        for one in reversed(status.failed):
            if (one.file, one.why) not in self._failed:
                self._failed.add((one.file, one.why))
                output.note(f"not taken: {one.file}: {one.why}")
        for now, before in ((status.trouble, self._trouble), (notice, self._notice)):
            if now and now != before:
                output.note(now)
        self._trouble, self._notice = status.trouble, notice
