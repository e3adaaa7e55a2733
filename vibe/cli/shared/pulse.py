"""A sign of life on the terminal while a command says nothing: that it works, and for how long already."""

from __future__ import annotations

import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TextIO

PATIENCE_S = 2.0
"""So long nobody wonders (common practice)."""
EVERY_S = 1.0
"""How often it is looked whether somebody has waited that long."""
STAYS = {"desk"}
"""Commands that run until they are ended: to wait is their work."""


class Pulse:
    """One line on ``stream`` that counts the seconds, from ``PATIENCE_S`` after the last word on. It is wiped away
    before anything else is written: whoever writes calls ``quiet`` first."""

    def __init__(
        self, stream: TextIO, clock: Callable[[], float] = time.monotonic, patience_s: float = PATIENCE_S
    ) -> None:
        self._stream, self._clock, self._patience_s = stream, clock, patience_s
        self._begun_s = self._last_word_s = clock()
        self._lock = threading.Lock()
        self._shown, self._resting = 0, False
        self._ended = threading.Event()
        self._thread: threading.Thread | None = None

    def start(self) -> None:
        """Let a thread beat until ``stop``."""
        self._thread = threading.Thread(target=self._run, name="pulse", daemon=True)
        self._thread.start()

    def stop(self) -> None:
        """Wipe the line away for good."""
        self._ended.set()
        self.quiet()
        if self._thread is not None:
            self._thread.join()

    def quiet(self) -> None:
        """Somebody is about to write: wipe the line away, and be patient again."""
        with self._lock:
            self._wipe()
            self._last_word_s = self._clock()

    def rest(self, resting: bool = True) -> None:
        """No line while there is another sign of life, or nothing to wait for."""
        self.quiet()
        self._resting = resting

    def beat(self) -> None:
        """Show how long it works, where that is due."""
        with self._lock:
            now_s = self._clock()
            if self._resting or self._ended.is_set() or now_s - self._last_word_s < self._patience_s:
                return
            self._wipe()
            text = f"working, {now_s - self._begun_s:.0f} s"
            self._stream.write(text)
            self._stream.flush()
            self._shown = len(text)

    def _wipe(self) -> None:
        if self._shown:
            self._stream.write("\r" + " " * self._shown + "\r")
            self._stream.flush()
            self._shown = 0

    def _run(self) -> None:
        while not self._ended.wait(EVERY_S):
            try:
                self.beat()
            except (OSError, ValueError):  # the terminal has gone
                return


_now: Pulse | None = None


@contextmanager
def beating(command: str) -> Iterator[None]:
    """A pulse while a command works, on a terminal only."""
    global _now
    if _now is not None or command in STAYS or sys.stderr is None or not sys.stderr.isatty():
        yield
        return
    _now = Pulse(sys.stderr)
    _now.start()
    try:
        yield
    finally:
        _now.stop()
        _now = None


def quiet() -> None:
    """Before anything is written."""
    if _now is not None:
        _now.quiet()


def rest(resting: bool = True) -> None:
    """While a bar is shown, a question asked, or files awaited."""
    if _now is not None:
        _now.rest(resting)
