"""After a power cut all that was acknowledged is there, and the store is sound; cut at each moment at which something
reaches the disk."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable, Sequence
from datetime import date, timedelta
from pathlib import Path

import pytest

from tests.alarm_stores import START, add, damaged, drive_toml, fill, finding
from tests.flow.desk.dropped import START as DROPPED
from tests.flow.desk.dropped import capture, drive_file
from tests.flow.power_cuts import Step, cut_everywhere
from vibe.core.records.history import Event
from vibe.flow.cases.decide import DecisionDraft, record_together
from vibe.flow.cases.judged import judge
from vibe.flow.desk.drive_versions import save_drive
from vibe.flow.desk.import_take import take_import
from vibe.flow.desk.uploads import batch_of, new_batch
from vibe.history.store.incoming import settle, sweep
from vibe.history.store.maintenance import repair, verify
from vibe.history.store.reported import kept_reported
from vibe.history.store.store import Store

WEEKS = 10
pytestmark = [
    pytest.mark.skipif(not hasattr(os, "fork") or not Path("/proc/self/fd").is_dir(), reason="needs fork and /proc"),
    pytest.mark.filterwarnings("ignore:This process .* is multi-threaded:DeprecationWarning"),
]
Count = Callable[[Store], int]


def looked_at(folder: Path, images: Path, steps: Sequence[Step], count: Count) -> None:
    """``count`` says how many of the steps are there."""
    found = cut_everywhere(folder, images, steps)
    assert len(found) > len(steps)
    seen = set()
    for image, acknowledged in found:
        sweep(image)
        with Store.open(image) as store:
            there = count(store)
            assert acknowledged <= there <= acknowledged + 1, image.name
            seen.add(there)
            # What was committed and not yet in the journal is written there by whoever records next.
            store.add_event(Event(drive="TH-00", at=START, kind="grease", note="the next one", new_baseline=False))
            # A file whose row was not committed was not acknowledged either; ``repair`` takes it in.
            left = verify(store).wrong
            assert all(one.what.endswith("left by an interrupted process") for one in left), (image.name, left)
            if left:
                repair(store)
                assert verify(store).wrong == (), image.name
        shutil.rmtree(image)
    assert seen == set(range(len(steps) + 1))


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("cut") / "history"
    with Store.open(folder, create=True) as store:
        fill(store, "TH-00", weeks=WEEKS, levels=lambda week: damaged(week, 0, begins=3),
             findings=lambda week: [finding()] if week > 6 else [])  # fmt: skip
    judge(folder, "x", at=START + timedelta(weeks=WEEKS))
    return folder


@pytest.fixture
def folder(made: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(made, tmp_path / "history"))


def test_what_was_not_synced_is_lost_and_what_was_is_not(folder: Path, tmp_path: Path) -> None:
    def write(store: Store) -> None:
        for name, syncs in (("half.txt", False), ("whole.txt", True), ("named.txt", True)):
            with (store.folder / name).open("w") as stream:
                stream.write(name)
                stream.flush()
                if syncs:
                    os.fsync(stream.fileno())
            if name == "whole.txt":
                settle(store.folder)

    last, acknowledged = cut_everywhere(folder, tmp_path / "cut", [write])[-1]
    assert acknowledged == 1
    assert {path.name: path.read_text() for path in last.glob("[hwn]*.txt")} == {
        "half.txt": "",
        "whole.txt": "whole.txt",
    }


def test_decisions(folder: Path, tmp_path: Path) -> None:
    found = judge(folder, "x", at=START + timedelta(weeks=WEEKS), keeps=False)
    due = (date.today() + timedelta(days=5)).isoformat()

    def step(number: int) -> Step:
        draft = DecisionDraft(verdict="confirmed", because=f"Order disc {number}.", by="K. M.", due=due)
        row = found.rows[number]
        return lambda store: record_together({"x": store}, [(row, found.detail(row.id), row.seen)], draft)

    steps = [step(number) for number in range(min(2, len(found.rows)))]
    looked_at(folder, tmp_path / "cut", steps, lambda store: len(store.decisions()))


def test_captures(folder: Path, tmp_path: Path) -> None:
    def step(number: int) -> Step:
        return lambda store: add(store, "TH-00", WEEKS + number, damaged(WEEKS, 0), plainly=True)

    steps = [step(number) for number in range(2)]
    looked_at(folder, tmp_path / "cut", steps, lambda store: len(store.captures()) - WEEKS)


def test_drive_files(folder: Path, tmp_path: Path) -> None:
    texts = [drive_toml("TH-00", lobes=17, service=f"# {number}\n") for number in range(2)]
    with Store.open(folder) as store:
        assert store.drive_toml("TH-00") not in texts

    def count(store: Store) -> int:
        return next((n for n in (2, 1) if store.drive_toml("TH-00") == texts[n - 1]), 0)

    looked_at(
        folder, tmp_path / "cut", [lambda store, one=one: save_drive(store, "TH-00", one) for one in texts], count
    )


def test_a_drop_that_is_taken_in(folder: Path, tmp_path: Path) -> None:
    batch = new_batch(folder)
    drive_file(batch.place("screw_press.toml"))
    capture(batch.place("a.h5"), 0)
    batch.place("list.csv").write_text(
        f"tag;point;time;measure;value [mm/s];limit\nSP-02;input side;{DROPPED:%Y-%m-%d} 08:01;velocity rms;7,5;4,5\n"
    )
    batch.place("work.csv").write_text("Asset;Done on;Work;Comment\nSP-02;2026-03-03 10:00;Relubrication;2 strokes\n")
    for one in batch.files.iterdir():  # what was uploaded is no part of the promise
        with one.open("rb") as stream:
            os.fsync(stream.fileno())

    def count(store: Store) -> int:
        parts = [store.drive_toml("SP-02"), store.captures("SP-02"), kept_reported(store.folder), store.events("SP-02")]
        return int(all(parts))

    def take(store: Store) -> None:
        take_import(store, batch_of(folder, batch.id), time_zone="UTC", workers=1)

    looked_at(folder, tmp_path / "cut", [take], count)
