"""Files to values: captures, drives, recipes; and the verdict on a capture's quality.

``read_capture`` and ``find_captures`` read any known format (one file each in ``formats/``, listed in
``registry.py``), ``write_hdf5`` writes the native one, ``load_drive``, ``load_drives``, ``load_recipe`` and
``load_model`` read TOML, ``assess`` and ``assess_tachometer`` judge a channel. The names are loaded when first used:
importing this room costs nothing.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from vibe.ingest.drive_file import drive_files as drive_files
    from vibe.ingest.drive_file import load_drive as load_drive
    from vibe.ingest.drive_file import load_drives as load_drives
    from vibe.ingest.native_writer import write_hdf5 as write_hdf5
    from vibe.ingest.quality import assess as assess
    from vibe.ingest.quality import assess_tachometer as assess_tachometer
    from vibe.ingest.quality import with_drift as with_drift
    from vibe.ingest.read import find_captures as find_captures
    from vibe.ingest.read import read_capture as read_capture
    from vibe.ingest.recipe_file import load_recipe as load_recipe
    from vibe.ingest.toml_file import load_model as load_model

_HOME = {
    "drive_files": "drive_file",
    "load_drive": "drive_file",
    "load_drives": "drive_file",
    "load_recipe": "recipe_file",
    "load_model": "toml_file",
    "read_capture": "read",
    "find_captures": "read",
    "write_hdf5": "native_writer",
    "assess": "quality",
    "assess_tachometer": "quality",
    "with_drift": "quality",
}


def __getattr__(name: str) -> Any:
    if name not in _HOME:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(f"{__name__}.{_HOME[name]}"), name)
