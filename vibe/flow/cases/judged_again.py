"""A judgement brought up to date: only drives to which what was added may make a difference are judged again.

Which drives those are:

* those of which something was added, and those of which something that was dated ahead counts by now;
* where that changed a baseline, or the kind of a drive: sisters whose limits come from it and raise something, or did;
* sisters with a case that says how many rose as they did, where that changed;
* all drives whose causes could be in one row with theirs, and all that were in one row with them.

The rest stays as it was judged earlier on the same day, but for limits on the page of a case that raise nothing: those
are exchanged.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from contextlib import suppress
from dataclasses import replace
from datetime import UTC, datetime
from itertools import chain
from pathlib import Path
from typing import TYPE_CHECKING

from vibe.flow.cases.judged import (
    JudgedPart,
    JudgedStore,
    NotedLooks,
    judge,
    judged_part,
    kept,
    kept_now,
    of_store,
    packed_detail,
    stamp_of,
)

if TYPE_CHECKING:
    from vibe.core.records.alarms import CauseMark
    from vibe.core.records.case_row import CaseRow
    from vibe.flow.cases.judged import FleetDrive
    from vibe.health.alarms.settings import AlarmRules
    from vibe.history.limits import Limit
    from vibe.history.population.concerned import Concerned
    from vibe.history.settings import HistorySettings
    from vibe.history.sister_book import Place, SisterBook, SisterNote
    from vibe.history.store.decisions import DecisionBook
    from vibe.history.store.judged import KeptOutcome
    from vibe.history.store.store import Store

_SHARE_AT_ONCE = 0.5
"""Of the drives, beyond which the whole store is judged: about where that costs as much."""


def judge_again(
    folder: Path, site: str, before: JudgedStore, *, at: datetime | None = None, keeps: bool = True,
    first_only_from: int | None = None, progress: Callable[[int, int, str], None] | None = None,
) -> JudgedStore:  # fmt: skip
    """Judge what changed since ``before``, or since the judgement that is kept next to the store where that is another
    by now; the whole store where both are of another day or other settings.

    Where it concerns more than ``first_only_from`` drives, only those to which something was added are judged and
    shown, with all others as they were: an answer at once, which is not kept, says which are ``waiting`` and is
    followed by a call without it.

    Raises:
        CallError: there is no store, or it is damaged.
    """
    from vibe.flow.settings import load_alarm_rules
    from vibe.history.store.judged import KeptOutcome, NotKeptError
    from vibe.history.store.store import Store

    part = None
    with Store.open(folder) as store, KeptOutcome(folder) as there:
        keeps = keeps and store.may_write
        if there.said != before.said:
            before = kept(folder, site) or before
        # What changed first, and then the time: what is decided in between is judged next time, and not passed over.
        changed = store.touched(before.change)
        now = at or datetime.now(UTC)
        if before.said and before.said == there.said and before.stamp == stamp_of() and now >= before.at:
            with suppress(NotKeptError):  # what is kept cannot be read, or lacks something
                part = _part(store, site, before, there, changed, now, load_alarm_rules(), keeps, progress,
                             first_only_from)  # fmt: skip
    if isinstance(part, JudgedStore):
        return part
    if part is not None:  # kept once nobody reads it any more
        return kept_now(folder, *part, before) if keeps else part[0]
    return judge(folder, site, at=at, keeps=keeps, progress=progress)


def _part(
    store: Store, site: str, before: JudgedStore, there: KeptOutcome, changed: tuple[int, tuple[str, ...]],
    now: datetime, rules: AlarmRules, keeps: bool, progress: Callable[[int, int, str], None] | None,
    first_only_from: int | None,
) -> tuple[JudgedStore, JudgedPart] | JudgedStore | None:  # fmt: skip
    """The judgement brought up to date, and what of it is new; or the answer at once; None where all must be judged."""
    from vibe.flow.alarms.queue import evaluate_alarms
    from vibe.flow.settings import share_dir
    from vibe.history.settings import HistorySettings
    from vibe.ingest import load_model

    change, touched = changed
    view = store.as_of(now)
    kinds = {drive.tag: drive.kind for drive in view.drives()}
    known = {drive.tag: drive for drive in before.fleet}
    first = {*touched, *store.dated_within(before.at.timestamp(), now.timestamp())} & kinds.keys()
    if {*known} - {*kinds} or any(tag not in kinds for tag in touched):
        return None
    if len(first) > _SHARE_AT_ONCE * len(kinds):
        return None
    history = load_model(share_dir() / "configs" / "history.toml", HistorySettings)
    anew = _looked(view, first, kinds, history, rules, keeps)
    sisters = _Sisters(there, known, kinds, anew, history)
    concerned = _concerned(first, sisters, before, kinds, rules, history)
    wanted = _joined({*first}.union(*(one.judge for one in concerned.values())), before, (), rules)
    if first_only_from is not None and len(wanted) > max(first_only_from, len(first)):
        book = sisters.now({kinds[tag] for tag in first})
        alone = evaluate_alarms(
            store, rules=rules, at=now, keep=keeps, only=first, noted=(noted := NotedLooks(rules)), book=book
        )
        return _at_once(before, judged_part(alone, site, store, rules, noted, only=first), first, wanted)
    while True:
        joined = wanted
        outcome = evaluate_alarms(
            store, rules=rules, at=now, progress=progress, keep=keeps, only=joined, noted=(noted := NotedLooks(rules)),
            book=sisters.now({kinds[tag] for tag in joined}),
        )  # fmt: skip
        # What is found now may belong to rows of others.
        wanted = _joined(joined, before, outcome.queue.marks, rules)
        if wanted == joined:
            break
        if len(wanted) > _SHARE_AT_ONCE * len(kinds):
            return None
    some = judged_part(outcome, site, store, rules, noted, only=joined)
    some = _with_limits(some, before, joined, concerned, sisters, history)
    rows, details, fleet = _merged(before, some, joined)
    found = replace(
        before, site=site, at=now, change=change, rows=rows, details=details, fleet=fleet, judged=len(joined), said="",
        **of_store(outcome, store),
    )  # fmt: skip
    return found, some


class _Sisters:
    """What drives said to their sisters, and say now."""

    def __init__(
        self, there: KeptOutcome, known: Mapping[str, FleetDrive], kinds: Mapping[str, str],
        anew: Mapping[str, Sequence[SisterNote]], history: HistorySettings,
    ) -> None:  # fmt: skip
        from vibe.history.sister_book import SisterBook

        self._there, self._known, self._kinds, self._anew = there, known, kinds, anew
        self._kept: dict[str, dict[str, Sequence[SisterNote]]] = {}
        self._before, self._now, self._entered = SisterBook(history), SisterBook(history), set[str]()

    def before(self, kind: str) -> SisterBook:
        """As it is kept. Raises: NotKeptError: it is not."""
        if kind not in self._kept:
            self._kept[kind] = _kept_notes(self._there, kind, self._known)
            self._before.put_all(kind, chain.from_iterable(self._kept[kind].values()))
        return self._before

    def now(self, kinds: Iterable[str]) -> SisterBook:
        """As it is now. Raises: NotKeptError: what is not anew is not kept."""
        for kind in {*kinds} - self._entered - {""}:
            self.before(kind)
            notes = {**self._kept[kind], **self._anew}
            own = (notes[tag] for tag in notes if self._kinds.get(tag) == kind)
            self._now.put_all(kind, chain.from_iterable(own))
            self._entered.add(kind)
        return self._now


def _concerned(
    first: set[str], sisters: _Sisters, before: JudgedStore, kinds: Mapping[str, str], rules: AlarmRules,
    history: HistorySettings,
) -> dict[str, Concerned]:  # fmt: skip
    """Whom of each kind what was added concerns."""
    from vibe.history.population.concerned import concerned_by

    known = {drive.tag: drive for drive in before.fleet}
    asks = {drive.tag: drive.asks for drive in before.fleet if drive.asks}
    were = {tag: known[tag].kind if tag in known else "" for tag in first}
    return {
        kind: concerned_by(
            {tag for tag in first if kind in (kinds[tag], were[tag])}, sisters.before(kind), sisters.now([kind]), kind,
            asks, history, share=rules.group.explains_share, least_db=rules.group.explains_from_db,
        )
        for kind in sorted({*were.values(), *(kinds[tag] for tag in first)} - {""})
    }  # fmt: skip


def _with_limits(
    some: JudgedPart, before: JudgedStore, judged: set[str], concerned: Mapping[str, Concerned], sisters: _Sisters,
    history: HistorySettings,
) -> JudgedPart:  # fmt: skip
    """What was judged now, and the rows of sisters whose limits alone are others."""
    from vibe.flow.cases.rows import with_sister_limits

    with_cases = {tag for row in before.rows for tag in row.drives}
    rows, details = list(some.rows), dict(some.details)
    limits: dict[str, dict[Place, tuple[Limit, ...]]] = {}
    for kind, one in concerned.items():
        moved = {tag: places for tag, places in one.limits.items() if tag in with_cases and tag not in judged}
        book = sisters.now([kind])
        for tag, places in moved.items():
            tables = {place: book.table(kind, place) for place in places}
            limits[tag] = {place: table.intervals.limits(table.row_of[tag], history) for place, table in tables.items()}
    for row in before.rows:
        if judged.isdisjoint(row.drives) and not limits.keys().isdisjoint(row.drives):
            changed = with_sister_limits(row, before.detail(row.id), limits)
            if changed is not None:
                rows.append(changed[0])
                details[row.id] = packed_detail(changed[1])
    return replace(some, rows=tuple(rows), details=details)


def _looked(
    view: DecisionBook, tags: Iterable[str], kinds: Mapping[str, str], history: HistorySettings, rules: AlarmRules,
    keeps: bool,
) -> dict[str, Sequence[SisterNote]]:  # fmt: skip
    """What drives tell their sisters now; looks are kept for the judgement that follows."""
    from vibe.flow.alarms.kept_looks import Looks
    from vibe.flow.history.drive_facts import Gatherer, notes_of
    from vibe.flow.settings import load_settings

    gatherer = Gatherer(store=view, history=history, limits=load_settings(None).limits, rules=rules)
    looks = Looks(view, gatherer)
    found: dict[str, Sequence[SisterNote]] = {}
    have = {drive.tag for drive in view.drives() if drive.captures}
    for tag in sorted(tags):
        found[tag] = list(notes_of(looks.look(tag, kinds[tag]), rules)) if tag in have else []
    looks.close(keep=keeps)
    return found


def _kept_notes(there: KeptOutcome, kind: str, known: Mapping[str, FleetDrive]) -> dict[str, Sequence[SisterNote]]:
    """What the drives of a kind say to their sisters. Raises: NotKeptError: it is not kept."""
    from vibe.flow.cases.sister_notes import unpacked_notes
    from vibe.history.store.judged import NotKeptError

    packed = there.packed_of_kind(kind)
    if packed.keys() != {tag for tag, drive in known.items() if drive.kind == kind}:
        raise NotKeptError(f"not all drives of {kind} are kept")
    try:
        return {tag: unpacked_notes(tag, one) if one or known[tag].captures else () for tag, one in packed.items()}
    except ValueError as error:
        raise NotKeptError(str(error)) from error


def _joined(tags: set[str], before: JudgedStore, marks: Sequence[CauseMark], rules: AlarmRules) -> set[str]:
    """Those drives, all that were in one row with them, and all whose causes could be in one row with theirs."""
    from vibe.health.alarms.queue import may_be_joined

    found = set(tags)
    # What a drive's causes were, and what they are now: what leaves a row concerns it too.
    all_marks = [*(mark for drive in before.fleet for mark in drive.marks), *marks]
    more = True
    while more:
        more = False
        for row in before.rows:
            if len(row.drives) > 1 and not found.issuperset(row.drives) and not found.isdisjoint(row.drives):
                found |= {*row.drives}
                more = True
        inside = [mark for mark in all_marks if mark.drive in found]
        for mark in all_marks:
            if mark.drive not in found and any(may_be_joined(mark, one, rules) for one in inside):
                found.add(mark.drive)
                more = True
    return found


_JOINED = ("growth", "common", "load or speed", "not measured")
"""Kinds of causes that several drives may share as one row."""


def _at_once(before: JudgedStore, some: JudgedPart, first: set[str], concerned: set[str]) -> JudgedStore:
    """A judgement with the rows of some drives as they are now; what may be in one row with others stays as it was."""
    shared = {tag for row in before.rows if len(row.drives) > 1 for tag in row.drives}

    def own(row: CaseRow) -> bool:
        alone = len(row.drives) == 1 and row.drives[0] in first
        return alone and not (row.drives[0] in shared and row.kind in _JOINED)

    stays, anew = [row for row in before.rows if not own(row)], [row for row in some.rows if own(row)]
    rows = sorted((*stays, *anew), key=lambda row: (-row.urgency, row.id))
    drives = {drive.tag: drive for drive in before.fleet} | {drive.tag: drive for drive in some.fleet}
    return replace(
        before, rows=tuple(rows), details=dict(before.details) | {row.id: some.details[row.id] for row in anew},
        fleet=tuple(drives[tag] for tag in sorted(drives)), judged=len(first), said="",
        waiting=frozenset(concerned - (first - shared)),
    )  # fmt: skip


def _merged(
    before: JudgedStore, some: JudgedPart, joined: set[str]
) -> tuple[tuple[CaseRow, ...], dict[str, bytes], tuple[FleetDrive, ...]]:
    """What was judged now in the place of what was judged before of the same drives."""
    anew = {row.id for row in some.rows}
    stays = [row for row in before.rows if joined.isdisjoint(row.drives) and row.id not in anew]
    rows = sorted((*stays, *some.rows), key=lambda row: (-row.urgency, row.id))
    details = {row.id: before.details[row.id] for row in stays} | dict(some.details)
    drives = {drive.tag: drive for drive in before.fleet} | {drive.tag: drive for drive in some.fleet}
    return tuple(rows), details, tuple(drives[tag] for tag in sorted(drives))
