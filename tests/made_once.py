"""What takes long to make is made by one process of the suite, and read by the others."""

from __future__ import annotations

import os
import pickle
import time
from collections.abc import Callable
from pathlib import Path
from typing import TypeVar

import pytest

from vibe.storage.locks import hold

Made = TypeVar("Made")


def made_once(factory: pytest.TempPathFactory, name: str, make: Callable[[Path], Made]) -> Made:
    """What ``make`` gives for an empty folder of its own, of all processes of this run the same; it must be picklable.

    What one makes, the others wait for: they must not change the folder.
    """
    common = factory.getbasetemp()
    if "PYTEST_XDIST_WORKER" in os.environ:
        common = common.parent
    kept = common / f"{name}.pickle"
    with (common / f"{name}.lock").open("wb") as lock:
        while not hold(lock):
            time.sleep(0.1)
        if not kept.exists():
            folder = common / f"{name}_made"
            folder.mkdir(exist_ok=True)
            kept.write_bytes(pickle.dumps(make(folder)))
    made: Made = pickle.loads(kept.read_bytes())
    return made
