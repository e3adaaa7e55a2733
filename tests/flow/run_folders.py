"""What a run leaves in its folder."""

from __future__ import annotations

from pathlib import Path

from vibe.flow.run import resume


def contents(folder: Path) -> dict[str, bytes]:
    """Every file but stamps, which carry the name of their run, and pages, whose pictures carry random names."""
    return {
        path.relative_to(folder).as_posix(): path.read_bytes()
        for path in folder.rglob("*")
        if path.is_file() and path.name not in (resume.STAMP, "health.html")
    }
