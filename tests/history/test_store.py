"""Adding to a store and asking it: idempotent, nothing lost, the same numbers back."""

from __future__ import annotations

import hashlib
import json
import subprocess
import sys
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path
from typing import Any

import h5py
import numpy as np
import pytest
from numpy.typing import NDArray

from tests.history.kept_captures import POINTS, START, channels, content, health, record
from vibe.core.errors import CallError, CaptureError, OutputError
from vibe.core.records.history import SeriesKey, Value
from vibe.history.store.capture_file import harm, read_channels, read_record, read_rows, read_spectra
from vibe.history.store.maintenance import repair, verify
from vibe.history.store.schema import DATABASE
from vibe.history.store.store import Store
from vibe.ingest import read_capture


def key(measure: str = "measure 0", drive: str = "TH-01", point: str = POINTS[0], subject: str = "") -> SeriesKey:
    return SeriesKey(drive=drive, point=point, measure=measure, subject=subject)


def test_what_was_added_comes_back_as_it_was(store: Store) -> None:
    stated, rows = record(1, health=health("plan", ("stage1.lobe",), ("stage1.ring_pin",))), channels(1)
    assert store.add(stated, rows) is True
    for back, sent in zip(store.waveform(stated.content), rows, strict=True):
        assert np.array_equal(back.samples, sent.samples)
        assert back.name == sent.name
        assert (back.step, back.full_scale, back.axis) == (sent.step, sent.full_scale, sent.axis)
    for spectrum, kept in zip(store.spectra(stated.content), stated.spectra, strict=True):
        assert np.array_equal(spectrum.top, kept.top)
        assert (spectrum.point, spectrum.kind, spectrum.step) == (kept.point, kept.kind, kept.step)
    assert store.health(stated.content) == stated.health
    (one,) = store.captures("TH-01")
    assert (one.measured_at, one.kept, one.state, one.waveform) == (stated.measured_at, "accepted", "plan", "kept")
    found = [(one.tone, one.weak_sign) for one in store.findings("TH-01")]
    assert found == [("stage1.lobe", False), ("stage1.ring_pin", True)]


def test_a_kept_file_is_a_capture_and_small(store: Store) -> None:
    store.add(record(1), channels(1))
    capture = read_capture(store.path_of(content(1)))
    assert capture.drive == "TH-01"
    assert capture.measured_at == START + timedelta(days=1)
    back = {channel.name: channel.samples for channel in capture.channels}
    assert all(np.array_equal(back[channel.name], channel.samples) for channel in channels(1))
    with h5py.File(store.path_of(content(1))) as file:
        assert file["channels"][POINTS[0]].dtype == np.int16
        assert file["channels"][POINTS[1]].dtype == np.float32


def test_a_second_delivery_changes_nothing(store: Store) -> None:
    store.add(record(1), channels(1))
    before = store.path_of(content(1)).read_bytes()
    assert store.add(record(1, drive="other", values=9), channels(2)) is False
    assert store.path_of(content(1)).read_bytes() == before
    assert [drive.tag for drive in store.drives()] == ["TH-01"]


def test_a_series_is_in_order_of_time_whatever_the_order_of_adding(store: Store) -> None:
    for number in (3, 1, 2):
        store.add(record(number, load_percent=None if number == 2 else 50.0), channels(number))
    series = store.series(key())
    assert series.value.tolist() == [1.0, 2.0, 3.0]
    assert series.time_s.tolist() == [(START + timedelta(days=day)).timestamp() for day in (1, 2, 3)]
    assert np.isnan(series.load_percent).tolist() == [False, True, False]
    assert series.content == (content(1), content(2), content(3))
    assert series.unit == "mm/s"
    assert store.series(key("unheard of")).value.size == 0
    assert len(store.keys("TH-01")) == 8
    assert [one.value for one in store.latest("TH-01", POINTS[0])] == [3.0, 4.0, 5.0, 6.0]
    assert {(e.count, e.least, e.greatest) for e in store.extents("TH-01", "measure 0")} == {(3, 1.0, 3.0)}


def test_two_captures_at_one_time_and_a_clock_put_back_lose_nothing(store: Store) -> None:
    same = START
    store.add(record(1, measured_at=same), channels(1))
    store.add(record(2, measured_at=same), channels(2))
    store.add(record(3, measured_at=same - timedelta(hours=1)), channels(3))
    # The very same instant on another clock.
    store.add(record(4, measured_at=same.astimezone(timezone(timedelta(hours=2)))), channels(4))
    assert store.series(key()).value.tolist() == [3.0, 1.0, 2.0, 4.0]
    assert [one.measured_at.isoformat()[-6:] for one in store.captures("TH-01")] == ["+00:00"] * 3 + ["+02:00"]
    assert store.captures(since=same, until=same + timedelta(seconds=1))[0].content == content(1)


