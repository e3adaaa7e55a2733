"""Files to values: captures, drives, recipes, routes; and the verdict on a capture's quality.

``read_capture`` and ``find_captures`` read any known format (one file each in ``formats/``, listed in
``registry.py``), ``write_hdf5`` writes the native one, ``load_drive``, ``load_drives``, ``load_recipe`` and
``load_model`` read TOML, ``load_route``, ``route_drives``, ``name_says`` and ``read_on_route`` bring captures into the
words of a route, ``same_content`` and ``samples_hash`` find what was delivered twice, ``assess`` and
``assess_tachometer`` judge a channel. The names are loaded when first used: importing this room costs nothing.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from vibe.ingest.config.drive_file import drive_files as drive_files
    from vibe.ingest.config.drive_file import load_drive as load_drive
    from vibe.ingest.config.drive_file import load_drives as load_drives
    from vibe.ingest.config.recipe_file import load_recipe as load_recipe
    from vibe.ingest.config.toml_file import load_model as load_model
    from vibe.ingest.formats.hdf5_writer import write_hdf5 as write_hdf5
    from vibe.ingest.quality.assessment import assess as assess
    from vibe.ingest.quality.assessment import assess_tachometer as assess_tachometer
    from vibe.ingest.quality.assessment import dead_channels as dead_channels
    from vibe.ingest.quality.assessment import with_drift as with_drift
    from vibe.ingest.quality.segments import over_segments as over_segments
    from vibe.ingest.read import find_captures as find_captures
    from vibe.ingest.read import read_capture as read_capture
    from vibe.ingest.route.duplicates import same_content as same_content
    from vibe.ingest.route.duplicates import samples_hash as samples_hash
    from vibe.ingest.route.file_rules import Named as Named
    from vibe.ingest.route.file_rules import name_says as name_says
    from vibe.ingest.route.route_capture import read_on_route as read_on_route
    from vibe.ingest.route.route_file import load_route as load_route
    from vibe.ingest.route.route_file import route_drives as route_drives

_HOME = {
    "drive_files": "config.drive_file",
    "load_drive": "config.drive_file",
    "load_drives": "config.drive_file",
    "load_recipe": "config.recipe_file",
    "load_model": "config.toml_file",
    "load_route": "route.route_file",
    "route_drives": "route.route_file",
    "Named": "route.file_rules",
    "name_says": "route.file_rules",
    "read_on_route": "route.route_capture",
    "same_content": "route.duplicates",
    "samples_hash": "route.duplicates",
    "read_capture": "read",
    "find_captures": "read",
    "write_hdf5": "formats.hdf5_writer",
    "over_segments": "quality.segments",
    "assess": "quality.assessment",
    "assess_tachometer": "quality.assessment",
    "dead_channels": "quality.assessment",
    "with_drift": "quality.assessment",
}


def __getattr__(name: str) -> Any:
    if name not in _HOME:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(f"{__name__}.{_HOME[name]}"), name)
