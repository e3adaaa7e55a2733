"""A watched folder in the background of another program: started, asked how it does, stopped."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from types import TracebackType
from typing import Self

from vibe.core.errors import CallError, VibeError, defect
from vibe.flow.desk.background import WorkStopped
from vibe.flow.desk.inbox import Inbox, InboxStatus
from vibe.flow.desk.notices import ActNotice, Notices, NoticeTarget, acting_cases

START_S = 60.0
"""Until a worker that is started has loaded its libraries, on a slow machine (our choice)."""
STOP_S = 3.0
"""How long an end waits for what is being kept; whoever reads a file for longer is left to end with the program."""


@dataclass(frozen=True, slots=True, kw_only=True)
class NoticeStatus:
    """How notices do: how many were sent, and a sentence while one could not be."""

    sent: int
    trouble: str


class InboxService:
    """Runs an ``Inbox``, and notices where a target is given, in threads of its own; a store serves one thread.

    ``site`` and ``others`` are those of ``Inbox``. ``taken(tag)`` is called from one of the threads after each capture
    that came in; ``acting`` gives the cases in state act, for a program that has them judged already. The last
    ``status`` stays after ``stop``.

    Raises:
        CallError, ConfigError, OutputError: as ``Inbox``.
    """

    def __init__(
        self,
        store: Path,
        folder: Path,
        *,
        site: str = "",
        others: Mapping[str, Path] | None = None,
        drives: Sequence[str] = (),
        time_zone: str | None = None,
        workers: int = 1,
        target: NoticeTarget | None = None,
        taken: Callable[[str], None] | None = None,
        acting: Callable[[Path], Sequence[ActNotice] | None] | None = None,
    ) -> None:
        self._stop, self._ready = threading.Event(), threading.Event()
        self._error: BaseException | None = None
        self._box: Inbox | None = None
        self._last: InboxStatus | None = None
        self._taken = taken
        stores = (store, *(others or {}).values())
        self._notices = (
            () if target is None else tuple(Notices(one, target, acting=acting or self._acting) for one in stores)
        )

        def run() -> None:
            try:
                with Inbox(
                    store, folder, site=site, others=others, drives=drives, time_zone=time_zone, workers=workers,
                    taken=self._came,
                ) as box:  # fmt: skip
                    self._box = box
                    self._ready.set()
                    box.run(self._stop)
                    self._last = replace(box.status, running=False)
            except VibeError as error:
                self._error = error
            except Exception as error:  # the thread would die unseen
                self._error = CallError(defect(error))
            finally:
                self._ready.set()

        self._threads = [threading.Thread(target=run, name=f"inbox {folder.name}", daemon=True)]
        self._threads[0].start()
        if not self._ready.wait(START_S):
            self._stop.set()
            raise CallError(f"watching {folder} did not begin within {START_S:.0f} s: does the disk answer?")
        if self._error is not None:
            raise self._error
        if self._notices:
            self._threads.append(threading.Thread(target=self._notice, name="notices", daemon=True))
            self._threads[1].start()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.stop()

    @property
    def status(self) -> InboxStatus:
        """How things stand; after an end the last of it, with why in ``trouble`` where it did not end by ``stop``."""
        if self._last is not None:
            return self._last
        assert self._box is not None
        status = self._box.status
        return status if self._error is None else replace(status, running=False, trouble=str(self._error))

    @property
    def notices(self) -> NoticeStatus | None:
        """How notices do; None where nobody is to be called."""
        if not self._notices:
            return None
        trouble = next((one.trouble for one in self._notices if one.trouble), "")
        return NoticeStatus(sent=sum(one.sent for one in self._notices), trouble=trouble)

    def retry(self, file: str = "") -> None:
        """Look anew at a file that failed, at all of them unless named."""
        if self._box is not None:
            self._box.retry(file)

    def choose(self, file: str, site: str) -> None:
        """Say to which site's store a file goes. Raises: CallError: there is no such site."""
        if self._box is not None:
            self._box.choose(file, site)

    def stop(self) -> None:
        """Stop watching. What was not taken by then is taken at the next start."""
        self._stop.set()
        if self._box is not None:
            self._box.break_off()
        until = time.monotonic() + STOP_S
        for thread in self._threads:
            thread.join(max(0.0, until - time.monotonic()))

    def changed(self) -> None:
        """Cases may be others than before: ask for those in state act."""
        for one in self._notices:
            one.changed()

    def _acting(self, store: Path) -> Sequence[ActNotice]:
        def step(*_: object) -> None:
            if self._stop.is_set():
                raise WorkStopped

        return acting_cases(store, progress=step)

    def _came(self, tag: str) -> None:
        self.changed()
        if self._taken is not None:
            self._taken(tag)

    def _notice(self) -> None:
        while not self._stop.wait(1.0):
            for one in self._notices:
                try:
                    one.check()
                except WorkStopped:
                    return
                except Exception as error:  # must not end the watch
                    one.trouble = defect(error)
