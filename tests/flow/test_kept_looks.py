"""A queue from what is kept equals one from scratch, whatever happened in between, and however it was ended."""

from __future__ import annotations

import random
from collections.abc import Iterator
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from tests.alarm_stores import START, add, damaged, drive_toml, fill, finding, sound
from vibe.core.records.history import Event, EventKind, Verdict
from vibe.flow.alarms.kept_looks import Looks, form
from vibe.flow.alarms.queue import QueueOutcome, decide, evaluate_alarms
from vibe.history.store.judged import JUDGED
from vibe.history.store.store import Store

WEEKS = 14


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store.open(tmp_path / "history", create=True) as opened:
        for number in range(3):
            fill(opened, f"TH-0{number}", weeks=WEEKS, lobes=17 if number < 2 else 19, seed=number,
                 levels=(lambda week: damaged(week, 0, begins=4)) if number == 0 else None,
                 findings=lambda week, n=number: [finding()] if n == 0 and week > 8 else [])  # fmt: skip
        yield opened


def looked(store: Store, monkeypatch: pytest.MonkeyPatch, at: datetime, *, keep: bool = True) -> tuple[Any, int]:
    """Queue and cases, and how many drives were looked at for them."""
    made: list[int] = []
    closed = Looks.close

    def close(self: Looks, *, keep: bool) -> None:
        made.append(self.made)
        closed(self, keep=keep)

    with monkeypatch.context() as patch:
        patch.setattr(Looks, "close", close)
        outcome = evaluate_alarms(store, at=at, keep=keep)
    return (outcome.queue, outcome.cases), made[0]


def stated(outcome: QueueOutcome) -> tuple[Any, Any]:
    return outcome.queue, outcome.cases


def scratch(store: Store, at: datetime) -> tuple[Any, Any]:
    (store.folder / JUDGED).unlink(missing_ok=True)
    return stated(evaluate_alarms(store, at=at))


def test_only_what_changed_is_looked_at_again(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    at = START + timedelta(weeks=WEEKS, hours=-1)
    first, made = looked(store, monkeypatch, at)
    assert made == 3
    again, made = looked(store, monkeypatch, at)
    assert made == 0
    assert again == first
    add(store, "TH-01", WEEKS, sound(WEEKS, 1))
    _, made = looked(store, monkeypatch, at)
    assert made == 1  # the drive was touched, though its capture is of later
    later, made = looked(store, monkeypatch, at + timedelta(days=1))
    assert made == 1  # now it counts
    assert later == scratch(store, at + timedelta(days=1))
    _, made = looked(store, monkeypatch, at - timedelta(weeks=5), keep=False)
    assert made == 3


def test_looking_alone_leaves_no_file(store: Store) -> None:
    before = sorted(path.name for path in store.folder.iterdir())
    evaluate_alarms(store, at=START + timedelta(weeks=WEEKS))
    assert sorted(path.name for path in store.folder.iterdir()) == before


def test_what_is_damaged_is_computed_again(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    at = START + timedelta(weeks=WEEKS)
    first, _ = looked(store, monkeypatch, at)
    path = store.folder / JUDGED
    for harm in (b"no database" * 99, b"", path.read_bytes()[:5000]):
        path.write_bytes(harm)
        again, made = looked(store, monkeypatch, at)
        assert made == 3
        assert again == first
    assert looked(store, monkeypatch, at) == (first, 0)


def test_a_look_comes_back_to_the_last_bit(store: Store) -> None:
    from vibe.flow.history.drive_facts import Gatherer
    from vibe.flow.settings import load_alarm_rules, load_settings, share_dir
    from vibe.history.settings import HistorySettings
    from vibe.ingest import load_model

    gatherer = Gatherer(
        store=store.as_of(START + timedelta(weeks=WEEKS)), limits=load_settings().limits, rules=load_alarm_rules(),
        history=load_model(share_dir() / "configs" / "history.toml", HistorySettings),
    )  # fmt: skip
    look = gatherer.look("TH-00", "kind of 17 lobes")
    packed = form().packed(look.__class__(**{name: getattr(look, name) for name in look.__slots__} | {"drive": None}))
    assert form().packed(form().unpacked(packed)) == packed
    with pytest.raises(ValueError, match="no value of this form"):
        form().unpacked(packed[:-9])
    with pytest.raises(TypeError, match="no value that is kept"):
        form().packed(object())


def changed_at_random(store: Store, rng: random.Random, place: int, at: datetime, *, week: int | None = None) -> None:
    """One thing that happens to a store; captures are of ``week``, some minutes apart, where it is given."""
    minutes = 0 if week is None else place + 1
    tag, week = rng.choice(("TH-00", "TH-01", "TH-02")), WEEKS + place if week is None else week
    what = rng.randrange(6)
    if what <= 1:
        levels = damaged(week, 0, begins=4) if rng.random() < 0.5 else sound(week, place)
        add(store, tag, week, levels, findings=[finding()] if rng.random() < 0.4 else [],
            kept=rng.choice(("accepted", "accepted", "limited", "rejected")), minutes=minutes)  # fmt: skip
    elif what == 2:
        kinds: tuple[EventKind, ...] = ("repair", "grease")
        when = at + timedelta(days=rng.choice((-9, 0, 40)))
        store.add_event(Event(drive=tag, at=when, kind=rng.choice(kinds), new_baseline=rng.random() < 0.5))
    elif what == 3:
        rows = evaluate_alarms(store, at=at).queue.alarms
        if rows:
            verdicts: tuple[Verdict, ...] = ("confirmed", "not-a-fault", "sensor")
            decide(store, rng.choice(rows).id, rng.choice(verdicts), because="looked at", by="K. M.", at=at)
    elif what == 4:
        store.put_drive(tag, drive_toml(tag, lobes=17, service=f"# {place}\n"), rng.choice(("one kind", "another")))


def equal_after(store: Store, seed: int, count: int) -> None:
    rng = random.Random(seed)
    for place in range(count):
        at = START + timedelta(weeks=WEEKS + place, hours=1)
        changed_at_random(store, rng, place, at)
        if rng.random() < 0.2:
            continue  # as if the process had been ended before it looked
        kept = stated(evaluate_alarms(store, at=at, keep=rng.random() < 0.8))
        held = (store.folder / JUDGED).read_bytes() if (store.folder / JUDGED).exists() else b""
        assert kept == scratch(store, at), (seed, place)
        if held:
            (store.folder / JUDGED).write_bytes(held)


def test_kept_and_from_scratch_are_equal_after_changes_at_random(store: Store) -> None:
    equal_after(store, 5, 10)


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(8))
def test_kept_and_from_scratch_are_equal_after_many_changes(store: Store, seed: int) -> None:
    equal_after(store, seed, 25)
