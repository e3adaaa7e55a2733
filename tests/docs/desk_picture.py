"""The picture of the desk in README.md and the guide: ``python -m tests.docs.desk_picture STORE``, needs Chromium.

STORE is the history that ``vibe desk --practice`` makes.
"""

from __future__ import annotations

import sys
import threading
import time
from pathlib import Path

from tests.docs.photograph import browser_of, keep

ROOT = Path(__file__).resolve().parents[2]
WHERE = ROOT / "vibe" / "guide" / "pictures" / "desk.png"
WIDTH, HEIGHT, COLOURS = 1400, 720, 96


def main(store: Path) -> None:
    """Serve the store, photograph the list, and keep few colours."""
    import uvicorn

    from vibe.desk.app import desk_app
    from vibe.desk.context import Desk
    from vibe.desk.guard import Keys
    from vibe.desk.serve import _listening
    from vibe.desk.sites import Sites

    listening = _listening(0)
    sites = Sites([store], apart=False, read_only=True)
    sites.refresh()
    desk = Desk(sites=sites, keys=Keys(port=listening.getsockname()[1]), by="M. Arden")
    server = uvicorn.Server(uvicorn.Config(desk_app(desk), log_level="critical", lifespan="off"))
    thread = threading.Thread(target=server.run, kwargs={"sockets": [listening]}, daemon=True)
    thread.start()
    try:
        with browser_of(WIDTH, HEIGHT) as browser:
            browser.get(f"http://127.0.0.1:{desk.keys.port}/start?key={desk.keys.key}")
            time.sleep(1.0)
            keep(browser.get_screenshot_as_png(), WHERE, COLOURS)
    finally:
        server.should_exit = True
        thread.join(5)


if __name__ == "__main__":
    main(Path(sys.argv[1]))
