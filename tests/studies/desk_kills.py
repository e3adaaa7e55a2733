"""A desk that is killed again and again while somebody decides, notes, assigns groups of cases, edits drive files and
imports captures.

``python -m tests.studies.desk_kills --count 12`` (kills). The desk runs as a process of its own; a browser's requests
are sent to it one after the other, and it is killed at a random moment. After each kill: all that it acknowledged is on
record once, of a group all or nothing, the store is sound (``verify``), and the queue that it kept equals one from
scratch. With ``--full`` its disk (1.1 GB of memory, needs the right to mount) is full for half of the steps instead.
The watch of a folder is killed in ``inbox_kills``.
"""

from __future__ import annotations

import html
import http.client
import json
import os
import random
import re
import shutil
import subprocess
import sys
import tempfile
import threading
import time
from dataclasses import dataclass, field, replace
from datetime import date, timedelta
from pathlib import Path
from typing import Any
from urllib.parse import urlencode

from tests.desk.sites_of_desk import filled
from tests.flow.desk.dropped import capture
from tests.studies.page import options, write_table
from vibe.flow.cases.judged import judge, kept
from vibe.flow.cases.judged_again import judge_again
from vibe.flow.desk.drive_versions import drive_versions
from vibe.history.store.incoming import sweep
from vibe.history.store.maintenance import verify
from vibe.history.store.store import Store

BEGINS_S, ANSWERS_S = 120.0, 60.0
DISK_MB = 1100
"""The desk takes no drop that would leave less than 1 GiB."""
SITE = "North"
NO_ROOM = 507
STEPS = ("decide", "note", "group", "edit", "import")
TAGS = ("SP-01", "SP-02", "TH-01", "TH-02")


@dataclass
class Sent:
    """What was acknowledged: words of decisions and notes; and of groups, whether all or nothing must be there."""

    acknowledged: list[str] = field(default_factory=list)
    groups: list[str] = field(default_factory=list)
    edits: list[str] = field(default_factory=list)
    """Texts of drive files that were acknowledged."""
    imports: list[str] = field(default_factory=list)
    """Names of captures that were reported as taken in."""


class RefusedError(Exception):
    """The desk said that something cannot be done."""


class Visitor:
    """A desk in a process of its own, and who asks it."""

    def __init__(self, store: Path, folder: Path) -> None:
        call = [sys.executable, "-m", "vibe", "desk", "--store", str(store), "--inbox", str(folder), "--by", "M. Arden"]
        self.process = subprocess.Popen(call, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True)
        assert self.process.stdout is not None
        link = self.process.stdout.readline().strip()
        found = re.match(r"http://127\.0\.0\.1:(\d+)(/start\?key=.*)", link)
        assert found is not None, link
        self.port, self.cookie = int(found[1]), ""
        answer, _ = self.ask("GET", found[2])
        self.cookie = str(answer.getheader("set-cookie")).split(";")[0]

    def ask(self, method: str, path: str, form: dict[str, Any] | None = None) -> tuple[http.client.HTTPResponse, str]:
        link = http.client.HTTPConnection("127.0.0.1", self.port, timeout=ANSWERS_S)
        headers = {"Cookie": self.cookie, "Origin": f"http://127.0.0.1:{self.port}"}
        body = None
        if form is not None:
            body = urlencode(form, doseq=True)
            headers["Content-Type"] = "application/x-www-form-urlencoded"
        link.request(method, path, body, headers)
        answer = link.getresponse()
        return answer, answer.read().decode("utf-8", "replace")

    def upload(self, path: str, form: dict[str, str], name: str, content: bytes) -> http.client.HTTPResponse:
        """Send a form with one file."""
        edge = "a-line-that-stands-in-no-file"
        parts = [
            f'--{edge}\r\nContent-Disposition: form-data; name="{key}"\r\n\r\n{said}\r\n' for key, said in form.items()
        ]
        head = f'--{edge}\r\nContent-Disposition: form-data; name="file"; filename="{name}"\r\n\r\n'
        link = http.client.HTTPConnection("127.0.0.1", self.port, timeout=ANSWERS_S)
        headers = {"Cookie": self.cookie, "Origin": f"http://127.0.0.1:{self.port}",
                   "Content-Type": f"multipart/form-data; boundary={edge}"}  # fmt: skip
        body = "".join(parts).encode() + head.encode() + content + f"\r\n--{edge}--\r\n".encode()
        link.request("POST", path, body, headers)
        answer = link.getresponse()
        answer.read()
        return answer

    def through(self, answer: http.client.HTTPResponse) -> str:
        """Wait for the work that an answer leads to; the address that follows it.

        Raises:
            RefusedError: the desk said that it cannot be done.
        """
        if answer.status == NO_ROOM:
            raise RefusedError(answer.status)
        assert answer.status in (202, 303), answer.status
        job, until = str(answer.getheader("location")), time.monotonic() + BEGINS_S
        if not job.startswith("/job/"):  # it was done at once
            return job
        while time.monotonic() < until:
            found, page = self.ask("GET", job)
            if found.status == 303:
                return str(found.getheader("location"))
            if "<b>It failed.</b>" in page:
                raise RefusedError(html.unescape(re.findall(r"data-message>([^<]*)", page)[0]))
            time.sleep(0.1)
        raise RuntimeError(f"{job} comes to no end")

    def cases(self) -> list[str]:
        """Addresses of all open cases, once they are judged."""
        until = time.monotonic() + BEGINS_S
        while time.monotonic() < until:
            _, page = self.ask("GET", "/?list=all")
            if found := list(dict.fromkeys(re.findall(r'href="(/case/[^"#?]+)"', page))):
                return found
            time.sleep(0.2)
        raise RuntimeError("the desk shows no case")

    def kill(self) -> None:
        self.process.kill()
        self.process.wait()


