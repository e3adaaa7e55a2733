"""The folder that a desk watches."""

from __future__ import annotations

import threading
from pathlib import Path
from typing import TYPE_CHECKING

from vibe.core.errors import VibeError

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
