"""The folder that a desk watches."""

from __future__ import annotations

import threading
from pathlib import Path
from typing import TYPE_CHECKING

from vibe.core.errors import VibeError

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from vibe.flow.desk.inbox import InboxStatus
    from vibe.flow.desk.inbox_service import InboxService, NoticeStatus
    from vibe.flow.desk.notices import ActNotice, NoticeTarget


class WatchedFolder:
    """The watch of one folder for all stores of a desk, by the names of their sites, which may be stopped and begun
    again. ``trouble`` says why it could not begin."""

    def __init__(
        self, stores: Mapping[str, Path], folder: Path, *, came: Callable[[], None], target: NoticeTarget | None = None,
        acting: Callable[[Path], Sequence[ActNotice] | None] | None = None,
    ) -> None:  # fmt: skip
        """``came`` is called after each capture that was taken; ``acting`` gives the cases of a store in state act."""
        self.stores, self.folder, self._came, self._target = dict(stores), folder, came, target
        self._acting = acting
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
    def wants(self) -> str:
        """What somebody should look at, in two words; "" while all that came was taken."""
        status = self.status
        if self.trouble or (status is not None and status.trouble):
            return "in trouble"
        if status is not None and status.failed:
            return f"{len(status.failed)} not taken"
        return "" if self.running else "stopped"

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
                (site, store), *others = self.stores.items()
                self._service = InboxService(
                    store, self.folder, site=site, others=dict(others), taken=lambda _: self._came(),
                    target=self._target, acting=self._acting,
                )  # fmt: skip
                self.trouble = ""
            except VibeError as error:
                self.trouble = str(error)

    def stop(self) -> None:
        """Stop; what was not taken is taken after the next start."""
        with self._lock:
            if self._service is not None:
                self._service.stop()

    def changed(self) -> None:
        """Cases may be others than before."""
        if self._service is not None:
            self._service.changed()

    def retry(self) -> None:
        """Look once more at files that were not taken."""
        if self._service is not None and self.running:
            self._service.retry()

    def choose(self, file: str, site: str) -> None:
        """Say to which site's store a file goes that several could take. Raises: CallError: there is no such site."""
        if self._service is not None and self.running:
            self._service.choose(file, site)
