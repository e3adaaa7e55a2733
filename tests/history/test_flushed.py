"""A store waits for the disk, though the other tests do not let it."""

from __future__ import annotations

import importlib.util
import sqlite3
from pathlib import Path

import pytest

from vibe.history.store import schema
from vibe.history.store.store import Store

FULL = 2
"""As SQLite numbers what waits for the disk at every commit."""


def test_every_commit_waits_until_it_is_on_the_disk(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    spec = importlib.util.find_spec(schema.__name__)
    assert spec is not None
    assert spec.loader is not None
    as_written = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(as_written)
    monkeypatch.setattr(schema, "SYNCHRONOUS", as_written.SYNCHRONOUS)
    found: list[int] = []
    ready = schema._ready

    def asked(connection: sqlite3.Connection, *rest: object, **more: object) -> None:
        ready(connection, *rest, **more)  # type: ignore[arg-type]
        found.append(connection.execute("PRAGMA synchronous").fetchone()[0])

    monkeypatch.setattr(schema, "_ready", asked)
    Store.open(tmp_path / "history", create=True).close()
    assert found
    assert set(found) == {FULL}