def test_values_that_are_none_are_left_out_and_of_two_alike_the_first_stays(store: Store) -> None:
    odd = tuple(Value(point="", measure="speed", value=v, unit="Hz") for v in (float("nan"), 24.0, 25.0))
    store.add(replace(record(1), values=odd), channels(1))
    assert store.series(key("speed", point="")).value.tolist() == [24.0]


def test_only_accepted_captures_are_called_so(store: Store) -> None:
    store.add(record(1), channels(1))
    store.add(record(2, kept="limited"), channels(2))
    store.add(record(3, kept="rejected", speed_hz=None, speed_uncertainty_hz=None, values=0), channels(3))
    assert store.series(key()).accepted.tolist() == [True, False]
    (drive,) = store.drives()
    assert (drive.captures, drive.accepted, drive.first) == (3, 1, START + timedelta(days=1))


def test_sister_drives_are_those_of_the_same_kind(store: Store) -> None:
    for tag, kind in (("A", "k1"), ("B", "k1"), ("C", "k2"), ("D", ""), ("E", "")):
        store.put_drive(tag, f'tag = "{tag}"', kind)
    store.put_drive("B", 'tag = "B"  # mended', "k1")
    assert store.sisters("A") == ("B",)
    assert store.sisters("D") == ()
    assert store.drive_toml("B") == 'tag = "B"  # mended'
    assert store.drive_toml("Z") is None
    assert [drive.tag for drive in store.drives()] == ["A", "B", "C", "D", "E"]


@pytest.mark.parametrize("name", ["", "../../etc", "ABCDEF0123", "xyz" * 9])
def test_a_content_that_is_no_hash_never_becomes_a_path(store: Store, name: str) -> None:
    with pytest.raises(CallError, match="no hash"):
        store.add(replace(record(1), content=name), channels(1))


def test_a_record_needs_a_time_with_offset() -> None:
    with pytest.raises(ValueError, match="offset"):
        record(1, measured_at=datetime(2026, 1, 1))


def test_no_store_no_answer(tmp_path: Path) -> None:
    with pytest.raises(CallError, match="holds no history"):
        Store.open(tmp_path / "nowhere")
    (tmp_path / "full").mkdir()
    (tmp_path / "full" / "letter.txt").write_text("dear", encoding="utf-8")
    with pytest.raises(CallError, match="holds other things"):
        Store.open(tmp_path / "full", create=True)
    assert [path.name for path in (tmp_path / "full").iterdir()] == ["letter.txt"]


def test_the_readme_says_what_lies_where(store: Store) -> None:
    text = (store.folder / "README.txt").read_text(encoding="utf-8")
    for word in (DATABASE, "captures/", "incoming/", "spectra/", "record"):
        assert word in text
    tables = {row[0] for row in store.rows("SELECT name FROM sqlite_master WHERE type = 'table'")}
    assert all(f"  {table}" in text or f"{table}," in text or f", {table}" in text for table in tables)


