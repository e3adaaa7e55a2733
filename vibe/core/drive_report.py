"""All that a report shows of one drive: its health, and the plots behind it."""

from __future__ import annotations

from dataclasses import dataclass

from vibe.core.drive import Drive
from vibe.core.evidence import PlotData
from vibe.core.health import Health
from vibe.core.tones import CapturePlan, ToneTable


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class DriveReport:
    """``finding_plots`` runs parallel to ``health.findings``: the pictures that show each, best first."""

    drive: Drive
    health: Health
    tones: ToneTable
    finding_plots: tuple[tuple[PlotData, ...], ...]
    overview_plots: tuple[PlotData, ...]
    """Velocity and envelope spectra per channel, shown whatever was found."""
    plan: CapturePlan | None
