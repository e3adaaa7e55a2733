"""What a file is that was given where another kind is needed, and which command takes it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from vibe.core.errors import ConfigError
from vibe.storage.toml_text import read_text, toml_of


@dataclass(frozen=True, slots=True)
class FileKind:
    """``name`` with its article, and who takes such a file, as a sentence."""

    name: str
    taken: str


DRIVE = FileKind("a drive file", "`vibe tones`, `vibe plan` and --drive take drive files")
ROUTE = FileKind("a route file", "`vibe plan`, and `vibe check` with --route, take route files")
RECIPE = FileKind("a recipe", "`vibe run` takes recipes")
SIDECAR = FileKind("the sidecar of a capture", "give the capture itself; its sidecar is read along with it")
REQUIREMENTS = FileKind("a file of requirements", "a commissioning set names it")
SET = FileKind("a commissioning set", "`vibe run` with a recipe of kind commissioning takes such sets")
READINGS = FileKind("a file of readings", "--readings of `vibe check` and `vibe run` takes such files")
CAPTURE = FileKind("a capture", "`vibe check` and `vibe diagnose` take captures")
HISTORY = FileKind("the folder of a history", "--store takes it")
DATABASE = FileKind("a database", "of a history give the folder that holds it, with --store")
HEALTH = FileKind("a health report", "health.html next to it shows it in a browser")
CERTIFICATE = FileKind("the record of a certificate", "`vibe certificate verify` takes it")
JSON_FILE = FileKind("a JSON file", "it is what programs read, no input")
PAGE = FileKind("a page", "a browser shows it; `vibe certificate verify` takes those of certificates")
PICTURE = FileKind("a picture", "nothing is read from pictures")
SHEET = FileKind("a spreadsheet or an archive", "unpack it, or save its columns as CSV")

BY_MODEL = {
    "Drive": DRIVE, "Route": ROUTE, "Recipe": RECIPE, "Sidecar": SIDECAR, "Requirements": REQUIREMENTS,
    "CommissioningSet": SET, "ReadingsFile": READINGS,
}  # fmt: skip
"""Kinds of TOML by the form that checks them."""
_KEYS = (
    (SET, {"run", "requirements"}), (REQUIREMENTS, {"requirement"}), (ROUTE, {"stop", "drives"}),
    (SIDECAR, {"channels"}), (READINGS, {"stop"}), (RECIPE, {"kind", "title"}), (DRIVE, {"tag", "input"}),
)  # fmt: skip
"""Keys of its own by which each is known, those that say most first."""
_FIRST_BYTES = (
    (b"\x89HDF\r\n\x1a\n", CAPTURE), (b"RIFF", CAPTURE), (b"RF64", CAPTURE), (b"PAR1", CAPTURE),
    (b"MATLAB ", CAPTURE), (b"    -1", CAPTURE), (b"SQLite format 3\x00", DATABASE), (b"%PDF-", PAGE),
    (b"<!doctype html", PAGE), (b"<html", PAGE), (b"\x89PNG", PICTURE), (b"\xff\xd8\xff", PICTURE),
)  # fmt: skip
"""How files begin, by their own standards; of text in small letters."""
_CAPTURES = (".h5", ".hdf5", ".mat", ".wav", ".npz", ".parquet", ".uff", ".unv", ".csv", ".tsv")
_HEAD_BYTES = 512
"""Far more than any of these beginnings."""


def kind_of_file(path: Path) -> FileKind | None:
    """What ``path`` is, by its first bytes, by its keys where it is TOML, else by its ending; None: nothing that is
    known, empty, or not to be read."""
    try:
        if path.is_dir():
            return HISTORY if (path / "store.sqlite").is_file() else None
        if not path.is_file():
            return None
        with path.open("rb") as stream:
            head = stream.read(_HEAD_BYTES)
    except (OSError, ValueError):
        return None
    suffix = path.suffix.lower()
    if not head:
        return None
    if head.startswith(b"PK\x03\x04"):
        return CAPTURE if suffix == ".npz" else SHEET
    bare = head.lower().lstrip() if head.lstrip()[:1] == b"<" else head
    for begins, kind in _FIRST_BYTES:
        if bare.startswith(begins):
            return kind
    if head.lstrip()[:1] == b"{" and suffix == ".json":
        if path.name == "acceptance.json":
            return CERTIFICATE
        return HEALTH if b'"vibe.health/' in head else JSON_FILE
    if suffix in _CAPTURES:
        return CAPTURE
    return _kind_of_toml(path) if suffix == ".toml" else None


def kind_of_tables(tables: Mapping[str, Any]) -> FileKind | None:
    """Which form of TOML has these keys; None where it is none of those that are given to commands."""
    return next((kind for kind, keys in _KEYS if keys <= tables.keys()), None)


def _kind_of_toml(path: Path) -> FileKind | None:
    try:
        return kind_of_tables(toml_of(read_text(path), path))
    except (ConfigError, ValueError):
        return None


def instead(found: FileKind | None, wanted: str) -> str:
    """The sentence on a file that is something else than ``wanted`` (with its article); empty where it is nothing that
    is known, or what was wanted."""
    return (
        "" if found is None or found.name == wanted else f"is {found.name}, and {wanted} is needed here; {found.taken}"
    )
