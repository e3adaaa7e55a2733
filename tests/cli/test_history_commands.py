"""``vibe history`` from the outside."""

from __future__ import annotations

import csv
from pathlib import Path

import pytest

from tests.cli.calls import Vibe

WHEN = "measured_at = 2026-03-04T08:00:00+01:00\n"


@pytest.fixture
def captures(fit: Path, stopped: Path, tmp_path: Path) -> Path:
    folder = tmp_path / "captures"
    folder.mkdir()
    for path in (fit, stopped):
        (folder / path.name).write_bytes(path.read_bytes())
        (folder / f"{path.name}.toml").write_text(WHEN, encoding="utf-8")
    return folder


@pytest.fixture
def history(vibe: Vibe, captures: Path, drive: Path, tmp_path: Path) -> Path:
    store = tmp_path / "history"
    answer = vibe("history", "add", captures, "--drive", drive, "--store", store, "--workers", 1)
    assert answer.status == 0, answer.err
    assert answer.out == "drive\tadded\nT-1\t2\n"
    assert "2 added, 0 there already, 0 refused" in answer.err
    assert "1 of those added were rejected: they say nothing of their drive (1 " in answer.err
    return store


def test_strict_follows_what_was_rejected(vibe: Vibe, captures: Path, drive: Path, tmp_path: Path) -> None:
    words = ("history", "add", captures, "--drive", drive, "--workers", 1, "--strict")
    assert vibe(*words, "--store", tmp_path / "one").status == 3
    for path in captures.glob("stopped*"):
        path.unlink()
    assert vibe(*words, "--store", tmp_path / "two").status == 0


def test_added_once_listed_and_shown(vibe: Vibe, history: Path, captures: Path, drive: Path) -> None:
    again = vibe("history", "add", captures, "--drives", drive, "--store", history)
    assert (again.status, "0 added, 2 there already" in again.err) == (0, True)
    listed = vibe("history", "list", "--store", history).out.splitlines()
    assert listed[1].split("\t")[:3] == ["T-1", "2", "1"]
    shown = vibe("history", "show", "T-1", "--store", history, "--measure", "velocity_rms")
    (row,) = list(csv.DictReader(shown.out.splitlines(), delimiter="\t"))
    assert (row["point"], row["unit"], row["count"]) == ("output side radial", "mm/s", "1")
    assert row["at"] == "2026-03-04T07:00:00+00:00"


def test_what_is_not_there_is_one_sentence(vibe: Vibe, history: Path, tmp_path: Path) -> None:
    for words, why in (
        (("show", "T-2", "--store", history), "'T-1'"),
        (("show", "T-1", "--store", history, "--measure", "smell"), "velocity_rms"),
        (("list", "--store", tmp_path / "none"), "holds no history"),
        (("event", "T-1", "--store", history, "--kind", "magic"), "grease"),
        (("event", "T-1", "--store", history, "--kind", "grease", "--at", "2026-03-04"), "--time-zone"),
        (("event", "T-1", "--store", history, "--kind", "grease", "--at", "Monday"), "2026-03-04T15:30"),
        (("export", "--store", history, "--out", tmp_path / "x", "--form", "xml"), "parquet"),
        (("repair", "--store", tmp_path / "none"), "holds no history"),
    ):
        answer = vibe("history", *words)
        assert answer.status == 2, words
        assert len(answer.errors) == 1
        assert why in answer.errors[0], answer.errors[0]


def test_a_refusal_is_named_and_all_refused_is_an_error(
    vibe: Vibe, captures: Path, broken: Path, drive: Path, tmp_path: Path
) -> None:
    usual = ("--drive", drive, "--store", tmp_path / "h", "--workers", 1)
    answer = vibe("history", "add", captures / "fit.h5", broken, *usual, "--strict")
    assert (answer.status, "refused: broken.h5" in answer.err) == (3, True)
    assert vibe("history", "add", broken, *usual).status == 2
    (captures / "fit.h5.toml").unlink()
    assert vibe("history", "list", "--store", tmp_path / "h").out.count("T-1") == 1