def test_a_lost_or_damaged_file_is_said_in_one_sentence(store: Store) -> None:
    store.add(record(1), channels(1))
    path = store.path_of(content(1))
    whole = path.read_bytes()
    path.write_bytes(whole[: len(whole) // 2])
    with pytest.raises(CaptureError, match="is damaged"):
        store.waveform(content(1))
    path.unlink()
    with pytest.raises(CaptureError, match="is missing"):
        store.spectra(content(1))
    with pytest.raises(CallError, match="no capture"):
        store.waveform(content(2))
    assert store.health(content(1))


def signed(file: h5py.File, name: str, data: NDArray[Any], **attributes: Any) -> None:
    """A dataset in the place of another, with the hash that belongs to it."""
    kept = dict(file[name].attrs)
    del file[name]
    said = {
        **kept,
        **attributes,
        "sha256": hashlib.sha256(data.astype(data.dtype.newbyteorder("<")).tobytes()).hexdigest(),
    }
    file.create_dataset(name, data=data).attrs.update(said)


def recorded(**other: Any) -> Callable[[h5py.File], None]:
    """A record that says something else, and is signed."""

    def change(file: h5py.File) -> None:
        said = json.loads(file["record"][()].tobytes()) | other
        signed(file, "record", np.frombuffer(json.dumps(said).encode(), dtype=np.uint8))

    return change


def attributed(node: str, **attributes: Any) -> Callable[[h5py.File], None]:
    return lambda file: file[node].attrs.update(attributes)


FIRST = {"point": "input side", "measure": "velocity_rms", "unit": "mm/s"}
OTHER_KINDS: dict[str, Callable[[h5py.File], None]] = {
    "a value that is a word": recorded(values=[{**FIRST, "value": "12"}]),
    "a measure that is a number": recorded(values=[{**FIRST, "measure": 3, "value": 1.0}]),
    "a value with more to it": recorded(values=[{**FIRST, "value": 1.0, "limit": 2.0}]),
    "values that are none": recorded(values=7),
    "a drive that is a list": recorded(drive=["TH-01"]),
    "a time that is a number": recorded(measured_at=3.0),
    "a speed that is a truth": recorded(speed_hz=True),
    "a quality of its own": recorded(kept="splendid"),
    "a report that is no text": recorded(health={"state": "sound"}),
    "more than a record holds": recorded(spectra=[]),
    "a spectrum's point as a number": attributed("spectra/000", point=3.0),
    "a spectrum's width as a text": attributed("spectra/000", step="wide"),
    "a spectrum's width as a row": attributed("spectra/000", step=[0.5, 0.5]),
    "a spectrum of another kind": attributed("spectra/000", kind="loudness"),
    "a spectrum in two rows": lambda file: signed(file, "spectra/000", np.ones((2, 250), dtype=np.float32)),
    "a channel's name as a row": attributed("channels/input side", point=[1.0, 2.0]),
    "a rate as a text": attributed("channels/input side", sample_rate_hz="8192"),
    "a scale as bytes": attributed("channels/input side", scale=np.void(b"abc")),
    "a quantity that is none": attributed("channels/input side", quantity="loudness"),
    "an axis as a number": attributed("channels/input side", axis=2),
    "samples that are words": lambda file: signed(file, "channels/input side", np.array([b"a", b"b"])),
}


@pytest.mark.parametrize("what", OTHER_KINDS)
def test_what_is_stored_as_another_kind_is_damage_and_no_traceback(store: Store, what: str) -> None:
    """Whoever handed over a store may have changed its files, and signed them."""
    store.add(record(1), channels(1))
    path = store.path_of(content(1))
    with h5py.File(path, "r+") as file:
        OTHER_KINDS[what](file)
    readers = read_rows, read_record, read_spectra, read_channels
    refused = []
    for read in readers:
        try:
            read(path)
        except CaptureError as error:
            refused.append(str(error))
    assert refused
    assert all("is damaged" in why for why in refused)
    assert harm(path)
    assert len(verify(store).wrong) == 1
    # As for any damaged file: the rows stay, and the file is set aside.
    repair(store)
    assert [one.waveform for one in store.captures()] == ["lost"]


def test_a_full_disk_keeps_nothing_and_says_so(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(handle: int) -> None:
        raise OSError(28, "No space left on device")

    store.add(record(1), channels(1))
    with monkeypatch.context() as patch:
        patch.setattr("vibe.history.store.incoming.os.fsync", full)
        with pytest.raises(OutputError, match="no space left"):
            store.add(record(2), channels(2))
    # And when it is the database that finds no room.
    pages = store.rows("PRAGMA page_count")[0][0]
    store.rows(f"PRAGMA max_page_count = {pages}")
    with pytest.raises(OutputError, match="disk is full"):
        store.add(record(3, values=4000), channels(3))
    store.rows("PRAGMA max_page_count = 1000000")
    assert [one.content for one in store.captures()] == [content(1)]
    assert verify(store).wrong == ()
    assert store.add(record(3, values=4000), channels(3)) is True


ADDER = """
import sys
from pathlib import Path
sys.path.insert(0, {here!r})
from tests.history.kept_captures import channels, record
from vibe.history.store.store import Store
with Store.open(Path(sys.argv[1]), create=True) as store:
    for number in range(int(sys.argv[2]), int(sys.argv[3])):
        store.add(record(number), channels(number))
"""


def test_several_processes_make_add_and_read_at_once(tmp_path: Path, repository: Path) -> None:
    folder = tmp_path / "history"
    code = ADDER.format(here=str(Path(__file__).parent))
    # Overlapping: 5 to 9 are added by two of them.
    spans = [(0, 10), (5, 15), (15, 22)]
    running = [
        subprocess.Popen([sys.executable, "-c", code, str(folder), str(a), str(b)], cwd=repository) for a, b in spans
    ]
    seen = 0
    while any(process.poll() is None for process in running):
        if (folder / DATABASE).is_file():
            with Store.open(folder, create=True) as store:
                for one in store.captures():
                    assert len(store.waveform(one.content)) == 2
                    seen += 1
    assert [process.returncode for process in running] == [0, 0, 0]
    with Store.open(folder) as store:
        assert {one.content for one in store.captures()} == {content(number) for number in range(22)}
        assert store.series(key()).value.tolist() == [float(number) for number in range(22)]
        assert verify(store).wrong == ()


def test_times_are_asked_for_with_their_offset(store: Store) -> None:
    store.add(record(1, measured_at=datetime(2026, 10, 25, 2, 30, tzinfo=timezone(timedelta(hours=1)))), channels(1))
    at = datetime(2026, 10, 25, 1, 30, tzinfo=UTC)
    assert len(store.captures("TH-01", since=at)) == 1
    assert len(store.captures("TH-01", until=at)) == 0
