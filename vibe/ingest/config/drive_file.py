"""Drive files."""

from __future__ import annotations

import glob
from collections.abc import Sequence
from pathlib import Path

from vibe.core.drive import Drive
from vibe.core.errors import ConfigError
from vibe.core.surroundings import Neighbour
from vibe.ingest.config.other_file import DRIVE, instead, kind_of_file
from vibe.ingest.config.toml_file import load_model


def load_drive(path: Path) -> Drive:
    """The drive that ``path`` describes, and of neighbours that have a drive file of their own what that one says.

    Neighbours of a neighbour are not followed.

    Raises:
        ConfigError: with file, line, field and the nearest known key.
    """
    drive = load_model(path, Drive)
    if not any(_is_file(neighbour) for neighbour in drive.neighbour):
        return drive
    return drive.model_copy(update={"neighbour": [_found(neighbour, path) for neighbour in drive.neighbour]})


def neighbour_files(drive: Drive, path: Path) -> dict[str, Path]:
    """Drive files of the neighbours of ``drive``, whose own file is ``path``, by their names."""
    return {n.name: path.parent / n.drive for n in drive.neighbour if n.drive is not None and _is_file(n)}


def _is_file(neighbour: Neighbour) -> bool:
    return neighbour.drive is not None and neighbour.drive.endswith(".toml")


def _found(neighbour: Neighbour, path: Path) -> Neighbour:
    if neighbour.drive is None or not _is_file(neighbour):
        return neighbour
    try:
        return neighbour.as_described(load_model(path.parent / neighbour.drive, Drive))
    except ConfigError as error:
        raise ConfigError(f"neighbour {neighbour.name!r}: {error}", path=path) from None


def drive_files(where: str | Path | Sequence[str | Path]) -> tuple[Path, ...]:
    """Drive files named by a file, a folder (its ``*.toml``), a pattern, or a list of these; sorted, none twice.

    Raises:
        ConfigError: a pattern that names nothing.
    """
    wanted = [where] if isinstance(where, (str, Path)) else list(where)
    found: dict[Path, Path] = {}
    for entry in wanted:
        path = Path(entry)
        if path.is_dir():
            files = sorted(path.glob("*.toml"))
        elif path.exists():
            files = [path]
        else:
            files = sorted(Path(name) for name in glob.glob(str(entry), recursive=True))  # noqa: PTH207 (absolute patterns)
            files = [file for file in files if file.suffix == ".toml" and file.is_file()]
        if not files:
            reason = "holds no drive file (*.toml)" if path.is_dir() else "names no drive file: nothing is there"
            raise ConfigError(instead(kind_of_file(path), DRIVE.name) or reason, path=path)
        for file in files:
            found.setdefault(file.resolve(), file)
    return tuple(found.values())


def load_drives(where: str | Path | Sequence[str | Path]) -> tuple[Drive, ...]:
    """Every drive of a file, folder, pattern, or list of these, in the order of the files.

    Raises:
        ConfigError: nothing found, a file is wrong, or two files carry one tag (both are named).
    """
    by_tag: dict[str, tuple[Path, Drive]] = {}
    for path in drive_files(where):
        drive = load_drive(path)
        if drive.tag in by_tag:
            raise ConfigError(f"the tag {drive.tag!r} is already that of {by_tag[drive.tag][0]}", path=path)
        by_tag[drive.tag] = (path, drive)
    return tuple(drive for _, drive in by_tag.values())
