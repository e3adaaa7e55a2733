from __future__ import annotations

import os
from pathlib import Path

import pytest


@pytest.fixture(scope="session")
def open_data() -> Path:
    root = Path(__file__).parents[2]
    folder = Path(os.environ.get("VIBE_OPEN_DATA", root.parent / "shared" / "open_data"))
    if not folder.is_dir():
        pytest.skip("the measured example data are not here (set VIBE_OPEN_DATA)")
    return folder