def test_a_file_that_equals_a_refused_one_is_asked_for_itself(
    vibe: Vibe, fit: Path, drive: Path, tmp_path: Path
) -> None:
    usual = ("history", "add", tmp_path / "in", "--drive", drive, "--store", tmp_path / "h", "--workers", 1)
    (tmp_path / "in").mkdir()
    for name in ("a.h5", "b.h5", "c.h5"):
        (tmp_path / "in" / name).write_bytes(fit.read_bytes())
    answer = vibe(*usual)  # none says when it was measured
    assert answer.status == 2
    assert all(f"refused: {name}" in answer.err for name in ("a.h5", "b.h5", "c.h5")), answer.err
    assert "there already" not in answer.err.replace("0 there already", "")
    (tmp_path / "in" / "b.h5.toml").write_text(WHEN, encoding="utf-8")
    answer = vibe(*usual)
    assert "1 added, 1 there already, 1 refused" in answer.err


def test_damage_is_seen_and_mended(vibe: Vibe, history: Path) -> None:
    assert vibe("history", "verify", "--store", history).status == 0
    path = next((history / "captures").rglob("*.h5"))
    path.write_bytes(path.read_bytes()[:-100])
    answer = vibe("history", "verify", "--store", history)
    assert answer.status == 2
    assert path.name in answer.out
    assert "repair" in answer.errors[0]
    assert vibe("history", "repair", "--store", history).status == 0
    after = vibe("history", "verify", "--store", history)
    assert (after.status, "known:" in after.err) == (0, True)


def test_the_database_can_be_built_anew(vibe: Vibe, history: Path) -> None:
    before = vibe("history", "list", "--store", history).out
    for path in history.glob("store.sqlite*"):
        path.unlink()
    assert vibe("history", "list", "--store", history).status == 2
    assert vibe("history", "repair", "--store", history).status == 0
    assert vibe("history", "list", "--store", history).out == before


def test_old_samples_go_and_levels_stay(vibe: Vibe, history: Path) -> None:
    levels = vibe("history", "show", "T-1", "--store", history).out
    tried = vibe("history", "thin", "--store", history, "--keep-days", 1, "--dry-run")
    assert "2 captures would lose their samples" in tried.err
    assert "2 captures lost their samples" in vibe("history", "thin", "--store", history, "--keep-days", 1).err
    assert "0 captures lost" in vibe("history", "thin", "--store", history, "--keep-days", 1).err
    assert vibe("history", "show", "T-1", "--store", history).out == levels
    assert vibe("history", "verify", "--store", history).status == 0


def test_events_are_put_down_and_exported(vibe: Vibe, history: Path, tmp_path: Path) -> None:
    said = ("--kind", "bearing change", "--note", "=both", "--by", "J. Doe")
    at = ("--at", "2026-03-05", "--time-zone", "Europe/Vienna")
    assert vibe("history", "event", "T-1", "--store", history, *said, *at).status == 0
    assert vibe("history", "event", "T-1", "--store", history, "--kind", "grease", "--keep-baseline").status == 0
    assert vibe("history", "export", "--store", history, "--out", tmp_path / "t", "--form", "csv").status == 0
    with (tmp_path / "t" / "events.csv").open(encoding="utf-8") as stream:
        first, second = csv.DictReader(stream)
    assert (first["at"], first["note"], first["new_baseline"]) == ("2026-03-05T00:00:00+01:00", "'=both", "1")
    assert second["new_baseline"] == "0"


def test_what_is_lost_is_said_with_status_2_until_somebody_takes_note(vibe: Vibe, history: Path) -> None:
    event = ("history", "event", "T-1", "--store", history, "--kind", "grease", "--at", "2026-03-05T08:00+01:00")
    assert vibe(*event, "--note", "by hand").status == 0
    assert vibe("history", "verify", "--store", history).status == 0
    (history / "store.sqlite").unlink()
    mended = vibe("history", "repair", "--store", history)
    assert mended.status == 0, mended.err  # the journal has it
    assert "1 event given back" in mended.out
    for name in ("store.sqlite", "decisions.jsonl"):
        (history / name).unlink()
    mended = vibe("history", "repair", "--store", history)
    assert mended.status == 2
    assert "nothing shows how many there were" in mended.errors[0]
    assert "history acknowledge" in mended.errors[0]
    assert vibe("history", "verify", "--store", history).status == 2
    assert vibe("history", "acknowledge", "--store", history, "--by", "").status == 2
    noted = vibe("history", "acknowledge", "--store", history, "--by", "R. Roe")
    assert (noted.status, "2 noted by R. Roe" in noted.err) == (0, True)
    assert vibe("history", "verify", "--store", history).status == 0
    assert vibe("history", "repair", "--store", history).status == 0
