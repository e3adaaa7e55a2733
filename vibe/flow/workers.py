"""Many jobs: one after the other here, in several processes, or on a cluster. None that fails costs another."""

from __future__ import annotations

import multiprocessing
import os
import signal
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Executor, Future, ProcessPoolExecutor, as_completed
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TypeVar

from vibe.core.errors import CallError

J = TypeVar("J")
R = TypeVar("R")

GRACE_S = 1.0
"""Time that an interrupted process has to remove the file that it was writing."""
MOST_PROCESSES = 61
"""More cannot be waited for on every system."""
_ENDED = 143


@dataclass(frozen=True, slots=True)
class Lost:
    """In place of a result: the process that worked on the job was ended from outside, twice."""


def each(
    work: Callable[[J], R],
    jobs: Sequence[J],
    *,
    workers: int,
    cluster: str | None = None,
    again: Callable[[J], J] = lambda job: job,
    done: Callable[[int, R | Lost], None] | None = None,
) -> list[R | Lost]:
    """``work`` of every job, in the order of ``jobs``; ``done(count, result)`` is called as each comes in.

    ``work`` and the jobs must be picklable unless ``workers`` is 1. Where a process dies, what is missing is done once
    more, as ``again(job)`` and each in a process of its own, so that the innocent are not lost with the guilty.

    On an interrupt nothing further is begun, running jobs are broken off at once, and the interrupt goes on.
    """
    results: dict[int, R | Lost] = {}

    def take(number: int, result: R | Lost) -> None:
        results[number] = result
        if done is not None:
            done(len(results), result)

    if not jobs or (workers <= 1 and cluster is None):
        for number, job in enumerate(jobs):
            take(number, work(job))
        return [results[number] for number in range(len(jobs))]
    try:
        with _cluster(cluster) if cluster is not None else _processes(min(workers, len(jobs))) as executor:
            with _interrupts_held():
                futures: dict[Future[R], int] = {
                    executor.submit(_one, work, job): number for number, job in enumerate(jobs)
                }
            try:
                for future in as_completed(futures):
                    take(futures[future], future.result())
            except BaseException:
                for future in futures:
                    future.cancel()
                raise
    except BrokenProcessPool:
        pass  # Caught outside: a process waiting for a lock that died with another must be ended, not waited for.
    for number, job in enumerate(jobs):
        if number not in results:
            take(number, _alone(work, again(job)))
    return [results[number] for number in range(len(jobs))]


def _alone(work: Callable[[J], R], job: J) -> R | Lost:
    try:
        with _processes(1) as executor:
            with _interrupts_held():
                future = executor.submit(_one, work, job)
            return future.result()
    except BrokenProcessPool:
        return Lost()


@contextmanager
def _processes(count: int) -> Iterator[Executor]:
    # One thread per process: the processes share the cores already.
    for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
        os.environ.setdefault(name, "1")
    others = set(multiprocessing.active_children())
    executor = ProcessPoolExecutor(
        max_workers=min(count, MOST_PROCESSES), mp_context=multiprocessing.get_context("spawn"), initializer=_begin
    )
    try:
        yield executor
    except BaseException:
        executor.shutdown(wait=False, cancel_futures=True)
        _end([process for process in multiprocessing.active_children() if process not in others])
        raise
    executor.shutdown()


@contextmanager
def _cluster(address: str) -> Iterator[Executor]:
    try:
        from distributed import Client
    except ImportError as error:
        raise CallError("--cluster needs the optional package distributed: install vibe[cluster]") from error
    try:
        client = Client(address)
    except (OSError, ValueError, TypeError) as error:
        raise CallError(f"--cluster {address}: no scheduler answers there") from error
    with client:
        yield client.get_executor()


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


def _begin() -> None:
    """What every worker process does first."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    signal.signal(signal.SIGTERM, _leave)
    threading.Thread(target=_follow_parent, daemon=True).start()


def _leave(*_: object) -> None:
    # An exception, so that files half written are removed on the way out.
    raise SystemExit(_ENDED)


def _follow_parent() -> None:
    """A pool's process would wait for work for ever when its parent is killed."""
    if hasattr(signal, "pthread_sigmask"):
        # The word to end is for the thread that works: only there does it break off a wait.
        signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGTERM})
    parent = multiprocessing.parent_process()
    if parent is not None:
        parent.join()
        os._exit(_ENDED)


def _one(work: Callable[[J], R], job: J) -> R:
    try:
        return work(job)
    except SystemExit:
        # The pool would take it for the job's result and begin the next one.
        os._exit(_ENDED)
