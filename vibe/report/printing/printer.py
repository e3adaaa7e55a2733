"""Hands pages to the process that draws them (``report/printing/print_process.py``), kept warm from page to page.

What that process cannot survive costs the page that it was drawing its PDF, and nothing else.
"""

from __future__ import annotations

import atexit
import os
import shutil
import signal
import subprocess
import sys
import tempfile
import threading
from pathlib import Path

from vibe.report.printing.fonts import environment
from vibe.report.printing.print_process import DRAWN, LACKING, receive, send

LIMIT_S = 180.0
"""Longest time for one page; a report takes about one second, a certificate of many sheets a few."""
MOST_CRASHES = 2
"""In a row; then no other page is tried."""


class DrawingError(RuntimeError):
    """A page could not be drawn; the text says why."""


class Printer:
    """One drawing process, started when it is first needed and again when it was lost. For any number of threads."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._process: subprocess.Popen[bytes] | None = None
        self._folder: Path | None = None
        self._owner = 0
        self._lack = ""
        self._crashes = 0

    def warm_up(self) -> None:
        """Start the process, so that it loads its libraries while others work. Says nothing where it cannot."""
        with self._lock:
            if not self._lack:
                try:
                    self._started()
                except OSError as error:
                    self._lack = str(error)

    def draw(self, html: str) -> tuple[bytes, str]:
        """The PDF of a page, and what it does not show as the page does; empty mostly.

        Raises:
            OSError: this machine lacks something that drawing needs.
            DrawingError: drawing failed, took too long, or its process died.
        """
        with self._lock:
            if self._lack:
                raise OSError(self._lack)
            kind, content, note = self._asked(html)
            if kind == DRAWN:
                self._crashes = 0
                return content, note.decode("utf-8", "replace")
            said = content.decode("utf-8", "replace")
            if kind == LACKING:
                self._lack = said
                self._end()
                raise OSError(said)
            raise DrawingError(said)

    def close(self) -> None:
        """End the process."""
        with self._lock:
            self._end()

    def _asked(self, html: str) -> tuple[bytes, bytes, bytes]:
        process = self._started()
        assert process.stdin is not None
        assert process.stdout is not None
        late = threading.Event()

        def end() -> None:
            late.set()
            process.kill()

        timer = threading.Timer(LIMIT_S, end)
        timer.daemon = True
        timer.start()
        try:
            send(process.stdin, html.encode("utf-8", "surrogatepass"))
            kind = process.stdout.read(1)
            content = receive(process.stdout) if kind else None
            note = receive(process.stdout) if kind == DRAWN else b""
        except OSError:  # it died while it read what to draw
            kind, content, note = b"", None, None
        finally:
            timer.cancel()
        if content is None or note is None:
            self._crashes += 1
            why = f"took more than {LIMIT_S:.0f} s" if late.is_set() else f"its process {_ending(process)}"
            self._end()
            if self._crashes >= MOST_CRASHES:
                self._lack = f"{why}, {self._crashes} times in a row"
            raise DrawingError(why)
        return kind, content, note

    def _started(self) -> subprocess.Popen[bytes]:
        if self._process is not None and self._owner != os.getpid():
            self._process = self._folder = None  # a copy of the process that owns it
        if self._process is not None and self._process.poll() is not None:
            self._end()
        if self._process is None:
            folder = Path(tempfile.mkdtemp(prefix="vibe-fonts-"))
            try:
                self._process = subprocess.Popen(
                    _command(), env=environment(folder), stdin=subprocess.PIPE, stdout=subprocess.PIPE,
                    stderr=None if os.environ.get("VIBE_DEBUG") else subprocess.DEVNULL,
                )  # fmt: skip
            except OSError:
                shutil.rmtree(folder, ignore_errors=True)
                raise
            self._folder, self._owner = folder, os.getpid()
        return self._process

    def _end(self) -> None:
        process, folder = self._process, self._folder
        self._process = self._folder = None
        if process is not None and self._owner == os.getpid():
            process.kill()
            process.wait()
            for stream in (process.stdin, process.stdout):
                try:
                    if stream is not None:
                        stream.close()
                except OSError:  # what was not sent is lost
                    pass
        if folder is not None and self._owner == os.getpid():
            shutil.rmtree(folder, ignore_errors=True)


def _command() -> list[str]:
    """Modules are looked for where this process looks for them."""
    code = f"import sys; sys.path[:] = {sys.path!r}; from vibe.report.printing.print_process import main; main()"
    return [sys.executable, "-c", code]


def _ending(process: subprocess.Popen[bytes]) -> str:
    code = process.wait()
    if code >= 0:
        return f"ended with status {code}"
    try:
        return f"was ended by signal {signal.Signals(-code).name}"
    except ValueError:
        return f"was ended by signal {-code}"


PRINTER = Printer()
"""The one of this process."""
atexit.register(PRINTER.close)
