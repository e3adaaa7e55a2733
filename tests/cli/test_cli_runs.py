"""Recipes and the demo, on a share folder of two drives instead of the real one."""

from __future__ import annotations

import io
import json
import shutil
from pathlib import Path

import pytest
from rich.console import Console

from tests.cli.calls import DRIVE, Vibe
from vibe.cli.shared.progress import PATIENCE_S, Waiting, time_left
from vibe.flow import settings

RECIPE = """\
kind = "route"
title = "Two drives"
drives = ["../drives/*.toml"]
captures = "../sample_signals"
pdf = false
"""


@pytest.fixture
def share(bench: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    folder = tmp_path / "share"
    for name in ("pipelines", "drives", "sample_signals"):
        (folder / name).mkdir(parents=True)
    (folder / "configs").symlink_to(settings.share_dir() / "configs")
    (folder / "pipelines" / "route.toml").write_text(RECIPE, encoding="utf-8")
    (folder / "drives" / "one.toml").write_text(DRIVE, encoding="utf-8")
    (folder / "drives" / "two.toml").write_text(DRIVE.replace("T-1", "T-2"), encoding="utf-8")
    shutil.copy(bench / "captures" / "fit.h5", folder / "sample_signals")
    monkeypatch.setattr(settings, "share_dir", lambda: folder)
    return folder


def rows(out: str) -> list[list[str]]:
    return [line.split("\t") for line in out.splitlines() if "\t" in line]


def test_demo_prints_where_the_pages_are_and_may_run_again(
    vibe: Vibe, share: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    answer = vibe("demo", "--workers", 1)
    assert answer.status == 0, answer.err
    header, first = rows(answer.out)
    assert header[:2] == ["state", "drive"]
    assert first[1] == "T-1"
    assert Path(first[-1]).is_file()
    index = tmp_path / "vibe-demo" / "index.html"
    assert index.is_file()
    assert answer.out.rstrip().endswith(str(index))
    assert "T-2: no capture was found" in answer.err

    # A second run replaces the first, even one that was broken off before its index was written.
    page = tmp_path / "vibe-demo" / "T-1" / "health.html"
    page.write_text("old", encoding="utf-8")
    for name in ("index.html", "run.json", "drives.csv"):
        (tmp_path / "vibe-demo" / name).unlink()
    assert vibe("demo", "--workers", 1).status == 0
    assert page.read_text(encoding="utf-8") != "old"
    assert index.is_file()


def test_demo_goes_on_with_one_that_was_interrupted(
    vibe: Vibe, share: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    out = tmp_path / "demo"

    def stop(*_: object, **__: object) -> None:
        raise KeyboardInterrupt

    with monkeypatch.context() as patched:
        patched.setattr("vibe.report.pages.index_page.write_index", stop)
        assert vibe("demo", "--out", out, "--workers", 1).status == 130
    page = out / "T-1" / "health.html"
    before = page.stat().st_mtime_ns
    answer = vibe("demo", "--out", out, "--workers", 1)
    assert answer.status == 0, answer.err
    assert answer.err.startswith("1 drive was finished before the run was interrupted and is kept; none remains")
    assert page.stat().st_mtime_ns == before
    assert {path.name for path in out.iterdir()} == {"T-1", "assets", "index.html", "drives.csv", "run.json"}


def test_run_says_what_changed_since_an_earlier_one(vibe: Vibe, share: Path, tmp_path: Path) -> None:
    call = ["run", share / "pipelines" / "route.toml", "--workers", 1, "--out"]
    assert vibe(*call, tmp_path / "one").status == 0
    assert vibe(*call, tmp_path / "two", "--earlier", tmp_path / "one").status == 0
    (drive,) = json.loads((tmp_path / "two" / "run.json").read_text(encoding="utf-8"))["drives"]
    assert drive["changes"]["way"] == "same"
    assert "captures are the same" in drive["changes"]["remarks"][0]
    answer = vibe(*call, tmp_path / "three", "--earlier", tmp_path / "none")
    assert answer.status == 0
    assert "nothing is compared" in answer.err


def test_demo_replaces_nothing_that_is_not_its_own(vibe: Vibe, share: Path, tmp_path: Path) -> None:
    foreign = tmp_path / "foreign"
    (foreign / "T-1").mkdir(parents=True)
    for name, text in (("run.json", '{"schema": "something else"}'), ("T-1/notes.txt", "precious")):
        (foreign / name).write_text(text, encoding="utf-8")
    answer = vibe("demo", "--out", foreign, "--workers", 1)
    assert answer.status == 2
    assert "other files" in answer.errors[0]
    assert {path.name for path in foreign.iterdir()} == {"run.json", "T-1"}


def test_run_takes_other_captures_refuses_to_replace_and_is_strict(
    vibe: Vibe, share: Path, bench: Path, tmp_path: Path
) -> None:
    recipe, out = share / "pipelines" / "route.toml", tmp_path / "out"
    call = ["run", recipe, "--captures", bench / "captures", "--out", out, "--workers", 1]
    answer = vibe(*call)
    assert answer.status == 0, answer.err
    assert len(rows(answer.out)) == 2
    assert "broken.h5" in answer.err
    assert str(out / "index.html") in answer.err
    drives = json.loads((out / "run.json").read_text(encoding="utf-8"))["drives"]
    assert drives[0]["captures"] == 2  # fit and stopped, from the folder that was named
    again = vibe(*call)
    assert again.status == 2
    assert "--force" in again.errors[0]
    assert vibe(*call, "--force", "--strict").status == 3
    assert vibe("run", recipe, "--out", tmp_path / "fit", "--workers", 1, "--strict").status == 0


def test_run_without_captures(vibe: Vibe, share: Path, tmp_path: Path) -> None:
    recipe, empty = share / "pipelines" / "route.toml", tmp_path / "empty"
    empty.mkdir()
    for folder in (empty, tmp_path / "none"):
        answer = vibe("run", recipe, "--captures", folder, "--out", tmp_path / "out")
        assert answer.status == 2
        assert len(answer.errors) == 1
        assert not (tmp_path / "out").exists()


class Clock:
    now_s = 0.0

    def __call__(self) -> float:
        return self.now_s


def bar(*, terminal: bool, pace_s: float) -> str:
    stream, clock = io.StringIO(), Clock()
    console = Console(file=stream, force_terminal=terminal, width=100)
    with Waiting(console, clock) as waiting:
        for done in range(5):
            waiting(done, 4, f"[bold]P-{done}")
            clock.now_s += pace_s
    return stream.getvalue()


def test_progress_shows_only_on_a_terminal_and_only_when_it_takes_a_while() -> None:
    assert bar(terminal=False, pace_s=PATIENCE_S) == ""
    assert bar(terminal=True, pace_s=PATIENCE_S / 10) == ""
    shown = bar(terminal=True, pace_s=PATIENCE_S)
    assert "3/4" in shown
    assert f"{3 * PATIENCE_S:.0f} s" in shown
    assert "about 10 s left" not in shown
    assert "a few s left" in shown
    assert "/100" not in shown
    assert "[bold]P-3" in shown


@pytest.mark.parametrize(
    ("done", "total", "elapsed_s", "words"),
    [
        (0, 14, 30.0, ""),
        (14, 14, 30.0, ""),
        (1, 2, 9.0, "a few s left"),
        (1, 3, 11.0, "about 30 s left"),
        (2, 14, 10.0, "about 1 min left"),
        (20, 200, 20.0, "about 3 min left"),
        (1, 200, 60.0, "about 3 h left"),
    ],
)
def test_the_time_left_is_as_rough_as_it_is_known(done: int, total: int, elapsed_s: float, words: str) -> None:
    assert time_left(done, total, elapsed_s) == words


def test_what_came_before_the_first_step_does_not_slow_the_pace() -> None:
    stream, clock = io.StringIO(), Clock()
    with Waiting(Console(file=stream, force_terminal=True, width=100), clock) as waiting:
        clock.now_s = 1000.0
        for done in range(3):
            waiting(done, 20, "")
            clock.now_s += 10.0
    assert "about 3 min left" in stream.getvalue()
    assert "h left" not in stream.getvalue()
