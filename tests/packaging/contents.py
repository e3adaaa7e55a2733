"""What may be in a wheel and in a source archive, and what must be: ``python tests/packaging/contents.py FILE...``."""

from __future__ import annotations

import re
import sys
import tarfile
import zipfile
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
SHARED = ("configs", "pipelines", "sample_signals")
NEVER = re.compile(
    r"__pycache__|\.py[co]$|\.part$|\.sqlite|run\.journal|\.(venv|git|pytest_cache|mypy_cache|ruff_cache|hypothesis)/"
    r"|(^|/)(open_data|reports|vibe-\w+|dist|build)/|\.DS_Store|~$"
)


def of_wheel(path: Path) -> set[str]:
    with zipfile.ZipFile(path) as archive:
        return {name for name in archive.namelist() if not name.endswith("/")}


def of_source_archive(path: Path) -> set[str]:
    """Names without the folder that all of them lie in."""
    with tarfile.open(path) as archive:
        members = archive.getmembers()
    assert all(member.isfile() or member.isdir() for member in members), "links in the source archive"
    return {member.name.partition("/")[2] for member in members if member.isfile()}


def in_tree(*folders: str) -> set[str]:
    return {
        str(path.relative_to(ROOT).as_posix())
        for folder in folders
        for path in (ROOT / folder).rglob("*")
        if path.is_file() and not NEVER.search(path.relative_to(ROOT).as_posix())
    }


def wrong_with_wheel(names: set[str]) -> list[str]:
    """Sentences; none for a wheel that is as it should be."""
    about = {name for name in names if re.match(r"vibe-[^/]+\.dist-info/", name)}
    wanted = in_tree("vibe") | {f"vibe/share/{name}" for name in in_tree(*SHARED)}
    return [
        *(f"{name} is missing" for name in sorted(wanted - names)),
        *(f"{name} does not belong into a wheel" for name in sorted(names - about - wanted)),
        *(f"no {what} among {sorted(about)}" for what in ("LICENSE", "entry_points.txt", "METADATA")
          if not any(name.endswith(f"/{what}") for name in about)),
    ]  # fmt: skip


def wrong_with_source_archive(names: set[str]) -> list[str]:
    """Sentences; none for a source archive that is as it should be."""
    wanted = in_tree("vibe", *SHARED, "tests", ".ci")
    wanted |= {"pyproject.toml", "README.md", "DEVELOPERS.md", "LICENSE"}
    names = names - {"PKG-INFO", ".gitignore"}
    return [
        *(f"{name} is missing" for name in sorted(wanted - names)),
        *(f"{name} does not belong into a source archive" for name in sorted(names - wanted)),
    ]  # fmt: skip


def main() -> None:
    wrong = []
    for path in map(Path, sys.argv[1:]):
        wheel = path.suffix == ".whl"
        names = of_wheel(path) if wheel else of_source_archive(path)
        wrong += wrong_with_wheel(names) if wheel else wrong_with_source_archive(names)
        print(f"{path.name}: {len(names)} files, {path.stat().st_size / 1e6:.1f} MB")  # noqa: T201
    if wrong:
        sys.exit("\n".join(wrong))


if __name__ == "__main__":
    main()
