"""What every folder of tests may need: where the repository is, its settings, and the measured captures."""

from __future__ import annotations

import gc
import os
import sys
from collections.abc import Generator, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

if "PYTEST_XDIST_WORKER" in os.environ:
    # There is a process per core already; before numpy is loaded, since its library reads these once.
    for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
        os.environ.setdefault(name, "1")

from tests.open_data import OPEN_DATA
from tests.report.browsing import offline_chromium

if TYPE_CHECKING:
    from vibe.flow.settings import Settings

# What one process of the suite compiles, the other workers and each command that a test starts read.
sys.dont_write_bytecode = False
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)


@pytest.hookimpl(wrapper=True)
def pytest_collection() -> Generator[None, object, object]:
    """Collect without the search for garbage, which takes a third of the time and finds next to none."""
    gc.disable()
    try:
        return (yield)
    finally:
        gc.enable()


@pytest.fixture(scope="session")
def repository() -> Path:
    return Path(__file__).resolve().parents[1]


@pytest.fixture(scope="session")
def settings() -> Settings:
    """The rules and numbers of ``configs/``, as the program loads them."""
    from vibe.flow.settings import load_settings

    return load_settings()


@pytest.fixture(scope="session", autouse=True)
def no_waiting_for_disks() -> Iterator[None]:
    """What tests write has to outlive processes, which it does without, but not this machine.

    What outlives a cut of the power is tried by ``flow/test_power_cuts.py``, which keeps its own account of what was
    flushed; ``history/test_flushed.py`` holds that stores flush. Programs that tests start are left as they are.
    """
    from vibe.history.store import schema

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(os, "fsync", lambda _: None)
        patch.setattr(schema, "SYNCHRONOUS", "OFF")
        yield


@pytest.fixture(scope="session", autouse=True)
def one_core() -> Iterator[None]:
    """Work is spread over processes where a test asks for them, on any machine: other cores have tests of their own."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(os, "cpu_count", lambda: 1)
        yield


@pytest.fixture(scope="session")
def open_data() -> Path:
    """The folder of measured captures that nobody here made; they are no part of the repository."""
    if not OPEN_DATA.is_dir():
        pytest.skip(f"the measured captures are not at {OPEN_DATA}; set VIBE_OPEN_DATA")
    return OPEN_DATA


@pytest.fixture(scope="session")
def offline_browser(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    """One for all pages that are opened from files; ``tests.report.browsing.fresh`` clears it for a module."""
    yield from offline_chromium(tmp_path_factory, width=1200)


@pytest.fixture(scope="session")
def printing() -> None:
    """For tests that need PDFs as vibe draws them: skips, and says why, where the library for that is missing."""
    from vibe.report.printing.printer import PRINTER, DrawingError

    try:
        PRINTER.draw("<!doctype html><title>T</title><p>Some words.</p>")
    except (OSError, DrawingError) as error:
        pytest.skip(f"no PDF can be drawn here: {error}")
