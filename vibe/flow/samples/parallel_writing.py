"""Captures of samples, made in several processes; all of them, or none is called made."""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Any, TypeVar

from vibe.core.errors import CallError
from vibe.flow.jobs.executor import WorkerDied, each

J = TypeVar("J")
R = TypeVar("R")


def made(
    take: Callable[[J], R], jobs: Sequence[J], *, workers: int | None, done: Callable[[int, R], None], again: str
) -> list[R]:
    """What ``take`` makes of every job, in their order, on as many processes as cores unless ``workers`` is given.

    Jobs are dataclasses with a field ``force``: what a process had begun, or ended without a word, may be replaced.
    ``again``: options with which to try once more.

    Raises:
        CallError: a process was ended from outside.
    """

    def whole_one(count: int, result: R | WorkerDied) -> None:
        if not isinstance(result, WorkerDied):
            done(count, result)

    results = each(take, jobs, workers=workers or os.cpu_count() or 1, again=_replacing, done=whole_one)
    whole = [result for result in results if not isinstance(result, WorkerDied)]
    if len(whole) < len(results):
        raise CallError(f"a process that made captures was ended from outside; try again with {again}")
    return whole


def counting(progress: Callable[[int, int, str], None] | None, total: int) -> Callable[[int, object], None]:
    """What ``made`` calls after each capture, for a ``progress`` that shows how many of ``total`` are done."""

    def done(count: int, _: object) -> None:
        if progress is not None:
            progress(count, total, "captures")

    return done


def _replacing(job: Any) -> Any:
    return replace(job, force=True)
