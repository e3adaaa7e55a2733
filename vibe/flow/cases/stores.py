"""Stores as a desk opens them."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from vibe.history.store.store import Store as Store


def opened(folder: Path, *, read_only: bool = False) -> Store:
    """An open store, for one thread; with ``read_only`` nothing of it can be changed through it.

    Raises:
        CallError: there is none, or it is damaged.
    """
    from vibe.history.store.store import Store

    return Store.open(folder, read_only=read_only)


def site_name(folder: Path) -> str:
    """What the site of a store is called."""
    from vibe.history.store.layout import site_name as named

    return named(folder)
