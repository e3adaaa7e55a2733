"""Histories that ``--store`` names, once or several times."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from vibe.core.errors import CallError


def one_store(folders: Sequence[Path], why: str = "this concerns one history") -> Path:
    """The one folder that was given. Raises: CallError: several were."""
    if len(folders) > 1:
        raise CallError(f"--store is given {len(folders)} times, and {why}")
    return folders[0]


def sites_of(folders: Sequence[Path]) -> list[tuple[str, Path]]:
    """Each store with what its site is called. Raises: CallError: one is given twice."""
    from vibe.history.store.layout import site_name

    if len({folder.resolve() for folder in folders}) < len(folders):
        raise CallError("one store is given twice")
    return [(site_name(folder), folder) for folder in folders]
