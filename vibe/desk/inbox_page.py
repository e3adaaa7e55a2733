"""``/inbox``: a watched folder, from which captures are judged as they come."""

from __future__ import annotations

import threading
from pathlib import Path
from typing import TYPE_CHECKING

from starlette.datastructures import FormData
from starlette.requests import Request
from starlette.responses import PlainTextResponse, RedirectResponse, Response

from vibe.core.errors import VibeError
from vibe.desk.app import desk_of, page
from vibe.desk.decide import words_of

if TYPE_CHECKING:
    from collections.abc import Callable

    from vibe.flow.desk.inbox import Inbox, InboxStatus


class WatchedFolder:
    """The watch of one folder for one store: a thread, which may be stopped and begun again."""

    def __init__(self, store: Path, folder: Path, *, came: Callable[[], None]) -> None:
        self.store, self.folder, self._came = store, folder, came
        self.trouble = ""
        self._box: Inbox | None = None
        self._stop = threading.Event()
        self._thread: threading.Thread | None = None

    @property
    def running(self) -> bool:
        """Whether it is looked for files."""
        return self._thread is not None and self._thread.is_alive()

    @property
    def status(self) -> InboxStatus | None:
        """What it does; None before its first look."""
        return None if self._box is None else self._box.status

    def start(self) -> None:
        """Begin to watch; nothing where it is watched already."""
        if not self.running:
            self._stop = threading.Event()
            self.trouble = ""
            self._thread = threading.Thread(target=self._run, args=(self._stop,), name="watches the inbox", daemon=True)
            self._thread.start()

    def stop(self, wait_s: float = 10.0) -> None:
        """Stop; what was not taken is taken after the next start."""
        self._stop.set()
        if self._thread is not None:
            self._thread.join(wait_s)

    def retry(self) -> None:
        """Look once more at files that were not taken."""
        if self._box is not None and self.running:
            self._box.retry()

    def _run(self, stop: threading.Event) -> None:
        from vibe.flow.desk.inbox import Inbox

        try:
            with Inbox(self.store, self.folder, taken=lambda _: self._came()) as box:
                self._box = box
                box.run(stop)
        except VibeError as error:
            self.trouble = str(error)


def inbox(request: Request) -> Response:
    """What the watched folder does."""
    watched = desk_of(request).inbox
    doing = None if watched is None else watched.status
    return page(request, "inbox.html.j2", here="inbox", watched=watched, doing=doing)


def act(request: Request, form: FormData) -> Response:
    """Stop, begin again, or look once more at what was not taken."""
    watched = desk_of(request).inbox
    if watched is None:
        return PlainTextResponse("No folder is watched: start the desk with --inbox DIR.", 422)
    {"stop": watched.stop, "start": watched.start, "retry": watched.retry}.get(words_of(form, "do"), lambda: None)()
    return RedirectResponse("/inbox", 303)


READS = [("/inbox", inbox)]
CHANGES = [("/inbox/act", act)]
