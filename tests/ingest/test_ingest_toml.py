from __future__ import annotations

import os
from pathlib import Path

import pytest

from vibe.core.drive import Drive
from vibe.core.errors import ConfigError
from vibe.ingest import load_drive, load_drives, load_model, load_recipe
from vibe.ingest.config.toml_lines import line_table

GOOD = """\
tag = "TH-02"
note = '''
[stage]
lobes = 1
'''
[input]
speed_rpm = 1458
speed_range_rpm = [
    1430,  # ] not the end
    1500,
]
[[stage]]
kind = "cycloidal"
lobes = 17
ring_pins = 18
[[stage]]
kind = "cycloidal"
lobes = 43
ring_pins = 44

[[bearing]]
name = "first"
inner = "input"
outer = "housing"
orders = { outer_race = 3.05, inner_race = 4.95 }
[[bearing]]
name = "eccentric bearing"
inner = "stage1.eccentric"
outer = "stage1.disc"
elements = 11
element_diameter_mm = 9.0
pitch_diameter_mm = 36.0
"""


def complaint(tmp_path: Path, text: str) -> ConfigError:
    path = tmp_path / "drive.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(ConfigError) as caught:
        load_drive(path)
    assert caught.value.path == path
    assert "\n" not in str(caught.value)
    assert "Input should" not in str(caught.value)
    return caught.value


def test_a_good_file_is_read(tmp_path: Path) -> None:
    path = tmp_path / "drive.toml"
    path.write_bytes(b"\xef\xbb\xbf" + GOOD.replace("\n", "\r\n").encode())
    drive = load_drive(path)
    assert (drive.tag, len(drive.stage), drive.bearing[1].elements) == ("TH-02", 2, 11)


@pytest.mark.parametrize(
    ("old", "new", "line", "words"),
    [
        ("lobes = 43", "lobbes = 43", 18, ("unknown key 'lobbes'", "stage[2]", "did you mean 'lobes'")),
        ("lobes = 43", 'lobes = "43"', 18, ("stage[2].lobes", "whole number", '"43"')),
        ("lobes = 43", "lobes = -3", 18, ("stage[2].lobes", "at least 3", "-3")),
        ("lobes = 17", "lobes = 18", 12, ("18 lobes cannot mesh with 18 ring pins",)),
        ("lobes = 17\n", "", 12, ("'lobes' is missing", "stage[1]")),
        (
            'kind = "cycloidal"\nlobes = 17',
            'kind = "cyclodal"\nlobes = 17',
            13,
            ("stage[1].kind", "did you mean 'cycloidal'"),
        ),
        ("    1500,", '    "1500",', 8, ("input.speed_range_rpm[2]", "a number")),
        ("speed_rpm = 1458", "speed_rpm = nan", 7, ("input.speed_rpm", "finite")),
        ("speed_rpm = 1458", "speed_rpm = 5000", 6, ("5000", "outside")),
        ("elements = 11", "elements = 11.5", 30, ("bearing[2].elements", "whole number", "11.5")),
        ("elements = 11\n", "", 26, ("eccentric bearing", "needs elements")),
        ("outer_race = 3.05", "outer_rase = 3.05", 25, ("'outer_rase'", "did you mean 'outer_race'")),
        ('tag = "TH-02"\n', "", 1, ("'tag' is missing",)),
        ('tag = "TH-02"', 'tag = "TH-02"\ntag = "X"', 2, ("twice",)),
        ('tag = "TH-02"', "tag = TH-02", 1, ("column 7", "quotes")),
        ("[input]", "[input", 6, ("column",)),
    ],
)
def test_each_mistake_is_named_with_its_line(
    tmp_path: Path, old: str, new: str, line: int, words: tuple[str, ...]
) -> None:
    assert GOOD.count(old) == 1
    error = complaint(tmp_path, GOOD.replace(old, new))
    assert error.line == line
    for word in words:
        assert word in error.reason


def test_several_mistakes_come_in_one_sentence(tmp_path: Path) -> None:
    error = complaint(tmp_path, GOOD.replace("lobes = 43", "lobbes = 43").replace("elements = 11", 'elements = "x"'))
    assert error.line == 18
    assert "also line 16: the key 'lobes' is missing" in error.reason
    assert "line 30: bearing[2].elements" in error.reason


