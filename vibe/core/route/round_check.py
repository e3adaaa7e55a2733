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
    replaced_by: str | None = None
    """File with a good capture of the same point, where this one is to be repeated no more."""


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
    named_point: str | None = None
    """Point that its name says; of a file that cannot be read nothing else does."""
    error: str | None = None
    remedy: str = ""
    """What mends ``error``."""
    remarks: tuple[str, ...] = ()


Cause = Literal["no capture", "repeat", "unreadable", "unnamed"]
"""Why a point is not settled: nobody was there; what was measured is no good; its file cannot be read; a file of the
drive is there whose channels are not named as its points are."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Missing:
    """What the plan wants and the round does not hold yet."""

    drive: str
    point: str | None
    what: str
    remedy: str
    cause: Cause = "no capture"
    known: bool = False
    """The route itself says that nothing is to be expected here."""

    @property
    def taken(self) -> bool:
        """A file of it is there."""
        return self.cause != "no capture"


@dataclass(frozen=True, slots=True, kw_only=True)
class RoundCounts:
    """How far a round is, in points: ``accepted`` (or limited) and those that are needed still make up the ``points``
    that are in use."""

    points: int
    accepted: int
    repeats: int
    unread: int
    unnamed: int
    without: int

    @property
    def needed(self) -> int:
        """Points without as many good captures as the plan wants."""
        return self.points - self.accepted

    @property
    def in_words(self) -> str:
        """``16 of 30 points accepted; 14 needed: 11 repeats, 3 without a capture``."""
        parts = [
            f"{count} {text}"
            for count, text in (
                (self.repeats, "repeat" if self.repeats == 1 else "repeats"),
                (self.unread, "whose file cannot be read"),
                (self.unnamed, "whose channel must be named"),
                (self.without, "without a capture"),
            )
            if count
        ]
        needed = f"; {self.needed} needed: {', '.join(parts)}" if parts else ""
        return f"{self.accepted} of {self.points} points accepted{needed}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Completeness:
    """The round against its plan. ``wanted``: points that are in use."""

    files: tuple[FileSeen, ...]
    missing: tuple[Missing, ...]
    wanted: int = 0

    @property
    def retakes(self) -> int:
        """Measurements to be repeated, files that cannot be read among them."""
        return sum(
            seen.verdict == "retake" and seen.replaced_by is None for file in self.files for seen in file.points
        ) + sum(file.error is not None for file in self.files)

    @property
    def counts(self) -> RoundCounts:
        """Every point once, by why it is not settled."""
        causes = [one.cause for one in self.missing if one.point is not None and not one.known]
        return RoundCounts(
            points=self.wanted,
            accepted=self.wanted - len(causes),
            repeats=causes.count("repeat"),
            unread=causes.count("unreadable"),
            unnamed=causes.count("unnamed"),
            without=causes.count("no capture"),
        )
