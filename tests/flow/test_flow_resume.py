"""A run that was interrupted goes on where it stopped; nothing is done twice, lost, or replaced that is not its own."""

from __future__ import annotations

import json
import os
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from tests.flow.run_folders import contents
from tests.plant import drive_text
from vibe.core.drive import Drive
from vibe.core.drive_report import DriveReport
from vibe.core.errors import OutputError
from vibe.core.tones import ToneTable
from vibe.flow.diagnose import drive_diagnosis
from vibe.flow.run import resume
from vibe.flow.run import run as running
from vibe.flow.run.outcome import RunOutcome
from vibe.flow.samples import simulation
from vibe.storage.files import JOURNAL

RECIPE = """\
kind = "route"
title = "A round"
drives = ["drives"]
captures = "captures"
limits = "limits.toml"
pdf = false
"""
TAGS = ("A-1", "B-2", "C-3", "D-4")


@pytest.fixture(scope="module")
def plain(tmp_path_factory: pytest.TempPathFactory, repository: Path) -> Path:
    """Four drives, and what an undisturbed run makes of them in ``whole``."""
    folder = tmp_path_factory.mktemp("plain")
    (folder / "drives").mkdir()
    for number, tag in enumerate(TAGS):
        drive = folder / "drives" / f"{tag}.toml"
        drive.write_text(drive_text(tag, power_kw=2.2), encoding="utf-8")
        usual: dict[str, Any] = {"duration_s": 1.0, "sample_rate_hz": 5120.0, "points": ("housing",)}
        simulation.simulate_file(drive, [], number, folder / "captures" / f"{tag}.h5", False, **usual)
    shutil.copy(repository / "configs" / "limits.toml", folder)
    (folder / "route.toml").write_text(RECIPE, encoding="utf-8")
    running.run_recipe(folder / "route.toml", out=folder / "whole", workers=1)
    return folder


_KNOWN: dict[tuple[object, ...], DriveReport] = {}


