"""Decisions about a group of cases while their process ends, at each of the moments at which something is written."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable
from contextlib import closing
from datetime import date, timedelta
from pathlib import Path

import pytest

from tests.alarm_stores import START, damaged, fill, finding
from vibe.flow.cases.decide import DecisionDraft, record_together
from vibe.flow.cases.judged import JudgedStore, judge
from vibe.history.store.maintenance import verify
from vibe.history.store.store import Store

WEEKS = 12
MOST_MOMENTS = 40


@pytest.fixture(scope="module")
def judged(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, JudgedStore]:
    folder = tmp_path_factory.mktemp("group") / "history"
    with Store.open(folder, create=True) as store:
        for number in range(2):
            fill(store, f"TH-0{number}", weeks=WEEKS, lobes=17 + 2 * number, seed=number,
                 levels=lambda week: damaged(week, 0, begins=4),
                 findings=lambda week: [finding()] if week > 8 else [])  # fmt: skip
    return folder, judge(folder, "x", at=START + timedelta(weeks=WEEKS))


def decided(folder: Path, found: JudgedStore, step: Callable[[str], None] | None = None) -> str:
    draft = DecisionDraft(
        verdict="confirmed", because="Order the discs.", by="K. M.", due=(date.today() + timedelta(days=5)).isoformat()
    )
    with closing(Store.open(folder)) as store:
        store.connection.set_trace_callback(step)
        return record_together({"x": store}, [(row, found.detail(row.id), row.seen) for row in found.rows[:2]], draft)


def ends_at(folder: Path, found: JudgedStore, moment: int) -> bool:
    """Whether a process that decides came to that moment, where it is ended: nothing of it is cleaned up."""
    child = os.fork()
    if child == 0:
        left, real = [moment], os.fsync

        def step(said: str) -> None:
            left[0] -= not said.startswith("SELECT")
            if left[0] < 0:
                os._exit(9)

        def fsync(file: int) -> None:
            step("fsync")
            real(file)

        os.fsync = fsync  # type: ignore[assignment]
        try:
            decided(folder, found, step)
        finally:
            os._exit(0)
    return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) == 9


@pytest.mark.filterwarnings("ignore:This process .* is multi-threaded:DeprecationWarning")
def test_a_group_is_there_as_a_whole_or_not_at_all(judged: tuple[Path, JudgedStore], tmp_path: Path) -> None:
    folder, found = judged
    assert len(found.rows) >= 2
    seen = set()
    for moment in range(MOST_MOMENTS):
        place = Path(shutil.copytree(folder, tmp_path / str(moment)))
        came = ends_at(place, found, moment)
        with Store.open(place) as store:
            kept = [one.alarm for one in store.decisions()]
            assert len(kept) in (0, 2), moment
            seen.add(len(kept))
            # What was committed and not yet in the journal is written there by whoever decides next.
            store.put_alarm("later", "TH-00", "other", START, "{}")
            assert decided(place, found) == "" or kept
            assert verify(store).wrong == ()
        shutil.rmtree(place)
        if not came:
            break
    else:
        raise AssertionError("it never came to its end")
    assert moment > 0, "nothing reached the disk"
    assert seen == {0, 2}