def test_lines_of_keys_are_found_where_tomllib_finds_the_keys() -> None:
    lines = line_table(GOOD)
    rows = GOOD.splitlines()
    for place, number in lines.items():
        named = [part for part in place if isinstance(part, str)]
        if named:
            assert named[-1] in rows[number - 1], place
    assert ("stage", 0, "lobes") in lines
    assert lines["bearing", 1, "elements"] == 30


@pytest.mark.parametrize(
    "text",
    ["a = " + "[" * 4000, "a = 1" + "0" * 5000, "[input]\nspeed_rpm = 1" + "0" * 400 + "\n", "\x00", "a.b = 1\na = 2"],
)
def test_hostile_text_is_refused_in_one_sentence(tmp_path: Path, text: str) -> None:
    assert len(str(complaint(tmp_path, text))) < 600


def test_what_is_no_file_is_said(tmp_path: Path) -> None:
    with pytest.raises(ConfigError, match="no such file"):
        load_model(tmp_path / "none.toml", Drive)
    with pytest.raises(ConfigError, match="folder"):
        load_model(tmp_path, Drive)
    latin = tmp_path / "latin.toml"
    latin.write_bytes('tag = "A"\nname = "Förderer"\n'.encode("latin-1"))
    with pytest.raises(ConfigError, match="line 2: is not UTF-8"):
        load_model(latin, Drive)
    os.mkfifo(tmp_path / "pipe.toml")
    with pytest.raises(ConfigError, match="ordinary file"):
        load_model(tmp_path / "pipe.toml", Drive)


def test_a_file_without_rights_is_said(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "drive.toml"
    path.write_text(GOOD)

    def refuse(self: Path) -> bytes:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(Path, "read_bytes", refuse)
    with pytest.raises(ConfigError, match="read access"):
        load_drive(path)


def test_two_files_of_one_tag_are_both_named(tmp_path: Path) -> None:
    for name, tag in (("a", "P-1"), ("b", "P-2"), ("c", "P-1")):
        (tmp_path / f"{name}.toml").write_text(f'tag = "{tag}"\n[input]\nspeed_rpm = 1450\n')
    with pytest.raises(ConfigError, match=r"c\.toml.*'P-1'.*a\.toml"):
        load_drives(tmp_path)
    (tmp_path / "c.toml").unlink()
    assert [drive.tag for drive in load_drives(tmp_path)] == ["P-1", "P-2"]
    twice_named: list[str | Path] = [str(tmp_path / "*.toml"), tmp_path / "a.toml"]
    assert [drive.tag for drive in load_drives(twice_named)] == ["P-1", "P-2"]
    with pytest.raises(ConfigError, match="names no drive file"):
        load_drives(str(tmp_path / "x*.toml"))


def test_a_recipe_is_relative_to_itself(tmp_path: Path) -> None:
    recipes = tmp_path / "pipelines"
    recipes.mkdir()
    drives = tmp_path / "drives"
    drives.mkdir()
    (drives / "a.toml").write_text('tag = "P-1"\n[input]\nspeed_rpm = 1450\n')
    path = recipes / "route.toml"
    path.write_text(
        'kind = "route"\ntitle = "North"\ndrives = ["../drives/*.toml"]\ncaptures = "../in"\nout = "reports"\n'
    )
    recipe = load_recipe(path)
    assert load_drives(recipe.drives)[0].tag == "P-1"
    assert recipe.captures.resolve() == tmp_path / "in"
    assert recipe.out == Path("reports")
    path.write_text(path.read_text().replace("captures", "capture"))
    with pytest.raises(ConfigError, match=r"line 4: unknown key 'capture'; did you mean 'captures'"):
        load_recipe(path)
    path.write_text('kind = "rout"\ntitle = "North"\ndrives = []\ncaptures = 3\n')
    with pytest.raises(
        ConfigError, match=r'line 1: kind must be "route", "alarms" or "commissioning".*drives must have at least 1'
    ):
        load_recipe(path)
