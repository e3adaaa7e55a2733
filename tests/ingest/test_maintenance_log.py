"""Maintenance books."""

from __future__ import annotations

from pathlib import Path

import pytest

from vibe.core.errors import ConfigError
from vibe.ingest.tables.maintenance_log import load_events

ENTRY = '[[event]]\ndrive = "SM-01"\nat = {at}\nkind = "{kind}"\n'


def book(folder: Path, at: str = "2025-04-18T08:00:00+02:00", kind: str = "bearing change") -> Path:
    path = folder / "book.toml"
    path.write_text(ENTRY.format(at=at, kind=kind), encoding="utf-8")
    return path


def test_an_entry_begins_a_new_baseline_unless_it_says_otherwise(tmp_path: Path) -> None:
    (event,) = load_events(book(tmp_path))
    assert (event.drive, event.kind, event.new_baseline) == ("SM-01", "bearing change", True)
    assert event.at.isoformat() == "2025-04-18T08:00:00+02:00"


def test_a_clock_without_offset_needs_a_zone(tmp_path: Path) -> None:
    path = book(tmp_path, at="2025-04-18T08:00:00")
    with pytest.raises(ConfigError, match="time zone"):
        load_events(path)
    (event,) = load_events(path, "Europe/Vienna")
    assert event.at.isoformat() == "2025-04-18T08:00:00+02:00"


def test_an_unknown_kind_is_refused_with_its_line(tmp_path: Path) -> None:
    with pytest.raises(ConfigError, match="line 4"):
        load_events(book(tmp_path, kind="polishing"))
