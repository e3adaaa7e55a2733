"""A browser of one window size, and pictures of what it shows, for the guide."""

from __future__ import annotations

import io
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from PIL import Image


@contextmanager
def browser_of(width: int, height: int) -> Iterator[Any]:
    """Chromium without a screen, ended afterwards."""
    from selenium import webdriver
    from selenium.webdriver.chrome.service import Service

    options = webdriver.ChromeOptions()
    for flag in ("--headless", "--no-sandbox", "--hide-scrollbars", f"--window-size={width},{height}"):
        options.add_argument(flag)
    options.binary_location = shutil.which("chromium") or ""
    chrome = webdriver.Chrome(options=options, service=Service(shutil.which("chromedriver")))
    try:
        size = {"width": width, "height": height, "deviceScaleFactor": 1, "mobile": False}
        chrome.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", size)
        yield chrome
    finally:
        chrome.quit()


def keep(png: bytes, to: Path, colours: int) -> None:
    """Few colours are enough for a page, and a quarter of the bytes."""
    with Image.open(io.BytesIO(png)) as seen:
        seen.convert("RGB").quantize(colours).save(to, optimize=True)
