"""What the world does to a store: no room, no rights, other processes, clocks that go wrong, bytes that change."""

from __future__ import annotations

import os
import shutil
import sqlite3
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from tests.history.kept_captures import START, channels, content, record
from vibe.core.errors import CallError, CaptureError, OutputError, VibeError
from vibe.core.records.history import Decision, Event
from vibe.history.store.incoming import abandoned
from vibe.history.store.maintenance import repair, thin, verify
from vibe.history.store.recovery import repaired
from vibe.history.store.schema import DATABASE
from vibe.history.store.store import Store

LATE = datetime(2400, 1, 1, tzinfo=UTC)


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Callable[[str], Path]]:
    """A disk of a given size; called again, the same one with another size or way."""
    place = tmp_path / "disk"

    def mounted(options: str) -> Path:
        if not place.exists():
            place.mkdir()
            command = ["mount", "-t", "tmpfs", "-o", options, "tmpfs", str(place)]
            if shutil.which("mount") is None or subprocess.run(command, capture_output=True, check=False).returncode:
                place.rmdir()
                pytest.skip("no disk may be mounted here")
        else:
            subprocess.run(["mount", "-o", f"remount,{options}", str(place)], check=True)
        return place

    yield mounted
    if place.exists():
        subprocess.run(["umount", str(place)], check=True)


def test_a_full_disk_costs_what_is_not_acknowledged_and_no_more(small_disk: Callable[[str], Path]) -> None:
    folder = small_disk("size=300k") / "history"
    kept, refused = 0, ""
    with Store.open(folder, create=True) as store:
        while not refused:
            try:
                store.add(record(kept), channels(kept))
                kept += 1
            except OutputError as error:
                refused = str(error)
    assert "disk is full" in refused or "no space left" in refused
    assert kept > 1
    small_disk("size=20m")
    with Store.open(folder) as store:
        assert [one.content for one in store.captures()] == [content(number) for number in range(kept)]
        assert verify(store).wrong == ()
        assert store.add(record(kept), channels(kept)) is True


def test_a_disk_that_may_only_be_read_can_be_read(small_disk: Callable[[str], Path]) -> None:
    folder = small_disk("size=5m") / "history"
    with Store.open(folder, create=True) as store:
        store.add(record(1), channels(1))
    small_disk("ro")
    with Store.open(folder) as store:
        assert len(store.waveform(content(1))) == 2
        assert verify(store).wrong == ()
        with pytest.raises(OutputError, match="may not be written"):
            store.add(record(2), channels(2))
        with pytest.raises(OutputError, match="may not be written"):
            thin(store, before=LATE)
    small_disk("rw")


