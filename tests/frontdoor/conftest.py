"""A drive, a sound and a damaged capture of it, and their results: made once."""

from __future__ import annotations

from pathlib import Path

import pytest

import vibe


@pytest.fixture(scope="session")
def drive(repository: Path) -> vibe.Drive:
    return vibe.read_drive(repository / "configs" / "drives" / "thickener_rake_south.toml")


@pytest.fixture(scope="session")
def damaged(drive: vibe.Drive) -> vibe.Capture:
    return vibe.simulate(drive, damage="stage1.lobe:1.5", seed=3)


@pytest.fixture(scope="session")
def result(damaged: vibe.Capture, drive: vibe.Drive) -> vibe.Result:
    return vibe.diagnose(damaged, drive)
