"""Serve a desk on this machine until it is ended."""

from __future__ import annotations

import os
import socket
import threading
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from vibe.core.errors import CallError

if TYPE_CHECKING:
    from vibe.desk.guard import Proxy
    from vibe.flow.desk.notices import NoticeTarget

LOOPBACK = "127.0.0.1"
_GRACE_S = 2
"""How long an end waits for answers that are under way."""
_LONGEST_END_S = 3.5
"""After so long an end is not waited for: what is not committed by then is done again after the next start."""
_NUMBERS = 128
"""A process that a signal ended has this and the number of the signal as its status, as shells count."""


def serve(
    stores: Sequence[Path], *, by: str, port: int = 0, read_only: bool = False, inbox: Path | None = None,
    proxy: Proxy | None = None, target: NoticeTarget | None = None, say: Callable[[str], None],
) -> None:  # fmt: skip
    """Serve the desk of ``stores`` until Ctrl-C, after its one link was given to ``say``. ``port`` 0 takes a free one.

    Raises:
        CallError: a store is none, or the port is taken.
    """
    import uvicorn

    from vibe.desk import rendering
    from vibe.desk.app import desk_app
    from vibe.desk.context import Desk
    from vibe.desk.guard import Keys
    from vibe.desk.sites import Sites
    from vibe.desk.watched import WatchedFolder

    watched: WatchedFolder | None = None

    def changed() -> None:
        if watched is not None:
            watched.changed()

    sites = Sites(stores, read_only=read_only, changed=changed)
    rendering.warm()
    listening = _listening(port)
    keys = Keys(port=listening.getsockname()[1])
    if inbox is not None and not read_only:
        watched = WatchedFolder(
            {one.name: one.folder for one in sites.stores}, inbox, came=sites.wake, target=target, acting=sites.acting
        )
    desk = Desk(sites=sites, keys=keys, by=by, read_only=read_only, proxy=proxy, inbox=watched)
    config = uvicorn.Config(
        desk_app(desk), log_level="error", access_log=False, lifespan="off", ws="none", server_header=False,
        date_header=False,
        timeout_graceful_shutdown=_GRACE_S, proxy_headers=False, h11_max_incomplete_event_size=64 * 1024,
    )  # fmt: skip
    sites.start()
    if watched is not None:
        watched.start()
        if watched.trouble:
            sites.close()
            listening.close()
            raise CallError(watched.trouble)
    say(f"http://{LOOPBACK}:{keys.port}/start?key={keys.key}")

    def end() -> None:
        parts = [
            sites.close,
            lambda: desk.board.close(timeout_s=_GRACE_S),
            *([] if watched is None else [watched.stop]),
        ]
        threads = [threading.Thread(target=part, daemon=True) for part in parts]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()

    ending = DeskEnding(end)
    try:
        _server(config, ending.begin).run(sockets=[listening])
    finally:
        ending.begin()
        ending.wait()
        if all(job.is_over for job in desk.board.views()):
            ending.done()
        listening.close()


class DeskEnding:
    """The end of all that goes on in the background, begun once, by whoever is first. A signal begins it while answers
    are still under way; one that takes too long ends the process, and what it started ends with it."""

    def __init__(self, end: Callable[[], None]) -> None:
        self._begun = threading.Lock()
        self._thread = threading.Thread(target=end, name="ends", daemon=True)
        self._until = 0.0
        self._last: threading.Timer | None = None

    def begin(self, signal: int | None = None) -> None:
        """Begin it; with ``signal`` the process ends with its status when it has taken too long."""
        if not self._begun.acquire(blocking=False):
            return
        self._until = time.monotonic() + _LONGEST_END_S
        if signal is not None:
            self._last = threading.Timer(_LONGEST_END_S, os._exit, (_NUMBERS + signal,))
            self._last.daemon = True
            self._last.start()
        self._thread.start()

    def wait(self) -> None:
        """Until it is done, or was waited for long enough."""
        self._thread.join(max(0.0, self._until - time.monotonic()))

    def done(self) -> None:
        """Nothing is left that could hold up the end of the process."""
        if self._last is not None and not self._thread.is_alive():
            self._last.cancel()


def _server(config: Any, ends: Callable[[int], None]) -> Any:
    """A server that tells ``ends`` of the signal that ends it."""
    import uvicorn

    class Server(uvicorn.Server):
        def handle_exit(self, sig: int, frame: Any) -> None:
            ends(sig)
            super().handle_exit(sig, frame)

    return Server(config)


def _listening(port: int) -> socket.socket:
    listening = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    try:
        listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listening.bind((LOOPBACK, port))
        listening.listen(128)  # who opens the link at once waits for the first answer
    except OSError as error:
        listening.close()
        why = (error.strerror or str(error)).lower()
        raise CallError(
            f"port {port} cannot be used ({why}); give another --port, or none to take a free one"
        ) from error
    return listening
