"""Whether a store is whole, what can be mended of it, and which samples it may let go."""

from __future__ import annotations

import re
import sqlite3
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from vibe.core.errors import CaptureError, OutputError
from vibe.history import waveforms
from vibe.history.incoming import abandoned, digest, put_down, sweep
from vibe.history.layout import CAPTURES, DAMAGED
from vibe.history.schema import DATABASE
from vibe.history.store import Store


@dataclass(frozen=True, slots=True)
class Told:
    """Something about a place in a store."""

    where: str
    what: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Verified:
    """What a look at everything found. ``wrong`` can be mended or must be known; ``known`` was put down before."""

    captures: int
    wrong: tuple[Told, ...]
    known: tuple[Told, ...]


def verify(store: Store) -> Verified:
    """Read every file and every hash, and have the database look at itself. Changes nothing."""
    wrong = list(_database(store))
    known: list[Told] = []
    contents = [(one.content, one.waveform) for one in store.captures()]
    for content, waveform in contents:
        where = _name(store, store.path_of(content))
        trouble = _against_row(store, content)
        if waveform == "lost" and not trouble:
            known.append(Told(where, "is lost; its levels and report are kept"))
        elif trouble:
            wrong.append(Told(where, trouble))
    wrong += [
        Told(_name(store, path), "has no row in the database: left by a process that was ended")
        for path in _without_row(store)
    ]
    wrong += [Told(_name(store, place), "left by a process that was ended") for place in abandoned(store.folder)]
    return Verified(captures=len(contents), wrong=tuple(wrong), known=tuple(known))


def repair(store: Store) -> tuple[Told, ...]:
    """Mend what can be mended, and say what was done. What is damaged is set aside, never thrown away."""
    done = [Told(_name(store, place), "swept away") for place in sweep(store.folder)]
    done += [_indexed(store, path) for path in _without_row(store)]
    for one in store.captures():
        trouble = _against_row(store, one.content)
        if trouble:
            done.append(_settled(store, one.content, one.waveform, trouble))
    return tuple(done)


def _indexed(store: Store, path: Path) -> Told:
    where = _name(store, path)
    trouble = waveforms.harm(path)
    if trouble:
        return Told(where, f"{trouble}; {_set_aside(store, path)}")
    store.index(path)
    return Told(where, "taken into the database again")


def _settled(store: Store, content: str, waveform: str, trouble: str) -> Told:
    """Make row and file of one capture agree."""
    path = store.path_of(content)
    where = _name(store, path)
    if not path.exists():
        store.say_of_file(content, "lost", "")
        return Told(where, "put down as lost; add the capture again to bring it back")
    now = "" if waveforms.harm(path) else "kept" if waveforms.has_samples(path) else "thinned"
    if now and now != waveform:
        # A process was ended between the change of the file and that of the row.
        store.say_of_file(content, now, digest(path))
        return Told(where, f"put down as {now}")
    aside = _set_aside(store, path)
    store.say_of_file(content, "lost", "")
    return Told(where, f"{trouble}; {aside}, and put down as lost; add the capture again to bring it back")


def _set_aside(store: Store, path: Path) -> str:
    try:
        (store.folder / DAMAGED).mkdir(exist_ok=True)
        path.replace(store.folder / DAMAGED / path.name)
    except OSError as error:
        raise OutputError(f"cannot set {path} aside: {(error.strerror or str(error)).lower()}") from error
    return f"set aside in {DAMAGED}"


def _database(store: Store) -> Iterator[Told]:
    try:
        for (line,) in store.rows("PRAGMA integrity_check"):
            if line != "ok":
                yield Told(DATABASE, f"is damaged: {line}")
        for table, *_ in store.rows("PRAGMA foreign_key_check"):
            yield Told(DATABASE, f"the table {table} speaks of a row that is not there")
    except sqlite3.Error as error:
        yield Told(DATABASE, f"is damaged: {error}")
    for (content,) in store.rows("SELECT content FROM capture WHERE id NOT IN (SELECT capture FROM health)"):
        yield Told(DATABASE, f"the report of capture {content} is missing")


def _against_row(store: Store, content: str) -> str:
    """What is wrong with a capture's file by what its row says of it; empty when nothing is."""
    path = store.path_of(content)
    trouble = ""
    for _ in range(2):  # another process may change file and row while we look
        rows = store.rows("SELECT waveform, file_sha256 FROM capture WHERE content = ?", content)
        waveform, sha256 = rows[0]
        try:
            there = digest(path)
        except FileNotFoundError:
            trouble = "" if waveform == "lost" else "is missing"
        except OSError as error:
            trouble = f"cannot be read: {(error.strerror or str(error)).lower()}"
        else:
            if waveform == "lost":
                trouble = "is there again"
            else:
                trouble = "" if there == sha256 else waveforms.harm(path) or "is not the file that was kept"
        if not trouble:
            return ""
    return trouble


def _without_row(store: Store) -> list[Path]:
    files = sorted((store.folder / CAPTURES).glob("??/*.h5"))
    rows = {row[0] for row in store.rows("SELECT content FROM capture")}
    open_ones = [path for path in files if waveforms.path_content(path) not in rows]
    if open_ones and store.may_write:
        # Wait until who is adding just now has committed.
        store.wait_for_others()
        rows = {row[0] for row in store.rows("SELECT content FROM capture")}
    return [path for path in open_ones if waveforms.path_content(path) not in rows]


def _name(store: Store, path: Path) -> str:
    return path.relative_to(store.folder).as_posix()


@dataclass(frozen=True, slots=True, kw_only=True)
class Thinned:
    """What retention did: captures whose samples went, the bytes that this freed, what stayed and why."""

    captures: int
    freed_bytes: int
    spared: dict[str, int]
    troubles: tuple[Told, ...]


def thin(store: Store, *, before: datetime, keep_first: bool = False, dry: bool = False) -> Thinned:
    """Let the samples of captures from before ``before`` go; levels, spectra and reports stay.

    Spared are captures in whose own report something was found, and captures that an open alarm names in its facts;
    with ``keep_first`` also the first accepted capture of each drive and the first after each event that starts a new
    baseline. With ``dry`` nothing is changed.
    """
    spared: Counter[str] = Counter()
    troubles: list[Told] = []
    count = freed = 0
    reasons = _reasons_to_spare(store, keep_first=keep_first)
    for one in store.captures(until=before):
        if one.waveform != "kept":
            continue
        if one.content in reasons:
            spared[reasons[one.content]] += 1
            continue
        path = store.path_of(one.content)
        try:
            bare = waveforms.packed(waveforms.read_record(path), ())
            freed += path.stat().st_size - len(bare)
        except (CaptureError, OSError) as error:
            troubles.append(Told(_name(store, path), str(error)))
            continue
        count += 1
        if not dry:
            part = store.workplace() / f"{one.content}.h5.part"
            put_down(part, bare)
            store.replace_file(one.content, part)
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
    return reasons | {found.content: "something was found in it" for found in store.findings()}
