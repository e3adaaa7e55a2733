"""Captures on their way into a store when the disk is full or the process is asked to end."""

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

from tests.plant import drive_text
from vibe.core.errors import OutputError
from vibe.flow.history.bulk_import import Delivery, keep_files
from vibe.flow.samples.simulation import simulate_file
from vibe.history.store.maintenance import verify
from vibe.history.store.store import Store

COUNT = 12


@pytest.fixture(scope="module")
def plant(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A drive and captures of it, no two alike."""
    folder = tmp_path_factory.mktemp("plant")
    (folder / "drive.toml").write_text(drive_text("T-1"), encoding="utf-8")
    captures = folder / "captures"
    first = captures / "00.h5"
    simulate_file(
        folder / "drive.toml", [], 1, first, False, duration_s=1.0, sample_rate_hz=4096.0, points=("output side",)
    )
    with h5py.File(first, "a") as file:
        file.attrs["measured_at"] = "2026-03-04T08:00:00+01:00"
    for number in range(1, COUNT):
        copy = Path(shutil.copy(first, captures / f"{number:02d}.h5"))
        with h5py.File(copy, "a") as file:
            file.attrs["copy"] = number
    return folder


def test_a_full_disk_says_how_many_were_kept(plant: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    real, kept = os.replace, list[Path]()

    def full(part: Path, path: Path) -> None:
        if len(kept) == 3:
            raise OSError(28, "No space left on device")
        kept.append(path)
        path.parent.mkdir(parents=True, exist_ok=True)
        real(part, path)

    files = sorted((plant / "captures").glob("*.h5"))[:5]
    delivery = Delivery.of(plant, drive=plant / "drive.toml")
    monkeypatch.setattr("vibe.history.store.store.put_in_place", full)
    said = pytest.raises(OutputError, match=r"no space left.*3 of 5 captures were kept by then and stay")
    with Store.open(tmp_path / "history", create=True) as store, said:
        keep_files(files, delivery, store, workers=1)
    monkeypatch.undo()
    with Store.open(tmp_path / "history") as store:
        assert len(store.captures()) == 3
        assert verify(store).wrong == ()
        outcome = keep_files(files, delivery, store, workers=1)
        assert (outcome.added, outcome.there) == (2, 3)


def test_a_full_database_says_how_many_were_kept(plant: Path, tmp_path: Path) -> None:
    files = sorted((plant / "captures").glob("*.h5"))[:5]
    delivery = Delivery.of(plant, drive=plant / "drive.toml")
    with Store.open(tmp_path / "history", create=True) as store:
        keep_files(files[:1], delivery, store, workers=1)
        pages = store.rows("PRAGMA page_count")[0][0]
        store.rows(f"PRAGMA max_page_count = {pages}")
        with pytest.raises(OutputError, match=r"disk is full.*[0-4] of 4 captures w.* kept by then and stay"):
            keep_files(files[1:], delivery, store, workers=1)
        store.rows("PRAGMA max_page_count = 1000000")
        assert verify(store).wrong == ()


@pytest.mark.skipif(os.name == "nt", reason="no process groups")
@pytest.mark.parametrize(
    ("word", "workers", "status"), [("SIGTERM", "1", 143), pytest.param("SIGINT", "2", 130, marks=pytest.mark.slow)]
)
def test_asked_to_end_it_says_how_many_were_kept_and_leaves_the_store_in_order(
    plant: Path, tmp_path: Path, word: str, workers: str, status: int
) -> None:
    store = tmp_path / "history"
    # Where the tests themselves run in the background, interrupts are ignored by them and whatever they start.
    heeds = "import signal, sys; signal.signal(signal.SIGINT, signal.default_int_handler); "
    heeds += "from vibe.cli.main import main; main()"
    words = ["history", "add", str(plant / "captures"), "--drive", str(plant / "drive.toml"), "--store", str(store)]
    process = subprocess.Popen(
        [sys.executable, "-c", heeds, *words, "--workers", workers],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, start_new_session=True,
    )  # fmt: skip
    until = time.monotonic() + 60
    while not list(store.glob("captures/??/*.h5")):
        assert time.monotonic() < until
        assert process.poll() is None, process.communicate()
        time.sleep(0.005)
    os.killpg(process.pid, getattr(signal, word))
    _, said = process.communicate(timeout=30)
    with Store.open(store) as opened:
        kept = len(opened.captures())
        assert verify(opened).wrong == ()
    assert process.returncode == status, said
    assert f"{kept} of {COUNT} captures w" in said
    assert len(said.splitlines()) == 1
    assert not list(store.glob("incoming/*"))
