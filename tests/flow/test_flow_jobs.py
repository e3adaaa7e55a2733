"""Jobs in processes of their own: in order, none lost with another, and nothing left behind."""

from __future__ import annotations

import multiprocessing
import os
import signal
import threading
import time
from pathlib import Path

import pytest

from vibe.flow.jobs.executor import WorkerDied, each
from vibe.flow.jobs.processes import Processes


def square(number: int) -> int:
    return number * number


def die_on_three(job: tuple[int, bool]) -> int:
    number, _ = job
    if number == 3:
        os.kill(os.getpid(), signal.SIGKILL)
    return number


def die_the_first_time(job: tuple[Path, bool]) -> str:
    path, is_again = job
    if not is_again:
        path.write_text("begun", encoding="utf-8")
        os._exit(9)
    return path.read_text(encoding="utf-8") + " and ended"


def sleep(seconds: float) -> float:
    time.sleep(seconds)
    return seconds


@pytest.mark.parametrize("workers", [1, 2])
def test_results_are_in_the_order_of_the_jobs(workers: int) -> None:
    stated: list[int] = []
    assert each(square, range(5), workers=workers, done=lambda count, _: stated.append(count)) == [0, 1, 4, 9, 16]
    assert stated == [1, 2, 3, 4, 5]
    assert each(square, [], workers=workers) == []
    assert not multiprocessing.active_children()


def deaf(seconds: float) -> None:
    """Work that no word breaks off."""
    signal.signal(signal.SIGTERM, signal.SIG_IGN)
    time.sleep(seconds)


def test_a_process_that_dies_takes_no_other_job_with_it(tmp_path: Path) -> None:
    results = each(die_on_three, [(k, False) for k in range(5)], workers=2)
    assert results == [0, 1, 2, WorkerDied(), 4]
    jobs = [(tmp_path / f"{k}", k == 1) for k in range(2)]
    (tmp_path / "1").write_text("there", encoding="utf-8")
    again = each(die_the_first_time, jobs, workers=2, again=lambda job: (job[0], True))
    assert again == ["begun and ended", "there and ended"]


def test_an_end_does_not_wait_for_a_pool_that_waits_for_its_processes() -> None:
    """One that does not follow the word to end, while the pool holds its lock until it has ended."""
    pool = Processes(1, None)
    pool.submit(deaf, 60.0)
    begun = time.monotonic()
    while not pool._own and time.monotonic() - begun < 60:
        time.sleep(0.02)
    lock = pool._pool._shutdown_lock
    lock.acquire()
    ended = threading.Thread(target=pool.end)
    ended.start()
    try:
        ended.join(60)
        assert not ended.is_alive()
        assert not any(process.is_alive() for process in pool._own)
    finally:
        lock.release()


def test_an_interrupt_breaks_off_what_runs_and_begins_nothing() -> None:
    def interrupt(*_: object) -> None:
        raise KeyboardInterrupt

    start = time.monotonic()
    with pytest.raises(KeyboardInterrupt):
        each(sleep, [0.0, *[30.0] * 8], workers=2, done=interrupt)
    assert time.monotonic() - start < 15
    # The pool's own thread may be just noting the end of one.
    while multiprocessing.active_children() and time.monotonic() - start < 20:
        time.sleep(0.02)
    assert not multiprocessing.active_children()
