"""The sample history of two years, from captures to the queue; slow, for all of it is measured anew."""

from __future__ import annotations

import tomllib
from datetime import UTC, datetime
from pathlib import Path

import pytest

from tests.report.contradictions import contradictions
from vibe.core.records.history import Event
from vibe.desk.export import export_pages
from vibe.flow.alarms.queue import evaluate_alarms
from vibe.flow.history.bulk_import import Delivery, keep_files
from vibe.flow.history.pages import write_pages
from vibe.flow.samples.years import make_years
from vibe.health.alarms.queue import forgotten
from vibe.history.store.store import Store

EXPLAINED = {"load or speed": {"load or speed", "scatter"}, "sensor": {"sensor"}, "repaired": {"repaired"},
             "sound": {"scatter"}}  # fmt: skip
"""Kinds of rows that are right for a drive, by what really happened to it."""


@pytest.mark.slow
def test_five_deteriorating_drives_come_first_and_the_others_are_explained(tmp_path: Path) -> None:
    made = make_years(tmp_path / "years", workers=2)
    truth = tomllib.loads(made.truth.read_text(encoding="utf-8"))
    cause = {drive["tag"]: drive["cause"] for drive in truth["drive"]}
    with Store.open(tmp_path / "history", create=True) as store:
        delivery = Delivery.of(made.folder, drives=[str(made.drives)])
        kept = keep_files(sorted(made.folder.rglob("*.h5")), delivery, store, workers=2)
        assert kept.refused == ()
        for event in tomllib.loads(made.events.read_text(encoding="utf-8"))["event"]:
            store.add_event(Event(**event))
        outcome = evaluate_alarms(store, exceedances=made.exceedances, at=datetime(2026, 3, 2, tzinfo=UTC))
        files = write_pages(outcome.queue, outcome.cases, tmp_path / "history", tmp_path / "out")
    of_desk = export_pages([tmp_path / "history"], tmp_path / "desk", say=lambda _: None)
    pages = [path for path in (*files, *of_desk) if path.suffix == ".html"]
    said = {str(path): contradictions(path.read_text(encoding="utf-8")) for path in pages}
    assert {name: troubles for name, troubles in said.items() if troubles} == {}
    queue = outcome.queue
    assert forgotten(queue, outcome.cases) == 0
    assert (queue.matched, queue.unmatched, queue.bad) == (made.rows, (), ())
    first, rest = queue.alarms[:5], queue.alarms[5:]
    assert {alarm.drive for alarm in first} == set(truth["order_of_urgency"])
    component = {drive["tag"]: drive.get("component") for drive in truth["drive"]}
    for alarm in first:
        assert alarm.finding is not None
        assert alarm.finding.component == component[alarm.drive]
    # One may be a limit that a sound drive broke by chance: some 700 series are held against theirs, and twice in
    # three captures beyond a limit of 99 % is a chance of 0.03 % each.
    chance = [a for a in rest if a.kind == "growth" and len({e.key for e in a.exceedances}) == 1]
    assert len(chance) <= 1
    known = [a for a in rest if a not in chance]
    wrong = [(a.drive, a.kind) for a in known if a.kind not in EXPLAINED.get(cause[a.drive], {"scatter"})]
    assert wrong == []
    assert rest[0].urgency.total < 0.25 * first[-1].urgency.total
