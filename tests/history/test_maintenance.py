"""What verify sees, what repair mends, what retention lets go; and a store in order, which is left alone."""

from __future__ import annotations

import csv
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

import h5py
import pyarrow.parquet as pq
import pytest

from tests.history.kept_captures import START, channels, content, health, record
from vibe.core.errors import CallError
from vibe.core.records.history import Decision, Event
from vibe.history.store import capture_file
from vibe.history.store.export import export
from vibe.history.store.maintenance import repair, thin, verify
from vibe.history.store.store import Store, prepared

LATE = datetime(2400, 1, 1, tzinfo=UTC)


def filled(store: Store, count: int = 3) -> None:
    for number in range(count):
        store.add(record(number), channels(number))


def test_a_store_in_order_is_left_alone(store: Store) -> None:
    filled(store)
    before = {path: path.stat().st_mtime_ns for path in (store.folder / "captures").rglob("*.h5")}
    assert verify(store).wrong == verify(store).known == repair(store) == ()
    assert {path: path.stat().st_mtime_ns for path in before} == before


def cut(path: Path) -> None:
    path.write_bytes(path.read_bytes()[:-2000])


def flipped(path: Path) -> None:
    data = bytearray(path.read_bytes())
    data[len(data) // 2] ^= 0x40
    path.write_bytes(data)


def other_samples(path: Path) -> None:
    with h5py.File(path, "r+") as file:
        file["channels/input side"][7] = 1


def other_rate(path: Path) -> None:
    with h5py.File(path, "r+") as file:
        file["channels/input side"].attrs["sample_rate_hz"] = 8192.0


@pytest.mark.parametrize("harm", [cut, flipped, other_samples, other_rate])
def test_a_damaged_file_is_seen_set_aside_and_can_be_brought_back(store: Store, harm: Callable[[Path], None]) -> None:
    filled(store)
    path = store.path_of(content(1))
    harm(path)
    assert [stated.where for stated in verify(store).wrong] == [path.relative_to(store.folder).as_posix()]
    (done,) = repair(store)
    assert "quarantined" in done.what
    assert (store.folder / "damaged" / path.name).is_file()
    after = verify(store)
    assert (after.wrong, len(after.known)) == ((), 1)
    assert repair(store) == ()
    assert len(store.latest("TH-01")) == 8  # levels outlive the file
    assert not store.holds(content(1))
    assert store.add(record(1), channels(1)) is True
    assert verify(store).known == ()
    assert len(store.captures()) == 3


def test_a_file_that_is_gone_is_put_down_as_lost(store: Store) -> None:
    filled(store)
    store.path_of(content(2)).unlink()
    assert "missing" in verify(store).wrong[0].what
    repair(store)
    assert [one.waveform for one in store.captures()] == ["kept", "kept", "lost"]
    assert verify(store).wrong == ()


def test_what_ended_processes_left_is_swept_and_what_a_living_one_holds_is_not(store: Store) -> None:
    filled(store, 1)
    mine = prepared(store.workplace(), record(5), channels(5))
    left = store.folder / "incoming" / "0123456789abcdef"
    left.mkdir()
    (left / "lock").touch()
    (left / "x.h5.part").write_bytes(b"half")
    assert [stated.where for stated in verify(store).wrong] == ["incoming/0123456789abcdef"]
    repair(store)
    assert not left.exists()
    assert store.take(mine) is True
    assert len(store.captures()) == 2


def test_a_whole_file_without_a_row_is_not_seen_until_it_is_taken_in_again(store: Store) -> None:
    filled(store, 2)
    # As when a process ends between the two.
    path = store.path_of(content(7))
    path.parent.mkdir(exist_ok=True)
    prepared(store.workplace(), record(7), channels(7)).part.replace(path)
    broken = store.path_of(content(8))
    broken.parent.mkdir(exist_ok=True)
    broken.write_bytes(path.read_bytes()[:3000])
    assert len(store.captures()) == 2
    assert not store.holds(content(7))
    assert len(verify(store).wrong) == 2
    repair(store)
    assert [one.content for one in store.captures()] == [content(0), content(1), content(7)]
    assert (store.folder / "damaged" / broken.name).is_file()
    assert verify(store).wrong == ()


def test_a_file_that_was_thinned_while_its_row_was_not_is_put_right(store: Store) -> None:
    filled(store, 2)
    path = store.path_of(content(1))
    path.write_bytes(capture_file.packed(record(1), ()))
    assert len(verify(store).wrong) == 1
    assert repair(store)[0].what == "recorded as thinned"
    assert store.captures()[1].waveform == "thinned"
    assert verify(store).wrong == ()


def test_thinning_lets_samples_go_and_keeps_all_else(store: Store) -> None:
    filled(store, 4)
    size = store.path_of(content(1)).stat().st_size
    before = (store.latest(), store.health(content(1)), store.spectra(content(1))[0].top.tolist())
    done = thin(store, before=START + timedelta(days=2))
    assert (done.captures, done.spared) == (2, {})
    assert [one.waveform for one in store.captures()] == ["thinned", "thinned", "kept", "kept"]
    assert store.waveform(content(1)) == ()
    assert (store.latest(), store.health(content(1)), store.spectra(content(1))[0].top.tolist()) == before
    assert store.path_of(content(1)).stat().st_size < 0.5 * size
    assert size < done.freed_bytes < 2 * size
    assert verify(store).wrong == ()
    assert thin(store, before=START + timedelta(days=2)).captures == 0
    assert store.add(record(1), channels(1)) is False  # that they went was decided


def test_thinning_spares_what_is_evidence(store: Store) -> None:
    filled(store, 6)
    store.add(record(6, health=health("plan", ("stage1.lobe",), ("stage1.ring_pin",))), channels(6))
    store.add(record(7, health=health(weak=("stage1.ring_pin",))), channels(7))
    store.put_alarm("open", "TH-01", "mesh", START, f'{{"captures": ["{content(2)}"]}}')
    store.put_alarm("closed", "TH-01", "mesh", START, f'{{"captures": ["{content(3)}"]}}')
    store.decide(Decision(alarm="closed", verdict="sensor", because="x", by="y", at=START))
    store.close_alarm("closed")
    store.add_event(Event(drive="TH-01", at=START + timedelta(days=4), kind="bearing change"))
    would = thin(store, before=LATE, keep_first=True, dry=True)
    assert all(one.waveform == "kept" for one in store.captures())
    done = thin(store, before=LATE, keep_first=True)
    assert (would.captures, would.spared) == (done.captures, done.spared)
    assert done.spared == {
        "the first of a baseline": 2, "named by an open alarm": 1, "something was found in it": 1,
        "there is a weak sign in it": 1,
    }  # fmt: skip
    kept = {one.content for one in store.captures() if one.waveform == "kept"}
    assert kept == {content(number) for number in (0, 2, 4, 6, 7)}


def test_tables_say_the_same_in_both_forms(store: Store, tmp_path: Path) -> None:
    store.add(record(1, file="=cmd.h5", health=health("plan", ("stage1.lobe",))), channels(1))
    store.add(record(2, speed_hz=None, speed_uncertainty_hz=None, load_percent=None), channels(2))
    store.put_alarm("a1", "TH-01", "lobe", START, "{}")
    store.decide(Decision(alarm="a1", verdict="sensor", because="=1+1", by="@R", at=START))
    written = export(store, tmp_path / "csv", "csv")
    assert [path.name for path in written] == [
        "levels.csv", "captures.csv", "findings.csv", "events.csv", "decisions.csv",
    ]  # fmt: skip
    export(store, tmp_path / "parquet", "parquet")
    for path in written:
        with path.open(encoding="utf-8") as stream:
            rows = list(csv.DictReader(stream))
        table = pq.read_table(tmp_path / "parquet" / f"{path.stem}.parquet").to_pylist()
        assert len(rows) == len(table)
        for row, other in zip(rows, table, strict=True):
            assert list(row) == list(other)
            for name, cell in row.items():
                value = other[name]
                assert cell.lstrip("'") == ("" if value is None else str(value))
    assert len(pq.read_table(tmp_path / "parquet" / "levels.parquet")) == 16
    text = (tmp_path / "csv" / "decisions.csv").read_text(encoding="utf-8")
    assert "'=1+1" in text
    assert "'@R" in text
    assert "'=cmd.h5" in (tmp_path / "csv" / "captures.csv").read_text(encoding="utf-8")


def test_one_file_holds_the_levels_and_nothing_is_replaced_unasked(store: Store, tmp_path: Path) -> None:
    filled(store, 1)
    (path,) = export(store, tmp_path / "all.csv", "csv")
    before = path.read_text(encoding="utf-8")
    assert before.startswith("drive,point,measure,")
    with pytest.raises(CallError, match="exists already"):
        export(store, path, "csv")
    with pytest.raises(CallError, match=r"--form parquet"):
        export(store, tmp_path / "all.parquet", "csv")
    with pytest.raises(CallError, match="parquet and csv"):
        export(store, tmp_path / "x", "xml")
    export(store, path, "csv", force=True)
    assert path.read_text(encoding="utf-8") == before
