"""Serve a desk on this machine until it is ended."""

from __future__ import annotations

import socket
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from vibe.core.errors import CallError

if TYPE_CHECKING:
    from vibe.desk.guard import Proxy
    from vibe.flow.desk.notices import NoticeTarget

LOOPBACK = "127.0.0.1"
_GRACE_S = 2
"""How long an end waits for answers that are under way."""


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

    sites = Sites(stores, read_only=read_only)
    rendering.warm()
    listening = _listening(port)
    keys = Keys(port=listening.getsockname()[1])
    watched = None if inbox is None or read_only else WatchedFolder(
        {one.name: one.folder for one in sites.stores}, inbox, came=sites.wake, target=target
    )  # fmt: skip
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
    try:
        uvicorn.Server(config).run(sockets=[listening])
    finally:
        if watched is not None:
            watched.stop()
        desk.board.close(timeout_s=_GRACE_S)
        sites.close()
        listening.close()


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
