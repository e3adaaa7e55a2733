"""A queue brought up to date equals one from scratch, row by row and fact by fact, whatever was added in between."""

from __future__ import annotations

import json
import random
import zlib
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from math import nan
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from tests.alarm_stores import START, add, damaged, fill, finding, sound
from tests.flow.test_kept_looks import changed_at_random
from vibe.core.records.history import Event, SeriesKey
from vibe.flow.alarms.queue import decide
from vibe.flow.cases import judged_again, rows
from vibe.flow.cases.judged import JudgedStore, judge, kept
from vibe.flow.cases.judged_again import judge_again
from vibe.flow.cases.sister_notes import packed_notes, unpacked_notes
from vibe.flow.settings import share_dir
from vibe.history.population.concerned import Concerned, concerned_by
from vibe.history.settings import HistorySettings
from vibe.history.sister_book import SisterBook, SisterNote
from vibe.history.store.judged import JUDGED
from vibe.history.store.store import Store
from vibe.ingest import load_model

WEEKS = 14
AT = START + timedelta(weeks=WEEKS, hours=1)


@pytest.fixture(autouse=True)
def in_part_whenever_that_is_possible(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(judged_again, "_SHARE_AT_ONCE", 1.0)


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Six drives of two kinds: one damaged, two that grow together, three sound; judged and kept."""
    folder = tmp_path_factory.mktemp("judged") / "history"
    with Store.open(folder, create=True) as store:
        for number in range(6):
            grows = number in (0, 3, 4)
            fill(store, f"TH-0{number}", weeks=WEEKS, lobes=17 if number < 3 else 19, seed=number,
                 levels=(lambda week, n=number: damaged(week, n, begins=4)) if grows else None,
                 findings=lambda week, n=number: [finding()] if n == 0 and week > 8 else [])  # fmt: skip
    judge(folder, "x", at=AT)
    return folder


@pytest.fixture
def store(made: Path, tmp_path: Path) -> Iterator[Store]:
    import shutil

    with Store.open(Path(shutil.copytree(made, tmp_path / "history"))) as opened:
        yield opened


def said_by(found: JudgedStore) -> Any:
    """All that a judgement says, in one order; whom of its sisters a case names is as of when it was judged itself."""
    details = {name: json.loads(zlib.decompress(packed)) | {"sisters": 0} for name, packed in found.details.items()}
    in_order = sorted(found.rows, key=lambda row: row.id)
    return replace(found, rows=tuple(in_order), details={}, said="", judged=0), details


def scratch(store: Store) -> Any:
    held = (store.folder / JUDGED).read_bytes()
    (store.folder / JUDGED).unlink()
    found = said_by(judge(store.folder, "x", at=AT, keeps=False))
    (store.folder / JUDGED).write_bytes(held)
    return found


def again(store: Store) -> JudgedStore:
    before = kept(store.folder, "x")
    assert before is not None
    return judge_again(store.folder, "x", before, at=AT)


def test_what_is_kept_is_what_was_judged(store: Store) -> None:
    before = kept(store.folder, "x")
    assert before is not None
    assert said_by(before) == scratch(store)
    assert again(store).judged == 0


def test_a_capture_of_a_sound_drive_costs_that_drive(store: Store) -> None:
    for minutes in (1, 2):
        add(store, "TH-05", WEEKS - 1, sound(WEEKS - 1, 5), minutes=minutes)
        found = again(store)
        assert found.judged < 6
        assert said_by(found) == scratch(store)
        assert said_by(kept(store.folder, "x")) == said_by(found)  # type: ignore[arg-type]


HISTORY = load_model(share_dir() / "configs" / "history.toml", HistorySettings)
PLACE = ("input side", "hit", "stage1.lobe")


def note_of(drive: str, growth_db: float | None, baseline: float = 0.0, below: float = nan) -> SisterNote:
    point, measure, subject = PLACE
    key = SeriesKey(drive=drive, point=point, measure=measure, subject=subject)
    return SisterNote(
        key=key, unit="m/s²", baselines=((24.3, nan, baseline, 0.5, 5.0),), growth_db=growth_db, state="", current=0,
        raised_below=below,
    )  # fmt: skip


def book_of(*notes: SisterNote) -> SisterBook:
    book = SisterBook(HISTORY)
    for note in notes:
        book.put("kind", note)
    return book


def concerned(was: SisterNote, now: SisterNote, *sisters: SisterNote, asks: str = "ABCD") -> Concerned:
    return concerned_by(
        {"X"}, book_of(was, *sisters), book_of(now, *sisters), "kind", dict.fromkeys(asks, (PLACE,)), HISTORY,
        share=0.5, least_db=1.0,
    )  # fmt: skip


@pytest.mark.parametrize(
    ("was", "now", "judged"),
    [
        (1.0, 1.9, set()), (1.0, 2.0, {"A"}), (4.9, 5.1, {"B"}), (1.0, 9.0, {"A", "B"}), (9.0, 8.0, set()),
        (None, 0.1, {"A", "B"}), (3.0, None, {"A", "B"}), (None, None, set()),
    ],
)  # fmt: skip
def test_a_sister_is_concerned_where_it_changes_how_many_rose_as_it_did(
    was: float | None, now: float | None, judged: set[str]
) -> None:
    sisters = [note_of(name, grown) for name, grown in (("A", 4.0), ("B", 10.0), ("C", 0.9), ("D", None))]
    found = concerned(note_of("X", was), note_of("X", now), *sisters)
    assert found.judge == judged
    assert not found.limits
    assert not concerned(note_of("X", was), note_of("X", now), *sisters, asks="").judge


def test_a_sister_whose_limits_another_baseline_moves_is_judged_where_they_raise_something() -> None:
    levels = {"A": -1.0, "B": 0.0, "C": 1.0, "D": 0.5, "E": -0.5}
    wide, narrow = note_of("X", None, 4.0), note_of("X", None, 0.2)
    quiet = [note_of(name, None, level, below=0.5) for name, level in levels.items()]
    found = concerned(wide, narrow, *quiet)
    assert not found.judge
    assert found.limits == {name: {PLACE} for name in levels}
    assert not concerned(wide, note_of("X", 3.0, 4.0), *quiet).limits
    first = book_of(narrow, *quiet).limits("kind", quiet[0].key, baseline_of(-1.0))
    limit = next(one.value for one in first if one.kind == "alarm")
    for below, judged in ((0.999 * limit, set()), (1.001 * limit, {"A"})):
        loud = [note_of("A", None, -1.0, below=below), *quiet[1:]]
        assert concerned(wide, narrow, *loud).judge == judged
        assert concerned(narrow, wide, *loud).judge == judged


def baseline_of(level_db: float) -> Any:
    condition = SimpleNamespace(speed_hz=24.3, load_percent=None)
    return SimpleNamespace(condition=condition, level_db=level_db, spread_db=0.5, n_effective=5.0)


def test_notes_come_back_to_the_last_bit() -> None:
    notes = [note_of("X", 1 / 3, 0.1 + 0.2), note_of("X", None, below=1.1)]
    assert repr(unpacked_notes("X", packed_notes(notes))) == repr(tuple(notes))
    for harm in (packed_notes(notes)[:-5], zlib.compress(b"no notes"), zlib.compress(b"\2\0\0\0[]" + bytes(8))):
        with pytest.raises(ValueError, match="no notes of X"):
            unpacked_notes("X", harm)


def test_a_new_baseline_moves_limits_of_sisters(store: Store) -> None:
    store.add_event(Event(drive="TH-01", at=START + timedelta(weeks=3), kind="repair", new_baseline=True))
    found = again(store)
    assert said_by(found) == scratch(store)


def test_what_was_added_is_shown_before_all_that_it_concerns_is_judged(store: Store) -> None:
    before = kept(store.folder, "x")
    assert before is not None
    event = Event(drive="TH-03", at=START + timedelta(weeks=3), kind="repair", new_baseline=True)
    store.add_event(event)
    add(store, "TH-00", WEEKS - 1, damaged(WEEKS - 1, 0, begins=4), findings=[finding()], minutes=1)
    first = judge_again(store.folder, "x", before, at=AT, first_only_from=2)
    assert (first.behind, first.judged) == (2, 2)
    assert first.waiting == {"TH-03", "TH-04"}  # TH-03 shares a row, which waits for the other one
    assert first.change == before.change
    assert (store.folder / JUDGED).is_file()
    assert (kept(store.folder, "x") or first).change == before.change
    whole = judge_again(store.folder, "x", before, at=AT)
    assert whole.waiting == frozenset()
    assert said_by(whole) == scratch(store)
    # Whatever is not marked as waiting stands as it does in the end.
    here, there = (
        {(row.id, row.urgency, row.state, row.title) for row in one.rows if not first.waits(row)}
        for one in (first, whole)
    )
    assert here == there
    fault = {row.id: row for row in whole.rows if row.drives == ("TH-00",) and row.severity}
    assert fault
    assert {row.id: row for row in first.rows if row.id in fault} == fault


def test_what_was_dated_ahead_counts_when_its_time_comes(store: Store) -> None:
    when = AT + timedelta(minutes=5)
    store.add_event(Event(drive="TH-00", at=when, kind="repair", new_baseline=True))
    found = again(store)
    assert found.until_s == when.timestamp()
    later = judge_again(store.folder, "x", found, at=when + timedelta(seconds=1))
    (store.folder / JUDGED).unlink()
    assert said_by(later) == said_by(judge(store.folder, "x", at=when + timedelta(seconds=1)))
    assert {row.id for row in later.rows} != {row.id for row in found.rows}


def test_what_another_desk_judged_meanwhile_is_taken_up(store: Store) -> None:
    mine = kept(store.folder, "x")
    assert mine is not None
    add(store, "TH-05", WEEKS - 1, sound(WEEKS, 5), minutes=1)
    again(store)
    add(store, "TH-05", WEEKS - 1, sound(WEEKS + 1, 5), minutes=2)
    found = judge_again(store.folder, "x", mine, at=AT)
    assert found.judged < 6
    assert said_by(found) == scratch(store)


@pytest.mark.parametrize("harm", [b"", b"no database" * 99])
def test_what_is_damaged_is_judged_from_the_store(store: Store, harm: bytes) -> None:
    before = kept(store.folder, "x")
    assert before is not None
    (store.folder / JUDGED).write_bytes(harm)
    found = judge_again(store.folder, "x", before, at=AT)
    assert found.judged == 6
    assert said_by(found) == said_by(before)
    assert said_by(kept(store.folder, "x")) == said_by(found)  # type: ignore[arg-type]


def equal_after(store: Store, seed: int, count: int) -> list[int]:
    rng, judged = random.Random(seed), []
    for place in range(count):
        changed_at_random(store, rng, place, AT, week=WEEKS - 1)
        if rng.random() < 0.3:
            continue  # as if the process had been ended before it judged
        held = (store.folder / JUDGED).read_bytes()
        found = again(store)
        judged.append(found.judged)
        assert said_by(found) == scratch(store), (seed, place)
        if rng.random() < 0.2:  # ended before what it judged was kept
            (store.folder / JUDGED).write_bytes(held)
    return judged


def test_in_part_and_whole_are_equal_after_changes_at_random(store: Store) -> None:
    assert min(equal_after(store, 5, 6)) < 6


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(8))
def test_in_part_and_whole_are_equal_after_many_changes(store: Store, seed: int) -> None:
    assert min(equal_after(store, seed, 25)) < 6


def test_a_decision_at_the_moment_of_judging_is_not_passed_over(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:  # fmt: skip
    before = kept(store.folder, "x")
    assert before is not None
    case = next(row for row in before.rows if row.severity)
    real = Store.touched

    def touched(self: Store, since: int = 0) -> tuple[int, tuple[str, ...]]:
        found = real(self, since)
        # Another process decides, once what changed is read and before the time is.
        monkeypatch.setattr(Store, "touched", real)
        with Store.open(store.folder) as other:
            decide(other, case.id, "confirmed", because="looked at", by="K. M.", at=datetime.now(UTC))
        return found

    monkeypatch.setattr(Store, "touched", touched)
    found = judge_again(store.folder, "x", before)
    monkeypatch.setattr(Store, "touched", real)
    with Store.open(store.folder) as now:
        assert now.change_number() > found.change
    later = judge_again(store.folder, "x", found)
    assert {row.id: row.seen.split(" ")[0] for row in later.rows}[case.id] == "1"


@pytest.mark.parametrize(
    ("unit", "usual", "values", "course"),
    [
        ("dB", -4.0, [-4.0, 6.0], (0.0, 10.0)), ("m/s²", 0.1, [0.1, 1.0], (0.0, 20.0)),
        ("(m/s²)²", 0.1, [0.1, 1.0], (0.0, 10.0)), ("(m/s²)²", -0.1, [0.1, 1.0], ()),
    ],
)  # fmt: skip
def test_a_course_is_counted_as_its_unit_is(unit: str, usual: float, values: list[float], course: Any) -> None:
    key = SeriesKey(drive="TH-00", point="", measure="share", subject="other")
    limit = SimpleNamespace(kind="alarm", value=1.0)
    state = SimpleNamespace(key=key, unit=unit, usual=usual, change_db=3.0, limits=[limit])
    alarm = SimpleNamespace(finding=None, cause="x", names=(), series=[state])
    kept_values = SimpleNamespace(value=np.array(values), accepted=np.ones(len(values), dtype=bool))
    store = SimpleNamespace(series=lambda _: kept_values)
    found, _, limit_db = rows._course(alarm, store)  # type: ignore[arg-type]
    assert found == course
    assert limit_db == (None if not course else pytest.approx({"dB": 5.0, "m/s²": 20.0}.get(unit, 10.0)))
