"""Processes of this machine that work on jobs; they end when this process ends, however it ends."""

from __future__ import annotations

import multiprocessing
import os
import signal
import sys
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from typing import Any

AGAIN_S = 0.05
"""Time until a word to end that was lost is said again."""
GRACE_S = 1.0
"""Time that an interrupted process has to remove the file that it was writing."""
MOST_PROCESSES = 61
"""More cannot be waited for on every system."""
_ENDED = 143
"""128 and the number of SIGTERM, 15, as shells report it."""
_common: Any = None
"""In a process that works: what all of its jobs share."""


class Processes:
    """``count`` processes, started as they are needed; each is given ``common`` once.

    ``died`` is what a job raises whose process was ended. After that all of them are lost: ``alone``.
    """

    died: tuple[type[BaseException], ...] = (BrokenProcessPool,)
    all_for_one = True

    def __init__(self, count: int, common: Any) -> None:
        # One thread per process: the processes share the cores already.
        for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
            os.environ.setdefault(name, "1")
        self._count, self._common = count, common
        self._own: set[multiprocessing.process.BaseProcess] = set()
        count = min(count, MOST_PROCESSES)
        self._pool = ProcessPoolExecutor(
            max_workers=count, mp_context=multiprocessing.get_context("spawn"), initializer=_begin, initargs=(common,)
        )
        self.at_once = 2 * count + 1
        """Jobs to hand out before one is back: enough that no process waits, few enough that little is done again when
        one dies."""

    def submit(self, work: Callable[..., Any], job: Any) -> Future[Any]:
        """One job. A process may be started here."""
        with _interrupts_held():
            future = self._pool.submit(_one, work, job, self._common is not None)
        # Noted while it knows them: once one has died it forgets all.
        self._own |= set((self._pool._processes or {}).values())
        return future

    def anew(self) -> Processes:
        """As many, when these are lost."""
        return Processes(self._count, self._common)

    def alone(self) -> Processes:
        """For a job that may have been the death of a process: one of its own."""
        return Processes(1, self._common)

    def look(self) -> None:
        """Processes of this machine report by themselves when they die."""

    def close(self) -> None:
        """All work is done."""
        self._pool.shutdown()

    def end(self) -> None:
        """Break off what runs; may be called from another thread than the one that hands out jobs, and again."""
        # Apart: where a process has died the pool (of Python 3.13) keeps its lock until all others have ended, and one
        # that was asked to end in the midst of answering waits for its next job instead.
        letting_go = threading.Thread(
            target=self._pool.shutdown, kwargs={"wait": False, "cancel_futures": True}, daemon=True
        )
        letting_go.start()
        letting_go.join(GRACE_S)
        _end(list(self._own))
        letting_go.join(GRACE_S)


@contextmanager
def _interrupts_held() -> Iterator[None]:
    """Processes that are started inside inherit the mask: Ctrl-C, which a terminal sends to all, is ours to handle."""
    if not hasattr(signal, "pthread_sigmask"):
        yield
        return
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


def _end(processes: Sequence[multiprocessing.process.BaseProcess]) -> None:
    """First a word, then the axe."""
    for process in processes:
        process.terminate()
    until = time.monotonic() + GRACE_S
    for process in processes:
        process.join(max(0.0, until - time.monotonic()))
    for process in processes:
        if process.is_alive():
            process.kill()
            process.join()


def _begin(common: Any) -> None:
    """What every worker process does first."""
    global _common
    _common = common
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    sys.unraisablehook = _leave_later
    threading.Thread(target=_follow_parent, daemon=True).start()
    # Last: until here nothing is written that would have to be removed, and the word to end ends the process at once.
    signal.signal(signal.SIGTERM, _leave)


def _leave(*_: object) -> None:
    # An exception, so that files half written are removed on the way out, which a second word must not break off.
    signal.signal(signal.SIGTERM, signal.SIG_IGN)
    raise SystemExit(_ENDED)


def _leave_later(lost: sys.UnraisableHookArgs) -> None:
    """The word to end may come where Python drops exceptions, as while an object is collected: it is said once more."""
    if issubclass(lost.exc_type, SystemExit):
        signal.signal(signal.SIGTERM, _leave)
        leaves_here = threading.Event()
        threading.Thread(target=_say_again, args=(leaves_here,), daemon=True).start()
        leaves_here.set()  # the last step: said while this runs, it would be dropped again
    else:
        sys.__unraisablehook__(lost)


def _say_again(after: threading.Event) -> None:
    after.wait()
    time.sleep(AGAIN_S)
    os.kill(os.getpid(), signal.SIGTERM)


def _follow_parent() -> None:
    """A pool's process would wait for work for ever when its parent is killed."""
    if hasattr(signal, "pthread_sigmask"):
        # The word to end is for the thread that works: only there does it break off a wait.
        signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGTERM})
    parent = multiprocessing.parent_process()
    if parent is not None:
        parent.join()
        os._exit(_ENDED)


def _one(work: Callable[..., Any], job: Any, shares: bool) -> Any:
    try:
        return work(job, _common) if shares else work(job)
    except SystemExit:
        # The pool would take it for the job's result and begin the next one.
        os._exit(_ENDED)
