"""The error family. Every message is one sentence that a user can act on.

VibeError
├── ConfigError    a drive, recipe, limits or sidecar file is wrong
├── CaptureError   a capture cannot be read
├── CallError      the command was called wrongly
└── OutputError    a result cannot be written
"""

from __future__ import annotations

import traceback
from pathlib import Path

_PACKAGE = Path(__file__).resolve().parent.parent


class VibeError(Exception):
    """Base of every error that a user can cause or mend."""


class ConfigError(VibeError):
    """A configuration file is wrong: says where and what would be right."""

    def __init__(self, reason: str, *, path: Path | str | None = None, line: int | None = None) -> None:
        self.reason, self.path, self.line = reason, path, line
        place = "" if path is None else f"{path}: " if line is None else f"{path}, line {line}: "
        super().__init__(f"{place}{reason}")


class CaptureError(VibeError):
    """A capture cannot be read. ``detail`` is what a library said; ``plain`` leaves it out, ``reason`` has it.
    ``remedy``: what mends it; unless given the file is taken to be damaged, which another copy may mend."""

    def __init__(
        self, reason: str, *, path: Path | str | None = None, detail: str = "", remedy: str | None = None
    ) -> None:
        self.plain, self.detail, self.path = reason, detail, path
        self.remedy = COPY_AGAIN if remedy is None else remedy
        self.reason = f"{reason} ({detail})" if detail else reason
        super().__init__(self.reason if path is None else f"{path}: {self.reason}")


COPY_AGAIN = "Copy it from the logger once more; if it is damaged there too, repeat the measurement."


class CallError(VibeError):
    """The command was called with something it cannot use."""


class OutputError(VibeError):
    """A result cannot be written where it was asked for."""


def defect(error: Exception) -> str:
    """One sentence for an error that no user can cause: says that the program is to blame, and where."""
    frames = traceback.extract_tb(error.__traceback__)
    own = [frame for frame in frames if Path(frame.filename).resolve().is_relative_to(_PACKAGE)]
    place = type(error).__name__
    if last := (own or frames)[-1:]:
        file = Path(last[0].filename)
        name = file.resolve().relative_to(_PACKAGE.parent).as_posix() if own else file.name
        place += f" at {name}:{last[0].lineno}"
    detail = " ".join(str(error).split())[:200]
    return (
        f"this is a defect of the program, not of your files: {place}{f' ({detail})' if detail else ''}; "
        "set VIBE_DEBUG=1 for the full traceback"
    )
