"""Formats of a store: newer ones refused, older ones brought up after a copy was put aside; damage said plainly."""

from __future__ import annotations

import sqlite3
from pathlib import Path
from typing import Any, cast

import pytest

from tests.history.kept_captures import START, channels, content, health, record
from vibe.core.errors import CallError, OutputError
from vibe.core.records.history import Decision, Event
from vibe.history.decision_joining import StoreRemark
from vibe.history.store import schema
from vibe.history.store.maintenance import repair, verify
from vibe.history.store.schema import DATABASE, OWNER, STEPS
from vibe.history.store.store import Store


def older(folder: Path, version: int, report: str = health()) -> Path:
    """A store as the format ``version`` had it, with one capture where it had captures."""
    with Store.open(folder, create=True) as store:
        store.add(record(1, health=report), channels(1))
        rows = {table: store.rows(f"SELECT * FROM {table}") for table in ("capture", "series", "value", "health")}
        rows["finding"] = store.rows(
            "SELECT capture, rank, tone, component, defect, probability, severity FROM finding"
        )
    path = folder / DATABASE
    path.unlink()
    raw = sqlite3.connect(path)
    for statement in (line for step in STEPS[:version] for line in step):
        raw.execute(statement)
    if version:
        for table, found in rows.items():
            for row in found:
                raw.execute(f"INSERT INTO {table} VALUES ({','.join('?' * len(row))})", row)
        raw.execute(f"PRAGMA application_id = {OWNER}")
    raw.execute(f"PRAGMA user_version = {version}")
    raw.commit()
    raw.close()
    return path


def test_an_older_store_is_copied_and_brought_up(tmp_path: Path) -> None:
    older(tmp_path, 1)
    with Store.open(tmp_path) as store:
        assert store.rows("PRAGMA user_version") == [(len(STEPS),)]
        assert [one.content for one in store.captures()] == [content(1)]
        store.add_event(Event(drive="TH-01", at=START, kind="grease"))
        assert verify(store).wrong == ()
    copy = sqlite3.connect(tmp_path / "store.format1.sqlite")
    assert copy.execute("PRAGMA user_version").fetchone() == (1,)
    assert copy.execute("SELECT content FROM capture").fetchall() == [(content(1),)]
    copy.close()
    with Store.open(tmp_path) as store:  # and never again
        assert len(store.events()) == 1
    assert not list(tmp_path.glob("*.part"))


def test_an_empty_database_next_to_captures_is_filled_from_them(tmp_path: Path) -> None:
    older(tmp_path, 0)
    with pytest.raises(CallError, match=r"gone or empty .*history repair"):
        Store.open(tmp_path)
    with Store.open(tmp_path, anew=True) as store:
        assert store.captures() == ()
        (wrong,) = verify(store).wrong
        assert "no row" in wrong.what
        assert len(repair(store)) == 1
        assert store.latest("TH-01")
        assert verify(store).wrong == ()


