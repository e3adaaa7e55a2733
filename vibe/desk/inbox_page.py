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

    from vibe.flow.desk.inbox import InboxStatus
    from vibe.flow.desk.inbox_service import InboxService, NoticeStatus
    from vibe.flow.desk.notices import NoticeTarget


class WatchedFolder:
    """The watch of one folder for one store, which may be stopped and begun again. ``trouble`` says why it could not
    begin."""

    def __init__(
        self, store: Path, folder: Path, *, came: Callable[[], None], target: NoticeTarget | None = None
    ) -> None:
        self.store, self.folder, self._came, self._target = store, folder, came, target
        self.trouble = ""
        self._service: InboxService | None = None
        self._lock = threading.Lock()

    @property
    def status(self) -> InboxStatus | None:
        """What it does; None before it began once."""
        return None if self._service is None else self._service.status

    @property
    def running(self) -> bool:
        """Whether it is looked for files."""
        status = self.status
        return status is not None and status.running

    @property
    def notices(self) -> NoticeStatus | None:
        """How notices do; None where nobody is to be called."""
        return None if self._service is None else self._service.notices

    def start(self) -> None:
        """Begin to watch; nothing where it is watched already."""
        from vibe.flow.desk.inbox_service import InboxService

        with self._lock:
            if self.running:
                return
            try:
                self._service = InboxService(self.store, self.folder, taken=lambda _: self._came(), target=self._target)
                self.trouble = ""
            except VibeError as error:
                self.trouble = str(error)

    def stop(self) -> None:
        """Stop; what was not taken is taken after the next start."""
        with self._lock:
            if self._service is not None:
                self._service.stop()

    def retry(self) -> None:
        """Look once more at files that were not taken."""
        if self._service is not None and self.running:
            self._service.retry()


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
