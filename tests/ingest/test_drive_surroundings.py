"""What a drive file says of the machines around the drive, and how it is refused."""

from __future__ import annotations

from pathlib import Path

import pytest

from vibe.core.errors import ConfigError
from vibe.ingest import load_drive

GOOD = """\
tag = "A"
[input]
speed_rpm = 1450
[[stage]]
kind = "cycloidal"
lobes = 29
ring_pins = 30
"""
OTHER = GOOD.replace('"A"', '"B"')


def written(folder: Path, text: str) -> Path:
    path = folder / "a.toml"
    path.write_text(GOOD + text, encoding="utf-8")
    return path


def test_all_three_forms_are_read(tmp_path: Path) -> None:
    (tmp_path / "b.toml").write_text(OTHER, encoding="utf-8")
    drive = load_drive(
        written(
            tmp_path,
            '[[driven]]\nname = "chain"\nsprocket_teeth = 19\nflights = 2\n'
            '[[fitted]]\nname = "fan"\nfan_blades = 7\n'
            '[[neighbour]]\nname = "twin"\ndrive = "b.toml"\n'
            '[[neighbour]]\nname = "pump"\nspeed_range_rpm = [2900, 2960]\nper_turn = [1, 6]\n',
        )
    )
    assert drive.driven[0].makes() == (("sprocket teeth", 19), ("flights", 2))
    assert drive.fitted[0].makes() == (("fan blades", 7),)
    twin, pump = drive.neighbour
    assert twin.described is not None
    assert twin.described.tag == "B"
    assert pump.described is None


def test_a_tag_is_no_file_and_is_left_to_the_run(tmp_path: Path) -> None:
    assert (
        load_drive(written(tmp_path, '[[neighbour]]\nname = "twin"\ndrive = "TH-02"\n')).neighbour[0].described is None
    )


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ('[[driven]]\nname = "a"\nsproket_teeth = 19\n', "did you mean 'sprocket_teeth'"),
        ('[[driven]]\nname = "a"\n', "driven 'a' needs sprocket_teeth, flights"),
        ('[[driven]]\nname = "a"\nblades = 2.5\n', "must be a whole number"),
        ('[[driven]]\nname = "a"\nblades = 3\n[[driven]]\nname = "a"\nvanes = 3\n', "are named 'a'"),
        ('[[driven]]\nname = "a.b"\nblades = 3\n', "letters, digits, spaces"),
        ('[[fitted]]\nname = "a"\npulley_diameter_mm = 90\n', "needed together"),
        ('[[fitted]]\nname = "a"\npulley_diameter_mm = 900\nbelt_length_mm = 900\n', "too short for a pulley"),
        (
            '[[neighbour]]\nname = "a"\nspeed_range_rpm = [900, 1000]\n',
            "needs a drive, or speed_range_rpm and per_turn",
        ),
        ('[[neighbour]]\nname = "a"\ndrive = "B"\nper_turn = [1]\n', "leave out"),
        ('[[neighbour]]\nname = "a"\nspeed_range_rpm = [1000, 900]\nper_turn = [1]\n', "the lower first"),
        ('[[neighbour]]\nname = "a"\ndrive = "not there.toml"\n', "neighbour 'a': .*there is no such file"),
    ],
)
def test_what_is_wrong_is_said_in_one_sentence(tmp_path: Path, text: str, said: str) -> None:
    with pytest.raises(ConfigError, match=said) as caught:
        load_drive(written(tmp_path, text))
    assert "\n" not in str(caught.value)
