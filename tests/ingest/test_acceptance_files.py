from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from vibe.core.errors import CallError, ConfigError
from vibe.ingest.commissioning_set import (
    check_names,
    covers,
    find_sets,
    line_name,
    load_requirements,
    load_set,
    run_captures,
)
from vibe.synth.samples.demo import shared_folder

HEAD = 'title = "t"\n'
LEVEL = (
    '[[requirement]]\nid = "a"\nkind = "level"\ntext = "t"\nsource = "s"\n'
    'measure = "velocity_rms"\nlimit = 2.0\nunit = "mm/s"\n'
)
Write = Callable[[str], Path]


@pytest.fixture
def write(tmp_path: Path) -> Write:
    def put(text: str) -> Path:
        path = tmp_path / "requirements.toml"
        path.write_text(HEAD + text, encoding="utf-8")
        return path

    return put


def test_the_sample_requirements_are_right() -> None:
    found = load_requirements(shared_folder("configs") / "acceptance" / "sample_requirements.toml")
    assert {one.kind for one in found.requirement} >= {"zone", "level", "tone", "phasing line", "no damage", "run-in"}
    assert all(one.source for one in found.requirement)


@pytest.mark.parametrize(
    ("text", "line", "says"),
    [
        (LEVEL.replace("limit = 2.0\n", ""), 2, "needs the key 'limit'"),
        (LEVEL.replace("velocity_rms", "velocity"), 7, "no measure is called 'velocity'"),
        (LEVEL.replace("mm/s", "m/s"), 9, "velocity_rms is in 'mm/s'"),
        (LEVEL + LEVEL, 11, "two requirements have the id 'a'"),
        (LEVEL.replace("level", "levle"), 4, "kind"),
        (LEVEL + "hight = 3\n", 10, "hight"),
        (LEVEL.replace('"level"', '"zone"') + 'standard = "ISO 9"\n', 10, "no table is called 'ISO 9'"),
        (LEVEL.replace('"level"', '"phasing line"') + "harmonic = 7\n", 10, "harmonics 1 to 3"),
        (LEVEL.replace('"level"', '"no damage"'), 2, "needs the key 'false_alarm_rate'"),
        (LEVEL.replace('"level"', '"temperature"'), 9, "a temperature is in °C"),
        (
            LEVEL.replace('"level"', '"no damage"') + "false_alarm_rate = 0.01\n"
            + LEVEL.replace('"level"', '"no damage"').replace('"a"', '"b"') + "false_alarm_rate = 0.02\n", 19,
            "one and the same rate",
        ),
    ],
)  # fmt: skip
def test_what_is_wrong_is_reported_with_its_line_and_field(write: Write, text: str, line: int, says: str) -> None:
    path = write(text)
    with pytest.raises(ConfigError) as caught:
        load_requirements(path)
    assert says in str(caught.value)
    assert f"line {line}:" in str(caught.value)


def test_lines_and_tones_that_the_drive_does_not_have(write: Write) -> None:
    tone = LEVEL.replace('"level"', '"tone"') + 'tone = "stage1.mesh"\nharmonic = 2\n'
    found = load_requirements(path := write(tone))
    check_names(found, path, lines={"stage1.mesh 2"}, damage=())
    with pytest.raises(ConfigError, match=r"line 10: .*no line 'stage1.mesh 2'; it has 1x"):
        check_names(found, path, lines={"1x"}, damage=())
    damage = LEVEL.replace('"level"', '"no damage"') + 'tone = "bearing.a"\nfalse_alarm_rate = 0.01\n'
    found = load_requirements(path := write(damage))
    check_names(found, path, lines=(), damage={"bearing.a.cage"})
    with pytest.raises(ConfigError, match=r"no tone 'bearing.a'"):
        check_names(found, path, lines=(), damage={"bearing.ab.cage"})


def test_names_of_lines_and_parts(write: Write) -> None:
    tone = LEVEL.replace('"level"', '"tone"') + 'tone = "1x"\n'
    assert line_name(load_requirements(write(tone)).requirement[0]) == "1x"
    assert covers(None, "x")
    assert covers("bearing.a", "bearing.a.cage")
    assert not covers("bearing.a", "bearing.ab.cage")


SET = (
    'drive = "d.toml"\nrequirements = "r.toml"\nserial = "1"\n'
    '[[run]]\nkind = "rated load"\ncaptures = ["b*.csv", "a.csv"]\n'
)


def a_set(folder: Path, text: str = SET, files: tuple[str, ...] = ("a.csv", "b2.csv", "b1.csv", "b3.txt")) -> Path:
    folder.mkdir(parents=True, exist_ok=True)
    for name in files:
        (folder / name).write_text("x", encoding="utf-8")
    path = folder / "commissioning.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_captures_of_a_run_by_name_and_pattern(tmp_path: Path) -> None:
    path = a_set(tmp_path)
    assert [p.name for p in run_captures(load_set(path), path)[0]] == ["b1.csv", "b2.csv", "a.csv"]


def test_a_capture_that_is_not_there_or_in_two_runs(tmp_path: Path) -> None:
    path = a_set(tmp_path / "one", files=("a.csv",))
    with pytest.raises(ConfigError, match=r"line 6: run\[1\].captures: no capture fits 'b\*.csv'"):
        run_captures(load_set(path), path)
    twice = SET + '[[run]]\nkind = "no load"\ncaptures = ["a.csv"]\n'
    path = a_set(tmp_path / "two", twice)
    with pytest.raises(ConfigError, match=r"line 9: run\[2\].captures: a.csv belongs to run 1 already"):
        run_captures(load_set(path), path)


def test_sets_are_found_as_a_file_a_folder_and_a_folder_of_folders(tmp_path: Path) -> None:
    first, second = a_set(tmp_path / "x"), a_set(tmp_path / "y")
    assert find_sets(first) == (first,)
    assert find_sets(tmp_path / "x") == (first,)
    assert find_sets(tmp_path) == (first, second)
    for wrong in (tmp_path / "none", shared_folder("configs")):
        with pytest.raises(CallError, match="commissioning"):
            find_sets(wrong)
