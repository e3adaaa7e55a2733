"""What tests of the flow share: a folder of drives and captures that a test may spoil."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest


@pytest.fixture
def plant(plain: Path, tmp_path: Path) -> Path:
    """A copy of the module's ``plain`` one, for one test alone."""
    return Path(shutil.copytree(plain, tmp_path / "plant"))
