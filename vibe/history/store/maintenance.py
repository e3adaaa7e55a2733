"""Whether a store is whole, what can be mended of it, and which samples it may let go."""

from __future__ import annotations

import re
import sqlite3
from collections import Counter
from collections.abc import Iterator, Mapping
from contextlib import closing
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from vibe.core.errors import CallError, CaptureError, OutputError
from vibe.history.decision_joining import StoreRemark, compared
from vibe.history.decision_journal import JOURNAL
from vibe.history.store import capture_file
from vibe.history.store.incoming import INCOMING, abandoned, digest, refuse_link_out, settle, sweep
from vibe.history.store.layout import CAPTURES, DAMAGED
from vibe.history.store.queries import is_content
from vibe.history.store.schema import DATABASE, damaged, explained
from vibe.history.store.store import Store
from vibe.storage.regular import leads_out


@dataclass(frozen=True, slots=True, kw_only=True)
class Verified:
    """What a look at everything found. ``wrong`` can be mended or must be known; ``known`` was recorded before."""

    captures: int
    wrong: tuple[StoreRemark, ...]
    known: tuple[StoreRemark, ...]


def verify(store: Store) -> Verified:
    """Read every file and every hash, and have the database look at itself. Changes nothing."""
    wrong = list(_database(store))
    known: list[StoreRemark] = []
    try:
        try:
            apart, known = compared(store)
        except OutputError as error:
            apart = [StoreRemark(JOURNAL, str(error))]
        wrong += apart + [StoreRemark(DATABASE, _OUTSIDE.format(name)) for name in _outside(store)]
        contents = [(one.content, one.waveform) for one in store.captures() if is_content(one.content)]
        counted = store.counted()
    except CallError as error:
        return Verified(captures=0, wrong=(*wrong, StoreRemark(DATABASE, str(error))), known=())
    for content, waveform in contents:
        if leads_out(store.path_of(content), store.folder / CAPTURES):
            wrong.append(StoreRemark(_name(store, store.path_of(content)), "leads out of the history by a link"))
            continue
        where = _name(store, store.path_of(content))
        trouble = _against_row(store, content)
        if waveform == "lost" and not trouble:
            known.append(StoreRemark(where, "is lost; its levels and report are kept"))
        elif trouble or (trouble := _rows_against_file(store, content, counted)):
            wrong.append(StoreRemark(where, trouble))
    wrong += [
        StoreRemark(_name(store, path), "has no row in the database: left by an interrupted process")
        for path in _without_row(store)
    ]
    wrong += [StoreRemark(_name(store, place), "left by an interrupted process") for place in abandoned(store.folder)]
    linked = [name for name in (INCOMING, DAMAGED) if leads_out(store.folder / name, store.folder)]
    wrong += [StoreRemark(name, _LINKED) for name in linked]
    return Verified(captures=len(contents), wrong=tuple(wrong), known=tuple(known))


def repair(store: Store) -> tuple[StoreRemark, ...]:
    """Repair what can be repaired, and say what was done. What is damaged is quarantined, never deleted.

    Raises:
        CallError: the database is damaged beyond that; ``rescue.repaired`` begins a new one.
    """
    swept = _LINK_GONE if leads_out(store.folder / INCOMING, store.folder) else "swept away"
    done = [StoreRemark(_name(store, place), swept) for place in sweep(store.folder)]
    done += _without_outside(store)
    done += [_indexed(store, path) for path in _without_row(store)]
    counted = store.counted()
    for one in store.captures():
        path = store.path_of(one.content)
        if leads_out(path, store.folder / CAPTURES):
            done.append(_unlinked(store, path, one.content))
            continue
        trouble = _against_row(store, one.content)
        if trouble:
            done.append(_settled(store, one.content, one.waveform, trouble))
        elif one.waveform != "lost" and (trouble := _rows_against_file(store, one.content, counted)):
            store.index(store.path_of(one.content))
            done.append(StoreRemark(_name(store, store.path_of(one.content)), f"{trouble}; rebuilt from it"))
    return tuple(done)


_LINKED = "leads out of the history by a link; nothing is done there"
_LINK_GONE = "led out of the history by a link; the link was removed, what it led to was left alone"
_OUTSIDE = "a capture's row names no file of the history ({})"


def _outside(store: Store) -> list[str]:
    """What rows say in the place of a hash: the name made of it may lie anywhere."""
    return [str(name)[:60] for (name,) in store.rows("SELECT content FROM capture") if not is_content(name)]


