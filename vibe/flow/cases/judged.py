"""What is known of a whole store at one time: rows, and a packed page of facts behind each; kept next to the store.

Judging a store takes seconds to minutes, so no request does it. What came of it lies next to the store, row by row, and
is made anew when it is lost or of another version of this program. Where little was added since, only what that may
change is judged again (``judged_again.py``); whole and in part are one code and must be equal.
"""

from __future__ import annotations

import json
import zlib
from collections.abc import Callable, Collection, Mapping, Sequence
from contextlib import suppress
from dataclasses import asdict, dataclass, field, replace
from datetime import UTC, datetime
from functools import cache
from hashlib import sha256
from math import inf
from pathlib import Path
from typing import TYPE_CHECKING, Any

from vibe.core.records.case_row import CaseRow
from vibe.storage.json_text import unpacked_value

if TYPE_CHECKING:
    from vibe.core.records.alarm_case import DriveCase
    from vibe.core.records.alarms import CauseMark
    from vibe.flow.alarms.queue import QueueOutcome
    from vibe.flow.history.drive_facts import DriveLook
    from vibe.health.alarms.settings import AlarmRules
    from vibe.history.sister_book import SisterNote
    from vibe.history.store.judged import KeptCase, KeptDrive
    from vibe.history.store.store import Store

_FORM = 9
"""Raised when rows or details change their form."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FleetDrive:
    """A drive as a list of drives shows it. ``last`` is "" while nothing was measured; ``remark`` is what a reader must
    know of it. ``marks`` say with which causes of other drives its own may be in one row, ``cases`` how many
    causes it has."""

    tag: str
    name: str
    captures: int
    accepted: int
    last: str
    state: str
    kind: str = ""
    remark: str = ""
    cases: int = 0
    asks: tuple[tuple[str, str, str], ...] = ()
    """Series of which a row says how many sisters rose as it did."""
    marks: tuple[CauseMark, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class JudgedStore:
    """A store as it was judged at ``at``. ``stamp`` names what it was judged by, but for the contents;
    ``change`` is the number of their latest change.

    ``details`` are JSON, packed, by case; ``measured`` is the latest capture, "" without any;
    ``until_s`` is when something that is dated ahead counts [s since 1970]; ``of_all`` are remarks on the store as a
    whole, for example that nobody measured for months. ``said`` is what stands next to the store, "" where it is not
    kept.
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
    of_all: tuple[str, ...] = ()
    until_s: float = inf
    said: str = ""
    judged: int = field(default=0, compare=False)
    """How many drives were judged for it; the others are as they were."""
    waiting: frozenset[str] = field(default=frozenset(), compare=False)
    """Drives that are still to be judged by what was added: their rows, and what is said of the whole store, are of
    before."""

    @property
    def behind(self) -> int:
        """How many drives are still to be judged."""
        return len(self.waiting)

    def waits(self, row: CaseRow) -> bool:
        """Whether a row is still as it was before something was added that concerns it."""
        return bool(self.waiting) and not self.waiting.isdisjoint(row.drives)

    @property
    def remarks(self) -> tuple[str, ...]:
        """What a reader must know of the store and its drives."""
        return (*self.of_all, *(drive.remark for drive in self.fleet if drive.remark))

    def detail(self, case: str) -> dict[str, Any]:
        """The facts behind a row. Raises: KeyError: there is no such row. ValueError: what was
        kept of it is damaged."""
        found: dict[str, Any] = unpacked_value(self.details[case])
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
    from vibe.flow.settings import load_alarm_rules
    from vibe.history.store.store import Store

    rules = load_alarm_rules()
    with Store.open(folder) as store:
        stamp, change = stamp_of(), store.change_number()
        at = at or datetime.now(UTC)
        keeps = keeps and store.may_write
        noted = NotedLooks(rules)
        outcome = evaluate_alarms(store, rules=rules, at=at, progress=progress, keep=keeps, noted=noted)
        part = judged_part(outcome, site, store, rules, noted)
        found = JudgedStore(
            site=site, at=at, stamp=stamp, change=change, rows=part.rows, details=part.details, fleet=part.fleet,
            judged=len(part.fleet), **of_store(outcome, store),
        )  # fmt: skip
        return kept_now(folder, found, part) if keeps else found


# ── what a judgement of all drives or some is made of ─────────────────────────────────────────────────────────────


