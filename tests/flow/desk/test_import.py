"""What is dropped is shown first, taken in as a whole or not at all, and never done twice."""

from __future__ import annotations

import os
import time
from datetime import timedelta
from pathlib import Path

import pytest

from tests.flow.desk.dropped import START, TOML, capture, drive_file
from vibe.core.errors import CallError, ConfigError, OutputError
from vibe.core.records.column_map import ColumnMap
from vibe.flow.alarms.columns import remembered_columns
from vibe.flow.alarms.queue import evaluate_alarms
from vibe.flow.desk.background import WorkStopped
from vibe.flow.desk.import_preview import FilePreview, ImportPreview, grouped, preview_import, say_columns
from vibe.flow.desk.import_take import take_import
from vibe.flow.desk.uploads import IMPORTS, UploadBatch, batch_of, batches, new_batch, plain_name
from vibe.history.store.reported import kept_reported
from vibe.history.store.store import Store

LIST = "Machine;Sensor;When;Kind;Reading [mm/s];Set point\n"
DAY = f"{START:%Y-%m-%d}"


@pytest.fixture
def batch(store: Store) -> UploadBatch:
    return new_batch(store.folder)


def by_name(preview: ImportPreview) -> dict[str, FilePreview]:
    return {one.name: one for one in preview.files}


def test_a_drop_is_looked_at_and_taken_in_file_by_file(store: Store, batch: UploadBatch) -> None:
    drive_file(batch.place("screw_press.toml"))
    capture(batch.place("a.h5"), 0)
    (batch.place("b.h5")).write_bytes((batch.files / "a.h5").read_bytes())
    capture(batch.place("elsewhere.h5"), 1, drive="XX-99")
    capture(batch.place("nameless.h5"), 2, drive=None)
    batch.place("noise.h5").write_bytes(b"\x89HDF\r\n\x1a\n rubbish")
    batch.place("letter.docx").write_bytes(b"PK\x03\x04")
    batch.place("empty.csv")
    batch.place("work.csv").write_text(
        "Asset;Done on;Work;Comment\nSP-02;2026-03-03 10:00;Relubrication;2 strokes\n"
        "SP-02;2026-03-04 10:00;painted;\nXX-99;2026-03-05 10:00;repair;\n",
        encoding="utf-8",
    )
    rows = "".join(f"SP-02;input side;{DAY} 08:{minute:02};velocity rms;7,5;4,5\n" for minute in range(50))
    far = "".join(f"SP-02;input side;2020-01-{day:02} 08:00;velocity rms;7,5;4,5\n" for day in range(1, 31))
    batch.place("list.csv").write_text("tag;point;time;measure;value [mm/s];limit\n" + rows + far, encoding="utf-8")
    before = sorted(path.name for path in store.folder.rglob("*.h5"))
    found = by_name(preview_import(store, batch, time_zone="UTC"))
    assert sorted(path.name for path in store.folder.rglob("*.h5")) == before
    assert {name: one.verdict for name, one in found.items()} == {
        "screw_press.toml": "matched", "a.h5": "matched", "b.h5": "there already", "elsewhere.h5": "unmatched",
        "nameless.h5": "unmatched", "noise.h5": "rejected", "letter.docx": "rejected", "empty.csv": "rejected",
        "work.csv": "matched", "list.csv": "unmatched",
    }  # fmt: skip
    assert "no drive file" in found["elsewhere.h5"].why
    assert found["work.csv"].matched_rows == 2
    assert "XX-99" in found["work.csv"].left[0].why

    outcome = take_import(store, batch, only="SP-02", time_zone="UTC", workers=1, by="M. Arden")
    number, touched = store.touched()
    assert touched == ("SP-02",)
    assert (outcome.captures, outcome.there, outcome.drive_files, outcome.events) == (2, 1, 1, 2)
    assert outcome.exceedances == 80
    kinds = [(event.kind, event.note, event.by, event.new_baseline) for event in store.events("SP-02")]
    assert kinds == [
        ("grease", "Relubrication: 2 strokes", "M. Arden", True), ("other", "painted", "M. Arden", False),
    ]  # fmt: skip
    assert len(kept_reported(store.folder)) == 80
    assert len(kept_reported(store.folder, START)) == 31
    assert batch.names() == ("elsewhere.h5", "empty.csv", "letter.docx", "noise.h5")
    assert {sentence.partition(":")[0] for sentence in outcome.left} == set(batch.names())
    # Rows near a capture count in the queue from now on, and only up to the day for which it is asked.
    queue = evaluate_alarms(store, at=START + timedelta(days=3)).queue
    assert queue.matched == 50
    assert len(queue.unmatched) == 30
    assert evaluate_alarms(store, at=START + timedelta(minutes=10)).queue.matched == 11
    # The list now has a capture near its rows, and the drop can be taken again without doing anything twice.
    again = new_batch(store.folder)
    again.place("list.csv").write_text("tag;point;time;measure;value [mm/s];limit\n" + rows + far, encoding="utf-8")
    assert preview_import(store, again, time_zone="UTC").files[0].verdict == "there already"
    assert take_import(store, again, time_zone="UTC").there == 1
    assert store.touched(number) == (number, ())
    assert batches(store.folder) == (batch,)


