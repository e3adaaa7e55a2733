"""Somebody is called once about a case that is new in state act, and about nothing else."""

from __future__ import annotations

import json
import sys
import threading
import time
from collections.abc import Iterator
from dataclasses import replace
from http.server import BaseHTTPRequestHandler, HTTPServer
from pathlib import Path
from typing import Any

import pytest

from vibe.core.errors import CallError
from vibe.flow.desk import notices
from vibe.flow.desk.notices import ActNotice, Notices, NoticeTarget, send

CASE = ActNotice(
    site="Northfield", case="kq4-tnd", drive="SP-02", title="Outer race: local damage", urgency=86.2,
    to_do="Order the bearing", since="2026-03-09T06:12:00+00:00",
)  # fmt: skip


class Box:
    """Cases and a clock to turn by hand."""

    def __init__(self, store: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        (store / "inbox").mkdir(parents=True, exist_ok=True)
        self.now, self.sent, self.why = 0.0, list[str](), ""
        self.acting: list[ActNotice] | None = [CASE]
        monkeypatch.setattr(notices, "send", lambda notice, target: (self.sent.append(notice.case), self.why)[1])
        self.watch = Notices(store, NoticeTarget(), acting=lambda _: self.acting, clock=lambda: self.now)

    def after(self, seconds: float) -> list[str]:
        """What was sent since, looking every five seconds."""
        sent, self.sent[:] = list[str](), []
        for _ in range(round(seconds / 5)):
            self.now += 5
            self.watch.check()
        sent += self.sent
        return sent


def test_only_what_is_new_is_sent_once_and_after_the_time_to_take_back(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    box = Box(tmp_path, monkeypatch)
    assert box.after(120) == []  # it was so before anybody watched
    box.acting = [CASE, replace(CASE, case="w7c-apz")]
    box.watch.changed()
    assert box.after(30) == []
    assert box.after(60) == ["w7c-apz"]
    box.watch.changed()
    assert box.after(300) == []
    again = Box(tmp_path, monkeypatch)
    again.acting = box.acting
    assert again.after(300) == []  # nor at the next start
    again.acting = [CASE]
    again.watch.changed()
    again.after(60)
    again.acting = box.acting
    again.watch.changed()
    assert again.after(120) == ["w7c-apz"]  # it had gone, and is there again


def test_what_was_decided_within_that_time_is_not_sent(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    box = Box(tmp_path, monkeypatch)
    box.after(60)
    box.acting = [CASE, replace(CASE, case="new")]
    box.watch.changed()
    assert box.after(10) == []
    box.acting = [CASE]
    assert box.after(300) == []


def test_while_nobody_knows_the_cases_nothing_is_taken_for_gone(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    box = Box(tmp_path, monkeypatch)
    known, box.acting = box.acting, None
    assert box.after(60) == []
    box.acting = known
    assert box.after(60) == []  # urgent when the watch began: it is the first that is known
    box.acting = None
    box.watch.changed()
    assert box.after(60) == []
    box.acting = [*known, replace(CASE, case="new")]
    assert box.after(120) == ["new"]


def test_what_cannot_be_sent_is_tried_again_and_then_given_up(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    box = Box(tmp_path, monkeypatch)
    box.after(60)
    box.acting, box.why = [replace(CASE, case="new")], "mail did not take the notice"
    box.watch.changed()
    assert box.after(900) == ["new"] * 3
    assert box.watch.trouble == box.why
    assert box.watch.sent == 0


def test_a_command_gets_the_facts_and_no_shell(tmp_path: Path) -> None:
    script = tmp_path / "call me.py"
    script.write_text("import sys, pathlib; pathlib.Path(sys.argv[1]).write_text(sys.stdin.read(), encoding='utf-8')")
    out = tmp_path / "out.json"
    target = NoticeTarget.of(f"'{sys.executable}' '{script}' '{out}'", None)
    hostile = replace(CASE, title="$(touch gone); `id` “Größe”")
    assert send(hostile, target) == ""
    said = json.loads(out.read_text(encoding="utf-8"))
    assert (said["schema"], said["case"], said["title"]) == ("vibe.notice/1", "kq4-tnd", hostile.title)
    failing = NoticeTarget(command=(sys.executable, "-c", "import sys; sys.exit('no mail today')"))
    assert "status 1 (no mail today)" in send(CASE, failing)
    assert "cannot be started" in send(CASE, NoticeTarget(command=("/none/such",)))


@pytest.fixture
def server() -> Iterator[tuple[str, list[Any]]]:
    got: list[Any] = []

    class Answers(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            got.append((self.path, json.loads(self.rfile.read(int(self.headers["Content-Length"])))))
            if self.path == "/slow":
                time.sleep(1.0)
            status = {"/elsewhere": 307, "/refused": 403}.get(self.path, 204)
            self.send_response(status)
            if status == 307:
                self.send_header("Location", "/ok")
            self.end_headers()

        def log_message(self, *_: Any) -> None:
            pass

    with HTTPServer(("127.0.0.1", 0), Answers) as httpd:
        thread = threading.Thread(target=httpd.serve_forever, kwargs={"poll_interval": 0.02}, daemon=True)
        thread.start()
        yield f"http://127.0.0.1:{httpd.server_port}", got
        httpd.shutdown()
        thread.join()


def test_an_address_gets_the_facts_and_sends_nobody_elsewhere(
    server: tuple[str, list[Any]], monkeypatch: pytest.MonkeyPatch
) -> None:
    address, got = server
    assert send(CASE, NoticeTarget(address=f"{address}/ok")) == ""
    assert got[0][1]["drive"] == "SP-02"
    assert "did not take the notice" in send(CASE, NoticeTarget(address=f"{address}/elsewhere"))
    assert [path for path, _ in got] == ["/ok", "/elsewhere"]
    assert "did not take" in send(CASE, NoticeTarget(address=f"{address}/refused"))
    monkeypatch.setattr(notices, "LIMIT_S", 0.1)
    assert "did not answer" in send(CASE, NoticeTarget(address=f"{address}/slow")) or "timed out"
    for wrong in ("file:///etc/passwd", "ftp://x", "nowhere", "http://"):
        with pytest.raises(CallError, match="no address"):
            NoticeTarget.of(None, wrong)
    for wrong in ("", "'open"):
        with pytest.raises(CallError, match="command"):
            NoticeTarget.of(wrong, None)
