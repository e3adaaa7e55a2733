"""``vibe alarms`` and ``vibe run`` of an alarms recipe: what they print, their exit status, what they leave behind."""

from __future__ import annotations

import csv
import io
import json
import shutil
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from tests import alarm_stores
from tests.alarm_stores import damaged, fill, finding
from tests.cli.calls import Vibe
from vibe.history.store.layout import site_name
from vibe.history.store.store import Store


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A store with a drive that has a fault, one that has none."""
    folder = tmp_path_factory.mktemp("alarms") / "history"
    with pytest.MonkeyPatch.context() as patch, Store.open(folder, create=True) as store:
        # The last capture is of yesterday: decisions are made now, and what is older is overdue.
        patch.setattr(alarm_stores, "START", datetime.now(UTC) - timedelta(weeks=25, days=1))
        fill(store, "TH-01", weeks=26, seed=1)
        fill(store, "TH-02", weeks=26, levels=lambda week: damaged(week, 2), lobes=19,
             findings=lambda week: [finding(severity="severe", probability=0.99)])  # fmt: skip
    return folder


@pytest.fixture
def folder(made: Path, tmp_path: Path) -> Path:
    import shutil

    return Path(shutil.copytree(made, tmp_path / "history"))


def rows(text: str) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(text), delimiter="\t", quoting=csv.QUOTE_NONE))


def test_list_show_decide_measures(vibe: Vibe, folder: Path) -> None:
    answer = vibe("alarms", "list", "--store", folder)
    assert (answer.status, answer.errors) == (0, [])
    (row,) = rows(answer.out)
    assert (row["drive"], row["status"], row["kind"]) == ("TH-02", "open", "fault")
    assert vibe("alarms", "list", "--store", folder, "--strict").status == 3

    shown = vibe("alarms", "show", row["id"].upper(), "--store", folder)
    facts = [tuple(line.split("\t", 1)) for line in shown.out.splitlines()]
    urgency = [text for label, text in facts if label == "urgency"]
    assert urgency[0] == row["urgency"]
    assert {text.split(" ")[2].rstrip(":") for text in urgency[1:]} >= {"severity", "growth", "chance", "consequence"}

    decided = vibe("alarms", "decide", row["id"], "--store", folder, "--as", "confirmed", "--because", "heard it",
                   "--by", "K. Muster")  # fmt: skip
    assert decided.status == 0
    assert decided.out.splitlines()[0] == f"alarm\t{row['id']}"
    after = vibe("alarms", "list", "--store", folder, "--strict")
    (work,) = rows(after.out)
    assert (after.status, work["id"], work["status"], work["state"]) == (0, row["id"], "in work", "in work")

    second = vibe("alarms", "decide", row["id"], "--store", folder, "--as", "not-a-fault", "--because", "pitch errors",
                  "--by", "B. Analyst")  # fmt: skip
    assert second.status == 0
    assert "K. Muster: confirmed, heard it" in second.out
    after = vibe("alarms", "list", "--store", folder)
    assert rows(after.out) == []
    assert "quiet after a decision" in after.err
    (quiet,) = rows(vibe("alarms", "list", "--store", folder, "--all").out)
    assert (quiet["id"], quiet["status"]) == (row["id"], "quiet")
    late = vibe("alarms", "decide", row["id"], "--store", folder, "--as", "confirmed", "--because", "it is one",
                "--by", "K. Muster", "--after", "1")  # fmt: skip
    assert late.status == 2
    assert "B. Analyst decided about" in late.errors[0]
    back = vibe("alarms", "decide", row["id"], "--store", folder, "--as", "withdrawn=2", "--because", "wrong drive",
                "--by", "B. Analyst")  # fmt: skip
    assert back.status == 0
    (work,) = rows(vibe("alarms", "list", "--store", folder).out)
    assert work["state"] == "in work"

    stated = vibe("alarms", "measures", "--store", folder).out
    assert "no faults\t0 %" in stated
    assert "finding: local damage\t1\t1\t0\t0" in stated


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--as", "perhaps", "--because", "x", "--by", "y"), "'perhaps' is no decision"),
        (("--as", "recheck-by=soon", "--because", "x", "--by", "y"), "'soon' is no date"),
        (("--as", "confirmed", "--because", " ", "--by", "y"), "needs a reason"),
        (("--as", "confirmed", "--because", "x", "--by", "y"), "there is no alarm"),
        (("--as", "recheck-by=2020-12-01", "--because", "x", "--by", "y"), "has passed"),
        (("--as", "confirmed", "--because", "x", "--by", "y", "--due", "2020-12-01"), "has passed"),
        (("--as", "withdrawn=9", "--because", "x", "--by", "y"), "no decision number 9"),
    ],
)
def test_a_decision_that_cannot_be_is_refused(vibe: Vibe, folder: Path, words: tuple[str, ...], said: str) -> None:
    answer = vibe("alarms", "decide", "zzz-zzz", "--store", folder, *words)
    assert answer.status == 2
    (error,) = answer.errors
    assert said in error


def test_a_decision_needs_all_its_parts(vibe: Vibe, folder: Path) -> None:
    assert vibe("alarms", "decide", "zzz-zzz", "--store", folder, "--as", "confirmed", "--by", "y").status == 2


def test_a_day_to_look_again(vibe: Vibe, folder: Path) -> None:
    (row,) = rows(vibe("alarms", "list", "--store", folder).out)
    day = datetime.now(UTC).date() + timedelta(days=5)
    vibe("alarms", "decide", row["id"], "--store", folder, "--as", f"recheck-by={day}", "--because", "next round",
         "--by", "K. M.", "--owner", "M. Fitter")  # fmt: skip
    assert rows(vibe("alarms", "list", "--store", folder).out) == []
    (back,) = rows(vibe("alarms", "list", "--store", folder, "--at", str(day + timedelta(days=1))).out)
    assert (back["status"], back["state"], back["owner"], back["due"]) == ("back", "overdue", "M. Fitter", str(day))


def test_no_store_and_no_such_alarm_are_one_sentence(vibe: Vibe, folder: Path, tmp_path: Path) -> None:
    for words in (("list", "--store", tmp_path / "none"), ("show", "zzz-zzz", "--store", folder)):
        answer = vibe("alarms", *words)
        assert answer.status == 2
        assert len(answer.errors) == 1


def test_run_of_the_recipe(vibe: Vibe, folder: Path, tmp_path: Path) -> None:
    day = datetime.now(UTC).date() - timedelta(days=1)
    recipe, out, list_ = tmp_path / "alarms.toml", tmp_path / "out", tmp_path / "other.csv"
    list_.write_text(
        f"tag;point;time;measure;value;limit\nTH-02;input side;{day} 10:00;acc rms;1,2;1,1\n"
        f"TH-09;input side;{day} 10:00;acc rms;1,2;1,1\nTH-02;;;;;\n",
        encoding="utf-8",
    )
    recipe.write_text(
        f'kind = "alarms"\ntitle = "T"\nstore = "{folder.as_posix()}"\nexceedances = "{list_.as_posix()}"\n'
        'time_zone = "Europe/Vienna"\n',
        encoding="utf-8",
    )
    answer = vibe("run", recipe, "--out", out, "--strict")
    assert answer.status == 3
    assert "line 3 is not in the history" in answer.err
    assert "line 4 is left out: point is empty" in answer.err
    stated = json.loads((out / "queue.json").read_text(encoding="utf-8"))
    assert [row["drives"] for row in stated["alarms"]] == [["TH-02"]]
    assert (out / "alarms.csv").is_file()
    again = vibe("run", recipe, "--out", out)
    assert again.status == 2
    assert "--force" in again.errors[0]
    assert vibe("run", recipe, "--out", out, "--force").status == 0
    assert vibe("run", recipe, "--out", tmp_path / "x", "--captures", tmp_path).status == 2


def test_since_says_what_changed(vibe: Vibe, folder: Path) -> None:
    then = f"{datetime.now(UTC) - timedelta(weeks=20):%Y-%m-%d}"
    answer = vibe("alarms", "since", then, "--store", folder)
    assert (answer.status, answer.errors) == (0, [])
    found = {row["drive"]: row for row in rows(answer.out)}
    assert found["TH-02"]["change"] in ("new", "graver")
    assert "TH-01" not in found
    wrong = vibe("alarms", "since", "2999-01-01", "--store", folder)
    assert wrong.status == 2
    assert "exchange the two dates" in wrong.errors[0]


def test_several_sites_are_one_list(vibe: Vibe, folder: Path, tmp_path: Path) -> None:
    other = Path(shutil.copytree(folder, tmp_path / "quay" / "history"))
    one = rows(vibe("alarms", "list", "--store", folder).out)
    both = ("--store", folder, "--store", other)
    answer = vibe("alarms", "list", *both)
    found = rows(answer.out)
    assert (answer.status, len(found), {row["drive"] for row in found}) == (0, 2 * len(one), {"TH-02"})
    assert sorted(row["site"] for row in found) == sorted([site_name(folder), "quay"])
    then = f"{datetime.now(UTC) - timedelta(weeks=20):%Y-%m-%d}"
    assert {row["site"] for row in rows(vibe("alarms", "since", then, *both).out)} == {site_name(folder), "quay"}
    for words in (("show", one[0]["id"]), ("measures",), ("list", "--exceedances", tmp_path / "list.csv")):
        refused = vibe("alarms", *words, *both)
        assert refused.status == 2
        assert "--store is given 2 times" in refused.errors[0]
    twice = vibe("alarms", "list", "--store", folder, "--store", folder)
    assert (twice.status, "one store is given twice" in twice.errors[0]) == (2, True)


def test_columns_are_said_once(vibe: Vibe, folder: Path, tmp_path: Path) -> None:
    table = tmp_path / "list.csv"
    when = datetime.now(UTC) - timedelta(days=1)
    table.write_text(f"Maschine;Ort;Am;Wieviel\nTH-02;input side;{when:%Y-%m-%d %H:%M};7,5\n", encoding="utf-8")
    unread = vibe("alarms", "list", "--store", folder, "--exceedances", table)
    assert unread.status == 2
    assert "has no column 'tag'" in unread.errors[0]
    said = [f"--column={what}" for what in ("tag=Maschine", "point=Ort", "time=Am", "value=Wieviel")]
    answer = vibe("alarms", "columns", table, "--store", folder, *said, "--fixed", "measure=velocity_rms", "--unit",
                  "mm/s", "--time-zone", "UTC")  # fmt: skip
    assert (answer.status, "1 of 1 rows" in answer.err) == (0, True)
    read = vibe("alarms", "list", "--store", folder, "--exceedances", table)
    assert read.status == 0
    assert "line 2" not in read.err
    for wrong in ("tag", "colour=x", "tag="):
        assert vibe("alarms", "columns", table, "--store", folder, "--column", wrong).status == 2
