"""Ctrl-C and worse in the middle of a run, in a process of its own; and a drive of a run that cannot be reported."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import h5py
import pytest

from tests.cli.calls import DRIVE, Vibe

RECIPE = 'kind = "route"\ntitle = "Many"\ndrives = ["drives"]\ncaptures = "captures"\npdf = true\n'


@pytest.fixture
def plant(fit: Path, tmp_path: Path) -> Path:
    """Five drives and a capture of each, no two files alike."""
    return planted(fit, tmp_path, 5)


def planted(fit: Path, tmp_path: Path, drives: int) -> Path:
    for name in ("drives", "captures"):
        (tmp_path / name).mkdir()
    for number in range(drives):
        text = DRIVE.replace("T-1", f"T-{number}")
        (tmp_path / "drives" / f"{number}.toml").write_text(text, encoding="utf-8")
        capture = Path(shutil.copy(fit, tmp_path / "captures" / f"{number}.h5"))
        with h5py.File(capture, "a") as file:
            file.attrs["copy"] = number
        (tmp_path / "captures" / f"{capture.name}.toml").write_text(f'drive = "T-{number}"\n', encoding="utf-8")
    (tmp_path / "route.toml").write_text(RECIPE, encoding="utf-8")
    return tmp_path


def started(plant: Path, *words: str) -> subprocess.Popen[bytes]:
    # Where the tests themselves run in the background, interrupts are ignored by them and whatever they start.
    heeds = "import signal, sys; signal.signal(signal.SIGINT, signal.default_int_handler); "
    heeds += "from vibe.cli.main import main; main()"
    command = [sys.executable, "-c", heeds, "run", str(plant / "route.toml"), "--out", str(plant / "out")]
    return subprocess.Popen(
        [*command, *words], stdout=subprocess.PIPE, stderr=subprocess.PIPE, start_new_session=True
    )  # fmt: skip


def first_report(out: Path, limit_s: float = 60.0) -> None:
    until = time.monotonic() + limit_s
    while not list(out.glob("*/health.html")):
        assert time.monotonic() < until, "no drive was reported"
        time.sleep(0.02)


def all_gone(group: int, limit_s: float = 15.0) -> bool:
    """Whether every process of the group ends, those of the pool too."""
    until = time.monotonic() + limit_s
    while time.monotonic() < until:
        try:
            os.killpg(group, 0)
        except ProcessLookupError:
            return True
        time.sleep(0.05)
    return False


@pytest.mark.skipif(os.name == "nt", reason="no process groups")
@pytest.mark.usefixtures("printing")  # drives without PDFs are done before anybody can interrupt
@pytest.mark.parametrize(
    ("workers", "word", "status"),
    [pytest.param("2", signal.SIGINT, 130, marks=pytest.mark.slow), ("1", signal.SIGTERM, 143)],
)
def test_an_interrupt_ends_a_run_soon_and_says_where_things_stand(
    fit: Path, tmp_path: Path, workers: str, word: signal.Signals, status: int
) -> None:
    # So many that a machine with other work comes to interrupt before the last is done.
    plant = planted(fit, tmp_path, 24)
    out = plant / "out"
    process = started(plant, "--workers", workers)
    first_report(out)
    if word == signal.SIGINT:
        os.killpg(process.pid, word)  # what a terminal does
    else:
        process.terminate()
    begun = time.monotonic()
    detected = process.communicate(timeout=30)
    assert time.monotonic() - begun < 10
    assert process.returncode == status
    assert detected[0] == b""
    line, *more = detected[1].decode().splitlines()
    assert more == [], detected
    done = len(list(out.glob("*/made-from.json")))
    count = "1 drive is" if done == 1 else f"{done} drives are" if done else "no drive is"
    assert line.startswith(f"interrupted: {count} done of 24")
    assert "not done: T-" in line
    assert line.endswith("Nothing is lost: the same command goes on where this one stopped")
    assert not (out / "index.html").exists()
    assert not list(out.rglob("*.part"))
    assert all_gone(process.pid)


@pytest.mark.skipif(os.name == "nt", reason="no process groups")
def test_workers_end_when_their_parent_is_killed_and_the_run_is_resumed(vibe: Vibe, plant: Path) -> None:
    out = plant / "out"
    process = started(plant, "--workers", "2", "--no-pdf")
    first_report(out)
    process.kill()
    process.communicate()
    assert all_gone(process.pid)
    before = {path: path.stat().st_mtime_ns for path in out.glob("*/health.json")}
    stamped = [path.parent for path in out.glob("*/made-from.json")]
    resumed = vibe("run", plant / "route.toml", "--out", out, "--workers", 1, "--no-pdf")
    assert resumed.status == 0, resumed.err
    first = resumed.err.splitlines()[0]
    assert f"{5 - len(stamped)} remain" in first
    assert {path for path in before if path.parent in stamped} == {
        path for path, then in before.items() if path.stat().st_mtime_ns == then
    }
    assert len(list(out.glob("*/health.json"))) == 5
    assert (out / "index.html").is_file()


@pytest.mark.slow
def test_a_run_that_is_begun_again_leaves_no_page_of_the_one_before(vibe: Vibe, plant: Path) -> None:
    out = plant / "out"
    assert vibe("run", plant / "route.toml", "--out", out, "--workers", 1).status == 0
    assert len(list(out.glob("*/health.pdf"))) == 5 or "PDF could not be made" in (out / "run.json").read_text()
    again = ["run", plant / "route.toml", "--out", out, "--workers", 1, "--no-pdf"]
    assert vibe(*again).status == 2
    assert vibe(*again, "--force").status == 0
    # A page of the one before would belong to other numbers.
    assert not list(out.glob("*/health.pdf"))


def test_a_drive_that_cannot_be_reported_is_status_2_after_all_that_could(vibe: Vibe, plant: Path) -> None:
    taken = plant / "out" / "T-3" / "health.json"
    taken.parent.mkdir(parents=True)
    taken.write_text("precious", encoding="utf-8")
    answer = vibe("run", plant / "route.toml", "--out", plant / "out", "--workers", 1, "--no-pdf")
    assert answer.status == 2
    assert len(answer.errors) == 1
    assert "1 drive of 5" in answer.errors[0]
    assert "T-3" in answer.errors[0]
    assert taken.read_text(encoding="utf-8") == "precious"
    assert len(list((plant / "out").glob("*/health.html"))) == 4
    assert (plant / "out" / "index.html").is_file()


def test_no_capture_of_any_drive_is_reported_whatever_the_workers(vibe: Vibe, plant: Path) -> None:
    for sidecar in (plant / "captures").glob("*.toml"):
        sidecar.write_text('drive = "nobody\'s"\n', encoding="utf-8")
    for workers in (1, 2):
        answer = vibe("run", plant / "route.toml", "--out", plant / f"out{workers}", "--workers", workers, "--strict")
        assert answer.status == 3, answer.err
        assert answer.err.count("nobody's") == 5


def test_an_interrupted_run_of_new_drives_says_that_it_can_go_on(
    vibe: Vibe, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken_off(*_: object, **__: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr("vibe.flow.commissioning.acceptance.run_commissioning", broken_off)
    recipe = tmp_path / "recipe.toml"
    recipe.write_text('kind = "commissioning"\ntitle = "t"\ncaptures = "sets"\n', encoding="utf-8")
    answer = vibe("run", recipe)
    assert answer.status == 130
    assert answer.err.strip().endswith("certificates that were written stay, and the same command makes the others")
