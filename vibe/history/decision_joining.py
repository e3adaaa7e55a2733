"""Database and journal of a store held against each other: what one of them lost, the other gives back.

Rows are numbered from 1 without a gap, so that one which stands in neither is missed too. What cannot be given back is
recorded as lost, and is said until somebody acknowledges it.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from vibe.core.errors import CallError, OutputError
from vibe.history import decision_journal as journal
from vibe.history.decision_journal import BOOKED, JOURNAL, DecisionJournal
from vibe.history.store.decisions import DecisionBook
from vibe.history.store.incoming import refuse_link_out, settle
from vibe.history.store.layout import DAMAGED
from vibe.history.store.queries import now
from vibe.history.store.schema import DATABASE, GUARDS, explained

_REFERENCES = ("after", "withdraws")
_MOST_SAID = 20
"""Remarks of one kind; more are counted (our choice: a screen)."""


@dataclass(frozen=True, slots=True)
class StoreRemark:
    """Something about a place in a store."""

    where: str
    what: str


@dataclass(frozen=True, slots=True, kw_only=True)
class _Apart:
    """Where database and journal do not say the same, by table."""

    removed: Mapping[str, list[int]]
    """In the journal, not in the database."""
    altered: Mapping[str, dict[int, dict[str, Any]]]
    """What the journal says of rows that say something else now, in those columns."""
    unknown: Mapping[str, list[int]]
    """In the database, numbered below the journal's last, not in the journal."""
    newer: Mapping[str, list[int]]
    """In the database, above the journal's last."""
    gone: Mapping[str, list[int]]
    """In neither, and not recorded as lost."""


def compared(book: DecisionBook) -> tuple[list[StoreRemark], list[StoreRemark]]:
    """What is wrong between database and journal, and what is to be known. Changes nothing.

    Raises:
        CallError: the database is damaged. OutputError: the journal may not be read.
    """
    # In this order: a row is committed before its line is written.
    found = journal.read(book.folder)
    rows = _rows(book)
    wrong, known = list(_guards(book)), list[StoreRemark]()
    if not found.there:
        count = sum(len(of_table) for of_table in rows.values())
        if count:
            known.append(StoreRemark(JOURNAL, f"is not there: {_counted(rows)} stand once; the next one begins it"))
        return wrong + _of_gone(_apart(rows, found)), known
    apart = _apart(rows, found)
    wrong += _shortened([StoreRemark(JOURNAL, trouble) for trouble in found.troubles])
    wrong += _shortened(
        [
            StoreRemark(JOURNAL, f"{table} {id} ({_gist(found.rows[table][id])}) stands here and not in {DATABASE}")
            for table, ids in apart.removed.items()
            for id in ids
        ]
    )
    wrong += _shortened(
        [
            StoreRemark(DATABASE, f"{table} {id} was changed by another program: {_changes(rows[table][id], said)}")
            for table, ids in apart.altered.items()
            for id, said in ids.items()
        ]
    )
    wrong += _shortened(
        [
            StoreRemark(DATABASE, f"{table} {id} was put in by another program, or the journal has lost it")
            for table, ids in apart.unknown.items()
            for id in ids
        ]
    )
    wrong += _of_gone(apart)
    wrong += [StoreRemark(JOURNAL, str(line.says["text"]) + ACKNOWLEDGE) for line in found.lost(open_only=True)]
    known += [StoreRemark(JOURNAL, str(line.says["text"])) for line in _acknowledged(found)]
    known += _beginning(found)
    if any(apart.newer.values()):
        newer = {table: dict.fromkeys(ids) for table, ids in apart.newer.items()}
        known.append(StoreRemark(JOURNAL, f"does not have the last {_counted(newer)} yet; the next one adds them"))
    return wrong, known


ACKNOWLEDGE = "; `vibe history acknowledge` once you have taken note"


