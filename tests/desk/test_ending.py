"""The end of a desk: begun once, waited for only so long, and forced where something does not end."""

from __future__ import annotations

import os
import signal
import threading
import time

import pytest

from vibe.desk import serve
from vibe.desk.serve import DeskEnding


def waits(go_on: threading.Event) -> None:
    go_on.wait(10)


@pytest.fixture
def exits(monkeypatch: pytest.MonkeyPatch) -> list[int]:
    """Statuses by which the process would have been ended."""
    found: list[int] = []
    monkeypatch.setattr(os, "_exit", found.append)
    monkeypatch.setattr(serve, "_LONGEST_END_S", 0.2)
    return found


def test_what_ends_in_time_is_not_forced(exits: list[int]) -> None:
    ended: list[bool] = []
    ending = DeskEnding(lambda: ended.append(True))
    ending.begin(signal.SIGTERM)
    ending.begin(signal.SIGINT)  # an impatient second word changes nothing
    ending.wait()
    ending.done()
    time.sleep(0.4)
    assert (ended, exits) == ([True], [])


def test_what_does_not_end_is_left_and_the_status_says_which_word_it_was(exits: list[int]) -> None:
    go_on = threading.Event()
    ending = DeskEnding(lambda: waits(go_on))
    ending.begin(signal.SIGTERM)
    begun = time.monotonic()
    ending.wait()
    ending.done()
    assert time.monotonic() - begun < 5.0
    while not exits and time.monotonic() - begun < 5.0:
        time.sleep(0.02)
    assert exits == [128 + signal.SIGTERM]
    go_on.set()


def test_without_a_signal_nothing_is_forced(exits: list[int]) -> None:
    go_on = threading.Event()
    ending = DeskEnding(lambda: waits(go_on))
    ending.begin()
    ending.wait()
    time.sleep(0.4)
    assert exits == []
    go_on.set()
