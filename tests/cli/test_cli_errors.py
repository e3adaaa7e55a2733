"""Whatever is wrong becomes one sentence and the right exit status."""

from __future__ import annotations

import errno
import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.cli.calls import DRIVE, Vibe
from vibe.core.errors import CallError
from vibe.flow import settings


def one_sentence(vibe: Vibe, *words: object) -> str:
    """The error that a call ends with, after the checks that hold for every one."""
    answer = vibe(*words)
    assert answer.status == 2, answer
    assert answer.out == ""
    assert "Traceback" not in answer.err
    assert len(answer.errors) == 1, answer.err
    assert answer.err.splitlines()[-1] == answer.errors[0]
    return answer.errors[0]


@pytest.fixture
def a_file(tmp_path: Path) -> Path:
    path = tmp_path / "file"
    path.write_text("precious", encoding="utf-8")
    return path


def test_drive_file_that_is_not_there(vibe: Vibe, tmp_path: Path) -> None:
    sentence = one_sentence(vibe, "tones", tmp_path / "none.toml")
    assert "none.toml" in sentence
    assert "no such file" in sentence


def test_folder_in_place_of_a_drive_file(vibe: Vibe, tmp_path: Path) -> None:
    assert "folder" in one_sentence(vibe, "tones", tmp_path)


def test_unknown_key_names_line_and_nearest_key(vibe: Vibe, tmp_path: Path) -> None:
    path = tmp_path / "drive.toml"
    path.write_text(DRIVE.replace("ring_pins", "ring_pin"), encoding="utf-8")
    sentence = one_sentence(vibe, "tones", path)
    assert "line 11" in sentence
    assert "'ring_pins'" in sentence


def test_not_toml(vibe: Vibe, tmp_path: Path) -> None:
    path = tmp_path / "drive.toml"
    path.write_text("tag = \n", encoding="utf-8")
    assert "line 1" in one_sentence(vibe, "plan", path)
    assert "line 1" in one_sentence(vibe, "run", path)