def open_losses(book: DecisionBook) -> list[str]:
    """What is lost for good and nobody has acknowledged."""
    return [str(line.says["text"]) for line in journal.read(book.folder).lost(open_only=True)]


def acknowledge(book: DecisionBook, by: str) -> list[str]:
    """Record that somebody took note of what is lost; what that was.

    Raises:
        CallError: no name. OutputError: it cannot be written.
    """
    if not by.strip():
        raise CallError("give the name of who takes note (--by): it will be read years later")
    lines = journal.read(book.folder).lost(open_only=True)
    if lines:
        says = {"of": [line.number for line in lines], "by": by, "at": now()}
        journal.append(book.folder, [("acknowledged", says)])
    return [str(line.says["text"]) for line in lines]


def join(book: DecisionBook, known: Mapping[str, int | None] | None = None) -> list[StoreRemark]:
    """Give back to database and journal what one of them lost, and say what was done.

    ``known`` is the highest number of each table that a damaged database showed, None where it showed nothing of a
    table that may have held rows.

    Raises:
        CallError: the database is damaged. OutputError: it cannot be written.
    """
    done: list[StoreRemark] = []
    found = journal.read(book.folder)
    if not found.there:
        book.begin_journal()
    rows = _rows(book)
    apart = _apart(rows, found, known)
    done += _guards_mended(book)
    restored = {table: len(apart.removed[table]) + len(apart.altered[table]) for table in BOOKED}
    if any(restored.values()):
        changed = [
            ("restored", {"table": table, "row": dict(rows[table][id]), "at": now()})
            for table in BOOKED
            for id in apart.altered[table]
        ]
        if changed:
            journal.append(book.folder, changed)
        _put_back(book, found, apart)
        said = ", ".join(f"{count} {table}{'s' * (count > 1)}" for table, count in restored.items() if count)
        done.append(StoreRemark(DATABASE, f"{said} given back from {JOURNAL}"))
    lost = list(_lost(apart, found, known))
    if found.troubles or any(apart.unknown.values()):
        done.append(_anew(book, found, lost))
    else:
        journal.catch_up(book.folder, {table: book.rows_above(table) for table in BOOKED})
        if lost:
            journal.append(book.folder, lost)
    done += [StoreRemark(DATABASE, says["text"]) for _, says in lost]
    return done


def _rows(book: DecisionBook) -> dict[str, dict[int, dict[str, Any]]]:
    return {table: {row["id"]: row for row in book.rows_above(table)(0)} for table in BOOKED}


def _apart(
    rows: Mapping[str, Mapping[int, Mapping[str, Any]]],
    found: DecisionJournal,
    known: Mapping[str, int | None] | None = None,
) -> _Apart:
    removed, altered, unknown, newer, gone = ({} for _ in range(5))  # type: ignore[var-annotated]
    for table, names in BOOKED.items():
        there, said, last = rows[table], found.rows[table], found.highest(table)
        removed[table] = sorted(said.keys() - there.keys())
        altered[table] = {}
        for id in sorted(said.keys() & there.keys()):
            other = {
                name: said[id][name]
                for name in names
                if name in said[id] and said[id][name] != there[id][name]
                # Of a decision that is lost nobody can say that it is the one before.
                and not (name in _REFERENCES and there[id][name] is None and said[id][name] not in there)
            }  # fmt: skip
            if other and (table, id) not in found.doubtful:
                altered[table][id] = other
        unknown[table] = sorted(id for id in there.keys() - said.keys() if id <= last) if found.there else []
        newer[table] = sorted(id for id in there.keys() - said.keys() if id > last) if found.there else []
        # A damaged database is asked how far it went only where the journal cannot tell.
        showed = 0 if found.is_whole else (known or {}).get(table) or 0
        highest = max(last, showed, *there, *said)
        gone[table] = sorted(set(range(1, highest + 1)) - there.keys() - said.keys() - found.lost_ids(table))
    return _Apart(removed=removed, altered=altered, unknown=unknown, newer=newer, gone=gone)


