"""PDF from the same HTML that the screen shows. When it cannot be made, a sentence says so and the run goes on."""

from __future__ import annotations

import gc
import logging
import shutil
import subprocess
import tempfile
import warnings
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

_CHROMIUM_NAMES = ("chromium", "chromium-browser", "chrome", "google-chrome")
_CHROMIUM_LIMIT_S = 60


@dataclass(frozen=True, slots=True, kw_only=True)
class Pdf:
    """The document, or the remark that says why there is none."""

    content: bytes | None
    remark: str = ""


def make_pdf(html: str) -> Pdf:
    """Print ``html`` (self-contained: every picture inside) to PDF.

    Uses weasyprint; where it or its system library is missing, an installed Chromium. Never raises for what a
    machine lacks.
    """
    reasons = []
    for name, maker in (("weasyprint", _by_weasyprint), ("chromium", _by_chromium)):
        try:
            return Pdf(content=maker(html))
        except (ImportError, OSError) as error:
            reasons.append(f"{name}: {_first_line(error)}")
        except Exception as error:  # a renderer's own fault must not cost the run its other results
            logging.getLogger(__name__).exception("%s failed", name)
            reasons.append(f"{name}: {_first_line(error)}")
    return Pdf(content=None, remark=f"PDF could not be made ({'; '.join(reasons)}); print the HTML page instead")


@contextmanager
def _without_collection() -> Iterator[None]:
    """Python's search for garbage, put off: it walks all boxes of a document again and again while they are made."""
    was_on = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was_on:
            gc.enable()


def _first_line(error: Exception) -> str:
    return (str(error).strip().splitlines() or [type(error).__name__])[0][:160]


def _by_weasyprint(html: str) -> bytes:
    with warnings.catch_warnings(), _without_collection():
        warnings.simplefilter("ignore")
        import weasyprint

        # Rules meant for screens are unknown to it; saying so for every page would bury real messages.
        logging.getLogger("weasyprint").setLevel(logging.ERROR)
        logging.getLogger("fontTools").setLevel(logging.ERROR)
        # A place where a word may break is an element, with boxes of its own; the character of that meaning has none.
        html = html.replace("<wbr>", "\u200b")
        document = weasyprint.HTML(string=html, url_fetcher=data_only(weasyprint), base_url="about:blank")
        return bytes(document.write_pdf())


def data_only(weasyprint: Any) -> Callable[[str], Any]:
    """A fetcher that opens ``data:`` and refuses every file and every address."""
    fetcher = getattr(weasyprint.urls, "URLFetcher", None)
    if fetcher is not None:
        return fetcher(allowed_protocols=("data",))  # type: ignore[no-any-return]

    def refuse(url: str, *args: Any, **kwargs: Any) -> Any:
        if not url.startswith("data:"):
            raise ValueError(f"refused: {url[:60]}")
        return weasyprint.default_url_fetcher(url, *args, **kwargs)

    return refuse


def _by_chromium(html: str) -> bytes:
    program = next((found for name in _CHROMIUM_NAMES if (found := shutil.which(name))), None)
    if program is None:
        raise OSError("no Chromium is installed")
    with tempfile.TemporaryDirectory() as folder:
        page, target = Path(folder, "page.html"), Path(folder, "page.pdf")
        page.write_text(html, encoding="utf-8")
        command = [
            program, "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
            "--disable-background-networking", "--disable-component-update", "--disable-sync",
            f"--user-data-dir={folder}/profile", "--no-pdf-header-footer", f"--print-to-pdf={target}", page.as_uri(),
        ]  # fmt: skip
        try:
            subprocess.run(command, check=True, capture_output=True, timeout=_CHROMIUM_LIMIT_S)
        except (subprocess.CalledProcessError, subprocess.TimeoutExpired) as error:
            raise OSError(f"{Path(program).name} did not print the page") from error
        return target.read_bytes()
