"""The picture of the desk in README.md and the guide: ``python -m tests.docs.desk_picture STORE``, needs Chromium.

STORE is the history that ``vibe desk --practice`` makes.
"""

from __future__ import annotations

import io
import shutil
import sys
import threading
import time
from pathlib import Path

from PIL import Image

ROOT = Path(__file__).resolve().parents[2]
WHERE = ROOT / "vibe" / "guide" / "pictures" / "desk.png"
WIDTH, HEIGHT, COLOURS = 1400, 720, 96


def main(store: Path) -> None:
    """Serve the store, photograph the list, and keep few colours."""
    import uvicorn
    from selenium import webdriver
    from selenium.webdriver.chrome.service import Service

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
    options = webdriver.ChromeOptions()
    for flag in ("--headless", "--no-sandbox", "--hide-scrollbars", f"--window-size={WIDTH},{HEIGHT}"):
        options.add_argument(flag)
    options.binary_location = shutil.which("chromium") or ""
    browser = webdriver.Chrome(options=options, service=Service(shutil.which("chromedriver")))
    try:
        size = {"width": WIDTH, "height": HEIGHT, "deviceScaleFactor": 1, "mobile": False}
        browser.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", size)
        browser.get(f"http://127.0.0.1:{desk.keys.port}/start?key={desk.keys.key}")
        time.sleep(1.0)
        with Image.open(io.BytesIO(browser.get_screenshot_as_png())) as seen:
            seen.convert("RGB").quantize(COLOURS).save(WHERE, optimize=True)
    finally:
        browser.quit()
        server.should_exit = True
        thread.join(5)


if __name__ == "__main__":
    main(Path(sys.argv[1]))
