"""Long work says how far it is, stops when asked, and ends in a sentence whatever happens."""

from __future__ import annotations

import threading
from collections.abc import Callable
from typing import Any

import pytest

from vibe.core.errors import CallError
from vibe.flow.desk.background import JobBoard, JobControl, JobProgress


def over(board: JobBoard, work: Callable[[JobControl], Any]) -> JobProgress:
    return board.wait(board.start("work", work).id, 10)


def test_a_job_steps_and_hands_back_its_result() -> None:
    def work(control: JobControl) -> str:
        for number in range(3):
            control.step(number + 1, 3, f"file {number}")
        return "all"

    job = over(JobBoard(), work)
    assert (job.state, job.done, job.of, job.message, job.result) == ("done", 3, 3, "file 2", "all")
    assert job.ended_at is not None


def test_a_job_stops_at_its_next_step_and_not_before() -> None:
    board, begun, go = JobBoard(), threading.Event(), threading.Event()
    passed: list[int] = []

    def work(control: JobControl) -> None:
        begun.set()
        go.wait(10)
        passed.append(1)
        control.step(1, 2)
        passed.append(2)

    job = board.start("work", work)
    begun.wait(10)
    assert board.stop(job.id).stopping
    assert board.view(job.id).state == "running"
    go.set()
    assert board.wait(job.id, 10).state == "stopped"
    assert passed == [1]


def test_what_goes_wrong_is_a_sentence_and_costs_no_other_job() -> None:
    board = JobBoard()

    def wrong(control: JobControl) -> None:
        raise CallError("the folder is gone")

    def defect(control: JobControl) -> None:
        raise ZeroDivisionError

    first, second = over(board, wrong), over(board, defect)
    assert (first.state, first.message) == ("failed", "the folder is gone")
    assert second.state == "failed"
    assert "defect of the program" in second.message
    assert over(board, lambda control: 7).result == 7
    assert len(board.views()) == 3
    with pytest.raises(CallError, match="no such job"):
        board.view("../..")
