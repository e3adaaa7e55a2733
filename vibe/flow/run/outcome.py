"""What came of a run: of each drive, and of all of them."""

from __future__ import annotations

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
