"""A store with cases, made once; each test that changes something gets a copy."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from tests.desk.sites_of_desk import Browser, desk_of, filled


@pytest.fixture(scope="session")
def judged_store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The store as it was made and judged; no test changes it."""
    folder = filled(tmp_path_factory.mktemp("desk") / "Northfield")
    desk_of(folder)
    return folder


@pytest.fixture(scope="module")
def looker(judged_store: Path) -> Browser:
    """A browser at a desk in which nothing is changed."""
    return Browser(desk_of(judged_store))


@pytest.fixture
def own_store(judged_store: Path, tmp_path: Path) -> Path:
    """A copy that a test may change."""
    return Path(shutil.copytree(judged_store, tmp_path / "Northfield"))


@pytest.fixture
def browser(own_store: Path) -> Browser:
    """A browser at a desk whose store a test may change."""
    return Browser(desk_of(own_store))
