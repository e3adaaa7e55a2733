"""Ctrl-C, and the system's word to end: both break work off in one way, so that what is half written is removed."""

from __future__ import annotations

import signal
import threading
from collections.abc import Iterator
from contextlib import contextmanager

INTERRUPTED = 130
"""128 and the number of SIGINT, 2, as shells report it."""
TERMINATED = 143
"""128 and the number of SIGTERM, 15, as shells report it."""


class Terminated(KeyboardInterrupt):
    """The system's word to end (SIGTERM)."""


@contextmanager
def terms_heeded() -> Iterator[None]:
    """SIGTERM counts as Ctrl-C while this lasts."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return

    def leave(*_: object) -> None:
        raise Terminated

    before = signal.signal(signal.SIGTERM, leave)
    try:
        yield
    finally:
        signal.signal(signal.SIGTERM, before if before is not None else signal.SIG_DFL)


def status(stop: BaseException) -> int:
    """Exit status of an interrupt, whatever it was turned into on its way."""
    cause: BaseException | None = stop
    while cause is not None:
        if isinstance(cause, Terminated):
            return TERMINATED
        cause = cause.__cause__ or cause.__context__
    return INTERRUPTED
