"""A desk that answers on this machine, and what a person does to a page of it."""

from __future__ import annotations

import socket
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any

from tests.desk.sites_of_desk import NAME
from tests.report.browsing import wait_for
from vibe.desk.app import desk_app
from vibe.desk.context import Desk
from vibe.desk.guard import Keys
from vibe.desk.sites import Sites


class Served:
    """A desk that answers on this machine."""

    def __init__(self, *stores: Path, by: str = NAME, judged: bool = True) -> None:
        import uvicorn

        self.listening = socket.create_server(("127.0.0.1", 0))
        sites = Sites(stores, apart=False)
        if judged:
            sites.refresh()
        self.desk = Desk(sites=sites, keys=Keys(port=self.listening.getsockname()[1]), by=by)
        config = uvicorn.Config(desk_app(self.desk), log_level="critical", lifespan="off", ws="none")
        self.server = uvicorn.Server(config)
        self.thread = threading.Thread(target=self.server.run, kwargs={"sockets": [self.listening]}, daemon=True)
        self.thread.start()
        wait_for(lambda: self.server.started)

    @property
    def address(self) -> str:
        return f"http://127.0.0.1:{self.desk.keys.port}"

    def end(self) -> None:
        self.server.should_exit = self.server.force_exit = True
        self.thread.join(10)
        self.listening.close()


def forgotten(chrome: Any) -> None:
    """Leave the page of an earlier test, which may still ask its desk, and all that the browser noted of it."""
    chrome.get("about:blank")
    chrome.get_log("browser")


def opened(chrome: Any, served: Served) -> None:
    forgotten(chrome)
    chrome.get(f"{served.address}/start?key={served.desk.keys.key}")
    assert chrome.current_url == f"{served.address}/"


def find(chrome: Any, what: str) -> Any:
    from selenium.webdriver.common.by import By

    return chrome.find_element(By.CSS_SELECTOR, what)


def all_of(chrome: Any, what: str) -> list[Any]:
    from selenium.webdriver.common.by import By

    return list(chrome.find_elements(By.CSS_SELECTOR, what))


def soon(condition: Callable[[], Any]) -> Any:
    """Wait for it; what a page exchanges while it is looked at is looked at again."""
    from selenium.common.exceptions import NoSuchElementException, StaleElementReferenceException

    def held() -> Any:
        try:
            return condition()
        except (NoSuchElementException, StaleElementReferenceException):
            return None

    return wait_for(held)


def press(chrome: Any, *keys: str) -> None:
    from selenium.webdriver import ActionChains

    for key in keys:
        ActionChains(chrome).send_keys(key).perform()


def texts(chrome: Any, what: str) -> list[str]:
    said = chrome.execute_script(
        "return [...document.querySelectorAll(arguments[0])].map((one) => one.innerText)", what
    )
    return list(said)


def settled(chrome: Any) -> None:
    """Nothing failed but what cannot be there: these captures keep no spectra for a picture over time."""
    severe = [entry["message"] for entry in chrome.get_log("browser") if entry["level"] == "SEVERE"]
    assert [message for message in severe if "/api/cascade" not in message] == []
