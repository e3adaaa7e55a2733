"""What the world does to the folders of a run: links, devices, no room, folders that vanish, two runs at once."""

from __future__ import annotations

import os
import shutil
import subprocess
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from tests.plant import drive_text
from vibe.core.errors import OutputError
from vibe.flow.route.plan import plan_route
from vibe.flow.run import run as running
from vibe.flow.run.outcome import RunOutcome
from vibe.flow.samples import simulation
from vibe.storage.files import JOURNAL

pytestmark = pytest.mark.skipif(os.name == "nt", reason="links and disks of another system")

RECIPE = 'kind = "route"\ntitle = "t"\ndrives = ["drives"]\ncaptures = "captures"\npdf = false\n'


@pytest.fixture(scope="module")
def plain(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("plain")
    (folder / "drives").mkdir()
    drive = folder / "drives" / "A-1.toml"
    drive.write_text(drive_text(), encoding="utf-8")
    usual: dict[str, Any] = {"duration_s": 2.0, "sample_rate_hz": 8192.0, "points": ("housing",)}
    simulation.simulate_file(drive, [], 1, folder / "captures" / "a.h5", False, **usual)
    (folder / "route.toml").write_text(RECIPE, encoding="utf-8")
    return folder


def run(plant: Path, **more: Any) -> RunOutcome:
    return running.run_recipe(plant / "route.toml", **({"out": plant / "out", "workers": 1} | more))  # type: ignore[arg-type]


def test_links_among_captures_count_once_and_lead_nowhere_else(plant: Path) -> None:
    captures = plant / "captures"
    os.link(captures / "a.h5", captures / "hard.h5")
    (captures / "soft.h5").symlink_to("a.h5")
    (captures / "gone.h5").symlink_to("nowhere.h5")
    (captures / "circle").symlink_to(".")
    # What a writer that was ended had begun is no capture.
    shutil.copy(captures / "a.h5", captures / ".a.h5.0123abcd.part")
    outcome = run(plant)
    assert [(row.tag, row.captures) for row in outcome.rows] == [("A-1", 1)]


@pytest.mark.parametrize("force", [False, True])
def test_a_folder_in_the_place_of_a_page_stays(plant: Path, force: bool) -> None:
    (plant / "out" / "index.html").mkdir(parents=True)
    with pytest.raises(OutputError, match=r"index\.html"):
        run(plant, force=force)
    assert (plant / "out" / "index.html").is_dir()


def test_out_may_be_a_link_to_elsewhere_and_not_to_nowhere(plant: Path) -> None:
    (plant / "elsewhere").mkdir()
    (plant / "out").symlink_to("elsewhere")
    run(plant)
    assert (plant / "elsewhere" / "A-1" / "health.json").is_file()
    (plant / "lost").symlink_to("gone")
    with pytest.raises(OutputError, match="leads nowhere"):
        run(plant, out=plant / "lost")
    assert not (plant / "gone").exists()


def test_out_below_the_captures_is_never_taken_for_captures(plant: Path) -> None:
    for _ in range(2):
        outcome = run(plant, out=plant / "captures" / "out", force=True)
        assert [row.captures for row in outcome.rows] == [1]


def test_reports_that_vanish_in_mid_run_are_one_sentence(plant: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    real: Callable[..., object] = running.summed_up  # type: ignore[attr-defined]

    def vanished(*args: object, **kwargs: object) -> object:
        shutil.rmtree(plant / "out")
        return real(*args, **kwargs)

    monkeypatch.setattr(running, "summed_up", vanished)
    with pytest.raises(OutputError, match="run again"):
        run(plant)
    monkeypatch.undo()
    assert run(plant).rows[0].files is not None


def test_a_full_disk_is_one_sentence_and_the_next_run_ends_it(plant: Path) -> None:
    disk = plant / "disk"
    disk.mkdir()
    command = ["mount", "-t", "tmpfs", "-o", "size=256k", "tmpfs", str(disk)]
    if shutil.which("mount") is None or subprocess.run(command, capture_output=True, check=False).returncode:
        pytest.skip("no disk may be mounted here")
    try:
        out = disk / "out"
        with pytest.raises(Exception, match="No space left"):
            run(plant, out=out)
        assert not list(out.rglob("*.part"))
        subprocess.run(["mount", "-o", "remount,size=64m", str(disk)], check=True)
        assert run(plant, out=out).rows[0].files is not None
        assert not (out / JOURNAL).exists()
    finally:
        subprocess.run(["umount", str(disk)], check=True)


def test_what_an_ended_planning_left_is_swept(tmp_path: Path) -> None:
    (tmp_path / "A-1.toml").write_text(drive_text(), encoding="utf-8")
    route = tmp_path / "walk.toml"
    route.write_text(
        'title = "t"\ndrives = ["A-1.toml"]\n[[stop]]\ndrive = "A-1"\nwhere = "x"\n[[stop.point]]\nname = "p"\n',
        encoding="utf-8",
    )
    left = tmp_path / "out" / ".plan.0123abcd.stage"
    left.mkdir(parents=True)
    (left / "plan.csv").touch()
    plan_route(route, tmp_path / "out", False, pdf=False)
    assert not left.exists()