def test_a_stop_keeps_what_was_committed_and_the_rest_comes_later(store: Store, batch: UploadBatch) -> None:
    drive_file(batch.place("drive.toml"))
    for number in range(3):
        capture(batch.place(f"{number}.h5"), number)

    def stopping(done: int, of: int, what: str) -> None:
        if done == 1 and of == 3 and what == "0.h5" and store.captures():
            raise WorkStopped

    with pytest.raises(WorkStopped):
        take_import(store, batch, workers=1, progress=stopping)
    assert len(store.captures()) == 1
    outcome = take_import(store, batch_of(store.folder, batch.id), workers=1)
    assert (outcome.captures, outcome.there, outcome.left) == (2, 1, ())
    assert len(store.captures()) == 3
    assert batches(store.folder) == ()
    with pytest.raises(CallError, match="no such import"):
        batch_of(store.folder, batch.id)


def test_what_goes_with_captures_comes_and_goes_with_them(store: Store, batch: UploadBatch) -> None:
    store.put_drive("SP-02", TOML.format(tag="SP-02"), "kind")
    capture(batch.place("a.h5"), 0, drive=None)
    batch.place("a.h5.toml").write_text('drive = "SP-02"\n')
    capture(batch.place("b.h5"), 1, drive=None)
    batch.place("b.h5.toml").write_text('drive = "SP-02"\n')  # the same words twice are no second delivery
    batch.place("folder.toml").write_text("load_percent = 60\n")
    found = by_name(preview_import(store, batch))
    assert {name: (one.kind, one.verdict) for name, one in found.items()} == {
        "a.h5": ("capture", "matched"), "b.h5": ("capture", "matched"), "a.h5.toml": ("sidecar", "matched"),
        "b.h5.toml": ("sidecar", "matched"), "folder.toml": ("sidecar", "matched"),
    }  # fmt: skip
    capture(batch.place("c.h5"), 2, drive="XX-99")
    assert take_import(store, batch, workers=1).captures == 2
    assert [one.load_percent for one in store.captures()] == [60.0, 60.0]
    assert batch.names() == ("c.h5", "folder.toml")
    (batch.files / "c.h5").unlink()
    take_import(store, batch)
    assert batches(store.folder) == ()


def test_columns_are_said_once_for_a_source(store: Store, batch: UploadBatch) -> None:
    store.put_drive("SP-02", TOML.format(tag="SP-02"), "kind")
    table = "Maschine;Ort;Am;Wieviel;Grenze\nSP-02;input side;02.03.2026 08:00;7,5;4,5\n"
    batch.place("one.csv").write_text(table, encoding="utf-8")
    first = preview_import(store, batch, time_zone="UTC").files[0]
    assert first.verdict == "needs columns"
    assert first.head is not None
    assert first.head.header == ("Maschine", "Ort", "Am", "Wieviel", "Grenze")
    columns = {"tag": "Maschine", "point": "Ort", "time": "Am", "value": "Wieviel", "limit": "Grenze"}
    said = ColumnMap(columns=columns, fixed={"measure": "velocity_rms"}, unit="mm/s", time_zone="UTC")
    wrong = say_columns(store, batch, "one.csv", "exceedances", ColumnMap(columns={"tag": "Maschin"}))
    assert (wrong.verdict, "no column 'Maschin'" in wrong.why) == ("needs columns", True)
    assert remembered_columns(store.folder, first.head.source) is None
    assert say_columns(store, batch, "one.csv", "exceedances", said).rows == 1
    other = new_batch(store.folder)
    other.place("two.csv").write_text(table.replace("7,5", "8,5"), encoding="utf-8")
    assert preview_import(store, other).files[0].kind == "exceedances"
    take_import(store, other)
    assert [(row.value, row.unit, row.limit) for row in kept_reported(store.folder)] == [(8.5, "mm/s", 4.5)]


