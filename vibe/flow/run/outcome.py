"""What came of a run: of each drive, and of all of them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from vibe.report.run_rows import IndexRow


@dataclass(frozen=True, slots=True, kw_only=True)
class DriveResult:
    """What came of one drive of a run, this one or one that was interrupted. ``bad``: some capture was rejected or
    unreadable; ``failure``: why it could not be reported, and ``defect`` where that is the program's fault."""

    row: IndexRow
    bad: bool = True
    failure: str | None = None
    defect: bool = False


class RunInterrupted(KeyboardInterrupt):
    """A run was interrupted; says which drives are done and kept, which are not, and how to go on."""

    def __init__(self, out: Path, done: Sequence[str], left: Sequence[str], *, force: bool) -> None:
        total = len(done) + len(left)
        if not total:
            super().__init__("interrupted before a drive was begun; nothing was written")
            return
        count = "1 drive is" if len(done) == 1 else f"{len(done)} drives are" if done else "no drive is"
        text = f"interrupted: {count} done of {total}{f', and kept in {out}' if done else ''}"
        if left:
            more = f" and {len(left) - _MOST_NAMED} more" if len(left) > _MOST_NAMED else ""
            text += f"; not done: {', '.join(left[:_MOST_NAMED])}{more}"
        else:
            text += "; the page for all drives is not written"
        again = "the same command, without --force, which would begin afresh," if force else "the same command"
        super().__init__(f"{text}. Nothing is lost: {again} goes on where this one stopped")


_MOST_NAMED = 6
"""Names that a sentence lists; more are counted (our choice)."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RunOutcome:
    """What came of a recipe: ``rows`` as the page ``index`` has them, ``remarks`` for whoever started the run.

    ``rejected``: some capture was unreadable, rejected or of no known drive; ``acting``: some drive is act;
    ``failures``: a sentence for each drive that could not be reported (its row is unknown), and ``defect`` when one of
    them is the program's fault; ``kept``: drives that an interrupted run had finished.
    """

    rows: tuple[IndexRow, ...]
    index: Path
    remarks: tuple[str, ...]
    rejected: bool
    acting: bool
    failures: tuple[str, ...] = ()
    defect: bool = False
    kept: tuple[str, ...] = ()
