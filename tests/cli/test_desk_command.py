"""``vibe desk`` as a command: what it refuses, the one link that it prints, and the pages it writes."""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
import time
import urllib.request
from datetime import UTC, datetime
from http.cookiejar import CookieJar
from pathlib import Path

import pytest

from tests.cli.calls import Vibe
from tests.desk.sites_of_desk import filled
from tests.flow.desk.dropped import TOML, capture
from vibe.history.store.maintenance import verify
from vibe.history.store.store import Store


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return filled(tmp_path_factory.mktemp("works") / "Northfield", ("SP-01", "SP-02"), weeks=2)


@pytest.mark.parametrize(
    ("given", "sentence"),
    [
        ((), "which store"),
        (("--store", "nowhere"), "holds no history"),
        (("--practice", "--store", "x"), "brings its own store"),
        (("--store", "{store}", "--store", "{store}"), "given twice"),
        (("--store", "{store}", "--user-header", "X-User"), "belong together"),
        (("--store", "{store}", "--webhook", "http://x.invalid"), "go with --inbox"),
        (("--store", "{store}", "--port", "99999"), "65535"),
    ],
)
def test_what_cannot_be_served_is_said_in_one_sentence(
    vibe: Vibe, store: Path, given: tuple[str, ...], sentence: str
) -> None:
    answer = vibe("desk", *(one.format(store=store) for one in given))
    assert answer.status == 2
    assert sentence in answer.err


def test_pages_are_written_and_nothing_is_replaced_unasked(vibe: Vibe, store: Path, tmp_path: Path) -> None:
    out = tmp_path / "pages"
    answer = vibe("desk", "--store", store, "--export", out)
    assert answer.status == 0, answer.err
    assert str((out / "index.html").resolve()) in answer.out
    again = vibe("desk", "--store", store, "--export", out)
    assert (again.status, "--force" in again.err) == (2, True)
    assert vibe("desk", "--store", store, "--export", out, "--force").status == 0


def test_a_link_is_printed_that_opens_the_desk_on_a_machine_without_fonts(store: Path, tmp_path: Path) -> None:
    (tmp_path / "fonts.conf").write_text("<fontconfig></fontconfig>")
    without = os.environ | {"FONTCONFIG_FILE": str(tmp_path / "fonts.conf")}
    call = [sys.executable, "-m", "vibe", "desk", "--store", str(store), "--by", "M. Arden"]
    with subprocess.Popen(call, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env=without) as desk:
        try:
            assert desk.stdout is not None
            link = desk.stdout.readline().strip()
            assert re.fullmatch(r"http://127\.0\.0\.1:\d+/start\?key=[\w-]{43}", link)
            browser = urllib.request.build_opener(urllib.request.HTTPCookieProcessor(_jar()))
            with browser.open(link, timeout=20) as answer:
                assert answer.geturl().endswith("/")
                assert "deciding as </span><b>M. Arden</b>" in answer.read().decode()
            with pytest.raises(urllib.error.HTTPError, match="403"):
                urllib.request.urlopen(link, timeout=20)
        finally:
            desk.terminate()
            _, said = desk.communicate(timeout=20)
    assert "Traceback" not in said


@pytest.mark.slow
def test_the_sample_works_open_without_other_input(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Made of four rounds here, so that it takes seconds; found again the second time."""
    from vibe.flow.cases import practice

    last = max(practice.ROUNDS)
    monkeypatch.setattr(practice, "ROUNDS", frozenset((last - 12, last - 8, last - 4, last)))
    said: list[str] = []
    store = practice.practice_store(out=tmp_path / practice.FOLDER, workers=2, say=said.append)
    assert "made once" in said[0]
    with Store.open(store) as opened:
        assert len(opened.drives()) == 14
        last_at = max(drive.last for drive in opened.drives() if drive.last is not None)
        assert (datetime.now(UTC) - last_at).days <= 14
    for words in (("desk", "--practice"), ("demo", "--desk")):
        call = [sys.executable, "-m", "vibe", *words]
        with subprocess.Popen(
            call, cwd=tmp_path, env=os.environ | {"PYTHONPATH": str(Path.cwd())}, stdout=subprocess.PIPE,
            stderr=subprocess.PIPE, text=True,
        ) as desk:  # fmt: skip
            try:
                assert desk.stdout is not None
                link = desk.stdout.readline().strip()
                browser = urllib.request.build_opener(urllib.request.HTTPCookieProcessor(_jar()))
                with browser.open(link, timeout=20) as answer:
                    page = answer.read().decode()
                assert "14 drives" in page
                assert re.search(r"case/Alder%20Brook/", page)
            finally:
                desk.terminate()
                desk.communicate(timeout=20)


@pytest.mark.slow
@pytest.mark.parametrize("word", [signal.SIGTERM, signal.SIGINT])
def test_a_desk_ends_within_seconds_while_captures_come_and_nothing_is_lost(
    word: signal.Signals, tmp_path: Path
) -> None:
    store, folder = filled(tmp_path / "Northfield", ("SP-01", "SP-02")), tmp_path / "in"
    folder.mkdir()
    with Store.open(store) as opened:
        opened.put_drive("SC-04", TOML.format(tag="SC-04"), "screw conveyor")
        before = len(opened.captures())
    names = {capture(folder / f"{number}.h5", number, drive="SC-04", seconds=10.0).name for number in range(6)}
    call = [sys.executable, "-m", "vibe", "desk", "--store", str(store), "--inbox", str(folder), "--by", "M. Arden"]
    call += ["--notify", "true"]
    with subprocess.Popen(call, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as desk:
        try:
            assert desk.stdout is not None
            desk.stdout.readline()
            until = time.monotonic() + 120
            while not any((store / "incoming").glob("*/*.part")) and time.monotonic() < until:
                time.sleep(0.01)
            started = _started_by(desk.pid)
            begun = time.monotonic()
            desk.send_signal(word)
            desk.wait(60)
            took_s = time.monotonic() - begun
            _, said = desk.communicate(timeout=60)
        finally:
            desk.kill()
    assert took_s < 5.0
    assert desk.returncode == 128 + word
    assert "Traceback" not in said
    assert len(started) >= 2  # who judges captures, who judges cases
    end = time.monotonic() + 2.0  # a process that follows its parent needs a moment
    while left := [pid for pid in started if _lives(pid)]:
        assert time.monotonic() < end, left
        time.sleep(0.02)
    inbox = [sys.executable, "-m", "vibe", "inbox", "--store", str(store), "--watch", str(folder), "--once"]
    done = subprocess.run(inbox, capture_output=True, text=True, timeout=120, check=False)
    assert done.returncode == 0, done.stderr
    with Store.open(store) as opened:
        files = [one.file for one in opened.captures("SC-04")]
        assert len(opened.captures()) == before + len(names)
        assert (sorted(files), verify(opened).wrong) == (sorted(names), ())


def _started_by(pid: int) -> list[int]:
    """Processes that a process started, and those that they did, as Linux lists them."""
    found = []
    for listed in Path(f"/proc/{pid}/task").glob("*/children"):
        for child in map(int, listed.read_text().split()):
            found += [child, *_started_by(child)]
    return found


def _lives(pid: int) -> bool:
    try:
        return "State:\tZ" not in Path(f"/proc/{pid}/status").read_text()
    except OSError:
        return False


def _jar() -> CookieJar:
    from http.cookiejar import DefaultCookiePolicy

    return CookieJar(DefaultCookiePolicy(strict_ns_domain=0))
