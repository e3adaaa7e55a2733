"""A judgement brought up to date: only drives to which what was added may make a difference are judged again.

Which drives those are:

* those of which something was added, and those of which something that was dated ahead counts by now;
* where that changed a baseline, or the kind of a drive: all sisters, since their limits come from it;
* else sisters with a case, where it changes how many rose as they did;
* all drives whose causes could be in one row with theirs, and all that were in one row with them.

The rest stays as it was judged earlier on the same day.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from contextlib import suppress
from dataclasses import replace
from datetime import UTC, datetime
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
    stamp_of,
)

if TYPE_CHECKING:
    from vibe.core.records.alarms import CauseMark
    from vibe.core.records.case_row import CaseRow
    from vibe.flow.cases.judged import FleetDrive
    from vibe.health.alarms.settings import AlarmRules
    from vibe.history.settings import HistorySettings
    from vibe.history.sister_book import SisterBook, SisterNote
    from vibe.history.store.decisions import DecisionBook
    from vibe.history.store.judged import KeptOutcome
    from vibe.history.store.store import Store

_SHARE_AT_ONCE = 0.5
"""Of the drives, beyond which the whole store is judged: about where that costs as much."""


def judge_again(
    folder: Path, site: str, before: JudgedStore, *, at: datetime | None = None, keeps: bool = True,
    progress: Callable[[int, int, str], None] | None = None,
) -> JudgedStore:  # fmt: skip
    """Judge what changed since ``before``, or since the judgement that is kept next to the store where that is another
    by now; the whole store where both are of another day or other settings.

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
                part = _part(store, site, before, there, changed, now, load_alarm_rules(), keeps, progress)
    if part is not None:  # kept once nobody reads it any more
        return kept_now(folder, *part, before) if keeps else part[0]
    return judge(folder, site, at=at, keeps=keeps, progress=progress)


def _part(
    store: Store, site: str, before: JudgedStore, there: KeptOutcome, changed: tuple[int, tuple[str, ...]],
    now: datetime, rules: AlarmRules, keeps: bool, progress: Callable[[int, int, str], None] | None,
) -> tuple[JudgedStore, JudgedPart] | None:  # fmt: skip
    """The judgement brought up to date, and what of it is new; None where all must be judged."""
    from vibe.flow.alarms.queue import evaluate_alarms
    from vibe.flow.settings import share_dir
    from vibe.history.settings import HistorySettings
    from vibe.history.sister_book import SisterBook
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
    asked = {kinds[tag] for tag in first} | {known[tag].kind for tag in first if tag in known}
    sisters: dict[str, list[SisterNote]] = {}
    for kind in asked - {""}:
        sisters |= _kept_notes(there, kind, known)
    wanted = _wanted(first, anew.notes, sisters, before, kinds, rules)
    while True:
        joined = _joined(wanted, before, (), rules)
        outcome = evaluate_alarms(
            store, rules=rules, at=now, progress=progress, keep=keeps, only=joined, noted=(noted := NotedLooks(rules)),
            book=_book(SisterBook(history), joined, anew.notes, sisters, there, known, kinds),
        )  # fmt: skip
        # What is found now may belong to rows of others.
        wanted = _joined(joined, before, outcome.queue.marks, rules)
        if wanted == joined:
            break
        if len(wanted) > _SHARE_AT_ONCE * len(kinds):
            return None
    some = judged_part(outcome, site, store, rules, noted, only=joined)
    rows, details, fleet = _merged(before, some, joined)
    found = replace(
        before, site=site, at=now, change=change, rows=rows, details=details, fleet=fleet, judged=len(joined), said="",
        **of_store(outcome, store),
    )  # fmt: skip
    return found, some


class _Anew:
    def __init__(self) -> None:
        self.notes: dict[str, list[SisterNote]] = {}


