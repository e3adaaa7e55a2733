"""What is known of a whole store at one time: rows, and a packed page of facts behind each; kept next to the store.

Judging a store takes seconds to minutes, so no request does it. What came of it lies in a file of the store, which is
made anew when it is lost, of another version of this program, or of other contents than the store now holds.
"""

from __future__ import annotations

import json
import zlib
from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from functools import cache
from hashlib import sha256
from pathlib import Path
from typing import TYPE_CHECKING, Any

from vibe.core.records.case_row import CaseRow
from vibe.history.store.layout import ROWS

if TYPE_CHECKING:
    from vibe.history.store.store import Store

_FORM = 3
"""Raised when rows or details change their form."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FleetDrive:
    """A drive as a list of drives shows it. ``last`` is "" while nothing was measured."""

    tag: str
    name: str
    captures: int
    accepted: int
    last: str
    state: str


@dataclass(frozen=True, slots=True, kw_only=True)
class JudgedStore:
    """A store as it was judged at ``at``. ``stamp`` names the contents that it was judged by,
    ``change`` is the number of their latest change.

    ``details`` are JSON, packed, by case; ``measured`` is the latest capture, "" without any;
    ``remarks`` say what a reader must know of the store as a whole, for example that nobody measured for months.
    """

    site: str
    at: datetime
    stamp: str
    change: int
    drives: int
    captures: int
    measured: str
    rows: tuple[CaseRow, ...]
    details: Mapping[str, bytes]
    fleet: tuple[FleetDrive, ...]
    remarks: tuple[str, ...] = ()

    def detail(self, case: str) -> dict[str, Any]:
        """The facts behind a row. Raises: KeyError: there is no such row."""
        found: dict[str, Any] = json.loads(zlib.decompress(self.details[case]))
        return found


def judge(
    folder: Path,
    site: str,
    *,
    at: datetime | None = None,
    keeps: bool = True,
    progress: Callable[[int, int, str], None] | None = None,
) -> JudgedStore:
    """Judge a store as it is now. Nothing is written but the file that keeps the outcome, where that may be.

    Raises:
        CallError: there is no store, or it is damaged.
    """
    from vibe.flow.alarms.queue import evaluate_alarms
    from vibe.flow.cases.rows import case_detail, rows_of
    from vibe.flow.settings import load_alarm_rules
    from vibe.history.store.store import Store

    rules = load_alarm_rules()
    with Store.open(folder) as store:
        stamp, change = stamp_of(store), store.change_number()
        keeps = keeps and store.may_write and at is None
        outcome = evaluate_alarms(store, rules=rules, at=at, progress=progress, keep=keeps)
        kept = store.drives()
        cases = {case.tag: case for case in outcome.cases}
        rows = rows_of(outcome.queue, site, outcome.cases, store, rules.queue.act_from)
        wanted = {row.id for row in rows}
        details = {
            alarm.id: zlib.compress(json.dumps(case_detail(alarm, cases.get(alarm.drive))).encode(), 6)
            for alarm in outcome.queue.alarms if alarm.id in wanted
        }  # fmt: skip
        names = {case.tag: case.name for case in outcome.cases}
        last = max((drive.last for drive in kept if drive.last is not None), default=None)
        found = JudgedStore(
            site=site, at=outcome.queue.at, stamp=stamp, change=change, drives=len(kept),
            captures=sum(drive.captures for drive in kept), measured="" if last is None else last.isoformat(),
            rows=tuple(rows), details=details, remarks=outcome.queue.remarks,
            fleet=tuple(
                FleetDrive(
                    tag=drive.tag, name=names.get(drive.tag, ""), captures=drive.captures, accepted=drive.accepted,
                    last="" if drive.last is None else drive.last.isoformat(), state=drive.state,
                )
                for drive in kept
            ),
        )  # fmt: skip
        if keeps:
            keep(folder, found)
    return found


def stamp_of(store: Store) -> str:
    """Names what a store holds, this version of the program, its settings, and today: due dates pass with the days."""
    from vibe import __version__

    return f"{_FORM} {__version__} {_settings_hash()} {datetime.now(UTC).date()} {store.change_number()}"


@cache
def _settings_hash() -> str:
    """Of the files that judgements go by, as they were when this process first asked."""
    from vibe.flow.settings import share_dir

    digest = sha256()
    for path in sorted((share_dir() / "configs").glob("*.toml")):
        digest.update(path.name.encode() + path.read_bytes())
    return digest.hexdigest()[:12]


def keep(folder: Path, found: JudgedStore) -> None:
    """Keep an outcome next to its store; where the disk refuses, it is judged again next time."""
    import base64

    from vibe.core.errors import OutputError
    from vibe.storage.files import write_whole

    text = json.dumps(
        {
            "stamp": found.stamp, "change": found.change, "at": found.at.isoformat(), "drives": found.drives,
            "captures": found.captures, "measured": found.measured, "remarks": found.remarks,
            "fleet": [asdict(one) for one in found.fleet],
            "rows": [row.plain() for row in found.rows],
            "details": {name: base64.b64encode(packed).decode("ascii") for name, packed in found.details.items()},
        },
        ensure_ascii=False,
    )  # fmt: skip
    try:
        write_whole(folder / ROWS, zlib.compress(text.encode(), 1), force=True)
    except OutputError:
        return


def kept(folder: Path, site: str, stamp: str) -> JudgedStore | None:
    """The outcome that was kept for this ``stamp``; None where there is none, or it cannot be read."""
    import base64
    from dataclasses import replace

    try:
        read = json.loads(zlib.decompress((folder / ROWS).read_bytes()))
        if read["stamp"] != stamp:
            return None
        rows = tuple(CaseRow.of_plain(row) for row in read["rows"])
        return JudgedStore(
            site=site, at=datetime.fromisoformat(read["at"]), stamp=stamp, change=int(read["change"]),
            drives=int(read["drives"]),
            captures=int(read["captures"]), measured=str(read["measured"]),
            rows=tuple(replace(row, site=site) for row in rows),
            fleet=tuple(FleetDrive(**one) for one in read["fleet"]),
            details={name: base64.b64decode(packed) for name, packed in read["details"].items()},
            remarks=tuple(read["remarks"]),
        )  # fmt: skip
    except (OSError, ValueError, KeyError, TypeError, AttributeError, zlib.error):
        return None
