"""A round against its plan."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from vibe.core.route.round_check import Expected, FileSeen, PointSeen
from vibe.ingest import load_model
from vibe.ingest.route.completeness import completeness
from vibe.ingest.route.field_rules import FieldRules

ROOT = Path(__file__).resolve().parents[2]
IN, OUT = "input side radial", "output side radial"
MORNING = datetime(2026, 3, 9, 8, 0, tzinfo=UTC)


@pytest.fixture(scope="module")
def rules() -> FieldRules:
    return load_model(ROOT / "configs" / "on_the_spot.toml", FieldRules)


def file(
    name: str, drive: str, *points: str, minutes: float = 0, verdict: str = "accepted", **more: object
) -> FileSeen:
    seen = tuple(PointSeen(point=p, verdict=verdict, content=f"{name}:{p}") for p in points)  # type: ignore[arg-type]
    when = MORNING + timedelta(minutes=minutes)
    usual: dict[str, Any] = {"content": name, "measured_at": when, "speed_noted": True, "load_noted": True}
    return FileSeen(path=Path(name), drive=drive, points=seen, **(usual | more))


WANTED = [Expected(drive=drive, point=point) for drive in ("A", "B", "C") for point in (IN, OUT)]
ALL = [file("a.h5", "A", IN, OUT), file("b.h5", "B", IN, OUT, minutes=20), file("c.h5", "C", IN, OUT, minutes=40)]


def missing(files: list[FileSeen], rules: FieldRules, wanted: list[Expected] = WANTED) -> list[tuple[str, str | None]]:
    return [(one.drive, one.point) for one in completeness(files, wanted, rules).missing]


def test_a_whole_round_lacks_nothing(rules: FieldRules) -> None:
    call = completeness(ALL, WANTED, rules)
    assert call.missing == ()
    assert call.retakes == 0
    assert call.files == tuple(ALL)


def test_what_is_not_there_is_missing(rules: FieldRules) -> None:
    assert missing([ALL[0], file("b.h5", "B", IN)], rules) == [("B", OUT), ("C", IN), ("C", OUT)]


def test_names_of_points_count_whatever_their_case(rules: FieldRules) -> None:
    assert missing([*ALL[1:], file("a.h5", "A", IN.upper(), OUT)], rules) == []


def test_a_retake_is_missing_until_a_good_one_comes(rules: FieldRules) -> None:
    bad = file("c.h5", "C", IN, OUT, verdict="retake")
    call = completeness([*ALL[:2], bad], WANTED, rules)
    assert [(one.point, one.what) for one in call.missing] == [
        (IN, "no good capture yet"),
        (OUT, "no good capture yet"),
    ]
    assert call.retakes == 2
    assert missing([*ALL[:2], bad, file("c2.h5", "C", IN, OUT, minutes=50)], rules) == []


def test_a_limited_capture_counts(rules: FieldRules) -> None:
    assert missing([*ALL[:2], file("c.h5", "C", IN, OUT, verdict="limited")], rules) == []


def test_captures_are_counted(rules: FieldRules) -> None:
    wanted = [Expected(drive="A", point=IN, captures=3)]
    (short,) = completeness([file("a.h5", "A", IN)], wanted, rules).missing
    assert short.what == "2 of 3 captures still to come"


def test_the_same_file_twice_is_set_aside_and_counts_once(rules: FieldRules) -> None:
    wanted = [Expected(drive="A", point=IN, captures=2)]
    first = file("a.h5", "A", IN)
    call = completeness([first, replace(first, path=Path("copy of a.h5"))], wanted, rules)
    assert [f.points[0].verdict for f in call.files] == ["accepted", "twice"]
    assert "a.h5" in call.files[1].remarks[0]
    assert call.missing[0].what == "1 of 2 captures still to come"


def test_the_same_samples_under_two_points_are_reported(rules: FieldRules) -> None:
    """As happens when one cable was never moved: another format, another name, the same numbers."""
    one = file("a_in.wav", "A", IN)
    two = replace(file("a_out.csv", "A", OUT), points=(replace(one.points[0], point=OUT),))
    call = completeness([one, two, *ALL[1:]], WANTED, rules)
    assert call.files[1].points[0].verdict == "twice"
    assert IN in call.files[1].remarks[0]
    assert [(m.drive, m.point) for m in call.missing] == [("A", OUT)]


def test_a_clock_of_another_day_is_reported(rules: FieldRules) -> None:
    files = [file(f"{n}.h5", "A", IN, minutes=10 * n) for n in range(6)]
    assert all(f.points[0].verdict == "accepted" for f in completeness(files, [], rules).files)
    files.append(file("old.h5", "A", IN, minutes=-28 * 24 * 60))
    old = completeness(files, [], rules).files[-1].points[0]
    assert old.verdict == "limited"
    assert "28 days before" in old.reasons[0].text


def test_what_was_to_be_noted(rules: FieldRules) -> None:
    wanted = [Expected(drive="A", point=IN, speed_to_note=True, load_to_note=True)]
    call = completeness([file("a.h5", "A", IN, load_noted=False)], wanted, rules)
    assert [m.what for m in call.missing] == ["load not noted"]
    assert completeness([file("a.h5", "A", IN)], wanted, rules).missing == ()


def test_an_unreadable_file_is_a_retake(rules: FieldRules) -> None:
    call = completeness([FileSeen(path=Path("x.wav"), error="is empty")], [], rules)
    assert call.retakes == 1


@pytest.mark.parametrize(
    ("broken", "what"),
    [
        (["a.wav"], "its file a.wav cannot be read"),
        (["a.wav", "b.wav"], "it may be in a file that cannot be read: a.wav, b.wav"),
        (["a.wav", "b.wav", "c.wav", "d.wav", "e.wav"], "a.wav, b.wav, c.wav and 2 more"),
    ],
)
def test_files_that_cannot_be_read_are_all_named(broken: list[str], what: str, rules: FieldRules) -> None:
    files = [FileSeen(path=Path(name), drive="A", error="is empty") for name in broken]
    (one,) = completeness(files, [Expected(drive="A", point=IN)], rules).missing
    assert one.what.endswith(what)