def _put_back(book: DecisionBook, found: DecisionJournal, apart: _Apart) -> None:
    """Rows that were removed, and columns that were changed, as the journal has them."""
    with explained(book.folder / DATABASE):
        run = book.connection.execute
        run("PRAGMA foreign_keys = OFF")  # outside of a transaction; verify looks at them
        run("BEGIN IMMEDIATE")
        try:
            for table in BOOKED:
                for id in apart.removed[table]:
                    _insert(book, table, found.rows[table][id])
                if apart.altered[table]:
                    # The guard against changes, in the transaction that undoes one.
                    run(f"DROP TRIGGER IF EXISTS {table}_is_never_changed")
                    for id, said in apart.altered[table].items():
                        names = ", ".join(f"{name} = ?" for name in said)
                        run(f"UPDATE {table} SET {names} WHERE id = ?", (*said.values(), id))
                    run(GUARDS[f"{table}_is_never_changed"])
            run("COMMIT")
        except BaseException:
            if book.connection.in_transaction:
                run("ROLLBACK")
            raise
        finally:
            run("PRAGMA foreign_keys = ON")


def _insert(book: DecisionBook, table: str, said: Mapping[str, Any]) -> None:
    names = [name for name in BOOKED[table] if name in said]
    if table == "decision":
        drive, cause, opened_at = said.get("about") or ("", "not known", said["at"])
        book.connection.execute(
            "INSERT INTO alarm VALUES (?, ?, ?, ?, NULL, '{}') ON CONFLICT DO NOTHING",
            (said["alarm"], drive, cause, opened_at),
        )
    marks = ",".join("?" * len(names))
    book.connection.execute(
        f"INSERT INTO {table} ({', '.join(names)}) VALUES ({marks})", [said[name] for name in names]
    )


def _lost(
    apart: _Apart, found: DecisionJournal, known: Mapping[str, int | None] | None
) -> Iterator[tuple[str, dict[str, Any]]]:
    """Lines about what nothing can give back."""
    for table, ids in apart.gone.items():
        says: dict[str, Any] = {"table": table, "ids": ids, "at": now()}
        if ids:
            count = f"1 {table} is" if len(ids) == 1 else f"{len(ids)} {table}s are"
            yield "lost", says | {"text": f"{count} lost, found {now()[:10]}: number {_spans(ids)}"}
        elif known is not None and known.get(table, 0) is None and not found.is_whole:
            text = f"{table}s may be lost, found {now()[:10]}: nothing shows how many there were"
            text += f" after number {found.highest(table)}" if found.highest(table) else ""
            yield "lost", says | {"text": text}
        # Read out of damage, with nothing to compare: a turned bit may have made another word of it.
        unsure = sorted({*apart.unknown[table], *apart.newer[table]}) if known and not found.is_whole else []
        if unsure:
            text = (
                f"{table} {_spans(unsure)} may say what was never written, found {now()[:10]}: read from the damaged "
            )
            yield "lost", says | {"ids": [], "text": f"{text}database, with no whole line in the journal to compare"}


def _anew(book: DecisionBook, found: DecisionJournal, lost: Sequence[tuple[str, Mapping[str, Any]]]) -> StoreRemark:
    """The journal once more, from what it and the database have; the old one is set aside."""
    refuse_link_out(book.folder, DAMAGED)
    folder = book.folder / DAMAGED
    try:
        folder.mkdir(exist_ok=True)
        number = 1
        while (place := folder / f"decisions-{number}.jsonl").exists():
            number += 1
        kept = [(line.what, line.says) for line in found.lines if line.what == "restored"]
        open_ones = [(line.what, line.says) for line in found.lost(open_only=True)]
        noted = [("lost", {**line.says, "noted": True}) for line in _acknowledged(found)]
        begun = book.journal_anew(before_it=f"{DAMAGED}/{place.name}")
        lines: list[tuple[str, Mapping[str, Any]]] = [*begun, *kept, *noted]
        if noted:
            numbers = list(range(len(lines) - len(noted) + 1, len(lines) + 1))
            lines.append(("acknowledged", {"of": numbers, "by": "", "at": now()}))
        journal.replace_whole(book.folder, [*lines, *open_ones, *lost], place)
        settle(folder)
    except OSError as error:
        raise OutputError(f"cannot quarantine {JOURNAL}: {(error.strerror or str(error)).lower()}") from error
    why = found.troubles[0] if found.troubles else "rows of the database were missing in it"
    return StoreRemark(JOURNAL, f"{why}; quarantined in {DAMAGED}/{place.name}, and begun anew with all that is known")