def _without_outside(store: Store) -> list[StoreRemark]:
    """Let go of rows that point outside, after a copy of the database was set aside. What file they had is taken in
    again by its own name."""
    found = _outside(store)
    if not found:
        return []
    place = new_quarantine(store.folder)
    with closing(sqlite3.connect(place / DATABASE)) as copy, explained(store.folder / DATABASE):
        store.connection.backup(copy)
    settle(place)
    store.drop_rows([id for id, name in store.rows("SELECT id, content FROM capture") if not is_content(name)])
    where = f"{DAMAGED}/{place.name}"
    return [
        StoreRemark(DATABASE, f"{_OUTSIDE.format(name)}; removed, a copy of the database is quarantined in {where}")
        for name in found
    ]


def new_quarantine(folder: Path) -> Path:
    """A new folder for a database that is set aside. Raises: OutputError where it cannot be made."""
    refuse_link_out(folder, DAMAGED)
    try:
        (folder / DAMAGED).mkdir(exist_ok=True)
        number = 1
        while (place := folder / DAMAGED / f"database-{number}").exists():
            number += 1
        place.mkdir()
    except OSError as error:
        raise OutputError(f"cannot make {DAMAGED} in {folder}: {(error.strerror or str(error)).lower()}") from error
    return place


def _unlinked(store: Store, path: Path, content: str) -> StoreRemark:
    """A file that lies elsewhere is not the history's: the link is left as it is, and the capture counts as lost."""
    store.say_of_file(content, "lost", "")
    return StoreRemark(
        _name(store, path), "leads out of the history by a link; left alone, and the capture is recorded as lost"
    )


def mend_indexes(store: Store) -> list[StoreRemark]:
    """Make the database's indexes anew where it complains about itself.

    Raises:
        CallError: it still complains.
    """
    found = list(_database(store))
    if not found:
        return []
    store.rows("REINDEX")
    left = list(_database(store))
    if left:
        raise damaged(store.folder / DATABASE, left[0].what)
    return [StoreRemark(DATABASE, f"{found[0].what}; its indexes were rebuilt")]


def _indexed(store: Store, path: Path) -> StoreRemark:
    where = _name(store, path)
    trouble = capture_file.harm(path)
    if trouble:
        return StoreRemark(where, f"{trouble}; {_quarantine(store, path)}")
    store.index(path)
    return StoreRemark(where, "added to the database again")


def _settled(store: Store, content: str, waveform: str, trouble: str) -> StoreRemark:
    """Make row and file of one capture agree."""
    path = store.path_of(content)
    where = _name(store, path)
    if not path.exists():
        store.say_of_file(content, "lost", "")
        return StoreRemark(where, "recorded as lost; add the capture again to restore it")
    now = "" if capture_file.harm(path) else "kept" if capture_file.has_samples(path) else "thinned"
    if now and now != waveform:
        # A process was ended between the change of the file and that of the row.
        store.say_of_file(content, now, digest(path))
        return StoreRemark(where, f"recorded as {now}")
    quarantined = _quarantine(store, path)
    store.say_of_file(content, "lost", "")
    return StoreRemark(where, f"{trouble}; {quarantined}, and recorded as lost; add the capture again to restore it")


def _quarantine(store: Store, path: Path) -> str:
    refuse_link_out(store.folder, DAMAGED)
    try:
        (store.folder / DAMAGED).mkdir(exist_ok=True)
        path.replace(store.folder / DAMAGED / path.name)
    except OSError as error:
        raise OutputError(f"cannot quarantine {path}: {(error.strerror or str(error)).lower()}") from error
    return f"quarantined in {DAMAGED}"


def _of_itself(store: Store) -> Iterator[StoreRemark]:
    for (line,) in store.rows("PRAGMA integrity_check"):
        if line != "ok":
            yield StoreRemark(DATABASE, f"is damaged: {' '.join(str(line).split())}")


def _database(store: Store) -> Iterator[StoreRemark]:
    try:
        yield from _of_itself(store)
        for table, *_ in store.rows("PRAGMA foreign_key_check"):
            yield StoreRemark(DATABASE, f"the table {table} refers to a missing row")
        store.drives()
        store.events()
        store.alarms(open_only=False)
        store.decisions()
    except CallError as error:
        yield StoreRemark(DATABASE, str(error))