def test_a_step_that_fails_leaves_the_older_store_as_it_was(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = older(tmp_path, 1)
    monkeypatch.setattr(schema, "STEPS", (*STEPS[:1], (*STEPS[1], "CREATE TABLE capture (id INTEGER)")))
    with pytest.raises(CallError, match="already exists"):
        Store.open(tmp_path)
    raw = sqlite3.connect(path)
    assert raw.execute("PRAGMA user_version").fetchone() == (1,)
    assert raw.execute("SELECT count(*) FROM sqlite_master WHERE name = 'decision'").fetchone() == (0,)
    raw.close()


def test_a_newer_store_is_refused_and_left_alone(tmp_path: Path) -> None:
    with Store.open(tmp_path / "h", create=True) as store:
        store.rows(f"PRAGMA user_version = {len(STEPS) + 1}")
    with pytest.raises(CallError, match="use a newer vibe"):
        Store.open(tmp_path / "h")
    assert not list((tmp_path / "h").glob("store.format*"))


def test_a_database_of_another_program_is_refused(tmp_path: Path) -> None:
    raw = sqlite3.connect(tmp_path / DATABASE)
    raw.execute("CREATE TABLE song (title TEXT)")
    raw.commit()
    raw.close()
    with pytest.raises(CallError, match="another program"):
        Store.open(tmp_path, create=True)


def test_a_damaged_database_is_said_in_one_sentence(tmp_path: Path) -> None:
    with Store.open(tmp_path / "h", create=True) as store:
        for number in range(5):
            store.add(record(number, values=200), channels(number))
    path = tmp_path / "h" / DATABASE
    whole = path.read_bytes()
    path.write_bytes(b"not a database, " * 500)
    with pytest.raises(CallError, match=r"is damaged .*vibe history repair"):
        Store.open(tmp_path / "h")
    # Damage farther inside is met when it is read.
    inside = 3 * len(whole) // 4  # beyond the list of tables
    path.write_bytes(whole[:inside] + b"\xff" * (len(whole) - inside))
    with Store.open(tmp_path / "h") as store:
        assert any("damaged" in stated.what for stated in verify_or_refusal(store))


def verify_or_refusal(store: Store) -> tuple[StoreRemark, ...]:
    try:
        return verify(store).wrong
    except CallError as error:
        return (StoreRemark(DATABASE, str(error)),)


def test_without_its_database_a_store_is_built_anew(tmp_path: Path) -> None:
    with Store.open(tmp_path, create=True) as store:
        for number in range(3):
            store.add(record(number), channels(number))
        before = (store.captures(), store.latest(), store.health(content(1)))
    (tmp_path / DATABASE).unlink()
    for create in (False, True):
        with pytest.raises(CallError, match=r"gone or empty .*history repair"):
            Store.open(tmp_path, create=create)
    with Store.open(tmp_path, anew=True) as store:
        assert len(repair(store)) == 3
        assert (store.captures(), store.latest(), store.health(content(1))) == before
        assert verify(store).wrong == ()


def test_a_folder_that_may_not_be_written_can_be_read(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with Store.open(tmp_path / "h", create=True) as store:
        store.add(record(1), channels(1))
    monkeypatch.setattr("os.access", lambda path, mode: False)  # whoever runs the tests may write everywhere
    before = sorted(path.name for path in (tmp_path / "h").rglob("*"))
    with Store.open(tmp_path / "h") as store:
        assert len(store.latest("TH-01")) == 8
        assert len(store.waveform(content(1))) == 2
        assert verify(store).wrong == ()
        with pytest.raises(OutputError, match="may not be written"):
            store.add(record(2), channels(2))
        with pytest.raises(OutputError, match="may not be written"):
            store.add_event(Event(drive="TH-01", at=START, kind="grease"))
    assert sorted(path.name for path in (tmp_path / "h").rglob("*")) == before


def test_decisions_stay_as_they_were_written(store: Store) -> None:
    store.put_alarm("a1", "TH-01", "lobe", START, "{}")
    store.decide(Decision(alarm="a1", verdict="sensor", because="loose magnet", by="R. Roe", at=START))
    store.add_event(Event(drive="TH-01", at=START, kind="grease"))
    for sql in ("UPDATE decision SET because = ''", "DELETE FROM decision", "UPDATE event SET by = ''",
                "DELETE FROM event"):  # fmt: skip
        with pytest.raises(CallError, match="stays as it was written"):
            store.rows(sql)
    assert store.decisions("a1")[0].because == "loose magnet"


class Asked:
    """A database that another process makes into a store once ``after`` questions were asked of it."""

    def __init__(self, folder: Path, after: int) -> None:
        self.folder, self.left = folder, after
        self.connection = sqlite3.connect(folder / DATABASE, isolation_level=None)

    def execute(self, statement: str) -> Asked:
        self.row = self.connection.execute(statement).fetchone()
        self.left -= 1
        if self.left == 0:
            Store.open(self.folder, create=True).close()
        return self

    def fetchone(self) -> tuple[Any, ...]:
        return self.row


@pytest.mark.parametrize("after", [1, 2, 3])
def test_a_store_that_another_process_makes_just_now_is_no_other_program_s(tmp_path: Path, after: int) -> None:
    asked = Asked(tmp_path, after)
    try:
        assert schema._version(cast("sqlite3.Connection", asked), tmp_path / DATABASE) in (0, len(STEPS))
    finally:
        asked.connection.close()


def test_a_store_of_the_format_before_learns_from_its_reports_which_findings_are_weak_signs(tmp_path: Path) -> None:
    path = older(tmp_path, 3, health("plan", ("stage1.lobe",), ("stage1.ring_pin",)))
    with Store.open(tmp_path) as store:
        found = [(one.tone, one.weak_sign) for one in store.findings()]
        assert found == [("stage1.lobe", False), ("stage1.ring_pin", True)]
        assert verify(store).wrong == ()
        store.rows("UPDATE finding SET weak_sign = 0")
        assert "its findings in the database are not those of its file" in verify(store).wrong[0].what
    assert (tmp_path / "store.format3.sqlite").is_file()
    raw = sqlite3.connect(path)
    raw.execute("DROP TABLE health")
    raw.execute("CREATE TABLE health (capture INTEGER PRIMARY KEY, json BLOB NOT NULL)")
    raw.execute("INSERT INTO health VALUES (1, 'no report')")
    raw.execute("ALTER TABLE finding DROP COLUMN weak_sign")
    raw.execute("PRAGMA user_version = 3")
    raw.commit()
    raw.close()
    with Store.open(tmp_path) as store:  # whatever the reports are, it can be opened and mended
        assert [one.weak_sign for one in store.findings()] == [False, False]
        repair(store)
        assert [one.weak_sign for one in store.findings()] == [False, True]


def test_a_store_of_an_older_format_keeps_its_decisions_and_their_triggers(tmp_path: Path) -> None:
    path = older(tmp_path, 2)
    raw = sqlite3.connect(path)
    raw.execute("INSERT INTO alarm VALUES ('a1', 'TH-01', 'lobe', ?, NULL, '{}')", (START.isoformat(),))
    raw.execute(
        "INSERT INTO decision (alarm, verdict, because, by, at) VALUES ('a1', 'sensor', 'loose', 'R. Roe', ?)",
        (START.isoformat(),),
    )
    raw.commit()
    raw.close()
    with Store.open(tmp_path) as store:
        (one,) = store.decisions("a1")
        assert (one.verdict, one.by, one.number, one.owner, one.due, one.after, one.stood) == (
            "sensor", "R. Roe", 1, "", None, None, ""
        )  # fmt: skip
        assert store.touched()[1] == ("TH-01",)
        with pytest.raises(CallError, match="stays as it was written"):
            store.rows("UPDATE decision SET owner = 'somebody'")
    assert (tmp_path / "store.format2.sqlite").is_file()
