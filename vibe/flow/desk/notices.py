"""A word to somebody when a case is new in state act: by a command of the user's own, or to an address of theirs.

Nothing is sent about what was urgent already when the watch began, and nothing until the time to take back a decision
has passed. Nothing else leaves the machine.
"""

from __future__ import annotations

import json
import os
import shlex
import subprocess
import threading
import time
from collections.abc import Callable, Iterable, Mapping, Sequence
from contextlib import suppress
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any
from urllib.error import URLError
from urllib.parse import urlsplit
from urllib.request import HTTPRedirectHandler, Request, build_opener

from vibe.core.errors import CallError, OutputError, VibeError, defect
from vibe.core.records.case_row import CaseRow
from vibe.flow.desk.inbox_journal import INBOXES
from vibe.storage.files import write_whole
from vibe.storage.json_text import json_value
from vibe.storage.regular import read_regular

UNDO_S = 20.0
"""How long a decision may be taken back: as long nothing is sent."""
LIMIT_S = 10.0
"""Of a command or an address (our choice)."""
PAUSES_S = (0.0, 60.0, 300.0)
"""Before each try; after the last one it is given up."""
LEAST_BETWEEN_S, TIMES_COST = 30.0, 10.0
"""Cases are asked for no oftener than this, and than ten times as long as a look takes."""
NOT_YET_S = 5.0
"""When cases could not be had: how long until they are asked for again."""
FILE = "noticed.json"
_MOST_BYTES = 20_000_000
"""Of the names of cases (our choice, wide)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ActNotice:
    """A case in state act, as it is sent: JSON with these keys and ``schema``."""

    site: str
    case: str
    drive: str
    title: str
    urgency: float
    to_do: str
    since: str


@dataclass(frozen=True, slots=True, kw_only=True)
class NoticeTarget:
    """Where notices go: ``command``, words of a command line that gets the JSON on its input; ``address``, an http or
    https address that gets it by POST."""

    command: tuple[str, ...] = ()
    address: str = ""

    @classmethod
    def of(cls, command: str | None, address: str | None) -> NoticeTarget:
        """From what a user typed. Raises: CallError: quotes that do not close, or no such address."""
        try:
            words = tuple(shlex.split(command, posix=os.name != "nt")) if command else ()
        except ValueError as error:
            raise CallError(f"the command {command!r} cannot be taken apart: {error}") from None
        if command is not None and not words:
            raise CallError("the command is empty")
        if address is not None:
            parts = urlsplit(address)
            if parts.scheme not in ("http", "https") or not parts.hostname:
                raise CallError(f"{address[:80]!r} is no address that begins with http:// or https://")
        return cls(command=words, address=address or "")


def acting_cases(store_folder: Path, progress: Callable[[int, int, str], None] | None = None) -> tuple[ActNotice, ...]:
    """Cases of a store that are in state act and not decided, the most urgent first. Looks at drives are kept, where
    that may be, so that the next time costs what changed. ``progress`` may raise to break it off.

    Raises:
        CallError: there is no store, or it is damaged.
    """
    from vibe.flow.alarms.queue import evaluate_alarms
    from vibe.flow.settings import load_alarm_rules
    from vibe.history.store.layout import site_name
    from vibe.history.store.store import Store

    rules = load_alarm_rules()
    with Store.open(store_folder) as store:
        queue = evaluate_alarms(store, rules=rules, keep=store.may_write, progress=progress).queue
    return tuple(
        ActNotice(
            site=site_name(store_folder), case=alarm.id, drive=alarm.drive, title=alarm.title,
            urgency=round(alarm.urgency.total, 1), to_do=alarm.advice, since=alarm.since.isoformat(),
        )
        for alarm in queue.alarms
        if alarm.status in ("open", "back") and alarm.urgency.total >= rules.queue.act_from
    )  # fmt: skip


def acting_rows(rows: Iterable[CaseRow]) -> tuple[ActNotice, ...]:
    """The same out of rows that are judged already."""
    acting = [row for row in rows if row.state == "act" and row.list in ("new", "overdue", "blind")]
    return tuple(
        ActNotice(
            site=row.site, case=row.id, drive=row.drive, title=row.title, urgency=round(row.urgency, 1),
            to_do=row.advice, since=row.since,
        )
        for row in sorted(acting, key=lambda row: -row.urgency)
    )  # fmt: skip


class Notices:
    """Watches the cases of one store. ``changed`` says that something came; ``check`` is called now and then, from one
    thread. ``trouble`` is a sentence while something could not be sent.

    ``acting`` gives the cases in state act, or None while nobody knows them yet."""

    def __init__(
        self,
        store: Path,
        target: NoticeTarget,
        *,
        acting: Callable[[Path], Sequence[ActNotice] | None] = acting_cases,
        clock: Callable[[], float] = time.monotonic,
        undo_s: float = UNDO_S,
    ) -> None:
        self._store, self._target, self._acting, self._clock, self._undo_s = store, target, acting, clock, undo_s
        self._path = store / INBOXES / FILE
        self._known = _read(self._path)
        self._held: dict[str, tuple[ActNotice, float]] = {}
        self._tries: dict[str, tuple[int, float]] = {}
        self._dirty, self._next, self._asked_at = True, float("-inf"), float("-inf")
        self._lock = threading.Lock()
        self.trouble = ""
        self.sent = 0

    def changed(self) -> None:
        """Something came into the store."""
        self._dirty = True

    def check(self) -> None:
        """Ask for the cases where something changed, and send what has waited long enough."""
        with self._lock:
            now = self._clock()
            ripe = any(now - since >= self._undo_s for _, since in self._held.values())
            if (self._dirty or ripe) and now >= self._next:
                self._dirty = False
                self._ask(now)
            self._send_all()

    def _ask(self, now: float) -> None:
        try:
            found = self._acting(self._store)
        except VibeError as error:
            self.trouble = str(error)
            found = None
        if found is None:
            self._dirty, self._next = True, now + NOT_YET_S
            return
        acting = {one.case: one for one in found}
        self._asked_at = now
        cost = self._clock() - now
        self._next = self._clock() + max(LEAST_BETWEEN_S if self._known is not None else 0.0, TIMES_COST * cost)
        if self._known is None:
            self._known = set(acting)  # what was urgent before anybody watched is no news
            self._keep()
            return
        # What is no longer so may be news again; what was decided within the time to take it back is none.
        self._known &= acting.keys()
        self._held = {case: held for case, held in self._held.items() if case in acting}
        for case, notice in acting.items():
            if case not in self._known:
                self._held[case] = (notice, self._held[case][1] if case in self._held else now)
        self._keep()

    def _send_all(self) -> None:
        for case, (notice, since) in list(self._held.items()):
            number, last = self._tries.get(case, (0, float("-inf")))
            now = self._clock()
            # Only what was asked for again after that time: it may have been decided within it.
            if self._asked_at - since < self._undo_s or now - last < PAUSES_S[number]:
                continue
            why = send(notice, self._target)
            self.trouble = why
            if why and number + 1 < len(PAUSES_S):
                self._tries[case] = (number + 1, now)
                continue
            self._tries.pop(case, None)
            del self._held[case]
            if self._known is not None:
                self._known.add(case)
            self.sent += not why
            self._keep()

    def _keep(self) -> None:
        text = json.dumps({"schema": "vibe.noticed/1", "cases": sorted(self._known or ())})
        with suppress(OutputError):  # a full disk: somebody may be called twice
            write_whole(self._path, text, force=True)


def _read(path: Path) -> set[str] | None:
    try:
        return {str(case) for case in json_value(read_regular(path, _MOST_BYTES))["cases"]}
    except (OSError, ValueError, KeyError, TypeError):
        return None


def send(notice: ActNotice, target: NoticeTarget) -> str:
    """Send a notice everywhere; "" when all went well, else a sentence."""
    body: Mapping[str, Any] = {"schema": "vibe.notice/1", "at": datetime.now(UTC).isoformat(), **asdict(notice)}
    text = json.dumps(body, ensure_ascii=False)
    troubles = []
    if target.command:
        troubles.append(_run(target.command, text))
    if target.address:
        troubles.append(_post(target.address, text))
    return "; ".join(filter(None, troubles))


def _run(command: Sequence[str], text: str) -> str:
    try:
        done = subprocess.run(
            command, input=text, text=True, encoding="utf-8", errors="replace", timeout=LIMIT_S, check=False,
            stdout=subprocess.DEVNULL, stderr=subprocess.PIPE,
        )  # fmt: skip
    except subprocess.TimeoutExpired:
        return f"the command {command[0]} did not end within {LIMIT_S:.0f} s"
    except OSError as error:
        return f"the command {command[0]} cannot be started: {(error.strerror or str(error)).lower()}"
    said = " ".join(done.stderr.split())[-160:]
    return "" if done.returncode == 0 else f"the command {command[0]} ended with status {done.returncode} ({said})"


class _NoRedirect(HTTPRedirectHandler):
    """An answer that sends elsewhere is no answer: what was typed is where notices go."""

    def redirect_request(self, *_: Any) -> None:
        return None


def _post(address: str, text: str) -> str:
    host = urlsplit(address).hostname
    request = Request(address, text.encode(), {"Content-Type": "application/json"}, method="POST")
    answer: list[str] = []

    def ask() -> None:
        try:
            with build_opener(_NoRedirect).open(request, timeout=LIMIT_S) as response:
                response.read(1)
            answer.append("")
        except URLError as error:
            answer.append(f"{host} did not take the notice: {error.reason}")
        except (OSError, ValueError) as error:
            answer.append(f"{host} did not take the notice: {error}")
        except Exception as error:  # a header that no server may send, for example
            answer.append(defect(error))

    thread = threading.Thread(target=ask, daemon=True)
    thread.start()
    thread.join(LIMIT_S)  # a server that answers byte by byte is slow in all
    return answer[0] if answer else f"{host} did not answer within {LIMIT_S:.0f} s"
