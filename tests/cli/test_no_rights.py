"""Files and folders without rights, and a disk that is full: one sentence each, and nothing is lost.

An administrator may read and write whatever the modes say, so commands run without that privilege.
"""

from __future__ import annotations

import ctypes
import os
import resource
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from tests.cli.calls import DRIVE, Vibe

pytestmark = pytest.mark.skipif(not sys.platform.startswith("linux"), reason="rights and limits of another system")
DROP_FROM_BOUNDING_SET, VERSION_3 = 24, 0x20080522
ANY_ACCESS, ANY_READING = 1, 2
"""PR_CAPBSET_DROP, _LINUX_CAPABILITY_VERSION_3, CAP_DAC_OVERRIDE and CAP_DAC_READ_SEARCH of Linux."""
ROUTE = """title = "W"
drives = ["drive.toml"]
[[stop]]
drive = "T-1"
[[stop.point]]
name = "output side radial"
[[stop.point]]
name = "input side radial"
"""


def as_anybody() -> None:
    """In a new process, before its command: from then on modes bind the administrator too."""
    if os.geteuid() == 0:
        libc = ctypes.CDLL(None, use_errno=True)
        for one in (ANY_ACCESS, ANY_READING):
            libc.prctl(DROP_FROM_BOUNDING_SET, one, 0, 0, 0)


@contextmanager
def modes_bind() -> Iterator[None]:
    """Inside, modes bind this thread, and those that it starts, whoever runs it."""
    libc = ctypes.CDLL(None, use_errno=True)
    header, rights = (ctypes.c_uint32 * 2)(VERSION_3, 0), (ctypes.c_uint32 * 6)()
    libc.capget(header, rights)
    before = rights[0]
    rights[0] = before & ~(1 << ANY_ACCESS | 1 << ANY_READING)
    libc.capset(header, rights)
    try:
        yield
    finally:
        rights[0] = before
        libc.capset(header, rights)


@contextmanager
def small_disk() -> Iterator[None]:
    """Inside, no file may grow beyond 20 kB; writing on is an error, as on a disk that is full."""
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (20_000, before[1]))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)


@pytest.fixture
def round_(fit: Path, tmp_path: Path) -> Iterator[Path]:
    """A route of one drive, and a folder with two captures of it; at the end all may be removed again."""
    (tmp_path / "drive.toml").write_text(DRIVE, encoding="utf-8")
    (tmp_path / "walk.toml").write_text(ROUTE, encoding="utf-8")
    (tmp_path / "card" / "T-1").mkdir(parents=True)
    shutil.copy(fit, tmp_path / "card" / "good.h5")
    shutil.copy(fit, tmp_path / "card" / "T-1" / "other.h5")
    (probe := tmp_path / "probe").touch(0o000)
    with modes_bind():
        if os.access(probe, os.R_OK, effective_ids=True):
            pytest.skip("modes bind nobody here")
    yield tmp_path
    for path in (tmp_path, *tmp_path.rglob("*")):
        path.chmod(0o755)


def checked(vibe: Vibe, round_: Path) -> tuple[list[list[str]], str]:
    with modes_bind():
        answer = vibe("check", round_ / "card", "--route", round_ / "walk.toml", "--workers", 1)
    assert answer.status == 0, answer.err
    return [line.split("\t") for line in answer.out.splitlines()[1:]], answer.err


def test_what_may_not_be_read_is_named_and_costs_no_other(vibe: Vibe, round_: Path) -> None:
    card = round_ / "card"
    for name in ("T-1 b.h5", "T-1 c.h5"):
        shutil.copy(card / "good.h5", card / name)
    sidecar = card / "T-1 c.h5.toml"
    sidecar.write_text("load_percent = 70\n", encoding="utf-8")
    # Without a closed door all four are read, and are the same capture, which is shorter than planned.
    read = [row for row in checked(vibe, round_)[0] if row[3]]
    assert sorted(row[0] for row in read) == ["retake", "twice", "twice", "twice"]
    for place in (card / "T-1", card / "T-1 b.h5", sidecar):
        place.chmod(0o000)
    rows, said = checked(vibe, round_)
    closed = {row[3]: row for row in rows if "permission denied" in row[4]}
    assert set(closed) == {"T-1", "T-1 b.h5", "T-1 c.h5"}
    for row in closed.values():
        assert row[:2] == ["retake", "T-1"]
        assert "is wrong" not in row[4]
        assert row[5].startswith("Ask for read access")
        assert "no new capture is needed" in row[5]
    (good,) = [row for row in rows if row[3] == "good.h5"]
    assert "instead of" in good[4]
    # The point that the good capture does not hold may be in what is closed: nobody is sent for it.
    assert [row[0] for row in rows if row[2] == "input side radial" and not row[3]] == ["repeat"]
    assert "1 whose file cannot be read" in said


def test_a_run_goes_on_next_to_what_may_not_be_read(vibe: Vibe, round_: Path) -> None:
    (round_ / "card" / "T-1" / "other.h5").chmod(0o000)
    (round_ / "r.toml").write_text(
        'kind = "route"\ntitle = "R"\nroute = "walk.toml"\ncaptures = "card"\npdf = false\n', encoding="utf-8"
    )
    with modes_bind():
        answer = vibe("run", round_ / "r.toml", "--out", round_ / "out", "--workers", 1)
    assert answer.status == 0, answer.err
    assert "cannot be read: T-1 other.h5" in answer.err
    assert "to repeat: T-1 output side radial\n" in answer.err
    assert (round_ / "out" / "T-1" / "health.json").is_file()


