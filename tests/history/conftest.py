"""A store to begin with."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from vibe.history.store.store import Store


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store.open(tmp_path / "history", create=True) as opened:
        yield opened