def _guards(book: DecisionBook) -> Iterator[StoreRemark]:
    there = {row[0] for row in book.rows("SELECT name FROM sqlite_master WHERE type = 'trigger'")}
    for name in GUARDS.keys() - there:
        yield StoreRemark(DATABASE, f"the guard {name} was removed by another program")


def _guards_mended(book: DecisionBook) -> list[StoreRemark]:
    missing = list(_guards(book))
    there = {row[0] for row in book.rows("SELECT name FROM sqlite_master WHERE type = 'trigger'")}
    for name in GUARDS.keys() - there:
        book.rows(GUARDS[name])
    return [StoreRemark(one.where, f"{one.what}; put back") for one in missing]


def _acknowledged(found: DecisionJournal) -> list[journal.JournalLine]:
    still = {line.number for line in found.lost(open_only=True)}
    return [line for line in found.lost(open_only=False) if line.number not in still]


def _beginning(found: DecisionJournal) -> Iterator[StoreRemark]:
    """Of rows that were there before the journal nobody can say what they were before."""
    for line in found.lines[:1]:
        before = line.says.get("before", {}) if line.what == "begun" else {}
        if any(before.values()):
            rows = {table: range(count) for table, count in before.items()}
            more = f"; the one before it is {line.says['before_it']}" if "before_it" in line.says else ""
            yield StoreRemark(
                JOURNAL, f"began on {str(line.says.get('at'))[:10]}, when {_counted(rows)} stood already{more}"
            )


def _of_gone(apart: _Apart) -> list[StoreRemark]:
    return [
        StoreRemark(DATABASE, f"of {table}s number {_spans(ids)} {'is' if len(ids) == 1 else 'are'} missing")
        for table, ids in apart.gone.items()
        if ids
    ]


def _shortened(remarks: list[StoreRemark]) -> list[StoreRemark]:
    if len(remarks) <= _MOST_SAID:
        return remarks
    more = len(remarks) - _MOST_SAID
    return [*remarks[:_MOST_SAID], StoreRemark(remarks[0].where, f"and {more} more like this")]


def _counted(rows: Mapping[str, Any]) -> str:
    parts = [f"{len(of_table)} {table}{'s' * (len(of_table) != 1)}" for table, of_table in rows.items() if of_table]
    return " and ".join(parts)


def _gist(row: Mapping[str, Any]) -> str:
    words = [row.get("drive") or row.get("alarm"), row.get("kind") or row.get("verdict"), row.get("by")]
    return ", ".join(re.sub(r"\s+", " ", str(word))[:40] for word in words if word)


def _changes(row: Mapping[str, Any], said: Mapping[str, Any]) -> str:
    return "; ".join(f"{name} was {str(was)[:60]!r} and is {str(row[name])[:60]!r}" for name, was in said.items())


def _spans(ids: Sequence[int]) -> str:
    """1, 4 to 7, ..."""
    spans: list[list[int]] = []
    for id in ids:
        if spans and id == spans[-1][1] + 1:
            spans[-1][1] = id
        else:
            spans.append([id, id])
    texts = [str(a) if a == b else f"{a} to {b}" for a, b in spans]
    return ", ".join(texts[:_MOST_SAID]) + (" and more" if len(texts) > _MOST_SAID else "")
