"""One collection of a route, looked at in the field: what came in, what must be taken again, what is still missing."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Literal

from vibe.core.capture import Reason

FieldVerdict = Literal["accepted", "limited", "retake", "twice", "extra"]
"""``limited``: kept, with care, for a second try would not mend it; ``twice``: delivered before, and set aside;
``extra``: of no point of the route."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Expected:
    """What the plan wants of one point."""

    drive: str
    point: str
    captures: int = 1
    speed_to_note: bool = False
    load_to_note: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class PointSeen:
    """One channel of one file. ``content`` is the hash of its samples."""

    point: str
    verdict: FieldVerdict
    reasons: tuple[Reason, ...] = ()
    content: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class FileSeen:
    """One file of a round; ``error`` when it cannot be read, and then it holds no point."""

    path: Path
    drive: str | None = None
    points: tuple[PointSeen, ...] = ()
    measured_at: datetime | None = None
    speed_noted: bool = False
    load_noted: bool = False
    content: str | None = None
    """Hash of the file's bytes."""
    logger: str | None = None
    """Rule of the route that its name follows: files of one logger share it."""
    error: str | None = None
    remarks: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Missing:
    """What the plan wants and the round does not hold yet."""

    drive: str
    point: str | None
    what: str
    remedy: str
    taken: bool = False
    """It was measured, and none of its captures is good."""
    known: bool = False
    """The route itself says that nothing is to be expected here."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Completeness:
    """The round against its plan."""

    files: tuple[FileSeen, ...]
    missing: tuple[Missing, ...]

    @property
    def retakes(self) -> int:
        """Points to be measured again."""
        return sum(seen.verdict == "retake" for file in self.files for seen in file.points) + sum(
            file.error is not None for file in self.files
        )