class NotedLooks:
    """Called with each look of a judgement: what sisters ask of it is packed at once, so that looks can go."""

    def __init__(self, rules: AlarmRules) -> None:
        self._rules = rules
        self.packed: dict[str, bytes] = {}
        self.remarks: dict[str, str] = {}

    def __call__(self, look: DriveLook) -> None:
        from vibe.flow.alarms.queue import odd_clock
        from vibe.flow.cases.sister_notes import packed_notes
        from vibe.flow.history.drive_facts import notes_of

        self.packed[look.tag] = packed_notes(notes_of(look, self._rules))
        self.remarks[look.tag] = odd_clock(look)


@dataclass(frozen=True, slots=True, kw_only=True)
class JudgedPart:
    """Rows, facts and drives of a judgement, and what sisters ask of these drives, packed."""

    rows: tuple[CaseRow, ...]
    details: Mapping[str, bytes]
    fleet: tuple[FleetDrive, ...]
    notes: Mapping[str, bytes]


def judged_part(
    outcome: QueueOutcome,
    site: str,
    store: Store,
    rules: AlarmRules,
    noted: NotedLooks,
    only: Collection[str] | None = None,
) -> JudgedPart:
    """What came of judging all drives, or those of ``only``."""
    from vibe.flow.cases.rows import case_detail, rows_of
    from vibe.health.alarms.queue import asked_of_sisters

    queue = outcome.queue
    cases: dict[str, DriveCase] = {case.tag: case for case in outcome.cases}
    rows = rows_of(queue, site, outcome.cases, store, rules.queue.act_from)
    wanted = {row.id for row in rows}
    details = {
        alarm.id: packed_detail(case_detail(alarm, cases.get(alarm.drive)))
        for alarm in queue.alarms if alarm.id in wanted
    }  # fmt: skip
    marks: dict[str, list[CauseMark]] = {}
    for mark in queue.marks:
        marks.setdefault(mark.drive, []).append(mark)
    asks = asked_of_sisters(queue.alarms, rules)
    fleet = tuple(
        FleetDrive(
            tag=drive.tag, name=cases[drive.tag].name if drive.tag in cases else "", captures=drive.captures,
            accepted=drive.accepted, last="" if drive.last is None else drive.last.isoformat(), state=drive.state,
            kind=drive.kind, remark=noted.remarks.get(drive.tag, ""), cases=len(marks.get(drive.tag, ())),
            asks=asks.get(drive.tag, ()),
            marks=tuple(mark for mark in marks.get(drive.tag, ()) if mark.part or mark.kind != "fault"),
        )
        for drive in store.as_of(queue.at).drives() if only is None or drive.tag in only
    )  # fmt: skip
    return JudgedPart(rows=tuple(rows), details=details, fleet=fleet, notes=noted.packed)


def packed_detail(detail: Mapping[str, Any]) -> bytes:
    """The facts behind a row, packed."""
    return zlib.compress(json.dumps(detail).encode(), 1)


def of_store(outcome: QueueOutcome, store: Store) -> dict[str, Any]:
    """What a judgement says of the store as a whole."""
    kept = store.drives()
    last = max((drive.last for drive in kept if drive.last is not None), default=None)
    return {
        "drives": len(kept), "captures": sum(drive.captures for drive in kept),
        "measured": "" if last is None else last.isoformat(), "of_all": outcome.of_all,
        "until_s": store.next_of_all_s(outcome.queue.at.timestamp()),
    }  # fmt: skip


def stamp_of() -> str:
    """Names this version of the program, its settings, and today: due dates pass with the days."""
    from vibe import __version__

    return f"{_FORM} {__version__} {_settings_hash()} {datetime.now(UTC).date()}"


@cache
def _settings_hash() -> str:
    """Of the files that judgements go by, as they were when this process first asked."""
    from vibe.flow.settings import share_dir

    digest = sha256()
    for path in sorted((share_dir() / "configs").glob("*.toml")):
        digest.update(path.name.encode() + path.read_bytes())
    return digest.hexdigest()[:12]


# ── kept next to the store ────────────────────────────────────────────────────────────────────────────────────────