def said(page: str, name: str) -> str:
    found = re.search(rf'name="{name}" value="([^"]*)"', page)
    return "" if found is None else found[1]


def one_step(
    visitor: Visitor, rng: random.Random, number: int, sent: Sent, tags: tuple[str, ...] = TAGS, what: str = ""
) -> None:
    """Something that a person does; noted once it was acknowledged."""
    cases = visitor.cases()
    case, words = rng.choice(cases), f"Said in step {number}."
    _, page = visitor.ask("GET", case)
    token, seen = said(page, "token"), said(page, "seen")
    due = (date.today() + timedelta(days=9)).isoformat()
    common = {"token": token, "because": words, "owner": "J. Sole", "due": due, "nonce": f"n{number}"}
    what = what or rng.choice(STEPS)
    if what == "edit":
        edited(visitor, rng.choice(tags), number, token, sent)
        return
    if what == "import":
        imported(visitor, number, token, sent)
        return
    if what == "decide":
        answer, _ = visitor.ask("POST", f"{case}/decide", common | {"as": "confirmed", "seen": seen})
    elif what == "note":
        answer, _ = visitor.ask("POST", f"{case}/note", {"token": token, "text": words})
    else:
        some = [one.removeprefix("/case/") for one in rng.sample(cases, min(2, len(cases)))]
        sent.groups.append(words)
        answer, _ = visitor.ask("POST", "/assign", {"token": token, "case": some, "owner": words})
        return
    if answer.status in (201, 303):
        sent.acknowledged.append(words)


def edited(visitor: Visitor, tag: str, number: int, token: str, sent: Sent) -> None:
    """A drive's file with a remark of its own at its end, as the form sends it once it was checked."""
    _, page = visitor.ask("GET", f"/drive?{urlencode({'site': SITE, 'tag': tag})}")
    found = re.search(r'<textarea[^>]*name="text"[^>]*>(.*?)</textarea>', page, re.DOTALL)
    assert found is not None, page[:400]
    before = re.sub(r"# edit \d+\s*$", "", html.unescape(found[1]).strip())
    text = f"{before}\n# edit {number}\n"
    form = {"token": token, "site": SITE, "tag": tag, "text": text, "checked": text}
    answer, _ = visitor.ask("POST", "/drive/file", form)
    if answer.status == 303:
        sent.edits.append(f"# edit {number}")


def imported(visitor: Visitor, number: int, token: str, sent: Sent) -> None:
    """A capture is dropped, looked at and taken in; acknowledged once the work is done."""
    name = f"drop {number}.h5"
    with tempfile.TemporaryDirectory() as folder:
        content = capture(Path(folder) / name, number, drive=TAGS[0], seconds=1.0).read_bytes()
    answer = visitor.upload("/import", {"token": token, "site": SITE}, name, content)
    preview = visitor.through(answer)
    answer, _ = visitor.ask("POST", f"{preview}/take", {"token": token})
    visitor.through(answer)
    sent.imports.append(name)


