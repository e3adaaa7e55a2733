"""A Chromium without a network, to open pages in."""

from __future__ import annotations

import shutil
import time
from collections.abc import Callable, Iterator
from typing import Any

import pytest

WAIT_S = 15


def offline_chromium(tmp_path_factory: pytest.TempPathFactory, *, width: int, offline: bool = True) -> Iterator[Any]:
    """The browser while it is used; skips the test where there is none. Not ``offline`` it reaches this machine too."""
    chromium, driver = shutil.which("chromium"), shutil.which("chromedriver")
    if chromium is None or driver is None:
        pytest.skip("needs chromium and chromedriver on PATH")
    webdriver = pytest.importorskip("selenium.webdriver", reason="needs selenium")
    from selenium.webdriver.chrome.service import Service

    options = webdriver.ChromeOptions()
    options.binary_location = chromium
    profile = tmp_path_factory.mktemp("profile")
    for flag in (
        "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-sync",
        "--disable-background-networking", "--disable-component-update", f"--window-size={width},1400",
        f"--user-data-dir={profile}",
    ):  # fmt: skip
        options.add_argument(flag)
    options.set_capability("goog:loggingPrefs", {"browser": "ALL", "performance": "ALL"})
    chrome = webdriver.Chrome(options=options, service=Service(driver))
    try:
        chrome.execute_cdp_cmd("Network.enable", {})
        chrome.execute_cdp_cmd(
            "Network.emulateNetworkConditions",
            {"offline": offline, "latency": 0, "downloadThroughput": -1, "uploadThroughput": -1}
            if not offline
            else {"offline": True, "latency": 0, "downloadThroughput": 0, "uploadThroughput": 0},
        )
        yield chrome
    finally:
        chrome.quit()


def fresh(chrome: Any, *, width: int) -> Any:
    """The same browser as if it had just been started: another test's page, sizes and notes are gone."""
    chrome.get("about:blank")
    chrome.execute_cdp_cmd("Emulation.clearDeviceMetricsOverride", {})
    chrome.execute_cdp_cmd("Emulation.setTouchEmulationEnabled", {"enabled": False})
    chrome.execute_cdp_cmd("Storage.clearDataForOrigin", {"origin": "file://", "storageTypes": "all"})
    chrome.set_window_size(width, 1400)
    for log in ("browser", "performance"):
        chrome.get_log(log)
    return chrome


def wait_for(condition: Callable[[], Any]) -> Any:
    end = time.monotonic() + WAIT_S
    while time.monotonic() < end:
        if value := condition():
            return value
        time.sleep(0.05)
    raise AssertionError("the page did not get there in time")