class Counted:
    """Which drives were analysed. What is known of the same files is not worked out again, and no picture is drawn:
    here it matters that it is asked for."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self.tags: list[str] = []
        real = drive_diagnosis.drive_report_of

        def counting(drive: Drive, table: ToneTable, captures: Sequence[Path], *rest: Any) -> DriveReport:
            self.tags.append(drive.tag)
            next_to = [path.with_name(f"{path.name}.toml") for path in captures]
            key = (drive.tag, *(path.read_bytes() for path in (*captures, *next_to) if path.exists()))
            if key not in _KNOWN:
                drive_report = real(drive, table, captures, *rest)
                _KNOWN[key] = replace(drive_report, finding_plots=(), overview_plots=())
            return _KNOWN[key]

        monkeypatch.setattr(running, "drive_report_of", counting)


@pytest.fixture(autouse=True)
def counted(monkeypatch: pytest.MonkeyPatch) -> Counted:
    return Counted(monkeypatch)


def run(plant: Path, **more: Any) -> tuple[RunOutcome, list[str]]:
    said: list[str] = []
    usual: dict[str, object] = {"out": plant / "out", "workers": 1, "say": said.append}
    return running.run_recipe(plant / "route.toml", **(usual | more)), said  # type: ignore[arg-type]


def interrupted(plant: Path, after: int, **more: Any) -> None:
    def stop(done: int, total: int, what: str) -> None:
        if done == after:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        run(plant, progress=stop, **more)
    assert (plant / "out" / JOURNAL).is_file()


def finished_in(out: Path) -> list[Path]:
    return sorted(path.parent for path in out.glob(f"*/{resume.STAMP}"))


@pytest.mark.skipif(os.name == "nt", reason="no such signal")
def test_a_killed_run_is_resumed_and_equals_one_that_was_not_disturbed(plant: Path, counted: Counted) -> None:
    out = plant / "out"
    command = [sys.executable, "-m", "vibe.cli.main", "run", str(plant / "route.toml"), "--out", str(out)]
    process = subprocess.Popen([*command, "--workers", "1"], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    until = time.monotonic() + 60
    while len(finished_in(out)) < 2:
        assert time.monotonic() < until, "no drive was finished"
        time.sleep(0.005)
    process.send_signal(signal.SIGKILL)
    process.wait()
    done = finished_in(out)
    assert 2 <= len(done) < len(TAGS)
    assert not (out / "index.html").exists()
    pages = {path: path.stat().st_mtime_ns for folder in done for path in folder.iterdir()}

    outcome, said = run(plant)
    names = [folder.name for folder in done]
    assert said == [
        f"{len(done)} drives were finished before the run was interrupted and are kept; "
        + ("1 remains" if len(done) == 3 else "2 remain")
    ]
    assert outcome.kept == tuple(names)
    assert sorted(counted.tags) == sorted(set(TAGS) - set(names))
    assert {path: path.stat().st_mtime_ns for path in pages} == pages
    assert contents(out) == contents(plant / "whole")


def test_a_resumed_run_has_an_end(plant: Path, counted: Counted) -> None:
    interrupted(plant, after=1)
    run(plant)
    assert not (plant / "out" / JOURNAL).exists()
    with pytest.raises(OutputError, match="--force"):
        run(plant)
    assert len(counted.tags) == len(TAGS)
    outcome, said = run(plant, force=True)
    assert len(counted.tags) == 2 * len(TAGS)
    assert (outcome.kept, said) == ((), [])


def test_interrupted_before_the_first_and_after_the_last_drive(plant: Path, counted: Counted) -> None:
    interrupted(plant, after=0)
    assert not finished_in(plant / "out")
    interrupted(plant, after=4)  # resumes, and is broken off just before the page for all
    assert len(counted.tags) == 4
    outcome, said = run(plant)
    assert len(counted.tags) == 4
    assert said[0].endswith("are kept; none remains")
    assert outcome.kept == TAGS
    assert contents(plant / "out") == contents(plant / "whole")


def change_capture(plant: Path) -> None:
    drive = plant / "drives" / "A-1.toml"
    usual: dict[str, Any] = {"duration_s": 1.0, "sample_rate_hz": 5120.0, "points": ("housing",)}
    simulation.simulate_file(drive, [], 77, plant / "captures" / "A-1.h5", True, **usual)


def change_sidecar(plant: Path) -> None:
    (plant / "captures" / "A-1.h5.toml").write_text("speed_rpm = 1451.0\n", encoding="utf-8")


def change_drive(plant: Path) -> None:
    with (plant / "drives" / "A-1.toml").open("a", encoding="utf-8") as stream:
        stream.write("# another disc was fitted\n")


def change_limits(plant: Path) -> None:
    with (plant / "limits.toml").open("a", encoding="utf-8") as stream:
        stream.write("# looked at again\n")


@pytest.mark.parametrize(
    ("change", "named", "redone"),
    [
        (change_capture, "A-1 is repeated, because A-1.h5 has changed since", ["A-1"]),
        (change_sidecar, "A-1 is repeated, because A-1.h5.toml has changed since", ["A-1"]),
        (change_drive, "A-1 is repeated, because the drive file has changed since", ["A-1"]),
        (change_limits, "B-2 is repeated, because limits.toml has changed since", ["A-1", "B-2"]),
    ],
)
def test_what_changed_between_is_done_again_and_the_run_says_so(
    plant: Path, counted: Counted, change: Callable[[Path], None], named: str, redone: list[str]
) -> None:
    interrupted(plant, after=2)
    del counted.tags[:]
    change(plant)
    _, said = run(plant)
    assert named in said[0]
    assert counted.tags == [*redone, "C-3", "D-4"]


@pytest.mark.parametrize("harm", ["page gone", "page cut", "stamp cut"])
def test_what_is_not_whole_is_done_again(plant: Path, counted: Counted, harm: str) -> None:
    interrupted(plant, after=2)
    del counted.tags[:]
    own = plant / "out" / "A-1"
    if harm == "page gone":
        (own / "health.html").unlink()
    else:
        page = own / ("health.json" if harm == "page cut" else resume.STAMP)
        page.write_bytes(page.read_bytes()[:200])
    run(plant)
    assert counted.tags == ["A-1", "C-3", "D-4"]
    assert contents(plant / "out") == contents(plant / "whole")


@pytest.mark.parametrize("name", ["health.json", resume.STAMP])
def test_pages_that_were_there_before_are_never_replaced_unasked(plant: Path, name: str) -> None:
    precious = plant / "out" / "B-2" / name
    precious.parent.mkdir(parents=True)
    precious.write_text("precious", encoding="utf-8")
    interrupted(plant, after=3)
    outcome, _ = run(plant)
    assert precious.read_text(encoding="utf-8") == "precious"
    assert len(outcome.failures) == 1
    assert "--force" in outcome.failures[0]


def test_only_what_is_ours_is_swept_away(plant: Path) -> None:
    interrupted(plant, after=2)
    out = plant / "out"
    ours = [out / "C-3" / ".health.html.abcdefgh.part", out / ".run.json.0a_b1c2d.part"]
    others = [
        out / "C-3" / ".notes.txt.abcdefgh.part",
        out / ".run.json.part",
        out / "E-5" / ".health.html.abcdefgh.part",
    ]
    for path in (*ours, *others):
        path.parent.mkdir(exist_ok=True)
        path.write_text("half", encoding="utf-8")
    run(plant)
    assert [path.exists() for path in ours] == [False] * len(ours)
    assert [path.exists() for path in others] == [True] * len(others)


def test_a_forced_run_that_is_interrupted_is_resumed_as_one(plant: Path, counted: Counted) -> None:
    """What the run before it had finished counts for nothing: all was to be done again."""
    run(plant)
    del counted.tags[:]
    interrupted(plant, after=1, force=True)
    outcome, _ = run(plant)
    assert outcome.kept == ("A-1",)
    assert counted.tags == list(TAGS)


def test_an_interrupted_run_of_another_recipe_is_not_gone_on_with(plant: Path) -> None:
    interrupted(plant, after=1)
    before = contents(plant / "out")
    (plant / "route.toml").write_text(RECIPE.replace("A round", "Another"), encoding="utf-8")
    with pytest.raises(OutputError, match=r"interrupted run of 'A round'.*--force"):
        run(plant)
    assert contents(plant / "out") == before


def test_two_runs_at_once_into_one_folder(plant: Path, counted: Counted) -> None:
    with resume.journal_in(plant / "out"), pytest.raises(OutputError, match="another run is writing into"):
        run(plant, force=True)
    assert counted.tags == []
    assert not (plant / "out").exists()
    # A process that holds it and is killed leaves nothing that must be cleared by hand.
    code = (
        "import sys, time; from pathlib import Path; from vibe.flow.run import resume as resuming\n"
        "with resuming.journal_in(Path(sys.argv[1])) as journal:\n"
        "    journal.begin('A round', ['A-1'], afresh=True); print('held', flush=True); time.sleep(60)"
    )
    with subprocess.Popen([sys.executable, "-c", code, str(plant / "out")], stdout=subprocess.PIPE) as process:
        assert process.stdout is not None
        assert process.stdout.readline() == b"held" + os.linesep.encode()
        with pytest.raises(OutputError, match="another run is writing into"):
            run(plant)
        process.kill()
    run(plant)
    assert contents(plant / "out") == contents(plant / "whole")


def test_a_journal_cut_off_in_its_last_line_is_read(plant: Path) -> None:
    interrupted(plant, after=2)
    journal = plant / "out" / JOURNAL
    journal.write_bytes(journal.read_bytes() + b'\n{"drives": ["A-1", "B-')
    outcome, _ = run(plant)
    assert outcome.kept == ("A-1", "B-2")


def test_a_capture_that_came_while_the_run_was_down_is_reported_too(plant: Path) -> None:
    late = plant / "captures" / "D-4.h5"
    late.rename(plant / "late.h5")
    interrupted(plant, after=2)
    (plant / "late.h5").rename(late)
    interrupted(plant, after=1)
    outcome, _ = run(plant)
    assert outcome.failures == ()
    assert contents(plant / "out") == contents(plant / "whole")


def test_a_stamp_says_what_a_report_was_made_from(plant: Path) -> None:
    record = json.loads((plant / "whole" / "A-1" / resume.STAMP).read_text(encoding="utf-8"))
    assert set(record["made_from"]) >= {"vibe", "pdf", "limits.toml", "the drive file", "A-1.h5"}
    capture = json.loads((plant / "whole" / "A-1" / "health.json").read_text(encoding="utf-8"))["captures"][0]
    assert record["made_from"]["A-1.h5"] == capture["sha256"]
    one, other = {"a": "1", "b": "2"}, {"b": "2", "a": "1"}
    assert resume.content_of(one) == resume.content_of(other) != resume.content_of({"a": "2", "b": "1"})