def amiss(store: Path, sent: Sent) -> list[str]:
    """What is not as it must be after a kill."""
    sweep(store)
    with Store.open(store) as opened:
        recorded = opened.decisions()
        wrong = [f"verify: {one}" for one in verify(opened).wrong]
        texts = [one.toml for tag in TAGS for one in drive_versions(opened, tag)]
        files = [one.file for one in opened.captures(TAGS[0])]
    words = [one.because for one in recorded]
    wrong += [f"{one!r} was acknowledged and is in no drive file" for one in sent.edits
              if not any(text.rstrip().endswith(one) for text in texts)]  # fmt: skip
    wrong += [f"{one!r} was taken in and is not there" for one in sent.imports if one not in files]
    wrong += [f"{one!r} is there twice" for one in {*sent.imports} if files.count(one) > 1]
    wrong += [f"{one!r} was acknowledged and is not there" for one in sent.acknowledged if one not in words]
    wrong += [f"{one!r} stands twice" for one in {*sent.acknowledged} if words.count(one) > 1]
    owners = [one.owner for one in recorded]
    wrong += [f"of the group {one!r} only one stands" for one in sent.groups if owners.count(one) == 1]
    before = kept(store, "x")
    if before is not None:
        again = judge_again(store, "x", before, keeps=False)
        whole = judge(store, "x", at=again.at, keeps=False)
        rows = [{row.id: replace(row, site="").plain() for row in one.rows} for one in (again, whole)]
        for case in sorted({*rows[0], *rows[1]}):
            one, other = rows[0].get(case, {}), rows[1].get(case, {})
            unlike = [
                f"{name}: {one.get(name)} | {other.get(name)}"
                for name in other or one
                if one.get(name) != other.get(name)
            ]
            if unlike:
                wrong.append(f"case {case} as kept and from scratch: {'; '.join(unlike)[:400]}")
    return wrong


def killed(asked: Any) -> None:
    """Kill, look, begin anew."""
    rng, sent = random.Random(asked.seed), Sent()
    table: list[dict[str, Any]] = []
    with tempfile.TemporaryDirectory() as name:
        folder, store = Path(name) / "in", filled(Path(name) / "North", TAGS)
        folder.mkdir()
        step = 0
        for number in range(asked.count):
            visitor = Visitor(store, folder)
            end = threading.Timer(rng.uniform(0.05, 20.0), visitor.kill)
            visitor.cases()
            end.start()
            before = step
            while visitor.process.poll() is None:
                step += 1
                try:
                    one_step(visitor, rng, step, sent)
                except (OSError, http.client.HTTPException):
                    break
            end.join()
            visitor.kill()
            wrong = amiss(store, sent)
            table.append({"kill": number + 1, "steps": step - before, "wrong": len(wrong)})
            print(f"kill {number + 1}: {step - before} steps before it; {wrong or 'nothing wrong'}", flush=True)
    total = len(sent.acknowledged)
    print(f"{asked.count} kills, {total} acknowledged, {len(sent.groups)} groups, {len(sent.edits)} drive files, "
          f"{len(sent.imports)} imports, "
          f"{sum(row['wrong'] for row in table)} things wrong")  # fmt: skip
    write_table(asked.out, "desk_kills", table)


def full(asked: Any) -> None:
    """The disk fills up while somebody decides: a sentence, nothing half, and all is well when there is room."""
    rng, sent = random.Random(asked.seed), Sent()
    place = Path(tempfile.mkdtemp())
    visitors: list[Visitor] = []
    subprocess.run(["mount", "-t", "tmpfs", "-o", f"size={DISK_MB}m", "tmpfs", str(place)], check=True)
    try:
        with tempfile.TemporaryDirectory() as name:
            store = Path(shutil.copytree(filled(Path(name) / "North", TAGS[:2]), place / "North"))
        (place / "in").mkdir()
        visitor = Visitor(store, place / "in")
        visitors.append(visitor)
        visitor.cases()
        free = os.statvfs(place)
        with (place / "ballast").open("wb") as ballast:
            os.posix_fallocate(ballast.fileno(), 0, free.f_bavail * free.f_bsize - 4096)
        refused = []
        for step in range(asked.count):
            visitor.cases()
            try:
                one_step(visitor, rng, step, sent, TAGS[:2], STEPS[step % len(STEPS)])
            except RefusedError as error:
                refused.append(str(error))
        while_full = len(sent.acknowledged) + len(sent.edits) + len(sent.imports)
        (place / "ballast").unlink()
        for step in range(asked.count, 2 * asked.count):
            one_step(visitor, rng, step, sent, TAGS[:2], STEPS[step % len(STEPS)])
        visitor.kill()
        wrong = amiss(store, sent)
        print(json.dumps({"acknowledged while full": while_full, "imports refused": refused, "in all": {
              "decisions and notes": len(sent.acknowledged), "drive files": len(sent.edits),
              "imports": len(sent.imports)}, "wrong": wrong}))  # fmt: skip
        if wrong:
            raise SystemExit(1)
    finally:
        for one in visitors:
            one.kill()
        subprocess.run(["umount", str(place)], check=False)
        place.rmdir()


def main() -> None:
    """Kills, or a full disk."""
    arguments = sys.argv[1:]
    wants_full = "--full" in arguments
    sys.argv[1:] = [one for one in arguments if one != "--full"]
    asked = options(__doc__ or "", count=12, counts="kills, or steps on a full disk")
    (full if wants_full else killed)(asked)


if __name__ == "__main__":
    main()
