"""All that a report shows of one drive: its health, and the exhibits behind it."""

from __future__ import annotations

from dataclasses import dataclass

from vibe.core.drive import Drive
from vibe.core.evidence import Exhibit
from vibe.core.health import Health
from vibe.core.tones import CapturePlan, ToneTable


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Dossier:
    """``finding_exhibits`` runs beside ``health.findings``: the pictures that show each, best first."""

    drive: Drive
    health: Health
    tones: ToneTable
    finding_exhibits: tuple[tuple[Exhibit, ...], ...]
    overview_exhibits: tuple[Exhibit, ...]
    """Velocity and envelope spectra per channel, shown whatever was found."""
    plan: CapturePlan | None
