"""``vibe population`` and ``vibe promise`` from the outside."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import pytest

from tests.cli.calls import Vibe
from tests.studies.population import write_records

BEARING = """
[[bearing]]
name = "eccentric bearing"
inner = "stage1.eccentric"
outer = "stage1.disc"
elements = 13
element_diameter_mm = 11.0
pitch_diameter_mm = 52.0
type = "roller"
dynamic_rating_kn = 50.0
equivalent_load_kn = 10.0
"""


@pytest.fixture
def lives(tmp_path: Path) -> Path:
    path = tmp_path / "lives.csv"
    rows = "".join(f"D-{k},{1000 + 10 * k},no\n" for k in range(10))
    path.write_text(f"drive,hours,failed\n{rows}", encoding="utf-8")
    return path


def test_a_population_is_printed_and_written(vibe: Vibe, tmp_path: Path) -> None:
    write_records(tmp_path / "type", 60)
    (tmp_path / "type" / "cut.json").write_text("{", encoding="utf-8")
    out = tmp_path / "out"
    answer = vibe("population", tmp_path / "type", "--out", out)
    assert answer.status == 0, answer.err
    rows = list(csv.DictReader(answer.out.splitlines(), delimiter="\t"))
    # The least likely comes first; a sound drive among the others may stand apart once in twenty populations.
    assert (rows[0]["serial"], rows[0]["points_to"]) == ("SN-00007", "inner race of the eccentric bearing")
    assert "left out: cut.json is not a complete JSON file" in answer.err
    assert "60 drives, 17 figures each" in answer.err
    assert {path.name for path in out.iterdir()} == {
        "population.html", "population.csv", "outliers.csv", "population.json",
    }  # fmt: skip
    again = vibe("population", tmp_path / "type", "--out", out)
    assert (again.status, "--force" in again.errors[0]) == (2, True)
    assert vibe("population", tmp_path / "type", "--out", out, "--force", "--strict").status == 3


def test_no_population_is_one_sentence(vibe: Vibe, tmp_path: Path) -> None:
    for folder, why in ((tmp_path, "holds no acceptance record"), (tmp_path / "x", "no such folder")):
        answer = vibe("population", folder)
        assert (answer.status, len(answer.errors)) == (2, 1)
        assert why in answer.errors[0]


def test_a_promise_from_a_table_with_its_bearings(vibe: Vibe, lives: Path, drive: Path, tmp_path: Path) -> None:
    own = tmp_path / "drive.toml"
    own.write_text(drive.read_text(encoding="utf-8") + BEARING, encoding="utf-8")
    answer = vibe("promise", "--table", lives, "--drives", own, "--out", tmp_path / "out")
    assert answer.status == 0, answer.err
    facts = dict(line.split("\t", 1) for line in answer.out.splitlines())
    # 10450 h without a failure: at least 10450 / ln 10 = 4538 h with 90 % confidence.
    assert "at least 4 530 h, with 90 % confidence; no estimate" in facts["mean time between failures"]
    assert facts["Weibull"].startswith("not determined: 0 failures")
    assert "1582 r/min" in facts["bearing, T-1"]
    assert facts["assumption"].startswith("This is evidence")
    reported = json.loads((tmp_path / "out" / "promise.json").read_text(encoding="utf-8"))
    assert reported["schema"] == "vibe.promise/1"
    assert reported["ratings"][0]["l10_hours"] == pytest.approx(2375 * 1500 / (1450 * 12 / 11), rel=1e-3)
    page = (tmp_path / "out" / "promise.html").read_text(encoding="utf-8")
    assert "no guarantee" in page
    assert "IEC 60605-4" in page


def test_a_promise_from_a_history(vibe: Vibe, fit: Path, drive: Path, tmp_path: Path) -> None:
    captures, store = tmp_path / "captures", tmp_path / "history"
    captures.mkdir()
    for number, day in enumerate((1, 11)):
        path = captures / f"{number}.h5"
        path.write_bytes(fit.read_bytes() + bytes(number))
        (captures / f"{path.name}.toml").write_text(
            f"measured_at = 2026-03-{day:02d}T08:00:00+01:00\n", encoding="utf-8"
        )
    kept = vibe("history", "add", captures, "--drive", drive, "--store", store, "--workers", 1)
    assert "2 added" in kept.err
    asked = vibe("promise", "--store", store)
    assert (asked.status, "--duty" in asked.errors[0]) == (2, True)
    event = ("history", "event", "T-1", "--store", store, "--at", "2026-03-06T08:00+01:00")
    assert vibe(*event, "--kind", "grease").status == 0
    found = vibe("promise", "--store", store, "--duty", 0.5)
    assert "120 h of 1 drive, no failure" in found.out
    assert "calendar time times 0.5" in found.out
    assert vibe(*event, "--kind", "repair").status == 0
    found = vibe("promise", "--store", store, "--duty", 0.5)
    assert "120 h of 1 drive, 1 failure" in found.out
    assert "--new-at-first" in found.err


@pytest.mark.parametrize(
    ("words", "why"),
    [
        ((), "either --store"), (("--table", "none.csv"), "cannot be read"), (("--store", "none"), "no history"),
        (("--table", "LIVES", "--confidence", "1.2"), "--confidence"), (("--table", "LIVES", "--duty", "1"), "--duty"),
        (("--table", "LIVES", "--until-failure"), "holds no failure"), (("--store", "x", "--until-failure"), "--table"),
        (("--store", "none", "--failure", "rust"), "'rust'"), (("--store", "none", "--duty", "7"), "--duty 7"),
    ],
)  # fmt: skip
def test_a_wrong_call_is_one_sentence(vibe: Vibe, lives: Path, words: tuple[str, ...], why: str) -> None:
    answer = vibe("promise", *(lives if word == "LIVES" else word for word in words))
    assert (answer.status, len(answer.errors)) == (2, 1)
    assert why in answer.errors[0]