def _looked(
    view: DecisionBook, tags: Iterable[str], kinds: Mapping[str, str], history: HistorySettings, rules: AlarmRules,
    keeps: bool,
) -> _Anew:  # fmt: skip
    """What drives tell their sisters now; looks are kept for the judgement that follows."""
    from vibe.flow.alarms.kept_looks import Looks
    from vibe.flow.history.drive_facts import Gatherer, notes_of
    from vibe.flow.settings import load_settings

    gatherer = Gatherer(store=view, history=history, limits=load_settings(None).limits, rules=rules)
    looks, found = Looks(view, gatherer), _Anew()
    have = {drive.tag for drive in view.drives() if drive.captures}
    for tag in sorted(tags):
        found.notes[tag] = list(notes_of(looks.look(tag, kinds[tag]), rules)) if tag in have else []
    looks.close(keep=keeps)
    return found


def _wanted(
    first: set[str], anew: Mapping[str, list[SisterNote]], sisters: Mapping[str, list[SisterNote]],
    before: JudgedStore, kinds: Mapping[str, str], rules: AlarmRules,
) -> set[str]:  # fmt: skip
    """Drives of which something was added, and sisters to which that may make a difference."""
    from vibe.flow.cases.sister_notes import concerned_by, same_baselines

    known = {drive.tag: drive for drive in before.fleet}
    cases = {drive.tag for drive in before.fleet if drive.cases}
    found = set(first)
    for tag in first:
        kind, old = kinds[tag], known.get(tag)
        was = sisters.get(tag, [])
        if old is None or old.kind != kind or not same_baselines(was, anew[tag]):
            of_both = {kind, "" if old is None else old.kind} - {""}
            found |= {other for other, its in kinds.items() if its in of_both}
        elif kind:
            of_kind = {other: notes for other, notes in sisters.items() if kinds[other] == kind and other != tag}
            group = rules.group
            found |= cases & concerned_by(tag, was, anew[tag], of_kind, group.explains_share, group.explains_from_db)
    return found


def _book(
    book: SisterBook, joined: set[str], anew: Mapping[str, list[SisterNote]], sisters: Mapping[str, list[SisterNote]],
    there: KeptOutcome, known: Mapping[str, FleetDrive], kinds: Mapping[str, str],
) -> SisterBook:  # fmt: skip
    """What all sisters of some drives tell, in the order in which a judgement of the whole store enters it."""
    wanted = {kinds[tag] for tag in joined} - {""}
    notes = dict(sisters)
    for kind in wanted - {known[tag].kind for tag in sisters if tag in known}:
        notes |= _kept_notes(there, kind, known)
    notes |= anew
    for tag, kind in kinds.items():
        if kind in wanted:
            for note in notes.get(tag, ()):
                book.put(kind, note)
    return book


def _kept_notes(there: KeptOutcome, kind: str, known: Mapping[str, FleetDrive]) -> dict[str, list[SisterNote]]:
    """What the drives of a kind say to their sisters. Raises: NotKeptError: it is not kept."""
    from vibe.flow.cases.sister_notes import unpacked_notes
    from vibe.history.store.judged import NotKeptError

    packed = there.packed_of_kind(kind)
    if packed.keys() != {tag for tag, drive in known.items() if drive.kind == kind}:
        raise NotKeptError(f"not all drives of {kind} are kept")
    try:
        return {tag: unpacked_notes(tag, one) if one or known[tag].captures else [] for tag, one in packed.items()}
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


def _merged(
    before: JudgedStore, some: JudgedPart, joined: set[str]
) -> tuple[tuple[CaseRow, ...], dict[str, bytes], tuple[FleetDrive, ...]]:
    """What was judged now in the place of what was judged before of the same drives."""
    stays = [row for row in before.rows if joined.isdisjoint(row.drives)]
    rows = sorted((*stays, *some.rows), key=lambda row: (-row.urgency, row.id))
    details = {row.id: before.details[row.id] for row in stays} | dict(some.details)
    drives = {drive.tag: drive for drive in before.fleet} | {drive.tag: drive for drive in some.fleet}
    return tuple(rows), details, tuple(drives[tag] for tag in sorted(drives))
