"""What a user names on the command line, as the files that it means."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from vibe.core.errors import CallError


def captures_named(names: Sequence[Path]) -> tuple[Path, ...]:
    """Files as they are, folders opened, patterns that no shell opened; none twice.

    Raises:
        CallError: a name that means nothing, before any work is done.
    """
    from vibe.ingest import find_captures

    found: dict[Path, Path] = {}
    for name in names:
        if _there(name) and name.is_dir():
            paths = list(find_captures(name))
            if not paths:
                raise CallError(f"{name}: the folder holds no capture in a known format")
        else:
            paths = _files(name)
        for path in paths:
            found.setdefault(path.resolve(), path)
    return tuple(found.values())


def _files(name: Path) -> list[Path]:
    if _there(name):
        return [name]
    if any(sign in str(name) for sign in "*?["):
        import glob

        matching = sorted(Path(match) for match in glob.glob(str(name), recursive=True))  # noqa: PTH207 (absolute patterns)
        if matching:
            return [path for path in matching if path.is_file()]
        raise CallError(f"{name}: no file matches this pattern")
    raise CallError(f"{name}: there is no such file")


def _there(name: Path) -> bool:
    try:
        return name.exists()
    except (OSError, ValueError):  # a name too long, or with a null character
        return False


def check_folder(out: Path | None) -> None:
    """Refuse an ``--out`` that can never be a folder before long work is done for it.

    Raises:
        OutputError: it, or something above it, is a file, or may not be written.
    """
    from vibe.storage import files

    if out is not None:
        files.check_folder(out)


def check_free(path: Path | None, *, force: bool) -> None:
    """Refuse to replace a file before long work is done for it.

    Raises:
        CallError: it is a folder or a device, or is there already and ``force`` is not given.
    """
    if path is None:
        return
    if path.is_dir():
        raise CallError(f"{path} is a folder where a file is needed")
    if path.exists() and not path.is_file():
        raise CallError(f"{path} is not an ordinary file; shell redirection can write there")
    if path.exists() and not force:
        raise CallError(f"{path} exists already; give --force to replace it, or another name")
    check_folder(path.parent)
