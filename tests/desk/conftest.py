"""A store with cases, made once; each test that changes something gets a copy."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.desk.sites_of_desk import Browser, desk_of, filled
from tests.report.browsing import offline_chromium


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


@pytest.fixture(scope="session")
def chrome(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    """A real browser that reaches this machine alone."""
    yield from offline_chromium(tmp_path_factory, width=1400, offline=False)
