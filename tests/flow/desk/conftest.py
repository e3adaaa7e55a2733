"""An empty store for every test of what a desk asks for."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from vibe.history.store.store import Store


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store.open(tmp_path / "store", create=True) as made:
        yield made