def kept_now(folder: Path, found: JudgedStore, part: JudgedPart, before: JudgedStore | None = None) -> JudgedStore:
    """Keep a judgement, or what of it is not as ``before``; where that cannot be, all is judged again next time."""
    from vibe.history.store.judged import keep_outcome

    said = json.dumps(
        {"form": _FORM, "stamp": found.stamp, "change": found.change, "at": found.at.isoformat(),
         "drives": found.drives, "captures": found.captures, "measured": found.measured, "of_all": found.of_all,
         "until_s": found.until_s},
        ensure_ascii=False,
    )  # fmt: skip
    gone = [] if before is None else sorted({row.id for row in before.rows} - {row.id for row in found.rows})
    done = keep_outcome(
        folder, said, _drives_to_keep(part), _cases_to_keep(part.rows, part.details),
        instead_of=None if before is None else before.said, gone=gone,
    )  # fmt: skip
    return replace(found, said=said if done else "")


def keep(folder: Path, found: JudgedStore) -> None:
    """Keep a judgement as a whole, without what sisters ask of drives: what is added is then judged with all else."""
    kept_now(folder, found, JudgedPart(rows=found.rows, details=found.details, fleet=found.fleet, notes={}))


def _drives_to_keep(part: JudgedPart) -> list[KeptDrive]:
    from vibe.history.store.judged import KeptDrive

    kept = []
    for drive in part.fleet:
        said = asdict(drive)
        said["marks"] = [[m.drive, m.drive_kind, m.kind, m.began.isoformat(), m.part] for m in drive.marks]
        kept.append(
            KeptDrive(
                drive=drive.tag, kind=drive.kind, said=json.dumps(said, ensure_ascii=False),
                packed=part.notes.get(drive.tag, b""),
            )
        )  # fmt: skip
    return kept


def _cases_to_keep(rows: Sequence[CaseRow], details: Mapping[str, bytes]) -> list[KeptCase]:
    from vibe.history.store.judged import KeptCase

    return [
        KeptCase(id=row.id, said=json.dumps(row.plain(), ensure_ascii=False), packed=details[row.id]) for row in rows
    ]


def said_by_this_version(said: str | None) -> bool:
    """Whether what is kept is of this form and version of the program, of whatever day."""
    try:
        read = json.loads(said or "")
        return bool(read["form"] == _FORM and read["stamp"].split(" ")[1] == stamp_of().split(" ")[1])
    except (ValueError, KeyError, TypeError, AttributeError, IndexError):
        return False


def kept(folder: Path, site: str) -> JudgedStore | None:
    """The judgement that is kept next to a store, of whatever day; None where there is none of this form and version,
    or it cannot be read."""
    from vibe.core.records.alarms import CauseMark
    from vibe.history.store.judged import KeptOutcome, NotKeptError

    try:
        with KeptOutcome(folder) as kept_there:
            if kept_there.said is None or not said_by_this_version(kept_there.said):
                return None
            read = json.loads(kept_there.said)
            cases, drives = kept_there.cases(), kept_there.drives()
        fleet = []
        for _, _, said in drives:
            one = json.loads(said)
            one["asks"] = tuple(map(tuple, one["asks"]))
            one["marks"] = tuple(
                CauseMark(drive=drive, drive_kind=of, kind=kind, began=datetime.fromisoformat(began), part=part)
                for drive, of, kind, began, part in one["marks"]
            )
            fleet.append(FleetDrive(**one))
        return JudgedStore(
            site=site, at=datetime.fromisoformat(read["at"]), stamp=read["stamp"], change=int(read["change"]),
            drives=int(read["drives"]), captures=int(read["captures"]), measured=str(read["measured"]),
            rows=tuple(replace(CaseRow.of_plain(json.loads(said)), site=site) for _, said, _ in cases),
            fleet=tuple(fleet), details={name: packed for name, _, packed in cases},
            of_all=tuple(read["of_all"]), until_s=float(read["until_s"]), said=kept_there.said,
        )  # fmt: skip
    except (NotKeptError, OSError, ValueError, KeyError, TypeError, AttributeError, IndexError, RecursionError):
        return None


def kept_notes(store: Path, kind: str) -> dict[str, tuple[SisterNote, ...]]:
    """What drives of a kind say to their sisters by the judgement that is kept next to a store; nothing of those of
    which it keeps nothing that can be read."""
    from vibe.flow.cases.sister_notes import unpacked_notes
    from vibe.history.store.judged import KeptOutcome, NotKeptError

    found: dict[str, tuple[SisterNote, ...]] = {}
    with KeptOutcome(store) as there:
        if not kind or not said_by_this_version(there.said):
            return {}
        with suppress(NotKeptError, ValueError):
            for tag, packed in there.packed_of_kind(kind).items():
                if packed:
                    found[tag] = unpacked_notes(tag, packed)
    return found