def test_a_folder_that_may_not_be_written_is_one_sentence_and_stays_as_it_is(vibe: Vibe, round_: Path) -> None:
    out = round_ / "out"
    out.mkdir()
    (out / "mine.txt").write_text("mine", encoding="utf-8")
    out.chmod(0o555)
    for command in (
        ("plan", round_ / "walk.toml", "--out", out / "plan", "--no-pdf"),
        ("diagnose", round_ / "card" / "good.h5", "--drive", round_ / "drive.toml", "--out", out / "report"),
        ("simulate", round_ / "drive.toml", "--seed", "1", "--out", out / "x.h5"),
        ("history", "add", round_ / "card", "--store", out / "store", "--drives", round_ / "drive.toml"),
    ):
        with modes_bind():
            answer = vibe(*command)
        assert answer.status == 2, command
        (line,) = answer.err.splitlines()
        assert line.startswith("error: ")
        assert str(out) in line
        assert [path.name for path in out.iterdir()] == ["mine.txt"]


def test_a_store_without_rights_is_one_sentence_and_keeps_all(vibe: Vibe, round_: Path) -> None:
    store, when = round_ / "store", round_ / "card" / "good.h5.toml"
    when.write_text("measured_at = 2026-05-04T08:00:00+02:00\n", encoding="utf-8")
    add = ("history", "add", round_ / "card" / "good.h5", "--store", store, "--drives", round_ / "drive.toml")
    assert vibe(*add, "--workers", 1).status == 0
    kept = {path: path.read_bytes() for path in store.rglob("*") if path.is_file()}
    base = store / "store.sqlite"
    store.chmod(0o555)
    for mode in (0o444, 0o000):
        base.chmod(mode)
        with modes_bind():
            answer = vibe(*add, "--workers", 1)
        assert answer.status == 2, answer.err
        (line,) = answer.err.splitlines()
        assert "store.sqlite" in line
        assert "rights" in line
        command = [sys.executable, "-m", "vibe.cli.main", "alarms", "list", "--store", str(store)]
        read = subprocess.run(command, capture_output=True, text=True, check=False, preexec_fn=as_anybody)
        assert read.returncode == (2 if mode == 0o000 else 0), read.stderr
        assert "Traceback" not in read.stderr
    store.chmod(0o755)
    base.chmod(0o644)
    assert {path: path.read_bytes() for path in store.rglob("*") if path.is_file()} == kept


def test_a_watched_folder_that_may_not_be_read_is_said_once_and_looked_at_when_it_may(round_: Path) -> None:
    closed = round_ / "card" / "T-1"
    closed.chmod(0o000)
    heeds = "import signal; signal.signal(signal.SIGINT, signal.default_int_handler); import vibe.cli.round as r; "
    heeds += "r.LOOK_EVERY_S = 0.05; from vibe.cli.main import main; main()"
    words = ["check", str(round_ / "card"), "--route", str(round_ / "walk.toml"), "--watch"]
    said = round_ / "said"
    with (
        said.open("w") as stream,
        subprocess.Popen(
            [sys.executable, "-c", heeds, *words], stdout=subprocess.DEVNULL, stderr=stream, preexec_fn=as_anybody
        ) as process,
    ):

        def wait_until(text: str) -> None:
            until = time.monotonic() + 60
            while text not in (now := said.read_text(encoding="utf-8")):
                assert time.monotonic() < until, now
                assert process.poll() is None, now
                time.sleep(0.02)

        try:
            wait_until("T-1: permission denied for this folder and all in it. Ask for read access")
            wait_until("0 of 2 points accepted; 2 needed: 1 repeat")
            closed.chmod(0o755)
            wait_until("the same file as")
            process.send_signal(signal.SIGINT)
            process.wait(timeout=60)
        finally:
            process.kill()
    text = said.read_text(encoding="utf-8")
    assert text.count("permission denied") == 1
    assert "Traceback" not in text
    assert "Where things stand:" in text


def test_a_full_disk_is_one_sentence_and_leaves_nothing_half_written(vibe: Vibe, round_: Path) -> None:
    out = round_ / "out"
    for command in (
        ("plan", round_ / "walk.toml", "--out", out / "plan", "--no-pdf"),
        ("simulate", round_ / "drive.toml", "--seed", "1", "--out", out / "x.h5"),
    ):
        with small_disk():
            answer = vibe(*command)
        assert answer.status == 2, answer.err
        (line,) = answer.err.splitlines()
        assert line.startswith("error: cannot write ")
        assert ".stage" not in line
        assert not [path for path in out.rglob("*") if path.is_file()], command
    answer = vibe("plan", round_ / "walk.toml", "--out", out / "plan", "--no-pdf")
    assert answer.status == 0, answer.err


def test_the_word_to_end_is_heeded_even_where_exceptions_are_dropped() -> None:
    """A worker that is asked to end while an object is collected ends quietly all the same."""
    text = (
        "import os, signal, sys, time\nfrom vibe.flow.jobs import processes\nprocesses._begin(None)\n"
        "class Gone:\n    def __del__(self):\n        signal.raise_signal(signal.SIGTERM)\n"
        "one = Gone()\ndel one\ntime.sleep(30)\n"
    )
    begun = time.monotonic()
    answer = subprocess.run([sys.executable, "-c", text], capture_output=True, text=True, check=False)
    assert (answer.returncode, answer.stderr) == (143, "")
    assert time.monotonic() - begun < 25