class Failing:
    """A connection that finds no room when it is to commit."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        self._connection = connection

    def execute(self, sql: str, *values: Any) -> sqlite3.Cursor:
        if sql == "COMMIT":
            self._connection.execute("ROLLBACK")
            error = sqlite3.OperationalError("database or disk is full")
            error.sqlite_errorname = "SQLITE_FULL"
            raise error
        return self._connection.execute(sql, *values)

    def __getattr__(self, name: str) -> Any:
        return getattr(self._connection, name)


def test_samples_come_back_when_their_thinning_cannot_be_put_down(store: Store) -> None:
    store.add(record(1), channels(1))
    real = store._connection
    store._connection = Failing(real)  # type: ignore[assignment]
    with pytest.raises(OutputError, match="disk is full"):
        thin(store, before=LATE)
    store._connection = real
    assert [one.waveform for one in store.captures()] == ["kept"]
    assert len(store.waveform(content(1))) == 2
    assert verify(store).wrong == ()
    assert not list(store.workplace().glob("*.h5*"))
    assert thin(store, before=LATE).captures == 1


@pytest.mark.skipif(os.name == "nt" or not hasattr(os, "geteuid"), reason="no such users")
def test_without_rights_reading_works_or_is_one_sentence() -> None:
    if os.geteuid() != 0:
        pytest.skip("only an administrator can become nobody")
    place = Path(tempfile.mkdtemp())
    try:
        for name, mode in (("closed", 0o700), ("open", 0o755)):
            with Store.open(place / name, create=True) as store:
                store.add(record(1), channels(1))
            (place / name).chmod(mode)
        place.chmod(0o755)
        code = (
            "import os, subprocess, sys; from pathlib import Path\n"
            "sys.path.insert(0, sys.argv[2])\n"
            "from kept_captures import channels, content, record\n"
            "from vibe.history.store.store import Store; from vibe.storage.files import check_folder\n"
            "from vibe.core.errors import VibeError; import h5py, vibe.storage.hdf5_channel\n"
            "os.setgroups([]); os.setresgid(65534, 65534, 65534); os.setresuid(65534, 65534, 65534)\n"
            "place = Path(sys.argv[1])\n"
            "def stated(work):\n"
            " try:\n  work()\n except VibeError as error:\n  print(error)\n"
            "stated(lambda: Store.open(place / 'closed'))\n"
            "stated(lambda: Store.open(place / 'closed', create=True))\n"
            "stated(lambda: Store.open(place / 'new', create=True))\n"
            "stated(lambda: check_folder(place / 'closed' / 'out'))\n"
            "store = Store.open(place / 'open')\n"
            # Reading takes a process of its own, which nobody may not start where Python lies in a closed home.
            "try:\n subprocess.run([sys.executable, '-c', 'pass'], check=True, capture_output=True)\n"
            "except (OSError, subprocess.CalledProcessError):\n pass\n"
            "else:\n assert len(store.waveform(content(1))) == 2\n"
            "stated(lambda: store.add(record(2), channels(2)))\n"
        )
        done = subprocess.run(
            [sys.executable, "-c", code, str(place), str(Path(__file__).parent)], cwd=Path(__file__).parents[2],
            capture_output=True, text=True, check=False,
        )  # fmt: skip
        if "ModuleNotFoundError" in done.stderr:
            pytest.skip("nobody may not read this program")
        assert done.returncode == 0, done.stderr
        assert len(done.stdout.splitlines()) == 5, done.stdout
    finally:
        shutil.rmtree(place)


BUSY = """
import sys
from datetime import UTC, datetime
from pathlib import Path
sys.path.insert(0, {here!r})
from tests.history.kept_captures import START, channels, record
from vibe.core.records.history import Decision, Event
from vibe.history.store.store import Store
from vibe.history.store.maintenance import repair, thin
with Store.open(Path(sys.argv[1])) as store:
    for number in range(8):
        if sys.argv[2] == "add":
            store.add(record(number), channels(number))
        elif sys.argv[2] == "decide":
            store.decide(Decision(alarm="a", verdict="sensor", because=str(number), by="R. Roe", at=START))
        elif sys.argv[2] == "repair":
            assert not [one for one in repair(store) if "quarantined" in one.what]
        else:
            thin(store, before=datetime(2400, 1, 1, tzinfo=UTC))
