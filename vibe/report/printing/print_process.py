"""The process that draws PDF pages: one page of HTML in, one document out, until its input ends.

``report/printing/printer.py`` starts it with a font configuration of its own. The library that sets the text learns of
fonts only when it is loaded, and its native parts can take a process down with them: both are reasons not to draw where
the analysis runs.

In: the length of the page (8 bytes, big-endian), its text in UTF-8. Out: ``P``, a PDF and a sentence about it, empty
mostly; or ``L`` and a sentence where this machine lacks something, ``F`` and a sentence where drawing failed. Each text
has its length before it.
"""

from __future__ import annotations

import gc
import logging
import os
import shutil
import signal
import sys
import unicodedata
import warnings
from collections.abc import Callable
from pathlib import Path
from typing import IO, Any

from vibe.report.printing.fonts import VARIABLE, font_files

LENGTH_BYTES = 8
"""Of a length in front of what is sent."""
DRAWN, LACKING, FAILED = b"P", b"L", b"F"
MOST_NAMED = 6
"""Characters that are named."""


def send(stream: IO[bytes], content: bytes, kind: bytes = b"") -> None:
    """One message."""
    stream.write(kind + len(content).to_bytes(LENGTH_BYTES, "big"))
    stream.write(content)
    stream.flush()


def receive(stream: IO[bytes]) -> bytes | None:
    """The rest of a message, from its length on; None where the stream has ended."""
    head = stream.read(LENGTH_BYTES)
    if len(head) < LENGTH_BYTES:
        return None
    length = int.from_bytes(head, "big")
    content = stream.read(length)
    return content if len(content) == length else None


def first_line(error: Exception) -> str:
    """What an error says, short."""
    return (str(error).strip().splitlines() or [type(error).__name__])[0][:160]


def main() -> None:
    """Draw until the input ends, which it does when the process that asks ends, however it ends."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C goes to all; the one that asks ends this one
    _no_core_file()
    # What a library prints must not get between the answers.
    answers = os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)
    known = frozenset[int]()
    try:
        draw, lack = _drawer(), ""
        known = _characters()
    except (ImportError, OSError) as error:
        draw, lack = None, first_line(error)
    try:
        while (page := receive(sys.stdin.buffer)) is not None:
            if draw is None:
                send(answers, lack.encode(), LACKING)
                continue
            try:
                html = page.decode("utf-8", "surrogatepass")
                content = draw(html)
            except Exception as error:  # the renderer's own fault costs this page only
                logging.getLogger(__name__).exception("a page could not be drawn")
                send(answers, first_line(error).encode("utf-8", "replace"), FAILED)
            else:
                send(answers, content, DRAWN)
                send(answers, boxes(html, known).encode("utf-8"))
    except BrokenPipeError:
        pass
    finally:
        shutil.rmtree(Path(os.environ[VARIABLE]).parent, ignore_errors=True)


def _no_core_file() -> None:
    try:
        import resource
    except ImportError:  # not on every system
        return
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))


def _drawer() -> Callable[[str], bytes]:
    warnings.simplefilter("ignore")
    import weasyprint

    # Rules meant for screens are unknown to it; saying so for every page would bury real messages.
    logging.getLogger("weasyprint").setLevel(logging.ERROR)
    logging.getLogger("fontTools").setLevel(logging.ERROR)
    options: dict[str, Any] = {"pdf_tags": True}
    if "pdf_tags" not in weasyprint.DEFAULT_OPTIONS:  # older ones tag pages for this variant only
        options = {"pdf_variant": "pdf/ua-1"}
    fetcher = data_only(weasyprint)

    def draw(html: str) -> bytes:
        # A place where a word may break is an element, with boxes of its own; the character of that meaning has none.
        html = html.replace("<wbr>", "\u200b")
        # Python's search for garbage is put off: it walks all boxes of a document again and again as they are made.
        gc.disable()
        try:
            return bytes(weasyprint.HTML(string=html, url_fetcher=fetcher, base_url="about:blank").write_pdf(**options))
        finally:
            gc.enable()

    return draw


def _characters() -> frozenset[int]:
    """All that the plain face can show."""
    from fontTools.ttLib import TTFont

    with TTFont(font_files()[0], lazy=True) as font:
        return frozenset(font.getBestCmap())


def boxes(html: str, known: frozenset[int]) -> str:
    """A sentence where a page has letters that its font has not; empty where all can be shown."""
    # Controls, marks of direction and the like have no shape anywhere.
    lacking = sorted(c for c in set(html) if ord(c) not in known and unicodedata.category(c)[0] not in "CZ")
    if not lacking:
        return ""
    shown = " ".join(lacking[:MOST_NAMED]) + (" …" if len(lacking) > MOST_NAMED else "")
    return f"in the PDF, characters that its font lacks are boxes ({shown}); the HTML page shows them"


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
