"""Many jobs: one after the other here, in several processes, or on a cluster. None that fails costs another."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, CancelledError, Future, wait
from dataclasses import dataclass
from itertools import chain
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, Any, Generic, TypeVar

from vibe.flow.jobs.processes import Processes

if TYPE_CHECKING:
    from vibe.flow.jobs.cluster import Cluster

J = TypeVar("J")
R = TypeVar("R")

LOOK_EVERY_S = 10.0
"""How long nothing may come back before it is asked whether anybody is still there."""


@dataclass(frozen=True, slots=True)
class WorkerDied:
    """In place of a result: the process that worked on the job was ended from outside, twice."""


ENDED_READING = "the process that read it was ended from outside, probably for want of memory"
TRY_AGAIN = "close other programs and try again"
"""It was tried by itself already; fewer workers would only put it into the process that must not end."""
ENDED_WORKING = f"the process that worked on it was ended from outside, probably for want of memory; {TRY_AGAIN}"
"""What is said of a job that is ``WorkerDied``."""


class _Waiting(Generic[J]):
    """Jobs that nobody was given yet, with their numbers."""

    def __init__(self, jobs: Iterable[J]) -> None:
        self._jobs: Iterator[tuple[int, J]] = iter(enumerate(jobs))

    def take(self) -> tuple[int, J] | None:
        """The next one, None where there is none."""
        return next(self._jobs, None)

    def give_back(self, one: tuple[int, J]) -> None:
        """It was taken, and not handed out."""
        self._jobs = chain([one], self._jobs)


def each(
    work: Callable[..., R],
    jobs: Sequence[J],
    *,
    workers: int,
    cluster: str | None = None,
    common: Any = None,
    again: Callable[[J], J] = lambda job: job,
    done: Callable[[int, R | WorkerDied], None] | None = None,
) -> list[R | WorkerDied]:
    """A ``JobExecutor`` for one lot of jobs; see there."""
    if not jobs:
        return []
    with JobExecutor(min(workers, len(jobs)), cluster=cluster, common=common) as executor:
        return executor.each(work, jobs, again=again, done=done)


class JobExecutor:
    """Who does the work of one call: this process when ``workers`` is 1, so many processes, or a cluster.

    ``work`` is called with a job, and with ``common`` where that is given: it goes to each process once, not with every
    job. Work, jobs, common and results must be picklable, unless all is done here.

    Where a process dies, the jobs that were handed out are done once more, as ``again(job)`` and each in a process of
    its own, so that the innocent are not lost with the guilty. On an interrupt nothing further is begun, running jobs
    are broken off, and the interrupt goes on.

    ``sees`` and ``writes`` are for a cluster: what its machines must see, and folders, which are there, that they write
    into.

    Raises:
        CallError: the cluster does not answer, cannot do the work, or went away.
    """

    def __init__(
        self,
        workers: int,
        *,
        cluster: str | None = None,
        common: Any = None,
        sees: Sequence[Path] = (),
        writes: Sequence[Path] = (),
    ) -> None:
        self._count, self._common = workers, common
        self._pool: Processes | Cluster | None = None
        if cluster is not None:
            from vibe.flow.jobs.cluster import Cluster

            self._pool = Cluster(cluster, common, sees, writes)
        elif workers > 1:
            self._pool = Processes(workers, common)

    def __enter__(self) -> JobExecutor:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._pool is not None and error is None:
            self._pool.close()
        elif self._pool is not None:
            self._pool.end()

    @property
    def is_many(self) -> bool:
        """Whether the work is done by others than this process."""
        return self._pool is not None

    def each(
        self,
        work: Callable[..., R],
        jobs: Sequence[J],
        *,
        again: Callable[[J], J] = lambda job: job,
        done: Callable[[int, R | WorkerDied], None] | None = None,
    ) -> list[R | WorkerDied]:
        """``work`` of every job, in the order of ``jobs``; ``done(count, result)`` is called as each comes in."""
        results: dict[int, R | WorkerDied] = {}
        for number, _, result in self.stream(work, jobs, again=again):
            results[number] = result
            if done is not None:
                done(len(results), result)
        return [results[number] for number in range(len(results))]

    def stream(
        self, work: Callable[..., R], jobs: Iterable[J], *, again: Callable[[J], J] = lambda job: job
    ) -> Iterator[tuple[int, J, R | WorkerDied]]:
        """Number, job and result of every job, as they come in. ``jobs`` are taken as they are handed out, so that any
        number of them needs no more memory than a few."""
        single = isinstance(jobs, Sequence) and len(jobs) == 1 and isinstance(self._pool, Processes)
        if self._pool is None or single:  # one job is done here by the time a process has started
            for number, job in enumerate(jobs):
                yield number, job, work(job) if self._common is None else work(job, self._common)
            return
        waiting = _Waiting(jobs)
        out: dict[Future[R], tuple[int, J]] = {}
        suspects: list[tuple[int, J]] = []
        broken = False
        while True:
            if broken and not out:
                # All that the broken pool had is back. Its processes may wait for a lock that died with one of them.
                self._pool.end()
                self._pool, broken = self._pool.anew(), False
            broken = broken or not self._fill(work, waiting, out)
            if not out and not broken:
                break
            ended, _ = wait(out, timeout=LOOK_EVERY_S, return_when=FIRST_COMPLETED)
            if out and not ended:
                self._pool.look()
            for future in ended:
                number, job = out.pop(future)
                came, result = self._result(future)
                if came:
                    yield number, job, result
                else:
                    suspects.append((number, job))
                    broken = broken or self._pool.all_for_one
        for number, job in suspects:
            yield number, job, self._alone(work, again(job))

    def _fill(self, work: Callable[..., R], waiting: _Waiting[J], out: dict[Future[R], tuple[int, J]]) -> bool:
        """Hand out jobs until enough are out; False where nobody takes them any more."""
        assert self._pool is not None
        while len(out) < self._pool.at_once and (following := waiting.take()) is not None:
            try:
                out[self._pool.submit(work, following[1])] = following
            except self._pool.died:
                waiting.give_back(following)
                return False
        return True

    def _result(self, future: Future[R]) -> tuple[bool, Any]:
        assert self._pool is not None
        try:
            return True, future.result()
        except self._pool.died:
            return False, None
        except CancelledError as error:
            raise self._dropped() from error

    def _dropped(self) -> BaseException:
        from vibe.flow.jobs.cluster import Cluster

        return self._pool.gone() if isinstance(self._pool, Cluster) else RuntimeError("a job was cancelled")

    def _alone(self, work: Callable[..., R], job: J) -> R | WorkerDied:
        assert self._pool is not None
        pool = self._pool.alone()
        try:
            future = pool.submit(work, job)
            while not wait([future], timeout=LOOK_EVERY_S).done:
                pool.look()
            came, result = self._result(future)
        except BaseException:
            pool.end()
            raise
        if pool is not self._pool:
            if came:
                pool.close()
            else:
                pool.end()
        return result if came else WorkerDied()
