"""Where a drive's report is, and its row in a run. Imports nothing heavy: commands print from here."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from vibe.core.drive_report import DriveReport
from vibe.core.errors import OutputError
from vibe.core.health import State
from vibe.report.words import STATE_RANK, heading, natural

if TYPE_CHECKING:
    from vibe.core.route.run_notes import ReportChanges


_DAYS = re.compile(r"\bby (\d{4}-\d\d-\d\d)\b")


@dataclass(frozen=True, slots=True, kw_only=True)
class DriveFiles:
    """Where a drive's report is; ``pdf`` None when there is none, and then a remark says why."""

    folder: Path
    json: Path
    html: Path
    pdf: Path | None
    remarks: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class IndexRow:
    """One drive in the run: what a reader needs to choose which report to open."""

    tag: str
    name: str
    state: State
    sentence: str
    do_by: str
    top_finding: str | None
    probability: float | None
    files: DriveFiles | None
    captures: int
    remarks: tuple[str, ...] = ()
    noticed: tuple[str, ...] = ()
    """What was noticed of the files themselves: delivered twice, taken at one time."""
    changes: ReportChanges | None = None
    """Since an earlier run; None where there is none to compare with, and then ``since`` may say why."""
    since: str = ""

    @property
    def due(self) -> str:
        """The date by which, as ISO 8601; empty where the instruction counts days from a measurement without a time."""
        return next(iter(_DAYS.findall(self.do_by)), "")

    @property
    def first_due(self) -> str:
        """The same of the first thing that it asks for: a measurement before the inspection, where there is one."""
        return min(_DAYS.findall(self.do_by), default="")


def index_row(drive_report: DriveReport, files: DriveFiles | None, *, remarks: Sequence[str] = ()) -> IndexRow:
    """The row of a drive that has a report."""
    health = drive_report.health
    top = next((finding for finding in health.findings if not finding.too_faint_for_words), None)
    weak = "weak sign: " if top is not None and top.weak_sign else ""
    return IndexRow(
        tag=health.drive,
        name=health.name or drive_report.drive.name,
        state=health.state,
        sentence=health.sentence,
        do_by=health.do_by,
        top_finding=None if top is None else f"{weak}{heading(top.component, top.defect)}",
        probability=None if top is None else top.probability,
        files=files,
        captures=len(health.captures),
        remarks=(*(files.remarks if files else ()), *remarks),
    )


def gravest_first(rows: Sequence[IndexRow]) -> list[IndexRow]:
    """By state (act, plan, watch, unknown, sound), then the surer finding, then the tag as people count."""
    return sorted(rows, key=lambda row: (STATE_RANK[row.state], -(row.probability or 0.0), natural(row.tag)))


def refuse_existing_run(folder: Path) -> None:
    """Refuse, before the work is done, to replace a run.

    Raises:
        OutputError: one of its files is in ``folder`` already.
    """
    for name in ("index.html", "drives.csv", "run.json"):
        if (folder / name).exists():
            raise OutputError(f"{folder / name} exists already; give --force to replace it, or another --out")
