"""A small drive, two captures of it, and the command line called as a process would call it."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from tests.cli.calls import DRIVE, Answer, Vibe
from vibe.cli.main import main


@pytest.fixture
def vibe(capsys: pytest.CaptureFixture[str]) -> Vibe:
    def call(*words: object) -> Answer:
        capsys.readouterr()
        with pytest.raises(SystemExit) as end:
            main([str(word) for word in words])
        detected = capsys.readouterr()
        return Answer(int(end.value.code or 0), detected.out, detected.err)

    return call


@pytest.fixture(scope="session")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with ``drive.toml``, a fit capture, one of a stopped machine, and one that is no capture."""
    from vibe.flow.samples.simulation import simulate_file

    folder = tmp_path_factory.mktemp("bench")
    drive = folder / "drive.toml"
    drive.write_text(DRIVE, encoding="utf-8")
    usual: dict[str, Any] = {"duration_s": 2.0, "sample_rate_hz": 8192.0, "points": ("output side radial",)}
    captures = folder / "captures"
    simulate_file(drive, [], 1, captures / "fit.h5", False, **usual)
    simulate_file(drive, [], 2, captures / "stopped.h5", False, running=False, **usual)
    (captures / "broken.h5").write_bytes(b"\x89HDF\r\n\x1a\n" + bytes(64))
    return folder


@pytest.fixture(scope="session")
def drive(bench: Path) -> Path:
    return bench / "drive.toml"


@pytest.fixture(scope="session")
def fit(bench: Path) -> Path:
    return bench / "captures" / "fit.h5"


@pytest.fixture(scope="session")
def stopped(bench: Path) -> Path:
    return bench / "captures" / "stopped.h5"


@pytest.fixture(scope="session")
def broken(bench: Path) -> Path:
    return bench / "captures" / "broken.h5"


@pytest.fixture(scope="session")
def diagnosed(drive: Path, fit: Path) -> tuple[str, str]:
    """Standard output and standard error of ``vibe diagnose --json -``, as a process of its own."""
    command = [sys.executable, "-m", "vibe.cli.main", "diagnose", str(fit), "--drive", str(drive), "--json", "-"]
    done = subprocess.run(command, capture_output=True, text=True, check=True)
    return done.stdout, done.stderr