def _rows_against_file(store: Store, content: str, counted: Mapping[int, int]) -> str:
    """Whether the rows of a capture, whose file is the one that was kept, say what that file says."""
    try:
        return store.amiss(capture_file.read_rows(store.path_of(content))[0], counted)
    except CaptureError as error:
        return error.reason if store.path_of(content).exists() else ""  # gone meanwhile


def _against_row(store: Store, content: str) -> str:
    """What is wrong with a capture's file by what its row says of it; empty when nothing is."""
    path = store.path_of(content)
    trouble = ""
    for look in range(3):  # another process may change file and row while we look
        if look and store.may_write:
            store.wait_for_others()
        rows = store.rows("SELECT waveform, file_sha256 FROM capture WHERE content = ?", content)
        if not rows:
            return ""
        waveform, sha256 = rows[0]
        try:
            there = digest(path)
        except FileNotFoundError:
            trouble = "" if waveform == "lost" else "is missing"
        except OSError as error:
            trouble = f"cannot be read: {(error.strerror or str(error)).lower()}"
        else:
            if waveform == "lost":
                trouble = "found again"
            else:
                trouble = "" if there == sha256 else capture_file.harm(path) or "is not the file that was kept"
        if not trouble:
            return ""
    return trouble


def _without_row(store: Store) -> list[Path]:
    inside = store.folder / CAPTURES
    files = sorted(path for path in inside.glob("??/*.h5") if not leads_out(path, inside))
    rows = {row[0] for row in store.rows("SELECT content FROM capture")}
    open_ones = [path for path in files if capture_file.path_content(path) not in rows]
    if open_ones and store.may_write:
        # Wait until who is adding just now has committed.
        store.wait_for_others()
        rows = {row[0] for row in store.rows("SELECT content FROM capture")}
    return [path for path in open_ones if capture_file.path_content(path) not in rows]


def _name(store: Store, path: Path) -> str:
    return path.relative_to(store.folder).as_posix()


@dataclass(frozen=True, slots=True, kw_only=True)
class Thinned:
    """What retention did: captures whose samples went, the bytes that this freed, what stayed and why."""

    captures: int
    freed_bytes: int
    spared: dict[str, int]
    troubles: tuple[StoreRemark, ...]


def thin(store: Store, *, before: datetime, keep_first: bool = False, dry: bool = False) -> Thinned:
    """Let the samples of captures from before ``before`` go; levels, spectra and reports stay.

    Spared are captures in whose own report something was found, and captures that an open alarm names in its facts;
    with ``keep_first`` also the first accepted capture of each drive and the first after each event that starts a new
    baseline. With ``dry`` nothing is changed.
    """
    spared: Counter[str] = Counter()
    troubles: list[StoreRemark] = []
    count = freed = 0
    reasons = _reasons_to_spare(store, keep_first=keep_first)
    for one in store.captures(until=before):
        if one.waveform != "kept":
            continue
        if one.content in reasons:
            spared[reasons[one.content]] += 1
            continue
        try:
            path = store.path_of(one.content)
            store.refuse_outside(path)
        except (CallError, OutputError) as error:
            troubles.append(StoreRemark(DATABASE, str(error)))
            continue
        try:
            bare = capture_file.packed(capture_file.read_record(path), ())
            freed += path.stat().st_size - len(bare)
        except (CaptureError, OSError) as error:
            troubles.append(StoreRemark(_name(store, path), str(error)))
            continue
        count += 1
        if not dry:
            store.replace_file(one.content, bare)
    return Thinned(captures=count, freed_bytes=freed, spared=dict(spared), troubles=tuple(troubles))


def _reasons_to_spare(store: Store, *, keep_first: bool) -> dict[str, str]:
    reasons: dict[str, str] = {}
    if keep_first:
        for drive in store.drives():
            accepted = [one for one in store.captures(drive.tag) if one.kept == "accepted"]
            starts = [event.at.timestamp() for event in store.events(drive.tag) if event.new_baseline]
            for start in (float("-inf"), *starts):
                first = next((one.content for one in accepted if one.time_s >= start), None)
                if first is not None:
                    reasons[first] = "the first of a baseline"
    for alarm in store.alarms(open_only=True):
        reasons |= dict.fromkeys(re.findall(r"\b[0-9a-f]{8,128}\b", alarm.facts), "named by an open alarm")
    found = store.findings()
    reasons |= {one.content: "there is a weak sign in it" for one in found if one.weak_sign}
    return reasons | {one.content: "something was found in it" for one in found if not one.weak_sign}
