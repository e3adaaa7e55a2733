"""Long work while others go on: how far it is, a word to stop, and what came of it, all as values."""

from __future__ import annotations

import secrets
import threading
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from typing import Any, Literal

from vibe.core.errors import CallError, VibeError, defect

JobState = Literal["running", "done", "stopped", "failed"]
MOST_KEPT = 200
"""Ended jobs that are remembered."""


class WorkStopped(Exception):  # noqa: N818 - no error: somebody asked for it
    """Raised by ``JobControl.step`` in work that is to stop. What was committed until then stays."""


@dataclass(frozen=True, slots=True, kw_only=True)
class JobProgress:
    """A job as it stands. ``of`` is 0 while nobody knows how much there is; ``result`` is there when it is done;
    ``message`` is what it does at the moment or, when it failed, the sentence that says why."""

    id: str
    title: str
    state: JobState
    done: int
    of: int
    message: str
    started_at: datetime
    ended_at: datetime | None = None
    stopping: bool = False
    result: Any = None

    @property
    def is_over(self) -> bool:
        """Nothing will change any more."""
        return self.state != "running"


class JobControl:
    """What work is given: it says how far it is, and is stopped where it does so."""

    def __init__(self, board: JobBoard, id: str) -> None:
        self._board, self._id = board, id

    @property
    def stopping(self) -> bool:
        """Whether somebody asked to stop."""
        return self._board.view(self._id).stopping

    def step(self, done: int, of: int, message: str = "") -> None:
        """Say how far it is.

        Raises:
            WorkStopped: somebody asked to stop.
        """
        self._board.change(self._id, done=done, of=of, message=message)
        if self.stopping:
            raise WorkStopped


class JobBoard:
    """The jobs of one process. Each runs in a thread of its own; all methods may be called from any."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._jobs: dict[str, JobProgress] = {}
        self._threads: dict[str, threading.Thread] = {}

    def start(self, title: str, work: Callable[[JobControl], Any]) -> JobProgress:
        """Begin ``work``, which opens what it needs itself: a store serves the thread that opened it."""
        job = JobProgress(
            id=secrets.token_urlsafe(12), title=title, state="running", done=0, of=0, message="",
            started_at=datetime.now(UTC),
        )  # fmt: skip
        thread = threading.Thread(target=self._run, args=(job.id, work), name=f"job {title[:40]}", daemon=True)
        with self._lock:
            self._jobs[job.id], self._threads[job.id] = job, thread
            over = [id for id, one in self._jobs.items() if one.is_over]
            for id in over[: max(0, len(over) - MOST_KEPT)]:
                del self._jobs[id]
        thread.start()
        return job

    def view(self, id: str) -> JobProgress:
        """A job as it stands. Raises: CallError where nobody knows it (any more)."""
        with self._lock:
            if id not in self._jobs:
                raise CallError("there is no such job; it ended long ago, or the program was started anew")
            return self._jobs[id]

    def views(self) -> tuple[JobProgress, ...]:
        """All that are known, oldest first."""
        with self._lock:
            return tuple(self._jobs.values())

    def stop(self, id: str) -> JobProgress:
        """Ask a job to stop; it does at its next step. Raises: CallError where nobody knows it."""
        job = self.view(id)
        return job if job.is_over else self.change(id, stopping=True)

    def wait(self, id: str, timeout_s: float | None = None) -> JobProgress:
        """Return when a job is over, or the time is up."""
        thread = self._threads.get(id)
        if thread is not None:
            thread.join(timeout_s)
        return self.view(id)

    def close(self, timeout_s: float = 10.0) -> None:
        """Stop all, and wait a while for them."""
        for job in self.views():
            self.stop(job.id)
        for id in list(self._threads):
            self.wait(id, timeout_s)

    def change(self, id: str, **fields: Any) -> JobProgress:
        """Note something about a job."""
        with self._lock:
            self._jobs[id] = job = replace(self._jobs[id], **fields)
        return job

    def _run(self, id: str, work: Callable[[JobControl], Any]) -> None:
        ended: dict[str, Any]
        try:
            ended = {"result": work(JobControl(self, id)), "state": "done"}
        except WorkStopped:
            ended = {"state": "stopped", "message": "stopped; what was done until then stays"}
        except VibeError as error:
            ended = {"state": "failed", "message": str(error)}
        except Exception as error:  # the thread would die unseen
            ended = {"state": "failed", "message": defect(error)}
        self.change(id, ended_at=datetime.now(UTC), **ended)
        with self._lock:
            self._threads.pop(id, None)
