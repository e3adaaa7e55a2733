"""Capture settings, before anybody leaves for the drives."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from vibe.flow.settings import tones_of

if TYPE_CHECKING:
    from vibe.core.tones import CapturePlan


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanOutcome:
    """Capture plans and the sheets written."""

    plans: tuple[CapturePlan, ...]
    files: tuple[Path, ...]
    remarks: tuple[str, ...] = ()


def plan_drives(drive_paths: Sequence[Path], out: Path | None, force: bool, *, pdf: bool | None = None) -> PlanOutcome:
    """Capture plans, and a printable sheet when ``out`` is given (with its PDF unless ``pdf`` says no)."""
    from vibe.health.cautions import plan_cautions
    from vibe.kinematics.plan import capture_plan
    from vibe.report.plan_sheet import write_plan_sheet

    pairs = [tones_of(path) for path in drive_paths]
    plans = tuple(capture_plan(drive, table) for drive, table in pairs)
    if out is None:
        return PlanOutcome(plans=plans, files=())
    names = {drive.tag: drive.name for drive, _ in pairs}
    sheet = write_plan_sheet(plans, out, force=force, names=names, cautions=plan_cautions(), pdf=pdf is not False)
    files = tuple(file for file in (sheet.html, sheet.pdf, sheet.csv, sheet.json) if file is not None)
    return PlanOutcome(plans=plans, files=files, remarks=sheet.remarks)
