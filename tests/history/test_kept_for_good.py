"""What was decided outlives damage, other programs and full disks; and what is lost is said until somebody notes it."""

from __future__ import annotations

import json
import os
import random
import re
import shutil
import sqlite3
import threading
from collections.abc import Callable
from contextlib import closing
from datetime import timedelta
from pathlib import Path

import pytest

from tests.history.kept_captures import START, channels, content, record
from vibe.core.errors import CallError, OutputError
from vibe.core.records.history import Decision, Event
from vibe.history import decision_journal as journal
from vibe.history.decision_joining import acknowledge, open_losses
from vibe.history.decision_journal import JOURNAL
from vibe.history.store.incoming import INCOMING
from vibe.history.store.judged import JUDGED, keep_looks
from vibe.history.store.layout import CAPTURES, DAMAGED
from vibe.history.store.maintenance import repair, thin, verify
from vibe.history.store.recovery import repaired
from vibe.history.store.schema import DATABASE
from vibe.history.store.store import Store

COUNT = 40


def decided(store: Store, number: int) -> None:
    store.decide(Decision(alarm="a", verdict="sensor", because=f"magnet {number} " + "x" * 400, by="R. Roe", at=START))


@pytest.fixture(scope="module")
def filled(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("filled") / "history"
    with Store.open(folder, create=True) as store:
        store.put_alarm("a", "TH-01", "lobe", START, "{}")
        for number in range(COUNT):
            decided(store, number)
        store.add_event(Event(drive="TH-01", at=START, kind="grease", note="by hand"))
        assert verify(store).wrong == verify(store).known == ()
    return folder


@pytest.fixture
def folder(filled: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(filled, tmp_path / "history"))


def without_last_page(path: Path) -> None:
    path.write_bytes(path.read_bytes()[:-4096])


def without_half_a_page(path: Path) -> None:
    path.write_bytes(path.read_bytes()[:-2000])


def without_magic(path: Path) -> None:
    path.write_bytes(b"\x00" * 16 + path.read_bytes()[16:])


def without_page_size(path: Path) -> None:
    path.write_bytes(b"\xff" * 24 + path.read_bytes()[24:])


def page_of(path: Path, name: str) -> int:
    with closing(sqlite3.connect(path)) as raw:
        (page,) = raw.execute("SELECT rootpage FROM sqlite_master WHERE name = ?", (name,)).fetchone()
    return int(page)


def without_page_of(path: Path, name: str) -> None:
    data = bytearray(path.read_bytes())
    at = (page_of(path, name) - 1) * 4096
    data[at : at + 4096] = b"\xff" * 4096
    path.write_bytes(data)


def without_decisions(path: Path) -> None:
    without_page_of(path, "decision")


def wholly_gone(path: Path) -> None:
    path.unlink()


@pytest.mark.parametrize(
    "harm", [without_last_page, without_half_a_page, without_magic, without_page_size, without_decisions, wholly_gone]
)
def test_every_decision_and_event_comes_back(folder: Path, harm: Callable[[Path], None]) -> None:
    with Store.open(folder) as store:
        before = (store.decisions(), store.events())
    harm(folder / DATABASE)
    assert repaired(folder)
    with Store.open(folder) as store:
        assert (store.decisions(), store.events()) == before
        assert store.alarms(open_only=False)[0].drive == "TH-01"
        assert verify(store).wrong == ()
        assert open_losses(store) == []


@pytest.mark.parametrize("harm", [without_last_page, without_half_a_page, without_magic, without_page_size])
def test_header_and_length_are_mended_even_without_a_journal(folder: Path, harm: Callable[[Path], None]) -> None:
    (folder / JOURNAL).unlink()
    harm(folder / DATABASE)
    repaired(folder)
    with Store.open(folder) as store:
        there = {one.because.split()[1] for one in store.decisions()}
        lost = [line for line in journal.read(folder).lost(open_only=True) if line.says["table"] == "decision"]
        # The last page may be one of the table itself; then what is missing is counted.
        assert len(there) + sum(len(line.says["ids"]) for line in lost) == COUNT
        assert len(there) >= COUNT - 9 * (harm in (without_last_page, without_half_a_page))  # nine to a page


def test_what_is_lost_is_counted_and_said_until_somebody_notes_it(folder: Path) -> None:
    (folder / JOURNAL).unlink()
    without_decisions(folder / DATABASE)
    assert any("40 decisions are lost" in one.what and "1 to 40" in one.what for one in repaired(folder))
    with Store.open(folder) as store:
        for _ in range(2):
            assert any("40 decisions are lost" in one.what for one in verify(store).wrong)
        assert len(store.events()) == 1
        with pytest.raises(CallError, match="name"):
            acknowledge(store, " ")
        assert len(acknowledge(store, "J. Doe")) == 1
        assert acknowledge(store, "J. Doe") == []
        assert verify(store).wrong == ()
        assert any("40 decisions are lost" in one.what for one in verify(store).known)
        store.put_alarm("a", "TH-01", "lobe", START, "{}")
        decided(store, 99)
        assert store.decisions()[0].number == COUNT + 1  # no other ever had it
    repaired(folder)
    with Store.open(folder) as store:
        assert verify(store).wrong == ()


def tampered(folder: Path, *statements: str) -> None:
    """As another program does that minds no guard, and puts it back."""
    with closing(sqlite3.connect(folder / DATABASE)) as raw:
        guards = raw.execute("SELECT name, sql FROM sqlite_master WHERE type = 'trigger'").fetchall()
        for name, _ in guards:
            raw.execute(f"DROP TRIGGER {name}")
        for statement in statements:
            raw.execute(statement)
        for _, sql in guards:
            raw.execute(sql)
        raw.commit()


@pytest.mark.parametrize(
    ("statement", "said"),
    [
        ("DELETE FROM decision WHERE id = 7", "decision 7"),
        ("DELETE FROM decision WHERE id = 40", "decision 40"),
        ("DELETE FROM decision", "and 20 more like this"),
        ("UPDATE decision SET because = 'nothing', by = 'nobody' WHERE id = 3", "decision 3 was changed"),
        ("UPDATE event SET note = 'never'", "note was 'by hand' and is 'never'"),
        ("DELETE FROM event", "event 1"),
    ],
)
def test_what_another_program_removed_or_changed_is_seen_and_given_back(
    folder: Path, statement: str, said: str
) -> None:
    with Store.open(folder) as store:
        before = (store.decisions(), store.events())
    tampered(folder, statement)
    with Store.open(folder) as store:
        assert any(said in one.what for one in verify(store).wrong)
        assert (store.decisions(), store.events()) != before
    assert any("given back" in one.what for one in repaired(folder))
    with Store.open(folder) as store:
        assert (store.decisions(), store.events()) == before
        assert verify(store).wrong == ()
        with pytest.raises(CallError, match="stays as it was written"):
            store.rows("UPDATE decision SET by = 'x'")
    assert repaired(folder) == ()


def test_a_row_put_in_between_and_a_guard_that_is_gone_are_seen(folder: Path) -> None:
    tampered(folder, "DELETE FROM decision WHERE id = 40")
    with Store.open(folder) as store:
        decided(store, 77)
        assert store.decisions()[-1].number == COUNT + 1  # its number is not given to another
    with closing(sqlite3.connect(folder / DATABASE)) as raw:
        raw.execute("DROP TRIGGER decision_is_never_removed")
    with Store.open(folder) as store:
        stated = [one.what for one in verify(store).wrong]
        assert any("decision_is_never_removed" in one for one in stated)
        assert any("decision 40" in one for one in stated)
    repaired(folder)
    with Store.open(folder) as store:
        assert verify(store).wrong == ()
        assert [one.number for one in store.decisions()] == list(range(1, COUNT + 2))


def without_journal(folder: Path) -> None:
    (folder / JOURNAL).unlink()


def test_an_older_store_gets_its_journal_when_it_is_next_written(folder: Path) -> None:
    without_journal(folder)
    with Store.open(folder) as store:
        looked = verify(store)
        assert looked.wrong == ()
        assert "40 decisions" in looked.known[0].what
        assert not (folder / JOURNAL).exists()
        decided(store, 41)
        looked = verify(store)
        assert looked.wrong == ()
        assert "began on" in looked.known[0].what
        assert len(journal.read(folder).rows["decision"]) == COUNT + 1


def cut_in_the_last_line(path: Path) -> None:
    path.write_bytes(path.read_bytes()[:-30])


def changed_in_the_middle(path: Path) -> None:
    lines = path.read_bytes().splitlines(keepends=True)
    lines[9] = lines[9].replace(b"magnet", b"Magnet")
    path.write_bytes(b"".join(lines))


def without_a_line(path: Path) -> None:
    lines = path.read_bytes().splitlines(keepends=True)
    path.write_bytes(b"".join(lines[:9] + lines[10:]))


def changed_with_its_own_hash(path: Path) -> None:
    lines = path.read_bytes().splitlines(keepends=True)
    said = json.loads(lines[9])
    said["says"]["because"] = "forged"
    said["hash"] = journal._hash(said["number"], said["what"], said["says"], said["last"], said["previous"])
    lines[9] = json.dumps(said).encode() + b"\n"
    path.write_bytes(b"".join(lines))


def rubbish(path: Path) -> None:
    path.write_bytes(os.urandom(5000) + b"\n[[[[[[\n")


@pytest.mark.parametrize("harm", [changed_in_the_middle, without_a_line, rubbish])
def test_a_journal_that_was_changed_is_seen_and_begun_anew(folder: Path, harm: Callable[[Path], None]) -> None:
    harm(folder / JOURNAL)
    with Store.open(folder) as store:
        before = store.decisions()
        assert any(one.where == JOURNAL for one in verify(store).wrong)
    repaired(folder)
    assert (folder / "damaged" / "decisions-1.jsonl").is_file()
    with Store.open(folder) as store:
        assert verify(store).wrong == ()
        assert store.decisions() == before
        decided(store, 41)
    assert journal.read(folder).troubles == ()
    assert len(journal.read(folder).rows["decision"]) == COUNT + 1


def test_a_forged_line_breaks_the_chain_and_is_not_believed(folder: Path) -> None:
    changed_with_its_own_hash(folder / JOURNAL)
    with Store.open(folder) as store:
        before = store.decisions()
        assert any("does not follow" in one.what for one in verify(store).wrong)
    repaired(folder)
    with Store.open(folder) as store:
        assert store.decisions() == before


def test_half_a_line_of_an_ended_process_is_written_whole_by_the_next(folder: Path) -> None:
    cut_in_the_last_line(folder / JOURNAL)
    with Store.open(folder) as store:
        assert verify(store).wrong == ()  # the database has it, and the next decision writes it
        decided(store, 41)
        assert verify(store).wrong == verify(store).known == ()
    assert len(journal.read(folder).rows["event"]) == 1


def test_a_full_disk_leaves_no_half_line_and_says_what_stands(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(handle: int) -> None:
        raise OSError(28, "No space left on device")

    size = (folder / JOURNAL).stat().st_size
    with Store.open(folder) as store:
        with monkeypatch.context() as patch:
            patch.setattr("vibe.history.decision_journal.os.fsync", full)
            with pytest.raises(OutputError, match=r"recorded, but for now only once.*no space"):
                decided(store, 41)
        assert (folder / JOURNAL).stat().st_size == size
        assert len(store.decisions()) == COUNT + 1
        assert verify(store).wrong == ()
        decided(store, 42)
        assert verify(store).known == ()


@pytest.mark.skipif(os.name == "nt", reason="no pipes with names")
def test_the_journal_is_never_a_link_or_a_pipe(folder: Path) -> None:
    precious = folder.parent / "precious.txt"
    precious.write_text("dear", encoding="utf-8")
    (folder / JOURNAL).unlink()
    (folder / JOURNAL).symlink_to(precious)
    with Store.open(folder) as store, pytest.raises(OutputError, match="link"):
        decided(store, 41)
    assert precious.read_text(encoding="utf-8") == "dear"
    (folder / JOURNAL).unlink()
    os.mkfifo(folder / JOURNAL)
    with Store.open(folder) as store, pytest.raises(OutputError, match="not an ordinary file"):
        decided(store, 41)
    with Store.open(folder) as store:
        assert len(store.decisions()) == COUNT
        assert any("not an ordinary file" in one.what for one in verify(store).wrong)


def test_recent_writes_that_are_spoilt_are_reported(folder: Path) -> None:
    """Decisions that lie only in the file of recent writes, of which SQLite reads none after the first spoilt one."""
    store = Store.open(folder)
    store.rows("PRAGMA wal_autocheckpoint = 0")
    for number in range(3):
        decided(store, 50 + number)
    store.add_event(Event(drive="TH-01", at=START + timedelta(days=1), kind="repair"))
    as_killed = shutil.copytree(folder, folder.parent / "killed")
    store.close()
    recent = as_killed / f"{DATABASE}-wal"
    data = bytearray(recent.read_bytes())
    data[100:140] = b"\xff" * 40
    recent.write_bytes(data)
    with Store.open(as_killed) as store:
        assert len(store.decisions()) == COUNT
        stated = " ".join(one.what for one in verify(store).wrong)
        assert "decision 43" in stated
        assert "event 2" in stated
    repaired(as_killed)
    with Store.open(as_killed) as store:
        assert (len(store.decisions()), len(store.events())) == (COUNT + 3, 2)
        assert verify(store).wrong == ()


def test_a_row_that_points_outside_changes_nothing_there_and_is_said(store: Store) -> None:
    for number in range(2):
        store.add(record(number), channels(number))
    victim = store.folder.parent / "victim.h5"
    shutil.copy(store.path_of(content(0)), victim)
    before = victim.read_bytes()
    for outside in ("", "../../victim", "../victim.h5"):
        store.rows("UPDATE capture SET content = ? WHERE id = 1", outside)
        thin(store, before=START + timedelta(days=99))
        assert victim.read_bytes() == before
        with pytest.raises(CallError, match="no hash"):
            store.waveform(outside)
        assert any("names no file of the history" in one.what for one in verify(store).wrong)
    done = repair(store)
    assert any("quarantined" in one.what for one in done)
    assert verify(store).wrong == ()
    assert {one.content for one in store.captures()} == {content(0), content(1)}
    assert victim.read_bytes() == before


@pytest.mark.skipif(os.name == "nt", reason="links need rights there")
def test_a_link_in_the_store_that_leads_out_is_not_followed(store: Store) -> None:
    store.add(record(0), channels(0))
    path = store.path_of(content(0))
    elsewhere = store.folder.parent / "elsewhere"
    shutil.move(path.parent, elsewhere)
    path.parent.symlink_to(elsewhere)
    before = (elsewhere / path.name).read_bytes()
    done = thin(store, before=START + timedelta(days=99))
    assert done.captures == 0
    assert "by a link" in done.troubles[0].what
    assert any("by a link" in one.what for one in verify(store).wrong)
    repair(store)
    with pytest.raises(OutputError, match="by a link"):
        store.add(record(0), channels(0))
    assert (elsewhere / path.name).read_bytes() == before
    assert [one.name for one in elsewhere.iterdir()] == [path.name]


@pytest.mark.skipif(os.name == "nt", reason="links need rights there")
def test_a_folder_of_the_store_that_is_a_link_elsewhere_is_never_swept(folder: Path) -> None:
    """What a handed-over store's ``incoming`` leads to is nobody's left-overs, and ``damaged`` takes nothing out."""
    elsewhere = folder.parent / "documents"
    (elsewhere / "thesis").mkdir(parents=True)
    (elsewhere / "thesis" / "chapter.txt").write_text("words", encoding="utf-8")
    (elsewhere / "note.txt").write_text("more", encoding="utf-8")
    for path in elsewhere.rglob("*"):
        os.utime(path, (0, 0))
    shutil.rmtree(folder / INCOMING, ignore_errors=True)
    (folder / INCOMING).symlink_to(elsewhere)
    with Store.open(folder) as store:
        assert [one.where for one in verify(store).wrong] == [INCOMING]
        store.workplace()
        assert not (folder / INCOMING).is_symlink()
    shutil.rmtree(folder / INCOMING)
    (folder / INCOMING).symlink_to(elsewhere)
    with Store.open(folder) as store:
        assert "left alone" in repair(store)[0].what
        assert not verify(store).wrong
        store.add(record(0), channels(0))
        path = store.path_of(content(0))
        path.write_bytes(b"damaged")
        (folder / DAMAGED).symlink_to(elsewhere)
        assert DAMAGED in [one.where for one in verify(store).wrong]
        with pytest.raises(OutputError, match="leads out of the history"):
            repair(store)
        assert path.read_bytes() == b"damaged"
    assert sorted(path.name for path in elsewhere.rglob("*")) == ["chapter.txt", "note.txt", "thesis"]


@pytest.mark.skipif(os.name == "nt", reason="links need rights there")
@pytest.mark.parametrize("name", [CAPTURES, DATABASE, f"{DATABASE}-wal", JUDGED, "exceedances"])
def test_a_store_is_not_opened_where_what_it_keeps_is_a_link_elsewhere(store: Store, name: str) -> None:
    """A store that was handed over would be read, and written, wherever its maker chose. Links within are its own."""
    store.add(record(0), channels(0))
    folder = store.folder
    store.close()
    keep_looks(folder, (), ())
    (folder / "exceedances").mkdir()
    (folder / f"{DATABASE}-wal").touch()
    elsewhere = folder.parent / "elsewhere"
    shutil.move(folder / name, elsewhere)
    (folder / name).symlink_to(elsewhere)
    before = {path: path.read_bytes() for path in folder.parent.rglob("*") if path.is_file()}
    for ask in (Store.open, lambda folder: Store.open(folder, read_only=True), repaired):
        with pytest.raises(OutputError, match=f"^{re.escape(name)} leads out of the history .* by a link"):
            ask(folder)
    assert {path: path.read_bytes() for path in folder.parent.rglob("*") if path.is_file()} == before
    (folder / name).unlink()
    shutil.move(elsewhere, folder / name)
    if name == CAPTURES:
        (folder / name).rename(folder / "larger")
        (folder / name).symlink_to("larger")
    with Store.open(folder) as again:
        assert again.holds(content(0))


def random_harm(path: Path, rng: random.Random) -> None:
    """Bytes or pages overwritten, bits turned, the end cut off or lengthened."""
    data = bytearray(path.read_bytes())
    place, size = rng.randrange(len(data)), rng.choice([1, 16, 100, 4096])
    match rng.randrange(5):
        case 0:
            data[place : place + size] = rng.randbytes(len(data[place : place + size]))
        case 1:
            del data[place:]
        case 2:
            data[:size] = b"\xff" * size
        case 3:
            for _ in range(30):
                data[rng.randrange(len(data))] ^= 1 << rng.randrange(8)
        case _:
            data += rng.randbytes(5000)
    path.write_bytes(data)


@pytest.mark.parametrize("seed", range(8))
def test_whatever_the_damage_one_of_the_two_gives_all_back(folder: Path, seed: int) -> None:
    rng = random.Random(seed)
    with Store.open(folder) as store:
        before = (store.decisions(), store.events())
    random_harm(folder / (DATABASE if seed % 4 else JOURNAL), rng)
    repaired(folder)
    with Store.open(folder) as store:
        assert (store.decisions(), store.events()) == before
        assert verify(store).wrong == ()


@pytest.mark.parametrize("seed", range(20, 26))
def test_damage_to_both_is_never_silent(folder: Path, seed: int) -> None:
    rng = random.Random(seed)
    with Store.open(folder) as store:
        before = (store.decisions(), store.events())
    for name in (DATABASE, JOURNAL):
        random_harm(folder / name, rng)
    repaired(folder)
    with Store.open(folder) as store:
        assert (store.decisions(), store.events()) == before or open_losses(store)
        acknowledge(store, "J. Doe")
        assert verify(store).wrong == ()


def test_a_book_that_two_processes_record_at_once_stands_once(folder: Path) -> None:
    book = [Event(drive="TH-01", at=START + timedelta(days=day), kind="repair", note="n") for day in range(40)]
    new: list[int] = []

    def put_down() -> None:
        with Store.open(folder) as store:
            together.wait()
            new.append(store.add_events(book, whatever_the_note=True))

    together = threading.Barrier(4)
    threads = [threading.Thread(target=put_down) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sorted(new) == [0, 0, 0, 40]
    with Store.open(folder) as store:
        assert len(store.events("TH-01")) == 41
        other = [Event(drive="TH-01", at=START, kind="repair", note="in other words")]
        assert store.add_events(other, whatever_the_note=True) == 0
        assert store.add_events(other) == 1
        assert verify(store).wrong == verify(store).known == ()


def test_two_processes_decide_at_once_and_both_stand_twice(folder: Path) -> None:
    with Store.open(folder) as first, Store.open(folder) as second:
        for number in range(3):
            decided(first, 100 + number)
            decided(second, 200 + number)
        found = journal.read(folder)
        assert found.troubles == ()
        assert len(found.rows["decision"]) == len(first.decisions()) == COUNT + 6
        assert verify(first).wrong == verify(second).known == ()
