"""How far a long job is, and how long it will still take: a bar on standard error, where somebody looks."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from math import ceil
from types import TracebackType
from typing import TYPE_CHECKING

from vibe.cli.shared.pulse import rest

if TYPE_CHECKING:
    from rich.console import Console
    from rich.progress import Progress, TaskID

PATIENCE_S = 2.0
"""Work that takes no longer shows no bar (common practice)."""


def time_left(done: int, total: int, elapsed_s: float) -> str:
    """How long the rest will take at the pace so far, in words as rough as the estimate; empty when nothing is done.

    The pace is that of all finished steps together: where several processes work side by side, and one step is long,
    it errs to the long side at first and settles soon.
    """
    if done <= 0 or done >= total:
        return ""
    left_s = elapsed_s / done * (total - done)
    if left_s < 10:
        return "a few s left"
    if left_s < 55:
        return f"about {10 * ceil(left_s / 10)} s left"
    if left_s < 5400:
        return f"about {max(1, round(left_s / 60))} min left"
    return f"about {round(left_s / 3600)} h left"


class Waiting:
    """Call it with (done, total, what); use it as a context, so that the bar is cleared at the end.

    No thread refreshes the bar: it moves when a step ends, and worker processes are started from a quiet process.
    """

    def __init__(self, console: Console | None = None, clock: Callable[[], float] = time.monotonic) -> None:
        self._console, self._clock = console, clock
        self._start_s = self._pace_from_s = clock()
        self._bar: Progress | None = None
        self._task: TaskID | None = None
        self._done = self._total = 0

    def __enter__(self) -> Waiting:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._bar is not None:
            self._bar.stop()
            rest(False)
        if isinstance(error, KeyboardInterrupt) and not error.args and self._total:
            error.args = (f"interrupted: {self._done} of {self._total} were done",)

    def __call__(self, done: int, total: int, what: str) -> None:
        now_s = self._clock()
        self._done, self._total = done, total
        if done == 0:
            self._pace_from_s = now_s  # what came before the first step says nothing of the pace
        if self._bar is None and not self._wanted(done, total):
            return
        from vibe.cli.shared.exit_status import one_line

        elapsed = f"{now_s - self._start_s:.0f} s"
        left = time_left(done, total, now_s - self._pace_from_s)
        if self._bar is None or self._task is None:
            rest()
            self._bar = _bar(self._console)
            self._task = self._bar.add_task(one_line(what), total=total, completed=done, elapsed=elapsed, left=left)
            self._bar.start()
        else:
            self._bar.update(
                self._task, completed=done, total=total, description=one_line(what), elapsed=elapsed, left=left,
                refresh=True,
            )  # fmt: skip

    def _wanted(self, done: int, total: int) -> bool:
        if done >= total or self._clock() - self._start_s < PATIENCE_S:
            return False
        if self._console is not None:
            return self._console.is_terminal
        return sys.stderr is not None and sys.stderr.isatty()


def _bar(console: Console | None) -> Progress:
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn

    return Progress(
        BarColumn(),
        MofNCompleteColumn(),
        # Counted from the start of the job; rich would count from when the bar appeared.
        TextColumn("{task.fields[elapsed]}"),
        TextColumn("{task.fields[left]}"),
        TextColumn("{task.description}", markup=False),
        console=console or Console(stderr=True),
        transient=True,
        auto_refresh=False,
    )