def test_a_memory_that_is_damaged_is_none(store: Store) -> None:
    for text in ("", "{", "[]", '{"sources": 1}', '{"sources": {"x": 1}}', '{"sources": {"x": {"kind": "events"}}}',
                 '{"sources": {"x": {"kind": "events", "map": {"columns": 1}}}}',
                 '{"sources": {"x": {"kind": "events", "map": {"columns": {"tag": 3}}}}}'):  # fmt: skip
        (store.folder / "import_columns.json").write_text(text)
        assert remembered_columns(store.folder, "x") is None


def test_lines_of_one_kind_are_one_entry_with_a_count() -> None:
    from vibe.core.records.alarms import LeftOut

    lines = [
        LeftOut(line=k, text=f"row {k}", why=f"the nearest capture is of 2026-01-{k % 28:02}") for k in range(46_232)
    ]
    found = grouped([*lines, LeftOut(line=7, text="", why="value is empty")])
    assert [(one.count, one.first_line) for one in found] == [(46_232, 0), (1, 7)]
    many = grouped(LeftOut(line=k, text="", why="x" * k) for k in range(1, 60))
    assert (len(many), many[-1].count) == (21, 39)


@pytest.mark.parametrize(
    ("name", "plain"),
    [
        ("../../etc/passwd", "passwd"), ("C:\\x\\NUL.h5", "file_NUL.h5"), ("..", "file"), ("", "file"),
        (".hidden", "hidden"),
        ("a/b/", "file"), ("Pumpe Süd.h5", "Pumpe Süd.h5"), ("a\x00b\n.h5", "ab.h5"), ("\u202ex.h5", "x.h5"),
        ("<script>.csv", "script.csv"), ("x" * 500 + ".h5", "x" * 117 + ".h5"), ("trail. ", "trail"),
    ],
)  # fmt: skip
def test_a_name_is_never_a_path(name: str, plain: str, batch: UploadBatch) -> None:
    assert plain_name(name) == plain
    place = batch.place(name)
    assert place.parent == batch.files
    assert batch.place(name) != place


def test_rubbish_is_refused_in_a_sentence(store: Store, batch: UploadBatch) -> None:
    capture(batch.place("a.h5"), 0)
    with pytest.raises(CallError, match="knows a drive 'nobody'"):
        preview_import(store, batch, only="nobody")
    with pytest.raises(ConfigError):
        preview_import(store, batch, time_zone="Europe/Atlantis")
    for id in ("../../..", "0" * 16, ""):
        with pytest.raises(CallError, match="no such import"):
            batch_of(store.folder, id)
    with pytest.raises(CallError, match="no file"):
        say_columns(store, batch, "../store.sqlite", "events", ColumnMap())
    batch.place("bad.toml").write_text("x = [", encoding="utf-8")
    batch.place("odd.toml").write_text("x = 1", encoding="utf-8")
    batch.place("wrong.toml").write_text('tag = "A"\n[input]\nspeed = 3\n', encoding="utf-8")
    batch.place("book.toml").write_text('[[event]]\ndrive = "A"\n', encoding="utf-8")
    found = by_name(preview_import(store, batch))
    assert all(found[name].verdict == "rejected" for name in ("bad.toml", "odd.toml", "wrong.toml", "book.toml"))
    assert "speed" in found["wrong.toml"].why


def test_a_dropped_file_of_very_many_dots_is_refused_at_once(store: Store, batch: UploadBatch) -> None:
    """The parser of TOML takes the square of the dots in one line."""
    (batch.files / "a.toml").write_text("a" + ".a" * 1_900_000 + " = 1\n", encoding="utf-8")
    (batch.files / "b.toml").write_text("a = " + "[" * 100_000 + "\n", encoding="utf-8")
    begun = time.process_time()
    found = {one.name: one for one in preview_import(store, batch).files}
    assert time.process_time() - begun < 3
    assert [found[name].verdict for name in ("a.toml", "b.toml")] == ["rejected", "rejected"]
    assert all("nested too deeply" in one.why for one in found.values())


@pytest.mark.skipif(os.name == "nt", reason="links need rights there")
def test_a_drop_never_lies_outside_the_store(store: Store, tmp_path: Path) -> None:
    elsewhere = tmp_path / "elsewhere"
    there = elsewhere / ("0" * 16) / "files"
    there.mkdir(parents=True)
    (there / "mine.txt").write_text("mine", encoding="utf-8")
    (store.folder / IMPORTS).symlink_to(elsewhere)
    assert batches(store.folder) == ()
    with pytest.raises(CallError, match="no such import"):
        batch_of(store.folder, "0" * 16)
    with pytest.raises(OutputError, match="leads out of the history"):
        new_batch(store.folder)
    assert (there / "mine.txt").read_text(encoding="utf-8") == "mine"
