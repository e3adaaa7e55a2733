"""A watched folder loses nothing and does nothing twice, whatever happens to files, disk and processes."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from concurrent.futures import Future
from concurrent.futures.process import BrokenProcessPool
from pathlib import Path
from typing import Any

import h5py
import pytest

from tests.flow.desk.dropped import capture, drive_file
from vibe.core.errors import CallError, CaptureError, ConfigError, OutputError
from vibe.flow.desk import inbox
from vibe.flow.desk.inbox import Inbox
from vibe.flow.desk.inbox_service import InboxService
from vibe.flow.desk.notices import ActNotice, NoticeTarget
from vibe.flow.history.arrival import standing_alone
from vibe.flow.settings import tones_of
from vibe.history.store.store import Prepared, Store
from vibe.storage.settled_files import FolderWatch


class Here:
    """Judges in this process: starting one takes seconds. A file whose name says so ends its process."""

    died = (BrokenProcessPool,)

    def __init__(self, count: int, common: Any) -> None:
        del count, common

    def submit(self, work: Callable[..., Any], job: Any) -> Future[Any]:
        future: Future[Any] = Future()
        try:
            if "poison" in job.path.name:
                raise BrokenProcessPool
            future.set_result(work(job))
        except Exception as error:
            future.set_exception(error)
        return future

    def end(self) -> None:
        pass


@pytest.fixture
def here(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("vibe.flow.jobs.processes.Processes", Here)
    monkeypatch.setattr(inbox, "LOOK_EVERY_S", 0.05)
    monkeypatch.setattr(inbox, "AGAIN_AFTER_S", 0.0)
    monkeypatch.setattr(inbox, "ASK_DRIVES_EVERY_S", 0.0)


@pytest.fixture
def places(tmp_path: Path) -> tuple[Path, Path, str]:
    """A store, a folder to watch, a drive file."""
    (tmp_path / "in").mkdir()
    Store.open(tmp_path / "store", create=True).close()
    return tmp_path / "store", tmp_path / "in", str(drive_file(tmp_path / "screw_press.toml"))


def rounds(box: Inbox, count: int = 4) -> None:
    for _ in range(count):
        box.round()


def kept(store: Path) -> list[str]:
    with Store.open(store) as opened:
        return sorted(one.file for one in opened.captures())


@pytest.mark.usefixtures("here")
def test_a_file_waits_until_it_has_settled_and_its_logger_is_never_shut_out(places: Any) -> None:
    store, folder, drive = places
    whole = capture(folder.parent / "whole.h5", 0).read_bytes()
    with Inbox(store, folder, drives=[drive]) as box:
        for end in (500, 2000, len(whole) // 2):
            (folder / "half.h5").write_bytes(whole[:end])
            box.round()
            assert (box.status.growing, box.status.failed) == (1, ())
        rounds(box)
        assert [one.file for one in box.status.failed] == ["half.h5"]  # its copy stands still: that is said
        (folder / "half.h5").write_bytes(whole)
        rounds(box)
        assert (box.status.failed, kept(store)) == ((), ["half.h5"])
        # A logger opens its file for writing, with the library's own locks, while captures are read: as here.
        capture(folder / "open.h5", 1)
        looked = threading.Event()

        def read(*_: Any) -> None:
            with h5py.File(folder / "open.h5", "a") as logger:
                logger.attrs["more"] = 1
            looked.set()

        original = Store.holds
        try:
            Store.holds = lambda self, content: (read(), original(self, content))[1]  # type: ignore[method-assign]
            rounds(box, 3)
        finally:
            Store.holds = original  # type: ignore[method-assign]
        assert looked.is_set()
        rounds(box)
    assert "open.h5" in kept(store)


def test_reading_takes_no_lock_from_whoever_writes(tmp_path: Path) -> None:
    from vibe.ingest import read_capture

    path = capture(tmp_path / "a.h5", 0)
    with h5py.File(path, "a") as logger:  # held for writing, with locks
        assert read_capture(path).drive == "SP-02"
        logger.attrs["still"] = "writable"
    newer = tmp_path / "newer.h5"
    with h5py.File(newer, "w", libver="latest") as logger:  # such files say that somebody writes them
        logger.create_dataset("channels/x", data=[1.0] * 64)
        logger.flush()
        with pytest.raises(CaptureError, match="still open for writing"):
            read_capture(newer)


@pytest.mark.usefixtures("here")
def test_nothing_is_done_twice_in_one_start_or_the_next(places: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    store, folder, drive = places
    capture(folder / "a.h5", 0)
    shutil.copy(folder / "a.h5", folder / "b.h5")
    (folder / "deep").mkdir()
    capture(folder / "deep" / "c.h5", 1)
    with Inbox(store, folder, drives=[drive]) as box:
        rounds(box)
        assert (box.status.taken, box.status.there) == (2, 1)
        assert box.is_idle
        with pytest.raises(CallError, match=r"watched .* by another process"):
            Inbox(store, folder)
    journal = next((store / "inbox").glob("*.jsonl"))
    with journal.open("a") as stream:
        stream.write('{"file": "torn')  # what a process that was ended left
    shutil.copy(folder / "a.h5", folder / "d.h5")
    with Inbox(store, folder) as box:  # the store knows the drive by now
        rounds(box)
        assert (box.status.taken, box.status.there) == (0, 1)
    journal.unlink()
    monkeypatch.setattr(inbox, "SLICE_S", 0.0)  # a slice may end after any file
    with Inbox(store, folder) as box:
        rounds(box, 12)
        assert (box.status.taken, box.status.there) == (0, 4)
    assert len(kept(store)) == 2


@pytest.mark.usefixtures("here")
def test_a_full_disk_is_said_and_the_capture_comes_when_there_is_room(
    places: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    store, folder, drive = places
    capture(folder / "a.h5", 0)
    original = Store.take
    full = [True]

    def take(self: Store, made: Prepared) -> bool:
        if full[0]:
            raise OutputError("the disk is full; nothing was changed")
        return original(self, made)

    monkeypatch.setattr(Store, "take", take)
    with Inbox(store, folder, drives=[drive]) as box:
        rounds(box, 3)
        assert "disk is full" in box.status.trouble
        assert box.status.waiting + len(box.status.working) == 1
        assert (box.status.failed, kept(store)) == ((), [])
        full[0] = False
        rounds(box)
        assert (box.status.trouble, kept(store)) == ("", ["a.h5"])


@pytest.mark.usefixtures("here")
def test_what_cannot_be_taken_is_listed_with_why_and_holds_up_nothing(places: Any) -> None:
    store, folder, _ = places
    (folder / "rubbish.h5").write_bytes(b"\x89HDF\r\n\x1a\nrubbish")
    (folder / "poison.h5").write_bytes(b"x")
    (folder / "notes.txt").write_text("not a capture")
    (folder / ".hidden.h5").write_bytes(b"x")
    (folder / "empty.wav").touch()
    (folder / "away.h5").symlink_to("/etc/passwd")
    capture(folder / "a.h5", 0)
    with Inbox(store, folder) as box:
        rounds(box, 10)
        failed = {one.file: one for one in box.status.failed}
        assert set(failed) == {"rubbish.h5", "poison.h5", "a.h5"}
        assert "ended from outside" in failed["poison.h5"].why
        assert failed["a.h5"].outcome == "unmatched"
        assert "no drive file" in failed["a.h5"].why
        # The drive's file comes into the store: what waited for it is taken without a word from anybody.
        with Store.open(store) as opened:
            opened.put_drive("SP-02", Path(drive_file(folder.parent / "d.toml")).read_text(), "kind")
        rounds(box)
        assert kept(store) == ["a.h5"]
        capture(folder / "rubbish.h5", 3)
        (folder / "poison.h5").unlink()
        rounds(box)
        assert (box.status.failed, len(kept(store))) == ((), 2)
    with pytest.raises(CallError, match="no folder"):
        Inbox(store, folder / "none")
    with pytest.raises(CallError, match="lie in one another"):
        Inbox(store, store / "captures")


@pytest.mark.usefixtures("here")
def test_a_capture_goes_to_the_store_that_knows_its_drive_or_waits_for_somebody_to_say_which(
    places: Any, tmp_path: Path
) -> None:
    store, folder, drive = places
    other, third = tmp_path / "south", tmp_path / "east"
    text = Path(drive).read_text()
    for place, tag in ((store, "XX-01"), (other, "SP-02"), (third, "XX-03")):
        with Store.open(place, create=True) as opened:
            opened.put_drive(tag, text.replace('"SP-02"', f'"{tag}"'), "kind")
    capture(folder / "a.h5", 0)
    with Inbox(store, folder, site="North", others={"South": other, "East": third}) as box:
        rounds(box)
        assert (kept(store), kept(other), kept(third)) == ([], ["a.h5"], [])
        with Store.open(third) as opened:
            opened.put_drive("SP-02", text, "kind")
        capture(folder / "b.h5", 1)
        (folder / "EAST" / "today").mkdir(parents=True)
        capture(folder / "EAST" / "today" / "c.h5", 2)
        rounds(box, 8)
        assert (kept(other), kept(third)) == (["a.h5"], ["c.h5"])
        (waits,) = box.status.failed
        assert (waits.file, waits.outcome, waits.drive) == ("b.h5", "unmatched", "SP-02")
        assert "South and East have both" in waits.why
        with pytest.raises(CallError, match="no site"):
            box.choose("b.h5", "West")
        box.choose("b.h5", "South")
        rounds(box)
        assert (kept(store), kept(other), kept(third)) == ([], ["a.h5", "b.h5"], ["c.h5"])
        assert box.status.failed == ()


def test_a_drive_out_of_the_store_stands_without_the_files_of_its_neighbours(tmp_path: Path) -> None:
    named = '[[neighbour]]\nname = "pump"\ndrive = "../pumps/pump 2.toml"\n'
    path = tmp_path / "drive.toml"
    path.write_text(drive_file(path).read_text() + named)
    with pytest.raises(ConfigError, match="pump"):
        tones_of(path)
    path.write_text(standing_alone(path.read_text()))
    drive, table = tones_of(path)
    assert (drive.neighbour[0].name, drive.neighbour[0].drive) == ("pump", "pump 2")
    assert table.tone("stage1.lobe").order == 12 / 11
    assert standing_alone(named.replace(".toml", "")) == named.replace(".toml", "")  # a tag stays a tag


@pytest.mark.usefixtures("here")
def test_a_share_that_is_away_comes_back(places: Any) -> None:
    store, folder, drive = places
    capture(folder / "a.h5", 0)
    with Inbox(store, folder, drives=[drive]) as box:
        box.round()
        folder.rename(folder.with_name("away"))
        box.round()
        assert "is a share away" in box.status.trouble
        folder.with_name("away").rename(folder)
        rounds(box)
        assert box.status.trouble == ""
    assert kept(store) == ["a.h5"]


def test_a_look_is_cheap_and_sees_a_file_that_was_exchanged(tmp_path: Path) -> None:
    for number in range(50):
        (tmp_path / f"{number}.wav").write_bytes(b"x")
    watch = FolderWatch(tmp_path, {".wav"})
    assert (len(watch.look().growing), len(watch.look().settled)) == (50, 50)
    mark = (tmp_path / "7.wav").stat()
    (tmp_path / "new").write_bytes(b"y")
    os.utime(tmp_path / "new", ns=(mark.st_atime_ns, mark.st_mtime_ns))
    (tmp_path / "new").replace(tmp_path / "7.wav")  # same size, same time, another inode
    assert watch.look().growing == ("7.wav",)
    (tmp_path / "7.wav.toml").write_text("speed_rpm = 1440\n")
    watch.look()
    assert len(watch.look().settled) == 50


@pytest.mark.usefixtures("here")
def test_a_watch_in_the_background_says_how_it_does_and_stops(places: Any) -> None:
    store, folder, drive = places
    capture(folder / "a.h5", 0)
    came: list[str] = []
    with InboxService(store, folder, drives=[drive], taken=came.append) as service:
        until = time.monotonic() + 60
        while not came and time.monotonic() < until:
            time.sleep(0.05)
        assert service.status.running
        assert service.notices is None
        with pytest.raises(CallError, match="another process"):
            InboxService(store, folder)
    assert came == ["SP-02"]
    assert (service.status.running, service.status.taken, service.status.trouble) == (False, 1, "")
    with pytest.raises(CallError, match="no folder"):
        InboxService(store, folder / "none")


def test_a_watch_ends_at_once_whatever_is_under_way(places: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    """A capture is being judged, and a long judgement for notices: neither is waited for, neither counts as failed."""
    ended: list[bool] = []

    class Busy(Here):
        def submit(self, work: Callable[..., Any], job: Any) -> Future[Any]:
            self.out: Future[Any] = Future()
            return self.out

        def end(self) -> None:
            ended.append(True)
            if not self.out.done():
                self.out.set_exception(BrokenProcessPool())

    monkeypatch.setattr("vibe.flow.jobs.processes.Processes", Busy)
    monkeypatch.setattr(inbox, "LOOK_EVERY_S", 0.05)
    store, folder, drive = places
    capture(folder / "a.h5", 0)
    asked, go_on = threading.Event(), threading.Event()

    def judges_long(_: object, progress: Callable[[int, int, str], None]) -> tuple[ActNotice, ...]:
        asked.set()
        while not go_on.wait(0.02):
            progress(1, 1000, "SP-02")
        return ()

    monkeypatch.setattr("vibe.flow.desk.inbox_service.acting_cases", judges_long)
    target = NoticeTarget(command=("true",))
    with InboxService(store, folder, drives=[drive], target=target) as service:
        until = time.monotonic() + 60
        while not (service.status.working and asked.is_set()) and time.monotonic() < until:
            time.sleep(0.02)
        begun = time.monotonic()
        service.stop()
        took_s = time.monotonic() - begun
    go_on.set()
    assert ended
    assert took_s < 2.0
    assert (service.status.failed, service.status.trouble, service.status.running) == ((), "", False)
    monkeypatch.setattr("vibe.flow.jobs.processes.Processes", Here)
    with Inbox(store, folder, drives=[drive]) as box:
        rounds(box)
        assert box.status.taken == 1


@pytest.mark.slow
def test_a_watch_that_is_killed_goes_on_where_it_was(places: Any) -> None:
    store, folder, drive = places
    for number in range(4):
        capture(folder / f"{number}.h5", number, seconds=4.0)
    call = [sys.executable, "-m", "vibe.cli.main", "inbox", "--store", str(store), "--watch", str(folder)]
    process = subprocess.Popen([*call, "--drives", drive], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    try:
        until = time.monotonic() + 60
        while len(kept(store)) < 1 and time.monotonic() < until:
            time.sleep(0.02)
        process.send_signal(signal.SIGKILL)
    finally:
        process.kill()
        process.wait()
    before = len(kept(store))
    assert 1 <= before < 4
    done = subprocess.run([*call, "--once"], capture_output=True, text=True, timeout=60, check=False)
    assert done.returncode == 0, done.stderr
    assert f"{4 - before} taken" in done.stderr or "there already" in done.stderr
    assert kept(store) == [f"{number}.h5" for number in range(4)]
    from vibe.history.store.maintenance import verify

    with Store.open(store) as opened:
        assert verify(opened).wrong == ()
