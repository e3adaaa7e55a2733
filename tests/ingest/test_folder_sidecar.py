"""``folder.toml`` supports all captures of its folder, and a capture's own sidecar comes first."""

from __future__ import annotations

from pathlib import Path

import pytest

from vibe.core.errors import CaptureError
from vibe.ingest.config.sidecar import folder_sidecar, load_sidecar
from vibe.ingest.read import find_captures, read_capture

CSV = "time_s,P1 [m/s^2]\n" + "".join(f"{k / 1000},{k % 7 - 3}\n" for k in range(2000))


@pytest.fixture
def capture(tmp_path: Path) -> Path:
    path = tmp_path / "a.csv"
    path.write_text(CSV, encoding="utf-8")
    return path


def say(path: Path, text: str) -> None:
    path.write_text(text, encoding="utf-8")


def test_without_it_nothing_is_known(capture: Path) -> None:
    assert load_sidecar(capture) is None
    assert read_capture(capture).drive is None


def test_it_tells_drive_speed_and_load_of_every_file(capture: Path) -> None:
    say(capture.with_name("folder.toml"), 'drive = "T-1"\nspeed_rpm = 1461\nload_percent = 80\n')
    read = read_capture(capture)
    assert (read.drive, read.speed_rpm, read.load_percent) == ("T-1", 1461.0, 80.0)
    assert find_captures(capture.parent) == (capture,)


def test_the_files_own_sidecar_comes_first(capture: Path) -> None:
    say(capture.with_name("folder.toml"), 'drive = "T-1"\nspeed_rpm = 1461\nload_percent = 80\n')
    say(capture.with_name("a.csv.toml"), 'speed_rpm = 1444\n[channels."P1"]\naxis = "radial"\n')
    read = read_capture(capture)
    assert (read.drive, read.speed_rpm, read.load_percent) == ("T-1", 1444.0, 80.0)
    assert read.channels[0].axis == "radial"


def test_a_template_with_nothing_noted_says_only_the_drive(capture: Path) -> None:
    say(capture.with_name("folder.toml"), 'drive = "T-1"\n# speed_rpm = 1458\n')
    read = read_capture(capture)
    assert (read.drive, read.speed_rpm, read.load_percent) == ("T-1", None, None)
    say(capture.with_name("folder.toml"), "# nothing\n")
    assert folder_sidecar(capture) is None


@pytest.mark.parametrize(
    ("text", "said"),
    [("speed = 3\n", "folder.toml, line 1"), ("measured_at = 2026-03-09\n", "folder.toml"), ("[", "folder")],
)
def test_a_wrong_one_is_named_with_its_line(capture: Path, text: str, said: str) -> None:
    say(capture.with_name("folder.toml"), text)
    with pytest.raises(CaptureError, match=said):
        read_capture(capture)