def test_capture_that_is_not_there_stops_before_work(vibe: Vibe, drive: Path, fit: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    sentence = one_sentence(vibe, "diagnose", fit, tmp_path / "none.h5", "--drive", drive, "--out", out)
    assert "none.h5" in sentence
    assert not out.exists()


def test_pattern_that_matches_nothing(vibe: Vibe, tmp_path: Path) -> None:
    assert "no file matches" in one_sentence(vibe, "check", tmp_path / "*.h5")


def test_folder_without_captures(vibe: Vibe, tmp_path: Path) -> None:
    assert "holds no capture" in one_sentence(vibe, "check", tmp_path)


def test_name_with_control_characters_stays_one_line(vibe: Vibe, tmp_path: Path) -> None:
    sentence = one_sentence(vibe, "check", f"{tmp_path}/a\n\x1b[31mb.h5")
    assert "\x1b" not in sentence


def test_name_that_no_file_can_have(vibe: Vibe) -> None:
    assert "no such file" in one_sentence(vibe, "check", "x" * 5000)


@pytest.mark.parametrize(
    ("words", "option"),
    [
        (("history", "list", "--store", "a", "--store", "b"), "--store"),
        (("history", "add", "x.h5", "--drive", "d.toml", "--store=a", "--store=a"), "--store"),
        (("promise", "--store", "a", "--store=b"), "--store"),
        (("inbox", "--watch", "w", "--store", "a", "--store", "b"), "--store"),
        (("tones", "d.toml", "--format", "csv", "--format", "json"), "--format"),
        (("certificate", "key", "make", "--keys", "a", "--keys", "b"), "--keys"),
    ],
)
def test_what_counts_once_is_given_once(
    vibe: Vibe, words: tuple[str, ...], option: str, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.chdir(tmp_path)
    answer = vibe(*words)
    assert answer.status == 2
    assert f"{option} is given 2 times; this command takes it once" in answer.err
    assert not any(tmp_path.iterdir())


def test_a_device_is_never_replaced_by_a_file(vibe: Vibe, drive: Path, fit: Path, tmp_path: Path) -> None:
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    for words in (["diagnose", fit, "--drive", drive, "--json", pipe], ["simulate", drive, "--out", pipe]):
        assert "ordinary file" in one_sentence(vibe, *words, "--force")
    assert pipe.is_fifo()


@pytest.mark.parametrize("command", ["check", "diagnose"])
def test_every_capture_unreadable(vibe: Vibe, drive: Path, broken: Path, command: str) -> None:
    assert "broken.h5" in one_sentence(vibe, command, broken, "--drive", drive)


def test_out_folder_that_is_a_file(vibe: Vibe, drive: Path, fit: Path, a_file: Path, tmp_path: Path) -> None:
    recipe = tmp_path / "recipe.toml"
    for words in (
        ["diagnose", fit, "--drive", drive, "--out", a_file],
        ["plan", drive, "--out", a_file / "below"],
        ["demo", "--out", a_file],
        ["run", recipe, "--out", a_file],
    ):
        assert "is a file where a folder is needed" in one_sentence(vibe, *words)
    assert "cannot write" in one_sentence(vibe, "simulate", drive, "--out", tmp_path / "capture.docx")
    assert "is a file where a folder is needed" in one_sentence(vibe, "simulate", drive, "--out", a_file / "x.h5")
    assert a_file.read_text(encoding="utf-8") == "precious"


def test_nothing_is_overwritten_unless_forced(vibe: Vibe, drive: Path, fit: Path, a_file: Path, tmp_path: Path) -> None:
    assert "--force" in one_sentence(vibe, "diagnose", fit, "--drive", drive, "--json", a_file)
    capture = a_file.with_suffix(".h5")
    capture.write_text("precious", encoding="utf-8")
    assert "--force" in one_sentence(vibe, "simulate", drive, "--out", capture)
    assert {path.read_text(encoding="utf-8") for path in (a_file, capture)} == {"precious"}
    quick = ["--duration-s", "0.5", "--sample-rate-hz", "2048"]
    assert vibe("simulate", drive, "--out", capture, "--force", *quick).status == 0
    assert capture.read_bytes()[:4] == b"\x89HDF"


@pytest.mark.parametrize(
    ("words", "named"),
    [
        (["--damage", "stage1.lobes"], "stage1.lobe"),
        (["--damage", "stage1.lobe:big"], "TONE_ID"),
        (["--damage", "stage1.lobe:-1"], "size"),
        (["--neighbour", "49"], "HZ:MM_S"),
        (["--neighbour", "nan:1"], "above 0 Hz"),
        (["--sensor-fault", "loose"], "POINT:FAULT"),
        (["--sensor-fault", "roof:loose"], "roof"),
        (["--measured-at", "today"], "2026-03-09"),
        (["--duration-s", "-1"], "duration_s"),
    ],
)
def test_conditions_that_cannot_be(vibe: Vibe, drive: Path, tmp_path: Path, words: list[str], named: str) -> None:
    assert named in one_sentence(vibe, "simulate", drive, "--out", tmp_path / "x.h5", *words)
    assert not list(tmp_path.iterdir())


@pytest.mark.parametrize("speed", ["0", "-5", "nan", "inf"])
def test_speed_that_cannot_be(vibe: Vibe, drive: Path, speed: str) -> None:
    assert "above 0" in one_sentence(vibe, "tones", drive, "--speed-rpm", speed)


def failing(error: BaseException) -> Callable[..., None]:
    def fail(*args: object, **kwargs: object) -> None:
        raise error

    return fail


@pytest.mark.parametrize(
    ("error", "status"),
    [(KeyboardInterrupt(), 130), (BrokenPipeError(errno.EPIPE, "Broken pipe"), 141)],
)
def test_ends_that_need_no_words(
    vibe: Vibe, drive: Path, monkeypatch: pytest.MonkeyPatch, error: BaseException, status: int
) -> None:
    monkeypatch.setattr(settings, "tones_of", failing(error))
    answer = vibe("tones", drive)
    assert (answer.status, answer.out, answer.err) == (status, "", "")


def test_a_full_disk_is_no_defect(vibe: Vibe, drive: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(settings, "tones_of", failing(OSError(errno.ENOSPC, "No space left on device", "report.html")))
    assert one_sentence(vibe, "tones", drive) == "error: report.html: no space left on device"


def test_a_defect_says_that_it_is_one(vibe: Vibe, drive: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("VIBE_DEBUG", raising=False)
    monkeypatch.setattr(settings, "tones_of", failing(ZeroDivisionError("by\nnought")))
    answer = vibe("tones", drive)
    assert answer.status == 1
    assert len(answer.err.splitlines()) == 1
    for word in ("defect of the program", "ZeroDivisionError", "vibe/cli/tones.py:", "by nought", "VIBE_DEBUG"):
        assert word in answer.err
    monkeypatch.setenv("VIBE_DEBUG", "1")
    assert "Traceback" in vibe("tones", drive).err


def test_debugging_shows_where_a_refusal_came_from(vibe: Vibe, drive: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(settings, "tones_of", failing(CallError("no")))
    monkeypatch.setenv("VIBE_DEBUG", "1")
    answer = vibe("tones", drive)
    assert answer.status == 2
    assert "Traceback" in answer.err
    assert answer.errors == ["error: no"]


def test_a_reader_that_goes_away_is_no_error(drive: Path) -> None:
    command = [sys.executable, "-m", "vibe.cli.main", "tones", str(drive), "--format", "table"]
    process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE)
    assert process.stdout is not None
    assert process.stderr is not None
    process.stdout.close()
    with process.stderr:
        assert process.stderr.read() == b""
    assert process.wait() == 141