"""


def test_adding_thinning_repairing_and_deciding_at_once_lose_nothing(tmp_path: Path, repository: Path) -> None:
    folder = tmp_path / "history"
    with Store.open(folder, create=True) as store:
        store.put_alarm("a", "TH-01", "lobe", START, "{}")
    code = BUSY.format(here=str(Path(__file__).parent))
    jobs = ("add", "add", "thin", "repair", "decide")
    running = [
        subprocess.Popen([sys.executable, "-c", code, str(folder), job], cwd=repository, stderr=subprocess.PIPE)
        for job in jobs
    ]
    for process in running:
        _, said = process.communicate()
        assert process.returncode == 0, said.decode()
    with Store.open(folder) as store:
        assert {one.content for one in store.captures()} == {content(number) for number in range(8)}
        assert all(one.waveform in ("kept", "thinned") for one in store.captures())
        assert len(store.decisions("a")) == 8
        assert verify(store).wrong == ()


def test_a_clock_put_back_changes_no_order_and_hides_nothing(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    store.put_alarm("a", "TH-01", "lobe", START, "{}")
    for why, at in (("first", START), ("second, on a clock put back", START - timedelta(days=400))):
        store.decide(Decision(alarm="a", verdict="sensor", because=why, by="R. Roe", at=at))
    assert [one.because for one in store.decisions("a")] == ["first", "second, on a clock put back"]
    # What was left by a process whose clock was ahead is swept all the same.
    left = store.folder / "incoming" / "0123456789abcdef"
    left.mkdir(parents=True)
    (store.folder / "incoming" / "a file").touch()
    ahead = datetime(2090, 1, 1, tzinfo=UTC).timestamp()
    for path in (left, store.folder / "incoming" / "a file"):
        os.utime(path, (ahead, ahead))
    assert len(abandoned(store.folder)) == 2
    monkeypatch.setattr("vibe.history.store.capture_rows.now", lambda: "1970-01-01T00:00:00.000+00:00")
    assert store.add(record(1), channels(1)) is True
    assert verify(store).wrong == ()


def test_where_nobody_can_tell_whether_a_process_lives_nothing_is_swept(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    if os.name == "nt":
        pytest.skip("locks of another system")
    import fcntl

    def no_locks(*_: object) -> None:
        raise OSError(37, "No locks available")

    monkeypatch.setattr(fcntl, "flock", no_locks)
    mine = store.workplace()
    assert mine.is_dir()
    assert abandoned(store.folder) == []


def test_a_changed_number_in_the_database_is_reported_and_made_anew_from_the_file(store: Store) -> None:
    for number in range(3):
        store.add(record(number), channels(number))
    before = store.latest()
    store.rows("UPDATE value SET value = value + 1 WHERE capture = 3")
    store.rows("UPDATE capture SET speed_hz = 99 WHERE content = ?", content(1))
    store.rows("DELETE FROM health WHERE capture = 1")
    assert [stated.what.split(" ")[1] for stated in verify(store).wrong] == ["report", "speed_hz", "values"]
    assert len(repair(store)) == 3
    assert store.latest() == before
    assert verify(store).wrong == ()


def test_changed_samples_are_never_read_as_if_they_were_kept(store: Store) -> None:
    import h5py

    store.add(record(1), channels(1))
    with h5py.File(store.path_of(content(1)), "r+") as file:
        file["channels/input side"].attrs["sample_rate_hz"] = 8192.0
    with pytest.raises(CaptureError, match="is damaged, or not the file"):
        store.waveform(content(1))


def test_a_damaged_database_is_set_aside_and_what_stands_nowhere_else_is_carried_over(tmp_path: Path) -> None:
    folder = tmp_path / "history"
    with Store.open(folder, create=True) as store:
        for number in range(12):
            store.add(record(number, values=40), channels(number, 64))
        store.put_alarm("a", "TH-01", "lobe", START, "{}")
        store.decide(Decision(alarm="a", verdict="sensor", because="loose magnet", by="R. Roe", at=START))
        store.add_event(Event(drive="TH-01", at=START, kind="grease", note="by hand"))
        before = (store.captures(), store.latest(), store.decisions(), store.events())
        (root,) = store.rows("SELECT rootpage FROM sqlite_master WHERE name = 'value'")
        size = store.rows("PRAGMA page_size")[0][0]
    data = bytearray((folder / DATABASE).read_bytes())
    data[(root[0] - 1) * size : root[0] * size] = b"\xff" * size
    (folder / DATABASE).write_bytes(data)
    with Store.open(folder) as store:
        with pytest.raises(CallError, match=r"damaged.*history repair"):
            store.latest()
        assert verify(store).wrong
    done = repaired(folder)
    assert "quarantined in damaged/database-1" in done[0].what
    assert (folder / "damaged" / "database-1" / DATABASE).is_file()
    with Store.open(folder) as store:
        assert (store.captures(), store.latest(), store.decisions(), store.events()) == before
        assert verify(store).wrong == ()
    assert repaired(folder) == ()


@pytest.mark.parametrize(
    "what", [sqlite3.DatabaseError("malformed"), UnicodeDecodeError("utf-8", b"\xab", 0, 1, "bad")]
)
def test_whatever_the_library_raises_is_one_sentence(store: Store, what: Exception) -> None:
    class Broken:
        def execute(self, *_: object) -> None:
            raise what

        def close(self) -> None:
            pass

    real, store._connection = store._connection, Broken()  # type: ignore[assignment]
    for question in (store.drives, store.captures, store.latest, store.events, store.decisions, store.counted):
        with pytest.raises(VibeError, match="is damaged"):
            question()
    store._connection = real
